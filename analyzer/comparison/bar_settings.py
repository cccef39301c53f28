"""Every bar setting of a session, and of earlier ones of the same car, in one model per axle.

The stiffness of an axle follows from every run as K_a = (M - K_o s_o) / s_a, K_o of the other axle's setting
from the sheet. All runs with one setting of this axle's bar stand together, whatever the other axle had; one
scatter, and drift where the order shows it, go over all of them. Runs of earlier sessions count with an
offset of their own day, so that tyres or weather of another day do not pass for a setting; it can be told
when a setting was driven on both days.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np

from analyzer.comparison import ledger
from analyzer.comparison.changes import mean_gradients
from analyzer.comparison.ledger import GroupFit, RunValue
from analyzer.comparison.results import AxleSettings, BarSettingResult
from analyzer.comparison.session_drift import fit_means
from analyzer.comparison.setups import scatter_prior, stiffness_values
from analyzer.comparison.stiffness import (
    STIFFNESS_UNIT,
    kept_error,
    other_axle,
    roll_sheet,
    sensitivity,
    sensor_scale,
    stiffness,
    wheel_scale,
)
from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import Contrast, Floats, ScatterPrior, SettingPair, compared
from analyzer.core.units import AXLES, Axle
from analyzer.prediction.propagation import Propagated, Values, propagate, with_settings
from analyzer.prediction.results import SetupPrediction
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup

FRICTION_SCATTER: Final = ScatterPrior(scatter=15.0, dof=2.0)
"""Prior of the scatter of friction from run to run [N]; engineering judgement."""

BASE_METHOD: Final = "measured stiffness less predicted bar, mean over the settings"
STEP_METHOD: Final = "stiffness less that of the softest setting driven; errors common to both cancel"


def axle_settings(
    car: CarSheet,
    setups: Mapping[str, Setup],
    runs: Sequence[RunEstimates],
    predictions: Mapping[str, SetupPrediction],
    session_of: Mapping[str, str] | None = None,
) -> tuple[AxleSettings, ...]:
    """Put every bar setting that was driven into one model per axle.

    Parameters
    ----------
    car : CarSheet
        The car.
    setups, predictions : mapping
        Set-up name -> hardware and prediction.
    runs : sequence of RunEstimates
        In the order of driving, earlier sessions first.
    session_of : mapping, optional
        Run name -> session, when there are several.

    Returns
    -------
    tuple of AxleSettings
        One per axle whose stiffness some run shows.
    """
    found = []
    for axle in AXLES:
        model = fit_axle(car, axle, setups, runs, predictions, session_of or {})
        if model is not None:
            found.append(_settings_of(model))
    return tuple(found)


def _settings_of(model: AxleModel) -> AxleSettings:
    order = list(model.setups)
    notes = [*ledger.scatter_notes(model.fit), f"{other_axle(model.axle)} stiffness taken from the sheet"]
    notes += [f"{name}: no setting in common with the other sessions, left out" for name in model.left_out]
    return AxleSettings(
        axle=model.axle,
        springs=_base(model, order),
        springs_predicted=model.errors.estimate("springs", STIFFNESS_UNIT),
        settings=tuple(_result(model, name, order[0]) for name in order),
        pairs=_pairs(model, order),
        friction=_friction(model.axle, model.runs),
        sessions=tuple(dict.fromkeys(value.session for value in model.fit.runs)),
        notes=tuple(notes),
    )


def _base(model: AxleModel, order: Sequence[str]) -> Estimate:
    rows = [model.stiffness(name) * model.fit.row(name) for name in order]
    row = np.mean(rows, axis=0)
    std = math.sqrt(max(float(row @ model.fit.fit.covariance @ row), 0.0))
    sensor = float(np.mean([model.stiffness(n) * math.hypot(*model.sensor[n]) for n in order]))
    common = math.hypot(model.errors.std("base"), sensor)
    own = Contrast(model.errors.values["base"], std, model.fit.fit.dof)
    found = ledger.figure_estimate(own, common, STIFFNESS_UNIT, len(model.fit.runs), BASE_METHOD)
    return found.resting_on(*model.errors.unmeasured("base", found.total_error))


def _result(model: AxleModel, name: str, first: str) -> BarSettingResult:
    mean = model.fit.mean(name)
    runs = model.fit.count(name)
    gap = Contrast(mean.value - math.log(model.predicted(name)), mean.std_error, mean.dof)
    common = math.hypot(model.errors.std(f"gap {name}"), *model.sensor[name])
    # Steps count from the softest setting driven: springs and masses of the sheet are in both and cancel.
    step_std = 0.0 if name == first else model.step_error(first, name)
    sensor = model.stiffness(name) * model.sensor_change(first, name)

    moved = model.stiffness(name) - model.stiffness(first)
    left = moved - (model.predicted(name) - model.predicted(first))

    def step(key: str, value: float) -> Estimate:
        known = math.hypot(model.errors.std(f"{key} {name}"), sensor)
        own = Contrast(value, step_std, mean.dof)
        found = ledger.figure_estimate(own, known, STIFFNESS_UNIT, runs, STEP_METHOD)
        return found.resting_on(*model.errors.unmeasured(f"{key} {name}", found.total_error))

    measured = ledger.pooled_estimate(model.fit, name, STIFFNESS_UNIT, model.relative(name))
    whole = (measured.total_error or 0.0) / (measured.value or 1.0)
    ratio = ledger.ratio_estimate(gap, common, runs, "measured over predicted; errors common to both cancel")
    return BarSettingResult(
        setting=name,
        setups=model.setups[name],
        runs=runs,
        measured=measured.resting_on(*model.errors.unmeasured(f"log {name}", whole)),
        predicted=model.errors.estimate(f"predicted {name}", STIFFNESS_UNIT),
        ratio=ratio.resting_on(*model.errors.unmeasured(f"gap {name}", math.hypot(gap.std_error, common))),
        step=None if name == first else step("step", moved),
        predicted_step=None
        if name == first
        else model.errors.estimate(f"predicted step {name}", STIFFNESS_UNIT, method=STEP_METHOD),
        unexplained=None if name == first else step("left", left),
    )


def _pairs(model: AxleModel, order: Sequence[str]) -> tuple[SettingPair, ...]:
    """Return every pair of settings; intervals and probabilities hold for all pairs together."""
    found = []
    for before, after in combinations(order, 2):
        pair = compared(
            (before, after),
            model.fit.change(before, after),
            math.hypot(model.errors.std(f"ratio {before} {after}"), model.sensor_change(before, after)),
            len(order),
            model.fit.count(before) + model.fit.count(after),
            "studentised range: the interval holds for all pairs together",
            model.errors.estimate(f"predicted ratio {before} {after}", "1"),
        )
        error = (pair.ratio.total_error or 0.0) / (pair.ratio.value or 1.0)
        marks = model.errors.unmeasured(f"ratio {before} {after}", error)
        found.append(replace(pair, ratio=pair.ratio.resting_on(*marks)))
    return tuple(found)


def _friction(axle: Axle, runs: Sequence[RunEstimates]) -> Estimate:
    """Return the friction of one corner over all runs [N]."""
    values, common = [], []
    for order, run in enumerate(runs):
        found = run.further.get(f"friction_{axle}")
        if found is not None and found.value is not None:
            variance = None if found.std_error is None else found.std_error**2
            values.append(RunValue(run.name, "all", found.value, variance, float(order)))
            common.append(found.calibration or 0.0)
    if not values:
        return Estimate.unknown("N", f"friction of the {axle} axle could not be told from the driving")
    mean = ledger.fit_groups(values, FRICTION_SCATTER).mean("all")
    method = "of one corner at the wheel, random effects over runs"
    return ledger.figure_estimate(mean, float(np.mean(common)), "N", len(values), method)


# The stiffness of every bar setting of one axle over all its runs, with the errors settings share.


@dataclass(frozen=True, slots=True)
class AxleModel:
    """What the settings of one axle are worked out from.

    Parameters
    ----------
    axle : Axle
        Which axle.
    fit : GroupFit
        Logarithms of its stiffness, one group per setting.
    setups : dict
        Setting -> set-ups that had it, the softest first.
    errors : Propagated
        What the errors of the sheet do to measured and predicted stiffness.
    sensor : dict
        Setting -> relative error of its stiffness from the sensors of each axle and from the moment kept.
    runs : tuple of RunEstimates
        That count.
    left_out : tuple of str
        Sessions that share no setting with the others.
    """

    axle: Axle
    fit: GroupFit
    setups: dict[str, tuple[str, ...]]
    errors: Propagated
    sensor: dict[str, tuple[float, ...]]
    runs: tuple[RunEstimates, ...]
    left_out: tuple[str, ...]

    def relative(self, name: str) -> float:
        """Return the relative error of a setting's stiffness from sheet and sensors."""
        return math.hypot(self.errors.std(f"log {name}"), *self.sensor[name])

    def sensor_change(self, before: str, after: str) -> float:
        """Return what the sensors' scales do to the ratio of two settings."""
        pairs = zip(self.sensor[before], self.sensor[after], strict=True)
        return math.hypot(*(new - old for old, new in pairs))

    def stiffness(self, name: str) -> float:
        """Return the stiffness of a setting over its runs [N m/deg]."""
        return math.exp(self.fit.mean(name).value)

    def predicted(self, name: str) -> float:
        """Return the stiffness the sheet gives it [N m/deg]."""
        return self.errors.values[f"predicted {name}"]

    def bar(self, name: str) -> float:
        """Return the predicted part of its bar [N m/deg]."""
        return self.predicted(name) - self.errors.values["springs"]

    def step_error(self, before: str, after: str) -> float:
        """Return the standard error of the difference of two settings from the runs alone [N m/deg]."""
        row = self.stiffness(after) * self.fit.row(after) - self.stiffness(before) * self.fit.row(before)
        return math.sqrt(max(float(row @ self.fit.fit.covariance @ row), 0.0))


