"""Bank from the forces against the free body of a car on a bank (statics; any mechanics textbook)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analyzer.core.units import STANDARD_GRAVITY
from analyzer.processing.motion import bank_angle

RATE = 100.0
COUNT = 1000

# Bank [deg]; forces along the car's y and z [g] at 1 g of horizontal centripetal acceleration.
AT_ONE_G = [
    (5.0, 0.909, 1.083),
    (10.0, 0.811, 1.158),
    (20.0, 0.598, 1.282),
    (31.0, 0.342, 1.372),
    (60.0, -0.366, 1.366),
]
NEUTRAL = [(10.0, 1.0154), (20.0, 1.0642), (30.0, 1.1547), (33.0, 1.1924), (45.0, 1.4142)]
"""Bank [deg] and force square to the road [g] at the speed at which nothing pulls sideways."""


def _bank(across: float, normal: float, yaw: float, slip_deg: float = 0.0) -> float:
    """Return the bank found in steady forces [g], for a nose pointing `slip_deg` into the turn [deg]."""
    ones = np.ones(COUNT)
    slip = math.radians(slip_deg)
    force = (
        ones * across * math.sin(slip) * STANDARD_GRAVITY,
        ones * across * math.cos(slip) * STANDARD_GRAVITY,
        ones * normal * STANDARD_GRAVITY,
    )
    bank, _ = bank_angle(force, RATE, yaw * ones, None)
    return math.degrees(float(bank[COUNT // 2]))


@pytest.mark.parametrize(("bank", "across", "normal"), AT_ONE_G)
@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize("slip", [0.0, 35.0])
def test_bank_at_one_g(bank: float, across: float, normal: float, side: float, slip: float) -> None:
    # The table gives three decimals, half a unit of which is up to 0.03 degrees.
    assert _bank(side * across, normal, side * 0.6, slip) == pytest.approx(bank, abs=0.03)


@pytest.mark.parametrize(("bank", "normal"), NEUTRAL)
def test_force_at_the_neutral_speed(bank: float, normal: float) -> None:
    assert 1.0 / math.cos(math.radians(bank)) == pytest.approx(normal, abs=5e-5)
    # Just above it, where the sideways force is large enough for a figure.
    centripetal = math.tan(math.radians(bank)) + 0.15
    slope = math.radians(bank)
    across = centripetal * math.cos(slope) - math.sin(slope)
    up = math.cos(slope) + centripetal * math.sin(slope)
    assert _bank(across, up, 0.6) == pytest.approx(bank, abs=1e-6)


def test_level_road_has_no_bank() -> None:
    assert _bank(0.8, 1.0, 0.6) == pytest.approx(0.0, abs=1e-9)
    assert _bank(-0.8, 1.0, -0.6) == pytest.approx(0.0, abs=1e-9)
