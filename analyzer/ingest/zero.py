"""Zero of the pots: from the sheet, a stated level stretch, or a car that stands or runs level in the log."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analyzer.ingest.blocks import Blocks
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.ingest.running_zero import MOVING_SPEED, AxleZero, running_zeros
from analyzer.uncertain import Uncertain

Floats = NDArray[np.float64]

ZERO_TOLERANCE: Final = 0.004
"""Standing reading that raises no question about the calibration [m]: friction and fuel move a standing car
by a few millimetres (engineering judgement)."""
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
    """
    done = Zeroed()
    pots = [name for name in blocks.data if name.startswith("damper_")]
    for name in pots:
        if name in static:
            done.offsets[name] = static[name].value
            if static[name].std is not None:
                done.std[name] = float(static[name].std or 0.0)
            done.steps.append(
                f"zero of {name} at {static[name].value * 1000:.1f} mm, from logger.channels.{name}.static"
            )
    unset = [name for name in pots if name not in static]
    if not unset:
        return done
    if level is None and zeroing == "calibration":
        done.steps.append("the pots' zero is that of their calibration (logger.zero)")
        return done
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
    for name, reading in told.items():
        _settle(done, name, reading, stated=level is not None)
    return done


@dataclass(frozen=True, slots=True)
class _Rest:
    """What the pots read where the car stands, or where the sheet says that it is level."""

    readings: dict[str, float]
    where: str


@dataclass(frozen=True, slots=True)
class _Reading:
    """Reading of one pot at rest on level ground [m], its standard uncertainty, how it was found."""

    value: float
    std: float
    how: str
    torn: str = ""
    driving_only: bool = False


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
        return _Reading(still, float(np.hypot(alone.std, gap)), rest.where)
    trust = GROUND_STD**2 / (GROUND_STD**2 + driven.half_difference_std**2)
    left = float(np.hypot(np.sqrt(trust) * driven.half_difference_std, REST_STD))
    how = f"{rest.where}, less {side * trust * own * 1000.0:+.1f} mm by which the ground there twists the car"
    return _Reading(still - side * trust * own, left, how)


def _twist(rest: _Rest, running: dict[str, AxleZero], axle: str) -> float | None:
    """Return half the difference of an axle's pots at rest less that while driving [m]."""
    left, right = (rest.readings.get(f"damper_{axle[0].upper()}{side}") for side in "LR")
    if left is None or right is None or axle not in running:
        return None
    return 0.5 * (right - left) - running[axle].half_difference


def _settle(done: Zeroed, name: str, reading: _Reading, stated: bool) -> None:
    """Take the reading as zero, or keep the calibration's where both agree within the error; say which."""
    size = f"{reading.value * 1000.0:.1f} ± {reading.std * 1000.0:.1f} mm"
    limit = ZERO_TOLERANCE + (2.0 * reading.std if reading.driving_only else 0.0)
    off = abs(reading.value) > limit
    kept = not stated and abs(reading.value) <= 2.0 * reading.std
    done.std[name] = float(np.hypot(reading.value, reading.std)) if kept else reading.std
    keys = f'logger.channels.{name}.static, runs.level, logger.zero = "calibration"'
    if not kept:
        done.offsets[name] = reading.value
        done.steps.append(f"zero of {name} at {size}, read {reading.how} ({keys})")
    text = f"Reads {size} {reading.how}{reading.torn}"
    if stated:
        end = "." if not reading.torn else "; state static or another level stretch."
    elif off:
        end = "; this was made zero. State static or level in the sheets to settle it."
    else:
        end = "; it agrees with the calibration." if kept else "; this was made zero."
    verdict = Verdict.SUSPECT if reading.torn or (off and not stated) else Verdict.GOOD
    threshold = None if stated else limit * 1000.0
    done.health.append(HealthRow("zero", name, verdict, reading.value * 1000.0, threshold, "mm", text + end))
