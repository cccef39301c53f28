"""What another part would do: one more spacer, the next hole, the next wall; solid against tube."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from analyzer.prediction.bladed import array
from analyzer.sheets.bar import BladedBar, FormedBar
from analyzer.sheets.materials import find_material
from analyzer.sheets.session import BarSetting
from analyzer.uncertain import Uncertain

BarSheet = BladedBar | FormedBar

INCH: Final = 0.0254

WALLS: Final = tuple(
    INCH * w for w in (0.049, 0.058, 0.065, 0.083, 0.095, 0.109, 0.120, 0.134, 0.156, 0.188, 0.250)
)
"""Walls that tube is commonly sold in [m]: Birmingham wire gauge sizes and fractions (common practice)."""

NEXT_DIAMETER: Final = 0.125 * INCH
"""Step of tube diameters [m] (common practice)."""

NEXT_THICKNESS: Final = 0.001
"""Step of blade thickness [m]."""


@dataclass(frozen=True, slots=True)
class Variant:
    """A bar that differs from the fitted one in one thing.

    Parameters
    ----------
    change : str
        What is different.
    apply : callable
        Fitted bar of the sheet (numbers or arrays) -> the other bar.
    setting : BarSetting or None
        Its setting.
    """

    change: str
    apply: Callable[[BarSheet], BarSheet]
    setting: BarSetting | None


def variants(bar: BarSheet, setting: BarSetting | None) -> tuple[Variant, ...]:
    """Return the neighbours of a fitted bar: hole, spacer, wall, diameter, blade; nothing impossible."""
    found: list[Variant] = []
    if isinstance(bar, BladedBar) and setting is not None:
        found += _setting_variants(bar, setting)
    wall, diameter = _round(bar)
    if wall is not None:
        for name, new in (("thicker", _next_wall(wall, True)), ("thinner", _next_wall(wall, False))):
            if new is not None and 2.0 * new < diameter:
                change = f"next {name} wall ({new * 1000:.2f} mm)"
                found.append(Variant(change, _with_round(wall=new / wall), setting))
    for sign, word in ((1.0, "larger"), (-1.0, "smaller")):
        new = diameter + sign * NEXT_DIAMETER
        if new > 2.0 * (wall or 0.0):
            change = f"{word} diameter ({new * 1000:.2f} mm)"
            found.append(Variant(change, _with_round(diameter=new / diameter), setting))
    if isinstance(bar, BladedBar):
        for sign, word in ((1.0, "thicker"), (-1.0, "thinner")):
            new = bar.blade.thickness.value + sign * NEXT_THICKNESS
            if new > NEXT_THICKNESS:
                found.append(Variant(f"{word} blade ({new * 1000:.1f} mm)", _with_blade(sign), setting))
    return tuple(found)


def solid_comparison(bar: BarSheet, setting: BarSetting | None) -> tuple[Variant, ...]:
    """Return a tube beside a solid bar of equal diameter and one of equal mass; the reverse for a solid bar.

    At equal diameter solid is stiffer, at equal mass the tube is (common claims mix the two up).
    """
    wall, diameter = _round(bar)
    as_is = Variant("as it is", lambda b: b, setting)
    if wall is None:
        # A tube of the same metal area with a wall of a tenth of its diameter: D^2 (1 - 0.8^2) = d^2.
        growth = 1.0 / math.sqrt(1.0 - 0.8**2)
        hollow = Variant("tube of equal diameter, wall a tenth", _hollow(1.0), setting)
        return as_is, hollow, Variant("tube of equal mass, wall a tenth", _hollow(growth), setting)
    bore = diameter - 2.0 * wall
    same_mass = math.sqrt(diameter**2 - bore**2) / diameter
    return (
        as_is,
        Variant("solid, equal diameter", _with_round(solid=True), setting),
        Variant("solid, equal mass", _with_round(diameter=same_mass, solid=True), setting),
    )


def round_mass(bar: BarSheet) -> float | None:
    """Return the mass of the tube without ends, or of a bent bar [kg]; None for an unknown material."""
    part = bar.tube if isinstance(bar, BladedBar) else bar
    material = find_material(part.material)
    if material is None:
        return None
    wall, diameter = _round(bar)
    bore = 0.0 if wall is None else diameter - 2.0 * wall
    return material.density * math.pi / 4.0 * (diameter**2 - bore**2) * _length(bar)


def _length(bar: BarSheet) -> float:
    """Length of tube, or of a bent bar's centre line measured along its corners [m]."""
    if isinstance(bar, BladedBar):
        return bar.tube.length.value
    corners = np.array([[p.x.value, p.y.value, p.z.value] for p in bar.points])
    return float(np.linalg.norm(np.diff(corners, axis=0), axis=1).sum())


