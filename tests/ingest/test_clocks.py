"""Logs with clocks of their own are brought together by the car's motion, as stated, or refused."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from engine.car import EngineCar
from engine.other_cars import random_car
from engine.runs import make_run, sheet_of
from ingest.helpers import Log, car_with, write_log
from ingest.rolling_car import parted, rolling_log

from analyzer.core.errors import LogError
from analyzer.ingest.checks import clock
from analyzer.ingest.clocks import FRICTION, ClockMatch, match_clocks
from analyzer.ingest.logfile import LogFile, load_file
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import HealthRow, Recording, Verdict
from analyzer.session.review import load_session


@cache
def driven(seed: int, rate: float = 100.0, seconds: float = 60.0) -> Log:
    return rolling_log(seconds, rate, seed)


def match(folder: Path, log: Log, offset: float, drift: float = 0.0) -> tuple[ClockMatch | None, float]:
    """Return the match and the greatest error of the corrected clock [s]."""
    pots, unit = parted(log, offset, drift, middle=30.0)
    logger = car_with().logger
    first = load_file(write_log(folder / "pots.csv", pots), logger)
    other = load_file(write_log(folder / "unit.csv", unit), logger)
    found = match_clocks(first, other)
    if found is None:
        return None, np.inf
    return found, float(np.abs(found.apply(other.seconds) - log.columns["Time [s]"]).max())


@pytest.mark.parametrize("offset", [0.0, 0.0137, -0.33, 3.217, -9.6, 10.0])
@pytest.mark.parametrize("drift", [0.0, 100e-6, -60e-6])
def test_offset_is_found_to_two_milliseconds(offset: float, drift: float, tmp_path: Path) -> None:
    found, error = match(tmp_path, driven(1), offset, drift)
    assert found is not None
    assert found.certain
    assert error < 0.002


@pytest.mark.parametrize("seed", [2, 3, 4])
def test_other_roads_and_rates_match_as_well(seed: int, tmp_path: Path) -> None:
    found, error = match(tmp_path, driven(seed, rate=200.0, seconds=40.0), 1.234)
    assert found is not None
    assert found.certain
    assert error < 0.002


def test_error_of_the_offset_covers_what_pieces_and_friction_show(tmp_path: Path) -> None:
    found, _ = match(tmp_path, driven(1), 2.0)
    assert found is not None
    assert found.std_error is not None
    assert FRICTION < found.std_error < 0.005


def _drawn(number: int) -> tuple[EngineCar, str, float, str]:
    """Return a car of any dimensions with its box up to a metre from the CG, and what it drives on."""
    rng = np.random.default_rng([number, 4711])
    place = (rng.uniform(-1.0, 1.0), rng.uniform(-0.4, 0.4), rng.uniform(-0.3, 0.3))
    car = replace(random_car(rng), imu=place)
    name, bank = DRIVES[int(rng.integers(len(DRIVES)))]
    friction = float(rng.choice([0.0, 0.0, 80.0, 150.0]))
    return car.with_both(friction=friction), name, bank, ("A", "B", "smooth")[number % 3]


DRIVES = (
    *(("course", 0.0), ("slalom", 0.0), ("sweep", 0.0), ("bowl", 0.0), ("course", 8.0)),
    *(("bowl", 12.0), ("drift", 0.0), ("drift", 8.0), ("oval", 6.0)),
)


def _apart(folder: Path, number: int, offset: float) -> tuple[LogFile, LogFile]:
    """Return a drive's pots, their clock early by `offset` [s], and its inertial unit."""
    car, name, bank, road = _drawn(number)
    run = make_run(folder / "r.csv", "full", name, 8000 + number, road, bank, car=car, rate=100.0)
    file = load_file(run.path, sheet_of(car).logger)
    pots = {name: values for name, values in file.channels.items() if name.startswith("damper")}
    unit = {name: values for name, values in file.channels.items() if name[:4] in ("acce", "gyro")}
    return (
        LogFile(Path("pots"), file.seconds - offset, None, pots),
        LogFile(Path("unit"), file.seconds, None, unit),
    )


@pytest.mark.parametrize("number", [3, 19, 42])
def test_a_box_ahead_of_the_centre_of_gravity_is_no_late_clock(number: int, tmp_path: Path) -> None:
    """In front it feels a turn begin sooner: without yaw acceleration 47 to 79 ms were found here."""
    found = match_clocks(*_apart(tmp_path, number, 0.4))
    assert found is not None
    assert found.certain
    assert abs(found.offset + 0.4) < 0.003


def test_without_a_yaw_rate_the_error_leaves_room_for_a_box_that_is_not_at_the_cg(tmp_path: Path) -> None:
    pots, unit = _apart(tmp_path, 19, 0.4)
    del unit.channels["gyro_z"]
    found = match_clocks(pots, unit)
    assert found is not None
    assert found.std_error is not None
    assert 0.03 < abs(found.offset + 0.4) < 2.0 * found.std_error


