"""How far every setting is from a wish, and which ones are worth showing."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

import numpy as np
import numpy.typing as npt

from analyzer.comparison.grid import Grid
from analyzer.comparison.random_effects import Floats
from analyzer.comparison.wishes import Goal, Wish
from analyzer.estimate import Estimate
from analyzer.sheets.bar import NoBar

BETTER: Final = 0.9
"""Part of the distance (or cost) of the options before that a further one must come down to, to be listed."""

Bools = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]


def distance(grid: Grid, wish: Wish, measured: Mapping[str, Estimate]) -> Floats:
    """Return the distance of every combination from the goals, in tolerances."""
    parts = [_goal_miss(grid, goal, measured) for goal in wish.goals]
    return np.asarray(np.max(np.abs(np.stack(parts)), axis=0)) if parts else np.zeros(len(grid.cost))


def _goal_miss(grid: Grid, goal: Goal, measured: Mapping[str, Estimate]) -> Floats:
    values = grid.figures.get(goal.quantity)
    if values is None:  # no bump-stop gap in the sheet: the margin cannot be told
        return np.full(len(grid.cost), np.inf)
    now = values[grid.present]
    if goal.kind == "ratio":
        return np.asarray((values / now - goal.wanted) / goal.tolerance)
    known = measured.get(goal.quantity)
    if known is not None and known.value is not None:
        values = values * (known.value / now)
    if goal.kind == "at least":
        return np.asarray(np.maximum(goal.wanted - values, 0.0) / goal.tolerance)
    return np.asarray((values - goal.wanted) / goal.tolerance)


def allowed_settings(grid: Grid, wish: Wish) -> Bools:
    """Return which combinations the wish allows: a bar that must be off, one axle only."""
    allowed = np.ones(len(grid.cost), dtype=np.bool_)
    tables = {"front": (grid.front, grid.front_index), "rear": (grid.rear, grid.rear_index)}
    for axle, (options, index) in tables.items():
        if wish.bar_off == axle:
            off = np.array([o.setting == "off" or isinstance(o.bar, NoBar) for o in options])
            allowed &= off[index]
        if wish.only is not None and wish.only != axle:
            same = np.array([not o.changes for o in options])
            allowed &= same[index]
    return allowed


def best_settings(miss: Floats, cost: Floats, allowed: Bools, most: int) -> list[int]:
    """Return the best combinations: those that meet the wish by cost, then the nearest others.

    A combination that costs more and comes no nearer than one already listed is left out.
    """
    reached = np.flatnonzero(allowed & (miss <= 1.0))
    first = reached[np.lexsort((miss[reached], cost[reached]))]
    listed = _better_each_time(first, miss)
    if not listed:
        rest = np.flatnonzero(allowed & np.isfinite(miss))
        listed = _better_each_time(rest[np.lexsort((cost[rest], np.round(miss[rest], 3)))], cost)
    return listed[:most]


def _better_each_time(order: Indices, figure: Floats) -> list[int]:
    """Return the members of `order` whose `figure` is clearly lower than that of all before them."""
    listed: list[int] = []
    lowest = math.inf
    for index in order:
        if figure[index] < BETTER * lowest:
            listed.append(int(index))
            lowest = float(figure[index])
    return listed
