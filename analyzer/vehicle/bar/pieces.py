"""A bar as pieces for the statics: a tube with a blade at each end, or one piece bent to its form."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Final

import numpy as np

from analyzer.core.errors import AnalyzerError
from analyzer.core.units import Uncertain
from analyzer.sheets.bar import Blade, BladedBar, FormedBar, Link, MadeOf, RoundEnd, Tube, find_material
from analyzer.sheets.fields import Sheet
from analyzer.sheets.session import BarSetting
from analyzer.vehicle.bar.beam import Arc, BarModel, Piece, Side, Straight, Vec, vec
from analyzer.vehicle.bar.section import (
    Array,
    OutlineConstants,
    Section,
    array,
    outline_constants,
    rectangle_section,
    round_section,
    thread_diameter,
)

# A tube with a blade at each end.


TAPER_ORDER: Final = 12
"""Gauss points of a tapered blade: 1e-9 at a tip of half the root, 1e-5 at a fifth."""


@dataclass(frozen=True, slots=True)
class BladeState:
    """How one side is set.

    Parameters
    ----------
    lever : ndarray
        Tube axis to link hole, along the blade [m].
    offset : ndarray
        Link beside the blade's centre plane, outboard positive [m].
    turn : ndarray
        Blade turned about its length: 0 edge, pi/2 flat to the load; positive when its upper edge turns
        outboard [rad].
    """

    lever: Array
    offset: Array
    turn: Array


def blade_states(bar: BladedBar, setting: BarSetting) -> tuple[BladeState, BladeState]:
    """Return the left and the right side of a setting that exists on this bar."""
    other = setting if setting.right is None else setting.right
    return (
        blade_state(bar, setting.hole, setting.spacers, setting.turn),
        blade_state(bar, other.hole, other.spacers, other.turn),
    )


def blade_state(bar: BladedBar, hole: int, spacers: int | Array, turn: Uncertain | None = None) -> BladeState:
    """Return one side with the link in `hole` (1 is the outermost) on `spacers` spacers.

    `turn` None takes the blade's angle from the car sheet, edge to the load when it states none.
    """
    angle = bar.blade.turn if turn is None else turn
    return BladeState(
        lever=array(bar.holes[hole - 1]),
        offset=link_offset(bar, spacers),
        turn=array(0.0 if angle is None else angle),
    )


def link_offset(bar: BladedBar, spacers: int | Array) -> Array:
    """Return the link's place beside the blade, outboard positive [m]; spacers add to the bare offset."""
    bare = array(0.0 if bar.base_offset is None else bar.base_offset)
    if bar.spacer is None:
        return bare
    reach = bare + array(bar.spacer.thickness) * spacers
    return reach if bar.spacer.side == "outboard" else -reach


def bladed_model(bar: BladedBar, left: BladeState, right: BladeState) -> BarModel:
    """Return the statics model of a bladed bar with both sides as set; all arrays broadcast."""
    half, half_spacing = array(bar.tube.length) / 2.0, array(bar.mounts.spacing) / 2.0
    pieces = (
        *_side_pieces(bar, left, 1.0),
        *_tube_pieces(bar.tube, half_spacing),
        *_side_pieces(bar, right, -1.0),
    )
    return BarModel(
        pieces=pieces,
        left_eye=vec(left.lever, half + left.offset, 0.0),
        right_eye=vec(right.lever, -half - right.offset, 0.0),
        left_pull=link_pull(bar.link, 1.0),
        right_pull=link_pull(bar.link, -1.0),
        left_mount=vec(0.0, half_spacing, 0.0),
        right_mount=vec(0.0, -half_spacing, 0.0),
        mount_rate=None if bar.mounts.rate is None else array(bar.mounts.rate),
        link_rate=None if bar.link is None or bar.link.rate is None else array(bar.link.rate),
        seat_give=seat_give(bar),
        true_share=true_share(bar),
    )


def link_pull(link: Link | None, outwards: float, forward: float = 1.0) -> Vec:
    """Return the unit vector along a link, from its lower end to the bar.

    Parameters
    ----------
    link : Link or None
        Its angles: positive where the lower end stands nearer to the bar's axis in side view, further
        outboard in front view.
    outwards : float
        1 on the left and -1 on the right.
    forward : float
        1 where the lever points forward from the bar's axis, -1 where it points backward.
    """
    if link is None:
        return vec(0.0, 0.0, 1.0)
    angle = array(0.0 if link.angle is None else link.angle)
    lean = array(0.0 if link.lean is None else link.lean)
    upright = np.cos(lean)
    return vec(forward * np.sin(angle) * upright, -outwards * np.sin(lean), np.cos(angle) * upright)


