"""Drifts over banks that twist the ground, drawn at random: side-slip, bank, car, sides and road.

    one = banked_drift(7, folder)             gradients beside the engine's own, None when a wheel was lifted
    one = bowl_drift(folder)                  slowly round a bowl, the ground in step with the lateral force

A car that points across a bank stands on ground that is twisted in step with its lateral force: it passes for
roll, up for one axle and down for the other.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from engine.car import ENGINE_CAR, EngineCar
from engine.other_cars import LIFTED, random_car
from engine.plan import Plan, plan_of
from engine.runs import EngineRun, estimate, make_run, slow_gradient
from engine.sheets import car_sheet

from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet

AXLES = ("front", "rear")
START = 9.0
"""Standing, then away to 16 m/s until then [s]."""


@dataclass(frozen=True)
class Drift:
    """A drive: side-slip and bank [deg] as drawn, what was found and the engine's gradients [deg/g]."""

    run: EngineRun
    sheet: CarSheet
    seed: int
    slip: float
    bank: float
    found: RunEstimates
    true: dict[str, float]

    def error(self, axle: str) -> float:
        """Return the gradient found over the true one, less 1."""
        value = self.found.roll_gradient_body[axle].value
        assert value is not None
        return value / self.true[axle] - 1.0

    def half(self, axle: str) -> float:
        """Return half of the interval's width, relative."""
        ends = self.found.roll_gradient_body[axle].interval
        assert ends is not None
        return (ends[1] - ends[0]) / 2.0 / self.true[axle]


def drift_plan(rng: np.random.Generator, slip: float, bank: float) -> Plan:
    """Return corners that are driven with about one side-slip on about one bank [deg].

    Of both directions in turn or of one alone, on level ground in between or not; brought on in one second or
    in three, at any speed of a drift, and harder and less hard on the same bank.
    """
    change, level = float(rng.choice([-1.0, -1.0, 1.0])), bool(rng.uniform() < 0.4)
    speed, pace, wander = rng.uniform(9.0, 17.0), rng.uniform(0.9, 3.0), rng.uniform(1.0, 6.0)
    time, side = START, float(rng.choice([-1.0, 1.0]))
    knots = [(0.0, 0.0, 0.0, 0.0, 0.0), (4.0, 0.0, 0.0, 0.0, 0.0)]
    knots += [(time - 1.0, 0.0, speed, 0.0, 0.0), (time, 0.0, speed, 0.0, 0.0)]
    while time < START + 36.0:
        for force in rng.uniform([0.65, 0.35][: rng.integers(1, 3)], 0.95):
            slope = side * bank * rng.uniform(0.9, 1.1)
            time += pace * rng.uniform(0.8, 1.3)
            for t in (time, time := time + rng.uniform(0.3, 3.0)):
                angle = side * (slip + wander * rng.uniform(-1.0, 1.0))
                knots.append(
                    (t, side * force * rng.uniform(0.95, 1.05), speed * rng.uniform(0.9, 1.1), slope, angle)
                )
        if level:
            time += pace * rng.uniform(0.8, 1.3)
            knots += [(time, 0.0, speed, 0.0, 0.0), (time := time + 0.3, 0.0, speed, 0.0, 0.0)]
        side *= change
    return plan_of([*knots, (time + 1.5, 0.0, speed, 0.0, 0.0), (time + 2.5, 0.0, speed, 0.0, 0.0)])


def bowl_plan(
    rng: np.random.Generator, slip: float = 30.0, bank: float = 12.0, speed: float = 9.5, pace: float = 3.0
) -> Plan:
    """Return turns of both directions round a bowl, harder and less hard, brought on in `pace` seconds."""
    time, side = START, 1.0
    knots = [(0.0, 0.0, 0.0, 0.0, 0.0), (4.0, 0.0, 0.0, 0.0, 0.0)]
    knots += [(time - 1.0, 0.0, speed, 0.0, 0.0), (time, 0.0, speed, 0.0, 0.0)]
    while time < START + 36.0:
        for force in (0.9, 0.42):
            time += pace * rng.uniform(0.8, 1.2)
            for t in (time, time := time + rng.uniform(0.3, 1.0)):
                angle = slip + rng.uniform(-2.0, 2.0)
                here = speed * rng.uniform(0.97, 1.03)
                knots.append((t, side * force, here, side * bank * rng.uniform(0.95, 1.05), side * angle))
        side = -side
    return plan_of([*knots, (time + pace, 0.0, speed, 0.0, 0.0), (time + pace + 1.0, 0.0, speed, 0.0, 0.0)])


