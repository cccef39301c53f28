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
from itertools import combinations
from typing import Final

import numpy as np

from analyzer.comparison.bar_model import AxleModel, fit_axle
from analyzer.comparison.pooling import (
    RunValue,
    figure_estimate,
    fit_groups,
    pooled_estimate,
    ratio_estimate,
    scatter_notes,
)
from analyzer.comparison.random_effects import Contrast, ScatterPrior
from analyzer.comparison.results import AxleSettings, BarSettingResult
from analyzer.comparison.simultaneous import SettingPair, compared
from analyzer.comparison.stiffness import (
    STIFFNESS_UNIT,
    other_axle,
)
from analyzer.constants import AXLES, Axle
from analyzer.estimate import Estimate
from analyzer.prediction.results import SetupPrediction
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup

FRICTION_SCATTER: Final = ScatterPrior(scatter=15.0, freedom=2.0)
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
    notes = [*scatter_notes(model.fit), f"{other_axle(model.axle)} stiffness taken from the sheet"]
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
    own = Contrast(model.errors.values["base"], std, model.fit.fit.freedom)
    return figure_estimate(own, common, STIFFNESS_UNIT, len(model.fit.runs), BASE_METHOD)


def _result(model: AxleModel, name: str, first: str) -> BarSettingResult:
    mean = model.fit.mean(name)
    runs = model.fit.count(name)
    gap = Contrast(mean.value - math.log(model.predicted(name)), mean.std_error, mean.freedom)
    common = math.hypot(model.errors.std(f"gap {name}"), *model.sensor[name])
    step_std = 0.0 if name == first else model.step_error(first, name)
    sensor = model.stiffness(name) * model.sensor_change(first, name)

    moved = model.stiffness(name) - model.stiffness(first)
    left = moved - (model.predicted(name) - model.predicted(first))

    def step(key: str, value: float) -> Estimate:
        known = math.hypot(model.errors.std(f"{key} {name}"), sensor)
        own = Contrast(value, step_std, mean.freedom)
        return figure_estimate(own, known, STIFFNESS_UNIT, runs, STEP_METHOD)

    return BarSettingResult(
        setting=name,
        setups=model.setups[name],
        runs=runs,
        measured=pooled_estimate(model.fit, name, STIFFNESS_UNIT, model.relative(name)),
        predicted=model.errors.estimate(f"predicted {name}", STIFFNESS_UNIT),
        ratio=ratio_estimate(gap, common, runs, "measured over predicted; errors common to both cancel"),
        step=None if name == first else step("step", moved),
        predicted_step=None
        if name == first
        else model.errors.estimate(f"predicted step {name}", STIFFNESS_UNIT, method=STEP_METHOD),
        unexplained=None if name == first else step("left", left),
    )


def _pairs(model: AxleModel, order: Sequence[str]) -> tuple[SettingPair, ...]:
    """Return every pair of settings; intervals and probabilities hold for all pairs together."""
    return tuple(
        compared(
            (before, after),
            model.fit.change(before, after),
            math.hypot(model.errors.std(f"ratio {before} {after}"), model.sensor_change(before, after)),
            len(order),
            model.fit.count(before) + model.fit.count(after),
            "studentised range: the interval holds for all pairs together",
            model.errors.estimate(f"predicted ratio {before} {after}", "1"),
        )
        for before, after in combinations(order, 2)
    )


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
    mean = fit_groups(values, FRICTION_SCATTER).mean("all")
    method = "of one corner at the wheel, random effects over runs"
    return figure_estimate(mean, float(np.mean(common)), "N", len(values), method)
