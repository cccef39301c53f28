"""Drifts over banks that twist the ground: side-slip is not measured, and the interval knows it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from engine.drift_bed import AXLES, Drift, banked_drift, bowl_drift
from engine.sheets import bar_rates

from analyzer.ingest.read_run import read_recording
from analyzer.processing.estimate_run import estimate_run

pytestmark = pytest.mark.slow

DRIFTS = range(100, 140)
BLIND = range(100, 124)
"""Drifts that are driven without a roll gyro."""


@pytest.fixture(scope="module")
def bowl(tmp_path_factory: pytest.TempPathFactory) -> Drift:
    found = bowl_drift(tmp_path_factory.mktemp("bowl"))
    assert found is not None
    return found


def test_ground_that_passes_for_roll_is_in_the_interval_and_told(bowl: Drift) -> None:
    """The front gradient is half too high, the rear one a third of the true: 8 and 11 % stated before."""
    for axle in AXLES:
        assert abs(bowl.error(axle)) <= bowl.half(axle)
        assert "side-slip is not measured" in " ".join(bowl.found.roll_gradient_body[axle].notes)
    assert [note for note in bowl.found.notes if "side-slip is not measured" in note]


@pytest.mark.parametrize("without", ["gyro_x", "gyro_y", "gyro_z", "speed"])
def test_without_what_tells_side_slip_the_ground_is_in_the_interval_too(tmp_path: Path, without: str) -> None:
    found = bowl_drift(tmp_path, without)
    assert found is not None
    for axle in AXLES:
        assert abs(found.error(axle)) < 1.25 * found.half(axle)


def test_parts_of_that_drift_are_no_two_cars(bowl: Drift) -> None:
    assert not [d for d in bowl.found.differences if d.beyond_error]


@pytest.fixture(scope="module")
def drifts(tmp_path_factory: pytest.TempPathFactory) -> list[Drift]:
    folder = tmp_path_factory.mktemp("drifts")
    return [one for seed in DRIFTS if (one := banked_drift(seed, folder)) is not None]


def test_bars_that_are_others_than_the_sheet_says_move_no_gradient(drifts: list[Drift]) -> None:
    """At most 0.02 % in 19 of 37 drifts (0.14 in one of the others); by the sheet's shares 0.04 to 84 %."""
    for one in drifts[::2]:
        recording = read_recording("r", (one.run.path,), one.sheet)
        rates = bar_rates(one.run.car, one.run.setup)
        for factor in (0.5, 2.0):
            other = {axle: factor * rate for axle, rate in rates.items()}
            found = estimate_run(recording, one.sheet, one.run.setup, other).roll_gradient_body
            for axle, gradient in one.found.roll_gradient_body.items():
                if gradient.value is None:
                    assert found[axle].value is None
                else:
                    assert found[axle].value == pytest.approx(gradient.value, rel=0.0012)


def test_intervals_hold_over_drifts_on_banks_drawn_at_random(drifts: list[Drift]) -> None:
    """All of 76 hold. Without what side-slip leaves open 39 of 68 did, and 18 were off by twice it."""
    known = [
        (one, axle)
        for one in drifts
        for axle in AXLES
        if one.found.roll_gradient_body[axle].interval is not None
    ]
    assert len(known) >= 60
    parts = np.array([abs(one.error(axle)) / one.half(axle) for one, axle in known])
    assert float(np.mean(parts <= 1.0)) >= 0.92
    assert float(parts.max()) < 2.0
    # Not wide for nothing. Where the ground's twist was left out too soon a quarter was off by 11 % and more.
    assert float(np.median([one.half(axle) for one, axle in known])) < 0.04
    errors = np.abs([one.error(axle) for one, axle in known])
    assert float(np.quantile(errors, 0.75)) < 0.04


def _known(drifts: list[Drift | None]) -> list[tuple[Drift, str]]:
    return [
        (one, axle)
        for one in drifts
        if one is not None
        for axle in AXLES
        if one.found.roll_gradient_body[axle].interval is not None
    ]


def _blind(folder: Path, *without: str, level: bool = False) -> list[tuple[Drift, str]]:
    """Return the gradients of drifts without a roll gyro, every other one with a box that leans."""
    lacking = ("gyro_x", *without)
    return _known([banked_drift(n, folder, lacking, level, leaning=n % 2 == 0) for n in BLIND])


def test_banks_without_a_roll_gyro_are_worked_out_from_the_forces(tmp_path: Path) -> None:
    """All of 46 hold, 5.5 % off root mean square, half-width 18 %; before, 2 of 40 held, 45 % off."""
    known = _blind(tmp_path)
    assert len(known) >= 30
    errors = np.array([one.error(axle) for one, axle in known])
    halves = np.array([one.half(axle) for one, axle in known])
    assert float(np.mean(np.abs(errors) <= halves)) >= 0.9
    assert float(np.sqrt(np.mean(errors**2))) < 0.1
    assert float(np.median(halves)) < 0.2
    for one, axle in known:
        notes = " ".join(one.found.roll_gradient_body[axle].notes)
        assert abs(one.error(axle)) < 0.1 or "how banks twist the ground" in notes


def test_level_ground_without_a_roll_gyro_stays_level(tmp_path: Path) -> None:
    """All of 46 hold, half-width 1.4 % in the median: a bank that forces show is not taken off unseen."""
    known = _blind(tmp_path, level=True)
    errors = np.array([one.error(axle) for one, axle in known])
    halves = np.array([one.half(axle) for one, axle in known])
    assert float(np.mean(np.abs(errors) <= halves)) >= 0.9
    assert float(np.sqrt(np.mean(errors**2))) < 0.01
    assert float(np.median(halves)) < 0.02


def test_banks_that_nothing_tells_are_in_the_interval_by_the_tyres(tmp_path: Path) -> None:
    """All of 40 hold, 45 % off root mean square: unknown twist is told and stays in."""
    known = _blind(tmp_path, "accel_z")
    for one, axle in known:
        notes = " ".join(one.found.roll_gradient_body[axle].notes)
        assert abs(one.error(axle)) < 0.1 or "than their tyres explain" in notes
    assert float(np.mean([abs(one.error(axle)) <= one.half(axle) for one, axle in known])) >= 0.8
