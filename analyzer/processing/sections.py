"""Where on the course a moment of the run lies, in the words of the course sheet or in plain ones."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analyzer.constants import STANDARD_GRAVITY
from analyzer.processing.filters import Bools, lowpass_taps, smooth
from analyzer.processing.moving import Moving
from analyzer.processing.results import Motion
from analyzer.sheets.course import CourseSheet, Mark, Section

BANKED: Final = math.radians(4.0)
"""Cross slope from which a corner is called banked [rad]: engineering judgement."""
CORNERING: Final = 0.2 * STANDARD_GRAVITY
"""Low-passed in-plane force from which the car is called cornering [m/s2]: engineering judgement."""


def section_masks(course: CourseSheet, motion: Motion, moving: Moving) -> dict[str, Bools]:
    """Return, per section of the course that can be placed in this run, the working samples inside it.

    Marks in distance need a speed; times count from the start of the moving part.
    """
    if moving.stop <= moving.start:
        return {}
    time = motion.data.index.to_numpy(dtype=np.float64)
    since = time - time[moving.start]
    driving = np.zeros(len(time), dtype=np.bool_)
    driving[moving.start : moving.stop] = True
    found: dict[str, Bools] = {}
    for section in course.sections:
        if section.start.distance_m is not None:
            if moving.distance is None:
                continue
            inside = _between(section, moving.distance, "distance_m") & ~moving.distance_suspect
        else:
            inside = _between(section, since, "time_s")
        inside &= driving
        if inside.any():
            found[section.name] = found.get(section.name, np.zeros_like(inside)) | inside
    return found


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
    rate = _rate(motion)
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


def _rate(motion: Motion) -> float:
    index = motion.data.index
    return float((len(index) - 1) / (index[-1] - index[0])) if len(index) > 1 else 1.0
