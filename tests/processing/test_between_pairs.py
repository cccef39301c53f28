"""What straight lines between the pairs of a bent calibration leave open is in the intervals, and no more."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from engine.car import CORNERS, ENGINE_CAR, EngineCar
from engine.other_cars import random_car
from engine.runs import make_run, sheet_of
from engine.sheets import bar_rates

from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Check
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet, Channel

STEP = 0.02
"""Travel between two pairs [m]."""


def in_volts(table: pd.DataFrame, sheet: CarSheet, bend: float, seed: int) -> tuple[pd.DataFrame, CarSheet]:
    """Return a log in volts of pots on levers, and its sheet; `bend` 0 is a straight pot."""
    rng = np.random.default_rng(seed)
    channels, table = dict(sheet.logger.channels), table.copy()
    for corner in CORNERS:
        start = rng.uniform(-0.25, 0.25)

        def volts(travel: np.ndarray, start: float = start) -> np.ndarray:
            if bend == 0.0:
                return 2.5 + 20.0 * travel
            return 2.5 + 2.0 * np.arcsin(travel * bend / 0.1 + start) / bend

        pairs = STEP * np.arange(-4, 5) + rng.uniform(-0.5, 0.5) * STEP
        table[f"{corner} pot"] = volts(table[f"{corner} pot"].to_numpy() / 1000.0)
        channels[f"damper_{corner}"] = Channel.model_validate(
            {
                "column": f"{corner} pot",
                "volts": [float(v) for v in volts(pairs)],
                "travel": [f"{1000.0 * p:.6f} mm" for p in pairs],
            }
        )
    return table, sheet.model_copy(update={"logger": sheet.logger.model_copy(update={"channels": channels})})


def estimated(
    table: pd.DataFrame, sheet: CarSheet, car: EngineCar, folder: Path
) -> tuple[RunEstimates, set[str]]:
    table.to_csv(folder / "r.csv", index=False, float_format="%.7f")
    recording = read_recording("r", [folder / "r.csv"], sheet)
    bent = {row.channel for row in recording.health if row.check == Check.BETWEEN_PAIRS}
    return estimate_run(recording, sheet, "full", bar_rates(car, "full")), bent  # type: ignore[arg-type]


def beside(number: int, bend: float, folder: Path) -> tuple[list[bool], list[float], set[str]]:
    """Return whether bent pots hold the gradients of straight ones, their width over theirs, and the rows."""
    car = ENGINE_CAR if number == 0 else random_car(np.random.default_rng([number, 15]))
    run = make_run(folder / "d.csv", "full", "course", 40 + number, "A", 0.0, rate=100.0, car=car)
    plain = pd.read_csv(run.path)
    was, none = estimated(plain, sheet_of(car), car, folder)
    assert not none
    now, rows = estimated(*in_volts(plain, sheet_of(car), bend, number), car, folder)
    held, wider = [], []
    for figures in ("roll_gradient_body", "roll_gradient"):
        for axle in ("front", "rear"):
            before, after = getattr(was, figures)[axle], getattr(now, figures)[axle]
            assert before.value is not None
            low, high = after.interval
            held.append(low <= before.value <= high)
            wider.append((high - low) / (before.interval[1] - before.interval[0]))
    for axle in ("front", "rear"):
        assert now.load_share[axle].left_share.value == pytest.approx(
            was.load_share[axle].left_share.value, abs=0.01
        )
    return held, wider, rows


def test_a_bent_calibration_widens_the_interval(tmp_path: Path) -> None:
    held, wider, rows = beside(0, 0.8, tmp_path)
    assert all(held)
    assert max(wider) > 1.15
    assert rows


@pytest.mark.slow
def test_a_straight_calibration_adds_no_error(tmp_path: Path) -> None:
    held, wider, rows = beside(0, 0.0, tmp_path)
    assert all(held)
    assert wider == pytest.approx([1.0] * 4, abs=0.01)
    assert not rows


@pytest.mark.slow
def test_intervals_hold_what_straight_pots_show(tmp_path: Path) -> None:
    """Of 8 drawn cars; the interval of the run with bent pots beside the value that straight ones give."""
    counted = [beside(number, 0.8, tmp_path)[0] for number in range(1, 9)]
    assert np.mean(counted) >= 0.9
