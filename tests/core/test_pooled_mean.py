"""The mean of values with errors, against statsmodels' meta-analysis and against what was drawn."""

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from analyzer.core.regression import pooled_mean


@pytest.mark.parametrize("apart", [0.0, 2.0, 5.0])
def test_mean_and_scatter_are_those_of_a_meta_analysis(apart: float) -> None:
    rng = np.random.default_rng(11)
    std = rng.uniform(0.5, 1.5, 8)
    values = 3.0 + apart * rng.normal(size=8) + std * rng.normal(size=8)
    ours = pooled_mean(values, std)
    theirs = combine_effects(values, std**2, method_re="iterated")
    row = theirs.summary_frame().loc["random effect" if apart else "fixed effect"]
    assert ours.mean == pytest.approx(row["eff"], rel=1e-6)
    assert ours.std == pytest.approx(row["sd_eff"], rel=1e-6)
    assert ours.apart == pytest.approx(np.sqrt(theirs.tau2) if apart else 0.0, rel=1e-6)


@pytest.mark.parametrize("apart", [0.0, 1.0, 4.0, 30.0])
def test_a_value_is_drawn_to_the_mean_by_its_own_error(apart: float) -> None:
    """Over 2000 drawn groups: nearer than the value itself, and its error as stated to a quarter.

    How far the values lie apart is found from six of them; the error of that is left out.
    """
    rng = np.random.default_rng(5)
    drawn, own, stated = [], [], []
    for _ in range(2000):
        truth = rng.normal(0.0, apart, 6)
        values = truth + rng.normal(size=6)
        best, std = pooled_mean(values, np.ones(6)).of(float(values[0]), 1.0)
        drawn.append(best - truth[0])
        own.append(values[0] - truth[0])
        stated.append(std)
    size = np.sqrt(np.mean(np.square(drawn)))
    assert size < 1.01 * np.sqrt(np.mean(np.square(own)))
    assert size == pytest.approx(np.sqrt(np.mean(np.square(stated))), rel=0.25)