@pytest.mark.slow
def test_offsets_of_any_car_hold_within_their_stated_error(tmp_path: Path) -> None:
    """Friction, banks, any road: 95 % intervals; an error of many times the stated one is never told."""
    ratios = []
    for number in range(60):
        found = match_clocks(*_apart(tmp_path, number, 0.4))
        if found is not None and found.certain and found.std_error is not None:
            ratios.append(abs(found.offset + 0.4) / found.std_error)
    assert len(ratios) >= 50
    assert np.mean(np.array(ratios) <= 1.96) >= 0.90, sorted(ratios)[-6:]
    assert max(ratios) < clock.SURE


def recording_of(folder: Path, pots: Log, unit: Log, offsets: list[float] | None = None) -> Recording:
    paths = [write_log(folder / "pots.csv", pots), write_log(folder / "unit.csv", unit)]
    return read_recording("r", paths, car_with(), clock_offsets=offsets)


def clock_row(recording: Recording) -> HealthRow:
    return next(row for row in recording.health if row.check == "clock offset")


def test_two_logs_become_one_recording(tmp_path: Path) -> None:
    log = driven(1)
    recording = recording_of(tmp_path, *parted(log, 3.217))
    assert clock_row(recording).verdict is Verdict.GOOD
    lateral = recording.data["accel_y"].to_numpy()
    times = recording.data.index.to_numpy()
    good = np.isfinite(lateral)
    expected = np.interp(times[good], log.columns["Time [s]"], log.columns["LatG [g]"]) * 9.80665
    # Interpolating noisy samples half a step aside softens the noise, so the bound is that of the noise.
    assert float(np.abs(lateral[good] - expected).std()) < 0.2
    assert any("runs.clock_offsets" in step and "unit.csv" in step for step in recording.steps)


def test_stated_offset_is_held_against_the_motion(tmp_path: Path) -> None:
    pots, unit = parted(driven(1), 3.217)
    assert clock_row(recording_of(tmp_path, pots, unit, [0.0, 3.217])).verdict is Verdict.GOOD
    wrong = clock_row(recording_of(tmp_path, pots, unit, [0.0, 3.3]))
    assert wrong.verdict is Verdict.SUSPECT
    assert wrong.value == pytest.approx(-0.083, abs=0.003)


def test_number_of_offsets_must_fit(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="2 logs and 1 clock_offsets"):
        recording_of(tmp_path, *parted(driven(1), 0.0), offsets=[0.0])


def test_motion_of_another_run_is_refused(tmp_path: Path) -> None:
    pots, _ = parted(driven(1), 0.0)
    _, unit = parted(driven(2, 100.0, 60.0), 0.0)
    with pytest.raises(LogError, match=r"do not match clearly.*clock_offsets"):
        recording_of(tmp_path, pots, unit)


def test_logs_without_common_motion_are_refused(tmp_path: Path) -> None:
    pots, unit = parted(driven(1), 0.0)
    only_speed = Log(
        {"Time [s]": unit.columns["Time [s]"], "Speed [km/h]": 30.0 + unit.columns["Yaw rate [deg/s]"]}
    )
    with pytest.raises(LogError, match="no motion to match"):
        recording_of(tmp_path, pots, only_speed)


def test_times_that_are_far_apart_are_refused(tmp_path: Path) -> None:
    pots, unit = parted(driven(1), 0.0)
    unit.columns["Time [s]"] = unit.columns["Time [s]"] + 5000.0
    with pytest.raises(LogError, match="clock_offsets"):
        recording_of(tmp_path, pots, unit)


def test_faster_unit_is_brought_down_behind_a_low_pass(tmp_path: Path) -> None:
    log = driven(5, rate=400.0, seconds=30.0)
    pots, unit = parted(log, 0.0)
    slow = Log({name: values[::4] for name, values in pots.columns.items()})
    # A tone above half the pots' rate must not fold back into the band of the car.
    tone = 3.0 * np.sin(2 * np.pi * 97.0 * unit.columns["Time [s]"])
    unit.columns["LatG [g]"] = unit.columns["LatG [g]"] + tone
    recording = recording_of(tmp_path, slow, unit, [0.0, 0.0])
    assert recording.sample_rate == pytest.approx(100.0)
    expected = np.interp(recording.data.index, log.columns["Time [s]"], log.columns["LatG [g]"]) * 9.80665
    inner = slice(50, -50)
    assert float(np.nanstd(recording.data["accel_y"].to_numpy()[inner] - expected[inner])) < 0.25
    assert any("low-pass" in step for step in recording.steps)


def test_an_offset_within_its_error_is_not_told(
    monkeypatch: pytest.MonkeyPatch, sample_session: Path
) -> None:
    """Half a second to a second: no reader could do anything with the figure."""
    vague = ClockMatch(0.553, 0.0, 0.0, 0.975, 0.99, 9.0, "roll")
    monkeypatch.setattr(clock, "match_clocks", lambda _one, _other: vague)
    session = load_session(sample_session)
    run = session.sheet.runs[0]
    row = clock_row(read_recording(run.name, session.logs[run.name], session.car))
    assert row.verdict is Verdict.NOT_TESTED
    assert row.value is None
