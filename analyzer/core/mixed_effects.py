"""Several runs per set-up put together: random effects over runs, with intervals that hold for few runs.

The model is y_i = x_i b + u_i + e_i: u_i is what differs from run to run (driver, tyres, track; one variance
for the whole session), e_i the error within the run, known from its blocks. The variance of u is found by the
method of Paule and Mandel (J. Res. NBS 87, 1982), widened to a design matrix; the covariance of b is scaled
by the weighted residuals and used with Student's t (Hartung and Knapp, Statistics in Medicine 20, 2001; Sidik
and Jonkman 2002). For equal within-run errors this is the classical t interval and holds exactly whatever the
scatter is.

Two runs or fewer to a session cannot show their own scatter. Then a prior for it is added: it counts as
`ScatterPrior.dof` further degrees of freedom that saw `ScatterPrior.scatter`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import chdtr, nctdtr, stdtr

from analyzer.core.estimate import Estimate
from analyzer.core.regression import student_factor

Floats = npt.NDArray[np.float64]

LEVEL: Final = 0.95
POWER: Final = 0.80

ENOUGH_DOF: Final = 2
"""Degrees of freedom from which the runs speak for themselves and the prior is left out."""

LARGE_DOF: Final = 1e6

LARGEST_SHIFT: Final = 30.0
"""Standard errors beyond which scipy's non-central t fails."""


@dataclass(frozen=True, slots=True)
class ScatterPrior:
    """What is taken for run-to-run scatter where too few runs show it.

    Parameters
    ----------
    scatter : float
        Standard deviation between runs, in the unit of the values (relative where they are logarithms).
    dof : float
        Degrees of freedom it counts for.
    """

    scatter: float
    dof: float


RUN_SCATTER: Final = ScatterPrior(scatter=0.025, dof=2.0)
"""Prior of the relative scatter of a roll gradient from run to run: 95 % between 1.3 and 16 %, median 3 %.
Engineering judgement: lap-to-lap scatter of recorded cars is about 5 %, that of a rigid-body model 0.4 %."""


@dataclass(frozen=True, slots=True)
class Contrast:
    """A combination of coefficients with its error.

    Parameters
    ----------
    value, std_error : float
        In the unit of the values.
    dof : float
        Degrees of freedom of the error; very large for a known error.
    """

    value: float
    std_error: float
    dof: float

    @property
    def interval(self) -> tuple[float, float]:
        """The 95 % interval."""
        half = student_factor(self.dof) * self.std_error
        return self.value - half, self.value + half

    @property
    def t(self) -> float:
        """Value over error; infinite when the error is nought and the value is not."""
        if self.std_error == 0.0:
            return math.copysign(math.inf, self.value) if self.value else 0.0
        return self.value / self.std_error

    @property
    def p_value(self) -> float:
        """Two-sided probability of a value at least as far from nought by scatter alone."""
        return float(2.0 * stdtr(self.dof, -min(abs(self.t), 1e12)))

    def with_known(self, std: float) -> Contrast:
        """Return the same value with an independent, known error added."""
        return combined(self.value, (self, Contrast(0.0, std, LARGE_DOF)))


@dataclass(frozen=True, slots=True)
class RunsFit:
    """Fit of a session's runs.

    Parameters
    ----------
    coefficients : ndarray
        b, shape (columns,).
    covariance : ndarray
        Of b, shape (columns, columns).
    dof : float
        Degrees of freedom of the covariance.
    scatter : float
        Standard deviation between runs beyond their own errors.
    prior_used : bool
        Whether the prior for the scatter had to stand in.
    residuals : ndarray
        Value minus fit, shape (runs,).
    leverage : ndarray
        Diagonal of the hat matrix, shape (runs,).
    weights : ndarray
        Weight of each run, shape (runs,).
    """

    coefficients: Floats
    covariance: Floats
    dof: float
    scatter: float
    prior_used: bool
    residuals: Floats
    leverage: Floats
    weights: Floats

    def contrast(self, row: Floats) -> Contrast:
        """Return the combination ``row @ coefficients``."""
        variance = float(row @ self.covariance @ row)
        return Contrast(float(row @ self.coefficients), math.sqrt(max(variance, 0.0)), self.dof)


