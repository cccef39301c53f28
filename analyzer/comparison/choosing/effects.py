"""What a setting would do to the car: every figure now and then, with the errors that do not cancel."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from analyzer.comparison.calibrated_car import Calibration, propagate_calibrated
from analyzer.comparison.choosing.candidates import AxleOption, setting_figures
from analyzer.comparison.choosing.wishes import Wish
from analyzer.comparison.results import Bank, Effect
from analyzer.comparison.stiffness import TARGETS, RollSheet, Target, stiffness, wheel_scale
from analyzer.core.estimate import Estimate
from analyzer.core.units import AXLES, STANDARD_GRAVITY, Axle
from analyzer.prediction.propagation import Propagated, Values, with_settings
from analyzer.prediction.results import BarLadder, LadderRow
from analyzer.prediction.settings import bar_ladder
from analyzer.sheets.bar import BladedBar, NoBar
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import BarSetting, Setup
from analyzer.vehicle.axle import car_roll, mass_properties
from analyzer.vehicle.bar.rate import axle_bar_rate, with_bench_of
from analyzer.vehicle.completion import complete_car

METHOD: Final = "both settings from one sheet; errors common to both cancel"
MEASURED: Final = "as measured on the present set-up, moved by the predicted ratio"

UNITS: Final = {
    "stiffness": "N m/deg",
    "gradient": "deg/g",
    "inside load": "N",
    "margin": "mm",
    "front share": "1",
}


class CarWithSpares(CarSheet):
    """A car with the parts of one option beside it, so that their tolerances count too."""

    spare: dict[str, dict[str, Any]] = {}  # noqa: RUF012 (pydantic copies it)


def outcome(
    car: CarSheet,
    present: Setup,
    options: Mapping[Axle, AxleOption],
    bank: Bank | None,
    calibration: Calibration | None,
) -> Propagated:
    """Carry the sheet's (or the calibrated car's) errors into every figure of two settings.

    Returns
    -------
    Propagated
        ``now X``, ``then X``, ``change X`` and ``ratio X`` for every figure X of `setting_figures`, and
        ``log measured T`` for the targets T: the logarithm of the ratio that would be measured.
    """
    complete, _ = complete_car(car)
    spare: dict[str, dict[str, Any]] = {
        axle: _spare_parts(complete, axle, option) for axle, option in options.items()
    }
    # One sheet holds both states, so that one propagation sees what they share and what they do not.
    whole = CarWithSpares.model_construct(**dict(complete), spare=spare)
    whole = whole.marked(with_settings(complete, present).unmeasured)
    seen: dict[str, dict[Axle, float]] = {}
    for name, sheet in (("now", whole), ("then", _swapped(whole))):
        figures = setting_figures(sheet, _roll(sheet, name, present, options), None)
        seen[name] = {a: float(figures[f"body gradient {a}"]) for a in AXLES}

    def function(sheet: CarSheet) -> Values:
        values: dict[str, Any] = {}
        told: dict[str, RollSheet] = {}
        for name, state in (("now", sheet), ("then", _swapped(sheet))):
            roll = _roll(state, name, present, options)
            figures = setting_figures(state, roll, bank)
            values |= {f"{name} {key}": value for key, value in figures.items()}
            told[name] = RollSheet(
                moment=mass_properties(state).elastic_moment * STANDARD_GRAVITY,
                stiffness={a: figures[f"stiffness {a}"] for a in AXLES},
                gradient={a: figures[f"body gradient {a}"] for a in AXLES},
            )
        # Changes and ratios inside the propagation: errors common to both states cancel there.
        for key in [k.removeprefix("now ") for k in values if k.startswith("now ")]:
            values[f"change {key}"] = values[f"then {key}"] - values[f"now {key}"]
            if key.startswith(("stiffness", "gradient", "front share")):
                values[f"ratio {key}"] = values[f"then {key}"] / values[f"now {key}"]
        for target in TARGETS:
            values[f"log measured {target}"] = _log_measured(target, sheet, whole, seen, told)
        return values

    return propagate_calibrated(whole, calibration, function)


def _log_measured(
    target: Target,
    sheet: CarSheet,
    nominal: CarSheet,
    seen: Mapping[str, Mapping[Axle, float]],
    told: Mapping[str, RollSheet],
) -> Any:
    measured = [
        stiffness(
            target,
            {a: s * wheel_scale(sheet.axle(a), nominal.axle(a)) for a, s in seen[name].items()},
            told[name],
        )
        for name in ("now", "then")
    ]
    return np.log(measured[1] / measured[0])


def _spare_parts(car: CarSheet, axle: Axle, option: AxleOption) -> dict[str, Any]:
    """Return the parts of an option that are not the fitted ones."""
    sheet, parts = car.axle(axle), {}
    if option.spring != sheet.spring.rate:
        parts["spring"] = sheet.spring.model_copy(update={"rate": option.spring})
    if isinstance(option.bar, BladedBar) and isinstance(sheet.bar, BladedBar):
        for name in ("tube", "blade"):
            if getattr(option.bar, name) != getattr(sheet.bar, name):
                parts[name] = getattr(option.bar, name)
    return parts


def _swapped(car: CarSheet) -> CarSheet:
    """Return the car with its spare parts fitted."""
    update: dict[str, Any] = {}
    for axle, parts in getattr(car, "spare", {}).items():
        sheet = car.axle(axle)
        changed: dict[str, Any] = {}
        if "spring" in parts:
            changed["spring"] = sheet.spring.model_copy(update={"rate": parts["spring"].rate})
        bar = {name: parts[name] for name in ("tube", "blade") if name in parts}
        if bar and not isinstance(sheet.bar, NoBar):
            # The fitted bar is the one tested; the errors of its parts are in the factor it hands on.
            changed["bar"] = with_bench_of(sheet.bar, sheet.bar.model_copy(update=bar))
        if changed:
            update[axle] = sheet.model_copy(update=changed)
    return car.model_copy(update=update)


def _roll(car: CarSheet, name: str, present: Setup, options: Mapping[Axle, AxleOption]) -> Any:
    settings = {a: present.bar(a) if name == "now" else options[a].setting for a in AXLES}
    return car_roll(car, {a: axle_bar_rate(car.axle(a), settings[a]) for a in AXLES})


def effects(found: Propagated, measured: Mapping[str, Estimate]) -> dict[str, Effect]:
    """Return every figure now and then.

    Parameters
    ----------
    found : Propagated
        From `outcome`.
    measured : mapping
        Figure -> what the runs show on the present set-up; those stand in for the sheet's own figure.
    """
    table = {}
    for name in (n.removeprefix("change ") for n in found.names if n.startswith("change ")):
        if name.startswith("body"):
            continue
        unit = next(u for key, u in UNITS.items() if name.startswith(key))
        change = found.estimate(f"change {name}", unit, method=METHOD)
        now, then = found.estimate(f"now {name}", unit), found.estimate(f"then {name}", unit)
        known = measured.get(name)
        if known is not None and known.value is not None and f"ratio {name}" in found.names:
            now, then, change = _from_measured(known, found, name, unit)
        table[name] = Effect(now, then, change)
    return table


def _from_measured(
    known: Estimate, found: Propagated, name: str, unit: str
) -> tuple[Estimate, Estimate, Estimate]:
    """Return now, then and change with the measured figure as the start."""
    value = known.value or 0.0
    ratio, std = found.values[f"ratio {name}"], found.std(f"ratio {name}")
    half_known = 0.0 if known.interval is None else (known.interval[1] - known.interval[0]) / 2.0

    def made(figure: float, own: float, shared: float, method: str) -> Estimate:
        half = math.hypot(1.96 * own, shared)
        made = Estimate(figure, unit, half / 1.96, (figure - half, figure + half), method=method)
        return made.resting_on(*known.provisional, *found.unmeasured(f"ratio {name}"))

    then = made(value * ratio, value * std, ratio * half_known, MEASURED)
    change = made(value * (ratio - 1.0), value * std, abs(ratio - 1.0) * half_known, MEASURED)
    return known, then, change


def ratios(found: Propagated) -> dict[str, Estimate]:
    """Return the stiffness ratios then / now."""
    return {t: found.estimate(f"ratio stiffness {t}", "1", method=METHOD) for t in TARGETS}


# What speaks against an option or must be watched: stress, motion, balance, several changes at once.


SAFE_FACTOR: Final = 1.5
"""Yield over stress at full opposite travel below which a bar is advised against; as in the bar's table."""

