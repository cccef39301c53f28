"""One axle and the car in steady roll: masses, loads, motion ratios, roll stiffness, where a damper ends."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from analyzer.core.signals import Floats
from analyzer.core.units import AXLE_CORNERS, AXLES, STANDARD_GRAVITY, Axle, Uncertain
from analyzer.sheets.bar import NoBar
from analyzer.sheets.car import AxleSheet, CarSheet, LoadCurve, Place, TravelTable
from analyzer.vehicle.bar.section import Array, array

# Masses and roll moment that follow from a car sheet by statics; used by prediction and processing alike.
#
# The functions take the sheet's values as they are: floats, or equally shaped arrays while tolerances are
# carried through.


DEFAULT_CAMBER_GAIN: Final = Uncertain(math.radians(20.0), math.radians(15.0))
"""Camber gain of an independent axle whose sheet states none [rad/m]: engineering judgement, wide."""


@dataclass(frozen=True, slots=True)
class AxleMasses:
    """Masses of one axle.

    Parameters
    ----------
    sprung, unsprung : float
        Mass carried by the springs, and of both wheels with their parts [kg].
    roll_arm : float
        Height of the sprung CG above this axle's roll centre [m].
    elastic_moment : float
        Moment that springs and bars must carry per lateral specific force [N m per m/s2 = kg m].
    unsprung_share : float
        Part of the unsprung mass's moment that reaches the springs, 1 - camber gain x half track [1].
    direct_moment : float
        Moment that reaches the tyres past the springs per lateral specific force: the force at the roll
        centre and the rest of the unsprung mass's moment [kg m].
    """

    sprung: float
    unsprung: float
    roll_arm: float
    elastic_moment: float
    unsprung_share: float
    direct_moment: float


@dataclass(frozen=True, slots=True)
class MassProperties:
    """Masses and heights of the whole car.

    Parameters
    ----------
    total, sprung : float
        Mass [kg].
    cg_height, sprung_cg_height : float
        Height above ground at static ride height [m].
    front_axle_distance, rear_axle_distance : float
        Sprung CG to axle along the car, both positive [m].
    front, rear : AxleMasses
        Per axle.
    elastic_moment : float
        Sum over both axles [kg m]; the M of the roll equation.
    """

    total: float
    sprung: float
    cg_height: float
    sprung_cg_height: float
    front_axle_distance: float
    rear_axle_distance: float
    front: AxleMasses
    rear: AxleMasses
    elastic_moment: float

    def axle(self, axle: Axle) -> AxleMasses:
        """Return the masses of one `axle`."""
        return self.front if axle == "front" else self.rear


def camber_gain(axle: AxleSheet) -> Uncertain:
    """Return the camber gain of an axle [rad/m], the stated default where the sheet is silent.

    A solid axle keeps its wheels upright whatever the body does, which is a gain of 2 / track width.
    """
    if axle.suspension == "solid axle":
        return Uncertain(2.0 / axle.track_width.value, 0.0)
    return DEFAULT_CAMBER_GAIN if axle.camber_gain is None else axle.camber_gain


def mass_properties(car: CarSheet) -> MassProperties:
    """Return masses, heights and the roll moment per lateral specific force.

    The moment about the roll axis is, in body axes and for any bank and roll angle,
    M = sum over axles of m_s (h_s - h_rc) + m_u r_w (1 - camber_gain t / 2); the second term is the part
    of the unsprung mass's moment that the springs carry (moment balance of axle and body; see
    docs/estimates.md).
    """
    # Scales show force; the sprung mass is what is left of it without wheels and hubs.
    loads = {a: sum(car.mass.load(c).value for c in AXLE_CORNERS[a]) / STANDARD_GRAVITY for a in AXLES}
    unsprung = {"front": car.mass.unsprung.front.value, "rear": car.mass.unsprung.rear.value}
    total = loads["front"] + loads["rear"]
    sprung = {a: loads[a] - unsprung[a] for a in AXLES}
    all_sprung = sprung["front"] + sprung["rear"]
    # The stated CG is that of the whole car; wheels sit lower, so the sprung CG lies higher.
    wheel_moment = sum(unsprung[a] * car.axle(a).wheel_radius.value for a in AXLES)
    sprung_height = (total * car.mass.cg_height.value - wheel_moment) / all_sprung
    parts = {a: _axle_masses(car.axle(a), sprung[a], unsprung[a], sprung_height) for a in AXLES}
    wheelbase = car.mass.wheelbase.value
    return MassProperties(
        total=total,
        sprung=all_sprung,
        cg_height=car.mass.cg_height.value,
        sprung_cg_height=sprung_height,
        front_axle_distance=wheelbase * sprung["rear"] / all_sprung,
        rear_axle_distance=wheelbase * sprung["front"] / all_sprung,
        front=parts["front"],
        rear=parts["rear"],
        elastic_moment=parts["front"].elastic_moment + parts["rear"].elastic_moment,
    )


def _axle_masses(axle: AxleSheet, sprung: float, unsprung: float, sprung_height: float) -> AxleMasses:
    roll_arm = sprung_height - axle.roll_centre_height.value
    share = 1.0 - camber_gain(axle).value * axle.track_width.value / 2.0
    past = unsprung * axle.wheel_radius.value * (1.0 - share)
    return AxleMasses(
        sprung=sprung,
        unsprung=unsprung,
        roll_arm=roll_arm,
        elastic_moment=sprung * roll_arm + unsprung * axle.wheel_radius.value * share,
        unsprung_share=share,
        direct_moment=sprung * axle.roll_centre_height.value + past,
    )


# Motion ratio: damper or spring travel per wheel travel, a number or a measured table.
#
# A table's rows carry the error of a reading (half a millimetre on a scale is 5 % of a step of 10 mm), and
# the ratio enters stiffness squared. So the rows are not joined: a polynomial of degree three at most goes
# between them by least squares, and travel, its inverse and its slope all come from that one curve, whether
# a log is measured with it or a set-up predicted.


TABLE_DEGREE: Final = 3
"""Degree of the polynomial through a measured table; less where rows are few or the curve would turn back."""


@dataclass(frozen=True, slots=True)
class TravelCurve:
    """Damper travel over wheel travel, both from static and bump positive; arrays broadcast.

    Parameters
    ----------
    coefficients : ndarray
        Of the powers 1 and up of wheel travel over `scale`, last axis [m].
    scale : float
        [m].
    low, high : ndarray
        Wheel travel of the first and last row [m]; beyond them the curve goes on straight.
    """

    coefficients: Array
    scale: float
    low: Array
    high: Array

    @classmethod
    def through(cls, table: TravelTable) -> TravelCurve:
        """Return the curve of a measured table."""
        wheel = np.stack(np.broadcast_arrays(*(array(row) for row in table.wheel)), axis=-1)
        damper = np.stack(np.broadcast_arrays(*(array(row) for row in table.damper)), axis=-1)
        scale = float(np.max(np.abs(wheel)))
        low, high = wheel[..., 0], wheel[..., -1]
        for degree in range(min(TABLE_DEGREE, wheel.shape[-1] - 1), 0, -1):
            powers = (wheel / scale)[..., None] ** np.arange(degree + 1)
            coefficients = (np.linalg.pinv(powers) @ damper[..., None])[..., 1:, 0]
            curve = cls(coefficients, scale, low, high)
            # Rows that rise can still make a cubic that turns back, which no damper does; a line never does.
            along = low[..., None] + (high - low)[..., None] * np.linspace(0.0, 1.0, 41)
            if degree == 1 or np.all(curve._each(along)[1] > 0.0):
                break
        return curve

    def _each(self, wheel: Array) -> tuple[Array, Array]:
        """Return damper travel and slope for wheel travel along a new last axis."""
        inside = np.clip(wheel, self.low[..., None], self.high[..., None])
        x = inside / self.scale
        travel, slope = np.zeros_like(x), np.zeros_like(x)
        for power in range(self.coefficients.shape[-1], 0, -1):  # Horner
            factor = self.coefficients[..., power - 1, None]
            travel, slope = (travel + factor) * x, slope * x + power * factor
        slope = slope / self.scale
        return travel + (wheel - inside) * slope, slope

    def damper(self, wheel: Array) -> Array:
        """Return damper travel [m] for wheel travel [m] of one axis, by a table without perturbed rows."""
        # A table taken with the car on a stand need not hold static ride height; travel counts from there.
        return self._each(wheel)[0] - self._each(np.zeros(1))[0]

    def slope(self, wheel: Array) -> Array:
        """Return damper travel per wheel travel [1] at each wheel travel [m]."""
        return self._each(wheel)[1]

    def static_bend(self) -> Array:
        """Return the change of that slope per wheel travel at static ride height [1/m]; 0 beyond the rows."""
        inside = (self.low <= 0.0) & (self.high >= 0.0)
        if self.coefficients.shape[-1] < 2:
            return np.zeros_like(self.coefficients[..., 0])
        return np.where(inside, 2.0 * self.coefficients[..., 1] / self.scale**2, 0.0)


def wheel_travel(damper: Floats, ratio: Uncertain | TravelTable) -> Floats:
    """Return wheel travel [m] for damper travel [m], both bump positive and zero at static."""
    if isinstance(ratio, Uncertain):
        return damper / ratio.value
    curve = TravelCurve.through(ratio)
    span = float(curve.high - curve.low)
    known = np.linspace(float(curve.low) - span, float(curve.high) + span, 300)
    # Between close points of the curve Newton's step is right to the last digits after two.
    wheel: Floats = np.interp(damper, curve.damper(known), known)
    for _ in range(3):
        wheel = wheel - (curve.damper(wheel) - damper) / curve.slope(wheel)
    return wheel


def damper_travel(wheel: Floats, ratio: Uncertain | TravelTable) -> Floats:
    """Return damper (or spring) travel [m] for wheel travel [m]; the inverse of `wheel_travel`."""
    return wheel * ratio.value if isinstance(ratio, Uncertain) else TravelCurve.through(ratio).damper(wheel)


def ratio_at(wheel: Floats, ratio: Uncertain | TravelTable) -> Floats:
    """Return damper travel per wheel travel at each `wheel` travel [m]."""
    if isinstance(ratio, Uncertain):
        return np.full_like(wheel, ratio.value)
    return TravelCurve.through(ratio).slope(wheel)


def static_motion_ratio(ratio: Uncertain | TravelTable) -> Array:
    """Return damper (spring) travel per wheel travel at static ride height [1]; arrays broadcast."""
    if isinstance(ratio, Uncertain):
        return array(ratio)
    return TravelCurve.through(ratio).slope(np.zeros(1))[..., 0]


def wheel_rate(axle: AxleSheet, sprung: float | Array) -> Array:
    """Return the rate of one wheel on its spring at static ride height [N/m]; arrays broadcast.

    The force at the wheel is that of the spring times the motion ratio, so where the ratio grows by MR' per
    wheel travel the spring's load P counts as well: k MR^2 + P MR' (Milliken and Milliken, Race Car Vehicle
    Dynamics, ch. 16, from memory; derivative of the virtual work). A number is taken as the same all the way.

    Parameters
    ----------
    axle : AxleSheet
        Of the axle.
    sprung : float or ndarray
        Mass that both springs of the axle carry [kg].
    """
    return np.asarray(_by_spring(axle) + _by_load(axle, sprung))


def _by_spring(axle: AxleSheet) -> Array:
    return np.asarray(array(axle.spring.rate) * static_motion_ratio(axle.spring.motion_ratio) ** 2)


def _by_load(axle: AxleSheet, sprung: float | Array) -> Array:
    ratio = axle.spring.motion_ratio
    if isinstance(ratio, Uncertain):
        return np.asarray(0.0)
    load = sprung * STANDARD_GRAVITY / 2.0 / static_motion_ratio(ratio)
    return np.asarray(load * TravelCurve.through(ratio).static_bend())


def relative_spread(value: Uncertain | TravelTable) -> float | None:
    """Return the relative standard uncertainty of a motion ratio at static; None where none is stated."""
    if isinstance(value, Uncertain):
        return None if value.std is None else abs(value.std / value.value)
    rows = [
        (wheel.std or 0.0, damper.std or 0.0) for wheel, damper in zip(value.wheel, value.damper, strict=True)
    ]
    if not any(map(any, rows)):
        return None
    # Errors of rows are independent; each enters the slope at static by the weight it has in the curve.
    curve = TravelCurve.through(value)
    wheel = np.array([float(row.value) for row in value.wheel])
    errors = np.array(
        [math.hypot(d, slope * w) for (w, d), slope in zip(rows, curve.slope(wheel), strict=True)]
    )
    powers = np.arange(1, curve.coefficients.shape[-1] + 1)
    weights = np.linalg.pinv((wheel / curve.scale)[:, None] ** np.arange(powers[-1] + 1))[1:]
    static = float(np.clip(0.0, wheel[0], wheel[-1])) / curve.scale
    bent = (powers * static ** (powers - 1)) @ weights / curve.scale
    return float(np.linalg.norm(bent * errors) / static_motion_ratio(value))


def roll_base(axle: AxleSheet) -> float:
    """Return the distance over which left and right damper travel turn into suspension roll [m].

    The track width; on a solid axle the distance between its springs, since dampers and springs stand there.
    """
    if axle.suspension == "solid axle" and axle.spring_base is not None:
        return axle.spring_base.value
    return axle.track_width.value


def suspension_roll(left: Floats, right: Floats, axle: AxleSheet) -> Floats:
    """Return the suspension roll of an axle [rad], left side up positive, from wheel travel [m]."""
    roll: Floats = np.arctan((right - left) / roll_base(axle))
    return roll


def suspension_pitch(wheels: Sequence[Floats], wheelbase: float) -> Floats:
    """Return the suspension pitch [rad], nose down positive, from wheel travel FL, FR, RL, RR [m]."""
    fl, fr, rl, rr = wheels
    pitch: Floats = np.arctan((fl + fr - rl - rr) / 2.0 / wheelbase)
    return pitch


# Roll stiffness of one axle: springs, bar and tyres (Gillespie, Fundamentals of Vehicle Dynamics, ch. 6).


def bar_ratio(axle: AxleSheet) -> float | None:
    """Return link travel per wheel travel of the axle's bar; None without a bar."""
    return None if axle.bar.kind == "none" else axle.bar.motion_ratio.value


