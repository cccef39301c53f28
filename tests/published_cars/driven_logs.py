"""What a logger on a published car would have written, with the sheets of that car.

The pots are the model's own suspension travels, the inertial unit its own accelerations turned into body
axes, so nothing here shares an equation with the analyzer. Axes change from the package's (y right, z down)
to ISO 8855.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from published_cars.multi_body import (
    DROP,
    DROP_RATE,
    FRONT_DROP,
    FRONT_ROLL,
    PACKAGE_GRAVITY,
    PITCH,
    PITCH_RATE,
    REAR_DROP,
    REAR_ROLL,
    ROLL,
    ROLL_RATE,
    SIDE_SPEED,
    SPEED,
    STEER,
    YAW_RATE,
    Array,
    PublishedCar,
    drive,
    published_car,
    steady_turn,
    suspension_roll,
)
from reference.bars_of_known_rate import BarHardware, bar_lines, bar_of_rates
from scipy.interpolate import CubicSpline

HARD, GENTLE = 0.40 * PACKAGE_GRAVITY, 0.15 * PACKAGE_GRAVITY
"""Largest lateral acceleration of a run [m/s2]: a firm one, and one near the small-force limit."""
LOG_RATE = 100.0
COLUMNS = {
    "damper_FL": ("FL pot", "mm"),
    "damper_FR": ("FR pot", "mm"),
    "damper_RL": ("RL pot", "mm"),
    "damper_RR": ("RR pot", "mm"),
    "accel_x": ("AccX", "g"),
    "accel_y": ("AccY", "g"),
    "accel_z": ("AccZ", "g"),
    "gyro_x": ("GyroX", "deg/s"),
    "gyro_y": ("GyroY", "deg/s"),
    "gyro_z": ("GyroZ", "deg/s"),
    "speed": ("Speed", "m/s"),
    "steer_angle": ("Steer", "deg"),
}
"""House channel -> column of the log and its unit."""
_LOGGED_PER_SI = {
    "mm": 1e3,
    "g": 1 / 9.80665,
    "deg/s": math.degrees(1.0),
    "deg": math.degrees(1.0),
    "m/s": 1.0,
}


@dataclass(frozen=True)
class DrivenRun:
    """One run of a published car.

    Parameters
    ----------
    channels : DataFrame
        House channels in SI, index ``time_s``.
    roll_front, roll_rear : ndarray
        The model's suspension roll [rad].
    road_lateral : ndarray
        Its lateral acceleration in the plane of the road, left positive [m/s2].
    """

    channels: pd.DataFrame
    roll_front: Array
    roll_rear: Array
    road_lateral: Array


def lateral_plan(t: float, largest: float) -> float:
    """Return the lateral acceleration aimed at [m/s2, left positive]: a slow sweep, then a slalom."""
    if t < 1.0:
        return 0.0
    if t < 19.0:
        return largest * math.sin(2 * math.pi * (t - 1.0) / 18.0)
    fade = min(1.0, (t - 19.0) / 3.0, max(0.0, (31.0 - t) / 3.0))
    return 0.9 * largest * fade * math.sin(2 * math.pi * 0.3 * (t - 19.0))


PLAN_DURATION = 32.0
STEADY_PART = (1.0, 19.0)
"""Stretch of the plan with the slow sweep [s]."""


@cache
def driven_run(number: int, front_bar: float, largest: float = HARD) -> DrivenRun:
    """Drive the manoeuvre once at 15 m/s and return what the car's sensors see."""
    car = published_car(number, front_bar)
    aims = np.linspace(-largest, largest, 13)
    steers = [float(steady_turn(number, front_bar, float(aim))[STEER]) for aim in aims]
    steer_for = CubicSpline(aims, steers)
    time, states, slopes = drive(
        car, lambda t: float(steer_for(-lateral_plan(t, largest))), PLAN_DURATION, LOG_RATE
    )
    return recorded(car, time, states, slopes)


def recorded(car: PublishedCar, time: Array, states: Array, slopes: Array) -> DrivenRun:
    """Return what the sensors of a car see of a drive, with what it really did."""
    front, rear = suspension_roll(states)
    return DrivenRun(
        channels=pd.DataFrame(sensed(car, states, slopes), index=pd.Index(time, name="time_s")),
        roll_front=front,
        roll_rear=rear,
        road_lateral=-(slopes[:, SIDE_SPEED] + states[:, YAW_RATE] * states[:, SPEED]),
    )


