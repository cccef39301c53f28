"""The left share of a log that lost rows is that of the whole drive, not of what is left of it."""

from __future__ import annotations

import numpy as np
import pytest
from processing.linear_car import Drive, LinearCar, Noise, drive_car

from analyzer.core.signals import Bools
from analyzer.ingest.recording import Recording
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.results import LoadShare

CAR = LinearCar()
RATE = 200.0


def without(recording: Recording, lost: Bools) -> Recording:
    """Return the recording with all channels suspect where rows were lost, and garbage in them."""
    data = recording.data.copy()
    data[lost] = 0.0
    for column in recording.suspect.columns:
        recording.suspect[column] = recording.suspect[column] | lost
    recording.data[:] = data
    return recording


def lone_rows(rng: np.random.Generator, count: int) -> Bools:
    return rng.random(count) < 0.004


def gaps(rng: np.random.Generator, count: int) -> Bools:
    lost = np.zeros(count, dtype=np.bool_)
    for start in rng.integers(count // 10, count - 200, size=5):
        lost[start : start + int(rng.integers(3, 100))] = True
    return lost


def shares(seed: int, lost: Bools | None = None) -> list[LoadShare]:
    # One corner after the other, longer to one side: what is left out does not average away.
    recording, _ = drive_car(CAR, Drive(seed=seed, rate=RATE, fastest=0.15, seconds=50.0), Noise(road=0.001))
    if lost is not None:
        recording = without(recording, lost)
    found = estimate_run(recording, CAR.sheet(), "A", CAR.bar_rates).load_share
    return [found["front"], found["rear"]]


@pytest.mark.parametrize("losing", [lone_rows, gaps], ids=lambda f: f.__name__)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_left_share_is_that_of_the_drive(losing, seed):
    rng = np.random.default_rng(seed)
    whole = shares(seed)
    for found, true in zip(shares(seed, losing(rng, round(50.0 * RATE))), whole, strict=True):
        assert found.left_share.value == pytest.approx(true.left_share.value, abs=0.006)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_time_with_a_light_wheel_is_that_of_the_drive(seed):
    lost = lone_rows(np.random.default_rng(seed), round(50.0 * RATE))
    for found, true in zip(shares(seed, lost), shares(seed), strict=True):
        # Of the time that is shown: lost rows take hundredths of it, not a third.
        for part, whole in zip(found.light, true.light, strict=True):
            assert part.seconds.value == pytest.approx(whole.seconds.value, abs=1.0)
