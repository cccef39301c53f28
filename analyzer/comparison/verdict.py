"""The verdict on a change, decided by intervals; how many runs, in which order, would settle or show one."""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analyzer.comparison.results import ChangeVerdict, Moved, RunPlan, VerdictReason
from analyzer.core import mixed_effects
from analyzer.core.mixed_effects import Contrast
from analyzer.core.regression import student_factor

# The verdict on a change of set-up: one function, decided by intervals and by what the runs could show.


NOTHING: Final = 1e-9
"""A predicted change of the logarithm below this is no change at all."""

UNCHANGED: Final = 0.01
"""A change of the logarithm whose whole interval lies within this is none: where none was predicted, the
answer is "unchanged". Engineering judgement: less than a hole or a spacer does to an axle."""

AS_GOOD_AS: Final = 0.25
"""Part of the predicted change by which the true one may differ and still be "as predicted". Engineering
judgement: a bar's rate 40 % off moves a change of hole by 10 to 30 % of it (springs and tyres dilute it), and
a neighbouring hole differs by more."""

EACH_SIDE: Final = 0.90
"""Level of the interval that must lie within `AS_GOOD_AS`: two one-sided tests at 5 % each (Schuirmann, J.
Pharmacokinetics and Biopharmaceutics 15, 1987). A change that is further off is called as predicted in at
most one session of twenty."""

MOST_RUNS: Final = 30
"""Runs of each set-up beyond which nobody will drive for a verdict; a larger step is asked for instead."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the verdict is decided on; all figures are logarithms of the stiffness ratio after / before.

    Parameters
    ----------
    measured : Contrast
        Measured, with every error that does not cancel.
    predicted : float
        Predicted.
    gap : Contrast
        Measured minus predicted, with the errors of both.
    repeatability : Contrast
        Measured, with the error from the runs alone.
    runs : tuple of int
        Runs before and after.
    run_scatter : float or None
        Standard deviation of one run; None takes it from `repeatability`.
    """

    measured: Contrast
    predicted: float
    gap: Contrast
    repeatability: Contrast
    runs: tuple[int, int]
    run_scatter: float | None = None

    @property
    def smallest(self) -> float:
        """The smallest change of the logarithm that is seen with 80 % power at the 95 % level."""
        return mixed_effects.smallest_visible(self.measured.std_error, self.measured.dof)


def decide(evidence: Evidence) -> VerdictReason:
    """Return the verdict with what it rests on.

    A change is seen when the 95 % interval of the ratio leaves out one. Where that of measured minus
    predicted leaves out nought, it is less or more than predicted. Not to see a difference is not yet to be
    as predicted: that takes an interval that leaves no difference larger than `AS_GOOD_AS`; else it stays
    open. "No change seen" needs both: the runs could have shown the predicted change, and they contradict it.
    "Unchanged" is said where no change was predicted and the whole interval lies within `UNCHANGED` of none.
    All else is "cannot tell".
    """
    low, high = evidence.measured.interval
    apart = student_factor(evidence.gap.dof)
    # Nothing seen is a finding only where the predicted change would have been seen.
    visible = abs(evidence.predicted) > NOTHING and evidence.smallest <= abs(evidence.predicted)
    if high < 0.0 or low > 0.0:
        verdict = _seen(evidence, softer=high < 0.0)
    elif abs(evidence.predicted) <= NOTHING and max(-low, high) <= UNCHANGED:
        verdict = ChangeVerdict.UNCHANGED
    elif visible and abs(evidence.gap.t) > apart:
        verdict = ChangeVerdict.NO_CHANGE
    else:
        verdict = ChangeVerdict.CANNOT_TELL
    runs, least = _what_settles(evidence) if verdict is ChangeVerdict.CANNOT_TELL else (None, 0.0)
    if verdict in _WORDS["open"]:
        runs = _runs_to_agree(evidence)
    return VerdictReason(
        verdict=verdict,
        alone=verdict,
        measured=evidence.measured.value,
        predicted=0.0 if abs(evidence.predicted) <= NOTHING else evidence.predicted,
        apart=apart * evidence.gap.std_error,
        parts=_parts(evidence) if evidence.measured.value * evidence.predicted > 0.0 else None,
        most=max(low, high, key=lambda end: abs(math.expm1(end))),
        smallest=evidence.smallest,
        visible=visible,
        runs=runs,
        least_step=least,
    )


_WORDS: Final = {
    "within": (ChangeVerdict.SOFTENED_WITHIN, ChangeVerdict.STIFFENED_WITHIN),
    "against": (ChangeVerdict.SOFTENED_AGAINST, ChangeVerdict.STIFFENED_AGAINST),
    "as predicted": (ChangeVerdict.AS_PREDICTED, ChangeVerdict.STIFFENED),
    "open": (ChangeVerdict.SOFTENED_OPEN, ChangeVerdict.STIFFENED_OPEN),
    "less": (ChangeVerdict.LESS, ChangeVerdict.STIFFENED_LESS),
    "more": (ChangeVerdict.MORE, ChangeVerdict.STIFFENED_MORE),
}
"""How a change that is seen stands to the prediction -> verdict where it is softer, where it is stiffer."""


