"""Where on the course a moment of the run lies, in the words of the course sheet or in plain ones."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Final

import numpy as np

from analyzer.constants import STANDARD_GRAVITY
from analyzer.ingest.recording import Recording
from analyzer.processing.filters import Bools, Floats, lowpass_taps, smooth
from analyzer.processing.moving import Moving
from analyzer.processing.results import Motion
from analyzer.processing.track import Track, gate_place, origin_of, track_of
from analyzer.sheets.course import CourseSheet, Mark, Section

BANKED: Final = math.radians(4.0)
"""Cross slope from which a corner is called banked [rad]: engineering judgement."""
SHORTEST_S: Final = 0.6
"""A stretch shorter than this belongs to its neighbour [s]; between two turns of opposite sides it is a
transition. Engineering judgement."""
CORNERING: Final = 0.2 * STANDARD_GRAVITY
"""Low-passed in-plane force from which the car is called cornering [m/s2]: engineering judgement."""


def section_masks(
    course: CourseSheet, motion: Motion, moving: Moving, recording: Recording | None = None
) -> dict[str, Bools]:
    """Return, per section of the course that can be placed in this run, the working samples inside it.

    Marks in distance need a speed, gates need GPS; times count from the start of the moving part.
    """
    if moving.stop <= moving.start:
        return {}
    time = motion.data.index.to_numpy(dtype=np.float64)
    since = time - time[moving.start]
    driving = np.zeros(len(time), dtype=np.bool_)
    driving[moving.start : moving.stop] = True
    found: dict[str, Bools] = {}
    origin = None if recording is None else origin_of(recording)
    track = None if recording is None or origin is None else track_of(recording, motion, origin)
    for section in course.sections:
        if section.start.gate is not None:
            inside = _between_gates(section, track, origin, driving)
        elif section.start.distance_m is not None:
            if moving.distance is None:
                continue
            inside = _between(section, moving.distance, "distance_m") & ~moving.distance_suspect
        else:
            inside = _between(section, since, "time_s")
        inside &= driving
        if inside.any():
            found[section.name] = found.get(section.name, np.zeros_like(inside)) | inside
    return found


def _between_gates(
    section: Section, track: Track | None, origin: tuple[float, float] | None, driving: Bools
) -> Bools:
    inside = np.zeros(len(driving), dtype=np.bool_)
    if track is None or origin is None or section.start.gate is None or section.end.gate is None:
        return inside
    first = gate_place(track, section.start.gate, origin, driving)
    if first is None:
        return inside
    after = driving.copy()
    after[: first + 1] = False
    last = gate_place(track, section.end.gate, origin, after)
    if last is not None:
        inside[first:last] = True
    return inside


def _between(section: Section, along: np.typing.NDArray[np.float64], key: str) -> Bools:
    low, high = (_mark(mark, key) for mark in (section.start, section.end))
    result: Bools = (along >= low) & (along < high)
    return result


def _mark(mark: Mark, key: str) -> float:
    value = getattr(mark, key)
    return math.inf if value is None else float(value)


def describe(motion: Motion, place: int) -> str:
    """Return a plain description of the motion at a working sample: "left, banked", "straight"."""
    data, suspect = motion.data, motion.suspect
    if "turn" not in data or bool(suspect["turn"].iloc[place]):
        if "specific_force_y" not in data:
            return "unknown place"
        force = float(data["specific_force_y"].iloc[place])
        return "straight" if abs(force) < CORNERING else ("left" if force > 0 else "right")
    rate = motion.rate
    low, high = max(0, place - int(rate)), place + int(rate)
    taps = lowpass_taps(rate, 0.7, 1.4)
    along, across = (
        smooth(data[f"road_force_{axis}"].to_numpy()[low:high], taps)[place - low] for axis in "xy"
    )
    bank = float(data["bank"].iloc[place])
    banked = "" if bool(suspect["bank"].iloc[place]) or bank < BANKED else ", banked"
    if math.hypot(along, across) < CORNERING and not banked:
        return "straight"
    return ("left" if float(data["turn"].iloc[place]) > 0 else "right") + banked


def found_sections(motion: Motion) -> list[tuple[str, int, int]]:
    """Return the stretches of a run by what they are, in working samples: name, first, one after the last.

    Names: ``straight 1``, ``left 1``, ``right 1``, ``banked left 1``, ``transition 1``, each counted in
    order. Empty when the log cannot tell turns.
    """
    data, suspect = motion.data, motion.suspect
    rate = motion.rate
    driving = np.flatnonzero(~motion.parked.to_numpy())
    name = "road_force_y" if "road_force_y" in data else "specific_force_y"
    if not driving.size or name not in data:
        return []
    low, high = int(driving[0]), int(driving[-1]) + 1
    taps = lowpass_taps(rate, 0.7, 1.4)
    across = smooth(data[name].to_numpy(), taps)[low:high]
    force = np.abs(across)
    side = np.sign(across)
    if "turn" in data:
        along = smooth(data["road_force_x"].to_numpy(), taps)[low:high]
        speed = data["speed"].to_numpy()[low:high] if "speed" in data else None
        push = np.zeros_like(along)
        if speed is not None and len(speed) > 1:  # one sample has no change of speed
            push = smooth(np.gradient(speed) * rate, taps)
        force = np.sqrt(np.maximum(across**2 + along**2 - push**2, 0.0))
        side = data["turn"].to_numpy()[low:high]
    banked = np.zeros(high - low, dtype=np.bool_)
    if "bank" in data:
        banked = (data["bank"].to_numpy() > BANKED)[low:high] & ~suspect["bank"].to_numpy()[low:high]
    turning = (force > CORNERING) | banked
    kinds = np.where(turning, side * np.where(banked, 2.0, 1.0), 0.0)
    return _named(_stretches(kinds, rate), low)


def _stretches(kinds: Floats, rate: float) -> list[tuple[float, int, int]]:
    """Return stretches of one kind; short ones become transitions or join their neighbour."""
    edges = np.flatnonzero(np.diff(kinds)) + 1
    bounds = [0, *(int(edge) for edge in edges), len(kinds)]
    pieces = [(float(kinds[a]), a, b) for a, b in pairwise(bounds)]
    joined: list[tuple[float, int, int]] = []
    for place, (kind, begin, end) in enumerate(pieces):
        after = pieces[place + 1][0] if place + 1 < len(pieces) else 0.0
        before = joined[-1][0] if joined else 0.0
        if end - begin < SHORTEST_S * rate and joined:
            if kind == 0.0 and before * after < 0.0:
                kind = math.nan
            else:
                joined[-1] = (before, joined[-1][1], end)
                continue
        if joined and joined[-1][0] == kind:
            joined[-1] = (kind, joined[-1][1], end)
        else:
            joined.append((kind, begin, end))
    return joined


def _named(pieces: list[tuple[float, int, int]], shift: int) -> list[tuple[str, int, int]]:
    words = {0.0: "straight", 1.0: "left", -1.0: "right", 2.0: "banked left", -2.0: "banked right"}
    counts: dict[str, int] = {}
    named = []
    for kind, begin, end in pieces:
        word = "transition" if math.isnan(kind) else words[kind]
        counts[word] = counts.get(word, 0) + 1
        named.append((f"{word} {counts[word]}", begin + shift, end + shift))
    return named