def blade_section(blade: Blade, reach: Array) -> Section:
    """Return the blade's section at `reach` from the tube's axis [m], tapered linearly to its tip."""
    depth, thickness = array(blade.depth), array(blade.thickness)
    part = 0.0 if blade.length is None else reach / array(blade.length)[..., None]

    def tapered(root: Array, tip: object) -> Array:
        if tip is None:
            return root[..., None]
        return root[..., None] + (array(tip) - root)[..., None] * part

    box = rectangle_section(tapered(depth, blade.tip_depth), tapered(thickness, blade.tip_thickness))
    return box if blade.outline is None else _outlined(box, blade_outline(blade))


def blade_outline(blade: Blade) -> OutlineConstants:
    """Return the constants of a blade's own outline; ValueError when it is not a plain closed one."""
    corners = tuple((across.value, along.value) for across, along in blade.outline or ())
    return outline_constants(corners)


def _outlined(box: Section, outline: OutlineConstants) -> Section:
    """Return a section of this outline stretched to the size of `box`.

    Area and second moments stretch exactly with the box, the torsion constant as the box's own does,
    which is close for the small changes a tolerance or a taper makes.
    """
    same = rectangle_section(np.asarray(outline.depth), np.asarray(outline.width))
    return replace(
        box,
        area=box.area * (outline.area / same.area),
        strong=box.strong * (outline.strong / same.strong),
        weak=box.weak * (outline.weak / same.weak),
        torsion=box.torsion * (outline.torsion / same.torsion),
    )


def tube_section(part: Tube, end: bool = False) -> Section:
    """Return the section of the tube, or of its end pieces, with a trailing axis for stations."""
    source = part.ends if end and part.ends is not None else part
    wall = None if source.wall is None else array(source.wall)[..., None]
    return round_section(array(source.outside_diameter)[..., None], wall)


def _side_pieces(bar: BladedBar, state: BladeState, outwards: float) -> list[Piece]:
    side: Side = "left" if outwards > 0 else "right"
    across = outwards * array(bar.tube.length) / 2.0
    # The blade bends from its root, not from the tube's axis: between them the joint is taken as rigid.
    root = array(blade_root(bar))
    length = state.lever - root
    blade = Straight(
        start=vec(root, across, 0.0),
        tangent=vec(1.0, 0.0, 0.0),
        length=length,
        depth=vec(0.0, outwards * np.sin(state.turn), np.cos(state.turn)),
    )
    # Bending of a uniform blade integrates the square of the lever, which two points of Gauss hold exactly.
    tapers = bar.blade.tip_depth is not None or bar.blade.tip_thickness is not None
    pieces = [
        Piece(
            part="blade",
            side=side,
            curve=blade,
            section=lambda u: blade_section(bar.blade, root[..., None] + length[..., None] * u),
            elastic_modulus=moduli(bar.blade)[0],
            shear_modulus=moduli(bar.blade)[1],
            order=TAPER_ORDER if tapers else 2,
        )
    ]
    if bar.bolt is not None:
        diameter = array(bar.bolt.diameter)
        # The thread is under the spacers: its stress diameter bends, not that of the shank.
        if bar.bolt.pitch is not None:
            diameter = thread_diameter(diameter, array(bar.bolt.pitch))
        shaft = round_section(diameter[..., None], None)
        bolt = Straight(
            start=vec(state.lever, across, 0.0),
            tangent=vec(0.0, outwards * np.where(state.offset < 0.0, -1.0, 1.0), 0.0),
            length=np.abs(state.offset),
            depth=vec(0.0, 0.0, 1.0),
        )
        pieces.append(Piece("bolt", side, bolt, lambda _: shaft, *moduli(bar.bolt)))
    return pieces


def _tube_pieces(tube: Tube, half_spacing: Array) -> list[Piece]:
    """Return overhang, span and overhang; end pieces of another section reach as far as they reach."""
    half = array(tube.length) / 2.0
    overhang = half - half_spacing
    step = array(0.0 if tube.ends is None else tube.ends.length)
    outer = np.minimum(step, overhang)
    pieces = []

    def add(side: Side, start: Array, length: Array, end: bool) -> None:
        section: Callable[[Array], Section] = lambda _: tube_section(tube, end)  # noqa: E731
        curve = Straight(vec(0.0, start, 0.0), vec(0.0, -1.0, 0.0), length, vec(0.0, 0.0, 1.0))
        pieces.append(Piece("tube", side, curve, section, *moduli(tube)))

    if tube.ends is not None:
        inner = step - outer
        add("left", half, outer, True)
        add("middle", half_spacing, inner, True)
        add("middle", inner - half_spacing, inner, True)
        add("right", outer - half, outer, True)
    else:
        inner = step
    add("left", half - outer, overhang - outer, False)
    add("middle", half_spacing - inner, 2.0 * (half_spacing - inner), False)
    add("right", -half_spacing, overhang - outer, False)
    return pieces


