"""The engine's own quasi-static answer: what it settles to under a steady sideways force."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from engine.car import GRAVITY, EngineCar
from engine.plan import STEP, Plan
from engine.simulation import drive_plans

Array = npt.NDArray[np.float64]
SPEED = 15.0
RAMP, HOLD = 2.0, 2.0
"""Time to bring the force on, and to settle [s]."""
_DEG_PER_G = np.degrees(1.0) * 9.80665


@dataclass(frozen=True)
class QuasiStatic:
    """Settled states over a range of sideways force, both directions (the car is alike left and right).

    Parameters
    ----------
    body_force : array
        Lateral specific force at the sprung CG, body axes [m/s2], rising.
    lateral : array
        Horizontal lateral acceleration [m/s2].
    roll : dict
        ``front``, ``rear``: suspension roll; ``total``: body roll against the road [rad].
    left_share : dict
        Per axle [1].
    """

    body_force: Array
    lateral: Array
    roll: dict[str, Array]
    left_share: dict[str, Array]

    def body_gradient(self, force: Array) -> dict[str, float]:
        """Return roll per lateral force in body axes [deg/g] as a line through the curve shows it.

        `force` are the lateral forces of a run; the line is the least-squares one over them.
        """
        return {
            a: self._slope(force, np.interp(force, self.body_force, self.roll[a])) for a in ("front", "rear")
        }

    def level_gradient(self, force: Array) -> dict[str, float]:
        """Return roll per horizontal lateral acceleration on a level road [deg/g], over the same forces."""
        lateral = np.interp(force, self.body_force, self.lateral)
        return {k: self._slope(lateral, np.interp(force, self.body_force, r)) for k, r in self.roll.items()}

    @staticmethod
    def _slope(x: Array, y: Array) -> float:
        return float(np.polyfit(x, y, 1)[0]) * _DEG_PER_G


@cache
def quasi_static(car: EngineCar, top: float = 1.15, bank: float = 0.0, levels: int = 12) -> QuasiStatic:
    """Return what the engine settles to for horizontal lateral accelerations up to `top` [g].

    On a `bank` [deg] the slope comes on with the acceleration.
    """
    steps = np.sin(np.linspace(0.0, np.pi / 2.0, levels + 1))
    results = drive_plans(car, [_steady_plan(top * step, bank * step) for step in steps])
    last = slice(-round(0.2 / STEP), None)
    force = np.array([d.cg_force[last, 1].mean() for d in results])
    lateral = np.array([d.plan.turning[-1] * SPEED for d in results])
    rolls = {a: np.array([d.roll[a][last].mean() for d in results]) for a in ("front", "rear")}
    rolls["total"] = np.array([d.body_roll[last].mean() for d in results])
    share = {a: np.array([d.left_share(a)[last].mean() for d in results]) for a in ("front", "rear")}
    order = np.argsort(force)
    force, lateral = force[order], lateral[order]
    return QuasiStatic(
        body_force=np.concatenate([-force[:0:-1], force]),
        lateral=np.concatenate([-lateral[:0:-1], lateral]),
        roll={k: np.concatenate([-r[order][:0:-1], r[order]]) for k, r in rolls.items()},
        left_share={k: np.concatenate([1.0 - s[order][:0:-1], s[order]]) for k, s in share.items()},
    )


def _steady_plan(lateral: float, bank: float) -> Plan:
    time = STEP * np.arange(round((RAMP + HOLD) / STEP))
    rising = np.clip(time / RAMP, 0.0, 1.0)
    part = rising**3 * (10.0 - 15.0 * rising + 6.0 * rising**2)
    speed = np.full_like(time, SPEED)
    return Plan(speed, part * lateral * GRAVITY / SPEED, part * np.radians(bank), 0.0 * time)
