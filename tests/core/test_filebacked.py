"""Channels that wait in files are those kept in memory, value for value; nothing is left of the files."""

from __future__ import annotations

import errno
import gc
import os
import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from archive.season_maker import Plan, car_table, write_log as write_drive
from ingest.helpers import MAP, POTS, Log, car_with, plain_log, text_of, write_log
from ingest.messes import MESSES
from processing.linear_car import LinearCar

from analyzer.core import filebacked as shelf
from analyzer.core.errors import LogError
from analyzer.ingest import layout as streams
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Recording
from analyzer.processing.estimate_run import estimate_run
from analyzer.sheets.car import CarSheet

Read = Callable[[], Recording]


def filed(recording: Recording) -> list[str]:
    """Return the channels that wait in a file."""
    return [name for name in recording.data if shelf.in_file(recording.data[name].to_numpy(copy=False))]


def assert_same(filed: Recording, kept: Recording) -> None:
    pd.testing.assert_frame_equal(filed.data, kept.data, check_exact=True)
    pd.testing.assert_frame_equal(filed.suspect, kept.suspect)
    assert filed.health == kept.health
    assert filed.steps == kept.steps
    assert filed.zero_std == kept.zero_std


def both(read: Read, patch: pytest.MonkeyPatch, long: int = 5) -> tuple[Recording, Recording]:
    """Return what is read by way of files, and in memory alone."""
    kept = read()
    assert not filed(kept)
    patch.setattr(shelf, "LONG", long)
    patch.setattr(shelf, "PIECE", 777)
    return read(), kept


def swing() -> Log:
    return plain_log(seconds=20.0, rate=200.0)


def one_log(folder: Path) -> tuple[list[Path], CarSheet]:
    return [write_log(folder / "log.csv", swing())], car_with()


def turned_and_calibrated(folder: Path) -> tuple[list[Path], CarSheet]:
    pots = {
        f"damper_{c}": {
            "column": f"{c} pot",
            "volts": [-20.0, 0.0, 20.0],
            "travel": ["-21 mm", "0 mm", "19 mm"],
        }
        for c in POTS
    }
    car = car_with(MAP | pots, imu={"axes": {"x": "backward", "y": "right", "z": "up"}})
    return [write_log(folder / "log.csv", swing())], car


def damaged_and_jittering(folder: Path) -> tuple[list[Path], CarSheet]:
    log = swing()
    time = log.columns["Time [s]"]
    log.columns["Time [s]"] = time + 0.0012 * np.random.default_rng(4).random(len(time))
    lines = text_of(log).splitlines()
    lines[700:760] = [",".join(line.split(",")[:4]) for line in lines[700:760]]
    lines[1500] = lines[1500].replace(".", ".x", 3)
    (folder / "log.csv").write_text("\n".join(lines) + "\n")
    return [folder / "log.csv"], car_with()


def parts_on_two_clocks(folder: Path) -> tuple[list[Path], CarSheet]:
    log = swing()
    fast = Log({name: v for name, v in log.columns.items() if "pot" in name or "Time" in name})
    slow = Log({name: v[::2] for name, v in log.columns.items() if "pot" not in name})
    slow.columns["Time [s]"] = slow.columns["Time [s]"] + 3.7
    return [write_log(folder / "pots.csv", fast), write_log(folder / "unit.csv", slow)], car_with()


def as_parquet(folder: Path) -> tuple[list[Path], CarSheet]:
    pd.DataFrame(swing().columns).to_parquet(folder / "log.parquet")
    return [folder / "log.parquet"], car_with()