# A bar bent from one piece.


ARC_ORDER = 8
"""Gauss points of a bend; exact to 1e-9 up to half a turn."""

OVAL_PART = 0.75
"""Part of von Karman's extra give that counts in a bar's bends: 0.66 to 0.77 in solid finite elements, our
own (tests/vehicle/joints)."""

SHARPEST = 1e-6
"""Corners that turn by less than this are straight [rad]."""


ROUNDING = 1e-9
"""How far past its end a curve still holds a mount, as part of its length."""


class ShapeError(AnalyzerError):
    """A centre line that cannot be bent, or mounts that do not sit on it.

    Parameters
    ----------
    key : str
        Key below the bar: ``points``, ``mounts.left``.
    problem, remedy : str
        As for `analyzer.core.errors.SheetError`.
    """

    def __init__(self, key: str, problem: str, remedy: str) -> None:
        self.key, self.problem, self.remedy = key, problem, remedy
        super().__init__(f"bar.{key}: {problem}; {remedy}")


@dataclass(frozen=True, slots=True)
class Cut:
    """A place on the centre line: which curve, and how far along it.

    Parameters
    ----------
    index : int
        Curve, from the left eye.
    part : ndarray
        Part of its length before the place [1].
    """

    index: int
    part: Array


def formed_model(bar: FormedBar) -> BarModel:
    """Return the statics model of a formed bar.

    The centre line runs straight between its corners; a corner with a bend radius is rounded by an arc
    that touches both neighbours. A mount sits where the line passes its place across the car, on a straight
    part or on a bend; where it passes more than once, on the pass nearest to the middle of the bar.

    Raises
    ------
    ShapeError
        One line when bends overlap, or the line does not pass a mount's place.
    """
    curves = centre_line(bar)
    wall = None if bar.wall is None else array(bar.wall)[..., None]
    section = round_section(array(bar.outside_diameter)[..., None], wall)
    cuts = {mount: mount_cut(curves, array(getattr(bar.mounts, mount)), mount) for mount in ("left", "right")}
    if _along(cuts["left"]) >= _along(cuts["right"]):
        raise ShapeError("mounts", "the right mount comes before the left one along the bar", "check points")
    # The mounts cut the line into left arm, middle and right arm, straights and bends alike.
    pieces: list[Piece] = []
    places: dict[str, Vec] = {}
    side: Side = "left"
    for index, whole in enumerate(curves):
        rest, gone = whole, np.asarray(0.0)
        for mount, behind in (("left", "middle"), ("right", "right")):
            if cuts[mount].index == index:
                part = np.asarray((cuts[mount].part - gone) / (1.0 - gone))
                first, rest = rest.split(part)
                pieces.append(_piece(bar, section, side, first))
                places[mount], gone, side = rest.start, cuts[mount].part, behind  # type: ignore[assignment]
        pieces.append(_piece(bar, section, side, rest))
    # Arms may reach forward or back from the mounts; the links' slopes count from that.
    eyes = _corner(bar, 0), _corner(bar, -1)
    forward = [
        -1.0 if _first(eye.x - places[mount].x) < 0.0 else 1.0
        for eye, mount in zip(eyes, ("left", "right"), strict=True)
    ]
    return BarModel(
        pieces=tuple(pieces),
        left_eye=eyes[0],
        right_eye=eyes[1],
        left_pull=link_pull(bar.link, 1.0, forward[0]),
        right_pull=link_pull(bar.link, -1.0, forward[1]),
        left_mount=places["left"],
        right_mount=places["right"],
        mount_rate=None if bar.mounts.rate is None else array(bar.mounts.rate),
        link_rate=None if bar.link is None or bar.link.rate is None else array(bar.link.rate),
        true_share=true_share(bar),
    )


def _piece(bar: FormedBar, section: Section, side: Side, curve: Straight | Arc) -> Piece:
    if isinstance(curve, Straight):
        return Piece("bar", side, curve, lambda _: section, *moduli(bar))
    return Piece("bar", side, curve, lambda _: section, *moduli(bar), ARC_ORDER, oval_factor(bar, curve))