SHIFT: Final = 0.02
"""Change of the front part of the load transfer from which it is said what that does to the balance:
engineering judgement; a hole of a bar moves it by about one point."""


class Ladders:
    """Stress and motion of bars by their settings; every bar is worked out once."""

    def __init__(self, car: CarSheet) -> None:
        self._car = car
        self._known: dict[tuple[Axle, int, float | None], BarLadder | None] = {}

    def row(self, axle: Axle, option: AxleOption) -> LadderRow | None:
        """Return the row of an option's setting; None where left and right differ or the bar is off."""
        setting = option.setting
        uneven = isinstance(setting, BarSetting) and setting.right is not None
        if isinstance(option.bar, NoBar) or setting == "off" or uneven:
            return None
        turn = setting.turn if isinstance(setting, BarSetting) else None
        key = (axle, id(option.bar), None if turn is None else turn.value)
        if key not in self._known:
            sheet = self._car.axle(axle).model_copy(update={"bar": option.bar})
            # Any setting of that turn will do: the ladder holds every hole and spacer at it.
            self._known[key] = bar_ladder(self._car.model_copy(update={axle: sheet}), axle, setting)
        ladder = self._known[key]
        wanted = (setting.hole, setting.spacers) if isinstance(setting, BarSetting) else (None, None)
        rows = () if ladder is None else ladder.rows
        return next((row for row in rows if (row.hole, row.spacers) == wanted and row.right is None), None)


