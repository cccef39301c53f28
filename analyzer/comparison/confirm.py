"""Did the change do what it should? The verdict with everything that speaks for and against it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import groupby
from typing import Any, Final

from analyzer.comparison.calibration import calibrate
from analyzer.comparison.changes import compare_setups
from analyzer.comparison.model import session_fit, setting_effects, setting_pairs
from analyzer.comparison.parts import change_parts
from analyzer.comparison.plan import plan_runs
from analyzer.comparison.pooling import fit_groups
from analyzer.comparison.reasons import Circumstances, find_reasons
from analyzer.comparison.results import (
    ChangeVerdict,
    Comparison,
    Confirmation,
    LeftOut,
    SetupResult,
)
from analyzer.comparison.setups import scatter_prior, setup_results, stiffness_values
from analyzer.comparison.stiffness import Target
from analyzer.errors import AnalyzerError
from analyzer.estimate import Estimate
from analyzer.ingest.recording import HealthRow
from analyzer.prediction.results import ChangePrediction
from analyzer.prediction.setup import predict_change, predict_setup
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import SessionSheet

CAUTIONS: Final = (
    "change one thing at a time, and begin a changed set-up at a pace that leaves room",
    "drive on a closed course only; inspect bar, blades, links and welds before and after each session",
    "series rules and a qualified fabricator have the last word",
)

FEWEST_TO_LEAVE_OUT: Final = 3


def confirm(
    car: CarSheet,
    session: SessionSheet,
    runs: Sequence[RunEstimates],
    before: str,
    after: str,
    health: Mapping[str, Sequence[HealthRow]] | None = None,
    differences: tuple[str, ...] = (),
) -> Confirmation:
    """Set one set-up of a session against another, in depth.

    Parameters
    ----------
    car : CarSheet
        The car.
    session : SessionSheet
        Set-ups and conditions of the runs.
    runs : sequence of RunEstimates
        All runs of the session that could be used, in the order of driving.
    before, after : str
        Names of the two set-ups.
    health : mapping, optional
        Run -> health rows of its log.
    differences : tuple of str
        Conditions that differ, in words, to be listed with the verdict.

    Raises
    ------
    AnalyzerError
        When a set-up does not exist or both names are the same.
    """
    _check_names(session, before, after)
    setups = session.setups
    predictions = {name: predict_setup(car, name, setup) for name, setup in setups.items()}
    results = {r.name: r for r in setup_results(car, setups, runs, predictions)}
    change = predict_change(car, before, setups[before], after, setups[after])
    others = [r for name, r in results.items() if name not in (before, after) and r.runs]
    comparison = compare_setups(car, results[before], results[after], change, runs, others)
    comparison = replace(comparison, differences=comparison.differences + differences)
    calibration = calibrate(car, setups, runs)
    conditions = {run.name: run.conditions for run in session.runs}
    fit = session_fit(car, runs, predictions)
    return Confirmation(
        comparison=comparison,
        before=results[before],
        after=results[after],
        car_ratio=_car_ratio(car, results, comparison, change, runs, others),
        order=driving_order(runs, before, after),
        drift=_drift(car, results, comparison, runs),
        parts=change_parts(car, results[before], results[after], comparison),
        left_out=_left_out(car, results, change, runs, others),
        reasons=find_reasons(
            car, setups, runs, before, after, change.changed, Circumstances(conditions, health or {})
        ),
        settings=setting_effects(car, list(results.values()), calibration),
        pairs=setting_pairs(list(results.values()), fit),
        shown={} if calibration is None else calibration.shown,
        plan=_plan(comparison),
        cautions=CAUTIONS,
    )


def _check_names(session: SessionSheet, before: str, after: str) -> None:
    for name in (before, after):
        if name not in session.setups:
            known = ", ".join(session.setups)
            raise AnalyzerError(f'set-up "{name}" is not in the session sheet; use one of {known}')
    if before == after:
        raise AnalyzerError(f'before and after are both "{before}"; name two set-ups of the session')


def driving_order(runs: Sequence[RunEstimates], before: str, after: str) -> str:
    """Return the order in which the two set-ups were driven, "A-B-A"."""
    names = [run.setup for run in runs if run.setup in (before, after)]
    return "-".join(name for name, _ in groupby(names)) or "not driven"


def _car_ratio(
    car: CarSheet,
    results: Mapping[str, SetupResult],
    comparison: Comparison,
    change: ChangePrediction,
    runs: Sequence[RunEstimates],
    others: Sequence[SetupResult],
) -> Estimate:
    """Return the ratio of the whole car's stiffness: the comparison as if both axles had been changed."""
    whole = replace(change, changed=())
    before, after = results[comparison.before], results[comparison.after]
    return compare_setups(car, before, after, whole, runs, others).stiffness_ratio


def _drift(
    car: CarSheet,
    results: Mapping[str, SetupResult],
    comparison: Comparison,
    runs: Sequence[RunEstimates],
) -> Estimate | None:
    target: Target = comparison.axle or "total"
    predictions = {name: result.predicted for name, result in results.items()}
    values, scale, _ = stiffness_values(car, target, runs, predictions)
    if not values:
        return None
    fit = fit_groups(values, scatter_prior(scale))
    if fit.drift is None:
        return None
    return Estimate(
        value=fit.drift.value,
        unit="1",
        std_error=fit.drift.std_error,
        interval=fit.drift.interval,
        n=len(values),
        method="straight line over the order of driving",
        notes=("part of the stiffness per run; taken out of the ratio",),
    )


