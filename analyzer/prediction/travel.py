"""How far an axle can move, what a bank uses of it, and what unequal links do to the car at rest."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.core.constants import AXLE_CORNERS, AXLES, STANDARD_GRAVITY, Axle, Corner
from analyzer.core.estimate import Estimate
from analyzer.prediction.propagation import Propagated, propagate
from analyzer.sheets.bar import NoBar
from analyzer.sheets.car import AxleSheet, CarSheet
from analyzer.sheets.session import Setup
from analyzer.vehicle.axle import car_roll, mass_properties, static_motion_ratio, tyre_roll_compliance
from analyzer.vehicle.bar.rate import bar_rates
from analyzer.vehicle.bar.section import Array, array

# Wheel and damper travel: how far an axle can move, and what a bank uses of it.


ASSUMED_TRAVEL: Final = 0.05
"""Wheel travel each way from static where the damper states no end [m]: engineering judgement."""

LOAD_STEP: Final = 1e-9
"""Below this lateral force [m/s2] a bank is driven at its neutral speed and the outer side is undefined."""


@dataclass(frozen=True, slots=True)
class WheelRange:
    """How far the wheels of an axle can move from static ride height.

    Parameters
    ----------
    bump, droop : float
        Wheel travel to the end either way, both positive [m].
    assumed : tuple of str
        What the sheet does not state and what was taken.
    """

    bump: float
    droop: float
    assumed: tuple[str, ...] = ()


def wheel_range(axle: AxleSheet, name: Axle) -> WheelRange:
    """Return the full wheel travel of an axle from its damper's ends."""
    # By the ratio at static ride height: the ends of travel are for warnings, not for figures.
    ratio = float(static_motion_ratio(axle.damper_motion_ratio))
    damper, assumed = axle.damper, []
    if damper.full_bump is not None:
        bump = damper.full_bump.value / ratio
    elif damper.bump_stop_gap is not None:
        bump = damper.bump_stop_gap.value / ratio
        assumed.append(f"{name}.damper.full_bump: not stated, wheel travel taken to end at the bump stop")
    else:
        bump = ASSUMED_TRAVEL
        assumed.append(f"{name}.damper.full_bump: not stated, {bump * 1000:.0f} mm of wheel travel taken")
    if damper.full_droop is not None:
        droop = damper.full_droop.value / ratio
    else:
        droop = bump
        assumed.append(f"{name}.damper.full_droop: not stated, as much droop as bump taken")
    return WheelRange(bump, droop, tuple(assumed))


@dataclass(frozen=True, slots=True)
class TravelUse:
    """What a steady bank uses of one damper's travel.

    Parameters
    ----------
    heave, roll, total : Estimate
        Damper travel from static by the extra weight, by roll, and together [mm], compression positive.
    gap : float or None
        Damper travel to the bump stop [mm]; None when the sheet does not state it.
    margin : Estimate
        Travel left before the stop touches [mm]; negative when it is used up.
    roll_part : float or None
        Part of the compression that a stiffer bar can act on [1]; None when the damper extends.
    """

    heave: Estimate
    roll: Estimate
    total: Estimate
    gap: float | None
    margin: Estimate
    roll_part: float | None


def body_forces(bank: float, centripetal: float) -> tuple[float, float]:
    """Return lateral and vertical specific force on a bank [m/s2].

    Parameters
    ----------
    bank : float
        Cross slope towards the inside [rad].
    centripetal : float
        Horizontal acceleration towards the inside, speed^2 / radius [m/s2].

    Notes
    -----
    f_y = a cos(bank) - g sin(bank); f_z = g cos(bank) + a sin(bank) (statics). Roll of the body against
    the road is not in these; `banked_travel` adds it.
    """
    sine, cosine, g = math.sin(bank), math.cos(bank), STANDARD_GRAVITY
    return centripetal * cosine - g * sine, g * cosine + centripetal * sine


def banked_travel(car: CarSheet, setup: Setup, bank: float, centripetal: float) -> dict[Corner, TravelUse]:
    """Return what a steady left turn on a bank uses of each damper's travel (right side outside).

    Heave: the sprung weight above the static one over the wheel rate. Roll: suspension roll times half the
    track. Bump stops are left out: past the gap the figure says how far the springs alone would let it go.

    Parameters
    ----------
    car, setup : CarSheet, Setup
        Car and set-up.
    bank, centripetal : float
        As in `body_forces`; their own errors are not included.
    """
    found = propagate(car, lambda sheet: _travel_values(sheet, setup, bank, centripetal))
    return {corner: _travel_use(car, found, axle, corner) for axle in AXLES for corner in AXLE_CORNERS[axle]}


