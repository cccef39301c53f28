"""Rate of a bladed bar from a small space frame: beam elements, a stiffness matrix, one linear solve.

Nodes along the bar, from the left link to the right one: rod-end ball, hole, tube end, mount, mount, tube
end, hole, ball. The mounts are radial springs; turning about the tube is free.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

TUBE: Final = (201.0e9, 76.3e9)
BLADE: Final = (207.0e9, 79.8e9)
BOLT: Final = (207.0e9, 79.5e9)
"""True E and G of the virtual car's steels [Pa]; within what handbooks print, not equal to any of them."""


@dataclass(frozen=True)
class BarParts:
    """Dimensions of a bladed bar without its setting [m, N/m]."""

    tube_outside: float
    tube_wall: float
    tube_length: float
    mount_spacing: float
    mount_rate: float
    blade_depth: float = 0.038
    blade_thickness: float = 0.008
    bolt_diameter: float = 0.012
    tube_moduli: tuple[float, float] = TUBE
    blade_moduli: tuple[float, float] = BLADE
    bolt_moduli: tuple[float, float] = BOLT


@dataclass(frozen=True)
class Beam:
    """Section and material of one element; `strong` bends in the plane of the `up` direction."""

    young: float
    shear: float
    area: float
    strong: float
    weak: float
    torsion: float
    shear_area: float


def round_beam(outside: float, wall: float, moduli: tuple[float, float]) -> Beam:
    """Return a tube; a `wall` of half the diameter makes a solid rod."""
    bore = outside - 2.0 * wall
    area = np.pi / 4.0 * (outside**2 - bore**2)
    inertia = np.pi / 64.0 * (outside**4 - bore**4)
    solidity = 0.5 if bore > 0.0 else 0.9  # thin tube 1/2, solid rod 9/10
    return Beam(*moduli, area, inertia, inertia, 2.0 * inertia, solidity * area)


def flat_beam(depth: float, thickness: float, moduli: tuple[float, float]) -> Beam:
    """Return a solid rectangle that stands on edge.

    Torsion after Roark and Young, Formulas for Stress and Strain, table for a solid rectangle (from memory).
    """
    a, b = max(depth, thickness) / 2.0, min(depth, thickness) / 2.0
    torsion = a * b**3 * (16.0 / 3.0 - 3.36 * b / a * (1.0 - b**4 / (12.0 * a**4)))
    area = depth * thickness
    return Beam(
        *moduli, area, thickness * depth**3 / 12.0, depth * thickness**3 / 12.0, torsion, area * 5.0 / 6.0
    )


def element_stiffness(
    start: npt.NDArray[np.float64], end: npt.NDArray[np.float64], beam: Beam, shear: bool
) -> npt.NDArray[np.float64]:
    """Return the 12 x 12 stiffness of a straight element in global axes.

    Przemieniecki, Theory of Matrix Structural Analysis, ch. 5 (space beam with shear; from memory). The
    strong bending lies in the plane of the element and the global z axis.
    """
    along = end - start
    length = float(np.linalg.norm(along))
    e1 = along / length
    e2 = np.array([0.0, 0.0, 1.0])
    e3 = np.cross(e1, e2)
    rows = np.stack([e1, e2, e3])
    turn = np.kron(np.eye(4), rows)
    k = np.zeros((12, 12))
    for dofs, rate in (
        ((0, 6), beam.young * beam.area / length),
        ((3, 9), beam.shear * beam.torsion / length),
    ):
        k[np.ix_(dofs, dofs)] = rate * np.array([[1.0, -1.0], [-1.0, 1.0]])
    # Plane 1-2 (deflection z, slope +): strong; plane 1-3 (slope of the other sign): weak.
    for four, inertia, sign in (((1, 5, 7, 11), beam.strong, 1.0), ((2, 4, 8, 10), beam.weak, -1.0)):
        stiff = beam.young * inertia
        phi = 12.0 * stiff / (beam.shear * beam.shear_area * length**2) if shear else 0.0
        c = sign * length
        plane = np.array(
            [
                [12.0, 6.0 * c, -12.0, 6.0 * c],
                [6.0 * c, (4.0 + phi) * c * c, -6.0 * c, (2.0 - phi) * c * c],
                [-12.0, -6.0 * c, 12.0, -6.0 * c],
                [6.0 * c, (2.0 - phi) * c * c, -6.0 * c, (4.0 + phi) * c * c],
            ]
        )
        k[np.ix_(four, four)] = stiff / (length**3 * (1.0 + phi)) * plane
    return turn.T @ k @ turn


def bar_end_rate(bar: BarParts, lever: float, offset: float = 0.0, shear: bool = True) -> float:
    """Return force at one link per travel of that link, the other one moving as far the other way [N/m].

    Parameters
    ----------
    bar : BarParts
        Dimensions.
    lever : float
        From the tube's axis to the hole in use [m].
    offset : float
        Rod end outboard of the blade's centre plane (spacer stack) [m].
    shear : bool
        False leaves shear deflection out, as textbook formulae do.
    """
    half, mount = bar.tube_length / 2.0, bar.mount_spacing / 2.0
    nodes = np.array(
        [
            [lever, half + offset, 0.0],
            [lever, half, 0.0],
            [0.0, half, 0.0],
            [0.0, mount, 0.0],
            [0.0, -mount, 0.0],
            [0.0, -half, 0.0],
            [lever, -half, 0.0],
            [lever, -half - offset, 0.0],
        ]
    )
    tube = round_beam(bar.tube_outside, bar.tube_wall, bar.tube_moduli)
    blade = flat_beam(bar.blade_depth, bar.blade_thickness, bar.blade_moduli)
    bolt = round_beam(bar.bolt_diameter, bar.bolt_diameter / 2.0, bar.bolt_moduli)
    stiffness = np.zeros((48, 48))
    for i, beam in enumerate((bolt, blade, tube, tube, tube, blade, bolt)):
        ends = [i, i + 1]
        if np.allclose(*nodes[ends]):
            continue
        dofs = np.concatenate([np.arange(6) + 6 * node for node in ends])
        stiffness[np.ix_(dofs, dofs)] += element_stiffness(nodes[i], nodes[i + 1], beam, shear)
    for node in (3, 4):
        for axis in (0, 2):
            stiffness[6 * node + axis, 6 * node + axis] += bar.mount_rate
    stiffness[6 * 3 + 1, 6 * 3 + 1] += bar.mount_rate  # one mount holds the bar sideways
    left, right = (0, 7) if offset > 0.0 else (1, 6)
    held = np.array([6 * left + 2, 6 * right + 2])
    used = np.flatnonzero(np.diag(stiffness) > 0.0)
    free = np.setdiff1d(used, held)
    travel = np.array([1.0, -1.0])
    inner = np.linalg.solve(stiffness[np.ix_(free, free)], -stiffness[np.ix_(free, held)] @ travel)
    force = stiffness[np.ix_(held, free)] @ inner + stiffness[np.ix_(held, held)] @ travel
    return float(0.5 * (force[0] - force[1]))
