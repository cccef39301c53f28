"""Contacts of a damper with its bump stop, found in the log at its own rate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.constants import Axle, Corner
from analyzer.ingest.recording import Recording
from analyzer.processing.filters import Bools, Floats, runs_of
from analyzer.processing.moving import Moving
from analyzer.processing.results import BottomingEvent, Motion, TravelBudget
from analyzer.processing.sections import describe
from analyzer.processing.working import raw_suspect
from analyzer.sheets.car import CarSheet, LoadCurve

RELEASE: Final = 0.001
"""An event ends when the damper is this far out of its stop again [m]; keeps noise from splitting it."""
SHORTEST_S: Final = 0.004
"""Shorter contacts are spikes, not the motion of a wheel [s]: a 15 Hz wheel hop stays past
95 % of its peak for 7 ms."""
APPROACH_S: Final = 0.012
"""Time before contact over which the approach speed is taken [s]."""
FULL_BUMP_MARGIN: Final = 0.0005
"""Closer than this to full bump is full bump [m]: typical sensor error."""
HARD_COMPRESSION: Final = 0.012
"""Stop compression called hard when the sheet has no full bump [m]: engineering judgement."""
HARD_PART: Final = 0.9
"""Part of a measured bump-stop curve's last compression called hard."""


@dataclass(frozen=True, slots=True)
class Stop:
    """Where a damper meets its bump stop.

    Parameters
    ----------
    gap : float
        Damper travel from static to contact [m].
    full_bump : float or None
        Damper travel at full bump [m].
    hard_from : float
        Damper travel from which a contact is called hard [m].
    inferred : bool
        Whether `gap` was read off the log rather than the sheet.
    """

    gap: float
    full_bump: float | None
    hard_from: float
    inferred: bool = False


def stop_of(car: CarSheet, axle: Axle, inferred_gap: float | None = None) -> Stop | None:
    """Return the bump stop of an axle's dampers; None when neither sheet nor log say where it is."""
    damper = car.axle(axle).damper
    full = None if damper.full_bump is None else damper.full_bump.value
    gap = inferred_gap if damper.bump_stop_gap is None else damper.bump_stop_gap.value
    if gap is None:
        return None
    if full is not None:
        hard = full - FULL_BUMP_MARGIN
    elif isinstance(damper.bump_stop_rate, LoadCurve):
        hard = gap + HARD_PART * damper.bump_stop_rate.compression[-1].value
    else:
        hard = gap + HARD_COMPRESSION
    return Stop(gap, full, hard, damper.bump_stop_gap is None)


def contact_stretches(travel: Floats, bad: Bools, gap: float, rate: float) -> list[tuple[int, int]]:
    """Return start and end (exclusive) of every contact, in samples.

    A contact starts at the gap and ends `RELEASE` below it; it is broken off by suspect samples, and what is
    shorter than `SHORTEST_S` or a single sample is a spike.
    """
    near = runs_of((travel >= gap - RELEASE) & ~bad)
    touching = (travel >= gap) & ~bad
    shortest = max(2, int(np.ceil(SHORTEST_S * rate)))
    found = []
    for low, high in near:
        inside = np.flatnonzero(touching[low:high])
        if inside.size == 0:
            continue
        start = low + int(inside[0])
        if inside.size >= shortest and high - start >= shortest:
            found.append((start, high))
    return found


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


def bottoming_events(
    recording: Recording,
    motion: Motion,
    moving: Moving,
    corner: Corner,
    stop: Stop,
    masks: dict[str, Bools],
    every: int,
) -> list[BottomingEvent]:
    """Return the events of one corner in order of time, within the moving part of the run."""
    travel = recording.data[f"damper_{corner}"].to_numpy(dtype=np.float64, copy=False)
    bad = raw_suspect(recording, f"damper_{corner}")
    time = recording.data.index.to_numpy(dtype=np.float64)
    rate = recording.sample_rate
    events = []
    for start, end in contact_stretches(np.nan_to_num(travel, nan=-1.0), bad, stop.gap, rate):
        peak = start + int(np.argmax(travel[start:end]))
        place = min(peak // every, len(motion.data) - 1)
        if not moving.start <= place < moving.stop:
            continue
        bank_known = "bank" in motion.data and not bool(motion.suspect["bank"].iloc[place])
        events.append(
            BottomingEvent(
                corner=corner,
                start_s=float(time[start]),
                end_s=float(time[end - 1]),
                peak_s=float(time[peak]),
                peak=float(travel[peak]),
                stop_compression=float(travel[peak] - stop.gap),
                approach_speed=_approach(travel, bad, start, rate),
                hard=bool(travel[peak] >= stop.hard_from),
                bank=float(motion.data["bank"].iloc[place]) if bank_known else None,
                section=_section(motion, masks, place),
                budget=travel_budget(motion, corner, place, float(travel[peak])),
            )
        )
    return events


def _section(motion: Motion, masks: dict[str, Bools], place: int) -> str:
    names = [name for name, mask in masks.items() if mask[place]]
    return ", ".join(names) if names else describe(motion, place)


def _approach(travel: Floats, bad: Bools, start: int, rate: float) -> float:
    """Return the damper speed just before contact: the mean slope over `APPROACH_S`."""
    back = max(1, round(APPROACH_S * rate))
    first = max(0, start - back)
    while first < start and bad[first : start + 1].any():
        first += 1
    if first == start:
        return 0.0
    return float((travel[start] - travel[first]) * rate / (start - first))


def travel_budget(motion: Motion, corner: Corner, place: int, travel: float) -> TravelBudget | None:
    """Return one damper's travel as the sum of the car's four modes of wheel travel [m at the damper].

    Heave h, pitch p, roll r and warp q are those mixes of the four wheel travels that add up again:
    FL = h + p - r + q, FR = h + p + r - q, RL = h - p - r - q, RR = h - p + r + q.
    """
    names = [f"wheel_{c}" for c in ("FL", "FR", "RL", "RR")]
    if not all(name in motion.data for name in names):
        return None
    if motion.suspect[names].iloc[place].any():
        return None
    fl, fr, rl, rr = (float(motion.data[name].iloc[place]) for name in names)
    heave, pitch = (fl + fr + rl + rr) / 4.0, (fl + fr - rl - rr) / 4.0
    roll, warp = (fr + rr - fl - rl) / 4.0, (fl - fr - rl + rr) / 4.0
    signs = {"FL": (1, -1, 1), "FR": (1, 1, -1), "RL": (-1, -1, -1), "RR": (-1, 1, 1)}[corner]
    parts = [heave, signs[0] * pitch, signs[1] * roll, signs[2] * warp]
    total = sum(parts)
    # The thinned wheel travel and the log's own damper peak differ a little; the parts add up to the latter.
    scale = travel / total if abs(total) > 1e-6 else 1.0
    return TravelBudget(
        heave=parts[0] * scale, pitch=parts[1] * scale, roll=parts[2] * scale, warp=parts[3] * scale
    )