def spring_roll_stiffness(axle: AxleSheet, sprung: float | Array) -> Array:
    """Return the roll stiffness of the two springs, `wheel_rate` b^2 / 2 [N m/rad]; arrays broadcast.

    `sprung` is the mass that they carry [kg].
    """
    return np.asarray(wheel_rate(axle, sprung) * array(roll_base(axle)) ** 2 / 2.0)


def spring_rate_for(axle: AxleSheet, stiffness: float | Array) -> Array:
    """Return by how much a spring's rate must rise [N/m] for `stiffness` more in roll [N m/rad]."""
    per_rate = static_motion_ratio(axle.spring.motion_ratio) ** 2 * array(roll_base(axle)) ** 2 / 2.0
    return np.asarray(stiffness / per_rate)


def bar_roll_stiffness(axle: AxleSheet, rate: float | Array) -> Array:
    """Return the roll stiffness of a bar, k MR_b^2 t^2 / 2 [N m/rad]; arrays broadcast.

    `rate` is the force at one link per travel of that link, the other moving as far the other way [N/m].
    """
    if isinstance(axle.bar, NoBar):
        return np.asarray(0.0)
    return np.asarray(rate * array(axle.bar.motion_ratio) ** 2 * array(axle.track_width) ** 2 / 2.0)


