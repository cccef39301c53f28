"""A car for the rigid-body engine MuJoCo: sprung body, four wheels on slides, springs, bars, stops and tyres.

The engine works out all motion and loads; nothing of the analyzer and nothing of its virtual car is used.

* Every wheel slides along a fixed direction of the body (camber gain 0). The slide leans outwards in the
  front view so that the contact patch moves square to its line to the roll centre (any chassis textbook).
* A bar is a fixed tendon of known stiffness on the difference of the two slides of an axle.
* Bump stops are forces that act on the slide past a gap only; two in a row make them progressive.
* A tyre is a spring and damper square to the road that can only push, at the wheel's contact point; its force
  is the contact load of the wheel.
* Sideways and lengthways a tyre takes its planned share of the force (by load), and a spring and damper give
  what is missing.

Axes x forward, y left, z up; slide travel is positive in bump; everything SI.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import mujoco
import numpy as np

CORNERS = ("FL", "FR", "RL", "RR")
GRAVITY = 9.80665
TYRE_HOLD, TYRE_HOLD_DAMPING = 100e3, 6e3
"""Spring [N/m] and damper [N s/m] that hold a tyre in the plane of the road."""


@dataclass(frozen=True)
class EngineAxle:
    """One axle; wheel rates are per wheel and per vertical wheel travel.

    Parameters
    ----------
    track, roll_centre, wheel_radius : float
        [m]; radius is the loaded one at rest, so the wheel centre's height.
    unsprung : float
        Mass of both wheels [kg].
    wheel_rate : float
        Of the spring [N/m].
    damping : float
        [N s/m] at the wheel.
    damper_ratio, bar_ratio : float
        Travel of damper (and spring), of the bar's link / wheel travel.
    bar_rate : float
        Force at one link per its travel, the other link moving as far the other way [N/m].
    tyre_rate, tyre_damping : float
        [N/m], [N s/m] per tyre.
    friction : float
        Coulomb friction of one corner at the wheel [N].
    stop_gap : float
        Damper travel from rest to the bump stop [m].
    stop_rates : tuple of float
        Rate of the stop at the damper from the gap on, and what is added `stop_step` further in [N/m].
    free_play : float
        Half width of a dead zone of the bar, in wheel travel difference [m].
    """

    track: float
    roll_centre: float
    wheel_radius: float
    unsprung: float
    wheel_rate: float
    damping: float
    damper_ratio: float
    bar_ratio: float
    bar_rate: float
    tyre_rate: float = 230e3
    tyre_damping: float = 300.0
    friction: float = 0.0
    stop_gap: float = 0.042
    stop_step: float = 0.008
    stop_rates: tuple[float, float] = (60e3, 240e3)
    free_play: float = 0.0

    @property
    def lean(self) -> float:
        """Angle of the slides in the front view [rad]."""
        return math.atan2(2.0 * self.roll_centre, self.track)


@dataclass(frozen=True)
class EngineCar:
    """The whole car; loads are the same left and right.

    Parameters
    ----------
    front_mass, rear_mass : float
        Mass on each axle's scales [kg].
    cg_height : float
        Of the whole car at rest [m].
    sprung_inertia : tuple of float
        Of the sprung body about its CG, x y z [kg m2].
    imu : tuple of float
        Place of the inertial unit from the sprung CG [m].
    """

    front: EngineAxle
    rear: EngineAxle
    front_mass: float = 660.0
    rear_mass: float = 570.0
    cg_height: float = 0.47
    wheelbase: float = 2.53
    sprung_inertia: tuple[float, float, float] = (330.0, 1300.0, 1500.0)
    imu: tuple[float, float, float] = (0.10, 0.05, 0.05)

    @property
    def mass(self) -> float:
        return self.front_mass + self.rear_mass

    @property
    def sprung(self) -> float:
        return self.mass - self.front.unsprung - self.rear.unsprung

    @property
    def sprung_height(self) -> float:
        """Height of the sprung CG at rest [m]."""
        wheels = sum(a.unsprung * a.wheel_radius for a in (self.front, self.rear))
        return (self.mass * self.cg_height - wheels) / self.sprung

    @property
    def front_distance(self) -> float:
        """From the sprung CG forward to the front axle [m]."""
        return self.wheelbase * (self.rear_mass - self.rear.unsprung) / self.sprung

    def axle(self, corner: str) -> EngineAxle:
        return self.front if corner[0] == "F" else self.rear

    def place(self, corner: str) -> tuple[float, float]:
        """Return x and y of a wheel from the sprung CG [m]."""
        ahead = self.front_distance if corner[0] == "F" else self.front_distance - self.wheelbase
        side = 0.5 if corner[1] == "L" else -0.5
        return ahead, side * self.axle(corner).track

    def static_load(self, corner: str) -> float:
        """Return the load of a wheel at rest [N]."""
        return (self.front_mass if corner[0] == "F" else self.rear_mass) * GRAVITY / 2.0

    def with_front_bar(self, factor: float) -> EngineCar:
        """Return the car with its front bar's rate times `factor`."""
        return replace(self, front=replace(self.front, bar_rate=self.front.bar_rate * factor))

    def with_both(self, **changes: object) -> EngineCar:
        """Return the car with the same fields of both axles changed."""
        return replace(self, front=replace(self.front, **changes), rear=replace(self.rear, **changes))  # type: ignore[arg-type]


