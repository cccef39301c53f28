"""Equations of motion of the virtual car and their integration, for many runs side by side.

A rigid sprung body with six degrees of freedom in an inertial frame; four point masses that slide along
guides fixed to the body, whose slope makes the roll centres and whose camber gain sets the wheel's own
path; tyres as vertical springs on a rough, banked surface, carrying the in-plane forces that the driver
asks for. Newton and Euler for all parts, by Jourdain's principle of virtual power: with velocities u = (body,
turning, wheel travels), sum J' m (a - g) = sum C' T - S, solved for the ten accelerations at each step.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.demo.virtual_car import GRAVITY, SIDE, CarTruth, Floats, Suspension
from analyzer.demo.virtual_course import DT, Ground, Plan, ground_chunks

HOLD: Final = 3.0
"""Natural frequency with which the driver holds the line and the heading [rad/s], critically damped."""

ASK_EVERY: Final = 4
"""The driver and the tyres' sideways lag are slow: their forces are asked for every so many steps."""

TYRE_LAG: Final = 0.035
"""Time constant of the tyres' lateral forces (relaxation length over speed, about) [s]."""

LOAD_SENSE: Final = 0.9
"""An axle's side force is shared by wheel load to this power."""

FRONT_BRAKE: Final = 0.6
"""Part of the braking that the front axle does."""


@dataclass(frozen=True)
class Motion:
    """What the virtual car did; arrays over (steps, runs, ...), every `DT` seconds.

    Parameters
    ----------
    travel : ndarray
        Wheel travel, bump positive, (.., 4) [m].
    load : ndarray
        Tyre load normal to the road, (.., 4) [N].
    force : ndarray
        Specific force at the sprung CG in body axes, (.., 3) [m/s2].
    turning, turning_rate : ndarray
        Angular velocity [rad/s] and acceleration [rad/s2] in body axes, (.., 3).
    acceleration : ndarray
        Acceleration of the sprung CG in body axes, (.., 3) [m/s2].
    place, velocity : ndarray
        Of the sprung CG in the inertial frame, (.., 3) [m], [m/s].
    up : ndarray
        Third row of the body's rotation: the inertial vertical in body axes, (.., 3).
    steer : ndarray
        Road-wheel angle, left positive [rad].
    """

    travel: Floats
    load: Floats
    force: Floats
    turning: Floats
    turning_rate: Floats
    acceleration: Floats
    place: Floats
    velocity: Floats
    up: Floats
    steer: Floats


