"""Bars as models of a general 3-D frame finite-element library (PyNiteFEA), the outside reference.

Its global Y is up: bar axes x, y (left), z (up) become X, -Z, Y. A member along X then bends under a load
in Y by its Iz. Beams are slender (no shear), as in `solve(..., slender=True)`.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from Pynite import FEModel3D

STIFF_LINK = 1e9


@dataclass
class Frame:
    """A frame that grows node by node."""

    model: Any = field(default_factory=FEModel3D)
    counter: Any = field(default_factory=itertools.count)

    def node(self, point: Any) -> str:
        name = f"n{next(self.counter)}"
        x, y, z = (float(v) for v in point)
        self.model.add_node(name, x, z, -y)
        return name

    def member(
        self, start: str, end: str, material: tuple[float, float], section: Any, turn: float = 0.0
    ) -> None:
        name = f"m{next(self.counter)}"
        elastic, shear = material
        area, weak, strong, torsion = section
        self.model.add_material(f"mat{name}", elastic, shear, 0.3, 7850.0)
        self.model.add_section(f"sec{name}", area, weak, strong, torsion)
        self.model.add_member(name, start, end, f"mat{name}", f"sec{name}", rotation=math.degrees(turn))

    def chain(
        self, points: Any, material: tuple[float, float], section: Any, first: str, turn: float = 0.0
    ) -> str:
        """Members through `points` (the first is the existing node); `section` may take the mid-point."""
        name, before = first, points[0]
        for point in points[1:]:
            following = self.node(point)
            here = section((np.asarray(before) + np.asarray(point)) / 2.0) if callable(section) else section
            self.member(name, following, material, here, turn)
            name, before = following, point
        return name

    def mount(self, node: str, rate: float | None, across: bool) -> None:
        """Radial support in x and z; `across` also holds y."""
        if rate is None:
            self.model.def_support(node, support_DX=True, support_DY=True, support_DZ=across)
            return
        self.model.def_support(node, support_DZ=across)
        for direction in ("DX", "DY"):
            self.model.def_support_spring(node, direction, rate)

    def link(self, eye: str, pull: Any, rate: float, travel: float) -> str:
        """A link of axial `rate` that hangs below the eye; its lower end is moved by `travel` along it."""
        node = self.model.nodes[eye]
        place = np.array([node.X, -node.Z, node.Y]) - 0.2 * np.asarray(pull)
        lower = self.node(place)
        name = f"m{next(self.counter)}"
        self.model.add_material(f"mat{name}", rate * 0.2 / 1e-4, 80e9, 0.3, 7850.0)
        self.model.add_section(f"sec{name}", 1e-4, 1e-16, 1e-16, 1e-16)
        self.model.add_member(name, lower, eye, f"mat{name}", f"sec{name}")
        self.model.def_releases(name, Rxj=True, Ryj=True, Rzj=True)
        self.model.def_support(lower, True, True, True, True, True, True)
        moved = np.asarray(pull) * travel
        for direction, value in (("DX", moved[0]), ("DY", moved[2]), ("DZ", -moved[1])):
            self.model.def_node_disp(lower, direction, float(value))
        return lower

    def solve(self) -> None:
        self.model.analyze_linear(log=False, check_stability=False)

    def force(self, lower: str, pull: Any) -> float:
        """Force along the link that is needed to move its lower end."""
        node = self.model.nodes[lower]
        name = next(iter(node.RxnFX))
        reaction = np.array([node.RxnFX[name], -node.RxnFZ[name], node.RxnFY[name]])
        return float(reaction @ np.asarray(pull))


def round_constants(diameter: float, wall: float | None) -> tuple[float, float, float, float]:
    bore = 0.0 if wall is None else diameter - 2.0 * wall
    inertia = math.pi / 64.0 * (diameter**4 - bore**4)
    return math.pi / 4.0 * (diameter**2 - bore**2), inertia, inertia, 2.0 * inertia


def rectangle_constants(depth: float, width: float, torsion: float) -> tuple[float, float, float, float]:
    """Area, weak (Iy), strong (Iz), torsion; the torsion constant comes from another reference."""
    return depth * width, depth * width**3 / 12.0, width * depth**3 / 12.0, torsion
