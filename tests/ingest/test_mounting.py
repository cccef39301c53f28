"""A turned inertial unit is put right from gravity, braking and cornering; the sheet's word goes first."""

from __future__ import annotations

from itertools import permutations, product
from pathlib import Path

import numpy as np
import pytest
from engine.drift_bed import drift_plan
from engine.other_cars import random_car
from engine.runs import make_run, sheet_of
from ingest.helpers import MAP, Log, car_with, plain_log, write_log

from analyzer.core.errors import LogError
from analyzer.core.signals import Blocks
from analyzer.ingest.calibration import found_axes, rotation
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Verdict

ACCELS = ("LonG [g]", "LatG [g]", "VertG [g]")
RATES = ("Roll rate [deg/s]", "Pitch rate [deg/s]", "Yaw rate [deg/s]")
CHANNELS = {**MAP, "gyro_y": {"column": "Pitch rate"}}


def turns() -> list[np.ndarray]:
    found = []
    for order in permutations(range(3)):
        for signs in product((1.0, -1.0), repeat=3):
            matrix = np.zeros((3, 3))
            for row in range(3):
                matrix[row, order[row]] = signs[row]
            if np.linalg.det(matrix) > 0:
                found.append(matrix)
    return found


def turned_log(matrix: np.ndarray, with_rates: bool) -> tuple[Log, Log]:
    """Return the log of a unit bolted in by `matrix` (sensor to car), and the sound log."""
    sound, log = plain_log(seed=3), plain_log(seed=3)
    pitch = 0.1 * np.random.default_rng(0).normal(size=len(log.columns["Time [s]"]))
    log.columns[RATES[1]] = pitch
    for names in (ACCELS, RATES) if with_rates else (ACCELS,):
        sensor = np.column_stack([log.columns[n] for n in names]) @ matrix
        log.columns |= {n: sensor[:, i] for i, n in enumerate(names)}
    return log, sound


UPRIGHT = {"lean": {"roll": "0 deg", "pitch": "0 deg", "yaw": "0 deg"}}
"""The unit is turned by right angles alone; small leans are another question."""


@pytest.mark.parametrize("with_rates", [False, True])
@pytest.mark.parametrize("which", range(24))
def test_turned_unit_is_put_right_and_said(which: int, with_rates: bool, tmp_path: Path) -> None:
    matrix = turns()[which]
    log, sound = turned_log(matrix, with_rates)
    recording = read_recording("r", [write_log(tmp_path / "r.csv", log)], car_with(CHANNELS, imu=UPRIGHT))
    for name in ("accel_x", "accel_y", "accel_z", "gyro_x", "gyro_z"):
        np.testing.assert_allclose(recording.data[name], sound.si[name], atol=1e-4)
    said = {row.channel for row in recording.health if row.check == "axes" and row.verdict is Verdict.SUSPECT}
    assert said == (set() if np.array_equal(matrix, np.eye(3)) else {"accel_x", "accel_y", "accel_z"})


def drifting(log: Log, rng: np.random.Generator) -> None:
    """Let the car of a log point away from its path: in turns its forward force is no change of speed."""
    slip = np.radians(rng.uniform(40.0, 50.0)) * np.tanh(log.si["accel_y"] / 3.0)
    along, across = log.si["accel_x"], log.si["accel_y"]
    log.si["accel_x"] = along * np.cos(slip) + across * np.sin(slip)
    log.si["accel_y"] = across * np.cos(slip) - along * np.sin(slip)


def found_turn(channels: dict[str, np.ndarray], rate: float, matrix: np.ndarray, with_rates: bool) -> str:
    """Return what is found of a unit bolted in by `matrix` (sensor to car): "right", "wrong" or "nothing"."""
    turned = dict(channels)
    for kind in ("accel", "gyro") if with_rates else ("accel",):
        sensor = np.column_stack([channels[f"{kind}_{a}"] for a in "xyz"]) @ matrix
        turned |= {f"{kind}_{a}": sensor[:, i] for i, a in enumerate("xyz")}
    axes, _, rates_too = found_axes(Blocks(turned, rate))
    told = rotation(axes, Path("r.csv")) if axes else np.eye(3)
    plain = np.array_equal(matrix, np.eye(3))
    if np.array_equal(told, matrix) and (plain or rates_too == with_rates):
        return "right"
    return "wrong" if axes else "nothing"


@pytest.mark.parametrize("seed", range(5))
def test_a_turned_unit_is_put_right_on_a_car_that_drifts(seed: int) -> None:
    log = plain_log(seed=seed)
    rng = np.random.default_rng(seed)
    drifting(log, rng)
    log.si["gyro_y"] = 0.02 * rng.normal(size=len(log.si["gyro_x"]))
    told = [found_turn(log.si, 100.0, m, w) for m in turns() for w in (False, True)]
    assert told == 48 * ["right"]


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
def test_a_turned_unit_is_put_right_on_drifts_drawn_at_random(seed: int, tmp_path: Path) -> None:
    rng = np.random.default_rng([seed, 24])
    plan = drift_plan(rng, rng.uniform(0.0, 40.0), rng.choice([0.0, 6.0, 12.0]))
    run = make_run(tmp_path / "r.csv", seed=seed, road_class="AB"[seed % 2], car=random_car(rng), plan=plan)
    recording = read_recording("r", [run.path], sheet_of(run.car))
    channels = {str(name): recording.data[name].to_numpy() for name in recording.data}
    told = [found_turn(channels, recording.sample_rate, m, w) for m in turns() for w in (False, True)]
    assert told.count("right") >= 46
    assert "wrong" not in told


def test_stated_axes_are_followed(tmp_path: Path) -> None:
    matrix = turns()[7]
    log, sound = turned_log(matrix, with_rates=True)
    words = (("forward", "backward"), ("left", "right"), ("up", "down"))
    axes = {}
    for column, sensor in enumerate("xyz"):
        row = int(np.flatnonzero(matrix[:, column])[0])
        axes[sensor] = words[row][0 if matrix[row, column] > 0 else 1]
    recording = read_recording(
        "r", [write_log(tmp_path / "r.csv", log)], car_with(CHANNELS, imu={"axes": axes, **UPRIGHT})
    )
    np.testing.assert_allclose(recording.data["accel_y"], sound.si["accel_y"], atol=1e-4)
    assert not [row for row in recording.health if row.check == "axes"]


@pytest.mark.parametrize(
    ("axes", "problem"),
    [
        ({"x": "left", "y": "right", "z": "up"}, "same line"),
        ({"x": "forward", "y": "right", "z": "up"}, "left-handed"),
    ],
)
def test_impossible_axes_are_refused(axes: dict[str, str], problem: str) -> None:
    with pytest.raises(LogError, match=problem):
        rotation(axes, Path("car.toml"))
