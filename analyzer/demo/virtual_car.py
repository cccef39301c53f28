"""The virtual car: what it truly is, its bars' rates and its suspension's forces."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

# Rate of a bladed bar from a small space frame: beam elements, a stiffness matrix, one linear solve.
#
# Nodes along the bar, from the left link to the right one: rod-end ball, hole, tube end, mount, mount, tube
# end, hole, ball. The mounts are radial springs; turning about the tube is free.


TUBE: Final = (204.0e9, 78.3e9)
BLADE: Final = (207.0e9, 79.8e9)
BOLT: Final = (207.0e9, 79.5e9)
"""True E and G of the virtual car's steels [Pa]; within what handbooks print, not equal to any of them."""


@dataclass(frozen=True)
class BarParts:
    """Dimensions of a bladed bar without its setting [m, N/m]."""

    tube_outside: float
    tube_wall: float
    tube_length: float
    mount_spacing: float
    mount_rate: float
    blade_depth: float
    blade_thickness: float
    bolt_diameter: float
    tube_moduli: tuple[float, float] = TUBE
    blade_moduli: tuple[float, float] = BLADE
    bolt_moduli: tuple[float, float] = BOLT


@dataclass(frozen=True)
class Beam:
    """Section and material of one element; `strong` bends in the plane of the `up` direction."""

    young: float
    shear: float
    area: float
    strong: float
    weak: float
    torsion: float
    shear_area: float


def round_beam(outside: float, wall: float, moduli: tuple[float, float]) -> Beam:
    """Return a tube; a `wall` of half the diameter makes a solid rod."""
    bore = outside - 2.0 * wall
    area = np.pi / 4.0 * (outside**2 - bore**2)
    inertia = np.pi / 64.0 * (outside**4 - bore**4)
    solidity = 0.5 if bore > 0.0 else 0.9  # thin tube 1/2, solid rod 9/10
    return Beam(*moduli, area, inertia, inertia, 2.0 * inertia, solidity * area)


def flat_beam(depth: float, thickness: float, moduli: tuple[float, float]) -> Beam:
    """Return a solid rectangle that stands on edge.

    Torsion after Roark and Young, Formulas for Stress and Strain, table for a solid rectangle (from memory).
    """
    a, b = max(depth, thickness) / 2.0, min(depth, thickness) / 2.0
    torsion = a * b**3 * (16.0 / 3.0 - 3.36 * b / a * (1.0 - b**4 / (12.0 * a**4)))
    area = depth * thickness
    return Beam(
        *moduli, area, thickness * depth**3 / 12.0, depth * thickness**3 / 12.0, torsion, area * 5.0 / 6.0
    )


def element_stiffness(
    start: npt.NDArray[np.float64], end: npt.NDArray[np.float64], beam: Beam, shear: bool
) -> npt.NDArray[np.float64]:
    """Return the 12 x 12 stiffness of a straight element in global axes.

    Przemieniecki, Theory of Matrix Structural Analysis, ch. 5 (space beam with shear; from memory). The
    strong bending lies in the plane of the element and the global z axis.
    """
    along = end - start
    length = float(np.linalg.norm(along))
    e1 = along / length
    e2 = np.array([0.0, 0.0, 1.0])
    e3 = np.cross(e1, e2)
    rows = np.stack([e1, e2, e3])
    turn = np.kron(np.eye(4), rows)
    k = np.zeros((12, 12))
    for dofs, rate in (
        ((0, 6), beam.young * beam.area / length),
        ((3, 9), beam.shear * beam.torsion / length),
    ):
        k[np.ix_(dofs, dofs)] = rate * np.array([[1.0, -1.0], [-1.0, 1.0]])
    # Plane 1-2 (deflection z, slope +): strong; plane 1-3 (slope of the other sign): weak.
    for four, inertia, sign in (((1, 5, 7, 11), beam.strong, 1.0), ((2, 4, 8, 10), beam.weak, -1.0)):
        stiff = beam.young * inertia
        phi = 12.0 * stiff / (beam.shear * beam.shear_area * length**2) if shear else 0.0
        c = sign * length
        plane = np.array(
            [
                [12.0, 6.0 * c, -12.0, 6.0 * c],
                [6.0 * c, (4.0 + phi) * c * c, -6.0 * c, (2.0 - phi) * c * c],
                [-12.0, -6.0 * c, 12.0, -6.0 * c],
                [6.0 * c, (2.0 - phi) * c * c, -6.0 * c, (4.0 + phi) * c * c],
            ]
        )
        k[np.ix_(four, four)] = stiff / (length**3 * (1.0 + phi)) * plane
    return turn.T @ k @ turn


