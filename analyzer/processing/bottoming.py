"""Where a damper met its bump stop or its droop end, how hard, and what brought it there.

Contacts are found in the log at its own rate; what the body felt and which modes of the car made the travel
is read off the motion on the working base.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final, Literal

import numpy as np

from analyzer.core import signals
from analyzer.core.filebacked import by_pieces, set_aside, shelved
from analyzer.core.signals import Bools, Floats, Parabola
from analyzer.core.units import CORNERS, Axle, Corner
from analyzer.ingest.recording import Recording
from analyzer.processing.between_pairs import BEND_OPEN, off_between_pairs
from analyzer.processing.motion import Moving, raw_suspect
from analyzer.processing.results import BottomingEvent, Motion, TravelBudget
from analyzer.processing.segments import describe
from analyzer.sheets.car import CarSheet
from analyzer.vehicle.axle import Stop, mass_properties, ratio_at, stop_force, wheel_travel

RELEASE: Final = 0.001
"""An event ends when the damper is this far out of its stop again [m]; keeps noise from splitting it."""
ONE_HIT_S: Final = 0.025
"""Contacts parted by less than this are one physical hit [s]: a wheel that hops off its stop at 15 Hz is away
for half a swing, 33 ms."""
LEAST: Final = 0.0003
"""Shallower than this is a near miss, not a contact [m]: three times what makers state for the linearity of a
pot of 100 mm (0.1 %; common practice, no source)."""
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
    # A missing sample compares as no contact; most runs of most corners end here.
    near = (travel >= gap - RELEASE) & ~bad
    if not near.any():
        return []
    values = shelved(signals.filled(travel, bad))
    noise = signals.white_noise(values)
    # Noise at the edge of the release must not split one hit.
    if rate >= SLOW_LOG:
        near = _near_when_smoothed(values, near, gap - RELEASE, rate) & ~bad
    found: list[Contact] = []
    for low, high in _joined(signals.runs_of(near), bad, rate):
        if not _is_motion(values[low:high], values, low, gap, rate):
            continue
        # Samples beyond a bad one are straight lines laid by `filled`: the parabola may not lean on them.
        before, after = max(0, low - 8), min(len(values), high + 8)
        fit = signals.parabola(values[before:after], rate)
        contact = _measured(fit, low - before, high - before, gap, rate, noise)
        if contact is not None:
            places = (contact.start + before, contact.end + before, contact.peak + before)
            found.append(replace(contact, start=places[0], end=places[1], peak=places[2]))
    return found


def _near_when_smoothed(values: Floats, near: Bools, level: float, rate: float) -> Bools:
    """Return where the smoothed travel reaches a `level`, looked at about where the plain one does."""
    reach = signals.window_half(rate)
    found = np.zeros(len(values), dtype=np.bool_)
    for low, high in signals.runs_of(signals.widened(near, reach)):
        before, after = max(0, low - 2 * reach), min(len(values), high + 2 * reach)
        found[low:high] = signals.smoothed(values[before:after], rate)[low - before : high - before] >= level
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
    # On a slow log one sample may be the whole contact: then it must not stand out like a spike.
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
    # Peak, edges and approach all from the parabola, so that they fit each other between samples.
    peak, height = signals.highest(fit, low, high)
    if height < gap + LEAST:
        return None
    edges = signals.crossings(fit.value[max(0, low - 2) : high + 2], gap)
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


def contact_mask(recording: Recording, corner: Corner, gap: float, every: int) -> Bools:
    """Return the working samples near which a damper is at its stop, spikes included."""
    travel = recording.data[f"damper_{corner}"].to_numpy(dtype=np.float64, copy=False)
    touching = travel >= gap
    near: Bools = np.logical_or.reduceat(touching, np.arange(0, len(touching), every))
    # A thinned sample also rests on log samples before it.
    return signals.widened(near, 1) if every > 1 else near


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
    modes, witness = wheel_modes(recording, motion), witness_of(motion, car)
    return EventSource(recording, motion, moving, car, masks, every, modes, witness)


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


def _off(source: EventSource, corner: Corner, travel: float) -> tuple[float, float]:
    """Return the standard uncertainty of a travel by the pot's zero and by its bent calibration [m]."""
    pot = f"damper_{corner}"
    bend = off_between_pairs(source.recording, source.car, pot, np.array([travel]))
    return source.recording.zero_std.get(pot, 0.0), BEND_OPEN * float(bend[0])


