"""Every fault is found and laid at the right channel; a sound log raises no alarm."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from ingest.faults import FAULTS, Fault
from ingest.helpers import car_with, plain_log, write_log
from ingest.rolling_car import rolling_log

from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Verdict
from analyzer.sheets.read import read_car, read_session

WORSE = (Verdict.SUSPECT, Verdict.BAD)


@pytest.mark.parametrize("fault", FAULTS, ids=lambda f: f.name)
def test_fault_is_found_at_its_channel(fault: Fault, tmp_path: Path) -> None:
    log = plain_log(seconds=40.0, seed=11)
    fault.inject(log, np.random.default_rng(5))
    recording = read_recording("r", [write_log(tmp_path / "r.csv", log)], car_with())
    worse = [row for row in recording.health if row.verdict in WORSE]
    named = {row.channel for row in worse if row.check in fault.checks}
    assert named == fault.channels
    assert {row.channel for row in worse} == fault.channels, [(r.check, r.channel) for r in worse]


def test_sound_logs_raise_no_alarm(tmp_path: Path) -> None:
    alarms = []
    for seed in range(12):
        log = plain_log(seconds=40.0, seed=100 + seed)
        recording = read_recording("r", [write_log(tmp_path / "r.csv", log)], car_with())
        alarms += [(seed, row.check, row.channel) for row in recording.health if row.verdict in WORSE]
    assert not alarms


@pytest.mark.slow
def test_hundred_sound_runs_raise_at_most_one_alarm(tmp_path: Path) -> None:
    alarms = []
    for seed in range(60):
        alarms += alarms_of(write_log(tmp_path / "r.csv", plain_log(seconds=45.0, seed=500 + seed)), seed)
    for seed in range(40):
        log = rolling_log(seconds=45.0, rate=100.0, seed=seed, roughness=0.3)
        alarms += alarms_of(write_log(tmp_path / "r.csv", log), 60 + seed)
    assert len({seed for seed, _, _ in alarms}) <= 1, alarms


def alarms_of(path: Path, seed: int) -> list[tuple[int, str, str]]:
    worse = [row for row in read_recording("r", [path], car_with()).health if row.verdict in WORSE]
    return [(seed, row.check, row.channel) for row in worse if row.check != "missing"]


def test_sample_session_is_sound() -> None:
    folder = Path(__file__).parents[2] / "sample_logs"
    session = read_session(folder / "session.toml")
    car = read_car(folder / session.car)
    for run in session.runs:
        recording = read_recording(run.name, [folder / log for log in run.logs], car)
        worse = [(row.check, row.channel) for row in recording.health if row.verdict in WORSE]
        assert not worse, run.name
