"""Stiffness of a car at its four wheels: springs, bars and tyres under a rigid body, for small travels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analyzer.constants import AXLES, Axle
from analyzer.prediction.axle import bar_roll_stiffness, spring_roll_stiffness, static_motion_ratio
from analyzer.prediction.bladed import array
from analyzer.prediction.sections import Array
from analyzer.sheets.car import CarSheet
from analyzer.sheets.masses import mass_properties


@dataclass(frozen=True, slots=True)
class Springing:
    """Stiffness of a car at its wheels, FL FR RL RR.

    Parameters
    ----------
    wheels : array
        4 x 4, force at the wheels per wheel travel, springs and bars [N/m].
    tyres : array
        4, compliance of the tyres [m/N]; zero for rigid ones.
    body : array
        4 x 3, how body heave, pitch and roll move the corners [m, m/rad].
    """

    wheels: Array
    tyres: Array
    body: Array


def springing(
    car: CarSheet,
    rates: Mapping[Axle, float],
    spring_factor: Mapping[Axle, float] | None = None,
    added_roll: Mapping[Axle, float] | None = None,
) -> Springing:
    """Return the stiffness of a car.

    Parameters
    ----------
    car : CarSheet
        The car.
    rates : mapping
        Bar rate at one link per axle [N/m].
    spring_factor : mapping, optional
        Factor on the spring rate per axle; 1 where not given.
    added_roll : mapping, optional
        Roll stiffness on top of springs and bar per axle [N m/rad].
    """
    masses = mass_properties(car)
    wheels = np.zeros((4, 4))
    tyres, body = np.zeros(4), np.zeros((4, 3))
    for number, axle in enumerate(AXLES):
        sheet = car.axle(axle)
        track = sheet.track_width.value
        factor = (spring_factor or {}).get(axle, 1.0)
        ratio = float(static_motion_ratio(sheet.spring.motion_ratio))
        heave = float(array(sheet.spring.rate)) * ratio**2 * factor
        roll = float(spring_roll_stiffness(sheet)) * factor + float(bar_roll_stiffness(sheet, rates[axle]))
        roll += (added_roll or {}).get(axle, 0.0)
        twist = 2.0 * roll / track**2
        pair = slice(2 * number, 2 * number + 2)
        same, other = (heave + twist) / 2.0, (heave - twist) / 2.0
        wheels[pair, pair] = [[same, other], [other, same]]
        tyres[pair] = 0.0 if sheet.tyre_rate is None else 1.0 / sheet.tyre_rate.value
        ahead = masses.front_axle_distance if axle == "front" else -masses.rear_axle_distance
        body[pair] = [[1.0, ahead, -track / 2.0], [1.0, ahead, track / 2.0]]
    return Springing(wheels, tyres, body)
