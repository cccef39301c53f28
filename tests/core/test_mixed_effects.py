"""Pooling over runs, held to published two-sample cases and to a general statistics library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

from analyzer.core.mixed_effects import (
    LARGE_DOF,
    Contrast,
    ScatterPrior,
    between_variance,
    combined,
    detection_power,
    fit_runs,
    smallest_visible,
)


def sample_with(count: int, mean: float, deviation: float, seed: int) -> np.ndarray:
    """Return numbers with exactly this mean and standard deviation."""
    z = np.random.default_rng(seed).standard_normal(count)
    z = (z - z.mean()) / z.std(ddof=1)
    return mean + deviation * z


# NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.3, data set AUTO83B: miles per gallon of US and
# Japanese cars (counts, means, standard deviations, test statistics as printed there).
US = sample_with(249, 20.14458, 6.41470, 1)
JAPAN = sample_with(79, 30.48101, 6.10771, 2)


def test_pooled_two_sample_case_of_the_nist_handbook() -> None:
    values = np.concatenate([US, JAPAN])
    design = np.zeros((len(values), 2))
    design[: len(US), 0] = design[len(US) :, 1] = 1.0
    fit = fit_runs(values, None, design)
    change = fit.contrast(np.array([1.0, -1.0]))
    assert change.t == pytest.approx(-12.62059, abs=2e-5)
    assert change.dof == 326
    assert fit.scatter == pytest.approx(6.34260, abs=1e-5)
    assert change.interval[1] - change.value == pytest.approx(1.9673 * change.std_error, rel=1e-4)


def test_welch_two_sample_case_of_the_nist_handbook() -> None:
    one = np.ones((len(US), 1)), np.ones((len(JAPAN), 1))
    us, japan = (
        fit_runs(values, None, design).contrast(np.array([1.0]))
        for values, design in zip((US, JAPAN), one, strict=True)
    )
    change = combined(us.value - japan.value, (us, japan))
    assert change.t == pytest.approx(-12.94627, abs=2e-5)
    assert change.dof == pytest.approx(136.8750, abs=2e-3)


def test_effective_freedom_of_the_gum_example() -> None:
    # JCGM 100:2008, G.4.1: 0.25 %, 0.57 %, 0.82 % from 10, 5 and 15 readings give 1.03 % with 19 degrees.
    parts = tuple(Contrast(0.0, e, f) for e, f in ((0.25, 9), (0.57, 4), (0.82, 14)))
    whole = combined(0.0, parts)
    assert whole.std_error == pytest.approx(1.0295, abs=5e-4)
    assert whole.dof == pytest.approx(19.04, abs=0.05)


@pytest.mark.parametrize("seed", range(6))
def test_agrees_with_the_random_effects_meta_analysis_of_statsmodels(seed: int) -> None:
    draw = np.random.default_rng(seed)
    count = int(draw.integers(3, 9))
    variance = draw.uniform(0.2, 2.0, count) ** 2
    values = 5.0 + draw.standard_normal(count) * np.sqrt(variance + 1.5)
    reference = combine_effects(values, variance, method_re="iterated", use_t=True)
    fit = fit_runs(values, variance, np.ones((count, 1)))
    found = fit.contrast(np.array([1.0]))
    assert fit.scatter**2 == pytest.approx(reference.tau2, rel=1e-4, abs=1e-9)
    assert found.value == pytest.approx(reference.mean_effect_re, rel=1e-5)
    assert found.std_error == pytest.approx(reference.sd_eff_w_re_hksj, rel=1e-4)
    low, high = reference.conf_int()[3]
    assert found.interval == pytest.approx((low, high), rel=1e-4)


def test_equal_errors_give_the_classical_t_interval_whatever_the_error_is() -> None:
    values = np.array([1.0, 1.4, 0.9, 2.0, 2.2, 1.7])
    design = np.kron(np.eye(2), np.ones((3, 1)))
    plain = stats.ttest_ind(values[3:], values[:3])
    expected = plain.confidence_interval(0.95)
    for within in (None, np.full(6, 1e-6), np.full(6, 0.04), np.full(6, 9.0)):
        change = fit_runs(values, within, design).contrast(np.array([-1.0, 1.0]))
        assert change.interval == pytest.approx((expected.low, expected.high), rel=1e-9)
        assert change.p_value == pytest.approx(plain.pvalue, rel=1e-9)


def test_one_run_a_side_rests_on_the_prior() -> None:
    prior = ScatterPrior(0.02, 2.0)
    change = fit_runs(np.array([1.0, 1.1]), np.zeros(2), np.eye(2), prior).contrast(np.array([-1.0, 1.0]))
    assert change.std_error == pytest.approx(0.02 * math.sqrt(2.0))
    assert change.dof == pytest.approx(2.0)


def test_one_noisy_run_a_side_rests_mostly_on_its_own_known_error() -> None:
    prior = ScatterPrior(0.02, 2.0)
    fit = fit_runs(np.array([1.0, 1.1]), np.full(2, 0.2**2), np.eye(2), prior)
    change = fit.contrast(np.array([-1.0, 1.0]))
    assert change.std_error == pytest.approx(math.sqrt(2.0) * math.hypot(0.2, 0.02))
    assert change.dof > 1000


def test_between_variance_is_nought_when_runs_agree_better_than_their_errors() -> None:
    values = np.array([1.0, 1.01, 0.99, 1.0])
    assert between_variance(values, np.full(4, 1.0), np.ones((4, 1))) == 0.0


def test_a_design_that_cannot_be_solved_is_refused() -> None:
    with pytest.raises(ValueError, match="rank"):
        fit_runs(np.ones(3), None, np.ones((3, 2)))


@pytest.mark.parametrize("dof", [2.0, 4.0, 8.0, 40.0])
def test_power_is_that_of_the_non_central_t(dof: float) -> None:
    draw = np.random.default_rng(3)
    shift = smallest_visible(1.0, dof)
    t = (shift + draw.standard_normal(200_000)) / np.sqrt(draw.chisquare(dof, 200_000) / dof)
    seen = np.mean(t > stats.t.ppf(0.975, dof))
    assert seen == pytest.approx(0.80, abs=0.005)
    assert detection_power(shift, 1.0, dof) == pytest.approx(0.80, abs=1e-6)


def test_smallest_visible_of_a_known_error_is_that_of_the_textbook() -> None:
    # (z(0.975) + z(0.8)) standard errors; any text on sample size.
    assert smallest_visible(1.0, LARGE_DOF) == pytest.approx(1.95996 + 0.84162, abs=1e-3)
