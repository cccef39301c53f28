"""The motion of the car: a run's channels at a working rate, the driven part, and what the car does in it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from analyzer.core import signals
from analyzer.core.filebacked import frame_aside, set_aside, shelved
from analyzer.core.signals import Bools, Floats, derivative, lowpass_taps, smooth, widened
from analyzer.core.units import AXLE_CORNERS, AXLES, CORNERS, STANDARD_GRAVITY, Axle
from analyzer.ingest.calibration import felt_beside_cg
from analyzer.ingest.recording import Recording
from analyzer.processing.results import Motion
from analyzer.sheets.car import CarSheet
from analyzer.vehicle import axle as axles

LOWEST_RATE: Final = 100.0
"""Logs are thinned to no less than this [Hz]: wheel hop (10-15 Hz) then keeps a ten-fold rate."""

CHANNELS: Final = (
    *(f"damper_{corner}" for corner in CORNERS),
    *(f"{sensor}_{axis}" for sensor in ("accel", "gyro") for axis in "xyz"),
    *("speed", "steer_angle"),
)
"""House channels the estimates use."""


@dataclass(frozen=True, slots=True)
class Working:
    """Channels of one run on the working base.

    Parameters
    ----------
    time : array
        Log time [s], uniform.
    rate : float
        Samples per second [Hz].
    every : int
        Log samples per working sample.
    values : dict
        House channel -> values [SI]; finite everywhere, also where suspect.
    suspect : dict
        House channel -> True where a value rests on a gap, a suspect sample or the ends of the log.
    steps : tuple of str
        What was done.
    lifted : array of bool
        True where the car was lifted: it does not drive there, whatever moves.
    """

    time: Floats
    rate: float
    every: int
    values: dict[str, Floats]
    suspect: dict[str, Bools]
    steps: tuple[str, ...]
    lifted: Bools

    def has(self, *names: str) -> bool:
        """Return whether all channels `names` are there."""
        return all(name in self.values for name in names)


def working_base(recording: Recording) -> Working:
    """Thin the usable channels of `recording` to the working rate.

    The log's rate is divided by a whole number so that at least `LOWEST_RATE` and two samples remain. A
    symmetric filter takes away what a lower rate cannot hold, alike on every channel.
    """
    rate = recording.sample_rate
    # A log of very few rows is thinned less: one sample alone has neither a rate nor a slope.
    every = max(1, min(int(rate // LOWEST_RATE), len(recording.data) - 1))
    new_rate = rate / every
    taps = np.ones(1) if every == 1 else lowpass_taps(rate, 0.4 * new_rate, 0.2 * new_rate)
    values: dict[str, Floats] = {}
    suspect: dict[str, Bools] = {}
    for name in CHANNELS:
        if not recording.usable(name):
            continue
        # Gaps are bridged only to let the filter run: every output that they touch is suspect.
        raw = recording.data[name].to_numpy(dtype=np.float64, copy=False)
        bad = raw_suspect(recording, name)
        if bad.all():
            continue
        values[name] = set_aside(smooth(shelved(signals.filled(raw, bad)), taps, every))
        suspect[name] = set_aside(signals.touched(bad, len(taps) // 2, every))
    time = set_aside(recording.data.index.to_numpy(dtype=np.float64)[::every].copy())
    steps: tuple[str, ...] = ()
    if every > 1:
        steps = (f"thinned from {rate:.4g} Hz to {new_rate:.4g} Hz with a symmetric anti-aliasing filter",)
    lifted = np.zeros(len(time), dtype=np.bool_)
    for lift in recording.lifts:
        lifted[lift.first // every : -(-lift.end // every)] = True
    return Working(time, new_rate, every, values, suspect, steps, lifted)


def raw_suspect(recording: Recording, name: str) -> Bools:
    """Return where the log's own samples of a channel must not be used (suspect, or no number)."""
    bad: Bools = ~np.isfinite(recording.data[name].to_numpy(dtype=np.float64, copy=False))
    if name in recording.suspect.columns:
        bad |= recording.suspect[name].to_numpy(dtype=np.bool_, copy=False)
    return bad


