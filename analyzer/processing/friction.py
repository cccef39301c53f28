"""Dry friction of dampers and joints, from the terms of the roll equation that turn round with the wheels."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from analyzer.constants import AXLES, Axle
from analyzer.estimate import Estimate
from analyzer.processing.roll_gradient import RollFit
from analyzer.sheets.car import CarSheet

METHOD: Final = "term of the roll equation that turns round with the wheels"
LEVEL_T: Final = 1.96

LOW: Final = 15.0
"""What the estimate misses of friction that sticks, as a standard error [N]: on a rigid-body car with 50 to
300 N it came out up to 23 N low, and within 5 N of nought without friction."""


def frictions(fit: RollFit | str, car: CarSheet, stiffness: Mapping[Axle, float]) -> dict[str, Estimate]:
    """Return ``friction_front`` and ``friction_rear``: friction of one corner at the wheel [N].

    Parameters
    ----------
    fit : RollFit or str
        Of both axles; with one axle alone the equation of the whole car cannot be read.
    stiffness : mapping
        Suspension roll stiffness per axle [N m/rad].

    Returns
    -------
    dict
        An axle whose term could not be told from the lateral force is left out. A figure below nought
        means less than can be seen.

    Notes
    -----
    K phi + F (t / 2) (sgn w_R' - sgn w_L') = M f_y: F follows from the coefficient c of the signs in the mean
    roll of both axles, F = -c (K_f + K_r) / (t / 2).
    """
    if isinstance(fit, str) or len(fit.axles) < len(AXLES):
        return {}
    whole = sum(stiffness.values())
    found = {}
    for axle in AXLES:
        name = f"friction {axle}"
        if name not in fit.terms:
            continue
        per_newton = whole / (car.axle(axle).track_width.value / 2.0)
        value, error = -fit.terms[name] * per_newton, fit.term_errors.get(name)
        if error is None:
            found[f"friction_{axle}"] = Estimate(
                value, "N", method=METHOD, notes=("run too short for an error",)
            )
            continue
        std = error * per_newton
        half = LEVEL_T * math.hypot(std, LOW)
        found[f"friction_{axle}"] = Estimate(
            value=value,
            unit="N",
            std_error=std,
            interval=(value - half, value + half),
            calibration=LOW,
            method=METHOD,
        )
    return found


def friction_loop(fit: RollFit) -> dict[str, Estimate]:
    """Return ``friction_loop``: by how much roll differs between rolling one way and the other [deg].

    The signs of both wheels change by 4 in all, so the mean of roll changes by 4 |c_f + c_r|. The
    axles' terms go together, and their errors are taken to add up.
    """
    names = [f"friction {axle}" for axle in AXLES]
    if any(name not in fit.terms for name in names):
        return {}
    width = -4.0 * math.degrees(sum(fit.terms[name] for name in names))
    errors = [fit.term_errors.get(name) for name in names]
    known = [error for error in errors if error is not None]
    if len(known) < len(names):
        return {"friction_loop": Estimate(width, "deg", method=METHOD, notes=("run too short for an error",))}
    std = 4.0 * math.degrees(sum(known))
    interval = (width - LEVEL_T * std, width + LEVEL_T * std)
    return {"friction_loop": Estimate(width, "deg", std_error=std, interval=interval, method=METHOD)}