def bar_end_rate(bar: BarParts, lever: float, offset: float = 0.0, shear: bool = True) -> float:
    """Return force at one link per travel of that link, the other one moving as far the other way [N/m].

    Parameters
    ----------
    bar : BarParts
        Dimensions.
    lever : float
        From the tube's axis to the hole in use [m].
    offset : float
        Rod end outboard of the blade's centre plane (spacer stack) [m].
    shear : bool
        False leaves shear deflection out, as textbook formulae do.
    """
    half, mount = bar.tube_length / 2.0, bar.mount_spacing / 2.0
    # Links, holes, tube ends and mounts in a row: bolt, blade, overhang, span, overhang, blade, bolt.
    nodes = np.array(
        [
            [lever, half + offset, 0.0],
            [lever, half, 0.0],
            [0.0, half, 0.0],
            [0.0, mount, 0.0],
            [0.0, -mount, 0.0],
            [0.0, -half, 0.0],
            [lever, -half, 0.0],
            [lever, -half - offset, 0.0],
        ]
    )
    tube = round_beam(bar.tube_outside, bar.tube_wall, bar.tube_moduli)
    blade = flat_beam(bar.blade_depth, bar.blade_thickness, bar.blade_moduli)
    bolt = round_beam(bar.bolt_diameter, bar.bolt_diameter / 2.0, bar.bolt_moduli)
    stiffness = np.zeros((48, 48))
    for i, beam in enumerate((bolt, blade, tube, tube, tube, blade, bolt)):
        ends = [i, i + 1]
        # Without spacers the bolt has no length, and no stiffness either.
        if np.allclose(*nodes[ends]):
            continue
        dofs = np.concatenate([np.arange(6) + 6 * node for node in ends])
        stiffness[np.ix_(dofs, dofs)] += element_stiffness(nodes[i], nodes[i + 1], beam, shear)
    # Mounts hold across the tube and let it turn.
    for node in (3, 4):
        for axis in (0, 2):
            stiffness[6 * node + axis, 6 * node + axis] += bar.mount_rate
    stiffness[6 * 3 + 1, 6 * 3 + 1] += bar.mount_rate  # one mount holds the bar sideways
    left, right = (0, 7) if offset > 0.0 else (1, 6)
    held = np.array([6 * left + 2, 6 * right + 2])
    used = np.flatnonzero(np.diag(stiffness) > 0.0)
    free = np.setdiff1d(used, held)
    travel = np.array([1.0, -1.0])
    inner = np.linalg.solve(stiffness[np.ix_(free, free)], -stiffness[np.ix_(free, held)] @ travel)
    force = stiffness[np.ix_(held, free)] @ inner + stiffness[np.ix_(held, held)] @ travel
    return float(0.5 * (force[0] - force[1]))


# The virtual car: what it truly is. Its sheet, written elsewhere, is only what a workshop would measure.


Floats: TypeAlias = npt.NDArray[np.float64]

GRAVITY: Final = 9.80665
"""Free fall [m/s2]."""

WHEELS: Final = ("FL", "FR", "RL", "RR")
"""Order of the four wheels in every array."""

SIDE: Final[Floats] = np.array([1.0, -1.0, 1.0, -1.0])
"""+1 for a left wheel, -1 for a right one."""


