"""Short drives of the virtual car for tests."""

from __future__ import annotations

import numpy as np

from analyzer.demo.engine import Motion, simulate
from analyzer.demo.virtual_car import SETUPS, TEAL_COUPE, CarTruth, bar_rates
from analyzer.demo.virtual_course import DRIVE_COLUMNS, STEP, Plan, eased, plan_from


def bars_of(car: CarTruth, setup: str = "A", runs: int = 1) -> np.ndarray:
    return np.repeat(bar_rates(car, SETUPS[setup])[None], runs, axis=0)


def bend_plan(speed: np.ndarray, curvature: np.ndarray, bank_deg: np.ndarray, seconds: float) -> Plan:
    """One run per entry: a straight, then a bend of constant curvature and bank on smooth ground."""
    points = int((float(np.max(speed)) * seconds + 30.0) / STEP)
    distance = np.arange(points) * STEP
    ramp = np.stack([eased((distance > 0.2 * v * seconds).astype(float), 25.0) for v in speed])
    tables = np.zeros((speed.size, points, len(DRIVE_COLUMNS)))
    for name, size in (("curvature", curvature), ("bank", np.radians(bank_deg))):
        tables[..., DRIVE_COLUMNS.index(name)] = size[:, None] * ramp
        tables[..., DRIVE_COLUMNS.index(f"{name}_rate")] = np.gradient(size[:, None] * ramp, STEP, axis=1)
    tables[..., DRIVE_COLUMNS.index("heading")] = np.cumsum(curvature[:, None] * ramp, axis=1) * STEP
    pulls = np.zeros((int(seconds / 0.01) + 1, speed.size))
    return plan_from(tables, pulls, 0.01, speed, None)


def settled(car: CarTruth, plan: Plan, setup: str = "A") -> tuple[Motion, dict[str, np.ndarray]]:
    """Drive the plan and return the motion and the means of its last 0.4 s."""
    motion = simulate(car, bars_of(car, setup, plan.shape[1]), plan)
    return motion, {name: getattr(motion, name)[-320:].mean(0) for name in ("travel", "load", "force", "up")}


__all__ = ["TEAL_COUPE", "bars_of", "bend_plan", "settled"]
