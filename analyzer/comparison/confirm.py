"""Did the change do what it should? The verdict with everything that speaks for and against it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, groupby
from typing import Final

import numpy as np

from analyzer.comparison.bar_settings import axle_settings
from analyzer.comparison.calibrated_car import Calibration, calibrate, propagate_calibrated
from analyzer.comparison.changes import compare_setups
from analyzer.comparison.diagnosis import Circumstances, find_reasons
from analyzer.comparison.known_differences import Conditions, known_differences
from analyzer.comparison.ledger import sheet_roll
from analyzer.comparison.results import (
    AxleSettings,
    ChangeVerdict,
    Comparison,
    Confirmation,
    LeftOut,
    Next,
    NextRuns,
    Part,
    SettingEffect,
    SetupResult,
    Treatment,
)
from analyzer.comparison.session_drift import change_with_drift
from analyzer.comparison.setups import scatter_prior, setup_results, stiffness_values
from analyzer.comparison.verdict import plan_runs
from analyzer.core.errors import AnalyzerError, choices, nearest, one_line
from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import SettingPair, compared
from analyzer.core.units import AXLES, RAD_PER_MPS2_TO_DEG_PER_G, STANDARD_GRAVITY, Axle
from analyzer.ingest.recording import HealthRow
from analyzer.prediction.propagation import Propagated, Values, propagate, with_settings
from analyzer.prediction.results import ChangePrediction, SetupPrediction
from analyzer.prediction.setup import NM_PER_DEG, predict_change, predict_setup
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import SessionSheet, Setup
from analyzer.vehicle.axle import CarRoll, car_roll
from analyzer.vehicle.bar.rate import bar_rates

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
    check_names(session, before, after)
    setups = session.setups
    # Every set-up of the session helps: those that are not compared still show the scatter between runs.
    predictions = {name: predict_setup(car, name, setup) for name, setup in setups.items()}
    results = {r.name: r for r in setup_results(car, setups, runs, predictions)}
    change = predict_change(car, before, setups[before], after, setups[after])
    others = [r for name, r in results.items() if name not in (before, after) and r.runs]
    known = known_differences(car, runs, session.conditions, predictions, before, after)
    comparison = compare_setups(car, results[before], results[after], change, runs, others, known)
    comparison = replace(comparison, differences=comparison.differences + differences)
    # Earlier sessions tell the car and its bar settings better, but not what today's change did.
    joined = joined_sessions(setups, runs, earlier)
    calibration = calibrate(car, joined.setups, joined.runs)
    circumstances = Circumstances(session.conditions, health or {}, known)
    return Confirmation(
        comparison=comparison,
        before=results[before],
        after=results[after],
        # The comparison as if both axles had been changed.
        car_ratio=compare_setups(
            car, results[before], results[after], replace(change, changed=()), runs, others, known
        ).stiffness_ratio,
        order=driving_order(runs, before, after),
        drift=_drift(comparison),
        parts=change_parts(car, results[before], results[after], comparison),
        left_out=_left_out(car, results, change, runs, others, session.conditions),
        reasons=find_reasons(car, setups, runs, before, after, change.changed, circumstances),
        settings=setting_effects(car, list(results.values()), calibration),
        pairs=setting_pairs(car, list(results.values()), runs, predictions),
        bars=joined_settings(car, joined),
        shown={} if calibration is None else calibration.shown,
        plan=_plan(comparison),
        cautions=CAUTIONS,
    )


def joined_settings(car: CarSheet, joined: Joined) -> tuple[AxleSettings, ...]:
    """Return every bar setting that was driven in any of the sessions."""
    predictions = {name: predict_setup(car, name, setup) for name, setup in joined.setups.items()}
    return axle_settings(car, joined.setups, joined.runs, predictions, joined.session_of)


def check_names(session: SessionSheet, before: str, after: str) -> None:
    """Raise `AnalyzerError` unless these are two set-ups of the session sheet."""
    for name in (before, after):
        if name not in session.setups:
            near = nearest(name, session.setups)
            remedy = choices(name, session.setups)
            raise AnalyzerError(
                one_line(f'set-up "{name}" is not in the session sheet; {remedy}'),
                None if near is None else (name, near),
            )
    if before == after:
        raise AnalyzerError(f'before and after are both "{before}"; name two set-ups of the session')


def driving_order(runs: Sequence[RunEstimates], before: str, after: str) -> str:
    """Return the order in which the two set-ups were driven, "A-B-A"."""
    names = [run.setup for run in runs if run.setup in (before, after)]
    return "-".join(name for name, _ in groupby(names)) or "not driven"


def _drift(comparison: Comparison) -> Estimate | None:
    """Return the drift per run that was taken out of the ratio [1]; None where none was."""
    drift = comparison.drift
    if drift is None or drift.treatment is not Treatment.TAKEN_OUT:
        return None
    return replace(drift.per_run, notes=("part of the stiffness per run; taken out of the ratio",))


def _left_out(
    car: CarSheet,
    results: Mapping[str, SetupResult],
    change: ChangePrediction,
    runs: Sequence[RunEstimates],
    others: Sequence[SetupResult],
    conditions: Conditions,
) -> tuple[LeftOut, ...]:
    own = [run for run in runs if run.setup in (change.before, change.after)]
    if len(own) < FEWEST_TO_LEAVE_OUT:
        return ()
    predictions = {name: result.predicted for name, result in results.items()}
    found = []
    for left in own:
        rest = [run for run in runs if run is not left]
        if {change.before, change.after} - {run.setup for run in rest}:
            continue
        both = results[change.before], results[change.after]
        # The means of the conditions are those of the runs that stay.
        known = known_differences(car, rest, conditions, predictions, change.before, change.after)
        again = compare_setups(car, *both, change, rest, others, known)
        found.append(LeftOut(left.name, again.stiffness_ratio, again.verdict))
    return tuple(found)


def _plan(comparison: Comparison) -> NextRuns:
    """Return what to drive next to settle or to confirm the verdict."""
    ratio, predicted = comparison.stiffness_ratio, comparison.predicted_ratio
    if ratio.value is None or ratio.std_error is None or ratio.n is None:
        return NextRuns(Next.DRIVE)
    if comparison.verdict is ChangeVerdict.AXLES:
        return NextRuns(Next.OTHER_CHANGED)
    if comparison.verdict is ChangeVerdict.HELD_BACK:
        return NextRuns(Next.MEASURE)
    if comparison.verdict in (ChangeVerdict.SOFTENED_OPEN, ChangeVerdict.STIFFENED_OPEN):
        return NextRuns(Next.SEEN)
    if comparison.verdict is not ChangeVerdict.CANNOT_TELL:
        return NextRuns(Next.STANDS)
    # A change that was seen, and still nothing to tell: the other axle stands in the way, not the number of
    # runs.
    if ratio.interval is not None and not ratio.interval[0] <= 1.0 <= ratio.interval[1]:
        return NextRuns(Next.OTHER_CHANGED)
    if not predicted.value or abs(math.log(predicted.value)) < 1e-6:
        return NextRuns(Next.NONE_PREDICTED)
    # A difference of two means of n / 2 runs each has 4 / n of the variance of one run.
    per_run = comparison.run_scatter or ratio.std_error / ratio.value / math.sqrt(4.0 / ratio.n)
    remainder = (ratio.calibration or 0.0) / ratio.value
    names = (comparison.before, comparison.after)
    return NextRuns(Next.MORE, plan_runs(math.log(predicted.value), per_run, remainder, names))


# The ledger of a change: springs, bars, tyres, roll centres before and after, beside what was measured.


STIFFNESS: Final = "N m/deg"
GRADIENT: Final = "deg/g"
LOAD: Final = "N/g"

DUST: Final = 1e-12
"""Part of a figure under which a change of it is rounding."""


@dataclass(frozen=True, slots=True)
class _Line:
    name: str
    unit: str
    value: Callable[[CarRoll], object]


def change_parts(
    car: CarSheet, before: SetupResult, after: SetupResult, comparison: Comparison
) -> tuple[Part, ...]:
    """Return the ledger of a change, predicted parts first, then measured and unexplained per axle.

    Parameters
    ----------
    before, after : SetupResult
        With their hardware, as `setup_results` returns them.
    comparison : Comparison
        Of the two.
    """
    lines = _lines()
    if before.hardware is None or after.hardware is None:
        raise ValueError("a set-up without its hardware")
    hardware = (before.hardware, after.hardware)
    marked = with_settings(car, *hardware)
    found = propagate(marked, lambda sheet: _values(sheet, hardware, lines))
    parts = [
        Part(
            line.name,
            found.estimate(f"{line.name} before", line.unit),
            found.estimate(f"{line.name} after", line.unit),
            found.estimate(f"{line.name} change", line.unit),
        )
        for line in lines
    ]
    for axle in AXLES:
        parts += _measured(axle, before, after, comparison)
    return tuple(parts)


def _lines() -> tuple[_Line, ...]:
    lines = []
    for axle in AXLES:
        lines += [
            _Line(f"{axle} springs", STIFFNESS, _stiffness(axle, "spring")),
            _Line(f"{axle} bar", STIFFNESS, _stiffness(axle, "bar")),
            _Line(f"{axle} springs and bar", STIFFNESS, _stiffness(axle, "stiffness")),
            _Line(f"{axle} suspension roll", GRADIENT, _suspension(axle)),
            _Line(f"{axle} tyre roll", GRADIENT, _tyres(axle)),
            _Line(f"{axle} load by springs and bar", LOAD, _load(axle, "elastic")),
            _Line(f"{axle} load by roll centre", LOAD, _load(axle, "geometric")),
            _Line(f"{axle} load by unsprung mass", LOAD, _load(axle, "unsprung")),
        ]
    return tuple(lines)


def _stiffness(axle: Axle, part: str) -> Callable[[CarRoll], object]:
    return lambda roll: getattr(roll.axles[axle], part) * NM_PER_DEG


def _suspension(axle: Axle) -> Callable[[CarRoll], object]:
    return lambda roll: roll.axles[axle].suspension * roll.level * RAD_PER_MPS2_TO_DEG_PER_G


def _tyres(axle: Axle) -> Callable[[CarRoll], object]:
    def value(roll: CarRoll) -> object:
        tyre = roll.axles[axle].body - roll.axles[axle].suspension
        return tyre * roll.level * RAD_PER_MPS2_TO_DEG_PER_G

    return value


def _load(axle: Axle, path: str) -> Callable[[CarRoll], object]:
    return lambda roll: getattr(roll.axles[axle], path) * roll.level * STANDARD_GRAVITY


def _values(sheet: CarSheet, hardware: tuple[Setup, Setup], lines: tuple[_Line, ...]) -> Values:
    old, new = (car_roll(sheet, bar_rates(sheet, setup)) for setup in hardware)
    values = {}
    for line in lines:
        first, second = np.asarray(line.value(old)), np.asarray(line.value(new))
        values[f"{line.name} before"] = first
        values[f"{line.name} after"] = second
        # What a bar does not touch (roll centres on rigid tyres) differs by rounding alone: by nothing.
        change = second - first
        values[f"{line.name} change"] = np.where(np.abs(change) <= DUST * np.abs(first), 0.0, change)
    return values


def _measured(axle: Axle, before: SetupResult, after: SetupResult, comparison: Comparison) -> list[Part]:
    """Return what was measured at an axle, and what the sheet leaves unexplained."""
    key = f"roll_stiffness_{axle}"
    pair = (before.measured[key], after.measured[key])
    rows = [_unexplained(result, axle) for result in (before, after)]
    if pair[0].value is None or pair[1].value is None or rows[0] is None or rows[1] is None:
        return []
    own = comparison.axle == axle
    measured = comparison.stiffness_change if own else _bare_difference(*pair)
    left = _gap(comparison) if own else _bare_difference(rows[0], rows[1])
    return [Part(f"{axle} measured", *pair, measured), Part(f"{axle} unexplained", rows[0], rows[1], left)]


def _unexplained(result: SetupResult, axle: Axle) -> Estimate | None:
    for row in result.ledger:
        if row.quantity == f"roll stiffness {axle}":
            return row.unexplained
    return None


def _gap(comparison: Comparison) -> Estimate:
    """Return measured less predicted change of stiffness, with both errors as squares."""
    measured, predicted = comparison.stiffness_change, comparison.predicted_change
    if measured.value is None or predicted.value is None or measured.interval is None:
        return Estimate.unknown(STIFFNESS, measured.notes[0] if measured.notes else "not measured")
    value = measured.value - predicted.value
    half = (measured.interval[1] - measured.interval[0]) / 2.0
    other = 0.0 if predicted.interval is None else (predicted.interval[1] - predicted.interval[0]) / 2.0
    both = math.hypot(half, other)
    return Estimate(
        value=value,
        unit=STIFFNESS,
        std_error=measured.std_error,
        interval=(value - both, value + both),
        calibration=math.hypot(measured.calibration or 0.0, predicted.std_error or 0.0),
        n=measured.n,
        method="measured change less predicted change; errors of both added as squares",
        provisional=tuple(dict.fromkeys((*measured.provisional, *predicted.provisional))),
    )


def _bare_difference(before: Estimate, after: Estimate) -> Estimate:
    """Return the change of the axle that was not compared, with the error of the runs alone."""
    value = (after.value or 0.0) - (before.value or 0.0)
    note = "error of the runs alone: what the sheet leaves open is common to both set-ups"
    std = None
    if before.std_error is not None and after.std_error is not None:
        std = math.hypot(before.std_error, after.std_error)
    found = Estimate(value, before.unit, std, method="after less before", notes=(note,))
    return found.resting_on(*before.provisional, *after.provisional)


# One model over all runs of a session: every bar setting, and which settings really differ.


@dataclass(frozen=True, slots=True)
class PastSession:
    """An earlier session of the same car.

    Parameters
    ----------
    name : str
        As it is called beside the present one; each has its own.
    setups : mapping
        Set-up name -> hardware.
    runs : sequence of RunEstimates
        In the order of driving.
    """

    name: str
    setups: Mapping[str, Setup]
    runs: Sequence[RunEstimates]


@dataclass(frozen=True, slots=True)
class Joined:
    """Set-ups and runs of several sessions of one car.

    Parameters
    ----------
    setups : dict
        Set-up -> hardware; those of earlier sessions carry the session in their name, so that a set-up of the
        same name on another day stays its own.
    runs : tuple of RunEstimates
        Earliest first; named likewise.
    session_of : dict
        Run -> session; the present one has no name.
    """

    setups: dict[str, Setup]
    runs: tuple[RunEstimates, ...]
    session_of: dict[str, str]


def joined_sessions(
    setups: Mapping[str, Setup], runs: Sequence[RunEstimates], earlier: Sequence[PastSession]
) -> Joined:
    """Put earlier sessions (earliest first) and the present one together."""
    hardware: dict[str, Setup] = {}
    drives: list[RunEstimates] = []
    session_of: dict[str, str] = {}
    for past in earlier:
        hardware |= {f"{past.name}: {setup}": own for setup, own in past.setups.items()}
        named = [
            replace(r, name=f"{past.name}: {r.name}", setup=f"{past.name}: {r.setup}") for r in past.runs
        ]
        drives += named
        session_of |= {run.name: past.name for run in named}
    session_of |= {run.name: "" for run in runs}
    return Joined({**hardware, **setups}, (*drives, *runs), session_of)


def setting_effects(
    car: CarSheet, results: Sequence[SetupResult], calibration: Calibration | None
) -> tuple[SettingEffect, ...]:
    """Return every set-up that was driven: measured, predicted, and predicted anew after all runs."""
    driven = [r for r in results if r.runs and r.measured["roll_stiffness_total"].value is not None]
    if not driven:
        return ()
    hardware = {r.name: r.hardware for r in driven if r.hardware is not None}

    def function(sheet: CarSheet) -> Values:
        told = {name: sheet_roll(sheet, setup).stiffness for name, setup in hardware.items()}
        return {name: stiff["front"] + stiff["rear"] for name, stiff in told.items()}

    updated = propagate_calibrated(with_settings(car, *hardware.values()), calibration, function)
    return tuple(
        SettingEffect(
            setup=result.name,
            settings={axle: bar.setting for axle, bar in result.predicted.bars.items()},
            measured=result.measured["roll_stiffness_total"],
            predicted=result.predicted.roll_stiffness["total"],
            updated=updated.estimate(result.name, "N m/deg", method="car sheet updated by all runs"),
            runs=len(result.runs),
        )
        for result in driven
        if result.name in hardware
    )


def setting_pairs(
    car: CarSheet,
    results: Sequence[SetupResult],
    runs: Sequence[RunEstimates],
    predictions: Mapping[str, SetupPrediction],
) -> tuple[SettingPair, ...]:
    """Return every pair of set-ups; intervals and probabilities hold for all pairs together."""
    values, scale, _ = stiffness_values(car, "total", runs, predictions)
    counts = Counter(value.group for value in values)
    known = {r.name: r.hardware for r in results if r.name in counts and r.hardware is not None}
    if not known:
        return ()
    told = _predicted_ratios(car, known)
    method = "car's roll stiffness; the interval holds for all pairs together"
    return tuple(
        compared(
            (before, after),
            change_with_drift(values, before, after, scatter_prior(scale), scale).change,
            None,
            len(known),
            counts[before] + counts[after],
            method,
            told.estimate(f"{before} {after}", "1"),
        )
        for before, after in combinations(known, 2)
    )


def _predicted_ratios(car: CarSheet, hardware: Mapping[str, Setup]) -> Propagated:
    def function(sheet: CarSheet) -> Values:
        whole = {}
        for name, setup in hardware.items():
            stiff = sheet_roll(sheet, setup).stiffness
            whole[name] = stiff["front"] + stiff["rear"]
        # A car with a single set-up has no pair; the constant keeps the table from being empty.
        return {f"{a} {b}": whole[b] / whole[a] for a, b in combinations(whole, 2)} or {"none": 1.0}

    return propagate(with_settings(car, *hardware.values()), function)
