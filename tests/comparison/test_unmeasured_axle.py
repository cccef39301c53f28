"""A second change at the other end of the car does not pass for what the bar did."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from comparison.comparison_helpers import SOFT, STIFF, car, compare, run, session_runs
from comparison.test_published_bar_changes import VEHICLES, body_axes, sheet

from analyzer.comparison.confirm import confirm
from analyzer.comparison.results import CauseKind, ChangeVerdict, Comparison
from analyzer.comparison.unmeasured_axle import other_end
from analyzer.prediction.setup import predict_setup
from analyzer.processing.results import RunEstimates
from analyzer.report import reasons
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import SessionSheet, Setup

CAR = car()
SOFTER_REAR = {"rear": {"spring": {"rate": "5 kgf/mm"}}}
STIFFER_REAR = {"rear": {"spring": {"rate": "7.5 kgf/mm"}}}


def compared(after_car: CarSheet, fitted: Setup, seed: int = 0, runs: int = 3) -> Comparison:
    """Return A (stiff) against B, called soft; B was driven with `fitted` on `after_car`."""
    old = session_runs(CAR, [("A", STIFF)] * runs, 0.004, seed)
    new = session_runs(after_car, [("B", fitted)] * runs, 0.004, 1000 + seed)
    return compare(CAR, STIFF, SOFT, [*old, *(replace(r, name=f"n{r.name}") for r in new)])


@pytest.mark.parametrize("runs", [1, 2, 3])
def test_a_car_whose_other_end_was_left_alone_is_rarely_accused(runs: int) -> None:
    prediction = predict_setup(CAR, "A", STIFF)
    accused = []
    for seed in range(60):
        order = [("A", STIFF)] * runs + [("B", SOFT)] * runs
        drives = session_runs(CAR, order, 0.01, seed, common=0.9)
        found = other_end(CAR, "front", prediction, drives, "A", "B")
        assert found is not None
        accused.append(not found.answered)
    assert np.mean(accused) <= 0.04


@pytest.mark.parametrize("other", [SOFTER_REAR, STIFFER_REAR])
def test_both_ends_changed_is_not_laid_to_the_front(other: dict[str, Any]) -> None:
    found = compared(car(other), SOFT)
    assert found.verdict is ChangeVerdict.CANNOT_TELL
    assert "the rear axle rolled" in reasons.verdict(found.reason)
    # A passenger rolls both axles more: what the car carried is looked at as well.
    assert "tyre pressures, and at what the car carried" in reasons.verdict(found.reason)
    assert found.other_axle is not None
    assert found.other_axle.interval is not None
    assert not found.other_axle.interval[0] <= 1.0 <= found.other_axle.interval[1]


@pytest.mark.parametrize("seed", range(4))
def test_the_front_alone_comes_back_if_it_was_the_rear_stiffness(seed: int) -> None:
    old = session_runs(CAR, [("A", STIFF)] * 3, 0.0, seed, within=None)
    new = session_runs(car(STIFFER_REAR), [("B", SOFT)] * 3, 0.0, seed, within=None)
    drives = [*old, *(replace(r, name=f"n{r.name}") for r in new)]
    end = other_end(CAR, "front", predict_setup(CAR, "A", STIFF), drives, "A", "B")
    ratio = compare(CAR, STIFF, SOFT, drives).stiffness_ratio.value
    assert end is not None
    assert ratio is not None
    told = [predict_setup(CAR, "x", s).roll_stiffness["front"].value for s in (STIFF, SOFT)]
    assert ratio > 0.9
    assert ratio * math.exp(-end.leaked) == pytest.approx(told[1] / told[0], rel=0.02)


def test_a_softer_rear_alone_never_passes_for_a_softer_front_bar() -> None:
    said = [compared(car(SOFTER_REAR), STIFF, seed).verdict for seed in range(8)]
    assert not {ChangeVerdict.AS_PREDICTED, ChangeVerdict.LESS, ChangeVerdict.MORE} & set(said)


def test_the_plan_does_not_ask_for_more_runs_of_the_same() -> None:
    old = session_runs(CAR, [("A", STIFF)] * 3, 0.003)
    new = [replace(r, name=f"n{r.name}") for r in session_runs(car(STIFFER_REAR), [("B", SOFT)] * 3, 0.003)]
    table = {
        "name": "test day",
        "car": "car.toml",
        "setups": {"A": STIFF.model_dump(), "B": SOFT.model_dump()},
        "runs": [{"name": r.name, "logs": ["x.csv"], "setup": r.setup} for r in (*old, *new)],
    }
    found = confirm(CAR, SessionSheet.model_validate(table), [*old, *new], "A", "B")
    assert found.comparison.verdict is ChangeVerdict.CANNOT_TELL
    assert "no number of runs" in reasons.next_runs(found.plan, found.comparison)
    assert any(c.kind is CauseKind.ALSO_CHANGED and c.axle == "rear" for c in found.reasons.named)


def test_without_the_roll_of_both_axles_or_on_rigid_tyres_nothing_is_said() -> None:
    drives = session_runs(CAR, [("A", STIFF), ("B", SOFT)] * 2)
    front = [run(r.name, r.setup, {"front": r.roll_gradient_body["front"].value or 0.0}) for r in drives]
    prediction = predict_setup(CAR, "A", STIFF)
    assert other_end(CAR, "front", prediction, front, "A", "B") is None
    vehicle = VEHICLES[1]
    rigid = sheet(vehicle)
    runs = [
        run(f"{name}{index}", name, body_axes(vehicle["roll"][state]))
        for index in range(2)
        for name, state in (("A", 1.0), ("B", 0.5))
    ]
    stiff = Setup.model_validate({"front_bar": {"hole": 2}})
    assert other_end(rigid, "front", predict_setup(rigid, "A", stiff), runs, "A", "B") is None


def with_pots_at(axle: str, runs: list[RunEstimates]) -> list[RunEstimates]:
    return [run(r.name, r.setup, {axle: r.roll_gradient_body[axle].value or 0.0}) for r in runs]


@pytest.mark.parametrize("seed", range(3))
def test_a_change_that_was_not_made_is_no_change_by_the_pots_of_one_axle(seed: int) -> None:
    order = [("A", STIFF), ("B", STIFF)] * 3
    found = compare(CAR, STIFF, SOFT, with_pots_at("front", session_runs(CAR, order, 0.002, seed)))
    assert found.stiffness_ratio.value == pytest.approx(1.0, abs=0.01)
    assert found.verdict is ChangeVerdict.NO_CHANGE
    assert any("tyres and rear stiffness of the sheet" in note for note in found.notes)
