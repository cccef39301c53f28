"""What spoils a roll gradient, injected alone: the estimate stays within 1 % of statics, or the run says why.

Friction, free play and bump stops need a car that is not linear: see tests/engine.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from processing.linear_car import Drive, Floats, LinearCar, Noise, drive_car
from processing.manoeuvres import damper_channels, spoiled

from analyzer.core.estimate import Estimate
from analyzer.core.units import RAD_PER_MPS2_TO_DEG_PER_G
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Recording
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.results import RunEstimates
from analyzer.processing.roll.equation import roll_columns
from analyzer.processing.roll.fit import RollFit, fit_roll
from analyzer.processing.roll.second_looks import bend_notes
from analyzer.processing.roll.unit_place import Shown
from analyzer.session.review import load_session
from analyzer.vehicle.bar.rate import bar_rates
from analyzer.vehicle.roll import roll_paths, roll_weights

CAR = LinearCar()
ROAD = Noise(road=0.001)
AXLES = ("front", "rear")
SAMPLE = Path(__file__).parents[2] / "sample_logs"


def estimated(recording: Recording, car: LinearCar = CAR, **sheet: object) -> RunEstimates:
    return estimate_run(recording, car.sheet(**sheet), "A", car.bar_rates)


def errors(run: RunEstimates, car: LinearCar = CAR) -> list[float]:
    """Relative error of both gradients against statics."""
    true, _, _ = car.static_slopes()
    found = [run.roll_gradient_body[axle].value for axle in AXLES]
    return [value / (true[k] * RAD_PER_MPS2_TO_DEG_PER_G) - 1.0 for k, value in enumerate(found)]


@pytest.mark.parametrize("lag_ms", [-50, 0, 20, 40, 100])
def test_dampers_with_another_clock_or_filter_are_shifted_back(lag_ms: int) -> None:
    recording, _ = drive_car(CAR, Drive(), ROAD)
    late = {name: np.roll(v, lag_ms // 5) for name, v in damper_channels(recording).items()}
    run = estimated(spoiled(recording, **late))
    assert np.abs(errors(run)).max() < 0.01
    lag = run.further["damper_lag"]
    assert lag.value == pytest.approx(lag_ms, abs=16.0)
    said = [note for note in run.notes if "than the inertial unit" in note]
    assert bool(said) == (abs(lag_ms) > 30)


def test_no_play_is_looked_for_in_a_slow_log() -> None:
    recording, _ = drive_car(CAR, Drive(), ROAD)
    every = round(recording.sample_rate / 10.0)
    slow = replace(
        recording,
        data=recording.data.iloc[::every],
        suspect=recording.suspect.iloc[::every],
        sample_rate=recording.sample_rate / every,
    )
    for axle in AXLES:
        assert estimated(recording).further[f"free_play_{axle}"].value is not None
        play = estimated(slow).further[f"free_play_{axle}"]
        assert play.value is None
        assert "10 Hz" in play.notes[0]


def test_play_of_an_axle_that_is_not_told_leaves_both_ways_open() -> None:
    """The slopes are midway between the two answers, and what is said to be open reaches to both."""
    recording, _ = drive_car(CAR, Drive(), ROAD)
    weights = roll_weights(roll_paths(CAR.sheet(), CAR.bar_rates))
    motion = estimated(recording).motion
    columns = roll_columns(motion, motion.parked.to_numpy(), weights)
    assert columns is not None
    lost = {axle: 2e-4 * np.tanh(columns.roll[axle] / 2e-3) for axle in AXLES}
    halves = {axle: 0.5 * values for axle, values in lost.items()}
    either = fit_roll(replace(columns, lost=halves, lost_of_either=True), weights)
    answers = [fit_roll(replace(columns, lost={axle: lost[axle]}), weights) for axle in AXLES]
    assert isinstance(either, RollFit)
    for axle in AXLES:
        ends = [fit.slope[axle] for fit in answers if isinstance(fit, RollFit)]
        assert either.slope[axle] == pytest.approx(sum(ends) / 2.0, rel=1e-6)
        assert either.by_play[axle] == pytest.approx((ends[0] - ends[1]) / 2.0, rel=0.02)
        assert abs(either.by_play[axle]) > 1e-3 * either.slope[axle]


def test_dampers_behind_a_slow_filter_are_told() -> None:
    """A second-order low-pass at 3 Hz in front of the pots alone."""
    recording, _ = drive_car(CAR, Drive(), ROAD)
    lines = np.fft.rfftfreq(len(recording.data), 1.0 / recording.sample_rate)
    passing = 1.0 / (1.0 + 1j * lines / 3.0) ** 2
    slow = {n: np.fft.irfft(np.fft.rfft(v) * passing, len(v)) for n, v in damper_channels(recording).items()}
    run = estimated(spoiled(recording, **slow))
    assert [note for note in run.notes if "than the inertial unit" in note]
    assert np.abs(errors(run)).max() < 0.01


def test_offset_and_tilt_of_the_inertial_unit_leave_the_gradient() -> None:
    recording, _ = drive_car(CAR, Drive(), ROAD)
    across, up = (recording.data[f"accel_{axis}"].to_numpy() for axis in "yz")
    tilt = np.radians(1.0)
    run = estimated(
        spoiled(
            recording,
            accel_y=across * np.cos(tilt) + up * np.sin(tilt) + 0.1,
            accel_z=up * np.cos(tilt) - across * np.sin(tilt),
            gyro_x=recording.data["gyro_x"].to_numpy() + 0.01,
        )
    )
    assert np.abs(errors(run)).max() < 0.01


def test_a_gyro_that_is_not_level_is_within_its_calibration() -> None:
    """A quarter of a degree of pitch between gyro and road plane: yaw rate leaks into roll rate."""
    recording, _ = drive_car(CAR, Drive(), ROAD)
    leak = np.radians(0.25) * recording.data["gyro_z"].to_numpy()
    run = estimated(spoiled(recording, gyro_x=recording.data["gyro_x"].to_numpy() + leak))
    for axle, error in zip(AXLES, errors(run), strict=True):
        gradient = run.roll_gradient_body[axle]
        assert gradient.calibration is not None
        assert gradient.value is not None
        assert abs(error) < max(0.01, 2.0 * gradient.calibration / gradient.value)


@pytest.mark.parametrize("ahead", [-0.3, 0.3])
def test_an_inertial_unit_elsewhere_than_the_sheet_says(ahead: float) -> None:
    """Lever arms of 0.3 m forward, 0.2 m sideways and up: yaw and roll acceleration enter the reading."""
    recording, _ = drive_car(CAR, Drive(), ROAD)
    yaw, roll = (recording.data[f"gyro_{axis}"].to_numpy() for axis in "zx")
    rate = recording.sample_rate
    there = recording.data["accel_y"].to_numpy() + ahead * np.gradient(yaw, 1.0 / rate)
    there = there - 0.2 * np.gradient(roll, 1.0 / rate) - 0.2 * yaw**2
    run = estimated(spoiled(recording, accel_y=there))
    assert np.abs(errors(run)).max() < 0.01
    # In a weave at one speed yaw rate goes with the force and its rate with the dampers': nobody can tell.
    assert "goes along" in run.further["imu_ahead_of_sheet"].notes[0]


def test_where_the_inertial_unit_sits_shows_on_a_drift_course_and_moves_no_gradient() -> None:
    """0.3 m ahead and 0.2 m to the left of its place in the sheet: 2.5 % off within a stated 0.6 % before."""
    session = load_session(SAMPLE)
    run = session.sheet.runs[0]
    recording = read_recording(run.name, session.logs[run.name], session.car, None, None)
    yaw, roll = (recording.data[f"gyro_{axis}"].to_numpy() for axis in "zx")
    swing = np.gradient(yaw, 1.0 / recording.sample_rate)
    there = recording.data["accel_y"].to_numpy() + 0.3 * swing - 0.2 * (yaw**2 + roll**2)
    rates = bar_rates(session.car, session.sheet.setups[run.setup])
    sound, moved = (
        estimate_run(one, session.car, run.setup, rates)
        for one in (recording, spoiled(recording, accel_y=there))
    )
    assert moved.further["imu_ahead_of_sheet"].value == pytest.approx(0.3, abs=0.05)
    assert moved.further["imu_left_of_sheet"].value == pytest.approx(0.2, abs=0.06)
    assert len([note for note in moved.notes if note.startswith("accelerometer seems")]) == 2
    assert not [note for note in sound.notes if note.startswith("accelerometer")]
    for axle in AXLES:
        values = [one.roll_gradient_body[axle].value for one in (sound, moved)]
        assert values[1] == pytest.approx(values[0], rel=0.003)


@pytest.mark.parametrize(
    ("shown", "stated", "weak", "moved", "std"),
    [
        (0.01, 0.05, False, 0.0, 0.021),  # as good as the run's own error
        (0.1, 0.05, False, 0.0, 0.098),  # no contradiction, and what the run shows is in the error
        (0.12, 0.05, False, 0.117, 0.02),
        (0.3, 0.05, False, 0.299, 0.02),
        (0.3, 0.005, False, 0.299, 0.02),  # a tolerance that the run contradicts counts for nothing
        (0.03, 0.005, False, 0.0, 0.022),
        (0.3, 0.05, True, 0.0, 0.05),
        (2.0, 0.05, False, 0.0, 0.05),
    ],
)
def test_sheet_and_run_count_by_their_errors_for_the_place_of_the_unit(
    shown: float, stated: float, weak: bool, moved: float, std: float
) -> None:
    found = Shown(axis=0, shown=shown, error=0.02, stated=stated, weak=weak).taken()
    assert found == pytest.approx((moved, std), abs=0.003)


def test_a_gradient_that_changes_with_speed_is_told() -> None:
    """Roll rises by 4 % per 10 m/s, and the speed by 6 m/s to and fro."""
    recording, response = drive_car(CAR, Drive(), ROAD)
    speed = 15.0 + 6.0 * np.sin(2.0 * np.pi * response.time / 20.0)
    more = 1.0 + 0.004 * (speed - 15.0)
    dampers = {name: values * more for name, values in damper_channels(recording).items()}
    run = estimated(spoiled(recording, speed=speed, **dampers))
    assert np.abs(errors(run)).max() < 0.01
    assert run.further["gradient_change_with_speed"].value == pytest.approx(0.04, abs=0.01)
    assert [note for note in run.notes if note.startswith("roll gradient changes by +4% per 10 m/s")]


def test_a_change_with_speed_beyond_all_sense_is_told_in_words() -> None:
    figures = [Estimate(value, "1", 0.05) for value in (0.3, -1.11)]
    notes = [bend_notes({"gradient_change_with_speed": figure}) for figure in figures]
    assert notes[0] == ("roll gradient changes by +30% per 10 m/s",)
    assert notes[1] == ("speed goes along with something else that rolls the car: no figure of its effect",)


def test_a_sound_run_has_nothing_to_tell() -> None:
    recording, _ = drive_car(CAR, Drive(), ROAD)
    run = estimated(recording)
    words = ("free play", "inertial unit", "accelerometer seems", "changes by", "more apart")
    assert not [note for note in run.notes for word in words if word in note]
    assert abs(run.further["friction_loop"].value or 0.0) < 0.01


@pytest.mark.parametrize("camber_gain", [0.0, 0.35, 1.0])
def test_camber_gain_does_not_enter_the_gradient_found(camber_gain: float) -> None:
    car = replace(CAR, camber_gain=(camber_gain, camber_gain))
    recording, _ = drive_car(car, Drive(), ROAD)
    assert np.abs(errors(estimated(recording, car), car)).max() < 0.01


def _steered(recording: Recording, steer: Floats, per_rad: float) -> Recording:
    """Steering lifts the front left contact against the body and lowers the right one."""
    shift = per_rad * steer * CAR.ratio[0]
    dampers = damper_channels(recording)
    moved = {"damper_FL": dampers["damper_FL"] + shift, "damper_FR": dampers["damper_FR"] - shift}
    return spoiled(recording, steer_angle=steer, **moved)


def test_steer_jacking_apart_from_the_force_is_taken_out() -> None:
    recording, response = drive_car(CAR, Drive(), ROAD)
    lock = np.radians(25.0) * np.sin(2.0 * np.pi * 0.13 * response.time)
    run = estimated(_steered(recording, lock, 0.003))
    assert np.abs(errors(run)).max() < 0.01


def test_steer_jacking_in_step_with_the_force_cannot_be_told_and_is_said() -> None:
    recording, response = drive_car(CAR, Drive(), ROAD)
    lock = -np.radians(25.0) * response.force / 9.0
    run = estimated(_steered(recording, lock, 0.003))
    assert np.abs(errors(run)).max() > 0.01
    notes = run.roll_gradient_body["front"].notes
    assert [note for note in notes if note.startswith("steer angle goes along with the lateral force")]


@pytest.mark.parametrize("noise", [0.5, 2.0, 4.0])
def test_noise_of_the_accelerometer_leaves_the_gradient(noise: float) -> None:
    """4 m/s2 per sample takes 3.5 % off a plain slope."""
    recording, _ = drive_car(CAR, Drive(seconds=120.0), Noise(accel=noise, road=0.001))
    run = estimated(recording)
    assert np.abs(errors(run)).max() < 0.01
    said = [n for n in run.roll_gradient_body["front"].notes if n.startswith("noise of the accelerometer")]
    assert bool(said) == (noise > 1.0)


def _shaken(recording: Recording, low: float, high: float, size: float) -> Recording:
    """Vibration of the accelerometer between two frequencies [Hz], root mean square `size` [m/s2]."""
    force = recording.data["accel_y"].to_numpy()
    lines = np.fft.rfft(np.random.default_rng(5).standard_normal(force.size))
    frequencies = np.fft.rfftfreq(force.size, recording.data.index[1] - recording.data.index[0])
    shake = np.fft.irfft(np.where((frequencies > low) & (frequencies < high), lines, 0.0), force.size)
    return spoiled(recording, accel_y=force + size * shake / float(np.std(shake)))


@pytest.mark.parametrize("band", [(10.0, 90.0, 6.0), (0.5, 12.0, 3.0)])
@pytest.mark.parametrize("speed", [15.0, None])
def test_vibration_that_is_not_white_leaves_what_is_slow_or_is_said(
    band: tuple[float, float, float], speed: float | None
) -> None:
    """Above the band it looks like white noise and is put back for nothing; within it nothing shows it.

    What is slow has none of the first; of the second it has some, over which speed times yaw rate rules.
    """
    recording, _ = drive_car(CAR, Drive(seconds=60.0, speed=speed), ROAD)
    run = estimated(_shaken(recording, *band))
    assert [n for n in run.notes if "slower than 1.5 Hz alone rules" in n]
    by_path = [n for n in run.roll_gradient_body["front"].notes if "speed times yaw rate rules" in n]
    assert bool(by_path) == (speed is not None and band[0] < 1.5)
    if speed is None and band[0] < 1.5:
        for found in run.roll_gradient_body.values():
            assert found.value is None
            assert "noise of the accelerometer may hide 14.2 %" in found.notes[0]
        assert "body_roll_gradient_imu" not in run.further
        return
    for error, axle in zip(errors(run), AXLES, strict=True):
        found = run.roll_gradient_body[axle]
        assert found.value is not None
        assert found.interval is not None
        half = (found.interval[1] - found.interval[0]) / 2.0 / found.value
        assert abs(error) < min(half, 0.02)


@pytest.mark.parametrize("late", ["accel_y", "gyro_x"])
def test_an_inertial_channel_that_comes_late_is_told_and_leaves_the_gradient(late: str) -> None:
    """0.12 s behind a mean over 0.24 s, as a logger's filter makes it."""
    recording, _ = drive_car(CAR, Drive(seconds=60.0), ROAD)
    lines = np.fft.rfftfreq(len(recording.data), 1.0 / recording.sample_rate)
    passing = np.sinc(0.24 * lines) * np.exp(-2j * np.pi * lines * 0.12)
    slow = np.fft.irfft(np.fft.rfft(recording.data[late].to_numpy()) * passing, len(recording.data))
    run = estimated(spoiled(recording, **{late: slow}))
    assert np.abs(errors(run)).max() < 0.01
    assert [n for n in run.notes if "slower than 1.5 Hz alone rules" in n]
