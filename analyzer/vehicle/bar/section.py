"""Section constants: tubes, solid bars, rectangles, and blades of any outline."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

# Section constants of tubes, solid bars and rectangular blades.


Array: TypeAlias = npt.NDArray[np.float64]


def array(value: object) -> Array:
    """Return a number, or a sheet's quantity, as a float array."""
    return np.asarray(getattr(value, "value", value), dtype=float)


TORSION_TERMS: Final = 12
"""Odd terms of the torsion series; the next one changes a square by less than 1e-7."""


@dataclass(frozen=True, slots=True)
class Section:
    """Constants of one cross-section, each broadcastable with the others.

    Parameters
    ----------
    area : ndarray
        Area [m2].
    strong, weak : ndarray
        Second moments of area against bending in the depth direction and in the other one [m4].
    torsion : ndarray
        Torsion constant [m4].
    depth, width : ndarray
        Outer size in both directions [m].
    shear_factor : ndarray
        Factor on V / (G A) for the shear strain of the centre line [1].
    """

    area: Array
    strong: Array
    weak: Array
    torsion: Array
    depth: Array
    width: Array
    shear_factor: Array


def round_section(diameter: Array, wall: Array | None) -> Section:
    """Return the constants of a round tube, or of a solid bar when `wall` is None.

    I = pi (D^4 - d^4) / 64, J = 2 I (any mechanics text). The shear factor 10/9 (solid) to 2 (thin tube)
    is the energy factor of round sections, here by the usual interpolation with the bore ratio.
    """
    outer = np.asarray(diameter, dtype=float)
    bore = np.zeros_like(outer) if wall is None else np.maximum(outer - 2.0 * np.asarray(wall), 0.0)
    inertia = np.pi / 64.0 * (outer**4 - bore**4)
    ratio = bore / outer
    # Energy factor for Poisson's ratio zero: 10/9 for the solid, growing to 2 with 2 r / (1 + r^2) squared.
    factor = 10.0 / 9.0 + (2.0 - 10.0 / 9.0) * (2.0 * ratio / (1.0 + ratio**2)) ** 2
    return Section(
        area=np.pi / 4.0 * (outer**2 - bore**2),
        strong=inertia,
        weak=inertia,
        torsion=2.0 * inertia,
        depth=outer,
        width=outer,
        shear_factor=factor,
    )


def thread_diameter(diameter: Array, pitch: Array) -> Array:
    """Return the diameter of a thread's stress area [m]: d - 0.9382 P (ISO 898-1)."""
    return np.asarray(diameter - 0.9382 * pitch)


def rectangle_section(depth: Array, width: Array) -> Section:
    """Return the constants of a solid rectangle; `depth` lies in the direction of the strong bending."""
    tall, wide = np.asarray(depth, dtype=float), np.asarray(width, dtype=float)
    area = tall * wide
    return Section(
        area=area,
        strong=wide * tall**3 / 12.0,
        weak=tall * wide**3 / 12.0,
        torsion=rectangle_torsion(tall, wide),
        depth=tall + 0.0 * wide,
        width=wide + 0.0 * tall,
        shear_factor=np.asarray(1.2),
    )


def rectangle_torsion(one_side: Array, other_side: Array) -> Array:
    """Return the torsion constant of a rectangle [m4] from its full sides, in any order.

    J = a b^3 / 3 (1 - 192 b / (pi^5 a) sum over odd n of tanh(n pi a / 2 b) / n^5), a >= b
    (Timoshenko and Goodier, Theory of Elasticity, torsion of bars of rectangular section).
    """
    long = np.maximum(one_side, other_side)
    short = np.minimum(one_side, other_side)
    series = _odd_series(long / short, lambda n, x: np.tanh(x) / n**5)
    return np.asarray(long * short**3 / 3.0 * (1.0 - 192.0 / np.pi**5 * short / long * series))


def rectangle_shear(one_side: Array, other_side: Array) -> Array:
    """Return the greatest shear stress per torque of a rectangle [1/m3]; it sits mid-way along the long side.

    tau = T / (alpha a b^2) with alpha from the same series.
    """
    long = np.maximum(one_side, other_side)
    short = np.minimum(one_side, other_side)
    series = _odd_series(long / short, lambda n, x: 1.0 / (n**2 * np.cosh(np.minimum(x, 300.0))))
    rate = short * (1.0 - 8.0 / np.pi**2 * series)  # tau per G theta'
    return np.asarray(rate / rectangle_torsion(long, short))


