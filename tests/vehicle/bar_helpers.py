"""Sheets for the tests of prediction, built from plain dictionaries."""

from __future__ import annotations

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
        "spring": {"rate": "8 kgf/mm", "motion_ratio": 0.94},
        "damper": {"bump_stop_gap": "42 mm", "full_bump": "61 mm", "bump_stop_rate": "60 N/mm"},
    },
    "rear": {
        "track_width": "1.52 m",
        "roll_centre_height": "70 mm",
        "wheel_radius": "0.31 m",
        "camber_gain": "15 deg/m ± 8 deg/m",
        "tyre_rate": "230 N/mm",
        "spring": {"rate": "6 kgf/mm", "motion_ratio": 0.9},
    },
}

BAR: dict[str, Any] = {
    "kind": "bladed",
    "motion_ratio": 0.58,
    "tube": {"material": "4130", "outside_diameter": "31.75 mm", "wall": "2.41 mm", "length": "0.90 m"},
    "mounts": {"spacing": "0.78 m", "rate": "20 kN/mm"},
    # Hand sums and closed forms let the blade bend from the tube's axis.
    "blade": {"material": "spring steel", "depth": "38 mm", "thickness": "8 mm", "root": "0 mm ± 0 mm"},
    "holes": ["254 mm", "229 mm", "203 mm"],
    "spacer": {"thickness": "8 mm", "side": "outboard", "most": 4},
    "bolt": {"diameter": "12 mm"},
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
