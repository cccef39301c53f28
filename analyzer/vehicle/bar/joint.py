"""What the joint of blade and tube does to a bar, and how far the statics of slender pieces are off."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from analyzer.core.units import Uncertain
from analyzer.sheets.bar import BladedBar, FormedBar, MadeOf, find_material
from analyzer.sheets.fields import Sheet
from analyzer.vehicle.bar.section import Array, array

# The figures below are read off solid finite elements of bladed and bent bars, our own: geometry, meshes and
# results stand in tests/vehicle/joints.

MODEL_ERROR: Final = 0.01
"""Standard error of a bar's computed rate that the model itself makes [1]: slender pieces of full section,
rigid welds, no warping. Solids differ by that much where the joint is known."""

ANY_SEAT: Final = (1.0, 0.6)
"""Where a blade begins to bend and its standard error when nobody says how it sits [tube radii]."""

SEATS: Final[dict[tuple[str, bool], tuple[float, float]]] = {
    ("face", False): (1.0, 0.4),
    ("through", False): (0.4, 0.4),
    ("socket", False): (1.5, 0.5),
    ("face", True): (1.0, 0.2),
    ("through", True): (0.85, 0.2),
    ("socket", True): (1.5, 0.5),
}
"""The same by seat, and whether the blade stands flat to the load."""

RIM: Final = 0.15
"""What the rim of a blade adds to that error where the tube is let through it [tube radii, at a blade of
twice the tube's diameter]: the less of the blade is left, the more it gives."""

LEAST_RIM: Final = 0.05
"""Least part by which a blade counts as deeper than the tube that is let through it."""

LEAST_SIZE: Final = 1e-9
"""Below what a size is not taken [m]: nothing that is made is as thin."""

WALL_GIVE: Final = 0.061
"""Factor of `seat_give`."""

GIVE_ERROR: Final = 0.2
"""Standard error of `seat_give` [1]."""

GIVE_ANY_SEAT: Final = 0.6
"""Standard error of the part of `seat_give` that counts where nobody says how the blade sits [1]."""


class ModelDoubt(Sheet):
    """What is not known about the model of a bar; `propagate` moves it like a quantity of the sheet."""

    model: Uncertain
    """True over computed rate of the bar without mounts and links."""
    seat: Uncertain | None = None
    """Part of the tube wall's give that counts."""


class CompleteBladed(BladedBar):
    """A bladed bar with the doubt about its model."""

    doubt: ModelDoubt


class CompleteFormed(FormedBar):
    """A bent bar with the doubt about its model."""

    doubt: ModelDoubt


def moduli(part: MadeOf) -> tuple[Array, Array]:
    """Return E and G of a part [Pa]: the sheet's own, else those of the table."""
    material = find_material(part.material)
    known = (0.0, 0.0) if material is None else (material.elastic_modulus, material.shear_modulus)
    stated = (part.elastic_modulus, part.shear_modulus)
    first, second = (array(k if s is None else s) for k, s in zip(known, stated, strict=True))
    return first, second


def with_doubt(bar: BladedBar | FormedBar) -> BladedBar | FormedBar:
    """Return a bar that carries the error of its model, and that of the blades' seat where it matters."""
    model = Uncertain(1.0, MODEL_ERROR)
    if isinstance(bar, FormedBar):
        if isinstance(bar, CompleteFormed):
            return bar
        return CompleteFormed.model_construct(**dict(bar), doubt=ModelDoubt(model=model))
    seat = None
    if bar.blade.seat == "face":
        seat = Uncertain(1.0, GIVE_ERROR)
    elif bar.blade.seat is None and bar.blade.joint == "welded":
        seat = Uncertain(0.0, GIVE_ANY_SEAT)
    if not isinstance(bar, CompleteBladed):
        return CompleteBladed.model_construct(**dict(bar), doubt=ModelDoubt(model=model, seat=seat))
    # What runs have shown of the doubt stays, unless the bar got blades of another seat.
    known = [None if found is None else found.std for found in (bar.doubt.seat, seat)]
    if known[0] == known[1]:
        return bar
    return bar.model_copy(update={"doubt": bar.doubt.model_copy(update={"seat": seat})})


def true_share(bar: BladedBar | FormedBar) -> Array:
    """Return true over computed rate of a bar without mounts and links [1]: one, moved by its error."""
    return array(bar.doubt.model if isinstance(bar, (CompleteBladed, CompleteFormed)) else 1.0)


def stands_flat(bar: BladedBar) -> bool:
    """Return whether the blades stand nearer to flat than to edgewise in the load, by the car sheet."""
    turn = array(0.0 if bar.blade.turn is None else bar.blade.turn)
    return bool(abs(np.sin(turn.ravel()[0])) > np.sqrt(0.5))


def blade_root(bar: BladedBar) -> Uncertain:
    """Return where the blades' free length begins, from the tube's axis [m].

    A sheet that does not state it gets a multiple of the radius the tube has there, by the blade's seat, with
    its standard error.
    """
    blade = bar.blade
    if blade.root is not None:
        return blade.root
    radius = _radius(bar)
    part, error = ANY_SEAT
    if blade.seat is not None:
        part, error = SEATS[blade.seat, stands_flat(bar)]
        if blade.seat == "through" and not stands_flat(bar):
            rim = np.maximum(array(blade.depth) / (2.0 * radius) - 1.0, LEAST_RIM)
            return _root(radius, part, error + RIM / rim)
    return _root(radius, part, error)


def _root(radius: Array, part: float, error: Any) -> Uncertain:
    return Uncertain(part * radius, error * radius)  # type: ignore[arg-type]


def _radius(bar: BladedBar) -> Array:
    return array((bar.tube if bar.tube.ends is None else bar.tube.ends).outside_diameter) / 2.0


def seat_give(bar: BladedBar) -> Array | None:
    """Return how far a flat blade turns where its end is welded to the tube's side [rad/(N m)].

    The tube's wall bends beneath it: 0.061 D^1.8 / (E w^3.2 b^0.9 t^0.7) with the tube's diameter D and wall
    w, the blade's depth b and thickness t, E of the tube. The powers fit solids of D / w from 5 to 24 within
    15 %. None for other seats.
    """
    doubt = bar.doubt.seat if isinstance(bar, CompleteBladed) else None
    if bar.blade.seat != "face" and doubt is None:
        return None
    source = bar.tube if bar.tube.ends is None else bar.tube.ends
    diameter = array(source.outside_diameter)
    wall = diameter / 2.0 if source.wall is None else array(source.wall)
    # A tolerance wider than the size moves it below zero, where such a power is no number.
    diameter, wall, depth, thickness = (
        np.maximum(array(size), LEAST_SIZE) for size in (diameter, wall, bar.blade.depth, bar.blade.thickness)
    )
    size = diameter**1.8 / (wall**3.2 * depth**0.9 * thickness**0.7)
    part = array(1.0 if doubt is None else doubt)
    return np.asarray(part * WALL_GIVE * size / moduli(bar.tube)[0])
