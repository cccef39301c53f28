"""The sample session: which runs are driven, on which set-up, and what the virtual car did in them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.demo.car import SETUPS, TEAL_COUPE, Floats, bar_rates
from analyzer.demo.course import KETTLE_YARD, Manner, course_length, course_table
from analyzer.demo.engine import Motion, simulate
from analyzer.demo.plan import Plan, drive
from analyzer.demo.road import CLASS_MEAN, rough_surface
from analyzer.demo.sensors import Logger, log_columns

RUNS: Final = (("r01", "A"), ("r02", "A"), ("r03", "A"), ("r04", "B"), ("r05", "B"), ("r06", "B"))
"""Names and set-ups of the runs, in driving order."""

MANNERS: Final = (
    Manner(pace=0.955, slip=0.94, shift=0.0, waver=0.020, start=3.8, finish=3.0),
    Manner(pace=0.995, slip=1.00, shift=1.5, waver=0.022, start=3.6, finish=3.4),
    Manner(pace=1.035, slip=1.05, shift=-1.5, waver=0.025, start=4.1, finish=3.0),
    Manner(pace=0.960, slip=0.97, shift=-0.5, waver=0.020, start=3.7, finish=3.2),
    Manner(pace=1.005, slip=1.02, shift=1.0, waver=0.022, start=4.0, finish=3.0),
    Manner(pace=1.030, slip=1.03, shift=-1.0, waver=0.025, start=3.6, finish=3.1),
)

ROAD: Final = float(np.sqrt(CLASS_MEAN["A"] * CLASS_MEAN["B"]))
"""Gd(n0) of the course: the border between classes A and B [m3]."""


@dataclass(frozen=True)
class Driven:
    """The session as driven.

    Parameters
    ----------
    motion : Motion
        What the car did, all runs side by side.
    plan : Plan
        What it was meant to do.
    ends : ndarray
        Length of each run's recording [s].
    logs : tuple of ndarray
        The logger's table of each run.
    """

    motion: Motion
    plan: Plan
    ends: Floats
    logs: tuple[Floats, ...]


def drive_session(seed: int, tell: Callable[[str], None] = lambda _text: None) -> Driven:
    """Drive the sample session; the same `seed` gives the same session to the last digit."""
    rng = np.random.default_rng(seed)
    length = course_length(KETTLE_YARD)
    tell("laying out the course")
    tables = np.stack([course_table(KETTLE_YARD, manner, rng) for manner in MANNERS])
    # The same ground in every run, as on a real course; each run takes its own line over it.
    road = rough_surface(length + 100.0, ROAD, rng)
    plan, ends = drive(tables, list(MANNERS), length - 3.0, [road] * len(RUNS))
    bars = np.stack([bar_rates(TEAL_COUPE, SETUPS[setup]) for _, setup in RUNS])
    tell("driving six runs")
    motion = simulate(TEAL_COUPE, bars, plan)
    logger = Logger.drawn(rng)
    tell("logging")
    logs = tuple(
        log_columns(TEAL_COUPE, motion, run, float(ends[run]), logger, rng) for run in range(len(RUNS))
    )
    return Driven(motion, plan, ends, logs)
