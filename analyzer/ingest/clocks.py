"""Clocks of several logs of one run: offset and drift from motion that both of them saw."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.ingest.body_motion import equations_of_motion
from analyzer.ingest.logfile import LogFile
from analyzer.ingest.motions import LEAST_OVERLAP, SEARCH, Motion, correlation, cut, limited

Floats = NDArray[np.float64]

COARSE_SECONDS: Final = 400.0
"""Longest part the first search uses: a drift of 100 ppm smears it by no more than 20 ms."""
WINDOWS: Final = (6.0, 20.0)
"""Shortest and longest pieces of the run whose own offsets give drift and error [s]."""
LEAST_MATCH: Final = 0.35
LEAST_MARGIN: Final = 1.25
"""Correlation of the best offset over that of the next best one."""
MOST_DRIFT: Final = 500e-6
NEIGHBOURHOOD: Final = 0.6
"""Offsets this near to the best one belong to the same peak [s]."""


@dataclass(frozen=True, slots=True)
class ClockMatch:
    """What must be added to the other file's clock.

    Parameters
    ----------
    offset : float
        At the middle of the overlap [s].
    drift : float
        Change of the offset per second of the other clock [1].
    middle : float
        Time on the other clock to which `offset` belongs [s].
    std_error : float or None
        Of the offset, from the scatter of pieces of the run [s]; None when there are too few pieces.
    match : float
        Correlation at the best offset.
    margin : float
        Its ratio to the next best one.
    basis : str
        Which motion was compared.
    """

    offset: float
    drift: float
    middle: float
    std_error: float | None
    match: float
    margin: float
    basis: str

    @property
    def certain(self) -> bool:
        """Whether the match leaves no doubt."""
        return self.match >= LEAST_MATCH and self.margin >= LEAST_MARGIN

    def apply(self, seconds: Floats) -> Floats:
        """Return times of the other clock on the first one's."""
        return seconds + self.offset + self.drift * (seconds - self.middle)


def match_clocks(first: LogFile, other: LogFile) -> ClockMatch | None:
    """Find what to add to the clock of `other` so that it agrees with that of `first`.

    Channels that both files hold are set against each other. Where one file holds the pots and the other the
    accelerometer, the equation of motion of the sprung body joins them (see `equations_of_motion`).

    Returns
    -------
    ClockMatch or None
        None when the files share no motion that could be compared.
    """
    found = _best_match(first, other)
    if found is None or not found.certain or found.drift == 0.0:
        return found
    # Drift smears the first fit of the equation of motion: fit again with the drift taken out.
    second = _best_match(first, replace(other, seconds=found.apply(other.seconds), _interval=None))
    if second is None or not second.certain:
        return found
    at = second.apply(found.apply(np.array([found.middle, found.middle + 1.0])))
    return replace(
        second, offset=float(at[0]) - found.middle, drift=float(at[1] - at[0]) - 1.0, middle=found.middle
    )


def _best_match(first: LogFile, other: LogFile) -> ClockMatch | None:
    best: ClockMatch | None = None
    for basis, here, there in _pairs(first, other):
        found = _match(basis, here, there)
        if found is not None and found.certain:
            return found  # the pairs come in the order of their exactness
        if found is not None and (best is None or _worth(found) > _worth(best)):
            best = found
    return best


def _worth(match: ClockMatch) -> float:
    return match.match * min(match.margin, 3.0)


def _pairs(first: LogFile, other: LogFile) -> Iterator[tuple[str, Motion, Motion]]:
    rate = float(np.clip(max(1.0 / first.interval, 1.0 / other.interval), 50.0, 200.0))
    for name in first.channels:
        if name in other.channels and not name.startswith(("lat", "lon", "other")):
            a, b = limited(first, first.channels[name], rate), limited(other, other.channels[name], rate)
            if a is not None and b is not None:
                yield f"{name}, which both logs hold", a, b
    for pots, imu, swap in ((first, other, False), (other, first, True)):
        for basis, a, b in equations_of_motion(pots, imu, rate):
            yield (basis, b, a) if swap else (basis, a, b)