def _seen(evidence: Evidence, *, softer: bool) -> ChangeVerdict:
    agrees = abs(evidence.gap.t) <= student_factor(evidence.gap.dof)
    same_way = evidence.predicted < -NOTHING if softer else evidence.predicted > NOTHING
    if not same_way:
        # Where only the signs differ nothing speaks for set-ups that were mixed up.
        how = "within" if agrees else "against"
    elif agrees:
        low, high = _parts(evidence)
        how = "as predicted" if low >= 1.0 - AS_GOOD_AS and high <= 1.0 + AS_GOOD_AS else "open"
    else:
        # By size alone: which way it went has been settled before.
        how = "less" if abs(evidence.measured.value) < abs(evidence.predicted) else "more"
    return _WORDS[how][0 if softer else 1]


def _parts(evidence: Evidence) -> tuple[float, float]:
    """Return the ends of the 90 % interval of the true change in parts of the predicted one."""
    half = student_factor(evidence.gap.dof, EACH_SIDE) * evidence.gap.std_error
    ends = ((evidence.gap.value + end) / evidence.predicted for end in (-half, half))
    low, high = sorted(1.0 + end for end in ends)
    return low, high


_LIKE_PREDICTION: Final = (
    ChangeVerdict.AS_PREDICTED,
    ChangeVerdict.STIFFENED,
    ChangeVerdict.SOFTENED_OPEN,
    ChangeVerdict.STIFFENED_OPEN,
    ChangeVerdict.UNCHANGED,
    ChangeVerdict.CANNOT_TELL,
)
"""Verdicts on the sum that axles which did not do as predicted gainsay."""


def with_axles(reason: VerdictReason, moved: list[float], *, bars_changed: bool) -> VerdictReason:
    """Return the verdict on a whole car with axles that rolled otherwise than they should.

    Parameters
    ----------
    reason : VerdictReason
        Of the sum of both axles.
    moved : list of float
        Logarithms of what those axles rolled over what they should, one or two.
    bars_changed : bool
        Whether bars were changed; the sum then is an answer where it is not as predicted either.
    """
    one_way = len(moved) > 1 and moved[0] * moved[1] > 0.0
    how = Moved.ONE if len(moved) == 1 else Moved.ONE_WAY if one_way else Moved.APART
    if reason.verdict not in _LIKE_PREDICTION and (one_way or bars_changed):
        return reason if bars_changed else replace(reason, moved=how)
    return replace(reason, verdict=ChangeVerdict.AXLES, moved=how)


def held_back(reason: VerdictReason, unmeasured: tuple[str, ...]) -> VerdictReason:
    """Return the verdict that may be given while what it hangs on is `unmeasured`.

    None at all; "cannot tell" stays, since more is lacking there than the sheets.
    """
    if not unmeasured:
        return reason
    stays = reason.verdict is ChangeVerdict.CANNOT_TELL
    return replace(
        reason, verdict=reason.verdict if stays else ChangeVerdict.HELD_BACK, unmeasured=unmeasured
    )


def _what_settles(evidence: Evidence) -> tuple[int | None, float]:
    """Return half of the runs that would settle an open verdict, or the least step that would."""
    if abs(evidence.predicted) <= NOTHING:
        return None, 0.0
    needed = runs_needed(evidence)
    if needed is None:
        return None, _floor(evidence)
    return max(needed, max(evidence.runs) + 1), 0.0


def runs_needed(evidence: Evidence, power: float = 0.80) -> int | None:
    """Return half of the runs that would show the predicted change with `power`; None if too many."""
    wanted = abs(evidence.predicted)
    for runs in range(2, MOST_RUNS + 1):
        whole = _with_runs(evidence, runs, remainder(evidence))
        if mixed_effects.detection_power(wanted, whole.std_error, whole.dof) >= power:
            return runs
    return None


def _runs_to_agree(evidence: Evidence, power: float = 0.80) -> int | None:
    """Return half of the runs that would call a change as predicted, where it is, with `power`."""
    room = AS_GOOD_AS * abs(evidence.predicted)
    rest = math.sqrt(max(evidence.gap.std_error**2 - evidence.repeatability.std_error**2, 0.0))
    for runs in range(max(evidence.runs) + 1, MOST_RUNS + 1):
        whole = _with_runs(evidence, runs, rest)
        # Both ends of the interval must lie within: each misses with half of what is left of the power.
        ends = student_factor(whole.dof, EACH_SIDE) + student_factor(whole.dof, power)
        if ends * whole.std_error <= room:
            return runs
    return None


