"""Did the change do what it should? The verdict with everything that speaks for and against it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import groupby
from typing import Final

from analyzer.comparison.bar_settings import axle_settings
from analyzer.comparison.calibration import calibrate
from analyzer.comparison.changes import compare_setups
from analyzer.comparison.model import (
    Joined,
    PastSession,
    joined_sessions,
    session_fit,
    setting_effects,
    setting_pairs,
)
from analyzer.comparison.parts import change_parts
from analyzer.comparison.plan import plan_runs
from analyzer.comparison.pooling import fit_groups
from analyzer.comparison.reasons import Circumstances, find_reasons
from analyzer.comparison.results import (
    AxleSettings,
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
    earlier: Sequence[PastSession] = (),
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
    earlier : sequence of PastSession
        Earlier sessions of the same car, earliest first: they count for what the runs show about the car and
        its bar settings, not for the verdict on this session's change.

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
    joined = joined_sessions(setups, runs, earlier)
    calibration = calibrate(car, joined.setups, joined.runs)
    conditions = {run.name: run.conditions for run in session.runs}
    fit = session_fit(car, runs, predictions)
    drift = _drift(car, results, comparison, runs)
    return Confirmation(
        comparison=comparison,
        before=results[before],
        after=results[after],
        car_ratio=_car_ratio(car, results, comparison, change, runs, others),
        order=driving_order(runs, before, after),
        drift=drift,
        parts=change_parts(car, results[before], results[after], comparison),
        left_out=_left_out(car, results, change, runs, others),
        reasons=find_reasons(
            car, setups, runs, before, after, change.changed, Circumstances(conditions, health or {})
        ),
        settings=setting_effects(car, list(results.values()), calibration),
        pairs=setting_pairs(car, list(results.values()), fit),
        bars=joined_settings(car, joined),
        shown={} if calibration is None else calibration.shown,
        plan=_plan(comparison, drift),
        cautions=CAUTIONS,
    )


def joined_settings(car: CarSheet, joined: Joined) -> tuple[AxleSettings, ...]:
    """Return every bar setting that was driven in any of the sessions."""
    predictions = {name: predict_setup(car, name, setup) for name, setup in joined.setups.items()}
    return axle_settings(car, joined.setups, joined.runs, predictions, joined.session_of)


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


def _plan(comparison: Comparison, drift: Estimate | None) -> str:
    """Return what to drive next to settle or to confirm the verdict."""
    ratio, predicted = comparison.stiffness_ratio, comparison.predicted_ratio
    if ratio.value is None or ratio.std_error is None or ratio.n is None:
        return "drive at least three runs on each set-up, in turns"
    if comparison.verdict is not ChangeVerdict.CANNOT_TELL:
        stands = "the verdict stands with these runs"
        if drift is not None:
            return f"{stands}; drift has been taken out, so no more are needed"
        return f"{stands}; one more run on {comparison.before} would show whether drift is in it"
    if ratio.interval is not None and not ratio.interval[0] <= 1.0 <= ratio.interval[1]:
        return "no number of runs settles it while something else differs between the set-ups; see above"
    if not predicted.value or abs(math.log(predicted.value)) < 1e-6:
        return "no change was predicted, so no number of runs can confirm one"
    per_run = ratio.std_error / ratio.value / math.sqrt(4.0 / ratio.n)
    remainder = (ratio.calibration or 0.0) / ratio.value
    names = (comparison.before, comparison.after)
    return plan_runs(math.log(predicted.value), per_run, remainder, names).words
