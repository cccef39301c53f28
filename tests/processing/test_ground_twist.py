"""The ground's twist between the axles: by geometry, and what it does to the sample session's gradients."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from processing.virtual_car_answers import own_answers

from analyzer.core.units import STANDARD_GRAVITY
from analyzer.demo.sample_session import drive_session
from analyzer.processing.results import Motion
from analyzer.processing.roll.equation import ground_twist, twist_by_bank
from analyzer.session.review import review_session
from analyzer.vehicle.roll import Weights

SAMPLE = Path(__file__).parents[2] / "sample_logs"
WHEELBASE = 2.5


def _on_a_cone(slip: float, speed: float = 20.0, radius: float = 60.0, bank: float = 0.25) -> Motion:
    """A stiff car at a steady speed round a cone of slope `bank`, pointing `slip` into the turn.

    It turns about the vertical at speed / radius; laid into axes of the car this is all the gyro reads.
    """
    time = np.arange(2000) / 100.0
    turning = speed / radius
    tilt = np.arctan(bank)
    # The vertical in axes of the road plane: forward along the path, left (downhill), square to the road.
    across, up = -np.sin(tilt) * turning, np.cos(tilt) * turning
    data = pd.DataFrame(
        {
            "roll_front": 0.0 * time,
            "roll_rear": 0.0,
            "specific_force_y": 0.0,
            "roll_rate": across * np.sin(slip),
            "yaw_rate": up,
            "pitch": 0.0,
            "speed": speed,
        },
        index=pd.Index(time, name="time_s"),
    )
    suspect = pd.DataFrame(False, index=data.index, columns=data.columns)
    return Motion(data, suspect, pd.Series(False, index=data.index))


def _height(x: np.ndarray, y: np.ndarray, radius: float = 60.0, bank: float = 0.25) -> np.ndarray:
    """Height of the cone over the horizontal plane, the turn's centre at (0, radius)."""
    height: np.ndarray = bank * np.hypot(x, radius - y)
    return height


@pytest.mark.parametrize("slip_deg", [0.0, 20.0, -30.0])
def test_twist_on_a_cone_is_that_of_its_heights(slip_deg: float) -> None:
    slip = np.radians(slip_deg)
    weights = Weights({}, {"front": 1.0, "rear": 1.0}, wheelbase=WHEELBASE)
    found = ground_twist(_on_a_cone(slip), weights)
    assert found is not None
    nose, left = np.array([np.cos(slip), np.sin(slip)]), np.array([-np.sin(slip), np.cos(slip)])
    rolls = []
    for ahead in (WHEELBASE / 2.0, -WHEELBASE / 2.0):
        # Heights one track apart, 1.5 m, under an axle of a car whose wheels stand on the cone.
        sides = [ahead * nose + side * 0.75 * left for side in (1.0, -1.0)]
        heights = [float(_height(*side)) for side in sides]
        rolls.append((heights[0] - heights[1]) / 1.5)
    twist = rolls[0] - rolls[1]
    # The formula leaves out the cosine of the slip and the slope's second order.
    assert found.along[1000] * np.cos(slip) == pytest.approx(twist, rel=0.05, abs=1e-6)


@pytest.mark.parametrize("slip_deg", [0.0, 15.0, 30.0, -30.0])
@pytest.mark.parametrize("rise", [0.0, 0.02, -0.02])
def test_twist_under_a_drift_is_that_of_the_ground(slip_deg: float, rise: float) -> None:
    """A road that falls to its left by `bank` + `rise` x way and turns left: a cone where nothing rises.

    Second derivatives along (s), along and across, and across (e) the path of the height -(bank + rise s) e,
    whose e grows by curvature x s^2 / 2 less along a straight line ahead: bank x curvature, -rise, 0.
    """
    slip, speed, bank, curvature = np.radians(slip_deg), 12.0, 0.15, 1.0 / 25.0
    time = np.arange(1000) / 100.0
    hessian = np.array([[bank * curvature, -rise], [-rise, 0.0]])
    nose = np.array([np.cos(slip), np.sin(slip)])
    left = np.array([-nose[1], nose[0]])
    turns = hessian @ np.array([speed, 0.0])  # change of the ground's slope along the path
    force = speed**2 * curvature - STANDARD_GRAVITY * bank  # to the left of the path, in the plane
    columns = {
        "roll_front": 0.0,
        "roll_rear": 0.0,
        "specific_force_y": force * left[1],
        "road_force_x": force * nose[1],
        "road_force_y": force * left[1],
        "roll_rate": turns @ left,
        "pitch_rate": -(turns @ nose),
        "yaw_rate": speed * curvature,
        "pitch": 0.0,
        "speed": speed,
    }
    data = pd.DataFrame(columns, index=pd.Index(time, name="time_s"))
    suspect = pd.DataFrame(False, index=data.index, columns=data.columns)
    motion = Motion(data, suspect, pd.Series(False, index=data.index))
    found = ground_twist(motion, Weights({}, {"front": 1.0, "rear": 1.0}, wheelbase=WHEELBASE))
    assert found is not None
    assert found.drifted is not None
    twist = WHEELBASE * float(nose @ hessian @ left)
    largest = WHEELBASE * np.hypot(bank * curvature, rise)
    # A force that is as small as 4 m/s2 does not tell its direction to better than a few degrees.
    assert found.drifted[500] == pytest.approx(twist, rel=0.02, abs=0.05 * largest)


