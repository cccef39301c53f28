"""Zero of the pots: stated, from a car that stands on level ground, or from one that runs straight."""

from __future__ import annotations

import math
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analyzer.core.filebacked import shelved
from analyzer.core.regression import pooled_mean
from analyzer.core.signals import Blocks, blanked, runs_of
from analyzer.core.units import AXLE_CORNERS, AXLES, CORNERS, STANDARD_GRAVITY, Corner, Uncertain
from analyzer.ingest.recording import Check, HealthRow, Lift, Recording, Verdict
from analyzer.sheets.car import CarSheet

# Zero of the pots: from the sheet, a stated level stretch, or a car that stands or runs level in the log.


Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

ZERO_TOLERANCE: Final = 0.004
"""Standing reading that raises no question about the calibration [m]: friction and fuel move a standing car
by a few millimetres (engineering judgement)."""
FAR_FROM_ZERO: Final = 0.020
"""Reading on the straight from which a pot's zero was never set [m]; engineering judgement."""
STANDING_SECONDS: Final = 2.0
STILL_TRAVEL: Final = 0.0008
"""Spread of a pot on a standing car, engine running [m]; engineering judgement."""
STILL_ACCELERATION: Final = 0.6
"""Spread of acceleration on a standing car [m/s2]; engineering judgement."""
LEVEL_ACCELERATION: Final = 1.2
"""Mean acceleration of a standing car: slope of the ground and tilt of the sensor [m/s2]."""
STILL_RATE: Final = 0.03
"""Turn rate of a standing car [rad/s]."""
LEANING: Final = 3.0
OFFSET_RATE: Final = 0.15
"""The same where the speed says that the car stands, and the unit may lean or have an offset."""
STILL_SPEED: Final = 0.5
"""Speed below which a car stands [m/s]."""


GROUND_STD: Final = 0.001
"""Half the difference of an axle's pots that uneven ground under a standing car makes, standard uncertainty
[m]: 0.8 mm front and 1.3 mm rear where the virtual car stands on a road of classes A to B (ISO 8608)."""
STROKE_MARGIN: Final = 0.005
"""Bushes, linearity of the pot and calibration together [m]; engineering judgement."""
REST_STD: Final = 0.0003
"""Standard uncertainty of the mean of an axle's pots on a standing car [m]: friction and fuel (engineering
judgement)."""

Zeroing = Literal["found", "standing", "calibration"]


@dataclass(slots=True)
class Zeroed:
    """What was taken off the pots.

    Parameters
    ----------
    offsets : dict
        Channel -> travel that became zero [m].
    std : dict
        Channel -> standard uncertainty of its zero [m]; a channel whose error is not known is missing.
    steps, health : list
        What was done and found.
    """

    offsets: dict[str, float] = field(default_factory=dict)
    std: dict[str, float] = field(default_factory=dict)
    steps: list[str] = field(default_factory=list)
    health: list[HealthRow] = field(default_factory=list)


def standing_blocks(blocks: Blocks) -> NDArray[np.bool_]:
    """Return per block of half a second whether the car clearly stands.

    Pots must be quiet and, as far as they were logged, accelerations, turn rates and speed as well. A log
    with pots alone cannot tell standing from smooth driving, so it gives no standing block.
    """
    data = blocks.data
    length = len(next(iter(data.values()))) // blocks.size if data else 0
    still = np.ones(length, dtype=bool)
    witnesses = 0
    # Where a speed that moves in this run says that the car stands, a unit may lean or have an offset.
    slow = "speed" in data and bool(np.nanmax(np.append(blocks.mean("speed"), 0.0)) > MOVING_SPEED)
    for name in data:
        if not name.startswith(("damper", "accel_x", "accel_y", "gyro", "speed")):
            continue
        mean, spread = blocks.statistics(name)
        if np.isnan(mean).all():
            continue
        if name.startswith("damper"):
            still &= ~(spread > STILL_TRAVEL)
        elif name.startswith("accel"):
            still &= (spread < STILL_ACCELERATION) & (
                np.abs(mean) < (LEANING if slow else LEVEL_ACCELERATION)
            )
            witnesses += 1
        elif name.startswith("gyro"):
            still &= (np.abs(mean) < (OFFSET_RATE if slow else STILL_RATE)) & (spread < STILL_RATE)
            witnesses += 1
        else:
            still &= mean < STILL_SPEED
            witnesses += 2
    return still if witnesses >= 2 else np.zeros(length, dtype=bool)


def longest_standing(blocks: Blocks) -> tuple[int, int] | None:
    """Return first and last sample (exclusive) of the longest stretch the car stands; None below 2 s."""
    still = standing_blocks(blocks)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], still.astype(np.int8), [0]])))
    if len(edges) == 0:
        return None
    starts, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - starts))
    first, last = int(starts[longest]) * blocks.size, int(ends[longest]) * blocks.size
    return (first, last) if (last - first) / blocks.rate >= STANDING_SECONDS else None