@pytest.mark.parametrize(
    "make", [one_log, turned_and_calibrated, damaged_and_jittering, parts_on_two_clocks, as_parquet]
)
def test_recording_is_the_same_by_way_of_files(
    make: Callable[[Path], tuple[list[Path], CarSheet]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(streams, "SECTION_BYTES", 40_000)
    paths, car = make(tmp_path)
    through, kept = both(lambda: read_recording("r", paths, car), monkeypatch)
    assert set(filed(through)) == set(through.data.columns) >= {"damper_FL", "accel_y", "speed"}
    assert_same(through, kept)


def test_every_mess_is_read_or_refused_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def outcome(mess: Any) -> Recording | str:
        path = tmp_path / mess.file
        path.write_bytes(mess.data)
        try:
            return read_recording("r", [path], car_with(mess.channels, zero="calibration", **mess.logger))
        except LogError as error:
            return str(error)

    monkeypatch.setattr(streams, "SECTION_BYTES", 100)
    messes = [mess for mess in MESSES if len(mess.data) < 20_000]
    assert len(messes) > 100
    kept = [outcome(mess) for mess in messes]
    monkeypatch.setattr(shelf, "LONG", 3)
    monkeypatch.setattr(shelf, "PIECE", 4)
    for mess, before in zip(messes, kept, strict=True):
        after = outcome(mess)
        if isinstance(before, str) or isinstance(after, str):
            assert after == before, mess.name
        else:
            assert_same(after, before)


def test_estimates_are_the_same_by_way_of_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_drive(tmp_path / "log.csv", Plan(seconds=60.0, rate=500.0), LinearCar(), 5)
    car = CarSheet.model_validate(car_table("Teal coupe", "20 mm"))
    monkeypatch.setattr(streams, "SECTION_BYTES", 200_000)
    through, kept = both(lambda: read_recording("r", [tmp_path / "log.csv"], car), monkeypatch, 1000)
    assert len(filed(through)) >= 10
    rates = {"front": 90000.0, "rear": 40000.0}
    known = estimate_run(kept, car, "A", rates)
    monkeypatch.setattr(shelf, "WORKING_LONG", 500)
    found = estimate_run(through, car, "A", rates)
    for frame in (found.motion.data, found.motion.suspect, found.loads):
        assert all(shelf.in_file(frame[name].to_numpy()) for name in frame)
    assert found.bottoming
    assert found.roll_gradient["total"].value is not None
    pd.testing.assert_frame_equal(found.motion.data, known.motion.data, check_exact=True)
    pd.testing.assert_frame_equal(found.loads, known.loads, check_exact=True)
    for part in (
        "roll_gradient",
        "roll_gradient_body",
        "load_share",
        "bottoming",
        "further",
        "notes",
        "checks",
    ):
        assert getattr(found, part) == getattr(known, part), part
    assert found.splits == known.splits


@pytest.mark.parametrize("fit", [0, 1, 40, 90, 130])
def test_without_room_the_samples_stay_in_memory(
    fit: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(streams, "SECTION_BYTES", 40_000)
    path = write_log(tmp_path / "log.csv", swing())
    write, written = shelf._write, [0]

    def on_a_full_disk(file: Any, values: Any) -> None:
        written[0] += 1
        if written[0] > fit:
            file.write(b"half a sample")
            raise OSError(errno.ENOSPC, "No space left on device")
        write(file, values)

    monkeypatch.setattr(shelf, "_write", on_a_full_disk)
    through, kept = both(lambda: read_recording("r", [path], car_with()), monkeypatch)
    assert written[0] > fit
    assert_same(through, kept)


@pytest.mark.parametrize(("allowed", "least"), [(1, 0), (3, 0), (18, 1)])
def test_no_more_files_are_open_than_allowed(
    allowed: int, least: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gc.collect()  # files of the tests before, held by errors that nobody holds any more
    paths, car = one_log(tmp_path)
    monkeypatch.setattr(shelf, "MOST_FILES", allowed)
    through, kept = both(lambda: read_recording("r", paths, car), monkeypatch)
    assert least <= len(filed(through))
    assert len(shelf._open) <= allowed
    assert_same(through, kept)


@pytest.mark.skipif(sys.platform != "linux", reason="looks at the maps of a Linux process")
def test_files_have_no_name_and_go_with_the_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths, car = one_log(tmp_path)
    room = tmp_path / "room"
    room.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(room))
    monkeypatch.setattr(shelf, "LONG", 5)
    maps = Path("/proc/self/maps")
    through = read_recording("r", paths, car)
    assert str(room) in maps.read_text()
    assert not list(room.iterdir())
    del through
    gc.collect()
    assert str(room) not in maps.read_text()
    assert not shelf._open


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_forked_process_leaves_the_shared_file_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shelf, "LONG", 5)
    first = shelf.shelved(np.arange(100.0))
    child = os.fork()
    if child == 0:
        theirs = shelf.shelved(np.full(100, -1.0))
        os._exit(0 if shelf.in_file(theirs) and (theirs == -1.0).all() else 1)
    assert os.waitpid(child, 0)[1] == 0
    second = shelf.shelved(np.arange(100.0, 200.0))
    assert shelf.in_file(first)
    assert shelf.in_file(second)
    np.testing.assert_array_equal(np.concatenate([first, second]), np.arange(200.0))


def test_threads_do_not_write_over_each_other(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shelf, "LONG", 5)
    monkeypatch.setattr(shelf, "SHARED_BYTES", 64_000)
    with ThreadPoolExecutor(max_workers=8) as pool:
        kept = list(pool.map(lambda n: shelf.shelved(np.full(500, float(n))), range(400)))
    assert all(shelf.in_file(values) for values in kept)
    assert [float(v) for values in kept for v in np.unique(values)] == [float(n) for n in range(400)]
