"""The mean left share of a run against the engine's contact loads: its error, by exact sheets and others."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest
from engine.car import ENGINE_CAR
from engine.runs import EngineRun, estimate, make_run
from engine.sheets import car_sheet, sheet_off

from analyzer.core.estimate import Estimate
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet

AXLES = ("front", "rear")
DRIVES = (("oval", 8.0), ("course", 0.0), ("bowl", 10.0))
"""In one direction alone, in both, and on banks; bank in degrees."""


@pytest.fixture(scope="module")
def driven(tmp_path_factory: pytest.TempPathFactory) -> list[EngineRun]:
    folder = tmp_path_factory.mktemp("share")
    return [
        make_run(folder / f"{name}.csv", name=name, seed=81, bank=bank, rate=100.0) for name, bank in DRIVES
    ]


def _true(run: EngineRun, found: RunEstimates, axle: str) -> float:
    """Return the engine's mean left share over the moving part."""
    moving = found.motion.parked.index[~found.motion.parked.to_numpy()]
    share: float = np.interp(moving, run.truth.time, run.truth.left_share(axle)).mean()
    return share


def _half(share: Estimate) -> float:
    assert share.interval is not None
    return (share.interval[1] - share.interval[0]) / 2.0


def test_left_and_right_corners_are_no_scatter_of_the_mean(driven: list[EngineRun]) -> None:
    for run in driven:
        found = estimate(run)
        for axle in AXLES:
            share = found.load_share[axle].left_share  # type: ignore[index]
            off = abs(share.value - _true(run, found, axle))  # type: ignore[operator]
            assert off < 0.001
            assert off < _half(share) < 0.008


def _off(run: EngineRun, seed: int) -> RunEstimates:
    table = tomllib.loads(car_sheet(run.car))
    return estimate(run, CarSheet.model_validate(sheet_off(table, np.random.default_rng([seed, 14]))))


@pytest.mark.slow
@pytest.mark.parametrize("seeds", [range(4), range(4, 24)], ids=len)
def test_interval_holds_the_share_with_a_sheet_off_by_its_tolerances(
    driven: list[EngineRun], seeds: range
) -> None:
    held, halves, errors = [], [], []
    for run in driven:
        for seed in seeds:
            found = _off(run, seed)
            for axle in AXLES:
                share = found.load_share[axle].left_share  # type: ignore[index]
                errors.append(share.value - _true(run, found, axle))  # type: ignore[operator]
                halves.append(_half(share))
                held.append(abs(errors[-1]) < halves[-1])
    assert np.mean(held) >= 0.92
    # And is not wide for nothing: corner loads off by 1 % each are 0.0035.
    assert np.sqrt(np.mean(np.square(errors))) > 0.25 * np.mean(halves)


def test_without_damper_rates_the_share_of_single_moments_is_said_to_be_off(driven: list[EngineRun]) -> None:
    table = tomllib.loads(car_sheet(ENGINE_CAR))
    del table["rear"]["damper"]["rates"]
    found = estimate(driven[1], CarSheet.model_validate(table))
    assert {axle: found.load_share[axle].damped for axle in AXLES} == {"front": True, "rear": False}  # type: ignore[index]
    notes = {axle: found.load_share[axle].left_share.notes for axle in AXLES}  # type: ignore[index]
    assert any("damper" in note for note in notes["rear"])
    assert not any("damper" in note for note in notes["front"])
