"""Drive the engine's car through a plan: forces in, the engine's own sensors out."""

from __future__ import annotations

from dataclasses import dataclass

import mujoco
import numpy as np
import numpy.typing as npt
from engine.car import (
    CORNERS,
    EngineCar,
    actuator_index,
    build_model,
    damper_travel,
    sensor_columns,
)
from engine.plan import STEP, Plan
from engine.road import profiles
from mujoco import rollout

Array = npt.NDArray[np.float64]
_STATE = mujoco.mjtState.mjSTATE_FULLPHYSICS
_INPUTS = int(mujoco.mjtState.mjSTATE_CTRL | mujoco.mjtState.mjSTATE_XFRC_APPLIED)
LEVEL_START = 5.0
"""Way over which the road's roughness grows from a level start [m]."""
SETTLING = 0.35
"""Time constant of the smoothing of first-pass loads before tyres share the sideways force by them [s]."""


@dataclass(frozen=True)
class Driven:
    """What the engine did, one row per time step.

    Parameters
    ----------
    time : array
        [s].
    damper : dict
        Damper travel per corner [m].
    load : dict
        Contact load per corner, square to the road [N].
    force : array
        Specific force where the inertial unit sits, body axes: n x 3 [m/s2].
    cg_force : array
        The same at the sprung CG.
    rate : array
        Angular velocity of the body, body axes: n x 3 [rad/s].
    roll : dict
        Suspension roll per axle [rad].
    body_roll : array
        Roll of the body against the road plane [rad].
    plan : Plan
        What was driven.
    """

    time: Array
    damper: dict[str, Array]
    load: dict[str, Array]
    force: Array
    cg_force: Array
    rate: Array
    roll: dict[str, Array]
    body_roll: Array
    plan: Plan

    def left_share(self, axle: str) -> Array:
        """Return left / (left + right) load of ``front`` or ``rear``."""
        letter = axle[0].upper()
        left, right = self.load[f"{letter}L"], self.load[f"{letter}R"]
        return left / (left + right)


def drive_plans(
    car: EngineCar, plans: list[Plan], road_class: str = "smooth", seed: int = 0, ruled: bool = False
) -> list[Driven]:
    """Drive plans of the same length.

    A first pass on a smooth road shares the sideways force of an axle evenly; the second one shares it by the
    loads of the first, as tyres do. On a `ruled` road a bank twists the ground between the axles, as a real
    one does (`_ruled`); else the whole plane turns with the car.
    """
    model = build_model(car)
    fields = [_Field(car, model, plan) for plan in plans]
    even = {corner: np.full((len(plans), plans[0].speed.size), 0.5) for corner in CORNERS}
    first = _roll_out(model, [_inputs(car, model, f, even, k, None) for k, f in enumerate(fields)])
    share = _shares_by_load(model, first)
    roads = None
    if ruled or road_class != "smooth":
        roads = [_road(car, plan, road_class, seed) for plan in plans]
    if ruled and roads is not None:
        banked = [_ruled(car, plan) for plan in plans]
        roads = [{c: road[c] + more[c] for c in CORNERS} for road, more in zip(roads, banked, strict=True)]
    inputs = [_inputs(car, model, f, share, k, roads and roads[k]) for k, f in enumerate(fields)]
    sensed = _roll_out(model, inputs)
    return [_read(car, model, f, sensed[k]) for k, f in enumerate(fields)]


