"""Stress against hand sums, fatigue against its own curve at known points."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError
from vehicle.bar_helpers import (
    BOLT,
    DEPTH,
    LENGTH,
    LEVERS,
    SPACER,
    SPACING,
    THICKNESS,
    TUBE,
    TUBE_INERTIA,
    bladed,
    car,
    formed,
)

from analyzer.comparison.choosing.candidates import axle_options
from analyzer.prediction.settings import bar_ladder
from analyzer.sheets.bar import BladedBar
from analyzer.sheets.session import BarSetting, Setup
from analyzer.vehicle.bar.beam import solve
from analyzer.vehicle.bar.pieces import BladeState, blade_state, bladed_model, formed_model
from analyzer.vehicle.bar.section import array, rectangle_shear
from analyzer.vehicle.bar.stress import fatigue_cycles, safety_factor, stress_points

FORCE = 3000.0


def stress_of(bar: BladedBar, hole: int = 1, spacers: int = 0) -> dict[str, float]:
    state = blade_state(bar, hole, spacers)
    model = bladed_model(bar, state, state)
    return {p.place: float(p.per_force) * FORCE for p in stress_points(bar, model, solve(model))}


def test_tube_and_blade_by_hand() -> None:
    bar = bladed()
    found = stress_of(bar, 1, 2)
    e, a, overhang = 2.0 * SPACER, LEVERS[0], (LENGTH - SPACING) / 2.0
    shear = FORCE * a * TUBE / 2.0 / (2.0 * TUBE_INERTIA)

    def mises(bending_moment: float) -> float:
        return math.hypot(bending_moment * TUBE / 2.0 / TUBE_INERTIA, math.sqrt(3.0) * shear)

    assert found["tube at the blade"] == pytest.approx(mises(FORCE * e), rel=1e-9)
    assert found["tube, where it is highest"] == pytest.approx(mises(FORCE * (e + overhang)), rel=1e-9)
    normal = FORCE * a * 6.0 / (THICKNESS * DEPTH**2)
    twist = FORCE * e * float(rectangle_shear(np.asarray(DEPTH), np.asarray(THICKNESS)))
    assert found["blade root"] == pytest.approx(math.hypot(normal, math.sqrt(3.0) * twist), rel=1e-9)
    assert found["bolt"] == pytest.approx(FORCE * e * 32.0 / (math.pi * BOLT**3), rel=1e-9)


def test_net_section_at_an_inner_hole() -> None:
    found = stress_of(bladed(), 1, 0)
    assert "blade at hole 1" not in found
    net = THICKNESS * (DEPTH**3 - BOLT**3) / 12.0
    for number, place in ((2, LEVERS[1]), (3, LEVERS[2])):
        assert found[f"blade at hole {number}"] == pytest.approx(
            FORCE * (LEVERS[0] - place) * DEPTH / 2.0 / net, rel=1e-9
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
        blade={"depth": "40 mm", "tip_depth": f"{40.0 * tip} mm", "length": "230 mm"},
        bolt=None,
        spacer=None,
        holes=["230 mm"],
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
    # Annealed beside the weld, whatever the tube was before; as stated where nothing is welded.
    assert tube.yield_strength == 360e6
    assert tube.welded
    machined = bladed(tube={"yield_strength": "700 MPa"}, blade={"joint": "machined"})
    tube = next(p for p in stress_points(machined, model, solve(model)) if p.place == "tube at the blade")
    assert tube.yield_strength == 700e6
    assert not tube.welded


def strengths(**changes: Any) -> dict[str, float]:
    bar = bladed(**changes)
    state = blade_state(bar, 1, 0)
    model = bladed_model(bar, state, state)
    return {p.place: p.yield_strength for p in stress_points(bar, model, solve(model))}


def test_strength_beside_a_weld() -> None:
    """The weaker material, annealed: 4130 360, 51CrV4 412 MPa; EN 1999-1-1 Table 3.2b: 115 MPa of 6061-T6."""
    welded = strengths()
    assert welded["tube at the blade"] == welded["blade root"] == 360e6
    assert welded["tube, where it is highest"] == 483e6
    assert welded["blade at hole 2"] == 900e6
    spring = strengths(tube={"material": "spring steel"})
    assert spring["blade root"] == 412e6
    alloy = strengths(tube={"material": "6061-T6"}, blade={"material": "6061-T6"})
    assert alloy["blade root"] == 115e6
    assert alloy["tube, where it is highest"] == 276e6
    weak = strengths(tube={"yield_strength": "300 MPa"})
    assert weak["blade root"] == 300e6
    tempered = strengths(blade={"weld_strength": "850 MPa"})
    assert tempered["tube at the blade"] == tempered["blade root"] == 850e6
    machined = strengths(blade={"joint": "machined"})
    assert (machined["tube at the blade"], machined["blade root"]) == (483e6, 900e6)
    own = {"material": "house alloy", "elastic_modulus": "205 GPa", "shear_modulus": "80 GPa"}
    assert math.isnan(strengths(tube={**own, "yield_strength": "700 MPa"})["blade root"])


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"blade": {"material": "7075-T6"}}, "material 7075-T6 cannot be welded"),
        ({"tube": {"material": "7075-T6"}, "blade": {"material": "6061-T6"}}, "tube.material 7075-T6 cannot"),
        (
            {"blade": {"material": "6061-T6"}},
            "tube of 4130 (steel) and blade of 6061-T6 (aluminium) cannot be",
        ),
        ({"tube": {"material": "bolt 10.9"}}, "tube.material bolt 10.9 cannot be welded"),
        ({"blade": {"joint": "machined", "weld_strength": "800 MPa"}}, "weld_strength goes with"),
        ({"blade": {"material": "7075-T6", "joint": "machined"}}, None),
        ({"tube": {"material": "6061-T6"}, "blade": {"material": "6061-T6"}}, None),
    ],
)
def test_what_cannot_be_welded_is_refused(changes: dict[str, Any], words: str | None) -> None:
    if words is None:
        bladed(**changes)
        return
    with pytest.raises(ValidationError) as caught:
        bladed(**changes)
    assert words in caught.value.errors()[0]["msg"]
    assert "; " in caught.value.errors()[0]["msg"]


def test_a_part_on_the_shelf_that_can_be_welded_to_nothing_is_refused() -> None:
    blade = {"material": "6061-T6", "depth": "40 mm", "thickness": "10 mm"}
    tube = {"material": "6061-T6", "outside_diameter": "35 mm", "length": "0.9 m"}
    with pytest.raises(ValidationError, match=r"shelf\.front\.blades\[1\]: tube of 4130"):
        car({"shelf": {"front": {"blades": [blade]}}})
    both = car({"shelf": {"front": {"blades": [blade], "tubes": [tube]}}})
    words = [option.words for option in axle_options(both, "front", Setup(front_bar=BarSetting()))]
    # Of the four pairs of tube and blade two are of one metal.
    assert {("tube 35" in text, "blade 40" in text) for text in words} == {(False, False), (True, True)}


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
    assert fatigue_cycles(63e6, True, "steel") == pytest.approx(2e6)
    assert fatigue_cycles(126e6, True, "steel") == pytest.approx(2.5e5)
    assert fatigue_cycles(160e6, False, "steel") == pytest.approx(2e6)
    assert fatigue_cycles(80e6, False, "steel") == pytest.approx(6.4e7)
    assert fatigue_cycles(0.0, True, "steel") == math.inf


def test_aluminium_has_its_own_fatigue_classes() -> None:
    """IIW recommendations (from memory): 22 MPa at the toe of a fillet weld, 71 MPa of the alloy itself."""
    assert fatigue_cycles(22e6, True, "aluminium") == pytest.approx(2e6)
    assert fatigue_cycles(44e6, True, "aluminium") == pytest.approx(2.5e5)
    assert fatigue_cycles(71e6, False, "aluminium") == pytest.approx(2e6)
    own = {"material": "house alloy", "elastic_modulus": "70 GPa", "shear_modulus": "26 GPa"}
    rows = [
        bar_ladder(car({"front": {"bar": {"tube": part, "blade": part}}}), "front").fitted.stress
        for part in ({"material": "6061-T6"}, own)
    ]
    for row in rows[0]:
        if row.place in ("tube at the blade", "blade root"):
            assert row.cycles == pytest.approx(2e6 * (22e6 / (2.0 * row.stated_lateral)) ** 3)
    # The metal of the other one is told by its E, its strength is not.
    assert all(row.factor is None and row.cycles is None for row in rows[1] if row.place != "bolt")


def test_what_yields_has_no_life() -> None:
    thin = bar_ladder(car({"front": {"bar": {"blade": {"depth": "20 mm", "thickness": "3 mm"}}}}), "front")
    assert thin is not None
    root = next(row for row in thin.fitted.stress if row.place == "blade root")
    assert root.yield_strength == 360e6
    assert root.stated_factor == pytest.approx(360e6 / root.stated_lateral)
    assert root.stated_factor < 1.0
    assert root.cycles is None
    tube = next(row for row in thin.fitted.stress if row.place == "tube at the blade")
    assert tube.stated_factor > 1.0
    assert tube.cycles is not None