def fit_axle(
    car: CarSheet,
    axle: Axle,
    setups: Mapping[str, Setup],
    runs: Sequence[RunEstimates],
    predictions: Mapping[str, SetupPrediction],
    session_of: Mapping[str, str],
) -> AxleModel | None:
    """Fit one mean per setting of an axle's bar over all runs; None when no run shows its stiffness.

    Parameters
    ----------
    setups, predictions : mapping
        Set-up name -> hardware and prediction.
    runs : sequence of RunEstimates
        In the order of driving, earlier sessions first.
    session_of : mapping
        Run name -> session, where there are several.
    """
    values, scale, _ = stiffness_values(car, axle, runs, predictions)
    named = [
        replace(v, group=_setting(predictions[v.group], axle), session=session_of.get(v.run, ""))
        for v in values
    ]
    # Sessions count together only where a chain of shared settings links them; else their tyres and tracks
    # would pass for the bar.
    used = _linked(named)
    if not used:
        return None
    fit = fit_means(used, scatter_prior(scale), scale)
    counted = [run for run in runs if run.name in {value.run for value in used}]
    there: dict[str, tuple[str, ...]] = {}
    for name in fit.groups:
        own = (run.setup for run in counted if _setting(predictions[run.setup], axle) == name)
        there[name] = tuple(dict.fromkeys(own))
    # In the order of the prediction, softest first, so that a table reads as the bar does.
    stiff = {name: predictions[s[0]].roll_stiffness[axle].value or 0.0 for name, s in there.items()}
    there = {name: there[name] for name in sorted(there, key=lambda name: stiff[name])}
    return AxleModel(
        axle=axle,
        fit=fit,
        setups=there,
        errors=_sheet_errors(car, axle, setups, counted, there),
        sensor=_sensor(car, axle, counted, there, predictions),
        runs=tuple(counted),
        left_out=tuple(sorted({v.session for v in named} - {v.session for v in used})),
    )


