"""Stress in a bar, static safety and fatigue life. Figures to think with, not a release for the road.

Von Mises stress sqrt(sigma^2 + 3 tau^2) with the greatest bending and the greatest shear stress of a
section taken together, which is exact for round sections and safe for blades.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.sheets.bar import BladedBar, FormedBar, MadeOf, Metal, find_material, metal_of
from analyzer.vehicle.bar.beam import BarModel, BarSolution, Piece, internal_forces
from analyzer.vehicle.bar.pieces import blade_root, blade_section, stands_flat
from analyzer.vehicle.bar.section import Array, Section, array, rectangle_shear, rectangle_torsion

CYCLES: Final = 2e6
"""Cycles at which fatigue classes are stated."""

WELD_CLASS: Final[dict[Metal, tuple[float, float]]] = {"steel": (63e6, 3.0), "aluminium": (22e6, 3.0)}
"""Class and slope for the weld between tube and blade [Pa, 1]: IIW recommendations, fillet weld across the
load, of fair quality, cracking from its toe (from memory); root flaws can halve the class."""

PARENT_CLASS: Final[dict[Metal, tuple[float, float]]] = {"steel": (160e6, 5.0), "aluminium": (71e6, 5.0)}
"""Class and slope of parent metal, rolled, extruded or machined [Pa, 1]: IIW recommendations (from
memory)."""

FATIGUE_CAUTION: Final = (
    "fatigue life assumes sound welds of the stated class, no corrosion, nicks or heat damage; it is an "
    "order of magnitude, not a promise: inspect bar, welds, bolts and rod ends after every event"
)

STATIONS: Final = 9
"""Places along each piece at which stress is looked at."""

TAPER_STATIONS: Final = 65
"""The same along a blade that tapers, where stress may peak between root and link: found to 0.1 %."""


@dataclass(frozen=True, slots=True)
class StressPoint:
    """Stress at one place per force at the left link.

    Parameters
    ----------
    place : str
        "tube at the weld", "blade root", "hole 2", "bolt", ...
    per_force : ndarray
        Von Mises stress per link force [Pa/N].
    yield_strength : float
        Of the part [Pa].
    metal : Metal or None
        Sets the fatigue class; None where it is not known.
    welded : bool
        Whether it is beside a weld: its fatigue class and its strength hold here.
    """

    place: str
    per_force: Array
    yield_strength: float
    metal: Metal | None
    welded: bool = False


def stress_points(
    bar: BladedBar | FormedBar, model: BarModel, solution: BarSolution
) -> tuple[StressPoint, ...]:
    """Return the places where a bar is stressed most, each per unit force of the left link.

    Left and right are both looked at; the higher figure counts.
    """
    # A bent bar is of one piece: the highest place along it is all there is to look at.
    if isinstance(bar, FormedBar):
        worst = _most([_round_stress(piece, model, solution) for piece in model.pieces])
        return (StressPoint("bar, where it is highest", worst, yield_of(bar), metal_of(bar)),)
    ends = np.array([0.0, 1.0])
    tubes = [p for p in model.pieces if p.part == "tube"]
    blades = [p for p in model.pieces if p.part == "blade"]
    half = array(bar.tube.length) / 2.0
    tube_stress = [(p, _stress(p, model, solution, ends)) for p in tubes]
    # The ends of the tube, where the blades hang: a weld has the stress of both parts and less strength than
    # either.
    weld = _most([s[..., index] for p, s in tube_stress for index in (0, 1) if _at_end(p, index, half)])
    welded = bar.blade.joint == "welded"
    tube, blade = metal_of(bar.tube), metal_of(bar.blade)
    beside = weld_yield(bar) if welded else None
    root = _most([_stress(p, model, solution, ends)[..., 0] for p in blades])
    highest = _most([s.max(axis=-1) for _, s in tube_stress])
    points = [
        StressPoint(
            "tube at the blade", weld, yield_of(bar.tube) if beside is None else beside, tube, welded
        ),
        StressPoint("tube, where it is highest", highest, yield_of(bar.tube), tube),
        StressPoint("blade root", root, yield_of(bar.blade) if beside is None else beside, blade, welded),
        *_taper_points(bar, blades, model, solution),
        *_hole_points(bar, blades, model, solution),
    ]
    # Without spacers there is no length of bolt that bends.
    bolts = [p for p in model.pieces if p.part == "bolt"]
    if bar.bolt is not None and bolts:
        stress = _most([_stress(p, model, solution, ends)[..., 0] for p in bolts])
        points.append(StressPoint("bolt", stress, yield_of(bar.bolt), metal_of(bar.bolt)))
    return tuple(points)


def yield_of(part: MadeOf) -> float:
    """Return the yield strength of a part [Pa]: the sheet's own, else the table's."""
    if part.yield_strength is not None:
        return part.yield_strength.value
    material = find_material(part.material)
    return math.nan if material is None else material.yield_strength


def weld_yield(bar: BladedBar) -> float:
    """Return the yield strength next to the weld between tube and blade [Pa]; nan where it is not known.

    The sheet's own; else the welded strength of the weaker of both materials, and no more than a yield
    strength that the sheet states for either.
    """
    if bar.blade.weld_strength is not None:
        return bar.blade.weld_strength.value
    found = []
    for part in (bar.tube, bar.blade):
        material = find_material(part.material)
        if material is None or material.welded_strength is None:
            return math.nan
        found += [material.welded_strength, yield_of(part)]
    return min(found)


def weld_taken(bar: BladedBar | FormedBar) -> list[str]:
    """Return what is taken of a weld because no sheet tells, below the bar's key."""
    if isinstance(bar, FormedBar) or bar.blade.joint != "welded":
        return []
    lines = []
    # What no figure covers is told before what a figure was taken for.
    if bar.blade.seat == "face" and stands_flat(bar):
        lines.append(
            "blade.seat: stress in the tube's wall beneath the blade's end is not worked out; let the blade "
            "through the tube, or have the weld judged by somebody who can"
        )
    if bar.blade.weld_strength is not None:
        return lines
    strength = weld_yield(bar)
    if math.isnan(strength):
        text = "blade.weld_strength: not stated, strength next to the weld is not known and not judged"
        return [*lines, text]
    # The weaker of both sides of a weld gives first; which one it was taken for is told by name.
    materials = [m for part in (bar.tube, bar.blade) if (m := find_material(part.material)) is not None]
    weaker = min(materials, key=lambda m: m.welded_strength or math.inf)
    lines.append(
        f"blade.weld_strength: not stated, {strength / 1e6:.0f} MPa taken next to the weld of {weaker.name} "
        f"({weaker.weld})"
    )
    prone = sorted({m.name for m in materials if m.crack_prone})
    if prone:
        lines.append(
            f"blade.joint: welds in {' and '.join(prone)} crack easily; preheat, cooling and a test piece "
            "are taken to be those of a qualified welder"
        )
    return lines


