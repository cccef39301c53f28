"""Too few runs to show their scatter: the prior's part in the error, held to closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.libqsturng import psturng, qsturng

from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import (
    LARGE_DOF,
    RUN_SCATTER,
    Contrast,
    ScatterPrior,
    between_variance,
    combined,
    compared,
    detection_power,
    fit_runs,
    pair_probability,
    smallest_visible,
    widest,
)
from analyzer.core.regression import student_factor

PRIOR = ScatterPrior(0.03, 2.0)
TWO_AND_ONE = np.array([[1.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
CHANGE = np.array([-1.0, 1.0])


def chance_of_any(t: float, settings: int, dof: float) -> float:
    """Return the chance of any pair as far apart as `t` errors by statsmodels' studentised range."""
    return float(np.ravel(psturng(abs(t) * math.sqrt(2.0), settings, dof))[0])


@pytest.mark.parametrize("spread", [0.0, 0.02, 0.05, 0.2])
@pytest.mark.parametrize("dof", [1.0, 2.0, 5.0])
def test_scatter_of_three_runs_is_the_conjugate_mean_of_prior_and_runs(spread: float, dof: float) -> None:
    # A scaled inverse chi-squared prior of `dof` degrees at s0 and one degree from the pair of runs
    # (Gelman et al., Bayesian Data Analysis, section 2.6; from memory): s2 = (dof s0^2 + SS) / (dof + 1).
    prior = ScatterPrior(0.03, dof)
    values = np.array([1.0, 1.0 + spread, 1.3])
    fit = fit_runs(values, np.zeros(3), TWO_AND_ONE, prior)
    s2 = (dof * 0.03**2 + spread**2 / 2.0) / (dof + 1.0)
    change = fit.contrast(CHANGE)

    assert fit.prior_used
    assert fit.scatter == pytest.approx(math.sqrt(s2))
    assert change.value == pytest.approx(0.3 - spread / 2.0)
    assert change.std_error == pytest.approx(math.sqrt(s2 * (1.0 / 2.0 + 1.0)))
    assert change.dof == pytest.approx(dof + 1.0)


@pytest.mark.parametrize("within", [0.01, 0.03, 0.1])
def test_known_error_within_the_runs_adds_its_part_and_its_degrees(within: float) -> None:
    values = np.array([1.0, 1.04, 1.3])
    fit = fit_runs(values, np.full(3, within**2), TWO_AND_ONE, PRIOR)
    whole = within**2 + 0.03**2
    scale = (2.0 + 0.04**2 / 2.0 / whole) / 3.0
    change = fit.contrast(CHANGE)

    assert change.std_error == pytest.approx(math.sqrt(scale * whole * 1.5))
    # Welch and Satterthwaite: (a + b)^2 / (a^2 / dof) with b known.
    assert change.dof == pytest.approx(3.0 * (1.0 + within**2 / 0.03**2) ** 2)
    assert fit.scatter == pytest.approx(math.sqrt(max(scale * whole - within**2, 0.0)))
    assert fit.weights == pytest.approx(np.full(3, 1.0 / whole))


def test_runs_that_agree_within_their_own_errors_show_no_scatter_of_their_own() -> None:
    fit = fit_runs(np.array([1.0, 1.0, 1.3]), np.full(3, 0.2**2), TWO_AND_ONE, PRIOR)

    assert fit.scatter == 0.0


def test_two_degrees_are_enough_to_leave_the_prior_out() -> None:
    design = np.kron(np.eye(2), np.ones((2, 1)))
    values = np.array([1.0, 1.02, 1.3, 1.36])
    fit = fit_runs(values, np.zeros(4), design, PRIOR)
    s2 = (0.02**2 / 2.0 + 0.06**2 / 2.0) / 2.0

    assert not fit.prior_used
    assert fit.scatter == pytest.approx(math.sqrt(s2))
    assert fit.contrast(CHANGE).std_error == pytest.approx(math.sqrt(s2))
    assert fit.contrast(CHANGE).dof == 2.0
    assert fit.leverage == pytest.approx(np.full(4, 0.5))
    assert fit.residuals == pytest.approx([-0.01, 0.01, -0.03, 0.03])


