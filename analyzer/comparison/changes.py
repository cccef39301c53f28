"""One set-up against another: what the change did to the stiffness of the axle it was made on."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from analyzer.comparison.other_end import OtherEnd, other_end, other_end_words, set_right
from analyzer.comparison.pair import Pair, PairErrors, differences, pair_errors, target_notes
from analyzer.comparison.pooling import (
    GroupFit,
    RunValue,
    figure_estimate,
    fit_groups,
    ratio_estimate,
    scatter_notes,
)
from analyzer.comparison.random_effects import LEVEL, Contrast, student
from analyzer.comparison.results import ChangeVerdict, Comparison, SetupResult
from analyzer.comparison.setups import NO_RUN, scatter_prior, stiffness_values
from analyzer.comparison.stiffness import (
    STIFFNESS_UNIT,
    Target,
    measured_gradients,
)
from analyzer.comparison.verdict import Evidence, decide
from analyzer.constants import AXLES, Axle
from analyzer.estimate import Estimate
from analyzer.prediction.results import ChangePrediction
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet

METHOD: Final = "roll of both axles before and after; errors common to both cancel"


def compare_setups(
    car: CarSheet,
    before: SetupResult,
    after: SetupResult,
    change: ChangePrediction,
    runs: Sequence[RunEstimates],
    others: Sequence[SetupResult] = (),
) -> Comparison:
    """Set one set-up against another.

    Parameters
    ----------
    car : CarSheet
        The car.
    before, after : SetupResult
        From `setup_results`.
    change : ChangePrediction
        What the change should do.
    runs : sequence of RunEstimates
        All runs of the session in the order of driving.
    others : sequence of SetupResult
        Further set-ups of the session, whose runs help to find the scatter.

    Returns
    -------
    Comparison
        The stiffness ratio is that of the axle whose bar was changed, or of the car when both or none were.
    """
    axle = change.changed[0] if len(change.changed) == 1 else None
    target: Target = axle or "total"
    results = {result.name: result for result in (before, after, *others)}
    predictions = {name: result.predicted for name, result in results.items()}
    there = [run for run in runs if run.setup in results]
    values, scale, reasons = stiffness_values(car, target, there, predictions)
    values = _in_order(values, runs)
    names = {value.group for value in values}
    if before.name not in names or after.name not in names:
        reason, remedy = _missing(before if before.name not in names else after, runs, reasons)
        return _unknown(before, after, change, axle, reason, remedy)
    fit = fit_groups(values, scatter_prior(scale))
    counted = {value.run for value in values}
    pair = Pair(car, before, after, change, tuple(run for run in there if run.name in counted), axle, target)
    if not all(pair.mean_stiffness(result) > 0.0 for result in (before, after)):
        remedy = "check scale weights, CG height, spring rates and motion ratios"
        reason = "roll of the runs and car sheet contradict each other"
        return _unknown(before, after, change, axle, reason, remedy)
    return _comparison(pair, fit, tuple(reasons.values()))


def _comparison(pair: Pair, fit: GroupFit, reasons: tuple[str, ...]) -> Comparison:
    before, after, key = pair.before, pair.after, pair.axle or "total"
    repeat = fit.change(before.name, after.name)
    errors = pair_errors(pair)
    remainder = math.hypot(errors.found.std("log ratio"), errors.sensor)
    measured = repeat.with_known(remainder)
    predicted = pair.change.stiffness_ratio[key]
    predicted_log = math.log(predicted.value or 1.0)
    gap = Contrast(repeat.value - predicted_log, repeat.std_error, repeat.freedom).with_known(
        math.hypot(errors.found.std("gap"), errors.sensor)
    )
    counts = (fit.count(before.name), fit.count(after.name))
    evidence = Evidence(measured, predicted_log, gap, repeat, counts)
    verdict, reason = decide(evidence)
    other = _other_end(pair)
    if other is not None and not other.answered:
        words = other_end_words(other, repeat.value)
        if abs(other.leaked) > student(gap.freedom) * gap.std_error:
            verdict, reason = ChangeVerdict.CANNOT_TELL, f"{words}; {set_right(other)}"
        else:
            reasons = (*reasons, words)
    notes = (*target_notes(pair), *scatter_notes(fit), *reasons)
    return Comparison(
        before=before.name,
        after=after.name,
        axle=pair.axle,
        stiffness_ratio=ratio_estimate(repeat, remainder, sum(counts), METHOD, notes),
        predicted_ratio=predicted,
        stiffness_change=_difference(pair, fit, errors),
        predicted_change=pair.change.stiffness_change[key],
        gradient_ratio={axle: gradient_ratio(pair.runs, before.name, after.name, axle) for axle in AXLES},
        verdict=verdict,
        smallest_visible=_smallest(evidence),
        reason=reason,
        differences=differences(pair),
        prediction=pair.change,
        notes=notes,
        other_axle=None if other is None else other.estimate,
    )


def _other_end(pair: Pair) -> OtherEnd | None:
    if pair.axle is None:
        return None
    return other_end(pair.car, pair.axle, pair.before.predicted, pair.runs, pair.before.name, pair.after.name)


def _in_order(values: Sequence[RunValue], runs: Sequence[RunEstimates]) -> tuple[RunValue, ...]:
    """Return the values with their place among all runs of the session."""
    place = {run.name: float(index) for index, run in enumerate(runs)}
    return tuple(RunValue(v.run, v.group, v.value, v.variance, place[v.run]) for v in values)


def gradient_ratio(runs: Sequence[RunEstimates], before: str, after: str, axle: Axle) -> Estimate:
    """Return the body-axes gradient of an axle after / before, over all their runs [1]."""
    values = []
    for order, run in enumerate(runs):
        found = measured_gradients(run).get(axle)
        if found is None:
            continue
        error = run.roll_gradient_body[axle].std_error
        variance = None if error is None else (error / found) ** 2
        values.append(RunValue(run.name, run.setup, math.log(found), variance, float(order)))
    names = {value.group for value in values}
    missing = [name for name in (before, after) if name not in names]
    if missing:
        return Estimate.unknown("1", f"no run of {missing[0]} shows roll of the {axle} axle")
    fit = fit_groups(values)
    change = fit.change(before, after)
    counts = fit.count(before) + fit.count(after)
    return ratio_estimate(change, 0.0, counts, METHOD, scatter_notes(fit))


def _difference(pair: Pair, fit: GroupFit, errors: PairErrors) -> Estimate:
    """Return the change of stiffness with its error [N m/deg]."""
    old, new = (fit.mean(result.name) for result in (pair.before, pair.after))
    stiff = math.exp(old.value), math.exp(new.value)
    row = np.zeros(len(fit.fit.coefficients))
    row[fit.groups.index(pair.after.name)] = stiff[1]
    row[fit.groups.index(pair.before.name)] -= stiff[0]
    std = math.sqrt(max(float(row @ fit.fit.covariance @ row), 0.0))
    common = math.hypot(errors.found.std("change"), errors.sensor_change)
    own = Contrast(stiff[1] - stiff[0], std, fit.fit.freedom)
    count = fit.count(pair.before.name) + fit.count(pair.after.name)
    return figure_estimate(own, common, STIFFNESS_UNIT, count, METHOD)


def _smallest(evidence: Evidence) -> Estimate:
    log = math.copysign(evidence.smallest, evidence.predicted if evidence.predicted else -1.0)
    return Estimate(
        value=abs(math.expm1(log)),
        unit="1",
        level=LEVEL,
        n=sum(evidence.runs),
        method="non-central t; 95 % level, 80 % power",
        notes=("a limit worked out from the errors above; it has no error of its own",),
    )


def _missing(
    result: SetupResult, runs: Sequence[RunEstimates], reasons: Mapping[str, str]
) -> tuple[str, str]:
    """Return why a set-up has no stiffness, and what would mend it."""
    own = [run.name for run in runs if run.setup == result.name]
    fitting = [reasons[name] for name in own if name in reasons]
    if fitting:
        return fitting[0], "more runs logged alike cannot settle it"
    return f"{result.name}: {NO_RUN}", "drive at least three runs on each set-up, in turns (A-B-A-B)"


def _unknown(
    before: SetupResult,
    after: SetupResult,
    change: ChangePrediction,
    axle: Axle | None,
    reason: str,
    remedy: str,
) -> Comparison:
    key = axle or "total"
    return Comparison(
        before=before.name,
        after=after.name,
        axle=axle,
        stiffness_ratio=Estimate.unknown("1", reason),
        predicted_ratio=change.stiffness_ratio[key],
        stiffness_change=Estimate.unknown(STIFFNESS_UNIT, reason),
        predicted_change=change.stiffness_change[key],
        gradient_ratio={a: Estimate.unknown("1", reason) for a in AXLES},
        verdict=ChangeVerdict.CANNOT_TELL,
        smallest_visible=Estimate.unknown("1", reason),
        reason=f"{reason}; {remedy}",
        differences=(),
        prediction=change,
    )
