"""What ingest hands on: one run's channels under house names, in SI, on one uniform time base."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.core.units import Corner

LEAST_HIT_RATE: Final = 20.0
"""Samples of a pot per second below which no hit on a bump stop is looked for [Hz]: hits last 0.05 to 0.2 s
(virtual car and rigid-body engine)."""


class Verdict(StrEnum):
    """Outcome of a health check, from best to worst except for `NOT_TESTED`, which is no finding."""

    GOOD = "good"
    NOT_TESTED = "not tested"
    SUSPECT = "suspect"
    BAD = "bad"


class Check(StrEnum):
    """Checks whose rows something else of the program looks for, by the name that stands on a page."""

    MISSING = "missing"
    GAP = "gap"
    DEAD = "dead"
    UNIT = "unit"
    GRAVITY = "gravity"
    CORNERING = "cornering"
    STUCK = "stuck"
    SATURATED = "saturated"
    CLIPPED = "clipped"
    SPIKES = "spikes"
    DROPOUTS = "dropouts"
    NOISE = "noise"
    STROKE = "damper stroke"
    SLIPPED = "slipped"
    WRAPPED = "wrapped"
    CALIBRATION_RANGE = "calibration range"
    BETWEEN_PAIRS = "between pairs"
    ZERO_OF_RUN = "zero of the run"
    SPEED_RANGE = "speed range"
    POSITION = "position"
    POSITION_FIX = "position fix"
    BOX_ATTITUDE = "box attitude"
    LIFTED = "lifted"


@dataclass(frozen=True, slots=True)
class HealthRow:
    """One check of one channel.

    Parameters
    ----------
    check : str
        Name of the check in plain words ("gap", "stuck"); one of `Check` where anything looks for it.
    channel : str
        House name, or "time" or "log".
    verdict : Verdict
        `BAD` leaves the channel out of every estimate that needs it.
    value, threshold : float or None
        Measured figure and the limit it was held to [unit]; None when the check could not run.
    unit : str
        Unit of both.
    comment : str
        One sentence for the reader: what it means, what to do.
    """

    check: str
    channel: str
    verdict: Verdict
    value: float | None
    threshold: float | None
    unit: str
    comment: str


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A log file as it was read.

    Parameters
    ----------
    path : Path
        Where it was found.
    sha256 : str
        Hash of its bytes, for the report's footer.
    size : int
        Bytes.
    """

    path: Path
    sha256: str
    size: int


@dataclass(frozen=True, slots=True)
class RowPrints:
    """What the rows of a log are known by, whatever the run is called.

    Parameters
    ----------
    rows : ndarray of uint64
        Hash of the readings of each row that holds any, as they stand in the log.
    samples : ndarray of int32
        Sample of the run's base that each lies nearest to.
    """

    rows: NDArray[np.uint64]
    samples: NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class BoxLean:
    """How the box of the inertial unit leans against the car, and how well that is known.

    Parameters
    ----------
    angles : tuple of float
        About x, y and z of the car (ISO 8855) [rad]: positive leans the box to the right, nose down, and
        turns it to the left. What its channels were turned back by.
    std : tuple of float
        Standard uncertainty of each [rad].
    source : str
        ``found`` in the log's motion, ``session`` for the mean of a session's runs, ``stated`` in the car
        sheet, or ``unknown``: then nothing was turned.
    why : str
        What is missing where it is unknown.
    common : tuple of float
        Part of `std` that is the same in all runs of a car on a course [rad]: more runs do not take it away.
    apart : tuple of float
        Standard deviation of the lean between the runs of a session, beyond what their errors explain [rad];
        0 where they agree.
    """

    angles: tuple[float, float, float]
    std: tuple[float, float, float]
    source: Literal["found", "session", "stated", "unknown"]
    why: str = ""
    common: tuple[float, float, float] = (0.0, 0.0, 0.0)
    apart: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @classmethod
    def unknown(cls, std: float, why: str) -> BoxLean:
        """Return a box that is taken as level, with the usual lean of a bolted one for its error [rad]."""
        return cls((0.0, 0.0, 0.0), (std, std, std), "unknown", why)


@dataclass(frozen=True, slots=True)
class Lift:
    """A time in which the car did not stand on its wheels, as on stands or a jack.

    Parameters
    ----------
    first, end : int
        First sample and the one after the last: from before it comes up until it has settled again.
    corners : tuple of str
        Whose wheels hung.
    """

    first: int
    end: int
    corners: tuple[Corner, ...]


@dataclass(frozen=True, slots=True)
class Recording:
    """One run on a uniform time base.

    Parameters
    ----------
    run : str
        Name of the run.
    data : DataFrame
        One column per house channel [SI unit], float64; index ``time_s`` [s], uniform, starting where
        the log starts. Samples inside a gap are NaN and are suspect.
    suspect : DataFrame of bool
        Same shape; True = do not use this sample.
    sample_rate : float
        Samples per second of the uniform base [Hz].
    sources : tuple of SourceFile
        Files read.
    health : tuple of HealthRow
        Findings, worst first within a channel.
    steps : tuple of str
        What was done to get here, in order, including every guess and the key that overrides it.
    zero_std : mapping
        Pot -> standard uncertainty of its zero [m]; a pot whose zero has an unknown error is missing.
    zero : mapping
        Pot -> what it reads at static ride height, as it was taken off [m]; 0 where the calibration's zero
        was kept.
    prints : RowPrints or None
        What its rows are known by; None without pots and without an inertial unit.
    box : BoxLean
        What the inertial channels were turned back by, with its error.
    lifts : tuple of Lift
        Times in which it was lifted; its pots are suspect there.
    """

    run: str
    data: pd.DataFrame
    suspect: pd.DataFrame
    sample_rate: float
    sources: tuple[SourceFile, ...]
    health: tuple[HealthRow, ...]
    steps: tuple[str, ...]
    zero_std: Mapping[str, float] = field(default_factory=dict)
    zero: Mapping[str, float] = field(default_factory=dict)
    prints: RowPrints | None = None
    box: BoxLean = BoxLean((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), "unknown")
    lifts: tuple[Lift, ...] = ()

    def usable(self, channel: str) -> bool:
        """Return whether `channel` was logged and no check calls it bad."""
        bad = any(row.channel == channel and row.verdict is Verdict.BAD for row in self.health)
        return channel in self.data.columns and not bad

    def doubted_units(self) -> tuple[str, ...]:
        """Return the channels whose unit cannot be what the sheet says: out of use, but for the speed.

        No gradient, load or share rests on the size of the speed, so that it stays in use.
        """
        found = (Verdict.SUSPECT, Verdict.BAD)
        return tuple(
            row.channel
            for row in self.health
            if row.check == Check.UNIT
            and (row.verdict is Verdict.BAD or (row.channel == "speed" and row.verdict in found))
        )
