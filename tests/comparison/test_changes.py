"""Set-up against set-up on a linear car whose truth is its own sheet."""

from __future__ import annotations

from dataclasses import replace

import pytest
from comparison.comparison_helpers import (
    BAR,
    SOFT,
    STIFF,
    car,
    compare,
    hole,
    results_of,
    run,
    session_runs,
    setup,
    true_roll,
)

from analyzer.comparison.changes import compare_setups
from analyzer.comparison.results import ChangeVerdict
from analyzer.comparison.stiffness import RunStiffness, roll_sheet, run_stiffness
from analyzer.core.estimate import Estimate
from analyzer.prediction.setup import predict_change, predict_setup
from analyzer.processing.results import RunEstimates
from analyzer.report import reasons
from analyzer.report.sentences import comparison_answer, next_step

CAR = car()
THREE_EACH = [("A", STIFF), ("B", SOFT)] * 3


def test_a_softer_bar_rolls_more_and_is_called_softer() -> None:
    assert true_roll(CAR, SOFT)["front"] > true_roll(CAR, STIFF)["front"]
    found = compare(CAR, STIFF, SOFT, session_runs(CAR, THREE_EACH, scatter=0.003))
    assert found.axle == "front"
    assert found.stiffness_ratio.value is not None
    assert found.stiffness_ratio.value < 1.0
    assert found.gradient_ratio["front"].value is not None
    assert found.gradient_ratio["front"].value > 1.0
    assert found.stiffness_change.value is not None
    assert found.stiffness_change.value < 0.0
    assert found.verdict is ChangeVerdict.AS_PREDICTED


def test_the_other_way_round_is_called_stiffened() -> None:
    order = [("A", SOFT), ("B", STIFF)] * 3
    found = compare(CAR, SOFT, STIFF, session_runs(CAR, order, scatter=0.003))
    assert found.verdict is ChangeVerdict.STIFFENED
    assert "as predicted" in reasons.verdict(found.reason)


def test_without_scatter_the_ratio_is_that_of_the_sheet() -> None:
    found = compare(CAR, STIFF, SOFT, session_runs(CAR, THREE_EACH, within=None))
    assert found.stiffness_ratio.value == pytest.approx(found.predicted_ratio.value, rel=1e-9)
    assert found.stiffness_change.value == pytest.approx(found.predicted_change.value, rel=1e-9)


def test_what_both_set_ups_share_cancels_in_the_ratio() -> None:
    runs = session_runs(CAR, THREE_EACH, within=None)
    found = compare(CAR, STIFF, SOFT, runs)
    before = results_of(CAR, {"A": STIFF, "B": SOFT}, runs)["A"].measured["roll_stiffness_front"]
    assert found.stiffness_ratio.calibration is not None
    assert before.calibration is not None
    assert before.value is not None
    assert found.stiffness_ratio.calibration < 0.25 * before.calibration / before.value


def test_two_set_ups_that_are_the_same_are_unchanged_once_the_interval_is_narrow() -> None:
    runs = session_runs(CAR, [("A", SOFT), ("B", SOFT)] * 3, scatter=0.003)
    found = compare(CAR, SOFT, SOFT, runs)
    assert found.axle is None
    assert found.verdict is ChangeVerdict.UNCHANGED
    assert "no change was predicted" in reasons.verdict(found.reason)
    assert "no change predicted" in comparison_answer(found)
    wide = compare(CAR, SOFT, SOFT, session_runs(CAR, [("A", SOFT), ("B", SOFT)] * 3, scatter=0.01))
    assert wide.verdict is ChangeVerdict.CANNOT_TELL
    assert "no change was predicted" in reasons.verdict(wide.reason)


def test_a_change_that_was_not_made_is_called_no_change() -> None:
    runs = [
        replace(r, setup=name)
        for r, name in zip(session_runs(CAR, [("A", STIFF)] * 6, 0.003), "AABBAB", strict=True)
    ]
    found = compare(CAR, STIFF, SOFT, runs)
    assert found.verdict is ChangeVerdict.NO_CHANGE
    assert found.smallest_visible.value is not None
    assert found.predicted_ratio.value is not None
    assert found.smallest_visible.value <= 1.0 - found.predicted_ratio.value


