"""The stiffness of every bar setting of one axle over all its runs, with the errors settings share."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from analyzer.comparison.ledger import sheet_roll
from analyzer.comparison.pair import mean_gradients
from analyzer.comparison.pooling import GroupFit, RunValue, fit_groups
from analyzer.comparison.random_effects import Floats
from analyzer.comparison.setups import scatter_prior, stiffness_values
from analyzer.comparison.stiffness import (
    kept_error,
    roll_sheet,
    sensitivity,
    sensor_scale,
    stiffness,
    wheel_scale,
)
from analyzer.constants import AXLES, Axle
from analyzer.prediction.propagation import Propagated, Values, propagate
from analyzer.prediction.results import SetupPrediction
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup


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
    used = _linked(named)
    if not used:
        return None
    fit = fit_groups(used, scatter_prior(scale))
    counted = [run for run in runs if run.name in {value.run for value in used}]
    there: dict[str, tuple[str, ...]] = {}
    for name in fit.groups:
        own = (run.setup for run in counted if _setting(predictions[run.setup], axle) == name)
        there[name] = tuple(dict.fromkeys(own))
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
    roll = {setup: mean_gradients(drives) for setup, drives in own.items()}

    def function(sheet: CarSheet) -> Values:
        values: dict[str, float | Floats] = {}
        springs = sheet_roll(sheet, {}).stiffness[axle]
        values["springs"] = springs
        for setting, names in there.items():
            weights = [len(own[name]) for name in names]
            logs = []
            for name in names:
                told = sheet_roll(sheet, setups[name])
                seen = {a: s * wheel_scale(sheet.axle(a), car.axle(a)) for a, s in roll[name].items()}
                logs.append(np.log(stiffness(axle, seen, told)))
            log = sum(w * x for w, x in zip(weights, logs, strict=True)) / sum(weights)
            # Every set-up in `names` has the same bar setting on this axle.
            predicted = told.stiffness[axle]
            values[f"log {setting}"] = log
            values[f"predicted {setting}"] = predicted
            values[f"gap {setting}"] = log - np.log(predicted)
            values[f"base {setting}"] = np.exp(log) - (predicted - springs)
        values["base"] = sum(values[f"base {name}"] for name in there) / len(there)
        first = next(iter(there))
        for name in there:
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

    return propagate(car, function)


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
        parts = []
        for each in AXLES:
            scales = [
                sensor_scale(car, run.roll_gradient_body[each], each)
                for run in own
                if each in run.roll_gradient_body
            ]
            parts.append(slopes.get(each, 0.0) * float(np.mean(scales)) if scales else 0.0)
        parts.append(sum(slopes.values()) * kept_error(own))
        found[setting] = tuple(parts)
    return found
