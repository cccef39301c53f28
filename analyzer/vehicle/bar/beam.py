"""Statics of a bar as a chain of slender pieces, by Castigliano's theorem."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Final, Literal, NamedTuple, Protocol

import numpy as np

from analyzer.vehicle.bar.section import Array, Section

# Three-component vectors of broadcastable arrays; a component that is nowhere needed stays a plain zero.


class Vec(NamedTuple):
    """A vector in the bar's axes: x forward (along a blade), y along the tube to the left, z up."""

    x: Array
    y: Array
    z: Array

    def plus(self, other: Vec) -> Vec:
        """Return the sum."""
        return Vec(self.x + other.x, self.y + other.y, self.z + other.z)

    def minus(self, other: Vec) -> Vec:
        """Return the difference."""
        return Vec(self.x - other.x, self.y - other.y, self.z - other.z)

    def times(self, factor: Array) -> Vec:
        """Return the vector scaled by `factor`."""
        return Vec(self.x * factor, self.y * factor, self.z * factor)

    def dot(self, other: Vec) -> Array:
        """Return the scalar product."""
        return self.x * other.x + self.y * other.y + self.z * other.z

    def cross(self, other: Vec) -> Vec:
        """Return the vector product."""
        return Vec(
            self.y * other.z - self.z * other.y,
            self.z * other.x - self.x * other.z,
            self.x * other.y - self.y * other.x,
        )

    def norm(self) -> Array:
        """Return the length."""
        return np.asarray(np.sqrt(self.dot(self)))

    def unit(self) -> Vec:
        """Return the vector scaled to length one."""
        return self.times(1.0 / self.norm())

    def at_stations(self) -> Vec:
        """Return the vector with a trailing axis for stations along a piece."""
        return Vec(self.x[..., None], self.y[..., None], self.z[..., None])


def vec(x: object, y: object, z: object) -> Vec:
    """Return a vector of float arrays."""
    return Vec(np.asarray(x, dtype=float), np.asarray(y, dtype=float), np.asarray(z, dtype=float))


# Statics of a bar as a chain of slender pieces, by Castigliano's theorem.
#
# A bar hangs on two mounts, which let it turn about the line through them, and carries one link at each
# end. That is statically determinate: balance alone gives every force, and the compliance is the sum of
# internal force squared over stiffness along the chain, piece by piece and kind by kind. The same few lines
# serve blades, bolts, stepped tubes and bent bars, one bar or ten thousand settings at once.


Side = Literal["left", "middle", "right"]
SIDES: Final[tuple[Side, ...]] = ("left", "middle", "right")


class Curve(Protocol):
    """The centre line of one piece."""

    @property
    def length(self) -> Array:
        """Length [m]."""

    def at(self, stations: Array) -> tuple[Vec, Vec, Vec]:
        """Return point, tangent and depth direction at `stations` (0 to 1), on a trailing axis."""


@dataclass(frozen=True, slots=True)
class Straight:
    """A straight centre line; `depth` is the direction of the section's strong bending."""

    start: Vec
    tangent: Vec
    length: Array
    depth: Vec

    def at(self, stations: Array) -> tuple[Vec, Vec, Vec]:
        """See `Curve.at`."""
        tangent = self.tangent.at_stations()
        way = self.length[..., None] * stations
        return self.start.at_stations().plus(tangent.times(way)), tangent, self.depth.at_stations()

    def split(self, part: Array) -> tuple[Straight, Straight]:
        """Return the curve up to `part` of its length, and the rest."""
        first = replace(self, length=np.asarray(self.length * part))
        start = self.start.plus(self.tangent.times(first.length))
        return first, replace(self, start=start, length=np.asarray(self.length - first.length))


