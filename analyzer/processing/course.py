"""The course as the runs of a session show it: one way along it, its sections, every run laid on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analyzer.ingest.recording import Recording
from analyzer.processing.alignment import (
    STEP_M,
    STEP_S,
    Alignment,
    align,
    own_alignment,
    reference_index,
)
from analyzer.processing.results import RunEstimates
from analyzer.processing.road import Stretch, road_stretches
from analyzer.processing.sections import found_sections
from analyzer.processing.track import Profile, Track, gate_place, origin_of, profile_of, track_of
from analyzer.sheets.course import CourseSheet, Mark


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
    place: np.typing.NDArray[np.float64]
    east: np.typing.NDArray[np.float64] | None
    north: np.typing.NDArray[np.float64] | None
    sections: tuple[Span, ...]
    from_sheet: bool
    alignments: dict[str, Alignment]
    left_out: dict[str, str]
    stretches: tuple[Stretch, ...]
    stretch_places: tuple[tuple[float, float], ...]
    notes: tuple[str, ...]

    def section_at(self, place: float) -> Span | None:
        """Return the section a place lies in; None between sections."""
        return next((span for span in self.sections if span.start <= place < span.end), None)


def course_line(
    runs: Sequence[RunEstimates], recordings: Sequence[Recording], course: CourseSheet | None
) -> CourseLine | None:
    """Lay all runs of a session over each other; None when no run moved."""
    logs = {recording.run: recording for recording in recordings}
    origin = next((o for o in (origin_of(logs[run.name]) for run in runs) if o is not None), None)
    tracks = [None if origin is None else track_of(logs[run.name], run.motion, origin) for run in runs]
    profiles = [
        profile_of(run.motion, track, STEP_M, STEP_S) for run, track in zip(runs, tracks, strict=True)
    ]
    index = reference_index(profiles)
    if index is None:
        return None
    reference = profiles[index]
    assert reference is not None
    alignments, left_out = _laid(runs, profiles, index)
    run = runs[index]
    sections, notes = _sections(run, reference, tracks[index], origin, course)
    rate = run.motion.rate
    stretches = road_stretches(run.motion, rate)
    time = run.motion.data.index.to_numpy(dtype=np.float64)
    places = tuple(
        (alignments[run.name].at(float(time[s.start])), alignments[run.name].at(float(time[s.end - 1])))
        for s in stretches
    )
    return CourseLine(
        reference=run.name,
        unit="m" if reference.by_distance else "s",
        length=float(reference.along[-1]),
        place=reference.along,
        east=reference.east,
        north=reference.north,
        sections=sections,
        from_sheet=course is not None,
        alignments=alignments,
        left_out=left_out,
        stretches=stretches,
        stretch_places=places,
        notes=notes,
    )


def _laid(
    runs: Sequence[RunEstimates], profiles: list[Profile | None], index: int
) -> tuple[dict[str, Alignment], dict[str, str]]:
    reference = profiles[index]
    assert reference is not None
    alignments: dict[str, Alignment] = {}
    left_out: dict[str, str] = {}
    for number, (run, profile) in enumerate(zip(runs, profiles, strict=True)):
        if number == index:
            alignments[run.name] = own_alignment(reference)
        elif profile is None:
            left_out[run.name] = "the car does not move in its log"
        else:
            found = align(profile, reference)
            if isinstance(found, str):
                left_out[run.name] = found
            else:
                alignments[run.name] = found
    return alignments, left_out


def _sections(
    run: RunEstimates,
    reference: Profile,
    track: Track | None,
    origin: tuple[float, float] | None,
    course: CourseSheet | None,
) -> tuple[tuple[Span, ...], tuple[str, ...]]:
    time = run.motion.data.index.to_numpy(dtype=np.float64)
    if course is None:
        spans = []
        for name, low, high in found_sections(run.motion):
            ends = np.interp([time[low], time[high - 1]], reference.time, reference.along)
            if ends[1] > ends[0]:
                spans.append(Span(name, float(ends[0]), float(ends[1])))
        return tuple(spans), ()
    driving = ~run.motion.parked.to_numpy()
    placed, missing = [], []
    for section in course.sections:
        begin = _place(section.start, reference, track, origin, driving, time, 0.0)
        end = None if begin is None else _place(section.end, reference, track, origin, driving, time, begin)
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


def _place(
    mark: Mark,
    reference: Profile,
    track: Track | None,
    origin: tuple[float, float] | None,
    driving: np.typing.NDArray[np.bool_],
    time: np.typing.NDArray[np.float64],
    after: float,
) -> float | None:
    """Return where a mark lies on the reference; None when that cannot be told."""
    if mark.gate is not None:
        if track is None or origin is None:
            return None
        later = driving & (np.interp(time, reference.time, reference.along) > after)
        sample = gate_place(track, mark.gate, origin, later)
        return None if sample is None else float(np.interp(time[sample], reference.time, reference.along))
    if mark.distance_m is not None:
        return mark.distance_m if reference.by_distance else None
    if mark.time_s is None:
        return None
    return float(np.interp(reference.time[0] + mark.time_s, reference.time, reference.along))
