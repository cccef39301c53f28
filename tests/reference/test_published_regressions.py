"""Regression code against certified and published fits."""

from __future__ import annotations

import numpy as np
import pytest

from analyzer.core.regression import least_squares, line_with_both_errors

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

# K. Pearson's points with the weights of D. York, Can. J. Phys. 44 (1966) 1079: x, y and the weights of both.
YORK = np.array(
    [
        (0.0, 5.9, 1000.0, 1.0), (0.9, 5.4, 1000.0, 1.8), (1.8, 4.4, 500.0, 4.0), (2.6, 4.6, 800.0, 8.0),
        (3.3, 3.5, 200.0, 20.0), (4.4, 3.7, 80.0, 20.0), (5.2, 2.8, 60.0, 70.0), (6.1, 2.8, 20.0, 70.0),
        (6.5, 2.4, 1.8, 100.0), (7.4, 1.5, 1.0, 500.0),
    ]
)  # fmt: skip


def test_norris_to_eleven_digits() -> None:
    y, x = NORRIS.T
    fit = least_squares(np.column_stack([x, np.ones_like(x)]), y)
    assert fit.coefficients == pytest.approx([1.00211681802045, -0.262323073774029], rel=1e-11)
    assert fit.std_errors == pytest.approx([0.429796848199937e-3, 0.232818234301152], rel=1e-11)
    assert fit.residual_std == pytest.approx(0.884796396144373, rel=1e-11)
    assert fit.r_squared == pytest.approx(0.999993745883712, abs=1e-14)


def test_line_through_the_origin_noint1() -> None:
    # NIST Statistical Reference Datasets, NoInt1, average difficulty.
    x, y = np.arange(60.0, 71.0), np.arange(130.0, 141.0)
    fit = least_squares(x[:, np.newaxis], y)
    assert fit.coefficients[0] == pytest.approx(2.07438016528926, rel=1e-12)
    assert fit.std_errors[0] == pytest.approx(0.165289256198347e-1, rel=1e-11)
    assert fit.residual_std == pytest.approx(3.56753034006338, rel=1e-11)
    assert fit.r_squared == pytest.approx(0.999365492298663, abs=1e-13)


def test_errors_in_both_variables_york() -> None:
    x, y, x_weight, y_weight = YORK.T
    line = line_with_both_errors(x, y, x_weight**-0.5, y_weight**-0.5)
    assert line.slope == pytest.approx(-0.480533, abs=1e-6)
    assert line.intercept == pytest.approx(5.47991, abs=1e-5)
    assert line.chi_squared == pytest.approx(11.8664, abs=1e-4)
    assert line.slope_error == pytest.approx(0.05799, rel=0.01)
    assert line.intercept_error == pytest.approx(0.29497, rel=0.01)
    # A plain fit leans towards zero where x has errors; on these points it gives another slope altogether.
    plain = least_squares(np.column_stack([x, np.ones_like(x)]), y).coefficients[0]
    assert plain == pytest.approx(-0.53958, abs=1e-5)
