"""Car and session sheets of the engine's car."""

from __future__ import annotations

import copy
import math
from typing import Any

import numpy as np
from engine.car import CORNERS, EngineAxle, EngineCar
from reference.bars_of_known_rate import bar_lines, bar_of_rates

FRONT_BARS = {"full": 1.0, "0.95": 0.95, "0.8": 0.8, "0.5": 0.5, "off": 0.0}
"""Set-ups of the sheet and the factor on the front bar each stands for."""
_HOLES = [name for name, factor in sorted(FRONT_BARS.items(), key=lambda item: item[1]) if factor > 0.0]

COLUMNS = {
    **{f"damper_{corner}": (f"{corner} pot", "mm") for corner in CORNERS},
    **{f"accel_{axis}": (f"Acc{axis.upper()}", "g") for axis in "xyz"},
    **{f"gyro_{axis}": (f"Gyro{axis.upper()}", "deg/s") for axis in "xyz"},
    "speed": ("Speed", "m/s"),
}
"""House channel -> column of the log and its unit."""
LOGGED_PER_SI = {"mm": 1e3, "g": 1 / 9.80665, "deg/s": math.degrees(1.0), "m/s": 1.0}


def setup_table(name: str) -> str:
    """Return the set-up's table of the session sheet."""
    front = '"off"' if name == "off" else f"{{ hole = {_HOLES.index(name) + 1} }}"
    return f'[setups."{name}"]\nfront_bar = {front}\nrear_bar = {{ hole = 1 }}\n'


def bar_rates(car: EngineCar, name: str) -> dict[str, float]:
    """Return the rates of both bars on a set-up [N/m]; `car` has its full front bar."""
    return {"front": car.front.bar_rate * FRONT_BARS[name], "rear": car.rear.bar_rate}


TOLERANCES = {
    "corner_loads": 0.01,
    "unsprung": 0.03,
    "cg_height": 0.015,
    "track_width": 0.003,
    "roll_centre_height": 0.01,
    "tyre_rate": 0.1,
    "spring": 0.02,
    "motion_ratio": 0.01,
}
"""Standard uncertainty of what a builder measures, relative but for heights [m]: engineering judgement."""
_HEIGHTS = ("cg_height", "roll_centre_height")


def sheet_off(table: dict[str, Any], rng: np.random.Generator) -> dict[str, Any]:
    """Return a car sheet whose figures are off by their tolerances, drawn at random, which it states."""
    table = copy.deepcopy(table)

    def off(value: str | float, key: str) -> str:
        number, _, unit = str(value).partition(" ")
        size = TOLERANCES[key] if key in _HEIGHTS else TOLERANCES[key] * abs(float(number))
        return f"{float(number) + size * rng.standard_normal():.9g} {unit} ± {size:.4g} {unit}".strip()

    mass = table["mass"]
    mass["cg_height"] = off(mass["cg_height"], "cg_height")
    for key in ("corner_loads", "unsprung"):
        mass[key] = {name: off(value, key) for name, value in mass[key].items()}
    for axle in ("front", "rear"):
        for key in ("track_width", "roll_centre_height", "tyre_rate"):
            table[axle][key] = off(table[axle][key], key)
        spring = table[axle]["spring"]
        # The damper sits where the spring does: one ratio, measured once.
        table[axle]["spring"] = {
            "rate": off(spring["rate"], "spring"),
            "motion_ratio": off(spring["motion_ratio"], "motion_ratio"),
        }
    return table


LEVEL_BOX = 'lean = { roll = "0 deg ± 0.05 deg", pitch = "0 deg ± 0.05 deg", yaw = "0 deg ± 0.05 deg" }'
"""Of a box that was levelled in the workshop: tests of other things do not ask the log for its lean."""


def car_sheet(car: EngineCar, level_box: bool = False) -> str:
    """Return the car sheet; `car` has its full front bar."""
    front_bar = bar_of_rates([car.front.bar_rate * FRONT_BARS[name] for name in _HOLES])
    rear_bar = bar_of_rates([car.rear.bar_rate])
    loads = ", ".join(f'{c} = "{car.static_load(c):.9g} N"' for c in CORNERS)
    x, y, z = car.imu
    lines = [
        'name = "Engine car"',
        "[mass]",
        f"corner_loads = {{ {loads} }}",
        f'unsprung = {{ front = "{car.front.unsprung} kg", rear = "{car.rear.unsprung} kg" }}',
        f'cg_height = "{car.cg_height} m"',
        f'wheelbase = "{car.wheelbase} m"',
        *_axle_lines("front", car.front),
        *bar_lines("front", front_bar, car.front.bar_ratio),
        *_axle_lines("rear", car.rear),
        *bar_lines("rear", rear_bar, car.rear.bar_ratio),
        "[logger.channels]",
        'time = { column = "Time", unit = "s" }',
        *(_channel(name, *place) for name, place in COLUMNS.items()),
        "[logger.imu]",
        f'position = {{ x = "{x} m", y = "{y} m", z = "{z} m" }}',
        *([LEVEL_BOX] if level_box else []),
    ]
    return "\n".join(lines) + "\n"


def _channel(name: str, column: str, unit: str) -> str:
    static = ', static = "0 mm"' if name.startswith("damper") else ""
    return f'{name} = {{ column = "{column}", unit = "{unit}"{static} }}'


def _axle_lines(name: str, axle: EngineAxle) -> list[str]:
    ratio = axle.damper_ratio
    damping = axle.damping / ratio**2
    first, second = axle.stop_rates
    bend = first * axle.stop_step
    curve = f'compression = ["0 mm", "{axle.stop_step * 1e3} mm", "{axle.stop_step * 1e3 + 20} mm"]'
    load = f'load = ["0 N", "{bend} N", "{bend + (first + second) * 0.02} N"]'
    return [
        f"[{name}]",
        f'track_width = "{axle.track} m"',
        f'roll_centre_height = "{axle.roll_centre} m"',
        f'wheel_radius = "{axle.wheel_radius} m"',
        'camber_gain = "0 deg/m"',
        f'tyre_rate = "{axle.tyre_rate} N/m"',
        f'spring = {{ rate = "{axle.wheel_rate / ratio**2:.12g} N/m", motion_ratio = {ratio} }}',
        f"[{name}.damper]",
        f'bump_stop_gap = "{axle.stop_gap * 1e3} mm"',
        f'full_bump = "{axle.stop_gap * 1e3 + 28} mm"',
        f"bump_stop_rate = {{ {curve}, {load} }}",
        f'rates = {{ bump = "{damping:.12g} N s/m", rebound = "{damping:.12g} N s/m" }}',
    ]
