"""Stress against hand sums, fatigue against its own curve at known points."""

from __future__ import annotations

import math

import numpy as np
import pytest
from vehicle.bar_helpers import bladed, formed

from analyzer.sheets.bar import BladedBar
from analyzer.vehicle.bar.beam import solve
from analyzer.vehicle.bar.bladed import BladeState, array, blade_state, bladed_model
from analyzer.vehicle.bar.formed import formed_model
from analyzer.vehicle.bar.section import rectangle_shear
from analyzer.vehicle.bar.stress import fatigue_cycles, safety_factor, stress_points

FORCE = 3000.0


def stress_of(bar: BladedBar, hole: int = 1, spacers: int = 0) -> dict[str, float]:
    state = blade_state(bar, hole, spacers)
    model = bladed_model(bar, state, state)
    return {p.place: float(p.per_force) * FORCE for p in stress_points(bar, model, solve(model))}


def test_tube_and_blade_by_hand() -> None:
    bar = bladed()
    found = stress_of(bar, 1, 2)
    e, a = 0.016, 0.254
    inertia = math.pi / 64.0 * (0.03175**4 - 0.02693**4)
    shear = FORCE * a * 0.03175 / 2.0 / (2.0 * inertia)

    def mises(bending_moment: float) -> float:
        return math.hypot(bending_moment * 0.03175 / 2.0 / inertia, math.sqrt(3.0) * shear)

    assert found["tube at the blade"] == pytest.approx(mises(FORCE * e), rel=1e-9)
    assert found["tube, where it is highest"] == pytest.approx(mises(FORCE * (e + 0.06)), rel=1e-9)
    normal = FORCE * a * 6.0 / (0.008 * 0.038**2)
    twist = FORCE * e * float(rectangle_shear(np.asarray(0.038), np.asarray(0.008)))
    assert found["blade root"] == pytest.approx(math.hypot(normal, math.sqrt(3.0) * twist), rel=1e-9)
    assert found["bolt"] == pytest.approx(FORCE * e * 32.0 / (math.pi * 0.012**3), rel=1e-9)


def test_net_section_at_an_inner_hole() -> None:
    found = stress_of(bladed(), 1, 0)
    assert "blade at hole 1" not in found
    net = 0.008 * (0.038**3 - 0.012**3) / 12.0
    for number, place in ((2, 0.229), (3, 0.203)):
        assert found[f"blade at hole {number}"] == pytest.approx(
            FORCE * (0.254 - place) * 0.019 / net, rel=1e-9
        )
    assert [p for p in stress_of(bladed(), 3, 0) if p.startswith("blade at")] == []


def test_published_uniform_stress_of_a_pointed_cantilever() -> None:
    """Harris, Introduction to Stress Analysis (1959), p. 114: 10 lb at 20 in, root 3 x 0.5 in: 1600 psi."""
    bar = bladed(
        tube={"outside_diameter": "2 in", "wall": None, "length": "40 in"},
        mounts={"spacing": "40 in"},
        blade={"depth": "0.5 in", "thickness": "3 in", "tip_thickness": "0.6 in", "length": "20 in"},
        holes=["20 in"],
        bolt=None,
    )
    state = blade_state(bar, 1, 0)
    model = bladed_model(bar, state, state)
    root = next(p for p in stress_points(bar, model, solve(model)) if p.place == "blade root")
    assert float(root.per_force) * 10.0 * 4.4482216 / 6894.757 == pytest.approx(1600.0, rel=1e-6)


