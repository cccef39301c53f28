"""Faults of sensors, wiring and loggers, put into a sound log one at a time."""

# ruff: noqa: E501  (a table reads best with one case a line)
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from ingest.helpers import Log
from numpy.typing import NDArray

Column = NDArray[np.float64]
POT = "FR pot [mm]"


@dataclass(frozen=True)
class Fault:
    """A fault, and what must be said of it.

    Parameters
    ----------
    name : str
        In plain words.
    inject : callable
        Changes the log in place.
    channels : set of str
        House channels that must be named, and no others.
    checks : set of str
        Checks of which at least one must name each of them.
    """

    name: str
    inject: Callable[[Log, np.random.Generator], None]
    channels: frozenset[str]
    checks: frozenset[str]


def _on(
    column: str, change: Callable[[Column, np.random.Generator], Column]
) -> Callable[[Log, np.random.Generator], None]:
    def inject(log: Log, rng: np.random.Generator) -> None:
        log.columns[column] = change(log.columns[column].copy(), rng)

    return inject


def _stuck(v: Column, _: np.random.Generator) -> Column:
    v[len(v) // 2 : len(v) // 2 + 600] = v[len(v) // 2]
    return v


def _dropouts(v: Column, rng: np.random.Generator) -> Column:
    for first in rng.integers(600, len(v) - 100, 6):
        v[first : first + int(rng.integers(3, 60))] = -68.0
    return v


def _rest_lost(v: Column, rng: np.random.Generator) -> Column:
    v[int(0.7 * len(v)) :] = -68.0 + 0.02 * rng.standard_normal(len(v) - int(0.7 * len(v)))
    return v


def _late(v: Column, rng: np.random.Generator) -> Column:
    v[:700] = -68.0 + 0.02 * rng.standard_normal(700)
    return v


def _spikes(v: Column, rng: np.random.Generator) -> Column:
    v[rng.choice(np.arange(50, len(v) - 50, 10), 8, replace=False)] = 60.0
    return v


def _slip(v: Column, _: np.random.Generator) -> Column:
    v[int(0.6 * len(v)) :] += 9.0
    return v


def _drift(v: Column, _: np.random.Generator) -> Column:
    # The car stands for 4 s at the start; let it stand at the end as well, elsewhere.
    v[-400:] = v[:400] + 8.0
    return v


def _stand_again(log: Log, rng: np.random.Generator) -> None:
    for name, values in log.columns.items():
        if not name.startswith("Time"):
            values[-700:-400] = values[-700:-400] * np.linspace(1.0, 0.0, 300)
            values[-400:] = values[:400]
    _on(POT, _drift)(log, rng)


def _exchange(*pairs: tuple[str, str]) -> Callable[[Log, np.random.Generator], None]:
    def inject(log: Log, rng: np.random.Generator) -> None:
        for a, b in pairs:
            log.columns[a], log.columns[b] = log.columns[b], log.columns[a]

    return inject


def _gap(log: Log, _: np.random.Generator) -> None:
    keep = np.ones(len(log.columns["Time [s]"]), dtype=bool)
    keep[1500:1720] = False
    log.columns = {name: values[keep] for name, values in log.columns.items()}


def _scale_change(v: Column, _: np.random.Generator) -> Column:
    v[: len(v) // 3] *= 4096.0
    return v


def _noisy(v: Column, rng: np.random.Generator) -> Column:
    return v + 1.6 * rng.standard_normal(len(v))


def _quarter_rate(log: Log, _: np.random.Generator) -> None:
    log.columns = {name: values[::4] for name, values in log.columns.items()}


def _turn_up_x(log: Log, _: np.random.Generator) -> None:
    log.columns["LonG [g]"], log.columns["VertG [g]"] = log.columns["VertG [g]"], -log.columns["LonG [g]"]


def _mild(log: Log, _: np.random.Generator) -> None:
    for name in (
        "LatG [g]",
        "FL pot [mm]",
        "FR pot [mm]",
        "RL pot [mm]",
        "RR pot [mm]",
        "Roll rate [deg/s]",
        "Yaw rate [deg/s]",
    ):
        log.columns[name] = 0.2 * log.columns[name]


def _set(*words: str) -> frozenset[str]:
    return frozenset(words)


ALL_POTS = _set("damper_FL", "damper_FR", "damper_RL", "damper_RR")
FAULTS = (
    Fault("dead at zero", _on(POT, lambda v, _: 0.0 * v), _set("damper_FR"), _set("dead")),
    Fault("dead at a value", _on(POT, lambda v, _: 0.0 * v + 31.0), _set("damper_FR"), _set("dead")),
    Fault("stuck for six seconds", _on(POT, _stuck), _set("damper_FR"), _set("stuck")),
    Fault("end of the sensor", _on(POT, lambda v, _: np.minimum(v, 12.0)), _set("damper_FR"), _set("saturated")),
    Fault("dropouts", _on(POT, _dropouts), _set("damper_FR"), _set("dropouts")),
    Fault("lost for the rest", _on(POT, _rest_lost), _set("damper_FR"), _set("dropouts")),
    Fault("comes to life late", _on(POT, _late), _set("damper_FR"), _set("dropouts")),
    Fault("lone spikes", _on(POT, _spikes), _set("damper_FR"), _set("spikes")),
    Fault("noise", _on(POT, _noisy), _set("damper_FR"), _set("noise")),
    Fault("whole millimetres", _on(POT, lambda v, _: np.round(v)), _set("damper_FR"), _set("resolution")),
    Fault("beyond the stroke", _on(POT, lambda v, _: 4.0 * v), _set("damper_FR"), _set("damper stroke")),
    Fault("zero drifts", _stand_again, _set("damper_FR"), _set("zero drift")),
    Fault("arm slips", _on(POT, _slip), _set("damper_FR"), _set("slipped")),
    Fault("not zeroed", _on(POT, lambda v, _: v + 47.0), _set("damper_FR"), _set("zero")),
    Fault("inverted", _on(POT, lambda v, _: -v), _set("damper_FR"), _set("inverted")),
    Fault("both of an axle inverted", lambda log, rng: (_on("RL pot [mm]", lambda v, _: -v)(log, rng), _on("RR pot [mm]", lambda v, _: -v)(log, rng))[0], _set("damper_RL", "damper_RR"), _set("inverted")),
    Fault("left and right exchanged", _exchange(("FL pot [mm]", "FR pot [mm]")), _set("damper_FL", "damper_FR"), _set("swapped")),
    Fault("front and rear exchanged", _exchange(("FL pot [mm]", "RL pot [mm]"), ("FR pot [mm]", "RR pot [mm]")), ALL_POTS, _set("swapped")),
    Fault("gap", _gap, _set("time"), _set("gap")),
    Fault("sample rate", _quarter_rate, ALL_POTS, _set("sample rate")),
    Fault("unit leans", _on("LatG [g]", lambda v, _: v + 0.12), _set("accel_y"), _set("tilt or offset")),
    Fault("axes exchanged", _exchange(("LatG [g]", "LonG [g]")), _set("accel_x", "accel_y"), _set("axes")),
    Fault("x points up", _turn_up_x, _set("accel_x", "accel_y", "accel_z"), _set("axes")),
    Fault("upside down", _on("VertG [g]", lambda v, _: -v), _set("accel_z"), _set("axes")),
    Fault("clipped", _on("LatG [g]", lambda v, _: np.clip(v, -0.6, 0.6)), _set("accel_y"), _set("clipped")),
    Fault("milli-g lateral", _on("LatG [g]", lambda v, _: 1000.0 * v), _set("accel_y"), _set("unit")),
    Fault("milli-g vertical", _on("VertG [g]", lambda v, _: 1000.0 * v), _set("accel_z"), _set("unit")),
    Fault("vertical averages wrong", _on("VertG [g]", lambda v, _: v - 1.5), _set("accel_z"), _set("gravity")),
    Fault("lateral sign", _on("LatG [g]", lambda v, _: -v), _set("accel_y"), _set("sign")),
    Fault("scale changes", _on("VertG [g]", _scale_change), _set("accel_z"), _set("scale")),
    Fault("acceleration spikes", _on("LatG [g]", lambda v, r: v + 5.0 * (np.arange(len(v)) % 611 == 300)), _set("accel_y"), _set("spikes")),
    Fault("little cornering", _mild, _set("accel_y"), _set("cornering")),
    Fault("gyro offset", _on("Roll rate [deg/s]", lambda v, _: v + 1.6), _set("gyro_x"), _set("offset")),
    Fault("roll rate sign", _on("Roll rate [deg/s]", lambda v, _: -v), _set("gyro_x"), _set("roll rate")),
    Fault("roll rate unit", _on("Roll rate [deg/s]", lambda v, _: 57.3 * v), _set("gyro_x"), _set("roll rate")),
    Fault("yaw sign", _on("Yaw rate [deg/s]", lambda v, _: -v), _set("gyro_z"), _set("yaw rate")),
    Fault("yaw unit", _on("Yaw rate [deg/s]", lambda v, _: v / 57.3), _set("gyro_z"), _set("yaw rate")),
    Fault("speed spikes", _on("Speed [km/h]", lambda v, r: v + 1465.0 * (np.arange(len(v)) % 977 == 500)), _set("speed"), _set("spikes", "speed range")),
    Fault("speed dead", _on("Speed [km/h]", lambda v, _: 0.0 * v), _set("speed"), _set("dead")),
)  # fmt: skip