def axle_roll_stiffness(axle: AxleSheet, bar_rate: float, sprung: float) -> float:
    """Return the suspension roll stiffness of one axle, springs under `sprung` [kg] and bar [N m/rad]."""
    return float(spring_roll_stiffness(axle, sprung) + bar_roll_stiffness(axle, bar_rate))


def tyre_roll_stiffness(axle: AxleSheet) -> float | None:
    """Return k_tyre t^2 / 2 [N m/rad]; None when the sheet has no tyre rate."""
    return None if axle.tyre_rate is None else axle.tyre_rate.value * axle.track_width.value**2 / 2.0


def tyre_roll_compliance(axle: AxleSheet) -> Array:
    """Return roll of the axle on its tyres per moment [rad/(N m)]; zero for rigid tyres."""
    if axle.tyre_rate is None:
        return np.asarray(0.0)
    return np.asarray(2.0 / (array(axle.tyre_rate) * array(axle.track_width) ** 2))


def roll_scale_spread(car: CarSheet, axle: AxleSheet, corners: tuple[str, str]) -> tuple[float, list[str]]:
    """Return the relative standard uncertainty of suspension roll common to all runs, and what it leaves out.

    Motion ratio and track width scale both sides; the sensors' scales are independent of each other.
    """
    left_out: list[str] = []
    ratio = relative_spread(axle.damper_motion_ratio)
    if ratio is None:
        left_out.append("motion ratio")
    track = axle.track_width
    if track.std is None:
        left_out.append("track width")
    sensors = [sensor_scale_spread(car, corner) for corner in corners]
    if any(scale is None for scale in sensors):
        left_out.append("sensor scale")
    known = [scale or 0.0 for scale in sensors]
    parts = (ratio or 0.0, (track.std or 0.0) / track.value, math.hypot(*known) / 2.0)
    return math.hypot(*parts), left_out


