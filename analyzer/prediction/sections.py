"""Section constants of tubes, solid bars and rectangular blades."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

Array: TypeAlias = npt.NDArray[np.float64]

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