def sensed(car: PublishedCar, states: Array, slopes: Array) -> dict[str, Array]:
    """Return the house channels in SI, ISO 8855 axes, of states and their derivatives."""
    channels = _pots(car, states)
    roll, pitch = states[:, ROLL], states[:, PITCH]
    # Acceleration less gravity along axes that turn with the car but stay level (x forward, y right, z down).
    level = np.column_stack(
        [
            slopes[:, SPEED] - states[:, YAW_RATE] * states[:, SIDE_SPEED],
            slopes[:, SIDE_SPEED] + states[:, YAW_RATE] * states[:, SPEED],
            slopes[:, DROP_RATE] - PACKAGE_GRAVITY,
        ]
    )
    turning = np.column_stack([0 * roll, states[:, PITCH_RATE], states[:, YAW_RATE]])
    force, rate = _into_body(level, roll, pitch), _into_body(turning, roll, 0 * pitch)
    # Roll rate is about the body's own axis; pitch tilts yaw into it.
    rate[:, 0] = states[:, ROLL_RATE] - states[:, YAW_RATE] * np.sin(pitch)
    for axis, sign in ((0, 1.0), (1, -1.0), (2, -1.0)):
        channels[f"accel_{'xyz'[axis]}"] = sign * force[:, axis]
        channels[f"gyro_{'xyz'[axis]}"] = sign * rate[:, axis]
    channels["speed"] = np.hypot(states[:, SPEED], states[:, SIDE_SPEED])
    channels["steer_angle"] = -states[:, STEER]
    return channels


def _into_body(level: Array, roll: Array, pitch: Array) -> Array:
    """Turn vectors from level axes into body axes: pitch first (nose up positive), then roll."""
    forward = level[:, 0] * np.cos(pitch) - level[:, 2] * np.sin(pitch)
    down = level[:, 0] * np.sin(pitch) + level[:, 2] * np.cos(pitch)
    right = level[:, 1] * np.cos(roll) + down * np.sin(roll)
    return np.column_stack([forward, right, -level[:, 1] * np.sin(roll) + down * np.cos(roll)])


def _pots(car: PublishedCar, states: Array) -> dict[str, Array]:
    """Return the suspension travels [m], compression positive, zero at rest."""
    p = car.parameters
    rest = steady_turn(car.number, car.front_bar, 0.0)[np.newaxis]
    pots = {}
    for axle, lever, drop, roll, track in (
        ("F", p.a, FRONT_DROP, FRONT_ROLL, p.T_f),
        ("R", -p.b, REAR_DROP, REAR_ROLL, p.T_r),
    ):

        def middle(x: Array, lever: float = lever, drop: int = drop) -> Array:
            height = p.h_s - p.R_w
            return (height + x[:, drop] - x[:, DROP]) / np.cos(x[:, ROLL]) - height + lever * x[:, PITCH]

        heave = -(middle(states) - middle(rest))
        half = 0.5 * track * (states[:, ROLL] - states[:, roll])
        pots[f"damper_{axle}L"], pots[f"damper_{axle}R"] = heave - half, heave + half
    return pots


def write_log(run: DrivenRun, path: Path) -> None:
    """Write the run as a log with house columns in the units a logger uses."""
    table = {"Time": run.channels.index.to_numpy()}
    for channel, (column, unit) in COLUMNS.items():
        table[column] = run.channels[channel].to_numpy() * _LOGGED_PER_SI[unit]
    pd.DataFrame(table).to_csv(path, index=False, float_format="%.6f")


def front_hardware(number: int) -> BarHardware:
    """Return the front bar: hole 2 gives the published roll stiffness, hole 1 half of it."""
    p = published_car(number).parameters
    rate = 2.0 * abs(p.K_tsf) / p.T_f**2
    return bar_of_rates([rate / 2.0, rate])


def rear_hardware(number: int) -> BarHardware | None:
    """Return the rear bar, None for the car that has none."""
    p = published_car(number).parameters
    return None if p.K_tsr == 0.0 else bar_of_rates([2.0 * abs(p.K_tsr) / p.T_r**2])