def sensor_scale_spread(car: CarSheet, corner: str) -> float | None:
    """Return the relative standard uncertainty of a damper sensor's scale, from its calibration pairs."""
    channel = car.logger.channels.get(f"damper_{corner}")
    if channel is None or channel.travel is None:
        return None
    first, last = channel.travel[0], channel.travel[-1]
    if first.std is None and last.std is None:
        return None
    return math.hypot(first.std or 0.0, last.std or 0.0) / abs(last.value - first.value)


# Steady roll of car and suspension, and load transfer, in body axes.
#
# Per unit lateral specific force in body axes f: with the body turned by theta_a against the ground at axle
# a, phi_a by suspension and the rest by its tyres,
#
#     K_a phi_a = E_a + K_shell (theta_other - theta_a)             springs and bar carry the elastic moment
#     theta_a   = phi_a + (K_a phi_a + D_a (1 - g phi_a)) / K_t,a   tyres carry all of the axle's moment
#
# with E_a the elastic moment and D_a the moment that goes straight to the tyres (force at the roll centre,
# unsprung mass), both per f. The direct part acts in the axle's own axes, which lean with the tyres only:
# hence 1 - g phi_a. On a level road f = a_y + g theta, which gives the conventional gradients (Gillespie,
# Fundamentals of Vehicle Dynamics, ch. 6; Milliken and Milliken, Race Car Vehicle Dynamics, ch. 16 and 18).


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


