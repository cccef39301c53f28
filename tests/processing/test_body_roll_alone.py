"""Body roll from the inertial unit alone against statics, and what is said with it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from processing.linear_car import Drive, LinearCar, Noise, drive_car

from analyzer.core.units import RAD_PER_MPS2_TO_DEG_PER_G
from analyzer.processing.estimate_run import estimate_run

CAR = LinearCar()


@pytest.mark.parametrize("missing", [("damper_RR",), ("damper_FL", "damper_RL")])
def test_without_pots_at_an_axle_body_roll_comes_from_the_gyro(missing: tuple[str, ...]) -> None:
    recording, _ = drive_car(CAR, Drive(seconds=120.0), Noise(road=0.001))
    data = recording.data.drop(columns=list(missing))
    blind = replace(recording, data=data, suspect=recording.suspect[data.columns])
    run = estimate_run(blind, CAR.sheet(), "A", CAR.bar_rates)
    _, (front, rear), body = CAR.static_slopes()
    found = run.further["body_roll_gradient_imu"]
    assert found.value == pytest.approx(body * RAD_PER_MPS2_TO_DEG_PER_G, rel=0.01)
    tyres = 100.0 * (1.0 - (front + rear) / 2.0 / body)
    (note,) = [note for note in run.notes if note.startswith("body roll from the inertial unit alone")]
    assert f"about {tyres:.0f} % by the sheet" in note
    assert "a quarter to a third too small" in note


def test_with_all_pots_it_is_not_needed() -> None:
    recording, _ = drive_car(CAR, Drive(), Noise(road=0.001))
    run = estimate_run(recording, CAR.sheet(), "A", CAR.bar_rates)
    assert "body_roll_gradient_imu" not in run.further
