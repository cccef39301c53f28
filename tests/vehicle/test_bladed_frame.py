"""The bladed bar against a 3-D frame model of a general finite-element library."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from vehicle.bar_helpers import bladed
from vehicle.frame_reference import Frame, rectangle_constants, round_constants

from analyzer.vehicle.bar.beam import eye_turn, solve, vec
from analyzer.vehicle.bar.pieces import BladeState, bladed_model
from analyzer.vehicle.bar.section import array

STEEL = (205e9, 80e9)
TRAVEL = 0.001


@dataclass
class Case:
    """One random bar; lengths in m."""

    sheet: dict[str, Any]
    left: tuple[float, float]  # lever, offset
    right: tuple[float, float]
    turn: float
    angle: float
    lean: float


def draw(rng: np.random.Generator) -> Case:
    diameter = rng.uniform(0.02, 0.04)
    length = rng.uniform(0.7, 1.1)
    spacing = length * rng.uniform(0.6, 1.0)
    depth, thickness = rng.uniform(0.02, 0.045), rng.uniform(0.005, 0.014)
    lever = rng.uniform(0.12, 0.28)
    turn = float(rng.choice([0.0, rng.uniform(0.0, math.pi / 2)]))
    sheet: dict[str, Any] = {
        "tube": {
            "outside_diameter": f"{diameter} m",
            "wall": f"{rng.uniform(0.0015, 0.004)} m" if rng.random() < 0.7 else None,
            "length": f"{length} m",
        },
        "mounts": {
            "spacing": f"{spacing} m",
            "rate": f"{rng.uniform(5e6, 5e7)} N/m" if rng.random() < 0.7 else None,
        },
        "blade": {"depth": f"{depth} m", "thickness": f"{thickness} m", "turn": f"{turn} rad"},
        "holes": ["0.28 m", "0.1 m"],
        "bolt": {"diameter": f"{rng.uniform(0.008, 0.014)} m"},
    }
    if rng.random() < 0.3:
        sheet["tube"]["ends"] = {
            "length": f"{rng.uniform(0.02, 0.3)} m",
            "outside_diameter": f"{diameter * rng.uniform(0.8, 1.2)} m",
        }
    if rng.random() < 0.3:
        tip = depth * rng.uniform(0.4, 1.0)
        sheet["blade"] |= {"length": "0.3 m", "tip_depth": f"{tip} m"}
        bolt = min(float(sheet["bolt"]["diameter"].split()[0]), 0.8 * tip)
        sheet["bolt"] = {"diameter": f"{bolt} m"}
    for part in ("tube", "blade", "bolt"):
        sheet[part] |= {"elastic_modulus": "205 GPa", "shear_modulus": "80 GPa"}
    left = (lever, rng.uniform(-0.03, 0.04))
    right = left if rng.random() < 0.5 else (lever * rng.uniform(0.7, 1.0), rng.uniform(-0.03, 0.04))
    angle, lean = (rng.uniform(-0.3, 0.3), rng.uniform(-0.15, 0.15)) if rng.random() < 0.5 else (0.0, 0.0)
    sheet["link"] = {"rate": f"{rng.uniform(5e6, 5e7)} N/m", "angle": f"{angle} rad", "lean": f"{lean} rad"}
    return Case(sheet, left, right, turn, angle, lean)


def blade_torsion(depth: float, width: float) -> float:
    """Timoshenko's series summed by hand, 40 terms."""
    a, b = max(depth, width), min(depth, width)
    series = sum(math.tanh(n * math.pi * a / (2 * b)) / n**5 for n in range(1, 80, 2))
    return a * b**3 / 3.0 * (1.0 - 192.0 * b / (math.pi**5 * a) * series)