def car_roll(car: CarSheet, rates: Mapping[Axle, float | Array]) -> CarRoll:
    """Return the steady roll of a car whose bars have these `rates` at one link [N/m]."""
    masses = mass_properties(car)
    gravity = STANDARD_GRAVITY
    springs = {a: spring_roll_stiffness(car.axle(a), masses.axle(a).sprung) for a in AXLES}
    bars = {a: bar_roll_stiffness(car.axle(a), rates[a]) for a in AXLES}
    # The two equations above, solved for suspension roll by body roll: an axle on soft tyres gives as if it
    # were less stiff, and sinks by what goes past its springs.
    stiffness = {a: springs[a] + bars[a] for a in AXLES}
    tyre = {a: tyre_roll_compliance(car.axle(a)) for a in AXLES}
    geometric = {a: masses.axle(a).sprung * array(car.axle(a).roll_centre_height) for a in AXLES}
    unsprung = {
        a: masses.axle(a).unsprung * array(car.axle(a).wheel_radius) * (1.0 - masses.axle(a).unsprung_share)
        for a in AXLES
    }
    direct = {a: masses.axle(a).direct_moment for a in AXLES}
    # phi_a = (theta_a - sink_a) / soft_a
    soft = {a: 1.0 + tyre[a] * (stiffness[a] - gravity * direct[a]) for a in AXLES}
    sink = {a: tyre[a] * direct[a] for a in AXLES}
    pair = {a: stiffness[a] / soft[a] for a in AXLES}
    load = {a: masses.axle(a).elastic_moment + pair[a] * sink[a] for a in AXLES}
    # A rigid shell has one roll; one of stated stiffness lets its ends differ.
    body = _body_roll(pair, load, car.chassis_stiffness)
    axles: dict[Axle, AxleRoll] = {}
    for a in AXLES:
        roll = (body[a] - sink[a]) / soft[a]
        track = array(car.axle(a).track_width)
        # What passes the springs leans with the axle, which stands on its tyres.
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


# The car with another load in it, or with other tyre pressures, than its sheet was measured with.


