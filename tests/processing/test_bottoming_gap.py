"""The bump-stop gap read off the log where the sheet does not state it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from engine.car import ENGINE_CAR
from engine.runs import estimate, make_run, sheet_of
from processing.contact_truth import DEEP, true_hits

from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet

CASES = [("course", 0.0, 0.024, "B", 108), ("bowl", 12.0, 0.025, "A", 111), ("course", 0.0, 0.030, "C", 102)]
MANY = [
    (name, bank, gap, road, seed)
    for seed, (name, bank, gap) in enumerate(
        [("course", 0.0, 0.022), ("course", 0.0, 0.026), ("bowl", 15.0, 0.028), ("bowl", 12.0, 0.025)],
        start=300,
    )
    for road in ("A", "B", "C")
]


def _silent(sheet: CarSheet) -> CarSheet:
    """Return the sheet without anything about stops."""
    nothing = {"bump_stop_gap": None, "full_bump": None, "bump_stop_rate": None}
    axles = {
        name: axle.model_copy(update={"damper": axle.damper.model_copy(update=nothing)})
        for name, axle in (("front", sheet.front), ("rear", sheet.rear))
    }
    return sheet.model_copy(update=axles)


def _read(folder: Path, case: tuple[str, float, float, str, int]) -> tuple[dict[str, int], RunEstimates]:
    name, bank, gap, road, seed = case
    car = ENGINE_CAR.with_both(stop_gap=gap)
    run = make_run(folder / "r.csv", "full", name, seed, road, bank, car=car)
    hits = [h for h in true_hits(car, run.truth.driven) if h.peak - gap > DEEP]
    counts = {axle: sum(h.corner[0] == axle[0].upper() for h in hits) for axle in ("front", "rear")}
    return counts, estimate(run, _silent(sheet_of(car)))


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c[0]}-{c[3]}")
def test_gap_with_ten_hits_is_right_to_a_millimetre(
    tmp_path: Path, case: tuple[str, float, float, str, int]
) -> None:
    counts, estimates = _read(tmp_path, case)
    assert counts["rear"] >= 10
    gap = estimates.stops["rear"]
    assert gap.value == pytest.approx(1e3 * case[2], abs=1.0)
    assert gap.std_error is not None
    assert gap.std_error < 1.5
    assert any("read off the log" in note for note in estimates.notes)
    assert estimates.bottoming


@pytest.mark.parametrize("bank", [0.0, 15.0])
def test_gap_without_hits_is_refused(tmp_path: Path, bank: float) -> None:
    counts, estimates = _read(tmp_path, ("bowl" if bank else "course", bank, 0.060, "B", 7))
    assert counts == {"front": 0, "rear": 0}
    for axle in ("front", "rear"):
        assert estimates.stops[axle].value is None
        assert "no contact" in estimates.stops[axle].notes[0]
    assert estimates.bottoming == ()


@pytest.mark.slow
def test_gap_over_many_runs(tmp_path: Path) -> None:
    errors, refused, wanted = [], 0, 0
    for case in MANY:
        counts, estimates = _read(tmp_path, case)
        for axle in ("front", "rear"):
            gap = estimates.stops[axle]
            if counts[axle] == 0:
                assert gap.value is None
            elif counts[axle] >= 10:
                wanted += 1
                refused += gap.value is None
                if gap.value is not None:
                    errors.append(gap.value - 1e3 * case[2])
                    print(case, axle, counts[axle], errors[-1], gap.std_error)
    print(wanted, refused, np.round(errors, 2))
    assert wanted >= 10
    assert refused <= 0.2 * wanted
    assert np.max(np.abs(errors)) < 1.0