def combined(value: float, parts: tuple[Contrast, ...]) -> Contrast:
    """Return `value` with the independent errors of `parts` added as squares.

    The degrees of freedom follow Welch (1947) and Satterthwaite (1946); JCGM 100:2008, G.4.1. That rule lets
    an error more make the interval narrower where very few runs show the scatter: two degrees of freedom and
    a known error 0.3 times theirs give 0.90 times the width, and hold 92 % instead of 95. The interval is
    therefore at least that of each part alone.
    """
    variance = sum(part.std_error**2 for part in parts)
    fourth = sum(part.std_error**4 / part.dof for part in parts)
    dof = LARGE_DOF if fourth == 0.0 else min(variance**2 / fourth, LARGE_DOF)
    std = math.sqrt(variance)
    least = max((student_factor(part.dof) * part.std_error for part in parts), default=0.0)
    if student_factor(dof) * std < least * (1.0 - 1e-9):  # not for rounding alone
        fewest = min(part.dof for part in parts)
        dof = float(brentq(lambda tried: student_factor(tried) * std - least, fewest, dof, xtol=1e-9))
    return Contrast(value, std, dof)


def fit_runs(
    values: Floats, variances: Floats | None, design: Floats, prior: ScatterPrior = RUN_SCATTER
) -> RunsFit:
    """Fit the random-effects model.

    Parameters
    ----------
    values : ndarray
        One figure per run, shape (runs,).
    variances : ndarray or None
        Square of the error within each run, shape (runs,); None when one of them is unknown: all runs then
        count alike, and the scatter between runs holds everything.
    design : ndarray
        Shape (runs, columns), of full column rank.
    prior : ScatterPrior
        For fewer than `ENOUGH_DOF` degrees of freedom.

    Raises
    ------
    ValueError
        When the design has not full rank: the question cannot be asked of these runs.
    """
    within = np.zeros_like(values) if variances is None else np.asarray(variances, dtype=float)
    runs, columns = design.shape
    if np.linalg.matrix_rank(design) < columns:
        raise ValueError("the design is rank deficient")
    dof = runs - columns
    if dof >= ENOUGH_DOF:
        between = between_variance(values, within, design)
        solved = _solve(values, within + between, design)
        scale = solved.loss / dof
        # Without any scatter at all the weights are arbitrary; they are then equal.
        return _fit(solved, scale, float(dof), math.sqrt(between), prior_used=False)
    solved = _solve(values, within + prior.scatter**2, design)
    scale = (prior.dof + solved.loss) / (prior.dof + dof)
    # The part of the error that comes from within the runs is known, not a guess: Welch-Satterthwaite.
    known = float(np.mean(within)) / prior.scatter**2
    effective = (prior.dof + dof) * (1.0 + known) ** 2
    scatter = math.sqrt(max(scale * (1.0 + known) - known, 0.0)) * prior.scatter
    return _fit(solved, scale, effective, scatter, prior_used=True)


def between_variance(values: Floats, within: Floats, design: Floats) -> float:
    """Return the variance between runs by Paule and Mandel's equation; nought when the runs show none."""
    dof = int(design.shape[0] - design.shape[1])
    plain = _solve(values, np.ones_like(values), design)
    most = plain.loss / dof
    if most == 0.0:
        return 0.0
    if not np.any(within):
        return most

    # A run without any error of its own would weigh without end.
    def excess(between: float) -> float:
        return _solve(values, np.maximum(within + between, 1e-300), design).loss - dof

    if np.all(within > 0.0) and excess(0.0) <= 0.0:
        return 0.0
    high = most
    while excess(high) > 0.0:
        high *= 2.0
    return float(brentq(excess, 0.0 if np.all(within > 0.0) else most * 1e-12, high, xtol=1e-15 * most))


@dataclass(frozen=True, slots=True)
class _Solved:
    coefficients: Floats
    inverse: Floats
    residuals: Floats
    leverage: Floats
    weights: Floats
    loss: float