def test_the_usual_prior_is_two_and_a_half_percent_worth_two_degrees() -> None:
    fit = fit_runs(np.array([0.0, 0.1]), None, np.eye(2))

    assert (RUN_SCATTER.scatter, RUN_SCATTER.dof) == (0.025, 2.0)
    assert fit.contrast(CHANGE).std_error == pytest.approx(0.025 * math.sqrt(2.0))
    # 95 % of the prior between 1.3 and 16 %, median 3 %, as its comment says.
    low, middle, high = 0.025 * np.sqrt(2.0 / stats.chi2.ppf([0.975, 0.5, 0.025], 2.0))
    assert (low, middle, high) == pytest.approx((0.013, 0.030, 0.157), abs=5e-4)


def test_between_variance_solves_its_own_equation() -> None:
    # Paule and Mandel: the weighted squares of the residuals add up to their degrees of freedom.
    values, within = np.array([1.0, 1.5, 0.7, 1.9]), np.array([0.01, 0.04, 0.02, 0.0])
    between = between_variance(values, within, np.ones((4, 1)))
    weights = 1.0 / (within + between)
    mean = np.sum(weights * values) / weights.sum()

    assert np.sum(weights * (values - mean) ** 2) == pytest.approx(3.0, rel=1e-9)


@pytest.mark.parametrize("within", [np.zeros(4), np.full(4, 0.01)])
def test_equal_errors_leave_the_sample_variance_less_their_own(within: np.ndarray) -> None:
    values = np.array([1.0, 1.5, 0.7, 1.9])
    expected = values.var(ddof=1) - within[0]

    assert between_variance(values, within, np.ones((4, 1))) == pytest.approx(expected, rel=1e-9)


def test_runs_that_are_all_alike_show_none() -> None:
    assert between_variance(np.ones(3), np.zeros(3), np.ones((3, 1))) == 0.0
    fit = fit_runs(np.ones(3), None, np.ones((3, 1)))
    assert fit.contrast(np.ones(1)).std_error == 0.0
    assert fit.weights == pytest.approx(np.ones(3))


def test_known_parts_add_as_squares_and_keep_the_degrees_of_the_rest() -> None:
    own = Contrast(0.3, 0.04, 6.0)
    whole = own.with_known(0.03)

    assert (whole.value, whole.std_error) == pytest.approx((0.3, 0.05))
    assert whole.dof == pytest.approx(6.0 * 0.05**4 / 0.04**4, rel=1e-4)
    assert combined(1.0, ()).dof == LARGE_DOF
    assert combined(0.0, (Contrast(0.0, 1.0, 1e9),)).dof == LARGE_DOF


@pytest.mark.parametrize("dof", [2.0, 3.0, 5.0])
@pytest.mark.parametrize("known", [0.1, 0.3, 0.5, 1.0, 2.0])
def test_an_error_more_never_narrows_an_interval_and_the_interval_holds(dof: float, known: float) -> None:
    draw = np.random.default_rng(round(100 * dof + 10 * known))
    scatter = np.sqrt(draw.chisquare(dof, 4000) / dof)
    off = np.abs(draw.standard_normal(4000) + known * draw.standard_normal(4000))
    own = np.array([Contrast(0.0, std, dof).interval[1] for std in scatter])
    whole = np.array([Contrast(0.0, std, dof).with_known(known).interval[1] for std in scatter])

    assert np.all(whole >= own * (1.0 - 1e-6))
    # Three standard errors of the count and half a point; by Welch's rule alone 92 % with two runs too few.
    assert np.mean(off < whole) > 0.95 - 0.005 - 3.0 * math.sqrt(0.95 * 0.05 / len(off))


def test_t_and_p_of_errors_that_are_nought() -> None:
    assert Contrast(-2.0, 0.0, 4.0).t == -math.inf
    assert Contrast(0.0, 0.0, 4.0).t == 0.0
    assert Contrast(0.0, 0.0, 4.0).p_value == 1.0
    assert Contrast(2.0, 0.0, 4.0).p_value == pytest.approx(0.0, abs=1e-40)
    assert Contrast(2.0, 1.0, 4.0).p_value == pytest.approx(2.0 * stats.t.sf(2.0, 4))


