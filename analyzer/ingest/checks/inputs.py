"""What the checks look at: the channels, their block statistics, where the car stands, limits per kind."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from analyzer.core.signals import BLOCK_SECONDS, Blocks, blanked
from analyzer.core.units import AXLE_CORNERS, EARTH_RADIUS, STANDARD_GRAVITY
from analyzer.ingest.recording import Check, HealthRow, Lift, Verdict
from analyzer.ingest.timebase import TimeBase
from analyzer.ingest.zero import standing_blocks
from analyzer.sheets.car import AxleSheet, CarSheet, Logger

# Limits of the checks that hold for any sensor, per kind of channel.


SUBSAMPLE: Final = 20_000
"""Samples that stand for a whole channel where only its usual size is asked for."""


@dataclass(frozen=True, slots=True)
class Kind:
    """Limits for one kind of channel, in SI; all engineering judgement.

    Parameters
    ----------
    spike, step : float
        Smallest lone spike, and smallest jump, that no car makes from one sample to the next at 100 Hz.
    noise, worst_noise : float
        Sample-to-sample noise in the quietest parts, suspect and bad.
    grain : float
        Coarsest useful resolution.
    factor, unit : float, str
        For the reader: SI times factor gives unit.
    """

    spike: float
    step: float
    noise: float
    worst_noise: float
    grain: float
    factor: float
    unit: str


KINDS: Final[dict[str, Kind]] = {
    "damper": Kind(0.008, 0.020, 0.0005, 0.003, 0.0006, 1000.0, "mm"),
    "accel": Kind(
        2.0 * STANDARD_GRAVITY,
        2.5 * STANDARD_GRAVITY,
        4.0,
        10.0,
        0.06 * STANDARD_GRAVITY,
        1 / STANDARD_GRAVITY,
        "g",
    ),
    "gyro": Kind(1.2, 1.6, 0.2, 1.0, 0.02, 57.29577951308232, "deg/s"),
    "speed": Kind(5.0, 8.0, 1.0, 5.0, 0.6, 3.6, "km/h"),
    "steer": Kind(0.6, 1.2, 0.05, 0.5, 0.05, 57.29577951308232, "deg"),
}


def kind_of_channel(name: str) -> Kind | None:
    """Return the limits for a house channel; None for channels without any (position, others)."""
    return KINDS.get(name.partition("_")[0])


# What the checks share: the channels, their block statistics, and where the car stands.


Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Found = TypeVar("Found")

PAIRS: Final = tuple((f"damper_{left}", f"damper_{right}") for left, right in AXLE_CORNERS.values())
POTS: Final = tuple(pot for pair in PAIRS for pot in pair)

SIDE_SIGN: Final = {"damper_FL": -1.0, "damper_FR": 1.0, "damper_RL": -1.0, "damper_RR": 1.0}
"""Sign of travel per lateral specific force: in a left turn the right side goes in."""
END_SIGN: Final = {"damper_FL": -1.0, "damper_FR": -1.0, "damper_RL": 1.0, "damper_RR": 1.0}
"""Sign of travel per forward specific force: under braking the front goes in."""


@dataclass(slots=True)
class Findings:
    """Rows of the checks, and the samples they call suspect.

    Parameters
    ----------
    rows : list of HealthRow
        One per check and channel.
    marks : dict
        Channel -> stretches of samples (first, one past the last) not to be used.
    held : dict
        Channel -> those of them in which it was stuck for long: the rest of it is sound.
    """

    rows: list[HealthRow] = field(default_factory=list)
    marks: dict[str, list[tuple[int, int]]] = field(default_factory=dict)
    held: dict[str, list[tuple[int, int]]] = field(default_factory=dict)

    def add(
        self,
        check: str,
        channel: str,
        verdict: Verdict,
        value: float | None,
        threshold: float | None,
        unit: str,
        comment: str,
    ) -> None:
        """Add a row; a figure that is not finite is left out."""
        if value is not None and not np.isfinite(value):
            value = None
        self.rows.append(HealthRow(check, channel, verdict, value, threshold, unit, comment))

    def untested(self, check: str, channel: str, reason: str) -> None:
        """Add a row for a check that could not run."""
        self.add(check, channel, Verdict.NOT_TESTED, None, None, "", reason)

    def mark(self, channel: str, first: int, end: int) -> None:
        """Call the samples from `first` up to `end` (exclusive) suspect."""
        self.marks.setdefault(channel, []).append((first, end))

    def join(self, other: Findings) -> None:
        """Take over the findings of another check."""
        self.rows += other.rows
        for channel, stretches in other.marks.items():
            self.marks.setdefault(channel, []).extend(stretches)
        self.held |= other.held


_OF_SIZE: Final = (Check.UNIT, Check.GRAVITY)
"""Checks by which scale or offset of a channel is wrong: neither turns the sign of a correlation."""


class Signals:
    """Channels of a run with statistics that several checks need, each computed once.

    Parameters
    ----------
    blocks : Blocks
        House channels on the time base [SI] with their block statistics.
    base : TimeBase
        Their times.
    logger : Logger
        What the car sheet says about the logger.
    car : CarSheet or None
        The whole car sheet, for damper strokes; None for a log without one.
    outside : dict
        Channel -> True where its reading lies outside the calibration table.
    complete : set of str
        Channels known to have every sample.
    lifts : sequence of Lift
        Times in which the car was lifted: no channel holds anything there, and that is no gap.
    """

    def __init__(
        self,
        blocks: Blocks,
        base: TimeBase,
        logger: Logger,
        car: CarSheet | None,
        outside: dict[str, Bools],
        complete: set[str],
        lifts: Sequence[Lift] = (),
    ) -> None:
        self.data = blocks.data
        self.aside = np.zeros(base.count if lifts else 1, dtype=np.bool_)
        for lift in lifts:
            self.aside[lift.first : lift.end] = True
        self.base = base
        self.logger = logger
        self.car = car
        self.outside = {n: flags & ~self.aside for n, flags in outside.items()} if lifts else outside
        self.complete = complete
        self.bad: set[str] = set()
        self._senseless: set[str] = set()
        self.blocks = blocks
        self.block = blocks.size
        self._still: Bools | None = None
        self._known: dict[str, Any] = {}

    def without(self, held: Mapping[str, Sequence[tuple[int, int]]]) -> Signals:
        """Return the signals with nothing in stretches of channels, of which no check shall judge."""
        data = {**self.data, **{name: blanked(self.data[name], parts) for name, parts in held.items()}}
        blocks = Blocks(data, self.base.rate)
        rest = Signals(blocks, self.base, self.logger, self.car, self.outside, self.complete - set(held))
        rest.aside, rest._still = self.aside, self.still
        for name in data:
            if name not in held:
                blocks.keep(name, self.blocks)
        return rest

    def once(self, name: str, find: Callable[[Signals], Found]) -> Found:
        """Return what `find` says of the run; later calls under the same name are given the first answer."""
        if name not in self._known:
            self._known[name] = find(self)
        found: Found = self._known[name]
        return found

    def mean(self, name: str) -> Floats:
        """Return the means of whole blocks of half a second; NaN where a sample is missing."""
        return self.blocks.mean(name)

    def spread(self, name: str) -> Floats:
        """Return the standard deviations of the same blocks."""
        return self.blocks.spread(name)

    @property
    def still(self) -> Bools:
        """Whether the car clearly stands, per block."""
        if self._still is None:
            self._still = standing_blocks(self.blocks)
        return self._still

    def standing_mean(self, name: str) -> float | None:
        """Return the median of a channel over the blocks in which the car stands; None below 2 s of them."""
        blocks = self.mean(name)[self.still]
        blocks = blocks[np.isfinite(blocks)]
        return float(np.median(blocks)) if len(blocks) * BLOCK_SECONDS >= 2.0 else None

    def moving_blocks(self, *names: str) -> Bools:
        """Return the blocks in which the car does not stand and all `names` have every sample."""
        good = ~self.still
        for name in names:
            good = good & np.isfinite(self.mean(name))
        return good

    def trusted(self, name: str) -> bool:
        """Return whether a channel was logged, has samples, and no earlier check calls it bad."""
        return name not in self.bad and self._has_samples(name)

    def _has_samples(self, name: str) -> bool:
        return name in self.data and not bool(np.isnan(self.mean(name)).all())

    def sensed(self, name: str) -> bool:
        """Return whether a channel tells what it goes along with: trusted, or bad by its size alone."""
        return self.trusted(name) or (self._has_samples(name) and name not in self._senseless)

    def heed(self, found: Findings) -> None:
        """Let later checks not lean on the channels that `found` calls bad; noise averages out of blocks."""
        bad = [r for r in found.rows if r.verdict is Verdict.BAD and r.check != Check.NOISE]
        self.bad |= {r.channel for r in bad}
        self._senseless |= {r.channel for r in bad if r.check not in _OF_SIZE}

    def seconds(self, sample: int) -> float:
        """Return the log time of a sample [s]."""
        return self.base.start + sample / self.base.rate

    def axle_of(self, pot: str) -> AxleSheet | None:
        """Return the sheet of the axle a pot sits on; None without a car sheet."""
        if self.car is None:
            return None
        return self.car.front if pot[-2] == "F" else self.car.rear


def ground_velocity(signals: Signals) -> tuple[Floats, Floats]:
    """Return the velocity of the positions to the east and the north, per block [m/s]; NaN without a fix."""
    north, east = (signals.mean(name) for name in ("latitude", "longitude"))
    # A receiver without a fix writes noughts, and some write more than the earth has.
    lost = (north == 0.0) | (np.abs(north) > np.pi / 2.0) | (np.abs(east) > np.pi)
    north, east = (np.where(lost, np.nan, place) for place in (north, east))
    step = signals.block / signals.base.rate
    return (
        EARTH_RADIUS * np.gradient(east, step) * np.cos(north),
        EARTH_RADIUS * np.gradient(north, step),
    )


def partial_correlation(value: Floats, cause: Floats, other: Floats) -> float:
    """Return the correlation of `value` with `cause`, both freed of what `other` explains."""
    basis = np.column_stack([np.ones(len(value)), other])
    fit = np.linalg.lstsq(basis, np.column_stack([value, cause]), rcond=None)[0]
    free = np.column_stack([value, cause]) - basis @ fit
    norm = float(np.linalg.norm(free[:, 0]) * np.linalg.norm(free[:, 1]))
    return float(free[:, 0] @ free[:, 1]) / norm if norm > 0.0 else 0.0


def moving_correlation(a: Floats, b: Floats, still: Bools) -> float:
    """Return the correlation of two block series while the car moves; 0 where it means nothing."""
    used = np.isfinite(a) & np.isfinite(b) & ~still
    if used.sum() < 12 or float(a[used].std()) == 0.0 or float(b[used].std()) == 0.0:
        return 0.0
    return float(np.corrcoef(a[used], b[used])[0, 1])
