"""Every set-up over its runs, and measurement beside prediction."""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final

import numpy as np

from analyzer.comparison import ledger, stiffness
from analyzer.comparison.ledger import GroupFit, RunValue, SheetErrors
from analyzer.comparison.results import Ledger, SetupResult
from analyzer.comparison.session_drift import fit_means
from analyzer.comparison.stiffness import RunStiffness, Target
from analyzer.comparison.unmeasured_axle import other_end_notes, unseen_note
from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import LEVEL, RUN_SCATTER, ScatterPrior
from analyzer.core.regression import NORMAL
from analyzer.core.units import AXLES, Axle
from analyzer.prediction.results import SetupPrediction
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import stands_over
from analyzer.sheets.session import Setup

NO_RUN: Final = "no run on this set-up"

SHARE_SCATTER: Final = ScatterPrior(scatter=0.01, dof=2.0)
"""Prior of the scatter of a left share from run to run [1]; engineering judgement."""

Pick = Callable[[RunEstimates], "Estimate | None"]


def setup_results(
    car: CarSheet,
    setups: Mapping[str, Setup],
    runs: Sequence[RunEstimates],
    predictions: Mapping[str, SetupPrediction],
) -> tuple[SetupResult, ...]:
    """Put the runs of every set-up together and set them against the prediction.

    Parameters
    ----------
    car : CarSheet
        The car.
    setups : mapping
        Name -> hardware of the set-up, in the order of the session sheet.
    runs : sequence of RunEstimates
        In the order of driving; the scatter between runs is found over all of them.
    predictions : mapping
        Set-up name -> prediction.

    Returns
    -------
    tuple of SetupResult
        One per set-up. A figure that no run shows is an `Estimate` without a value that says why.
    """
    pooled = _pool_session(car, runs, predictions)
    return tuple(_setup_result(car, name, setups, runs, predictions[name], pooled) for name in setups)


def stiffness_values(
    car: CarSheet, target: Target, runs: Sequence[RunEstimates], predictions: Mapping[str, SetupPrediction]
) -> tuple[tuple[RunValue, ...], float, dict[str, str]]:
    """Return the logarithm of a stiffness from every run that shows it.

    Returns
    -------
    values : tuple of RunValue
        In the order of driving.
    scale : float
        Mean of `RunStiffness.scale`, for the prior of the scatter; 1 without runs.
    reasons : dict
        Run -> why it shows none, for the other runs in the order of driving.
    """
    values, scales = [], []
    reasons: dict[str, str] = {}
    for order, run in enumerate(runs):
        found = stiffness.run_stiffness(target, run, stiffness.roll_sheet(car, predictions[run.setup]))
        if isinstance(found, RunStiffness):
            values.append(RunValue(run.name, run.setup, found.log, found.variance, float(order)))
            scales.append(found.scale)
        else:
            reasons[run.name] = found
    return tuple(values), float(np.mean(scales)) if scales else 1.0, reasons


def gradient_values(runs: Sequence[RunEstimates], axle: Axle) -> list[RunValue]:
    """Return the logarithm of an axle's body-axes gradient, for small forces, of every run that shows it."""
    values = []
    for order, run in enumerate(runs):
        found = stiffness.measured_gradients(run).get(axle)
        if found is not None:
            error = run.roll_gradient_body[axle].std_error
            values.append(_log_value(run, order, found, error))
    return values


def _log_value(run: RunEstimates, order: int, value: float, error: float | None) -> RunValue:
    variance = None if error is None else (error / value) ** 2
    return RunValue(run.name, run.setup, math.log(value), variance, float(order))


def scatter_prior(scale: float) -> ScatterPrior:
    """Return the prior of the scatter of the logarithm of a stiffness."""
    return ScatterPrior(RUN_SCATTER.scatter * scale, RUN_SCATTER.dof)


def run_stiffness_ratio(car: CarSheet, prediction: SetupPrediction, run: RunEstimates) -> Estimate:
    """Return measured over predicted roll stiffness of the car as one run shows it [1].

    Parameters
    ----------
    prediction : SetupPrediction
        Of the set-up the run was driven on.

    Returns
    -------
    Estimate
        `std_error` is the error within the run, `calibration` that of the sheet and of the sensors.
    """
    # The whole car needs no other axle from the sheet: moment over the roll of both.
    found = stiffness.run_stiffness("total", run, stiffness.roll_sheet(car, prediction))
    if not isinstance(found, RunStiffness):
        return Estimate.unknown("1", found)
    ratio = math.exp(found.log) / (prediction.roll_stiffness["total"].value or math.nan)
    rates = {axle: bar.rate for axle, bar in prediction.bars.items()}
    errors = ledger.setup_sheet_errors(car, rates, stiffness.measured_gradients(run))
    sensor = _sensor_error(car, [run], errors, "total")
    calibration = ratio * math.hypot(errors.ratio_error("total"), sensor)
    method = "roll moment of the sheet over the roll of both axles"
    notes = _axle_notes("total", stiffness.measured_gradients(run), car, None)
    std = None if found.variance is None else ratio * math.sqrt(found.variance)
    error = math.hypot(std or 0.0, calibration) / ratio * abs(errors.found.values["ratio total"])
    marks = errors.found.unmeasured("ratio total", error) + prediction.roll_stiffness["total"].provisional
    marks = tuple(dict.fromkeys((*marks, *_logger_marks([run]))))
    if std is None:
        notes = (*notes, "the run's gradient has no error of its own")
        return Estimate(ratio, "1", calibration=calibration, method=method, notes=notes, provisional=marks)
    blocks = [e.n for e in run.roll_gradient_body.values() if e.n is not None]
    # The sheet's part is known, not sampled, so the normal factor; the run's own part rests on many blocks.
    half = 1.96 * math.hypot(std, calibration)
    return Estimate(
        value=ratio,
        unit="1",
        std_error=std,
        interval=(ratio - half, ratio + half),
        calibration=calibration,
        n=min(blocks) if blocks else None,
        method=method,
        notes=notes,
        provisional=marks,
    )


