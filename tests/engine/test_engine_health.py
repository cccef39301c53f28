"""Sound runs raise no alarm: every row that is worse than good on a sound run is a false one."""

from __future__ import annotations

from pathlib import Path

import pytest
from engine.car import ENGINE_CAR
from engine.runs import make_run, sheet_of

from analyzer.demo.sample_session import RUNS, car_sheet, csv_text, drive_session
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.sheets.car import CarSheet
from analyzer.sheets.read import read_car

DRIVES = (("course", 0.0), ("slalom", 0.0), ("sweep", 0.0), ("bowl", 0.0), ("bowl", 12.0), ("bowl", 18.0))


def without_zeros(car: CarSheet) -> CarSheet:
    """Return the sheet without stated zeros, so that the log must give them."""
    channels = {n: c.model_copy(update={"static": None}) for n, c in car.logger.channels.items()}
    return car.model_copy(update={"logger": car.logger.model_copy(update={"channels": channels})})


@pytest.mark.slow
def test_rows_worse_than_good_on_sound_runs(tmp_path: Path) -> None:
    rows: list[HealthRow] = []
    runs = 0
    car = without_zeros(sheet_of(ENGINE_CAR))
    for seed in range(12):
        for name, bank in DRIVES:
            road, setup = "AB"[seed % 2], ("full", "0.8")[seed % 2]
            made = make_run(tmp_path / "r.csv", setup, name, 100 + seed, road, bank)
            rows += read_recording("r", [made.path], car).health
            runs += 1
    (tmp_path / "car.toml").write_text(car_sheet(), encoding="utf-8")
    car = read_car(tmp_path / "car.toml")
    for seed in range(21, 27):
        for (name, _), table in zip(RUNS, drive_session(seed).logs, strict=True):
            path = tmp_path / f"{name}.csv"
            path.write_text(csv_text(table), encoding="utf-8")
            rows += read_recording(name, [path], car).health
            runs += 1
    worse = [(r.check, r.channel) for r in rows if r.verdict in (Verdict.SUSPECT, Verdict.BAD)]
    assert runs >= 100
    assert len(rows) > 10_000
    assert len(worse) <= 0.01 * len(rows), worse
