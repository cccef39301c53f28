"""What the driver makes the car do: distance, speed and pose over time, and the ground under each wheel."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.demo.virtual_car import GRAVITY, SIDE, CarTruth, Floats
from analyzer.demo.virtual_course import DRIVE_COLUMNS, STEP, Manner, Roughness

DT: Final = 0.00125
"""Time step of the engine [s]."""

CHUNK: Final = 4000
"""Steps whose ground is worked out at once."""

FRONT_SLIP: Final = np.radians(6.0)
"""Slip angle of the steered wheels in a full corner [rad]."""


@dataclass(frozen=True)
class Plan:
    """Meant motion of several runs side by side; arrays are (steps, runs).

    Parameters
    ----------
    tables : ndarray
        Course tables, (runs, points, columns).
    distance, speed, speed_rate : ndarray
        Along the path [m], [m/s], [m/s2].
    place : ndarray
        Of the sprung CG in the horizontal plane, (steps, runs, 2) [m].
    roads : list of Roughness or None
        Surface of each run; None for a smooth one.
    """

    tables: Floats
    distance: Floats
    speed: Floats
    speed_rate: Floats
    place: Floats
    roads: list[Roughness] | None

    @property
    def shape(self) -> tuple[int, int]:
        """Steps and runs."""
        steps, runs = self.distance.shape
        return steps, runs

    def course(self, distance: Floats) -> dict[str, Floats]:
        """Return the course columns at a `distance` whose second axis is the run."""
        points = self.tables.shape[1]
        along = np.clip(distance / STEP, 0.0, points - 1.001)
        i = along.astype(np.intp)
        u = (along - i)[..., None]
        run = np.arange(self.tables.shape[0]).reshape((1, -1) + (1,) * (distance.ndim - 2))
        rows = (1.0 - u) * self.tables[run, i] + u * self.tables[run, i + 1]
        return {name: rows[..., column] for column, name in enumerate(DRIVE_COLUMNS)}


def drive(
    tables: Floats, manners: list[Manner], finish: float, roads: list[Roughness] | None
) -> tuple[Plan, Floats]:
    """Return the plan of runs that start and end standing still, and each run's end time [s].

    The driver takes what the speed column asks for a little ahead, with bounded acceleration, and brakes
    to a stop at the distance `finish`.
    """
    coarse = 0.01
    runs = len(manners)
    start = np.array([manner.start for manner in manners])
    distance, speed, pull = np.zeros(runs), np.zeros(runs), np.zeros(runs)
    rows, stopped = [], np.full(runs, np.inf)
    for step in range(int(120.0 / coarse)):
        now = step * coarse
        ahead = np.minimum(((distance + 0.35 * speed) / STEP).astype(np.intp), tables.shape[1] - 1)
        wanted = tables[np.arange(runs), ahead, DRIVE_COLUMNS.index("speed")]
        wanted = np.minimum(wanted, np.sqrt(2.0 * 4.5 * np.maximum(finish - distance, 0.0)))
        asked = np.clip((wanted - speed) / 0.35, -6.0, 5.0) * (now >= start)
        pull = pull + (asked - pull) * coarse / 0.15
        # Below walking pace at the end the brakes hold the car.
        halted = (now > start + 5.0) & (speed < 0.4)
        stopped = np.where(halted & np.isinf(stopped), now, stopped)
        pull = np.where(np.isfinite(stopped), -speed / 0.15, pull)
        rows.append(pull.copy())
        speed = np.maximum(speed + pull * coarse, 0.0)
        distance = distance + speed * coarse
        if np.all(np.isfinite(stopped)) and now > float(np.max(stopped)) + max(m.finish for m in manners):
            break
    ends = stopped + np.array([manner.finish for manner in manners])
    return plan_from(tables, np.array(rows), coarse, np.zeros(runs), roads), ends


def plan_from(
    tables: Floats, pulls: Floats, spacing: float, speed: Floats, roads: list[Roughness] | None
) -> Plan:
    """Return the plan that follows from accelerations given every `spacing` seconds and a first speed."""
    steps = int((pulls.shape[0] - 1) * spacing / DT)
    when = np.arange(steps) * DT
    knots = np.arange(pulls.shape[0]) * spacing
    rate = np.stack([np.interp(when, knots, column) for column in pulls.T], axis=1)
    fast = np.maximum(speed + _integral(rate), 0.0)
    plan = Plan(tables, _integral(fast), fast, rate, np.zeros((0,)), roads)
    heading = plan.course(plan.distance)["heading"]
    way = fast[..., None] * np.stack([np.cos(heading), np.sin(heading)], axis=-1)
    return Plan(tables, plan.distance, fast, rate, _integral(way), roads)


def _integral(rate: Floats) -> Floats:
    steps = 0.5 * (rate[1:] + rate[:-1]) * DT
    return np.concatenate([np.zeros_like(rate[:1]), np.cumsum(steps, axis=0)])


@dataclass(frozen=True)
class Ground:
    """Meant pose and ground for a chunk of steps.

    Parameters
    ----------
    point : ndarray
        Ground point under each wheel, (steps, runs, 4, 3).
    frame : ndarray
        Rows: normal, left and forward at that point, (steps, runs, 4, 3, 3).
    rough_rate : ndarray
        Speed of the rough surface along the normal under each wheel, (steps, runs, 4) [m/s].
    side_speed : ndarray
        Meant speed of each contact to the left, (steps, runs, 4) [m/s].
    slip_damping : ndarray
        Force per unmeant sideways speed, (steps, runs, 4) [N s/m].
    pose : ndarray
        Meant x, y, their speeds, yaw, yaw rate, (steps, runs, 6).
    need : ndarray
        Meant specific force forward and left in the road plane, and yaw acceleration, (steps, runs, 3).
    axes : ndarray
        Forward and left in the road plane at the CG, horizontal parts, (steps, runs, 2, 2).
    steer : ndarray
        Road-wheel angle, left positive, (steps, runs) [rad].
    """

    point: Floats
    frame: Floats
    rough_rate: Floats
    side_speed: Floats
    slip_damping: Floats
    pose: Floats
    need: Floats
    axes: Floats
    steer: Floats


def ground_chunks(plan: Plan, car: CarTruth) -> Iterator[Ground]:
    """Yield the ground for all steps, chunk by chunk."""
    steps = plan.shape[0]
    for begin in range(0, steps, CHUNK):
        yield _ground(plan, car, begin, min(begin + CHUNK, steps))


def _ground(plan: Plan, car: CarTruth, begin: int, end: int) -> Ground:
    # One step more on the left for differences in time.
    first = max(begin - 1, 0)
    s, v, rate = (a[first:end] for a in (plan.distance, plan.speed, plan.speed_rate))
    xy = plan.place[first:end]
    at = plan.course(s)
    yaw = at["heading"] + at["slip"]
    turn = at["curvature"] * v
    # The body yaws with its path and with its slip; the path alone turns the velocity.
    yaw_rate = (at["curvature"] + at["slip_rate"]) * v
    yaw_acc = (at["curvature_rate"] + at["slip_bend"]) * v**2 + (at["curvature"] + at["slip_rate"]) * rate
    course_dir = _unit(at["heading"])
    velocity = v[..., None] * course_dir
    acceleration = rate[..., None] * course_dir + (v * turn)[..., None] * _left(course_dir)
    # Vertical specific force of the path: dips press, crests lift.
    lift = at["height_bend"] * v**2 + at["height_rate"] * rate + GRAVITY

    up, ahead, side = _axes(at["bank"], at["height_rate"], at["heading"], yaw)
    force = np.concatenate([acceleration, lift[..., None]], axis=-1)
    need = np.stack([np.sum(force * ahead, -1), np.sum(force * side, -1), yaw_acc], axis=-1)

    # Each wheel stands on its own piece of banked and rough ground.
    places = car.wheel_places()
    offset = ahead[..., None, :2] * places[:, :1] + side[..., None, :2] * places[:, 1:2]
    offset = offset + up[..., None, :2] * places[:, 2:]
    point, normal, rough = _surface(plan, s, at, course_dir, xy, offset)
    forward, left = _in_plane(normal, yaw)
    rough_rate = np.gradient(rough, DT, axis=0) if rough.shape[0] > 1 else np.zeros_like(rough)
    flow = velocity[..., None, :] + yaw_rate[..., None, None] * _left(offset)
    # Tyres that slip sideways damp; below 4 m/s the damping would grow without bound.
    side_speed = np.sum(flow * left[..., :2], axis=-1)
    damping = car.per_wheel("tyre_slip") / np.maximum(v, 4.0)[..., None]
    steer = _steer(v, at, yaw_rate, places[0, 0], need[..., 1])
    pose = np.concatenate([xy, velocity, yaw[..., None], yaw_rate[..., None]], axis=-1)
    axes = np.stack([ahead[..., :2], side[..., :2]], axis=-2)
    keep = slice(begin - first, None)
    frame = np.stack([normal, left, forward], axis=-2)
    parts = (point, frame, rough_rate * normal[..., 2], side_speed, damping, pose, need, axes, steer)
    return Ground(*(np.ascontiguousarray(part[keep]) for part in parts))


def _surface(
    plan: Plan, s: Floats, at: dict[str, Floats], course_dir: Floats, xy: Floats, offset: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return ground point, normal and rough height under four places around the CG."""
    along = np.sum(offset * course_dir[..., None, :], axis=-1)
    across = np.sum(offset * _left(course_dir)[..., None, :], axis=-1)
    bend = at["curvature"][..., None]
    lateral = across - 0.5 * bend * along**2
    distance = s[..., None] + along / (1.0 - bend * across)
    here = plan.course(distance)
    slope = np.tan(here["bank"])
    rough = np.zeros_like(distance)
    if plan.roads is not None:
        for run, road in enumerate(plan.roads):
            rough[:, run] = road.at(distance[:, run], lateral[:, run])
    height = here["height"] - lateral * slope + rough
    rise = here["height_rate"] - lateral * here["bank_rate"] * (1.0 + slope**2)
    direction = _unit(here["heading"])
    gradient = rise[..., None] * direction - slope[..., None] * _left(direction)
    normal = np.concatenate([-gradient, np.ones_like(rough)[..., None]], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    point = np.concatenate([xy[..., None, :] + offset, height[..., None]], axis=-1)
    return point, normal, rough


def _axes(bank: Floats, rise: Floats, heading: Floats, yaw: Floats) -> tuple[Floats, Floats, Floats]:
    direction = _unit(heading)
    gradient = rise[..., None] * direction - np.tan(bank)[..., None] * _left(direction)
    up = np.concatenate([-gradient, np.ones_like(bank)[..., None]], axis=-1)
    up /= np.linalg.norm(up, axis=-1, keepdims=True)
    ahead, side = _in_plane(up[..., None, :], yaw)
    return up, ahead[..., 0, :], side[..., 0, :]


def _in_plane(normal: Floats, yaw: Floats) -> tuple[Floats, Floats]:
    """Return forward and left in the plane of each `normal`, for a car that points along `yaw`."""
    nose = np.concatenate([_unit(yaw), np.zeros_like(yaw)[..., None]], axis=-1)[..., None, :]
    left = np.cross(normal, np.broadcast_to(nose, normal.shape))
    left /= np.linalg.norm(left, axis=-1, keepdims=True)
    return np.cross(left, normal), left


def _steer(v: Floats, at: dict[str, Floats], yaw_rate: Floats, front: float, side: Floats) -> Floats:
    """Return the road-wheel angle: along the front axle's motion, less its slip angle."""
    moving = np.maximum(v, 1.0)
    flow = np.arctan2(-moving * np.sin(at["slip"]) + front * yaw_rate, moving * np.cos(at["slip"]))
    full = np.clip(side / GRAVITY, -1.2, 1.2)
    return np.asarray((flow + FRONT_SLIP * full) * np.clip(v / 3.0, 0.0, 1.0))


def _unit(angle: Floats) -> Floats:
    return np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def _left(vector: Floats) -> Floats:
    return np.stack([-vector[..., 1], vector[..., 0]], axis=-1)


__all__ = ["DT", "SIDE", "Ground", "Plan", "drive", "ground_chunks", "plan_from"]
