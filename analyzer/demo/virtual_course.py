"""The invented drift course: its stretches, its ground and its road surface."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import k1

from analyzer.demo.virtual_car import Floats

# Road surface: an isotropic rough surface after ISO 8608, as parallel tracks along the course.


REFERENCE_WAVENUMBER: Final = 0.1
"""n0 of ISO 8608 [cycles/m]."""

CLASS_MEAN: Final = {"A": 16e-6, "B": 64e-6}
"""Gd(n0), geometric mean of the class [m3], ISO 8608:2016 Table C.2."""

BAND: Final = (0.011, 2.83)
"""Wavenumbers the standard speaks of [cycles/m]."""

TRACK_GAP: Final = 0.6
"""Distance between neighbouring tracks [m]."""

TRACKS: Final = 9
STEP: Final = 0.05
"""Sample distance along the course [m]."""

CONTACT_LENGTH: Final = 0.12
"""Tyre contact length that levels out short waves [m]."""


@dataclass(frozen=True)
class Roughness:
    """Heights over distance and track, shape (points, tracks) [m]."""

    height: Floats

    def at(self, distance: Floats, lateral: Floats) -> Floats:
        """Return the height at a `distance` along and a `lateral` place left of the course line [m]."""
        points, tracks = self.height.shape
        along = np.clip(distance / STEP, 0.0, points - 1.001)
        across = np.clip(lateral / TRACK_GAP + 0.5 * (tracks - 1), 0.0, tracks - 1.001)
        i, j = along.astype(np.intp), across.astype(np.intp)
        u, v = along - i, across - j
        z = self.height
        near = (1.0 - u) * z[i, j] + u * z[i + 1, j]
        far = (1.0 - u) * z[i, j + 1] + u * z[i + 1, j + 1]
        return np.asarray((1.0 - v) * near + v * far)


def spectral_density(wavenumber: Floats, mean: float) -> Floats:
    """Return Gd(n) = Gd(n0) (n / n0)^-2 [m3] (ISO 8608)."""
    return np.asarray(mean * (wavenumber / REFERENCE_WAVENUMBER) ** -2.0)


def coherence(wavenumber: Floats, gap: Floats) -> Floats:
    """Return the ratio of cross to direct spectral density of two parallel tracks [1].

    For an isotropic surface with the exponent 2: x K1(x) with x = 2 pi n gap (Robson 1979, from memory;
    the Bessel integral of an isotropic two-dimensional spectrum).
    """
    x = 2.0 * np.pi * wavenumber * gap
    return np.asarray(np.where(x > 1e-9, x * k1(np.maximum(x, 1e-9)), 1.0))


def rough_surface(length: float, mean: float, rng: np.random.Generator, smooth: bool = True) -> Roughness:
    """Return a surface of `length` [m] whose every track has the class's spectrum.

    Random phases on an even grid of wavenumbers; at each one the tracks are mixed so that their
    cross-spectra are those of an isotropic surface: long waves lift both wheels, short ones either.

    Parameters
    ----------
    length : float
        Length of the course [m].
    mean : float
        Gd(n0) [m3].
    rng : Generator
        Source of the phases.
    smooth : bool
        Level out over the tyre's contact length; False gives the bare profile.
    """
    points = int(2 ** np.ceil(np.log2(max(length, 100.0) / STEP + 2.0)))
    waves = np.asarray(np.fft.rfftfreq(points, STEP), dtype=np.float64)
    inside = (waves >= BAND[0]) & (waves <= BAND[1])
    places = np.arange(TRACKS) * TRACK_GAP
    gaps = np.abs(places[:, None] - places[None, :])
    cross = coherence(waves[inside][:, None, None], gaps[None])
    mixing = np.linalg.cholesky(cross + 1e-9 * np.eye(TRACKS))
    # irfft adds both halves and divides by the number of points; each wave is to have the variance Gd dn.
    size = 0.5 * points * np.sqrt(spectral_density(waves[inside], mean) * waves[1])
    draws = rng.standard_normal((2, int(inside.sum()), TRACKS))
    spectrum = np.zeros((waves.size, TRACKS), dtype=complex)
    spectrum[inside] = np.einsum("kij,kj->ki", mixing, draws[0] + 1j * draws[1]) * size[:, None]
    if smooth:
        spectrum *= np.sinc(waves * CONTACT_LENGTH)[:, None]
    return Roughness(np.fft.irfft(spectrum, n=points, axis=0))


# The invented drift course: straight, entry, alternating transitions, a banked bowl, a last switchback.


DRIVE_COLUMNS: Final = (
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
    """Return one run's course over distance, every `STEP` metres, columns `DRIVE_COLUMNS`."""
    distance: Floats = np.arange(int((course_length(stretches) + 60.0) / STEP), dtype=np.float64) * STEP
    ends = np.cumsum([part.length for part in stretches])
    last = len(stretches) - 1

    def steps(values: list[float], ease: float, lead: float = 0.0) -> Floats:
        index = np.minimum(np.searchsorted(ends, distance + manner.shift + lead, side="right"), last)
        return eased(np.array(values)[index], ease)

    # The driver leads the course with the slip and wavers about it; each run has a hand of its own.
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
