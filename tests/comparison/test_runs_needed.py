"""How many runs would settle a verdict or show a change, held to the power of a t test of other libraries."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from scipy import optimize, stats
from statsmodels.stats.power import TTestIndPower

from analyzer.comparison.results import ChangeVerdict
from analyzer.comparison.verdict import (
    MOST_PLANNED_RUNS,
    MOST_RUNS,
    Evidence,
    decide,
    default_scatter,
    driving_plan,
    plan_order,
    plan_power,
    plan_runs,
    remainder,
    run_error,
    runs_needed,
)
from analyzer.core.mixed_effects import Contrast
from analyzer.report import reasons

POWER = 0.80


def open_question(
    predicted: float, per_run: float, known: float = 0.0, runs: tuple[int, int] = (2, 2)
) -> Evidence:
    """Return evidence that shows nothing yet: `per_run` is one run's scatter, `known` an error that stays."""
    before, after = runs
    own = Contrast(0.0, per_run * math.sqrt(1.0 / before + 1.0 / after), before + after - 2.0)
    whole = own.with_known(known)
    gap = Contrast(-predicted, whole.std_error, whole.dof)
    return Evidence(whole, predicted, gap, own, runs)


def decided(case: Evidence) -> tuple[ChangeVerdict, str]:
    """Return the verdict and the sentence that gives its reason."""
    reason = decide(case)
    return reason.verdict, reasons.verdict(reason)


def two_sample_power(change: float, per_run: float, runs: int) -> float:
    """Return the power of the two-sided, two-sample t test by statsmodels."""
    effect = min(abs(change) / per_run, 7.0)  # beyond, it gives NaN for a power of one
    first, middle, last = driving_plan(2 * runs)
    ratio = middle / (first + last)
    return float(TTestIndPower().power(effect, first + last, 0.05, ratio=ratio, alternative="two-sided"))


def power_beside_known(change: float, per_run: float, runs: int, known: float) -> float:
    """Return the power with a known error beside the scatter, by Welch and Satterthwaite and scipy's t."""
    first, middle, last = driving_plan(2 * runs)
    own = per_run**2 * (1.0 / (first + last) + 1.0 / middle)
    dof = (2 * runs - 2) * (1.0 + known**2 / own) ** 2
    shift = abs(change) / math.sqrt(own + known**2)
    return float(stats.nct.sf(stats.t.ppf(0.975, dof), dof, shift))


@pytest.mark.parametrize("per_run", [0.004, 0.01, 0.02, 0.03])
@pytest.mark.parametrize("predicted", [-0.05, -0.08, 0.06, -0.12])
def test_that_many_runs_reach_the_power_and_one_less_does_not(predicted: float, per_run: float) -> None:
    needed = runs_needed(open_question(predicted, per_run))

    assert needed is not None
    assert two_sample_power(predicted, per_run, needed) >= POWER
    assert needed == 2 or two_sample_power(predicted, per_run, needed - 1) < POWER


@pytest.mark.parametrize(
    ("predicted", "per_run", "known"), [(-0.05, 0.02, 0.01), (0.04, 0.015, 0.012), (-0.03, 0.01, 0.009)]
)
def test_an_error_that_runs_do_not_lessen_counts_on_top(
    predicted: float, per_run: float, known: float
) -> None:
    needed = runs_needed(open_question(predicted, per_run, known))

    assert needed is not None
    assert needed > (runs_needed(open_question(predicted, per_run)) or 0)
    assert power_beside_known(predicted, per_run, needed, known) >= POWER
    assert power_beside_known(predicted, per_run, needed - 1, known) < POWER


@pytest.mark.parametrize("runs", [(2, 2), (3, 3), (2, 5), (1, 4)])
def test_one_runs_scatter_does_not_hang_on_how_many_were_driven(runs: tuple[int, int]) -> None:
    case = open_question(-0.06, 0.02, 0.003, runs)

    assert run_error(case) == pytest.approx(0.02)
    assert remainder(case) == pytest.approx(0.003)
    assert runs_needed(case) == runs_needed(open_question(-0.06, 0.02, 0.003))


def test_the_most_runs_are_still_counted_and_one_more_is_not() -> None:
    def change_for(runs: int) -> float:
        return float(TTestIndPower().solve_power(None, runs, 0.05, POWER)) * 0.02

    assert runs_needed(open_question(change_for(MOST_RUNS) * 1.001, 0.02)) == MOST_RUNS
    assert runs_needed(open_question(change_for(MOST_RUNS) * 0.999, 0.02)) is None


@pytest.mark.parametrize(("predicted", "per_run"), [(-0.05, 0.02), (0.04, 0.02), (-0.06, 0.03)])
def test_the_sentence_names_that_number(predicted: float, per_run: float) -> None:
    case = open_question(predicted, per_run)
    verdict, reason = decided(case)

    assert verdict is ChangeVerdict.CANNOT_TELL
    assert f"about {2 * (runs_needed(case) or 0)} runs would" in reason


def test_more_runs_than_were_driven_are_asked_for_even_if_fewer_should_have_done() -> None:
    case = open_question(-0.05, 0.012, runs=(9, 8))
    shown = Contrast(-0.012, case.measured.std_error, case.measured.dof)
    unlucky = Evidence(shown, case.predicted, Contrast(0.0, 0.05, 15.0), case.repeatability, case.runs)
    verdict, reason = decided(unlucky)

    assert (runs_needed(unlucky) or 0) < 9
    assert verdict is ChangeVerdict.CANNOT_TELL
    assert "about 20 runs would" in reason


