"""Where on the course the dampers run out of travel: the same place over several runs, hardest first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.core.signals import Floats, derivative, filled, lowpass_taps, smooth, widened
from analyzer.core.units import CORNERS, Axle, Corner
from analyzer.ingest.recording import Recording
from analyzer.processing.bottoming import axle_of
from analyzer.processing.course.alignment import CourseLine, Span
from analyzer.processing.motion import raw_suspect
from analyzer.processing.results import BottomingEvent, RunEstimates

SAME_PLACE_M: Final = 14.0
"""Hits of one corner closer together than this belong to one place [m]: a car's length times three."""
SAME_PLACE_S: Final = 0.9
"""The same where the course is known by time only [s]: as long at 15 m/s."""
LONG_SECTION: Final = 4.0
"""A section this many times `SAME_PLACE_M` long is told apart in entry, middle and exit."""


@dataclass(frozen=True, slots=True)
class Hit:
    """One event at its place on the course [m or s]."""

    run: str
    place: float
    event: BottomingEvent


@dataclass(frozen=True, slots=True)
class Place:
    """A place of the course where a damper met its stop.

    Parameters
    ----------
    corner : Corner
        Which damper.
    kind : str
        ``bump stop`` or ``full droop``.
    name : str
        Section of the course, with entry, middle or exit when it is long.
    section : str
        Section alone.
    start, end : float
        First and last hit on the reference [m or s].
    hits : tuple of Hit
        Every hit, in order of run and time.
    runs : tuple of str
        Runs that hit here.
    passed : int
        Runs that came past here.
    hard : int
        Hits that were hard.
    cause : str or None
        Largest part of the travel: ``vertical load``, ``roll``, ``pitch``, ``warp`` or ``road``.
    causes : dict
        Mean parts of the travel over the hits of which they are known [m].
    bank : float or None
        Mean cross slope [rad].
    """

    corner: Corner
    kind: str
    name: str
    section: str
    start: float
    end: float
    hits: tuple[Hit, ...]
    runs: tuple[str, ...]
    passed: int
    hard: int
    cause: str | None
    causes: dict[str, float]
    bank: float | None

    @property
    def worst(self) -> Hit:
        """Return the hit that went furthest."""
        return max(self.hits, key=lambda hit: hit.event.stop_compression)


def places_of(line: CourseLine, runs: Sequence[RunEstimates]) -> tuple[Place, ...]:
    """Return all places, hardest first: by hard hits per pass, then by depth times the share of runs."""
    hits: dict[tuple[str, Corner], list[Hit]] = {}
    for run in runs:
        alignment = line.alignments.get(run.name)
        if alignment is None:
            continue
        for event in (*run.bottoming, *run.topping):
            hit = Hit(run.name, alignment.at(event.peak_s), event)
            hits.setdefault((event.kind, event.corner), []).append(hit)
    found = []
    for (kind, corner), group in hits.items():
        for cluster in _clusters(sorted(group, key=lambda hit: hit.place), line):
            found.append(_place(line, kind, corner, cluster))
    return tuple(sorted(found, key=_rank))


def _rank(place: Place) -> tuple[bool, float, float, float, int]:
    # Bump stops before droop ends; then what is hit hard and often, then what is hit deep and often.
    share = len(place.runs) / max(place.passed, 1)
    depth = place.worst.event.stop_compression
    return (
        place.kind != "bump stop",
        -place.hard / max(place.passed, 1),
        -depth * share,
        place.start,
        CORNERS.index(place.corner),
    )


def _clusters(hits: list[Hit], line: CourseLine) -> list[list[Hit]]:
    """Return hits in groups that lie close together and in one section."""
    # A chain of near hits may not grow without end: a place is at most twice the reach long.
    reach = _reach(line)
    groups: list[list[Hit]] = []
    for hit in hits:
        same = (
            groups
            and hit.place - groups[-1][-1].place <= reach
            and hit.place - groups[-1][0].place <= 2.0 * reach
            and line.section_at(hit.place) == line.section_at(groups[-1][0].place)
        )
        if same:
            groups[-1].append(hit)
        else:
            groups.append([hit])
    return groups


def _reach(line: CourseLine) -> float:
    return SAME_PLACE_M if line.unit == "m" else SAME_PLACE_S


def _place(line: CourseLine, kind: str, corner: Corner, hits: list[Hit]) -> Place:
    # Told in the order the runs were driven; a place is named by where its hits lie on average.
    order = {name: number for number, name in enumerate(line.alignments)}
    ordered = tuple(sorted(hits, key=lambda hit: (order[hit.run], hit.event.start_s)))
    middle = float(np.mean([hit.place for hit in hits]))
    span = line.section_at(middle)
    causes = mean_causes([hit.event for hit in hits])
    banks = [hit.event.bank for hit in hits if hit.event.bank is not None]
    # Passed counts the runs whose alignment covers the place: a run that stopped before it did not miss it.
    return Place(
        corner=corner,
        kind=kind,
        name=_name(line, span, middle, ordered[0].event),
        section=span.name if span is not None else ordered[0].event.section,
        start=min(hit.place for hit in hits),
        end=max(hit.place for hit in hits),
        hits=ordered,
        runs=tuple(dict.fromkeys(hit.run for hit in ordered)),
        passed=sum(a.covered[0] <= middle <= a.covered[1] for a in line.alignments.values()),
        hard=sum(hit.event.hard for hit in hits),
        cause=max(causes, key=lambda name: causes[name]) if causes else None,
        causes=causes,
        bank=float(np.mean(banks)) if banks else None,
    )