def zero_pots(
    blocks: Blocks,
    times: Floats,
    static: dict[str, Uncertain],
    level: tuple[float, float] | None,
    zeroing: Zeroing = "found",
    borrowed: Mapping[str, Uncertain] = MappingProxyType({}),
    claimed: Container[str] = frozenset(),
) -> Zeroed:
    """Decide what reading of each pot is static ride height; nothing is subtracted here.

    Parameters
    ----------
    blocks : Blocks
        House channels on the time base [SI] with their block statistics.
    times : ndarray
        Their times [s].
    static : dict
        Channel -> stated reading [m]; these are not questioned.
    level : tuple of float or None
        Stated stretch [s] in which the car stands or runs level.
    zeroing : str
        What may overrule the calibration's zero: a car found to stand or to run level, to stand, or nothing.
    borrowed : mapping
        Channel -> reading at static ride height in other runs with the same pots [m], for pots of which this
        log tells none.
    claimed : container of str
        Channels whose calibration says where zero is: a reading far from it contradicts the sheet. Of the
        others nobody said that they read nought at rest, and standing and driving that agree settle it.
    """
    done = Zeroed()
    pots = [name for name in blocks.data if name.startswith("damper_")]
    for name in [name for name in pots if name in borrowed and name not in static]:
        _borrow(done, name, borrowed[name])
    for name in pots:
        if name in static:
            done.offsets[name] = static[name].value
            if static[name].std is not None:
                done.std[name] = float(static[name].std or 0.0)
            done.steps.append(
                f"zero of {name} at {static[name].value * 1000:.1f} mm, from logger.channels.{name}.static"
            )
    # What the sheet states is not questioned; only the others are looked for.
    unset = [name for name in pots if name not in static and name not in borrowed]
    if not unset:
        return done
    if level is None and zeroing == "calibration":
        done.steps.append("the pots' zero is that of their calibration (logger.zero)")
        return done
    # Two witnesses: a car that stands on level ground, and one that runs straight and level; the better one
    # of each pot counts.
    rest = _at_rest(done, blocks, times, unset, level)
    still = standing_blocks(blocks)
    running = running_zeros(blocks, still) if zeroing == "found" else {}
    found = {name: _reading(name, rest, running) for name in unset}
    told = {name: reading for name, reading in found.items() if reading is not None}
    if not told:
        done.steps.append(
            "no stretch of standing or straight level running was found; the pots' zero is that of their "
            "calibration (runs.level, logger.channels.….static)"
        )
    agrees = {name: abs(reading.value) <= 2.0 * reading.std for name, reading in told.items()}
    # Where one pot reads nought at rest the logger zeroes them, and another that does not is off.
    some_zeroed = any(abs(reading.value) <= ZERO_TOLERANCE for reading in told.values())
    for name, reading in told.items():
        # For the axle, not for a pot: what bends one reading (an offset of the accelerometer) bends the other
        # the other way, and one pot moved alone would be roll and heave that are not there.
        kept = level is None and all(agrees[pot] for pot in _of_axle(name) if pot in agrees)
        _settle(done, name, reading, kept, stated=level is not None, claimed=some_zeroed or name in claimed)
    return done


def _of_axle(pot: str) -> tuple[str, ...]:
    return tuple(f"damper_{pot[-2]}{side}" for side in "LR")


@dataclass(frozen=True, slots=True)
class _Rest:
    """What the pots read where the car stands, or where the sheet says that it is level."""

    readings: dict[str, float]
    where: str


@dataclass(frozen=True, slots=True)
class _Reading:
    """Reading of one pot at rest on level ground [m], its standard uncertainty, how it was found.

    `twice`: the car standing and the car driving tell the same.
    """

    value: float
    std: float
    how: str
    torn: str = ""
    driving_only: bool = False
    twice: bool = False


def _at_rest(
    done: Zeroed, blocks: Blocks, times: Floats, pots: list[str], level: tuple[float, float] | None
) -> _Rest | None:
    if level is not None:
        inside = (times >= level[0]) & (times <= level[1])
        where = f"in the stated level stretch {level[0]:g} to {level[1]:g} s"
    else:
        found = longest_standing(blocks)
        if found is None:
            return None
        inside = np.zeros(len(times), dtype=bool)
        inside[found[0] : found[1]] = True
        where = f"while the car stands ({times[found[0]]:.1f} to {times[found[1] - 1]:.1f} s)"
    # The median: somebody may lean on the car while it stands.
    readings: dict[str, float] = {}
    for name in pots:
        values = blocks.data[name][inside]
        values = values[np.isfinite(values)]
        if len(values):
            readings[name] = float(np.median(values))
        elif level is not None:
            text = f"Nothing was logged {where}; correct runs.level."
            done.health.append(HealthRow("zero", name, Verdict.SUSPECT, None, None, "s", text))
    return _Rest(readings, where) if readings else None


