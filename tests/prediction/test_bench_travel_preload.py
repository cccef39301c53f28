"""Bench test, travel on banks, preload, inside load and replacement spring."""

from __future__ import annotations

import math

import numpy as np
import pytest
from vehicle.bar_helpers import bladed, car

from analyzer.core.units import STANDARD_GRAVITY
from analyzer.prediction.propagation import propagate
from analyzer.prediction.setup import (
    banked_travel,
    bar_preload,
    body_forces,
    predict_change,
    predict_setup,
    wheel_range,
)
from analyzer.sheets.bar import BenchTest
from analyzer.sheets.car import TravelTable
from analyzer.sheets.session import BarSetting, Setup
from analyzer.vehicle.axle import car_roll, mass_properties, static_motion_ratio
from analyzer.vehicle.bar.rate import bar_rates, bench_result

A = Setup(front_bar=BarSetting(hole=1))
READINGS = {
    "loads": ["0 N", "100 N", "200 N", "300 N", "400 N"],
    "deflections": ["0.1 mm", "2.0 mm", "3.7 mm", "5.6 mm", "7.5 mm"],
}


def test_bench_line_against_a_statistics_library() -> None:
    statsmodels = pytest.importorskip("statsmodels.api")
    load = np.arange(5) * 100.0
    deflection = np.array([0.1, 2.0, 3.7, 5.6, 7.5]) * 1e-3
    fit = statsmodels.OLS(deflection, statsmodels.add_constant(load)).fit()
    # A micrometer, so that the scatter is all that the readings show.
    found = bench_result(BenchTest.model_validate({**READINGS, "resolution": "0.001 mm"}))
    assert found.held_rate == pytest.approx(1.0 / fit.params[1], rel=1e-9)
    assert found.held_rate_std == pytest.approx(fit.bse[1] / fit.params[1] ** 2, rel=1e-9)
    rate = found.rate
    assert rate.value == pytest.approx(2.0 / fit.params[1])
    low, high = fit.conf_int()[1]
    assert rate.interval == pytest.approx((2.0 / high, 2.0 / low), rel=2e-3)


def test_bench_rate_can_replace_the_computed_one() -> None:
    plain = car()
    used = car({"front": {"bar": {"bench": {**READINGS, "use": True}}}})
    unused = car({"front": {"bar": {"bench": READINGS}}})
    measured = bench_result(BenchTest.model_validate(READINGS)).rate
    at_test = predict_setup(used, "A", A).bars["front"]
    assert at_test.rate.value == pytest.approx(measured.value, rel=1e-9)
    assert at_test.rate.std_error == pytest.approx(measured.std_error, rel=1e-3)
    assert sum(at_test.compliance.values()) == pytest.approx(1.0 / at_test.rate.value, rel=1e-9)
    computed = predict_setup(plain, "A", A).bars["front"].rate
    assert predict_setup(unused, "A", A).bars["front"].rate.value == pytest.approx(computed.value, rel=1e-12)
    assert at_test.rate.std_error < computed.std_error / 2.0
    # Another hole carries the same correction factor, and the sheet's tolerances nearly cancel.
    third = Setup(front_bar=BarSetting(hole=3))
    factor = measured.value / computed.value
    expected = predict_setup(plain, "B", third).bars["front"].rate.value * factor
    assert predict_setup(used, "B", third).bars["front"].rate.value == pytest.approx(expected, rel=1e-9)


def test_stated_bench_rate() -> None:
    sheet = car({"front": {"bar": {"bench": {"rate": "55 N/mm ± 1 N/mm", "use": True}}}})
    rate = predict_setup(sheet, "A", A).bars["front"].rate
    assert rate.value == pytest.approx(110e3)
    assert rate.std_error == pytest.approx(2e3, rel=1e-6)


def test_body_forces_on_banks() -> None:
    """Statics: at 1 g towards the middle, 5 deg: 0.909/1.083; 31 deg: 0.342/1.372; 60 deg: -0.366/1.366 g."""
    for degrees, lateral, vertical in (
        (5, 0.909, 1.083),
        (20, 0.598, 1.282),
        (31, 0.342, 1.372),
        (60, -0.366, 1.366),
    ):
        found = body_forces(math.radians(degrees), STANDARD_GRAVITY)
        assert found[0] / STANDARD_GRAVITY == pytest.approx(lateral, abs=6e-4)
        assert found[1] / STANDARD_GRAVITY == pytest.approx(vertical, abs=6e-4)