def _odd_series(ratio: Array, term: Callable[[int, Array], Array]) -> Array:
    total = np.zeros_like(np.asarray(ratio, dtype=float))
    for n in range(1, 2 * TORSION_TERMS, 2):
        total = total + term(n, n * np.pi * ratio / 2.0)
    return total


# Section constants of a blade of any outline: area, second moments, torsion constant.
#
# Saint-Venant torsion asks for a function harmonic inside the outline that equals (x^2 + y^2) / 2 on it
# (Timoshenko and Goodier, Theory of Elasticity, torsion of prismatical bars). It is found here as the real
# part of an analytic function f, a polynomial plus simple poles clustered outside every corner, by least
# squares on the outline (A. Gopal and L.N. Trefethen, New Laplace and Helmholtz solvers, PNAS 116, 2019).
# Green's theorem then gives J = I_polar + closed integral of Im f (x dx + y dy), free of any mesh.


Complex = npt.NDArray[np.complex128]

POLYNOMIAL_DEGREE: Final = 18
POLES: Final = 14
"""Poles per corner."""

CLUSTER: Final = 2.2
"""How fast poles close in on a corner: the nearest lies at e^-6 of an edge."""

POINTS: Final = 80
"""Most points per edge."""

ALL_POINTS: Final = 1600
"""Points of the whole outline to aim at; an edge keeps 12 at least."""

BLUNT: Final = np.radians(12.0)
"""A corner that turns by less is part of a curve and gets no poles [rad]."""


@dataclass(frozen=True, slots=True)
class OutlineConstants:
    """Constants of a section given by its outline, x across and y in the depth direction.

    Parameters
    ----------
    area : float
        [m2].
    strong, weak, product : float
        Second moments about the centroid: integral of y^2, of x^2, of x y [m4].
    torsion : float
        Torsion constant [m4].
    width, depth : float
        Of the surrounding rectangle [m].
    """

    area: float
    strong: float
    weak: float
    product: float
    torsion: float
    width: float
    depth: float


@lru_cache(maxsize=64)
def outline_constants(points: tuple[tuple[float, float], ...]) -> OutlineConstants:
    """Return the constants of the section inside a closed polygon [m].

    Parameters
    ----------
    points : tuple of (x, y)
        Corners in order, either way round, the last joined to the first.

    Raises
    ------
    ValueError
        When the outline crosses itself or encloses nothing.
    """
    corners = np.array([complex(x, y) for x, y in points])
    if _crosses(corners):
        raise ValueError("the outline crosses itself")
    x, y, nx, ny = corners.real, corners.imag, np.roll(corners.real, -1), np.roll(corners.imag, -1)
    # Area and moments of a polygon as sums over its edges (Green's theorem).
    cross = x * ny - nx * y
    area = float(cross.sum()) / 2.0
    # Corners listed clockwise: the same section, turned round once.
    if area < 0.0:
        return outline_constants(points[::-1])
    if area == 0.0:
        raise ValueError("the outline encloses nothing")
    middle = complex(((x + nx) * cross).sum(), ((y + ny) * cross).sum()) / (6.0 * area)
    # About its own centroid; moments about another point would count the offset.
    corners = corners - middle
    x, y, nx, ny = corners.real, corners.imag, np.roll(corners.real, -1), np.roll(corners.imag, -1)
    strong = float(((y * y + y * ny + ny * ny) * cross_of(corners)).sum()) / 12.0
    weak = float(((x * x + x * nx + nx * nx) * cross_of(corners)).sum()) / 12.0
    mixed = ((x * ny + 2.0 * x * y + 2.0 * nx * ny + nx * y) * cross_of(corners)).sum()
    return OutlineConstants(
        area=area,
        strong=strong,
        weak=weak,
        product=float(mixed) / 24.0,
        torsion=_torsion(corners, strong + weak),
        width=float(np.ptp(x)),
        depth=float(np.ptp(y)),
    )


def cross_of(corners: Complex) -> Array:
    """Return twice the signed area of the triangle of each edge with the origin."""
    following = np.roll(corners, -1)
    return np.asarray((corners.conj() * following).imag)


