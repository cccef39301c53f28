"""What stamps say is held against rows and motion: rounding is no gap, a rate that is wrong is named."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from ingest.helpers import Log, car_with, plain_log, text_of
from ingest.session_faults import SAMPLE, sample_run

from analyzer.core.errors import LogError
from analyzer.core.units import Uncertain
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import HealthRow, Recording, Verdict
from analyzer.sheets.car import CarSheet
from analyzer.sheets.read import read_car


def read(folder: Path, text: str, **logger: object) -> Recording:
    (folder / "r.csv").write_text(text, encoding="utf-8")
    return read_recording("r", [folder / "r.csv"], car_with(**logger))


def worse(recording: Recording) -> list[HealthRow]:
    return [r for r in recording.health if r.verdict in (Verdict.SUSPECT, Verdict.BAD)]


CAR = read_car(SAMPLE / "car.toml")
POSITIONS = ("latitude", "longitude")


def at_rate(rate: float, *gone: str) -> CarSheet:
    """Return the sample's car with a stated rate in place of its time column, and without some channels."""
    channels = {n: c for n, c in CAR.logger.channels.items() if n not in ("time", *gone)}
    logger = CAR.logger.model_copy(update={"channels": channels, "sample_rate": Uncertain(rate, 0.0)})
    return CAR.model_copy(update={"logger": logger})


def clock_rows(car: CarSheet, folder: Path, table: pd.DataFrame | None = None) -> list[HealthRow]:
    """Return what is found of a run that was logged at 200 Hz, read as the sheet says, of clock and units."""
    table = sample_run() if table is None else table
    table.drop(columns="Time").to_csv(folder / "r.csv", index=False)
    rows = worse(read_recording("r", [folder / "r.csv"], car))
    return [row for row in rows if row.check in ("clock rate", "unit", "yaw rate", "roll rate")]


def test_true_rate_is_not_questioned(tmp_path: Path) -> None:
    for gone in ((), POSITIONS, (*POSITIONS, "gyro_z")):
        assert not clock_rows(at_rate(200.0, *gone), tmp_path)


@pytest.mark.parametrize("stated", [67.0, 100.0, 400.0, 600.0])
def test_rate_that_is_wrong_is_named_with_the_true_one(stated: float, tmp_path: Path) -> None:
    for gone, near in (((), 0.05), (POSITIONS, 0.1)):
        (row,) = clock_rows(at_rate(stated, *gone), tmp_path)
        assert (row.check, row.channel, row.verdict) == ("clock rate", "time", Verdict.BAD)
        assert row.value == pytest.approx(200.0 / stated, rel=near)
        assert f"not {stated:g} Hz (logger.sample_rate)" in row.comment


def test_clock_and_unit_are_both_named_where_nothing_parts_them(tmp_path: Path) -> None:
    (row,) = clock_rows(at_rate(67.0, *POSITIONS, "gyro_z"), tmp_path)
    assert row.verdict is Verdict.SUSPECT
    assert "or a unit is wrong" in row.comment


def test_unit_of_speed_is_no_wrong_clock(tmp_path: Path) -> None:
    table = sample_run()
    table["Speed"] = 3.6 * table["Speed"]
    for gone in ((), POSITIONS):
        rows = clock_rows(at_rate(200.0, *gone), tmp_path, table)
        assert rows
        assert not [row for row in rows if row.check == "clock rate"]


def stamped(log: Log, digits: int, cut: bool = False) -> str:
    """Return the log with its stamps rounded, or cut off, to so many decimals."""
    time = log.columns["Time [s]"]
    if cut:
        log.columns["Time [s]"] = np.floor(time * 10**digits + 1e-9) / 10**digits
    lines = text_of(log).splitlines()
    rows = [lines[0]]
    for line in lines[1:]:
        stamp, _, rest = line.partition(",")
        rows.append(f"{float(stamp):.{digits}f},{rest}")
    return "\n".join(rows) + "\n"


@pytest.mark.parametrize("cut", [False, True])
@pytest.mark.parametrize("rate", [77.0, 80.0, 40.0, 60.0])
def test_stamps_of_two_decimals_are_no_gaps(rate: float, cut: bool, tmp_path: Path) -> None:
    log = plain_log(60.0, rate)
    log.columns["Time [s]"] = log.columns["Time [s]"] + 0.0037
    travel = log.si["damper_FL"].copy()
    recording = read(tmp_path, stamped(log, 2, cut))
    assert recording.sample_rate == pytest.approx(rate, rel=2e-4)
    assert not [row for row in worse(recording) if row.channel == "time" or row.check == "gap"]
    assert len(recording.data) == len(travel)
    moved = recording.data["damper_FL"].to_numpy()
    # Row for row what was logged, but for the zero: nothing was interpolated.
    assert np.ptp(moved - travel) < 2e-8


def test_rows_lost_behind_rounded_stamps_are_still_a_gap(tmp_path: Path) -> None:
    lines = stamped(plain_log(60.0, 80.0), 2).splitlines(keepends=True)
    recording = read(tmp_path, "".join(lines[:2000] + lines[2040:]))
    assert recording.sample_rate == pytest.approx(80.0, rel=2e-4)
    (row,) = (row for row in worse(recording) if row.check == "gap")
    assert row.value == pytest.approx(0.5, abs=0.03)


