"""Why a gradient is missing: the channel that lacks, and nothing else."""

from __future__ import annotations

from dataclasses import replace

import pytest
from processing.linear_car import Drive, LinearCar, Noise, drive_car

from analyzer.processing.estimate_run import estimate_run


@pytest.mark.parametrize(("corner", "axle", "other"), [("RL", "rear", "front"), ("FR", "front", "rear")])
def test_a_pot_left_out_is_the_whole_reason(corner: str, axle: str, other: str) -> None:
    car = LinearCar()
    recording, _ = drive_car(car, Drive(), Noise(road=0.001))
    blind = replace(recording, data=recording.data.drop(columns=f"damper_{corner}"))
    run = estimate_run(blind, car.sheet(), "A", car.bar_rates)  # type: ignore[arg-type]
    gradients = run.roll_gradient_body
    assert gradients[axle].value is None
    assert gradients[axle].notes[0] == f"no usable damper_{corner} in the log"
    hidden = [note for found in gradients.values() for note in found.notes if "may hide" in note]
    assert not any("damper" in note or " 0.0 %" in note for note in hidden)
    assert gradients[other].value is not None
    # The left share of the axle has the same reason, and that of the other axle is known.
    assert run.left_share(axle).notes == (f"no usable damper_{corner} in the log",)  # type: ignore[arg-type]
    assert run.left_share(other).value is not None  # type: ignore[arg-type]