@pytest.mark.parametrize(("level", "power"), [(0.95, 0.80), (0.90, 0.90), (0.99, 0.5)])
@pytest.mark.parametrize("dof", [2.0, 5.0, 30.0])
def test_power_and_smallest_change_at_other_levels(level: float, power: float, dof: float) -> None:
    least = smallest_visible(0.02, dof, level, power)
    expected = stats.nct.sf(stats.t.ppf(0.5 + level / 2.0, dof), dof, least / 0.02)

    assert expected == pytest.approx(power, abs=1e-6)
    assert detection_power(-least, 0.02, dof, level) == pytest.approx(power, abs=1e-6)
    assert student_factor(dof, level) == pytest.approx(stats.t.ppf(0.5 + level / 2.0, dof))


def test_power_without_any_error() -> None:
    assert detection_power(0.1, 0.0, 4.0) == 1.0
    assert detection_power(0.0, 0.0, 4.0) == pytest.approx(0.05)
    assert smallest_visible(0.0, 4.0) == 0.0
    assert detection_power(1.0, 1e-6, 4.0) == pytest.approx(1.0)


@pytest.mark.parametrize("shift", [29.0, 31.0, 100.0])
def test_power_of_a_large_change_rests_on_the_error_seen(shift: float) -> None:
    draw = np.random.default_rng(5)
    t = (shift + draw.standard_normal(400_000)) / np.sqrt(draw.chisquare(1.0, 400_000))

    assert detection_power(shift, 1.0, 1.0) == pytest.approx(np.mean(t > stats.t.ppf(0.975, 1)), abs=1e-3)


@pytest.mark.parametrize("dof", [4.0, 10.0, 24.0])
@pytest.mark.parametrize("settings", [3, 4, 6])
def test_all_pairs_together_have_the_studentised_range(settings: int, dof: float) -> None:
    # statsmodels' tables (Lund and Lund 1983, with corrections) are worked out apart from scipy's integral.
    assert widest(settings, dof) == pytest.approx(
        float(qsturng(0.95, settings, dof)) / math.sqrt(2.0), rel=2e-3
    )
    t = 2.5
    expected = chance_of_any(t, settings, dof)
    assert pair_probability(-t, settings, dof) == pytest.approx(expected, abs=3e-3)


def test_two_settings_are_a_plain_t_test_and_a_known_error_the_normal_one() -> None:
    assert widest(2, 5.0) == pytest.approx(stats.t.ppf(0.975, 5))
    assert pair_probability(2.0, 2, 5.0) == pytest.approx(2.0 * stats.t.sf(2.0, 5))
    assert widest(3, LARGE_DOF) == pytest.approx(3.3145 / math.sqrt(2.0), abs=1e-3)  # q(3, infinite)
    assert pair_probability(math.inf, 4, 5.0) == pytest.approx(0.0, abs=1e-40)


@pytest.mark.parametrize("known", [None, 0.01])
def test_a_pair_holds_ratio_interval_and_chance(known: float | None) -> None:
    own = Contrast(math.log(0.9), 0.02, 8.0)
    pair = compared(("A", "B"), own, known, 3, 7, "so", Estimate(0.91, "1"))
    error = math.hypot(0.02, known or 0.0)
    half = float(qsturng(0.95, 3, 8.0)) / math.sqrt(2.0) * error

    assert (pair.before, pair.after, pair.predicted.value) == ("A", "B", 0.91)
    assert pair.ratio.value == pytest.approx(0.9)
    assert pair.ratio.std_error == pytest.approx(0.9 * 0.02)
    assert pair.ratio.interval == pytest.approx((0.9 * math.exp(-half), 0.9 * math.exp(half)), rel=1e-3)
    assert pair.ratio.calibration == (None if known is None else pytest.approx(0.9 * known))
    assert (pair.ratio.n, pair.ratio.method, pair.ratio.level) == (7, "so", 0.95)
    assert pair.p_value == pytest.approx(chance_of_any(own.value / error, 3, 8.0), abs=2e-3)
    assert pair.different
    assert not compared(
        ("A", "B"), Contrast(-0.02, 0.02, 8.0), known, 3, 7, "so", Estimate(0.91, "1")
    ).different


@pytest.mark.parametrize(("chance", "different"), [(0.045, True), (0.055, False)])
def test_two_settings_are_different_under_five_percent(chance: float, different: bool) -> None:
    t = float(stats.t.isf(chance / 2.0, 8))
    pair = compared(("A", "B"), Contrast(0.02 * t, 0.02, 8.0), None, 2, 7, "so", Estimate(0.91, "1"))

    assert pair.p_value == pytest.approx(chance)
    assert pair.different is different
