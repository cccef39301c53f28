"""Every fault, put into a run of the sample session at every channel, is found there and nowhere else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from ingest.session_faults import CASES, COLUMN, SAMPLE, Case, sample_run

from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.sheets.car import CarSheet
from analyzer.sheets.read import read_car

BY_DEFAULT = 20
"""Every so many of the cases is run by default; the others are marked slow."""


def sample_car(level: bool) -> CarSheet:
    car = read_car(SAMPLE / "car.toml")
    return car if level else car.model_copy(update={"logger": car.logger.model_copy(update={"level": None})})


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return sample_run()


def worse(rows: tuple[HealthRow, ...]) -> list[HealthRow]:
    return [row for row in rows if row.verdict in (Verdict.SUSPECT, Verdict.BAD)]


def found_by(case: Case, table: pd.DataFrame, folder: Path) -> list[HealthRow]:
    path = folder / "r.csv"
    case.inject(table, np.random.default_rng(3)).to_csv(path, index=False, float_format="%.6g")
    return worse(read_recording("r", [path], sample_car(case.level)).health)


@pytest.mark.parametrize(
    "case",
    [pytest.param(c, marks=() if i % BY_DEFAULT == 0 else pytest.mark.slow) for i, c in enumerate(CASES)],
    ids=lambda case: case.name,
)
def test_fault_is_laid_at_its_channel(case: Case, table: pd.DataFrame, tmp_path: Path) -> None:
    rows = found_by(case, table, tmp_path)
    assert {row.channel for row in rows if row.check in case.checks} == case.channels
    assert {row.channel for row in rows} == case.channels, [(r.check, r.channel) for r in rows]
    assert all(row.comment.endswith((".", "?")) for row in rows)


def test_table_holds_every_fault_at_every_sensor() -> None:
    assert len({case.name for case in CASES}) == len(CASES) >= 130
    for name in COLUMN:
        if name != "steer_angle":
            assert any(name in case.channels for case in CASES), name
    for corner in ("FL", "FR", "RL", "RR"):
        assert sum(case.channels == {f"damper_{corner}"} for case in CASES) >= 14


@pytest.mark.slow
@pytest.mark.parametrize(("offset", "drift"), [(2.5, 0.0), (-7.125, 80e-6)])
def test_clock_of_a_second_logger_is_found(
    offset: float, drift: float, table: pd.DataFrame, tmp_path: Path
) -> None:
    pots = [column for name, column in COLUMN.items() if name.startswith("damper")]
    table[["Time", *pots]].to_csv(tmp_path / "pots.csv", index=False)
    rest = table.drop(columns=pots)
    middle = float(rest["Time"].iloc[len(rest) // 2])
    rest["Time"] = rest["Time"] + offset + drift * (rest["Time"] - middle)
    rest.to_csv(tmp_path / "imu.csv", index=False, float_format="%.6f")
    files = [tmp_path / "pots.csv", tmp_path / "imu.csv"]
    recording = read_recording("r", files, sample_car(True))
    (row,) = (r for r in recording.health if r.check == "clock offset")
    assert row.verdict is Verdict.GOOD
    alone = read_recording("r", [write(tmp_path / "r.csv", table)], sample_car(True))
    both = recording.data.index.intersection(alone.data.index)
    assert len(both) > 9000
    lag = shift(recording.data.loc[both, "accel_y"].to_numpy(), alone.data.loc[both, "accel_y"].to_numpy())
    assert abs(lag) < 0.002
    stated = read_recording("r", files, sample_car(True), clock_offsets=[0.0, -offset + 0.3])
    assert {(r.check, r.channel) for r in worse(stated.health)} >= {("clock offset", "time")}


def write(path: Path, table: pd.DataFrame) -> Path:
    table.to_csv(path, index=False)
    return path


def shift(late: np.ndarray, early: np.ndarray) -> float:
    """Return by how much `late` lags [s], from the slope that a small lag leaves in the difference."""
    good = np.isfinite(late) & np.isfinite(early)
    box = np.ones(21) / 21
    a, b = (np.convolve(np.where(good, v, 0.0), box, mode="same") for v in (late, early))
    slope = np.gradient(b, 1 / 200.0)
    return float(-(slope @ (a - b)) / (slope @ slope))
