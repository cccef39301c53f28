"""Two set-ups side by side: their runs, the errors that do not cancel between them, and what else differs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.comparison.ledger import sheet_roll
from analyzer.comparison.one_axle import one_axle_errors
from analyzer.comparison.results import SetupResult
from analyzer.comparison.stiffness import (
    Target,
    kept_error,
    measured_gradients,
    other_axle,
    roll_sheet,
    sensitivity,
    sensor_scale,
    stiffness,
    wheel_scale,
)
from analyzer.constants import AXLES, STANDARD_GRAVITY, Axle
from analyzer.estimate import Estimate
from analyzer.prediction.propagation import Propagated, Values, propagate
from analyzer.prediction.results import ChangePrediction
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup

OTHER_FORCE: Final = 0.25
"""Relative difference of the greatest lateral force from which two groups of runs are called unlike."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Two set-ups of one car with all runs that count.

    Parameters
    ----------
    car : CarSheet
        The car.
    before, after : SetupResult
        The set-ups.
    change : ChangePrediction
        What the change should do.
    runs : tuple of RunEstimates
        Of these and of further set-ups, in the order of driving.
    axle : Axle or None
        The axle whose bar was changed; None when both or none were.
    target : {"front", "rear", "total"}
        Whose stiffness is compared.
    """

    car: CarSheet
    before: SetupResult
    after: SetupResult
    change: ChangePrediction
    runs: tuple[RunEstimates, ...]
    axle: Axle | None
    target: Target

    def own(self, result: SetupResult) -> list[RunEstimates]:
        """Return the runs of one set-up."""
        return [run for run in self.runs if run.setup == result.name]

    def mean_stiffness(self, result: SetupResult) -> float:
        """Return the stiffness that belongs to the mean roll of a set-up's runs."""
        sheet = roll_sheet(self.car, result.predicted)
        return float(stiffness(self.target, mean_gradients(self.own(result)), sheet))


@dataclass(frozen=True, slots=True)
class PairErrors:
    """Errors of the sheet and of the sensors that do not cancel between two set-ups.

    Parameters
    ----------
    found : Propagated
        ``log ratio``, ``gap`` (log of measured over predicted ratio) and ``change`` [N m/deg].
    sensor : float
        Relative error of the ratio from the sensors' scales.
    sensor_change : float
        The same of the change [N m/deg].
    """

    found: Propagated
    sensor: float
    sensor_change: float


def pair_errors(pair: Pair) -> PairErrors:
    """Carry the tolerances of the sheet and of the sensors into the change between two set-ups."""
    roll = {r.name: mean_gradients(pair.own(r)) for r in (pair.before, pair.after)}
    hardware = {r.name: _hardware(r) for r in (pair.before, pair.after)}

    def function(sheet: CarSheet) -> Values:
        measured, predicted = {}, {}
        for name, seen in roll.items():
            told = sheet_roll(sheet, hardware[name])
            scaled = {a: s * wheel_scale(sheet.axle(a), pair.car.axle(a)) for a, s in seen.items()}
            measured[name] = stiffness(pair.target, scaled, told)
            predicted[name] = (
                sum(told.stiffness.values()) if pair.target == "total" else told.stiffness[pair.target]
            )
        old, new = pair.before.name, pair.after.name
        ratio, expected = measured[new] / measured[old], predicted[new] / predicted[old]
        return {
            "log ratio": np.log(ratio),
            "gap": np.log(ratio / expected),
            "change": measured[new] - measured[old],
        }

    found = propagate(pair.car, function)
    relative, absolute = _sensor_errors(pair, roll)
    return PairErrors(found, relative, absolute)


def _hardware(result: SetupResult) -> Setup | Mapping[Axle, Estimate]:
    if result.hardware is not None:
        return result.hardware
    return {axle: bar.rate for axle, bar in result.predicted.bars.items()}