# Where the car moves: trim a log to the part that was driven.


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
    # A stop in mid-run is seen by its speed; forces and travel are as quiet on a smooth straight.
    count = len(working.time)
    speed = usable_speed(working)
    if speed is not None:
        active = (speed >= WALKING_SPEED) & ~working.lifted
        how = "by speed"
    else:
        active = _signs_of_motion(working) & ~working.lifted
        if active.any():
            first, last = np.flatnonzero(active)[[0, -1]]
            active[first:last] = ~working.lifted[first:last]
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
    # An idling engine shakes the accelerometer, so forces count when slow and dampers by their power.
    active = np.zeros(len(working.time), dtype=np.bool_)
    slow = lowpass_taps(working.rate, 1.0, 1.5)
    for name, limit in (("accel_x", QUIET_FORCE), ("accel_y", QUIET_FORCE), ("gyro_z", QUIET_YAW)):
        if working.has(name):
            active |= (np.abs(smooth(working.values[name], slow)) > limit) & ~working.suspect[name]
    second = int(working.rate) // 2 * 2 + 1
    mean = np.ones(second) / second
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
    # Past a long hole the place is unknown for good, for nothing sets the distance right again.
    length = int(LONGEST_BRIDGE_S * working.rate) + 1
    held = np.convolve(hole, np.ones(length), mode="full")[:count] >= length
    held[: first + 1] = False
    return total - total[first], np.maximum.accumulate(held)


# Cross slope of the road from the forces on the car.


BAND: Final = 0.7
"""Low-pass of the forces [Hz]; a bank is longer than a bump. Design figure, checked on a rigid-body model."""
TURNING: Final = np.radians(5.0)
"""Yaw rate above which the direction of the turn is taken from the gyro [rad/s]: engineering judgement."""
TURNING_BAND: Final = 0.25
"""Low-pass of the yaw rate for the direction of the turn [Hz]: when a drift ends, the car turns back against
its path for about a second, which must not count as a turn."""
OUTWARD_S: Final = 2.0
"""A force out of the turn that lasts shorter is the end of a drift, not a bank driven slowly [s]: engineering
judgement."""
STEEPEST: Final = np.radians(62.0)
"""A steeper answer means that the direction of the turn was mistaken [rad]: engineering judgement, above the
steepest bank of the statics the angle is checked against (60 degrees)."""
FAINT: Final = 0.1 * STANDARD_GRAVITY
"""In-plane force below which no bank is worked out [m/s2]: engineering judgement."""


def bank_angle(
    force: tuple[Floats, Floats, Floats], rate: float, yaw_rate: Floats | None, speed: Floats | None
) -> tuple[Floats, Floats]:
    """Return the cross slope towards the inside of the turn.

    Parameters
    ----------
    force : tuple of arrays
        Specific force in the road plane along x, y and z [m/s2].
    rate : float
        Samples per second [Hz].
    yaw_rate, speed : array or None
        [rad/s], [m/s]. Speed takes the tangential acceleration out of the in-plane force.

    Returns
    -------
    bank : array
        [rad]; zero where the car feels next to no in-plane force.
    turn : array
        1 in a left turn, -1 in a right turn.

    Notes
    -----
    Quasi-steady statics of a turn of radius R on a bank: the car's total specific force has the horizontal
    part a_c towards the centre and the vertical part g, so f_in^2 + f_z^2 = a_c^2 + g^2, and the angle of the
    force to the road's normal differs from its angle to the vertical by the bank. The magnitude of the
    in-plane force is used because a drifting car points away from its path.
    """
    taps = lowpass_taps(rate, BAND, 2.0 * BAND)
    along, across, normal = (smooth(part, taps) for part in force)
    # What speeds the car up is no part of the turn's force.
    tangential: Floats | float = 0.0
    if speed is not None:
        tangential = smooth(np.gradient(speed) * rate, taps)
    in_plane = np.sqrt(np.maximum(along**2 + across**2 - tangential**2, 0.0))
    turn = np.where(across >= 0.0, 1.0, -1.0)
    if yaw_rate is not None:
        # Slower than the neutral speed the force points out of the turn, and only yaw knows the turn.
        slow_yaw = smooth(yaw_rate, lowpass_taps(rate, TURNING_BAND, 2.0 * TURNING_BAND))
        level = np.sqrt(np.maximum(in_plane**2 + normal**2 - STANDARD_GRAVITY**2, 0.0))
        outward = np.arctan2(level, STANDARD_GRAVITY) + np.arctan2(in_plane, normal) < STEEPEST
        against = (np.abs(slow_yaw) > TURNING) & (slow_yaw * turn < 0.0) & outward
        for start, end in signals.runs_of(against):
            if end - start >= OUTWARD_S * rate:
                turn[start:end] *= -1.0
    # Slower than the bank's neutral speed the in-plane force points out of the turn.
    signed = in_plane * np.where(across * turn >= 0.0, 1.0, -1.0)
    centripetal = np.sqrt(np.maximum(signed**2 + normal**2 - STANDARD_GRAVITY**2, 0.0))
    bank = np.arctan2(centripetal, STANDARD_GRAVITY) - np.arctan2(signed, normal)
    return np.where(in_plane < FAINT, 0.0, bank), turn