class _Field:
    """The moving frame of a plan and the inertia forces it puts on every body."""

    def __init__(self, car: EngineCar, model: mujoco.MjModel, plan: Plan) -> None:
        self.plan = plan
        self.base = plan.force()
        self.spin = plan.spin()
        self.spin_rate = np.gradient(self.spin, STEP, axis=0)
        self.bodies = {"sprung": np.array([0.0, 0.0, car.sprung_height])}
        for corner in CORNERS:
            self.bodies[f"wheel_{corner}"] = np.array([*car.place(corner), car.axle(corner).wheel_radius])
        self.wrench = np.zeros((plan.speed.size, model.nbody, 6))
        for name, place in self.bodies.items():
            body = model.body(name)
            self.wrench[:, body.id, :3] = -float(body.mass[0]) * self.at(place)
            inertia = body.inertia
            turned = np.cross(self.spin, inertia * self.spin)
            self.wrench[:, body.id, 3:] = -inertia * self.spin_rate - turned

    def at(self, place: Array) -> Array:
        """Return the specific force of a point fixed in the frame [m/s2]."""
        swing = np.cross(self.spin, np.cross(self.spin, place))
        result: Array = self.base + np.cross(self.spin_rate, place) + swing
        return result

    def ground_forces(self, car: EngineCar) -> dict[str, tuple[Array, Array]]:
        """Return the force sideways and lengthways that the tyres of each axle must give [N]."""
        total = self.wrench[:, :, :3].sum(axis=1)
        moment = self.wrench[:, :, 5].sum(axis=1)
        for number, place in enumerate(self.bodies.values(), start=1):
            moment = moment + place[0] * self.wrench[:, number, 1] - place[1] * self.wrench[:, number, 0]
        ahead = car.front_distance
        behind = car.wheelbase - ahead
        front = -(behind * total[:, 1] + moment) / car.wheelbase
        weight = car.front_mass / car.mass
        return {
            "F": (front, -total[:, 0] * weight),
            "R": (-total[:, 1] - front, -total[:, 0] * (1.0 - weight)),
        }


def _inputs(
    car: EngineCar,
    model: mujoco.MjModel,
    field: _Field,
    share: dict[str, Array],
    run: int,
    road: dict[str, Array] | None,
) -> Array:
    count = field.plan.speed.size
    control = np.zeros((count, model.nu))
    forces = field.ground_forces(car)
    for corner in CORNERS:
        across, along = forces[corner[0]]
        control[:, actuator_index(model, f"side_{corner}")] = across * share[corner][run]
        control[:, actuator_index(model, f"along_{corner}")] = along / 2.0
        if road is not None:
            axle = car.axle(corner)
            # The tyre's damper feels how fast the road rises as well.
            rise = axle.tyre_damping / axle.tyre_rate * np.gradient(road[corner], STEP)
            control[:, actuator_index(model, f"load_{corner}")] = road[corner] + rise
    return np.hstack([control, field.wrench.reshape(count, -1)])


def _roll_out(model: mujoco.MjModel, inputs: list[Array]) -> Array:
    data = mujoco.MjData(model)
    start = np.zeros(mujoco.mj_stateSize(model, _STATE))
    mujoco.mj_getState(model, data, start, _STATE)
    _, sensed = rollout.rollout(model, data, start[np.newaxis], np.stack(inputs), control_spec=_INPUTS)
    result: Array = sensed
    return result


