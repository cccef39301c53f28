"""The bladed bar against worked numbers, and the facts every builder knows."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
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
)

from analyzer.core.units import Uncertain
from analyzer.prediction.setup import predict_setup
from analyzer.sheets.bar import BladedBar
from analyzer.sheets.session import BarSetting, Setup, SideSetting
from analyzer.vehicle.axle import bar_roll_stiffness, car_roll
from analyzer.vehicle.bar.beam import BarSolution, solve
from analyzer.vehicle.bar.pieces import BladeState, blade_root, blade_state, blade_states, bladed_model
from analyzer.vehicle.bar.section import array
from analyzer.vehicle.bar.stress import safety_factor, stress_points

E205 = {"elastic_modulus": "205 GPa", "shear_modulus": "80 GPa"}


def rate_of(bar: BladedBar, hole: int = 1, spacers: int = 0, slender: bool = False) -> BarSolution:
    state = blade_state(bar, hole, spacers)
    return solve(bladed_model(bar, state, state), slender=slender)


def check_bar(offset: float, depth: float = 30.0, width: float = 6.0, turn: float = 0.0) -> BladedBar:
    """Bar 28.575/23.749, 900 long, blades 220: k = 1 / [A^2 B/2GJ + L^3/3EI + e^2 L/GK + e^2 B/6EI]."""
    return bladed(
        tube={"outside_diameter": "28.575 mm", "wall": "2.413 mm", "length": "900 mm", **E205},
        mounts={"spacing": "900 mm", "rate": None},
        blade={"depth": f"{depth} mm", "thickness": f"{width} mm", "turn": f"{turn} deg", **E205},
        holes=["220 mm"],
        base_offset=f"{offset} mm",
        spacer=None,
        bolt=None,
    )


@pytest.mark.parametrize(
    ("bar", "rate", "parts"),
    [
        (check_bar(0.0), 108256.7, (7.955, 1.283, 0.0, 0.0)),
        (check_bar(15.0), 104442.0, (7.955, 1.283, 0.328, 0.0096)),
        (check_bar(30.0), 94456.5, (7.955, 1.283, 1.311, 0.0385)),
        (check_bar(0.0, turn=90.0), 24989.1, (7.955, 32.06, 0.0, 0.0)),
        (check_bar(15.0, turn=90.0), 24780.2, (7.955, 32.06, 0.328, 0.0096)),
        (check_bar(15.0, depth=20.0), 77986.5, (7.955, 4.328, 0.530, 0.0096)),
    ],
)
def test_blades_and_offsets(bar: BladedBar, rate: float, parts: tuple[float, ...]) -> None:
    """Computed beforehand by closed form and by a frame model, which agree to 1e-4 (N/m; mm/kN)."""
    found = rate_of(bar, slender=True)
    assert float(found.rate) == pytest.approx(rate, rel=1e-5)
    names = ("tube torsion", "blade bending", "blade twist", "tube bending")
    for name, part in zip(names, parts, strict=True):
        assert float(found.compliance[name]) * 1e6 == pytest.approx(part, rel=1e-3, abs=5e-5)
    assert sum(float(c) for c in found.compliance.values()) == pytest.approx(
        1.0 / float(found.rate), rel=1e-12
    )


def test_twist_grows_with_the_square_of_the_offset() -> None:
    one, two = (float(rate_of(check_bar(e)).compliance["blade twist"]) for e in (15.0, 30.0))
    assert two / one == pytest.approx(4.0, rel=1e-9)


def test_closed_form_of_every_part() -> None:
    """Castigliano, term by term, for an outboard and an inboard link with overhang and soft mounts."""
    for e in (2.0 * SPACER, -2.0 * SPACER):
        side = "outboard" if e > 0 else "inboard"
        bar = bladed(spacer={"side": side}, link={"rate": "30 kN/mm"})
        found = rate_of(bar, hole=2, spacers=2, slender=True).compliance
        a, length, spacing, overhang = LEVERS[1], LENGTH, SPACING, (LENGTH - SPACING) / 2.0
        tube, ratio = TUBE_INERTIA, DEPTH / THICKNESS
        strong = THICKNESS * DEPTH**3 / 12.0
        k = 1.0 - 192.0 / (math.pi**5 * ratio) * sum(
            math.tanh(n * math.pi * ratio / 2.0) / n**5 for n in (1, 3, 5, 7, 9, 11)
        )
        twist = DEPTH * THICKNESS**3 / 3.0 * k
        bolt = math.pi / 64.0 * BOLT**4
        bent = ((overhang + e) ** 3 - e**3) / 3.0 + (overhang + e) ** 2 * spacing / 6.0
        wanted = {
            "tube torsion": a**2 * length / (2.0 * 75.8e9 * 2.0 * tube),
            "tube bending": bent / (200e9 * tube),
            "blade bending": a**3 / (3.0 * 206e9 * strong),
            "blade twist": e**2 * a / (79.5e9 * twist),
            "bolt bending": abs(e) ** 3 / (3.0 * 207e9 * bolt),
            "mounts": (1.0 + 2.0 * (overhang + e) / spacing) ** 2 / 20e6,
            "links": 1.0 / 30e6,
        }
        for name, value in wanted.items():
            assert float(found[name]) == pytest.approx(value, rel=1e-6), name


def test_inboard_spacers_take_moment_off_the_tube() -> None:
    """On a thick blade a spacer inboard is a trace stiffer than none (known from a frame model)."""
    thick = {"blade": {"thickness": "14 mm"}, "bolt": None}
    outboard, inboard = bladed(**thick), bladed(spacer={"side": "inboard"}, **thick)
    none, inwards = rate_of(outboard), rate_of(inboard, spacers=1)
    assert float(rate_of(outboard, spacers=1).rate) < float(none.rate)
    assert float(none.rate) < float(inwards.rate) < float(none.rate) * 1.005
    assert float(inwards.compliance["tube bending"]) < float(none.compliance["tube bending"])


def test_depth_taper_of_a_worked_cantilever() -> None:
    """0.5 N on a blade 0.5 wide, 0.2 deep at the root, 0.1 at the tip, 5 mm long: 0.511 mm (plain 0.3125)."""
    material = {"elastic_modulus": "200 GPa", "shear_modulus": "80 GPa"}
    parts = {}
    for tip in ("0.1 mm", "0.2 mm"):
        bar = bladed(
            tube={"outside_diameter": "2 mm", "wall": None, "length": "10 mm"},
            mounts={"spacing": "10 mm"},
            blade={"depth": "0.2 mm", "thickness": "0.5 mm", "tip_depth": tip, "length": "5 mm", **material},
            holes=["5 mm"],
            bolt=None,
        )
        parts[tip] = float(rate_of(bar).compliance["blade bending"]) * 0.5
    assert parts["0.1 mm"] * 1e3 == pytest.approx(0.51110, abs=2e-5)
    assert parts["0.2 mm"] * 1e3 == pytest.approx(0.3125, rel=1e-9)


@pytest.mark.parametrize(
    ("kind", "ratio", "factor"),
    [
        *[
            ("depth", r, f)
            for r, f in ((0.4, 1.89293), (0.5, 1.63553), (0.6, 1.44495), (0.7, 1.29722), (0.9, 1.08155))
        ],
        *[("thickness", r, f) for r, f in ((0.4, 1.20287), (0.5, 1.15888), (0.7, 1.08564), (0.9, 1.02605))],
    ],
)
def test_taper_factors(kind: str, ratio: float, factor: float) -> None:
    """Closed forms of linear tapers, tip / root section."""
    size = {"depth": DEPTH, "thickness": THICKNESS}[kind]
    plain = bladed()
    tapered = bladed(blade={"length": f"{LEVERS[0]} m", f"tip_{kind}": f"{size * ratio} m"})
    bent = [float(rate_of(bar).compliance["blade bending"]) for bar in (plain, tapered)]
    assert bent[1] / bent[0] == pytest.approx(factor, abs=1e-5)


def test_taper_to_a_fifth_still_integrates_well() -> None:
    m = 0.8
    factor = 3.0 / m**3 * (math.log(5.0) - 2.0 * m + (1.0 - 0.04) / 2.0)
    tip = {"length": f"{LEVERS[0]} m", "tip_depth": f"{0.2 * DEPTH} m"}
    plain, tapered = bladed(), bladed(blade=tip, bolt=None)
    bent = [float(rate_of(bar).compliance["blade bending"]) for bar in (plain, tapered)]
    assert bent[1] / bent[0] == pytest.approx(factor, rel=1e-5)


def test_published_wheel_rate_example() -> None:
    """An oval-racing magazine, 2010: (19 - 3) / 19 = 0.84211; 600 lb/in at the wheel, 846 at the bar."""
    ratio = (19.0 - 3.0) / 19.0
    assert 600.0 / ratio**2 == pytest.approx(846.09, abs=0.01)
    sheet = car({"front": {"bar": {"motion_ratio": ratio}}})
    both_wheels = float(bar_roll_stiffness(sheet.front, 846.09)) * 2.0 / 1.54**2
    assert both_wheels == pytest.approx(600.0, rel=1e-4)


def test_unequal_pair_lies_between_and_balances() -> None:
    bar = bladed()
    soft, hard = float(rate_of(bar, 1).rate), float(rate_of(bar, 3).rate)
    mixed = solve(bladed_model(bar, *blade_states(bar, BarSetting(hole=1, right=SideSetting(hole=3)))))
    assert soft < float(mixed.rate) < hard
    assert float(mixed.loads.ratio) == pytest.approx(LEVERS[0] / LEVERS[2])  # torque balance
    turned = solve(bladed_model(bar, *blade_states(bar, BarSetting(hole=3, right=SideSetting(hole=1)))))
    assert float(turned.rate) == pytest.approx(float(mixed.rate), rel=1e-12)


lengths = st.floats(0.12, 0.28)
walls = st.floats(1.5, 5.0)
diameters = st.floats(20.0, 40.0)


def simple(diameter: float, wall: float | None, lever: float = 0.2, **more: Any) -> float:
    bar = bladed(
        tube={"outside_diameter": f"{diameter} mm", "wall": None if wall is None else f"{wall} mm"},
        holes=[f"{lever} m"],
        **more,
    )
    return float(rate_of(bar, 1, more.get("count", 0)).rate)


@settings(max_examples=40, deadline=None)
@given(diameters, walls, walls, lengths)
def test_thicker_wall_never_softens(diameter: float, one: float, other: float, lever: float) -> None:
    thin, thick = sorted((one, other))
    assert simple(diameter, thin, lever) <= simple(diameter, thick, lever) * (1.0 + 1e-12)


@settings(max_examples=40, deadline=None)
@given(diameters, diameters, st.floats(1.5, 5.0), lengths)
def test_larger_diameter_never_softens(one: float, other: float, wall: float, lever: float) -> None:
    small, large = sorted((one, other))
    assert simple(small, wall, lever) <= simple(large, wall, lever) * (1.0 + 1e-12)


@settings(max_examples=40, deadline=None)
@given(lengths, lengths)
def test_shorter_lever_never_softens(one: float, other: float) -> None:
    short, long = sorted((one, other))
    assert simple(30.0, 3.0, long) <= simple(30.0, 3.0, short) * (1.0 + 1e-12)


@settings(max_examples=40, deadline=None)
@given(st.floats(4.0, 14.0), st.integers(0, 3), st.integers(1, 3))
def test_more_outboard_spacers_always_soften(thickness: float, spacers: int, hole: int) -> None:
    bar = bladed(blade={"thickness": f"{thickness} mm"})
    assert float(rate_of(bar, hole, spacers + 1).rate) < float(rate_of(bar, hole, spacers).rate)


@settings(max_examples=40, deadline=None)
@given(diameters, st.floats(1.5, 4.0))
def test_solid_against_tube_both_ways_round(diameter: float, wall: float) -> None:
    """Stiffer than the tube of equal diameter, softer than the tube of equal mass."""
    area = diameter**2 - (diameter - 2.0 * wall) ** 2
    tube, solid = simple(diameter, wall), simple(diameter, None)
    same_mass = simple(math.sqrt(area), None)
    assert same_mass < tube < solid


def test_spacers_cost_a_percent_on_a_thick_blade_and_more_on_a_thin_one() -> None:
    losses = []
    for thickness in (10.0, 5.0):
        bar = bladed(blade={"thickness": f"{thickness} mm"})
        losses.append(1.0 - float(rate_of(bar, 1, 2).rate) / float(rate_of(bar, 1, 1).rate))
    assert 0.005 < losses[0] < 0.02
    assert losses[1] > 2.0 * losses[0]


def test_ten_thousand_settings_at_once() -> None:
    rng = np.random.default_rng(1)
    state = BladeState(rng.uniform(0.18, 0.26, 10000), rng.uniform(-0.03, 0.03, 10000), array(0.0))
    bar = bladed(blade={"length": "0.28 m", "tip_depth": "25 mm"})
    rates = solve(bladed_model(bar, state, state)).rate
    assert rates.shape == (10000,)
    one = BladeState(array(state.lever[77]), array(state.offset[77]), array(0.0))
    assert rates[77] == pytest.approx(float(solve(bladed_model(bar, one, one)).rate), rel=1e-12)


def test_ten_thousand_whole_cars_at_once() -> None:
    """Rate, roll of the car and stress of 10,000 settings at once."""
    rng = np.random.default_rng(2)
    sheet, bar = car(), bladed()
    state = BladeState(rng.uniform(0.18, 0.26, 10000), rng.uniform(-0.03, 0.03, 10000), array(0.0))
    model = bladed_model(bar, state, state)
    solution = solve(model)
    roll = car_roll(sheet, {"front": solution.rate, "rear": 0.0})
    factor = safety_factor(stress_points(bar, model, solution), solution.rate * 0.03)
    assert roll.axles["front"].suspension.shape == factor.shape == (10000,)
    stiffest, softest = int(np.argmax(solution.rate)), int(np.argmin(solution.rate))
    assert roll.axles["front"].suspension[stiffest] < roll.axles["front"].suspension[softest]


@pytest.mark.parametrize(
    ("torsion", "lever", "rate"), [(13000.0 * 0.69, 0.33, 164.74e3), (4030.0, 0.30, 89.56e3)]
)
def test_torsion_spring_between_rigid_arms(torsion: float, lever: float, rate: float) -> None:
    """A public multibody model (projectchrono, ChAntirollBarRSD): k at the arm's end = 2 K / W^2."""
    section = torsion * LENGTH / 80e9
    diameter = (32.0 * section / math.pi) ** 0.25
    rigid = {"elastic_modulus": "1e9 GPa", "shear_modulus": "1e9 GPa"}
    twisting = {"elastic_modulus": "1e9 GPa", "shear_modulus": "80 GPa"}
    bar = bladed(
        tube={"outside_diameter": f"{diameter} m", "wall": None, **twisting},
        mounts={"rate": None},
        blade=rigid,
        holes=[f"{lever} m"],
        bolt=None,
    )
    assert float(rate_of(bar, slender=True).rate) == pytest.approx(rate, rel=1e-4)


