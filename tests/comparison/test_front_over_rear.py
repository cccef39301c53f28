"""A bar seen by how the road twists the axles: no mass, speed or force of sheet or log is in it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from processing.linear_car import Drive, LinearCar, Noise, drive_car

from analyzer.comparison.changes import front_over_rear
from analyzer.core.estimate import Estimate
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.results import RunEstimates


def driven(car: LinearCar, sheet: LinearCar, setup: str, road: float, drive: Drive) -> RunEstimates:
    """Return a run of a car by the sheet of another one."""
    recording, _ = drive_car(car, drive, Noise(road=road), drive.seed, name=f"{setup}{drive.seed}")
    return estimate_run(recording, sheet.sheet(), setup, sheet.bar_rates)


def pair(seed: int, road: float) -> tuple[Estimate, float]:
    """Return what two runs on each of two bars show, and the true ratio of front over rear stiffness.

    The sheet knows nothing of the change, has half the mass of the car and springs of its own.
    """
    rng = np.random.default_rng([seed, 78])
    u = rng.uniform
    car = LinearCar(
        spring=(u(4e4, 1e5), u(4e4, 1e5)),
        bar=(u(2e4, 1e5), u(2e4, 6e4)),
        damping=(u(2500, 5500), u(2500, 5500)),
        inertia=u(280, 420),
    )
    bars = list(car.bar)
    bars[int(rng.integers(2))] *= u(0.4, 0.9)
    other = replace(car, bar=(bars[0], bars[1]))
    sheet = LinearCar(sprung=(300.0, 240.0))
    runs = []
    for place, (setup, one) in enumerate((("A", car), ("A", car), ("B", other), ("B", other))):
        drive = Drive(
            rate=100.0, peak=u(6, 9.5), fastest=u(0.2, 0.7), seed=10 * seed + place, speed=u(10, 22)
        )
        runs.append(driven(one, sheet, setup, road, drive))
    true = [one.stiffness(0) / one.stiffness(1) for one in (car, other)]
    return front_over_rear(runs, "A", "B"), true[1] / true[0]


@pytest.mark.parametrize(
    "seeds", [[1], pytest.param(range(2, 22), marks=pytest.mark.slow, id="20")], ids=["1", "20"]
)
def test_a_bar_is_seen_whatever_the_sheet_says_of_the_car(seeds: list[int]) -> None:
    held, halves = [], []
    for seed in seeds:
        found, true = pair(seed, 0.003)
        assert found.value is not None
        assert found.interval is not None
        held.append(found.interval[0] <= true <= found.interval[1])
        halves.append((found.interval[1] - found.interval[0]) / 2.0 / true)
    assert np.mean(held) >= 0.9
    assert np.median(halves) < 0.08


def test_a_set_up_that_no_road_twisted_is_named() -> None:
    found, _ = pair(1, 0.0)
    assert found.value is None
    assert found.notes == ("no run of A shows how both axles share the roll stiffness",)
