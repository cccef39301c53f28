"""Measured beside predicted: runs of a set-up pooled, errors that both share counted once."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analyzer.comparison.results import Ledger
from analyzer.comparison.stiffness import (
    TARGETS,
    RollSheet,
    Target,
    sensitivity,
    stiffness,
    tyre_roll,
    wheel_scale,
)
from analyzer.core import mixed_effects
from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import Contrast, Floats, RunsFit, ScatterPrior
from analyzer.core.regression import student_factor
from analyzer.core.units import AXLES, RAD_PER_MPS2_TO_DEG_PER_G, STANDARD_GRAVITY, Axle
from analyzer.prediction.propagation import Propagated, Values, propagate, with_settings
from analyzer.prediction.results import SetupPrediction
from analyzer.prediction.setup import NM_PER_DEG
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import stands_over
from analyzer.sheets.session import Setup
from analyzer.vehicle.axle import car_roll, mass_properties
from analyzer.vehicle.bar.rate import bar_rates

# Runs of several set-ups put together: a mean per set-up, one scatter, and drift if the order shows it.


POOLING_METHOD: Final = "random effects over runs"

STANDS_APART: Final = 0.01
"""Chance, over all runs together, at which a run is said to stand apart from the others."""


@dataclass(frozen=True, slots=True)
class RunValue:
    """One figure of one run.

    Parameters
    ----------
    run, group : str
        Run and the set-up it was driven on.
    value : float
        The figure, often a logarithm.
    variance : float or None
        Square of its error within the run; None when unknown.
    order : float
        Place in the order of driving.
    session : str
        The session it was driven in, where runs of several stand together.
    """

    run: str
    group: str
    value: float
    variance: float | None
    order: float = 0.0
    session: str = ""


@dataclass(frozen=True, slots=True)
class GroupFit:
    """Means of set-ups over their runs.

    Parameters
    ----------
    groups : tuple of str
        Set-ups, in the order of the first columns of the design.
    runs : tuple of RunValue
        What went in.
    fit : RunsFit
        The model.
    drift : Contrast or None
        Change per run in the order of driving; None when the order cannot show it.
    """

    groups: tuple[str, ...]
    runs: tuple[RunValue, ...]
    fit: RunsFit
    drift: Contrast | None

    def count(self, group: str) -> int:
        """Return the number of runs of a set-up."""
        return sum(run.group == group for run in self.runs)

    def mean(self, group: str) -> Contrast:
        """Return the mean of a set-up, drift (if any) taken to the middle of the session."""
        return self.fit.contrast(self.row(group))

    def change(self, before: str, after: str) -> Contrast:
        """Return the mean of `after` minus that of `before`."""
        return self.fit.contrast(self.row(after) - self.row(before))

    def row(self, group: str) -> Floats:
        """Return the combination of coefficients that is the mean of a set-up."""
        row = np.zeros(len(self.fit.coefficients))
        row[self.groups.index(group)] = 1.0
        return row

    def apart(self) -> tuple[str, ...]:
        """Return the runs that stand apart from the other runs of their set-up.

        By the externally studentised residual with Bonferroni's correction (Cook and Weisberg, Residuals and
        Influence in Regression, 1982); needs three degrees of freedom. Nothing is left out by itself.
        """
        fit, found = self.fit, []
        dof = fit.dof - 1.0
        if fit.prior_used or dof < 2.0:
            return ()
        weighted = fit.weights * fit.residuals**2 / np.maximum(1.0 - fit.leverage, 1e-12)
        loss = float(np.sum(fit.weights * fit.residuals**2))
        for run, square, leverage in zip(self.runs, weighted, fit.leverage, strict=True):
            left = loss - float(square)
            if leverage > 1.0 - 1e-9 or loss == 0.0:
                continue
            t = math.inf if left <= 1e-12 * loss else math.sqrt(float(square) / (left / dof))
            if Contrast(t, 1.0, dof).p_value * len(self.runs) < STANDS_APART:
                found.append(run.run)
        return tuple(found)


def fit_groups(
    runs: Sequence[RunValue], prior: ScatterPrior = mixed_effects.RUN_SCATTER, *, line: bool = False
) -> GroupFit:
    """Fit one mean per set-up, one scatter for the session, and a straight drift where it is asked for.

    Whether drift is there to be taken out is a question for `analyzer.comparison.session_drift`.

    Parameters
    ----------
    runs : sequence of RunValue
        At least one. Sessions before the last get an offset of their own; each must be linked to the others
        by a set-up they share.
    prior : ScatterPrior
        For sessions with too few runs to show their scatter, in the unit of the values.
    line : bool
        True fits a line over the order of driving, common to all set-ups, where the order can show one.
    """
    ordered = sorted(runs, key=lambda run: run.order)
    groups = tuple(dict.fromkeys(run.group for run in ordered))
    design = means(ordered, groups)
    if line:
        wider = np.column_stack([design, along(ordered)])
        # The order may leave drift and set-ups inseparable: then it stays out.
        line = bool(np.linalg.matrix_rank(wider) == wider.shape[1])
        design = wider if line else design
    variances = [run.variance for run in ordered]
    known = [v for v in variances if v is not None]
    # One run without an error of its own makes all runs count alike.
    within = np.array(known) if len(known) == len(variances) else None
    fit = mixed_effects.fit_runs(np.array([run.value for run in ordered]), within, design, prior)
    drift = None
    if line:
        row = np.zeros(design.shape[1])
        row[-1] = 1.0
        drift = fit.contrast(row)
    return GroupFit(groups=groups, runs=tuple(ordered), fit=fit, drift=drift)


def sessions(runs: Sequence[RunValue]) -> tuple[str, ...]:
    """Return the sessions of the runs in their order."""
    return tuple(dict.fromkeys(run.session for run in runs))


def means(runs: Sequence[RunValue], groups: Sequence[str]) -> Floats:
    """Return a column per set-up, then one per earlier session: means are those of the last one."""
    own = [[float(run.group == group) for run in runs] for group in groups]
    offsets = [[float(run.session == name) for run in runs] for name in sessions(runs)[:-1]]
    return np.array([*own, *offsets]).T


def along(runs: Sequence[RunValue]) -> Floats:
    """Return the place in the order of driving, from the middle of each run's own session."""
    middle = {
        name: float(np.mean([run.order for run in runs if run.session == name])) for name in sessions(runs)
    }
    return np.array([run.order - middle[run.session] for run in runs])