def _round(bar: BarSheet) -> tuple[float | None, float]:
    part: Any = bar.tube if isinstance(bar, BladedBar) else bar
    return None if part.wall is None else part.wall.value, part.outside_diameter.value


def _setting_variants(bar: BladedBar, setting: BarSetting) -> list[Variant]:
    if setting.right is not None:
        return []
    most = 0 if bar.spacer is None else bar.spacer.most
    found = []
    for words, hole, spacers in (
        ("next hole outwards", setting.hole - 1, setting.spacers),
        ("next hole inwards", setting.hole + 1, setting.spacers),
        ("one spacer more", setting.hole, setting.spacers + 1),
        ("one spacer less", setting.hole, setting.spacers - 1),
    ):
        if 1 <= hole <= len(bar.holes) and 0 <= spacers <= most:
            other = setting.model_copy(update={"hole": hole, "spacers": spacers})
            found.append(Variant(words, lambda b: b, other))
    return found


def _next_wall(wall: float, thicker: bool) -> float | None:
    if thicker:
        return next((w for w in WALLS if w > wall * 1.02), None)
    return next((w for w in reversed(WALLS) if w < wall * 0.98), None)


def _scaled(quantity: Uncertain, factor: float) -> Uncertain:
    return Uncertain(array(quantity) * factor, quantity.std)  # type: ignore[arg-type]


def _with_round(
    diameter: float = 1.0, wall: float = 1.0, solid: bool = False
) -> Callable[[BarSheet], BarSheet]:
    def apply(bar: BarSheet) -> BarSheet:
        part: Any = bar.tube if isinstance(bar, BladedBar) else bar
        update: dict[str, Any] = {"outside_diameter": _scaled(part.outside_diameter, diameter)}
        if solid:
            update["wall"] = None
        elif part.wall is not None:
            update["wall"] = _scaled(part.wall, wall)
        return _replaced(bar, update)

    return apply


def _hollow(growth: float) -> Callable[[BarSheet], BarSheet]:
    def apply(bar: BarSheet) -> BarSheet:
        part: Any = bar.tube if isinstance(bar, BladedBar) else bar
        diameter = _scaled(part.outside_diameter, growth)
        return _replaced(bar, {"outside_diameter": diameter, "wall": _scaled(diameter, 0.1)})

    return apply


def _replaced(bar: BarSheet, update: dict[str, Any]) -> BarSheet:
    if isinstance(bar, FormedBar):
        return bar.model_copy(update=update)
    return bar.model_copy(update={"tube": bar.tube.model_copy(update=update)})


def _with_blade(sign: float) -> Callable[[BarSheet], BarSheet]:
    def apply(bar: BarSheet) -> BarSheet:
        if isinstance(bar, FormedBar):
            return bar
        thick = bar.blade.thickness
        new = Uncertain(array(thick) + sign * NEXT_THICKNESS, thick.std)  # type: ignore[arg-type]
        return bar.model_copy(update={"blade": bar.blade.model_copy(update={"thickness": new})})

    return apply
