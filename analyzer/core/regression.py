"""Least squares over the samples of one run, and errors that know that samples depend on each other.

A coefficient's error comes from what every row adds to it, summed over blocks longer than the correlation of
the rows: neighbouring samples of a log say nearly the same twice.
"""

import math
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from analyzer.core.estimate import Estimate
from analyzer.core.signals import Floats, quick_size

MOST_NOISE: Final = 0.2
"""Largest part of a column's own sum of squares that is taken for noise: engineering judgement."""


@dataclass(frozen=True, slots=True)
class LinearFit:
    """An ordinary least-squares fit.

    Parameters
    ----------
    coefficients : array (k,)
        In the order of the design's columns.
    influence : array (k, n)
        Pseudo-inverse of the design: coefficient = influence @ observations.
    residuals : array (n,)
        Observation minus fit.
    """

    coefficients: Floats
    influence: Floats
    residuals: Floats


def least_squares(design: Floats, observed: Floats) -> LinearFit:
    """Fit `observed` (n,) by the columns of `design` (n, k), by singular values of the scaled columns."""
    # By hand: numpy's and scipy's `lstsq` give no pseudo-inverse, whose rows are what the errors are made of.
    scale = _scale(design)
    left, sizes, right = np.linalg.svd(design / scale, full_matrices=False)
    kept = sizes > 1e-12 * sizes[0]
    left *= np.where(kept, 1.0 / np.where(kept, sizes, 1.0), 0.0)
    influence = (right.T / scale[:, None]) @ left.T
    coefficients = influence @ observed
    # One step of iterative refinement keeps certified data sets to their last digits.
    coefficients = coefficients + influence @ (observed - design @ coefficients)
    return LinearFit(coefficients, influence, observed - design @ coefficients)


def less_noise(design: Floats, observed: Floats, noise: Floats) -> LinearFit:
    """Fit `observed` by columns that carry white noise of known variance, column by column.

    The noise's expected part, n times its variance, is taken off the normal equations (errors in variables;
    W. Fuller, Measurement error models, 1987, ch. 2, from memory), but for no column more than a fifth of
    what the others leave of it.
    """
    plain = least_squares(design, observed)
    if not np.any(noise > 0.0):
        return plain
    # What the others leave of a column: with more taken for noise the equations could lose their footing.
    own = 1.0 / np.maximum((plain.influence**2).sum(axis=1), 1e-300)
    taken = np.minimum(len(design) * noise, MOST_NOISE * own)
    # Scaled, or the small columns would be lost in the rounding of the large ones.
    scale = _scale(design)
    normal = (design.T @ design - np.diag(taken)) / np.outer(scale, scale)
    influence = np.linalg.solve(normal, (design / scale).T) / scale[:, None]
    coefficients = influence @ observed
    return LinearFit(coefficients, influence, observed - design @ coefficients)


def with_instruments(design: Floats, observed: Floats, instruments: Floats) -> LinearFit:
    """Fit `observed` by the columns of `design`, asking that residuals be orthogonal to `instruments` (n, k).

    For columns that share something with the residuals (both move with the road), when a part of them is
    known that does not. Instrumental variables, one per column.
    """
    scaled: Any = instruments / _scale(instruments)
    influence = np.linalg.solve(scaled.T @ design, scaled.T)
    coefficients = influence @ observed
    return LinearFit(coefficients, influence, observed - design @ coefficients)


def kept_part(column: Floats, others: Floats) -> float:
    """Return the part of a column's sum of squares that the `others` (n, k) cannot stand in for (1 / VIF)."""
    power = float(column @ column)
    if power == 0.0:
        return 0.0
    # A yardstick, not a fit: the small matrix of products is exact enough, and cheap.
    scale = _scale(others)
    products = others.T @ others / np.outer(scale, scale)
    shadow = others.T @ column / scale
    explained = float(shadow @ np.linalg.pinv(products, rcond=1e-12, hermitian=True) @ shadow)
    return min(max(1.0 - explained / power, 0.0), 1.0)


def span(columns: Floats) -> Floats:
    """Return orthonormal columns (n, k) that span `columns` (n, k), for what a fit of them leaves."""
    basis, _ = np.linalg.qr(columns / _scale(columns))
    return basis


def _scale(columns: Floats) -> Floats:
    """Return the size of every column, 1 for one of zeros; columns in unlike units are scaled by it."""
    scale: Floats = np.linalg.norm(columns, axis=0)
    scale[scale == 0.0] = 1.0
    return scale


# Errors: blocks of samples in place of samples.


FEWEST_BLOCKS: Final = 5
"""With fewer independent pieces no error is given: engineering judgement (Student factor 2.8)."""
MOST_BLOCKS: Final = 40
"""More would only be shorter; 39 degrees of freedom already come within 3 % of the normal."""
CORRELATION_TIMES: Final = 6.0
"""Block length in times of correlation, so that what reaches over block borders costs under a tenth."""
FIRST_LAGS: Final = 4096
"""Lags looked at first for a correlation time [samples]."""
STRETCH: Final = 1 << 16
"""Samples whose spectrum is taken at a time: that of a whole long run would take several times its memory."""


