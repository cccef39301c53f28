"""Every fault in three logs is found at its channel and nowhere else; what it spares stays right."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv
import pytest
from ingest.session_faults import CASES, COLUMN, POTS, SAMPLE, Bed, Case, bed_of, sample_run

from analyzer.core.units import AXLES
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import HealthRow, Recording, Verdict
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.read import read_car

BY_DEFAULT = 60
"""Every so many of the cases is run by default; the others are marked slow."""
BAR_RATES = {"front": 20e3, "rear": 10e3}
"""Of bars that no figure here rests on [N/m]."""


@pytest.fixture(scope="module")
def bed(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], tuple[Bed, RunEstimates]]:
    """Each log when it is first asked for, with what it shows without a fault."""
    known: dict[str, tuple[Bed, RunEstimates]] = {}

    def of(name: str) -> tuple[Bed, RunEstimates]:
        if name not in known:
            folder = tmp_path_factory.mktemp("bed")
            made = bed_of(name, folder)
            recording = read_recording("r", [write(folder / "r.csv", made.table)], made.car)
            assert not worse(recording.health)
            known[name] = made, estimated(recording, made.car)
        return known[name]

    return of


def estimated(recording: Recording, car: CarSheet) -> RunEstimates:
    return estimate_run(recording, car, "x", BAR_RATES)  # type: ignore[arg-type]


def sample_car(level: bool) -> CarSheet:
    car = read_car(SAMPLE / "car.toml")
    return car if level else car.model_copy(update={"logger": car.logger.model_copy(update={"level": None})})


def worse(rows: tuple[HealthRow, ...]) -> list[HealthRow]:
    return [row for row in rows if row.verdict in (Verdict.SUSPECT, Verdict.BAD)]


def write(path: Path, table: pd.DataFrame) -> Path:
    rounded = pa.Table.from_pandas(table.round(6), preserve_index=False)
    pa_csv.write_csv(rounded, path, pa_csv.WriteOptions(quoting_style="needed"))
    return path


@pytest.mark.parametrize(
    ("log", "case"),
    [
        pytest.param(
            log, case, id=f"{log}: {case.name}", marks=() if i % BY_DEFAULT == 0 else pytest.mark.slow
        )
        for log, cases in CASES.items()
        for i, case in enumerate(cases)
    ],
)
def test_fault_is_laid_at_its_channel(
    log: str, case: Case, bed: Callable[[str], tuple[Bed, RunEstimates]], tmp_path: Path
) -> None:
    made, sound = bed(log)
    car = made.car if case.zero_stated else made.without_zero()
    path = write(tmp_path / "r.csv", case.inject(made, np.random.default_rng(3)))
    recording = read_recording("r", [path], car)
    rows = worse(recording.health)
    assert {row.channel for row in rows if row.check in case.checks} == case.channels
    assert {row.channel for row in rows} == case.channels, [(r.check, r.channel) for r in rows]
    assert all(row.comment.endswith((".", "?")) for row in rows)
    hold_what_stays_right(case, estimated(recording, car), sound)


def hold_what_stays_right(case: Case, found: RunEstimates, sound: RunEstimates) -> None:
    """What the fault spares is found, and nothing that is found parts from the sound log."""
    for axle in AXLES:
        now, then = found.roll_gradient[axle], sound.roll_gradient[axle]
        assert now.value is not None or axle not in case.known, (axle, now.notes)
        if now.value is None or axle in case.scale_off:
            continue
        assert now.interval is not None
        assert then.interval is not None
        assert now.interval[0] <= then.interval[1], (axle, now, then)
        assert then.interval[0] <= now.interval[1], (axle, now, then)


def test_table_holds_every_fault_at_every_sensor() -> None:
    for cases in CASES.values():
        assert len({case.name for case in cases}) == len(cases) >= 90
    assert len(CASES["sample"]) >= 136
    assert len(CASES) == 3
    for name in COLUMN:
        if name != "steer_angle":
            assert any(name in case.channels for case in CASES["sample"]), name
    for corner in POTS:
        assert sum(case.channels == {f"damper_{corner}"} for case in CASES["sample"]) >= 14


@pytest.mark.slow
@pytest.mark.parametrize(("offset", "drift"), [(2.5, 0.0), (-7.125, 80e-6)])
def test_clock_of_a_second_logger_is_found(offset: float, drift: float, tmp_path: Path) -> None:
    table = sample_run()
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


def shift(late: np.ndarray, early: np.ndarray) -> float:
    """Return by how much `late` lags [s], from the slope that a small lag leaves in the difference."""
    good = np.isfinite(late) & np.isfinite(early)
    box = np.ones(21) / 21
    a, b = (np.convolve(np.where(good, v, 0.0), box, mode="same") for v in (late, early))
    slope = np.gradient(b, 1 / 200.0)
    return float(-(slope @ (a - b)) / (slope @ slope))