def pooled_estimate(
    group: GroupFit, name: str, unit: str, calibration: float | None, notes: tuple[str, ...] = ()
) -> Estimate:
    """Return the mean of set-up `name` whose values are logarithms, as a figure in `unit`.

    Parameters
    ----------
    calibration : float or None
        Relative error common to all runs [1].
    """
    found = group.mean(name)
    value = math.exp(found.value)
    low, high = found.with_known(calibration or 0.0).interval
    return Estimate(
        value=value,
        unit=unit,
        std_error=value * found.std_error,
        interval=(math.exp(low), math.exp(high)),
        calibration=None if calibration is None else value * calibration,
        level=mixed_effects.LEVEL,
        n=group.count(name),
        method=POOLING_METHOD,
        notes=notes + scatter_notes(group),
    )


def scatter_notes(group: GroupFit, *, of_gradient: bool = True) -> tuple[str, ...]:
    """Return what a reader must know about how the scatter between runs was found.

    The prior is named where the figure is, or rests on, the gradient whose scatter it is.
    """
    notes = []
    if group.fit.prior_used and of_gradient:
        notes.append(
            f"too few runs to show their scatter: {mixed_effects.RUN_SCATTER.scatter:.1%} between runs "
            "taken for the roll gradient (engineering judgement)"
        )
    if any(run.variance is None for run in group.runs):
        notes.append("a run has no error of its own: all runs count alike")
    notes.extend(f"run {run} stands apart from the others" for run in group.apart())
    if group.drift is not None:
        notes.append(f"drift of {100.0 * group.drift.value:+.2f} % per run taken out")
    return tuple(notes)


def ratio_estimate(
    own: Contrast, known: float, count: int, method: str, notes: tuple[str, ...] = ()
) -> Estimate:
    """Return a ratio [1] from its logarithm `own`, with a `known` relative error beside that of the runs."""
    value = math.exp(own.value)
    low, high = own.with_known(known).interval
    return Estimate(
        value=value,
        unit="1",
        std_error=value * own.std_error,
        interval=(math.exp(low), math.exp(high)),
        calibration=value * known,
        level=mixed_effects.LEVEL,
        n=count,
        method=method,
        notes=notes,
    )


def figure_estimate(own: Contrast, known: float, unit: str, count: int, method: str) -> Estimate:
    """Return a figure in its `unit`, with a `known` error beside that of the runs."""
    return Estimate(
        value=own.value,
        unit=unit,
        std_error=own.std_error,
        interval=own.with_known(known).interval,
        calibration=known,
        level=mixed_effects.LEVEL,
        n=count,
        method=method,
    )


# Measurement against prediction, with the errors of the sheet that both share counted once.


Hardware = Setup | Mapping[Axle, Estimate]
"""A set-up, or predicted bar rates [N/m] where only those are at hand."""

METHOD: Final = "measured against predicted; errors common to both cancel"