def _reading(name: str, rest: _Rest | None, running: dict[str, AxleZero]) -> _Reading | None:
    """Return the best reading of one pot from rest and driving; None where neither tells it.

    Standing on uneven ground twists the suspension: one side of the front goes in and the other side of the
    rear. The mean of an axle's two pots is then right and their difference is not, while driving averages the
    ground out of the difference.
    """
    axle = "front" if name[-2] == "F" else "rear"
    driven = running.get(axle)
    if rest is None or name not in rest.readings:
        if driven is None:
            return None
        return _Reading(driven.reading(name[-1]), driven.std, "on straight level running", driving_only=True)
    twist = {end: _twist(rest, running, end) for end in ("front", "rear")}
    own, other = twist[axle], twist["rear" if axle == "front" else "front"]
    still = rest.readings[name]
    alone = _Reading(still, float(np.hypot(GROUND_STD, REST_STD)), rest.where)
    if own is None or driven is None:
        return alone
    side = 1.0 if name[-1] == "R" else -1.0
    gap = driven.reading(name[-1]) - still
    if abs(gap) > ZERO_TOLERANCE + 2.0 * driven.std:
        text = (
            f"; on straight running it reads {driven.reading(name[-1]) * 1000.0:.1f} mm: the ground there is "
            "twisted, or the pot slipped"
        )
        return _Reading(still, float(np.hypot(alone.std, 0.5 * gap)), rest.where, torn=text)
    if other is None or own * other > 0.0 or abs(own) > ZERO_TOLERANCE:
        # Ground twists both axles, in opposite senses; anything else is not the ground.
        return _Reading(still, float(np.hypot(alone.std, gap)), rest.where, twice=True)
    trust = GROUND_STD**2 / (GROUND_STD**2 + driven.half_difference_std**2)
    left = float(np.hypot(np.sqrt(trust) * driven.half_difference_std, REST_STD))
    how = f"{rest.where}, {side * trust * own * 1000.0:+.1f} mm of uneven ground there taken off"
    return _Reading(still - side * trust * own, left, how, twice=True)


def _borrow(done: Zeroed, name: str, reading: Uncertain) -> None:
    std = float(reading.std or 0.0)
    done.offsets[name], done.std[name] = reading.value, std
    size = f"{reading.value * 1000.0:.1f} ± {std * 1000.0:.1f} mm"
    done.steps.append(f"zero of {name} at {size}, borrowed from other runs (logger.channels.{name}.static)")
    text = f"This log does not tell its zero; {size} is borrowed from other runs of the session."
    done.health.append(HealthRow("zero", name, Verdict.GOOD, reading.value * 1000.0, None, "mm", text))


def unknown_zeros(recording: Recording, car: CarSheet) -> set[str]:
    """Return the pots that read far from ride height and of which neither log nor sheet tells a zero."""
    far = {
        row.channel
        for row in recording.health
        if row.check == Check.ZERO_OF_RUN and row.verdict is Verdict.SUSPECT
    }
    stated = {name for name, channel in car.logger.channels.items() if channel.static is not None}
    return far - stated - set(recording.zero_std)


MOST_APART: Final = 0.003
"""Standard deviation of a pot's zero between runs up to which a further run may borrow it [m]: a car settles
and its fuel goes by so much, a pot that was turned on its bolt is farther off (engineering judgement)."""
SETTLED: Final = 0.001
"""Standard uncertainty of a ride height from run to run [m]: fuel, friction (engineering judgement)."""


def shared_zero(readings: Sequence[tuple[float, float]], here: float) -> Uncertain | None:
    """Return the zero of a pot in a run that does not tell it, from the others; None where they disagree.

    Parameters
    ----------
    readings : sequence of (float, float)
        Reading at static ride height in the other runs with its standard uncertainty [m].
    here : float
        What the pot reads on the straight in the run itself [m].
    """
    if not readings:
        return None
    values, std = np.array(readings, dtype=np.float64).T
    mean = pooled_mean(values, np.hypot(std, SETTLED))
    if mean.apart > MOST_APART or abs(here - mean.mean) > FAR_FROM_ZERO:
        return None
    return Uncertain(mean.mean, math.hypot(mean.std, mean.apart, SETTLED))


def _twist(rest: _Rest, running: dict[str, AxleZero], axle: str) -> float | None:
    """Return half the difference of an axle's pots at rest less that while driving [m]."""
    left, right = (rest.readings.get(f"damper_{axle[0].upper()}{side}") for side in "LR")
    if left is None or right is None or axle not in running:
        return None
    return 0.5 * (right - left) - running[axle].half_difference


