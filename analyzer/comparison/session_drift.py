"""Drift over a session: is it there, and what does it leave of a change between two set-ups.

Tyres and dampers warm up, fuel goes, and the stiffness that the runs show moves on though nothing was
changed. Driven A-A-A-B-B-B, that looks like a change of set-up; only the slope inside the blocks tells the
two apart.

A straight line over the order of driving is fitted, common to all set-ups. How likely drift is beside none
follows from the odds of the two models, the scatter integrated out (Jeffreys' prior 1/sigma) and the drift
of a session taken as normal around nought with `SESSION_DRIFT` (a random slope; Laird and Ware, Biometrics
38, 1982). Then one of three things is done:

- drift that is beyond doubt is **taken out**: the line is a term of the model;
- where drift may be there and the order leans to one side, the change is corrected by the part of the line
  that the runs make likely, and its **interval is widened** by what they leave open of it. The scatter is
  then that of a model without drift, which is on the safe side: drift only adds to it;
- where drift **cancels** (A-B-B-A), the change and its error are those of the runs as they are.

Runs that leave no degree of freedom beside means and line (A-B-A) show no scatter that could not be drift:
all of it is then that of the prior.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final

import numpy as np
from scipy.optimize import brentq
from scipy.special import stdtr

from analyzer.comparison import ledger
from analyzer.comparison.ledger import GroupFit, RunValue
from analyzer.comparison.results import LIKELY, SessionDrift, Treatment
from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import LEVEL, RUN_SCATTER, Contrast, Floats, ScatterPrior
from analyzer.core.regression import student_factor

SESSION_DRIFT: Final = 0.03
"""Standard deviation of the drift of a roll gradient from the first to the last run of a session [1].
Engineering judgement; chosen so that 3 % over a session makes a false verdict in under 5 % of the sessions,
whatever the order of driving and the repeatability (tests/comparison/test_session_drift.py)."""

TAKEN_OUT: Final = 10.0
"""Odds from which drift is taken out as known ("strong" for Jeffreys, Theory of Probability, 1961)."""

TAKEN_OUT_ON_ONE: Final = 20.0
"""The same where a single degree of freedom is left for the scatter: runs that happen to lie on a line then
weigh too much. Engineering judgement, held by the same simulation."""

MOST_ODDS: Final = 1e6
"""Odds beyond which nobody asks by how much."""

SHAPE: Final = 0.2
"""Part of the drift of a session by which it may leave the straight line, as a bow and as an S [1]. What
warms up with a time constant of half a session leaves it by 0.23. Engineering judgement."""

CANCELS: Final = 0.1
"""Part of the drift of a session under which what leans into a change is called cancelled [1]."""

_GRID: Final[Floats] = np.exp(np.linspace(-10.0, 10.0, 161))
"""Scatter over which the odds are integrated, relative to that of the runs about the line."""

_TOP_OF_WAVE: Final = math.sqrt(3.0) / 18.0
"""Greatest value of u (1 - u) (1 - 2 u) for u from 0 to 1."""

_LARGEST: Final = 50.0

_NODES: Final = 40
"""Places of the normal error at which the law of a sum is taken (Gauss and Hermite)."""

_NORMAL: Final = 1e6
"""Degrees of freedom from which Student's law is the normal one."""

_EXACT: Final = 1e-18
"""Part of the squares about the means that rounding leaves about an exact line."""


@dataclass(frozen=True, slots=True)
class DriftedChange:
    """A change between two set-ups with drift seen to.

    Parameters
    ----------
    change : Contrast
        After less before.
    drift : SessionDrift
        What was found and done.
    fit : GroupFit
        The model the change rests on: with the line where drift was taken out, without it elsewhere.
    run_scatter : float
        Standard deviation of one run; about the line where drift is likely.
    """

    change: Contrast
    drift: SessionDrift
    fit: GroupFit
    run_scatter: float


