"""Axles that moved though no bar can have moved them: named, and no verdict on their sum."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from comparison.comparison_helpers import BAR, SOFT, STIFF, car, compare, hole, session_runs, setup

from analyzer.comparison.results import ChangeVerdict, Comparison, VerdictReason
from analyzer.comparison.verdict import with_axles
from analyzer.processing.results import RunEstimates
from analyzer.report import reasons
from analyzer.report.sentences import axles_moved, comparison_answer, next_step

CAR = car()
ORDER = "AABBBA"
BOTH = car({"rear": {"bar": BAR}})
HARD, MILD = setup(hole(3), hole(3)), setup(hole(1), hole(1))


def moved(runs: list[RunEstimates], front: float, rear: float) -> list[RunEstimates]:
    """Return the runs with the roll of both axles changed on set-up B by these factors."""
    found = []
    for one in runs:
        factor = {"front": front, "rear": rear} if one.setup == "B" else {"front": 1.0, "rear": 1.0}
        body = {
            axle: replace(e, value=(e.value or 0.0) * factor[axle])
            for axle, e in one.roll_gradient_body.items()
        }
        found.append(replace(one, roll_gradient_body=body))
    return found


def unchanged_bars(front: float, rear: float, seed: int = 0, scatter: float = 0.003) -> Comparison:
    runs = session_runs(CAR, [(name, STIFF) for name in ORDER], scatter, seed, common=0.9)
    return compare(CAR, STIFF, STIFF, moved(runs, front, rear))


def test_axles_that_moved_against_each_other_are_named_and_their_sum_is_no_verdict() -> None:
    found = unchanged_bars(1.05, 0.92)
    assert found.verdict is ChangeVerdict.AXLES
    assert [move.axle for move in found.axle_moves] == ["front", "rear"]
    assert [move.ratio.value for move in found.axle_moves] == pytest.approx([1.05, 0.92], abs=0.01)
    assert not any(move.changed for move in found.axle_moves)
    assert "against each other" in reasons.verdict(found.reason)
    told = axles_moved(found)
    assert "the front axle rolled 5." in told or "the front axle rolled 4." in told
    assert "% interval" in told
    assert "more than it should and rear axle rolled" in told
    assert told.endswith("less than it should; no bar was changed there, and a bar cannot do that.")
    assert comparison_answer(found).startswith("The axles did not roll as predicted from A to B")
    assert "steering" in next_step(found)


def test_one_axle_that_moved_alone_is_named_alone() -> None:
    found = unchanged_bars(1.0, 1.06)
    assert [move.axle for move in found.axle_moves] == ["rear"]
    assert found.verdict is ChangeVerdict.AXLES
    assert "one axle moved" in reasons.verdict(found.reason)


def test_both_axles_one_way_keep_the_verdict_of_the_sum_and_name_the_load() -> None:
    found = unchanged_bars(1.05, 1.05)
    assert found.verdict is ChangeVerdict.SOFTENED_AGAINST
    assert "load or CG height" in reasons.verdict(found.reason)
    assert len(found.axle_moves) == 2


@pytest.mark.slow
@pytest.mark.parametrize("scatter", [0.001, 0.003, 0.01])
def test_axles_that_did_not_move_are_rarely_accused(scatter: float) -> None:
    found = [unchanged_bars(1.0, 1.0, seed, scatter) for seed in range(40)]
    assert np.mean([bool(one.axle_moves) for one in found]) <= 0.05
    assert all(axles_moved(one) == "" for one in found if not one.axle_moves)


def test_both_bars_changed_as_predicted_accuse_no_axle() -> None:
    order = [(name, HARD if name == "A" else MILD) for name in ORDER]
    found = [compare(BOTH, HARD, MILD, session_runs(BOTH, order, 0.003, seed)) for seed in range(10)]
    assert sum(bool(one.axle_moves) for one in found) <= 1
    assert sum(one.verdict is ChangeVerdict.AS_PREDICTED for one in found) >= 9


def test_both_bars_changed_and_axles_against_each_other() -> None:
    order = [(name, HARD if name == "A" else MILD) for name in ORDER]
    found = compare(BOTH, HARD, MILD, moved(session_runs(BOTH, order, 0.002), 1.06, 0.94))
    assert [move.axle for move in found.axle_moves] == ["front", "rear"]
    assert all(move.changed for move in found.axle_moves)
    assert axles_moved(found).endswith("that is not what these bars do.")
    assert found.verdict in (ChangeVerdict.AXLES, ChangeVerdict.LESS, ChangeVerdict.MORE)


def test_the_axle_left_alone_is_named_where_one_bar_was_changed() -> None:
    order = [(name, STIFF if name == "A" else SOFT) for name in ORDER]
    found = compare(CAR, STIFF, SOFT, moved(session_runs(CAR, order, 0.002), 1.0, 1.05))
    assert [move.axle for move in found.axle_moves] == ["rear"]
    assert axles_moved(found).endswith("more than it should; the front bar cannot do that.")
    still = compare(CAR, STIFF, SOFT, session_runs(CAR, order, 0.002))
    assert still.axle_moves == ()
    assert axles_moved(still) == ""


@pytest.mark.parametrize(
    ("verdict", "moves", "changed", "kept"),
    [
        (ChangeVerdict.AS_PREDICTED, [0.05, -0.05], True, False),
        (ChangeVerdict.UNCHANGED, [0.05, -0.05], False, False),
        (ChangeVerdict.SOFTENED_AGAINST, [0.05, -0.05], False, False),
        (ChangeVerdict.SOFTENED_AGAINST, [0.05], False, False),
        (ChangeVerdict.SOFTENED_AGAINST, [0.05, 0.05], False, True),
        (ChangeVerdict.LESS, [0.05, -0.05], True, True),
        (ChangeVerdict.CANNOT_TELL, [0.05, 0.05], False, False),
    ],
)
def test_which_verdicts_on_the_sum_stand(
    verdict: ChangeVerdict, moves: list[float], changed: bool, kept: bool
) -> None:
    found = with_axles(VerdictReason(verdict, verdict), moves, bars_changed=changed)
    assert found.verdict is (verdict if kept else ChangeVerdict.AXLES)
    assert found.alone is verdict