def _settle(done: Zeroed, name: str, reading: _Reading, kept: bool, stated: bool, claimed: bool) -> None:
    """Take the reading as zero, or keep the calibration's; say which."""
    size = f"{reading.value * 1000.0:.1f} ± {reading.std * 1000.0:.1f} mm"
    # Read while driving the zero is less sure, and doubted only beyond its own error.
    limit = ZERO_TOLERANCE + (2.0 * reading.std if reading.driving_only else 0.0)
    off = abs(reading.value) > limit and (claimed or not reading.twice)
    done.std[name] = float(np.hypot(reading.value, reading.std)) if kept else reading.std
    keys = f'logger.channels.{name}.static, runs.level, logger.zero = "calibration"'
    if not kept:
        done.offsets[name] = reading.value
        done.steps.append(f"zero of {name} at {size}, read {reading.how} ({keys})")
    text = f"Reads {size} {reading.how}{reading.torn}"
    if stated:
        end = "." if not reading.torn else "; state static or another level stretch."
    elif off:
        own = f'static = "{reading.value * 1000.0:.1f} mm"'
        end = (
            f"; this reading was made zero. Look at the pot; if it is right, write {own} into its line "
            f"(logger.channels.{name})."
        )
    else:
        end = "; it agrees with the calibration." if kept else "; this reading was made zero."
    verdict = Verdict.SUSPECT if reading.torn or (off and not stated) else Verdict.GOOD
    threshold = None if stated else limit * 1000.0
    done.health.append(HealthRow("zero", name, verdict, reading.value * 1000.0, threshold, "mm", text + end))


# Times in which the car does not stand on its wheels: on stands or a jack while the logger goes on.


PUSHED: Final = 2.5
"""Speed up to which a car may be on a trolley, or pushed by hand [m/s]."""
SWAYING: Final = 0.6
"""Roll and pitch rate up to which a car may be being raised or set down [rad/s]: a low jack that is let go
brings 5 degrees in a quarter of a second (engineering judgement)."""
HANGING: Final = 0.010
"""How far a damper comes out at least where its wheel hangs [m]; where a driver gets out it comes out by 5 mm
(engineering judgement)."""
OFF_ITS_WHEELS: Final = 0.005
"""The same for the mean of an axle's pots [m]: a slope of the ground moves it by a millimetre or two."""
FARTHEST: Final = 0.150
"""Droop that no damper has [m]: a pot that reads more lost its supply (engineering judgement)."""
NO_FARTHER: Final = 0.002
"""How much nearer than the lowest two in a hundred half seconds of driving a damper may be to its droop end
[m]: a hanging wheel is as far down as it can go."""
AT_ITS_END: Final = 0.0015
"""Spread over half a second of a damper that rests at its droop end, wheels being taken off [m]."""
LEAST_HANGING: Final = 4
"""Half seconds a car is in the air at least; it is up for a jack to be set and taken away."""
MOST_SHAKEN: Final = 3
"""Half seconds in which it is shaken meanwhile, in a row."""
DRIVEN_BLOCKS: Final = 20
"""Half seconds of driving from which it is known how the car stands on its wheels."""
AS_IT_STOOD: Final = 0.002
"""How near to where it stood a car is that has settled [m]: set down, it sits high until it has rolled, for
its tyres hold the track that they came down with (engineering judgement)."""
ROLLED: Final = 1.5
"""Way that settles it [m]: about the relaxation of a tyre, several times over (engineering judgement)."""
_TOGETHER: Final = (
    *AXLE_CORNERS.values(),
    *zip(AXLE_CORNERS["front"], AXLE_CORNERS["rear"], strict=True),
)
"""Wheels that hang together: of an axle, of a side. One alone is rather a pot that lost its supply."""


