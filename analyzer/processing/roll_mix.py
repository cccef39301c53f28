"""How the roll of both axles is mixed before the fit, and the twist of the ground between them."""

from __future__ import annotations

from typing import Final

import numpy as np

from analyzer.constants import AXLES
from analyzer.processing.filters import Bools, Floats, derivative
from analyzer.processing.level_road import Weights
from analyzer.processing.results import Motion

SLOWEST: Final = 5.0
"""Below this the twist is worked out as if at this speed [m/s]: a car that creeps does not corner."""
USUAL_SPEED: Final = 15.0
"""Taken when the log has no speed [m/s]; the fit scales the column."""


def ground_twist(motion: Motion, weights: Weights) -> tuple[Floats, Bools] | None:
    """Return how far the ground under the front axle is rolled against that under the rear one [rad].

    Returns
    -------
    tuple of array or None
        Twist, front less rear, and where not to use it; None without roll rate or without both axles' pots.

    Notes
    -----
    The plane of the ground under the car turns about the car's own x axis at p_g = z_xy v_x + z_yy v_y (the
    surface's second derivatives times the velocity, differential geometry), and the twist over the wheelbase
    L is L z_xy: to first order L p_g / v, exact for a car that does not drift, and on a bank that a drifting
    car stands across right but for the cosine of its side-slip. What the gyro reads is
    p = p_g + phi' - psi' theta (Euler angles yaw, pitch, roll; any mechanics text), with phi and theta the
    body's own roll and pitch over the ground, tyres included. So the ground's part follows from gyro and pots
    and hardly needs the accelerometer. Where a bank begins or ends it is as large as the roll itself. Pitch
    on the tyres counts: in a drift yaw rate and drive force go along with the lateral force, and left out it
    moved the front gradient of the rigid-body engine by 0.15 % and the rear by 0.2 %.
    """
    names = [f"roll_{axle}" for axle in AXLES]
    if weights.wheelbase <= 0.0 or any(n not in motion.data for n in ("roll_rate", *names)):
        return None
    index = motion.data.index.to_numpy(dtype=np.float64)
    rate = (len(index) - 1) / (index[-1] - index[0])
    force = motion.data["specific_force_y"].to_numpy()
    bad = motion.suspect["roll_rate"].to_numpy().copy()
    over = np.zeros(len(index))
    swing = np.zeros(len(index))  # yaw acceleration
    if "yaw_rate" in motion.data:
        swing = derivative(motion.data["yaw_rate"].to_numpy(), rate)
    for axle, name in zip(AXLES, names, strict=True):
        tyre = weights.give.get(axle, 0.0) * (force + weights.place.get(axle, 0.0) * swing)
        over += (motion.data[name].to_numpy() * weights.over_ground[axle] + tyre) / len(AXLES)
        bad |= motion.suspect[name].to_numpy()
    turning = motion.data["roll_rate"].to_numpy() - derivative(over, rate)
    if "yaw_rate" in motion.data and "pitch" in motion.data:
        pitch = motion.data["pitch"].to_numpy()
        if "specific_force_x" in motion.data:
            pitch = pitch + weights.tyre_pitch * motion.data["specific_force_x"].to_numpy()
        turning = turning + motion.data["yaw_rate"].to_numpy() * pitch
    return weights.wheelbase / ground_speed(motion) * turning, bad


def ground_speed(motion: Motion) -> Floats:
    """Return the speed with which the car goes over the ground [m/s], never under `SLOWEST`."""
    if "speed" not in motion.data:
        return np.full(len(motion.data), USUAL_SPEED)
    speed: Floats = np.maximum(motion.data["speed"].to_numpy(), SLOWEST)
    return speed
