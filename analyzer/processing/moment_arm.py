"""What shortens the arm of the roll moment: contacts that move under the body, and a body pressed down."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.constants import AXLES, STANDARD_GRAVITY, Axle
from analyzer.estimate import Estimate
from analyzer.processing.filters import Floats
from analyzer.processing.roll_columns import ROAD_LOAD, RollColumns
from analyzer.processing.roll_gradient import RollFit
from analyzer.processing.stiffness import ratio_at_static
from analyzer.sheets.car import CarSheet
from analyzer.sheets.masses import mass_properties

FOLLOWS: Final = (0.5, 0.4)
"""Part of the body's sinking by which the roll arm shortens, and its standard uncertainty [1]: 1 where the
roll centre keeps its height over the ground, 0 where it sinks with the body; engineering judgement."""
CONTACT_SPREAD: Final = 0.3
"""Relative standard uncertainty of the moment the moving contacts take off [1]: wheel paths that bend are not
in the sheet; engineering judgement."""


@dataclass(frozen=True, slots=True)
class ArmParts:
    """What is missing from M f_y in the moment on the springs over a run, as parts of M [1].

    Parameters
    ----------
    contacts : float
        Taken off by the contacts' movement under the rolled body.
    sinking : float
        Taken off per unit of `FOLLOWS` by the body being pressed down more than on a level road.
    passed : dict
        Moment per lateral specific force that outer contacts nearer to the body take off the springs of an
        axle [kg m]: it reaches the tyres.
    """

    contacts: float
    sinking: float
    passed: Mapping[Axle, float]

    @property
    def level(self) -> tuple[float, float]:
        """Factor from the gradient as driven to that on a level road, and its standard uncertainty."""
        return 1.0 + FOLLOWS[0] * self.sinking, FOLLOWS[1] * abs(self.sinking)


def arm_parts(fit: RollFit, columns: RollColumns, car: CarSheet) -> ArmParts | None:
    """Return the `ArmParts` of a run; None without vertical force or without both axles' roll.

    Notes
    -----
    Derived here for wheels that travel along the line square to the one from contact to roll centre, body
    axes, virtual power of wheel travel and moments about the CG. As the body rolls by phi the wheels' travels
    +-phi t/2 carry the contacts sideways by h_rc phi and bring the outer one, which has most of the side
    force, nearer to the body; both take moment off the springs:

        K phi = m (h_s - h_rc) f_y - m phi (h_rc f_z + h_s f_y^2 / f_z)

    The engine of the tests closes with these terms to 0.1 % below 0.5 g and 0.7 % at 1 g, and without them
    misses 0.4 % at small forces and 3 % at 1 g. Textbooks with a fixed roll axis have neither. A solid axle
    keeps its contacts: there they are left out. Pressed down by a bank or a dip the sprung CG sinks by w, and
    the arm shortens by w unless the roll centre sinks as well: with w = m (f_n - g) / (2 k) per axle, f_n the
    force square to the road. On a 15 degree bank that is 1.7 to 1.9 % of the engine car's gradient.
    """
    if ROAD_LOAD not in columns.known or "vertical force" not in columns.terms or len(fit.axles) < len(AXLES):
        return None
    masses = mass_properties(car)
    used = fit.used
    force, up = columns.force[used], np.maximum(columns.terms["vertical force"][used], 1.0)
    pressed = columns.known[ROAD_LOAD][used] - STANDARD_GRAVITY
    contacts, passed = 0.0, dict.fromkeys(AXLES, 0.0)
    sinking = np.zeros_like(force)
    for axle in AXLES:
        sheet, sprung = car.axle(axle), masses.axle(axle).sprung
        # The line stands for the roll: the road's part of it has no lateral force to go with.
        roll = fit.slope[axle] * force
        rc, height = sheet.roll_centre_height.value, masses.sprung_cg_height
        if sheet.suspension == "independent":
            nearer = sprung * _slope(force, roll * height * force**2 / up)
            contacts += sprung * _slope(force, roll * rc * up) + nearer
            passed[axle] = nearer
        rate = sheet.spring.rate.value * ratio_at_static(sheet.spring.motion_ratio) ** 2
        sinking += sprung * sprung * pressed / (2.0 * rate) * force
    whole = masses.elastic_moment
    return ArmParts(contacts / whole, _slope(force, sinking) / whole, passed)


def moment_kept(parts: ArmParts) -> Estimate:
    """Return the part of the sheet's roll moment that springs and bars carried over the run."""
    taken = parts.contacts + FOLLOWS[0] * parts.sinking
    spread = float(np.hypot(CONTACT_SPREAD * parts.contacts, FOLLOWS[1] * parts.sinking))
    return Estimate(
        1.0 - taken,
        "1",
        calibration=spread,
        method="moving contacts and sinking of the body, from the sheet over the run's forces",
        notes=("roll moment on springs and bars over the sheet's, which holds for small lateral forces",),
    )


def _slope(x: Floats, y: Floats) -> float:
    centred = x - x.mean()
    return float(centred @ y / (centred @ centred))
