"""A bump-stop gap of the car sheet held against where the engine's stops really begin."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from engine.car import ENGINE_CAR
from engine.runs import EngineRun, estimate, make_run, sheet_of
from engine.sheets import bar_rates, car_sheet
from processing.contact_truth import DEEP, true_hits
from processing.test_bottoming_engine import LONG
from processing.test_bottoming_gap import MANY

from analyzer.core.units import CORNERS
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.processing.bump_stop_gap import CHECK
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet

WRONG = 0.004
"""How far the sheet's gap is off [m]: a forgotten packer or two."""


def _driven(folder: Path, case: tuple[str, float, float, str, int]) -> tuple[EngineRun, dict[str, int]]:
    name, bank, gap, road, seed = case
    car = ENGINE_CAR.with_both(stop_gap=gap)
    run = make_run(folder / "r.csv", "full", name, seed, road, bank, car=car)
    hits = [h for h in true_hits(car, run.truth.driven) if h.peak - gap > DEEP]
    return run, {axle: sum(h.corner[0] == axle[0].upper() for h in hits) for axle in ("front", "rear")}


def _rows(run: EngineRun, stated: float) -> tuple[dict[str, HealthRow], tuple[str, ...]]:
    """Return the rows of both axles with a gap in the sheet [m], and the run's remarks."""
    estimates = estimate(run, sheet_of(ENGINE_CAR.with_both(stop_gap=stated)))
    rows = {row.channel.split()[0]: row for row in estimates.checks if row.check == CHECK}
    return rows, estimates.notes


def test_wrong_gap_is_told_with_where_the_stop_really_is(tmp_path: Path) -> None:
    run, hits = _driven(tmp_path, ("bowl", 12.0, 0.025, "B", 111))
    assert hits["rear"] >= 10
    assert hits["front"] <= 1
    for off in (-WRONG, WRONG):
        rows, notes = _rows(run, 0.025 + off)
        assert rows["rear"].verdict is Verdict.SUSPECT
        assert rows["rear"].value == pytest.approx(-1e3 * off, abs=1.0)
        assert rows["rear"].comment in notes
        assert ("missed" if off > 0.0 else "counted") in rows["rear"].comment
        assert rows["front"].verdict is Verdict.NOT_TESTED
    rows, notes = _rows(run, 0.025)
    assert rows["rear"].verdict is Verdict.GOOD
    assert not any("bump_stop_gap" in note for note in notes)


def test_stop_that_was_never_met_is_not_tested(tmp_path: Path) -> None:
    run, hits = _driven(tmp_path, ("bowl", 15.0, 0.060, "B", 7))
    assert hits == {"front": 0, "rear": 0}
    for stated in (0.060, 0.034):
        rows, _ = _rows(run, stated)
        assert {row.verdict for row in rows.values()} == {Verdict.NOT_TESTED}
        assert "no damper of this axle met a stop" in rows["front"].comment


@pytest.mark.slow
def test_no_right_gap_is_doubted_and_most_wrong_ones_are_found(tmp_path: Path) -> None:
    wrong = found = right = good = 0
    for case in [*MANY, *LONG[::2]]:
        run, hits = _driven(tmp_path, case)
        for off in (0.0, -WRONG, WRONG):
            for axle, row in _rows(run, case[2] + off)[0].items():
                if off == 0.0:
                    assert row.verdict is not Verdict.SUSPECT, (case, axle, row)
                    right += 1
                    good += row.verdict is Verdict.GOOD
                elif hits[axle] >= 10:
                    wrong += 1
                    found += row.verdict is Verdict.SUSPECT
    print(f"right: {right}, of which confirmed {good}; wrong with ten hits: {wrong}, found {found}")
    assert right >= 60
    assert wrong >= 30
    assert found >= 0.9 * wrong


def test_without_vertical_acceleration_no_gap_is_read_off_a_log(tmp_path: Path) -> None:
    """A damper's own acceleration shows friction and progressive springs as well as a stop."""
    estimates = _without_a_stated_gap(tmp_path, "bowl", 12.0, {"stop_gap": 0.030}, drop="accel_z")
    for axle in ("front", "rear"):
        assert estimates.stops[axle].value is None
        assert "no vertical acceleration" in estimates.stops[axle].notes[0]
    assert not estimates.bottoming


def test_a_car_that_never_meets_a_stop_shows_none(tmp_path: Path) -> None:
    for name, bank in (("course", 0.0), ("bowl", 12.0)):
        estimates = _without_a_stated_gap(tmp_path, name, bank, {"stop_gap": 1.0})
        assert [gap.value for gap in estimates.stops.values()] == [None, None]
        assert not estimates.bottoming
        assert estimates.roll_gradient_body["front"].value is not None


def test_a_kink_near_ride_height_is_no_stop(tmp_path: Path) -> None:
    """A pot that is zeroed 25 mm too deep moves the kink of its stop to where no stop is."""
    estimates = _without_a_stated_gap(tmp_path, "bowl", 12.0, {"stop_gap": 0.030}, shift=-0.025)
    assert estimates.stops["rear"].value is None
    assert not estimates.bottoming


def _without_a_stated_gap(
    folder: Path, name: str, bank: float, changes: dict[str, float], drop: str = "", shift: float = 0.0
) -> RunEstimates:
    car = ENGINE_CAR.with_both(**changes)
    table = tomllib.loads(car_sheet(car, level_box=True))
    for axle in ("front", "rear"):
        for key in ("bump_stop_gap", "full_bump", "bump_stop_rate"):
            del table[axle]["damper"][key]
    sheet = CarSheet.model_validate(table)
    run = make_run(folder / "r.csv", "full", name, 3, "B", bank, car=car)
    recording = read_recording("r", (run.path,), sheet)
    data = recording.data.drop(columns=drop) if drop else recording.data.copy()
    for corner in CORNERS:
        data[f"damper_{corner}"] += shift
    return estimate_run(replace(recording, data=data), sheet, "full", bar_rates(car, "full"))
