"""What the car is driven through: speed, turning, bank and side-slip over time, and the frame that follows.

The engine's world is the road plane under the car, turning with the car's nose. In that frame every mass
feels the specific force of the path and the inertia forces of the turning, which is classical mechanics of
moving frames (any mechanics textbook) and exact for the field itself; only the Coriolis force on motion
relative to the frame (some mm) is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from engine.car import GRAVITY
from scipy.interpolate import PchipInterpolator

Array = npt.NDArray[np.float64]
STEP = 1e-3
"""Time step of plan and engine [s]."""


@dataclass(frozen=True)
class Plan:
    """A drive, one row per time step of `STEP`.

    Parameters
    ----------
    speed : array
        [m/s].
    turning : array
        Rate of the path's direction about the vertical, left positive [rad/s].
    bank : array
        Slope of the road across the path, left side lower positive [rad].
    slip : array
        Heading of the nose from the path, left positive [rad].
    """

    speed: Array
    turning: Array
    bank: Array
    slip: Array

    @property
    def time(self) -> Array:
        return STEP * np.arange(self.speed.size)

    def force(self) -> Array:
        """Return the specific force of a point that follows the path, in the frame: n x 3 [m/s2]."""
        centripetal = self.speed * self.turning
        across = centripetal * np.cos(self.bank) - GRAVITY * np.sin(self.bank)
        up = centripetal * np.sin(self.bank) + GRAVITY * np.cos(self.bank)
        along = np.gradient(self.speed, STEP)
        cos, sin = np.cos(self.slip), np.sin(self.slip)
        return np.column_stack([along * cos + across * sin, across * cos - along * sin, up])

    def spin(self) -> Array:
        """Return the frame's angular velocity in its own axes: n x 3 [rad/s]."""
        along = -np.gradient(self.bank, STEP)
        across = -self.turning * np.sin(self.bank)
        up = self.turning * np.cos(self.bank) + np.gradient(self.slip, STEP)
        cos, sin = np.cos(self.slip), np.sin(self.slip)
        return np.column_stack([along * cos + across * sin, across * cos - along * sin, up])


@dataclass(frozen=True)
class SlowPlan(Plan):
    """The forces of another plan brought on `factor` times slower, without the turning that belongs to them.

    What the car does under it is its quasi-static answer to all forces of that drive, those lengthways
    and square to the road too.
    """

    factor: float = 4.0
    original: Plan | None = None

    def force(self) -> Array:
        assert self.original is not None
        return np.column_stack(
            [np.interp(self.time / self.factor, self.original.time, part) for part in self.original.force().T]
        )

    def spin(self) -> Array:
        return np.zeros((self.speed.size, 3))


def slowed(plan: Plan, factor: float = 4.0) -> SlowPlan:
    """Return the forces of `plan`, `factor` times slower."""
    time = STEP * np.arange(round(plan.time[-1] * factor / STEP))
    stretched = [np.interp(time / factor, plan.time, part) for part in (plan.speed, plan.turning, plan.bank)]
    return SlowPlan(*stretched, slip=0.0 * time, factor=factor, original=plan)


def plan_of(
    knots: list[tuple[float, float, float, float, float]],
) -> Plan:
    """Return the plan through knots of time [s], lateral acceleration [g], speed [m/s], bank and slip [deg].

    Lateral acceleration is horizontal, towards the left; bank and slip count as in `Plan`. Between knots the
    curves are smooth and do not overshoot.
    """
    table = np.array(knots)
    time = STEP * np.arange(round(table[-1, 0] / STEP) + 1)
    lateral, speed, bank, slip = (PchipInterpolator(table[:, 0], table[:, k])(time) for k in range(1, 5))
    return Plan(
        speed, lateral * GRAVITY / np.maximum(speed, 1.0), np.radians(_soft(bank)), np.radians(_soft(slip))
    )


