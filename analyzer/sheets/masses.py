"""Masses and roll moment that follow from a car sheet by statics; used by prediction and processing alike.

The functions take the sheet's values as they are: floats, or equally shaped arrays while tolerances are
carried through.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from analyzer.constants import AXLE_CORNERS, AXLES, STANDARD_GRAVITY, Axle
from analyzer.sheets.car import AxleSheet, CarSheet
from analyzer.uncertain import Uncertain

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
    """

    sprung: float
    unsprung: float
    roll_arm: float
    elastic_moment: float
    unsprung_share: float


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
    docs/physics.md).
    """
    loads = {a: sum(car.mass.load(c).value for c in AXLE_CORNERS[a]) / STANDARD_GRAVITY for a in AXLES}
    unsprung = {"front": car.mass.unsprung.front.value, "rear": car.mass.unsprung.rear.value}
    total = loads["front"] + loads["rear"]
    sprung = {a: loads[a] - unsprung[a] for a in AXLES}
    all_sprung = sprung["front"] + sprung["rear"]
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
    return AxleMasses(
        sprung=sprung,
        unsprung=unsprung,
        roll_arm=roll_arm,
        elastic_moment=sprung * roll_arm + unsprung * axle.wheel_radius.value * share,
        unsprung_share=share,
    )