ENGINE_CAR = EngineCar(
    front=EngineAxle(
        track=1.54,
        roll_centre=0.045,
        wheel_radius=0.30,
        unsprung=76.0,
        wheel_rate=69e3,
        damping=3400.0,
        damper_ratio=0.94,
        bar_ratio=0.58,
        bar_rate=51e3,
    ),
    rear=EngineAxle(
        track=1.52,
        roll_centre=0.065,
        wheel_radius=0.30,
        unsprung=88.0,
        wheel_rate=53e3,
        damping=2900.0,
        damper_ratio=0.90,
        bar_ratio=0.55,
        bar_rate=20e3,
    ),
)
"""An invented drift saloon."""


def build_model(car: EngineCar, step: float = 1e-3) -> mujoco.MjModel:
    """Return the engine's model of a car, at rest in its first position."""
    x, y, z = car.imu
    inertia = " ".join(f"{i}" for i in car.sprung_inertia)
    wheels = "\n".join(_wheel(car, corner) for corner in CORNERS)
    roads = "\n".join(f'<site name="road_{c}" pos="{_point(*car.place(c), 0.0)}"/>' for c in CORNERS)
    actuators = "\n".join(_tyre(car, c) + _stops(car, c) for c in CORNERS)
    bars = [_bar(car, axle) for axle in ("F", "R")]
    sensors = "\n".join(_sensors(corner) for corner in CORNERS)
    text = f"""
    <mujoco>
      <option timestep="{step}" gravity="0 0 0" integrator="implicitfast">
        <flag contact="disable"/>
      </option>
      <worldbody>
        {roads}
        <body name="sprung" pos="0 0 {car.sprung_height}">
          <freejoint/>
          <inertial pos="0 0 0" mass="{car.sprung}" diaginertia="{inertia}"/>
          <site name="cg"/>
          <site name="imu" pos="{x} {y} {z}"/>
          {wheels}
        </body>
      </worldbody>
      <tendon>{"".join(tendon for tendon, _ in bars)}</tendon>
      <actuator>{actuators}{"".join(actuator for _, actuator in bars)}</actuator>
      <sensor>
        <accelerometer name="imu_force" site="imu"/>
        <accelerometer name="cg_force" site="cg"/>
        <gyro name="rate" site="imu"/>
        <framequat name="attitude" objtype="site" objname="cg"/>
        {sensors}
      </sensor>
    </mujoco>"""
    return mujoco.MjModel.from_xml_string(text)


def _point(x: float, y: float, z: float) -> str:
    return f"{x:.9g} {y:.9g} {z:.9g}"


