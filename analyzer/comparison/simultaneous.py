"""Many settings against each other at once: intervals and probabilities that hold for all pairs together.

With m pairs, about one in twenty would be called different by scatter alone. The studentised range (Tukey
1953; Kramer 1956 for unequal numbers, where it is on the safe side: Hayter, Annals of Statistics 12, 1984)
keeps the chance of any false difference among all pairs at 5 %. With two settings it is Student's t.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Final

from scipy.stats import studentized_range

from analyzer.comparison.random_effects import LARGE_FREEDOM, LEVEL, Contrast, student

ROOT_TWO: Final = math.sqrt(2.0)


def pair_probability(t: float, settings: int, freedom: float) -> float:
    """Return the chance that any pair of `settings` differs by `t` standard errors by scatter alone."""
    if settings <= 2 or not math.isfinite(t):
        return Contrast(t, 1.0, freedom).p_value
    return float(studentized_range.sf(ROOT_TWO * abs(t), settings, _freedom(freedom)))


@cache
def widest(settings: int, freedom: float) -> float:
    """Return the half width of a 95 % interval that holds for all pairs together, in standard errors."""
    if settings <= 2:
        return student(freedom)
    return float(studentized_range.ppf(LEVEL, settings, _freedom(freedom))) / ROOT_TWO


def _freedom(freedom: float) -> float:
    """Return infinity for a known error: scipy then takes the short way."""
    return math.inf if freedom >= LARGE_FREEDOM / 10.0 else freedom