def _left_out(
    car: CarSheet,
    results: Mapping[str, SetupResult],
    change: ChangePrediction,
    runs: Sequence[RunEstimates],
    others: Sequence[SetupResult],
) -> tuple[LeftOut, ...]:
    own = [run for run in runs if run.setup in (change.before, change.after)]
    if len(own) < FEWEST_TO_LEAVE_OUT:
        return ()
    found = []
    for left in own:
        rest = [run for run in runs if run is not left]
        if {change.before, change.after} - {run.setup for run in rest}:
            continue
        again = compare_setups(car, results[change.before], results[change.after], change, rest, others)
        found.append(LeftOut(left.name, again.stiffness_ratio, again.verdict))
    return tuple(found)


def _plan(comparison: Comparison) -> str:
    """Return what to drive next to settle or to confirm the verdict."""
    ratio, predicted = comparison.stiffness_ratio, comparison.predicted_ratio
    if ratio.value is None or ratio.std_error is None or ratio.n is None:
        return "drive at least three runs on each set-up, in turns"
    if comparison.verdict is not ChangeVerdict.CANNOT_TELL:
        return "the verdict stands with these runs; one more run of the first set-up at the end shows drift"
    if ratio.interval is not None and not ratio.interval[0] <= 1.0 <= ratio.interval[1]:
        return "no number of runs settles it while something else differs between the set-ups; see above"
    if not predicted.value or abs(math.log(predicted.value)) < 1e-6:
        return "no change was predicted, so no number of runs can confirm one"
    per_run = ratio.std_error / ratio.value / math.sqrt(4.0 / ratio.n)
    remainder = (ratio.calibration or 0.0) / ratio.value
    names = (comparison.before, comparison.after)
    return plan_runs(math.log(predicted.value), per_run, remainder, names).words


def confirmation_json(confirmation: Confirmation) -> dict[str, Any]:
    """Return everything of a confirmation as plain data; estimates in the shape of results.json."""
    c = confirmation.comparison
    return {
        "before": c.before,
        "after": c.after,
        "axle": c.axle,
        "verdict": c.verdict.value,
        "reason": c.reason,
        "stiffness_ratio": c.stiffness_ratio.to_dict(),
        "predicted_ratio": c.predicted_ratio.to_dict(),
        "stiffness_change": c.stiffness_change.to_dict(),
        "predicted_change": c.predicted_change.to_dict(),
        "car_ratio": confirmation.car_ratio.to_dict(),
        "gradient_ratio": {axle: e.to_dict() for axle, e in c.gradient_ratio.items()},
        "smallest_visible": c.smallest_visible.to_dict(),
        "other_axle": None if c.other_axle is None else c.other_axle.to_dict(),
        "stiffness": {
            result.name: {
                key.removeprefix("roll_stiffness_"): estimate.to_dict()
                for key, estimate in result.measured.items()
                if key.startswith("roll_stiffness_")
            }
            for result in (confirmation.before, confirmation.after)
        },
        "order": confirmation.order,
        "drift_per_run": None if confirmation.drift is None else confirmation.drift.to_dict(),
        "ledger": [
            {
                "part": part.name,
                "before": part.before.to_dict(),
                "after": part.after.to_dict(),
                "change": part.change.to_dict(),
            }
            for part in confirmation.parts
        ],
        "without_one_run": [
            {
                "run": item.run,
                "stiffness_ratio": item.stiffness_ratio.to_dict(),
                "verdict": item.verdict.value,
            }
            for item in confirmation.left_out
        ],
        "reasons": _reasons_json(confirmation),
        "settings": _settings_json(confirmation),
        "car_as_shown": {name: e.to_dict() for name, e in confirmation.shown.items()},
        "plan": confirmation.plan,
        "differences": list(c.differences),
        "notes": list(c.notes),
        "cautions": list(confirmation.cautions),
    }


def _reasons_json(confirmation: Confirmation) -> dict[str, Any]:
    reasons = confirmation.reasons
    return {
        "answer": reasons.answer,
        "none": reasons.none,
        "figures": list(reasons.figures),
        "ranked": [
            {
                "name": reason.name,
                "probability": reason.probability,
                "bayes_factor": reason.bayes_factor,
                "size": reason.size.to_dict(),
                "evidence": list(reason.evidence),
                "check": reason.check,
            }
            for reason in reasons.ranked
        ],
    }


def _settings_json(confirmation: Confirmation) -> dict[str, Any]:
    return {
        "effects": [
            {
                "setup": item.setup,
                "settings": dict(item.settings),
                "measured": item.measured.to_dict(),
                "predicted": item.predicted.to_dict(),
                "updated": item.updated.to_dict(),
                "runs": item.runs,
            }
            for item in confirmation.settings
        ],
        "pairs": [
            {
                "before": pair.before,
                "after": pair.after,
                "ratio": pair.ratio.to_dict(),
                "predicted": pair.predicted.to_dict(),
                "p_value": pair.p_value,
                "different": pair.different,
            }
            for pair in confirmation.pairs
        ],
    }