def _wheel(car: EngineCar, corner: str) -> str:
    axle = car.axle(corner)
    cos, sin = math.cos(axle.lean), math.sin(axle.lean)
    outward = sin if corner[1] == "L" else -sin
    rate, damping = axle.wheel_rate * cos**2, axle.damping * cos**2
    carried = (car.static_load(corner) - axle.unsprung * GRAVITY / 2.0) * cos
    x, y = car.place(corner)
    return f"""
    <body name="wheel_{corner}" pos="{_point(x, y, axle.wheel_radius - car.sprung_height)}">
      <inertial pos="0 0 0" mass="{axle.unsprung / 2}" diaginertia="1 1 1"/>
      <joint name="travel_{corner}" type="slide" axis="{_point(0.0, outward, cos)}" stiffness="{rate}"
             springref="{-carried / rate:.12g}" damping="{damping}" frictionloss="{axle.friction * cos}"/>
      <site name="patch_{corner}" pos="0 0 {-axle.wheel_radius}"/>
    </body>"""


def _tyre(car: EngineCar, corner: str) -> str:
    axle = car.axle(corner)
    sites = f'site="patch_{corner}" refsite="road_{corner}"'
    hold = f'gainprm="1" biastype="affine" biasprm="0 {-TYRE_HOLD} {-TYRE_HOLD_DAMPING}"'
    return f"""
    <general name="load_{corner}" {sites} gear="0 0 1 0 0 0" gainprm="{axle.tyre_rate}" biastype="affine"
             biasprm="{car.static_load(corner):.12g} {-axle.tyre_rate} {-axle.tyre_damping}"
             forcelimited="true" forcerange="0 1e6"/>
    <general name="side_{corner}" {sites} gear="0 1 0 0 0 0" {hold}/>
    <general name="along_{corner}" {sites} gear="1 0 0 0 0 0" {hold}/>"""


def _stops(car: EngineCar, corner: str) -> str:
    """Two springs on the slide that push only past their gap."""
    axle = car.axle(corner)
    per_slide = axle.damper_ratio * math.cos(axle.lean)  # damper travel / slide travel
    parts = []
    for number, rate in enumerate(axle.stop_rates):
        gap = axle.stop_gap + number * axle.stop_step
        parts.append(f"""
        <general name="stop{number}_{corner}" joint="travel_{corner}" gainprm="0" biastype="affine"
                 biasprm="{rate * gap * per_slide:.12g} {-rate * per_slide**2:.12g} 0"
                 forcelimited="true" forcerange="-1e6 0"/>""")
    return "".join(parts)


def _bar(car: EngineCar, letter: str) -> tuple[str, str]:
    """Return the tendon of a bar, and actuators for one with a dead zone."""
    axle = car.front if letter == "F" else car.rear
    # Both ends move by half the difference of the slides, one up and one down.
    rate = axle.bar_rate * axle.bar_ratio**2 / 2.0 * math.cos(axle.lean) ** 2
    stiffness = 0.0 if axle.free_play else rate
    tendon = f"""
    <fixed name="bar_{letter}" stiffness="{stiffness}" springlength="0">
      <joint joint="travel_{letter}L" coef="1"/><joint joint="travel_{letter}R" coef="-1"/>
    </fixed>"""
    if not axle.free_play:
        return tendon, ""
    play = axle.free_play / math.cos(axle.lean)
    sides = [
        f"""<general name="bar{side}_{letter}" tendon="bar_{letter}" gainprm="0" biastype="affine"
            biasprm="{sign * rate * play:.12g} {-rate:.12g} 0" forcelimited="true" forcerange="{limits}"/>"""
        for side, sign, limits in (("up", 1.0, "-1e6 0"), ("down", -1.0, "0 1e6"))
    ]
    return tendon, "".join(sides)


def _sensors(corner: str) -> str:
    return f"""
    <jointpos name="travel_{corner}" joint="travel_{corner}"/>
    <actuatorfrc name="load_{corner}" actuator="load_{corner}"/>
    <actuatorfrc name="side_{corner}" actuator="side_{corner}"/>"""


def sensor_columns(model: mujoco.MjModel, name: str) -> slice:
    """Return the columns of a named sensor."""
    sensor = model.sensor(name)
    start = int(sensor.adr[0])
    return slice(start, start + int(sensor.dim[0]))


def actuator_index(model: mujoco.MjModel, name: str) -> int:
    return int(model.actuator(name).id)


def damper_travel(car: EngineCar, corner: str, slide: np.ndarray) -> np.ndarray:
    """Return damper travel [m], compression positive, of slide travel."""
    axle = car.axle(corner)
    return slide * math.cos(axle.lean) * axle.damper_ratio