def _event(
    source: EventSource, corner: Corner, stop: Stop, kind: str, contact: Contact, place: int
) -> BottomingEvent:
    motion, sign = source.motion, -1.0 if kind == "full droop" else 1.0
    # The body's forces are known on the working base: the contact's samples there, at least one.
    begin = min(int(contact.start) // source.every, place)
    end = max(-(-int(contact.end) // source.every), place)
    sheet = source.car.axle(axle_of(corner))
    pressed = np.array([contact.height - stop.gap])
    force = 0.0 if kind == "full droop" else float(stop_force(sheet, pressed)[0])
    found, seen = jolt(source.witness, begin, end, force)
    # A budget needs all four dampers; in extension its parts are those of a travel below zero.
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
        peak_error=math.hypot(contact.error, *_off(source, corner, sign * contact.height)),
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


# What the body says about a contact. A pot can be wrong about its stop; a stop that carries load must also be
# felt as a jolt of the body, and grip is lost or kept with it.

AROUND_S: Final = 0.15
"""Time on both sides of a contact that it is held against [s]: about half a swing of the body."""
BEFORE_S: Final = 0.3
"""Time before a contact over which the grip is taken [s]: engineering judgement."""
AFTER_S: Final = 0.15
"""Time after a contact that still counts to it, for the grip [s]: engineering judgement."""
FELT: Final = 2.5
"""A jolt must be expected to be this many times the usual swing of the force before its absence counts."""
PART_SEEN: Final = 0.25
"""Part of the expected jolt that counts as seen: engineering judgement, wide as pitch and roll take some."""
FAINT: Final = 1.0
"""In-plane force below which lost or kept grip means nothing [m/s2]: engineering judgement."""


@dataclass(frozen=True, slots=True)
class Witness:
    """Forces on the body as the witness needs them, on the working base; None where not logged.

    Parameters
    ----------
    vertical : array or None
        Vertical specific force less its slow part [m/s2].
    usual : float
        Standard deviation of it over moments as long as a contact [m/s2].
    in_plane : array or None
        Force in the road plane, lightly smoothed [m/s2].
    sprung : float
        Sprung mass [kg].
    """

    vertical: Floats | None
    usual: float
    in_plane: Floats | None
    sprung: float
    rate: float
    suspect: Bools


def witness_of(motion: Motion, car: CarSheet) -> Witness:
    """Return the forces of a run for `jolt` and `lateral_kept`."""
    rate, vertical, usual, in_plane = motion.rate, None, 0.0, None
    bad = np.zeros(len(motion.data), dtype=np.bool_)
    if "specific_force_z" in motion.data:
        raw = motion.data["specific_force_z"].to_numpy()
        quick, slow = signals.lowpass_taps(rate, 25.0, 20.0), signals.lowpass_taps(rate, 2.5, 2.5)
        vertical = set_aside(signals.smooth(raw, quick) - signals.smooth(raw, slow))
        moving = ~motion.parked.to_numpy() & ~motion.suspect["specific_force_z"].to_numpy()
        usual = float(np.std(vertical[moving])) if moving.any() else 0.0
        bad = motion.suspect["specific_force_z"].to_numpy()
    if "road_force_x" in motion.data:
        taps = signals.lowpass_taps(rate, 6.0, 6.0)
        along, across = (signals.smooth(motion.data[f"road_force_{axis}"].to_numpy(), taps) for axis in "xy")
        in_plane = set_aside(np.hypot(along, across))
    return Witness(vertical, usual, in_plane, mass_properties(car).sprung, rate, bad)


def jolt(witness: Witness, start: int, end: int, force: float) -> tuple[float | None, bool | None]:
    """Return the jolt of a contact between two working samples [m/s2], and whether it was felt.

    Parameters
    ----------
    witness : Witness
        Of the run.
    start, end : int
        First and last working sample of the contact.
    force : float
        What the stop should press with at the deepest point, at the body [N]; zero when its rate is unknown.
    """
    if witness.vertical is None:
        return None, None
    # Against the moments around it, so that a bank or crest that presses all the while is no jolt.
    around = round(AROUND_S * witness.rate)
    low, high = max(0, start - around), min(len(witness.vertical), end + around + 1)
    if witness.suspect[low:high].any():
        return None, None
    inside = float(witness.vertical[start : end + 1].max())
    outside = np.concatenate([witness.vertical[low:start], witness.vertical[end + 1 : high]])
    found = inside - float(outside.mean()) if outside.size else inside
    expected = force / witness.sprung
    if expected < FELT * witness.usual or expected <= 0.0:
        return found, None
    return found, found > PART_SEEN * expected


def lateral_kept(witness: Witness, start: int, end: int) -> float | None:
    """Return the smallest in-plane force during and just after a contact over its mean before [1]."""
    if witness.in_plane is None:
        return None
    # Low grip just before, as on a straight, makes a ratio that means nothing.
    before = witness.in_plane[max(0, start - round(BEFORE_S * witness.rate)) : start]
    during = witness.in_plane[start : end + 1 + round(AFTER_S * witness.rate)]
    if before.size == 0 or during.size == 0 or float(before.mean()) < FAINT:
        return None
    return float(during.min() / before.mean())


def axle_of(corner: str) -> Axle:
    """Return the axle of a corner."""
    return "front" if corner[0] == "F" else "rear"


# What a damper's travel is made of: the four modes of the car, slow (driver, course) or quick (road).

SLOW_BAND: Final = 2.5
"""Low-pass that parts what the driver and the shape of the course do from what bumps do [Hz]: the body's own
roll and heave (about 2 Hz) answer a change of side, wheel hop (10-15 Hz) answers the road."""

MODES: Final = ("heave", "pitch", "roll", "warp")
SIGNS: Final[dict[Corner, tuple[float, float, float, float]]] = {
    "FL": (1.0, 1.0, -1.0, 1.0),
    "FR": (1.0, 1.0, 1.0, -1.0),
    "RL": (1.0, -1.0, -1.0, -1.0),
    "RR": (1.0, -1.0, 1.0, 1.0),
}
"""How each mode moves each wheel: the four rows are orthogonal, so the same mix takes the modes out."""
_MIX: Final = np.array([SIGNS[corner] for corner in CORNERS])


def mode_values(wheels: Floats) -> Floats:
    """Return heave, pitch, roll and warp (last axis) of the travels of FL, FR, RL, RR (last axis) [m]."""
    result: Floats = wheels @ _MIX / 4.0
    return result


@dataclass(frozen=True, slots=True)
class WheelModes:
    """The wheels of a run as the budget needs them.

    Parameters
    ----------
    slow : tuple of array
        Wheel travel FL, FR, RL, RR on the working base, low-passed at `SLOW_BAND` [m].
    suspect : array of bool
        Working samples at which it must not be used.
    dampers : tuple of array
        Damper travel of the four corners at the log's rate [m].
    rate : float
        Samples of the log per second [Hz].
    quick_suspect : array of bool
        Log samples at which it must not be used.
    """

    slow: tuple[Floats, ...]
    suspect: Bools
    dampers: tuple[Floats, ...]
    rate: float
    quick_suspect: Bools


def wheel_modes(recording: Recording, motion: Motion) -> WheelModes | None:
    """Return the wheels of a run; None when not all four dampers are logged."""
    names = [f"wheel_{corner}" for corner in CORNERS]
    if not all(name in motion.data for name in names):
        return None
    taps = signals.lowpass_taps(motion.rate, SLOW_BAND, SLOW_BAND)
    slow = tuple(set_aside(signals.smooth(motion.data[name].to_numpy(), taps)) for name in names)
    bad = signals.widened(np.logical_or.reduce(motion.suspect[names].to_numpy(), axis=1), len(taps) // 2)
    # The dampers stay at the log's rate, unfiltered: only the few samples of a hit are smoothed, when asked.
    dampers, quick_bad = [], np.zeros(len(recording.data), dtype=np.bool_)
    for corner in CORNERS:
        dampers.append(recording.data[f"damper_{corner}"].to_numpy(dtype=np.float64, copy=False))
        quick_bad |= raw_suspect(recording, f"damper_{corner}")
    reach = 1 + round(signals.WINDOW_S * recording.sample_rate / 2.0)
    return WheelModes(slow, bad, tuple(dampers), recording.sample_rate, signals.widened(quick_bad, reach))


def travel_budget(
    modes: WheelModes, car: CarSheet, corner: Corner, sample: int, place: int, travel: float
) -> TravelBudget | None:
    """Return one damper's travel as the sum of its causes [m at the damper].

    Parameters
    ----------
    modes : WheelModes
        Of the run.
    car : CarSheet
        For the motion ratios.
    corner : Corner
        Which damper.
    sample, place : int
        Of the log and of the working base.
    travel : float
        What the parts shall add up to [m]; the small rest of the parabola goes to them in proportion.

    Notes
    -----
    Heave h, pitch p, roll r and warp q are those mixes of the four wheel travels that add up again:
    FL = h + p - r + q, FR = h + p + r - q, RL = h - p - r - q, RR = h - p + r + q.
    """
    if modes.quick_suspect[sample]:
        return None
    # Modes are of wheels: damper travels go there first, since axles differ in motion ratio.
    quick = np.array([signals.smoothed_at(values, modes.rate, sample) for values in modes.dampers])
    ratios = [car.axle(axle_of(name)).damper_motion_ratio for name in CORNERS]
    wheels = np.array([wheel_travel(quick[k : k + 1], ratio)[0] for k, ratio in enumerate(ratios)])
    signs = np.array(SIGNS[corner])
    parts = signs * mode_values(wheels)
    # Back at the damper in proportion, so that the parts add up to the travel that is told.
    total = float(parts.sum())
    scale = travel / total if abs(total) > 1e-6 else 1.0
    at_damper = dict(zip(MODES, (float(part) * scale for part in parts), strict=True))
    return TravelBudget(**at_damper, causes=_causes(modes, car, corner, place, signs, travel))


def _causes(
    modes: WheelModes, car: CarSheet, corner: Corner, place: int, signs: Floats, travel: float
) -> dict[str, float]:
    if modes.suspect[place]:
        return {}
    # The slow modes by name; what they leave of the travel came quicker than the body moves: the road.
    wheels = np.array([wheel[place] for wheel in modes.slow])
    number = CORNERS.index(corner)
    ratio = float(ratio_at(wheels[number : number + 1], car.axle(axle_of(corner)).damper_motion_ratio)[0])
    slow = signs * mode_values(wheels) * ratio
    heave, pitch, roll, warp = (float(part) for part in slow)
    return {
        "vertical load": heave,
        "roll": roll,
        "pitch": pitch,
        "warp": warp,
        "road": travel - float(slow.sum()),
    }
