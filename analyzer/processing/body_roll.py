"""Body roll per lateral force from the inertial unit alone, for a car without pots at one axle or both."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from analyzer.constants import STANDARD_GRAVITY, Axle
from analyzer.estimate import Estimate
from analyzer.processing.filters import Bools, derivative, lowpass_taps, smooth, touched
from analyzer.processing.intervals import block_error, with_error
from analyzer.processing.level_road import AxleRollPath, level_road
from analyzer.processing.lines import least_squares
from analyzer.processing.results import Motion
from analyzer.processing.roll_columns import FIT_RATE, SLOW_BAND
from analyzer.processing.roll_gradient import ENOUGH_FORCE
from analyzer.units import RAD_PER_MPS2_TO_DEG_PER_G

METHOD: Final = "roll rate on the rate of the lateral force, below 1.5 Hz, inertial unit alone"
TOO_SMALL: Final = "a change of bar shows by a quarter to a third too small in it (three published cars)"


def body_roll(
    motion: Motion, exclude: Bools, paths: Mapping[Axle, AxleRollPath]
) -> tuple[dict[str, Estimate], tuple[str, ...]]:
    """Return ``body_roll_gradient_imu`` (level road [deg/g]) and what must be said with it.

    Parameters
    ----------
    motion : Motion
        With roll rate and lateral force; nothing is returned without.
    exclude : array of bool
        Working samples to leave out.
    paths : mapping
        Of the axles, for the part of tyre roll.

    Notes
    -----
    A body that rolls by s f turns at s times the rate of f; its dampers add a part in the second derivative
    of f, its inertia one in the third, a gyro that is not level one in f itself. The level-road gradient is
    s / (1 - g s) (Gillespie, Fundamentals of Vehicle Dynamics, ch. 6), tyre roll being in s. Banks that begin
    and end with the corners are in it too.
    """
    if any(name not in motion.data for name in ("roll_rate", "specific_force_y")):
        return {}, ()
    index = motion.data.index.to_numpy(dtype=np.float64)
    rate = (len(index) - 1) / (index[-1] - index[0])
    every = max(1, int(rate // FIT_RATE))
    taps = lowpass_taps(rate, SLOW_BAND, SLOW_BAND)
    bad = exclude | motion.suspect["roll_rate"].to_numpy() | motion.suspect["specific_force_y"].to_numpy()
    use = ~touched(bad, len(taps) // 2 + 4, every)
    force = smooth(motion.data["specific_force_y"].to_numpy(), taps, every)
    turning = smooth(motion.data["roll_rate"].to_numpy(), taps, every)
    steps = [force]
    for _ in range(3):
        steps.append(derivative(steps[-1], rate / every))
    design = np.column_stack([*steps[1:], force, np.ones_like(force)])[use]
    if len(design) < 4.0 * FIT_RATE or float(np.quantile(np.abs(force[use]), 0.99)) < ENOUGH_FORCE:
        return {"body_roll_gradient_imu": Estimate.unknown("deg/g", "not enough cornering", METHOD)}, ()
    fit = least_squares(design, turning[use])
    slope = float(fit.coefficients[0])
    level = 1.0 / (1.0 - STANDARD_GRAVITY * slope)
    note = f"body over ground: {_tyre_part(paths)} of it is tyre roll, which no pot sees; {TOO_SMALL}"
    error = block_error((fit.influence[0] * fit.residuals)[:, None], fit.influence[0])
    value = slope * level * RAD_PER_MPS2_TO_DEG_PER_G
    if error is None:
        found = Estimate(value, "deg/g", method=METHOD, notes=(note, "too short a run for an error"))
    else:
        scale = level**2 * RAD_PER_MPS2_TO_DEG_PER_G
        found = with_error(value, "deg/g", error, 0, METHOD, scale=scale, notes=(note,))
    return {"body_roll_gradient_imu": found}, (f"body roll from the inertial unit alone: {note}",)


def _tyre_part(paths: Mapping[Axle, AxleRollPath]) -> str:
    """Return in words how much of body roll is tyre roll, by the sheet."""
    if any(path.tyres is None for path in paths.values()):
        return "11 to 23 % (three published cars; no tyre rate in the sheet)"
    total = sum(path.suspension for path in paths.values())
    moment = sum(path.moment for path in paths.values())
    level = level_road(dict.fromkeys(paths, moment / total), paths)
    if level is None:
        return "an unknown part"
    part = 1.0 - float(np.mean([level.axle[axle] for axle in paths])) / level.body
    return f"about {100.0 * part:.0f} % by the sheet"