_GRADIENTS: Final[dict[str, Pick]] = {
    **{f"roll_gradient_{k}": (lambda run, k=k: run.roll_gradient.get(k)) for k in (*AXLES, "total")},  # type: ignore[misc]
    **{f"roll_gradient_body_{a}": (lambda run, a=a: run.roll_gradient_body.get(a)) for a in AXLES},  # type: ignore[misc]
}


class _Pooled:
    """Fits over the whole session by quantity; per quantity and run the reason why it shows none."""

    def __init__(self) -> None:
        self.fits: dict[str, GroupFit] = {}
        self.reasons: dict[str, dict[str, str]] = {}


def _pool_session(
    car: CarSheet, runs: Sequence[RunEstimates], predictions: Mapping[str, SetupPrediction]
) -> _Pooled:
    pooled = _Pooled()
    for name, pick in _GRADIENTS.items():
        values, missing = _gradient_values(runs, pick)
        pooled.reasons[name] = missing
        if values:
            # As driven: pace moves a gradient from run to run; a line through that is no drift of the car.
            pooled.fits[name] = ledger.fit_groups(values)
    # An axle that was not driven, or whose roll does not show, stays unknown with its reason; the others go
    # on.
    for target in stiffness.TARGETS:
        values_of, scale, reasons = stiffness_values(car, target, runs, predictions)
        pooled.reasons[f"roll_stiffness_{target}"] = reasons
        if values_of:
            pooled.fits[f"roll_stiffness_{target}"] = fit_means(values_of, scatter_prior(scale), scale)
    for axle in AXLES:
        shares = [_share_value(run, axle, order) for order, run in enumerate(runs)]
        there = [share for share in shares if share is not None]
        if there:
            pooled.fits[f"left_share_{axle}"] = ledger.fit_groups(there, SHARE_SCATTER)
    return pooled


def _gradient_values(runs: Sequence[RunEstimates], pick: Pick) -> tuple[tuple[RunValue, ...], dict[str, str]]:
    """Return the logarithms of a gradient, and by run why some show none."""
    values = []
    reasons: dict[str, str] = {}
    for order, run in enumerate(runs):
        found = pick(run)
        if found is None:
            reasons[run.name] = f"{run.name}: not estimated"
        elif found.value is None:
            reasons[run.name] = f"{run.name}: {found.notes[0]}"
        elif found.value <= 0.0:
            reasons[run.name] = f"{run.name}: {stiffness.WRONG_SIGN}"
        else:
            values.append(_log_value(run, order, found.value, found.std_error))
    return tuple(values), reasons


def _share_value(run: RunEstimates, axle: Axle, order: int) -> RunValue | None:
    share = run.load_share.get(axle)
    if share is None or share.left_share.value is None:
        return None
    error = share.left_share.std_error
    return RunValue(
        run.name, run.setup, share.left_share.value, None if error is None else error**2, float(order)
    )


