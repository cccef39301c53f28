"""Which setting next: what every setting the shelf allows does to the car, the smallest change first."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from scipy.special import ndtr

from analyzer.comparison.calibrated_car import Calibration, propagate_calibrated
from analyzer.comparison.choosing import candidates
from analyzer.comparison.choosing.candidates import AxleOption, Grid, setting_figures
from analyzer.comparison.choosing.wishes import Goal, Wish
from analyzer.comparison.results import (
    AxleAsOn,
    Bank,
    Choice,
    ChoiceBasis,
    Effect,
    GoalResult,
    MarginOn,
    MissingSetting,
    NotFitted,
    Option,
    RunPlan,
)
from analyzer.comparison.session_drift import fit_means, run_scatter
from analyzer.comparison.setups import scatter_prior, setup_results, stiffness_values
from analyzer.comparison.stiffness import (
    TARGETS,
    RollSheet,
    Target,
    common_sensitivity,
    roll_sheet,
    stiffness,
    tyre_roll,
    wheel_scale,
)
from analyzer.comparison.verdict import default_scatter, plan_runs
from analyzer.core.errors import AnalyzerError
from analyzer.core.estimate import Estimate
from analyzer.core.units import AXLES, STANDARD_GRAVITY, Axle
from analyzer.prediction.propagation import Propagated, Values, with_settings
from analyzer.prediction.results import BarLadder, LadderRow
from analyzer.prediction.settings import bar_ladder, fitted_setting
from analyzer.prediction.setup import predict_setup
from analyzer.processing.results import RunEstimates
from analyzer.sheets.bar import BladedBar, NoBar
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import BarSetting, Setup
from analyzer.vehicle.axle import car_roll, mass_properties
from analyzer.vehicle.bar.rate import axle_bar_rate, with_bench_of
from analyzer.vehicle.completion import bench_taken, complete_car

DEFAULT_BANK: Final = Bank(angle=math.radians(12.0), centripetal=0.9 * STANDARD_GRAVITY)
"""Bank the travel margin is worked out for when none is given; engineering judgement."""

CAUTIONS: Final = (
    "change one thing at a time, and begin a changed set-up at a pace that leaves room",
    "inspect blades, welds, bolts and rod ends after every change; turn the bar by hand over full travel",
    "drive on a closed course only; series rules and a qualified fabricator have the last word",
)


@dataclass(frozen=True, slots=True)
class Basis:
    """What the runs say about the present set-up.

    Parameters
    ----------
    measured : dict
        ``gradient front`` ... [deg/g] as measured.
    scatter : dict
        Target -> scatter of one run's logarithm of stiffness.
    told : ChoiceBasis
        For the reader.
    """

    measured: dict[str, Estimate]
    scatter: dict[Target, float]
    told: ChoiceBasis


def choose(
    car: CarSheet,
    wish: Wish,
    present: Setup,
    present_name: str = "the present setting",
    setups: Mapping[str, Setup] | None = None,
    runs: Sequence[RunEstimates] = (),
    calibration: Calibration | None = None,
    bank: Bank | None = None,
    most: int = 6,
) -> Choice:
    """Rank what could be fitted next.

    Parameters
    ----------
    car : CarSheet
        With its shelf.
    wish : Wish
        From `analyzer.comparison.choosing.wishes.parse_wish`.
    present : Setup
        What is on the car now.
    present_name : str
        Name of that set-up in the session, for the measured figures.
    setups, runs : mapping, sequence
        Of a session of this car; without them the prediction rests on the sheet alone.
    calibration : Calibration or None
        What earlier runs have shown about the car.
    bank : Bank or None
        For the travel margin; `DEFAULT_BANK` when not given.
    most : int
        Options to return.

    Returns
    -------
    Choice
        Options that meet the wish by the size of the change; where none does, the nearest ones.
    """
    wish = _from_base(car, wish, present, setups or {})
    used_bank = bank or DEFAULT_BANK
    grid = candidates.build_grid(car, present, used_bank)
    # What earlier runs showed about the car moves the start, not the wish.
    basis = _basis(car, present, present_name, setups or {}, runs, calibration)
    miss = candidates.distance(grid, wish, basis.measured)
    order = candidates.best_settings(grid, wish, miss, most)
    ladders = Ladders(car)
    # Only the few that are shown are worked out with their errors and stress.
    options = tuple(
        _option(car, grid, index, wish, present, used_bank, calibration, basis, ladders, float(miss[index]))
        for index in order
    )
    reachable = bool(np.any(miss <= 1.0))
    fitted = grid.options(grid.present)
    now = {axle: option.words for axle, option in fitted.items()}
    return Choice(
        wish=wish.words,
        present=now,
        options=options,
        tried=len(grid.cost),
        reachable=reachable,
        missing=_missing_settings(wish, fitted),
        springs={} if reachable else _springs_instead(car, wish, present),
        assumptions=(
            *wish.assumptions,
            MarginOn(used_bank, bank is not None),
            *(line for axle in AXLES for line in bench_taken(axle, car.axle(axle).bar)),
        ),
        basis=basis.told,
        cautions=CAUTIONS,
    )


def _from_base(car: CarSheet, wish: Wish, present: Setup, setups: Mapping[str, Setup]) -> Wish:
    """Return a wish whose ratios count from another set-up, with ratios that count from the present one."""
    if wish.base is None:
        return wish
    named = {name.lower(): name for name in setups}
    name = named.get(wish.base.lower())
    if name is None:
        known = f"use one of {', '.join(setups)}" if setups else "name a session sheet"
        raise AnalyzerError(f'there is no set-up "{wish.base}" to start from; {known}')
    base, now = (predict_setup(car, "x", setup).roll_stiffness for setup in (setups[name], present))
    goals = []
    for goal in wish.goals:
        part = goal.quantity.removeprefix("stiffness ")
        old, here = base[part].value, now[part].value
        factor = old / here if old and here else 1.0
        goals.append(replace(goal, wanted=goal.wanted * factor, tolerance=goal.tolerance * factor))
    # The wish was read in lower case; the set-up is shown as the session sheet writes it.
    words = wish.words.replace(f"as {wish.base}", f"as {name}", 1)
    told = tuple(replace(a, setup=name) if isinstance(a, AxleAsOn) else a for a in wish.assumptions)
    return replace(wish, words=words, goals=tuple(goals), base=name, assumptions=told)


def present_setup(car: CarSheet) -> Setup:
    """Return what the car sheet says is fitted: hole 1 without spacers where it does not say."""
    return Setup.model_validate({f"{axle}_bar": fitted_setting(car.axle(axle).bar) for axle in AXLES})


def _basis(
    car: CarSheet,
    present: Setup,
    name: str,
    setups: Mapping[str, Setup],
    runs: Sequence[RunEstimates],
    calibration: Calibration | None,
) -> Basis:
    told = ChoiceBasis(None if calibration is None else len(calibration.runs))
    predictions = {n: predict_setup(car, n, s) for n, s in setups.items()}
    measured: dict[str, Estimate] = {}
    if runs and name in setups:
        result = next(r for r in setup_results(car, setups, runs, predictions) if r.name == name)
        measured = {
            f"gradient {part}": result.measured[f"roll_gradient_{part}"] for part in (*AXLES, "total")
        }
        measured = {key: estimate for key, estimate in measured.items() if estimate.value is not None}
        if measured:
            told = replace(told, measured_on=name, runs=len(result.runs))
    scatter = {t: _scatter(car, t, present, runs, setups, predictions) for t in ("front", "rear", "total")}
    return Basis(measured, scatter, told)  # type: ignore[arg-type]


def _scatter(
    car: CarSheet,
    target: Target,
    present: Setup,
    runs: Sequence[RunEstimates],
    setups: Mapping[str, Setup],
    predictions: Mapping[str, Any],
) -> float:
    """Return the scatter of one run's logarithm of stiffness: the session's, or the stated prior."""
    values, scale, _ = stiffness_values(car, target, [r for r in runs if r.setup in setups], predictions)
    if values:
        return run_scatter(fit_means(values, scatter_prior(scale), scale))
    sheet = roll_sheet(car, predict_setup(car, "present", present))
    roll = {a: float(sheet.gradient[a]) for a in AXLES}
    return default_scatter(common_sensitivity(target, roll, sheet))


def _option(
    car: CarSheet,
    grid: Grid,
    index: int,
    wish: Wish,
    present: Setup,
    bank: Bank,
    calibration: Calibration | None,
    basis: Basis,
    ladders: Ladders,
    miss: float,
) -> Option:
    options = grid.options(index)
    goals = wish.goals
    # Where the bar may be off instead, being off is all that is asked of it.
    if wish.or_off is not None and options[wish.or_off].setting == "off":
        goals = tuple(goal for goal in goals if goal.quantity != f"stiffness {wish.or_off}")
    found = outcome(car, present, options, bank, calibration)
    table = effects(found, basis.measured)
    setup = Setup.model_validate({f"{axle}_bar": option.setting for axle, option in options.items()})
    changes = tuple(text for option in options.values() for text in option.changes)
    # Stress and motion are judged where something changes; the rest is on the car already, and is told only
    # where it would yield.
    changed: dict[Axle, AxleOption] = {axle: o for axle, o in options.items() if o.changes}
    factors, warnings = hardware_figures(ladders, changed)
    kept, _ = hardware_figures(ladders, {axle: o for axle, o in options.items() if not o.changes})
    yielding = {axle: factor for axle, factor in kept.items() if factor is not None and factor < 1.0}
    balance = balance_caution(wish, table["front share"])
    return Option(
        setup=setup,
        words={axle: option.words for axle, option in options.items()},
        changes=changes,
        cost=float(grid.cost[index]),
        reached=miss <= 1.0,
        chance=_chance(goals, found, table),
        miss=miss,
        goals=tuple(_goal_result(goal, grid, index, table) for goal in goals),
        effects=table,
        stiffness_ratio=ratios(found),
        stress_factor=factors,
        plan=_plan(options, found, basis),
        cautions=(*option_cautions(changes, factors | yielding, options), *balance, *warnings),
    )


def _goal_result(goal: Goal, grid: Grid, index: int, table: Mapping[str, Effect]) -> GoalResult:
    """Return one goal of a wish beside what an option gives."""
    values = grid.figures.get(goal.quantity)
    given = None
    if values is not None:
        value, now = float(values[index]), float(values[grid.present])
        if goal.kind in ("ratio", "least", "most"):
            given = value / now
        elif goal.kind == "shift":
            given = value - now
        else:
            then = table[goal.quantity].then.value if goal.quantity in table else None
            given = value if then is None else then
    return GoalResult(goal.quantity, goal.kind, goal.wanted, goal.tolerance, given)


def _chance(goals: Sequence[Goal], found: Propagated, table: Mapping[str, Effect]) -> float | None:
    """Return the probability that the goals are met, each by itself, the least of them."""
    chances = []
    for goal in goals:
        if goal.kind in ("ratio", "shift"):
            name = f"{'ratio' if goal.kind == 'ratio' else 'change'} {goal.quantity}"
            value, std = found.values[name], found.std(name)
        elif goal.quantity in table and goal.kind not in ("least", "most"):
            then = table[goal.quantity].then
            value, std = then.value or 0.0, then.std_error or 0.0
        else:
            continue
        low, high = goal.wanted - goal.tolerance, goal.wanted + goal.tolerance
        low = -math.inf if goal.kind == "at most" else low
        high = math.inf if goal.kind == "at least" else high
        # Without an error there is no curve to take a part of: it is met or not.
        if std == 0.0:
            chances.append(float(low <= value <= high))
            continue
        chances.append(float(ndtr((high - value) / std) - ndtr((low - value) / std)))
    # Goals share the errors of the sheet, so a product would count them several times.
    return min(chances) if chances else None


def _plan(options: Mapping[Axle, AxleOption], found: Propagated, basis: Basis) -> RunPlan | None:
    changed: list[Axle] = [axle for axle, option in options.items() if option.changes]
    if not changed:
        return None
    target: Target = changed[0] if len(changed) == 1 else "total"
    change = math.log(found.values[f"ratio stiffness {target}"])
    remainder = found.std(f"log measured {target}")
    return plan_runs(change, basis.scatter[target], remainder, ("the present setting", "the new one"))


def _springs_instead(car: CarSheet, wish: Wish, present: Setup) -> dict[Axle, tuple[float, float]]:
    """Return the springs now and those that would make up for a bar that is to be off [N/mm]."""
    found: dict[Axle, tuple[float, float]] = {}
    for axle in () if "springs" in wish.kept else wish.bars_off:
        spring = predict_setup(car, "x", present).further.get(f"replacement_spring_{axle}")
        if spring is not None and spring.value is not None:
            found[axle] = car.axle(axle).spring.rate.value / 1e3, spring.value
    return found


def _missing_settings(wish: Wish, fitted: Mapping[Axle, AxleOption]) -> tuple[MissingSetting, ...]:
    """Return why the settings a wish asks for cannot be fitted."""
    found = []
    for move in wish.moves:
        axle, bar = move.axle, fitted[move.axle].bar
        wanted = candidates.wanted_setting(move, fitted[axle])
        if not isinstance(bar, BladedBar):
            found.append(MissingSetting(axle, NotFitted.NO_HOLES))
        elif wanted is None:
            found.append(MissingSetting(axle, NotFitted.UNEVEN))
        else:
            hole, spacers = wanted
            most = 0 if bar.spacer is None else bar.spacer.most
            if not 1 <= hole <= len(bar.holes):
                found.append(MissingSetting(axle, NotFitted.NO_HOLE, len(bar.holes), inwards=hole > 1))
            if not 0 <= spacers <= most:
                found.append(MissingSetting(axle, NotFitted.NO_SPACER, most))
    return tuple(found)


# Every figure of the car now and then, with the errors that do not cancel.


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
                tyres=dict(tyre_roll(state)),
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
