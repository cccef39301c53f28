"""The verdict on a change, decided by intervals; how many runs, in which order, would settle or show one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.comparison.results import ChangeVerdict, RunPlan
from analyzer.core import mixed_effects
from analyzer.core.mixed_effects import Contrast
from analyzer.core.regression import student_factor

# The verdict on a change of set-up: one function, decided by intervals and by what the runs could show.


NOTHING: Final = 1e-9
"""A predicted change of the logarithm below this is no change at all."""

UNCHANGED: Final = 0.01
"""A change of the logarithm whose whole interval lies within this is none: where none was predicted, the
answer is "unchanged". Engineering judgement: less than a hole or a spacer does to an axle."""

NAMED: Final = 5
"""Keys of what is not measured that a reason names; the others are counted, and stand in the data."""

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


def decide(evidence: Evidence) -> tuple[ChangeVerdict, str]:
    """Return the verdict and the sentence that gives its reason.

    A change is seen when the 95 % interval of the ratio leaves out one. It is as predicted when the interval
    of measured minus predicted holds nought. "No change seen" needs both: the runs could have shown the
    predicted change, and they contradict it. "Unchanged" is said where no change was predicted and the whole
    interval lies within `UNCHANGED` of none. All else is "cannot tell".
    """
    low, high = evidence.measured.interval
    if high < 0.0:
        return _seen(evidence, softer=True)
    if low > 0.0:
        return _seen(evidence, softer=False)
    predicted = abs(evidence.predicted)
    if predicted <= NOTHING and max(-low, high) <= UNCHANGED:
        most = 100.0 * max(-math.expm1(low), math.expm1(high))
        return (
            ChangeVerdict.UNCHANGED,
            f"no change was predicted, and the runs leave at most {most:.1f} % of one",
        )
    # Nothing seen is a finding only where the predicted change would have been seen.
    could_show = predicted > NOTHING and evidence.smallest <= predicted
    if could_show and abs(evidence.gap.t) > student_factor(evidence.gap.dof):
        reason = (
            f"the predicted {_change(evidence.predicted)} would have shown (smallest visible change "
            f"{_size(evidence.smallest, evidence.predicted)}), "
            f"and the runs show {_change(evidence.measured.value)}"
        )
        return ChangeVerdict.NO_CHANGE, reason
    return ChangeVerdict.CANNOT_TELL, _undecided(evidence, could_show)


def _seen(evidence: Evidence, *, softer: bool) -> tuple[ChangeVerdict, str]:
    agrees = abs(evidence.gap.t) <= student_factor(evidence.gap.dof)
    same_way = evidence.predicted < -NOTHING if softer else evidence.predicted > NOTHING
    # By size alone: which way it went has been settled before.
    smaller = abs(evidence.measured.value) < abs(evidence.predicted)
    seen = f"measured {_change(evidence.measured.value)}, predicted {_change(evidence.predicted)}"
    half = 100.0 * student_factor(evidence.gap.dof) * evidence.gap.std_error
    if same_way and agrees:
        verdict = ChangeVerdict.AS_PREDICTED if softer else ChangeVerdict.STIFFENED
        way = "" if softer else " as predicted"
        return verdict, f"{seen}: they agree{way} within their errors (± {half:.1f} %)"
    if not same_way and agrees:
        # The signs differ, the figures do not: nothing speaks for set-ups that were mixed up.
        within = ChangeVerdict.SOFTENED_WITHIN if softer else ChangeVerdict.STIFFENED_WITHIN
        return within, f"{seen}: they agree within their errors (± {half:.1f} %), only the signs differ"
    if abs(evidence.predicted) <= NOTHING:
        against = ChangeVerdict.SOFTENED_AGAINST if softer else ChangeVerdict.STIFFENED_AGAINST
        return against, f"{seen}; something was changed that the sheets do not know, or something binds"
    if not same_way:
        against = ChangeVerdict.SOFTENED_AGAINST if softer else ChangeVerdict.STIFFENED_AGAINST
        return against, f"{seen}; check that the set-ups are named the right way round and nothing binds"
    if softer:
        verdict = ChangeVerdict.LESS if smaller else ChangeVerdict.MORE
    else:
        verdict = ChangeVerdict.STIFFENED_LESS if smaller else ChangeVerdict.STIFFENED_MORE
    return verdict, f"{seen}; the difference is larger than the errors of both"


_LIKE_PREDICTION: Final = (
    ChangeVerdict.AS_PREDICTED,
    ChangeVerdict.STIFFENED,
    ChangeVerdict.UNCHANGED,
    ChangeVerdict.CANNOT_TELL,
)
"""Verdicts on the sum that axles which did not do as predicted gainsay."""


def with_axles(
    verdict: ChangeVerdict, reason: str, moved: list[float], *, bars_changed: bool
) -> tuple[ChangeVerdict, str]:
    """Return verdict and reason of a whole car with axles that rolled otherwise than they should.

    Parameters
    ----------
    verdict : ChangeVerdict
        On the sum of both axles.
    reason : str
        Of it.
    moved : list of float
        Logarithms of what those axles rolled over what they should, one or two.
    bars_changed : bool
        Whether bars were changed; the sum then is an answer where it is not as predicted either.
    """
    both = len(moved) > 1
    one_way = both and moved[0] * moved[1] > 0.0
    if verdict not in _LIKE_PREDICTION and (one_way or bars_changed):
        if bars_changed:
            return verdict, reason
        return verdict, f"{reason}; both axles moved one way, as a change of load or CG height makes them"
    how = "one axle moved" if not both else "the axles moved against each other"
    how = "both axles moved one way" if one_way else how
    return ChangeVerdict.AXLES, f"{how}, so the sum of both is no answer: {reason}"


def held_back(verdict: ChangeVerdict, reason: str, unmeasured: tuple[str, ...]) -> tuple[ChangeVerdict, str]:
    """Return the verdict that may be given while what it hangs on is `unmeasured`, and its reason.

    None at all; "cannot tell" stays, since more is lacking there than the sheets.
    """
    if not unmeasured:
        return verdict, reason
    named = ", ".join(unmeasured[:NAMED])
    more = f" and {len(unmeasured) - NAMED} more" if len(unmeasured) > NAMED else ""
    first = f"nobody has measured {named}{more}"
    if verdict is ChangeVerdict.CANNOT_TELL:
        return verdict, f"{reason}; besides, {first} (marked in the sheets)"
    return (
        ChangeVerdict.HELD_BACK,
        f"{first} (marked in the sheets), and measured and predicted change rest on it: measure it first, "
        "then the same runs will tell",
    )


def _undecided(evidence: Evidence, could_show: bool) -> str:
    smallest = _size(evidence.smallest, evidence.predicted)
    if abs(evidence.predicted) <= NOTHING:
        return (
            f"no change was predicted, none is seen; a change under {smallest} would not show in these runs"
        )
    if could_show:
        what = f"the runs agree with the predicted {_change(evidence.predicted)} and with no change at all"
    else:
        what = (
            f"these runs show a change of {smallest} or more, and {_change(evidence.predicted)} was predicted"
        )
    return f"{what}; {what_settles(evidence)}"


def what_settles(evidence: Evidence) -> str:
    """Return what would settle an open verdict: more runs, or a larger step where runs will not do."""
    needed = runs_needed(evidence)
    if needed is None:
        least = _size(_floor(evidence), -1.0)
        return f"more runs alone would not settle it: make a larger step, at least {least}"
    if needed <= max(evidence.runs):
        needed = max(evidence.runs) + 1
    order = plan_order(needed, ("A", "B"))
    return f"about {needed} runs of each set-up would settle it (A before, B after the change: {order})"


def runs_needed(evidence: Evidence, power: float = 0.80) -> int | None:
    """Return the runs of each set-up that would show the predicted change with `power`; None if too many."""
    wanted = abs(evidence.predicted)
    per_run = run_error(evidence)
    for runs in range(2, MOST_RUNS + 1):
        # As many runs of each set-up, one scatter for both: two degrees of freedom go into the means.
        own = Contrast(0.0, per_run * math.sqrt(2.0 / runs), 2.0 * runs - 2.0)
        whole = own.with_known(remainder(evidence))
        if mixed_effects.detection_power(wanted, whole.std_error, whole.dof) >= power:
            return runs
    return None


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


def _change(log: float) -> str:
    part = 100.0 * math.expm1(log)
    if abs(part) < 0.05:
        return "no change"
    return f"{abs(part):.1f} % {'softer' if part < 0.0 else 'stiffer'}"


def _size(log: float, towards: float) -> str:
    """Return the size of a change in percent of the stiffness, taken in the direction of `towards`."""
    return f"{100.0 * abs(math.expm1(math.copysign(log, towards if towards else -1.0))):.1f} %"


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
    """Return the fewest runs of each set-up that show a change.

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
            order = plan_order(runs, names)
            chance = min(math.floor(100.0 * reached), 99)
            words = f"{runs} runs of each set-up: {order}; the change is then seen with {chance} % power"
            return RunPlan(runs, order, reached, scatter, words)
    words = (
        f"even {MOST_PLANNED_RUNS} runs of each set-up would show it with "
        f"{100.0 * reached:.0f} % power only: "
        "the change is below what can be verified on track with this scatter"
    )
    return RunPlan(None, plan_order(MOST_PLANNED_RUNS, names), reached, scatter, words)


def plan_power(change: float, scatter: float, runs: int, remainder: float = 0.0) -> float:
    """Return the probability that `runs` runs of each set-up, driven in `plan_order`, show a change [1].

    Drift is taken out, which costs a degree of freedom and, for an odd number of runs, a little precision. In
    two runs of each it cancels, and taking it out would leave one degree of freedom: it stays in the scatter.
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
    """Return the order of driving: half of the first set-up, all of the second, the rest of the first.

    Straight-line drift then cancels, and the car is changed over twice only.
    """
    first, middle, second = driving_plan(2 * runs)
    return f"{first} on {names[0]}, {middle} on {names[1]}, then {second} on {names[0]} again"


def driving_plan(total: int) -> tuple[int, int, int]:
    """Return how many of `total` runs (three or more) to drive on A, on B, and on A again.

    As many on either set-up where the total is even. Where it is odd the first set-up gets an even number,
    half before and half after the second, so that straight-line drift cancels altogether.
    """
    own = total // 2 if total % 2 == 0 else 2 * round(total / 4.0)
    return own - own // 2, total - own, own // 2
