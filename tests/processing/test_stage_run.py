"""A whole run of the linear car, whose gradients are known by statics."""

from __future__ import annotations

import gzip
from dataclasses import replace

import numpy as np
import pytest
from processing.linear_car import Drive, LinearCar, Noise, drive_car

from analyzer.core.units import RAD_PER_MPS2_TO_DEG_PER_G as TO_DEG_PER_G
from analyzer.ingest.read_run import read_recording
from analyzer.processing.estimate_run import estimate_run
from analyzer.session.review import load_session
from analyzer.vehicle.bar.rate import bar_rates

CAR = LinearCar()


def test_gradients_of_a_clean_run_are_those_of_statics():
    recording, _ = drive_car(CAR, noise=Noise(0.0, 0.0, 0.0))
    run = estimate_run(recording, CAR.sheet(), "A", CAR.bar_rates)
    body, level, total = CAR.static_slopes()
    for k, axle in enumerate(("front", "rear")):
        assert run.roll_gradient_body[axle].value == pytest.approx(body[k] * TO_DEG_PER_G, rel=3e-4)
        assert run.roll_gradient[axle].value == pytest.approx(level[k] * TO_DEG_PER_G, rel=3e-4)
    # Moving contacts, which the linear car has not, add to tyre roll with the square of the force, and take
    # 2 % off the sheet's roll moment at any force: a thousandth of body roll, of which they are a part.
    gentle, _ = drive_car(CAR, Drive(peak=1.5), Noise(0.0, 0.0, 0.0))
    run = estimate_run(gentle, CAR.sheet(), "A", CAR.bar_rates)
    assert run.roll_gradient["total"].value == pytest.approx(total * TO_DEG_PER_G, rel=1e-3)


def test_gradients_on_a_rough_road_lie_within_their_intervals_and_half_a_percent():
    recording, _ = drive_car(CAR, noise=Noise(road=0.002))
    run = estimate_run(recording, CAR.sheet(), "A", CAR.bar_rates)
    body, _, _ = CAR.static_slopes()
    for k, axle in enumerate(("front", "rear")):
        estimate = run.roll_gradient_body[axle]
        truth = body[k] * TO_DEG_PER_G
        assert estimate.value == pytest.approx(truth, rel=5e-3)
        assert abs(estimate.value - truth) < 3.0 * estimate.std_error
        assert estimate.std_error < 0.003 * truth


def test_missing_pot_leaves_the_other_axle_and_says_why():
    recording, _ = drive_car(CAR)
    recording = replace(recording, data=recording.data.drop(columns="damper_FL"))
    run = estimate_run(recording, CAR.sheet(), "A", CAR.bar_rates)
    assert run.roll_gradient_body["front"].value is None
    assert "damper_FL" in run.roll_gradient_body["front"].notes[0]
    rear = CAR.static_slopes()[0][1] * TO_DEG_PER_G
    assert run.roll_gradient_body["rear"].value == pytest.approx(rear, rel=0.01)


@pytest.mark.parametrize("peak", [1.5, 3.0, 5.0])
def test_a_slippery_course_tells_its_gradients_with_their_error(peak):
    for seed in (1, 2):
        recording, _ = drive_car(CAR, Drive(peak=peak, seed=seed), Noise(road=0.002))
        run = estimate_run(recording, CAR.sheet(), "A", CAR.bar_rates)
        for slope, axle in zip(CAR.static_slopes()[0], ("front", "rear"), strict=True):
            estimate = run.roll_gradient_body[axle]
            low, high = estimate.interval
            assert low < slope * TO_DEG_PER_G < high
            assert high - low < 0.02 * estimate.value


def test_small_forces_that_drown_in_the_road_are_not_enough_cornering():
    recording, _ = drive_car(CAR, Drive(peak=1.0, seconds=30.0), Noise(road=0.03))
    run = estimate_run(recording, CAR.sheet(), "A", CAR.bar_rates)
    for axle in ("front", "rear", "total"):
        assert run.roll_gradient[axle].value is None
        assert "not enough cornering" in run.roll_gradient[axle].notes[0]


