"""A bar bent from one piece, as pieces for the statics."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analyzer.errors import AnalyzerError
from analyzer.prediction.bladed import array, link_pull, moduli
from analyzer.prediction.frame import Arc, BarModel, Piece, Side, Straight
from analyzer.prediction.sections import Array, round_section
from analyzer.prediction.vectors import Vec, vec
from analyzer.sheets.bar import FormedBar

ARC_ORDER = 8
"""Gauss points of a bend; exact to 1e-9 up to half a turn."""

SHARPEST = 1e-6
"""Corners that turn by less than this are straight [rad]."""


class ShapeError(AnalyzerError):
    """A centre line that cannot be bent, or mounts that do not sit on it.

    Parameters
    ----------
    key : str
        Key below the bar: ``points``, ``mounts.left``.
    problem, remedy : str
        As for `analyzer.errors.SheetError`.
    """

    def __init__(self, key: str, problem: str, remedy: str) -> None:
        self.key, self.problem, self.remedy = key, problem, remedy
        super().__init__(f"bar.{key}: {problem}; {remedy}")


@dataclass(frozen=True, slots=True)
class Leg:
    """A straight part of the centre line between two bends."""

    start: Vec
    tangent: Vec
    length: Array


def formed_model(bar: FormedBar) -> BarModel:
    """Return the statics model of a formed bar.

    The centre line runs straight between its corners; a corner with a bend radius is rounded by an arc
    that touches both neighbours. Each mount must sit on a straight part.

    Raises
    ------
    ShapeError
        One line when bends overlap, or a mount has no straight part (or several) at its place.
    """
    legs, arcs = _centre_line(bar)
    wall = None if bar.wall is None else array(bar.wall)[..., None]
    section = round_section(array(bar.outside_diameter)[..., None], wall)
    left_leg, right_leg = (
        _leg_at(legs, array(y), k) for y, k in ((bar.mounts.left, "left"), (bar.mounts.right, "right"))
    )
    pieces: list[Piece] = []

    def add(side: Side, curve: Straight | Arc, order: int) -> None:
        pieces.append(Piece("bar", side, curve, lambda _: section, *moduli(bar), order))

    mounts: dict[str, Vec] = {}
    side: Side = "left"
    for index, leg in enumerate(legs):
        depth = _any_normal(leg.tangent)
        start, rest = leg.start, leg.length
        for mount, at, behind in (("left", left_leg, "middle"), ("right", right_leg, "right")):
            if index == at:
                way = np.asarray((array(getattr(bar.mounts, mount)) - start.y) / leg.tangent.y)
                add(side, Straight(start, leg.tangent, way, depth), 2)
                start, rest = start.plus(leg.tangent.times(way)), np.asarray(rest - way)
                mounts[mount], side = start, behind  # type: ignore[assignment]
        add(side, Straight(start, leg.tangent, rest, depth), 2)
        if index < len(arcs) and (arc := arcs[index]) is not None:
            add(side, arc, ARC_ORDER)
    if set(mounts) != {"left", "right"} or left_leg > right_leg:
        raise ShapeError("mounts", "the right mount comes before the left one along the bar", "check points")
    return BarModel(
        pieces=tuple(pieces),
        left_eye=_corner(bar, 0),
        right_eye=_corner(bar, -1),
        left_pull=link_pull(bar.link, 1.0),
        right_pull=link_pull(bar.link, -1.0),
        left_mount=mounts["left"],
        right_mount=mounts["right"],
        mount_rate=None if bar.mounts.rate is None else array(bar.mounts.rate),
        link_rate=None if bar.link is None or bar.link.rate is None else array(bar.link.rate),
    )


def _corner(bar: FormedBar, index: int) -> Vec:
    point = bar.points[index]
    return vec(array(point.x), array(point.y), array(point.z))


def _centre_line(bar: FormedBar) -> tuple[list[Leg], list[Arc | None]]:
    corners = [_corner(bar, index) for index in range(len(bar.points))]
    steps = [b.minus(a) for a, b in pairwise(corners)]
    lengths = [step.norm() for step in steps]
    if any(np.any(length <= 0.0) for length in lengths):
        raise ShapeError("points", "two neighbouring points are the same", "remove one of them")
    tangents = [step.times(1.0 / length) for step, length in zip(steps, lengths, strict=True)]
    cuts, arcs = _bends(bar, corners, tangents)
    legs = []
    for index, (tangent, length) in enumerate(zip(tangents, lengths, strict=True)):
        rest = np.asarray(length - cuts[index] - cuts[index + 1])
        if np.any(rest < -1e-12):
            raise ShapeError(
                "points",
                f"the bends at points {index + 1} and {index + 2} overlap",
                "reduce bend_radius or move the points apart",
            )
        legs.append(Leg(corners[index].plus(tangent.times(cuts[index])), tangent, np.maximum(rest, 0.0)))
    return legs, arcs


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
        cut = np.asarray(array(radius) * np.tan(turn / 2.0))
        inward = after.minus(before.times(before.dot(after))).unit()
        start = corners[index].minus(before.times(cut))
        arcs.append(Arc(start, before, inward, array(radius), np.asarray(turn)))
        cuts.append(cut)
    cuts.append(np.asarray(0.0))
    return cuts, arcs


def _leg_at(legs: list[Leg], across: Array, mount: str) -> int:
    """Return the one straight part that passes the mount's place across the car."""
    found = []
    for index, leg in enumerate(legs):
        first, last = leg.start.y, leg.start.plus(leg.tangent.times(leg.length)).y
        nominal = [float(np.ravel(value)[0]) for value in (first, last, across)]
        if min(nominal[:2]) < nominal[2] < max(nominal[:2]):
            found.append(index)
    if len(found) != 1:
        problem = "lies on a bend or outside the bar" if not found else "meets the centre line more than once"
        raise ShapeError(f"mounts.{mount}", problem, "place it on a straight part that runs across the car")
    return found[0]


def _any_normal(tangent: Vec) -> Vec:
    """Return a unit normal of a tangent; a round bar bends alike in all directions."""
    up, forward = vec(0.0, 0.0, 1.0), vec(1.0, 0.0, 0.0)
    steep = float(np.ravel(np.abs(tangent.z))[0]) > 0.9
    helper = forward if steep else up
    return helper.minus(tangent.times(helper.dot(tangent))).unit()
