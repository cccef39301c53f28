"""How the car moves at its four wheels: its stiffness, and the travel another spring or bar would give."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.core.units import AXLES, Axle
from analyzer.sheets.car import CarSheet
from analyzer.vehicle.axle import (
    bar_roll_stiffness,
    mass_properties,
    spring_roll_stiffness,
    static_motion_ratio,
)
from analyzer.vehicle.bar.section import Array, array

# Stiffness of a car at its four wheels: springs, bars and tyres under a rigid body, for small travels.


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
        # Of a pair of wheels both moving alike feel the springs, moving apart the roll stiffness: the mean
        # and the half difference of the two are what a wheel feels of its own travel and of the other's.
        twist = 2.0 * roll / track**2
        pair = slice(2 * number, 2 * number + 2)
        same, other = (heave + twist) / 2.0, (heave - twist) / 2.0
        wheels[pair, pair] = [[same, other], [other, same]]
        tyres[pair] = 0.0 if sheet.tyre_rate is None else 1.0 / sheet.tyre_rate.value
        ahead = masses.front_axle_distance if axle == "front" else -masses.rear_axle_distance
        body[pair] = [[1.0, ahead, -track / 2.0], [1.0, ahead, track / 2.0]]
    return Springing(wheels, tyres, body)


# How wheel travel would have gone with another spring or bar, from the travel that was measured.
#
# Body and wheels are linear masses on springs, dampers and tyres, and what drives them, forces on the body
# and the road under the wheels, stays as it was. Then the difference between the measured motion and that of
# the changed car obeys the changed car's own equations of motion, driven by nothing but the change of the
# suspension forces at the measured travel:
#
#     M d'' + C d' + (K + dK) d = -J' (dK w - F)
#
# with w the measured wheel travel, F the force of bump stops that are taken away with the change, and J the
# way body and wheels move the travel (linear mechanics; the difference of the two cars' equations, derived
# here). Neither the driving forces nor the road need be known.


ROLL_RADIUS: Final = 0.36
"""Radius of gyration of a sprung body in roll over the mean track [1]: usual for saloons, from memory. A
change from 0.30 to 0.42 moves the rms error of a spring's effect on the tests' rigid-body car from 3.0 to
2.1 %."""
PITCH_INDEX: Final = 0.9
"""Pitch inertia over sprung mass x distances of both axles from the CG [1]: usual, from memory. 0.75 to 1.1
moves the same figure from 2.7 to 3.7 %."""
TYRE_RATE: Final = 220e3
"""Tyre rate where the sheet states none [N/m]: common practice for a car tyre at 2 bar, no source."""
DAMPING: Final = 0.3
"""Damping of a corner as a part of the critical one where the sheet has no damper rates [1]: common practice,
no source."""


@dataclass(frozen=True, slots=True)
class Masses:
    """What swings, besides springs and bars.

    Parameters
    ----------
    mass : array
        7: body in heave [kg], pitch, roll [kg m2], then the wheels FL FR RL RR [kg].
    damping : array
        4, at the wheels [N s/m].
    tyres : array
        4, tyre rates [N/m].
    assumed : tuple of str
        What the sheet does not say and was taken.
    """

    mass: Array
    damping: Array
    tyres: Array
    assumed: tuple[str, ...]


def swinging_masses(car: CarSheet) -> Masses:
    """Return masses, damping and tyres of a car sheet."""
    masses = mass_properties(car)
    track = sum(car.axle(a).track_width.value for a in AXLES) / 2.0
    pitch = PITCH_INDEX * masses.sprung * masses.front_axle_distance * masses.rear_axle_distance
    mass = [masses.sprung, pitch, masses.sprung * (ROLL_RADIUS * track) ** 2]
    damping, tyres, assumed = [], [], ["inertia of the body in roll and pitch"]
    for axle in AXLES:
        sheet, parts = car.axle(axle), masses.axle(axle)
        mass += [parts.unsprung / 2.0] * 2
        # Without damper rates a usual part of critical damping; it is listed as assumed.
        if sheet.damper.rates is None:
            ratio = float(static_motion_ratio(sheet.spring.motion_ratio))
            rate = sheet.spring.rate.value * ratio**2
            per_wheel = 2.0 * DAMPING * float(np.sqrt(rate * parts.sprung / 2.0))
            assumed.append(f"{axle} damping, {DAMPING:g} of critical")
        else:
            ratio = float(static_motion_ratio(sheet.damper_motion_ratio))
            per_wheel = (sheet.damper.rates.bump.value + sheet.damper.rates.rebound.value) / 2.0 * ratio**2
        damping += [per_wheel] * 2
        if sheet.tyre_rate is None:
            assumed.append(f"{axle} tyre rate, {TYRE_RATE / 1e3:g} N/mm")
        tyres += [TYRE_RATE if sheet.tyre_rate is None else sheet.tyre_rate.value] * 2
    return Masses(np.array(mass), np.array(damping), np.array(tyres), tuple(assumed))


def changed_travel(
    masses: Masses, now: Springing, changed: Springing, travel: Array, stops: Array, rate: float, last: int
) -> Array:
    """Return what wheel travel gains with `changed` instead of `now` and with the stops taken off [m].

    Parameters
    ----------
    masses : Masses
        Of the car.
    now, changed : Springing
        Of the car as measured, and changed.
    travel, stops : array
        n x 4: wheel travel [m] and force of the bump stops at the wheels [N] as they were. Should begin some
        seconds before what is asked for: the change starts from its rest position.
    rate : float
        Samples per second [Hz].
    last : int
        How many samples at the end are asked for.

    Returns
    -------
    array
        last x 4.

    Notes
    -----
    Solved exactly between samples in the modes of the system (its eigenvectors), with the force held at the
    mean of both ends.
    """
    # Suspension travel follows from seven motions: heave, pitch and roll of the body, and the four wheels.
    moves = np.hstack([now.body, np.eye(4)])
    stiff = moves.T @ changed.wheels @ moves + np.diag(np.concatenate([np.zeros(3), masses.tyres]))
    damp = moves.T @ np.diag(masses.damping) @ moves
    size = len(masses.mass)
    inverse = 1.0 / masses.mass[:, None]
    system = np.block([[np.zeros((size, size)), np.eye(size)], [-stiff * inverse, -damp * inverse]])
    inward = np.vstack([np.zeros((size, 4)), -moves.T * inverse])
    forces = travel @ (changed.wheels - now.wheels).T - stops
    # Second order in seven motions as first order in fourteen, which fall apart into modes that each just
    # decay.
    roots, shapes = np.linalg.eig(system)
    step = np.exp(roots / rate)
    gain = ((step - 1.0) / roots)[:, None] * np.linalg.solve(shapes, inward)
    # The changed car begins where it would stand still under the first force.
    rest = np.concatenate([np.linalg.solve(stiff, -moves.T @ forces[0]), np.zeros(size)])
    driven = (forces[:-1] + forces[1:]) / 2.0 @ gain.T
    first = len(forces) - last
    # State at the first sample asked for: every earlier push, decayed by as many steps.
    decay = step[None, :] ** np.arange(first - 1, -1, -1)[:, None]
    state = step**first * np.linalg.solve(shapes, rest) + (decay * driven[:first]).sum(axis=0)
    found = np.empty((last, 4))
    shown = moves @ shapes[:size]
    for row in range(last):
        found[row] = (shown @ state).real
        if row < last - 1:
            state = step * state + driven[first + row]
    return found
