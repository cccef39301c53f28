"""One uniform time base: find its rate, place every channel on it, keep gaps as gaps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

GAP_FACTOR: Final = 1.5
"""A step longer than this many samples is a gap."""
SNAP: Final = 0.02
"""Part of a sample by which a stamp may miss the uniform base and still be taken as on it."""
MOST_SAMPLES: Final = 400_000_000
PASS_SHARE: Final = 0.8
"""Edge of the anti-aliasing filter as a share of half the new rate."""


@dataclass(frozen=True, slots=True)
class TimeBase:
    """Uniform times start + n / rate, n = 0 ... count - 1.

    Parameters
    ----------
    start : float
        First time [s].
    rate : float
        Samples per second [Hz].
    count : int
        Number of samples.
    """

    start: float
    rate: float
    count: int

    def times(self) -> NDArray[np.float64]:
        """Return the times, shape (count,) [s]."""
        return self.start + np.arange(self.count, dtype=np.float64) / self.rate


def sample_interval(seconds: NDArray[np.float64]) -> float:
    """Return the usual distance of strictly rising times [s]: the median, sharpened by a straight line.

    The line takes out the rounding of stamps (a 77 Hz clock written in whole milliseconds); holes are
    left out of it, since their length need not be a whole number of samples.
    """
    moves = np.diff(seconds)
    step = float(np.median(moves))
    sound = moves < GAP_FACTOR * step
    if not _even(moves[sound], step):
        return step
    if not sound.all():
        fine = float(moves[sound].mean())
    elif len(moves) > 10_000:
        fine = float((seconds[-1] - seconds[0]) / len(moves))
    else:
        fine = float(np.polyfit(np.arange(len(seconds)), seconds - seconds[0], 1)[0])
    return _tidy(fine, len(seconds))


def _tidy(interval: float, count: int) -> float:
    """Return the interval of a round rate where that moves no sample by more than a hundredth of it."""
    rate = 1.0 / interval
    for digits in (0, 1, 2):
        round_rate = round(rate, digits)
        if round_rate > 0.0 and abs(round_rate - rate) / rate * count < 0.01:
            return 1.0 / round_rate
    return interval


def _even(moves: NDArray[np.float64], step: float) -> bool:
    """Return whether the mean step may stand for the median one (rounding, not lost samples)."""
    return abs(float(moves.mean()) - step) < 0.1 * step


def base_over(start: float, end: float, interval: float) -> TimeBase:
    """Return the base from `start` to `end` [s] with samples every `interval` [s]."""
    count = int(np.floor((end - start) / interval + 0.01)) + 1
    if count > MOST_SAMPLES:
        raise ValueError("time base too long")
    return TimeBase(start, 1.0 / interval, count)


class Placer:
    """Places columns that share their stamps on a base; the plan is made once.

    Parameters
    ----------
    seconds : ndarray
        Strictly rising times of the values [s].
    base : TimeBase
        Where they go.
    interval : float or None
        Usual distance of the values [s]; found from `seconds` when None.
    """

    def __init__(self, seconds: NDArray[np.float64], base: TimeBase, interval: float | None = None) -> None:
        self.base = base
        self.interval = sample_interval(seconds) if interval is None else interval
        self._seconds = seconds
        place = (seconds - base.start) * base.rate
        self._nearest = np.rint(place).astype(np.int64)
        rounding = _stamp_rounding(seconds) * base.rate
        on_base = np.abs(place - self._nearest).max() <= max(SNAP, min(0.51 * rounding, 0.3))
        apart = len(seconds) < 2 or int(np.diff(self._nearest).min()) > 0
        inside = self._nearest[0] >= 0 and self._nearest[-1] < base.count
        self._identity = bool(
            on_base
            and apart
            and len(seconds) == base.count
            and self._nearest[0] == 0
            and self._nearest[-1] == base.count - 1
        )
        self._scatter = bool(on_base and apart and inside)

    @property
    def identical(self) -> bool:
        """Whether the stamps are the base, one for one."""
        return self._identity

    @property
    def interpolates(self) -> bool:
        """Whether values are interpolated between stamps, since these do not lie on the base."""
        return not (self._identity or self._scatter)

    def place(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return `values` on the base; NaN where there is no sample near."""
        if self._identity:
            return values
        out = np.full(self.base.count, np.nan)
        if self._scatter:
            out[self._nearest] = values
            # A stretch sampled more thinly than the base is interpolated, a hole is not.
            if self.interval * self.base.rate < GAP_FACTOR:
                return out
        times = self.base.times()
        good = np.isfinite(values)
        if good.sum() < 2:
            return out
        known = self._seconds[good]
        after = np.clip(np.searchsorted(known, times), 1, len(known) - 1)
        hole = known[after] - known[after - 1] > GAP_FACTOR * self.interval
        near = (
            np.minimum(np.abs(times - known[after - 1]), np.abs(known[after] - times)) <= SNAP * self.interval
        )
        slack = SNAP * self.interval
        outside = (times < known[0] - slack) | (times > known[-1] + slack)
        filled = np.interp(times, known, values[good])
        filled[(hole & ~near) | outside] = np.nan
        return filled


def _stamp_rounding(seconds: NDArray[np.float64]) -> float:
    """Return the step that stamps are rounded to [s], as the smallest difference between their steps."""
    moves = np.unique(np.round(np.diff(seconds[:20000]), 9))
    if len(moves) < 2:
        return 0.0
    return float(np.diff(moves).min()) if len(moves) < 50 else 0.0


def decimated(values: NDArray[np.float64], old_rate: float, new_rate: float) -> NDArray[np.float64]:
    """Return `values` with everything above half the new rate taken out, still at the old rate.

    A symmetric windowed-sinc filter: no delay, and the same for every channel. Missing samples stay
    missing and do not pull their neighbours (weights are renormalised).

    Parameters
    ----------
    values : ndarray
        Uniform samples at `old_rate` [any unit], NaN where missing.
    old_rate, new_rate : float
        Rates [Hz]; the filter's edge lies at 0.8 of half the new rate.
    """
    cut = PASS_SHARE * 0.5 * new_rate / old_rate
    half = int(np.ceil(3.0 / cut))
    n = np.arange(-half, half + 1)
    taps = 2.0 * cut * np.sinc(2.0 * cut * n) * np.kaiser(2 * half + 1, 6.0)
    taps /= taps.sum()
    good = np.isfinite(values)
    summed = np.convolve(np.where(good, values, 0.0), taps, mode="full")[half : half + len(values)]
    weight = np.convolve(good.astype(np.float64), taps, mode="full")[half : half + len(values)]
    with np.errstate(divide="ignore", invalid="ignore"):
        smooth = summed / weight
    return np.where(good & (weight > 0.3), smooth, np.nan)
