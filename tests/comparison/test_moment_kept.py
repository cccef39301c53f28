"""Runs driven harder or on a bank show the same car, since each stands with the moment it kept."""

from __future__ import annotations

from dataclasses import replace

import pytest
from comparison.comparison_helpers import SOFT, STIFF, car, compare, results_of, session_runs

from analyzer.comparison.stiffness import MOMENT_KEPT, measured_gradients, with_moment_kept
from analyzer.core.estimate import Estimate
from analyzer.processing.results import RunEstimates

CAR = car()


def kept(run: RunEstimates, part: float) -> RunEstimates:
    """Return a run that rolled less, since only `part` of the moment reached the springs, and says so."""
    body = {
        a: replace(e, value=part * (e.value or 0.0), std_error=part * (e.std_error or 0.0))
        for a, e in run.roll_gradient_body.items()
    }
    figure = Estimate(part, "1", calibration=0.3 * (1.0 - part))
    return replace(run, roll_gradient_body=body, further={MOMENT_KEPT: figure})


def test_runs_that_kept_less_of_the_moment_show_the_same_stiffness_and_no_scatter() -> None:
    order = [("A", STIFF), ("B", SOFT)] * 3
    runs = session_runs(CAR, order, within=None)
    hard = [kept(r, part) for r, part in zip(runs, (0.99, 0.95, 0.96, 0.99, 0.98, 0.96), strict=True)]
    plain, found = compare(CAR, STIFF, SOFT, runs), compare(CAR, STIFF, SOFT, hard)
    assert found.stiffness_ratio.value == pytest.approx(plain.stiffness_ratio.value, rel=1e-6)
    blind = compare(CAR, STIFF, SOFT, [replace(r, further={}) for r in hard])
    assert found.stiffness_ratio.std_error == pytest.approx(0.0, abs=1e-6)
    assert (blind.stiffness_ratio.std_error or 0.0) > 0.01
    stiff = results_of(CAR, {"A": STIFF, "B": SOFT}, hard)["A"].measured["roll_stiffness_front"]
    told = results_of(CAR, {"A": STIFF, "B": SOFT}, runs)["A"].measured["roll_stiffness_front"]
    assert stiff.value == pytest.approx(told.value, rel=1e-6)
    # What is known of the part kept is an error common to all runs.
    assert (stiff.calibration or 0.0) > (told.calibration or 0.0)


def test_one_set_up_driven_harder_than_the_other_costs_accuracy() -> None:
    runs = session_runs(CAR, [("A", STIFF)] * 3 + [("B", SOFT)] * 3, within=None)
    even = compare(CAR, STIFF, SOFT, [kept(r, 0.97) for r in runs])
    uneven = compare(CAR, STIFF, SOFT, [kept(r, 0.99 if r.setup == "A" else 0.95) for r in runs])
    assert uneven.stiffness_ratio.value == pytest.approx(even.stiffness_ratio.value, rel=1e-6)
    assert (uneven.stiffness_ratio.calibration or 0.0) > (even.stiffness_ratio.calibration or 0.0)


def test_a_log_that_cannot_show_it_takes_the_mean_of_the_others() -> None:
    runs = session_runs(CAR, [("A", STIFF)] * 3, within=None)
    mixed = [kept(runs[0], 0.96), kept(runs[1], 0.98), replace(kept(runs[2], 0.97), further={})]
    filled = with_moment_kept(mixed)
    assert filled[2].further[MOMENT_KEPT].value == pytest.approx(0.97)
    assert filled[2].further[MOMENT_KEPT].notes == ("mean of the other runs",)
    assert measured_gradients(filled[2]) == pytest.approx(measured_gradients(runs[2]), rel=1e-9)
    assert with_moment_kept(runs) == tuple(runs)