def sheet_roll(sheet: CarSheet, hardware: Hardware) -> RollSheet:
    """Return moment, stiffness and gradient of a sheet whose quantities may be arrays."""
    if isinstance(hardware, Setup):
        rates = dict(bar_rates(sheet, hardware))
    else:
        rates = {a: hardware[a].value or 0.0 if a in hardware else 0.0 for a in AXLES}
    roll = car_roll(sheet, rates)
    return RollSheet(
        moment=mass_properties(sheet).elastic_moment * STANDARD_GRAVITY,
        stiffness={a: roll.axles[a].stiffness * NM_PER_DEG for a in AXLES},
        gradient={a: roll.axles[a].suspension * RAD_PER_MPS2_TO_DEG_PER_G for a in AXLES},
        tyres=dict(tyre_roll(sheet)),
    )


@dataclass(frozen=True, slots=True)
class SheetErrors:
    """What the errors of the sheet do to the figures of one set-up.

    Parameters
    ----------
    found : Propagated
        Names ``measured``, ``ratio``, ``difference`` with a target, and ``gradient ratio`` with an axle.
    roll : dict
        Axle -> measured s [deg/g].
    sheet : RollSheet
        At the sheet's own figures.
    rate_errors : dict
        Target -> relative error of the predicted stiffness from bar rates that came with an error of their
        own instead of through the sheet.
    """

    found: Propagated
    roll: dict[Axle, float]
    sheet: RollSheet
    rate_errors: dict[Target, float]

    def measured_error(self, target: Target) -> float:
        """Return the relative error of the measured stiffness."""
        name = f"measured {target}"
        return self.found.std(name) / abs(self.found.values[name])

    def ratio_error(self, target: Target) -> float:
        """Return the relative error of measured / predicted stiffness."""
        name = f"ratio {target}"
        return math.hypot(self.found.std(name) / abs(self.found.values[name]), self.rate_errors[target])

    def sensitivity(self, target: Target) -> dict[Axle, float]:
        """Return d ln K / d ln s per measured axle."""
        return sensitivity(target, self.roll, self.sheet)


def setup_sheet_errors(car: CarSheet, hardware: Hardware, roll: Mapping[Axle, float]) -> SheetErrors:
    """Carry the tolerances of the sheet into stiffness measured from `roll` [deg/g] and its ledger."""

    def function(sheet: CarSheet) -> Values:
        told = sheet_roll(sheet, hardware)
        seen = {a: value * wheel_scale(sheet.axle(a), car.axle(a)) for a, value in roll.items()}
        values: dict[str, float | np.ndarray[tuple[int, ...], np.dtype[np.float64]]] = {}
        for target in TARGETS:
            measured = stiffness(target, seen, told)
            predicted = sum(told.stiffness.values()) if target == "total" else told.stiffness[target]
            values[f"measured {target}"] = measured
            # Ratio and difference inside the propagation: what the sheet gets wrong in both cancels.
            values[f"ratio {target}"] = measured / predicted
            values[f"difference {target}"] = measured - predicted
        for axle in roll:
            values[f"gradient ratio {axle}"] = seen[axle] / told.gradient[axle]
        return values

    sheet = sheet_roll(car, hardware)
    # The nominal figures once as plain numbers, for those who need no errors.
    plain = RollSheet(
        float(sheet.moment),
        {a: float(k) for a, k in sheet.stiffness.items()},
        {a: float(s) for a, s in sheet.gradient.items()},
        {a: float(c) for a, c in sheet.tyres.items()},
    )
    marked = with_settings(car, hardware) if isinstance(hardware, Setup) else car
    return SheetErrors(propagate(marked, function), dict(roll), plain, _rate_errors(car, hardware, roll))


def _rate_errors(car: CarSheet, hardware: Hardware, roll: Mapping[Axle, float]) -> dict[Target, float]:
    """Return what errors of given bar rates do to measured / predicted stiffness."""
    if isinstance(hardware, Setup):
        return dict.fromkeys(TARGETS, 0.0)

    def log_ratio(rates: Mapping[Axle, Estimate], target: Target) -> float:
        told = sheet_roll(car, rates)
        predicted = sum(told.stiffness.values()) if target == "total" else told.stiffness[target]
        return math.log(abs(float(stiffness(target, roll, told) / predicted)))

    errors: dict[Target, float] = {}
    for target in TARGETS:
        parts = []
        for axle, rate in hardware.items():
            if rate.value and rate.std_error:
                moved = Estimate(rate.value + 0.1 * rate.std_error, rate.unit)
                step = log_ratio({**hardware, axle: moved}, target) - log_ratio(hardware, target)
                parts.append(step / 0.1)
        errors[target] = math.hypot(*parts)
    return errors