def safety_factor(points: tuple[StressPoint, ...], force: float | Array) -> Array:
    """Return the lowest yield strength / stress over all places at a link `force` [N]; inf without force.

    Places of a material whose yield strength nobody stated are left out; nan when none is left.
    """
    known = [p for p in points if not math.isnan(p.yield_strength)]
    if not known:
        return np.asarray(math.nan)
    with np.errstate(divide="ignore"):  # an unloaded bar is infinitely far from yield, and so it says
        factors = [p.yield_strength / (p.per_force * np.abs(force)) for p in known]
    return np.asarray(np.min(np.stack(np.broadcast_arrays(*factors)), axis=0))


def fatigue_cycles(stress_range: float, welded: bool, metal: Metal) -> float:
    """Return the cycles to failure at a constant `stress_range` [Pa, double amplitude].

    N = 2e6 (class / range)^m, the design curve of the class (97.7 % survival).
    """
    strength, slope = (WELD_CLASS if welded else PARENT_CLASS)[metal]
    return math.inf if stress_range <= 0.0 else float(CYCLES * (strength / stress_range) ** slope)


def _stress(piece: Piece, model: BarModel, solution: BarSolution, stations: Array) -> Array:
    force, moment, _ = internal_forces(piece, model, solution.loads, stations)
    section = piece.section(stations)
    bending = np.abs(moment.z) * section.depth / 2.0 / section.strong
    bending = bending + np.abs(moment.y) * section.width / 2.0 / section.weak
    if piece.part == "blade":
        shear = np.abs(moment.x) * blade_shear(section)
    else:  # round: both bending moments act in one plane
        bending = np.hypot(moment.y, moment.z) * section.depth / 2.0 / section.strong
        torque = 0.0 if piece.part == "bolt" else moment.x
        shear = np.abs(torque) * section.depth / 2.0 / section.torsion
    normal = bending + np.abs(force.x) / section.area
    shape = np.broadcast_shapes(
        np.shape(normal), np.shape(shear), (*np.shape(piece.curve.length), len(stations))
    )
    return np.broadcast_to(np.sqrt(normal**2 + 3.0 * shear**2), shape)