def test_gap_and_suspect_samples_change_nothing():
    recording, _ = drive_car(CAR, noise=Noise(0.0, 0.0, 0.0))
    data, suspect = recording.data.copy(), recording.suspect.copy()
    data.iloc[2000:2400, :] = np.nan
    data.iloc[5000:5010, data.columns.get_loc("damper_FR")] = 0.3
    suspect.iloc[5000:5010, suspect.columns.get_loc("damper_FR")] = True
    broken = estimate_run(replace(recording, data=data, suspect=suspect), CAR.sheet(), "A", CAR.bar_rates)
    body, _, _ = CAR.static_slopes()
    for k, axle in enumerate(("front", "rear")):
        assert broken.roll_gradient_body[axle].value == pytest.approx(body[k] * TO_DEG_PER_G, rel=5e-4)


def run_without(*missing):
    recording, _ = drive_car(CAR, noise=Noise(0.0, 0.0, 0.0))
    without = replace(recording, data=recording.data.drop(columns=list(missing)))
    return estimate_run(without, CAR.sheet(), "A", CAR.bar_rates)


@pytest.mark.parametrize(
    "missing", [("gyro_z",), ("speed",), ("accel_x",), ("accel_z",), ("gyro_z", "speed", "accel_x")]
)
def test_channels_that_only_help_may_be_missing(missing):
    run = run_without(*missing)
    for k, axle in enumerate(("front", "rear")):
        truth = CAR.static_slopes()[0][k] * TO_DEG_PER_G
        assert run.roll_gradient_body[axle].value == pytest.approx(truth, rel=0.005)


@pytest.mark.parametrize("also", [(), ("gyro_y", "gyro_z", "speed", "accel_x", "accel_z")])
def test_without_roll_rate_the_gradient_says_what_is_left_out(also):
    run = run_without("gyro_x", *also)
    for k, axle in enumerate(("front", "rear")):
        estimate = run.roll_gradient_body[axle]
        truth = CAR.static_slopes()[0][k] * TO_DEG_PER_G
        assert abs(estimate.value - truth) < 3.0 * estimate.std_error
        assert any("no roll rate in the log" in note for note in estimate.notes)


def test_without_yaw_rate_the_lag_of_the_dampers_is_unknown_and_says_why():
    recording, _ = drive_car(CAR)
    assert estimate_run(recording, CAR.sheet(), "A", CAR.bar_rates).further["damper_lag"].value is not None
    without = replace(recording, data=recording.data.drop(columns="gyro_z"))
    lag = estimate_run(without, CAR.sheet(), "A", CAR.bar_rates).further["damper_lag"]
    assert lag.value is None
    assert "no usable yaw rate" in lag.notes[0]


@pytest.mark.parametrize("rows", [2, 3, 5, 20, 100, 200, 300, 500, 680])
@pytest.mark.parametrize("first", [1, 667, 4000])
def test_a_log_too_short_for_figures_gives_reasons(rows, first, sample_session, tmp_path):
    """At 200 Hz: from the start, where the car stands; from its first movement on; from mid-run."""
    session = load_session(sample_session)
    with gzip.open(sample_session / "r02.csv.gz", "rt", encoding="utf-8") as log:
        lines = log.readlines()
    cut = tmp_path / "cut.csv"
    cut.write_text("".join([lines[0], *lines[first : first + rows]]), encoding="utf-8")
    recording = read_recording("r02", (cut,), session.car, None, None)
    rates = bar_rates(session.car, session.sheet.setups["A"])
    run = estimate_run(recording, session.car, "A", rates, session.course)
    for estimate in (*run.roll_gradient.values(), *run.roll_gradient_body.values()):
        assert estimate.value is None
        assert estimate.notes[0]