# From channels to the motion of the car: wheel travel, its modes, forces at the CG, bank.


Columns = dict[str, tuple[Floats, Bools]]
"""Column -> values and suspect mask."""

ARM_BAND: Final = 20.0
"""Band of the angular acceleration in the lever-arm correction [Hz]; above it the gyro's noise would rule."""


def work_out_motion(
    working: Working,
    moving: Moving,
    car: CarSheet,
    bar_rates: Mapping[Axle, float],
    box_std: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> Motion:
    """Return the motion of the car on the working base; columns without channels are left out."""
    # Each group rests on those before it: forces at the CG on rates, the road's on roll, the bank on these.
    steps: list[str] = []
    columns = _kept(_travel(working, car))
    columns |= _kept(_rates(working))
    columns |= _kept(_forces_at_cg(working, car, columns, steps))
    columns |= _kept(_road_forces(columns, car, bar_rates, steps))
    columns |= _kept(_bank(working, columns))
    if "speed" in working.values:
        columns["speed"] = (working.values["speed"], working.suspect["speed"])
    if moving.distance is not None:
        columns["distance"] = (moving.distance, moving.distance_suspect)
    if "steer_angle" in working.values:
        columns["steer_angle"] = (working.values["steer_angle"], working.suspect["steer_angle"])
    index = pd.Index(working.time, name="time_s")
    return Motion(
        data=frame_aside({name: pair[0] for name, pair in columns.items()}, index),
        suspect=frame_aside({name: pair[1] for name, pair in columns.items()}, index),
        parked=pd.Series(moving.parked, index=index, name="parked"),
        steps=(*working.steps, *moving.steps, *steps),
        box_std=box_std,
    )


def _kept(columns: Columns) -> Columns:
    """Return the same columns; those of a long run wait in a file while others are worked out."""
    return {name: (set_aside(values), set_aside(bad)) for name, (values, bad) in columns.items()}


def _travel(working: Working, car: CarSheet) -> Columns:
    found: Columns = {}
    # Each damper by the motion ratio at its own travel, then the modes of the four wheels.
    for axle in AXLES:
        sheet = car.axle(axle)
        for corner in AXLE_CORNERS[axle]:
            name = f"damper_{corner}"
            if working.has(name):
                wheel = axles.wheel_travel(working.values[name], sheet.damper_motion_ratio)
                found[f"wheel_{corner}"] = (wheel, working.suspect[name])
        left, right = (found.get(f"wheel_{corner}") for corner in AXLE_CORNERS[axle])
        if left is not None and right is not None:
            found[f"roll_{axle}"] = (axles.suspension_roll(left[0], right[0], sheet), left[1] | right[1])
    if all(f"wheel_{corner}" in found for corner in CORNERS):
        fl, fr, rl, rr = (found[f"wheel_{corner}"][0] for corner in CORNERS)
        bad = np.logical_or.reduce([found[f"wheel_{corner}"][1] for corner in CORNERS])
        found["heave"] = ((fl + fr + rl + rr) / 4.0, bad)
        found["pitch"] = (axles.suspension_pitch((fl, fr, rl, rr), car.mass.wheelbase.value), bad)
        found["warp"] = ((fl - fr - rl + rr) / 4.0, bad)
    return found


def _rates(working: Working) -> Columns:
    found: Columns = {}
    for channel, name in (("gyro_x", "roll_rate"), ("gyro_y", "pitch_rate"), ("gyro_z", "yaw_rate")):
        if working.has(channel):
            found[name] = (working.values[channel], working.suspect[channel])
    if "roll_rate" in found:
        rate, bad = found["roll_rate"]
        found["roll_acceleration"] = (derivative(rate, working.rate), widened(bad, 2))
    return found


def _forces_at_cg(working: Working, car: CarSheet, known: Columns, steps: list[str]) -> Columns:
    """Move the accelerometer's reading to the sprung CG: f = f_imu - w' x r - w x (w x r)."""
    # A unit ahead of the CG feels yaw acceleration as side force: 1 rad/s2 a metre away is 0.1 g.
    names = [f"accel_{axis}" for axis in "xyz"]
    found: Columns = {
        f"specific_force_{name[-1]}": (working.values[name], working.suspect[name])
        for name in names
        if working.has(name)
    }
    place = car.logger.imu.position
    arm = (place.x.value, place.y.value, place.z.value)
    if not found or not any(arm):
        return found
    rates = [known.get(name) for name in ("roll_rate", "pitch_rate", "yaw_rate")]
    if all(rate is None for rate in rates):
        steps.append("IMU lever arm not corrected: the log has no angular rates")
        return found
    if any(rate is None for rate in rates):
        steps.append(
            "IMU lever arm corrected with the angular rates that are there; the others taken as zero"
        )
    return _moved(found, arm, rates, working)


def _moved(
    forces: Columns,
    arm: tuple[float, float, float],
    rates: list[tuple[Floats, Bools] | None],
    working: Working,
) -> Columns:
    # A rate that is not there is taken as zero, which the steps of the run say.
    taps = lowpass_taps(working.rate, ARM_BAND, ARM_BAND)
    zero = np.zeros(len(working.time))
    bad = np.zeros(len(working.time), dtype=np.bool_)
    omega: list[Floats] = []
    for rate in rates:
        omega.append(zero if rate is None else smooth(rate[0], taps))
        if rate is not None:
            bad |= rate[1]
    bad = widened(bad, len(taps) // 2 + 2)
    alpha = [derivative(rate, working.rate) for rate in omega]
    tangential, centripetal = felt_beside_cg(omega, alpha, arm)
    result: Columns = {}
    for place, axis in enumerate("xyz"):
        name = f"specific_force_{axis}"
        if name in forces:
            values, suspect = forces[name]
            result[name] = (values - tangential[place] - centripetal[place], suspect | bad)
    return result


def _road_forces(known: Columns, car: CarSheet, bar_rates: Mapping[Axle, float], steps: list[str]) -> Columns:
    """Turn the forces from body axes into the road plane by suspension and tyre roll and by pitch."""
    # The body leans on springs and on tyres: the accelerometer leans with it by both.
    needed = [f"specific_force_{axis}" for axis in "xyz"]
    if not all(name in known for name in needed):
        return {}
    fx, fy, fz = (known[name][0] for name in needed)
    bad = np.logical_or.reduce([known[name][1] for name in needed])
    rolls = []
    for axle in AXLES:
        if f"roll_{axle}" in known:
            roll, suspect = known[f"roll_{axle}"]
            rolls.append(roll + _tyre_roll(car, axle, roll, fy, bar_rates))
            bad = bad | suspect
    if not rolls:
        steps.append("road-plane forces taken in body axes: no axle has both damper pots")
    # A rigid body has one roll: the mean of what both axles see of it.
    angle = sum(rolls, np.zeros_like(fy)) / max(len(rolls), 1)
    pitch = known["pitch"][0] if "pitch" in known else np.zeros_like(fy)
    across = fy * np.cos(angle) - fz * np.sin(angle)
    up = fy * np.sin(angle) + fz * np.cos(angle)
    along = fx * np.cos(pitch) + up * np.sin(pitch)
    normal = -fx * np.sin(pitch) + up * np.cos(pitch)
    return {
        "road_force_x": (along, bad),
        "road_force_y": (across, bad),
        "road_force_z": (normal, bad),
        "body_roll": (angle, bad),
    }


def _tyre_roll(
    car: CarSheet, axle: Axle, roll: Floats, force: Floats, bar_rates: Mapping[Axle, float]
) -> Floats:
    """Return the axle's tyre roll [rad]: its roll moment over the tyres' roll stiffness, quasi-steady."""
    sheet = car.axle(axle)
    tyres = axles.tyre_roll_stiffness(sheet)
    if tyres is None:
        return np.zeros_like(roll)
    masses = axles.mass_properties(car).axle(axle)
    stiffness = axles.axle_roll_stiffness(sheet, bar_rates.get(axle, 0.0), masses.sprung)
    result: Floats = (stiffness * roll + masses.direct_moment * force) / tyres
    return result


def _bank(working: Working, known: Columns) -> Columns:
    if "road_force_x" not in known:
        return {}
    force = (known["road_force_x"][0], known["road_force_y"][0], known["road_force_z"][0])
    yaw = known["yaw_rate"][0] if "yaw_rate" in known else None
    bank, turn = bank_angle(force, working.rate, yaw, usable_speed(working))
    taps = lowpass_taps(working.rate, 0.7, 1.4)
    bad = widened(known["road_force_x"][1], len(taps) // 2)
    return {"bank": (bank, bad), "turn": (turn, bad)}