def oval_factor(bar: FormedBar, bend: Arc) -> Array:
    """Return how much more a bend gives than a straight piece of its section: a tube turns oval there [1].

    k = (12 l^2 + 10) / (12 l^2 + 1) with l = w R / r^2, wall w, the bend's radius R and the section's mean
    radius r (T. von Karman, VDI-Zeitschrift 55, 1911), for a long bend in its plane. The short bends of a
    bar, which straight arms hold round, give `OVAL_PART` of k - 1.
    """
    if bar.wall is None:
        return np.asarray(1.0)
    wall = array(bar.wall)
    mean = (array(bar.outside_diameter) - wall) / 2.0
    shape = 12.0 * (wall * bend.radius / mean**2) ** 2
    return np.asarray(1.0 + OVAL_PART * (9.0 / (shape + 1.0)))


def _corner(bar: FormedBar, index: int) -> Vec:
    point = bar.points[index]
    return vec(array(point.x), array(point.y), array(point.z))


def centre_line(bar: FormedBar) -> list[Straight | Arc]:
    """Return the straights and bends of a bent bar from its left eye to its right one.

    Between two straights stands the bend of their corner, or nothing where the corner is sharp.

    Raises
    ------
    ShapeError
        One line when two points are the same or two bends overlap.
    """
    corners = [_corner(bar, index) for index in range(len(bar.points))]
    steps = [b.minus(a) for a, b in pairwise(corners)]
    lengths = [step.norm() for step in steps]
    # Refused by name of the point: a doubled row in the sheet is the usual slip.
    if any(np.any(length <= 0.0) for length in lengths):
        raise ShapeError("points", "two neighbouring points are the same", "remove one of them")
    tangents = [step.times(1.0 / length) for step, length in zip(steps, lengths, strict=True)]
    cuts, arcs = _bends(bar, corners, tangents)
    curves: list[Straight | Arc] = []
    for index, (tangent, length) in enumerate(zip(tangents, lengths, strict=True)):
        # Two bends share each straight; together they must leave it a length.
        rest = np.asarray(length - cuts[index] - cuts[index + 1])
        if np.any(rest < -1e-12):
            raise ShapeError(
                "points",
                f"the bends at points {index + 1} and {index + 2} overlap",
                "reduce bend_radius or move the points apart",
            )
        start = corners[index].plus(tangent.times(cuts[index]))
        curves.append(Straight(start, tangent, np.maximum(rest, 0.0), _any_normal(tangent)))
        if index < len(arcs) and (arc := arcs[index]) is not None:
            curves.append(arc)
    return curves


def _bends(bar: FormedBar, corners: list[Vec], tangents: list[Vec]) -> tuple[list[Array], list[Arc | None]]:
    """Return what each corner cuts off its neighbours, and the arcs."""
    cuts: list[Array] = [np.asarray(0.0)]
    arcs: list[Arc | None] = []
    for index in range(1, len(corners) - 1):
        before, after = tangents[index - 1], tangents[index]
        turn = np.arctan2(before.cross(after).norm(), before.dot(after))
        radius = bar.points[index].bend_radius
        if radius is None or array(radius).max() == 0.0 or np.max(turn) < SHARPEST:
            cuts.append(np.asarray(0.0))
            arcs.append(None)
            continue
        # The arc touches both straights: it takes the radius times the tangent of half the turn off each.
        cut = np.asarray(array(radius) * np.tan(turn / 2.0))
        inward = _inward(before, after)
        start = corners[index].minus(before.times(cut))
        arcs.append(Arc(start, before, inward, array(radius), np.asarray(turn)))
        cuts.append(cut)
    cuts.append(np.asarray(0.0))
    return cuts, arcs


def _inward(before: Vec, after: Vec) -> Vec:
    """Return the normal towards which a corner turns; any normal where it does not turn at all."""
    inward, normal = after.minus(before.times(before.dot(after))), _any_normal(before)
    size = inward.norm()
    turns = size > 0.0
    scale = np.where(turns, size, 1.0)
    parts = ((inward.x, normal.x), (inward.y, normal.y), (inward.z, normal.z))
    return Vec(*(np.where(turns, way / scale, other) for way, other in parts))