def change_with_drift(
    runs: Sequence[RunValue],
    before: str,
    after: str,
    prior: ScatterPrior = RUN_SCATTER,
    scale: float = 1.0,
) -> DriftedChange:
    """Return what changed from set-up `before` to `after`, drift over the session seen to.

    Parameters
    ----------
    runs : sequence of RunValue
        Of one session, logarithms, both set-ups among them.
    before, after : str
        Set-ups.
    prior : ScatterPrior
        For sessions with too few runs to show their scatter.
    scale : float
        How far the figure moves per relative move of the roll gradient [1]; scales `SESSION_DRIFT`.
    """
    plain = ledger.fit_groups(runs, prior)
    span, tau = _span(plain), _tau(plain, scale)
    line = _line(plain)
    odds = None if line is None else line.odds(tau)
    if line is not None and odds is not None and line.beyond_doubt(odds):
        fit = ledger.fit_groups(runs, prior, line=True)
        if fit.drift is not None:
            leaning = abs(_response(plain, (before, after), ledger.along(plain.runs))) / span
            return _taken_out(fit, fit.drift, (before, after), odds, leaning)
    own, scatter = plain.change(before, after), run_scatter(plain)
    if line is not None and line.dof == 0:
        # What the runs show of scatter may all be drift: that of the prior stands alone.
        bare = ledger.fit_groups(runs, prior, line=True)
        own = Contrast(own.value, own.std_error * run_scatter(bare) / scatter, bare.fit.dof)
        scatter = run_scatter(bare)
    return _left_in(
        plain, line, own, scatter, _response(plain, (before, after), ledger.along(plain.runs)), odds, tau
    )


def fit_means(runs: Sequence[RunValue], prior: ScatterPrior = RUN_SCATTER, scale: float = 1.0) -> GroupFit:
    """Return the means of set-ups over their runs; drift that is beyond doubt is taken out of them.

    By the same odds as in a change between two of them. Drift that is not, is part of what was measured.

    Parameters
    ----------
    runs : sequence of RunValue
        Of one session, or of several that share set-ups.
    prior, scale
        As in `change_with_drift`.
    """
    plain = ledger.fit_groups(runs, prior)
    line = _line(plain)
    odds = None if line is None else line.odds(_tau(plain, scale))
    if line is None or odds is None or not line.beyond_doubt(odds):
        return plain
    return ledger.fit_groups(runs, prior, line=True)


def _span(fit: GroupFit) -> float:
    """Return how many runs the longest session lasts."""
    place = ledger.along(fit.runs)
    return float(
        max(
            np.ptp([p for p, run in zip(place, fit.runs, strict=True) if run.session == name])
            for name in ledger.sessions(fit.runs)
        )
    )


def _tau(fit: GroupFit, scale: float) -> float:
    """Return the standard deviation of the drift from one run to the next where there is any."""
    span = _span(fit)
    return SESSION_DRIFT * scale / span if span else 0.0


def drift_odds(slope: float, variance: float, loss: float, dof: int, tau: float) -> float | None:
    """Return the odds of drift against none, even odds before the runs are seen.

    Parameters
    ----------
    slope : float
        Of the line beside the means of the set-ups.
    variance : float
        Of the slope for runs of unit variance.
    loss : float
        Weighted squares about means and line.
    dof : int
        Degrees of freedom of `loss`.
    tau : float
        Standard deviation of the slope where there is drift.

    Returns
    -------
    float or None
        At most `MOST_ODDS`; None with no degree of freedom left.
    """
    if dof < 1 or tau == 0.0:
        return None
    risen = slope**2 / variance
    if loss <= _EXACT * risen or loss == 0.0:
        return MOST_ODDS if risen else 0.0
    # Both models share the density of the squares about the line; the slope is normal with the scatter alone,
    # or with scatter and drift. The scatter is integrated out over its logarithm.
    scatter = math.sqrt(loss) * _GRID
    common = -dof * np.log(scatter) - loss / (2.0 * scatter**2)
    spread = scatter**2 + tau**2 / variance
    drifting = common - 0.5 * np.log(spread) - 0.5 * risen / spread
    steady = common - np.log(scatter) - 0.5 * risen / scatter**2
    top = max(float(drifting.max()), float(steady.max()))
    none = float(np.exp(steady - top).sum())
    return min(float(np.exp(drifting - top).sum()) / max(none, 1.0 / MOST_ODDS), MOST_ODDS)


