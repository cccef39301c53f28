"""Did the other end of the car answer as it should? A guard for stiffness that takes it from the sheet.

An axle's stiffness comes from K_a = (M - K_o s_o) / s_a with the other axle's K_o from the sheet. When that
axle was changed too, its change leaks into K_a. The second figure of every run tells: a change of one axle
alone moves the roll of both along one line, ln s_o = g ln s_a, whose slope g follows from the sheet (1 for a
car on rigid tyres, less on soft ones). What a run shows beside that line is free of the change, and free of
most of the scatter, which both axles share.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.comparison.ledger import RunValue, sheet_roll
from analyzer.comparison.results import OtherEndMoved
from analyzer.comparison.session_drift import change_with_drift
from analyzer.comparison.stiffness import measured_gradients, other_axle, stiffness
from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import LEVEL, Contrast, Floats, ScatterPrior
from analyzer.core.units import AXLES, Axle
from analyzer.prediction.propagation import Propagated, Values, propagate, replace_values
from analyzer.prediction.results import SetupPrediction
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup
from analyzer.vehicle.bar.rate import bar_rates
from analyzer.vehicle.completion import complete_car

BESIDE_SCATTER: Final = ScatterPrior(scatter=0.015, dof=2.0)
"""Prior of the scatter of what a run shows beside the line, where too few runs show it: less than that of one
gradient, since most of what differs from run to run is common to both axles. Engineering judgement."""

BESIDE_DRIFT: Final = 0.3
"""Part of a session's drift that moves one axle's roll alone, beside the line: what warms up or goes does so
at both ends. Engineering judgement."""

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
    unmeasured : tuple of str
        Keys of the sheet that nobody has measured and that `beside` rests on.
    """

    axle: Axle
    beside: Contrast
    leak: float
    unmeasured: tuple[str, ...] = ()

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
            provisional=self.unmeasured,
        )