@dataclass(frozen=True)
class AxleTruth:
    """One axle of the virtual car; every rate is a true value in SI.

    Parameters
    ----------
    track, roll_centre, roll_centre_drop : float
        Track width [m], static roll-centre height [m], fall of the roll centre per wheel bump [1].
    wheel_radius, camber_gain : float
        Loaded radius [m]; camber per wheel travel, top inwards in bump [rad/m].
    unsprung : float
        Mass of both wheels with their parts [kg].
    spring_rate, motion_ratio : float
        At the spring [N/m]; spring and damper travel per wheel travel [1].
    bump_damping, rebound_damping, friction : float
        At the damper [N s/m], [N s/m], [N].
    stop_gap, full_bump, full_droop : float
        Damper travel from static ride height to the stop, to metal, to full extension [m].
    stop_rate, stop_rise : float
        Rate of the stop when first touched [N/m]; compression over which its rate doubles [m].
    tyre_rate, tyre_damping, tyre_slip : float
        Vertical [N/m], vertical [N s/m], lateral force per slip angle of one tyre [N/rad].
    bar, bar_motion_ratio, holes, spacer : BarParts, float, tuple, float
        The bar without its setting, link travel per wheel travel, lever arms [m], spacer thickness [m].
    """

    track: float
    roll_centre: float
    roll_centre_drop: float
    wheel_radius: float
    camber_gain: float
    unsprung: float
    spring_rate: float
    motion_ratio: float
    bump_damping: float
    rebound_damping: float
    friction: float
    stop_gap: float
    full_bump: float
    full_droop: float
    stop_rate: float
    stop_rise: float
    tyre_rate: float
    tyre_damping: float
    tyre_slip: float
    bar: BarParts
    bar_motion_ratio: float
    holes: tuple[float, ...]
    spacer: float

    def bar_rate(self, hole: int, spacers: int) -> float:
        """Return the rate at one link, the other one moving as far the other way [N/m]."""
        return bar_end_rate(self.bar, self.holes[hole - 1], self.spacer * spacers)


@dataclass(frozen=True)
class CarTruth:
    """The whole virtual car.

    Parameters
    ----------
    front, rear : AxleTruth
        Axles.
    loads : tuple of float
        Static load of FL, FR, RL, RR [N], driver in.
    wheelbase, sprung_cg_height : float
        [m].
    roll_inertia, pitch_inertia, yaw_inertia : float
        Of the sprung mass about its CG [kg m2].
    steer_jack : float
        Lift of a front contact patch against the body per road-wheel steer, left wheel up when steered to
        the left [m/rad].
    imu : tuple of float
        Place of the inertial unit from the sprung CG [m].
    """

    front: AxleTruth
    rear: AxleTruth
    loads: tuple[float, float, float, float]
    wheelbase: float
    sprung_cg_height: float
    roll_inertia: float
    pitch_inertia: float
    yaw_inertia: float
    steer_jack: float
    imu: tuple[float, float, float]

    def per_wheel(self, name: str) -> Floats:
        """Return an axle attribute for FL, FR, RL, RR."""
        front, rear = float(getattr(self.front, name)), float(getattr(self.rear, name))
        return np.array([front, front, rear, rear])

    @property
    def wheel_mass(self) -> Floats:
        """Unsprung mass at each wheel [kg]."""
        return 0.5 * self.per_wheel("unsprung")

    @property
    def mass(self) -> float:
        """Mass of the whole car [kg]."""
        return sum(self.loads) / GRAVITY

    @property
    def sprung_mass(self) -> float:
        """Mass carried by the springs [kg]."""
        return self.mass - float(np.sum(self.wheel_mass))

    @property
    def cg_height(self) -> float:
        """Height of the whole car's centre of gravity [m]."""
        wheels = float(np.sum(self.wheel_mass * self.per_wheel("wheel_radius")))
        return (self.sprung_mass * self.sprung_cg_height + wheels) / self.mass

    def wheel_places(self) -> Floats:
        """Return the contact points from the sprung CG at static ride height, shape (4, 3) [m].

        The sprung CG follows from balance: the static loads carry body and wheels.
        """
        carried = np.array(self.loads) - self.wheel_mass * GRAVITY
        share = carried / np.sum(carried)
        x = np.array([1.0, 1.0, 0.0, 0.0]) * self.wheelbase
        y = SIDE * 0.5 * self.per_wheel("track")
        x, y = x - np.sum(share * x), y - np.sum(share * y)
        return np.stack([x, y, np.full(4, -self.sprung_cg_height)], axis=1)