def car_sheet(number: int) -> str:
    """Return the car sheet of vehicle `number`.

    The model's axle leans with its tyres, so its own mass does not load the springs: that is a solid axle
    with the springs at the wheels. Its roll axis lies on the ground, and the height of the whole car follows
    from sprung mass height and wheel radius, as its equations use them.
    """
    p = published_car(number).parameters
    height = (p.m_s * p.h_s + (p.m_uf + p.m_ur) * p.R_w) / p.m
    corner_front = (p.m_s * p.b / (p.a + p.b) + p.m_uf) / 2
    corner_rear = (p.m_s * p.a / (p.a + p.b) + p.m_ur) / 2
    lines = [
        f'name = "commonroad-vehicle-models vehicle {number}"',
        "[mass]",
        f'corner_loads = {{ FL = "{corner_front:.9g} kgf", FR = "{corner_front:.9g} kgf", '
        f'RL = "{corner_rear:.9g} kgf", RR = "{corner_rear:.9g} kgf" }}',
        f'unsprung = {{ front = "{p.m_uf:.9g} kg", rear = "{p.m_ur:.9g} kg" }}',
        f'cg_height = "{height:.9g} m"',
        f'wheelbase = "{p.a + p.b:.9g} m"',
        *_axle_lines("front", p.T_f, p.K_sf, p.K_sdf, p, front_hardware(number)),
        *_axle_lines("rear", p.T_r, p.K_sr, p.K_sdr, p, rear_hardware(number)),
        "[logger.channels]",
        *(
            f'{name} = {{ column = "{column}", unit = "{unit}"{_static(name)} }}'
            for name, (column, unit) in COLUMNS.items()
        ),
        'time = { column = "Time", unit = "s" }',
        "[logger.imu]",
        'position = { x = "0 m", y = "0 m", z = "0 m" }',
    ]
    return "\n".join(lines) + "\n"


def _static(channel: str) -> str:
    return ', static = "0 mm"' if channel.startswith("damper") else ""


def _axle_lines(
    axle: str, track: float, spring: float, damping: float, p: Any, bar: BarHardware | None
) -> list[str]:
    lines = [
        f"[{axle}]",
        'suspension = "solid axle"',
        f'track_width = "{track:.9g} m"',
        f'spring_base = "{track:.9g} m"',
        'roll_centre_height = "0 m"',
        f'wheel_radius = "{p.R_w:.9g} m"',
        f'tyre_rate = "{p.K_zt:.9g} N/m"',
        f'spring = {{ rate = "{spring:.9g} N/m", motion_ratio = 1.0 }}',
        f'damper = {{ rates = {{ bump = "{damping:.9g} N s/m", rebound = "{damping:.9g} N s/m" }} }}',
    ]
    return lines if bar is None else lines + bar_lines(axle, bar)


FRONT_BARS = {"full bar": 1.0, "half bar": 0.5, "no bar": 0.0}
"""Set-ups of the session and the factor on the front bar each stands for."""
_FRONT_SETTING = {"full bar": "{ hole = 2 }", "half bar": "{ hole = 1 }", "no bar": '"off"'}


def write_session(folder: Path, number: int, largest: float = HARD) -> Path:
    """Write logs and sheets of vehicle `number`, one run per front bar; return the session sheet."""
    (folder / "car.toml").write_text(car_sheet(number), encoding="utf-8")
    rear_setting = "" if rear_hardware(number) is None else "rear_bar = { hole = 1 }\n"
    parts = [f'name = "Vehicle {number}"\ncar = "car.toml"\n']
    parts += [f'[setups."{bar}"]\nfront_bar = {_FRONT_SETTING[bar]}\n{rear_setting}' for bar in FRONT_BARS]
    for index, bar in enumerate(FRONT_BARS, start=1):
        log = f"r{index:02d}.csv"
        write_log(driven_run(number, FRONT_BARS[bar], largest), folder / log)
        parts.append(f'[[runs]]\nname = "r{index:02d}"\nlogs = ["{log}"]\nsetup = "{bar}"\n')
    path = folder / "session.toml"
    path.write_text("\n".join(parts), encoding="utf-8")
    return path
