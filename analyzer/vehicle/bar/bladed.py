"""A tube with a blade at each end, as pieces for the statics."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analyzer.core.units import Uncertain
from analyzer.sheets.bar import Blade, BladedBar, Link, Tube
from analyzer.sheets.session import BarSetting
from analyzer.vehicle.bar.beam import BarModel, Piece, Side, Straight, Vec, vec
from analyzer.vehicle.bar.joint import blade_root, moduli, seat_give, true_share
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