def _with_runs(evidence: Evidence, runs: int, rest: float) -> Contrast:
    """Return the error of the change after twice so many `runs`, beside a `rest` that they do not lessen."""
    # In the order that is recommended, one scatter for both: two degrees of freedom go into the means.
    first, middle, last = driving_plan(2 * runs)
    std = run_error(evidence) * math.sqrt(1.0 / (first + last) + 1.0 / middle)
    return Contrast(0.0, std, 2.0 * runs - 2.0).with_known(rest)


def run_error(evidence: Evidence) -> float:
    """Return the standard deviation of one run's logarithm of stiffness."""
    if evidence.run_scatter is not None:
        return evidence.run_scatter
    before, after = evidence.runs
    return evidence.repeatability.std_error / math.sqrt(1.0 / before + 1.0 / after)


def remainder(evidence: Evidence) -> float:
    """Return the part of the error that more runs do not lessen."""
    return math.sqrt(max(evidence.measured.std_error**2 - evidence.repeatability.std_error**2, 0.0))


def _floor(evidence: Evidence) -> float:
    """Return the smallest change that `MOST_RUNS` runs of each set-up would show."""
    own = Contrast(0.0, run_error(evidence) * math.sqrt(2.0 / MOST_RUNS), 2.0 * MOST_RUNS - 2.0)
    whole = own.with_known(remainder(evidence))
    return mixed_effects.smallest_visible(whole.std_error, whole.dof)


# How many runs, in which order, show a change of a given size.


WANTED_POWER: Final = 0.90

MOST_PLANNED_RUNS: Final = 12
"""Runs of each set-up that fit into a day with time to change the car over; engineering judgement."""


def plan_runs(
    change: float,
    scatter: float,
    remainder: float = 0.0,
    names: tuple[str, str] = ("A", "B"),
    power: float = WANTED_POWER,
) -> RunPlan:
    """Return the fewest runs that show a change, as many of each set-up or nearly so.

    Parameters
    ----------
    change : float
        True change of the logarithm of the stiffness.
    scatter : float
        Standard deviation of one run's logarithm.
    remainder : float
        Error of the change that more runs do not lessen.
    names : tuple of str
        Set-ups before and after.
    power : float
        Wanted probability.
    """
    reached = 0.0
    for runs in range(2, MOST_PLANNED_RUNS + 1):
        reached = plan_power(change, scatter, runs, remainder)
        if reached >= power:
            return RunPlan(runs, plan_order(runs, names), reached, scatter)
    return RunPlan(None, plan_order(MOST_PLANNED_RUNS, names), reached, scatter)


def plan_power(change: float, scatter: float, runs: int, remainder: float = 0.0) -> float:
    """Return the probability that twice so many `runs`, driven in `plan_order`, show a change [1].

    Without drift the runs show at least that much: a line is then seldom taken out, though it is here, which
    costs a degree of freedom. With a drift that is not beyond doubt they show less, as it counts as scatter
    (docs/verdicts.md has both). In two runs of each a line would leave one degree of freedom: it stays out.
    """
    first, middle, second = driving_plan(2 * runs)
    after = np.array([0.0] * first + [1.0] * middle + [0.0] * second)
    design = np.column_stack([1.0 - after, after])
    if len(after) - 3 >= mixed_effects.ENOUGH_DOF:
        # Drift over the day is fitted beside the two means, centred, so that it is told apart from them.
        design = np.column_stack([design, np.arange(len(after)) - (len(after) - 1) / 2.0])
    row = np.zeros(design.shape[1])
    row[:2] = -1.0, 1.0
    variance = float(row @ np.linalg.inv(design.T @ design) @ row)
    own = Contrast(0.0, scatter * math.sqrt(variance), float(len(after) - design.shape[1]))
    whole = own.with_known(remainder)
    return mixed_effects.detection_power(change, whole.std_error, whole.dof, mixed_effects.LEVEL)


def default_scatter(scale: float = 1.0) -> float:
    """Return the scatter taken where the session shows none: that of the prior, times `scale`."""
    return mixed_effects.RUN_SCATTER.scatter * scale


def plan_order(runs: int, names: tuple[str, str]) -> str:
    """Return the order of twice so many runs: half of the first set-up, all of the second, the other half.

    Straight-line drift then cancels, and the car is changed over twice only.
    """
    first, middle, second = driving_plan(2 * runs)
    return f"{first} on {names[0]}, {middle} on {names[1]}, then {second} on {names[0]} again"


def driving_plan(total: int) -> tuple[int, int, int]:
    """Return how many of `total` runs (three or more) to drive on A, on B, and on A again.

    The first set-up gets an even number, half before and half after the second, so that straight-line drift
    cancels altogether: of six runs AABBAA sees more with drift than AABBBA, and as much without.
    """
    half = (total + 2) // 4
    return half, total - 2 * half, half
