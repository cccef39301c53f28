"""Sheets for the tests of prediction, built from plain dictionaries."""

from __future__ import annotations

import math
from typing import Any

from analyzer.sheets.bar import BladedBar, FormedBar
from analyzer.sheets.car import CarSheet

CAR: dict[str, Any] = {
    "name": "Teal coupe",
    "mass": {
        "corner_loads": {"FL": "331 kgf", "FR": "329 kgf", "RL": "283 kgf", "RR": "287 kgf"},
        "unsprung": {"front": "76 kg", "rear": "88 kg"},
        "cg_height": "0.47 m ± 0.02 m",
        "wheelbase": "2.53 m",
    },
    "front": {
        "track_width": "1.54 m",
        "roll_centre_height": "45 mm",
        "wheel_radius": "0.31 m",
        "camber_gain": "20 deg/m ± 8 deg/m",
        "tyre_rate": "230 N/mm",
        "spring": {"rate": "75 N/mm", "motion_ratio": 0.94},
        "damper": {"bump_stop_gap": "42 mm", "full_bump": "61 mm", "bump_stop_rate": "60 N/mm"},
    },
    "rear": {
        "track_width": "1.52 m",
        "roll_centre_height": "70 mm",
        "wheel_radius": "0.31 m",
        "camber_gain": "15 deg/m ± 8 deg/m",
        "tyre_rate": "230 N/mm",
        "spring": {"rate": "57 N/mm", "motion_ratio": 0.9},
    },
}

# Dimensions of the bladed bar [m]; hand sums of the tests take them from here.
TUBE, WALL, LENGTH, SPACING = 0.030, 0.0025, 0.86, 0.74
DEPTH, THICKNESS, LEVERS = 0.036, 0.007, (0.236, 0.213, 0.190)
SPACER, BOLT = 0.006, 0.010
BORE = TUBE - 2.0 * WALL
TUBE_INERTIA = math.pi / 64.0 * (TUBE**4 - BORE**4)
"""Second moment of the tube's section about a diameter [m4]."""

BAR: dict[str, Any] = {
    "kind": "bladed",
    "motion_ratio": 0.58,
    "tube": {
        "material": "4130",
        "outside_diameter": f"{TUBE} m",
        "wall": f"{WALL} m",
        "length": f"{LENGTH} m",
    },
    "mounts": {"spacing": f"{SPACING} m", "rate": "20 kN/mm"},
    # Hand sums and closed forms let the blade bend from the tube's axis.
    "blade": {
        "material": "spring steel",
        "depth": f"{DEPTH} m",
        "thickness": f"{THICKNESS} m",
        "root": "0 mm ± 0 mm",
    },
    "holes": [f"{lever} m" for lever in LEVERS],
    "spacer": {"thickness": f"{SPACER} m", "side": "outboard", "most": 4},
    "bolt": {"diameter": f"{BOLT} m"},
}


def merged(base: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    """Return `base` with `changes` laid over it, table by table; None removes a key."""
    result = dict(base)
    for key, value in changes.items():
        if value is None:
            result.pop(key, None)
        elif isinstance(value, dict) and isinstance(result.get(key), dict):
            result[key] = merged(result[key], value)
        else:
            result[key] = value
    return result


def bladed(**changes: Any) -> BladedBar:
    return BladedBar.model_validate(merged(BAR, changes))


def formed(**table: Any) -> FormedBar:
    return FormedBar.model_validate({"kind": "formed", "motion_ratio": 0.6, **table})


def car(changes: dict[str, Any] | None = None, bar: bool = True) -> CarSheet:
    base = merged(CAR, {"front": {"bar": BAR}}) if bar else CAR
    return CarSheet.model_validate(merged(base, changes or {}))