_ALONG: Final[dict[str, tuple[float, float]]] = {
    "fuel": (0.95, 0.2),
    "driver": (0.5, 0.1),
    "passenger": (0.5, 0.1),
}
"""Part of the wheelbase behind the front axle at which a load sits where the sheet does not say, with its
standard uncertainty [1]: engineering judgement, wide."""

_HEIGHT: Final[dict[str, Uncertain]] = {
    "fuel": Uncertain(0.40, 0.10),
    "driver": Uncertain(0.48, 0.08),
    "passenger": Uncertain(0.48, 0.08),
}
"""Its height above ground [m]: engineering judgement, wide."""

RATE_WITH_PRESSURE: Final = Uncertain(0.7, 0.2)
"""Relative change of a tyre's vertical rate over that of its gauge pressure [1]; engineering judgement."""

FUEL_DENSITY: Final = Uncertain(750.0, 20.0)
"""Of petrol [kg/m3]: EN 228 allows 720 to 775 at 15 degrees; alcohol lies at 790."""

FOLLOWS: Final = Uncertain(1.0, 1.0)
"""How far a roll centre falls when the body above it sinks by one part [1]: not at all on a solid axle that
carries it, twice as far on some independent ones. Engineering judgement, wide."""


def with_places(car: CarSheet) -> tuple[CarSheet, tuple[str, ...]]:
    """Return the sheet with places of loads and the tyres' answer to pressure filled in.

    Returns
    -------
    CarSheet
        Complete but for the place of ballast, which could be anywhere.
    tuple of str
        Keys of the sheet that were taken for granted.
    """
    base, taken = car.mass.wheelbase.value, []
    places: dict[str, Any] = {}
    for name, (part, spread) in _ALONG.items():
        if getattr(car.mass.places, name) is None:
            along = Uncertain(part * base, spread * base)
            places[name] = Place(behind_front_axle=along, height=_HEIGHT[name])
            taken.append(f"mass.places.{name}")
    axles: dict[str, Any] = {}
    for axle in AXLES:
        if car.axle(axle).tyre_rate_with_pressure is None:
            update = {"tyre_rate_with_pressure": RATE_WITH_PRESSURE}
            axles[axle] = car.axle(axle).model_copy(update=update)
            taken.append(f"{axle}.tyre_rate_with_pressure")
    mass = car.mass.model_copy(update={"places": car.mass.places.model_copy(update=places)})
    return car.model_copy(update={"mass": mass, **axles}), tuple(taken)


def with_load(car: CarSheet, mass: float | Array, place: Place, follows: float = FOLLOWS.value) -> CarSheet:
    """Return the sheet of the car with a further `mass` [kg] in it, or with less where it is negative.

    Moments about the axles give the corner loads, one about the ground the new CG height (statics); the body
    sinks on its springs, tyres left aside.

    Parameters
    ----------
    place : Place
        Where it sits; left and right count alike.
    follows : float
        How far the roll centres fall when the body sinks by one part [1].
    """
    # A load ahead of an axle takes weight off the other one: parts below nought and above one are let
    # through.
    weight, base = mass * STANDARD_GRAVITY, array(car.mass.wheelbase)
    part = {"rear": array(place.behind_front_axle) / base}
    part["front"] = 1.0 - part["rear"]
    loads: dict[str, Any] = {}
    axles: dict[str, Any] = {}
    sunk: dict[Axle, Array] = {}
    before = mass_properties(car)
    for axle in AXLES:
        sheet = car.axle(axle)
        sunk[axle] = weight * part[axle] / 2.0 / wheel_rate(sheet, before.axle(axle).sprung)
        centre = array(sheet.roll_centre_height) - follows * sunk[axle]
        fallen = {"roll_centre_height": _moved(sheet.roll_centre_height, centre)}
        axles[axle] = sheet.model_copy(update=fallen)
        for corner in AXLE_CORNERS[axle]:
            load = car.mass.load(corner)
            loads[corner] = _moved(load, array(load) + weight * part[axle] / 2.0)
    # The body sinks as one piece: at its CG by what both axles sink, weighed by its distance to them; wheels
    # and hubs stay where they are.
    sprung_part = array(before.rear_axle_distance) / base
    sinks = (sunk["front"] * sprung_part + sunk["rear"] * (1.0 - sprung_part)) * before.sprung / before.total
    height = array(car.mass.cg_height)
    whole = (before.total * (height - sinks) + mass * array(place.height)) / (before.total + mass)
    update = {
        "corner_loads": car.mass.corner_loads.model_copy(update=loads),
        "cg_height": _moved(car.mass.cg_height, whole),
    }
    return car.model_copy(update={"mass": car.mass.model_copy(update=update), **axles})