def test_blades_begin_near_the_tubes_radius_where_the_sheet_is_silent() -> None:
    """A flat blade bends over its free length alone: (a - r)^3 / (3 E I), and so does an edgewise one.

    Of the same bar with blades from the tube's axis the rate is 13 % lower when they stand flat.
    """
    silent, axis = bladed(blade={"root": None, "turn": "90 deg"}), bladed(blade={"turn": "90 deg"})
    inertia = DEPTH * THICKNESS**3 / 12.0
    free, whole = LEVERS[0] - TUBE / 2.0, LEVERS[0]
    for bar, length in ((silent, free), (axis, whole)):
        found = rate_of(bar).compliance["blade bending"]
        assert found == pytest.approx(length**3 / (3.0 * 206e9 * inertia), rel=1e-9)
    assert float(rate_of(axis).rate) / float(rate_of(silent).rate) == pytest.approx(0.87, abs=0.01)
    # Stepped ends carry the blades where they are.
    ends = {"length": "60 mm", "outside_diameter": "40 mm"}
    assert blade_root(bladed(blade={"root": None}, tube={"ends": ends})).value == pytest.approx(0.020)
    assert blade_root(bladed(blade={"root": "30 mm"})) == Uncertain(0.030, None)


def test_a_root_nobody_measured_has_a_wide_error_and_is_told() -> None:
    silent, stated = (
        car({"front": {"bar": {"blade": {"root": root, "turn": "90 deg ± 0 deg"}}}})
        for root in (None, f"{TUBE / 2.0} m ± 0 mm")
    )
    setup = Setup(front_bar=BarSetting(hole=1))
    wide, narrow = (predict_setup(sheet, "A", setup) for sheet in (silent, stated))
    rates = [found.bars["front"].rate for found in (wide, narrow)]
    assert rates[0].value == pytest.approx(rates[1].value, rel=1e-12)
    # d ln C = 3 dr / (a - r) of the bending part; six tenths of the radius make 12 % of it.
    compliance = wide.bars["front"].compliance
    part = compliance["blade bending"] / sum(compliance.values())
    own = 3.0 * 0.6 * TUBE / 2.0 / (LEVERS[0] - TUBE / 2.0) * part
    extra = math.sqrt(rates[0].std_error ** 2 - rates[1].std_error ** 2) / rates[0].value
    assert extra == pytest.approx(own, rel=0.05)
    told = [line for line in wide.assumed if line.startswith("front.bar.blade.root: not stated")]
    taken = "15 ± 9 mm taken whichever way the blade sits, as seat is not stated"
    source = "(solid finite elements of joints, our own)"
    assert told == [f"front.bar.blade.root: not stated, {taken} {source}"]
    assert not [line for line in narrow.assumed if "blade.root: not stated" in line]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"tube": {"wall": "16 mm"}}, "wall is more than half of outside_diameter"),
        ({"mounts": {"spacing": "0.95 m"}}, "mounts.spacing is longer than tube.length"),
        ({"blade": {"length": "220 mm"}}, "beyond blade.length"),
        ({"holes": ["190 mm", "213 mm"]}, "outermost"),
        ({"holes": ["190 mm", "12 mm"]}, "inside the tube"),
        (
            {
                "holes": ["190 mm", "22 mm"],
                "tube": {"ends": {"length": "50 mm", "outside_diameter": "50 mm"}},
            },
            "inside the tube",
        ),
        ({"blade": {"tip_depth": "20 mm"}}, "tip_depth needs length"),
        ({"blade": {"tip_depth": "5 mm", "length": "0.26 m"}}, "fifth"),
        ({"tube": {"ends": {"length": "0.5 m", "outside_diameter": "25 mm"}}}, "ends.length"),
        ({"tube": {"material": "unobtainium"}}, "material"),
        ({"bolt": {"diameter": "40 mm"}}, "bolt.diameter"),
        ({"fitted": {"hole": 4}}, "fitted.hole"),
        ({"fitted": {"spacers": 9}}, "fitted.spacers"),
        ({"bench": {"loads": ["0 N", "100 N"], "deflections": ["0 mm", "1 mm"]}}, "three or more"),
        (
            {"bench": {"loads": ["0 N", "50 N", "100 N"], "deflections": ["0 mm", "-1 mm", "-2 mm"]}},
            "does not grow",
        ),
    ],
)
def test_bar_that_cannot_exist_is_refused_in_words(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError) as raised:
        bladed(**changes)
    assert any(words in finding["msg"] for finding in raised.value.errors())
