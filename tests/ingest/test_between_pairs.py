"""A calibration that bends says how far off it is between its pairs; a straight one says nothing."""

from __future__ import annotations

import numpy as np
import pytest

from analyzer.ingest.calibration import along_pairs, bend_between_pairs, check_between_pairs
from analyzer.ingest.recording import Verdict
from analyzer.sheets.car import Channel

DRIVEN = np.linspace(-0.03, 0.03, 500)


def channel(travel: list[float], volts: list[float], sign: int = 1) -> Channel:
    pairs = [f"{1000.0 * t} mm" for t in travel]
    return Channel.model_validate({"column": "FL pot", "volts": volts, "travel": pairs, "sign": sign})


@pytest.mark.parametrize("falling", [1.0, -1.0])
def test_a_parabola_is_found_to_the_last_digit(falling: float) -> None:
    """The error of straight lines between points of a parabola is known in closed form."""
    volts = np.array([0.5, 1.1, 2.0, 2.6, 3.4, 4.5])
    readings = np.linspace(0.5, 4.5, 300)

    def curve(v: np.ndarray) -> np.ndarray:
        return falling * (0.02 * v + 0.001 * v**2) - 0.05

    read, _ = along_pairs(readings, volts, curve(volts))
    off = bend_between_pairs(read, list(volts), list(curve(volts)))
    assert read + off == pytest.approx(curve(readings), abs=1e-12)
    assert np.abs(off).max() > 1e-4


def test_straight_pairs_have_no_bend_and_no_row() -> None:
    travel = [-0.06, -0.04, -0.02, 0.0, 0.02, 0.04, 0.06]
    straight = channel(travel, [2.5 + 25.0 * t for t in travel])
    assert straight.volts is not None
    assert np.abs(bend_between_pairs(DRIVEN, straight.volts, travel)).max() < 1e-15
    assert check_between_pairs(DRIVEN, "damper_FL", straight) is None
    assert check_between_pairs(DRIVEN, "damper_FL", channel([-0.06, 0.06], [1.0, 4.0])) is None


def test_pairs_off_by_a_workshop_make_no_row() -> None:
    """Pairs of a straight pot that are each 0.1 mm off (1 sigma), seven of them over 120 mm."""
    rng = np.random.default_rng(15)
    travel = np.linspace(-0.06, 0.06, 7)
    drawn = [travel + 1e-4 * rng.standard_normal(7) for _ in range(200)]
    volts = [2.5 + 25.0 * t for t in travel]
    rows = [check_between_pairs(DRIVEN, "damper_FL", channel(list(t), volts)) for t in drawn]
    assert sum(row is not None for row in rows) <= 4


@pytest.mark.parametrize("sign", [1, -1])
def test_a_bend_is_told_with_how_far_off(sign: int) -> None:
    """A lever that turns a pot: travel is the sine of the angle, 100 mm long, 20 mm between pairs."""
    travel = np.linspace(0.0, 0.08, 5)
    volts = 0.5 + 2.0 * np.arcsin(travel / 0.1)
    row = check_between_pairs(sign * (DRIVEN + 0.04), "damper_FL", channel(list(travel), list(volts), sign))
    assert row is not None
    assert row.verdict is Verdict.SUSPECT
    true = 0.1 * np.sin((np.linspace(volts[0], volts[-1], 2000) - 0.5) / 2.0)
    read, _ = along_pairs(np.linspace(volts[0], volts[-1], 2000), volts, travel)
    driven = (read > 0.01) & (read < 0.07)
    assert row.value == pytest.approx(1000.0 * np.abs(true - read)[driven].max(), rel=0.25)
    assert "Half the step between pairs from 11 to 69 mm" in row.comment
