"""What a pot's zero that is off does to the left share, shown by moving it."""

from __future__ import annotations

import numpy as np
import pytest
from processing.linear_car import Drive, LinearCar, Noise, drive_car
from processing.manoeuvres import damper_channels, spoiled

from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.loads import zero_share_error
from analyzer.vehicle.axle import axle_roll_stiffness, mass_properties

CAR = LinearCar()
OFF = 0.5e-3


@pytest.mark.parametrize(("corner", "axle", "sign"), [("FL", "front", 1.0), ("RR", "rear", -1.0)])
def test_share_moves_by_what_the_zero_is_off(corner: str, axle: str, sign: float) -> None:
    recording, _ = drive_car(CAR, Drive(), Noise(road=0.001))
    sheet = CAR.sheet()
    moved = spoiled(recording, **{f"damper_{corner}": damper_channels(recording)[f"damper_{corner}"] + OFF})
    shares = [
        estimate_run(r, sheet, "A", CAR.bar_rates).load_share[axle].left_share.value  # type: ignore[index]
        for r in (recording, moved)
    ]
    sprung = mass_properties(sheet).axle(axle).sprung  # type: ignore[arg-type]
    stiff = {axle: axle_roll_stiffness(sheet.axle(axle), CAR.bar_rates.get(axle, 0.0), sprung)}
    stated = zero_share_error(sheet, stiff, {f"damper_{corner}": OFF})
    assert sign * np.diff(shares)[0] == pytest.approx(stated[axle], rel=0.1)


def test_zero_that_is_not_in_doubt_adds_nothing() -> None:
    assert zero_share_error(CAR.sheet(), {"front": 1e5, "rear": 1e5}, {}) == {}
