"""Section constants against handbook tables and a finite-element section library."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from analyzer.vehicle.bar.section import (
    rectangle_section,
    rectangle_shear,
    rectangle_torsion,
    round_section,
)

# J = beta a b^3, tau = T / (alpha a b^2): exact series of Timoshenko and Goodier, Theory of Elasticity.
RECTANGLES = {
    1.0: (0.14058, 0.20817),
    1.2: (0.16612, 0.21893),
    1.5: (0.19576, 0.23097),
    1.8: (0.21743, 0.24042),
    2.0: (0.22868, 0.24588),
    2.5: (0.24937, 0.25759),
    3.0: (0.26332, 0.26721),
    4.0: (0.28081, 0.28167),
    5.0: (0.29132, 0.29150),
    6.0: (0.29832, 0.29836),
    7.5: (0.30532, 0.30533),
    8.0: (0.30707, 0.30707),
    10.0: (0.31233, 0.31233),
}


@pytest.mark.parametrize("ratio", RECTANGLES)
def test_rectangle_against_the_series_table(ratio: float) -> None:
    beta, alpha = RECTANGLES[ratio]
    short = 0.008
    long = ratio * short
    for pair in ((long, short), (short, long)):
        assert float(rectangle_torsion(*map(np.asarray, pair))) / (long * short**3) == pytest.approx(
            beta, abs=1e-5
        )
        shear = float(rectangle_shear(*map(np.asarray, pair)))
        assert 1.0 / (shear * long * short**2) == pytest.approx(alpha, rel=1e-4)


@pytest.mark.parametrize("ratio", RECTANGLES)
def test_rectangle_against_a_handbook_approximation(ratio: float) -> None:
    """Roark, Table 10.1, with half sides a >= b: K = a b^3 [16/3 - 3.36 (b/a)(1 - b^4 / 12 a^4)]."""
    a, b = ratio / 2.0, 0.5
    roark = a * b**3 * (16.0 / 3.0 - 3.36 * b / a * (1.0 - b**4 / (12.0 * a**4)))
    assert float(rectangle_torsion(np.asarray(ratio), np.asarray(1.0))) == pytest.approx(roark, rel=5e-3)


def test_values_known_to_be_wrong_are_not_reproduced() -> None:
    """One table prints 0.175 and 0.186 at ratios 1.3 and 1.4; strip theory is 12 % low for a square."""
    for ratio, printed, exact in ((1.3, 0.175, 0.17706), (1.4, 0.186, 0.18690)):
        beta = float(rectangle_torsion(np.asarray(ratio), np.asarray(1.0))) / ratio
        assert beta == pytest.approx(exact, abs=1e-5)
        assert abs(beta - printed) > 8e-4
    square = float(rectangle_torsion(np.asarray(1.0), np.asarray(1.0)))
    assert (1.0 - 0.63) / 3.0 / square - 1.0 == pytest.approx(-0.123, abs=1e-3)


@pytest.mark.parametrize(
    ("depth", "width"), [(20.0, 10.0), (30.0, 10.0), (25.0, 5.0), (32.0, 6.0), (38.0, 8.0)]
)
def test_rectangle_against_finite_elements(depth: float, width: float) -> None:
    """sectionproperties: Prandtl torsion by finite elements; also checks area and both second moments."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from sectionproperties.analysis import Section
        from sectionproperties.pre.library import rectangular_section

        section = Section(rectangular_section(d=depth, b=width).create_mesh(mesh_sizes=[width**2 / 40.0]))
        section.calculate_geometric_properties()
        section.calculate_warping_properties()
    ours = rectangle_section(np.asarray(depth), np.asarray(width))
    assert float(ours.torsion) == pytest.approx(section.get_j(), rel=1e-3)
    ixx, iyy, _ = section.get_ic()
    assert (float(ours.strong), float(ours.weak)) == pytest.approx((ixx, iyy), rel=1e-9)
    assert float(ours.area) == pytest.approx(section.get_area(), rel=1e-9)


@pytest.mark.parametrize(
    ("diameter", "wall", "torsion"),
    [(28.575, 2.413, 34224.6), (25.4, 2.1, 21032.5), (30.0, 3.0, 46949.5), (22.0, None, 22998.0)],
)
def test_round_sections(diameter: float, wall: float | None, torsion: float) -> None:
    """pi (D^4 - d^4) / 32, checked beforehand against a finite-element mesh."""
    ours = round_section(np.asarray(diameter), None if wall is None else np.asarray(wall))
    assert float(ours.torsion) == pytest.approx(torsion, rel=3e-6)
    assert float(ours.strong) * 2.0 == float(ours.torsion)


def test_tube_shear_factor_runs_from_solid_to_thin() -> None:
    solid = round_section(np.asarray(0.03), None)
    thin = round_section(np.asarray(0.03), np.asarray(1e-5))
    assert float(solid.shear_factor) == pytest.approx(10.0 / 9.0)
    assert float(thin.shear_factor) == pytest.approx(2.0, rel=1e-5)


def test_sections_broadcast() -> None:
    widths = np.linspace(0.004, 0.012, 9)
    values = rectangle_section(np.asarray(0.03), widths).torsion
    assert values.shape == (9,)
    assert np.all(np.diff(values) > 0.0)
    assert values[4] == pytest.approx(float(rectangle_torsion(np.asarray(0.03), np.asarray(widths[4]))))
    assert math.isclose(values[0], 0.03 * 0.004**3 / 3.0, rel_tol=0.1)
