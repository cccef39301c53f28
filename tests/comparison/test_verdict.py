"""The words of the verdict."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from analyzer.comparison.results import ChangeVerdict, VerdictReason
from analyzer.comparison.verdict import AS_GOOD_AS, UNCHANGED, Evidence, decide, runs_needed
from analyzer.core.mixed_effects import LARGE_DOF, Contrast
from analyzer.report import reasons


def evidence(measured: float, predicted: float, error: float, runs: int = 3, sheet: float = 0.0) -> Evidence:
    """Return evidence for ratios `measured` and `predicted` with relative errors."""
    own = Contrast(math.log(measured), error, 2.0 * runs - 2.0)
    gap = Contrast(math.log(measured / predicted), error, 2.0 * runs - 2.0).with_known(sheet)
    return Evidence(own, math.log(predicted), gap, own, (runs, runs))


def decided(case: Evidence) -> tuple[ChangeVerdict, str]:
    """Return the verdict and the sentence that gives its reason."""
    reason = decide(case)
    return reason.verdict, reasons.verdict(reason)


def test_a_reason_holds_figures_and_no_words() -> None:
    case = evidence(0.98, 0.95, 0.03)
    found = decide(case)
    assert isinstance(found, VerdictReason)
    assert found.alone is found.verdict is ChangeVerdict.CANNOT_TELL
    assert (found.measured, found.predicted) == (case.measured.value, case.predicted)
    assert found.runs == runs_needed(case)
    assert not [
        name for name in VerdictReason.__slots__ if type(getattr(found, name)) is str and name != "missing"
    ]


@pytest.mark.parametrize(
    ("measured", "predicted", "error", "verdict"),
    [
        (0.90, 0.91, 0.005, ChangeVerdict.AS_PREDICTED),
        (0.95, 0.94, 0.01, ChangeVerdict.SOFTENED_OPEN),
        (0.95, 0.85, 0.01, ChangeVerdict.LESS),
        (0.80, 0.90, 0.01, ChangeVerdict.MORE),
        (0.90, 1.10, 0.01, ChangeVerdict.SOFTENED_AGAINST),
        (0.90, 1.00, 0.01, ChangeVerdict.SOFTENED_AGAINST),
        (0.972, 1.002, 0.0099, ChangeVerdict.SOFTENED_AGAINST),
        (1.001, 1.00, 0.002, ChangeVerdict.UNCHANGED),
        (1.001, 1.00, 0.0035, ChangeVerdict.CANNOT_TELL),
        (1.00, 0.85, 0.01, ChangeVerdict.NO_CHANGE),
        (1.00, 1.15, 0.01, ChangeVerdict.NO_CHANGE),
        (1.10, 1.09, 0.005, ChangeVerdict.STIFFENED),
        (1.10, 1.09, 0.01, ChangeVerdict.STIFFENED_OPEN),
        (1.05, 1.15, 0.01, ChangeVerdict.STIFFENED_LESS),
        (1.25, 1.12, 0.01, ChangeVerdict.STIFFENED_MORE),
        (1.10, 0.90, 0.01, ChangeVerdict.STIFFENED_AGAINST),
        (1.00, 0.98, 0.01, ChangeVerdict.CANNOT_TELL),
        (0.97, 0.95, 0.013, ChangeVerdict.CANNOT_TELL),
        (1.00, 1.00, 0.01, ChangeVerdict.CANNOT_TELL),
    ],
)
def test_each_word(measured: float, predicted: float, error: float, verdict: ChangeVerdict) -> None:
    found, reason = decided(evidence(measured, predicted, error))
    assert found is verdict
    assert reason


@given(
    measured=st.floats(0.3, 3.0),
    predicted=st.floats(0.3, 3.0) | st.just(1.0),
    error=st.floats(1e-5, 0.5),
    sheet=st.floats(0.0, 0.1),
    runs=st.integers(2, 6),
)
@settings(max_examples=400, deadline=None, derandomize=True)
def test_no_change_is_never_said_when_the_runs_could_not_have_shown_the_prediction(
    measured: float, predicted: float, error: float, sheet: float, runs: int
) -> None:
    case = evidence(measured, predicted, error, runs, sheet)
    verdict, reason = decided(case)
    if case.smallest > abs(case.predicted):
        assert verdict is not ChangeVerdict.NO_CHANGE
    if verdict is ChangeVerdict.NO_CHANGE:
        assert case.measured.interval[0] <= 0.0 <= case.measured.interval[1]
        assert not case.gap.interval[0] <= 0.0 <= case.gap.interval[1]
    elif verdict is ChangeVerdict.UNCHANGED:
        assert case.predicted == 0.0
        assert max(map(abs, case.measured.interval)) <= UNCHANGED
    elif case.measured.interval[0] <= 0.0 <= case.measured.interval[1]:
        assert verdict is ChangeVerdict.CANNOT_TELL
        assert any(word in reason for word in ("would settle it", "larger step", "no change was predicted"))


def test_cannot_tell_says_what_would_settle_it() -> None:
    _, reason = decided(evidence(0.98, 0.95, 0.03))
    assert re.search(r"about 20 runs would settle it .*: 5 on A, 10 on B, then 5 on A again", reason)


def test_runs_needed_grow_as_the_predicted_change_shrinks() -> None:
    few = runs_needed(evidence(1.0, 0.90, 0.02))
    many = runs_needed(evidence(1.0, 0.95, 0.02))
    assert few is not None
    assert many is not None
    assert few < many
    assert runs_needed(evidence(1.0, 0.999, 0.02)) is None


def test_where_runs_alone_will_not_do_a_larger_step_is_asked_for() -> None:
    _, reason = decided(evidence(0.999, 0.998, 0.02))
    assert "larger step" in reason


def test_without_any_scatter_the_verdict_still_stands() -> None:
    assert decide(evidence(0.9, 0.9, 0.0)).verdict is ChangeVerdict.AS_PREDICTED
    assert decide(evidence(1.0, 0.9, 0.0)).verdict is ChangeVerdict.NO_CHANGE


def test_errors_of_the_sheet_widen_what_counts_as_predicted() -> None:
    assert decide(evidence(0.90, 0.94, 0.005)).verdict is ChangeVerdict.MORE
    assert decide(evidence(0.90, 0.94, 0.005, sheet=0.03)).verdict is ChangeVerdict.SOFTENED_OPEN


@pytest.mark.parametrize("way", [-1.0, 1.0])
@pytest.mark.parametrize("off", [1.0 - AS_GOOD_AS, 1.0 + AS_GOOD_AS])
@pytest.mark.parametrize("error", [0.002, 0.006, 0.02])
def test_a_change_at_the_edge_of_the_margin_is_seldom_called_as_predicted(
    way: float, off: float, error: float
) -> None:
    """Two one-sided tests at 5 %: at most one drawn session in twenty, however well the runs repeat."""
    draw = np.random.default_rng(round(1e4 * error))
    predicted, false, told = way * 0.10, 0, 0
    for _ in range(4000):
        seen = Contrast(off * predicted + error * draw.standard_normal(), error * chi(draw, 4), 4.0)
        case = Evidence(seen, predicted, replace(seen, value=seen.value - predicted), seen, (3, 3))
        reason = decide(case)
        false += reason.verdict in (ChangeVerdict.AS_PREDICTED, ChangeVerdict.STIFFENED)
        told += reason.parts is not None and reason.parts[0] <= off <= reason.parts[1]
    assert false <= 0.06 * 4000
    # What the sentence leaves of the predicted change holds the truth as often as it says.
    assert error > 0.01 or told == pytest.approx(0.90 * 4000, abs=80)


def chi(draw: np.random.Generator, dof: int) -> float:
    """Return a drawn standard error over the true one."""
    return float(np.sqrt(draw.chisquare(dof) / dof))


def test_an_open_prediction_says_what_would_tell() -> None:
    found, reason = decided(evidence(0.95, 0.94, 0.01))
    assert found is ChangeVerdict.SOFTENED_OPEN
    assert re.search(r"\d+ to 1\d\d % of the predicted one .*about \d+ runs would settle it", reason)
    _, reason = decided(evidence(0.95, 0.94, 0.002, sheet=0.01))
    assert "measure what the prediction rests on" in reason


@pytest.mark.parametrize(
    ("measured", "predicted", "verdict"),
    [(0.98, 1.002, ChangeVerdict.SOFTENED_WITHIN), (1.02, 0.998, ChangeVerdict.STIFFENED_WITHIN)],
)
def test_figures_that_agree_but_for_their_signs_are_no_mixed_up_names(
    measured: float, predicted: float, verdict: ChangeVerdict
) -> None:
    found, reason = decided(evidence(measured, predicted, 0.005, sheet=0.02))
    assert found is verdict
    assert "agree within their errors" in reason
    assert "only the signs differ" in reason
    assert "named" not in reason
    assert decide(evidence(measured, predicted, 0.005)).verdict in (
        ChangeVerdict.SOFTENED_AGAINST,
        ChangeVerdict.STIFFENED_AGAINST,
    )


def test_nothing_predicted_and_nothing_seen_is_an_answer_once_the_interval_is_narrow() -> None:
    case = evidence(0.999, 1.0, 0.002)
    found, reason = decided(case)
    assert found is ChangeVerdict.UNCHANGED
    low, _ = case.measured.interval
    assert f"leave room for {-100.0 * math.expm1(low):.1f} % at most" in reason
    assert decide(evidence(0.999, 1.0, 0.004)).verdict is ChangeVerdict.CANNOT_TELL
    assert decide(evidence(0.98, 1.0, 0.002)).verdict is ChangeVerdict.SOFTENED_AGAINST


def test_known_error_needs_no_degrees_of_freedom() -> None:
    own = Contrast(math.log(0.9), 0.01, LARGE_DOF)
    case = Evidence(own, math.log(0.9), Contrast(0.0, 0.01, LARGE_DOF), own, (1, 1))
    assert case.smallest == pytest.approx(0.028, abs=1e-4)


@pytest.mark.parametrize(
    ("measured", "predicted", "words"),
    [
        (
            0.90,
            0.91,
            "measured 10.0 % softer, predicted 9.0 % softer: they agree within their errors",
        ),
        (
            1.10,
            1.09,
            "measured 10.0 % stiffer, predicted 9.0 % stiffer: they agree within their errors",
        ),
        (
            0.80,
            0.90,
            "measured 20.0 % softer, predicted 10.0 % softer; the difference is larger",
        ),
        (
            0.90,
            1.00,
            "measured 10.0 % softer, predicted no change; something was changed that the sheets do not know",
        ),
        (
            1.00,
            0.85,
            "the predicted 15.0 % softer would have shown (smallest visible change 3.7 %), and the runs s",
        ),
        (1.00, 1.00, "no change was predicted, none is seen; a change under 3.7 % would not show"),
        (
            1.00,
            0.98,
            "2.0 % softer was predicted, and a change under 3.7 % would not show in these runs; about",
        ),
        (
            0.975,
            0.95,
            "the runs agree with the predicted 5.0 % softer and with no change at all",
        ),
    ],
)
def test_sentences_say_both_figures_in_percent(measured: float, predicted: float, words: str) -> None:
    assert decided(evidence(measured, predicted, 0.01))[1].startswith(words)
