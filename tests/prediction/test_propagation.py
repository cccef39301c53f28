"""Linear propagation of sheet tolerances."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.stats import truncnorm
from vehicle.bar_helpers import car

from analyzer.prediction.propagation import (
    propagate,
    replace_values,
    sheet_inputs,
    sheet_quantities,
)
from analyzer.prediction.setup import setup_values
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import BarSetting, Setup
from analyzer.vehicle.axle import mass_properties
from analyzer.vehicle.bar.rate import bar_rates
from analyzer.vehicle.completion import complete_car, default_tolerance


def test_product_and_quotient_of_two_quantities() -> None:
    """JCGM 100:2008, 5.1.6: relative variances of a product or quotient add."""
    sheet = car({"mass": {"wheelbase": "2.5 m ± 0.05 m", "cg_height": "0.5 m ± 1 %"}})

    def both(s: CarSheet) -> dict[str, float]:
        a, b = s.mass.wheelbase.value, s.mass.cg_height.value
        return {"product": a * b, "quotient": a / b, "none": 3.0}

    found = propagate(sheet, both)
    wanted = np.hypot(0.02, 0.01)
    assert found.std("product") / found.values["product"] == pytest.approx(wanted, rel=1e-6)
    assert found.std("quotient") / found.values["quotient"] == pytest.approx(wanted, rel=1e-3)
    assert found.std("none") == 0.0
    # Correlation of product and quotient: (u_a^2 - u_b^2) / (u_a^2 + u_b^2) in relative terms.
    correlation = found.covariance[0, 1] / found.std("product") / found.std("quotient")
    assert correlation == pytest.approx((4.0 - 1.0) / 5.0, rel=1e-3)
    assert found.largest("product")[0] == ("mass.wheelbase", pytest.approx(0.8, rel=1e-6))


def test_exact_quantities_have_no_error_and_unstated_ones_are_told() -> None:
    sheet = car({"mass": {"wheelbase": "2.5 m ± 0 m"}})
    exact = propagate(sheet, lambda s: {"a": s.mass.wheelbase.value})
    assert exact.std("a") == 0.0
    assert not any("wheelbase" in line for line in exact.assumed)
    taken = propagate(car(), lambda s: {"a": s.mass.wheelbase.value})
    assert taken.std("a") == pytest.approx(0.005)
    assert any(line.startswith("mass.wheelbase: tolerance not stated, 5 mm") for line in taken.assumed)


def test_logger_quantities_do_not_move() -> None:
    sheet = car({"logger": {"imu": {"position": {"x": "0.1 m ± 0.05 m", "y": "0 m", "z": "0 m"}}}})
    assert not any(item.key.startswith("logger") for item in sheet_inputs(sheet))


def test_every_default_tolerance_names_its_reason() -> None:
    for key in ("front.bar.tube.wall", "front.tyre_rate", "rear.spring.motion_ratio", "mass.cg_height"):
        found = default_tolerance(key)
        assert found is not None
        assert found.reason
    assert default_tolerance("front.damper.rates.bump") is None


def test_whatever_a_prediction_uses_has_a_tolerance() -> None:
    """A sheet that leaves every ± open, the shelf too, with what counts as exact and why."""
    tube = {"outside_diameter": "30 mm", "wall": "2 mm", "length": "0.9 m", "shear_modulus": "76 GPa"}
    blade = {"depth": "38 mm", "thickness": "6 mm", "length": "280 mm", "tip_depth": "30 mm", "root": "20 mm"}
    link = {"length": "140 mm", "angle": "5 deg", "lean": "2 deg", "left_longer": "2 mm", "rate": "40 kN/mm"}
    end = {"length": "60 mm", "outside_diameter": "28 mm", "wall": "3 mm"}
    bent = [{"x": "0.2 m", "y": f"{y} m", "z": "0 m", "bend_radius": "40 mm"} for y in (0.4, 0.0, -0.4)]
    mounts = {"left": "0.2 m", "right": "-0.2 m", "rate": "20 kN/mm"}
    rear = {
        "kind": "formed",
        "motion_ratio": 0.6,
        "outside_diameter": "22 mm",
        "wall": "3 mm",
        "points": bent,
    }
    front = {"tube": {"ends": end}, "blade": {**blade, "turn": "10 deg"}, "link": link, "base_offset": "2 mm"}
    shelf = {
        "springs": ["7 kgf/mm"],
        "tubes": [{**tube, "ends": end}],
        "blades": [{**blade, "turn": "5 deg"}],
    }
    sheet = car(
        {
            "front": {"bar": front, "damper": {"full_droop": "60 mm"}},
            "rear": {"bar": {**rear, "mounts": mounts}, "suspension": "solid axle", "spring_base": "1.2 m"},
            "chassis_stiffness": "9000 N m/deg",
            "shelf": {"front": shelf},
        }
    )
    complete, _ = complete_car(sheet)
    silent = {k for k, q in sheet_quantities(complete) if q.std is None and default_tolerance(k) is None}
    # Motion alone is worked out from the link's length, which adds nothing to a rate.
    assert silent - {k for k in silent if k.startswith("logger.")} == {"front.bar.link.length"}


def test_mass_properties_take_arrays() -> None:
    found = propagate(car(), lambda s: {"M": mass_properties(s).elastic_moment})
    # dM/dh_cg is the whole mass: raising the CG raises the sprung CG by total / sprung.
    column = found.inputs.index("mass.cg_height")
    assert found.contribution[0, column] == pytest.approx(1230.0 * 0.02, rel=1e-9)


def test_linear_propagation_against_monte_carlo() -> None:
    """JCGM 101:2008: propagate distributions by drawing; here 20,000 normal draws of every quantity."""
    sheet, setup = car(), Setup(front_bar=BarSetting(hole=2, spacers=2))
    found = propagate(sheet, lambda s: setup_values(s, setup))
    rng = np.random.default_rng(20260)
    complete, _ = complete_car(sheet)
    drawn = {item.key: item.value + item.std * rng.standard_normal(20000) for item in sheet_inputs(complete)}
    sampled = setup_values(replace_values(complete, drawn), setup)
    for name in ("rate front", "stiffness front", "stiffness total", "gradient total", "body gradient rear"):
        # The middle 68 %: a mount rate drawn near zero would rule a standard deviation.
        low, middle, high = np.quantile(np.asarray(sampled[name]), [0.158655, 0.5, 0.841345])
        assert found.std(name) == pytest.approx((high - low) / 2.0, rel=0.03)
        assert found.values[name] == pytest.approx(middle, rel=0.005)


SHEETS: dict[str, dict[str, Any]] = {
    "mounts of 20 kN/mm": {},
    "soft mounts rule": {"mounts": {"rate": "3 kN/mm"}, "holes": ["150 mm", "135 mm", "120 mm"]},
    "mounts and links rule": {"mounts": {"rate": "4 kN/mm"}, "link": {"rate": "4 kN/mm"}},
    "a mount known to half": {"mounts": {"rate": "5 kN/mm ± 50 %"}},
    "blades flat, root not known": {"blade": {"root": None, "turn": "90 deg"}},
    "blades flat, welded to the side": {"blade": {"root": None, "turn": "90 deg", "seat": "face"}},
    "link aslant": {"link": {"angle": "20 deg ± 5 deg", "lean": "5 deg ± 5 deg"}},
}


@pytest.mark.parametrize("case", SHEETS)
def test_the_95_percent_interval_holds_95_percent(case: str) -> None:
    """JCGM 101:2008: draw every quantity (normal, no rate below zero) and count, on both sides.

    With slopes alone 90.5 % lay inside where mounts rule, and all that were missed on one side.
    """
    sheet, setup = car({"front": {"bar": SHEETS[case]}}), Setup(front_bar=BarSetting(hole=2, spacers=2))
    found = propagate(sheet, lambda s: setup_values(s, setup))
    rng = np.random.default_rng(95)
    complete, _ = complete_car(sheet)
    drawn = {}
    for item in sheet_inputs(complete):
        normal = truncnorm.rvs(-item.value / item.std, np.inf, size=4000, random_state=rng)
        free = rng.standard_normal(4000)
        drawn[item.key] = item.value + item.std * (normal if item.key.endswith("rate") else free)
    sampled = setup_values(replace_values(complete, drawn), setup)
    for name in ("rate front", "stiffness front", "gradient total", "front share"):
        low, high = found.estimate(name, "").interval or (0.0, 0.0)
        values = np.asarray(sampled[name])
        assert 0.92 < np.mean((values > low) & (values < high)) < 0.98
        assert max(np.mean(values <= low), np.mean(values >= high)) < 0.04


def drawn_bar(draw: np.random.Generator) -> dict[str, Any]:
    first, apart = draw.uniform(170.0, 280.0), draw.uniform(12.0, 30.0)
    blade = {"depth": f"{draw.uniform(28.0, 45.0)} mm", "thickness": f"{draw.uniform(5.0, 12.0)} mm"}
    if draw.random() < 0.5:
        blade |= {"length": f"{first + 20.0} mm", "tip_depth": f"{draw.uniform(14.0, 24.0)} mm"}
    return {
        "motion_ratio": draw.uniform(0.35, 0.8),
        "tube": {
            "outside_diameter": f"{draw.uniform(20.0, 38.0)} mm",
            "wall": None if draw.random() < 0.25 else f"{draw.uniform(1.6, 4.0)} mm",
        },
        "blade": blade,
        "holes": [f"{first - apart * number} mm" for number in range(3)],
    }


@pytest.mark.parametrize(("axis", "alike"), [(0.001, 0.0), (0.0, 0.01)], ids=["axis missed", "1 % alike"])
def test_a_predicted_change_holds_for_holes_that_are_off_together(axis: float, alike: float) -> None:
    """Lever arms without `±` on bars drawn at random: each hole off by its default, all of them by more."""
    setups = [BarSetting(hole=number, spacers=0) for number in (1, 2, 3)]
    held = []
    for seed in range(8):
        draw = np.random.default_rng([seed, 17])
        sheet = car({"front": {"bar": drawn_bar(draw)}})

        def ratios(s: CarSheet) -> dict[str, Any]:
            base, *others = (setup_values(s, Setup(front_bar=one))["stiffness front"] for one in setups)
            bare = setup_values(s, Setup(front_bar="off"))["stiffness front"]
            return {str(number): other / base for number, other in enumerate([*others, bare])}

        found, (complete, _) = propagate(sheet, ratios), complete_car(sheet)
        off = {i.key: i.value + i.std * draw.standard_normal(500) for i in sheet_inputs(complete)}
        together = draw.standard_normal(500)
        for key, value in sheet_quantities(complete):
            if "holes[" in key:
                off[key] = off[key] + (axis + alike * value.value) * together
        true = ratios(replace_values(complete, off))
        for name in found.names:
            low, high = found.estimate(name, "1").interval or (0.0, 0.0)
            held.append(np.mean((true[name] >= low) & (true[name] <= high)))
    assert np.mean(held) >= 0.92
    assert min(held) >= 0.88


def test_an_interval_follows_the_bend_of_its_result() -> None:
    """A compliance that is one part's alone: the rate's interval is that of the part, to the last digit."""
    sheet = car({"front": {"spring": {"rate": "50 N/mm ± 10 N/mm"}}})
    found = propagate(sheet, lambda s: {"soft": 1.0 / s.front.spring.rate.value})
    low, high = found.estimate("soft", "m/N").interval or (0.0, 0.0)
    ends = truncnorm.ppf([0.025, 0.975], -5.0, np.inf, 50e3, 10e3)
    assert (low, high) == pytest.approx(tuple(1.0 / ends[::-1]), rel=1e-9)
    turned = found.estimate("soft", "m/N", -2.0).interval or (0.0, 0.0)
    assert turned == pytest.approx((-2.0 * high, -2.0 * low), rel=1e-12)


def test_a_bar_at_the_edge_of_what_can_be_built_is_propagated_by_slopes() -> None:
    """Its bends just clear each other: at the ends of a tolerance they overlap, which refuses the sheet."""
    tight = {
        "kind": "formed",
        "motion_ratio": 0.6,
        "outside_diameter": "22 mm",
        "points": [
            {"x": "122 mm", "y": "480 mm", "z": "0 mm"},
            {"x": "0 mm", "y": "480 mm", "z": "0 mm", "bend_radius": "120 mm"},
            {"x": "0 mm", "y": "-480 mm", "z": "0 mm", "bend_radius": "120 mm"},
            {"x": "122 mm", "y": "-480 mm", "z": "0 mm"},
        ],
        "mounts": {"left": "330 mm", "right": "-330 mm"},
    }
    sheet = car({"front": {"bar": tight}}, bar=False)
    found = propagate(sheet, lambda s: {"rate": bar_rates(s, Setup())["front"]})
    estimate = found.estimate("rate", "N/m")
    low, high = estimate.interval or (0.0, 0.0)
    assert estimate.value is not None
    assert estimate.std_error is not None
    assert high - estimate.value == pytest.approx(1.959964 * estimate.std_error, rel=1e-6)
    assert estimate.value - low == pytest.approx(1.959964 * estimate.std_error, rel=1e-6)
