"""Forces of springs, dampers, friction, stops and bars of the virtual car, for all runs at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.demo.car import GRAVITY, CarTruth, Floats

METAL_RATE: Final = 2.0e6
"""Rate past full bump, metal to metal [N/m]."""

DROOP_RATE: Final = 3.0e5
"""Rate at full extension [N/m]."""

FRICTION_SPEED: Final = 0.004
"""Damper speed at which friction has come to three quarters of its full force [m/s]."""


@dataclass(frozen=True)
class Suspension:
    """Parameters for FL, FR, RL, RR, and the bars of every run."""

    motion_ratio: Floats
    spring_rate: Floats
    bump: Floats
    rebound: Floats
    friction: Floats
    gap: Floats
    full_bump: Floats
    full_droop: Floats
    stop_rate: Floats
    stop_rise: Floats
    static: Floats
    bars: Floats
    """Wheel rate of the bars in roll, (runs, 4) [N/m]."""

    @classmethod
    def of(cls, car: CarTruth, bars: Floats) -> Suspension:
        """Return the suspension of a `car` whose runs have these `bars`, (runs, 4)."""
        get = car.per_wheel
        return cls(
            motion_ratio=get("motion_ratio"),
            spring_rate=get("spring_rate"),
            bump=get("bump_damping"),
            rebound=get("rebound_damping"),
            friction=get("friction"),
            gap=get("stop_gap"),
            full_bump=get("full_bump"),
            full_droop=get("full_droop"),
            stop_rate=get("stop_rate"),
            stop_rise=get("stop_rise"),
            static=np.array(car.loads) - car.wheel_mass * GRAVITY,
            bars=bars,
        )

    def force(self, travel: Floats, speed: Floats) -> Floats:
        """Return the force that pushes each wheel down [N] at wheel `travel` and `speed`, (runs, 4)."""
        x, v = self.motion_ratio * travel, self.motion_ratio * speed
        at_damper = self.spring_rate * x + np.where(v > 0.0, self.bump, self.rebound) * v
        at_damper += self.friction * np.tanh(v * (1.0 / FRICTION_SPEED))
        over = x - self.gap
        if over.max() > 0.0:
            at_damper += self.stop_force(over)
        if x.min() < -float(self.full_droop.min()):
            at_damper += DROOP_RATE * np.minimum(x + self.full_droop, 0.0)
        pairs = travel.reshape(-1, 2, 2)
        roll = 0.5 * (pairs - pairs[:, :, ::-1]).reshape(travel.shape)
        return np.asarray(self.static + self.motion_ratio * at_damper + self.bars * roll)

    def stop_force(self, over: Floats) -> Floats:
        """Return the stops' force at the damper [N]; the rate grows with compression, then metal."""
        pressed = np.maximum(over, 0.0)
        rubber = self.stop_rate * pressed * (1.0 + pressed / (2.0 * self.stop_rise))
        return np.asarray(rubber + METAL_RATE * np.maximum(over + self.gap - self.full_bump, 0.0))
