"""A small invented log and car sheet that the tests of this room change one thing at a time."""

from __future__ import annotations

import gzip
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analyzer.core.units import STANDARD_GRAVITY
from analyzer.sheets.car import CarSheet

AXLE = {
    "track_width": "1.54 m",
    "roll_centre_height": "45 mm",
    "wheel_radius": "0.31 m",
    "spring": {"rate": "75 N/mm", "motion_ratio": 0.94},
    "damper": {"bump_stop_gap": "42 mm", "full_bump": "61 mm", "full_droop": "70 mm"},
}
POTS = ("FL", "FR", "RL", "RR")
MAP: dict[str, Any] = {
    **{f"damper_{corner}": {"column": f"{corner} pot"} for corner in POTS},
    "accel_x": {"column": "LonG"},
    "accel_y": {"column": "LatG"},
    "accel_z": {"column": "VertG"},
    "gyro_x": {"column": "Roll rate"},
    "gyro_z": {"column": "Yaw rate"},
    "speed": {"column": "Speed"},
}


def car_with(channels: dict[str, Any] | None = None, **logger: Any) -> CarSheet:
    """Return a car sheet with the usual channel map, or another, and further logger keys."""
    return CarSheet.model_validate(
        {
            "name": "Teal coupe",
            "mass": {
                "corner_loads": {"FL": "331 kgf", "FR": "329 kgf", "RL": "283 kgf", "RR": "287 kgf"},
                "unsprung": {"front": "76 kg", "rear": "88 kg"},
                "cg_height": "0.47 m",
                "wheelbase": "2.53 m",
            },
            "front": AXLE,
            "rear": AXLE,
            "logger": {"channels": MAP if channels is None else channels, **logger},
        }
    )


@dataclass
class Log:
    """Columns as a logger writes them, and what they mean in SI."""

    columns: dict[str, NDArray[np.float64]]
    si: dict[str, NDArray[np.float64]] = field(default_factory=dict)


def plain_log(seconds: float = 40.0, rate: float = 100.0, seed: int = 1) -> Log:
    """Return a car that stands for 4 s, then swings from side to side, brakes and drives on over bumps."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(seconds * rate)) / rate
    moving = np.clip((time - 4.0) / 0.5, 0.0, 1.0)
    lateral = moving * (7.0 * np.sin(0.9 * (time - 4.0)) + 1.2 * np.sin(0.31 * time))
    forward = moving * 2.5 * np.sin(0.53 * (time - 4.0))
    roll_angle = 0.0035 * lateral
    bump = {corner: moving * smooth_noise(rng, len(time), rate, 2.0) * 0.002 for corner in POTS}
    noise = {name: rng.normal(0.0, 1.0, len(time)) for name in (*POTS, "x", "y", "z", "roll", "yaw")}
    engine = 0.15 + 0.6 * moving
    si: dict[str, NDArray[np.float64]] = {}
    for corner in POTS:
        side = -1.0 if corner[1] == "L" else 1.0
        end = -1.0 if corner[0] == "F" else 1.0
        si[f"damper_{corner}"] = (
            0.72 * side * roll_angle + 0.0016 * end * forward + bump[corner] + 0.00006 * noise[corner]
        )
    si["accel_x"] = forward + engine * 0.3 * noise["x"]
    si["accel_y"] = lateral + engine * 0.3 * noise["y"]
    si["accel_z"] = STANDARD_GRAVITY + engine * noise["z"]
    si["gyro_x"] = np.gradient(roll_angle, time) + 0.004 * noise["roll"]
    speed = moving * (14.0 + np.cumsum(forward) / rate * 0.2)
    si["gyro_z"] = np.where(speed > 3.0, lateral / np.maximum(speed, 3.0), 0.0) + 0.004 * noise["yaw"]
    si["speed"] = speed
    columns = {"Time [s]": time}
    columns |= {f"{corner} pot [mm]": si[f"damper_{corner}"] * 1000.0 for corner in POTS}
    columns |= {
        f"{head} [g]": si[f"accel_{a}"] / STANDARD_GRAVITY
        for head, a in zip(("LonG", "LatG", "VertG"), "xyz", strict=True)
    }
    columns |= {"Roll rate [deg/s]": np.degrees(si["gyro_x"]), "Yaw rate [deg/s]": np.degrees(si["gyro_z"])}
    columns |= {"Speed [km/h]": speed * 3.6}
    return Log(columns, si)


def smooth_noise(rng: np.random.Generator, count: int, rate: float, corner_hz: float) -> NDArray[np.float64]:
    """Return noise of unit spread without fast parts, as a road gives it to a pot."""
    width = max(1, round(rate / (2.0 * corner_hz)))
    box = np.ones(width) / width
    raw = rng.normal(0.0, 1.0, count + 4 * width)
    smooth = np.convolve(np.convolve(raw, box, mode="same"), box, mode="same")[2 * width : 2 * width + count]
    return smooth / smooth.std()


def text_of(log: Log, delimiter: str = ",", digits: int = 6, header: bool = True) -> str:
    """Return the log as CSV text."""
    head = delimiter.join(log.columns) + "\n" if header else ""
    formats = [f"%.{digits if name.startswith('Time') else digits + 1}f" for name in log.columns]
    rows = zip(*(column.tolist() for column in log.columns.values()), strict=True)
    return head + "".join(
        delimiter.join(f % v for f, v in zip(formats, row, strict=True)) + "\n" for row in rows
    )


def write_log(path: Path, log: Log, **how: Any) -> Path:
    """Write the log as CSV, packed when the name ends in .gz; return the path."""
    data = text_of(log, **how).encode()
    path.write_bytes(gzip.compress(data) if path.suffix == ".gz" else data)
    return path
