"""Share of the front axle in the roll stiffness, by how the road twists the axles: the sheet is not asked."""

from __future__ import annotations

import math

import numpy as np
import pytest
from processing.linear_car import Drive, LinearCar, Noise, drive_car

from analyzer.core.regression import student_factor
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.results import Motion
from analyzer.processing.roll.equation import roll_columns
from analyzer.processing.roll.fit import FrontShare, front_share
from analyzer.vehicle.roll import Weights, roll_paths, roll_weights

CAR = LinearCar()


def true_share(car: LinearCar) -> float:
    return car.stiffness(0) / (car.stiffness(0) + car.stiffness(1))


def driven(car: LinearCar, road: float, drive: Drive | None = None, seed: int = 0) -> Motion:
    recording, _ = drive_car(car, drive, Noise(road=road), seed)
    return estimate_run(recording, car.sheet(), "A", car.bar_rates).motion


def weights_of(car: LinearCar, factor: float = 1.0) -> Weights:
    """Return the weights of the sheet with its bar rates times a factor, as soft over all as the car is."""
    rates = {axle: factor * rate for axle, rate in car.bar_rates.items()}
    weights = roll_weights(roll_paths(car.sheet(), rates))
    return weights.as_soft_as(weights.moment / (car.stiffness(0) + car.stiffness(1)))


def shared(motion: Motion, weights: Weights) -> FrontShare:
    columns = roll_columns(motion, motion.parked.to_numpy(), weights)
    assert columns is not None
    found = front_share(columns, weights)
    assert found is not None
    return found


def drawn_car(seed: int) -> tuple[LinearCar, Motion]:
    rng = np.random.default_rng([seed, 77])
    u = rng.uniform
    car = LinearCar(
        sprung=(u(380, 650), u(380, 650)),
        roll_centre=(u(0.0, 0.1), u(0.0, 0.12)),
        spring=(u(4e4, 1e5), u(4e4, 1e5)),
        bar=(u(0.0, 1e5), u(0.0, 6e4)),
        damping=(u(2500, 5500), u(2500, 5500)),
        tyre=(u(19e4, 3e5), u(19e4, 3e5)),
        inertia=u(280, 420),
    )
    drive = Drive(seconds=60.0, rate=100.0, peak=u(6, 9.5), fastest=u(0.2, 0.7), seed=seed, speed=u(10, 22))
    return car, driven(car, float(rng.choice([0.0005, 0.001, 0.002, 0.004])), drive, seed)


@pytest.mark.parametrize(
    "seeds", [range(6), pytest.param(range(6, 80), marks=pytest.mark.slow, id="74")], ids=["6", "74"]
)
def test_a_road_that_twists_the_axles_tells_the_share(seeds: range) -> None:
    held, errors = [], []
    for seed in seeds:
        car, motion = drawn_car(seed)
        found = shared(motion, weights_of(car))
        half = student_factor(found.error.dof) * math.hypot(found.error.std_error(), found.model)
        errors.append(found.value - true_share(car))
        held.append(abs(errors[-1]) <= half)
    assert np.mean(held) >= 0.9
    assert np.sqrt(np.mean(np.square(errors))) < 0.008


@pytest.mark.parametrize("factor", [0.25, 4.0])
def test_the_share_is_the_same_whatever_the_sheet_says_of_the_bars(factor: float) -> None:
    motion = driven(CAR, 0.001)
    other = weights_of(CAR, factor)
    assert abs(other.front_share - true_share(CAR)) > 0.02
    found = shared(motion, other)
    assert found.value == pytest.approx(shared(motion, weights_of(CAR)).value, abs=1e-4)
    assert found.value == pytest.approx(true_share(CAR), abs=0.004)
    # For the weights of the fit, too, the sheet counts little even on a road as smooth as this one.
    apart = abs(other.front_share - found.value)
    assert abs(found.beside(other.front_share) - found.value) < 0.2 * apart


def test_a_road_without_twist_leaves_the_share_open() -> None:
    found = shared(driven(CAR, 0.0), weights_of(CAR))
    assert found.model > 0.02
    assert abs(found.value - true_share(CAR)) < 2.0 * math.hypot(found.error.std_error(), found.model)


def test_a_run_gives_the_share_with_its_error_or_says_why_not() -> None:
    recording, _ = drive_car(CAR, noise=Noise(road=0.001))
    # A bar that is another one than the sheet says is seen.
    rates = {axle: 3.0 * rate for axle, rate in CAR.bar_rates.items()}
    share = estimate_run(recording, CAR.sheet(), "A", rates).further["roll_stiffness_front_share"]
    assert share.value is not None
    assert share.interval is not None
    assert share.calibration is not None
    assert share.interval[0] < true_share(CAR) < share.interval[1]
    assert share.interval[1] - share.interval[0] < 0.06
    # Motion ratios of the dampers without a tolerance (2 %), of both axles, times s (1 - s), and the model's.
    assert 0.0066 < share.calibration < 0.02
    recording, _ = drive_car(CAR, noise=Noise(road=0.0))
    share = estimate_run(recording, CAR.sheet(), "A", CAR.bar_rates).further["roll_stiffness_front_share"]
    assert share.value is None
    assert "hardly twists the axles" in share.notes[0]


def test_weights_with_a_share_keep_the_stiffness_of_the_car() -> None:
    weights = weights_of(CAR)
    other = weights.shared_as(0.4)
    assert other.front_share == pytest.approx(0.4)
    assert other.total == pytest.approx(weights.total)
    for axle in ("front", "rear"):
        # Tyres stay as they are: their roll goes with what the axle carries.
        give = (other.over_ground[axle] - 1.0) / other.stiffness[axle]
        assert give == pytest.approx(other.tyre_give[axle])
