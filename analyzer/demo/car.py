"""The virtual car: what it truly is. Its sheet, written elsewhere, is only what a workshop would measure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

from analyzer.demo.beam_frame import BarParts, bar_end_rate

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
    tube_outside=0.03175, tube_wall=0.00243, tube_length=0.902, mount_spacing=0.781, mount_rate=20.5e6
)
_REAR_BAR: Final = BarParts(
    tube_outside=0.0254, tube_wall=0.00212, tube_length=0.861, mount_spacing=0.741, mount_rate=19.5e6
)

TEAL_COUPE: Final = CarTruth(
    front=AxleTruth(
        track=1.541,
        roll_centre=0.046,
        roll_centre_drop=0.6,
        wheel_radius=0.31,
        camber_gain=0.38,
        unsprung=76.8,
        spring_rate=68.9e3,
        motion_ratio=0.922,
        bump_damping=3200.0,
        rebound_damping=5200.0,
        friction=35.0,
        stop_gap=0.036,
        full_bump=0.056,
        full_droop=0.055,
        stop_rate=50e3,
        stop_rise=0.010,
        tyre_rate=228e3,
        tyre_damping=400.0,
        tyre_slip=60e3,
        bar=_FRONT_BAR,
        bar_motion_ratio=0.481,
        holes=(0.254, 0.235, 0.216),
        spacer=0.008,
    ),
    rear=AxleTruth(
        track=1.522,
        roll_centre=0.078,
        roll_centre_drop=0.4,
        wheel_radius=0.315,
        camber_gain=0.33,
        unsprung=87.2,
        spring_rate=49.3e3,
        motion_ratio=0.958,
        bump_damping=2600.0,
        rebound_damping=4300.0,
        friction=35.0,
        stop_gap=0.046,
        full_bump=0.054,
        full_droop=0.060,
        stop_rate=45e3,
        stop_rise=0.010,
        tyre_rate=236e3,
        tyre_damping=400.0,
        tyre_slip=25e3,
        bar=_REAR_BAR,
        bar_motion_ratio=0.502,
        holes=(0.240, 0.220, 0.200),
        spacer=0.008,
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
"""Set-ups of the sample session: the front bar goes from the innermost hole to the outermost one."""