def _setup_result(
    car: CarSheet,
    name: str,
    setups: Mapping[str, Setup],
    runs: Sequence[RunEstimates],
    prediction: SetupPrediction,
    pooled: _Pooled,
) -> SetupResult:
    hardware = setups[name]
    own = [run for run in runs if run.setup == name]
    measured: dict[str, Estimate] = {}
    rows: list[Ledger] = []
    roll = {a: _mean_roll(pooled, name, a) for a in AXLES}
    # Hard driving moves the contacts under the body and shortens the moment's arm: roll is brought back to
    # the whole moment before it is held against the sheet.
    kept = float(np.mean([stiffness.moment_kept(run) for run in own])) if own else 1.0
    shown = {a: value / kept for a, value in roll.items() if value is not None}
    errors = ledger.setup_sheet_errors(car, hardware, shown) if shown else None
    for target in stiffness.TARGETS:
        key = f"roll_stiffness_{target}"
        measured[key] = _unknown_or(pooled, key, name, own, stiffness.STIFFNESS_UNIT)
        if measured[key].value is None or errors is None:
            continue
        sensor = _sensor_error(car, own, errors, target)
        common = math.hypot(errors.measured_error(target), sensor)
        notes = _axle_notes(target, shown, car, hardware)
        # An axle alone leans on the other end's stiffness from the sheet; the whole car does not.
        if target != "total":
            notes += other_end_notes(target, name, setups, (run.setup for run in runs))
        figure = ledger.pooled_estimate(pooled.fits[key], name, stiffness.STIFFNESS_UNIT, common, notes)
        marks = errors.found.unmeasured(f"measured {target}", figure.total_error)
        measured[key] = figure.resting_on(*marks, *_logger_marks(own))
        change = pooled.fits[key].mean(name)
        rows.append(ledger.stiffness_row(target, measured[key], prediction, change, errors, sensor))
    # Gradients need no sheet to be measured, so they stand beside their prediction with sensor errors alone.
    for key, pick in _GRADIENTS.items():
        measured[key] = _unknown_or(pooled, key, name, own, stiffness.GRADIENT_UNIT)
        if measured[key].value is None or errors is None:
            continue
        gradient = ledger.pooled_estimate(
            pooled.fits[key], name, stiffness.GRADIENT_UNIT, _calibration(own, pick)
        )
        measured[key] = gradient.resting_on(*_marks(map(pick, own)))
        change = pooled.fits[key].mean(name)
        rows.append(ledger.gradient_row(key, measured[key], prediction, change, errors, kept))
    for axle in AXLES:
        measured[f"left_share_{axle}"] = _left_share(pooled, name, axle, own)
    return SetupResult(
        name=name,
        runs=tuple(run.name for run in own),
        measured=measured,
        predicted=prediction,
        ledger=tuple(rows),
        hardware=hardware,
    )


def _mean_roll(pooled: _Pooled, name: str, axle: Axle) -> float | None:
    fit = pooled.fits.get(f"roll_gradient_body_{axle}")
    return None if fit is None or name not in fit.groups else math.exp(fit.mean(name).value)


def _unknown_or(pooled: _Pooled, key: str, name: str, own: Sequence[RunEstimates], unit: str) -> Estimate:
    """Return an unknown estimate with its reason; one with a passing value when runs show the figure."""
    fit = pooled.fits.get(key)
    if fit is not None and name in fit.groups:
        return ledger.pooled_estimate(fit, name, unit, None)
    if not own:
        return Estimate.unknown(unit, NO_RUN)
    reasons = pooled.reasons[key]
    return Estimate.unknown(unit, next(reasons[run.name] for run in own if run.name in reasons))


def _left_share(pooled: _Pooled, name: str, axle: Axle, own: Sequence[RunEstimates]) -> Estimate:
    fit = pooled.fits.get(f"left_share_{axle}")
    if fit is None or name not in fit.groups:
        return Estimate.unknown("1", f"no run of this set-up shows wheel loads of the {axle} axle")
    found = fit.mean(name)
    notes = ledger.scatter_notes(fit, of_gradient=False)
    # Tolerances of the sheet are the same in every run: their mean does not shrink with the runs.
    shares = [run.load_share[axle].left_share for run in own if axle in run.load_share]
    common = float(np.mean([share.calibration or 0.0 for share in shares])) if shares else 0.0
    half = math.hypot((found.interval[1] - found.interval[0]) / 2.0, NORMAL * common)
    return Estimate(
        value=found.value,
        unit="1",
        std_error=found.std_error,
        interval=(found.value - half, found.value + half),
        calibration=common,
        level=LEVEL,
        n=fit.count(name),
        method="random effects over runs",
        notes=notes,
        provisional=_marks(shares),
    )


def _marks(estimates: Iterable[Estimate | None]) -> tuple[str, ...]:
    """Return what nobody has measured of what the runs' figures rest on."""
    return tuple(dict.fromkeys(mark for e in estimates if e is not None for mark in e.provisional))


def _logger_marks(own: Sequence[RunEstimates]) -> tuple[str, ...]:
    """Return the marks on sensors that the runs' roll rests on."""
    found = _marks(estimate for run in own for estimate in run.roll_gradient_body.values())
    return tuple(mark for mark in found if stands_over("logger", mark))


def _calibration(own: Sequence[RunEstimates], pick: Pick) -> float | None:
    """Return the mean relative common error of a set-up's runs."""
    parts = []
    for run in own:
        found = pick(run)
        if found is not None and found.value and found.calibration is not None:
            parts.append(found.calibration / abs(found.value))
    return float(np.mean(parts)) if parts else None


def _sensor_error(car: CarSheet, own: Sequence[RunEstimates], errors: SheetErrors, target: Target) -> float:
    """Return the relative error of a stiffness from the sensors and the moment kept, common to all runs."""
    slopes = errors.sensitivity(target)
    parts = [slope * stiffness.sensor_scale(car, own, axle) for axle, slope in slopes.items()]
    return math.hypot(*parts, sum(slopes.values()) * stiffness.kept_error(own))


def _axle_notes(
    target: Target, shown: Mapping[Axle, float], car: CarSheet, hardware: Setup | None
) -> tuple[str, ...]:
    notes = []
    if target != "total":
        notes.append(f"{stiffness.other_axle(target)} stiffness taken from the sheet")
    for axle in AXLES:
        if axle not in shown:
            notes.append(unseen_note(car, hardware, axle))
    return tuple(notes)
