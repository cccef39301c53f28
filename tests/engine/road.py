"""Road heights under the four wheels after ISO 8608."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import k1

Array = npt.NDArray[np.float64]

ROUGHNESS = {"smooth": 0.0, "A": 16e-6, "B": 64e-6, "C": 256e-6}
"""Gd(n0) at n0 = 0.1 cycles/m, geometric mean of the class [m3] (ISO 8608:2016 table C.2)."""
REFERENCE_FREQUENCY, WAVINESS = 0.1, 2.0
LOWEST, HIGHEST = 0.011, 2.83
"""Band of spatial frequencies of the standard [cycles/m]."""
GRID = 0.05
"""Spacing of the profile [m]."""


def profiles(length: float, track: float, road_class: str, seed: int) -> tuple[Array, Array, Array]:
    """Return distance, and the heights of the left and the right wheel track [m].

    Both are Gaussian with the standard's spectrum; their coherence is that of a road alike in all directions,
    2 pi n t K1(2 pi n t) for waviness 2 (Kamash and Robson 1977; from memory).
    """
    count = 2 * (int(length / GRID / 2) + 1)
    distance = GRID * np.arange(count)
    frequency = np.fft.rfftfreq(count, GRID)
    inside = (frequency >= LOWEST) & (frequency <= HIGHEST)
    safe = np.where(inside, frequency, 1.0)
    density = np.where(inside, ROUGHNESS[road_class] * (safe / REFERENCE_FREQUENCY) ** -WAVINESS, 0.0)
    apart = 2.0 * np.pi * safe * track
    coherence = apart * k1(apart)
    rng = np.random.default_rng([seed, 8608])
    common, opposite = (
        _profile(density * (1.0 + sign * coherence) / 2.0, count, rng) for sign in (1.0, -1.0)
    )
    return distance, common + opposite, common - opposite


def _profile(density: Array, count: int, rng: np.random.Generator) -> Array:
    """Return a random profile whose one-sided spectrum is `density` [m3]."""
    size = density.size
    noise = rng.standard_normal(size) + 1j * rng.standard_normal(size)
    spacing = 1.0 / (count * GRID)
    spectrum = noise * np.sqrt(density * spacing) / 2.0 * count
    spectrum[0] = 0.0
    profile: Array = np.fft.irfft(spectrum, count)
    return profile