def stiffness_row(
    target: Target,
    measured: Estimate,
    prediction: SetupPrediction,
    mean: Contrast,
    errors: SheetErrors,
    sensor: float,
) -> Ledger:
    """Return the ledger row of a roll stiffness.

    Parameters
    ----------
    mean : Contrast
        Mean over runs of the logarithm of the measured stiffness.
    sensor : float
        Relative error of the measured stiffness from the sensors' scales.
    """
    name = f"roll stiffness {target}"
    common = math.hypot(errors.ratio_error(target), sensor)
    difference = math.hypot(errors.found.std(f"difference {target}"), (measured.value or 0.0) * sensor)
    row = ledger_row(name, measured, prediction.roll_stiffness[target], mean, common, difference)
    return provisional_row(row, errors, f"ratio {target}")


def provisional_row(row: Ledger, errors: SheetErrors, name: str) -> Ledger:
    """Return a row of the ledger that says what nobody has measured of what it rests on, and then no verdict.

    What measured and predicted share of the sheet cancels in the ratio `name`, and so it does here; what the
    pots are off by does not.
    """
    if row.ratio.value is None:
        return row
    marks: tuple[str, ...] = ()
    if name in errors.found.values:
        relative = (row.ratio.total_error or 0.0) / abs(row.ratio.value)
        marks = errors.found.unmeasured(name, relative * abs(errors.found.values[name]))
    else:
        marks = row.predicted.provisional
    marks += tuple(mark for mark in row.measured.provisional if stands_over("logger", mark))
    if not marks:
        return row
    ratio, left = row.ratio.resting_on(*marks), row.unexplained.resting_on(*marks)
    return replace(row, ratio=ratio, unexplained=left, agrees=None)


def gradient_row(
    key: str,
    measured: Estimate,
    prediction: SetupPrediction,
    mean: Contrast,
    errors: SheetErrors,
    kept: float = 1.0,
) -> Ledger:
    """Return the ledger row of a roll gradient: `key` is that of `SetupResult.measured`.

    A gradient is predicted for small lateral forces and measured over those of the runs, where only the part
    `kept` of the roll moment is left: 1 - `kept` stands among the relative errors of the row, so that a car
    which does what its sheet says is not called to disagree for being driven hard.
    """
    part = key.rsplit("_", 1)[-1]
    body = "body" in key
    predicted = (prediction.roll_gradient_body if body else prediction.roll_gradient)[part]
    name = f"roll gradient {part}{' (body axes)' if body else ''}"
    shared = f"gradient ratio {part}"
    if shared in errors.found.values:
        common = errors.found.std(shared) / abs(errors.found.values[shared])
    else:
        common = math.hypot(
            _relative(measured.calibration, measured), _relative(predicted.std_error, predicted)
        )
    common = math.hypot(common, 1.0 - kept)
    row = ledger_row(name, measured, predicted, mean, common, common * (predicted.value or 0.0))
    return provisional_row(row, errors, shared)


def _relative(error: float | None, estimate: Estimate) -> float:
    return 0.0 if not error or not estimate.value else error / abs(estimate.value)


def ledger_row(
    quantity: str, measured: Estimate, predicted: Estimate, mean: Contrast, common: float, difference: float
) -> Ledger:
    """Return one row of the ledger.

    Parameters
    ----------
    measured, predicted : Estimate
        In the same unit.
    mean : Contrast
        Mean over runs of the logarithm of `measured`: its error and degrees of freedom.
    common : float
        Relative error of measured / predicted from sheet and sensors.
    difference : float
        Error of measured - predicted from sheet and sensors, in the unit of both.
    """
    # The first reason there is: a figure that was not measured says why before one that was not predicted.
    if measured.value is None or not predicted.value:
        reason = (measured.notes + predicted.notes + ("not predicted",))[0]
        unknown = Estimate.unknown("1", reason)
        left = Estimate.unknown(measured.unit, reason)
        return Ledger(quantity, measured, predicted, unknown, left, None)
    ratio = measured.value / predicted.value
    # The ratio's errors are relative and lie on its logarithm; the difference keeps its unit. Known errors
    # add degrees of freedom (Welch, Satterthwaite).
    both = Contrast(math.log(abs(ratio)), mean.std_error, mean.dof).with_known(common)
    gap = measured.value - predicted.value
    own = Contrast(gap, measured.value * mean.std_error, mean.dof)
    half = student_factor(own.with_known(difference).dof) * own.with_known(difference).std_error
    return Ledger(
        quantity=quantity,
        measured=measured,
        predicted=predicted,
        ratio=Estimate(
            value=ratio,
            unit="1",
            std_error=ratio * mean.std_error,
            interval=(math.exp(both.interval[0]), math.exp(both.interval[1])),
            calibration=ratio * common,
            level=mixed_effects.LEVEL,
            n=measured.n,
            method=METHOD,
        ),
        unexplained=Estimate(
            value=gap,
            unit=measured.unit,
            std_error=own.std_error,
            interval=(gap - half, gap + half),
            calibration=difference,
            level=mixed_effects.LEVEL,
            n=measured.n,
            method=METHOD,
        ),
        agrees=abs(gap) <= half,
    )
