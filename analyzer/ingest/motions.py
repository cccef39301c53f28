"""Motions as two clocks saw them: band-limited on a uniform base, and their correlation at every offset."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.ingest.logfile import LogFile
from analyzer.ingest.timebase import Placer, base_over, sample_interval

Floats = NDArray[np.float64]

SEARCH: Final = 12.0
"""Offsets looked for, each way [s]."""
BAND: Final = (0.3, 6.0)
"""Band that is compared [Hz]: above the drift of sensors, below wheel hop."""
LEAST_OVERLAP: Final = 8.0
"""Shortest time both clocks must have seen [s]."""


@dataclass(frozen=True, slots=True)
class Motion:
    """One motion on a uniform base, band-limited; zero and unmarked where it was not seen."""

    start: float
    rate: float
    values: Floats
    seen: Floats


def limited(file: LogFile, values: Floats, rate: float, slope: bool = False) -> Motion | None:
    """Return a motion in the compared band on a uniform base of `rate` [Hz]; its slope where wanted."""
    good = np.isfinite(values)
    if good.sum() < 50:
        return None
    seconds = file.seconds[good]
    interval = sample_interval(seconds)
    base = base_over(float(seconds[0]), float(seconds[-1]), 1.0 / rate)
    placed = Placer(seconds, base, max(interval, 1.0 / rate)).place(values[good])
    seen = np.isfinite(placed)
    placed = np.where(seen, placed - np.mean(placed[seen]), 0.0)
    taps = band_taps(rate)
    if len(placed) < len(taps):
        return None
    if slope:
        placed = np.gradient(placed, 1.0 / rate)
    limited = convolve(placed, taps)
    # A hole rings as far as the filter reaches.
    near_hole = convolve((~seen).astype(np.float64), np.ones(len(taps) // 3)) > 0.5
    seen &= ~near_hole
    return Motion(base.start, rate, np.where(seen, limited, 0.0), seen.astype(np.float64))


def band_taps(rate: float) -> Floats:
    """Return the symmetric filter for the compared band at a `rate` [Hz]: difference of two low-passes."""
    half = int(rate / BAND[0])
    n = np.arange(-half, half + 1)
    window = np.hanning(2 * half + 3)[1:-1]

    def low_pass(edge: float) -> Floats:
        taps = 2.0 * edge / rate * np.sinc(2.0 * edge / rate * n) * window
        return np.asarray(taps / taps.sum(), dtype=np.float64)

    taps: Floats = low_pass(min(BAND[1], 0.4 * rate)) - low_pass(BAND[0])
    return taps


def convolve(values: Floats, taps: Floats) -> Floats:
    """Return `values` filtered without delay, by transforms since the filter is long."""
    size = 1 << int(np.ceil(np.log2(len(values) + len(taps))))
    done = np.fft.irfft(np.fft.rfft(values, size) * np.fft.rfft(taps, size), size)
    half = len(taps) // 2
    return np.asarray(done[half : half + len(values)], dtype=np.float64)


def cut(motion: Motion, begin: float, end: float) -> Motion:
    """Return the part of a motion between two times [s]."""
    a = max(0, int((begin - motion.start) * motion.rate))
    b = min(len(motion.values), int((end - motion.start) * motion.rate) + 1)
    return Motion(motion.start + a / motion.rate, motion.rate, motion.values[a:b], motion.seen[a:b])


def correlation(first: Motion, other: Motion, low: float, high: float) -> tuple[Floats, Floats]:
    """Return offsets of the other clock [s] and the correlation of both motions at each, where both saw."""
    if len(other.values) == 0 or len(first.values) == 0:
        return np.zeros(0), np.zeros(0)
    size = 1 << int(np.ceil(np.log2(len(first.values) + len(other.values))))

    def crossed(a: Floats, b: Floats) -> Floats:
        return np.asarray(
            np.fft.irfft(np.fft.rfft(a, size) * np.conj(np.fft.rfft(b, size)), size), dtype=np.float64
        )

    product = crossed(first.values, other.values)
    power_first = crossed(first.values**2, other.seen)
    power_other = crossed(first.seen, other.values**2)
    overlap = crossed(first.seen, other.seen)
    # Sample k of the result puts the start of the other motion k samples behind the start of the first.
    shift = np.arange(size)
    shift = np.where(shift >= len(first.values), shift - size, shift)
    offset = first.start + shift / first.rate - other.start
    order = np.argsort(offset)
    offset, product, overlap = offset[order], product[order], overlap[order]
    power = np.maximum(power_first[order], 0.0) * np.maximum(power_other[order], 0.0)
    usable = (offset >= low) & (offset <= high) & (overlap > 0.5 * LEAST_OVERLAP * first.rate) & (power > 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        r = product / np.sqrt(power)
    # Few samples in common correlate by chance.
    common = np.clip(overlap / (0.6 * max(float(other.seen.sum()), 1.0)), 0.0, 1.0)
    r = np.where(usable, r, 0.0) * np.sqrt(common)
    return offset[usable], r[usable]
