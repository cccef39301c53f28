"""Weights of the roll fit: how soft the car is over all is that of the log, not of the sheet's bars."""

import pytest

from analyzer.vehicle.roll import MOST_SCALED, Weights

SHEET = Weights({"front": 40e3, "rear": 20e3}, {"front": 1.2, "rear": 1.1}, moment=600.0, moment_per_yaw=90.0)


def test_stiffness_and_tyre_roll_follow_the_slope() -> None:
    soft = SHEET.as_soft_as(0.02)
    assert soft.total == pytest.approx(30e3)
    assert soft.front_share == pytest.approx(SHEET.front_share)
    assert soft.over_ground == pytest.approx({"front": 1.1, "rear": 1.05})
    assert soft.mean_per_yaw == pytest.approx(0.003)


@pytest.mark.parametrize(("slope", "total"), [(1e-6, 60e3 * MOST_SCALED), (1.0, 60e3 / MOST_SCALED)])
def test_a_slope_in_another_unit_scales_no_further(slope: float, total: float) -> None:
    assert SHEET.as_soft_as(slope).total == pytest.approx(total)


@pytest.mark.parametrize("slope", [0.0, -0.02])
def test_a_slope_of_the_wrong_sign_leaves_the_sheet(slope: float) -> None:
    assert SHEET.as_soft_as(slope) == SHEET