def _solve(values: Floats, variances: Floats, design: Floats) -> _Solved:
    # Where nothing is known of any error, all runs count alike.
    if not np.any(variances):
        variances = np.ones_like(variances)
    weights = 1.0 / variances
    root = np.sqrt(weights)
    inverse: Floats = np.asarray(np.linalg.inv((design * weights[:, None]).T @ design), dtype=np.float64)
    coefficients = inverse @ (design * weights[:, None]).T @ values
    residuals = values - design @ coefficients
    leverage = np.einsum("ij,jk,ik->i", design * root[:, None], inverse, design * root[:, None])
    loss = float(np.sum(weights * residuals**2))
    return _Solved(coefficients, inverse, residuals, leverage, weights, loss)


def _fit(solved: _Solved, scale: float, dof: float, scatter: float, *, prior_used: bool) -> RunsFit:
    return RunsFit(
        coefficients=solved.coefficients,
        covariance=scale * solved.inverse,
        dof=min(dof, LARGE_DOF),
        scatter=scatter,
        prior_used=prior_used,
        residuals=solved.residuals,
        leverage=solved.leverage,
        weights=solved.weights,
    )


def detection_power(change: float, std_error: float, dof: float, level: float = LEVEL) -> float:
    """Return the probability that a true `change` is seen, by the non-central t distribution.

    "Seen" means that the two-sided interval of `level` leaves out nought on the side of the change.
    """
    if std_error == 0.0:
        return 1.0 if change else 1.0 - level
    shift, least = abs(change) / std_error, student_factor(dof, level)
    if shift > LARGEST_SHIFT:
        # The change is then so large that only an error seen far too large hides it.
        return float(chdtr(dof, dof * (shift / least) ** 2))
    return 1.0 - float(nctdtr(dof, shift, least))


def smallest_visible(std_error: float, dof: float, level: float = LEVEL, power: float = POWER) -> float:
    """Return the smallest true change that is seen with probability `power`.

    Parameters
    ----------
    std_error : float
        Of the change.
    dof : float
        Its degrees of freedom.

    Returns
    -------
    float
        In the unit of the error.
    """
    if std_error == 0.0:
        return 0.0
    # The change is about the sum of both quantiles; twice of it lies beyond what is looked for.
    high = 2.0 * (student_factor(dof, level) + student_factor(dof, 2.0 * power - 1.0))
    if detection_power(high, 1.0, dof, level) < power:
        return high * std_error
    return std_error * float(brentq(lambda d: detection_power(d, 1.0, dof, level) - power, 0.0, high))


# Many settings against each other at once: intervals and probabilities that hold for all pairs together.
#
# With m pairs, about one in twenty would be called different by scatter alone. The studentised range (Tukey
# 1953; Kramer 1956 for unequal numbers, where it is on the safe side: Hayter, Annals of Statistics 12, 1984)
# keeps the chance of any false difference among all pairs at 5 %. With two settings it is Student's t.


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


def pair_probability(t: float, settings: int, dof: float) -> float:
    """Return the chance that any pair of `settings` differs by `t` standard errors by scatter alone."""
    if settings <= 2 or not math.isfinite(t):
        return Contrast(t, 1.0, dof).p_value
    return float(_studentised_range().sf(ROOT_TWO * abs(t), settings, _dof(dof)))


@cache
def widest(settings: int, dof: float) -> float:
    """Return the half width of a 95 % interval that holds for all pairs together, in standard errors."""
    if settings <= 2:
        return student_factor(dof)
    return float(_studentised_range().ppf(LEVEL, settings, _dof(dof))) / ROOT_TWO


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
    # The interval holds the known part too; scatter and known part also stand apart, since one of them
    # shrinks with more runs and the other does not.
    whole = own if known is None else own.with_known(known)
    ratio, half = math.exp(own.value), widest(settings, own.dof) * whole.std_error
    chance = pair_probability(whole.t, settings, own.dof)
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


def _dof(dof: float) -> float:
    """Return infinity for a known error: scipy then takes the short way."""
    return math.inf if dof >= LARGE_DOF / 10.0 else dof


def _studentised_range() -> Any:
    # Its library takes a third of a second to import, and most sessions compare two settings.
    from scipy.stats import studentized_range

    return studentized_range
