"""Least squares: the plain fit every estimate uses, and a line with errors in both variables."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.processing.filters import Floats

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
    std_errors : array (k,)
        Classical errors, true only for independent residuals of one size.
    residual_std : float
        Residual standard deviation, n - k degrees of freedom.
    r_squared : float
        Explained part of the sum of squares about the mean (about zero without a constant column).
    """

    coefficients: Floats
    influence: Floats
    residuals: Floats
    std_errors: Floats
    residual_std: float
    r_squared: float


def least_squares(design: Floats, observed: Floats) -> LinearFit:
    """Fit `observed` (n,) by the columns of `design` (n, k), by singular values of the scaled columns."""
    count, columns = design.shape
    scale = np.linalg.norm(design, axis=0)
    scale[scale == 0.0] = 1.0
    left, sizes, right = np.linalg.svd(design / scale, full_matrices=False)
    kept = sizes > 1e-12 * sizes[0]
    left *= np.where(kept, 1.0 / np.where(kept, sizes, 1.0), 0.0)
    influence = (right.T / scale[:, None]) @ left.T
    coefficients = influence @ observed
    # One step of iterative refinement keeps certified data sets to their last digits.
    coefficients = coefficients + influence @ (observed - design @ coefficients)
    residuals = observed - design @ coefficients
    freedom = max(count - columns, 1)
    power = float(residuals @ residuals)
    residual_std = float(np.sqrt(power / freedom))
    constant = bool(np.any(np.all(design == design[:1], axis=0) & (design[0] != 0.0)))
    about = observed - observed.mean() if constant else observed
    total = float(about @ about)
    return LinearFit(
        coefficients=coefficients,
        influence=influence,
        residuals=residuals,
        std_errors=residual_std * np.linalg.norm(influence, axis=1),
        residual_std=residual_std,
        r_squared=1.0 - power / total if total > 0.0 else 0.0,
    )


def less_noise(design: Floats, observed: Floats, noise: Floats) -> LinearFit:
    """Fit `observed` by columns that carry white noise of known variance, column by column.

    The noise's expected part, n times its variance, is taken off the normal equations (errors in variables;
    W. Fuller, Measurement error models, 1987, ch. 2, from memory), but for no column more than a fifth of
    what the others leave of it. std_errors as for `least_squares`.
    """
    plain = least_squares(design, observed)
    if not np.any(noise > 0.0):
        return plain
    own = 1.0 / np.maximum((plain.influence**2).sum(axis=1), 1e-300)
    taken = np.minimum(len(design) * noise, MOST_NOISE * own)
    scale = np.linalg.norm(design, axis=0)
    scale[scale == 0.0] = 1.0
    normal = (design.T @ design - np.diag(taken)) / np.outer(scale, scale)
    influence = np.linalg.solve(normal, (design / scale).T) / scale[:, None]
    coefficients = influence @ observed
    residuals = observed - design @ coefficients
    residual_std = float(np.sqrt(float(residuals @ residuals) / max(len(design) - design.shape[1], 1)))
    return LinearFit(
        coefficients=coefficients,
        influence=influence,
        residuals=residuals,
        std_errors=residual_std * np.linalg.norm(influence, axis=1),
        residual_std=residual_std,
        r_squared=plain.r_squared,
    )


def with_instruments(design: Floats, observed: Floats, instruments: Floats) -> LinearFit:
    """Fit `observed` by the columns of `design`, asking that residuals be orthogonal to `instruments` (n, k).

    For columns that share something with the residuals (both move with the road), when a part of them is
    known that does not. Instrumental variables, one per column; std_errors as for `least_squares`.
    """
    scale = np.linalg.norm(instruments, axis=0)
    scale[scale == 0.0] = 1.0
    scaled = instruments / scale
    influence = np.linalg.solve(scaled.T @ design, scaled.T)
    coefficients = influence @ observed
    residuals = observed - design @ coefficients
    power = float(residuals @ residuals)
    about = observed - observed.mean()
    total = float(about @ about)
    residual_std = float(np.sqrt(power / max(len(design) - design.shape[1], 1)))
    return LinearFit(
        coefficients=coefficients,
        influence=influence,
        residuals=residuals,
        std_errors=residual_std * np.linalg.norm(influence, axis=1),
        residual_std=residual_std,
        r_squared=1.0 - power / total if total > 0.0 else 0.0,
    )


def kept_part(column: Floats, others: Floats) -> float:
    """Return the part of a column's sum of squares that the `others` (n, k) cannot stand in for (1 / VIF)."""
    power = float(column @ column)
    if power == 0.0:
        return 0.0
    # A yardstick, not a fit: the small matrix of products is exact enough, and cheap.
    scale = np.linalg.norm(others, axis=0)
    scale[scale == 0.0] = 1.0
    products = others.T @ others / np.outer(scale, scale)
    shadow = others.T @ column / scale
    explained = float(shadow @ np.linalg.pinv(products, rcond=1e-12, hermitian=True) @ shadow)
    return min(max(1.0 - explained / power, 0.0), 1.0)


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line with errors of both parameters.

    Parameters
    ----------
    slope, intercept : float
        Of y on x.
    slope_error, intercept_error : float
        Standard errors from the stated errors of the points.
    chi_squared : float
        Weighted sum of squares; about n - 2 when the stated errors are right.
    """

    slope: float
    intercept: float
    slope_error: float
    intercept_error: float
    chi_squared: float


def line_with_both_errors(x: Floats, y: Floats, x_error: Floats, y_error: Floats) -> Line:
    """Fit a line to points whose x and y both have independent errors.

    Parameters
    ----------
    x, y, x_error, y_error : array (n,)
        Points and their standard errors (all positive).

    Notes
    -----
    D. York, N. Evensen, M. Martinez, J. De Basabe Delgado, Unified equations for the slope, intercept and
    standard errors of the best straight line, Am. J. Phys. 72 (2004) 367.
    """
    wx, wy = 1.0 / x_error**2, 1.0 / y_error**2
    slope = float(least_squares(np.column_stack([x, np.ones_like(x)]), y).coefficients[0])
    for _ in range(200):
        weight = wx * wy / (wx + slope**2 * wy)
        mean_x, mean_y = float(weight @ x / weight.sum()), float(weight @ y / weight.sum())
        u, v = x - mean_x, y - mean_y
        beta = weight * (u / wy + slope * v / wx)
        new = float((weight * beta) @ v / ((weight * beta) @ u))
        if abs(new - slope) <= 1e-15 * abs(new):
            slope = new
            break
        slope = new
    weight = wx * wy / (wx + slope**2 * wy)
    mean_x, mean_y = float(weight @ x / weight.sum()), float(weight @ y / weight.sum())
    u, v = x - mean_x, y - mean_y
    adjusted = mean_x + weight * (u / wy + slope * v / wx)
    centre = float(weight @ adjusted / weight.sum())
    slope_error = float(1.0 / np.sqrt(weight @ (adjusted - centre) ** 2))
    intercept = mean_y - slope * mean_x
    return Line(
        slope=slope,
        intercept=intercept,
        slope_error=slope_error,
        intercept_error=float(np.sqrt(1.0 / weight.sum() + centre**2 * slope_error**2)),
        chi_squared=float(weight @ (y - slope * x - intercept) ** 2),
    )
