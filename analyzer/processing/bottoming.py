"""Contacts of a damper with its bump stop or its droop end, found in the log at its own rate."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np

from analyzer.constants import Corner
from analyzer.ingest.recording import Recording
from analyzer.ingest.shelf import by_pieces, shelved
from analyzer.processing.budget import WheelModes, travel_budget, wheel_modes
from analyzer.processing.filters import Bools, Floats, filled, runs_of, widened
from analyzer.processing.moving import Moving
from analyzer.processing.peaks import (
    Parabola,
    crossings,
    highest,
    parabola,
    smoothed,
    white_noise,
    window_half,
)
from analyzer.processing.results import BottomingEvent, Motion
from analyzer.processing.sections import describe
from analyzer.processing.stops import Stop, stop_force
from analyzer.processing.witness import Witness, axle_of, jolt, lateral_kept, witness_of
from analyzer.processing.working import raw_suspect
from analyzer.sheets.car import CarSheet

RELEASE: Final = 0.001
"""An event ends when the damper is this far out of its stop again [m]; keeps noise from splitting it."""
ONE_HIT_S: Final = 0.025
"""Contacts parted by less than this are one physical hit [s]: a wheel that hops off its stop at 15 Hz is away
for half a swing, 33 ms."""
LEAST: Final = 0.0003
"""Shallower than this is a near miss, not a contact [m]: three times the linearity of a pot of 100 mm (0.1 %,
references 5.14)."""
SHORTEST_S: Final = 0.004
"""Shorter contacts are spikes, not the motion of a wheel [s]: a 15 Hz wheel hop stays past
95 % of its peak for 7 ms."""
SLOW_LOG: Final = 150.0
"""Below this rate one sample in the stop can be a whole contact [Hz]."""
SPIKE: Final = 0.012
"""One sample that stands out this far between its neighbours is a spike [m]: at 50 Hz a 15 Hz wheel hop of
9 mm stands out by 12 mm."""
APPROACH_S: Final = 0.012
"""Time before contact over which the approach speed is taken [s]."""


@dataclass(frozen=True, slots=True)
class Contact:
    """One contact in samples of the log, fractions included.

    Parameters
    ----------
    start, end, peak : float
        Where travel passes the gap, leaves it for good, and is greatest.
    height : float
        Greatest travel [m].
    error : float
        Standard uncertainty of `height` [m].
    approach : float
        Speed just before `start` [m/s].
    """

    start: float
    end: float
    peak: float
    height: float
    error: float
    approach: float


def find_contacts(travel: Floats, bad: Bools, gap: float, rate: float) -> list[Contact]:
    """Return every contact of a travel with a stop at `gap`, in order.

    Parameters
    ----------
    travel : array
        Damper travel [m]; growing into the stop.
    bad : array of bool
        Samples not to be used; they break a contact off.
    gap : float
        Where the stop begins [m].
    rate : float
        Samples per second [Hz].
    """
    with np.errstate(invalid="ignore"):
        near = (travel >= gap - RELEASE) & ~bad
    if not near.any():
        return []
    values = shelved(filled(travel, bad))
    noise = white_noise(values)
    # Noise at the edge of the release must not split one hit.
    if rate >= SLOW_LOG:
        near = _near_when_smoothed(values, near, gap - RELEASE, rate) & ~bad
    found: list[Contact] = []
    for low, high in _joined(runs_of(near), bad, rate):
        if not _is_motion(values[low:high], values, low, gap, rate):
            continue
        # Samples beyond a bad one are straight lines laid by `filled`: the parabola may not lean on them.
        before, after = max(0, low - 8), min(len(values), high + 8)
        fit = parabola(values[before:after], rate)
        contact = _measured(fit, low - before, high - before, gap, rate, noise)
        if contact is not None:
            found.append(_shifted(contact, before))
    return found


def _near_when_smoothed(values: Floats, near: Bools, level: float, rate: float) -> Bools:
    """Return where the smoothed travel reaches a `level`, looked at about where the plain one does."""
    reach = window_half(rate)
    found = np.zeros(len(values), dtype=np.bool_)
    for low, high in runs_of(widened(near, reach)):
        before, after = max(0, low - 2 * reach), min(len(values), high + 2 * reach)
        found[low:high] = smoothed(values[before:after], rate)[low - before : high - before] >= level
    return found


def _joined(stretches: list[tuple[int, int]], bad: Bools, rate: float) -> list[tuple[int, int]]:
    """Return stretches with those that belong to one physical hit made one."""
    if not stretches:
        return []
    joined = [stretches[0]]
    for (_, last), (low, high) in pairwise(stretches):
        if low - last < ONE_HIT_S * rate and not bad[last:low].any():
            joined[-1] = (joined[-1][0], high)
        else:
            joined.append((low, high))
    return joined


def _is_motion(inside: Floats, values: Floats, low: int, gap: float, rate: float) -> bool:
    """Return whether a stretch is long enough to be the motion of a wheel rather than a spike."""
    touching = int(np.count_nonzero(inside >= gap))
    if touching >= max(2, int(np.ceil(SHORTEST_S * rate))):
        return True
    if touching == 0 or rate >= SLOW_LOG:
        return False
    top = low + int(np.argmax(inside))
    if not 0 < top < len(values) - 1:
        return False
    return bool(values[top] - (values[top - 1] + values[top + 1]) / 2.0 < SPIKE)


def _measured(fit: Parabola, low: int, high: int, gap: float, rate: float, noise: float) -> Contact | None:
    peak, height = highest(fit, low, high)
    if height < gap + LEAST:
        return None
    edges = crossings(fit.value[max(0, low - 2) : high + 2], gap)
    if edges is None:
        start = end = peak
    else:
        start, end = (edge + max(0, low - 2) for edge in edges)
    first = max(0, int(np.floor(start)) - max(1, round(APPROACH_S * rate)))
    last = max(first + 1, int(np.floor(start)))
    approach = float((fit.value[last] - fit.value[first]) * rate / (last - first))
    # Between samples the parabola can be off by a part of what one sample step changes it.
    between = abs(float(fit.curve[int(np.clip(round(peak), low, high - 1))])) / 12.0
    return Contact(start, end, peak, height, float(np.hypot(noise * fit.noise_gain, between)), approach)


def _shifted(contact: Contact, samples: int) -> Contact:
    return Contact(
        contact.start + samples,
        contact.end + samples,
        contact.peak + samples,
        contact.height,
        contact.error,
        contact.approach,
    )


def contact_mask(recording: Recording, corner: Corner, gap: float, every: int) -> Bools:
    """Return the working samples near which a damper is at its stop, spikes included."""
    travel = recording.data[f"damper_{corner}"].to_numpy(dtype=np.float64, copy=False)
    with np.errstate(invalid="ignore"):
        touching = travel >= gap
    count = -(-len(travel) // every)
    padded = np.zeros(count * every, dtype=np.bool_)
    padded[: len(travel)] = touching
    near: Bools = np.asarray(padded.reshape(count, every).any(axis=1))
    result: Bools = near.copy()
    if every > 1:
        # The thinned sample also rests on log samples before it.
        result[1:] |= near[:-1]
        result[:-1] |= near[1:]
    return result


@dataclass(frozen=True, slots=True)
class EventSource:
    """What the events of a run are worked out from.

    Parameters
    ----------
    recording, motion, moving, car
        Of the run.
    masks : dict
        Section -> working samples inside it.
    every : int
        Log samples per working sample.
    modes : WheelModes or None
        For budgets.
    witness : Witness
        The body's forces.
    """

    recording: Recording
    motion: Motion
    moving: Moving
    car: CarSheet
    masks: dict[str, Bools]
    every: int
    modes: WheelModes | None
    witness: Witness


def event_source(
    recording: Recording, motion: Motion, moving: Moving, car: CarSheet, masks: dict[str, Bools], every: int
) -> EventSource:
    """Prepare what all corners of a run share."""
    return EventSource(
        recording,
        motion,
        moving,
        car,
        masks,
        every,
        wheel_modes(recording, motion),
        witness_of(motion, car, motion.rate),
    )


def bottoming_events(
    source: EventSource, corner: Corner, stop: Stop, kind: Literal["bump stop", "full droop"] = "bump stop"
) -> list[BottomingEvent]:
    """Return the events of one corner in order of time, within the moving part of the run."""
    recording = source.recording
    travel = recording.data[f"damper_{corner}"].to_numpy(dtype=np.float64, copy=False)
    if kind == "full droop":
        extension = travel
        travel = by_pieces(len(extension), lambda first, end: -extension[first:end])
    bad = raw_suspect(recording, f"damper_{corner}")
    events = []
    for contact in find_contacts(travel, bad, stop.gap, recording.sample_rate):
        place = min(round(contact.peak) // source.every, len(source.motion.data) - 1)
        if source.moving.start <= place < source.moving.stop:
            events.append(_event(source, corner, stop, kind, contact, place))
    return events


def _event(
    source: EventSource, corner: Corner, stop: Stop, kind: str, contact: Contact, place: int
) -> BottomingEvent:
    motion, sign = source.motion, -1.0 if kind == "full droop" else 1.0
    begin = min(int(contact.start) // source.every, place)
    end = max(-(-int(contact.end) // source.every), place)
    sheet = source.car.axle(axle_of(corner))
    pressed = np.array([contact.height - stop.gap])
    force = 0.0 if kind == "full droop" else float(stop_force(sheet, pressed)[0])
    found, seen = jolt(source.witness, begin, end, force)
    budget = None
    if source.modes is not None:
        sample = min(round(contact.peak), len(source.modes.quick_suspect) - 1)
        budget = travel_budget(source.modes, source.car, corner, sample, place, sign * contact.height)
    return BottomingEvent(
        corner=corner,
        start_s=_time(source.recording, contact.start),
        end_s=_time(source.recording, contact.end),
        peak_s=_time(source.recording, contact.peak),
        peak=contact.height,
        stop_compression=contact.height - stop.gap,
        approach_speed=contact.approach,
        hard=contact.height >= stop.hard_from,
        bank=_known(motion, "bank", place),
        section=_section(motion, source.masks, place),
        budget=budget,
        kind=kind,
        peak_error=float(np.hypot(contact.error, source.recording.zero_std.get(f"damper_{corner}", 0.0))),
        distance=_known(motion, "distance", place),
        speed=_known(motion, "speed", place),
        jolt=found,
        seen=seen,
        lateral_kept=lateral_kept(source.witness, begin, end),
        vertical_acceleration=_known(motion, "vertical_acceleration", place),
    )


def _time(recording: Recording, sample: float) -> float:
    return float(recording.data.index[0]) + sample / recording.sample_rate


def _known(motion: Motion, column: str, place: int) -> float | None:
    if column not in motion.data or bool(motion.suspect[column].iloc[place]):
        return None
    value = float(motion.data[column].iloc[place])
    return value if np.isfinite(value) else None


def _section(motion: Motion, masks: dict[str, Bools], place: int) -> str:
    names = [name for name, mask in masks.items() if mask[place]]
    return ", ".join(names) if names else describe(motion, place)
