"""Logs that go on while wheels are changed: drawn drives with stops, in which the car is lifted and set down.

    drive = drive_with_stops(7, folder)       a random car that stands at the start, in mid-run and at the end
    lift = lift_of(7)                         which wheels, when, for how long, and how they are brought up
    table = lifted(drive, lift)               the same log with the car on stands at one of its stops

The log is that of the rigid-body engine; what is put in is written down from how cars are lifted: the wheels
hang at the damper's droop end, the body leans as far as it is raised, and a car that is set down sits high
until it has rolled, for its tyres hold the track that it came down with.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from engine.car import CORNERS, EngineCar
from engine.other_cars import random_car
from engine.plan import Knots, Plan, _knots, plan_of
from engine.runs import make_run

Array = np.ndarray[tuple[int], np.dtype[np.float64]]

KINDS = (("course", 0.0), ("drift", 0.0), ("slalom", 0.0), ("bowl", 10.0), ("oval", 6.0), ("course", 8.0))
BRAKING, STANDING = 5.0, 5.0
"""Time to come to rest, and at rest, at the stop in mid-run and at the end [s]."""
WHEELS = {
    "front": ("FL", "FR"),
    "rear": ("RL", "RR"),
    "left": ("FL", "RL"),
    "right": ("FR", "RR"),
    "all": CORNERS,
}
RATES = (50.0, 100.0, 200.0)


@dataclass(frozen=True)
class Drive:
    """A sound log of a drive with stops: its car, and when it stands [s]."""

    car: EngineCar
    table: pd.DataFrame
    stands: tuple[tuple[float, float], ...]
    rate: float


def drive_with_stops(number: int, folder: Path) -> Drive:
    """Drive number `number`: two manoeuvres of a random car, at rest before, between and behind them."""
    rng = np.random.default_rng([number, 70])
    car = random_car(rng)
    knots: Knots = []
    stands = []
    for part in range(2):
        name, bank = KINDS[rng.integers(len(KINDS))]
        more = _knots(name, 2000 + 2 * number + part, bank)
        begin = knots[-1][0] if knots else 0.0
        stands.append((max(0.0, begin - STANDING), begin + 4.0))
        knots += [(begin + k[0], *k[1:]) for k in more if not knots or k[0] > 0.0]
        end = knots[-1][0] + BRAKING
        knots += [(end, 0.0, 0.0, 0.0, 0.0), (end + STANDING, 0.0, 0.0, 0.0, 0.0)]
    stands.append((knots[-1][0] - STANDING, knots[-1][0]))
    plan: Plan = plan_of(knots)
    rate = float(rng.choice(RATES))
    path = folder / f"stops{number}.csv"
    make_run(path, "full", "", number, ("A", "B", "smooth")[number % 3], rate=rate, car=car, plan=plan)
    table = pd.read_csv(path)
    path.unlink()
    return Drive(car, table, tuple(stands), rate)


@dataclass(frozen=True)
class Lift:
    """How a car is lifted.

    Parameters
    ----------
    seed : int
        Draws noise and knocks.
    stop : int
        At which stop: 0 before the run, 1 in mid-run, 2 behind it.
    cut : bool
        At the start or end of a log: whether it begins (ends) with the car in the air.
    wheels : tuple of str
        Names of `WHEELS`, one after the other in the air.
    seconds : float
        In the air each time [s].
    droop : float
        Droop of the dampers as a part of how far the spring would let them out [1].
    up, down : float
        Time of lifting and of setting down [s].
    pumped : bool
        Whether it comes up by strokes of a jack.
    clear : float
        How far the tyres are off the ground [m].
    high : float
        How high the dampers stand when it is down again [mm], until it has rolled.
    pushed : tuple of bool
        Whether it is pushed by hand before and after.
    rolled : bool
        Whether it is rolled on a trolley while an axle hangs.
    knocks : float
        Size of the blows of wrench and wheels [m/s2].
    """

    seed: int
    stop: int
    cut: bool
    wheels: tuple[str, ...]
    seconds: float
    droop: float
    up: float
    down: float
    pumped: bool
    clear: float
    high: float
    pushed: tuple[bool, bool]
    rolled: bool
    knocks: float


def lift_of(seed: int) -> Lift:
    """Draw a lift."""
    rng = np.random.default_rng([seed, 71])
    names = list(WHEELS)
    first = str(rng.choice(names))
    wheels: tuple[str, ...] = (first,)
    if first != "all" and rng.uniform() < 0.3:
        wheels = (first, names[names.index(first) ^ 1])
    stop = int(rng.integers(3))
    return Lift(
        seed=seed,
        stop=stop,
        cut=bool(stop != 1 and rng.uniform() < 0.5),
        wheels=wheels,
        seconds=float(np.exp(rng.uniform(np.log(5.0), np.log(60.0)))),
        droop=float(rng.uniform(0.45, 1.0)),
        up=float(rng.uniform(0.6, 8.0)),
        down=float(rng.uniform(0.25, 3.0)),
        pumped=bool(rng.uniform() < 0.5),
        clear=float(rng.uniform(0.02, 0.10)),
        high=float(rng.uniform(0.0, 10.0)),
        pushed=(bool(rng.uniform() < 0.4), bool(rng.uniform() < 0.4)),
        rolled=bool(rng.uniform() < 0.2 and first in ("front", "rear")),
        knocks=float(rng.choice([0.0, 1.0, 4.0])),
    )


@dataclass(frozen=True)
class Lifted:
    """A log with the lift in it: when each of `WHEELS` was off the ground, and how the samples moved."""

    table: pd.DataFrame
    truth: tuple[tuple[str, float, float], ...]
    at: float
    seconds: float


def droop_of(drive: Drive, lift: Lift) -> dict[str, float]:
    """Return how far each damper comes out when its wheel hangs [mm]: never less than in the drive."""
    found = {}
    for corner in CORNERS:
        axle = drive.car.axle(corner)
        free = (drive.car.static_load(corner) - 9.80665 * axle.unsprung / 2.0) / axle.wheel_rate
        driven = -float(drive.table[f"{corner} pot"].min())
        found[corner] = max(14.0, driven, 1000.0 * lift.droop * free * axle.damper_ratio)
    return found


class _Piece:
    """What is put in, counted from its first sample: how far each corner is lifted, speed, and rest."""

    def __init__(self, rate: float) -> None:
        self.rate = rate
        self.hanging: dict[str, list[Array]] = {corner: [] for corner in CORNERS}
        self.high: list[Array] = []
        self.speed: list[Array] = []
        self.truth: list[tuple[str, float, float]] = []
        self.count = 0

    def add(
        self,
        seconds: float,
        part: dict[str, Array | float],
        high: Array | float = 0.0,
        speed: Array | float = 0.0,
    ) -> None:
        n = max(1, round(seconds * self.rate))
        for corner in CORNERS:
            self.hanging[corner].append(
                np.broadcast_to(np.asarray(part.get(corner, 0.0), dtype=float), n) * 1.0
            )
        self.high.append(np.broadcast_to(np.asarray(high, dtype=float), n) * 1.0)
        self.speed.append(np.broadcast_to(np.asarray(speed, dtype=float), n) * 1.0)
        self.count += n

    @property
    def now(self) -> float:
        return self.count / self.rate


def _ramp(seconds: float, rate: float, strokes: int = 0) -> Array:
    n = max(1, round(seconds * rate))
    s = np.linspace(0.0, 1.0, n)
    if strokes:
        s = (np.floor(s * strokes) + np.clip((s * strokes % 1.0) * 2.5, 0.0, 1.0)) / strokes
    smooth: Array = s * s * (3.0 - 2.0 * s) if not strokes else np.minimum(s, 1.0)
    return smooth


def _push(piece: _Piece, rng: np.random.Generator, high: float) -> None:
    """Push the car by hand for some metres; it settles on the way."""
    n = round(rng.uniform(3.0, 7.0) * piece.rate)
    pace = rng.uniform(0.5, 1.4) * np.sin(np.pi * np.linspace(0.0, 1.0, n)) ** 0.5
    way = np.cumsum(pace) / piece.rate
    piece.add(n / piece.rate, {}, high * np.exp(-way / 0.5), pace)
    piece.add(rng.uniform(1.0, 4.0), {})


def lifted(drive: Drive, lift: Lift) -> Lifted:
    """Return the log of a drive with the car lifted at one of its stops."""
    rng = np.random.default_rng([lift.seed, 72])
    rate = drive.rate
    piece = _Piece(rate)
    if lift.pushed[0] and not (lift.cut and lift.stop == 0):
        _push(piece, rng, 0.0)
    piece.add(rng.uniform(0.5, 4.0), {})
    for number, name in enumerate(lift.wheels):
        corners = WHEELS[name]
        begin = piece.now
        up = _ramp(lift.up, rate, int(rng.integers(4, 10)) if lift.pumped else 0)
        piece.add(len(up) / rate, dict.fromkeys(corners, up))
        pace: Array | float = 0.0
        if lift.rolled:
            n = max(1, round(lift.seconds * rate))
            t = np.arange(n) / rate
            pace = np.where((t > 0.3 * lift.seconds) & (t < 0.7 * lift.seconds), rng.uniform(0.3, 1.4), 0.0)
            width = max(1, round(0.6 * rate))
            pace = np.convolve(pace, np.ones(width) / width, mode="same")
        piece.add(lift.seconds, dict.fromkeys(corners, 1.0), speed=pace)
        down = 1.0 - _ramp(lift.down, rate)
        piece.add(len(down) / rate, dict.fromkeys(corners, down), lift.high * (1.0 - down))
        piece.truth.append((name, begin, piece.now))
        if number + 1 < len(lift.wheels):
            piece.add(rng.uniform(1.0, 5.0), {}, lift.high)
    high = lift.high
    if lift.pushed[1] and not (lift.cut and lift.stop == 2):
        piece.add(rng.uniform(0.5, 3.0), {}, high)
        _push(piece, rng, high)
        high = 0.0
    else:
        piece.add(rng.uniform(0.5, 4.0), {}, high)
    return _joined(drive, lift, piece, high, rng)


def _joined(drive: Drive, lift: Lift, piece: _Piece, high: float, rng: np.random.Generator) -> Lifted:
    rate, table, n = drive.rate, drive.table, piece.count
    first, last = drive.stands[lift.stop]
    around = table[(table["Time"] > first + 0.6) & (table["Time"] < last - 0.4)]
    rest, spread = around.mean(), around.std()
    hanging = {corner: np.concatenate(parts) for corner, parts in piece.hanging.items()}
    speed, sits = np.concatenate(piece.speed), np.concatenate(piece.high)
    droop = droop_of(drive, lift)
    put = {"Time": np.zeros(n)}
    for name in table.columns[1:]:
        put[name] = rest[name] + max(float(spread[name]), 1e-9) * rng.standard_normal(n)
    # A hand on the car, wheels that go off and on: the dampers on the ground move a little, the others rest.
    rolling = np.minimum(speed / 0.5, 1.0)
    for corner in CORNERS:
        off = hanging[corner]
        others = sum(hanging[c] for c in CORNERS if c != corner) / 3.0
        uneven = _soft(rng.standard_normal(n), max(1, round(0.3 * rate)))
        on_ground = rolling * rng.uniform(0.3, 1.2) * uneven + others * rng.uniform(-1.5, 5.0) * (off == 0.0)
        hangs, up = off * droop[corner] * rng.uniform(0.97, 1.0), sits * _sits(lift, corner) * (1.0 - off)
        put[f"{corner} pot"] = put[f"{corner} pot"] + (1.0 - off) * on_ground - hangs - up
    _lean(put, hanging, drive, lift, rate, rng)
    for axis in "XYZ":
        put[f"Acc{axis}"] = put[f"Acc{axis}"] + 0.03 * rolling * _soft(
            rng.standard_normal(n), max(1, round(0.2 * rate))
        )
    if lift.knocks:
        off = sum(hanging.values()) >= 1.0
        for _ in range(int(rng.integers(2, 8))):
            if not off.any():
                break
            at = int(rng.choice(np.flatnonzero(off)))
            m = round(rng.uniform(0.3, 2.0) * rate)
            part = slice(at, min(n, at + m))
            blow = lift.knocks / 9.80665 * rng.standard_normal(part.stop - part.start)
            for axis in "XYZ":
                put[f"Acc{axis}"][part] += blow * rng.uniform(0.3, 1.0)
    put["Speed"] = put["Speed"] + speed
    put["GyroZ"] = put["GyroZ"] + rolling * rng.uniform(-6.0, 6.0)
    return _spliced(drive, lift, piece, pd.DataFrame(put), high, (first, last), rng)


def _sits(lift: Lift, corner: str) -> float:
    """Return how high a corner sits that was set down, as a part of `Lift.high`."""
    if not any(corner in WHEELS[name] for name in lift.wheels):
        return 0.0
    return float(np.random.default_rng([lift.seed, CORNERS.index(corner), 73]).uniform(0.5, 1.0))


def _lean(
    put: dict[str, Array],
    hanging: dict[str, Array],
    drive: Drive,
    lift: Lift,
    rate: float,
    rng: np.random.Generator,
) -> None:
    """Lean the body as far as it is raised, and let gravity and gyros see it."""
    car = drive.car
    droop = droop_of(drive, lift)
    raised = {c: hanging[c] * (droop[c] / 1000.0 / car.axle(c).damper_ratio + lift.clear) for c in CORNERS}
    nose_down = ((raised["RL"] + raised["RR"]) - (raised["FL"] + raised["FR"])) / 2.0 / car.wheelbase
    # Both wheels of a side raised lean the body to the other one; left side up is positive.
    left_up = ((raised["FL"] + raised["RL"]) - (raised["FR"] + raised["RR"])) / 2.0 / car.front.track
    most = np.max(np.array(list(hanging.values())), axis=0)
    left_up = left_up + np.radians(rng.uniform(-0.7, 0.7)) * most
    nose_down = nose_down + np.radians(rng.uniform(-0.7, 0.7)) * most
    put["AccX"] = put["AccX"] - np.sin(nose_down)
    put["AccY"] = put["AccY"] + np.sin(left_up)
    put["AccZ"] = put["AccZ"] * np.cos(nose_down) * np.cos(left_up)
    put["GyroX"] = put["GyroX"] + np.degrees(np.gradient(left_up)) * rate
    put["GyroY"] = put["GyroY"] + np.degrees(np.gradient(nose_down)) * rate


def _soft(values: Array, width: int) -> Array:
    """Return noise of unit spread without fast parts."""
    box = np.ones(width) / width
    made: Array = np.convolve(np.convolve(values, box, mode="same"), box, mode="same")
    return made / max(float(made.std()), 1e-9)


def _spliced(
    drive: Drive,
    lift: Lift,
    piece: _Piece,
    put: pd.DataFrame,
    high: float,
    stand: tuple[float, float],
    rng: np.random.Generator,
) -> Lifted:
    table, rate = drive.table, drive.rate
    first, last = stand
    middle = int(np.searchsorted(table["Time"], 0.5 * (first + last)))
    before, after = table.iloc[:middle], table.iloc[middle:].copy()
    shift = len(before) / rate
    # What sits high settles as the car rolls away.
    way = np.cumsum(np.maximum(after["Speed"].to_numpy() - 0.15, 0.0)) / rate
    for corner in CORNERS:
        up = high * _sits(lift, corner) * np.exp(-way / 0.5)
        after[f"{corner} pot"] = after[f"{corner} pot"] - up
    if lift.cut and lift.stop == 0:
        held = next(b for name, b, _ in piece.truth)
        put, before = put.iloc[round((held + lift.up) * rate) :], before.iloc[:0]
        shift = -(held + lift.up)
    if lift.cut and lift.stop == 2:
        end = piece.truth[-1][2] - lift.down
        put, after = put.iloc[: round(end * rate)], after.iloc[:0]
    joined = pd.concat([before, put, after], ignore_index=True)
    joined["Time"] = np.arange(len(joined)) / rate
    truth = tuple(
        (name, max(0.0, a + shift), min(b + shift, len(joined) / rate)) for name, a, b in piece.truth
    )
    return Lifted(joined, truth, 0.5 * (first + last), len(put) / rate)