@dataclass(frozen=True)
class Setting:
    """Hole and spacers of both bars; None for a bar that is unhooked."""

    front: tuple[int, int] | None
    rear: tuple[int, int] | None


def bar_rates(car: CarTruth, setting: Setting) -> Floats:
    """Return the wheel rate of the bars in roll, for FL, FR, RL, RR [N/m]."""
    rates = []
    for axle, chosen in ((car.front, setting.front), (car.rear, setting.rear)):
        at_link = 0.0 if chosen is None else axle.bar_rate(*chosen)
        rates += [at_link * axle.bar_motion_ratio**2] * 2
    return np.array(rates)


_FRONT_BAR: Final = BarParts(
    tube_outside=0.028,
    tube_wall=0.00302,
    tube_length=0.871,
    mount_spacing=0.752,
    mount_rate=20.5e6,
    blade_depth=0.036,
    blade_thickness=0.007,
    bolt_diameter=0.010,
)
_REAR_BAR: Final = BarParts(
    tube_outside=0.024,
    tube_wall=0.00198,
    tube_length=0.832,
    mount_spacing=0.713,
    mount_rate=19.5e6,
    blade_depth=0.032,
    blade_thickness=0.007,
    bolt_diameter=0.010,
)

TEAL_COUPE: Final = CarTruth(
    front=AxleTruth(
        track=1.541,
        roll_centre=0.046,
        roll_centre_drop=0.6,
        wheel_radius=0.31,
        camber_gain=0.38,
        unsprung=76.8,
        spring_rate=65.3e3,
        motion_ratio=0.934,
        bump_damping=3200.0,
        rebound_damping=5200.0,
        friction=35.0,
        stop_gap=0.036,
        full_bump=0.057,
        full_droop=0.050,
        stop_rate=50e3,
        stop_rise=0.010,
        tyre_rate=228e3,
        tyre_damping=400.0,
        tyre_slip=60e3,
        bar=_FRONT_BAR,
        bar_motion_ratio=0.497,
        holes=(0.232, 0.216, 0.200, 0.184),
        spacer=0.006,
    ),
    rear=AxleTruth(
        track=1.522,
        roll_centre=0.078,
        roll_centre_drop=0.4,
        wheel_radius=0.315,
        camber_gain=0.33,
        unsprung=87.2,
        spring_rate=50.7e3,
        motion_ratio=0.953,
        bump_damping=2600.0,
        rebound_damping=4300.0,
        friction=35.0,
        stop_gap=0.045,
        full_bump=0.053,
        full_droop=0.052,
        stop_rate=45e3,
        stop_rise=0.010,
        tyre_rate=236e3,
        tyre_damping=400.0,
        tyre_slip=25e3,
        bar=_REAR_BAR,
        bar_motion_ratio=0.512,
        holes=(0.226, 0.207, 0.188),
        spacer=0.005,
    ),
    loads=(3243.0, 3229.0, 2777.0, 2813.0),
    wheelbase=2.53,
    sprung_cg_height=0.497,
    roll_inertia=405.0,
    pitch_inertia=1540.0,
    yaw_inertia=1690.0,
    steer_jack=0.0015,
    imu=(0.12, 0.03, -0.06),
)
"""The invented car of the sample session."""

SETUPS: Final[dict[str, Setting]] = {
    "A": Setting(front=(3, 0), rear=(2, 1)),
    "B": Setting(front=(1, 0), rear=(2, 1)),
}
"""Set-ups of the sample session: the front bar goes two holes outwards, to the outermost one."""


# Forces of springs, dampers, friction, stops and bars of the virtual car, for all runs at once.


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
