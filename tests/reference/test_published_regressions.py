"""Regression code against certified and published fits."""

from __future__ import annotations

import numpy as np
import pytest

from analyzer.core.regression import LinearFit, least_squares

# NIST Statistical Reference Datasets, Norris (ozone meters), lower difficulty: y, x.
NORRIS = np.array(
    [
        (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1),
        (228.1, 226.5), (668.5, 666.3), (998.5, 996.3), (449.1, 448.6), (778.9, 777.0),
        (559.2, 558.2), (0.3, 0.4), (0.1, 0.6), (778.1, 775.5), (668.8, 666.9),
        (339.3, 338.0), (448.9, 447.5), (10.8, 11.6), (557.7, 556.0), (228.3, 228.1),
        (998.0, 995.8), (888.8, 887.6), (119.6, 120.2), (0.3, 0.3), (0.6, 0.3),
        (557.6, 556.8), (339.3, 339.1), (888.0, 887.2), (998.5, 999.0), (778.9, 779.0),
        (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9),
        (0.2, 0.5),
    ]
)  # fmt: skip


def _residual_std(fit: LinearFit) -> float:
    return float(np.sqrt(fit.residuals @ fit.residuals / (len(fit.residuals) - len(fit.coefficients))))


def _std_errors(fit: LinearFit) -> np.ndarray:
    """Classical errors from the rows of the pseudo-inverse, from which the package makes its own."""
    errors: np.ndarray = _residual_std(fit) * np.linalg.norm(fit.influence, axis=1)
    return errors


def test_norris_to_eleven_digits() -> None:
    y, x = NORRIS.T
    fit = least_squares(np.column_stack([x, np.ones_like(x)]), y)
    assert fit.coefficients == pytest.approx([1.00211681802045, -0.262323073774029], rel=1e-11)
    assert _std_errors(fit) == pytest.approx([0.429796848199937e-3, 0.232818234301152], rel=1e-11)
    assert _residual_std(fit) == pytest.approx(0.884796396144373, rel=1e-11)
    explained = 1.0 - fit.residuals @ fit.residuals / (len(y) * y.var())
    assert explained == pytest.approx(0.999993745883712, abs=1e-14)


def test_line_through_the_origin_noint1() -> None:
    # NIST Statistical Reference Datasets, NoInt1, average difficulty.
    x, y = np.arange(60.0, 71.0), np.arange(130.0, 141.0)
    fit = least_squares(x[:, np.newaxis], y)
    assert fit.coefficients[0] == pytest.approx(2.07438016528926, rel=1e-12)
    assert _std_errors(fit)[0] == pytest.approx(0.165289256198347e-1, rel=1e-11)
    assert _residual_std(fit) == pytest.approx(3.56753034006338, rel=1e-11)
    explained = 1.0 - fit.residuals @ fit.residuals / (y @ y)
    assert explained == pytest.approx(0.999365492298663, abs=1e-13)