def driving_blocks(runs: Sequence[RunValue]) -> tuple[tuple[str, int], ...]:
    """Return the set-ups in the order of driving, each with its runs in a row."""
    ordered = sorted(runs, key=lambda run: run.order)
    return tuple((name, len(list(block))) for name, block in groupby(run.group for run in ordered))


@dataclass(frozen=True, slots=True)
class _Line:
    """The straight line beside the means: slope, its variance for runs of unit variance, squares left."""

    slope: float
    variance: float
    loss: float
    dof: int

    def odds(self, tau: float) -> float | None:
        """Return the odds of drift against none."""
        return drift_odds(self.slope, self.variance, self.loss, self.dof, tau)

    def beyond_doubt(self, odds: float) -> bool:
        """Return whether drift with these `odds` is taken out."""
        return odds >= (TAKEN_OUT if self.dof > 1 else TAKEN_OUT_ON_ONE)


def _line(plain: GroupFit) -> _Line | None:
    """Return the line, weighted as the fit without it; None when the set-ups leave no room for one."""
    design = np.column_stack([ledger.means(plain.runs, plain.groups), ledger.along(plain.runs)])
    if len(plain.runs) < design.shape[1] or np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    weights = plain.fit.weights
    values = np.array([run.value for run in plain.runs])
    inverse = np.linalg.inv((design * weights[:, None]).T @ design)
    found = inverse @ (design * weights[:, None]).T @ values
    left = values - design @ found
    dof = len(values) - design.shape[1]
    return _Line(float(found[-1]), float(inverse[-1, -1]), float(np.sum(weights * left**2)), dof)


def _design(fit: GroupFit) -> Floats:
    means = ledger.means(fit.runs, fit.groups)
    return means if fit.drift is None else np.column_stack([means, ledger.along(fit.runs)])


def _response(fit: GroupFit, names: tuple[str, str], shape: Floats) -> float:
    """Return what a `shape` over the runs makes of the change from the first of `names` to the second."""
    design = _design(fit)
    weighted = (design * fit.fit.weights[:, None]).T
    return float(
        (fit.row(names[1]) - fit.row(names[0])) @ np.linalg.solve(weighted @ design, weighted @ shape)
    )


def _taken_out(
    fit: GroupFit, slope: Contrast, names: tuple[str, str], odds: float, leaning: float
) -> DriftedChange:
    place = ledger.along(fit.runs)
    span = float(place[-1] - place[0])
    # What warms up does not do so along a straight line; what it may leave of one is an error of the change.
    part = (place - place[0]) / span
    bow, wave = 4.0 * part * (1.0 - part), part * (1.0 - part) * (1.0 - 2.0 * part)
    bent = math.hypot(_response(fit, names, bow), _response(fit, names, wave / _TOP_OF_WAVE))
    change = fit.change(*names).with_known(SHAPE * abs(slope.value) * span * bent)
    drift = _described(fit, slope, odds, Treatment.TAKEN_OUT, leaning)
    return DriftedChange(change, drift, fit, run_scatter(fit))


