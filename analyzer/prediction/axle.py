"""Roll stiffness of the axles, roll of car and suspension, and load transfer, in body axes.

Per unit lateral specific force in body axes f: with the body turned by theta_a against the ground at axle a,
phi_a by suspension and the rest by its tyres,

    K_a phi_a = E_a + K_shell (theta_other - theta_a)             springs and bar carry the elastic moment
    theta_a   = phi_a + (K_a phi_a + D_a (1 - g phi_a)) / K_t,a   tyres carry all of the axle's moment

with E_a the elastic moment and D_a the moment that goes straight to the tyres (force at the roll centre,
unsprung mass), both per f. The direct part acts in the axle's own axes, which lean with the tyres only:
hence 1 - g phi_a. On a level road f = a_y + g theta, which gives the conventional gradients (Gillespie,
Fundamentals of Vehicle Dynamics, ch. 6; Milliken and Milliken, Race Car Vehicle Dynamics, ch. 16 and 18).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analyzer.constants import AXLES, STANDARD_GRAVITY, Axle
from analyzer.prediction.bladed import array
from analyzer.prediction.sections import Array
from analyzer.sheets.bar import NoBar
from analyzer.sheets.car import AxleSheet, CarSheet, TravelTable
from analyzer.sheets.masses import mass_properties
from analyzer.uncertain import Uncertain

TABLE_DEGREE = 3
"""Degree of the polynomial through a measured motion-ratio table (less when it has fewer rows)."""


@dataclass(frozen=True, slots=True)
class AxleRoll:
    """One axle in steady roll; arrays broadcast.

    Parameters
    ----------
    spring, bar, stiffness : ndarray
        Roll stiffness of springs, of the bar and of both [N m/rad].
    suspension : ndarray
        Suspension roll per lateral specific force in body axes [rad per m/s2].
    body : ndarray
        Body roll against the ground at this axle, likewise.
    elastic, geometric, unsprung : ndarray
        Change of one wheel's load per lateral specific force in body axes, by path [N per m/s2].
    """

    spring: Array
    bar: Array
    stiffness: Array
    suspension: Array
    body: Array
    elastic: Array
    geometric: Array
    unsprung: Array


@dataclass(frozen=True, slots=True)
class CarRoll:
    """The car in steady roll.

    Parameters
    ----------
    axles : dict
        `AxleRoll` per axle.
    body : ndarray
        Body roll against the ground at the sprung CG, per lateral specific force in body axes.
    level : ndarray
        Body-axes force per level-road lateral acceleration, 1 / (1 - g body) [1].
    """

    axles: dict[Axle, AxleRoll]
    body: Array
    level: Array


def static_motion_ratio(ratio: Uncertain | TravelTable) -> Array:
    """Return damper (spring) travel per wheel travel at static ride height [1].

    A measured table is smoothed by a polynomial of degree three at most, whose slope at zero travel counts.
    """
    if isinstance(ratio, Uncertain):
        return array(ratio)
    wheel = np.stack(np.broadcast_arrays(*(array(item) for item in ratio.wheel)), axis=-1)
    damper = np.stack(np.broadcast_arrays(*(array(item) for item in ratio.damper)), axis=-1)
    degree = min(TABLE_DEGREE, wheel.shape[-1] - 1)
    scale = float(np.max(np.abs(wheel)))
    powers = (wheel / scale)[..., None] ** np.arange(degree + 1)
    coefficients = np.linalg.pinv(powers) @ damper[..., None]
    return np.asarray(coefficients[..., 1, 0] / scale)


def spring_roll_stiffness(axle: AxleSheet) -> Array:
    """Return the roll stiffness of the two springs [N m/rad]: rate x motion ratio^2 x base^2 / 2.

    The base is the track width; a solid axle's springs act at their own base.
    """
    solid = axle.suspension == "solid axle" and axle.spring_base is not None
    base = array(axle.spring_base if solid else axle.track_width)
    return np.asarray(
        array(axle.spring.rate) * static_motion_ratio(axle.spring.motion_ratio) ** 2 * base**2 / 2.0
    )


def bar_roll_stiffness(axle: AxleSheet, rate: float | Array) -> Array:
    """Return the roll stiffness of a bar of that `rate` at one link [N m/rad]: k MR^2 t^2 / 2."""
    if isinstance(axle.bar, NoBar):
        return np.asarray(0.0)
    return np.asarray(rate * array(axle.bar.motion_ratio) ** 2 * array(axle.track_width) ** 2 / 2.0)


def tyre_roll_compliance(axle: AxleSheet) -> Array:
    """Return roll of the axle on its tyres per moment [rad/(N m)]; zero for rigid tyres."""
    if axle.tyre_rate is None:
        return np.asarray(0.0)
    return np.asarray(2.0 / (array(axle.tyre_rate) * array(axle.track_width) ** 2))


def car_roll(car: CarSheet, rates: Mapping[Axle, float | Array]) -> CarRoll:
    """Return the steady roll of a car whose bars have these `rates` at one link [N/m]."""
    masses = mass_properties(car)
    gravity = STANDARD_GRAVITY
    springs = {a: spring_roll_stiffness(car.axle(a)) for a in AXLES}
    bars = {a: bar_roll_stiffness(car.axle(a), rates[a]) for a in AXLES}
    stiffness = {a: springs[a] + bars[a] for a in AXLES}
    tyre = {a: tyre_roll_compliance(car.axle(a)) for a in AXLES}
    geometric = {a: masses.axle(a).sprung * array(car.axle(a).roll_centre_height) for a in AXLES}
    unsprung = {
        a: masses.axle(a).unsprung * array(car.axle(a).wheel_radius) * (1.0 - masses.axle(a).unsprung_share)
        for a in AXLES
    }
    direct = {a: geometric[a] + unsprung[a] for a in AXLES}
    # phi_a = (theta_a - sink_a) / soft_a
    soft = {a: 1.0 + tyre[a] * (stiffness[a] - gravity * direct[a]) for a in AXLES}
    sink = {a: tyre[a] * direct[a] for a in AXLES}
    pair = {a: stiffness[a] / soft[a] for a in AXLES}
    load = {a: masses.axle(a).elastic_moment + pair[a] * sink[a] for a in AXLES}
    body = _body_roll(pair, load, car.chassis_stiffness)
    axles: dict[Axle, AxleRoll] = {}
    for a in AXLES:
        roll = (body[a] - sink[a]) / soft[a]
        track = array(car.axle(a).track_width)
        lean = 1.0 - gravity * roll
        axles[a] = AxleRoll(
            spring=springs[a],
            bar=bars[a],
            stiffness=np.asarray(stiffness[a]),
            suspension=np.asarray(roll),
            body=body[a],
            elastic=np.asarray(stiffness[a] * roll / track),
            geometric=np.asarray(geometric[a] * lean / track),
            unsprung=np.asarray(unsprung[a] * lean / track),
        )
    wheelbase = masses.front_axle_distance + masses.rear_axle_distance
    at_cg = (
        body["front"] * masses.rear_axle_distance + body["rear"] * masses.front_axle_distance
    ) / wheelbase
    return CarRoll(axles=axles, body=np.asarray(at_cg), level=np.asarray(1.0 / (1.0 - gravity * at_cg)))


def _body_roll(
    pair: Mapping[Axle, Array], load: Mapping[Axle, Array], shell: Uncertain | None
) -> dict[Axle, Array]:
    """Return body roll at both axles; one figure for a rigid shell."""
    if shell is None:
        common = np.asarray((load["front"] + load["rear"]) / (pair["front"] + pair["rear"]))
        return {"front": common, "rear": common}
    twist = array(shell)
    front, rear = pair["front"] + twist, pair["rear"] + twist
    determinant = front * rear - twist**2
    return {
        "front": np.asarray((rear * load["front"] + twist * load["rear"]) / determinant),
        "rear": np.asarray((front * load["rear"] + twist * load["front"]) / determinant),
    }
