"""Filters of finite, symmetric support: they treat every channel alike and shift nothing in time.

A finite support matters for honesty: which output samples touch a gap or a suspect sample is known exactly,
so values filled in only to let the filter run never reach an estimate.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STOP_BAND_DB: Final = 60.0
"""Attenuation asked of the Kaiser window [dB]: 0.1 %; ISO 15037-1 asks for 1 %."""

LONG: Final = 120
"""Taps from which the product of spectra is quicker than the sum."""
PIECE: Final = 1 << 16
"""Outputs that are worked out at a time: ten minutes at the working rate."""


@lru_cache(maxsize=64)
def lowpass_taps(rate: float, cutoff: float, transition: float) -> Floats:
    """Return the taps of a symmetric low-pass filter (windowed sinc, Kaiser window).

    Parameters
    ----------
    rate : float
        Samples per second [Hz].
    cutoff : float
        Middle of the transition, gain one half [Hz].
    transition : float
        Width of the transition from pass to stop band [Hz].

    Returns
    -------
    array
        Odd number of taps, sum exactly 1; a single 1 when `cutoff` lies above the Nyquist rate.

    Notes
    -----
    Length and window shape after J. F. Kaiser's formulas (Oppenheim and Schafer, Discrete-Time Signal
    Processing, section on FIR design by windowing; from memory).
    """
    if cutoff >= rate / 2.0:
        return np.ones(1)
    width = 2.0 * np.pi * transition / rate
    half = int(np.ceil((STOP_BAND_DB - 8.0) / (2.285 * width) / 2.0))
    beta = 0.1102 * (STOP_BAND_DB - 8.7)
    steps = np.arange(-half, half + 1)
    taps = np.sinc(2.0 * cutoff / rate * steps) * np.kaiser(2 * half + 1, beta)
    result: Floats = taps / taps.sum()
    result.flags.writeable = False  # it is kept for the next who asks
    return result


def filled(values: Floats, suspect: Bools) -> Floats:
    """Return `values` with suspect samples replaced by straight lines between their neighbours.

    The result only feeds a filter; every output the replaced samples touch stays suspect.
    """
    if not suspect.any():
        return values
    good = np.flatnonzero(~suspect)
    if good.size == 0:
        return np.zeros_like(values)
    result = values.copy()
    bad = np.flatnonzero(suspect)
    result[bad] = np.interp(bad, good, values[good])
    return result


def smooth(values: Floats, taps: Floats, every: int = 1) -> Floats:
    """Filter `values` with symmetric `taps` and keep each `every`-th sample, starting with the first.

    The ends are continued by mirroring; `touched` says which outputs that concerns. Cost is proportional to
    the number of outputs, not inputs. A long column is filtered piece by piece, for the sake of memory.
    """
    half = len(taps) // 2
    if half == 0:
        return values[::every].copy()
    count = len(values)
    if count <= half:
        return np.full(-(-count // every), values.mean())
    if every == 1 and len(taps) > LONG:
        return _by_spectrum(values, taps)
    done = np.empty(-(-count // every))
    for low in range(0, count, PIECE * every):
        high = min(low + PIECE * every, count)
        padded = mirrored(values, low - half, high + half)
        if every == 1:
            done[low:high] = np.convolve(padded, taps, mode="valid")
        else:
            windows = np.lib.stride_tricks.sliding_window_view(padded, len(taps))[::every]
            np.einsum("ij,j->i", windows, taps, out=done[low // every : low // every + len(windows)])
    return done


def mirrored(values: Floats, low: int, high: int) -> Floats:
    """Return a stretch of samples that may begin before the first one and end behind the last one."""
    before, after = max(0, -low), max(0, high - len(values))
    inside = values[max(0, low) : min(high, len(values))]
    if not before and not after:
        return inside
    # By hand: the library's general way takes longer than the filter of a short run.
    return np.concatenate([values[before:0:-1], inside, values[-2 : -2 - after : -1]])


def _by_spectrum(values: Floats, taps: Floats) -> Floats:
    """Return a long filter's output by the product of spectra: the same to rounding, and quicker."""
    half, count = len(taps) // 2, len(values)
    piece = max(PIECE, 8 * len(taps))
    size = quick_size(min(piece, count) + 2 * half)
    gains = np.fft.rfft(taps, size)
    done = np.empty(count)
    for low in range(0, count, piece):
        high = min(low + piece, count)
        spectrum = np.fft.rfft(mirrored(values, low - half, high + half), size)
        spectrum *= gains
        done[low:high] = np.fft.irfft(spectrum, size)[2 * half : 2 * half + high - low]
    return done


@lru_cache(maxsize=256)
def quick_size(least: int) -> int:
    """Return the smallest 2^a 3^b 5^c that is no less than `least`: lengths a fast transform likes."""
    best = 1 << (least - 1).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            best = min(best, three << max(0, (-(-least // three) - 1).bit_length()))
            three *= 3
        five *= 5
    return best


def touched(suspect: Bools, half: int, every: int = 1) -> Bools:
    """Return which outputs of `smooth` with ``2 half + 1`` taps rest on a suspect sample or on the ends."""
    result: Bools = widened(suspect, half)[::every].copy()
    result[: -(-half // every)] = True
    result[max(0, -(-(len(suspect) - half) // every)) :] = True
    return result


def derivative(values: Floats, rate: float) -> Floats:
    """Return the time derivative by the five-point central difference (error of fourth order)."""
    if len(values) < 5:
        return np.gradient(values) * rate if len(values) > 1 else np.zeros_like(values)
    result = np.empty_like(values)
    result[2:-2] = (8.0 * (values[3:-1] - values[1:-3]) - (values[4:] - values[:-4])) / 12.0
    result[:2] = values[1] - values[0]
    result[-2:] = values[-1] - values[-2]
    return result * rate


def widened(flags: Bools, samples: int) -> Bools:
    """Return `flags` with every True run made longer by `samples` at both of its ends."""
    if samples <= 0 or not flags.any():
        return flags
    starts, ends = _edges(flags)
    starts, ends = np.maximum(starts - samples, 0), np.minimum(ends + samples, len(flags))
    # Runs that now meet are one; of whole numbers per sample a long log would fill the memory.
    apart = starts[1:] > ends[:-1]
    starts, ends = starts[np.append(True, apart)], ends[np.append(apart, True)]
    edges = np.column_stack([starts, ends]).ravel()
    lengths = np.diff(edges, prepend=0, append=len(flags))
    result: Bools = np.repeat(np.arange(len(lengths)) % 2 == 1, lengths)
    return result


def runs_of(flags: Bools) -> list[tuple[int, int]]:
    """Return start and end (exclusive) of every stretch of True."""
    starts, ends = _edges(flags)
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


def _edges(flags: Bools) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]])))
    return edges[::2], edges[1::2]