def _soft(values: Array) -> Array:
    """Return `values` run through a short raised-cosine average: their rates then have no steps."""
    width = round(0.2 / STEP)
    window = np.hanning(width + 2)[1:-1]
    padded = np.pad(values, width // 2, mode="edge")
    result: Array = np.convolve(padded, window / window.sum(), mode="same")[
        width // 2 : width // 2 + values.size
    ]
    return result


def manoeuvre(name: str, seed: int = 0, bank: float = 0.0) -> Plan:
    """Return a named drive, varied by `seed`: at rest, away, then about 36 s of cornering.

    ``course``: corners of both directions with quick changes of side, as on a drift course; ``slalom``:
    changes of side all the time; ``sweep``: slow and wide, nearly steady; ``bowl``: long turns of both
    directions on `bank` [deg], always towards the inside of the turn, with level ground between them;
    ``drift``: corners of both directions on `bank` in which side-slip wanders between 15 and 40 degrees and
    speed with it; ``oval``: the same in one direction alone, hence banked to one side all the while.
    """
    return plan_of(_knots(name, seed, bank))


def lap(name: str, course: int, number: int, bank: float = 0.0) -> Plan:
    """Return lap `number` of a manoeuvre that `course` draws, as one driver repeats it.

    Corners come 5 % earlier or later, 4 % harder or softer, at 3 % other speeds and 2 degrees other slip,
    standard deviations; none beyond twice that.
    """
    knots = np.array(_knots(name, course, bank))
    rng = np.random.default_rng([course, number, 978])
    lasts = np.diff(knots[:, 0])
    around = lasts * (1.0 + 0.05 * _bounded(rng, lasts.size))
    knots[1:, 0] = np.cumsum(np.where(knots[1:, 0] > _GO, around, lasts))
    knots[:, 1] *= 1.0 + 0.04 * _bounded(rng, len(knots))
    knots[:, 2] *= 1.0 + 0.03 * _bounded(rng, len(knots))
    knots[:, 4] += 2.0 * _bounded(rng, len(knots)) * (knots[:, 4] != 0.0)
    return plan_of([(row[0], row[1], row[2], row[3], row[4]) for row in knots.tolist()])


def _bounded(rng: np.random.Generator, count: int) -> Array:
    drawn: Array = rng.standard_normal(count).clip(-2.0, 2.0)
    return drawn


Knots = list[tuple[float, float, float, float, float]]


def _knots(name: str, seed: int, bank: float) -> Knots:
    rng = np.random.default_rng([seed, 977])
    makers = {"course": _course, "slalom": _slalom, "sweep": _sweep, "bowl": _bowl}
    return (makers | {"drift": _drift, "oval": _oval})[name](rng, bank)


STANDING = 4.0
"""Time every drive starts with at rest [s]."""
_GO = STANDING + 5.0
_START: Knots = [
    (0.0, 0.0, 0.0, 0.0, 0.0),
    (STANDING, 0.0, 0.0, 0.0, 0.0),
    (_GO - 1.0, 0.0, 15.0, 0.0, 0.0),
    (_GO, 0.0, 16.0, 0.0, 0.0),
]


def _course(rng: np.random.Generator, bank: float) -> Knots:
    knots = list(_START)
    time, side = _GO, float(rng.choice([-1.0, 1.0]))
    while time < _GO + 36.0:
        change, hold = rng.uniform(0.6, 1.2), rng.uniform(0.8, 2.5)
        level = side * rng.uniform(0.55, 1.0)
        speed, slip = rng.uniform(13.0, 18.0), side * rng.uniform(15.0, 35.0)
        for t, part in ((time + change, 1.0), (time + change + hold, rng.uniform(0.85, 1.1))):
            knots.append((t, level * part, speed, bank * side, slip))
        time, side = time + change + hold, -side
    return [*knots, (time + 1.0, 0.0, 15.0, 0.0, 0.0), (time + 2.0, 0.0, 15.0, 0.0, 0.0)]


def _slalom(rng: np.random.Generator, bank: float) -> Knots:
    knots = list(_START)
    time, side = _GO, float(rng.choice([-1.0, 1.0]))
    while time < _GO + 36.0:
        time += rng.uniform(0.9, 1.6)
        knots.append((time, side * rng.uniform(0.6, 0.95), 15.0, 0.0, side * rng.uniform(5.0, 15.0)))
        side = -side
    return [*knots, (time + 1.0, 0.0, 15.0, 0.0, 0.0), (time + 2.0, 0.0, 15.0, 0.0, 0.0)]


def _sweep(rng: np.random.Generator, bank: float) -> Knots:
    side, top = float(rng.choice([-1.0, 1.0])), rng.uniform(0.8, 0.95)
    levels = [0.0, 0.5, 1.0, 0.5, 0.0, -0.5, -1.0, -0.5, 0.0]
    swept = [(_GO + 4.4 * k, side * top * level, 15.0, 0.0, 0.0) for k, level in enumerate(levels)]
    return [*_START[:-1], *swept, (_GO + 37.0, 0.0, 15.0, 0.0, 0.0)]


def _bowl(rng: np.random.Generator, bank: float) -> Knots:
    knots = list(_START)
    time, side = _GO, float(rng.choice([-1.0, 1.0]))
    while time < _GO + 34.0:
        enter, hold = rng.uniform(1.5, 2.2), rng.uniform(3.0, 5.0)
        slope = bank * rng.uniform(0.8, 1.1) * side
        slip = side * rng.uniform(10.0, 30.0)
        for t, level in ((enter, rng.uniform(0.9, 1.1)), (enter + hold, rng.uniform(0.9, 1.1))):
            knots.append((time + t, side * level, rng.uniform(16.0, 19.0), slope, slip))
        time += enter + hold
        knots.append((time + 1.6, 0.0, 16.0, 0.0, 0.0))
        time, side = time + 1.6, -side
    return [*knots, (time + 1.0, 0.0, 16.0, 0.0, 0.0)]


def _drift(rng: np.random.Generator, bank: float) -> Knots:
    return _slipping(rng, bank, -1.0)


def _oval(rng: np.random.Generator, bank: float) -> Knots:
    return _slipping(rng, bank, 1.0)


def _slipping(rng: np.random.Generator, bank: float, change: float) -> Knots:
    """Return corners of a car whose side-slip wanders; `change` is the next side over this one."""
    knots = list(_START)
    time, side = _GO, float(rng.choice([-1.0, 1.0]))
    while time < _GO + 36.0:
        enter, hold = rng.uniform(0.7, 1.5), rng.uniform(1.0, 3.0)
        slope = bank * rng.uniform(0.8, 1.1) * side
        for t in (time + enter, time + enter + hold):
            level, speed, slip = rng.uniform(0.6, 0.9), rng.uniform(11.0, 17.0), rng.uniform(15.0, 40.0)
            knots.append((t, side * level, speed, slope, side * slip))
        time, side = time + enter + hold, side * change
    return [*knots, (time + 1.5, 0.0, 15.0, 0.0, 0.0), (time + 2.5, 0.0, 15.0, 0.0, 0.0)]
