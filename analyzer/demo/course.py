"""The invented drift course: straight, entry, alternating transitions, a banked bowl, a last switchback."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.demo.car import Floats
from analyzer.demo.road import STEP

COLUMNS: Final = (
    "heading",
    "curvature",
    "curvature_rate",
    "bank",
    "bank_rate",
    "height",
    "height_rate",
    "height_bend",
    "slip",
    "slip_rate",
    "slip_bend",
    "speed",
)
"""Columns of a course table over distance; rate and bend are first and second derivatives by distance."""


@dataclass(frozen=True)
class Stretch:
    """One part of the course.

    Parameters
    ----------
    name : str
        As on the course sheet.
    length : float
        [m].
    radius : float
        Of the path, left turn positive [m]; 0 for a straight.
    speed : float
        Meant speed [m/s].
    slip : float
        How far the car points into the turn of its path [deg], positive into it.
    bank : float
        Cross slope towards the inside [deg].
    """

    name: str
    length: float
    radius: float
    speed: float
    slip: float
    bank: float = 0.0


KETTLE_YARD: Final = (
    Stretch("run-up", 75.0, 0.0, 20.0, 0.0),
    Stretch("entry left", 50.0, 36.0, 17.3, 28.0),
    Stretch("first switch right", 48.0, -31.0, 16.0, 32.0),
    Stretch("second switch left", 44.0, 26.0, 14.4, 34.0),
    Stretch("long right", 62.0, -43.0, 18.2, 26.0),
    Stretch("link straight", 60.0, 0.0, 25.0, 0.0),
    Stretch("bowl left", 170.0, 60.0, 25.4, 20.0, 14.0),
    Stretch("bowl exit", 45.0, 0.0, 19.0, 0.0),
    Stretch("third switch right", 44.0, -29.0, 15.3, 32.0),
    Stretch("hairpin left", 38.0, 21.0, 12.4, 36.0),
    Stretch("last right", 52.0, -52.0, 16.6, 18.0),
    Stretch("finish straight", 60.0, 0.0, 18.0, 0.0),
)
"""Kettle Yard, an invented place."""

SWELLS: Final = ((0.040, 17.0, 0.42), (0.052, 18.0, 0.80))
"""Dips in the bowl: depth [m], length [m], place as a part of the bowl."""

CURVE_EASE: Final = 13.0
SLIP_EASE: Final = 19.0
BANK_EASE: Final = 22.0
SPEED_EASE: Final = 16.0
"""Lengths over which curvature, slip, bank and speed change from stretch to stretch [m]."""

SLIP_LEAD: Final = 3.0
"""The car turns in this far before its path bends [m]."""


@dataclass(frozen=True)
class Manner:
    """How one run is driven.

    Parameters
    ----------
    pace, slip : float
        Factors on speed and slip angle.
    shift : float
        Turn points moved along the course [m].
    waver : float
        Size of the driver's own corrections: part of curvature and speed, tenfold in degrees of slip.
    start, finish : float
        Standing still before and after [s].
    """

    pace: float
    slip: float
    shift: float
    waver: float
    start: float
    finish: float


def course_length(stretches: tuple[Stretch, ...]) -> float:
    """Return the length of a course [m]."""
    return sum(part.length for part in stretches)


def course_table(stretches: tuple[Stretch, ...], manner: Manner, rng: np.random.Generator) -> Floats:
    """Return one run's course over distance, every `STEP` metres, columns `COLUMNS`."""
    distance: Floats = np.arange(int((course_length(stretches) + 60.0) / STEP), dtype=np.float64) * STEP
    ends = np.cumsum([part.length for part in stretches])
    last = len(stretches) - 1

    def steps(values: list[float], ease: float, lead: float = 0.0) -> Floats:
        index = np.minimum(np.searchsorted(ends, distance + manner.shift + lead, side="right"), last)
        return eased(np.array(values)[index], ease)

    curvature = steps([0.0 if part.radius == 0.0 else 1.0 / part.radius for part in stretches], CURVE_EASE)
    curvature = curvature * (1.0 + manner.waver * wandering(distance, 17.0, rng))
    slips = [np.radians(part.slip) * np.sign(part.radius) * manner.slip for part in stretches]
    slip = steps(slips, SLIP_EASE, SLIP_LEAD)
    fast = np.abs(slip) / np.radians(30.0)
    slip = slip + np.radians(100.0) * manner.waver * fast * wandering(distance, 15.0, rng)
    speed = steps([part.speed * manner.pace for part in stretches], SPEED_EASE)
    speed = speed * (1.0 + manner.waver * wandering(distance, 30.0, rng))
    # The ground does not move with the driver: no shift here.
    index = np.minimum(np.searchsorted(ends, distance, side="right"), last)
    bank = eased(
        np.array([np.radians(part.bank) * np.sign(part.radius) for part in stretches])[index], BANK_EASE
    )
    height = swells(stretches, distance)
    heading = np.concatenate([[0.0], np.cumsum(0.5 * (curvature[1:] + curvature[:-1]) * STEP)])
    return np.stack(
        [
            heading,
            curvature,
            _slope(curvature),
            bank,
            _slope(bank),
            height,
            _slope(height),
            _slope(_slope(height)),
            slip,
            _slope(slip),
            _slope(_slope(slip)),
            speed,
        ],
        axis=1,
    )


def swells(stretches: tuple[Stretch, ...], distance: Floats) -> Floats:
    """Return the height of the course line [m]: level but for smooth dips in banked stretches."""
    height = np.zeros_like(distance)
    start = 0.0
    for part in stretches:
        if part.bank:
            for depth, length, place in SWELLS:
                u = np.clip((distance - start - place * part.length) / length + 0.5, 0.0, 1.0)
                height -= depth * np.sin(np.pi * u) ** 4
        start += part.length
    return height


def eased(column: Floats, length: float) -> Floats:
    """Return a stepped column smoothed over `length` metres by a window without corners."""
    points = max(int(length / STEP), 4)
    window = np.hanning(points + 2)[1:-1]
    padded = np.concatenate([np.full(points, column[0]), column, np.full(points, column[-1])])
    return np.asarray(np.convolve(padded, window / window.sum(), mode="same")[points:-points])


def wandering(distance: Floats, length: float, rng: np.random.Generator) -> Floats:
    """Return smooth noise of unit spread with wavelengths of about three times `length` [m]."""
    raw = rng.standard_normal(distance.size)
    smooth = eased(eased(raw, length), length)
    return np.asarray(smooth / np.std(smooth))


def _slope(column: Floats) -> Floats:
    return np.asarray(np.gradient(column, STEP))
