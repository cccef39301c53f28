"""What the virtual car of the sample session answers to the forces of each run, brought on slowly.

`sample_logs/truth.json` holds its answer in steady corners on level ground. The runs also have a bank, drive
forces and steering of their own, which move the gradient by up to half a percent. Here the car stands on a
level plane and takes the specific force and the steering of many instants of a run until it has settled: the
engine of `analyzer.demo` with gravity turned and scaled, nothing of the analysis.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from analyzer.core.units import RAD_PER_MPS2_TO_DEG_PER_G
from analyzer.demo.engine import Engine
from analyzer.demo.sample_session import RUNS, Driven, axle_roll, slope
from analyzer.demo.virtual_car import SETUPS, TEAL_COUPE, CarTruth, bar_rates
from analyzer.demo.virtual_course import DT, Ground, ground_chunks

Floats = npt.NDArray[np.float64]
EVERY_S = 0.3
"""Time between the instants that are taken [s]."""
SMOOTHED_S = 0.8
"""Width of the average that takes the road's part out of the forces [s]."""
RAMP_S, HOLD_S = 2.5, 1.5
FASTEST_START = 3.0
"""The car counts as moving from this speed on [m/s]."""
SMOOTH = replace(
    TEAL_COUPE, front=replace(TEAL_COUPE.front, friction=0.0), rear=replace(TEAL_COUPE.rear, friction=0.0)
)
"""The car without the dry friction that a road shakes loose."""


class _Standing(Engine):
    """The engine in a given field of specific force instead of gravity, on a level plane."""

    def __init__(self, car: CarTruth, bars: Floats) -> None:
        super().__init__(car, bars)
        self.field = np.zeros((len(bars), 3))
        count = len(bars)
        places = car.wheel_places()
        point = np.concatenate([places[:, :2], np.zeros((4, 1))], axis=1)
        frame = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0]])
        self.still = np.zeros((1, count, 4))
        self.point = np.broadcast_to(point, (1, count, 4, 3))
        self.frame = np.broadcast_to(frame, (1, count, 4, 3, 3))
        self.damping = np.broadcast_to(car.per_wheel("tyre_slip") / 8.0, (1, count, 4))
        self.axes = np.broadcast_to(np.eye(2), (1, count, 2, 2))

    def settle(self, force: Floats, steer: Floats) -> tuple[Floats, Floats]:
        """Return wheel travel (rows, 4) and lateral specific force in body axes under `force` (rows, 3)."""
        count = len(force)
        pose = np.zeros((1, count, 6))
        self.start(pose[0])
        level = np.array([0.0, 0.0, 9.80665])
        kept = []
        steps, hold = round((RAMP_S + HOLD_S) / DT), round(0.3 / DT)
        for k in range(steps):
            part = min(k * DT / RAMP_S, 1.0)
            part = part**3 * (10.0 - 15.0 * part + 6.0 * part**2)
            self.field = level + part * (force - level)
            need = self.field * np.array([1.0, 1.0, 0.0])
            ground = Ground(
                self.point,
                self.frame,
                self.still,
                self.still,
                self.damping,
                pose,
                need[None],
                self.axes,
                part * steer[None],
            )
            self.step(ground, 0)
            if k >= steps - hold:
                across = self.acceleration + np.einsum("rji,rj->ri", self.turn, self.field)
                kept.append((self.travel.copy(), across[:, 1]))
        travel, lateral = (np.mean([row[i] for row in kept], axis=0) for i in (0, 1))
        return travel, lateral

    def _accelerations(self, tyres: Floats) -> Floats:
        """As the engine's own, with the field in the place of gravity and nothing turning."""
        rows = len(self.travel)
        spin = self.spin.transpose(0, 2, 1)
        speed = self.travel_speed[..., None]
        drift = (self.centre @ spin + 2.0 * self.D * speed) @ spin + self.bend * speed**2
        pull = -np.einsum("rji,rj->ri", self.turn, self.field)
        np.multiply(self.root[:, None], pull[:, None] - drift, out=self.pushes[:, 0])
        self.pushes[:, 1] = tyres
        right = (self.pushes.reshape(rows, 1, 24) @ self.both.reshape(rows, 24, 10))[:, 0]
        right[:, :3] += self.car.sprung_mass * pull
        right[:, 3:6] -= (self.spin @ (self.inertia @ self.turning[..., None]))[..., 0]
        right[:, 6:] -= self.suspension.force(self.travel, self.travel_speed)
        masses = self.J.reshape(rows, 12, 10)
        matrix = masses.transpose(0, 2, 1) @ masses + self.block
        return np.asarray(np.linalg.solve(matrix, right[..., None])[..., 0])


def own_answers(driven: Driven) -> dict[str, dict[str, float]]:
    """Return per run and axle the gradient in body axes of the car's settled answers [deg/g]."""
    need = np.concatenate([ground.need for ground in ground_chunks(driven.plan, TEAL_COUPE)])
    felt = (driven.motion.force**2).sum(-1)
    upward = np.sqrt(np.maximum(felt - need[..., 0] ** 2 - need[..., 1] ** 2, 1.0))
    forces = np.stack([need[..., 0], need[..., 1], upward], axis=-1)
    rows, steers, bars, owners = [], [], [], []
    for run, (name, setup) in enumerate(RUNS):
        steps = int(driven.ends[run] / DT)
        moving = np.flatnonzero(driven.plan.speed[:steps, run] > FASTEST_START)
        for instant in moving[:: round(EVERY_S / DT)]:
            near = slice(instant - round(SMOOTHED_S / 2 / DT), instant + round(SMOOTHED_S / 2 / DT))
            rows.append(forces[near, run].mean(axis=0))
            steers.append(driven.motion.steer[near, run].mean())
            bars.append(bar_rates(TEAL_COUPE, SETUPS[setup]))
            owners.append(name)
    travel, lateral = _Standing(SMOOTH, np.stack(bars)).settle(np.stack(rows), np.array(steers))
    touching = (travel * TEAL_COUPE.per_wheel("motion_ratio") > TEAL_COUPE.per_wheel("stop_gap")).any(axis=1)
    found: dict[str, dict[str, float]] = {}
    for name, _ in RUNS:
        own = (np.array(owners) == name) & ~touching
        found[name] = {
            axle: slope(lateral[own], axle_roll(travel[own][:, pair], side.track)) * RAD_PER_MPS2_TO_DEG_PER_G
            for axle, pair, side in (
                ("front", slice(0, 2), TEAL_COUPE.front),
                ("rear", slice(2, 4), TEAL_COUPE.rear),
            )
        }
    return found
