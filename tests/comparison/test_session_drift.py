"""Drift over a session: told from a change of set-up, named, taken out, or given room in the interval."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from comparison.comparison_helpers import SOFT, STIFF, car, compare, session_runs
from scipy import integrate, stats

from analyzer.comparison.ledger import RunValue
from analyzer.comparison.results import ChangeVerdict, Treatment
from analyzer.comparison.session_drift import (
    MOST_ODDS,
    SESSION_DRIFT,
    DriftedChange,
    change_with_drift,
    drift_odds,
    driving_blocks,
    fit_means,
)

ORDERS = ("AABB", "AAABBB", "ABBA", "AABBBA", "ABABAB")
REPEATABILITY = (0.0, 0.001, 0.003, 0.01, 0.03)
DRIFT = 0.03


def session(order: str, values: np.ndarray) -> list[RunValue]:
    return [
        RunValue(f"r{index}", group, float(value), None, float(index))
        for index, (group, value) in enumerate(zip(order, values, strict=True))
    ]


def drawn(
    order: str, scatter: float, drift: float, change: float, sessions: int, seed: int = 1
) -> list[DriftedChange]:
    """Return the changes of sessions with a straight drift over them and a true change of B against A."""
    draw = np.random.default_rng(seed)
    place = np.linspace(0.0, 1.0, len(order))
    changed = change * np.array([name == "B" for name in order])
    return [
        change_with_drift(
            session(order, drift * place + changed + scatter * draw.standard_normal(len(order))), "A", "B"
        )
        for _ in range(sessions)
    ]


def said(found: list[DriftedChange]) -> int:
    """Return in how many sessions "softened" or "stiffened" is said."""
    return sum(one.change.interval[1] < 0.0 or one.change.interval[0] > 0.0 for one in found)


def most(sessions: int) -> int:
    """Return the most false verdicts that chance gives at a true share of 5 % (one in a hundred more)."""
    return int(stats.binom.ppf(0.99, sessions, 0.05))


@pytest.mark.parametrize("order", ORDERS)
def test_drift_without_a_change_is_rarely_called_one(order: str) -> None:
    false, sessions = 0, 40
    for scatter, drift in product(REPEATABILITY, (-DRIFT, DRIFT)):
        count = said(drawn(order, scatter, drift, 0.0, sessions, seed=7))
        assert count <= most(sessions)
        false += count
    assert false <= 0.05 * sessions * 2 * len(REPEATABILITY)


@pytest.mark.slow
@pytest.mark.parametrize("order", [*ORDERS, "AABBAA"])
def test_drift_without_a_change_over_many_sessions(order: str) -> None:
    false, sessions = 0, 400
    for scatter, drift in product(REPEATABILITY, (-DRIFT, DRIFT)):
        count = said(drawn(order, scatter, drift, 0.0, sessions, seed=11))
        assert count <= most(sessions)
        false += count
    assert false <= 0.05 * sessions * 2 * len(REPEATABILITY)


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("drift", [-DRIFT, DRIFT])
def test_drift_that_is_there_is_named_with_its_size(order: str, drift: float) -> None:
    found = drawn(order, 0.003, drift, 0.0, 100, seed=3)
    named = [one.drift for one in found if one.drift.found]
    assert len(named) >= 80
    assert np.median([one.size.value for one in named]) == pytest.approx(drift, abs=0.004)
    held = [one.size.interval[0] <= math.expm1(drift) <= one.size.interval[1] for one in named]
    assert np.mean(held) >= 0.9


@pytest.mark.parametrize("order", ORDERS)
def test_drift_that_is_not_there_is_seldom_taken_out(order: str) -> None:
    found = drawn(order, 0.003, 0.0, 0.0, 200, seed=5)
    assert np.mean([one.drift.treatment is Treatment.TAKEN_OUT for one in found]) <= 0.05
    assert np.mean([one.drift.found for one in found]) <= 0.20


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("drift", [0.0, -DRIFT, DRIFT])
def test_the_interval_holds_the_true_change(order: str, drift: float) -> None:
    for scatter in (0.001, 0.003, 0.01, 0.03):
        found = drawn(order, scatter, drift, -0.05, 150, seed=9)
        held = sum(one.change.interval[0] <= -0.05 <= one.change.interval[1] for one in found)
        assert held >= 150 - most(150)


@pytest.mark.parametrize("order", ["ABBA", "AABBBA", "ABABAB"])
def test_without_drift_the_interval_is_not_wider_than_it_must_be(order: str) -> None:
    found = drawn(order, 0.01, 0.0, -0.05, 600, seed=13)
    held = np.mean([one.change.interval[0] <= -0.05 <= one.change.interval[1] for one in found])
    assert 0.93 <= held <= 0.97


def test_drift_that_warms_up_fast_and_then_stays_makes_no_verdict() -> None:
    """A time constant of half a session: no straight line, and the allowance for its shape must carry it."""
    place = np.linspace(0.0, 1.0, 6)
    bent = DRIFT * (1.0 - np.exp(-2.0 * place)) / (1.0 - math.exp(-2.0))
    for order in ("AAABBB", "AABBBA", "ABABAB"):
        for scatter in (0.001, 0.003):
            draw = np.random.default_rng(2)
            found = [
                change_with_drift(session(order, bent + scatter * draw.standard_normal(6)), "A", "B")
                for _ in range(100)
            ]
            assert said(found) <= most(100)


@pytest.mark.parametrize("order", ["AAABBB", "AABBBA", "ABABAB"])
def test_a_clear_drift_is_taken_out_and_the_change_stays(order: str) -> None:
    (found,) = drawn(order, 0.0, DRIFT, -0.10, 1)
    assert found.drift.treatment is Treatment.TAKEN_OUT
    assert found.change.value == pytest.approx(-0.10, abs=1e-12)
    assert found.drift.size.value == pytest.approx(math.expm1(DRIFT))
    assert found.drift.per_run.value == pytest.approx(math.expm1(DRIFT / 5.0))
    assert found.drift.odds == MOST_ODDS
    assert found.change.std_error > 0.0


@pytest.mark.parametrize(
    ("order", "leaning"),
    [("AAABBB", 0.6), ("AABB", 2.0 / 3.0), ("ABBA", 0.0), ("ABABAB", 0.2), ("AABBBA", 0.2), ("AB", 1.0)],
)
def test_what_leans_into_the_change_is_the_distance_of_the_middles(order: str, leaning: float) -> None:
    (found,) = drawn(order, 0.01, 0.0, 0.0, 1)
    assert found.drift.leaning == pytest.approx(leaning, abs=1e-9)
    assert driving_blocks(session(order, np.zeros(len(order)))) == found.drift.order


@pytest.mark.parametrize("order", ["AAABBB", "AABBBA", "ABABAB"])
def test_means_and_change_take_out_the_same_drift(order: str) -> None:
    """One rule: what is beyond doubt for the change of two set-ups is for their means, and only that."""
    taken = 0
    for seed in range(40):
        draw = np.random.default_rng(seed)
        drift = (0.0, DRIFT)[seed % 2]
        runs = session(order, drift * np.linspace(0.0, 1.0, 6) + 0.002 * draw.standard_normal(6))
        changed, means = change_with_drift(runs, "A", "B"), fit_means(runs)
        assert (means.drift is not None) is (changed.drift.treatment is Treatment.TAKEN_OUT)
        assert means.mean("B").value - means.mean("A").value == pytest.approx(
            changed.fit.change("A", "B").value
        )
        taken += means.drift is not None
    assert 5 <= taken <= 25


def test_sessions_that_share_set_ups_have_one_line_and_their_own_levels() -> None:
    place = np.arange(6.0)
    values = 0.01 * (place - 2.5) + np.array([0.0, 0.0, 0.1, 0.1, 0.1, 0.0])
    first = [replace(run, session="first", order=run.order - 10.0) for run in session("AABBBA", values + 0.3)]
    found = fit_means([*first, *session("AABBBA", values)])
    assert found.drift is not None
    assert found.drift.value == pytest.approx(0.01)
    assert found.mean("A").value == pytest.approx(0.0, abs=1e-9)
    assert found.change("A", "B").value == pytest.approx(0.1)


def test_the_order_is_told_in_blocks() -> None:
    (found,) = drawn("AABBBA", 0.01, 0.0, 0.0, 1)
    assert found.drift.order == (("A", 2), ("B", 3), ("A", 1))


def test_one_run_a_side_leaves_room_for_the_whole_drift() -> None:
    found = change_with_drift(session("AB", np.array([0.0, 0.1])), "A", "B")
    assert found.drift.treatment is Treatment.WIDENED
    assert found.drift.size.value is None
    assert found.drift.odds is None
    assert found.change.std_error == pytest.approx(math.hypot(0.025 * math.sqrt(2.0), SESSION_DRIFT))
    # The law of the sum by quadrature: Student's scatter of two degrees of freedom, normal drift.
    half = (found.change.interval[1] - found.change.interval[0]) / 2.0
    own = 0.025 * math.sqrt(2.0)
    beyond, _ = integrate.quad(
        lambda z: stats.norm.pdf(z) * stats.t.sf((half - SESSION_DRIFT * z) / own, 2.0), -12.0, 12.0
    )
    assert beyond == pytest.approx(0.025, rel=1e-4)
    assert half < 0.83 * stats.t.ppf(0.975, 2.0) * found.change.std_error


@pytest.mark.parametrize("drift", [0.0, -DRIFT, DRIFT])
def test_one_run_a_side_makes_no_false_verdict_and_sees_a_large_change(drift: float) -> None:
    for scatter in (0.0, 0.003, 0.01, 0.03):
        assert said(drawn("AB", scatter, drift, 0.0, 300, seed=17)) <= 6
    # A quarter of the stiffness with the roll of both axles as its measure.
    assert said(drawn("AB", 0.01, drift, math.log(0.75), 300, seed=18)) >= 290


def test_a_random_slope_has_the_closed_form_of_generalised_least_squares() -> None:
    """Henderson's mixed model, solved from the covariance of the runs with the slope integrated out."""
    order, values = "AAABBB", np.array([0.004, -0.009, 0.006, 0.011, -0.002, 0.009])
    found = change_with_drift(session(order, values), "A", "B")
    assert found.drift.treatment is Treatment.WIDENED
    b = np.array([name == "B" for name in order], dtype=float)
    x = np.column_stack([1.0 - b, b])
    left = values - x @ np.linalg.lstsq(x, values, rcond=None)[0]
    scatter = left @ left / 4.0
    place = np.arange(6.0) - 2.5
    whole = scatter * np.eye(6) + (SESSION_DRIFT / 5.0) ** 2 * np.outer(place, place)
    inverse = np.linalg.inv(x.T @ np.linalg.inv(whole) @ x)
    means = inverse @ x.T @ np.linalg.inv(whole) @ values
    row = np.array([-1.0, 1.0])
    assert found.change.value == pytest.approx(row @ means)
    assert found.change.std_error == pytest.approx(math.sqrt(row @ inverse @ row))
    assert found.change.dof == 4.0


