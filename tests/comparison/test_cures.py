"""Cures held to the rigid-body engine: the changed car is driven through the same course."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from engine.car import ENGINE_CAR, EngineCar
from engine.plan import manoeuvre
from engine.runs import estimate, make_run, sheet_of
from engine.sheets import bar_rates
from engine.simulation import Driven, drive_plans

from analyzer.comparison.cures import MARGIN, Cure, Moment, cures_of, moment_of, springing, swinging_masses
from analyzer.processing.results import BottomingEvent
from analyzer.sheets.car import CarSheet

WINDOW_S = 0.12


@dataclass(frozen=True)
class Worst:
    """The worst rear hit of an engine run and what the cures make of it."""

    car: EngineCar
    sheet: CarSheet
    rates: dict[str, float]
    event: BottomingEvent
    moment: Moment
    drive: tuple[str, int, str, float]

    def peak(self, car: EngineCar) -> float:
        """Return the deepest travel of that damper at that moment with another car [m]."""
        driven = _driven(car, *self.drive)
        near = np.abs(driven.time - self.event.peak_s) < WINDOW_S
        return float(driven.damper[self.event.corner][near].max())


@cache
def _driven(car: EngineCar, name: str, seed: int, road: str, bank: float) -> Driven:
    return drive_plans(car, [manoeuvre(name, seed, bank)], road, seed)[0]


def _worst(folder: Path, name: str, seed: int, road: str, bank: float, gap: float) -> Worst:
    car = ENGINE_CAR.with_both(stop_gap=gap)
    estimates = estimate(make_run(folder / "r.csv", "full", name, seed, road, bank, car=car))
    sheet, rates = sheet_of(car), bar_rates(car, "full")
    event = max((e for e in estimates.bottoming if e.corner[0] == "R"), key=lambda e: e.peak)
    moment = moment_of(estimates.motion, sheet, rates, event, gap)  # type: ignore[arg-type]
    assert isinstance(moment, Moment)
    return Worst(car, sheet, rates, event, moment, (name, seed, road, bank))


@pytest.fixture(
    scope="module",
    params=[
        pytest.param(("bowl", 1, "smooth", 15.0, 0.026), marks=pytest.mark.slow),
        pytest.param(("bowl", 1, "A", 15.0, 0.026), marks=pytest.mark.slow),
        ("bowl", 3, "B", 18.0, 0.030),
    ],
    ids=["smooth", "A", "B"],
)
def worst(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Worst:
    return _worst(tmp_path_factory.mktemp("cures"), *request.param)


def _rear(car: EngineCar, **factors: float) -> EngineCar:
    changed = {name: getattr(car.rear, name) * factor for name, factor in factors.items()}
    return replace(car, rear=replace(car.rear, **changed))


def _cures(worst: Worst) -> dict[str, Cure]:
    return {cure.kind: cure for cure in cures_of(worst.sheet, worst.rates, worst.moment)}  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("part", "factor"), [("bar_rate", 1.5), ("bar_rate", 2.5), ("wheel_rate", 1.2), ("wheel_rate", 1.5)]
)
def test_change_of_peak_travel_is_the_engines(worst: Worst, part: str, factor: float) -> None:
    free = worst.car.with_both(stop_gap=1.0)
    if part == "bar_rate":
        changed = springing(worst.sheet, {**worst.rates, "rear": worst.rates["rear"] * factor})  # type: ignore[dict-item]
    else:
        changed = springing(worst.sheet, worst.rates, spring_factor={"rear": factor})  # type: ignore[arg-type]
    predicted = worst.moment.peak(changed) - worst.moment.free
    true = worst.peak(_rear(free, **{part: factor})) - worst.peak(free)
    assert predicted < 0.0
    assert predicted == pytest.approx(true, rel=0.10)


def test_free_travel_is_the_engines_without_stops(worst: Worst) -> None:
    true = worst.peak(worst.car.with_both(stop_gap=1.0))
    assert worst.moment.free == pytest.approx(true, abs=1e-3)
    assert worst.moment.free > worst.event.peak


def test_spring_that_is_asked_for_clears_the_stop(worst: Worst) -> None:
    cure = _cures(worst)["spring"]
    assert cure.possible
    assert cure.factor is not None
    # The margin is kept to a millimetre with the stop in place.
    left = worst.car.rear.stop_gap - worst.peak(_rear(worst.car, wheel_rate=cure.factor))
    assert left == pytest.approx(MARGIN, abs=1e-3)


def test_ride_height_and_stop_give_the_room(worst: Worst) -> None:
    cures = _cures(worst)
    wanted = cures["stop"].needed
    raised = cures["ride height"].needed
    assert wanted is not None
    assert raised is not None
    room = worst.car.with_both(stop_gap=wanted / 1000.0)
    assert wanted / 1000.0 - worst.peak(room) == pytest.approx(MARGIN, abs=1e-3)
    assert raised / 1000.0 * worst.moment.ratio == pytest.approx(
        wanted / 1000.0 - worst.car.rear.stop_gap, abs=1e-9
    )


def test_bar_that_cannot_do_it_is_named(worst: Worst) -> None:
    """On a bank the wheels are pressed up together: even a very stiff bar leaves the damper in its stop."""
    cure = _cures(worst)["bar"]
    assert not cure.possible
    assert "cannot do it" in cure.words
    stiff = worst.peak(_rear(worst.car.with_both(stop_gap=1.0), bar_rate=4.0))
    assert stiff > worst.car.rear.stop_gap - MARGIN
    assert cure.peak == pytest.approx(stiff, abs=1e-3)


def test_roll_hit_is_cured_by_the_bar_and_moves_the_balance(tmp_path: Path) -> None:
    worst = _worst(tmp_path, "course", 1, "smooth", 0.0, 0.0240)
    cures = {c.kind: c for c in cures_of(worst.sheet, worst.rates, worst.moment, margin=0.0)}  # type: ignore[arg-type]
    bar = cures["bar"]
    assert bar.possible
    assert bar.factor is not None
    assert bar.front_share is not None
    assert bar.front_share[1] < bar.front_share[0]
    peak = worst.peak(_rear(worst.car, bar_rate=bar.factor))
    assert peak == pytest.approx(worst.car.rear.stop_gap, abs=5e-4)


@pytest.mark.slow
@pytest.mark.parametrize(("road", "seed", "gap"), [("A", 1, 0.020), ("B", 2, 0.022)])
def test_change_by_a_spring_on_a_rough_level_course(tmp_path: Path, road: str, seed: int, gap: float) -> None:
    worst = _worst(tmp_path, "course", seed, road, 0.0, gap)
    free = worst.car.with_both(stop_gap=1.0)
    changed = springing(worst.sheet, worst.rates, spring_factor={"rear": 1.2})  # type: ignore[arg-type]
    predicted = worst.moment.peak(changed) - worst.moment.free
    true = worst.peak(_rear(free, wheel_rate=1.2)) - worst.peak(free)
    assert predicted == pytest.approx(true, rel=0.10)


def test_silent_sheet_is_filled_and_said(worst: Worst) -> None:
    """Without damper and tyre rates the usual ones are taken: the effect of a spring stays within a fifth."""
    axles = {}
    for name in ("front", "rear"):
        axle = getattr(worst.sheet, name)
        damper = axle.damper.model_copy(update={"rates": None})
        axles[name] = axle.model_copy(update={"damper": damper, "tyre_rate": None})
    sheet = worst.sheet.model_copy(update=axles)
    masses = swinging_masses(sheet)
    assert [words for words in masses.assumed if "damping" in words]
    assert [words for words in masses.assumed if "tyre rate" in words]
    changed = springing(worst.sheet, worst.rates, spring_factor={"rear": 1.2})  # type: ignore[arg-type]
    full = worst.moment.peak(changed) - worst.moment.free
    silent = replace(worst.moment, masses=masses)
    assert silent.peak(changed) - silent.peak(silent.present) == pytest.approx(full, rel=0.2)


def test_stop_at_the_end_of_the_damper_cannot_do_it(worst: Worst) -> None:
    rear = worst.sheet.rear
    end = rear.damper.full_bump
    assert end is not None
    short = rear.damper.model_copy(update={"full_bump": replace(end, value=worst.event.peak)})
    sheet = worst.sheet.model_copy(update={"rear": rear.model_copy(update={"damper": short})})
    stop = {c.kind: c for c in cures_of(sheet, worst.rates, worst.moment)}["stop"]  # type: ignore[arg-type]
    assert not stop.possible
    assert "ends at" in stop.words