def test_rows_lost_by_chance_are_not_taken_for_rounding(tmp_path: Path) -> None:
    lines = stamped(plain_log(60.0, 100.0), 2).splitlines(keepends=True)
    kept = np.random.default_rng(2).random(len(lines)) > 0.15
    kept[:2] = True
    recording = read(tmp_path, "".join(line for line, use in zip(lines, kept, strict=True) if use))
    assert recording.sample_rate == pytest.approx(100.0)
    assert recording.data["damper_FL"].isna().mean() == pytest.approx(0.15, abs=0.02)


@pytest.mark.parametrize("rows", [18, -14])
def test_offset_inside_one_log_stands_among_its_checks(rows: int, tmp_path: Path) -> None:
    table = sample_run()
    pots = [name for name in table.columns if name.endswith("pot")]
    late = table.copy()
    late[pots] = np.roll(table[pots].to_numpy(), rows, axis=0)
    late.to_csv(tmp_path / "r.csv", index=False)
    (row,) = worse(read_recording("r", [tmp_path / "r.csv"], CAR))
    assert (row.check, row.channel, row.verdict) == ("clock offset", "time", Verdict.SUSPECT)
    assert row.value == pytest.approx(rows / 200.0, abs=0.004)
    assert f"the {'pots' if rows > 0 else 'inertial unit'} come" in row.comment


def timed(folder: Path, **columns: np.ndarray) -> Recording:
    """Read a run whose sheet names no time column, with these columns before its own ``Time``."""
    table = sample_run()
    for place, (name, values) in enumerate(columns.items()):
        table.insert(place, name.replace("_", " "), values)
    table.to_csv(folder / "r.csv", index=False)
    channels = {n: c for n, c in CAR.logger.channels.items() if n != "time"}
    logger = CAR.logger.model_copy(update={"channels": channels})
    return read_recording("r", [folder / "r.csv"], CAR.model_copy(update={"logger": logger}))


def test_the_time_column_that_runs_with_the_rows_is_taken(tmp_path: Path) -> None:
    true = sample_run()["Time"].to_numpy()
    alone = timed(tmp_path)
    others = {
        "stands": {"timestamp": np.full(len(true), 1749925200.0)},
        "whole seconds": {"utc_time_s": np.floor(true)},
        "laps": {"elapsed_s": true % 17.0},
        "rounded by float32": {"epoch": (1749925200.0 + true).astype(np.float32).astype(np.float64)},
        "empty": {"gps_time": np.full(len(true), np.nan)},
    }
    for name, columns in others.items():
        recording = timed(tmp_path, **columns)
        assert recording.sample_rate == pytest.approx(alone.sample_rate), name
        assert len(recording.data) == len(alone.data), name
        assert not [row for row in worse(recording) if row.channel == "time"], name


@pytest.mark.parametrize("factor", [3.0, 0.4])
def test_of_two_running_time_columns_the_motion_tells_the_right_one(factor: float, tmp_path: Path) -> None:
    true = sample_run()["Time"].to_numpy()
    recording = timed(tmp_path, system_time_s=factor * true)
    assert recording.sample_rate == pytest.approx(200.0, rel=1e-3)
    assert any('from column "Time" instead' in step for step in recording.steps)
    assert not [row for row in worse(recording) if row.check == "clock rate"]


@pytest.mark.parametrize("rate", [300.0, 400.0, 640.0])
@pytest.mark.parametrize("name", ["Zeit [ms]", "Temps", "channel 1 [ms]", "channel 1"])
def test_a_clock_in_whole_milliseconds_is_found_at_any_rate(name: str, rate: float, tmp_path: Path) -> None:
    count = np.arange(2000)
    # A distance rises as well, and a speed makes its steps uneven.
    metres = np.round(np.cumsum(12.0 + 5.0 * np.sin(count / 300.0)) / rate, 3)
    lines = [f"{name};Weg [m];Querbeschl [g]"]
    stamps, sway = np.round(1000.0 * count / rate), np.sin(count / 200.0)
    lines += [f"{a:.0f};{b:.3f};{c:.4f}" for a, b, c in zip(stamps, metres, sway, strict=True)]
    (tmp_path / "r.csv").write_text("\n".join(lines).replace(".", ","), encoding="utf-8")
    car = car_with({"accel_y": {"column": "Querbeschl", "unit": "g"}})
    recording = read_recording("r", [tmp_path / "r.csv"], car)
    assert len(recording.data) / recording.sample_rate == pytest.approx(len(count) / rate, rel=0.01)


def test_a_time_that_falls_below_nought_is_no_time_to_sort_by(tmp_path: Path) -> None:
    """Sorted, the rows of a time with the wrong sign would be driven backwards."""
    columns = plain_log().columns
    time = columns["Time [s]"]
    reverse = {name: values[::-1] for name, values in columns.items()}
    for sound in (reverse, {**columns, "Time [s]": time - 500.0}):
        assert len(read(tmp_path, text_of(Log(sound))).data) == pytest.approx(len(time), abs=2)
    with pytest.raises(LogError, match="falls from row to row below zero"):
        read(tmp_path, text_of(Log({**columns, "Time [s]": -time})))