def _round_stress(piece: Piece, model: BarModel, solution: BarSolution) -> Array:
    return np.asarray(_stress(piece, model, solution, np.linspace(0.0, 1.0, STATIONS)).max(axis=-1))


def blade_shear(section: Section) -> Array:
    """Return the greatest shear stress per torque of a blade [1/m3].

    Of a rectangle by its series; another outline is taken to shear as its surrounding rectangle does at the
    same twist, which is on the safe side for outlines without notches.
    """
    box = rectangle_shear(section.depth, section.width) * rectangle_torsion(section.depth, section.width)
    return np.asarray(box / section.torsion)


def _most(values: list[Array]) -> Array:
    return np.asarray(np.max(np.stack(np.broadcast_arrays(*values)), axis=0))


def _at_end(piece: Piece, index: int, half: Array) -> bool:
    """Whether a tube piece's first (0) or last (1) station sits at a blade."""
    point, _, _ = piece.curve.at(np.array([float(index)]))
    return bool(np.all(np.isclose(np.abs(point.y), half[..., None])))


def _taper_points(
    bar: BladedBar, blades: list[Piece], model: BarModel, solution: BarSolution
) -> list[StressPoint]:
    """Return the place of the greatest stress along a tapered blade, its root left to the weld.

    Bending over a depth that falls linearly to less than half of the root's peaks where the depth is twice
    that at the link, so the root alone does not tell.
    """
    if bar.blade.tip_depth is None and bar.blade.tip_thickness is None:
        return []
    along = np.linspace(0.0, 1.0, TAPER_STATIONS)
    worst = _most([_stress(p, model, solution, along).max(axis=-1) for p in blades])
    return [StressPoint("blade, where it is highest", worst, yield_of(bar.blade), metal_of(bar.blade))]


def _hole_points(
    bar: BladedBar, blades: list[Piece], model: BarModel, solution: BarSolution
) -> list[StressPoint]:
    """Return stress at the net section of every hole between the link and the tube.

    The hole runs along the tube through the middle of the depth: I_net = b (h^3 - d^3) / 12, outer fibre.
    """
    if bar.bolt is None:
        return []
    # Holes between link and tube stay empty: their weakened section carries the moment there.
    diameter = array(bar.bolt.diameter)
    root = array(blade_root(bar))
    levers = (model.left_eye.x, model.right_eye.x)
    found = []
    for number, hole in enumerate(bar.holes, start=1):
        place = array(hole)
        stress = []
        for piece, lever in zip(blades, levers, strict=True):
            inside = place < lever - 1e-9
            station = np.asarray(np.where(inside, (place - root) / (lever - root), 1.0))[..., None]
            stress.append(np.where(inside, _net_stress(bar, piece, model, solution, station, diameter), 0.0))
        worst = _most(stress)
        if np.any(worst > 0.0):
            found.append(
                StressPoint(f"blade at hole {number}", worst, yield_of(bar.blade), metal_of(bar.blade))
            )
    return found


def _net_stress(
    bar: BladedBar, piece: Piece, model: BarModel, solution: BarSolution, station: Array, diameter: Array
) -> Array:
    _, moment, (point, _, _) = internal_forces(piece, model, solution.loads, station)
    section: Section = blade_section(bar.blade, point.x)
    strong = section.strong[..., 0] - section.width[..., 0] * diameter**3 / 12.0
    weak = section.weak[..., 0] - diameter * section.width[..., 0] ** 3 / 12.0
    normal = np.abs(moment.z[..., 0]) * section.depth[..., 0] / 2.0 / strong
    normal = normal + np.abs(moment.y[..., 0]) * section.width[..., 0] / 2.0 / weak
    shear = np.abs(moment.x[..., 0]) * blade_shear(section)[..., 0]
    return np.asarray(np.sqrt(normal**2 + 3.0 * shear**2))
