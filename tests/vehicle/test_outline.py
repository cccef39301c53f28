"""Sections of any outline against closed forms and a finite-element section library."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from vehicle.bar_helpers import DEPTH, THICKNESS, bladed, car

from analyzer.core.errors import AnalyzerError
from analyzer.prediction.setup import check_bars, predict_setup
from analyzer.sheets.session import BarSetting, Setup
from analyzer.vehicle.bar.beam import solve
from analyzer.vehicle.bar.pieces import blade_state, bladed_model
from analyzer.vehicle.bar.section import outline_constants, rectangle_section
from analyzer.vehicle.bar.stress import stress_points

Outline = tuple[tuple[float, float], ...]


def box(depth: float, width: float) -> Outline:
    return (
        (-width / 2, -depth / 2),
        (width / 2, -depth / 2),
        (width / 2, depth / 2),
        (-width / 2, depth / 2),
    )


def ring(count: int, across: float = 1.0, along: float = 1.0) -> Outline:
    angles = np.linspace(0.0, 2.0 * math.pi, count, endpoint=False)
    return tuple((across * math.cos(a), along * math.sin(a)) for a in angles)


@pytest.mark.parametrize("ratio", [1.0, 2.0, 4.75, 10.0, 20.0])
def test_rectangles_against_the_series(ratio: float) -> None:
    found = outline_constants(box(ratio, 1.0))
    known = rectangle_section(np.asarray(ratio), np.asarray(1.0))
    assert found.torsion == pytest.approx(float(known.torsion), rel=2e-6)
    assert (found.strong, found.weak) == pytest.approx((float(known.strong), float(known.weak)), rel=1e-12)
    assert found.area == pytest.approx(ratio)
    assert found.product == pytest.approx(0.0, abs=1e-12)


def test_closed_forms() -> None:
    """Equilateral triangle: sqrt(3) s^4 / 80; ellipse: pi a^3 b^3 / (a^2 + b^2) (Timoshenko and Goodier)."""
    triangle = tuple((math.cos(a), math.sin(a)) for a in np.radians([90.0, 210.0, 330.0]))
    assert outline_constants(triangle).torsion == pytest.approx(
        math.sqrt(3.0) ** 4 * math.sqrt(3.0) / 80.0, rel=1e-9
    )
    ellipse = outline_constants(ring(180, 2.0, 1.0))
    area = ellipse.area / (2.0 * math.pi)  # the polygon is a shade smaller than the ellipse
    assert ellipse.torsion == pytest.approx(math.pi * 8.0 / 5.0 * area**2, rel=2e-5)
    circle = outline_constants(ring(180))
    assert circle.torsion == pytest.approx(circle.strong + circle.weak, rel=1e-9)


SHAPES: dict[str, Outline] = {
    "trapezium": ((0.0, 0.0), (3.0, 0.0), (2.0, 5.0), (1.0, 5.0)),
    "hexagon": ring(6),
    "angle": ((0.0, 0.0), (4.0, 0.0), (4.0, 1.0), (1.0, 1.0), (1.0, 5.0), (0.0, 5.0)),
    "tee": ((0.0, 0.0), (1.0, 0.0), (1.0, 3.0), (2.0, 3.0), (2.0, 4.0), (-1.0, 4.0), (-1.0, 3.0), (0.0, 3.0)),
    "chamfered blade": (
        (-2.5, -18.0), (2.5, -18.0), (3.5, -17.0), (3.5, 17.0),
        (2.5, 18.0), (-2.5, 18.0), (-3.5, 17.0), (-3.5, -17.0),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SHAPES)
def test_shapes_against_finite_elements(name: str) -> None:
    """sectionproperties: second moments exactly, Prandtl torsion to its mesh."""
    found = outline_constants(SHAPES[name])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from sectionproperties.analysis import Section
        from sectionproperties.pre.geometry import Geometry
        from shapely import Polygon

        # Where a corner points inwards the reference itself needs a fine mesh for a thousandth.
        cells = 2000.0 if name in ("angle", "tee") else 400.0
        section = Section(Geometry(Polygon(SHAPES[name])).create_mesh(mesh_sizes=[found.area / cells]))
        section.calculate_geometric_properties()
        section.calculate_warping_properties()
    assert found.torsion == pytest.approx(section.get_j(), rel=1e-3)
    strong, weak, product = section.get_ic()
    assert (found.strong, found.weak) == pytest.approx((strong, weak), rel=1e-9)
    assert found.product == pytest.approx(product, abs=1e-9 * (strong + weak))


def test_way_round_and_place_do_not_matter() -> None:
    shape = SHAPES["trapezium"]
    moved = tuple((x + 7.0, y - 3.0) for x, y in shape[::-1])
    one, other = outline_constants(shape), outline_constants(moved)
    assert other.torsion == pytest.approx(one.torsion, rel=1e-9)
    assert other.strong == pytest.approx(one.strong, rel=1e-9)


def outline_text(shape: Outline) -> list[list[str]]:
    return [[f"{x} mm", f"{y} mm"] for x, y in shape]


def test_blade_with_an_outline() -> None:
    plain = bladed()
    same = bladed(blade={"outline": outline_text(box(1e3 * DEPTH, 1e3 * THICKNESS))})
    chamfered = bladed(blade={"outline": outline_text(SHAPES["chamfered blade"])})
    rates, roots = [], []
    for bar in (plain, same, chamfered):
        state = blade_state(bar, 1, 2)
        model = bladed_model(bar, state, state)
        solution = solve(model)
        rates.append(float(solution.rate))
        points = stress_points(bar, model, solution)
        roots.append(float(next(p for p in points if p.place == "blade root").per_force))
    assert rates[1] == pytest.approx(rates[0], rel=1e-6)
    assert roots[1] == pytest.approx(roots[0], rel=1e-6)
    assert rates[2] < rates[0]
    assert roots[2] > roots[0]


def test_tolerances_of_depth_and_thickness_hold_for_an_outline() -> None:
    setup = Setup(front_bar=BarSetting(hole=1, spacers=2))
    plain = predict_setup(car(), "A", setup).bars["front"].rate
    outlined = car(
        {"front": {"bar": {"blade": {"outline": outline_text(box(1e3 * DEPTH, 1e3 * THICKNESS))}}}}
    )
    assert predict_setup(outlined, "A", setup).bars["front"].rate.std_error == pytest.approx(
        plain.std_error, rel=1e-6
    )


@pytest.mark.parametrize(
    ("shape", "words"),
    [
        (((-3.5, -18.0), (3.5, 18.0), (3.5, -18.0), (-3.5, 18.0)), "crosses itself"),
        (((-3.5, -18.0), (3.5, -14.0), (3.5, 18.0), (-3.5, 14.0)), "lopsided"),
    ],
)
def test_outline_that_cannot_be(shape: Outline, words: str) -> None:
    sheet = car({"front": {"bar": {"blade": {"outline": outline_text(shape)}}}})
    with pytest.raises(AnalyzerError, match=rf"^front\.bar\.blade\.outline: .*{words}") as raised:
        check_bars(sheet)
    assert "\n" not in str(raised.value)


def test_outline_must_measure_what_the_sheet_says() -> None:
    with pytest.raises(ValueError, match="does not measure depth"):
        bladed(blade={"outline": outline_text(box(30.0, 7.0))})


def test_a_tolerance_of_a_corner_is_refused() -> None:
    # It was a fault of the program: a section has one size, whose errors are those of depth and thickness.
    corners = outline_text(box(1e3 * DEPTH, 1e3 * THICKNESS))
    corners[1][0] += " ± 0.1 mm"
    with pytest.raises(ValueError, match="behind thickness and depth"):
        bladed(blade={"outline": corners})
    corners[1][0] = corners[1][0].replace("0.1", "0")
    assert bladed(blade={"outline": corners}).blade.outline is not None