def _torsion(corners: Complex, polar: float) -> float:
    size = float(np.abs(corners).max())
    shape = corners / size
    edges = np.roll(shape, -1) - shape
    poles = _poles(shape, edges)
    count = int(np.clip(ALL_POINTS // len(corners), 12, POINTS))
    # Points close in on both ends of each edge as the poles do.
    half = 1.0 / (1.0 + np.exp(-np.linspace(-9.0, 9.0, count)))
    sample = (shape[:, None] + edges[:, None] * half).ravel()
    basis, steps = _basis(sample, poles, None)
    columns = np.hstack([basis.real, -basis.imag[:, 1:]])
    wanted = np.abs(sample) ** 2 / 2.0
    weight = np.sqrt(np.abs(edges)[:, None] * half * (1.0 - half)).ravel()
    found = np.linalg.lstsq(columns * weight[:, None], wanted * weight, rcond=1e-13)[0]
    terms = basis.shape[1]
    coefficients = found[:terms] + 1j * np.concatenate([[0.0], found[terms:]])
    # Im f is smooth along the edges and only mildly singular at the corners.
    nodes, weights = np.polynomial.legendre.leggauss(64)
    place, spread = (nodes + 1.0) / 2.0, weights / 2.0
    along = shape[:, None] + edges[:, None] * place
    value = (_basis(along.ravel(), poles, steps)[0] @ coefficients).imag.reshape(along.shape)
    forward = (along.conj() * edges[:, None]).real  # x dx + y dy per unit of the edge
    correction = float((value * forward * spread).sum())
    return polar + correction * size**4


def _poles(shape: Complex, edges: Complex) -> Complex:
    """Return poles outside every corner on its bisector, crowding towards it."""
    before = np.roll(edges, 1)
    turn = np.angle(edges / before)
    outwards = before / np.abs(before) - edges / np.abs(edges)
    reach = np.minimum(np.abs(before), np.abs(edges))
    count = np.arange(1, POLES + 1)
    distance = np.exp(CLUSTER * (np.sqrt(count) - np.sqrt(POLES)))
    found = []
    for corner in np.flatnonzero(np.abs(turn) > BLUNT):
        # At a corner that points inwards the bisector of the edges lies inside; outside is the other way.
        way = outwards[corner] / abs(outwards[corner]) * np.sign(turn[corner])
        found.append(shape[corner] + way * reach[corner] * distance)
    return np.concatenate(found) if found else np.zeros(0, dtype=complex)


def _basis(places: Complex, poles: Complex, steps: Complex | None) -> tuple[Complex, Complex]:
    """Return the columns of f at `places`: an orthogonalised polynomial basis, then the poles.

    Powers alone are too alike to be told apart; the recurrence that makes them orthogonal on the outline
    (Vandermonde with Arnoldi) is kept in `steps` and used again elsewhere.
    """
    columns = [np.ones(len(places), dtype=complex)]
    known = steps is not None
    table = (
        steps if steps is not None else np.zeros((POLYNOMIAL_DEGREE + 1, POLYNOMIAL_DEGREE), dtype=complex)
    )
    for degree in range(POLYNOMIAL_DEGREE):
        new = places * columns[degree]
        for lower, column in enumerate(columns):
            if not known:
                table[lower, degree] = np.vdot(column, new) / len(places)
            new = new - table[lower, degree] * column
        if not known:
            table[degree + 1, degree] = np.linalg.norm(new) / np.sqrt(len(places))
        columns.append(new / table[degree + 1, degree])
    if len(poles) == 0:
        return np.stack(columns, axis=1), table
    gaps = np.abs(poles[:, None] - poles[None, :])
    np.fill_diagonal(gaps, np.inf)
    # Poles crowd towards corners: scaled by the gap to the next one their columns are all of one size.
    scale = gaps.min(axis=1)
    return np.hstack([np.stack(columns, axis=1), scale / (places[:, None] - poles)]), table


def _crosses(corners: Complex) -> bool:
    """Whether two edges that are not neighbours meet."""
    count = len(corners)
    ends = np.roll(corners, -1)

    def side(a: complex, b: complex, c: complex) -> float:
        return float(((b - a).conjugate() * (c - a)).imag)

    for i in range(count):
        for j in range(i + 2, count):
            if i == 0 and j == count - 1:
                continue
            one = side(corners[i], ends[i], corners[j]) * side(corners[i], ends[i], ends[j])
            other = side(corners[j], ends[j], corners[i]) * side(corners[j], ends[j], ends[i])
            if one < 0.0 and other < 0.0:
                return True
    return False
