"""Measured is measured: what the car sheet says of a bar moves no measured gradient and no hit."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from engine.car import ENGINE_CAR
from engine.runs import make_run, sheet_of
from engine.sheets import bar_rates

from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Recording
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.results import RunEstimates
from analyzer.session.review import load_session
from analyzer.session.run_store import record_run
from analyzer.sheets.car import CarSheet
from analyzer.vehicle.bar.rate import bar_rates as rates_of

SHEET = sheet_of(ENGINE_CAR)


def gradients(run: RunEstimates) -> np.ndarray:
    """Return the gradients of both axles in body axes, and those of a level road with body roll."""
    body = [run.roll_gradient_body[axle].value for axle in ("front", "rear")]
    return np.array(body + [run.roll_gradient[name].value for name in ("front", "rear", "total")])


def by_factor(recording: Recording, car: CarSheet, rates: dict[str, float]) -> dict[float, RunEstimates]:
    """Return the estimates with the sheet's bar rates times 1/2, 1 and 2."""
    return {
        factor: estimate_run(recording, car, "A", {axle: factor * rate for axle, rate in rates.items()})
        for factor in (0.5, 1.0, 2.0)
    }


@pytest.mark.parametrize(("name", "bank"), [("course", 0.0), ("bowl", 12.0)])
def test_bar_rates_of_the_sheet_move_no_gradient(name: str, bank: float, tmp_path: Path) -> None:
    run = make_run(tmp_path / "r.csv", "full", name, 5, "A", bank)
    found = by_factor(read_recording("r", (run.path,), SHEET), SHEET, bar_rates(ENGINE_CAR, "full"))
    for factor in (0.5, 2.0):
        assert gradients(found[factor]) == pytest.approx(gradients(found[1.0]), rel=0.001)


def test_bar_rates_of_the_sheet_move_no_gradient_and_no_hit_of_the_sample(sample_session: Path) -> None:
    session = load_session(sample_session)
    run = session.sheet.runs[0]
    rates = rates_of(session.car, session.sheet.setups[run.setup])
    found = by_factor(record_run(run, session.logs[run.name], session.car), session.car, rates)
    for factor in (0.5, 2.0):
        assert gradients(found[factor]) == pytest.approx(gradients(found[1.0]), rel=0.001)
        hits = [(hit.corner, hit.start_s, hit.peak) for hit in found[factor].bottoming]
        assert hits == [(hit.corner, hit.start_s, hit.peak) for hit in found[1.0].bottoming]


def test_bar_rates_of_the_sheet_hardly_move_a_gradient_with_play(tmp_path: Path) -> None:
    """Play is found and taken out by the log alone; before, halving the rate moved the gradient by 0.3 %."""
    car = replace(ENGINE_CAR, front=replace(ENGINE_CAR.front, free_play=0.002))
    run = make_run(tmp_path / "r.csv", "full", "sweep", 3, "A", car=car)
    found = by_factor(read_recording("r", (run.path,), SHEET), SHEET, bar_rates(ENGINE_CAR, "full"))
    for factor in (0.5, 2.0):
        assert gradients(found[factor]) == pytest.approx(gradients(found[1.0]), rel=0.001)
    # Its width in mm is by the rate of the bar.
    widths = [found[factor].further["free_play_front"].value for factor in (0.5, 1.0, 2.0)]
    assert widths[1] == pytest.approx(4.0, rel=0.2)
    assert widths[0] > 1.4 * widths[1] > 2.0 * widths[2]
    (row,) = (row for row in found[1.0].checks if row.check == "free play")
    assert row.channel == "front bar"


def test_no_play_is_found_of_a_bar_that_is_not_there(tmp_path: Path) -> None:
    run = make_run(tmp_path / "r.csv", "off", "course", 6)
    found = estimate_run(read_recording("r", (run.path,), SHEET), SHEET, "A", {"front": 0.0, "rear": 0.0})
    assert not [name for name in found.further if name.startswith("free_play")]


def test_a_sheet_without_tolerances_is_not_exact(tmp_path: Path) -> None:
    run = make_run(tmp_path / "r.csv", "full", "course", 5)
    recording = read_recording("r", (run.path,), SHEET)
    found = estimate_run(recording, SHEET, "A", bar_rates(ENGINE_CAR, "full"))
    for axle in ("front", "rear"):
        gradient = found.roll_gradient[axle]
        # Motion ratios are measured to about 2 %, track widths to 5 mm.
        assert gradient.calibration / gradient.value == pytest.approx(0.021, abs=0.002)
