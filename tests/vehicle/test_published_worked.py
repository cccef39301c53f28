"""Published numbers for bolts, materials, bars and the sizing of springs and bars, figure by figure."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from vehicle.bar_helpers import BOLT, SPACER, bladed, formed

from analyzer.sheets.bar import MATERIALS, BladedBar
from analyzer.sheets.car import CarSheet
from analyzer.vehicle.axle import (
    bar_roll_stiffness,
    car_roll,
    mass_properties,
    spring_roll_stiffness,
    tyre_roll_compliance,
)
from analyzer.vehicle.bar.beam import solve
from analyzer.vehicle.bar.pieces import blade_state, bladed_model, formed_model
from analyzer.vehicle.bar.section import thread_diameter
from analyzer.vehicle.bar.stress import stress_points

INCH = 0.0254
POUND = 4.4482216152605
LB_FT_PER_DEG = POUND * 12.0 * INCH * 180.0 / math.pi
"""N m/rad in one lb ft/deg."""


@pytest.mark.parametrize(("pitch", "printed"), [(1.75, 84.3), (1.25, 92.1)])
def test_stress_area_of_a_twelve_millimetre_thread(pitch: float, printed: float) -> None:
    """ISO 898-1 table: 84.3 mm2 (coarse), 92.1 mm2 (fine)."""
    area = math.pi / 4.0 * float(thread_diameter(np.asarray(12.0), np.asarray(pitch))) ** 2
    assert area == pytest.approx(printed, abs=0.05)


@pytest.mark.parametrize(
    ("grade", "tensile", "proof"),
    [("bolt 8.8", 67400.0, 48900.0), ("bolt 10.9", 87700.0, 70000.0), ("bolt 12.9", 103000.0, 81800.0)],
)
def test_loads_of_a_twelve_millimetre_bolt(grade: str, tensile: float, proof: float) -> None:
    """ISO 898-1: least tensile loads of M12 to three digits; the proof load lies below the yield load."""
    area = math.pi / 4.0 * float(thread_diameter(np.asarray(0.012), np.asarray(0.00175))) ** 2
    material = MATERIALS[grade]
    assert material.tensile_strength * area == pytest.approx(tensile, rel=2e-3)
    assert proof < material.yield_strength * area < 1.2 * proof


def test_bolt_that_bends_in_its_thread() -> None:
    """32 F e / (pi d^3) and e^3 / (3 E I) with the stress area's diameter instead of the shank's."""
    thread, e = BOLT - 0.9382 * 0.0015, 2.0 * SPACER
    found = {}
    for key, pitch in (("shank", None), ("thread", "1.5 mm")):
        bar = bladed(bolt={"pitch": pitch})
        state = blade_state(bar, 1, 2)
        model = bladed_model(bar, state, state)
        solution = solve(model)
        stress = next(float(p.per_force) for p in stress_points(bar, model, solution) if p.place == "bolt")
        found[key] = (stress, float(solution.compliance["bolt bending"]))
    assert found["thread"][0] == pytest.approx(e * 32.0 / (math.pi * thread**3), rel=1e-9)
    assert found["shank"][0] == pytest.approx(e * 32.0 / (math.pi * BOLT**3), rel=1e-9)
    assert found["thread"][1] / found["shank"][1] == pytest.approx((BOLT / thread) ** 4, rel=1e-9)


def test_shear_modulus_printed_wrong_is_not_taken_over() -> None:
    """One materials page prints G = 50 GPa for 4130; of steels G / E lies between 0.37 and 0.40."""
    steels = [m for name, m in MATERIALS.items() if not name.endswith("T6")]
    assert len(steels) >= 8
    for material in steels:
        assert 0.37 <= material.shear_modulus / material.elastic_modulus <= 0.40
    assert MATERIALS["4130"].shear_modulus == pytest.approx(75.8e9)


ROUNDED = 24.0 * 180.0 / math.pi / 1375.0
"""The sizing example rounds 24 x 180 / pi = 1375.099 to 1375."""

SPLAYED = (
    # arm, lever, corner to mount, mount to middle: all m
    (0.2667, 0.2286, 0.08, 0.25),
    (0.25, 0.25, 0.05, 0.40),
    (0.31, 0.18, 0.12, 0.30),
)


@pytest.mark.parametrize(("arm", "lever", "corner", "middle"), SPLAYED)
def test_stabilizer_formula_of_the_spring_manual(
    arm: float, lever: float, corner: float, middle: float
) -> None:
    """SAE HS-795, stabilizer bars: f_A = P / (3 E I) [l1^3 - a^3 + (L/2) (a+b)^2 + 4 l2^2 (b+c)].

    Formula from memory; a, b, c lie across the car: arm's end to corner, corner to mount, mount to middle;
    its factor 4 = 3 (1 + nu) holds for nu = 1/3, G = 3 E / 8. One end of two that move against each other.
    """
    splay = math.sqrt(arm**2 - lever**2)
    half = middle + corner
    corners = [(lever, half + splay), (0.0, half), (0.0, -half), (lever, -half - splay)]
    diameter, elastic = 0.024, 206e9
    bar = formed(
        outside_diameter=f"{diameter} m",
        elastic_modulus=f"{elastic} Pa",
        shear_modulus=f"{0.375 * elastic} Pa",
        points=[{"x": f"{x} m", "y": f"{y} m", "z": "0 m"} for x, y in corners],
        mounts={"left": f"{middle} m", "right": f"{-middle} m"},
    )
    inertia = math.pi / 64.0 * diameter**4
    bracket = arm**3 - splay**3 + (half + splay) * (splay + corner) ** 2 + 4.0 * lever**2 * half
    wanted = 3.0 * elastic * inertia / bracket
    assert float(solve(formed_model(bar), slender=True).rate) == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize(
    ("moduli", "rates"),
    [((30.0, 11.5), (274.62, 197.81, 272.23)), ((29.0, 11.2), (267.21, 192.39, 264.86))],
)
def test_classic_bars_with_other_moduli(
    moduli: tuple[float, float], rates: tuple[float, float, float]
) -> None:
    """F / (A^2 B / G J + 2 C^3 / 3 E I), one end held, in lb/in; the arm counts with its whole length C."""
    cases = ((1.0, 10.0, 36.0, 10.0), (0.875, 9.0, 34.0, 10.5), (1.125, 12.0, 40.0, 12.0))
    psi = POUND / INCH**2
    for (diameter, lever, width, arm), printed in zip(cases, rates, strict=True):
        # Blades that bend like the round arm: a square with E I of the round, as long as the arm.
        inertia = math.pi / 64.0 * (diameter * INCH) ** 4
        side = (12.0 * inertia) ** 0.25
        own = {
            "elastic_modulus": f"{moduli[0] * 1e6 * psi} Pa",
            "shear_modulus": f"{moduli[1] * 1e6 * psi} Pa",
        }
        # An arm longer than its lever softens by (C / A)^3: taken into the blade's modulus.
        arm_modulus = moduli[0] * 1e6 * psi * (lever / arm) ** 3
        bar = bladed(
            tube={"outside_diameter": f"{diameter} in", "wall": None, "length": f"{width} in", **own},
            mounts={"spacing": f"{width} in", "rate": None},
            blade={
                "depth": f"{side} m",
                "thickness": f"{side} m",
                **own,
                "elastic_modulus": f"{arm_modulus} Pa",
            },
            holes=[f"{lever} in"],
            spacer=None,
            bolt=None,
        )
        found = _rate(bar) / 2.0 / (POUND / INCH)
        assert found == pytest.approx(printed, abs=0.01)


@pytest.mark.parametrize(
    ("bore", "width", "lever", "offset", "rate"),
    [
        (0.01905, 0.9144, 0.254, 0.0, 65.9962),
        (0.024, 0.900, 0.250, 0.0, 116.3318),
        (0.024, 0.900, 0.250, 0.010, 116.1997),
        (0.024, 0.900, 0.250, 0.020, 115.8050),
        (0.024, 0.900, 0.250, 0.030, 115.1532),
    ],
)
def test_hollow_bar_with_round_arms_and_offset_links(
    bore: float, width: float, lever: float, offset: float, rate: float
) -> None:
    """Computed beforehand with a frame model; E 207, G 79.62 GPa, arms of the bar's own section, N/mm.

    The first bar is of whole inches: common practice, no source.
    """
    outer = 0.0254 if bore < 0.02 else 0.030
    elastic, shear = 207e9, 207e9 / 2.6
    inertia = math.pi / 64.0 * (outer**4 - bore**4)
    side = 0.02
    square = side**4 / 12.0
    twist = 0.140577 * side**4  # torsion constant of a square
    arm = {
        "elastic_modulus": f"{elastic * inertia / square} Pa",
        "shear_modulus": f"{shear * 2.0 * inertia / twist} Pa",
    }
    bar = bladed(
        tube={
            "outside_diameter": f"{outer} m",
            "wall": f"{(outer - bore) / 2.0} m",
            "length": f"{width} m",
            "elastic_modulus": f"{elastic} Pa",
            "shear_modulus": f"{shear} Pa",
        },
        mounts={"spacing": f"{width} m", "rate": None},
        blade={"depth": f"{side} m", "thickness": f"{side} m", **arm},
        holes=[f"{lever} m"],
        base_offset=f"{offset} m",
        spacer=None,
        bolt=None,
    )
    assert _rate(bar) / 1000.0 == pytest.approx(rate, rel=1e-5)


def _rate(bar: BladedBar) -> float:
    state = blade_state(bar, 1, 0)
    return float(solve(bladed_model(bar, state, state), slender=True).rate)


def sized_car(
    springs: tuple[float, float] = (374.673, 203.167), tyres: str | None = "2000 lbf/in"
) -> CarSheet:
    """A published sizing example in pounds and inches (Formula Student China 2014 code, `EXP.m`).

    Sprung 979.5 / 1163 lb, unsprung 170 / 250 lb, CG 15 in, roll centres 3.1 / 6.8 in, tracks 65.58 and
    64.5 in, tyres 2000 lb/in, rear springs of a solid axle 47.1 in apart; `springs` [lb/in] as it finds them.
    """
    weights = {"front": (979.5, 170.0), "rear": (1163.0, 250.0)}
    corner = {a: f"{sum(w) / 2.0} lbf" for a, w in weights.items()}
    axles: dict[str, dict[str, Any]] = {}
    for axle, track, centre, radius, spring, ratio, base in (
        ("front", 65.58, 3.1, 11.25, springs[0], 0.728, 65.58),
        ("rear", 64.5, 6.8, 12.75, springs[1], 0.9615, 47.1),
    ):
        axles[axle] = {
            "suspension": "solid axle",  # both: the example leaves all of the unsprung weight to the tyres
            "track_width": f"{track} in",
            "spring_base": f"{base} in",
            "roll_centre_height": f"{centre} in",
            "wheel_radius": f"{radius} in",
            "tyre_rate": tyres,
            "spring": {"rate": f"{spring} lbf/in", "motion_ratio": ratio},
        }
    return CarSheet.model_validate(
        {
            "name": "sized",
            "mass": {
                "corner_loads": {
                    "FL": corner["front"],
                    "FR": corner["front"],
                    "RL": corner["rear"],
                    "RR": corner["rear"],
                },
                "unsprung": {a: f"{w[1]} lb" for a, w in weights.items()},
                "cg_height": "15 in",
                "wheelbase": "100 in",
            },
            **axles,
        }
    )


def test_sizing_of_springs_and_bars() -> None:
    """Ride frequency 1.9 / 1.7 Hz, target 1.6 deg/g: every printed step from ride rate to the bars needed."""
    sheet = sized_car()
    masses = mass_properties(sheet)
    wheel_rates = {"front": 198.570, "rear": 187.825}
    ride_rates = {"front": 180.636, "rear": 171.700}
    for axle, frequency, sprung in (("front", 1.9, 979.5), ("rear", 1.7, 1163.0)):
        ride = 4.0 * math.pi**2 * frequency**2 * sprung / 2.0 / 386.4
        assert ride == pytest.approx(ride_rates[axle], abs=1e-3)
        at_wheel = sheet.axle(axle).spring  # type: ignore[arg-type]
        wheel = at_wheel.rate.value * at_wheel.motion_ratio.value**2 / (POUND / INCH)  # type: ignore[union-attr]
        assert wheel == pytest.approx(wheel_rates[axle], abs=2e-3)
        assert wheel * 2000.0 / (wheel + 2000.0) == pytest.approx(ride, abs=2e-3)
    assert masses.sprung_cg_height / INCH == pytest.approx(15.560, abs=1e-3)
    moment = float(masses.front.elastic_moment + masses.rear.elastic_moment) * 9.80665 / (POUND * 12.0 * INCH)
    assert moment == pytest.approx(1866.05, abs=0.05)
    assert moment / 1.6 == pytest.approx(1166.28, abs=0.05)
    springs = {}
    for axle, printed in (("front", 564.995), ("rear", 288.583)):
        part = sheet.axle(axle)  # type: ignore[arg-type]
        series = 1.0 / (
            1.0 / float(spring_roll_stiffness(part, masses.axle(axle).sprung))
            + float(tyre_roll_compliance(part))
        )
        springs[axle] = series / LB_FT_PER_DEG * ROUNDED
        assert springs[axle] == pytest.approx(printed, abs=2e-3)
    bars = moment / 1.6 - sum(springs.values())
    assert bars == pytest.approx(312.706, abs=0.05)


def test_load_transfer_of_the_sized_car() -> None:
    """Front 294.605 and rear 124.36 + 122.61 + 49.42 lb per g; together 590.98, the whole car's W h / t."""
    # The example lets the tyres act on the springs only, so each axle's stiffness is put in as its springs.
    front_spring, rear_spring = (
        2.0 * total * LB_FT_PER_DEG / (ratio * base * INCH) ** 2 / (POUND / INCH)
        for total, ratio, base in ((564.995 + 183.507, 0.728, 65.58), (288.583 + 129.200, 0.9615, 47.1))
    )
    stiff = sized_car((front_spring, rear_spring), tyres=None)
    roll = car_roll(stiff, {"front": 0.0, "rear": 0.0})
    pounds = 9.80665 / POUND
    level = float(roll.level)
    front, rear = roll.axles["front"], roll.axles["rear"]
    # The example has no gravity term: elastic parts per force in body axes, the others per level-road g.
    assert float(rear.elastic) * pounds == pytest.approx(124.36, abs=0.01)
    assert float(rear.geometric) * level * pounds == pytest.approx(122.61, abs=0.01)
    assert float(rear.unsprung) * level * pounds == pytest.approx(49.42, abs=0.01)
    whole_front = (float(front.elastic) + (float(front.geometric) + float(front.unsprung)) * level) * pounds
    assert whole_front == pytest.approx(294.605, abs=0.02)
    # With gravity, as a car has it, the elastic part is larger by 1 / (1 - g roll): 2.9 % here.
    assert level == pytest.approx(1.0 / (1.0 - math.radians(1.6)), rel=1e-3)


def test_bar_stiffness_needs_the_square_of_the_motion_ratio() -> None:
    """Wheel-pair bar: K = k MR^2 t^2 / 2 with both ends moving, k_held MR^2 t^2 with one end held."""
    sheet = sized_car().model_copy(update={"front": sized_car().front.model_copy(update={"bar": bladed()})})
    stiffness = float(bar_roll_stiffness(sheet.front, 50e3))
    assert stiffness == pytest.approx(50e3 * 0.58**2 * (65.58 * INCH) ** 2 / 2.0, rel=1e-12)
    assert stiffness == pytest.approx(25e3 * 0.58**2 * (65.58 * INCH) ** 2, rel=1e-12)