def _match(basis: str, first: Motion, other: Motion) -> ClockMatch | None:
    length = min(len(first.values), len(other.values)) / first.rate
    if length < LEAST_OVERLAP:
        return None
    begin = max(first.start, other.start - SEARCH)
    end = min(
        first.start + len(first.values) / first.rate, other.start + len(other.values) / other.rate + SEARCH
    )
    if end - begin < LEAST_OVERLAP:
        return None
    middle = 0.5 * (max(first.start, other.start) + min(end, other.start + len(other.values) / other.rate))
    part = cut(other, middle - 0.5 * COARSE_SECONDS, middle + 0.5 * COARSE_SECONDS)
    lags, r = correlation(first, part, -SEARCH, SEARCH)
    if len(lags) == 0:
        return None
    peak = int(np.argmax(r))
    aside = np.abs(lags - lags[peak]) > NEIGHBOURHOOD
    second = max(float(r[aside].max()) if aside.any() else 0.0, 0.02)
    coarse = _refined(lags, r, peak)
    offset, drift, centre, error = _track(first, other, coarse, middle)
    return ClockMatch(offset, drift, centre, error, float(r[peak]), float(r[peak]) / second, basis)


def _refined(lags: Floats, r: Floats, peak: int) -> float:
    """Return the place of a peak between samples, by the parabola through its neighbours."""
    if peak == 0 or peak == len(r) - 1:
        return float(lags[peak])
    left, here, right = (float(v) for v in r[peak - 1 : peak + 2])
    bend = left - 2.0 * here + right
    shift = 0.0 if bend == 0.0 else 0.5 * (left - right) / bend
    return float(lags[peak] + shift * (lags[peak + 1] - lags[peak]))


def _track(
    first: Motion, other: Motion, coarse: float, middle: float
) -> tuple[float, float, float, float | None]:
    """Follow the offset through pieces of the run; return offset, drift, the time it holds for, its error."""
    ends = (other.start, other.start + len(other.values) / other.rate)
    window = float(np.clip((ends[1] - ends[0]) / 8.0, *WINDOWS))
    count = int((ends[1] - ends[0]) // window)
    centres = ends[0] + window * (np.arange(count) + 0.5)
    found: list[tuple[float, float, float]] = []
    for centre in centres[np.argsort(np.abs(centres - middle))].tolist():
        reach = 0.05 + 2.0 * MOST_DRIFT * abs(centre - middle)
        piece = cut(other, centre - 0.5 * window, centre + 0.5 * window)
        around = cut(first, centre + coarse - 0.5 * window - 2.0, centre + coarse + 0.5 * window + 2.0)
        lags, r = correlation(around, piece, coarse - reach, coarse + reach)
        if len(lags) < 3:
            continue
        peak = int(np.argmax(r))
        if r[peak] >= LEAST_MATCH and 0 < peak < len(r) - 1:
            found.append((centre, _refined(lags, r, peak), float(r[peak])))
    if len(found) < 3:
        return coarse, 0.0, middle, None
    return _line(np.array(found), coarse)


def _line(found: Floats, coarse: float) -> tuple[float, float, float, float | None]:
    when, offset, weight = (
        found[:, 0],
        found[:, 1],
        found[:, 2] ** 2 / np.maximum(1.0 - found[:, 2] ** 2, 0.01),
    )
    keep = np.abs(offset - np.median(offset)) < max(
        0.02, 4.0 * float(np.median(np.abs(offset - np.median(offset))))
    )
    when, offset, weight = when[keep], offset[keep], weight[keep]
    if len(when) < 3:
        return coarse, 0.0, float(found[:, 0].mean()), None
    centre = float(np.average(when, weights=weight))
    mean = float(np.average(offset, weights=weight))
    spread = float(np.average((when - centre) ** 2, weights=weight))
    drift = float(np.average((when - centre) * (offset - mean), weights=weight)) / spread
    left = offset - mean - drift * (when - centre)
    n_effective = float(weight.sum() ** 2 / (weight**2).sum())
    scatter = float(np.sqrt(np.average(left**2, weights=weight) * n_effective / max(n_effective - 2.0, 1.0)))
    drift_error = scatter / np.sqrt(n_effective * spread)
    if abs(drift) < 3.0 * drift_error or abs(drift) > MOST_DRIFT:
        drift = 0.0
        left = offset - mean
        scatter = float(
            np.sqrt(np.average(left**2, weights=weight) * n_effective / max(n_effective - 1.0, 1.0))
        )
    return mean, drift, centre, max(scatter / np.sqrt(n_effective), 1e-5)
