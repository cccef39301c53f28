"""Clocks of several logs of one run: offset and drift from motion that both of them saw."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.errors import LogError
from analyzer.core.signals import vertex_beside
from analyzer.ingest.logfile import LogFile
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.ingest.timebase import Placer, base_over, sample_interval

# Motions as two clocks saw them: band-limited on a uniform base, and their correlation at every offset.


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
    whole = bool(good.all())
    seconds = file.seconds if whole else file.seconds[good]
    interval = file.interval if whole else sample_interval(seconds)
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
    if not seen.all():
        # A hole rings as far as the filter reaches.
        near_hole = convolve((~seen).astype(np.float64), np.ones(len(taps) // 3)) > 0.5
        seen &= ~near_hole
    return Motion(base.start, rate, np.where(seen, limited, 0.0), seen.astype(np.float64))


@cache
def band_taps(rate: float) -> Floats:
    """Return the symmetric filter for the compared band at a `rate` [Hz]: difference of two low-passes."""
    half = int(rate / BAND[0])
    n = np.arange(-half, half + 1)
    window = np.hanning(2 * half + 3)[1:-1]

    def low_pass(edge: float) -> Floats:
        taps = 2.0 * edge / rate * np.sinc(2.0 * edge / rate * n) * window
        return np.asarray(taps / taps.sum(), dtype=np.float64)

    taps: Floats = low_pass(min(BAND[1], 0.4 * rate)) - low_pass(BAND[0])
    taps.setflags(write=False)
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
    # Without power at an offset it is not `usable` and left out below.
    with np.errstate(divide="ignore", invalid="ignore"):
        r = product / np.sqrt(power)
    # Few samples in common correlate by chance.
    common = np.clip(overlap / (0.6 * max(float(other.seen.sum()), 1.0)), 0.0, 1.0)
    r = np.where(usable, r, 0.0) * np.sqrt(common)
    return offset[usable], r[usable]


# The equation of motion of the sprung body, which joins pots on one clock with an accelerometer on another.
#
# In roll, suspension forces carry the moment of lateral force, of roll and of yaw acceleration:
# K s + C s' = M a_y - I p' - J r', with s the roll of the pots. In heave, k w + c w' = m (a_z - g), with w
# the mean compression. Both hold whether the driver or the road moves the body (Gillespie, Fundamentals of
# Vehicle Dynamics, ch. 5 and 6; derived for any bank in docs/estimates.md), so road bumps are signal here. A
# mere comparison of turn rates would not do: the gyro sees the body, the pots see body and road, and the two
# are tens of milliseconds apart on a rough road.
#
# J holds the product of inertia and how far ahead of the CG the accelerometer sits. Since a_y is near v r,
# 0.3 m at 10 m/s without it would look like 30 ms between the clocks.


MOST_ARM: Final = 2.5
"""What I / M, J / M and the place of a box can be at most, either way [m]; I / M is 0.5 to 1.2 of a car
(engineering judgement)."""
SLACK: Final = 1.15
"""Offsets that leave so much more unexplained than the best one may be true as well: friction, tyres and
banks are not in the equation. On 60 drives of cars drawn at random the truth was within it in 56."""
FRICTION: Final = 0.0025
"""Standard uncertainty of an offset by roll where all else is known [s]: what dry friction of 100 N at a
damper makes of it."""
NO_YAW_RATE: Final = 0.04
"""The same by roll without a yaw rate: a box 0.5 m from the CG at 12 m/s; 80 ms at most on those drives."""
PITCH: Final = 0.008
"""The same by heave, where pitch comes in; both on drives of 140 cars drawn at random."""
DOUBTED: Final = (0.3, 0.01)
"""How far from the best offset others are tried, and in which steps [s]."""
BLOCKS: Final = 8
_LONGEST: Final = 400.0
_AXLES: Final = ("F", "R")


@dataclass(frozen=True, slots=True)
class Equation:
    """Two motions that must be equal up to the clocks.

    Parameters
    ----------
    basis : str
        What is compared.
    said, felt : Motion
        Force as the pots and as the accelerometers have it.
    doubt : float
        Standard uncertainty of their offset, beyond the scatter of pieces of the run [s]: damping and a late
        clock are all but alike where the car moves slowly.
    """

    basis: str
    said: Motion
    felt: Motion
    doubt: float = 0.0


def equations_of_motion(pots: LogFile, imu: LogFile, rate: float) -> Iterator[Equation]:
    """Yield pairs of motions that must be equal up to the clocks: what pots and what accelerometers say.

    Parameters
    ----------
    pots, imu : LogFile
        The two files.
    rate : float
        Rate at which they are compared [Hz].
    """
    for basis, channel, sign, about in (
        ("roll of the pots and lateral force with roll acceleration", "accel_y", -1.0, ("gyro_x", "gyro_z")),
        ("heave of the pots and vertical force", "accel_z", 1.0, ("gyro_x", "gyro_y")),
    ):
        if channel not in imu.channels:
            continue
        # A box beside the centre of gravity feels angular acceleration as force: fitted along, or it is taken
        # for a late clock.
        swings = {
            name: swing
            for name in about
            if name in imu.channels
            and (swing := limited(imu, imu.channels[name], rate, slope=True)) is not None
        }
        least = PITCH
        if channel == "accel_y":
            if "gyro_x" not in swings:
                continue
            least = FRICTION if "gyro_z" in swings else NO_YAW_RATE
        force = limited(imu, imu.channels[channel], rate)
        springs = _spring_motions(pots, sign, rate)
        if force is None or not springs:
            continue
        fitted = _fitted(springs, force, list(swings.values()))
        if fitted is not None:
            said, felt, doubt = fitted
            yield Equation(basis, said, felt, float(np.hypot(doubt, least)))


def _spring_motions(pots: LogFile, sign: float, rate: float) -> list[Motion]:
    """Return per axle the right plus (or minus) left travel and its rate."""
    motions = []
    for axle in _AXLES:
        left, right = (pots.channels.get(f"damper_{axle}{side}") for side in "LR")
        if left is None or right is None:
            continue
        for slope in (False, True):
            motion = limited(pots, right + sign * left, rate, slope=slope)
            if motion is not None:
                motions.append(motion)
    return motions if len({len(m.values) for m in motions}) == 1 else []


def _fitted(springs: list[Motion], force: Motion, turns: list[Motion]) -> tuple[Motion, Motion, float] | None:
    """Fit stiffness, damping and inertias where they explain most; return both sides and the doubt."""
    base = springs[0]
    x = np.column_stack([m.values for m in springs])
    scale = x.std(axis=0)
    if not np.all(scale > 0.0) or any(len(turn.values) != len(force.values) for turn in turns):
        return None
    x /= scale
    # A bounded piece of the middle: the sums grow with its length, and a drift of clocks would blur a longer
    # one.
    middle = 0.5 * (force.start + force.start + len(force.values) / force.rate)
    parts = [cut(m, middle - 0.5 * _LONGEST, middle + 0.5 * _LONGEST) for m in (force, *turns)]
    sides = np.column_stack([part.values for part in parts])
    # All offsets at once by the Fourier transform; the best fit is then sought at each.
    crossed = np.stack([_crossed(x, side) for side in sides.T])
    size = crossed.shape[2]
    lags = np.arange(size)
    lags = np.where(lags >= len(base.values), lags - size, lags)
    near = np.flatnonzero(np.abs(base.start + lags / base.rate - parts[0].start) <= SEARCH)
    if len(near) < 3:
        return None
    gram, power = (np.broadcast_to(m.T @ m, (len(near), m.shape[1], m.shape[1])) for m in (x, sides))
    solved, explained = _least_squares(gram, crossed[:, :, near].transpose(2, 1, 0), power)
    best = int(np.argmax(explained))
    if not np.isfinite(explained[best]):
        return None
    # What the pots say the force was, by the stiffness found: this and the measured force can be matched as
    # like with like.
    said = Motion(base.start, base.rate, x @ solved[best, : x.shape[1]] * base.seen, base.seen)
    left, seen = force.values, force.seen
    for arm, turn in zip(solved[best, x.shape[1] :].tolist(), turns, strict=True):
        left, seen = left - arm * turn.values, seen * turn.seen
    doubt = _doubt(x, sides, int(lags[near[best]]), base.rate)
    return said, Motion(force.start, force.rate, left * seen, seen), doubt


def _crossed(x: Floats, y: Floats) -> Floats:
    size = 1 << int(np.ceil(np.log2(len(x) + len(y))))
    spectrum = np.fft.rfft(x, size, axis=0) * np.conj(np.fft.rfft(y, size))[:, None]
    return np.asarray(np.fft.irfft(spectrum, size, axis=0).T, dtype=np.float64)


def _least_squares(gram: Floats, crossed: Floats, power: Floats) -> tuple[Floats, Floats]:
    """Return coefficients at each offset, springs before turns, and the sum of squares that they explain.

    Parameters
    ----------
    gram : array
        Sums of products of the spring motions, shape (offsets, n, n).
    crossed : array
        Their sums with force and turn accelerations, shape (offsets, n, 1 + turns).
    power : array
        Sums of products of force and turn accelerations, shape (offsets, 1 + turns, 1 + turns).
    """
    springs, turns = gram.shape[1], power.shape[1] - 1
    left = np.concatenate(
        [
            np.concatenate([gram, crossed[:, :, 1:]], axis=2),
            np.concatenate([crossed[:, :, 1:].transpose(0, 2, 1), power[:, 1:, 1:]], axis=2),
        ],
        axis=1,
    )
    right = np.concatenate([crossed[:, :, 0], power[:, 1:, 0]], axis=1)
    # At a wrong offset turns and springs may be all but alike: a trace of ridge keeps the sums solvable.
    ridge = 1e-9 * np.trace(left, axis1=1, axis2=2)[:, None, None] * np.eye(springs + turns)
    solved = np.linalg.solve(left + ridge, right[:, :, None])[:, :, 0]
    explained = (right * solved).sum(axis=1)
    explained[(np.abs(solved[:, springs:]) > MOST_ARM).any(axis=1)] = -np.inf
    return solved, explained


def _doubt(x: Floats, sides: Floats, lag: int, rate: float) -> float:
    """Return the standard uncertainty of the best offset [s], everything fitted anew at every other offset.

    Two parts: how far it moves when blocks of the run are left out (jackknife), and how far others lie that
    leave hardly more unexplained.
    """
    reach, step = DOUBTED
    every = max(1, round(step * rate))
    shifts = np.arange(-round(reach * rate), round(reach * rate) + 1, every)
    first = max(0, -lag - int(shifts[0]))
    end = min(len(sides), len(x) - lag - int(shifts[-1]))
    if end - first < 0.5 * LEAST_OVERLAP * rate:
        return SEARCH
    edges = np.linspace(first, end, BLOCKS + 1).astype(int)
    sums = []
    for begin, stop in pairwise(edges.tolist()):
        y = sides[begin:stop]
        moved = [x[begin + lag + shift : stop + lag + shift] for shift in shifts.tolist()]
        sums.append((np.stack([m.T @ m for m in moved]), np.stack([m.T @ y for m in moved]), y.T @ y))
    grams, crossed, powers = (np.stack(parts) for parts in zip(*sums, strict=True))

    def unexplained(kept: NDArray[np.bool_]) -> Floats:
        power = np.broadcast_to(powers[kept].sum(axis=0), (len(shifts), *powers.shape[1:]))
        found = _least_squares(grams[kept].sum(axis=0), crossed[kept].sum(axis=0), power)[1]
        return np.asarray(power[:, 0, 0] - found, dtype=np.float64)

    whole = unexplained(np.ones(BLOCKS, dtype=np.bool_))
    seconds = shifts / rate
    if not np.isfinite(whole.min()):
        return SEARCH
    best = float(seconds[int(np.argmin(whole))])
    without = [unexplained(np.arange(BLOCKS) != block) for block in range(BLOCKS)]
    places = np.array([_refined(seconds, -left, int(np.argmin(left))) for left in without])
    jackknife = float(np.sqrt((BLOCKS - 1) * np.var(places)))
    others = float(np.abs(seconds[whole <= SLACK * whole.min()] - best).max())
    # The others are a bound as of 95 %.
    return float(np.hypot(jackknife, others / 1.96))


# Clocks of several logs of one run: offset and drift from motion that both of them saw.


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
        Of the offset, from the scatter of pieces of the run and what else would fit [s]; None when there are
        too few pieces.
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
    for pair in _pairs(first, other):
        found = _match(pair)
        if found is not None and found.certain:
            return found  # the pairs come in the order of their exactness
        if found is not None and (best is None or _worth(found) > _worth(best)):
            best = found
    return best


def _worth(match: ClockMatch) -> float:
    return match.match * min(match.margin, 3.0)


def _pairs(first: LogFile, other: LogFile) -> Iterator[Equation]:
    rate = float(np.clip(max(1.0 / first.interval, 1.0 / other.interval), 50.0, 200.0))
    for name in first.channels:
        if name in other.channels and not name.startswith(("lat", "lon", "other")):
            a, b = limited(first, first.channels[name], rate), limited(other, other.channels[name], rate)
            if a is not None and b is not None:
                yield Equation(f"{name}, which both logs hold", a, b)
    for pots, imu, swap in ((first, other, False), (other, first, True)):
        for found in equations_of_motion(pots, imu, rate):
            yield replace(found, said=found.felt, felt=found.said) if swap else found


def _match(pair: Equation) -> ClockMatch | None:
    first, other = pair.said, pair.felt
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
    # Coarse first, with a short piece, over all offsets; then fine along the whole overlap, where drift
    # shows.
    part = cut(other, middle - 0.5 * COARSE_SECONDS, middle + 0.5 * COARSE_SECONDS)
    lags, r = correlation(first, part, -SEARCH, SEARCH)
    if len(lags) == 0:
        return None
    peak = int(np.argmax(r))
    aside = np.abs(lags - lags[peak]) > NEIGHBOURHOOD
    # The next best peak away from the first: a slalom looks alike every period, and then no offset is sure.
    second = max(float(r[aside].max()) if aside.any() else 0.0, 0.02)
    coarse = _refined(lags, r, peak)
    offset, drift, centre, error = _track(first, other, coarse, middle)
    whole = None if error is None else float(np.hypot(error, pair.doubt))
    return ClockMatch(offset, drift, centre, whole, float(r[peak]), float(r[peak]) / second, pair.basis)


def _refined(lags: Floats, r: Floats, peak: int) -> float:
    """Return the place of a peak between samples, by the parabola through its neighbours."""
    if peak == 0 or peak == len(r) - 1:
        return float(lags[peak])
    return float(lags[peak] + vertex_beside(*r[peak - 1 : peak + 2]) * (lags[peak + 1] - lags[peak]))


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
        # The further from the middle, where the coarse offset holds, the more drift may have come together.
        reach = 0.05 + 2.0 * MOST_DRIFT * abs(centre - middle)
        piece = cut(other, centre - 0.5 * window, centre + 0.5 * window)
        around = cut(first, centre + coarse - 0.5 * window - 2.0, centre + coarse + 0.5 * window + 2.0)
        lags, r = correlation(around, piece, coarse - reach, coarse + reach)
        if len(lags) < 3:
            continue
        peak = int(np.argmax(r))
        # A peak at the end of the search is the flank of one outside.
        if r[peak] >= LEAST_MATCH and 0 < peak < len(r) - 1:
            found.append((centre, _refined(lags, r, peak), float(r[peak])))
    if len(found) < 3:
        return coarse, 0.0, middle, None
    return _line(np.array(found), coarse)


def _line(found: Floats, coarse: float) -> tuple[float, float, float, float | None]:
    # A piece weighs by signal over noise, r^2 / (1 - r^2): a delay's variance goes with its inverse (the
    # bound of Cramer and Rao).
    when, offset, weight = (
        found[:, 0],
        found[:, 1],
        found[:, 2] ** 2 / np.maximum(1.0 - found[:, 2] ** 2, 0.01),
    )
    # A piece that locked on to another bend of a slalom is no scatter: it goes before the line is laid.
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
    # As many pieces of equal weight would do (Kish): the unequal ones know less than their number.
    n_effective = float(weight.sum() ** 2 / (weight**2).sum())
    scatter = float(np.sqrt(np.average(left**2, weights=weight) * n_effective / max(n_effective - 2.0, 1.0)))
    drift_error = scatter / np.sqrt(n_effective * spread)
    # A drift within its own error, or beyond any clock, is none: taken out it would only add its error.
    if abs(drift) < 3.0 * drift_error or abs(drift) > MOST_DRIFT:
        drift = 0.0
        left = offset - mean
        scatter = float(
            np.sqrt(np.average(left**2, weights=weight) * n_effective / max(n_effective - 1.0, 1.0))
        )
    return mean, drift, centre, max(scatter / np.sqrt(n_effective), 1e-5)


# What is said of the clocks of several logs: a match with its certainty, or a refusal.


GOOD_ERROR: Final = 0.005
"""Error of an offset that spoils no gradient [s]: half a sample at 100 Hz; engineering judgement."""
STATED_TOLERANCE: Final = 0.02
"""Difference between stated and found offset that may be rounding and tyres [s]; engineering judgement."""


def stated_clock(match: ClockMatch | None, file: LogFile) -> HealthRow:
    """Return the row that holds a stated offset against what the motion shows."""
    name = file.path.name
    if match is None or not match.certain:
        text = f"{name}: offset as stated; the logs share no motion that could confirm it."
        return HealthRow("clock offset", "time", Verdict.NOT_TESTED, None, None, "s", text)
    off = abs(match.offset)
    verdict = Verdict.GOOD if off <= STATED_TOLERANCE else Verdict.SUSPECT
    agrees = "agrees with" if verdict is Verdict.GOOD else "does not agree with"
    text = f"{name}: the stated offset {agrees} the {match.basis}, which want {match.offset:+.4f} s more."
    return HealthRow("clock offset", "time", verdict, match.offset, STATED_TOLERANCE, "s", text)


def one_clock(first: LogFile, file: LogFile) -> HealthRow | None:
    """Return the row for two logs that bear the same stamps, and such as two clocks would not give by chance.

    Any logger may begin at 0 and count evenly: such stamps tell nothing.
    """
    a, b = first.seconds, file.seconds
    if len(a) != len(b) or not bool(np.all(a == b)) or (a[0] == 0.0 and np.ptp(np.diff(a)) < 1e-6):
        return None
    text = f"{file.path.name}: bears the stamps of {first.path.name} row by row, so both are on one clock."
    return HealthRow("clock offset", "time", Verdict.NOT_TESTED, None, None, "s", text)


def found_clock(
    match: ClockMatch | None, first: LogFile, file: LogFile
) -> tuple[HealthRow, NDArray[np.float64], str]:
    """Return the row for an offset that was not stated, the file's times on the first clock, and the step.

    Raises
    ------
    LogError
        When the offset cannot be known.
    """
    name = file.path.name
    # Motion beats date and time: loggers' calendars are set by hand.
    if match is not None and match.certain:
        error = "unknown error" if match.std_error is None else f"± {match.std_error:.4f} s"
        drift = f", drift {match.drift * 1e6:+.0f} ppm" if match.drift else ""
        text = (
            f"{name}: {match.offset:+.4f} s {error}{drift} on its clock, found from {match.basis} "
            f"(correlation {match.match:.2f}, {match.margin:.1f} times the next best offset)"
        )
        fine = match.std_error is not None and match.std_error <= GOOD_ERROR
        verdict = Verdict.GOOD if fine else Verdict.SUSPECT
        row = HealthRow("clock offset", "time", verdict, match.std_error, GOOD_ERROR, "s", text + ".")
        return row, match.apply(file.seconds), text + " (runs.clock_offsets)"
    # Without clear motion, only clocks that state date and time may be believed, and that is said.
    overlap = min(first.seconds[-1], file.seconds[-1]) - max(first.seconds[0], file.seconds[0])
    absolute = first.origin is not None and file.origin is not None
    if absolute and overlap > 0:
        text = f"{name}: placed by its own date and time; no motion confirms that the clocks agree"
        row = HealthRow("clock offset", "time", Verdict.SUSPECT, None, None, "s", text + ".")
        return row, file.seconds, text + " (runs.clock_offsets)"
    why = (
        "share no motion to match their clocks by"
        if match is None
        else (f"do not match clearly (best correlation {match.match:.2f}, {match.margin:.1f} times the next)")
    )
    raise LogError(
        file.path,
        "time",
        f"this log and {first.path.name} {why}",
        'state the offsets in the session sheet, for instance clock_offsets = ["0 s", "1.25 s"]',
    )