def mean_causes(events: Sequence[BottomingEvent]) -> dict[str, float]:
    """Return the mean parts of the travel over events whose parts are known [m]; full droop in extension."""
    known = [event.budget.causes for event in events if event.budget is not None and event.budget.causes]
    if not known:
        return {}
    sign = -1.0 if events[0].kind == "full droop" else 1.0
    parts = ("vertical load", "roll", "pitch", "warp", "road")
    return {part: sign * float(np.mean([causes[part] for causes in known])) for part in parts}


def _name(line: CourseLine, span: Span | None, place: float, event: BottomingEvent) -> str:
    if span is None:
        return event.section
    length = span.end - span.start
    if length < LONG_SECTION * _reach(line):
        return span.name
    part = (place - span.start) / length
    return f"{span.name}, {'entry' if part < 1 / 3 else 'middle' if part < 2 / 3 else 'exit'}"


# How often each damper stood where and moved how fast, per section, and how close it came to its stop: what
# valving and gaps are chosen by where nothing was hit.

SPEED_EDGES: Final = np.round(np.arange(-0.6, 0.6001, 0.025), 6)
"""Bins of damper speed [m/s], compression positive; what is faster counts to the last bin."""
TRAVEL_EDGES: Final = np.round(np.arange(-0.1, 0.1001, 0.002), 6)
"""Bins of damper travel [m], compression positive; what lies further counts to the last bin."""
SPEED_BAND: Final = 40.0
"""Band of the damper speed [Hz]: wheel hop (10-15 Hz) passes with its first harmonics."""
PERCENTILE: Final = 99.9
"""The travel that is passed in a thousandth of the time stands for the deepest without single samples [%]."""
WHOLE: Final = "whole course"


@dataclass(frozen=True, slots=True)
class DamperUse:
    """One damper in one section, all runs together.

    Parameters
    ----------
    section : str
        Name, or `WHOLE`.
    corner : Corner
        Which damper.
    seconds : float
        Time it rests on [s].
    speed, travel : array
        Share of the time per bin of `SPEED_EDGES`, `TRAVEL_EDGES` [1].
    high : float
        99.9th percentile of travel [m].
    margin : float or None
        Bump-stop gap less `high` [m]; negative when past it, None when the gap is not known.
    speeds : tuple of float
        Root mean square of speed in compression and in extension [m/s].
    """

    section: str
    corner: Corner
    seconds: float
    speed: Floats
    travel: Floats
    high: float
    margin: float | None
    speeds: tuple[float, float]


def damper_use(
    line: CourseLine,
    runs: Sequence[RunEstimates],
    recordings: Sequence[Recording],
    gaps: Mapping[Axle, float | None],
) -> tuple[DamperUse, ...]:
    """Return the use of every damper, for the whole course and per section.

    `gaps` are damper travels to the bump stop [m].
    """
    logs = {recording.run: recording for recording in recordings}
    used = [(run, logs[run.name]) for run in runs if run.name in line.alignments]
    found = []
    for corner in CORNERS:
        pieces = [_samples(line, run, log, corner) for run, log in used if log.usable(f"damper_{corner}")]
        if not pieces:
            continue
        travel, speed, section, weight = (np.concatenate(column) for column in zip(*pieces, strict=True))
        gap = gaps[axle_of(corner)]
        for number, name in enumerate([WHOLE, *(span.name for span in line.sections)]):
            inside = np.ones(len(travel), dtype=np.bool_) if number == 0 else section == number - 1
            if np.count_nonzero(inside) >= 50:
                found.append(_use(name, corner, travel[inside], speed[inside], weight[inside], gap))
    return tuple(found)


def _samples(
    line: CourseLine, run: RunEstimates, log: Recording, corner: Corner
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return travel, speed, number of the section and duration of every good sample of a run's way."""
    bad = raw_suspect(log, f"damper_{corner}")
    travel = filled(log.data[f"damper_{corner}"].to_numpy(dtype=np.float64, copy=False), bad)
    rate = log.sample_rate
    taps = lowpass_taps(rate, SPEED_BAND, SPEED_BAND)
    speed = derivative(smooth(travel, taps), rate)
    time = log.data.index.to_numpy(dtype=np.float64)
    # Only while the run is on the course: what lies before and behind belongs to no section.
    alignment = line.alignments[run.name]
    good = ~widened(bad, len(taps) // 2 + 2) & (time >= alignment.time[0]) & (time <= alignment.time[-1])
    place = np.interp(time[good], alignment.time, alignment.place)
    section = np.full(len(place), -1.0)
    for number, span in enumerate(line.sections):
        section[(place >= span.start) & (place < span.end)] = number
    return travel[good], speed[good], section, np.full(len(place), 1.0 / rate)


def _use(
    name: str, corner: Corner, travel: Floats, speed: Floats, weight: Floats, gap: float | None
) -> DamperUse:
    high = float(np.percentile(travel, PERCENTILE))
    return DamperUse(
        section=name,
        corner=corner,
        seconds=float(weight.sum()),
        speed=_shares(speed, weight, SPEED_EDGES),
        travel=_shares(travel, weight, TRAVEL_EDGES),
        high=high,
        margin=None if gap is None else gap - high,
        speeds=(_rms(speed[speed > 0.0]), _rms(speed[speed < 0.0])),
    )


def _shares(values: Floats, weight: Floats, edges: Floats) -> Floats:
    # What is beyond the last bin counts to it: the shares must add up to the time.
    bins = len(edges) - 1
    which = np.clip(np.searchsorted(edges, values, side="right") - 1, 0, bins - 1)
    result: Floats = np.bincount(which, weights=weight, minlength=bins) / weight.sum()
    return result


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else 0.0
