"""One uniform time base: find its rate, place every channel on it, keep gaps as gaps."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.filebacked import by_pieces, in_file, shelved, stretches

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
        return by_pieces(self.count, self.stretch)

    def stretch(self, first: int, end: int) -> NDArray[np.float64]:
        """Return the times of the samples from `first` up to `end` (exclusive) [s]."""
        return self.start + np.arange(first, end, dtype=np.float64) / self.rate


def sample_interval(seconds: NDArray[np.float64]) -> float:
    """Return the usual distance of strictly rising times [s]: the median, sharpened by a straight line.

    The line takes out the rounding of stamps (a 77 Hz clock written in whole milliseconds); holes are
    left out of it, since their length need not be a whole number of samples.
    """
    moves = by_pieces(len(seconds) - 1, lambda a, b: np.diff(seconds[a : b + 1]))
    # The median first: it stands against holes and doubled stamps, which a mean does not.
    step = float(np.median(moves, overwrite_input=in_file(moves)))  # what follows asks for no order
    sound = moves < GAP_FACTOR * step
    holes = not sound.all()
    mean = float((moves[sound] if holes else moves).mean())
    if abs(mean - step) >= 0.1 * step:  # lost samples, not rounding
        return step
    # A line through all stamps would take the holes for slow samples.
    if holes:
        fine = mean
    elif len(moves) > 10_000:
        fine = float((seconds[-1] - seconds[0]) / len(moves))
    else:
        fine = float(np.polyfit(np.arange(len(seconds)), seconds - seconds[0], 1)[0])
    return _tidy(fine, len(seconds))


def _tidy(interval: float, count: int) -> float:
    """Return the interval of a round rate where that moves no sample by more than a hundredth of it."""
    # Loggers run at round rates; 99.9998 Hz would drift off the stamps of a long log.
    rate = 1.0 / interval
    for digits in (0, 1, 2):
        round_rate = round(rate, digits)
        if round_rate > 0.0 and abs(round_rate - rate) / rate * count < 0.01:
            return 1.0 / round_rate
    return interval


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
        # Stamps rounded to milliseconds lie off a base of 77 Hz by up to half a millisecond and are on it all
        # the same.
        rounding = _stamp_rounding(seconds) * base.rate
        off, least_step, first, last = self._fit()
        on_base = off <= max(SNAP, min(0.51 * rounding, 0.3)) and least_step > 0.0
        inside = first >= 0.0 and last < base.count
        self._identity = on_base and len(seconds) == base.count and first == 0.0 and last == base.count - 1
        self._scatter = on_base and inside
        self._nearest: NDArray[np.int64] | None = None
        if self._scatter and not self._identity:
            self._nearest = by_pieces(len(seconds), lambda a, b: np.rint(self._place(a, b)).astype(np.int64))

    def _place(self, first: int, end: int) -> NDArray[np.float64]:
        """Return where some of the stamps lie on the base [samples]."""
        return (self._seconds[first:end] - self.base.start) * self.base.rate

    def _fit(self) -> tuple[float, float, float, float]:
        """Return how far stamps lie off the base, their least step, first and last [samples]."""
        off, least_step, before = 0.0, np.inf, -np.inf
        # In stretches: the stamps of a long log wait in a file.
        for first, end in stretches(len(self._seconds)):
            place = self._place(first, end)
            nearest = np.rint(place)
            off = max(off, float(np.abs(place - nearest).max()))
            least_step = min(least_step, float(np.diff(nearest, prepend=before).min()))
            before = float(nearest[-1])
        return off, least_step, float(np.rint(self._place(0, 1)[0])), before

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
        # A stretch sampled more thinly than the base is interpolated, a hole is not.
        if self._nearest is not None and self.interval * self.base.rate < GAP_FACTOR:
            return self._scattered(values, self._nearest)
        good = np.isfinite(values)
        if good.sum() < 2:
            return np.full(self.base.count, np.nan)
        if good.all():
            return self._interpolated(self._seconds, values)
        return self._interpolated(shelved(self._seconds[good]), shelved(values[good]))

    def _scattered(self, values: NDArray[np.float64], nearest: NDArray[np.int64]) -> NDArray[np.float64]:
        def stretch(first: int, end: int) -> NDArray[np.float64]:
            rows = slice(*np.searchsorted(nearest, (first, end)))
            out = np.full(end - first, np.nan)
            out[nearest[rows] - first] = values[rows]
            return out

        return by_pieces(self.base.count, stretch)

    def _interpolated(self, known: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
        slack = SNAP * self.interval

        def stretch(first: int, end: int) -> NDArray[np.float64]:
            times = self.base.stretch(first, end)
            low, high = np.searchsorted(known, times[[0, -1]])
            around = slice(max(0, min(low - 2, len(known) - 2)), high + 2)
            near_by = known[around]
            # Between two samples a hole apart there is no value; near either of them there is.
            after = np.clip(np.searchsorted(near_by, times), 1, len(near_by) - 1)
            hole = near_by[after] - near_by[after - 1] > GAP_FACTOR * self.interval
            near = np.minimum(np.abs(times - near_by[after - 1]), np.abs(near_by[after] - times)) <= slack
            outside = (times < known[0] - slack) | (times > known[-1] + slack)
            filled = np.interp(times, near_by, values[around])
            filled[(hole & ~near) | outside] = np.nan
            return filled

        return by_pieces(self.base.count, stretch)


def _stamp_rounding(seconds: NDArray[np.float64]) -> float:
    """Return the step that stamps are rounded to [s], as the smallest difference between their steps."""
    # Rounded stamps take few different steps, true ones nearly as many as there are rows.
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
    # Kaiser's window with beta 6 holds back 60 dB (Oppenheim and Schafer, Discrete-Time Signal Processing;
    # from memory).
    cut = PASS_SHARE * 0.5 * new_rate / old_rate
    half = int(np.ceil(3.0 / cut))
    n = np.arange(-half, half + 1)
    taps = 2.0 * cut * np.sinc(2.0 * cut * n) * np.kaiser(2 * half + 1, 6.0)
    taps /= taps.sum()
    good = np.isfinite(values)
    # Missing samples weigh nothing, and the rest is brought back to full weight.
    summed = np.convolve(np.where(good, values, 0.0), taps, mode="full")[half : half + len(values)]
    weight = np.convolve(good.astype(np.float64), taps, mode="full")[half : half + len(values)]
    with np.errstate(divide="ignore", invalid="ignore"):  # no weight at all: NaN by the next line
        smooth = summed / weight
    return np.where(good & (weight > 0.3), smooth, np.nan)
