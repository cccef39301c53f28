"""Every setting the shelf allows, worked out at once."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from analyzer.comparison.choosing.wishes import Goal, Move, Wish
from analyzer.comparison.results import Bank
from analyzer.core.errors import AnalyzerError
from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import Floats
from analyzer.core.units import (
    AXLE_CORNERS,
    AXLES,
    MM_PER_M,
    RAD_PER_MPS2_TO_DEG_PER_G,
    STANDARD_GRAVITY,
    Axle,
    Uncertain,
)
from analyzer.prediction.propagation import replace_values
from analyzer.prediction.setup import NM_PER_DEG, body_forces, roll_values
from analyzer.sheets.bar import BladedBar, FormedBar, NoBar, weld_problem
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import BarSetting, Setup
from analyzer.vehicle.axle import CarRoll, car_roll, mass_properties, static_motion_ratio
from analyzer.vehicle.bar.rate import axle_bar_rate, setting_in_words, with_bench_of
from analyzer.vehicle.bar.section import array
from analyzer.vehicle.completion import complete_bar, complete_car

MOST_SETTINGS: Final = 200_000
"""Combinations looked at; a shelf with more has to be made smaller."""

COSTS: Final = {"hole": 1.0, "spacer": 0.5, "off": 1.0, "spring": 4.0, "blade": 3.0, "tube": 5.0}
"""What a change costs, in hole changes: time in the pits (engineering judgement)."""


@dataclass(frozen=True, slots=True)
class AxleOption:
    """What one axle could be set to.

    Parameters
    ----------
    setting : BarSetting, "off" or None
        Bar setting.
    words : str
        What is fitted, in words.
    changes : tuple of str
        What has to be done to the car as it is; empty for the present state.
    cost : float
        In hole changes.
    spring : Uncertain
        Spring rate [N/m].
    bar : BladedBar, FormedBar or NoBar
        The bar, with its parts.
    rate : float
        Its rate at one link [N/m].
    other_spring, other_parts : bool
        Whether springs, tube or blades are others than those on the car.
    """

    setting: Any
    words: str
    changes: tuple[str, ...]
    cost: float
    spring: Uncertain
    bar: BladedBar | FormedBar | NoBar
    rate: float
    other_spring: bool = False
    other_parts: bool = False


@dataclass(frozen=True, slots=True)
class Grid:
    """All combinations of both axles' options.

    Parameters
    ----------
    front, rear : tuple of AxleOption
        Options.
    front_index, rear_index : ndarray of int
        Option of each combination.
    cost : ndarray
        In hole changes.
    figures : dict
        Quantity (as in `analyzer.comparison.choosing.wishes`) -> value per combination: stiffness
        [N m/deg], gradient [deg/g], share [1], margin [mm].
    present : int
        The combination that is on the car now.
    """

    front: tuple[AxleOption, ...]
    rear: tuple[AxleOption, ...]
    front_index: np.ndarray[tuple[int], np.dtype[np.int64]]
    rear_index: np.ndarray[tuple[int], np.dtype[np.int64]]
    cost: Floats
    figures: dict[str, Floats]
    present: int

    def options(self, index: int) -> dict[Axle, AxleOption]:
        """Return the options of one combination."""
        return {"front": self.front[self.front_index[index]], "rear": self.rear[self.rear_index[index]]}


def build_grid(car: CarSheet, present: Setup, bank: Bank | None) -> Grid:
    """Work out every combination of holes, spacers, bars on or off, and parts on the shelf.

    Parameters
    ----------
    car : CarSheet
        With its shelf.
    present : Setup
        What is on the car now.
    bank : Bank or None
        For the margin to the bump stops.

    Raises
    ------
    AnalyzerError
        When the shelf allows more than `MOST_SETTINGS` combinations.
    """
    complete, _ = complete_car(car)
    options = {axle: axle_options(complete, axle, present) for axle in AXLES}
    size = len(options["front"]) * len(options["rear"])
    if size > MOST_SETTINGS:
        raise AnalyzerError(
            f"the shelf allows {size} settings, more than {MOST_SETTINGS}; list fewer springs or tubes"
        )
    # Every combination is one place of flat arrays, so that prediction runs once for all of them.
    front, rear = (np.arange(len(options[a])) for a in AXLES)
    front_index, rear_index = (part.ravel() for part in np.meshgrid(front, rear, indexing="ij"))
    picked = {"front": front_index, "rear": rear_index}
    springs = {f"{a}.spring.rate": np.array([o.spring.value for o in options[a]])[picked[a]] for a in AXLES}
    rates = {a: np.array([o.rate for o in options[a]])[picked[a]] for a in AXLES}
    costs = sum(np.array([o.cost for o in options[a]])[picked[a]] for a in AXLES)
    sheet = replace_values(complete, springs)
    figures = setting_figures(sheet, car_roll(sheet, rates), bank)
    whole = {name: np.broadcast_to(value, (size,)) for name, value in figures.items()}
    # The present state costs nothing, and it alone.
    present_index = int(np.flatnonzero(costs == 0.0)[0])
    return Grid(
        tuple(options["front"]),
        tuple(options["rear"]),
        front_index,
        rear_index,
        np.asarray(costs, dtype=np.float64),
        whole,
        present_index,
    )


def setting_figures(sheet: CarSheet, roll: CarRoll, bank: Bank | None) -> dict[str, Any]:
    """Return the figures of settings in the units of the page; arrays where sheet or roll hold arrays."""
    values = roll_values(roll)
    figures: dict[str, Any] = {"front share": values["front share"]}
    for part in (*AXLES, "total"):
        figures[f"stiffness {part}"] = values[f"stiffness {part}"] * NM_PER_DEG
        figures[f"gradient {part}"] = values[f"gradient {part}"] * RAD_PER_MPS2_TO_DEG_PER_G
    for axle in AXLES:
        figures[f"body gradient {axle}"] = values[f"body gradient {axle}"] * RAD_PER_MPS2_TO_DEG_PER_G
        left, right = (array(sheet.mass.load(corner)) for corner in AXLE_CORNERS[axle])
        figures[f"inside load {axle}"] = (
            np.minimum(left, right) - values[f"transfer {axle}"] * STANDARD_GRAVITY
        )
    if bank is not None:
        figures |= _margins(sheet, roll, bank)
    return figures


def _margins(sheet: CarSheet, roll: CarRoll, bank: Bank) -> dict[str, Any]:
    """Return the damper travel left on a bank, per axle's outer side and the least of them [mm].

    As `analyzer.prediction.setup.banked_travel`, for many settings at once.
    """
    masses = mass_properties(sheet)
    lateral, vertical = body_forces(bank.angle, bank.centripetal)
    body = lateral / (1.0 - vertical * roll.body)
    margins: dict[str, Any] = {}
    for axle in AXLES:
        part = sheet.axle(axle)
        if part.damper.bump_stop_gap is None:
            continue
        ratio = static_motion_ratio(part.damper_motion_ratio)
        wheel_rate = array(part.spring.rate) * static_motion_ratio(part.spring.motion_ratio) ** 2
        # On both wheels alike, where a bar does nothing: the springs alone carry what a bank adds.
        heave = masses.axle(axle).sprung * (vertical - STANDARD_GRAVITY) / 2.0 / wheel_rate
        lean = roll.axles[axle].suspension * body * array(part.track_width) / 2.0
        used = ratio * (heave + np.abs(lean))
        margins[f"margin {axle}"] = (array(part.damper.bump_stop_gap) - used) * MM_PER_M
    if margins:
        found = list(margins.values())
        margins["margin"] = found[0] if len(found) == 1 else np.minimum(found[0], found[1])
    return margins


def axle_options(car: CarSheet, axle: Axle, present: Setup) -> tuple[AxleOption, ...]:
    """Return what an axle could be set to, the present state first."""
    sheet, shelf = car.axle(axle), getattr(car.shelf, axle)
    springs = [(sheet.spring.rate, False), *((rate, True) for rate in shelf.springs)]
    bars = _bars(car, axle, shelf)
    now = present.bar(axle)
    found = []
    # The bar's statics once per bar and setting; springs do not touch them.
    for bar, bar_changes, bar_cost in bars:
        part = sheet.model_copy(update={"bar": bar})
        for setting in _settings(bar, now):
            rate = float(axle_bar_rate(part, setting))
            changes, cost = _steps(axle, now, setting, bar)
            for spring, other in springs:
                words = setting_in_words(setting, bar)
                told = (f"{axle} springs {spring.value / 1000:.1f} N/mm",) if other else ()
                found.append(
                    AxleOption(
                        setting=setting,
                        words="; ".join((f"{axle} bar {words}", *bar_changes, *told)),
                        changes=(*changes, *bar_changes, *told),
                        cost=cost + bar_cost + (COSTS["spring"] if other else 0.0),
                        spring=spring,
                        bar=bar,
                        rate=rate,
                        other_spring=other,
                        other_parts=bool(bar_changes),
                    )
                )
    # Least work first: of settings that meet the wish alike, the smaller change is better known.
    return tuple(sorted(found, key=lambda option: option.cost))


def _bars(car: CarSheet, axle: Axle, shelf: Any) -> list[tuple[Any, tuple[str, ...], float]]:
    bar = car.axle(axle).bar
    found: list[tuple[Any, tuple[str, ...], float]] = [(bar, (), 0.0)]
    if not isinstance(bar, BladedBar):
        return found
    # Moduli of parts on the shelf come from the table, as for the fitted ones.
    complete = complete_bar(bar)
    if not isinstance(complete, BladedBar):
        return found
    for tube in (None, *shelf.tubes):
        for blade in (None, *shelf.blades):
            if tube is None and blade is None:
                continue
            if weld_problem(tube or complete.tube, blade or complete.blade) is not None:
                continue
            update = {"tube": tube} if tube is not None else {}
            words, cost = [], 0.0
            if tube is not None:
                words.append(f"{axle} tube {_size(tube.outside_diameter)} x {_size(tube.wall)} mm")
                cost += COSTS["tube"]
            if blade is not None:
                # It is joined to the tube as the fitted one is, unless the shelf says otherwise.
                same = {} if blade.seat is not None else {"seat": bar.blade.seat}
                update["blade"] = blade.model_copy(update=same)
                words.append(f"{axle} blade {_size(blade.depth)} x {_size(blade.thickness)} mm")
                cost += COSTS["blade"]
            other = with_bench_of(complete, complete.model_copy(update=update))
            moved = car.model_copy(update={axle: car.axle(axle).model_copy(update={"bar": other})})
            found.append((complete_car(moved)[0].axle(axle).bar, tuple(words), cost))
    return found


def _size(length: Uncertain | None) -> str:
    return "solid" if length is None else f"{length.value * MM_PER_M:.3g}"


def _settings(bar: BladedBar | FormedBar | NoBar, now: Any) -> list[Any]:
    if isinstance(bar, NoBar):
        return [now]
    if isinstance(bar, FormedBar):
        return [now, "off"] if now != "off" else ["off", None]
    most = 0 if bar.spacer is None else bar.spacer.most
    every: list[Any] = [
        BarSetting(hole=hole, spacers=spacers)
        for hole in range(1, len(bar.holes) + 1)
        for spacers in range(most + 1)
    ]
    every.append("off")
    return every if now in every else [now, *every]


def _steps(
    axle: Axle, now: Any, setting: Any, bar: BladedBar | FormedBar | NoBar
) -> tuple[tuple[str, ...], float]:
    """Return what has to be done to get from the present setting to another one, and its cost."""
    if setting == now or isinstance(bar, NoBar):
        return (), 0.0
    if setting == "off":
        return (f"unhook the {axle} bar's links",), COSTS["off"]
    words = setting_in_words(setting, bar)
    if not isinstance(now, BarSetting) or not isinstance(setting, BarSetting) or now.right is not None:
        return (f"set the {axle} bar to {words}",), COSTS["off"] + COSTS["hole"]
    cost = 0.0
    if setting.hole != now.hole:
        cost += COSTS["hole"] * (1.0 + 0.1 * (abs(setting.hole - now.hole) - 1))
    cost += COSTS["spacer"] * abs(setting.spacers - now.spacers)
    return (f"set the {axle} bar to {words}",), cost


# How far every setting is from a wish, and which ones are worth showing.


BETTER: Final = 0.9
"""Part of the distance (or cost) of the options before that a further one must come down to, to be listed."""

Bools = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]


def distance(grid: Grid, wish: Wish, measured: Mapping[str, Estimate]) -> Floats:
    """Return the distance of every combination from the wish, in tolerances; inf for what it rules out.

    The greatest distance of all goals and settings counts, so a wish is met up to 1.
    """
    parts = [np.zeros(len(grid.cost)), *(_move_miss(grid, move) for move in wish.moves)]
    best = [goal for goal in wish.goals if goal.kind in ("least", "most")]
    for goal in wish.goals:
        if goal not in best:
            miss = np.abs(_goal_miss(grid, goal, measured))
            if wish.or_off is not None and goal.quantity == f"stiffness {wish.or_off}":
                # No better than just met: a setting that is nearer comes first.
                miss = np.where(_has_bar_off(grid, wish.or_off), 1.0, miss)
            parts.append(miss)
    worst = np.where(allowed_settings(grid, wish), np.max(np.stack(parts), axis=0), np.inf)
    # As little or as much as possible among what meets the rest.
    for goal in best:
        met = worst <= 1.0
        sign = 1.0 if goal.kind == "least" else -1.0
        values = sign * grid.figures[goal.quantity] / grid.figures[goal.quantity][grid.present]
        lowest = values[met if met.any() else np.isfinite(worst)].min(initial=np.inf)
        if np.isfinite(lowest):
            worst = np.maximum(worst, (values - lowest) / goal.tolerance)
    return np.asarray(worst)


def _move_miss(grid: Grid, move: Move) -> Floats:
    """Return how far every combination is from a setting asked for: a spacer counts 2, a hole 4.

    No setting is met in part. Left and right set differently are no setting that can be asked for.
    """
    options, index = (grid.front, grid.front_index) if move.axle == "front" else (grid.rear, grid.rear_index)
    wanted = wanted_setting(move, grid.options(grid.present)[move.axle])
    if wanted is None:
        return np.full(len(grid.cost), np.inf)
    hole, spacers = wanted
    found = []
    for option in options:
        setting = option.setting
        if not isinstance(setting, BarSetting) or setting.right is not None:
            found.append(math.inf)
        else:
            found.append(2.0 * (2.0 * abs(setting.hole - hole) + abs(setting.spacers - spacers)))
    return np.asarray(found, dtype=np.float64)[index]


def wanted_setting(move: Move, present: AxleOption) -> tuple[int, int] | None:
    """Return hole and spacers that are asked for, whether the bar has them or not.

    None where the bar has no holes, or where a step counts from a bar that is off or set unevenly.
    """
    bar, now = present.bar, present.setting
    if not isinstance(bar, BladedBar):
        return None
    even = isinstance(now, BarSetting) and now.right is None
    if not even and (move.relative or move.hole is None):
        return None
    hole, spacers = (now.hole, now.spacers) if even else (1, 0)
    if move.relative:
        return hole + (move.hole or 0), spacers + (move.spacers or 0)
    wanted = hole if move.hole is None else (len(bar.holes) if move.hole == -1 else move.hole)
    return wanted, spacers if move.spacers is None else move.spacers


def _has_bar_off(grid: Grid, axle: Axle) -> Bools:
    options, index = (grid.front, grid.front_index) if axle == "front" else (grid.rear, grid.rear_index)
    return np.array([o.setting == "off" or isinstance(o.bar, NoBar) for o in options])[index]


def _goal_miss(grid: Grid, goal: Goal, measured: Mapping[str, Estimate]) -> Floats:
    values = grid.figures.get(goal.quantity)
    if values is None:  # no bump-stop gap in the sheet: the margin cannot be told
        return np.full(len(grid.cost), np.inf)
    now = values[grid.present]
    if goal.kind == "ratio":
        return np.asarray((values / now - goal.wanted) / goal.tolerance)
    if goal.kind == "shift":
        return np.asarray((values - now - goal.wanted) / goal.tolerance)
    known = measured.get(goal.quantity)
    if known is not None and known.value is not None:
        values = values * (known.value / now)
    if goal.kind == "at least":
        return np.asarray(np.maximum(goal.wanted - values, 0.0) / goal.tolerance)
    if goal.kind == "at most":
        return np.asarray(np.maximum(values - goal.wanted, 0.0) / goal.tolerance)
    return np.asarray((values - goal.wanted) / goal.tolerance)


def allowed_settings(grid: Grid, wish: Wish) -> Bools:
    """Return which combinations the wish allows: a bar that must be off, one axle only, parts that stay."""
    allowed = np.ones(len(grid.cost), dtype=np.bool_)
    tables: dict[Axle, Any] = {"front": (grid.front, grid.front_index), "rear": (grid.rear, grid.rear_index)}
    for axle, (options, index) in tables.items():
        if axle in wish.bars_off:
            allowed &= _has_bar_off(grid, axle)
        if axle in wish.bars_on:
            allowed &= ~_has_bar_off(grid, axle)
        if wish.only is not None and wish.only != axle:
            allowed &= np.array([not o.changes for o in options])[index]
        # What is on the car now stands first among the options.
        kept = (
            ("springs", [not o.other_spring for o in options]),
            ("parts", [not o.other_parts for o in options]),
            ("bars", [o.setting == options[0].setting for o in options]),
        )
        for what, as_now in kept:
            if what in wish.kept:
                allowed &= np.array(as_now)[index]
    return allowed


def best_settings(grid: Grid, wish: Wish, miss: Floats, most: int) -> list[int]:
    """Return the best combinations: those that meet the wish by cost, then the nearest others.

    A combination that costs more and comes no nearer than one already listed is left out; a bar that may be
    off instead is offered whatever else is listed.
    """
    cost = grid.cost
    reached = np.flatnonzero(miss <= 1.0)
    first = reached[np.lexsort((miss[reached], cost[reached]))]
    listed = _better_each_time(first, miss)
    if not listed:
        rest = np.flatnonzero(np.isfinite(miss))
        listed = _better_each_time(rest[np.lexsort((cost[rest], np.round(miss[rest], 3)))], cost)
    listed = listed[:most]
    if wish.or_off is not None:
        off = [int(index) for index in first if _has_bar_off(grid, wish.or_off)[index]]
        if off and most > 1 and not set(off) & set(listed):
            listed = [*listed[: most - 1], off[0]]
    return listed


def _better_each_time(order: Indices, figure: Floats) -> list[int]:
    """Return the members of `order` whose `figure` is clearly lower than that of all before them."""
    listed: list[int] = []
    lowest = math.inf
    for index in order:
        if figure[index] < BETTER * lowest:
            listed.append(int(index))
            lowest = float(figure[index])
    return listed