def with_pressure(car: CarSheet, grown: Mapping[Axle, float | Array]) -> CarSheet:
    """Return the sheet of the car whose tyre pressures are larger by the parts `grown` [1].

    A tyre's rate is taken as a straight line over its pressure, the casing's own part left as it is.
    """
    axles: dict[str, Any] = {}
    for axle, part in grown.items():
        sheet = car.axle(axle)
        slope = RATE_WITH_PRESSURE if sheet.tyre_rate_with_pressure is None else sheet.tyre_rate_with_pressure
        if sheet.tyre_rate is not None:
            rate = array(sheet.tyre_rate) * (1.0 + array(slope) * part)
            axles[axle] = sheet.model_copy(update={"tyre_rate": _moved(sheet.tyre_rate, rate)})
    return car.model_copy(update=axles)


def _moved(quantity: Uncertain, value: Array | np.float64) -> Uncertain:
    # Arrays are let through, as while tolerances are carried through a sheet.
    return Uncertain(value, quantity.std)  # type: ignore[arg-type]


# Where a damper ends: bump stop (from the sheet or read off the log) and full droop; the force of the stop.


FULL_BUMP_MARGIN: Final = 0.0005
"""Closer than this to full bump is full bump [m]: typical sensor error."""
HARD_COMPRESSION: Final = 0.012
"""Stop compression called hard when the sheet has no full bump [m]: engineering judgement."""
HARD_PART: Final = 0.9
"""Part of a measured bump-stop curve's last compression called hard."""


@dataclass(frozen=True, slots=True)
class Stop:
    """Where a damper meets its bump stop.

    Parameters
    ----------
    gap : float
        Damper travel from static to contact [m].
    full_bump : float or None
        Damper travel at full bump [m].
    hard_from : float
        Damper travel from which a contact is called hard [m].
    inferred : bool
        Whether `gap` was read off the log rather than the sheet.
    """

    gap: float
    full_bump: float | None
    hard_from: float
    inferred: bool = False


def stop_of(car: CarSheet, axle: Axle, gap: float | None) -> Stop | None:
    """Return the bump stop of an axle's dampers that begins at a `gap` [m]; None where that is not known."""
    damper = car.axle(axle).damper
    full = None if damper.full_bump is None else damper.full_bump.value
    if gap is None:
        return None
    if full is not None:
        hard = full - FULL_BUMP_MARGIN
    elif isinstance(damper.bump_stop_rate, LoadCurve):
        hard = gap + HARD_PART * damper.bump_stop_rate.compression[-1].value
    else:
        hard = gap + HARD_COMPRESSION
    return Stop(gap, full, hard, damper.bump_stop_gap is None)


def droop_end(car: CarSheet, axle: Axle) -> Stop | None:
    """Return the droop end of an axle's dampers, in extension; None when the sheet does not state it.

    The end is met within the usual error of a pot, and every contact with it is hard.
    """
    droop = car.axle(axle).damper.full_droop
    if droop is None:
        return None
    near = droop.value - 2.0 * FULL_BUMP_MARGIN
    return Stop(near, droop.value, near)


def stop_force(sheet: AxleSheet, compression: Floats) -> Floats:
    """Return the bump stop's force at the damper [N] for its compression [m]; zero without a rate."""
    pressed = np.maximum(compression, 0.0)
    rate = sheet.damper.bump_stop_rate
    if rate is None:
        return np.zeros_like(pressed)
    if not isinstance(rate, LoadCurve):
        return pressed * rate.value
    known = np.array([row.value for row in rate.compression])
    load = np.array([row.value for row in rate.load])
    # A stop that is pressed past what was measured goes on as it was stiffening last.
    slope = (load[-1] - load[-2]) / (known[-1] - known[-2])
    inside = np.interp(pressed, known, load)
    result: Floats = np.where(pressed > known[-1], load[-1] + (pressed - known[-1]) * slope, inside)
    return np.where(compression > 0.0, result, 0.0)
