"""Road surface: an isotropic rough surface after ISO 8608, as parallel tracks along the course."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import k1

from analyzer.demo.car import Floats

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
