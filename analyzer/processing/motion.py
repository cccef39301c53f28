"""From channels to the motion of the car: wheel travel, its modes, forces at the CG, bank."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from analyzer.constants import AXLE_CORNERS, AXLES, CORNERS, Axle
from analyzer.ingest.shelf import frame_aside, set_aside
from analyzer.processing.bank import bank_angle
from analyzer.processing.filters import Bools, Floats, derivative, lowpass_taps, smooth, widened
from analyzer.processing.moving import Moving, usable_speed
from analyzer.processing.results import Motion
from analyzer.processing.stiffness import axle_roll_stiffness, roll_base, tyre_roll_stiffness, wheel_travel
from analyzer.processing.working import Working
from analyzer.sheets.car import CarSheet
from analyzer.sheets.masses import mass_properties

Columns = dict[str, tuple[Floats, Bools]]
"""Column -> values and suspect mask."""

ARM_BAND: Final = 20.0
"""Band of the angular acceleration in the lever-arm correction [Hz]; above it the gyro's noise would rule."""


def work_out_motion(
    working: Working, moving: Moving, car: CarSheet, bar_rates: Mapping[Axle, float]
) -> Motion:
    """Return the motion of the car on the working base; columns without channels are left out."""
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
    )


def _kept(columns: Columns) -> Columns:
    """Return the same columns; those of a long run wait in a file while others are worked out."""
    return {name: (set_aside(values), set_aside(bad)) for name, (values, bad) in columns.items()}


def _travel(working: Working, car: CarSheet) -> Columns:
    found: Columns = {}
    for axle in AXLES:
        sheet = car.axle(axle)
        for corner in AXLE_CORNERS[axle]:
            name = f"damper_{corner}"
            if working.has(name):
                wheel = wheel_travel(working.values[name], sheet.damper_motion_ratio)
                found[f"wheel_{corner}"] = (wheel, working.suspect[name])
        left, right = (found.get(f"wheel_{corner}") for corner in AXLE_CORNERS[axle])
        if left is not None and right is not None:
            roll = np.arctan((right[0] - left[0]) / roll_base(sheet))
            found[f"roll_{axle}"] = (roll, left[1] | right[1])
    if all(f"wheel_{corner}" in found for corner in CORNERS):
        fl, fr, rl, rr = (found[f"wheel_{corner}"][0] for corner in CORNERS)
        bad = np.logical_or.reduce([found[f"wheel_{corner}"][1] for corner in CORNERS])
        found["heave"] = ((fl + fr + rl + rr) / 4.0, bad)
        found["pitch"] = (np.arctan((fl + fr - rl - rr) / 2.0 / car.mass.wheelbase.value), bad)
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
    inner = _cross(omega, arm)
    tangential, centripetal = _cross(alpha, arm), _cross(omega, inner)
    result: Columns = {}
    for place, axis in enumerate("xyz"):
        name = f"specific_force_{axis}"
        if name in forces:
            values, suspect = forces[name]
            result[name] = (values - tangential[place] - centripetal[place], suspect | bad)
    return result


def _cross(a: list[Floats], b: list[Floats] | tuple[float, float, float]) -> list[Floats]:
    return [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]


def _road_forces(known: Columns, car: CarSheet, bar_rates: Mapping[Axle, float], steps: list[str]) -> Columns:
    """Turn the forces from body axes into the road plane by suspension and tyre roll and by pitch."""
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
    tyres = tyre_roll_stiffness(sheet)
    if tyres is None:
        return np.zeros_like(roll)
    masses = mass_properties(car).axle(axle)
    wheels = masses.unsprung * sheet.wheel_radius.value * (1.0 - masses.unsprung_share)
    direct = masses.sprung * sheet.roll_centre_height.value + wheels
    result: Floats = (axle_roll_stiffness(sheet, bar_rates.get(axle, 0.0)) * roll + direct * force) / tyres
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