def _left_in(
    plain: GroupFit,
    line: _Line | None,
    own: Contrast,
    scatter: float,
    leaning: float,
    odds: float | None,
    tau: float,
) -> DriftedChange:
    """Return the change `own` with drift left in: corrected by what is believed, wider by what is open."""
    span = plain.runs[-1].order - plain.runs[0].order
    lean = abs(leaning) / span if span else 0.0
    treatment = Treatment.CANCELS if lean < CANCELS else Treatment.WIDENED
    if line is None:
        open_part, believed, slope = tau**2, 0.0, None
    else:
        # A random slope in closed form: the part of the line that is believed, and what is left open of it.
        variance = line.variance * scatter**2 * float(np.mean(plain.fit.weights))
        whole = tau**2 + variance
        believed = tau**2 / whole if whole else 0.0
        open_part = variance * believed
        slope = Contrast(line.slope, math.sqrt(variance), own.dof)
        if odds is not None and odds >= LIKELY:
            # Drift is then in the scatter of the plain fit; that of a run is the one about the line.
            scatter = math.sqrt(line.loss / line.dof / float(np.mean(plain.fit.weights)))
            slope = Contrast(line.slope, math.sqrt(line.variance * line.loss / line.dof), float(line.dof))
    value = own.value - leaning * believed * (0.0 if line is None else line.slope)
    room = abs(leaning) * math.sqrt(open_part)
    # Where the runs say something of drift the degrees of freedom stay those of the scatter: on the safe
    # side. With one run of each nothing does, and Student's factor would widen the known room, too.
    dof = own.dof if line is not None else _dof_of_sum(own, room)
    change = Contrast(value, math.hypot(own.std_error, room), dof)
    return DriftedChange(change, _described(plain, slope, odds, treatment, lean), plain, scatter)


def _dof_of_sum(own: Contrast, room: float) -> float:
    """Return the degrees of freedom whose interval is that of a Student's error and a normal one together.

    By the law of the sum itself: with two degrees of freedom the usual approximation (Welch and
    Satterthwaite, `half_width`) makes the interval up to 30 % too narrow.

    Parameters
    ----------
    own : Contrast
        With an error of its own whose law is Student's.
    room : float
        Standard deviation of the normal error, independent of it and known.
    """
    if room == 0.0 or own.std_error == 0.0:
        return own.dof
    places, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    beside = room * places / own.std_error

    def missed(half: float) -> float:
        """Return how much more often than it may the sum lies beyond `half` of its Student's error."""
        return float(weights @ stdtr(own.dof, beside - half)) / math.sqrt(2.0 * math.pi) - (1.0 - LEVEL) / 2.0

    most = student_factor(own.dof) * math.hypot(1.0, room / own.std_error)
    factor = float(brentq(missed, 0.0, most)) / math.hypot(1.0, room / own.std_error)
    return float(brentq(lambda dof: student_factor(dof) - factor, own.dof, _NORMAL))


def run_scatter(fit: GroupFit) -> float:
    """Return the standard deviation of one run about its model, its own error included."""
    design, weights = _design(fit), fit.fit.weights
    inverse = np.linalg.inv((design * weights[:, None]).T @ design)
    # The covariance is the inverse times the scatter for runs of unit weight.
    return math.sqrt(float(fit.fit.covariance[0, 0] / inverse[0, 0]) / float(np.mean(weights)))


def _described(
    fit: GroupFit, slope: Contrast | None, odds: float | None, treatment: Treatment, leaning: float
) -> SessionDrift:
    order, runs = driving_blocks(fit.runs), len(fit.runs)
    if slope is None:
        unknown = Estimate.unknown("1", "drift cannot be told from the set-ups in this order of driving")
        return SessionDrift(order, unknown, unknown, odds, treatment, leaning)
    span = fit.runs[-1].order - fit.runs[0].order
    size = _relative(slope, span, runs)
    return SessionDrift(order, size, _relative(slope, 1.0, runs), odds, treatment, leaning)


def _relative(slope: Contrast, runs_apart: float, count: int) -> Estimate:
    # Three runs may leave a line so open that its end has no exponential.
    low, high = (math.expm1(min(end * runs_apart, _LARGEST)) for end in slope.interval)
    value = math.expm1(slope.value * runs_apart)
    return Estimate(
        value=value,
        unit="1",
        std_error=(1.0 + value) * slope.std_error * runs_apart,
        interval=(low, high),
        level=LEVEL,
        n=count,
        method="straight line over the order of driving",
    )