def found_lifts(blocks: Blocks, droop: Mapping[Corner, float]) -> tuple[Lift, ...]:
    """Return the times in which the car was lifted: at rest, with wheels that hang at their droop end.

    On its wheels a car at rest carries its weight, so no axle comes out of its springs; and a wheel that
    hangs is as far down as it ever was, without moving.

    Parameters
    ----------
    blocks : Blocks
        House channels on the time base [SI], axes those of the car; the pots' zero need not be known.
    droop : mapping
        Corner -> full droop from static ride height [m], where the sheet states it.
    """
    pots = {corner: f"damper_{corner}" for corner in CORNERS if f"damper_{corner}" in blocks.data}
    resting = resting_blocks(blocks)
    if len(pots) < 2 or not resting.any():
        return ()
    ends: dict[Corner, Floats] = {}
    at_rest: dict[Corner, Bools] = {}
    for corner, name in pots.items():
        travel = blocks.mean(name)
        driven = travel[~resting & np.isfinite(travel)]
        if len(driven) < DRIVEN_BLOCKS:
            return ()
        ends[corner] = np.percentile(driven, [2.0, 50.0, 98.0])
        near = (travel < ends[corner][0] + NO_FARTHER) | (travel > ends[corner][2] - NO_FARTHER)
        at_rest[corner] = resting & near & (blocks.spread(name) < AT_ITS_END)
    pairs = [pair for pair in _TOGETHER if set(pair) <= set(pots)]
    # Sound logs have no two such pots: they are spared the zeros, which are worked out from all driving.
    if not any((at_rest[left] & at_rest[right]).any() for left, right in pairs):
        return ()
    out: dict[Corner, Floats] = {}
    down: dict[Corner, Bools] = {}
    hanging: dict[Corner, Bools] = {}
    running = running_zeros(blocks, resting)
    for corner, name in pots.items():
        zero = running.get("front" if corner[0] == "F" else "rear")
        level = float(ends[corner][1]) if zero is None else zero.reading(corner[1])
        out[corner] = blocks.mean(name) - level
        lowest, highest = ends[corner][[0, 2]] - level
        down[corner] = out[corner] < min(-HANGING, lowest + NO_FARTHER)
        # A pot that counts the other way, which is told of it later on, hangs at its upper end.
        at_end = down[corner] | (out[corner] > max(HANGING, highest - NO_FARTHER))
        at_end &= np.abs(out[corner]) < droop.get(corner, FARTHEST - STROKE_MARGIN) + STROKE_MARGIN
        hanging[corner] = at_rest[corner] & at_end
    up = np.zeros(len(resting), dtype=np.bool_)
    for left, right in pairs:
        up |= hanging[left] & hanging[right] & (down[left] | down[right])
    axles = [pair for pair in AXLE_CORNERS.values() if set(pair) <= set(pots)]
    up &= np.logical_or.reduce([_axle_out(out, hanging, pair) for pair in axles]) if axles else False
    return _lifts(blocks, up, resting, out, hanging)


def _axle_out(
    out: Mapping[Corner, Floats], hanging: Mapping[Corner, Bools], pair: tuple[Corner, Corner]
) -> Bools:
    """Return where an axle has come out of its springs, as neither sloping ground nor a driver makes it."""
    left, right = (np.where(hanging[c], -np.abs(out[c]), out[c]) for c in pair)
    result: Bools = 0.5 * (left + right) < -OFF_ITS_WHEELS
    return result


