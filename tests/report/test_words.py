"""Names and figures as they are shown."""

from __future__ import annotations

import pytest

from analyzer.core.estimate import Estimate
from analyzer.report.words import (
    capital,
    clause,
    count,
    degrees,
    figure,
    in_unit,
    interval,
    label,
    listed,
    millimetres,
    name,
    percent,
    readable,
    reason,
    sentence,
    times,
    value_with_interval,
    without_sign,
)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("r01", "r01"),
        ("two\nlines\tand\x07bell", "two lines and bell"),
        ("", "(no name)"),
        ("\u202e", "(no name)"),
        ("a" * 10_000, "a" * 39 + "…"),
        ("a" * 40, "a" * 40),
        ("Z" + "\u0301" * 200 + "x", "Z" + "\u0301" * 3 + "x"),
        ("pasted\u202etxet", "pasted txet"),
    ],
)
def test_a_name_is_short_and_printable(text, shown):
    assert label(text) == shown


def test_right_to_left_names_are_isolated_in_a_sentence_only():
    hebrew = "\u05e1\u05d9\u05d1\u05d5\u05d1"

    assert name(hebrew) == f"\u2068{hebrew}\u2069"
    assert label(hebrew) == hebrew
    assert name("r01") == "r01"


def test_percent_scales_value_error_and_interval():
    share = Estimate(0.512, "1", std_error=0.004, interval=(0.504, 0.520), calibration=0.003)

    shown = percent(share)

    assert (shown.value, shown.std_error, shown.unit) == (pytest.approx(51.2), pytest.approx(0.4), "%")
    assert shown.interval == pytest.approx((50.4, 52.0))
    assert shown.calibration == pytest.approx(0.3)


def test_bar_rates_are_shown_per_millimetre():
    assert figure(readable(Estimate(42_000.0, "N/m", std_error=900.0))) == "42.0 ± 0.9 N/mm"


def test_changing_the_unit_keeps_what_is_unknown():
    assert in_unit(Estimate(1.0, "m", notes=("why",)), 1000.0, "mm").std_error is None


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [(0.8804, 0.9116, "0.880 to 0.912"), (-3.2, 14.9, "−3 to 15"), (2.0, 2.0, "2.000 to 2.000")],
)
def test_digits_of_an_interval_follow_its_width(low, high, text):
    assert interval(Estimate((low + high) / 2, "1", std_error=1.0, interval=(low, high))) == text


def test_value_with_interval():
    ratio = Estimate(0.896, "1", std_error=0.008, interval=(0.880, 0.912))

    assert value_with_interval(ratio) == "0.896 (0.880 to 0.912)"
    assert value_with_interval(ratio, "95 % interval ") == "0.896 (95 % interval 0.880 to 0.912)"
    assert value_with_interval(Estimate.unknown("1", "no runs")) == "—"
    assert value_with_interval(Estimate(0.9, "1", std_error=0.02)) == "0.900 ± 0.020"


def test_an_unknown_figure_gives_its_reason():
    assert reason(Estimate.unknown("1", "no runs")) == "No runs."
    assert reason(Estimate(1.0, "1", notes=("only one block",))) == "Only one block."
    assert reason(Estimate(1.0, "1", std_error=0.1, notes=("a remark",))) == ""


def test_words():
    assert sentence("look at it") == "Look at it."
    assert sentence("Why?") == "Why?"
    # A key is written as the sheet has it.
    assert sentence("front.damper.bump_stop_gap of 40.0 mm") == "front.damper.bump_stop_gap of 40.0 mm."
    assert sentence("damper_FL: stuck") == "damper_FL: stuck."
    assert clause("The pot stood still.") == "the pot stood still"
    assert clause("RR stood still.") == "RR stood still"
    assert count(1, "run") == "1 run"
    assert count(0, "run") == "no runs"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed(["a"]) == "a"
    assert listed([]) == ""
    assert listed([str(i) for i in range(9)], most=2) == "0, 1 and 7 more"
    assert millimetres(0.0067, 1) == "6.7 mm"
    assert millimetres(-0.0003) == "0 mm"
    assert degrees(None) == "—"
    assert degrees(-0.5) == "−29°"


@pytest.mark.parametrize(
    ("value", "ends", "size", "shown"),
    [
        (-0.04, (-0.05, -0.03), 0.04, (0.03, 0.05)),
        (0.04, (0.03, 0.05), 0.04, (0.03, 0.05)),
        (-0.04, None, 0.04, None),
    ],
)
def test_the_size_of_a_change_has_its_smaller_end_first(value, ends, size, shown):
    change = without_sign(Estimate(value, "1", std_error=0.005, interval=ends, notes=("short",)))
    assert (change.value, change.interval, change.std_error) == (size, shown, 0.005)


def test_a_length_may_stand_without_its_unit_and_a_sentence_starts_large():
    assert millimetres(-0.0123, 1) == "−12.3 mm"
    assert millimetres(-0.0123, 1, with_unit=False) == "−12.3"
    assert capital("roll stiffness") == "Roll stiffness"
    assert capital("") == ""


def test_unknown_stays_unknown_in_another_unit():
    assert times(None, 1000.0) is None
    assert times(0.002, 1000.0) == 2.0
