"""The course as its runs show it: every run laid on it, and where the dampers run out of travel."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.signals import Bools, Floats, derivative, filled, lowpass_taps, smooth, widened
from analyzer.core.units import CORNERS, Axle, Corner
from analyzer.ingest.recording import Recording
from analyzer.processing import road
from analyzer.processing.bottoming import axle_of
from analyzer.processing.motion import raw_suspect
from analyzer.processing.results import BottomingEvent, RunEstimates
from analyzer.processing.segments import found_sections
from analyzer.sheets.session import CourseSheet, Mark

Steps = NDArray[np.intp]
"""A way through two runs: a row per step, number of the place in the one and in the other."""


@dataclass(frozen=True, slots=True)
class Span:
    """A section on the reference: from `start` to `end` [m or s]; `bank` where the sheet states one [rad]."""

    name: str
    start: float
    end: float
    bank: float | None = None


@dataclass(frozen=True, slots=True)
class CourseLine:
    """The way along the course and how every run lies on it.

    Parameters
    ----------
    reference : str
        Run the others are laid on.
    unit : str
        ``m`` or ``s``: what places count in.
    length : float
        Of the reference [m or s].
    place, east, north : array or None
        Track of the reference: place and position [m]; None without GPS.
    sections : tuple of Span
        In order.
    from_sheet : bool
        Whether the sections are those of the course sheet; else they were found.
    alignments : dict
        Run -> how it lies on the reference.
    left_out : dict
        Run -> why it could not be laid on the reference.
    stretches : tuple of Stretch
        Banked stretches, crests and dips of the reference, in working samples.
    stretch_places : tuple of tuple
        First and last place of each stretch.
    notes : tuple of str
        Sections of the sheet that could not be placed, and why.
    """

    reference: str
    unit: str
    length: float
    place: Floats
    east: Floats | None
    north: Floats | None
    sections: tuple[Span, ...]
    from_sheet: bool
    alignments: dict[str, Alignment]
    left_out: dict[str, str]
    stretches: tuple[road.Stretch, ...]
    stretch_places: tuple[tuple[float, float], ...]
    notes: tuple[str, ...]

    def section_at(self, place: float) -> Span | None:
        """Return the section a place lies in; None between sections."""
        return next((span for span in self.sections if span.start <= place < span.end), None)


def course_line(
    runs: Sequence[RunEstimates], recordings: Sequence[Recording], course: CourseSheet | None
) -> CourseLine | None:
    """Lay all runs of a session over each other; None when no run moved."""
    # One plane for all runs, at the first position that any of them knows.
    logs = {recording.run: recording for recording in recordings}
    origin = next((o for o in (road.origin_of(logs[run.name]) for run in runs) if o is not None), None)
    tracks = [None if origin is None else road.track_of(logs[run.name], run.motion, origin) for run in runs]
    profiles = [
        road.profile_of(run.motion, track, STEP_M, STEP_S) for run, track in zip(runs, tracks, strict=True)
    ]
    # The run that shows the course best is what the others are laid on; of equals the first.
    ranked = [
        (_knows_most(profile), -number) for number, profile in enumerate(profiles) if profile is not None
    ]
    index = -max(ranked)[1] if ranked else 0
    reference = profiles[index] if ranked else None
    if reference is None:
        return None
    run = runs[index]
    # Places come from the reference's own way, so a section is in one place for all runs.
    alignments, left_out = _laid(runs, profiles, reference)
    sections, notes = _sections(run, reference, tracks[index], origin, course)
    stretches = road.road_stretches(run.motion)
    time = run.motion.data.index.to_numpy(dtype=np.float64)
    own = alignments[run.name]
    places = tuple((own.at(float(time[s.start])), own.at(float(time[s.end - 1]))) for s in stretches)
    located = bool(np.isfinite(reference.east).any())
    return CourseLine(
        reference=run.name,
        unit="m" if reference.by_distance else "s",
        length=float(reference.along[-1]),
        place=reference.along,
        east=reference.east if located else None,
        north=reference.north if located else None,
        sections=sections,
        from_sheet=course is not None,
        alignments=alignments,
        left_out=left_out,
        stretches=stretches,
        stretch_places=places,
        notes=notes,
    )


def _laid(
    runs: Sequence[RunEstimates], profiles: Sequence[road.Profile | None], reference: road.Profile
) -> tuple[dict[str, Alignment], dict[str, str]]:
    alignments: dict[str, Alignment] = {}
    left_out: dict[str, str] = {}
    for run, profile in zip(runs, profiles, strict=True):
        if profile is None:
            left_out[run.name] = "the car does not move in its log"
            continue
        found = align(profile, reference)
        if isinstance(found, str):
            left_out[run.name] = found
        else:
            alignments[run.name] = found
    return alignments, left_out


def _sections(
    run: RunEstimates,
    reference: road.Profile,
    track: road.Track | None,
    origin: tuple[float, float] | None,
    course: CourseSheet | None,
) -> tuple[tuple[Span, ...], tuple[str, ...]]:
    time = run.motion.data.index.to_numpy(dtype=np.float64)
    # Without a course sheet the motion itself names the sections.
    if course is None:
        spans = []
        for name, low, high in found_sections(run.motion):
            ends = np.interp([time[low], time[high - 1]], reference.time, reference.along)
            if ends[1] > ends[0]:
                spans.append(Span(name, float(ends[0]), float(ends[1])))
        return tuple(spans), ()
    # The end is looked for behind the begin: a course may pass one gate twice.
    driving = ~run.motion.parked.to_numpy()
    placed, missing = [], []
    for section in course.sections:
        begin = _place_of_mark(section.start, reference, track, origin, driving, time, 0.0)
        end = (
            None
            if begin is None
            else _place_of_mark(section.end, reference, track, origin, driving, time, begin)
        )
        if begin is None or end is None or end <= begin:
            missing.append(section.name)
        else:
            placed.append(Span(section.name, begin, end, section.bank.value))
    notes = []
    if missing:
        why = {
            "distance": "it is given by distance and the reference run has no speed",
            "time": "its times lie outside the reference run",
            "gate": "the reference run passes no such gate",
        }[course.sections[0].start.kind]
        notes.append(f"not placed on the course: {', '.join(missing)}; {why}")
    return tuple(sorted(placed, key=lambda span: span.start)), tuple(notes)


def _place_of_mark(
    mark: Mark,
    reference: road.Profile,
    track: road.Track | None,
    origin: tuple[float, float] | None,
    driving: Bools,
    time: Floats,
    after: float,
) -> float | None:
    """Return where a mark lies on the reference; None when that cannot be told."""
    if mark.gate is not None:
        if track is None or origin is None:
            return None
        later = driving & (np.interp(time, reference.time, reference.along) > after)
        sample = road.gate_place(track, mark.gate, origin, later)
        return None if sample is None else float(np.interp(time[sample], reference.time, reference.along))
    if mark.distance_m is not None:
        return mark.distance_m if reference.by_distance else None
    if mark.time_s is None:
        return None
    return float(np.interp(reference.time[0] + mark.time_s, reference.time, reference.along))


# One run laid on the reference, so that a place is the same place in all of them.

STEP_M: Final = 2.0
STEP_S: Final = 0.15
"""Steps of the profiles [m], [s]: about a car's length at 15 m/s."""
NEAR: Final = 6.0
"""Two lines over the same course lie this far apart [m]: about the width of a drift course's line choice."""
SAME_COURSE: Final = 15.0
"""Median distance of two tracks above which they are not the same course [m]: engineering judgement."""
ALIKE: Final = 0.7
"""Correlation of turning below which two runs are not the same course: engineering judgement."""
LEAST_COVERED: Final = 0.3
"""A run that covers less of its own length than this on the course is left out: engineering judgement."""
LEAST_LOCATED: Final = 0.4
"""Part of both runs that must have positions for their tracks to be compared: engineering judgement."""
SIDESTEP: Final = 0.15
"""Cost of a step in which only one of the two runs goes on, against a unit of difference squared."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """How a run lies on the reference run.

    Parameters
    ----------
    time : array
        Log time of the run [s], rising.
    place : array
        Place on the reference [m, or s when the reference has no distance], never falling.
    method : str
        ``GPS track``, ``distance from speed``, ``shape of the turning`` or ``reference``.
    agreement : float
        Median distance of the tracks [m] for GPS, else correlation of the turning [1].
    covered : tuple of float
        First and last place of the reference that the run passed.
    """

    time: Floats
    place: Floats
    method: str
    agreement: float
    covered: tuple[float, float]

    def at(self, time: float) -> float:
        """Return the place on the reference at a log time [m or s]."""
        return float(np.interp(time, self.time, self.place))


def _knows_most(profile: road.Profile) -> tuple[bool, float, float]:
    """Return by what the reference is chosen: the longest of those that know most about their way."""
    return profile.by_distance, _located(profile), float(profile.along[-1] - profile.along[0])


def _located(profile: road.Profile) -> float:
    """Return which part of a run has positions, to a tenth."""
    return round(float(np.isfinite(profile.east).mean()), 1)


def align(run: road.Profile, reference: road.Profile) -> Alignment | str:
    """Lay a run on the reference; a string says why that cannot be done.

    Notes
    -----
    Dynamic time warping (Sakoe and Chiba 1978) with open ends, so that a run that starts late or is cut
    finds its part. What is compared: position and heading where both have GPS, else how the car turns; where
    one has neither (an outage) the path goes straight on.
    """
    if run is reference:
        whole = (float(run.along[0]), float(run.along[-1]))
        return Alignment(run.time, run.along, "reference", 1.0, whole)
    by_gps = min(_located(run), _located(reference)) >= LEAST_LOCATED
    path, cost = _warp(_costs(run, reference, by_gps))
    agreement, good = _agreement(run, reference, path, by_gps)
    # Driven the other way round a course of like turns still warps well: the cheaper of both counts.
    reverse = _reversed(reference)
    path_back, cost_back = _warp(_costs(run, reverse, by_gps))
    if cost_back < cost and _agreement(run, reverse, path_back, by_gps)[1]:
        return "driven in the opposite direction"
    # A run may cover a part of the course only, but then a part of itself worth showing.
    if not good:
        if by_gps:
            return f"its track lies {agreement:.0f} m (median) from the other runs': another course"
        return f"its turning does not match the other runs' (correlation {agreement:.2f}, {ALIKE:g} wanted)"
    time, place = run.time[path[:, 0]], reference.along[path[:, 1]]
    length = float(place[-1] - place[0])
    own = float(run.along[-1] - run.along[0])
    if run.by_distance == reference.by_distance and length < LEAST_COVERED * own:
        return f"only {length:.0f} of its {own:.0f} lie on the course of the other runs"
    by_way = run.by_distance and reference.by_distance
    method = "GPS track" if by_gps else "distance from speed" if by_way else "shape of the turning"
    return Alignment(*_straightened(time, place), method, agreement, (float(place[0]), float(place[-1])))


def _agreement(run: road.Profile, other: road.Profile, path: Steps, by_gps: bool) -> tuple[float, bool]:
    """Return how well two runs agree along a path, see `Alignment`, and whether they are one course."""
    if by_gps:
        apart = _distance_apart(run, other, path)
        return apart, apart <= SAME_COURSE
    likeness = _likeness(run, other, path)
    return likeness, likeness >= ALIKE


def _straightened(time: Floats, place: Floats) -> tuple[Floats, Floats]:
    """Return the path with one place per time, mean over the steps of the warp."""
    times, which = np.unique(time, return_inverse=True)
    sums = np.bincount(which, weights=place)
    places = np.maximum.accumulate(sums / np.bincount(which))
    return times, places


def _heading(profile: road.Profile) -> tuple[Floats, Floats]:
    along, across = np.gradient(profile.east), np.gradient(profile.north)
    length = np.maximum(np.hypot(along, across), 1e-6)
    return along / length, across / length


def _costs(run: road.Profile, reference: road.Profile, by_gps: bool) -> Floats:
    """Return the difference squared of every place of the run to every place of the reference [1]."""
    cost = np.zeros((len(run.along), len(reference.along)))
    if by_gps:
        apart = (run.east[:, None] - reference.east) ** 2 + (run.north[:, None] - reference.north) ** 2
        (a, b), (c, d) = _heading(run), _heading(reference)
        turned = 1.0 - (a[:, None] * c + b[:, None] * d)
        # A few car widths matter, a hundred metres are not worse than fifty.
        located = np.minimum(apart / NEAR**2, 60.0) + 2.0 * turned
        cost = np.where(np.isfinite(located), located, 0.0)
    shape = (run.turning[:, None] - reference.turning) ** 2
    shape = np.where(np.isfinite(shape), shape, 0.0)
    if by_gps:
        return cost + 0.2 * shape
    if run.by_distance and reference.by_distance:
        # Distances from the same start: far off the diagonal is unlikely.
        shape = shape + np.minimum(((run.along[:, None] - reference.along) / 150.0) ** 2, 4.0) * 0.05
    return 4.0 * shape


def _reversed(profile: road.Profile) -> road.Profile:
    """Return the profile of the same course driven the other way."""
    east, north, turning = profile.east[::-1], profile.north[::-1], -profile.turning[::-1]
    return replace(profile, east=east, north=north, turning=turning)


def _warp(cost: Floats) -> tuple[Steps, float]:
    """Return the cheapest path through a cost table (rows run, columns reference) and its cost per step.

    Steps go on in both, or in one of the two at the price of `SIDESTEP`. The run may enter and leave the
    reference anywhere. Rows of the table are worked on as a whole: within a row the sideways steps are a
    running minimum.
    """
    # By hand, a row at a time: neither numpy nor scipy has a time warping.
    total, price = np.empty_like(cost), SIDESTEP
    total[0] = cost[0]
    for row in range(1, len(cost)):
        before = total[row - 1]
        straight = np.concatenate([[np.inf], before[:-1]])
        best = np.minimum(straight, before + price) + cost[row]
        # From the left: best[k] + sum of costs and prices from k + 1 to j, for every j at once.
        running = np.cumsum(cost[row] + price)
        total[row] = running + np.minimum.accumulate(best - running)
    end = int(np.argmin(total[-1]))
    return _traced(total, end, price), float(total[-1, end] / len(cost))


def _traced(total: Floats, end: int, price: float) -> Steps:
    row, column = total.shape[0] - 1, end
    path = [(row, column)]
    while row > 0:
        options = [total[row - 1, column] + price]
        options.append(total[row - 1, column - 1] if column > 0 else np.inf)
        left = total[row, column - 1] + price if column > 0 else np.inf
        if left < min(options):
            column -= 1
        elif options[1] <= options[0]:
            row, column = row - 1, column - 1
        else:
            row -= 1
        path.append((row, column))
    return np.array(path[::-1], dtype=np.intp)


def _distance_apart(run: road.Profile, other: road.Profile, path: Steps) -> float:
    # The median: one wide line or a spin does not make another course.
    apart = np.hypot(
        run.east[path[:, 0]] - other.east[path[:, 1]], run.north[path[:, 0]] - other.north[path[:, 1]]
    )
    known = apart[np.isfinite(apart)]
    return float(np.median(known)) if len(known) else np.inf


def _likeness(run: road.Profile, other: road.Profile, path: Steps) -> float:
    """Return the correlation of turning along a path, less what it sidesteps."""
    a, b = run.turning[path[:, 0]], other.turning[path[:, 1]]
    known = np.isfinite(a) & np.isfinite(b)
    if np.count_nonzero(known) < 10:
        return 0.0
    a, b = a[known], b[known]
    size = float(np.sqrt((a * a).sum() * (b * b).sum()))
    forward = np.count_nonzero((np.diff(path[:, 0]) > 0) & (np.diff(path[:, 1]) > 0))
    # A warp that stands still half the time makes any two shapes alike.
    going = min(1.0, 1.5 * forward / max(len(path) - 1, 1))
    return float((a * b).sum() / size * going) if size > 0.0 else 0.0


# Where the dampers run out of travel: the same place over several runs, hardest first.


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
            found.append(_place_of_hits(line, kind, corner, cluster))
    return tuple(sorted(found, key=_hardest_first))


def _hardest_first(place: Place) -> tuple[bool, float, float, float, int]:
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


def _place_of_hits(line: CourseLine, kind: str, corner: Corner, hits: list[Hit]) -> Place:
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
