"""Where between its samples a travel crosses a level and how far it goes, by a parabola through a few."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from analyzer.processing.filters import Floats, mirrored

WINDOW_S: Final = 0.020
"""Length of the parabola [s]: a wheel on its stop swings at up to 20 Hz (wheel mass on tyre and stop), and
takes 2 % off a parabola of this length."""

MOST_DIFFERENCES: Final = 50_000
"""Differences the noise is taken from: its median is then known to 0.6 %."""


@dataclass(frozen=True, slots=True)
class Parabola:
    """Least-squares parabola around every sample: value, slope and curvature at the sample.

    Parameters
    ----------
    value, slope, curve : array
        In the unit of the values per sample, per sample^2; ``value + slope x + curve x^2``.
    noise_gain : float
        Standard deviation of `value` per that of the white noise of a sample [1].
    """

    value: Floats
    slope: Floats
    curve: Floats
    noise_gain: float


def smoothed(values: Floats, rate: float) -> Floats:
    """Return the value of `parabola` alone."""
    weights, half = _weights(len(values), rate)
    return np.convolve(_padded(values, half), weights[0][::-1], mode="valid")


def smoothed_at(values: Floats, rate: float, sample: int) -> float:
    """Return `smoothed` at one sample."""
    weights, half = _weights(len(values), rate)
    low, high = sample - half, sample + half + 1
    if low < 0 or high > len(values):
        near = max(0, min(low, len(values) - 4 * half))
        return float(smoothed(values[near : near + 4 * half + 1], rate)[sample - near])
    return float(weights[0] @ values[low:high])


def parabola(values: Floats, rate: float) -> Parabola:
    """Fit a parabola around every sample (Savitzky and Golay 1964); the ends are continued by mirroring."""
    weights, half = _weights(len(values), rate)
    padded = _padded(values, half)
    value, slope, curve = (np.convolve(padded, row[::-1], mode="valid") for row in weights)
    return Parabola(value, slope, curve, float(np.sqrt((weights[0] ** 2).sum())))


def _weights(count: int, rate: float) -> tuple[Floats, int]:
    half = min(window_half(rate), max(1, (count - 1) // 2))
    return _least_squares_weights(half), half


def window_half(rate: float) -> int:
    """Return how many samples the parabola reaches to either side."""
    return max(1, round(WINDOW_S * rate / 2.0))


@lru_cache(maxsize=16)
def _least_squares_weights(half: int) -> Floats:
    steps = np.arange(-half, half + 1, dtype=np.float64)
    weights: Floats = np.linalg.pinv(np.column_stack([np.ones_like(steps), steps, steps**2]))
    weights.flags.writeable = False
    return weights


def _padded(values: Floats, half: int) -> Floats:
    if len(values) <= half:
        return np.pad(values, half, mode="edge")
    return mirrored(values, -half, len(values) + half)


def highest(fit: Parabola, low: int, high: int) -> tuple[float, float]:
    """Return place (in samples) and height of the greatest value between two samples (`high` exclusive)."""
    top = low + int(np.argmax(fit.value[low:high]))
    value, slope, curve = float(fit.value[top]), float(fit.slope[top]), float(fit.curve[top])
    if curve >= 0.0:
        return float(top), value
    shift = float(np.clip(-slope / (2.0 * curve), -0.5, 0.5))
    return top + shift, value + slope * shift + curve * shift**2


def crossings(values: Floats, level: float) -> tuple[float, float] | None:
    """Return where `values` first rise through `level` and last fall through it, in samples; None: never."""
    above = np.flatnonzero(values >= level)
    if above.size == 0:
        return None
    first, last = int(above[0]), int(above[-1])
    begin, end = float(first), float(last)
    if first > 0:
        begin = first - (values[first] - level) / max(values[first] - values[first - 1], 1e-12)
    if last < len(values) - 1:
        end = last + (values[last] - level) / max(values[last] - values[last + 1], 1e-12)
    return begin, end


def white_noise(values: Floats) -> float:
    """Return the standard deviation of the noise between neighbouring samples.

    From the median size of third differences: motion of a wheel is smooth over four samples of a fast log,
    and what is not is counted as noise.
    """
    if len(values) < 16:
        return 0.0
    # Of a long run every so-manieth stretch of four samples will do.
    count, every = len(values) - 3, max(1, len(values) // MOST_DIFFERENCES)
    first, second, next_one, last = (values[k : k + count : every] for k in range(4))
    third = last - 3.0 * (next_one - second) - first
    return float(np.median(np.abs(third - np.median(third))) / 0.6745 / np.sqrt(20.0))