@dataclass(frozen=True, slots=True)
class BlockError:
    """Covariance of a few figures, from blocks of the samples they were drawn from.

    Parameters
    ----------
    covariance : array (m, m)
        Of the m figures, in their units.
    dof : float
        Degrees of freedom for Student's factor.
    blocks : int
        Number of blocks.
    """

    covariance: Floats
    dof: float
    blocks: int

    def std_error(self, which: int = 0) -> float:
        """Return the standard error of one of the figures."""
        return math.sqrt(max(float(self.covariance[which, which]), 0.0))


def correlation_time(series: Floats) -> float:
    """Return the integrated correlation time of a `series` [samples], at least 1.

    Sum of the autocorrelation over both sides, with the automatic window of A. Sokal (Monte Carlo methods in
    statistical mechanics, 1997): the window is the first one longer than five times the sum so far.
    """
    count = len(series)
    centred = series - series.mean()
    power = float(centred @ centred)
    if count < 8 or power <= 0.0:
        return 1.0
    # The window is short as a rule; only where it is not do all lags have to be worked out.
    for lags in sorted({min(FIRST_LAGS, count // 2), count // 2}):
        sums = 2.0 * np.cumsum(_products(centred, lags) / power) - 1.0
        enough = np.flatnonzero(np.arange(lags) >= 5.0 * np.maximum(sums, 0.2))
        if enough.size:
            return max(1.0, float(sums[enough[0]]))
    return max(1.0, float(sums[-1]))


def _products(centred: Floats, lags: int) -> Floats:
    """Return the sums of the products of a series with itself, later by 0 ... `lags` - 1 samples.

    By spectra of stretches, each against itself and the `lags` samples behind it.
    """
    count = len(centred)
    stretch = max(STRETCH, lags)
    size = quick_size(min(count, stretch) + lags)
    power = np.zeros(size // 2 + 1, dtype=np.complex128)
    for first in range(0, count, stretch):
        spectrum = np.fft.rfft(centred[first : first + stretch], size)
        if first + stretch < count:
            behind = np.fft.rfft(centred[first : first + stretch + lags], size)
            power += spectrum.conj() * behind
        else:
            power += spectrum.real**2 + spectrum.imag**2
    return np.fft.irfft(power, size)[:lags]


def block_length(*series: Floats) -> int:
    """Return the block length [samples] for figures whose influence `series` are given."""
    count = len(series[0])
    wanted = max(CORRELATION_TIMES * correlation_time(one) for one in series)
    longest = max(count // FEWEST_BLOCKS, 1)
    shortest = math.ceil(count / MOST_BLOCKS)
    return int(min(max(math.ceil(wanted), shortest, 1), longest))


def block_error(influence: Floats, weight: Floats | None = None) -> BlockError | None:
    """Return the covariance of figures from the influence every sample has on them.

    Parameters
    ----------
    influence : array (n, m)
        A figure's error is the sum of its column: for a least-squares coefficient, the row of the
        pseudo-inverse times the residuals; for a mean, the deviations over n.
    weight : array (n,), optional
        Row of the pseudo-inverse of the first figure. Blocks that weigh much also pull the fit towards
        themselves; this takes that back, and counts how many blocks really carry the figure.

    Returns
    -------
    BlockError or None
        None when the samples make fewer than `FEWEST_BLOCKS` independent blocks.

    Notes
    -----
    Sum of squared block sums (cluster-robust covariance), divided per block by 1 - h with h the block's share
    in the figure (Bell and McCaffrey 2002, for one coefficient), Student's factor with
    1 / sum h^2 - 1 degrees of freedom.
    """
    count = len(influence)
    if count < 4 * FEWEST_BLOCKS:
        return None
    # The slowest figure sets the blocks of all, so that one covariance holds them together.
    length = block_length(*(influence[:, k] for k in range(influence.shape[1])))
    blocks = count // length
    # Blocks of nearly one length that take in the last samples too.
    starts = (np.arange(blocks) * count) // blocks
    sums = np.add.reduceat(influence, starts, axis=0)
    if weight is None:
        share = np.diff(np.append(starts, count)) / count
    else:
        share = np.add.reduceat(weight**2, starts)
        share = share / share.sum()
    dof = 1.0 / float(np.sum(share**2)) - 1.0
    if blocks < FEWEST_BLOCKS or dof < 2.0:
        return None
    # A block that carries most of a figure has pulled the fit to itself and hides its own error.
    sums = sums / np.sqrt(1.0 - np.minimum(share, 0.9))[:, None]
    return BlockError(sums.T @ sums, dof, blocks)


NORMAL: Final = 1.96
"""Half width of a 95 % interval of the normal distribution, in standard deviations."""


@dataclass(frozen=True, slots=True)
class PooledMean:
    """Mean of values that each have an error, and how far they lie apart beyond these.

    Parameters
    ----------
    mean, std : float
        Mean and its standard error.
    apart : float
        Standard deviation between the values beyond their errors; 0 where the errors explain them.
    """

    mean: float
    std: float
    apart: float

    def of(self, value: float, std: float) -> tuple[float, float]:
        """Return the best value of one of them and its error: drawn to the mean by its own error."""
        kept = self.apart**2 / (self.apart**2 + std**2) if self.apart else 0.0
        return (
            self.mean + kept * (value - self.mean),
            math.hypot(math.sqrt(kept) * std, (1.0 - kept) * self.std),
        )


def pooled_mean(values: Floats, std: Floats) -> PooledMean:
    """Return the mean of values weighted by their errors, all positive, and by how far they lie apart.

    The variance between the values is that of Paule and Mandel (1982), by which the weighted squares come to
    their number less one; 0 where the errors alone make them as many. Its own error is left out.
    """
    from scipy.optimize import brentq

    def squares(between: float) -> tuple[float, float, float]:
        weight = 1.0 / (std**2 + between)
        mean = float(weight @ values / weight.sum())
        return float(weight @ (values - mean) ** 2), mean, float(weight.sum() ** -0.5)

    free = len(values) - 1
    between = 0.0
    if free and squares(0.0)[0] > free:
        most = float(np.ptp(values)) ** 2
        between = float(brentq(lambda size: squares(size)[0] - free, 0.0, most))
    _, mean, error = squares(between)
    return PooledMean(mean, error, math.sqrt(between))


def student_factor(dof: float, level: float = 0.95) -> float:
    """Return Student's two-sided factor."""
    from scipy.special import stdtrit

    return float(stdtrit(dof, 0.5 + level / 2.0))


def half_width(std: float, dof: float, known: float) -> float:
    """Return half the width of a 95 % interval for a scatter `std` beside a `known` standard uncertainty.

    Student's factor with the degrees of freedom of both together (Welch 1947, Satterthwaite 1946): the known
    part has none to lose, and never makes the interval narrower (`mixed_effects.combined` says why).
    """
    total = math.hypot(std, known)
    if std == 0.0 or total == 0.0:
        return NORMAL * total
    return max(student_factor(dof * (total / std) ** 4) * total, student_factor(dof) * std)


def mean_estimate(
    values: Floats,
    unit: str,
    method: str,
    beside: Floats | None = None,
    everywhere: Floats | None = None,
) -> Estimate:
    """Return the mean of a series with its block error.

    Parameters
    ----------
    values : array (n,)
        The series.
    unit, method : str
        What the estimate says of itself.
    beside : array (n, k), optional
        What the series goes along with: known and no scatter, so the error is that of the rest.
    everywhere : array (k,), optional
        Mean of `beside` over all that the mean is for, where `values` lack a part of it.

    Notes
    -----
    With `everywhere` the mean is moved by the slope along what is known of the missing part (regression
    estimator; W. Cochran, Sampling techniques, 1977, ch. 7, from memory).
    """
    if len(values) == 0:
        return Estimate.unknown(unit, "no usable samples", method)
    weight = np.full(len(values), 1.0 / len(values))
    rest = values - float(values.mean())
    if beside is not None:
        fit = least_squares(np.column_stack([beside, np.ones(len(values))]), values)
        rest = fit.residuals
        if everywhere is not None:
            # What each sample counts for: the missing ones by those that were driven alike.
            weight = np.append(everywhere, 1.0) @ fit.influence
    mean = float(weight @ values)
    error = block_error((rest * weight)[:, None])
    if error is None:
        short = "too short a run for an error: under 5 independent pieces"
        return Estimate(mean, unit, method=method, notes=(short,))
    return with_error(mean, unit, error, 0, method)


def with_common(estimate: Estimate, common: float) -> Estimate:
    """Return an estimate with the error `common` to all runs as its calibration; its interval holds both."""
    if estimate.value is None or estimate.interval is None:
        return replace(estimate, calibration=common)
    low, high = estimate.interval
    half = math.hypot((high - low) / 2.0, NORMAL * common)
    return replace(estimate, calibration=common, interval=(estimate.value - half, estimate.value + half))


def with_error(
    value: float,
    unit: str,
    error: BlockError | None,
    which: int,
    method: str,
    *,
    scale: float = 1.0,
    calibration: float | None = None,
    notes: tuple[str, ...] = (),
) -> Estimate:
    """Return an estimate with the error of one figure times `scale`; without an error it says why."""
    if error is None:
        return Estimate(value, unit, method=method, notes=(*notes, "too short a run for an error"))
    std = error.std_error(which) * abs(scale)
    half = student_factor(error.dof) * std
    return Estimate.from_error(
        value, unit, std, half, calibration=calibration, n=error.blocks, method=method, notes=notes
    )
