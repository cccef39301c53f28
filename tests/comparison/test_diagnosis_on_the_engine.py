"""Every reason built into the rigid-body car by itself, and the car's sheet left as it was."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from engine.car import ENGINE_CAR, EngineCar
from engine.runs import estimate, make_run, sheet_of
from engine.sheets import FRONT_BARS, setup_table

from analyzer.comparison.diagnosis import Circumstances, find_reasons
from analyzer.comparison.results import Reasons
from analyzer.processing.results import RunEstimates
from analyzer.report import reasons as words
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup

SHEET = sheet_of(ENGINE_CAR)
TABLES = tomllib.loads("".join(setup_table(name) for name in FRONT_BARS))["setups"]
SETUPS = {name: Setup.model_validate(table) for name, table in TABLES.items()}
MANOEUVRES = ("course", "slalom", "sweep")
BEFORE, AFTER = "full", "0.8"


def front(**changes: float) -> EngineCar:
    return replace(ENGINE_CAR, front=replace(ENGINE_CAR.front, **changes))


def rear(**changes: float) -> EngineCar:
    return replace(ENGINE_CAR, rear=replace(ENGINE_CAR.rear, **changes))


def heavier(factor: float) -> EngineCar:
    masses = {"front_mass": ENGINE_CAR.front_mass, "rear_mass": ENGINE_CAR.rear_mass}
    return replace(ENGINE_CAR, **{name: factor * mass for name, mass in masses.items()})


def drives(folder: Path, car: EngineCar, setup: str, sheet: CarSheet, seed: int) -> list[RunEstimates]:
    """Drive `car` three times and read the logs with a sheet that knows nothing of what is wrong."""
    found = []
    for index, name in enumerate(MANOEUVRES):
        made = make_run(folder / f"{setup}{index}.csv", setup, name, seed + index, car=car)
        found.append(estimate(replace(made, car=ENGINE_CAR), sheet))
    return found


def reasons(folder: Path, car: EngineCar, after_only: bool, sheet: CarSheet = SHEET) -> Reasons:
    old = drives(folder, ENGINE_CAR if after_only else car, BEFORE, sheet, 50)
    new = drives(folder, car, AFTER, sheet, 57)
    return find_reasons(sheet, SETUPS, [*old, *new], BEFORE, AFTER, ("front",), Circumstances({}, {}))


def softer_tyres(factor: float) -> EngineCar:
    return ENGINE_CAR.with_both(tyre_rate=factor * ENGINE_CAR.front.tyre_rate)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "car", "after_only"),
    [
        ("front spring rate off", front(wheel_rate=1.25 * ENGINE_CAR.front.wheel_rate), False),
        ("rear spring rate off", rear(wheel_rate=1.25 * ENGINE_CAR.rear.wheel_rate), False),
        ("CG height off", replace(ENGINE_CAR, cg_height=ENGINE_CAR.cg_height + 0.07), False),
        ("another load in the car than on the scales", heavier(1.2), False),
        (
            "front bar rate or its motion ratio off",
            front(bar_rate=0.5 * ENGINE_CAR.front.bar_rate),
            False,
        ),
        ("free play in the front bar's links", front(free_play=0.004), False),
        ("scale of a front damper pot off", front(damper_ratio=1.12 * ENGINE_CAR.front.damper_ratio), False),
        ("the rear axle was changed too", rear(wheel_rate=1.2 * ENGINE_CAR.rear.wheel_rate), True),
        ("tyre pressure changed", softer_tyres(0.8), True),
        ("more or less load in the car after the change", heavier(1.1), True),
        (
            "front bar not set as the session sheet says",
            front(bar_rate=0.55 * ENGINE_CAR.front.bar_rate),
            True,
        ),
    ],
)
def test_each_reason_alone_is_first_or_inseparable(
    tmp_path: Path, name: str, car: EngineCar, after_only: bool
) -> None:
    found = reasons(tmp_path, car, after_only)
    seen = [(words.name(r), round(r.probability, 2)) for r in found.ranked[:4]]
    # Where the answer is that several would fit, those it names are the ones that cannot be separated.
    told = found.named or (*found.ranked[:2], *found.rivals)
    assert name in map(words.name, told), (words.answer(found), found.none, seen)


@pytest.mark.slow
def test_tyres_beyond_their_range_hand_the_headline_to_nothing_else(tmp_path: Path) -> None:
    """40 % softer: steering lift fits within its range as well as tyres do a little beyond theirs."""
    found = reasons(tmp_path, softer_tyres(0.6), True)
    assert found.named == (), words.answer(found)
    assert "tyre pressure changed" in map(words.name, found.rivals)
    assert "cannot tell" in words.answer(found)


@pytest.mark.slow
def test_a_sound_car_needs_no_reason(tmp_path: Path) -> None:
    assert reasons(tmp_path, ENGINE_CAR, False).none > 0.5


@pytest.mark.slow
def test_play_is_told_by_the_dead_zone_itself(tmp_path: Path) -> None:
    found = reasons(tmp_path, front(free_play=0.004), False)
    first = found.ranked[0]
    assert words.name(first) == "free play in the front bar's links"
    assert first.probability > 0.9
    assert "dead zone of" in words.evidence(first)[0]


@pytest.mark.slow
def test_stops_whose_gap_the_sheet_knows_leave_the_roll_as_it_was(tmp_path: Path) -> None:
    """Contacts are left out of the fit, so that they are no reason for measurement and sheet to part."""
    car = front(stop_gap=0.012)
    found = reasons(tmp_path, car, False, sheet_of(car))
    assert found.none > 0.5