def _without_roll_gyro(slip: float, rise: float, bank: float = 0.15) -> Motion:
    """A car on a road that falls to its left by `bank` + `rise` x way and turns left, mid log at `bank`."""
    speed, curvature = 12.0, 1.0 / 25.0
    time = np.arange(1000) / 100.0
    slope = bank + rise * speed * (time - 5.0)
    force = speed**2 * curvature - STANDARD_GRAVITY * bank
    columns = {
        "roll_front": 0.0,
        "roll_rear": 0.0,
        "specific_force_y": force * np.cos(slip),
        "road_force_x": force * np.sin(slip),
        "road_force_y": force * np.cos(slip),
        "yaw_rate": speed * curvature,
        "speed": speed,
        "bank": slope,
        "turn": 1.0,
    }
    data = pd.DataFrame(columns, index=pd.Index(time, name="time_s"))
    suspect = pd.DataFrame(False, index=data.index, columns=data.columns)
    return Motion(data, suspect, pd.Series(False, index=data.index))


FLAT_TYRES = Weights({}, {"front": 1.0, "rear": 1.0}, wheelbase=WHEELBASE)


@pytest.mark.parametrize("slip_deg", [0.0, 15.0, 30.0, -30.0])
@pytest.mark.parametrize("rise", [0.0, 0.003, -0.003])
def test_twist_by_bank_is_that_of_the_ground(slip_deg: float, rise: float) -> None:
    """Second derivatives of the height as above; a bank counts by 1 - (1.5 degrees / bank)^2."""
    slip, bank, curvature = np.radians(slip_deg), 0.15, 1.0 / 25.0
    found = twist_by_bank(_without_roll_gyro(slip, rise), FLAT_TYRES)
    assert found is not None
    hessian = np.array([[bank * curvature, -rise], [-rise, 0.0]])
    nose, left = np.array([np.cos(slip), np.sin(slip)]), np.array([-np.sin(slip), np.cos(slip)])
    twist = WHEELBASE * float(nose @ hessian @ left)
    assert found[0][500] == pytest.approx(twist, rel=0.06, abs=0.06 * WHEELBASE * np.hypot(0.006, rise))


def test_a_bank_by_forces_on_level_ground_twists_nothing() -> None:
    found = twist_by_bank(_without_roll_gyro(0.5, 0.0, bank=0.02), FLAT_TYRES)
    assert found is not None
    assert not found[0].any()
    assert not found[1].any()


def test_a_turn_taken_the_wrong_way_for_a_moment_is_no_bank_that_jumps() -> None:
    motion = _without_roll_gyro(0.5, 0.0)
    calm = twist_by_bank(motion, FLAT_TYRES)
    motion.data.loc[4.6:5.0, "turn"] = -1.0
    found = twist_by_bank(motion, FLAT_TYRES)
    assert calm is not None
    assert found is not None
    assert found[0] == pytest.approx(calm[0], abs=1e-4)


@pytest.mark.parametrize("lost", ["speed", "yaw_rate", "bank", "roll_rear"])
def test_without_what_tells_a_bank_there_is_no_twist_by_it(lost: str) -> None:
    motion = _without_roll_gyro(0.0, 0.0)
    without = Motion(motion.data.drop(columns=lost), motion.suspect, motion.parked)
    assert twist_by_bank(without, FLAT_TYRES) is None


def test_without_roll_rate_there_is_no_twist() -> None:
    motion = _on_a_cone(0.0)
    without = Motion(motion.data.drop(columns="roll_rate"), motion.suspect, motion.parked)
    assert ground_twist(without, Weights({}, {"front": 1.0, "rear": 1.0}, wheelbase=WHEELBASE)) is None


OWN = {
    "r01": (1.41291, 1.59380),
    "r02": (1.40824, 1.58893),
    "r03": (1.40481, 1.58259),
    "r04": (1.51971, 1.66168),
    "r05": (1.51481, 1.65530),
    "r06": (1.51277, 1.65070),
}
"""Front and rear gradient [deg/g] that the virtual car answers to the forces of each sample run."""


def test_sample_runs_come_to_the_virtual_cars_own_gradient() -> None:
    """Where the bowl's bank begins and ends the ground is twisted by as much as the axles roll.

    Motion ratios of the sheet are 0.2 % wrong and pots scaled up to 0.2 %, as on a real car.
    """
    review = review_session(SAMPLE / "session.toml")
    assert len(review.runs) == 6
    for run in review.runs:
        for axle, true in zip(("front", "rear"), OWN[run.name], strict=True):
            found = run.roll_gradient_body[axle]
            assert found.value == pytest.approx(true, rel=0.006)
            # Without the ground's twist as a term the error was 0.7 to 1.2 %.
            assert found.std_error is not None
            assert found.std_error < 0.005 * true


@pytest.mark.slow
def test_own_gradients_of_the_virtual_car_are_its_settled_answers() -> None:
    """The table above, and how far the answers in steady corners on level ground are from it."""
    found = own_answers(drive_session(7))
    level = json.loads((SAMPLE / "truth.json").read_text())["runs"]
    for name, pair in OWN.items():
        for axle, true in zip(("front", "rear"), pair, strict=True):
            assert found[name][axle] == pytest.approx(true, rel=2e-4)
            assert level[name]["roll_gradient_body"][axle] == pytest.approx(true, rel=0.004)
