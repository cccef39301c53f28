"""Measurement against prediction, with the errors of the sheet that both share counted once."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.comparison.random_effects import LEVEL, Contrast, student
from analyzer.comparison.results import Ledger
from analyzer.comparison.stiffness import (
    TARGETS,
    RollSheet,
    Target,
    sensitivity,
    stiffness,
    wheel_scale,
)
from analyzer.constants import AXLES, STANDARD_GRAVITY, Axle
from analyzer.estimate import Estimate
from analyzer.prediction.axle import car_roll
from analyzer.prediction.propagation import Propagated, Values, propagate
from analyzer.prediction.rate import bar_rates
from analyzer.prediction.results import SetupPrediction
from analyzer.prediction.setup import NM_PER_DEG
from analyzer.sheets.car import CarSheet
from analyzer.sheets.masses import mass_properties
from analyzer.sheets.session import Setup
from analyzer.units import RAD_PER_MPS2_TO_DEG_PER_G

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
            values[f"ratio {target}"] = measured / predicted
            values[f"difference {target}"] = measured - predicted
        for axle in roll:
            values[f"gradient ratio {axle}"] = seen[axle] / told.gradient[axle]
        return values

    sheet = sheet_roll(car, hardware)
    plain = RollSheet(
        float(sheet.moment),
        {a: float(k) for a, k in sheet.stiffness.items()},
        {a: float(s) for a, s in sheet.gradient.items()},
    )
    return SheetErrors(propagate(car, function), dict(roll), plain, _rate_errors(car, hardware, roll))


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
    difference = math.hypot(
        errors.found.std(f"difference {target}"),
        (measured.value or 0.0) * sensor,
    )
    return ledger_row(name, measured, prediction.roll_stiffness[target], mean, common, difference)


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
    return ledger_row(name, measured, predicted, mean, common, common * (predicted.value or 0.0))


def _relative(error: float | None, estimate: Estimate) -> float:
    return 0.0 if not error or not estimate.value else error / abs(estimate.value)


def ledger_row(
    quantity: str,
    measured: Estimate,
    predicted: Estimate,
    mean: Contrast,
    common: float,
    difference: float,
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
    if measured.value is None or not predicted.value:
        reason = (measured.notes + predicted.notes + ("not predicted",))[0]
        unknown = Estimate.unknown("1", reason)
        left = Estimate.unknown(measured.unit, reason)
        return Ledger(quantity, measured, predicted, unknown, left, None)
    ratio = measured.value / predicted.value
    both = Contrast(math.log(abs(ratio)), mean.std_error, mean.freedom).with_known(common)
    gap = measured.value - predicted.value
    own = Contrast(gap, measured.value * mean.std_error, mean.freedom)
    half = student(own.with_known(difference).freedom) * own.with_known(difference).std_error
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
            level=LEVEL,
            n=measured.n,
            method=METHOD,
        ),
        unexplained=Estimate(
            value=gap,
            unit=measured.unit,
            std_error=own.std_error,
            interval=(gap - half, gap + half),
            calibration=difference,
            level=LEVEL,
            n=measured.n,
            method=METHOD,
        ),
        agrees=abs(gap) <= half,
    )
