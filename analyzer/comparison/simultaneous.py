"""Many settings against each other at once: intervals and probabilities that hold for all pairs together.

With m pairs, about one in twenty would be called different by scatter alone. The studentised range (Tukey
1953; Kramer 1956 for unequal numbers, where it is on the safe side: Hayter, Annals of Statistics 12, 1984)
keeps the chance of any false difference among all pairs at 5 %. With two settings it is Student's t.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from analyzer.comparison.random_effects import LARGE_FREEDOM, LEVEL, Contrast, student
from analyzer.estimate import Estimate

SIGNIFICANT: Final = 0.05
"""Corrected probability under which two settings are called different."""
ROOT_TWO: Final = math.sqrt(2.0)


@dataclass(frozen=True, slots=True)
class SettingPair:
    """Two set-ups of a session, or two settings of one bar, with all pairs looked at together.

    Parameters
    ----------
    before, after : str
        Set-ups; or settings, the softer one first.
    ratio : Estimate
        Roll stiffness of the car, or of the bar's axle, after / before [1]; the interval holds for all pairs
        together.
    predicted : Estimate
        The same from the sheet.
    p_value : float
        Chance that any pair differs as clearly by scatter alone (studentised range).
    different : bool
        Whether that is under 5 %.
    """

    before: str
    after: str
    ratio: Estimate
    predicted: Estimate
    p_value: float
    different: bool


def pair_probability(t: float, settings: int, freedom: float) -> float:
    """Return the chance that any pair of `settings` differs by `t` standard errors by scatter alone."""
    if settings <= 2 or not math.isfinite(t):
        return Contrast(t, 1.0, freedom).p_value
    return float(_studentised_range().sf(ROOT_TWO * abs(t), settings, _freedom(freedom)))


@cache
def widest(settings: int, freedom: float) -> float:
    """Return the half width of a 95 % interval that holds for all pairs together, in standard errors."""
    if settings <= 2:
        return student(freedom)
    return float(_studentised_range().ppf(LEVEL, settings, _freedom(freedom))) / ROOT_TWO


def compared(
    names: tuple[str, str],
    own: Contrast,
    known: float | None,
    settings: int,
    count: int,
    method: str,
    predicted: Estimate,
) -> SettingPair:
    """Return one of all pairs of `settings`.

    Parameters
    ----------
    names : tuple of str
        Before and after.
    own : Contrast
        Logarithm of after / before from the runs.
    known : float or None
        Relative error of sheet and sensors that does not cancel; None when none is told apart. It only adds
        to the degrees of freedom, so those of the runs alone are on the safe side.
    settings, count : int
        How many settings there are; runs of this pair.
    method : str
        How the ratio was found.
    predicted : Estimate
        The ratio from the sheet.
    """
    whole = own if known is None else own.with_known(known)
    ratio, half = math.exp(own.value), widest(settings, own.freedom) * whole.std_error
    chance = pair_probability(whole.t, settings, own.freedom)
    return SettingPair(
        before=names[0],
        after=names[1],
        ratio=Estimate(
            value=ratio,
            unit="1",
            std_error=ratio * own.std_error,
            interval=(math.exp(own.value - half), math.exp(own.value + half)),
            calibration=None if known is None else ratio * known,
            level=LEVEL,
            n=count,
            method=method,
        ),
        predicted=predicted,
        p_value=chance,
        different=chance < SIGNIFICANT,
    )


def _freedom(freedom: float) -> float:
    """Return infinity for a known error: scipy then takes the short way."""
    return math.inf if freedom >= LARGE_FREEDOM / 10.0 else freedom


def _studentised_range() -> Any:
    # Its library takes a third of a second to import, and most sessions compare two settings.
    from scipy.stats import studentized_range

    return studentized_range