def resting_blocks(blocks: Blocks) -> Bools:
    """Return the half seconds in which a car may stand, hang or be pushed; none without two witnesses."""
    data = blocks.data
    resting = np.ones(len(next(iter(data.values()))) // blocks.size if data else 0, dtype=np.bool_)
    limits = {"speed": PUSHED, "accel_x": LEANING, "accel_y": LEANING, "gyro_z": 0.5 * SWAYING}
    limits |= {"gyro_x": SWAYING, "gyro_y": SWAYING}
    witnesses = 0
    for name, limit in limits.items():
        if name not in data or np.isnan(blocks.mean(name)).all():
            continue
        # A speed that never moves is no witness.
        if name == "speed" and not np.nanmax(blocks.mean(name)) > MOVING_SPEED:
            continue
        resting &= ~(np.abs(blocks.mean(name)) > limit)
        witnesses += 2 if name == "speed" else 1
    return resting if witnesses >= 2 else np.zeros_like(resting)


def _lifts(
    blocks: Blocks, up: Bools, resting: Bools, out: Mapping[Corner, Floats], hanging: Mapping[Corner, Bools]
) -> tuple[Lift, ...]:
    """Return the lifts around half seconds in which the car is `up`, from its rising until it has settled."""
    # Blows of a wrench part what is one time in the air.
    joined = up.copy()
    for first, end in runs_of(~up):
        if first > 0 and end < len(up) and end - first <= MOST_SHAKEN:
            joined[first:end] = True
    found: list[Lift] = []
    before = dict.fromkeys(out, 0.0)
    count = len(blocks.data[next(iter(blocks.data))])
    for first, end in runs_of(joined):
        if end - first < LEAST_HANGING:
            continue
        corners = tuple(c for c in CORNERS if c in hanging and hanging[c][first:end].mean() > 0.5)
        begin = _rise(first, resting, out)
        # Between two lifts it may sit high; how it stood before the first one then holds.
        last = found[-1].end // blocks.size if found else 0
        stood = [at for at in range(max(last, begin - LEAST_HANGING), begin) if resting[at]]
        if stood:
            before = {c: float(np.nanmedian(away[stood])) for c, away in out.items()}
        stop = _settled(blocks, end, resting, {c: away - before[c] for c, away in out.items()})
        if any(
            _still_out(out, corners, slice(first, end), part, resting)
            for part in (slice(begin), slice(stop, None))
        ):
            continue
        sample = count if stop >= len(up) else stop * blocks.size
        if found and found[-1].end >= begin * blocks.size:
            corners = tuple(c for c in CORNERS if c in (*found[-1].corners, *corners))
            found[-1] = Lift(found[-1].first, sample, corners)
        else:
            found.append(Lift(begin * blocks.size, sample, corners))
    return tuple(found)


def _still_out(
    out: Mapping[Corner, Floats], corners: Sequence[Corner], up: slice, beside: slice, resting: Bools
) -> bool:
    """Return whether the car drives with all that hung still hanging: then these pots are broken."""
    driven = ~resting[beside]
    return int(driven.sum()) >= DRIVEN_BLOCKS and all(
        float(np.nanmedian(out[c][beside][driven]) / np.nanmedian(out[c][up])) > 0.5 for c in corners
    )


def _rise(first: int, resting: Bools, out: Mapping[Corner, Floats]) -> int:
    """Return the half second before the car begins to come up."""
    rising = [np.abs(away) for away in out.values() if abs(away[first]) > HANGING]
    at = first
    while at > 0 and resting[at - 1] and any(away[at] > AS_IT_STOOD for away in rising):
        at -= 1
    return max(0, at - 1)


def _settled(blocks: Blocks, end: int, resting: Bools, out: Mapping[Corner, Floats]) -> int:
    """Return the half second in which the car stands as before: it has rolled, or it never sat high."""
    speed = blocks.mean("speed") if "speed" in blocks.data else np.zeros(len(resting))
    way = 0.0
    for at in range(end, len(resting)):
        if not resting[at]:
            return at
        away = np.array([values[at] for values in out.values()])
        quiet = bool((np.abs(away) < AS_IT_STOOD).all())
        way += float(speed[at]) * blocks.size / blocks.rate if speed[at] > STILL_SPEED else 0.0
        if (quiet and at > end) or way > ROLLED:
            return at + 1
    return len(resting)


MOST_CONSTANT: Final = 3
"""Half seconds of driving in which a coarse pot may well hold one value."""

ROUNDING: Final = 1e-7
"""Spread of equal readings that is left of rounding [m]."""


def without_stuck(blocks: Blocks) -> Blocks:
    """Return the blocks with nothing where a pot is stuck for long: it tells no zero there, nor at rest."""
    driven = ~resting_blocks(blocks)
    stuck: dict[str, list[tuple[int, int]]] = {}
    for name in (n for n in blocks.data if n.startswith("damper_")):
        constant = blocks.spread(name) < ROUNDING
        for first, end in runs_of(constant):
            if int(driven[first:end].sum()) > MOST_CONSTANT:
                stuck.setdefault(name, []).append((first * blocks.size, end * blocks.size))
    if not stuck:
        return blocks
    hidden = {name: blanked(blocks.data[name], stretches) for name, stretches in stuck.items()}
    return Blocks({**blocks.data, **hidden}, blocks.rate)


def without(data: Mapping[str, Floats], lifts: Sequence[Lift]) -> dict[str, Floats]:
    """Return the channels with nothing in the times in which the car was lifted."""
    stretches = [(lift.first, lift.end) for lift in lifts]
    return {name: shelved(blanked(values, stretches)) for name, values in data.items()}


def lift_rows(lifts: Sequence[Lift], start: float, rate: float) -> list[HealthRow]:
    """Return the remark on each time in which the car was lifted; `start` is the first log time [s]."""
    return [
        HealthRow(
            Check.LIFTED,
            "time",
            Verdict.GOOD,
            (lift.end - lift.first) / rate,
            None,
            "s",
            f"The car was lifted {when_lifted(lift, start, rate)}: left out of all checks and figures.",
        )
        for lift in lifts
    ]


def when_lifted(lift: Lift, start: float, rate: float) -> str:
    """Return when and which wheels, in words."""
    begin, end = (start + sample / rate for sample in (lift.first, lift.end))
    return f"from {begin:.1f} to {end:.1f} s, {wheels_of(lift)} at full droop"


def wheels_of(lift: Lift) -> str:
    """Return which wheels hung, in words."""
    hung = set(lift.corners)
    whole = {
        "all wheels": set(CORNERS),
        **{f"both {axle} wheels": set(AXLE_CORNERS[axle]) for axle in AXLES},
        "both left wheels": {"FL", "RL"},
        "both right wheels": {"FR", "RR"},
    }
    return next((name for name, which in whole.items() if which == hung), f"wheels {', '.join(lift.corners)}")


# Reading of the pots at rest on level ground, found from a car that drives.
#
# Travel follows the forces on the body: z = z0 + b f_y + c f_x + d (f_z - g), fitted over half seconds of
# driving (quasi-static ride and roll of a linear suspension: Gillespie, Fundamentals of Vehicle Dynamics, ch.
# 5 and 6). Read where the car runs straight, level and steadily (f_y = f_x = 0, f_z = g), it gives z0. The
# difference of an axle's two pots is told to about a tenth of a millimetre, since the road's unevenness
# averages out over hundreds of metres; the mean of the two less well, for a car driven on squats and jacks.


LEAST_BLOCKS: Final = 40
"""Half seconds of driving below which no zero is read off them (engineering judgement)."""
STRAIGHT_BLOCKS: Final = 4
"""Half seconds of straight level running that spare the line an extrapolation."""
STRAIGHT_FORCE: Final = 1.5
"""Lateral force up to which running counts as straight [m/s2]."""
STEADY_FORCE: Final = 3.0
"""Forward force up to which it counts as steady [m/s2]."""
LEVEL_BAND: Final = 1.5
"""Distance of the vertical force from 1 g up to which it counts as level [m/s2]."""
UPRIGHT_BAND: Final = 5.0
"""Distance of the usual force from that of level running beyond which axes or units are wrong [m/s2]: a run
on banks of 20 degrees has 3."""
STRAIGHT_RATE: Final = 0.15
"""Yaw rate up to which it counts as straight [rad/s]."""
MOVING_SPEED: Final = 3.0
"""Speed above which the car drives [m/s]."""
FORCE_OFFSET: Final = 0.03 * STANDARD_GRAVITY
"""Standard uncertainty of where no force lies, when the car never stands [m/s2]: tilt and offset of a usual
unit (engineering judgement)."""
SIDES_FLOOR: Final = 0.00015
MEAN_FLOOR: Final = 0.0006
"""What the line leaves out, of half the difference and of the mean of an axle's pots [m]: rms against the
virtual car and the rigid-body engine, level and banked."""
MODEL_SHARE: Final = 0.1
"""Part of an extrapolated travel that may be wrong because the suspension is not linear."""


@dataclass(frozen=True, slots=True)
class AxleZero:
    """Reading of an axle's pots at rest on level ground.

    Parameters
    ----------
    mean, half_difference : float
        Mean of left and right, and half of right minus left [m].
    mean_std, half_difference_std : float
        Their standard uncertainties [m].
    """

    mean: float
    half_difference: float
    mean_std: float
    half_difference_std: float

    def reading(self, side: str) -> float:
        """Return the reading of the pot on side ``L`` or ``R`` [m]."""
        return self.mean + (self.half_difference if side == "R" else -self.half_difference)

    @property
    def std(self) -> float:
        """Standard uncertainty of one pot's reading [m]."""
        return float(np.hypot(self.mean_std, self.half_difference_std))


def running_zeros(blocks: Blocks, still: Bools) -> dict[str, AxleZero]:
    """Return the readings per axle (``front``, ``rear``) whose two pots can be read while the car drives.

    Parameters
    ----------
    blocks : Blocks
        House channels on the time base [SI] with their block statistics.
    still : ndarray of bool
        Blocks in which the car stands; they tell where no force lies.

    Returns
    -------
    dict
        Empty without lateral acceleration, or with less than 20 s of driving.
    """
    if "accel_y" not in blocks.data or not _upright(blocks):
        return {}
    found: dict[str, AxleZero] = {}
    for axle, (left, right) in AXLE_CORNERS.items():
        pots = (f"damper_{left}", f"damper_{right}")
        if all(pot in blocks.data for pot in pots):
            zero = _axle_zero(blocks, still, *pots)
            if zero is not None:
                found[axle] = zero
    return found


def _upright(blocks: Blocks) -> bool:
    """Return whether gravity lies on z, as far as it was logged: otherwise no force is what its name says."""
    for name, usual in (("accel_x", 0.0), ("accel_y", 0.0), ("accel_z", STANDARD_GRAVITY)):
        if name in blocks.data:
            means = blocks.mean(name)
            means = means[np.isfinite(means)]
            if len(means) and abs(float(np.median(means)) - usual) > UPRIGHT_BAND:
                return False
    return True


def _axle_zero(blocks: Blocks, still: Bools, left: str, right: str) -> AxleZero | None:
    forces, unsure = _forces(blocks, still)
    used = np.isfinite(blocks.mean(left)) & np.isfinite(blocks.mean(right)) & _driving(blocks, still)
    for force in forces.values():
        used &= np.isfinite(force)
    if used.sum() < LEAST_BLOCKS:
        return None
    basis = np.column_stack([np.ones(int(used.sum())), *(force[used] for force in forces.values())])
    a, b = blocks.mean(left)[used], blocks.mean(right)[used]
    straight = _straight(blocks, forces)[used]
    found = []
    for travel, floor in ((0.5 * (a + b), MEAN_FLOOR), (0.5 * (b - a), SIDES_FLOOR)):
        line, error = robust_line(basis, travel)
        if not np.isfinite(error):
            return None
        away = 0.0
        if straight.sum() < STRAIGHT_BLOCKS:
            nearest = np.abs(basis[:, 1:]).min(axis=0)
            away = MODEL_SHARE * float(np.abs(line[1:] * nearest).sum())
        offset = FORCE_OFFSET * float(np.linalg.norm([line[1 + i] for i in unsure]))
        # A pot that slipped on the way reads another zero in either half of the run.
        middle = len(travel) // 2
        halves = [
            robust_line(basis[part], travel[part])[0][0] for part in (slice(middle), slice(middle, None))
        ]
        slip = max(0.0, 0.5 * abs(halves[1] - halves[0]) - 2.0 * error)
        found.append((float(line[0]), float(np.hypot.reduce([error, floor, away, offset, slip]))))
    (mean, mean_std), (half, half_std) = found
    return AxleZero(mean, half, mean_std, half_std)


def _forces(blocks: Blocks, still: Bools) -> tuple[dict[str, Floats], list[int]]:
    """Return the forces less what they read where there is none, and which of these are only supposed."""
    forces: dict[str, Floats] = {}
    unsure: list[int] = []
    for name in ("accel_y", "accel_x", "accel_z"):
        if name not in blocks.data or np.isnan(blocks.mean(name)).all():
            continue
        mean = blocks.mean(name)
        rest = mean[still & np.isfinite(mean)]
        if len(rest) >= STRAIGHT_BLOCKS:
            none = float(np.median(rest))
        elif name == "accel_z":
            # A unit that never reads 1 g lies about its scale or offset; then its middle must do.
            low, middle, high = (float(v) for v in np.nanpercentile(mean, [5.0, 50.0, 95.0]))
            none = STANDARD_GRAVITY if low - LEVEL_BAND < STANDARD_GRAVITY < high + LEVEL_BAND else middle
        else:
            none = 0.0
            unsure.append(len(forces))
        forces[name] = mean - none
    return forces, unsure


def _driving(blocks: Blocks, still: Bools) -> Bools:
    driving = ~still
    if "speed" in blocks.data:
        fast = blocks.mean("speed") > MOVING_SPEED
        if fast.sum() > 0.5 * driving.sum():
            driving = driving & fast
    return driving


def _straight(blocks: Blocks, forces: dict[str, Floats]) -> Bools:
    """Return the blocks of straight, level, steady running."""
    limits = {"accel_y": STRAIGHT_FORCE, "accel_x": STEADY_FORCE, "accel_z": LEVEL_BAND}
    straight = np.logical_and.reduce([np.abs(force) < limits[name] for name, force in forces.items()])
    if "gyro_z" in blocks.data:
        straight = straight & ~(np.abs(blocks.mean("gyro_z")) > STRAIGHT_RATE)
    return np.asarray(straight, dtype=np.bool_)


def robust_line(basis: Floats, values: Floats) -> tuple[Floats, float]:
    """Return coefficients, and the standard error of the first, of a fit that outliers pull little on.

    Huber's weights; the error holds for residuals correlated from block to block as an AR(1) process
    (Bartlett's factor (1 + r) / (1 - r) on the variance).

    Parameters
    ----------
    basis : ndarray
        Shape (blocks, terms), the first column ones.
    values : ndarray
        Shape (blocks,).
    """
    weight = np.ones(len(values))
    line = np.zeros(basis.shape[1])
    for _ in range(6):
        root = np.sqrt(weight)
        line = np.asarray(
            np.linalg.lstsq(basis * root[:, None], values * root, rcond=None)[0], dtype=np.float64
        )
        left = values - basis @ line
        scale = 1.4826 * float(np.median(np.abs(left - np.median(left))))
        if scale <= 0.0:
            break
        weight = np.minimum(1.0, 1.5 * scale / np.maximum(np.abs(left), 1e-12))
    left = values - basis @ line
    free = float(weight.sum()) - basis.shape[1]
    if free <= 0.0 or np.linalg.matrix_rank(basis) < basis.shape[1]:
        return line, float("inf")
    variance = float((weight * left**2).sum()) / free
    spread = np.linalg.inv((basis * weight[:, None]).T @ basis)
    rho = float(np.clip(np.corrcoef(left[:-1], left[1:])[0, 1], 0.0, 0.9)) if scale > 0.0 else 0.0
    return line, float(np.sqrt(variance * spread[0, 0] * (1.0 + rho) / (1.0 - rho)))
