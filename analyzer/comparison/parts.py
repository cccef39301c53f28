"""The ledger of a change: springs, bars, tyres, roll centres before and after, beside what was measured."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from analyzer.comparison.results import Comparison, Part, SetupResult
from analyzer.constants import AXLES, STANDARD_GRAVITY, Axle
from analyzer.estimate import Estimate
from analyzer.prediction.axle import CarRoll, car_roll
from analyzer.prediction.propagation import Values, propagate
from analyzer.prediction.rate import bar_rates
from analyzer.prediction.setup import NM_PER_DEG
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup
from analyzer.units import RAD_PER_MPS2_TO_DEG_PER_G

STIFFNESS: Final = "N m/deg"
GRADIENT: Final = "deg/g"
LOAD: Final = "N/g"


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
    found = propagate(car, lambda sheet: _values(sheet, hardware, lines))
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
        first, second = line.value(old), line.value(new)
        values[f"{line.name} before"] = first
        values[f"{line.name} after"] = second
        values[f"{line.name} change"] = second - first  # type: ignore[operator]
    return values  # type: ignore[return-value]


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
    return [
        Part(f"{axle} measured", *pair, measured),
        Part(f"{axle} unexplained", rows[0], rows[1], left),
    ]


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
    )


def _bare_difference(before: Estimate, after: Estimate) -> Estimate:
    """Return the change of the axle that was not compared, with the error of the runs alone."""
    value = (after.value or 0.0) - (before.value or 0.0)
    note = "error of the runs alone: what the sheet leaves open is common to both set-ups"
    if before.std_error is None or after.std_error is None:
        return Estimate(value=value, unit=before.unit, method="after less before", notes=(note,))
    std = math.hypot(before.std_error, after.std_error)
    return Estimate(value, before.unit, std, method="after less before", notes=(note,))
