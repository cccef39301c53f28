"""Where the car moves: trim a log to the part that was driven."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.constants import CORNERS, STANDARD_GRAVITY
from analyzer.processing.filters import Bools, Floats, derivative, lowpass_taps, smooth, widened
from analyzer.processing.working import Working

WALKING_SPEED: Final = 1.0
"""Slower than this is parked [m/s]: engineering judgement."""
QUIET_FORCE: Final = 0.08 * STANDARD_GRAVITY
"""Horizontal specific force, low-passed, of a car parked on uneven ground [m/s2]: engineering judgement."""
QUIET_YAW: Final = np.radians(3.0)
"""Yaw rate, low-passed, of a parked car with gyro offset [rad/s]: engineering judgement."""
QUIET_TRAVEL: Final = 0.010
"""Damper speed, root mean square over a second, of a car that idles [m/s]: engineering judgement."""
MARGIN_S: Final = 1.0
"""Kept before the first and after the last sign of motion when there is no speed [s]."""
LONGEST_BRIDGE_S: Final = 0.5
"""Longest hole in the speed over which distance is still counted on [s]."""


@dataclass(frozen=True, slots=True)
class Moving:
    """The driven part of a run on the working base.

    Parameters
    ----------
    parked : array of bool
        True where the car does not move.
    start, stop : int
        First sample of the driven part and the one after the last.
    distance : array or None
        Distance from the start of the driven part [m]; None without a speed.
    distance_suspect : array of bool
        True where a hole in the speed lies between the start and here.
    steps : tuple of str
        What was done.
    """

    parked: Bools
    start: int
    stop: int
    distance: Floats | None
    distance_suspect: Bools
    steps: tuple[str, ...]


def moving_part(working: Working) -> Moving:
    """Find the driven part of a run, by speed where there is one, else by forces, yaw and damper motion.

    Without a speed only the two ends are trimmed: a stop in mid-run cannot be told from straight running.
    """
    count = len(working.time)
    speed = usable_speed(working)
    if speed is not None:
        active = speed >= WALKING_SPEED
        how = "by speed"
    else:
        active = _signs_of_motion(working)
        if active.any():
            first, last = np.flatnonzero(active)[[0, -1]]
            active[first:last] = True
        how = "by forces and damper motion, no speed in the log"
    if not active.any():
        none = np.zeros(count, dtype=np.bool_)
        return Moving(~none, 0, 0, None, ~none, ("the car does not move in this log",))
    first, last = (int(i) for i in np.flatnonzero(active)[[0, -1]])
    seconds = (last - first) / working.rate
    step = f"trimmed to the moving part, {working.time[first]:.2f} s to {working.time[last]:.2f} s ({how})"
    distance, unsure = _distance(working, speed, first)
    return Moving(~active, first, last + 1, distance, unsure, (step,) if seconds else ())


def usable_speed(working: Working) -> Floats | None:
    """Return the speed, low-passed at 2 Hz [m/s]; None when there is none or it never leaves zero."""
    if not working.has("speed"):
        return None
    speed = smooth(working.values["speed"], lowpass_taps(working.rate, 2.0, 3.0))
    good = ~working.suspect["speed"]
    if not good.any() or float(np.max(speed[good])) < 2.0 * WALKING_SPEED:
        return None
    return speed


def _signs_of_motion(working: Working) -> Bools:
    active = np.zeros(len(working.time), dtype=np.bool_)
    slow = lowpass_taps(working.rate, 1.0, 1.5)
    for name, limit in (("accel_x", QUIET_FORCE), ("accel_y", QUIET_FORCE), ("gyro_z", QUIET_YAW)):
        if working.has(name):
            active |= (np.abs(smooth(working.values[name], slow)) > limit) & ~working.suspect[name]
    mean = np.ones(int(working.rate) // 2 * 2 + 1) / (int(working.rate) // 2 * 2 + 1)
    for corner in CORNERS:
        name = f"damper_{corner}"
        if working.has(name):
            gentle = smooth(working.values[name], lowpass_taps(working.rate, 6.0, 6.0))
            power = smooth(derivative(gentle, working.rate) ** 2, mean)
            active |= (power > QUIET_TRAVEL**2) & ~working.suspect[name]
    return widened(active, int(MARGIN_S * working.rate))


def _distance(working: Working, speed: Floats | None, first: int) -> tuple[Floats | None, Bools]:
    count = len(working.time)
    if speed is None:
        return None, np.ones(count, dtype=np.bool_)
    forward = np.maximum(speed, 0.0)
    steps = np.concatenate([[0.0], (forward[1:] + forward[:-1]) / 2.0 / working.rate])
    total = np.cumsum(steps)
    hole = working.suspect["speed"].copy()
    # The ends of the log are suspect only because the filter has no neighbours there.
    edge = int(0.6 * working.rate)
    hole[:edge] = hole[-edge:] = False
    length = int(LONGEST_BRIDGE_S * working.rate) + 1
    held = np.convolve(hole, np.ones(length), mode="full")[:count] >= length
    held[: first + 1] = False
    return total - total[first], np.maximum.accumulate(held)