def test_travel_on_a_bank_by_hand() -> None:
    sheet, bank, centripetal = car(), math.radians(17.0), 11.0
    found = banked_travel(sheet, A, bank, centripetal)
    lateral, vertical = body_forces(bank, centripetal)
    rate = sheet.front.spring.rate.value * 0.94**2
    sprung = mass_properties(sheet).front.sprung
    heave = 0.94 * sprung * (vertical - STANDARD_GRAVITY) / 2.0 / rate * 1000.0
    roll = car_roll(sheet, bar_rates(sheet, A))
    body = lateral / (1.0 - vertical * float(roll.body))
    lean = 0.94 * float(roll.axles["front"].suspension) * body * 1.54 / 2.0 * 1000.0
    outer, inner = found["FR"], found["FL"]
    assert outer.heave.value == pytest.approx(heave, rel=1e-9)
    assert outer.roll.value == pytest.approx(lean, rel=1e-9)
    assert inner.roll.value == pytest.approx(-lean, rel=1e-9)
    assert outer.total.value == pytest.approx(heave + lean)
    assert outer.margin.value == pytest.approx(42.0 - heave - lean)
    assert outer.roll_part == pytest.approx(lean / (heave + lean))
    assert inner.roll_part is None or inner.total.value > 0.0
    assert found["RR"].margin.value is None
    assert "bump_stop_gap" in found["RR"].margin.notes[0]
    assert outer.margin.std_error > 0.0


def test_a_stiffer_bar_cures_roll_and_not_heave() -> None:
    soft, hard = (banked_travel(car(), Setup(front_bar=BarSetting(hole=h)), 0.3, 11.0)["FR"] for h in (1, 3))
    assert hard.heave.value == pytest.approx(soft.heave.value, rel=1e-12)
    assert hard.roll.value < soft.roll.value


def test_neutral_speed_uses_no_roll() -> None:
    bank = math.radians(20.0)
    found = banked_travel(car(), A, bank, STANDARD_GRAVITY * math.tan(bank))
    for corner in found.values():
        assert corner.roll.value == pytest.approx(0.0, abs=1e-9)
        assert corner.heave.value > 0.0


def test_wheel_range_and_what_is_assumed() -> None:
    sheet = car({"front": {"damper": {"full_droop": "40 mm"}}})
    full = wheel_range(sheet.front, "front")
    assert (full.bump, full.droop) == pytest.approx((0.061 / 0.94, 0.040 / 0.94))
    assert not full.assumed
    bare = wheel_range(sheet.rear, "rear")
    assert bare.bump == bare.droop == 0.05
    assert len(bare.assumed) == 2


def test_preload_against_a_balance_of_springs() -> None:
    """Body roll and both axles' tyre roll solved as linear equations."""
    sheet = car({"front": {"bar": {"link": {"left_longer": "4 mm"}}}})
    found = bar_preload(sheet, A, "front")
    assert found is not None
    rate = bar_rates(sheet, A)["front"]
    assert found.link_force.value == pytest.approx(rate * 0.002)
    roll = car_roll(sheet, bar_rates(sheet, A))
    k = {a: float(roll.axles[a].stiffness) for a in ("front", "rear")}
    tyre = {"front": 230e3 * 1.54**2 / 2.0, "rear": 230e3 * 1.52**2 / 2.0}
    twist = rate * 0.002 * 0.58 * 1.54
    # Unknown: body, front axle, rear axle (roll angles); the preload turns front axle and body apart.
    matrix = np.array(
        [
            [k["front"] + k["rear"], -k["front"], -k["rear"]],
            [-k["front"], k["front"] + tyre["front"], 0.0],
            [-k["rear"], 0.0, k["rear"] + tyre["rear"]],
        ]
    )
    _, front, rear = np.linalg.solve(matrix, np.array([-twist, twist, 0.0]))
    assert found.corner_change["front"].value == pytest.approx(front * tyre["front"] / 1.54, rel=1e-9)
    assert found.corner_change["rear"].value == pytest.approx(rear * tyre["rear"] / 1.52, rel=1e-9)
    assert found.corner_change["front"].value > 0.0 > found.corner_change["rear"].value


def test_no_preload_without_unequal_links() -> None:
    assert bar_preload(car(), A, "front") is None
    assert bar_preload(car(), A, "rear") is None
    longer = car({"front": {"bar": {"link": {"left_longer": "4 mm"}}}})
    assert bar_preload(longer, Setup(front_bar="off"), "front") is None