class Engine:
    """State and constant matrices of all runs."""

    def __init__(self, car: CarTruth, bars: Floats) -> None:
        runs = bars.shape[0]
        self.car = car
        self.suspension = Suspension.of(car, bars)
        self.mass = car.wheel_mass
        places = car.wheel_places()
        track = car.per_wheel("track")
        self.guide = 2.0 * car.per_wheel("roll_centre") / track
        self.guide_bend = -2.0 * car.per_wheel("roll_centre_drop") / track
        self.lean = car.per_wheel("wheel_radius") * car.per_wheel("camber_gain")
        self.contact_0 = places
        self.centre_0 = places + np.array([0.0, 0.0, 1.0]) * car.per_wheel("wheel_radius")[:, None]
        self.squash_0 = np.array(car.loads) / car.per_wheel("tyre_rate")
        self.tyre_rate, self.tyre_damping = car.per_wheel("tyre_rate"), car.per_wheel("tyre_damping")
        self.inertia = np.diag([car.roll_inertia, car.pitch_inertia, car.yaw_inertia])
        self.yaw_inertia = car.yaw_inertia + float(np.sum(self.mass * np.sum(places[:, :2] ** 2, axis=1)))
        self.lever = (float(places[0, 0]), float(-places[2, 0]))
        self.root = np.sqrt(self.mass)
        self.block = np.zeros((10, 10))
        self.block[:3, :3] = np.eye(3) * car.sprung_mass
        self.block[3:6, 3:6] = self.inertia
        # Both Jacobians lie in one array, so that one product sums wheels and tyres.
        self.both, self.pushes = np.zeros((runs, 2, 4, 3, 10)), np.zeros((runs, 2, 4, 3))
        self.J, self.C = self.both[:, 0], self.both[:, 1]
        self.D, self.E = np.zeros((runs, 4, 3)), np.zeros((runs, 4, 3))
        self.bend = np.zeros((4, 3))
        self.bend[:, 1] = SIDE * self.guide_bend
        self.J[..., :3] = np.eye(3) * self.root[:, None, None]
        self.C[..., :3] = np.eye(3)
        # Views on the columns of each wheel's own travel.
        self.J_travel, self.C_travel = (np.einsum("rwcw->rwc", m[..., 6:]) for m in (self.J, self.C))
        self.J_travel[..., 2], self.C_travel[..., 2] = self.root, 1.0
        self.D[..., 2] = 1.0
        self.E[..., 2] = 1.0
        self.centre = np.broadcast_to(self.centre_0, (runs, 4, 3)).copy()
        self.contact = np.broadcast_to(self.contact_0, (runs, 4, 3)).copy()
        self.spin = np.zeros((runs, 3, 3))
        self.place = np.zeros((runs, 3))
        self.velocity = np.zeros((runs, 3))
        self.turn = np.broadcast_to(np.eye(3), (runs, 3, 3)).copy()
        self.turning = np.zeros((runs, 3))
        self.travel = np.zeros((runs, 4))
        self.travel_speed = np.zeros((runs, 4))
        self.asked = np.zeros((runs, 4))
        self.load = np.tile(np.array(car.loads), (runs, 1))
        self.force = np.zeros((runs, 3))
        self.acceleration = np.zeros((runs, 3))
        self.turning_rate = np.zeros((runs, 3))

    def start(self, pose: Floats) -> None:
        """Set the runs on level ground at their first meant pose."""
        self.place[:, :2], self.place[:, 2] = pose[:, :2], self.car.sprung_cg_height
        self.velocity[:, :2] = pose[:, 2:4]
        cos, sin = np.cos(pose[:, 4]), np.sin(pose[:, 4])
        self.turn[:, 0, 0], self.turn[:, 0, 1] = cos, -sin
        self.turn[:, 1, 0], self.turn[:, 1, 1] = sin, cos
        self.turning[:, 2] = pose[:, 5]

    def step(self, ground: Ground, k: int) -> None:
        """Advance all runs by one step of semi-implicit Euler."""
        self._geometry(ground.steer[k])
        tyres = self._tyres(ground, k)
        rates = self._accelerations(tyres)
        self.turning_rate = rates[:, 3:6]
        self.acceleration = rates[:, :3]
        self.force = self.acceleration + GRAVITY * self.turn[:, 2, :]
        self.velocity = self.velocity + DT * (self.turn @ rates[:, :3, None])[..., 0]
        self.turning = self.turning + DT * self.turning_rate
        self.travel_speed = self.travel_speed + DT * rates[:, 6:]
        self.place = self.place + DT * self.velocity
        self.travel = self.travel + DT * self.travel_speed
        self._skew()
        self.turn = self.turn + DT * (self.turn @ self.spin)
        if k % 20 == 0:  # back to a rotation: one Newton step towards the nearest one
            self.turn = 1.5 * self.turn - 0.5 * self.turn @ self.turn.transpose(0, 2, 1) @ self.turn

    def _skew(self) -> None:
        spin, turning = self.spin, self.turning
        spin[:, 2, 1], spin[:, 0, 2], spin[:, 1, 0] = turning[:, 0], turning[:, 1], turning[:, 2]
        spin[:, 1, 2], spin[:, 2, 0], spin[:, 0, 1] = -turning[:, 0], -turning[:, 1], -turning[:, 2]

    def _geometry(self, steer: Floats) -> None:
        """Place wheel centres and contact points in body axes and fill both Jacobians."""
        w = self.travel
        # Along its guide a wheel moves sideways as it rises: that slope makes the roll centre, its bend lets
        # it fall.
        slope = SIDE * (self.guide + self.guide_bend * w)
        sideways = SIDE * (self.guide + 0.5 * self.guide_bend * w) * w
        self.E[..., 1] = slope
        self.D[..., 1] = slope - SIDE * self.lean
        self.contact[..., 1] = self.contact_0[:, 1] + sideways
        self.contact[..., 2] = self.contact_0[:, 2] + w
        jack = self.car.steer_jack * steer
        self.contact[:, 0, 2] += jack
        self.contact[:, 1, 2] -= jack
        self.centre[..., 1] = self.centre_0[:, 1] + sideways - SIDE * self.lean * w
        self.centre[..., 2] = self.centre_0[:, 2] + w
        _fill_cross(self.J, self.centre * self.root[:, None])
        self.J_travel[..., 1] = self.D[..., 1] * self.root
        self.C_travel[..., 1] = slope

    def _tyres(self, ground: Ground, k: int) -> Floats:
        """Return the forces on the four contacts in body axes, (runs, 4, 3), and complete C."""
        to_body = self.turn
        to_world = to_body.transpose(0, 2, 1)
        frame = ground.frame[k]
        moving = self.contact @ self.spin.transpose(0, 2, 1) + self.E * self.travel_speed[..., None]
        # One product for both: how far the contact is from its ground point, and how fast it moves.
        both = np.concatenate([self.contact, moving], axis=1) @ to_world
        both[:, :4] += self.place[:, None] - ground.point[k]
        both[:, 4:] += self.velocity[:, None]
        local = frame @ both.reshape(-1, 2, 4, 3).transpose(0, 2, 3, 1)  # rows: normal, left, forward
        # A tyre pushes and never pulls: off the ground it has no load, however fast it comes back.
        squash = self.squash_0 - local[:, :, 0, 0]
        squash_speed = ground.rough_rate[k] - local[:, :, 0, 1]
        load = self.tyre_rate * squash + self.tyre_damping * squash_speed
        self.load = np.where(squash > 0.0, np.maximum(load, 0.0), 0.0)
        # The tyre is shorter by what it is squashed: the road acts there.
        self.contact[..., 2] += squash - self.squash_0
        _fill_cross(self.C, self.contact)
        stray = local[:, :, 1, 1] - ground.side_speed[k]
        if k % ASK_EVERY == 0:
            self._ask(ground, k)
        side, ahead = self._shared()
        side = side - ground.slip_damping[k] * stray * (self.load / self.car.loads)
        push = np.stack([self.load, side, ahead], axis=-1)[:, :, None, :]
        return np.asarray((push @ frame)[:, :, 0] @ to_body)

    def _ask(self, ground: Ground, k: int) -> None:
        """Ask the tyres for the forces that hold the car on its meant path: side, then forward, per axle."""
        pose, axes = ground.pose[k], ground.axes[k]
        stray = HOLD**2 * (pose[:, :2] - self.place[:, :2]) + 2.0 * HOLD * (
            pose[:, 2:4] - self.velocity[:, :2]
        )
        pull = ground.need[k, :, :2] + (axes @ stray[..., None])[..., 0]
        nose = np.arctan2(self.turn[:, 1, 0], self.turn[:, 0, 0])
        miss = np.remainder(pose[:, 4] - nose + np.pi, 2.0 * np.pi) - np.pi
        twist = ground.need[k, :, 2] + HOLD**2 * miss + 2.0 * HOLD * (pose[:, 5] - self.turning[:, 2])
        along, across, moment = (
            self.car.mass * pull[:, 0],
            self.car.mass * pull[:, 1],
            self.yaw_inertia * twist,
        )
        a, b = self.lever
        # Side force and moment about the CG fix both axles' share.
        front = (b * across + moment) / (a + b)
        braking = FRONT_BRAKE * np.minimum(along, 0.0)
        # Square to a steered wheel its side force points backwards, too, by the tangent of the angle.
        asked = np.stack(
            [front, across - front, braking - front * np.tan(ground.steer[k]), np.zeros_like(front)], axis=1
        )
        asked[:, 3] = along - asked[:, 2]  # the driven wheels make up what the steered ones hold back
        self.asked = self.asked + (asked - self.asked) * (ASK_EVERY * DT / TYRE_LAG)

    def _shared(self) -> tuple[Floats, Floats]:
        """Return the side and forward force of each tyre: an axle's force goes by load."""
        weight = self.load**LOAD_SENSE
        pairs = weight.reshape(-1, 2, 2)
        share = pairs / np.maximum(pairs.sum(-1, keepdims=True), 1.0)
        side, ahead = (share * self.asked[:, part, None] for part in (slice(0, 2), slice(2, 4)))
        return side.reshape(-1, 4), ahead.reshape(-1, 4)

    def _accelerations(self, tyres: Floats) -> Floats:
        runs = self.travel.shape[0]
        spin = self.spin.transpose(0, 2, 1)
        speed = self.travel_speed[..., None]
        # What the wheels accelerate by without any of the unknowns: turning, moving on a turning body, a bent
        # guide.
        drift = (self.centre @ spin + 2.0 * self.D * speed) @ spin + self.bend * speed**2
        gravity = -GRAVITY * self.turn[:, 2, :]
        np.multiply(self.root[:, None], gravity[:, None] - drift, out=self.pushes[:, 0])
        self.pushes[:, 1] = tyres
        right = (self.pushes.reshape(runs, 1, 24) @ self.both.reshape(runs, 24, 10))[:, 0]
        J = self.J.reshape(runs, 12, 10)
        right[:, :3] += self.car.sprung_mass * gravity
        right[:, 3:6] -= (self.spin @ (self.inertia @ self.turning[..., None]))[..., 0]
        right[:, 6:] -= self.suspension.force(self.travel, self.travel_speed)
        matrix = J.transpose(0, 2, 1) @ J + self.block
        return np.asarray(np.linalg.solve(matrix, right[..., None])[..., 0])


