"""A plain log becomes a recording: units, time base, zero, signs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from ingest.helpers import POTS, car_with, plain_log, write_log

from analyzer.core.errors import LogError
from analyzer.ingest.read_run import read_loose_log, read_recording
from analyzer.ingest.recording import Verdict


def test_plain_log_is_read_in_si(tmp_path: Path) -> None:
    log = plain_log(seconds=30.0)
    path = write_log(tmp_path / "r.csv", log)
    recording = read_recording("r", [path], car_with())
    assert recording.sample_rate == pytest.approx(100.0)
    assert recording.data.index.name == "time_s"
    for name, values in log.si.items():
        np.testing.assert_allclose(recording.data[name], values, atol=6e-6)
    assert not recording.suspect.to_numpy().any()
    assert all(recording.usable(name) for name in log.si)
    assert recording.sources[0].size == path.stat().st_size


def test_loose_log_guesses_the_same_channels(tmp_path: Path) -> None:
    log = plain_log(seconds=20.0)
    recording = read_loose_log(write_log(tmp_path / "r.csv", log))
    for name, values in log.si.items():
        np.testing.assert_allclose(recording.data[name], values, atol=6e-6)
    assert any("damper_FL" in step and "logger.channels.damper_FL" in step for step in recording.steps)


def test_inverted_pot_is_bad_and_named(tmp_path: Path) -> None:
    log = plain_log(seconds=30.0)
    log.columns["FR pot [mm]"] = -log.columns["FR pot [mm]"]
    recording = read_recording("r", [write_log(tmp_path / "r.csv", log)], car_with())
    assert not recording.usable("damper_FR")
    assert {row.channel for row in recording.health if row.verdict is Verdict.BAD} == {"damper_FR"}


def test_missing_file_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="no such file") as caught:
        read_loose_log(tmp_path / "none.csv")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("first", [0, 3])
def test_copies_of_a_slower_sensor_are_no_samples(first: int, tmp_path: Path) -> None:
    log = plain_log(seconds=40.0, rate=200.0)
    count = len(log.columns["Time [s]"])
    held = np.maximum((np.arange(count) - first) // 8 * 8 + first, 0)
    for head in ("LonG [g]", "LatG [g]", "VertG [g]"):
        log.columns[head] = log.columns[head][held]
    recording = read_recording("r", [write_log(tmp_path / "r.csv", log)], car_with())
    assert recording.sample_rate == pytest.approx(200.0)
    read = recording.data["accel_y"].to_numpy()
    every = np.arange(first, count, 8)
    np.testing.assert_allclose(read[every], log.si["accel_y"][every], atol=1e-5)
    # Between its samples it is a straight line, not a stair.
    np.testing.assert_allclose(read[every[:-1] + 4], (read[every[:-1]] + read[every[1:]]) / 2.0, atol=1e-9)
    assert any("accel_y changes in every 8th row only" in step for step in recording.steps)
    assert not any("damper" in step and "copies" in step for step in recording.steps)


def test_coarse_readings_are_not_taken_for_copies(tmp_path: Path) -> None:
    log = plain_log(seconds=40.0, rate=200.0)
    for head in ("FL pot [mm]", "LatG [g]"):
        log.columns[head] = np.round(log.columns[head] / 0.4) * 0.4
    recording = read_recording("r", [write_log(tmp_path / "r.csv", log)], car_with())
    assert not any("copies" in step for step in recording.steps)
    np.testing.assert_allclose(recording.data["damper_FL"] * 1000.0, log.columns["FL pot [mm]"], atol=1e-6)


@pytest.mark.parametrize("mapped", [False, True])
def test_an_acceleration_that_the_sheet_leaves_out_is_no_fault(mapped: bool, tmp_path: Path) -> None:
    log = plain_log(seconds=40.0)
    for axis in ("LongG", "VertG"):
        log.columns = {name: values for name, values in log.columns.items() if axis not in name}
    channels = {f"damper_{c}": {"column": f"{c} pot"} for c in POTS}
    channels |= {"accel_y": {"column": "LatG"}, "speed": {"column": "Speed"}}
    if mapped:
        channels |= {"accel_x": {"column": "LongG"}, "accel_z": {"column": "VertG"}}
    found = read_recording("r", [write_log(tmp_path / "r.csv", log)], car_with(channels))
    rows = [r for r in found.health if r.check == "missing"]
    assert {r.channel for r in rows} == {"accel_x", "accel_z"}
    assert {r.verdict for r in rows} == {Verdict.BAD if mapped else Verdict.NOT_TESTED}