def _setting(prediction: SetupPrediction, axle: Axle) -> str:
    bar = prediction.bars.get(axle)
    return "no bar" if bar is None else bar.setting


def _linked(values: Sequence[RunValue]) -> list[RunValue]:
    """Return the runs of the last session and of those that share a setting with it, over others or not."""
    if not values:
        return []
    sessions = {values[-1].session}
    while True:
        settings = {v.group for v in values if v.session in sessions}
        more = {v.session for v in values if v.group in settings}
        if more <= sessions:
            return [v for v in values if v.session in sessions]
        sessions |= more


def _sheet_errors(
    car: CarSheet,
    axle: Axle,
    setups: Mapping[str, Setup],
    runs: Sequence[RunEstimates],
    there: Mapping[str, tuple[str, ...]],
) -> Propagated:
    """Carry the sheet's tolerances into every setting's stiffness, measured and predicted."""
    own = {setup: [run for run in runs if run.setup == setup] for names in there.values() for setup in names}
    # The runs' own roll stays as it was measured while the sheet is perturbed; only how it is read changes.
    roll = {setup: mean_gradients(drives) for setup, drives in own.items()}

    def function(sheet: CarSheet) -> Values:
        values: dict[str, float | Floats] = {}
        springs = ledger.sheet_roll(sheet, {}).stiffness[axle]
        values["springs"] = springs
        for setting, names in there.items():
            # Set-ups that share the setting count by their runs, as their values do in the pooled fit.
            weights = [len(own[name]) for name in names]
            logs = []
            for name in names:
                told = ledger.sheet_roll(sheet, setups[name])
                # A wrong motion ratio or track is in the measured roll as well: scaling it lets that part
                # cancel.
                seen = {a: s * wheel_scale(sheet.axle(a), car.axle(a)) for a, s in roll[name].items()}
                logs.append(np.log(stiffness(axle, seen, told)))
            log = sum(w * x for w, x in zip(weights, logs, strict=True)) / sum(weights)
            # Every set-up in `names` has the same bar setting on this axle.
            predicted = told.stiffness[axle]
            values[f"log {setting}"] = log
            values[f"predicted {setting}"] = predicted
            values[f"gap {setting}"] = log - np.log(predicted)
            values[f"base {setting}"] = np.exp(log) - (predicted - springs)
        # The springs alone, as every setting shows them when its predicted bar is taken off: their mean holds
        # what the settings agree on.
        values["base"] = sum(values[f"base {name}"] for name in there) / len(there)
        first = next(iter(there))
        for name in there:
            # Differences between settings rest on the bar alone: springs, CG height and masses cancel.
            step = np.exp(values[f"log {name}"]) - np.exp(values[f"log {first}"])
            values[f"step {name}"] = step
            values[f"predicted step {name}"] = values[f"predicted {name}"] - values[f"predicted {first}"]
            values[f"left {name}"] = step - values[f"predicted step {name}"]
        for before, after in combinations(there, 2):
            values[f"ratio {before} {after}"] = values[f"log {after}"] - values[f"log {before}"]
            values[f"predicted ratio {before} {after}"] = (
                values[f"predicted {after}"] / values[f"predicted {before}"]
            )
        return values

    driven = [setups[name] for names in there.values() for name in names]
    return propagate(with_settings(car, *driven), function)


def _sensor(
    car: CarSheet,
    axle: Axle,
    runs: Sequence[RunEstimates],
    there: Mapping[str, tuple[str, ...]],
    predictions: Mapping[str, SetupPrediction],
) -> dict[str, tuple[float, ...]]:
    found = {}
    for setting, names in there.items():
        own = [run for run in runs if run.setup in names]
        roll = mean_gradients(own)
        slopes = sensitivity(axle, roll, roll_sheet(car, predictions[names[0]]))
        parts = [slopes.get(each, 0.0) * sensor_scale(car, own, each) for each in AXLES]
        parts.append(sum(slopes.values()) * kept_error(own))
        found[setting] = tuple(parts)
    return found
