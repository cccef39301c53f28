"""Roll stiffness of an axle from its sheet and the fitted bar's rate, and geometry shared by the room."""

from __future__ import annotations

import math

import numpy as np

from analyzer.processing.filters import Floats
from analyzer.sheets.car import AxleSheet, CarSheet, TravelTable
from analyzer.uncertain import Uncertain


def wheel_travel(damper: Floats, ratio: Uncertain | TravelTable) -> Floats:
    """Return wheel travel [m] for damper travel [m], both bump positive and zero at static.

    A measured table is followed along straight lines between its rows and continued along its first and last
    pieces; a number divides.
    """
    if isinstance(ratio, Uncertain):
        return damper / ratio.value
    known = np.array([row.value for row in ratio.damper])
    wheel = np.array([row.value for row in ratio.wheel])
    result = np.interp(damper, known, wheel)
    for end, next_to in ((0, 1), (-1, -2)):
        slope = (wheel[end] - wheel[next_to]) / (known[end] - known[next_to])
        beyond = damper < known[0] if end == 0 else damper > known[-1]
        result = np.where(beyond, wheel[end] + (damper - known[end]) * slope, result)
    # The table need not pass through the origin exactly; travel counts from static.
    from_static: Floats = result - float(np.interp(0.0, known, wheel))
    return from_static


def ratio_at_static(ratio: Uncertain | TravelTable) -> float:
    """Return damper travel per wheel travel at static ride height."""
    if isinstance(ratio, Uncertain):
        return ratio.value
    step = 1e-3
    wheel = wheel_travel(np.array([-step, step]), ratio)
    return float(2.0 * step / (wheel[1] - wheel[0]))


def ratio_at(wheel: Floats, ratio: Uncertain | TravelTable) -> Floats:
    """Return damper travel per wheel travel at each `wheel` travel [m]."""
    if isinstance(ratio, Uncertain):
        return np.full_like(wheel, ratio.value)
    known = np.array([row.value for row in ratio.damper])
    base = np.array([row.value for row in ratio.wheel])
    base = base - float(np.interp(0.0, known, base))
    slopes = np.diff(known) / np.diff(base)
    middles = (base[1:] + base[:-1]) / 2.0
    return np.interp(wheel, middles, slopes)


def relative_spread(value: Uncertain | TravelTable) -> float | None:
    """Return the relative standard uncertainty of a motion ratio; None when the sheet states none."""
    if isinstance(value, Uncertain):
        return None if value.std is None else abs(value.std / value.value)
    ends = (value.wheel[0], value.wheel[-1], value.damper[0], value.damper[-1])
    if all(end.std is None for end in ends):
        return None
    spans = (value.wheel[-1].value - value.wheel[0].value, value.damper[-1].value - value.damper[0].value)
    return math.hypot(
        *(math.hypot(ends[2 * k].std or 0.0, ends[2 * k + 1].std or 0.0) / spans[k] for k in (0, 1))
    )


def roll_base(axle: AxleSheet) -> float:
    """Return the distance over which left and right damper travel turn into suspension roll [m].

    The track width; on a solid axle the distance between its springs, since dampers and springs stand there.
    """
    if axle.suspension == "solid axle" and axle.spring_base is not None:
        return axle.spring_base.value
    return axle.track_width.value


def bar_ratio(axle: AxleSheet) -> float | None:
    """Return link travel per wheel travel of the axle's bar; None without a bar."""
    return None if axle.bar.kind == "none" else axle.bar.motion_ratio.value


def spring_roll_stiffness(axle: AxleSheet) -> float:
    """Return the springs' part of the roll stiffness, k MR^2 b^2 / 2 [N m/rad] (Gillespie ch. 6)."""
    return (
        axle.spring.rate.value * ratio_at_static(axle.spring.motion_ratio) ** 2 * roll_base(axle) ** 2 / 2.0
    )


def bar_roll_stiffness(axle: AxleSheet, bar_rate: float) -> float:
    """Return the bar's part, k MR_b^2 t^2 / 2 [N m/rad].

    `bar_rate` is the force at one link per travel of that link, the other moving as far the other way [N/m].
    """
    ratio = bar_ratio(axle)
    return 0.0 if ratio is None else bar_rate * ratio**2 * axle.track_width.value**2 / 2.0


def axle_roll_stiffness(axle: AxleSheet, bar_rate: float) -> float:
    """Return the suspension roll stiffness of one axle, springs and bar [N m/rad]."""
    return spring_roll_stiffness(axle) + bar_roll_stiffness(axle, bar_rate)


def tyre_roll_stiffness(axle: AxleSheet) -> float | None:
    """Return k_tyre t^2 / 2 [N m/rad]; None when the sheet has no tyre rate."""
    return None if axle.tyre_rate is None else axle.tyre_rate.value * axle.track_width.value**2 / 2.0


def roll_scale_spread(car: CarSheet, axle: AxleSheet, corners: tuple[str, str]) -> tuple[float, list[str]]:
    """Return the relative standard uncertainty of suspension roll common to all runs, and what it leaves out.

    Motion ratio and track width scale both sides; the sensors' scales are independent of each other.
    """
    left_out: list[str] = []
    ratio = relative_spread(axle.damper_motion_ratio)
    if ratio is None:
        left_out.append("motion ratio")
    track = axle.track_width
    if track.std is None:
        left_out.append("track width")
    sensors = [sensor_scale_spread(car, corner) for corner in corners]
    if any(scale is None for scale in sensors):
        left_out.append("sensor scale")
    known = [scale or 0.0 for scale in sensors]
    parts = (ratio or 0.0, (track.std or 0.0) / track.value, math.hypot(*known) / 2.0)
    return math.hypot(*parts), left_out


def sensor_scale_spread(car: CarSheet, corner: str) -> float | None:
    """Return the relative standard uncertainty of a damper sensor's scale, from its calibration pairs."""
    channel = car.logger.channels.get(f"damper_{corner}")
    if channel is None or channel.travel is None:
        return None
    first, last = channel.travel[0], channel.travel[-1]
    if first.std is None and last.std is None:
        return None
    return math.hypot(first.std or 0.0, last.std or 0.0) / abs(last.value - first.value)


def damper_travel(wheel: Floats, ratio: Uncertain | TravelTable) -> Floats:
    """Return damper (or spring) travel [m] for wheel travel [m]; the inverse of `wheel_travel`."""
    if isinstance(ratio, Uncertain):
        return wheel * ratio.value
    turned = TravelTable(wheel=ratio.damper, damper=ratio.wheel)
    return wheel_travel(wheel, turned)