def test_one_run_a_side_has_an_honest_interval() -> None:
    found = compare(CAR, STIFF, SOFT, session_runs(CAR, [("A", STIFF), ("B", SOFT)], scatter=0.003))
    assert found.verdict is ChangeVerdict.CANNOT_TELL
    assert found.stiffness_ratio.interval is not None
    low, high = found.stiffness_ratio.interval
    assert low < 0.75
    assert high > 0.93
    assert any("too few runs" in note for note in found.notes)


def test_a_set_up_without_runs_cannot_be_told() -> None:
    found = compare(CAR, STIFF, SOFT, session_runs(CAR, [("A", STIFF)] * 3))
    assert found.verdict is ChangeVerdict.CANNOT_TELL
    assert found.stiffness_ratio.value is None
    assert "no run on this set-up" in reasons.verdict(found.reason)


def test_both_bars_changed_is_about_the_car_and_says_so() -> None:
    both = car({"rear": {"bar": BAR}})
    one, other = setup(hole(3), hole(3)), setup(hole(1), hole(1))
    found = compare(both, one, other, session_runs(both, [("A", one), ("B", other)] * 3, scatter=0.003))
    assert found.axle is None
    assert found.verdict is ChangeVerdict.AS_PREDICTED
    assert any("both bars" in text for text in found.differences)


def test_one_axle_without_pots_still_gives_an_answer_and_says_what_it_rests_on() -> None:
    runs = session_runs(CAR, THREE_EACH, scatter=0.003)
    front_only = [replace(r, roll_gradient_body={"front": r.roll_gradient_body["front"]}) for r in runs]
    found = compare(CAR, STIFF, SOFT, front_only)
    assert found.verdict is ChangeVerdict.AS_PREDICTED
    assert found.stiffness_ratio.value == pytest.approx(found.predicted_ratio.value, rel=0.03)
    assert any("rear axle not measured" in note for note in found.notes)


def test_wrong_signs_are_no_stiffness() -> None:
    runs = [run(f"r{i}", name, {"front": -1.2, "rear": -1.4}) for i, name in enumerate("ABAB")]
    found = compare(CAR, STIFF, SOFT, runs)
    assert found.verdict is ChangeVerdict.CANNOT_TELL
    assert "wrong sign" in reasons.verdict(found.reason)


def test_roll_that_contradicts_the_sheet_is_said() -> None:
    runs = [run(f"r{i}", name, {"front": 2.0, "rear": 6.0}) for i, name in enumerate("ABAB")]
    found = compare(CAR, STIFF, SOFT, runs)
    assert found.verdict is ChangeVerdict.CANNOT_TELL
    assert "more than the whole roll moment" in reasons.verdict(found.reason)


def test_unknown_errors_within_runs_are_told() -> None:
    found = compare(CAR, STIFF, SOFT, session_runs(CAR, THREE_EACH, scatter=0.003, within=None))
    assert any("no error of its own" in note for note in found.notes)


def test_drift_is_taken_out_of_an_a_b_a_order() -> None:
    order = [("A", STIFF), ("A", STIFF), ("B", SOFT), ("B", SOFT), ("A", STIFF), ("A", STIFF)]
    runs = session_runs(CAR, order, within=None, drift=0.01)
    found = compare(CAR, STIFF, SOFT, runs)
    # Drift of roll is a straight line, that of the logarithm of stiffness nearly one.
    assert found.stiffness_ratio.value == pytest.approx(found.predicted_ratio.value, rel=2e-3)
    drift = [note for note in found.notes if "drift" in note]
    assert len(drift) == 1
    # Both ends of the session on the same set-up: their stiffnesses differ by five steps of drift.
    logs = [run_stiffness("front", runs[k], roll_sheet(CAR, predict_setup(CAR, "A", STIFF))) for k in (0, 5)]
    ends = [stiffness.log for stiffness in logs if isinstance(stiffness, RunStiffness)]
    assert len(ends) == 2
    assert f"{100.0 * (ends[1] - ends[0]) / 5.0:.2f} %" in drift[0]