def _shares_by_load(model: mujoco.MjModel, sensed: Array) -> dict[str, Array]:
    width = round(SETTLING / STEP)
    window = np.hanning(width + 2)[1:-1]
    loads = {}
    for corner in CORNERS:
        raw = sensed[:, :, sensor_columns(model, f"load_{corner}")][:, :, 0]
        padded = np.pad(raw, ((0, 0), (width // 2, width // 2)), mode="edge")
        smooth = [np.convolve(row, window / window.sum(), mode="same") for row in padded]
        loads[corner] = np.array(smooth)[:, width // 2 : width // 2 + raw.shape[1]]
    return {c: loads[c] / (loads[f"{c[0]}L"] + loads[f"{c[0]}R"]) for c in CORNERS}


def _road(car: EngineCar, plan: Plan, road_class: str, seed: int) -> dict[str, Array]:
    """Return the road height under every wheel; the rear wheels follow the front ones' tracks."""
    travelled = np.concatenate([[0.0], np.cumsum(plan.speed[:-1]) * STEP])
    distance, left, right = profiles(travelled[-1] + 2.0 * car.wheelbase, car.front.track, road_class, seed)
    fade = np.clip(travelled / LEVEL_START, 0.0, 1.0)
    heights = {}
    for corner in CORNERS:
        place = travelled + (car.wheelbase if corner[0] == "F" else 0.0)
        heights[corner] = fade * np.interp(place, distance, left if corner[1] == "L" else right)
    return heights


def _ruled(car: EngineCar, plan: Plan) -> dict[str, Array]:
    """Return how far a banked road lies above its plane under the car's middle at every wheel.

    The road is straight across its path at every place of it, its path level: a wheel X ahead and Y to the
    left, along the path, stands on the line across at X, Y - curvature X^2 / 2 from the path.
    """
    travelled = np.concatenate([[0.0], np.cumsum(plan.speed[:-1]) * STEP])
    curvature = plan.turning / np.maximum(plan.speed, 1.0)
    cos, sin = np.cos(plan.slip), np.sin(plan.slip)
    heights = {}
    for corner in CORNERS:
        ahead, left = car.place(corner)[:2]
        along, across = ahead * cos - left * sin, ahead * sin + left * cos
        there = np.interp(travelled + along, travelled, plan.bank)
        from_path = across - curvature * along**2 / 2.0
        heights[corner] = np.sin(plan.bank) * across - np.sin(there) * from_path
    return heights


def _read(car: EngineCar, model: mujoco.MjModel, field: _Field, sensed: Array) -> Driven:
    turn = _into_body(sensed[:, sensor_columns(model, "attitude")])
    spin, spin_rate = _turned(turn, field.spin), _turned(turn, field.spin_rate)
    relative = sensed[:, sensor_columns(model, "rate")]
    at_cg = _turned(turn, field.at(field.bodies["sprung"]))
    arm = np.array(car.imu)
    swing = np.cross(spin_rate, arm) + np.cross(spin, np.cross(spin, arm))
    swing = swing + 2.0 * np.cross(spin, np.cross(relative, arm))
    slide = {c: sensed[:, sensor_columns(model, f"travel_{c}")][:, 0] for c in CORNERS}
    travel = {c: slide[c] * np.cos(car.axle(c).lean) for c in CORNERS}
    roll = {
        name: np.arctan((travel[f"{letter}R"] - travel[f"{letter}L"]) / axle.track)
        for name, letter, axle in (("front", "F", car.front), ("rear", "R", car.rear))
    }
    return Driven(
        time=field.plan.time,
        damper={c: damper_travel(car, c, slide[c]) for c in CORNERS},
        load={c: sensed[:, sensor_columns(model, f"load_{c}")][:, 0] for c in CORNERS},
        force=sensed[:, sensor_columns(model, "imu_force")] + at_cg + swing,
        cg_force=sensed[:, sensor_columns(model, "cg_force")] + at_cg,
        rate=relative + spin,
        roll=roll,
        body_roll=np.arctan2(turn[:, 1, 2], turn[:, 2, 2]),
        plan=field.plan,
    )


def _into_body(attitude: Array) -> Array:
    """Return the matrices that turn frame axes into body axes, from quaternions."""
    w, x, y, z = attitude.T
    rows = [
        [1 - 2 * (y * y + z * z), 2 * (x * y + w * z), 2 * (x * z - w * y)],
        [2 * (x * y - w * z), 1 - 2 * (x * x + z * z), 2 * (y * z + w * x)],
        [2 * (x * z + w * y), 2 * (y * z - w * x), 1 - 2 * (x * x + y * y)],
    ]
    return np.array(rows).transpose(2, 0, 1)


def _turned(matrices: Array, vectors: Array) -> Array:
    result: Array = np.einsum("nij,nj->ni", matrices, vectors)
    return result