def frame_answers(case: Case) -> tuple[float, float, float]:
    """Mean link force per opposite link travel, ratio of right to left force, and how far the left eye turns
    about the blade's direction per force of its link, from the frame."""
    bar = bladed(**case.sheet)
    half, half_spacing = bar.tube.length.value / 2.0, bar.mounts.spacing.value / 2.0
    frame = Frame()
    tube = round_constants(bar.tube.outside_diameter.value, bar.tube.wall.value if bar.tube.wall else None)
    ends = bar.tube.ends
    step = 0.0 if ends is None else ends.length.value
    stub = tube if ends is None else round_constants(ends.outside_diameter.value, None)
    marks = sorted({half, half_spacing, half - step, step - half, -half_spacing, -half}, reverse=True)
    names = [frame.node((0.0, marks[0], 0.0))]
    for above, below in itertools.pairwise(marks):
        inner = abs(above + below) / 2.0 < half - step
        names.append(frame.node((0.0, below, 0.0)))
        frame.member(names[-2], names[-1], STEEL, tube if inner else stub)
    rate = None if bar.mounts.rate is None else bar.mounts.rate.value
    middle = frame.model.nodes[names[marks.index(half_spacing)]]
    for mark in (half_spacing, -half_spacing):
        frame.mount(names[marks.index(mark)], rate, across=rate is not None and mark == half_spacing)
    if rate is None:
        frame.model.def_support(middle.name, support_DX=True, support_DY=True, support_DZ=True)
    lowers, pulls, eyes = [], [], []
    for outwards, root, (lever, offset) in ((1.0, names[0], case.left), (-1.0, names[-1], case.right)):
        eye = _blade(frame, bar, root, outwards, lever, case.turn)
        across = outwards * half
        if offset != 0.0:
            bolt = round_constants(bar.bolt.diameter.value, None)
            tip = frame.node((lever, across + outwards * offset, 0.0))
            frame.member(eye, tip, STEEL, bolt)
            eye = tip
        pull = np.array(
            [
                math.sin(case.angle) * math.cos(case.lean),
                -outwards * math.sin(case.lean),
                math.cos(case.angle) * math.cos(case.lean),
            ]
        )
        eyes.append(eye)
        lowers.append(frame.link(eye, pull, bar.link.rate.value, outwards * TRAVEL))
        pulls.append(pull)
    frame.solve()
    forces = [frame.force(lower, pull) for lower, pull in zip(lowers, pulls, strict=True)]
    turned = next(iter(frame.model.nodes[eyes[0]].RX.values()))
    return (forces[0] - forces[1]) / (2.0 * TRAVEL), -forces[1] / forces[0], turned / forces[0]


def _blade(frame: Frame, bar: Any, root: str, outwards: float, lever: float, turn: float) -> str:
    blade, across = bar.blade, outwards * bar.tube.length.value / 2.0
    tip = blade.depth.value if blade.tip_depth is None else blade.tip_depth.value

    def constants(place: Any) -> tuple[float, float, float, float]:
        part = 0.0 if blade.length is None else place[0] / blade.length.value
        depth = blade.depth.value + (tip - blade.depth.value) * part
        return rectangle_constants(depth, blade.thickness.value, blade_torsion(depth, blade.thickness.value))

    count = 1 if blade.tip_depth is None else 24
    points = [(x, across, 0.0) for x in np.linspace(0.0, lever, count + 1)]
    # The depth side leans outwards by `turn`: a negative rotation about X on the left.
    return frame.chain(points, STEEL, constants, root, -outwards * turn)


def own_answers(case: Case) -> tuple[float, float, float]:
    bar = bladed(**case.sheet)
    states = [
        BladeState(array(lever), array(offset), array(case.turn)) for lever, offset in (case.left, case.right)
    ]
    model = bladed_model(bar, *states)
    found = solve(model, slender=True)
    turned = eye_turn(model, found.loads, vec(1.0, 0.0, 0.0))
    return float(found.rate), float(found.loads.ratio), float(turned)


@pytest.mark.parametrize(
    "block", [*range(4), *(pytest.param(n, marks=pytest.mark.slow) for n in range(4, 10))]
)
def test_random_bars_agree_with_the_frame(block: int) -> None:
    rng = np.random.default_rng(4100 + block)
    for _ in range(30):
        case = draw(rng)
        (wanted, ratio, turned), (found, own_ratio, own_turned) = frame_answers(case), own_answers(case)
        assert found == pytest.approx(wanted, rel=1e-3), case
        assert own_ratio == pytest.approx(ratio, rel=1e-3), case
        assert own_turned == pytest.approx(turned, rel=2e-3, abs=2e-9), case
