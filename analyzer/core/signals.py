"""What a sampled channel holds: its slow part, derivative, peaks and crossings, noise, and means of blocks.

All filters have a finite, symmetric support: they treat every channel alike and shift nothing in time, and
which output samples touch a gap or a suspect sample is known exactly, so that values filled in only to let
the filter run never reach an estimate.

Why not `scipy.signal`: importing it takes 0.7 to 1 s, as long as the rest of a start. What stands here
agrees with it to 1e-15: `lowpass_taps` with `firwin`, the parabola with `savgol_coeffs`, the product of
spectra with `oaconvolve`, which takes twice as long on 100 minutes of log (so does `upfirdn` on a thinned
one).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.filebacked import PIECE

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STOP_BAND_DB: Final = 60.0
"""Attenuation asked of the Kaiser window [dB]: 0.1 %; ISO 15037-1 asks for 1 %."""

LONG: Final = 120
"""Taps from which the product of spectra is quicker than the sum."""
FILTER_PIECE: Final = 1 << 16
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
    # The two formulas of `scipy.signal.kaiserord`, without its import.
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
    for low in range(0, count, FILTER_PIECE * every):
        high = min(low + FILTER_PIECE * every, count)
        padded = mirrored(values, low - half, high + half)
        if every == 1:
            done[low:high] = np.convolve(padded, taps, mode="valid")
        else:
            # Only the outputs that are kept: windows are views, nothing is copied.
            windows = np.lib.stride_tricks.sliding_window_view(padded, len(taps))[::every]
            np.einsum("ij,j->i", windows, taps, out=done[low // every : low // every + len(windows)])
    return done


def mirrored(values: Floats, low: int, high: int) -> Floats:
    """Return a stretch of samples that may begin before the first one and end behind the last one."""
    before, after = max(0, -low), max(0, high - len(values))
    inside = values[max(0, low) : min(high, len(values))]
    if not before and not after:
        return inside
    # By hand: `np.pad(mode="reflect")` takes seven times as long, more than the filter of a short run.
    return np.concatenate([values[before:0:-1], inside, values[-2 : -2 - after : -1]])


def _by_spectrum(values: Floats, taps: Floats) -> Floats:
    """Return a long filter's output by the product of spectra: the same to rounding, and quicker."""
    half, count = len(taps) // 2, len(values)
    piece = max(FILTER_PIECE, 8 * len(taps))
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
    # The same number as `scipy.fft.next_fast_len(least, real=True)`, whose import takes 0.25 s.
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
    # The first and last `half` samples hang on mirrored ones.
    result[: -(-half // every)] = True
    result[max(0, -(-(len(suspect) - half) // every)) :] = True
    return result


def derivative(values: Floats, rate: float) -> Floats:
    """Return the time derivative by the five-point central difference (error of fourth order)."""
    if len(values) < 5:
        return np.gradient(values) * rate if len(values) > 1 else np.zeros_like(values)
    result = np.empty_like(values)
    # `np.gradient` is of second order: at 15 Hz and 100 Hz it reads 14 % low, this one 2 %.
    result[2:-2] = (8.0 * (values[3:-1] - values[1:-3]) - (values[4:] - values[:-4])) / 12.0
    result[:2] = values[1] - values[0]
    result[-2:] = values[-1] - values[-2]
    return result * rate


def widened(flags: Bools, samples: int) -> Bools:
    """Return `flags` with every True run made longer by `samples` at both of its ends."""
    if samples <= 0 or not flags.any():
        return flags
    # By runs: `scipy.ndimage.maximum_filter1d` takes 13 times as long on 600 000 samples.
    starts, ends = run_edges(flags)
    starts, ends = np.maximum(starts - samples, 0), np.minimum(ends + samples, len(flags))
    # Runs that now meet are one; of whole numbers per sample a long log would fill the memory.
    apart = starts[1:] > ends[:-1]
    starts, ends = starts[np.append(True, apart)], ends[np.append(apart, True)]
    edges = np.column_stack([starts, ends]).ravel()
    lengths = np.diff(edges, prepend=0, append=len(flags))
    result: Bools = np.repeat(np.arange(len(lengths)) % 2 == 1, lengths)
    return result


def longer(flags: Bools, samples: int) -> Bools:
    """Return `flags` without its runs of True of at most `samples`."""
    result = np.zeros_like(flags)
    for start, stop in runs_of(flags):
        result[start:stop] = stop - start > samples
    return result


def runs_of(flags: Bools) -> list[tuple[int, int]]:
    """Return start and end (exclusive) of every stretch of True."""
    starts, ends = run_edges(flags)
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


def blanked(values: Floats, stretches: Iterable[tuple[int, int]]) -> Floats:
    """Return a copy with NaN in `stretches`, each from its first sample to the one after its last."""
    left = values.copy()
    for first, end in stretches:
        left[first:end] = np.nan
    return left


def run_edges(flags: Bools) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return starts and ends (exclusive) of all stretches of True, as arrays."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]])))
    return edges[::2], edges[1::2]


def vertex_beside(low: float, top: float, high: float) -> float:
    """Return how far the vertex of a parabola through three neighbours lies from the middle one [steps].

    Positive towards `high`, at most one step; 0 when the parabola has no top.
    """
    bend = low - 2.0 * top + high
    return float(np.clip(0.5 * (low - high) / bend, -1.0, 1.0)) if bend < 0.0 else 0.0


# Where between its samples a travel crosses a level and how far it goes, by a parabola through a few.

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
        # Near an end the mirrored samples count: filter just as much of the log as they reach.
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
    # Also the weights of slope and curvature, for which `savgol_coeffs` would be called three times.
    weights: Floats = np.linalg.pinv(np.column_stack([np.ones_like(steps), steps, steps**2]))
    weights.flags.writeable = False
    return weights


def _padded(values: Floats, half: int) -> Floats:
    if len(values) <= half:
        return np.pad(values, half, mode="edge")
    return mirrored(values, -half, len(values) + half)


def highest(fit: Parabola, low: int, high: int) -> tuple[float, float]:
    """Return place (in samples) and height of the greatest value between two samples (`high` exclusive)."""
    # The vertex of the parabola of the highest sample; beyond half a sample the next one's would hold.
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
    # 0.6745: median of the size of a standard normal deviate; 20 = 1 + 9 + 9 + 1, the third difference's.
    return float(np.median(np.abs(third - np.median(third))) / 0.6745 / np.sqrt(20.0))


# Means and spreads of half seconds, which standing, orientation and most checks are told by.

BLOCK_SECONDS: Final = 0.5
"""Long against a wheel's hop, short against a turn."""


class Blocks:
    """Block statistics of channels, each computed once and only when asked for.

    Parameters
    ----------
    data : dict
        Channels on one uniform base; the same dict that is changed later on.
    rate : float
        Samples per second [Hz].
    """

    def __init__(self, data: dict[str, Floats], rate: float) -> None:
        self.data = data
        self.rate = rate
        self.size = max(2, round(BLOCK_SECONDS * rate))
        self._known: dict[str, tuple[Floats, Floats]] = {}

    def mean(self, name: str) -> Floats:
        """Return the means of whole blocks; NaN where a sample is missing."""
        return self.statistics(name)[0]

    def spread(self, name: str) -> Floats:
        """Return the standard deviations of the same blocks."""
        return self.statistics(name)[1]

    def statistics(self, name: str) -> tuple[Floats, Floats]:
        """Return means and standard deviations of a channel's blocks."""
        known = self._known.get(name)
        if known is None:
            known = self._known[name] = block_spread(self.data[name], self.size)
        return known

    def keep(self, name: str, other: Blocks) -> None:
        """Take over what `other` knows of a channel that is the same in both."""
        if name in other._known:
            self._known[name] = other._known[name]

    def forget(self, names: list[str]) -> None:
        """Compute the channels `names` anew when they are asked for: their samples were changed."""
        for name in names:
            self._known.pop(name, None)

    def shift(self, name: str, offset: float) -> None:
        """Note that `offset` was taken off a channel."""
        if name in self._known:
            mean, spread = self._known[name]
            self._known[name] = (mean - offset, spread)


def block_spread(values: Floats, block: int) -> tuple[Floats, Floats]:
    """Return mean and standard deviation of whole blocks of samples; NaN in a block makes both NaN."""
    count = len(values) // block
    cut = values[: count * block].reshape(count, block)
    # Blocks of a channel lie near its first value, so that taking it off leaves the squares their digits.
    start = float(values[np.argmax(np.isfinite(values[: 4 * block]))]) if len(values) else 0.0
    start = start if np.isfinite(start) else 0.0
    mean, power = np.empty(count), np.empty(count)
    step = max(1, PIECE // block)
    for first in range(0, count, step):
        some = slice(first, first + step)
        mean[some] = cut[some].mean(axis=1)
        near = cut[some] - start
        power[some] = np.einsum("ij,ij->i", near, near) / block
    return mean, np.sqrt(np.maximum(power - (mean - start) ** 2, 0.0))
