"""The virtual car's own bar frame against values from another frame program and closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzer.demo.virtual_car import TEAL_COUPE, BarParts, bar_end_rate, flat_beam, round_beam

STEEL = (205e9, 80e9)
RIGID = (1e15, 1e15)

# Bar 28.575 x 2.413 mm, 900 mm long, levers 220 mm, bearings at the levers, rigid bolt. Rates in N/mm from a
# general frame-element library (PyNiteFEA 3.2.0), which agrees with the closed form to 1e-4.
PLAIN = BarParts(
    tube_outside=0.028575,
    tube_wall=0.002413,
    tube_length=0.9,
    mount_spacing=0.8998,
    mount_rate=1e12,
    blade_depth=0.030,
    blade_thickness=0.006,
    bolt_diameter=0.012,
    tube_moduli=STEEL,
    blade_moduli=STEEL,
    bolt_moduli=RIGID,
)


@pytest.mark.parametrize(
    ("depth", "thickness", "offset", "rate"),
    [
        (0.030, 0.006, 0.0, 108.2567),
        (0.030, 0.006, 0.015, 104.442),
        (0.030, 0.006, 0.030, 94.4565),
        (0.006, 0.030, 0.0, 24.9891),
        (0.006, 0.030, 0.015, 24.7802),
        (0.020, 0.006, 0.015, 77.9865),
    ],
)
def test_rate_against_frame_library(depth: float, thickness: float, offset: float, rate: float) -> None:
    bar = replace(PLAIN, blade_depth=depth, blade_thickness=thickness)
    assert bar_end_rate(bar, 0.220, offset, shear=False) / 1e3 == pytest.approx(rate, rel=2e-4)


def test_overhang_adds_its_bending() -> None:
    """Bearings c inboard of the levers add F [c^2 S / 6 + c^3 / 3] / (E I) per end (superposition)."""
    inboard = replace(PLAIN, mount_spacing=0.6)
    c, spacing = 0.15, 0.6
    inertia = np.pi / 64.0 * (0.028575**4 - (0.028575 - 2 * 0.002413) ** 4)
    added = (c**2 * spacing / 6.0 + c**3 / 3.0) / (STEEL[0] * inertia)
    more = 1.0 / bar_end_rate(inboard, 0.22, shear=False) - 1.0 / bar_end_rate(PLAIN, 0.22, shear=False)
    assert more == pytest.approx(added, rel=2e-3)


def test_shear_and_mounts_soften() -> None:
    stiff = bar_end_rate(PLAIN, 0.22, shear=False)
    assert 0.98 * stiff < bar_end_rate(PLAIN, 0.22) < stiff
    soft = replace(PLAIN, mount_rate=5e6)
    assert bar_end_rate(soft, 0.22, shear=False) < stiff


def test_sections() -> None:
    """Tube 28.575 x 2.413: J = 34224.6 mm4 (finite elements 34217.8); rectangle 30 x 10: 7899.5 mm4."""
    assert round_beam(0.028575, 0.002413, STEEL).torsion * 1e12 == pytest.approx(34224.6, rel=1e-5)
    assert flat_beam(0.030, 0.010, STEEL).torsion * 1e12 == pytest.approx(7899.5, rel=1e-3)


def test_holes_and_spacers_act_the_right_way() -> None:
    holes = range(1, len(TEAL_COUPE.front.holes) + 1)
    rates = [TEAL_COUPE.front.bar_rate(hole, 0) for hole in holes]
    assert rates == sorted(rates)  # hole 1 is the outermost, the softest
    stacks = [TEAL_COUPE.rear.bar_rate(2, spacers) for spacers in range(4)]
    assert stacks == sorted(stacks, reverse=True)