def test_soft_shell_takes_preload_off_the_corners() -> None:
    changes = {"front": {"bar": {"link": {"left_longer": "4 mm"}}}}
    rigid = bar_preload(car(changes), A, "front")
    soft = bar_preload(car({**changes, "chassis_stiffness": "3000 N m/deg"}), A, "front")
    assert rigid is not None
    assert soft is not None
    assert soft.corner_change["front"].value < rigid.corner_change["front"].value


def test_inside_load_lift_off_and_replacement_spring() -> None:
    found = predict_setup(car(), "A", A)
    transfer = found.load_transfer["front"].total.value
    lighter = 329.0 * STANDARD_GRAVITY
    assert found.further["inside_load_front"].value == pytest.approx(lighter - transfer)
    assert found.further["lift_off_front"].value == pytest.approx(lighter / transfer)
    spring = found.further["replacement_spring_front"].value
    bare = car({"front": {"spring": {"rate": f"{spring} N/mm"}}}, bar=False)
    without = predict_setup(bare, "none", Setup())
    assert without.roll_stiffness["front"].value == pytest.approx(
        found.roll_stiffness["front"].value, rel=1e-9
    )
    assert found.further["replacement_spring_rear"].value == pytest.approx(
        1e-3 * car().rear.spring.rate.value, rel=1e-9
    )


def test_common_practice_eight_with_a_bar_is_about_ten_without() -> None:
    """Common practice, no source: 8 kgf/mm with a soft front bar rolls like about 10 without."""
    bar = {"tube": {"outside_diameter": "25.4 mm", "wall": "2.1 mm"}, "motion_ratio": 0.5}
    soft = car({"front": {"spring": {"rate": "8 kgf/mm"}, "bar": bar}})
    spring = predict_setup(soft, "A", A).further["replacement_spring_front"].value / STANDARD_GRAVITY
    assert 9.0 < spring < 11.5


def test_motion_ratio_table_slope_at_static() -> None:
    """A table of damper = 0.9 w + 1.2 w^2 - 8 w^3 has slope 0.9 at static, whatever rows it has."""
    wheel = [-0.06, -0.035, -0.01, 0.012, 0.03, 0.055]
    damper = [0.9 * w + 1.2 * w**2 - 8.0 * w**3 for w in wheel]
    table = {"wheel": [f"{w} m" for w in wheel], "damper": [f"{d} m" for d in damper]}
    assert float(static_motion_ratio(TravelTable.model_validate(table))) == pytest.approx(0.9, rel=1e-9)
    two = {"wheel": ["-20 mm", "20 mm"], "damper": ["-17 mm", "19 mm"]}
    assert float(static_motion_ratio(TravelTable.model_validate(two))) == pytest.approx(0.9)
    sheet = car({"front": {"spring": {"motion_ratio": table}}})
    found = propagate(sheet, lambda s: {"ratio": static_motion_ratio(s.front.spring.motion_ratio)})
    assert found.values["ratio"] == pytest.approx(0.9, rel=1e-9)
    assert 0.005 < found.std("ratio") < 0.05


def test_solid_axle_springs_act_at_their_base() -> None:
    changes = {"rear": {"suspension": "solid axle", "spring_base": "1.0 m", "camber_gain": None}}
    solid, independent = (predict_setup(sheet, "A", A) for sheet in (car(changes), car()))
    ratio = solid.roll_stiffness["rear"].value / independent.roll_stiffness["rear"].value
    assert ratio == pytest.approx((1.0 / 1.52) ** 2, rel=1e-9)
    assert solid.load_transfer["rear"].unsprung.value > independent.load_transfer["rear"].unsprung.value
    silent = predict_setup(car({"rear": {"suspension": "solid axle", "camber_gain": None}}), "A", A)
    assert any("spring_base" in line for line in silent.assumed)


def test_unknown_camber_gain_is_told_and_widens_the_error() -> None:
    known, unknown = car(), car({"rear": {"camber_gain": None}, "front": {"camber_gain": None}})
    one, other = predict_setup(known, "A", A), predict_setup(unknown, "A", A)
    assert any("front.camber_gain: not stated" in line for line in other.assumed)
    assert other.roll_gradient["total"].std_error > one.roll_gradient["total"].std_error
    same = predict_change(unknown, "A", A, "B", Setup(front_bar=BarSetting(hole=3))).stiffness_ratio["front"]
    assert same.std_error == pytest.approx(
        predict_change(known, "A", A, "B", Setup(front_bar=BarSetting(hole=3)))
        .stiffness_ratio["front"]
        .std_error
    )


def test_bench_needs_sense() -> None:
    with pytest.raises(ValueError, match=r"either bench\.rate or loads"):
        bladed(bench={**READINGS, "rate": "50 N/mm"})
