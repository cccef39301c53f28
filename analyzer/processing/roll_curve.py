"""The gradient as a curve over lateral force, and what else may bend it: speed, place of the IMU."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

import numpy as np

from analyzer.constants import STANDARD_GRAVITY
from analyzer.estimate import Estimate
from analyzer.processing.filters import Floats
from analyzer.processing.intervals import half_width, with_error
from analyzer.processing.lines import least_squares
from analyzer.processing.probes import Bench, Probe
from analyzer.processing.roll_columns import SPEED, YAW
from analyzer.processing.roll_gradient import RollFit

LEVELS: Final = (0.0, 0.2, 0.5, 0.8, 1.1)
"""Lateral forces at which the curve is told [g]; at 0 it is the gradient at small forces, as predicted."""
CURVE: Final = "slope of the curve with the cube of the force beside the force, at that force"
CURVE_LEFT_OUT: Final = 0.003
"""Relative standard uncertainty of a local gradient from what cube and equation leave out; at 1 g the double,
with the square of the force. On the rigid-body engine of the tests, cars of all dimensions, it is 0.28 % up
to 0.5 g and 0.46 % at 0.8 g, root mean square."""
ENOUGH_KEPT: Final = 0.02
"""A column that the others stand in for but for less than this part is not told: engineering judgement."""
SURE: Final = 4.0
"""A figure stands out when it is this many standard errors: engineering judgement."""
SPEED_SPREAD: Final = 2.0
"""Least standard deviation of the speed for a figure on it [m/s]: engineering judgement."""


def roll_curve(bench: Bench, fit: RollFit, gradients: Mapping[str, Estimate]) -> dict[str, Estimate]:
    """Return ``gradient_<axle>_at_<level>_g``: local gradients in body axes within the run's range [deg/g].

    Roll is s f + c f^3 where roll centres, contacts and springs move with it. The bend is that of the car,
    from the moment mean; each axle has it in proportion.
    """
    force = bench.force
    probe = bench.probe(force**3)
    if probe.error is None or probe.kept < ENOUGH_KEPT:
        return {}
    mean_slope, shared = _mean_slope(bench), bench.share_of_force(force**3)
    top = min(abs(float(q)) for q in np.quantile(force, (0.01, 0.99)))
    found: dict[str, Estimate] = {}
    for level in (g for g in LEVELS if g * STANDARD_GRAVITY <= top):
        lever = (3.0 * (level * STANDARD_GRAVITY) ** 2 - shared) / mean_slope
        for axle in fit.axles:
            whole = gradients[axle]
            if whole.value is None:
                continue
            value = whole.value * (1.0 + probe.value * lever)
            std = math.hypot(whole.std_error or 0.0, whole.value * lever * probe.error.std_error())
            half = half_width(std, probe.error.freedom, CURVE_LEFT_OUT * (1.0 + level**2) * whole.value)
            found[f"gradient_{axle}_at_{level:g}_g"] = Estimate(
                value,
                "deg/g",
                std_error=std,
                interval=(value - half, value + half),
                calibration=whole.calibration,
                n=probe.error.blocks,
                method=CURVE,
            )
    return found


def _mean_slope(bench: Bench) -> float:
    """Return the slope of the moment mean on the lateral force, all terms beside it."""
    return float(least_squares(bench.design, bench.mean).coefficients[0])


def speed_change(bench: Bench) -> dict[str, Estimate]:
    """Return ``gradient_change_with_speed``: relative change of the gradient per 10 m/s [1].

    Downforce, or anything else that goes with the square of the speed, as far as the run can tell it from the
    lateral force.
    """
    if SPEED not in bench.columns.known:
        return {}
    speed = bench.columns.known[SPEED][bench.used]
    if float(np.std(speed)) < SPEED_SPREAD:
        return {}
    return _told(bench, bench.force * (speed - speed.mean()), "gradient_change_with_speed", 10.0, "1", SPEED)


def unit_ahead(bench: Bench) -> dict[str, Estimate]:
    """Return ``imu_ahead_of_sheet``: how far ahead of its place in the sheet the accelerometer sits [m].

    One that sits x further ahead reads x times the yaw acceleration more, so roll less the force it reads
    times the slope falls by that much. The same shows where the body's yaw inertia is not that assumed:
    half a metre stands for a third of it, so this is a check and no survey.
    """
    if YAW not in bench.columns.known:
        return {}
    yaw = bench.columns.known[YAW][bench.used]
    return _told(bench, -_mean_slope(bench) * yaw, "imu_ahead_of_sheet", 1.0, "m", YAW, relative=False)


def bend_notes(further: Mapping[str, Estimate]) -> tuple[str, ...]:
    """Return what to say about figures that stand out beyond their errors."""
    notes = []
    for name, least, words in (
        ("imu_ahead_of_sheet", 0.15, "accelerometer seems {:+.2f} m ahead of its place in the car sheet"),
        ("gradient_change_with_speed", 0.02, "roll gradient changes by {:+.0%} per 10 m/s"),
    ):
        found = further.get(name)
        if found is None or found.value is None or found.std_error is None:
            continue
        if abs(found.value) > max(least, SURE * found.std_error):
            notes.append(words.format(found.value))
    return tuple(notes)


def _told(
    bench: Bench, column: Floats, name: str, per: float, unit: str, what: str, relative: bool = True
) -> dict[str, Estimate]:
    probe: Probe = bench.probe(column)
    method = f"{what} as a further term of the moment balance"
    if probe.error is None or probe.kept < ENOUGH_KEPT:
        reason = f"{what} goes along with the other terms of the roll equation in this run"
        return {name: Estimate.unknown(unit, reason, method)}
    scale = per / (_mean_slope(bench) if relative else 1.0)
    return {name: with_error(probe.value * scale, unit, probe.error, 0, method, scale=scale)}