def one_side_plan(rng: np.random.Generator, slip: float, bank: float) -> Plan:
    """Return corners of both directions with side-slip, those of one direction banked [deg].

    Bank, force and side-slip come on together, faster than in the other plans.
    """
    time, banked, speed = START, float(rng.choice([-1.0, 1.0])), rng.uniform(11.0, 18.0)
    knots = [(0.0, 0.0, 0.0, 0.0, 0.0), (4.0, 0.0, 0.0, 0.0, 0.0)]
    knots += [(time - 1.0, 0.0, speed, 0.0, 0.0), (time, 0.0, speed, 0.0, 0.0)]
    while time < START + 36.0:
        for side in rng.permutation([-1.0, 1.0, 1.0, -1.0]):
            slope = banked * bank if side == banked else 0.0
            force, angle = side * rng.uniform(0.5, 0.85), side * slip * rng.uniform(0.6, 1.2)
            time += rng.uniform(0.9, 1.6)
            here = speed * rng.uniform(0.85, 1.1)
            knots.append((time, force, here, slope, angle))
            time += rng.uniform(0.8, 3.0)
            knots.append((time, force * rng.uniform(0.95, 1.05), here, slope, angle))
    return plan_of([*knots, (time + 1.5, 0.0, speed, 0.0, 0.0), (time + 2.5, 0.0, speed, 0.0, 0.0)])


def bowl_drift(folder: Path, without: str = "") -> Drift | None:
    """Return the drift of `bowl_plan` by the engine's car, whose logger lacks a channel."""
    return _driven(0, folder, ENGINE_CAR, bowl_plan(np.random.default_rng(7)), "A", 30.0, 12.0, (without,))


def banked_drift(
    seed: int, folder: Path, without: tuple[str, ...] = (), level: bool = False, leaning: bool = False
) -> Drift | None:
    """Drive drift number `seed` and take its log through the program; None when a wheel was off for long.

    `without` names channels that are not logged; `level` has no bank; the box may be `leaning`.
    """
    rng = np.random.default_rng([seed, 1530])
    car = random_car(rng) if seed % 3 else ENGINE_CAR
    slip, bank = rng.uniform(15.0, 40.0), rng.uniform(6.0, 15.0) * (not level)
    if seed % 4 or level:
        plan = drift_plan(rng, slip, bank)
    else:
        plan = bowl_plan(rng, slip, bank, rng.uniform(8.5, 13.0), rng.uniform(1.5, 3.5))
    road = ("smooth", "A", "B")[rng.integers(3)]
    lean = rng.uniform(-1.5, 1.5, 3) * leaning
    return _driven(seed, folder, car, plan, road, slip, bank, without, (lean[0], lean[1], lean[2]))


def _driven(
    seed: int,
    folder: Path,
    car: EngineCar,
    plan: Plan,
    road: str,
    slip: float,
    bank: float,
    without: tuple[str, ...] = (),
    lean: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> Drift | None:
    path = folder / f"drift{seed}.csv"
    run = make_run(path, seed=seed, road_class=road, rate=100.0, car=car, plan=plan, ruled=True, lean=lean)
    if float(np.mean(np.min(list(run.truth.driven.load.values()), axis=0) < 1.0)) > LIFTED:
        return None
    true = slow_gradient(replace(run, car=car.with_both(stop_gap=1.0)), 2.0)
    table = tomllib.loads(car_sheet(car))
    for channel in without:
        table["logger"]["channels"].pop(channel, None)
    sheet = CarSheet.model_validate(table)
    return Drift(run, sheet, seed, slip, bank, estimate(run, sheet), true)
