"""The roll mode of the published cars from their logs, through the whole way from CSV to figures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from published_cars.driven_logs import DrivenRun, driven_run
from published_cars.multi_body import roll_modes
from published_cars.steered_logs import noisy, steered_run, write_steered

from analyzer.processing.results import RunEstimates
from analyzer.session.review import review_session

KNOWN = {
    (1, 1.0): (1.980, 0.249),
    (1, 0.0): (1.752, 0.301),
    (2, 1.0): (2.074, 0.320),
    (2, 0.0): (1.957, 0.364),
    (3, 1.0): (2.079, 0.216),
    (3, 0.0): (1.832, 0.280),
}
"""Roll mode at 15 m/s [Hz, 1] from a numerical Jacobian made beforehand: vehicle and front bar."""


def _run(folder: Path, number: int, front_bar: float, run: DrivenRun) -> RunEstimates:
    review = review_session(write_steered(folder, number, front_bar, run))
    assert not review.failed
    return review.runs[0]


def _check(found: RunEstimates, frequency: float, damping: float) -> None:
    roll, ratio = found.further["roll_frequency"], found.further["roll_damping_ratio"]
    assert roll.value == pytest.approx(frequency, rel=0.03)
    assert ratio.value == pytest.approx(damping, rel=0.05)
    assert roll.std_error is not None
    assert roll.std_error < 0.01 * frequency
    assert "15.0 m/s" in roll.notes[0]


def test_slalom_tells_the_roll_mode(tmp_path: Path) -> None:
    _check(_run(tmp_path, 1, 1.0, steered_run(1, 1.0, "slalom")), *KNOWN[1, 1.0])


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["slalom", "rising", "random"])
@pytest.mark.parametrize(("number", "front_bar"), KNOWN)
def test_every_quick_drive_tells_it(tmp_path: Path, number: int, front_bar: float, kind: str) -> None:
    run = steered_run(number, front_bar, kind)
    _check(_run(tmp_path, number, front_bar, run), *KNOWN[number, front_bar])


@pytest.mark.slow
@pytest.mark.parametrize("speed", [10.0, 20.0])
@pytest.mark.parametrize(("number", "front_bar"), [(1, 1.0), (2, 1.0), (3, 0.0)])
def test_mode_is_that_of_the_speed(tmp_path: Path, number: int, front_bar: float, speed: float) -> None:
    frequency, damping = KNOWN[number, front_bar]
    modes = roll_modes(number, front_bar, speed)
    known = min(modes, key=lambda m: abs(m[0] / frequency - 1.0) + abs(m[1] / damping - 1.0))
    found = _run(tmp_path, number, front_bar, steered_run(number, front_bar, "random", speed))
    assert found.further["roll_frequency"].value == pytest.approx(known[0], rel=0.03)
    assert found.further["roll_damping_ratio"].value == pytest.approx(known[1], rel=0.06)


@pytest.mark.slow
@pytest.mark.parametrize(("number", "front_bar"), [(1, 1.0), (3, 1.0)])
def test_noise_moves_it_by_no_more_than_its_error(tmp_path: Path, number: int, front_bar: float) -> None:
    held = []
    for seed in range(12):
        folder = tmp_path / str(seed)
        folder.mkdir()
        found = _run(folder, number, front_bar, noisy(steered_run(number, front_bar, "rising"), seed))
        roll = found.further["roll_frequency"]
        assert roll.value is not None
        assert roll.total_error is not None
        assert roll.value == pytest.approx(KNOWN[number, front_bar][0], rel=0.03)
        held.append(abs(roll.value - KNOWN[number, front_bar][0]) < 2.0 * roll.total_error)
    assert np.mean(held) > 0.8


@pytest.mark.slow
def test_slow_steering_under_noise_tells_nothing_wrong(tmp_path: Path) -> None:
    run = noisy(driven_run(2, 1.0), 1)
    roll = _run(tmp_path, 2, 1.0, run).further["roll_frequency"]
    if roll.value is None:
        assert "steering" in roll.notes[0]
    else:
        assert roll.total_error is not None
        assert abs(roll.value - KNOWN[2, 1.0][0]) < 3.0 * roll.total_error
