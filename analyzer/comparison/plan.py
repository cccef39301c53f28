"""How many runs, in which order, show a change of a given size."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analyzer.comparison.choice import RunPlan
from analyzer.comparison.random_effects import LEVEL, RUN_SCATTER, Contrast, detection_power

WANTED_POWER: Final = 0.90

MOST_RUNS: Final = 12
"""Runs of each set-up that fit into a day with time to change the car over; engineering judgement."""


def plan_runs(
    change: float,
    scatter: float,
    remainder: float = 0.0,
    names: tuple[str, str] = ("A", "B"),
    power: float = WANTED_POWER,
) -> RunPlan:
    """Return the fewest runs of each set-up that show a change.

    Parameters
    ----------
    change : float
        True change of the logarithm of the stiffness.
    scatter : float
        Standard deviation of one run's logarithm.
    remainder : float
        Error of the change that more runs do not lessen.
    names : tuple of str
        Set-ups before and after.
    power : float
        Wanted probability.
    """
    reached = 0.0
    for runs in range(2, MOST_RUNS + 1):
        reached = plan_power(change, scatter, runs, remainder)
        if reached >= power:
            order = plan_order(runs, names)
            chance = min(math.floor(100.0 * reached), 99)
            words = f"{runs} runs of each set-up: {order}; the change is then seen with {chance} % power"
            return RunPlan(runs, order, reached, scatter, words)
    words = (
        f"even {MOST_RUNS} runs of each set-up would show it with {100.0 * reached:.0f} % power only: "
        "the change is below what can be verified on track with this scatter"
    )
    return RunPlan(None, plan_order(MOST_RUNS, names), reached, scatter, words)


def plan_power(change: float, scatter: float, runs: int, remainder: float = 0.0) -> float:
    """Return the probability that `runs` runs of each set-up, driven in `plan_order`, show a change [1].

    Drift is taken out, which costs a degree of freedom and, for an odd number of runs, a little precision.
    """
    first, second = _turns(runs)
    after = np.array([0.0] * first + [1.0] * runs + [0.0] * second)
    design = np.column_stack([1.0 - after, after, np.arange(len(after)) - (len(after) - 1) / 2.0])
    row = np.array([-1.0, 1.0, 0.0])
    variance = float(row @ np.linalg.inv(design.T @ design) @ row)
    own = Contrast(0.0, scatter * math.sqrt(variance), float(len(after) - design.shape[1]))
    whole = own.with_known(remainder)
    return detection_power(change, whole.std_error, whole.freedom, LEVEL)


def default_scatter(scale: float = 1.0) -> float:
    """Return the scatter taken where the session shows none: that of the prior, times `scale`."""
    return RUN_SCATTER.scatter * scale


def plan_order(runs: int, names: tuple[str, str]) -> str:
    """Return the order of driving: half of the first set-up, all of the second, the rest of the first.

    Straight-line drift then cancels, and the car is changed over twice only.
    """
    first, second = _turns(runs)
    return f"{first} on {names[0]}, {runs} on {names[1]}, then {second} on {names[0]} again"


def _turns(runs: int) -> tuple[int, int]:
    return runs - runs // 2, runs // 2
