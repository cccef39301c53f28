"""Drives of cars of all dimensions on the rigid-body engine, to count how often intervals hold the truth.

PYTHONPATH=tests python -m engine.other_cars            counts over the first ninety drives
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from engine.car import EngineAxle, EngineCar
from engine.plan import slowed
from engine.quasi_static import quasi_static
from engine.runs import EngineRun, estimate, make_run, sheet_of
from engine.sheets import FRONT_BARS
from engine.simulation import drive_plans

from analyzer.core.estimate import Estimate
from analyzer.core.units import RAD_PER_MPS2_TO_DEG_PER_G
from analyzer.processing.results import RunEstimates

AXLES = ("front", "rear")
NUMBER = 90
DRIVES = (
    ("course", 0.0),
    ("slalom", 0.0),
    ("sweep", 0.0),
    ("bowl", 0.0),
    ("course", 8.0),
    ("bowl", 8.0),
    ("bowl", 12.0),
    ("bowl", 15.0),
)
LIFTED = 0.02
"""Part of the time with a wheel off the ground from which a car is not counted: its answer has a kink."""


@dataclass(frozen=True)
class Counted:
    """A figure of one run beside the engine's own answer."""

    name: str
    found: Estimate
    true: float

    @property
    def held(self) -> bool:
        assert self.found.interval is not None
        return self.found.interval[0] <= self.true <= self.found.interval[1]

    @property
    def error(self) -> float:
        """Found over true, less 1."""
        assert self.found.value is not None
        return self.found.value / self.true - 1.0


def random_car(rng: np.random.Generator) -> EngineCar:
    """Return a car with dimensions drawn from the range of what is drifted."""
    mass, front_share, wheelbase = rng.uniform(950, 1600), rng.uniform(0.46, 0.58), rng.uniform(2.3, 2.8)
    car = EngineCar(
        front=_axle(rng, rng.uniform(60, 95)),
        rear=_axle(rng, rng.uniform(65, 130)),
        front_mass=mass * front_share,
        rear_mass=mass * (1.0 - front_share),
        cg_height=rng.uniform(0.42, 0.56),
        wheelbase=wheelbase,
        imu=(rng.uniform(-0.5, 0.5), rng.uniform(-0.2, 0.2), rng.uniform(-0.2, 0.2)),
    )
    ahead = car.front_distance
    roll = car.sprung * rng.uniform(0.27, 0.36)
    yaw = car.sprung * ahead * (wheelbase - ahead) * rng.uniform(0.82, 1.05)
    return replace(car, sprung_inertia=(roll, yaw - roll * rng.uniform(0.05, 0.6), yaw))


def _axle(rng: np.random.Generator, unsprung: float) -> EngineAxle:
    rate = rng.uniform(38e3, 100e3)
    return EngineAxle(
        track=rng.uniform(1.42, 1.62),
        roll_centre=rng.uniform(0.0, 0.12),
        wheel_radius=rng.uniform(0.28, 0.33),
        unsprung=unsprung,
        wheel_rate=rate,
        damping=0.7 * math.sqrt(rate * 270.0) * rng.uniform(0.7, 1.3),
        damper_ratio=rng.uniform(0.6, 1.0),
        bar_ratio=rng.uniform(0.4, 0.8),
        bar_rate=rng.uniform(10e3, 90e3),
        tyre_rate=rng.uniform(190e3, 300e3),
        tyre_damping=rng.uniform(100.0, 500.0),
        stop_gap=0.09,
    )


def counted(number: int, folder: Path) -> list[Counted]:
    """Drive car `number` and return its gradients beside the engine's; nothing when a wheel was lifted."""
    rng = np.random.default_rng([number, 4242])
    car = random_car(rng)
    name, bank = DRIVES[rng.integers(len(DRIVES))]
    road_class = ("A", "B", "A", "B", "smooth")[rng.integers(5)]
    setup = ("full", "0.8", "0.5")[rng.integers(3)]
    rate = (100.0, 200.0)[number % 2]
    path = folder / f"drive{number}.csv"
    run = make_run(path, setup, name, 1000 + number, road_class, bank, rate=rate, car=car)
    lowest = np.min(list(run.truth.driven.load.values()), axis=0)
    if float(np.mean(lowest < 1.0)) > LIFTED:
        return []
    return list(_beside_truth(run, estimate(run, sheet_of(car)), bank))


def _beside_truth(run: EngineRun, found: RunEstimates, bank: float) -> Iterator[Counted]:
    car = run.car.with_front_bar(FRONT_BARS[run.setup]).with_both(stop_gap=1.0)
    # The forces of the run, brought on slowly: in body axes, and on level ground along the road.
    slow = drive_plans(car, [slowed(run.truth.driven.plan, 3.0)])[0]
    force, across = slow.cg_force[:, 1], slow.plan.force()[:, 1]
    rolls = {**slow.roll, "total": slow.body_roll}
    road = "bank" if bank else "flat"
    for axle in AXLES:
        true = float(np.polyfit(force, rolls[axle], 1)[0]) * RAD_PER_MPS2_TO_DEG_PER_G
        yield Counted(f"body axes, {road}", found.roll_gradient_body[axle], true)
        steady = found.further[f"quasi_steady_gradient_{axle}"]
        if steady.interval is not None and not bank:
            yield Counted("steady parts, flat", steady, true)
    for part, roll in rolls.items():
        level = float(np.polyfit(across, roll, 1)[0]) * RAD_PER_MPS2_TO_DEG_PER_G
        true = run.truth.level_gradient[part] if bank else level
        kind = "body" if part == "total" else "suspension"
        yield Counted(f"level road, {kind}, {road}", found.roll_gradient[part], true)
    if not bank:
        yield from _curve(car, found)


def _curve(car: EngineCar, found: RunEstimates) -> Iterator[Counted]:
    settled = quasi_static(car)
    for axle in AXLES:
        local = np.gradient(settled.roll[axle], settled.body_force) * RAD_PER_MPS2_TO_DEG_PER_G
        for level in (0.0, 0.2, 0.5, 0.8):
            told = found.further.get(f"gradient_{axle}_at_{level:g}_g")
            if told is not None:
                true = float(np.interp(level * 9.80665, settled.body_force, local))
                yield Counted(f"curve at {level:g} g, flat", told, true)


def main() -> None:
    """Print per figure how many intervals hold the truth, and how far off the figures are."""
    rows: dict[str, list[Counted]] = {}
    drives = 0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(NUMBER):
            these = counted(number, Path(folder))
            drives += bool(these)
            for one in these:
                rows.setdefault(one.name, []).append(one)
    print(f"{drives} drives\n| figure | number | held % | error rms % | half width % |\n|" + " --- |" * 5)
    for name, ones in sorted(rows.items()):
        held = 100.0 * float(np.mean([one.held for one in ones]))
        rms = 100.0 * float(np.sqrt(np.mean([one.error**2 for one in ones])))
        half = [(i[1] - i[0]) / 2.0 / one.true for one in ones if (i := one.found.interval) is not None]
        print(f"| {name} | {len(ones)} | {held:.0f} | {rms:.2f} | {100.0 * float(np.mean(half)):.2f} |")


if __name__ == "__main__":
    main()