def _travel_values(car: CarSheet, setup: Setup, bank: float, centripetal: float) -> Mapping[str, Array]:
    # Steady state on the bank: springs carry the extra weight, springs and bar the roll.
    masses = mass_properties(car)
    roll = car_roll(car, bar_rates(car, setup))
    lateral, vertical = body_forces(bank, centripetal)
    # The body leans against the road, so its own axes see more of the weight (small angles).
    lateral_body = lateral / (1.0 - vertical * roll.body)
    values: dict[str, Array] = {}
    for axle in AXLES:
        sheet = car.axle(axle)
        spring_ratio = static_motion_ratio(sheet.spring.motion_ratio)
        ratio = static_motion_ratio(sheet.damper_motion_ratio)
        wheel_rate = array(sheet.spring.rate) * spring_ratio**2
        extra = masses.axle(axle).sprung * (vertical - STANDARD_GRAVITY) / 2.0
        heave = np.asarray(ratio * extra / wheel_rate)
        lean = np.asarray(ratio * roll.axles[axle].suspension * lateral_body * array(sheet.track_width) / 2.0)
        gap = array(0.0 if sheet.damper.bump_stop_gap is None else sheet.damper.bump_stop_gap)
        for corner, side in zip(AXLE_CORNERS[axle], (-1.0, 1.0), strict=True):
            values |= {
                f"heave {corner}": heave,
                f"roll {corner}": np.asarray(side * lean),
                f"total {corner}": np.asarray(heave + side * lean),
                f"margin {corner}": np.asarray(gap - heave - side * lean),
            }
    return values


def _travel_use(car: CarSheet, found: Propagated, axle: Axle, corner: Corner) -> TravelUse:
    gap = car.axle(axle).damper.bump_stop_gap
    heave, roll, total = (
        found.estimate(f"{part} {corner}", "mm", 1000.0) for part in ("heave", "roll", "total")
    )
    margin = (
        Estimate.unknown("mm", f"{axle}.damper.bump_stop_gap is not in the car sheet")
        if gap is None
        else found.estimate(f"margin {corner}", "mm", 1000.0)
    )
    compression = found.values[f"total {corner}"]
    part = None if compression <= LOAD_STEP else found.values[f"roll {corner}"] / compression
    return TravelUse(heave, roll, total, None if gap is None else gap.value * 1000.0, margin, part)


# What unequal links do to the corner loads of a car that stands still.


PRELOAD_NOTE = "links that run down from the bar to the suspension; turn the sign for links that run up"


@dataclass(frozen=True, slots=True)
class Preload:
    """Effect of one left link that is longer than the right one.

    Parameters
    ----------
    left_longer : float
        Left link longer by this [m].
    link_force : Estimate
        Push in the left link with the car held in roll [N].
    corner_change : dict
        ``front``, ``rear``: change of the left wheel's load, car free to settle; the right wheel changes as
        much the other way [N].
    """

    left_longer: float
    link_force: Estimate
    corner_change: dict[Axle, Estimate]


def bar_preload(car: CarSheet, setup: Setup, axle: Axle) -> Preload | None:
    """Return the preload of an axle's bar; None when its links are equal or it has no bar.

    A link longer by d twists the bar as if each end had moved d/2: F = k d/2, roll moment F MR t on that
    axle. Body and axles settle until the moments of both axles cancel: springs and bar in series with
    tyres at each axle, shell rigid or as stiff as the sheet says.
    """
    bar = car.axle(axle).bar
    if isinstance(bar, NoBar) or bar.link is None or bar.link.left_longer is None or setup.bar(axle) == "off":
        return None
    found = propagate(car, lambda sheet: _preload_values(sheet, setup, axle))
    return Preload(
        left_longer=bar.link.left_longer.value,
        link_force=found.estimate("force", "N").with_notes(PRELOAD_NOTE),
        corner_change={a: found.estimate(f"corner {a}", "N").with_notes(PRELOAD_NOTE) for a in AXLES},
    )


def _preload_values(car: CarSheet, setup: Setup, axle: Axle) -> Mapping[str, Array]:
    sheet = car.axle(axle)
    if isinstance(sheet.bar, NoBar) or sheet.bar.link is None:
        raise ValueError("no bar to preload")
    rates = bar_rates(car, setup)
    roll = car_roll(car, rates)
    force = np.asarray(rates[axle] * array(sheet.bar.link.left_longer) / 2.0)
    moment = force * array(sheet.bar.motion_ratio) * array(sheet.track_width)
    pair = {
        a: roll.axles[a].stiffness / (1.0 + roll.axles[a].stiffness * tyre_roll_compliance(car.axle(a)))
        for a in AXLES
    }
    other: Axle = "rear" if axle == "front" else "front"
    # Seen from the loaded axle, the other one (through the shell) holds the body level.
    hold = pair[other]
    if car.chassis_stiffness is not None:
        shell = array(car.chassis_stiffness)
        hold = hold * shell / (hold + shell)
    reduced = moment * pair[axle] / roll.axles[axle].stiffness
    carried = np.asarray(reduced * hold / (pair[axle] + hold))
    return {
        "force": force,
        f"corner {axle}": np.asarray(carried / array(sheet.track_width)),
        f"corner {other}": np.asarray(-carried / array(car.axle(other).track_width)),
    }
