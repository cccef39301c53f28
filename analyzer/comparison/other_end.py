"""Did the other end of the car answer as it should? A guard for stiffness that takes it from the sheet.

An axle's stiffness comes from K_a = (M - K_o s_o) / s_a with the other axle's K_o from the sheet. When that
axle was changed too, its change leaks into K_a. The second figure of every run tells: a change of one axle
alone moves the roll of both along one line, ln s_o = g ln s_a, whose slope g follows from the sheet (1 for a
car on rigid tyres, less on soft ones). What a run shows beside that line is free of the change, and free of
most of the scatter, which both axles share.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from analyzer.comparison.ledger import sheet_roll
from analyzer.comparison.pooling import RunValue, fit_groups
from analyzer.comparison.random_effects import LEVEL, Contrast, Floats, ScatterPrior
from analyzer.comparison.stiffness import measured_gradients, other_axle, stiffness
from analyzer.constants import AXLES, Axle
from analyzer.estimate import Estimate
from analyzer.prediction.complete import complete_car
from analyzer.prediction.propagation import Values, propagate, replace_values
from analyzer.prediction.results import SetupPrediction
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet

BESIDE_SCATTER: Final = ScatterPrior(scatter=0.015, freedom=2.0)
"""Prior of the scatter of what a run shows beside the line, where too few runs show it: less than that of one
gradient, since most of what differs from run to run is common to both axles. Engineering judgement."""

SLOPE_ERROR: Final = 0.05
"""Relative error of the line's slope beyond that of the sheet; a rigid-body model with its own tyres and
joints moved along slopes 1 to 7 % below the sheet's."""

UNLIKELY: Final = 0.01
"""Probability under which the other end is said not to have answered as it should."""

STEP: Final = 0.02

APART: Final = 0.1
"""Part of a change of the other axle that must show beside the line for it to be told at all."""


@dataclass(frozen=True, slots=True)
class OtherEnd:
    """What the axle that was left alone did.

    Parameters
    ----------
    axle : Axle
        The axle that was changed.
    beside : Contrast
        Change of the logarithm of the other axle's roll beside what a change of `axle` does to it; nought
        when it answered as it should.
    leak : float
        Apparent change of the logarithm of the stiffness of `axle` per unit of `beside`, if it was the other
        axle's stiffness that changed.
    """

    axle: Axle
    beside: Contrast
    leak: float

    @property
    def answered(self) -> bool:
        """Whether it did what it should within the errors."""
        return self.beside.p_value >= UNLIKELY

    @property
    def leaked(self) -> float:
        """Apparent change of the logarithm of the stiffness of `axle`."""
        return self.leak * self.beside.value

    @property
    def estimate(self) -> Estimate:
        """Roll of the other axle, after / before, over what the change of `axle` alone makes of it [1]."""
        low, high = self.beside.interval
        value = math.exp(self.beside.value)
        return Estimate(
            value=value,
            unit="1",
            std_error=value * self.beside.std_error,
            interval=(math.exp(low), math.exp(high)),
            level=LEVEL,
            method="roll of the other axle over what a change of this axle alone makes of it",
        )


def other_end(
    car: CarSheet,
    axle: Axle,
    prediction: SetupPrediction,
    runs: Sequence[RunEstimates],
    before: str,
    after: str,
) -> OtherEnd | None:
    """Return what the other axle's roll did beside what a change of `axle` alone does to it.

    Parameters
    ----------
    axle : Axle
        The axle that was changed.
    prediction : SetupPrediction
        Of one of the two set-ups.
    runs : sequence of RunEstimates
        In the order of driving.
    before, after : str
        Set-ups.

    Returns
    -------
    OtherEnd or None
        None when no run of one of the set-ups shows the roll of both axles, or when the sheet has rigid
        tyres, on which a change of either axle does the same to both.
    """
    lines = _lines(car, prediction, axle)
    if lines is None:
        return None
    slope, other = lines.slope, other_axle(axle)
    values, moves = [], []
    for order, run in enumerate(runs):
        roll = measured_gradients(run)
        if len(roll) < len(AXLES):
            continue
        errors = [run.roll_gradient_body[a].std_error for a in (axle, other)]
        variance = None
        if errors[0] is not None and errors[1] is not None:
            variance = (slope * errors[0] / roll[axle]) ** 2 + (errors[1] / roll[other]) ** 2
        own = math.log(roll[axle])
        beside = math.log(roll[other]) - slope * own
        values.append(RunValue(run.name, run.setup, beside, variance, float(order)))
        moves.append(RunValue(run.name, run.setup, own, None, float(order)))
    if {before, after} - {value.group for value in values}:
        return None
    found = fit_groups(values, BESIDE_SCATTER).change(before, after)
    along = abs(fit_groups(moves).change(before, after).value)
    known = along * math.hypot(lines.error, SLOPE_ERROR * slope)
    return OtherEnd(axle, found.with_known(known), lines.leak)


@dataclass(frozen=True, slots=True)
class _Lines:
    """Slope g of a change of the first axle, its error from the sheet, and the leak of the other axle."""

    slope: float
    error: float
    leak: float


def _lines(car: CarSheet, prediction: SetupPrediction, axle: Axle) -> _Lines | None:
    """Return the lines; None when changes of either axle do the same to the roll of both (rigid tyres)."""
    rates = {a: bar.rate for a, bar in prediction.bars.items()}
    whole, _ = complete_car(car)
    other = other_axle(axle)

    def function(sheet: CarSheet) -> Values:
        told = sheet_roll(sheet, rates)
        values: dict[str, float | Floats] = {}
        for each in AXLES:
            # The spring stands for any stiffness of the axle: both act between the same two points.
            rate = sheet.axle(each).spring.rate.value
            stiffer = replace_values(sheet, {f"{each}.spring.rate": rate * (1.0 + STEP)})
            roll = sheet_roll(stiffer, rates).gradient
            values |= {f"{each} {a}": roll[a] / told.gradient[a] - 1.0 for a in AXLES}
            values[f"{each} apparent"] = stiffness(axle, roll, told) / told.stiffness[axle] - 1.0
        values["slope"] = values[f"{axle} {other}"] / values[f"{axle} {axle}"]
        return values

    found = propagate(whole, function)
    slope = found.values["slope"]
    beside = found.values[f"{other} {other}"] - slope * found.values[f"{other} {axle}"]
    if abs(beside) < APART * abs(found.values[f"{other} {other}"]):
        return None
    return _Lines(slope, found.std("slope"), found.values[f"{other} apparent"] / beside)


def other_end_words(found: OtherEnd, measured: float) -> str:
    """Return, for a reader, that the other end did not answer as it should.

    Parameters
    ----------
    measured : float
        Change of the logarithm of the stiffness of the changed axle as measured.
    """
    axle, other = found.axle, other_axle(found.axle)
    moved = 100.0 * math.expm1(found.beside.value)
    way = "more" if moved > 0.0 else "less"
    own = 100.0 * math.expm1(measured - found.leaked)
    return (
        f"the {other} axle rolled {abs(moved):.1f} % {way} than a change of the {axle} axle "
        f"alone makes it: something else changed too (if it was the {other} stiffness, the "
        f"{axle} one changed by {own:+.0f} %, not by {100.0 * math.expm1(measured):+.0f} %)"
    )


def set_right(found: OtherEnd) -> str:
    """Return what would settle the verdict when the other end did not answer as it should."""
    other = other_axle(found.axle)
    return (
        f"look at the {other} springs, bar, pots and tyre pressures, then drive both set-ups again with "
        "nothing else changed"
    )
