"""Which setting next: every setting the shelf allows against the wish, the smallest change first."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from scipy.special import ndtr

from analyzer.comparison.calibrated_car import Calibration
from analyzer.comparison.choosing import candidates
from analyzer.comparison.choosing.candidates import AxleOption, Grid
from analyzer.comparison.choosing.effects import (
    Ladders,
    balance_caution,
    effects,
    hardware_figures,
    option_cautions,
    outcome,
    ratios,
)
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
from analyzer.comparison.stiffness import Target, common_sensitivity, roll_sheet
from analyzer.comparison.verdict import default_scatter, plan_runs
from analyzer.core.errors import AnalyzerError
from analyzer.core.estimate import Estimate
from analyzer.core.units import AXLES, STANDARD_GRAVITY, Axle
from analyzer.prediction.propagation import Propagated
from analyzer.prediction.settings import fitted_setting
from analyzer.prediction.setup import predict_setup
from analyzer.processing.results import RunEstimates
from analyzer.sheets.bar import BladedBar
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup
from analyzer.vehicle.completion import bench_taken

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
    # Stress and motion are judged where something changes; the rest is on the car already.
    changed: dict[Axle, AxleOption] = {axle: o for axle, o in options.items() if o.changes}
    factors, warnings = hardware_figures(ladders, changed)
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
        cautions=(*option_cautions(changes, factors, options), *balance, *warnings),
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
        if std == 0.0:
            chances.append(float(low <= value <= high))
            continue
        chances.append(float(ndtr((high - value) / std) - ndtr((low - value) / std)))
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
