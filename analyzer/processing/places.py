"""Where on the course the dampers run out of travel: the same place over several runs, hardest first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.constants import CORNERS, Corner
from analyzer.processing.course import CourseLine, Span
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
    reach = SAME_PLACE_M if line.unit == "m" else SAME_PLACE_S
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


def _place(line: CourseLine, kind: str, corner: Corner, hits: list[Hit]) -> Place:
    order = {name: number for number, name in enumerate(line.alignments)}
    ordered = tuple(sorted(hits, key=lambda hit: (order[hit.run], hit.event.start_s)))
    middle = float(np.mean([hit.place for hit in hits]))
    span = line.section_at(middle)
    causes = mean_causes([hit.event for hit in hits])
    banks = [hit.event.bank for hit in hits if hit.event.bank is not None]
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
    known = [event for event in events if event.budget is not None and event.budget.causes]
    if not known:
        return {}
    sign = -1.0 if known[0].kind == "full droop" else 1.0
    return {
        part: sign
        * float(np.mean([event.budget.causes[part] for event in known if event.budget is not None]))
        for part in ("vertical load", "roll", "pitch", "warp", "road")
    }


def _name(line: CourseLine, span: Span | None, place: float, event: BottomingEvent) -> str:
    if span is None:
        return event.section
    reach = SAME_PLACE_M if line.unit == "m" else SAME_PLACE_S
    length = span.end - span.start
    if length < LONG_SECTION * reach:
        return span.name
    part = (place - span.start) / length
    return f"{span.name}, {'entry' if part < 1 / 3 else 'middle' if part < 2 / 3 else 'exit'}"