@pytest.mark.parametrize(
    ("tip", "peak"), [(0.4, 25.0 / 24.0), (0.3, 25.0 / 21.0), (0.25, 4.0 / 3.0), (0.7, 1.0)]
)
def test_tapered_blade_peaks_between_root_and_link(tip: float, peak: float) -> None:
    """A blade whose depth falls to `tip` of the root's, link at its end.

    Stress goes with x / (tip + (1 - tip) x)^2, x the part of the way from link to root: greatest where
    (1 - tip) x = tip, at 1 / (4 tip (1 - tip)) of the root's stress, or at the root for a tip over a half.
    """
    bar = bladed(
        blade={"depth": "40 mm", "tip_depth": f"{40.0 * tip} mm", "length": "254 mm"},
        bolt=None,
        spacer=None,
        holes=["254 mm"],
    )
    found = stress_of(bar)
    assert found["blade, where it is highest"] == pytest.approx(peak * found["blade root"], rel=1e-3)
    plain = stress_of(bar.model_copy(update={"blade": bar.blade.model_copy(update={"tip_depth": None})}))
    assert "blade, where it is highest" not in plain


def test_bent_bar_is_highest_where_its_moment_is() -> None:
    corners = [(0.2, 0.45), (0.0, 0.45), (0.0, -0.45), (0.2, -0.45)]
    bar = formed(
        outside_diameter="22 mm",
        points=[{"x": f"{x} m", "y": f"{y} m", "z": "0 m"} for x, y in corners],
        mounts={"left": "0.4 m", "right": "-0.4 m"},
    )
    model = formed_model(bar)
    (point,) = stress_points(bar, model, solve(model))
    inertia = math.pi / 64.0 * 0.022**4
    bending, shear = 0.05 * 0.011 / inertia, 0.2 * 0.011 / (2.0 * inertia)
    at_mount = math.hypot(bending, math.sqrt(3.0) * shear)
    at_arm = 0.2 * 0.011 / inertia  # arm root: bending alone
    assert float(point.per_force) == pytest.approx(max(at_mount, at_arm), rel=1e-9)


def test_safety_factor_takes_the_weakest_place() -> None:
    bar = bladed()
    state = blade_state(bar, 1, 2)
    model = bladed_model(bar, state, state)
    points = stress_points(bar, model, solve(model))
    factors = [p.yield_strength / (float(p.per_force) * FORCE) for p in points if float(p.per_force) > 0.0]
    assert float(safety_factor(points, FORCE)) == pytest.approx(min(factors))
    assert float(safety_factor(points, 0.0)) == math.inf
    assert float(safety_factor(points, 2.0 * FORCE)) == pytest.approx(min(factors) / 2.0)


def test_stated_yield_strength_counts() -> None:
    bar = bladed(tube={"yield_strength": "700 MPa"})
    state = blade_state(bar, 1, 0)
    model = bladed_model(bar, state, state)
    tube = next(p for p in stress_points(bar, model, solve(model)) if p.place == "tube at the blade")
    assert tube.yield_strength == 700e6
    assert tube.welded


def test_stress_of_many_settings_at_once() -> None:
    bar = bladed(blade={"length": "0.28 m", "tip_depth": "25 mm"})
    levers, offsets = np.linspace(0.2, 0.25, 50), np.linspace(-0.02, 0.03, 50)
    state = BladeState(levers, offsets, array(0.0))
    model = bladed_model(bar, state, state)
    many = stress_points(bar, model, solve(model))
    one = BladeState(array(levers[31]), array(offsets[31]), array(0.0))
    single_model = bladed_model(bar, one, one)
    single = stress_points(bar, single_model, solve(single_model))
    for point in single:
        same = next(p for p in many if p.place == point.place)
        assert np.broadcast_to(same.per_force, (50,))[31] == pytest.approx(float(point.per_force), rel=1e-12)


def test_fatigue_curves() -> None:
    """By definition of the classes: 63 and 160 MPa at two million cycles, slopes 3 and 5."""
    assert fatigue_cycles(63e6, welded=True) == pytest.approx(2e6)
    assert fatigue_cycles(126e6, welded=True) == pytest.approx(2.5e5)
    assert fatigue_cycles(160e6, welded=False) == pytest.approx(2e6)
    assert fatigue_cycles(80e6, welded=False) == pytest.approx(6.4e7)
    assert fatigue_cycles(0.0, welded=True) == math.inf
