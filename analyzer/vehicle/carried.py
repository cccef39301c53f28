"""The car with another load in it, or with other tyre pressures, than its sheet was measured with."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from analyzer.core.constants import AXLE_CORNERS, AXLES, STANDARD_GRAVITY, Axle
from analyzer.core.units import Uncertain
from analyzer.sheets.car import CarSheet, Place
from analyzer.vehicle.axle import mass_properties, static_motion_ratio
from analyzer.vehicle.bar.section import Array, array

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
    weight, base = mass * STANDARD_GRAVITY, array(car.mass.wheelbase)
    part = {"rear": array(place.behind_front_axle) / base}
    part["front"] = 1.0 - part["rear"]
    loads: dict[str, Any] = {}
    axles: dict[str, Any] = {}
    sunk: dict[Axle, Array] = {}
    for axle in AXLES:
        sheet = car.axle(axle)
        wheel_rate = array(sheet.spring.rate) * static_motion_ratio(sheet.spring.motion_ratio) ** 2
        sunk[axle] = weight * part[axle] / 2.0 / wheel_rate
        centre = array(sheet.roll_centre_height) - follows * sunk[axle]
        fallen = {"roll_centre_height": _moved(sheet.roll_centre_height, centre)}
        axles[axle] = sheet.model_copy(update=fallen)
        for corner in AXLE_CORNERS[axle]:
            load = car.mass.load(corner)
            loads[corner] = _moved(load, array(load) + weight * part[axle] / 2.0)
    before = mass_properties(car)
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