def other_end(
    car: CarSheet,
    axle: Axle,
    prediction: SetupPrediction,
    runs: Sequence[RunEstimates],
    before: str,
    after: str,
    roll_error: Callable[[Mapping[Axle, float]], float] = lambda _: 0.0,
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
    roll_error : callable
        Weights of the logarithms of both axles' roll -> error of their weighted change that the runs do not
        show.

    Returns
    -------
    OtherEnd or None
        None when no run of one of the set-ups shows the roll of both axles, or when the sheet has rigid
        tyres, on which a change of either axle does the same to both.
    """
    lines = _lines(car, prediction, axle)
    if lines is None:
        return None
    # On a rigid shell a softer bar at one end adds roll at the other by a known slope; what is left beside
    # that line is what the other end did itself.
    slope, other = lines.slope, other_axle(axle)
    values, moves = [], []
    for order, run in enumerate(runs):
        roll = measured_gradients(run)
        if len(roll) < len(AXLES):
            continue
        errors = [run.roll_gradient_body[a].std_error for a in (axle, other)]
        # Both gradients come from the same run, with errors of their own fits.
        variance = None
        if errors[0] is not None and errors[1] is not None:
            variance = (slope * errors[0] / roll[axle]) ** 2 + (errors[1] / roll[other]) ** 2
        own = math.log(roll[axle])
        beside = math.log(roll[other]) - slope * own
        values.append(RunValue(run.name, run.setup, beside, variance, float(order)))
        moves.append(RunValue(run.name, run.setup, own, None, float(order)))
    if {before, after} - {value.group for value in values}:
        return None
    found = change_with_drift(values, before, after, BESIDE_SCATTER, BESIDE_DRIFT).change
    along = abs(change_with_drift(moves, before, after).change.value)
    # The slope is the sheet's: the longer the way along it, the more its error counts.
    off_line = math.hypot(
        along * math.hypot(lines.error, SLOPE_ERROR * slope), roll_error({other: 1.0, axle: -slope})
    )
    whole = found.with_known(off_line)
    marks = lines.found.unmeasured("slope", whole.std_error / along) if along else ()
    return OtherEnd(axle, whole, lines.leak, marks)


@dataclass(frozen=True, slots=True)
class _Lines:
    """Slope g of a change of the first axle, its error from the sheet, and the leak of the other axle."""

    slope: float
    error: float
    leak: float
    found: Propagated


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
    return _Lines(slope, found.std("slope"), found.values[f"{other} apparent"] / beside, found)


def other_end_words(found: OtherEndMoved, measured: float) -> str:
    """Return, for a reader, that the other end did not answer as it should.

    Parameters
    ----------
    measured : float
        Change of the logarithm of the stiffness of the changed axle as measured.
    """
    axle, other = found.axle, other_axle(found.axle)
    moved = 100.0 * math.expm1(found.beside)
    way = "more" if moved > 0.0 else "less"
    own = 100.0 * math.expm1(measured - found.leaked)
    return (
        f"the {other} axle rolled {abs(moved):.1f} % {way} than a change of the {axle} axle "
        f"alone makes it: something else changed too (if it was the {other} stiffness, the "
        f"{axle} one changed by {own:+.0f} %, not by {100.0 * math.expm1(measured):+.0f} %)"
    )


# What an axle's own stiffness is worth: did the other end stay as it was, and was the axle's roll seen.
#
# K_f = (M - K_r s_r) / s_f takes the other axle's stiffness from the sheet. Between set-ups that leave the
# other end alone an error of the sheet there is nearly the same in both, and cancels; where the other bar was
# changed too it does not. And where an axle has no pots its own figure, and the car's, take its roll from the
# other axle's by the sheet's ratio, which holds the bar the sheet expects: they lean towards the prediction.


SOFTER: Final = 0.8
"""Factor on a bar's rate by which the part that is seen is worked out [1]."""
ONE_AXLE: Final = 0.35
"""Part of a run's own error that does not average away over runs of one course when one axle has no pots.

What such a run cannot part (twisted ground, drive force) comes back at every pass, and a change of the bar
shifts it. Measured: the ratio of two set-ups was off by up to 0.27 % on a rigid-body car whose runs state
0.3 %, and by 0.4 % on the virtual car of the sample session, whose runs state 0.8 to 1.8 %.
"""


def other_end_notes(
    axle: Axle, name: str, setups: Mapping[str, Setup], driven: Iterable[str]
) -> tuple[str, ...]:
    """Return the remark that the other end's bar differs from other set-ups that were driven, if it does."""
    other = other_axle(axle)
    own = setups[name].bar(other)
    unlike = [one for one in dict.fromkeys(driven) if one != name and setups[one].bar(other) != own]
    if not unlike:
        return ()
    return (
        f"the {other} bar stood otherwise on {', '.join(unlike)}: a change of {axle} stiffness against those "
        f"rests on the sheet for both {other} settings and is not to be trusted by itself",
    )


def seen_part(car: CarSheet, setup: Setup, axle: Axle) -> float | None:
    """Return the part of an axle's change of stiffness that the other axle's roll alone shows [1].

    The bar is made softer by a fifth, the roll of the other axle worked out with it, and the stiffness taken
    from that roll by the sheet as it stands. None when the axle has no bar that could change.
    """
    rates = {a: float(rate) for a, rate in bar_rates(car, setup).items()}
    if not rates[axle] > 0.0:
        return None
    expected = sheet_roll(car, {a: Estimate(rate, "N/m") for a, rate in rates.items()})
    changed = {**rates, axle: rates[axle] * SOFTER}
    true = sheet_roll(car, {a: Estimate(rate, "N/m") for a, rate in changed.items()})
    other = other_axle(axle)
    before = float(stiffness(axle, {other: expected.gradient[other]}, expected))
    after = float(stiffness(axle, {other: true.gradient[other]}, expected))
    real = math.log(float(true.stiffness[axle]) / float(expected.stiffness[axle]))
    return math.log(after / before) / real if after > 0.0 and before > 0.0 else None


def unseen_note(car: CarSheet, setup: Setup | None, axle: Axle) -> str:
    """Return the remark that the roll of an `axle` was not measured, and how much of its bar is then seen."""
    note = f"roll of the {axle} axle not measured: taken from the other one by the sheet"
    part = None if setup is None else seen_part(car, setup, axle)
    if part is None:
        return note
    return (
        f"{note}; a bar there that is not what the sheet says shows with {100.0 * part:.0f} % of its effect"
    )


def one_axle_errors(runs: Sequence[RunEstimates]) -> dict[Axle, float]:
    """Return the relative error of the only axle's roll ratio that more runs do not take away.

    Empty when the runs show both axles, or none.
    """
    shown = {axle for run in runs for axle in measured_gradients(run)}
    if len(shown) != 1:
        return {}
    axle = shown.pop()
    errors = []
    for run in runs:
        value, error = measured_gradients(run).get(axle), run.roll_gradient_body[axle].std_error
        if value is not None and error is not None:
            errors.append(error / value)
    return {axle: ONE_AXLE * math.sqrt(float(np.mean(np.square(errors))))} if errors else {}
