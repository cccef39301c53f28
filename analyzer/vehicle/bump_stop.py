"""Bump stop and ends of a damper, from the sheet or read off the log, and the force of the stop."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.core.constants import Axle
from analyzer.core.signals import Floats
from analyzer.sheets.car import AxleSheet, CarSheet, LoadCurve

FULL_BUMP_MARGIN: Final = 0.0005
"""Closer than this to full bump is full bump [m]: typical sensor error."""
HARD_COMPRESSION: Final = 0.012
"""Stop compression called hard when the sheet has no full bump [m]: engineering judgement."""
HARD_PART: Final = 0.9
"""Part of a measured bump-stop curve's last compression called hard."""


@dataclass(frozen=True, slots=True)
class Stop:
    """Where a damper meets its bump stop.

    Parameters
    ----------
    gap : float
        Damper travel from static to contact [m].
    full_bump : float or None
        Damper travel at full bump [m].
    hard_from : float
        Damper travel from which a contact is called hard [m].
    inferred : bool
        Whether `gap` was read off the log rather than the sheet.
    """

    gap: float
    full_bump: float | None
    hard_from: float
    inferred: bool = False


def stop_of(car: CarSheet, axle: Axle, gap: float | None) -> Stop | None:
    """Return the bump stop of an axle's dampers that begins at a `gap` [m]; None where that is not known."""
    damper = car.axle(axle).damper
    full = None if damper.full_bump is None else damper.full_bump.value
    if gap is None:
        return None
    if full is not None:
        hard = full - FULL_BUMP_MARGIN
    elif isinstance(damper.bump_stop_rate, LoadCurve):
        hard = gap + HARD_PART * damper.bump_stop_rate.compression[-1].value
    else:
        hard = gap + HARD_COMPRESSION
    return Stop(gap, full, hard, damper.bump_stop_gap is None)


def droop_end(car: CarSheet, axle: Axle) -> Stop | None:
    """Return the droop end of an axle's dampers, in extension; None when the sheet does not state it.

    The end is met within the usual error of a pot, and every contact with it is hard.
    """
    droop = car.axle(axle).damper.full_droop
    if droop is None:
        return None
    near = droop.value - 2.0 * FULL_BUMP_MARGIN
    return Stop(near, droop.value, near)


def stop_force(sheet: AxleSheet, compression: Floats) -> Floats:
    """Return the bump stop's force at the damper [N] for its compression [m]; zero without a rate."""
    pressed = np.maximum(compression, 0.0)
    rate = sheet.damper.bump_stop_rate
    if rate is None:
        return np.zeros_like(pressed)
    if not isinstance(rate, LoadCurve):
        return pressed * rate.value
    known = np.array([row.value for row in rate.compression])
    load = np.array([row.value for row in rate.load])
    slope = (load[-1] - load[-2]) / (known[-1] - known[-2])
    inside = np.interp(pressed, known, load)
    result: Floats = np.where(pressed > known[-1], load[-1] + (pressed - known[-1]) * slope, inside)
    return np.where(compression > 0.0, result, 0.0)
