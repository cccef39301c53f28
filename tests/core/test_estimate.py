"""Estimate: fixed shape, honest digits, no NaN."""

import math

import pytest

from analyzer.core.estimate import Estimate, decimals_for_error, format_estimate


@pytest.mark.parametrize(
    ("value", "error", "text"),
    [
        # Particle Data Group, Review of Particle Physics, introduction 5.3: 0.827 +- 0.119 -> 0.83 +- 0.12,
        # 0.827 +- 0.367 -> 0.8 +- 0.4 (from memory); 0.827 +- 0.099 -> 0.83 +- 0.10 by the 950 rule.
        (0.827, 0.119, "0.83 ± 0.12"),
        (0.827, 0.367, "0.8 ± 0.4"),
        (0.827, 0.0990, "0.83 ± 0.10"),
        (812.4, 23.0, "812 ± 23"),
        (12345.0, 678.0, "12300 ± 700"),
        (3.2167, 0.0123, "3.217 ± 0.012"),
    ],
)
def test_digits_are_set_by_the_error(value, error, text):
    assert format_estimate(Estimate(value, "deg/g", std_error=error), with_unit=False) == text


def test_unit_and_missing_errors_are_said():
    assert str(Estimate(3.2167, "deg/g", std_error=0.0123)) == "3.217 ± 0.012 deg/g"
    assert "no error" in str(Estimate(3.2167, "deg/g", notes=("one block",)))
    assert str(Estimate.unknown("deg/g", "not enough cornering")) == "—"


def test_total_error_adds_calibration_in_squares():
    estimate = Estimate(10.0, "mm", std_error=3.0, calibration=4.0)
    assert estimate.total_error == pytest.approx(5.0)
    assert Estimate(10.0, "mm", calibration=4.0).total_error is None


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_not_a_number_is_refused(bad):
    with pytest.raises(ValueError, match="finite"):
        Estimate(bad, "mm")
    with pytest.raises(ValueError, match="finite"):
        Estimate(1.0, "mm", std_error=bad)


def test_a_missing_value_needs_a_reason():
    with pytest.raises(ValueError, match="why"):
        Estimate(None, "mm")


def test_json_shape():
    known = {"std_error": 0.1, "interval": (0.8, 1.2), "n": 5, "method": "mean", "notes": ("a",)}
    estimate = Estimate(1.0, "mm", **known, provisional=("mass.cg_height",))
    assert estimate.to_dict() == {
        "value": 1.0,
        "std_error": 0.1,
        "interval": [0.8, 1.2],
        "calibration": None,
        "level": 0.95,
        "unit": "mm",
        "n": 5,
        "method": "mean",
        "notes": ["a"],
        "provisional": ["mass.cg_height"],
    }


@pytest.mark.parametrize(
    ("error", "decimals"), [(0.119, 2), (0.367, 1), (0.0990, 2), (23.0, 0), (678.0, -2), (95.1, -1)]
)
def test_decimals(error, decimals):
    assert decimals_for_error(error) == decimals


def test_common_calibration_cancels_in_ratios_only():
    a = Estimate(4.0, "deg/g", std_error=0.04, calibration=0.2)
    b = Estimate(-2.0, "deg/g", std_error=0.03, calibration=0.1)
    x, y, other = a.ufloat("front"), b.ufloat("front"), b.ufloat("rear")

    assert x.std_dev == pytest.approx(a.total_error)
    # Both relative calibrations are 5 %: the ratio keeps the scatter, 1 % and 1.5 %.
    assert (x / y).std_dev == pytest.approx(2.0 * math.hypot(0.01, 0.015))
    # By another name they are independent.
    assert (x / other).std_dev == pytest.approx(2.0 * math.hypot(0.01, 0.015, 0.05, 0.05))
    # A difference keeps the common part: 0.2 + 0.1, moved apart by one scale.
    assert (x - y).std_dev == pytest.approx(math.hypot(0.04, 0.03, 0.3))


@pytest.mark.parametrize("bare", [Estimate.unknown("1", "no pots"), Estimate(1.0, "1", notes=("one block",))])
def test_what_has_no_error_cannot_be_calculated_with(bare):
    with pytest.raises(ValueError, match=bare.notes[0]):
        bare.ufloat("front")