@dataclass(frozen=True, slots=True)
class Arc:
    """A circular centre line that starts along `tangent` and turns by `angle` towards `inward`."""

    start: Vec
    tangent: Vec
    inward: Vec
    radius: Array
    angle: Array

    @property
    def length(self) -> Array:
        """Length [m]."""
        return np.asarray(self.radius * self.angle)

    def at(self, stations: Array) -> tuple[Vec, Vec, Vec]:
        """See `Curve.at`; the depth direction is the bend's inward normal."""
        turned = self.angle[..., None] * stations
        tangent, inward = self.tangent.at_stations(), self.inward.at_stations()
        sine, cosine, radius = np.sin(turned), np.cos(turned), self.radius[..., None]
        point = self.start.at_stations().plus(tangent.times(radius * sine))
        point = point.plus(inward.times(radius * (1.0 - cosine)))
        along = tangent.times(cosine).plus(inward.times(sine))
        return point, along, inward.times(cosine).minus(tangent.times(sine))

    def split(self, part: Array) -> tuple[Arc, Arc]:
        """Return the curve up to `part` of its length, and the rest."""
        turned = np.asarray(self.angle * part)
        sine, cosine = np.sin(turned), np.cos(turned)
        start = self.start.plus(self.tangent.times(np.asarray(self.radius * sine)))
        start = start.plus(self.inward.times(np.asarray(self.radius * (1.0 - cosine))))
        tangent = self.tangent.times(cosine).plus(self.inward.times(sine))
        inward = self.inward.times(cosine).minus(self.tangent.times(sine))
        return replace(self, angle=turned), Arc(
            start, tangent, inward, self.radius, np.asarray(self.angle - turned)
        )


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece of the bar.

    Parameters
    ----------
    part : str
        ``tube``, ``blade`` or ``bolt``; compliance is listed by it.
    side : Side
        Which loads act beyond a cut through it: the left link; the left link and mount; the right link.
    curve : Curve
        Centre line.
    section : callable
        Stations -> `Section`, arrays with the stations on the trailing axis.
    elastic_modulus, shear_modulus : ndarray
        E and G [Pa].
    order : int
        Gauss points: two are exact for a straight piece of constant section.
    oval : ndarray
        Factor by which it bends more than its section says: the bend of a tube turns oval [1].
    """

    part: str
    side: Side
    curve: Curve
    section: Callable[[Array], Section]
    elastic_modulus: Array
    shear_modulus: Array
    order: int = 2
    oval: Array = field(default_factory=lambda: np.asarray(1.0))


@dataclass(frozen=True, slots=True)
class BarModel:
    """A bar ready for `solve`.

    Parameters
    ----------
    pieces : tuple of Piece
        From the left link eye to the right one.
    left_eye, right_eye : Vec
        Where the links hold [m].
    left_pull, right_pull : Vec
        Unit vectors along the links, in the direction of positive travel.
    left_mount, right_mount : Vec
        Centres of the mounts [m].
    mount_rate, link_rate : ndarray or None
        Radial rate of one mount, axial rate of one link [N/m]; None when rigid.
    seat_give : ndarray or None
        How far a blade turns where it sits on the tube, about its weak axis [rad/(N m)]; None when rigid.
    true_share : ndarray
        True over computed rate of the bar without mounts and links [1]: one, with the model's own error.
    """

    pieces: tuple[Piece, ...]
    left_eye: Vec
    right_eye: Vec
    left_pull: Vec
    right_pull: Vec
    left_mount: Vec
    right_mount: Vec
    mount_rate: Array | None = None
    link_rate: Array | None = None
    seat_give: Array | None = None
    true_share: Array = field(default_factory=lambda: np.asarray(1.0))


@dataclass(frozen=True, slots=True)
class Loads:
    """Forces on the bar per unit force of the left link [1].

    Parameters
    ----------
    left, right : Vec
        Link forces.
    left_mount, right_mount : Vec
        Mount reactions.
    ratio : ndarray
        Size of the right link force over the left one; the levers' ratio, 1 for an equal pair.
    left_push, right_push : ndarray
        Radial part of the mount reactions; the thrust along the bar does not press on the bush.
    """

    left: Vec
    right: Vec
    left_mount: Vec
    right_mount: Vec
    ratio: Array
    left_push: Array
    right_push: Array


@dataclass(frozen=True, slots=True)
class BarSolution:
    """Rate and compliance of a bar.

    Parameters
    ----------
    rate : ndarray
        Mean force at one link per travel of that link, the other one moving as far the other way [N/m].
    compliance : dict
        Part and kind -> compliance [m/N]; the values add up to 1 / rate.
    loads : Loads
        Forces per unit force of the left link.
    """

    rate: Array
    compliance: dict[str, Array]
    loads: Loads


def solve(model: BarModel, slender: bool = False) -> BarSolution:
    """Return the rate of a bar and where its compliance sits.

    With link forces F and -r F (r from the balance of torque about the mounts' line) and elastic energy
    C F^2 / 2, opposite link travels delta give F = delta (1 + r) / C, so the mean force per travel is
    (1 + r)^2 / (2 C): the rate that stores the bar's true energy in roll.

    Parameters
    ----------
    model : BarModel
        The bar; all arrays broadcast.
    slender : bool
        Leave shear and the bends that turn oval out, as textbook formulae do.
    """
    loads = _balance(model)
    parts: dict[str, Array] = {}
    for piece in model.pieces:
        for kind, energy in _piece_energy(piece, model, loads, slender).items():
            parts[kind] = parts[kind] + energy if kind in parts else energy
    # Only the moment about the blade's weak axis turns the seat.
    if model.seat_give is not None:
        blades = [piece for piece in model.pieces if piece.part == "blade"]
        turned = [internal_forces(piece, model, loads, np.zeros(1))[1].y[..., 0] for piece in blades]
        parts["blade seat"] = np.asarray(sum(moment**2 for moment in turned) * model.seat_give)
    # The error of the model is that of the metal alone: mounts and links are given rates, and have their own.
    parts = {kind: np.asarray(energy / model.true_share) for kind, energy in parts.items()}
    if model.mount_rate is not None:
        parts["mounts"] = (loads.left_push**2 + loads.right_push**2) / model.mount_rate
    if model.link_rate is not None:
        parts["links"] = (1.0 + loads.ratio**2) / model.link_rate
    both = (1.0 + loads.ratio) ** 2
    compliance = {kind: np.asarray(2.0 * energy / both) for kind, energy in parts.items()}
    total = np.sum(np.stack(np.broadcast_arrays(*compliance.values())), axis=0)
    return BarSolution(rate=1.0 / total, compliance=compliance, loads=loads)


def internal_forces(
    piece: Piece, model: BarModel, loads: Loads, stations: Array
) -> tuple[Vec, Vec, tuple[Vec, Vec, Vec]]:
    """Return force and moment in a piece at `stations` per unit force of the left link.

    Returns
    -------
    force, moment : Vec
        Along tangent (x), depth (y) and width direction (z) of the section; the moment's components are
        torque, moment that bends in the width direction, moment that bends in the depth direction.
    point : tuple of Vec
        Point, tangent and depth direction.
    """
    point, tangent, depth = piece.curve.at(stations)
    # All that acts beyond a cut is carried by it: forces summed, moments taken about the point of the cut.
    width = tangent.cross(depth)
    force, moment = vec(0.0, 0.0, 0.0), vec(0.0, 0.0, 0.0)
    for place, push in _beyond(piece.side, model, loads):
        pushed = push.at_stations()
        force = force.plus(pushed)
        moment = moment.plus(place.at_stations().minus(point).cross(pushed))
    axes = (tangent, depth, width)
    return (
        Vec(*(force.dot(axis) for axis in axes)),
        Vec(*(moment.dot(axis) for axis in axes)),
        (point, tangent, depth),
    )


def eye_turn(model: BarModel, loads: Loads, about: Vec) -> Array:
    """Return how far the left link's eye turns about an axis per force of its link [rad/N].

    Castigliano's theorem with a couple at the eye, which the mounts hold; shear, which turns no section of
    its own, is left out. Positive by the right hand.

    Parameters
    ----------
    model : BarModel
        The bar.
    loads : Loads
        Of `solve`: forces per unit force of the left link, the right one pulling the other way.
    about : Vec
        Unit vector square to the line of the mounts.
    """
    span = model.left_mount.minus(model.right_mount)
    spacing = span.norm()
    holding = (
        span.unit().cross(about).times(1.0 / spacing)
    )  # at the left mount; its opposite at the right one
    turn = np.asarray(0.0)
    for piece in model.pieces:
        if piece.side == "right":
            continue  # the couple ends at the right mount
        nodes, weights = _gauss(piece.order)
        stations = 0.5 * (nodes + 1.0)
        _, moment, (point, tangent, depth) = internal_forces(piece, model, loads, stations)
        couple = about.at_stations()
        if piece.side == "middle":
            couple = couple.plus(model.left_mount.at_stations().minus(point).cross(holding.at_stations()))
        section = piece.section(stations)
        stretch, shear = piece.elastic_modulus[..., None], piece.shear_modulus[..., None]
        bent = moment.y * couple.dot(depth) / (stretch * section.weak)
        bent = bent + moment.z * couple.dot(tangent.cross(depth)) / (stretch * section.strong)
        bent = bent * piece.oval[..., None]
        if piece.part != "bolt":
            bent = bent + moment.x * couple.dot(tangent) / (shear * section.torsion)
        turn = turn + np.sum(bent * piece.curve.length[..., None] * (0.5 * weights), axis=-1)
    if model.mount_rate is not None:
        pressed = loads.left_mount.minus(loads.right_mount).dot(holding)
        turn = turn + pressed / model.mount_rate
    return np.asarray(turn)


def _beyond(side: Side, model: BarModel, loads: Loads) -> list[tuple[Vec, Vec]]:
    if side == "right":
        return [(model.right_eye, loads.right)]
    beyond = [(model.left_eye, loads.left)]
    if side == "middle":
        beyond.append((model.left_mount, loads.left_mount))
    return beyond


def _balance(model: BarModel) -> Loads:
    """Return the forces that hold the bar: no torque about the mounts' line, six balances in all."""
    span = model.left_mount.minus(model.right_mount)
    spacing = span.norm()
    axis = span.times(1.0 / spacing)
    left_arm, right_arm = model.left_eye.minus(model.right_mount), model.right_eye.minus(model.right_mount)
    left_torque = left_arm.cross(model.left_pull).dot(axis)
    right_torque = right_arm.cross(model.right_pull).dot(axis)
    ratio = np.asarray(left_torque / right_torque)
    left, right = model.left_pull, model.right_pull.times(-ratio)
    # Moments about the right mount give the left mount's sideways push; the thrust along the axis is shared.
    moment = left_arm.cross(left).plus(right_arm.cross(right))
    across = axis.cross(moment).times(1.0 / spacing)
    total = left.plus(right)
    thrust = axis.times(-0.5 * total.dot(axis))
    left_mount = across.plus(thrust)
    right_mount = total.times(np.asarray(-1.0)).minus(left_mount)
    return Loads(
        left=left,
        right=right,
        left_mount=left_mount,
        right_mount=right_mount,
        ratio=ratio,
        left_push=across.norm(),
        right_push=right_mount.minus(thrust).norm(),
    )


@cache
def _gauss(order: int) -> tuple[Array, Array]:
    """Return stations and weights of an order; a car's bars use a handful of them thousands of times."""
    nodes, weights = np.polynomial.legendre.leggauss(order)
    nodes.flags.writeable = weights.flags.writeable = False
    return nodes, weights


def _piece_energy(piece: Piece, model: BarModel, loads: Loads, slender: bool) -> dict[str, Array]:
    nodes, weights = _gauss(piece.order)
    stations = 0.5 * (nodes + 1.0)
    force, moment, _ = internal_forces(piece, model, loads, stations)
    section = piece.section(stations)
    stretch, shear = piece.elastic_modulus[..., None], piece.shear_modulus[..., None]
    lengths = piece.curve.length[..., None] * (0.5 * weights)

    def along(density: Array) -> Array:
        return np.asarray(np.sum(density * lengths, axis=-1))

    bending = moment.y**2 / (stretch * section.weak) + moment.z**2 / (stretch * section.strong)
    energy = {f"{piece.part} bending": along(bending) * (1.0 if slender else piece.oval)}
    if piece.part != "bolt":  # the rod end's ball leaves no torque about the bolt
        energy[f"{piece.part} {'torsion' if piece.part != 'blade' else 'twist'}"] = along(
            moment.x**2 / (shear * section.torsion)
        )
    energy["stretch"] = along(force.x**2 / (stretch * section.area))
    if not slender:
        sheared = section.shear_factor * (force.y**2 + force.z**2) / (shear * section.area)
        energy["shear"] = along(sheared)
    return energy
