"""Linear propagation of sheet tolerances."""

from __future__ import annotations

import numpy as np
import pytest
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