@pytest.mark.parametrize(("slope", "loss"), [(0.004, 1e-5), (0.001, 4e-4), (0.012, 2e-4)])
def test_odds_are_the_ratio_of_two_integrals(slope: float, loss: float) -> None:
    """Against scipy's quadrature of both densities over the scatter, prior 1 / sigma."""
    variance, dof, tau = 0.25, 3, 0.006

    def density(sigma: float, drifting: float) -> float:
        spread = sigma**2 * variance + drifting**2
        return float(
            sigma ** (-dof - 1)
            * math.exp(-loss / (2.0 * sigma**2))
            * stats.norm.pdf(slope, 0.0, math.sqrt(spread))
        )

    top = math.sqrt(loss / dof)
    with_drift, without = (
        integrate.quad(
            lambda log, t=t: density(math.exp(log), t) * math.exp(log),
            math.log(top) - 6,
            math.log(top) + 8,
            limit=400,
        )[0]
        for t in (tau, 0.0)
    )
    assert drift_odds(slope, variance, loss, dof, tau) == pytest.approx(with_drift / without, rel=1e-3)


def test_runs_without_freedom_or_without_scatter_have_odds_of_their_own() -> None:
    assert drift_odds(0.01, 0.25, 0.0, 0, 0.006) is None
    assert drift_odds(0.01, 0.25, 0.0, 3, 0.006) == MOST_ODDS
    assert drift_odds(0.0, 0.25, 0.0, 3, 0.006) == 0.0


CAR = car()


@pytest.mark.parametrize("order", ORDERS)
def test_verdicts_of_whole_sessions_with_drift_and_no_change(order: str) -> None:
    """Roll of both axles drifts by 3 % over the session; the same bar is fitted throughout."""
    drift = DRIFT / (len(order) - 1)
    words = []
    for seed, way in product(range(8), (-1.0, 1.0)):
        runs = session_runs(CAR, [(name, STIFF) for name in order], 0.003, seed, drift=way * drift)
        found = compare(CAR, STIFF, STIFF, runs)
        assert found.drift is not None
        words.append(found.verdict)
    none = (ChangeVerdict.CANNOT_TELL, ChangeVerdict.UNCHANGED)
    assert sum(word not in none for word in words) <= 2


def test_a_real_change_is_still_seen_through_drift() -> None:
    order = [("A", STIFF)] * 3 + [("B", SOFT)] * 3
    found = [
        compare(CAR, STIFF, SOFT, session_runs(CAR, order, 0.001, seed, drift=0.006)) for seed in range(10)
    ]
    seen = [one for one in found if one.verdict is ChangeVerdict.AS_PREDICTED]
    assert len(seen) >= 9
    assert all(one.drift is not None and one.drift.found for one in found)