@pytest.mark.parametrize(("runs", "asked"), [((5, 2), 6), ((3, 4), 5), ((3, 3), 4), ((2, 2), 3)])
def test_more_runs_are_asked_for_than_either_set_up_has(runs: tuple[int, int], asked: int) -> None:
    case = open_question(-0.05, 0.0145, runs=runs)
    shown = Evidence(
        Contrast(-0.01, case.repeatability.std_error, 5.0),
        case.predicted,
        Contrast(0.0, 0.05, 5.0),
        case.repeatability,
        runs,
    )

    assert runs_needed(case) == 3
    assert f"about {2 * asked} runs would" in decided(shown)[1]


@pytest.mark.parametrize("per_run", [0.02, 0.08])
def test_where_no_number_of_runs_will_do_the_step_is_named_that_the_most_runs_show(per_run: float) -> None:
    case = open_question(-0.002, per_run)
    _, reason = decided(case)
    named = re.search(r"at least ([\d.]+) %", reason)

    assert named is not None
    low, high = (-math.log1p(-(float(named[1]) + half) / 100.0) for half in (-0.05, 0.05))  # as printed
    assert two_sample_power(low, per_run, MOST_RUNS) <= POWER <= two_sample_power(high, per_run, MOST_RUNS)


def design_power(change: float, scatter: float, runs: int, known: float = 0.0) -> float:
    """Return the power of an A-B-A order with a straight-line drift fitted, by least squares from scratch.

    Four runs are too few to fit it; there it cancels, and the power is that of a t test of two samples.
    """
    if runs == 2:
        return power_beside(change, scatter, 2.0, known)
    first = (runs + 1) // 2
    b = np.array([0.0] * first + [1.0] * (2 * runs - 2 * first) + [0.0] * first)
    x = np.column_stack([np.ones_like(b), b, np.arange(len(b), dtype=float)])
    return power_beside(change, scatter * math.sqrt(np.linalg.inv(x.T @ x)[1, 1]), len(b) - 3.0, known)


def power_beside(change: float, own: float, dof: float, known: float) -> float:
    """Return the power beside a known error: Welch's degrees of freedom, never a narrower interval for it."""
    whole = math.hypot(own, known)
    welch = dof * (whole / own) ** 4
    least = stats.t.ppf(0.975, dof) * own / whole
    if known > 0.0 and stats.t.ppf(0.975, welch) < least:
        welch = optimize.bisect(lambda tried: stats.t.ppf(0.975, tried) - least, dof, welch)
    return float(stats.nct.sf(stats.t.ppf(0.975, welch), welch, abs(change) / whole))


@pytest.mark.parametrize("runs", range(2, MOST_PLANNED_RUNS + 1))
@pytest.mark.parametrize("known", [0.0, 0.004])
def test_power_of_a_planned_order_is_that_of_its_design(runs: int, known: float) -> None:
    assert plan_power(-0.04, 0.015, runs, known) == pytest.approx(
        design_power(0.04, 0.015, runs, known), abs=2e-4
    )


@pytest.mark.parametrize(("change", "scatter"), [(-0.10, 0.01), (0.05, 0.01), (-0.04, 0.012), (0.03, 0.01)])
def test_a_plan_has_the_fewest_runs_that_reach_its_power(change: float, scatter: float) -> None:
    plan = plan_runs(change, scatter)

    assert plan.runs is not None
    assert plan.power == pytest.approx(design_power(change, scatter, plan.runs), abs=2e-4)
    assert plan.power >= 0.90
    assert plan.runs == 2 or design_power(change, scatter, plan.runs - 1) < 0.90
    assert plan.scatter == scatter
    assert reasons.plan(plan).startswith(f"{2 * (plan.runs or 0)} runs: {plan.order}; ")
    assert f"{min(math.floor(100.0 * plan.power), 99)} % power" in reasons.plan(plan)


def test_a_change_too_small_for_a_day_says_what_the_most_runs_would_reach() -> None:
    plan = plan_runs(-0.01, 0.02, names=("soft", "stiff"))
    reached = design_power(0.01, 0.02, MOST_PLANNED_RUNS)

    assert plan.runs is None
    assert plan.power == pytest.approx(reached, abs=2e-4)
    assert (
        f"even {2 * MOST_PLANNED_RUNS} runs would show it with {100.0 * reached:.0f} % power"
        in reasons.plan(plan)
    )
    assert plan.order == "6 on soft, 12 on stiff, then 6 on soft again"


def test_a_sure_change_is_not_said_to_be_seen_for_certain() -> None:
    plan = plan_runs(-0.5, 0.001)

    assert plan.runs == 2
    assert "99 % power" in reasons.plan(plan)


@pytest.mark.parametrize(
    ("runs", "order"), [(2, "1 on A, 2 on B, then 1 on A again"), (3, "2 on A, 2 on B, then 2 on A again")]
)
def test_the_order_goes_out_and_back(runs: int, order: str) -> None:
    assert plan_order(runs, ("A", "B")) == order


@pytest.mark.parametrize("total", range(3, 25))
def test_drift_cancels_in_the_planned_order(total: int) -> None:
    first, middle, second = driving_plan(total)
    after = np.array([0.0] * first + [1.0] * middle + [0.0] * second)
    place = np.linspace(0.0, 1.0, total)
    leaning = place[after == 1.0].mean() - place[after == 0.0].mean()

    assert len(after) == total
    assert min(first, middle) >= 1
    assert abs(first + second - middle) <= (2 if total % 4 == 2 else 1)
    assert abs(leaning) <= 1e-12


def test_scatter_where_none_was_seen_is_that_of_the_prior() -> None:
    assert default_scatter() == 0.025
    assert default_scatter(2.0) == 0.05