def hardware_figures(
    ladders: Ladders, options: Mapping[Axle, AxleOption]
) -> tuple[dict[Axle, float | None], tuple[str, ...]]:
    """Return the stress factor of each bar as set and what its motion warns of."""
    factors: dict[Axle, float | None] = {}
    warnings: list[str] = []
    for axle, option in options.items():
        row = ladders.row(axle, option)
        if row is not None:
            factors[axle] = row.stress_factor
            warnings += [f"{axle} bar: {text}" for text in row.motion.warnings]
    return factors, tuple(warnings)


def option_cautions(
    changes: tuple[str, ...], factors: Mapping[Axle, float | None], options: Mapping[Axle, AxleOption]
) -> tuple[str, ...]:
    """Return what must be watched with these changes: their number, stress, and what goes with springs."""
    found = []
    if len(changes) > 1:
        found.append(f"{len(changes)} changes at once: make and drive them one after the other")
    for axle, factor in factors.items():
        if factor is None:
            found.append(f"{axle} bar: yield strength not known, stress cannot be judged")
        elif factor < 1.0:
            found.append(
                f"{axle} bar: would yield with one wheel in full bump and the other in full droop "
                f"(factor {factor:.2f}); limit the travel or fit a stronger bar"
            )
        elif factor < SAFE_FACTOR:
            found.append(f"{axle} bar: stress factor {factor:.2f} leaves no room for kerbs and weld faults")
    if any(option.other_spring for option in options.values()):
        found.append("other springs: set ride height, bump-stop gap and alignment again")
    return tuple(found)


def balance_caution(wish: Wish, share: Effect) -> tuple[str, ...]:
    """Return what a shift of the balance nobody asked for does to the car."""
    moved = share.change.value or 0.0
    if abs(moved) < SHIFT or any(goal.quantity == "front share" for goal in wish.goals):
        return ()
    end, other = ("front", "rear") if moved > 0.0 else ("rear", "front")
    return (
        f"the {end} takes {100.0 * abs(moved):.0f} points more of the load transfer: expect it to let go "
        f"earlier and the {other} later (common practice, no source)",
    )
