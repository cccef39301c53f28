"""Does the roll line bend? Slope at small lateral force against slope at large, per axle."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from analyzer.comparison.pooling import RunValue
from analyzer.constants import Axle
from analyzer.processing.results import AxleFit, RunEstimates

INNER: Final = 0.4
"""Part of the greatest lateral force up to which roll counts as small."""

FEWEST: Final = 60
"""Points needed for a line that may bend."""


def bend(fit: AxleFit) -> float | None:
    """Return the logarithm of inner slope over outer slope of an axle's roll; None when it cannot be told.

    Roll is fitted by a line that may bend at `INNER` of the greatest lateral force, the same way to both
    sides. Positive: the axle is softer about zero than further out (play, or stops and binding further out);
    negative: it is held about zero (friction) or gives way with load.
    """
    points = fit.points
    if len(points) < FEWEST:
        return None
    force = points["lateral_force"].to_numpy(dtype=float)
    roll = points["roll_steady" if "roll_steady" in points else "roll"].to_numpy(dtype=float)
    good = np.isfinite(force) & np.isfinite(roll)
    force, roll = force[good], roll[good]
    if len(force) < FEWEST:
        return None
    knee = INNER * float(np.quantile(np.abs(force), 0.98))
    beyond = np.sign(force) * np.maximum(np.abs(force) - knee, 0.0)
    if knee == 0.0 or np.count_nonzero(beyond) < FEWEST // 4 or np.count_nonzero(beyond == 0.0) < FEWEST // 4:
        return None
    design = np.column_stack([np.ones_like(force), force, beyond])
    solved, _, rank, _ = np.linalg.lstsq(design, roll, rcond=None)
    inner, outer = float(solved[1]), float(solved[1] + solved[2])
    if rank < design.shape[1] or inner <= 0.0 or outer <= 0.0:
        return None
    return math.log(inner / outer)


def bend_values(runs: Sequence[RunEstimates], axle: Axle) -> tuple[RunValue, ...]:
    """Return the bend of one axle from every run that shows it."""
    values = []
    for order, run in enumerate(runs):
        fit = run.fits.get(axle)
        found = None if fit is None else bend(fit)
        if found is not None:
            values.append(RunValue(run.name, run.setup, found, None, float(order)))
    return tuple(values)