def _fill_cross(jacobian: Floats, place: Floats) -> None:
    """Write the columns for turning: velocity = turning x place."""
    x, y, z = place[..., 0], place[..., 1], place[..., 2]
    jacobian[..., 0, 4], jacobian[..., 0, 5] = z, -y
    jacobian[..., 1, 3], jacobian[..., 1, 5] = -z, x
    jacobian[..., 2, 3], jacobian[..., 2, 4] = y, -x


def simulate(car: CarTruth, bars: Floats, plan: Plan) -> Motion:
    """Drive all runs of a `plan` with the given `bars` (runs, 4) and return what the car did."""
    steps, runs = plan.shape
    engine = Engine(car, bars)
    names = ("travel", "load", "force", "turning", "turning_rate", "acceleration", "place", "velocity")
    kept = {name: np.empty((steps, runs, 4 if name in ("travel", "load") else 3)) for name in names}
    up, steer = np.empty((steps, runs, 3)), np.empty((steps, runs))
    # All runs side by side: the step is a loop in Python, so the runs share its cost.
    done = 0
    for ground in ground_chunks(plan, car):
        if done == 0:
            engine.start(ground.pose[0])
        # State before the step, forces during it: an accelerometer reads the force of the step it is in.
        for k in range(ground.steer.shape[0]):
            kept["travel"][done + k] = engine.travel
            up[done + k] = engine.turn[:, 2]
            kept["place"][done + k], kept["velocity"][done + k] = engine.place, engine.velocity
            kept["turning"][done + k] = engine.turning
            engine.step(ground, k)
            kept["load"][done + k], kept["force"][done + k] = engine.load, engine.force
            kept["turning_rate"][done + k] = engine.turning_rate
            kept["acceleration"][done + k] = engine.acceleration
        steer[done : done + ground.steer.shape[0]] = ground.steer
        done += ground.steer.shape[0]
    return Motion(**kept, up=up, steer=steer)
