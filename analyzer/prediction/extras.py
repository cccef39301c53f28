"""Further figures of a set-up: inside load, lift-off, the spring that would replace a bar."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from analyzer.constants import AXLE_CORNERS, AXLES, STANDARD_GRAVITY
from analyzer.estimate import Estimate
from analyzer.prediction.axle import CarRoll
from analyzer.prediction.bladed import array
from analyzer.prediction.propagation import Propagated
from analyzer.prediction.sections import Array
from analyzer.sheets.car import CarSheet

LINEAR_NOTE = "straight-line prediction; bump stops, jacking and tyre limits are not in it"


def extra_values(car: CarSheet, roll: CarRoll, transfer: Mapping[str, float]) -> dict[str, Array]:
    """Return inside loads, lift-off and replacement springs by name, SI.

    Parameters
    ----------
    car : CarSheet
        The sheet, numbers or arrays.
    roll : CarRoll
        Its steady roll.
    transfer : mapping
        ``transfer front``, ``transfer rear``: change of one wheel's load per level-road lateral
        acceleration [N per m/s2].

    Returns
    -------
    dict
        ``inside load`` [N] at 1 g, of the axle's lighter wheel; ``lift off`` [m/s2], the lateral
        acceleration at which it leaves the ground; ``replacement spring`` [N/m], the rate at the spring
        that gives the same roll stiffness without the bar.
    """
    values: dict[str, Array] = {}
    for axle in AXLES:
        left, right = (array(car.mass.load(corner)) for corner in AXLE_CORNERS[axle])
        lighter = np.minimum(left, right)
        values[f"inside load {axle}"] = lighter - transfer[f"transfer {axle}"] * STANDARD_GRAVITY
        values[f"lift off {axle}"] = np.asarray(lighter / transfer[f"transfer {axle}"])
        stiffer = 1.0 + roll.axles[axle].bar / roll.axles[axle].spring
        values[f"replacement spring {axle}"] = np.asarray(array(car.axle(axle).spring.rate) * stiffer)
    return values


def extra_estimates(found: Propagated) -> dict[str, Estimate]:
    """Return the figures of `extra_values` as estimates: N, g and N/mm."""
    estimates: dict[str, Estimate] = {}
    for axle in AXLES:
        inside = found.estimate(f"inside load {axle}", "N").with_notes("at 1 g", LINEAR_NOTE)
        estimates[f"inside_load_{axle}"] = inside
        lift = found.estimate(f"lift off {axle}", "g", 1.0 / STANDARD_GRAVITY).with_notes(LINEAR_NOTE)
        estimates[f"lift_off_{axle}"] = lift
        spring = found.estimate(f"replacement spring {axle}", "N/mm", 1e-3)
        estimates[f"replacement_spring_{axle}"] = spring
    return estimates
