"""The gradient from steady parts against statics, and what a run says when its two gradients disagree."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from processing.linear_car import Drive, LinearCar, Noise, drive_car
from processing.manoeuvres import Held, damper_channels, spoiled

from analyzer.core.estimate import Estimate
from analyzer.core.units import RAD_PER_MPS2_TO_DEG_PER_G
from analyzer.ingest.recording import Verdict
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.roll.second_looks import CHECK, second_look

CAR = LinearCar()
ROAD = Noise(road=0.001)
AXLES = ("front", "rear")


@pytest.mark.parametrize(("times", "method"), [(1, "held for 3 s"), (2, "slowly changing force")])
def test_steady_parts_give_the_gradient_of_statics(times: int, method: str) -> None:
    recording, _ = drive_car(CAR, Held(times=times), ROAD)
    run = estimate_run(recording, CAR.sheet(), "A", CAR.bar_rates)
    true, _, _ = CAR.static_slopes()
    for k, axle in enumerate(("front", "rear")):
        steady = run.further[f"quasi_steady_gradient_{axle}"]
        assert method in steady.method
        assert steady.value == pytest.approx(true[k] * RAD_PER_MPS2_TO_DEG_PER_G, rel=0.005)
        assert steady.std_error is not None
        assert steady.std_error < 0.005 * steady.value
    assert [row.verdict for row in run.checks if row.check == CHECK] == [Verdict.GOOD] * 2
    assert not [note for note in run.notes if "more apart" in note]


def test_a_weave_has_no_steady_parts_and_says_so() -> None:
    recording, _ = drive_car(CAR, Drive(), ROAD)
    run = estimate_run(recording, CAR.sheet(), "A", CAR.bar_rates)
    steady = run.further["quasi_steady_gradient_front"]
    assert steady.value is None
    assert steady.notes == ("too few steady parts on level road in both directions",)
    assert {row.verdict for row in run.checks if row.check == CHECK} == {Verdict.NOT_TESTED}


@pytest.mark.parametrize("drive", [Held(times=2), Drive(seconds=60.0)], ids=["held", "weave"])
def test_dampers_that_lag_far_behind_are_told_without_a_gyro(drive: Drive) -> None:
    """0.3 s between pots and accelerometer: steady parts hardly feel it, and what is slow takes it out."""
    recording, _ = drive_car(CAR, drive, ROAD)
    late = {name: np.roll(values, 60) for name, values in damper_channels(recording).items()}
    blind = recording.data.drop(columns=["gyro_x", "gyro_y", "gyro_z"])
    recording = replace(recording, data=blind, suspect=recording.suspect[blind.columns])
    run = estimate_run(spoiled(recording, **late), CAR.sheet(), "A", CAR.bar_rates)
    true, _, _ = CAR.static_slopes()
    for slope, axle in zip(true, AXLES, strict=True):
        found = run.roll_gradient_body[axle]
        assert found.value == pytest.approx(slope * RAD_PER_MPS2_TO_DEG_PER_G, rel=0.01)
        assert any("slower than 1.5 Hz alone rules" in note for note in found.notes)
    assert not [note for note in run.notes if "more apart than their errors" in note]


def test_disagreement_is_measured_in_errors() -> None:
    def estimate(value: float, std: float) -> Estimate:
        return Estimate(value, "deg/g", std_error=std, interval=(value - 2 * std, value + 2 * std))

    assert second_look("front", estimate(1.50, 0.01), estimate(1.53, 0.01)).verdict is Verdict.GOOD
    assert second_look("front", estimate(1.50, 0.003), estimate(1.53, 0.003)).verdict is Verdict.SUSPECT
    unknown = Estimate.unknown("deg/g", "too few", "m")
    assert second_look("front", estimate(1.5, 0.01), unknown).verdict is Verdict.NOT_TESTED
