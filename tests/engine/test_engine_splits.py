"""Parts of a run against each other: alike on a car that is, told apart on one that is not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from engine.runs import EngineRun, estimate, make_run

from analyzer.processing.results import RunEstimates, Split

AXLES = ("front", "rear")


@pytest.fixture(scope="module")
def driven(tmp_path_factory: pytest.TempPathFactory) -> EngineRun:
    return make_run(tmp_path_factory.mktemp("splits") / "run.csv", name="course", seed=3)


@pytest.fixture(scope="module")
def sound(driven: EngineRun) -> RunEstimates:
    return estimate(driven)


def _part(estimates: RunEstimates, name: str) -> Split:
    return next(split for split in estimates.splits if split.name == name)


def _beyond(estimates: RunEstimates) -> set[tuple[str, str, str]]:
    return {(d.quantity, d.axle, d.first) for d in estimates.differences if d.beyond_error}


def test_parts_of_a_sound_car_are_alike_and_right(driven: EngineRun, sound: RunEstimates) -> None:
    assert not _beyond(sound)
    assert {split.name for split in sound.splits} == {"left corners", "right corners", "early", "late"}
    for name, within in (("left corners", 0.03), ("right corners", 0.03), ("early", 0.01), ("late", 0.01)):
        for axle in AXLES:
            found = _part(sound, name).roll_gradient_body[axle]
            assert found.value == pytest.approx(driven.truth.body_gradient[axle], rel=within)
            assert found.std_error is not None


def test_share_of_left_corners_is_the_engines(driven: EngineRun, sound: RunEstimates) -> None:
    """Cornering to the left by the engine's own force, over 0.2 g."""
    plan = driven.truth.driven
    window = np.hanning(402)[1:-1]
    force = np.convolve(plan.cg_force[:, 1], window / window.sum(), mode="same")
    left = np.interp(driven.truth.time, plan.time, force) > 0.2 * 9.80665
    for axle in AXLES:
        true = float(driven.truth.left_share(axle)[left].mean())
        assert _part(sound, "left corners").left_share[axle].value == pytest.approx(true, abs=0.01)


@pytest.mark.parametrize(
    ("name", "bank", "seed"), [("bowl", 10.0, 507), ("bowl", 6.0, 519), ("drift", 6.0, 509)]
)
def test_banked_and_flat_parts_of_one_car_are_alike(
    tmp_path: Path, name: str, bank: float, seed: int
) -> None:
    """A bank presses the body down, drive force the rear axle, a change of side twists the ground."""
    found = estimate(make_run(tmp_path / "run.csv", name=name, seed=seed, bank=bank, road_class="A"))
    assert not _beyond(found)
    assert {"banked", "flat"} <= {split.name for split in found.splits}
    told = [d for d in found.differences if (d.quantity, d.first) == ("share_slope", "banked")]
    assert {d.axle for d in told} == set(AXLES)
    # Within 3 %, whatever the error says.
    for d in told:
        whole = _part(found, "banked").share_slope[d.axle].value
        assert whole is not None
        assert abs(d.difference.value) < 0.03 * abs(whole)  # type: ignore[operator]


def _changed(driven: EngineRun, path: Path, change: Callable[[pd.DataFrame], None]) -> RunEstimates:
    table = pd.read_csv(driven.path)
    change(table)
    table.to_csv(path, index=False, float_format="%.6f")
    return estimate(replace(driven, path=path))


@pytest.fixture(scope="module")
def bowl(tmp_path_factory: pytest.TempPathFactory) -> EngineRun:
    path = tmp_path_factory.mktemp("bowl") / "run.csv"
    return make_run(path, name="bowl", seed=507, bank=10.0, road_class="A")


@pytest.mark.parametrize("shake", [0.2, 0.5])
def test_an_accelerometer_that_shakes_sets_no_parts_apart(
    bowl: EngineRun, tmp_path: Path, shake: float
) -> None:
    """Held samples fold the shaking down: it flattens the narrower part's slope of the share more."""

    def change(table: pd.DataFrame) -> None:
        rng = np.random.default_rng(5)
        held = np.arange(len(table)) // 5 * 5
        for channel in ("AccX", "AccY", "AccZ"):
            table[channel] = (table[channel].to_numpy() + rng.normal(0.0, shake, len(table)))[held]

    sound, found = estimate(bowl), _changed(bowl, tmp_path / "shaken.csv", change)
    assert not _beyond(found)
    # Told with an error that holds, or unknown with its reason.
    for split in found.splits:
        for axle, slope in split.share_slope.items():
            if slope.value is None:
                assert "noise of the accelerometer" in slope.notes[0]
                continue
            right = _part(sound, split.name).share_slope[axle]
            assert right.value is not None
            assert slope.std_error is not None
            assert slope.value == pytest.approx(right.value, abs=3.0 * slope.std_error)
    assert found.splits[-1].share_slope["front"].value is None or shake < 0.5


def test_one_side_that_gives_more_in_bump_is_told(driven: EngineRun, tmp_path: Path) -> None:
    def change(table: pd.DataFrame) -> None:
        pot = table["FR pot"]
        table["FR pot"] = np.where(pot > 0.0, 1.3 * pot, pot)

    found = _changed(driven, tmp_path / "side.csv", change)
    assert ("roll_gradient_body", "front", "left corners") in _beyond(found)
    assert any("differs between left corners and right corners" in note for note in found.notes)
    assert not [key for key in _beyond(found) if key[2] == "early"]


def test_a_car_that_softens_half_way_is_told(driven: EngineRun, tmp_path: Path) -> None:
    def change(table: pd.DataFrame) -> None:
        late = table["Time"] > (9.0 + driven.truth.time[-1]) / 2.0
        for pot in ("FL pot", "FR pot"):
            table[pot] = np.where(late, 1.05 * table[pot], table[pot])

    found = _changed(driven, tmp_path / "late.csv", change)
    assert ("roll_gradient_body", "front", "early") in _beyond(found)
    values = [_part(found, name).roll_gradient_body["front"].value for name in ("early", "late")]
    assert values[0] is not None
    assert values[1] is not None
    assert values[1] / values[0] == pytest.approx(1.05, abs=0.015)