def mount_cut(curves: list[Straight | Arc], across: Array, mount: str) -> Cut:
    """Return where the centre line passes a mount's place across the car, nearest to the bar's middle."""
    # By the nominal figures: tolerances must not make a mount jump to another pass.
    lengths = [_first(curve.length) for curve in curves]
    before = np.concatenate([[0.0], np.cumsum(lengths)])
    passes = [
        (abs(before[index] + _first(part) * lengths[index] - before[-1] / 2.0), Cut(index, part))
        for index, curve in enumerate(curves)
        if lengths[index] > 0.0
        for part in _passes(curve, across)
        if -ROUNDING <= _first(part) <= 1.0 + ROUNDING
    ]
    if not passes:
        raise ShapeError(
            f"mounts.{mount}", "lies outside the bar", "place it where the centre line passes across the car"
        )
    return min(passes, key=lambda found: found[0])[1]


def _passes(curve: Straight | Arc, across: Array) -> list[Array]:
    """Return where a curve, or its continuation, passes y = `across`, as parts of its length."""
    way = across - curve.start.y
    # A piece that runs along the car never crosses the mount's plane.
    if isinstance(curve, Straight):
        steep = abs(_first(curve.tangent.y)) < SHARPEST
        return [] if steep else [np.asarray(way / curve.tangent.y / curve.length)]
    # y - y0 = r (t sin a + n (1 - cos a)) = r hypot(t, n) sin(a - b) + r n, with tan b = n / t.
    size = np.hypot(curve.tangent.y, curve.inward.y)
    sine = np.asarray((way / curve.radius - curve.inward.y) / np.where(size > 0.0, size, 1.0))
    if abs(_first(sine)) > 1.0 or _first(size) < SHARPEST:
        return []
    lean, rise = np.arctan2(curve.inward.y, curve.tangent.y), np.arcsin(np.clip(sine, -1.0, 1.0))
    turns = [lean + rise, lean + np.pi - rise]
    # Whole turns are taken off by the nominal figure, so that all rows stay on the same pass.
    return [np.asarray((a - 2.0 * np.pi * np.floor(_first(a) / (2.0 * np.pi))) / curve.angle) for a in turns]


def _along(cut: Cut) -> float:
    return cut.index + _first(cut.part)


def _first(value: Array) -> float:
    """Return the nominal figure of an array that carries tolerances."""
    return float(np.ravel(value)[0])


def _any_normal(tangent: Vec) -> Vec:
    """Return a unit normal of a tangent; a round bar bends alike in all directions."""
    up, forward = vec(0.0, 0.0, 1.0), vec(1.0, 0.0, 0.0)
    steep = float(np.ravel(np.abs(tangent.z))[0]) > 0.9
    helper = forward if steep else up
    return helper.minus(tangent.times(helper.dot(tangent))).unit()


# What the joint of blade and tube does to a bar, and how far the statics of slender pieces are off.

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
    radius = array(_at_blade(bar).outside_diameter) / 2.0
    part, error = ANY_SEAT
    if blade.seat is not None:
        part, error = SEATS[blade.seat, stands_flat(bar)]
        if blade.seat == "through" and not stands_flat(bar):
            rim = np.maximum(array(blade.depth) / (2.0 * radius) - 1.0, LEAST_RIM)
            return _root(radius, part, error + RIM / rim)
    return _root(radius, part, error)


def _root(radius: Array, part: float, error: Any) -> Uncertain:
    return Uncertain(part * radius, error * radius)  # type: ignore[arg-type]


def _at_blade(bar: BladedBar) -> Tube | RoundEnd:
    """Return the tube as it is where a blade sits on it."""
    return bar.tube if bar.tube.ends is None else bar.tube.ends


def seat_give(bar: BladedBar) -> Array | None:
    """Return how far a flat blade turns where its end is welded to the tube's side [rad/(N m)].

    The tube's wall bends beneath it: 0.061 D^1.8 / (E w^3.2 b^0.9 t^0.7) with the tube's diameter D and wall
    w, the blade's depth b and thickness t, E of the tube. The powers fit solids of D / w from 5 to 24 within
    15 %. None for other seats.
    """
    doubt = bar.doubt.seat if isinstance(bar, CompleteBladed) else None
    if bar.blade.seat != "face" and doubt is None:
        return None
    source = _at_blade(bar)
    diameter = array(source.outside_diameter)
    wall = diameter / 2.0 if source.wall is None else array(source.wall)
    # A tolerance wider than the size moves it below zero, where such a power is no number.
    diameter, wall, depth, thickness = (
        np.maximum(array(size), LEAST_SIZE) for size in (diameter, wall, bar.blade.depth, bar.blade.thickness)
    )
    size = diameter**1.8 / (wall**3.2 * depth**0.9 * thickness**0.7)
    part = array(1.0 if doubt is None else doubt)
    return np.asarray(part * WALL_GIVE * size / moduli(bar.tube)[0])
