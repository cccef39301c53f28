"""A turned inertial unit is put right from gravity, braking and cornering; the sheet's word goes first."""

from __future__ import annotations

from itertools import permutations, product
from pathlib import Path

import numpy as np
import pytest
from ingest.helpers import MAP, Log, car_with, plain_log, write_log

from analyzer.core.errors import LogError
from analyzer.ingest.calibration import rotation
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
