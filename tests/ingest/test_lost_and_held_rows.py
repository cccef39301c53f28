"""Rows that the logger dropped or held are the logger's: no sensor is blamed for them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from ingest.helpers import POTS, Log, car_with, plain_log, write_log
from numpy.typing import NDArray

from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import HealthRow, Recording, Verdict

WORSE = (Verdict.SUSPECT, Verdict.BAD)
RATE = 100.0


def read(log: Log, folder: Path) -> Recording:
    return read_recording("r", [write_log(folder / "r.csv", log)], car_with())


def worse(recording: Recording, check: str) -> dict[str, HealthRow]:
    return {r.channel: r for r in recording.health if r.check == check and r.verdict in WORSE}


def without_rows(log: Log, holes: list[tuple[float, float]]) -> Log:
    """Return a log that lacks some stretches [s], with stamps that go on as if nothing was missing."""
    time = log.columns["Time [s]"]
    kept = np.ones(len(time), dtype=bool)
    for first, end in holes:
        kept &= ~((time >= first) & (time < end))
    columns = {name: values[kept] for name, values in log.columns.items()}
    columns["Time [s]"] = time[: int(kept.sum())]
    return Log(columns)


@pytest.mark.parametrize("seed", range(4))
def test_rows_that_the_logger_dropped_are_no_dropout_of_a_pot(seed: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(seed)
    log = plain_log(seconds=60.0, seed=20 + seed)
    log.columns = {n: 1.6 * v if "pot" in n else v for n, v in log.columns.items()}
    starts = 8.0 + 9.0 * np.arange(5) + rng.uniform(0.0, 3.0, 5)
    # Half a swing is lost each time: right and left have changed over when the rows go on.
    holes = [(float(start), float(start + rng.uniform(2.6, 4.0))) for start in starts]
    recording = read(without_rows(log, holes), tmp_path)
    assert not worse(recording, "dropouts")
    assert not worse(recording, "spikes")
    assert recording.suspect.mean(axis=None) < 0.01
    (row,) = worse(recording, "lost rows").values()
    assert row.channel == "time"
    assert row.value in (3.0, 4.0, 5.0)


def test_pots_that_lose_their_supply_together_still_drop_out(tmp_path: Path) -> None:
    log = plain_log(seconds=60.0, seed=31)
    for first, end in ((1200, 1500), (3000, 3010), (4000, 4300)):
        for corner in POTS:
            values = log.columns[f"{corner} pot [mm]"]
            values[first:end] = -68.0 + 0.02 * np.random.default_rng(1).standard_normal(end - first)
    recording = read(log, tmp_path)
    assert set(worse(recording, "dropouts")) == {f"damper_{corner}" for corner in POTS}
    assert not worse(recording, "lost rows")
    assert recording.suspect["damper_FL"].iloc[1200:1500].all()


def held(values: NDArray[np.float64], interval: float) -> NDArray[np.float64]:
    """Return what a logger writes of a sensor whose values come every so many rows, whole or broken."""
    taken = np.floor(np.arange(len(values)) / interval) * interval
    return values[np.minimum(np.ceil(taken).astype(np.int64), len(values) - 1)]


@pytest.mark.parametrize("interval", [4.3, 6.7, 8.4, 11.5])
def test_held_samples_are_not_clipped(interval: float, tmp_path: Path) -> None:
    for seed in range(4):
        log = plain_log(seconds=50.0, seed=40 + seed)
        for name in ("LatG [g]", "LonG [g]", "Yaw rate [deg/s]", "Speed [km/h]", "FR pot [mm]"):
            log.columns[name] = np.round(held(log.columns[name], interval), 2)
        recording = read(log, tmp_path)
        assert not worse(recording, "clipped")
        assert not worse(recording, "saturated")


def test_held_samples_that_are_clipped_are_found(tmp_path: Path) -> None:
    log = plain_log(seconds=50.0, seed=40)
    log.columns["LatG [g]"] = held(np.clip(log.columns["LatG [g]"], -0.5, 0.5), 6.7)
    assert set(worse(read(log, tmp_path), "clipped")) == {"accel_y"}


def test_noughts_on_a_skid_pad_of_one_direction_are_not_clipped(tmp_path: Path) -> None:
    """Round a circle to the left, with pauses at walking pace with exact noughts of a dead band."""
    log = plain_log(seconds=60.0, seed=50)
    time = log.columns["Time [s]"]
    turning = np.clip(1.2 + 1.6 * np.sin(0.45 * time), 0.0, None) / 2.8
    rng = np.random.default_rng(3)
    force = 0.9 * turning + 0.01 * rng.standard_normal(len(time))
    log.columns["LatG [g]"] = np.where(force < 0.008, 0.0, force)
    for corner in POTS:
        side = -1.0 if corner[1] == "L" else 1.0
        log.columns[f"{corner} pot [mm]"] = side * 20.0 * turning + 0.5 * rng.standard_normal(len(time))
    log.columns["Yaw rate [deg/s]"] = 50.0 * turning + 0.3 * rng.standard_normal(len(time))
    assert 0.15 < float((log.columns["LatG [g]"] == 0.0).mean()) < 0.4
    recording = read(log, tmp_path)
    assert not worse(recording, "clipped")
    assert recording.usable("accel_y")
    assert recording.suspect["accel_y"].mean() < 0.01