def _sensor_errors(pair: Pair, roll: Mapping[str, Mapping[Axle, float]]) -> tuple[float, float]:
    """Return what the sensors' scales do to the ratio (relative) and to the change [N m/deg]."""
    own = pair.own(pair.before) + pair.own(pair.after)
    tables = []
    for result in (pair.before, pair.after):
        sheet = roll_sheet(pair.car, result.predicted)
        value = float(stiffness(pair.target, roll[result.name], sheet))
        tables.append((value, sensitivity(pair.target, dict(roll[result.name]), sheet)))
    (old, old_slopes), (new, new_slopes) = tables
    relative, absolute = [], []
    for axle in AXLES:
        scales = [
            sensor_scale(pair.car, run.roll_gradient_body[axle], axle)
            for run in own
            if axle in run.roll_gradient_body
        ]
        scale = float(np.mean(scales)) if scales else 0.0
        before, after = old_slopes.get(axle, 0.0), new_slopes.get(axle, 0.0)
        relative.append((after - before) * scale)
        absolute.append((new * after - old * before) * scale)
    # What the moment kept is known to, for set-ups driven harder or less hard than the other.
    kept = [kept_error(pair.own(result)) for result in (pair.before, pair.after)]
    before, after = (
        sum(slopes.values()) * error for slopes, error in zip((old_slopes, new_slopes), kept, strict=True)
    )
    relative.append(after - before)
    absolute.append(new * after - old * before)
    for axle, part in one_axle_errors(own).items():
        relative.append(old_slopes[axle] * part)
        absolute.append(old * old_slopes[axle] * part)
    return math.hypot(*relative), math.hypot(*absolute)


def mean_gradients(runs: Sequence[RunEstimates]) -> dict[Axle, float]:
    """Return the geometric mean of the runs' body-axes gradients per axle that any of them shows [deg/g]."""
    found: dict[Axle, list[float]] = {}
    for run in runs:
        for axle, value in measured_gradients(run).items():
            found.setdefault(axle, []).append(math.log(value))
    return {axle: math.exp(float(np.mean(logs))) for axle, logs in found.items()}


def target_notes(pair: Pair) -> tuple[str, ...]:
    """Return whose stiffness is compared, and what had to be taken from the sheet."""
    notes = []
    if pair.axle is not None:
        notes.append(f"{other_axle(pair.axle)} stiffness taken from the sheet")
    elif pair.change.changed:
        notes.append("both bars were changed: the ratio is that of the whole car")
    else:
        notes.append("no bar setting differs: the ratio is that of the whole car")
    seen = mean_gradients(pair.own(pair.before)).keys() & mean_gradients(pair.own(pair.after)).keys()
    for axle in AXLES:
        if axle not in seen:
            notes.append(
                f"roll of the {axle} axle not measured on both set-ups: taken from the other axle by the "
                "sheet's ratio, which holds the prediction itself"
            )
    return tuple(notes)


def differences(pair: Pair) -> tuple[str, ...]:
    """Return what else differs between the runs of both set-ups."""
    found = []
    if len(pair.change.changed) == len(AXLES):
        found.append("both bars were changed at once; their effects cannot be told apart")
    forces = [_greatest_force(pair.own(result)) for result in (pair.before, pair.after)]
    if all(forces) and abs(math.log(forces[1] / forces[0])) > math.log1p(OTHER_FORCE):
        shown = [force / STANDARD_GRAVITY for force in forces]
        found.append(f"greatest lateral force: {shown[0]:.2f} g before, {shown[1]:.2f} g after")
    counts = [sum(len(run.bottoming) for run in pair.own(r)) for r in (pair.before, pair.after)]
    if (counts[0] == 0) != (counts[1] == 0):
        found.append(f"bottoming events: {counts[0]} before, {counts[1]} after")
    return tuple(found)


def _greatest_force(runs: Sequence[RunEstimates]) -> float:
    ends = [max(abs(e) for e in fit.lateral_range) for run in runs for fit in run.fits.values()]
    return float(np.mean(ends)) if ends else 0.0