def test_runs_of_further_set_ups_help_to_find_the_scatter() -> None:
    middle = setup(hole(2))
    setups = {"A": STIFF, "B": SOFT, "C": middle}
    runs = session_runs(CAR, [("A", STIFF), ("B", SOFT), ("C", middle), ("C", middle), ("C", middle)], 0.003)
    results = results_of(CAR, setups, runs)
    change = predict_change(CAR, "A", STIFF, "B", SOFT)
    alone = compare_setups(CAR, results["A"], results["B"], change, runs)
    helped = compare_setups(CAR, results["A"], results["B"], change, runs, [results["C"]])
    assert alone.verdict is ChangeVerdict.CANNOT_TELL
    assert helped.verdict is ChangeVerdict.AS_PREDICTED


def front_only(runs: list[RunEstimates], error: float) -> list[RunEstimates]:
    """Return the runs as logged without rear pots, each with a relative error of its own."""
    unknown = Estimate.unknown("deg/g", "no two usable damper pots")
    kept = []
    for one in runs:
        front = one.roll_gradient_body["front"]
        assert front.value is not None
        seen = replace(front, std_error=error * front.value)
        kept.append(replace(one, roll_gradient_body={"front": seen, "rear": unknown}))
    return kept


def test_pots_of_one_axle_leave_an_error_that_more_runs_do_not_take_away() -> None:
    """A third of the runs' own 1.3 % stays in the ratio of roll, and more of it in that of stiffness."""
    few, many = (
        compare(CAR, STIFF, SOFT, front_only(session_runs(CAR, THREE_EACH * n, within=None), 0.013))
        for n in (1, 4)
    )
    for found in (few, many):
        assert found.stiffness_ratio.value is not None
        assert found.stiffness_ratio.calibration is not None
        assert found.stiffness_ratio.calibration / found.stiffness_ratio.value > 0.35 * 0.013


def test_runs_without_the_sensors_are_not_told_to_be_driven_again() -> None:
    unknown = Estimate.unknown("deg/g", "no axle has two usable damper pots")
    blind = [
        replace(r, roll_gradient_body={"front": unknown, "rear": unknown})
        for r in session_runs(CAR, THREE_EACH)
    ]
    found = compare(CAR, STIFF, SOFT, blind)
    assert found.verdict is ChangeVerdict.CANNOT_TELL
    assert "no axle has two usable damper pots" in reasons.verdict(found.reason)
    assert "drive" not in reasons.verdict(found.reason)
    assert "analyzer check" in next_step(found)
    undriven = compare(CAR, STIFF, SOFT, session_runs(CAR, [("A", STIFF)] * 3))
    assert "drive at least six runs" in reasons.verdict(undriven.reason)
    assert "drive more runs" in next_step(undriven)


def test_a_run_whose_name_holds_a_colon_gives_its_own_reason() -> None:
    unknown = {"front": Estimate.unknown("deg/g", "too few corners")}
    other = {"front": Estimate.unknown("deg/g", "pots not usable")}
    runs = [
        replace(r, name=name, roll_gradient={}, roll_gradient_body=body)
        for r, name, body in zip(
            session_runs(CAR, [("A", STIFF), ("B", SOFT)]),
            ("day 1", "day 1: two"),
            (other, unknown),
            strict=True,
        )
    ]
    found = compare(CAR, STIFF, SOFT, runs)
    assert reasons.verdict(found.reason).startswith("day 1: pots not usable; ")
    measured = results_of(CAR, {"A": STIFF, "B": SOFT}, runs)["B"].measured
    assert measured["roll_stiffness_front"].notes == ("day 1: two: too few corners",)
    assert measured["roll_gradient_front"].notes == ("day 1: two: not estimated",)


@pytest.mark.parametrize("verdict", [ChangeVerdict.SOFTENED_OPEN, ChangeVerdict.CANNOT_TELL])
def test_more_runs_are_asked_for_only_where_they_help(verdict: ChangeVerdict) -> None:
    found = compare(CAR, STIFF, SOFT, session_runs(CAR, THREE_EACH, 0.003))
    for runs in (None, 4):
        reason = replace(found.reason, verdict=verdict, alone=verdict, runs=runs, remedy=None)
        # An interval about one leaves the axle's own change open, too.
        wide = replace(found.stiffness_ratio, interval=(0.8, 1.1))
        one = replace(found, verdict=verdict, reason=reason, stiffness_ratio=wide)
        assert ("more runs alone would not" in reasons.verdict(reason)) == (runs is None)
        assert ("runs" in next_step(one)) == (runs is not None)
