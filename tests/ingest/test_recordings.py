"""A plain log becomes a recording: units, time base, zero, signs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from ingest.helpers import car_with, plain_log, write_log

from analyzer.errors import LogError
from analyzer.ingest.reading import read_loose_log, read_recording
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
