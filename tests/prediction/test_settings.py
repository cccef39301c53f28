"""The ladder of all settings, and its JSON form."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError
from vehicle.bar_helpers import BAR, LENGTH, LEVERS, TUBE, TUBE_INERTIA, WALL, bladed, car

from analyzer.core.errors import AnalyzerError, SheetError
from analyzer.prediction.propagation import replace_values, sheet_quantities
from analyzer.prediction.settings import (
    bar_ladder,
    fitted_setting,
    round_mass,
    solid_comparison,
    tried_setting,
    tube_choices,
    variants,
)
from analyzer.prediction.setup import check_bars, check_setup, predict_setup
from analyzer.report.plain_data import plain
from analyzer.report.settings_sheet import bar_json, ladder_text
from analyzer.sheets.session import BarSetting, Setup, SideSetting
from analyzer.vehicle.bar.rate import bar_solution

FORMED: dict[str, Any] = {
    "kind": "formed",
    "motion_ratio": 0.6,
    "outside_diameter": "22 mm",
    "points": [
        {"x": "0.25 m", "y": "0.48 m", "z": "0 m"},
        {"x": "0 m", "y": "0.42 m", "z": "0 m", "bend_radius": "40 mm"},
        {"x": "0 m", "y": "-0.42 m", "z": "0 m", "bend_radius": "40 mm"},
        {"x": "0.25 m", "y": "-0.48 m", "z": "0 m"},
    ],
    "mounts": {"left": "0.33 m", "right": "-0.33 m"},
}


def formed_car() -> Any:
    return car({"rear": {"bar": FORMED}}, bar=False)


def test_every_setting_softest_first() -> None:
    ladder = bar_ladder(car(), "front")
    assert ladder is not None
    rates = [row.rate.value for row in ladder.rows]
    assert rates == sorted(rates)
    assert {(row.hole, row.spacers) for row in ladder.rows} == {(h, n) for h in (1, 2, 3) for n in range(5)}
    assert (ladder.fitted.hole, ladder.fitted.spacers) == (1, 0)
    assert ladder.fitted.change.value == 0.0
    assert ladder.fitted.change.std_error == 0.0


def test_rows_agree_with_the_set_up_prediction() -> None:
    ladder = bar_ladder(car(), "front")
    assert ladder is not None
    for row in ladder.rows:
        found = predict_setup(car(), "x", Setup(front_bar=BarSetting(hole=row.hole, spacers=row.spacers)))
        assert row.rate.value == pytest.approx(found.bars["front"].rate.value, rel=1e-12)
        assert row.rate.std_error == pytest.approx(found.bars["front"].rate.std_error, rel=1e-9)
        assert row.roll_stiffness.value == pytest.approx(found.roll_stiffness["front"].value, rel=1e-12)
        assert row.roll_gradient.value == pytest.approx(found.roll_gradient["front"].value, rel=1e-12)
        assert sum(row.compliance.values()) == pytest.approx(1.0 / row.rate.value, rel=1e-12)
        assert row.stress_factor == pytest.approx(min(s.factor for s in row.stress if s.factor is not None))


def test_changes_are_counted_from_the_fitted_setting_and_are_surer() -> None:
    sheet = car({"front": {"bar": {"fitted": {"hole": 2, "spacers": 1}}}})
    ladder = bar_ladder(sheet, "front")
    assert ladder is not None
    assert (ladder.fitted.hole, ladder.fitted.spacers) == (2, 1)
    base = ladder.fitted.rate.value
    for row in ladder.rows:
        assert row.change.value == pytest.approx(100.0 * (row.rate.value / base - 1.0), abs=1e-9)
        assert row.change.std_error < 100.0 * row.rate.std_error / row.rate.value
    from_session = bar_ladder(car(), "front", BarSetting(hole=3, spacers=2))
    assert from_session is not None
    assert (from_session.fitted.hole, from_session.fitted.spacers) == (3, 2)


@pytest.mark.parametrize("kind", ["bladed", "formed"])
def test_a_bar_that_is_thought_about_is_a_row_of_its_ladder(kind: str) -> None:
    saved = formed_car() if kind == "formed" else car()
    axle, part = ("rear", "outside_diameter") if kind == "formed" else ("front", "tube.wall")
    at = fitted_setting(saved.axle(axle).bar)
    same = tried_setting(saved, saved, axle, at)
    ladder = bar_ladder(saved, axle, banks=[0.0])
    assert plain(same.row) == plain(ladder.fitted)
    assert (same.row.change.value, same.row.change.std_error) == (0.0, 0.0)
    level = ladder.use[0].use
    for mine, there in ((same.roll, level.roll), (same.margin, level.margin)):
        assert mine.std_error == (there.std_error and pytest.approx(there.std_error, rel=1e-9))
        assert mine.value == (there.value and pytest.approx(there.value, rel=1e-9))
    # Of the two cars only the front of one states a bump stop.
    assert (same.margin.value is None) == (kind == "formed")

    # Another size: all but the change is that of the other bar's ladder; what both share cancels in it.
    key = f"{axle}.bar.{part}"
    size = dict(sheet_quantities(saved))[key].value
    other = replace_values(saved, {key: 0.9 * size})
    found, there = tried_setting(saved, other, axle, at), bar_ladder(other, axle).fitted
    assert plain(replace(found.row, change=there.change)) == plain(there)
    assert found.row.change.value == pytest.approx(
        100.0 * (there.rate.value / ladder.fitted.rate.value - 1.0), rel=1e-9
    )
    alone = math.hypot(*(100.0 * row.rate.std_error / row.rate.value for row in (there, ladder.fitted)))
    assert 0.0 < found.row.change.std_error < 0.7 * alone


def test_unequal_setting_of_a_session_gets_its_own_row() -> None:
    mixed = BarSetting(hole=1, right=SideSetting(hole=2))
    ladder = bar_ladder(car(), "front", mixed)
    assert ladder is not None
    assert len(ladder.rows) == 16
    assert ladder.fitted.setting == "left hole 1, 0 spacers; right hole 2, 0 spacers"
    assert ladder.what_if[0].change.startswith("next thicker wall")


def test_unequal_sides_and_a_turn_in_the_car_sheet() -> None:
    fitted = {"hole": 1, "turn": "30 deg", "right": {"hole": 3, "spacers": 2, "turn": "30 deg"}}
    sheet = car({"front": {"bar": {"fitted": fitted}}})
    rows = bar_json(sheet, ("front",))["axles"]["front"]["settings"]
    assert len(rows) == 16
    row = next(item for item in rows if item["fitted"])
    assert (row["hole"], row["spacers"], row["right"]) == (1, 0, {"hole": 3, "spacers": 2})
    setting = BarSetting.model_validate(fitted)
    predicted = predict_setup(car(), "A", Setup(front_bar=setting)).bars["front"]
    assert row["rate"]["value"] == pytest.approx(predicted.rate.value, rel=1e-12)
    assert row["change"]["value"] == 0.0
    assert [item["right"] for item in rows if not item["fitted"]] == [None] * 15
    assert "1/3" in ladder_text(bar_json(sheet, ("front",)))
    with pytest.raises(ValidationError, match=r"fitted\.right\.hole is 4 but the bar has 3"):
        bladed(fitted={"hole": 1, "right": {"hole": 4}})


def test_stress_at_the_stated_force_follows_the_gradient() -> None:
    ladder = bar_ladder(car(), "front")
    assert ladder is not None
    row = ladder.fitted
    roll = np.radians(row.roll_gradient.value)
    force = row.rate.value * 0.58 * roll * 1.54 / 2.0
    lever = LEVERS[0]
    shear = np.sqrt(3.0) * force * lever * TUBE / 2.0 / (2.0 * TUBE_INERTIA)
    weld = next(s for s in row.stress if s.place == "tube at the blade")
    assert weld.stated_lateral == pytest.approx(shear, rel=1e-6)
    twist = row.motion.twist
    assert twist is not None
    assert weld.full_travel == pytest.approx(shear * row.rate.value * lever * twist / 2.0 / force, rel=1e-6)


def test_what_other_parts_would_do() -> None:
    ladder = bar_ladder(car({"front": {"bar": {"fitted": {"hole": 2, "spacers": 1}}}}), "front")
    assert ladder is not None
    change = {item.change: item.ratio.value for item in ladder.what_if}
    assert change["next hole outwards"] < 0.0 < change["next hole inwards"]
    assert change["one spacer more"] < 0.0 < change["one spacer less"]
    assert change["next thicker wall (2.77 mm)"] > 0.0 > change["next thinner wall (2.41 mm)"]
    assert change["thicker blade (8.0 mm)"] > 0.0 > change["thinner blade (6.0 mm)"]
    same, equal_diameter, equal_mass, equal_rate = ladder.comparison
    assert same.ratio.value == 0.0
    assert equal_diameter.ratio.value > 0.0 > equal_mass.ratio.value
    assert equal_mass.mass == pytest.approx(same.mass, rel=1e-9)
    assert equal_diameter.mass > same.mass
    assert equal_rate.ratio.value == pytest.approx(0.0, abs=1e-6)
    # The error of the tube's wall is not shared with a solid bar.
    assert equal_rate.ratio.std_error > 1.0
    assert same.mass < equal_rate.mass < equal_diameter.mass


@pytest.mark.parametrize("wall", [WALL, 4.0e-3, 8.0e-3])
def test_solid_of_equal_rate_by_hand(wall: float) -> None:
    """Torsion of the tube alone gives way: D^4 - d^4 of both is the same; and mass goes by the area."""
    stiff = {
        "depth": "400 mm",
        "thickness": "150 mm",
        "elastic_modulus": "2000 GPa",
        "shear_modulus": "900 GPa",
    }
    tube = {"outside_diameter": f"{TUBE} m", "wall": f"{wall} m"}
    bare = bladed(
        tube={**tube, "elastic_modulus": "2e5 GPa", "shear_modulus": "75.8 GPa"},
        mounts={"spacing": f"{LENGTH} m", "rate": None},
        blade={**stiff, "material": "house alloy", "joint": "machined"},
        bolt=None,
        spacer=None,
    )
    bore = TUBE - 2.0 * wall
    solid = solid_comparison(bare, BarSetting())[3]
    diameter = solid.apply(bare).tube.outside_diameter.value
    assert diameter == pytest.approx((TUBE**4 - bore**4) ** 0.25, rel=2e-3)
    assert solid.change == f"solid, equal rate ({1e3 * diameter:.2f} mm)"
    mass = 7850.0 * np.pi / 4.0 * diameter**2 * LENGTH
    assert round_mass(solid.apply(bare)) == pytest.approx(mass, rel=1e-9)


def test_every_tube_is_worked_out_as_if_it_were_fitted() -> None:
    """Each choice, written into the sheet as the fitted tube, has its rate, stress factor and mass."""
    shelf = {"front": {"tubes": [{"outside_diameter": "34 mm", "wall": "2 mm", "length": f"{LENGTH} m"}]}}
    sheet = car({"front": {"bar": {"fitted": {"hole": 2, "spacers": 1}}}, "shelf": shelf})
    ladder = bar_ladder(sheet, "front")
    assert ladder is not None
    found = tube_choices(sheet, "front", ladder)
    assert [item.kind for item in found].count("shelf") == 1
    sizes = {(round(1e3 * item.diameter, 3), item.wall and round(1e3 * item.wall, 3)) for item in found}
    assert len(sizes) == len(found)
    # Two eighths of an inch to either side of what is fitted, and what is on the shelf.
    inches = {round(1e3 * TUBE + step * 3.175, 3) for step in range(-2, 3)}
    assert {diameter for diameter, _ in sizes} == inches | {34.0}
    now = ladder.fitted.rate.value
    assert all(0.5 < item.rate / now < 2.0 for item in found if item.kind == "sold")
    for item in (*found[:2], *found[2::9]):
        size = {"outside_diameter": f"{item.diameter!r} m", "wall": item.wall and f"{item.wall!r} m"}
        other = bar_ladder(
            car({"front": {"bar": {"fitted": {"hole": 2, "spacers": 1}, "tube": size}}}), "front"
        )
        assert other is not None
        assert item.rate == pytest.approx(other.fitted.rate.value, rel=1e-9)
        # Motion stays that of the bar as it is: the links swing through the same angles, whatever the tube.
        assert item.stress_factor == pytest.approx(other.fitted.stress_factor, rel=1e-6)
        assert item.mass == pytest.approx(other.comparison[0].mass, rel=1e-9)


def test_bent_bars_and_bench_tests_have_tubes_to_choose_from() -> None:
    ladder = bar_ladder(formed_car(), "rear")
    assert ladder is not None
    found = tube_choices(formed_car(), "rear", ladder)
    assert found[0].rate == pytest.approx(ladder.fitted.rate.value, rel=1e-12)
    assert found[0].wall is None
    # Torsion and bending of a round bar alike go with D^4: all but shear.
    larger = next(item for item in found if item.wall is None and item.diameter > 0.0251)
    assert larger.rate / found[0].rate == pytest.approx((larger.diameter / 0.022) ** 4, rel=0.01)
    tested = car({"front": {"bar": {"bench": {"rate": "60 N/mm ± 1 %", "use": True}}}})
    used, plain = bar_ladder(tested, "front"), bar_ladder(car(), "front")
    assert used is not None
    assert plain is not None
    factor = used.fitted.rate.value / plain.fitted.rate.value
    for one, other in zip(
        tube_choices(tested, "front", used), tube_choices(car(), "front", plain), strict=True
    ):
        assert one.rate == pytest.approx(factor * other.rate, rel=1e-9)


def test_impossible_neighbours_are_left_out() -> None:
    thick = bladed(tube={"outside_diameter": "12 mm", "wall": "5.5 mm"}, holes=["0.2 m"], spacer=None)
    names = [v.change for v in variants(thick, BarSetting())]
    assert not any("thicker wall" in n or "hole" in n or "spacer" in n for n in names)
    solid = bladed(tube={"wall": None})
    assert not any("wall" in v.change for v in variants(solid, BarSetting()))
    as_is, hollow, same_mass, same_rate = (v.apply(solid) for v in solid_comparison(solid, BarSetting()))
    assert as_is.tube.wall is None
    assert hollow.tube.wall.value == pytest.approx(0.1 * TUBE)
    outer = same_mass.tube.outside_diameter.value
    assert outer**2 - (0.8 * outer) ** 2 == pytest.approx(TUBE**2, rel=1e-9)
    assert same_rate.tube.wall.value == pytest.approx(0.1 * same_rate.tube.outside_diameter.value)
    rates = [bar_solution(b, BarSetting()).rate for b in (solid, same_rate)]
    assert rates[1] == pytest.approx(rates[0], rel=1e-6)


def test_formed_bar_has_one_row() -> None:
    ladder = bar_ladder(formed_car(), "rear")
    assert ladder is not None
    assert ladder.kind == "formed"
    assert [row.setting for row in ladder.rows] == ["as built"]
    assert ladder.fitted.rate.value > 0.0
    assert ladder.fitted.rate.std_error > 0.0
    assert ladder.fitted.motion.twist is not None
    assert {item.change for item in ladder.what_if} == {
        "larger diameter (25.18 mm)",
        "smaller diameter (18.82 mm)",
    }
    found = predict_setup(formed_car(), "x", Setup())
    assert found.bars["rear"].setting == "as built"
    assert found.bars["rear"].rate.value == pytest.approx(ladder.fitted.rate.value)
    assert predict_setup(formed_car(), "x", Setup(rear_bar="off")).bars["rear"].rate.value == 0.0


def test_axle_without_a_bar() -> None:
    assert bar_ladder(car(), "rear") is None
    assert bar_json(car())["axles"]["rear"] == {"kind": "none", "settings": []}
    assert set(bar_json(car(), ("front",))["axles"]) == {"front"}


def test_json_is_plain_and_complete() -> None:
    bench = {"loads": ["0 N", "100 N", "210 N"], "deflections": ["0 mm", "1.8 mm", "3.7 mm"]}
    sheet = car({"front": {"bar": {"bench": bench, "link": {"left_longer": "2 mm"}}}})
    table = json.loads(json.dumps(bar_json(sheet), allow_nan=False))
    front = table["axles"]["front"]
    for row in front["settings"]:
        assert {"hole", "spacers", "fitted", "rate", "compliance", "roll_stiffness", "roll_gradient"} <= set(
            row
        )
        assert {"stress_factor", "motion"} <= set(row)
        assert row["rate"]["unit"] == "N/m"
        assert row["rate"]["interval"][0] < row["rate"]["value"] < row["rate"]["interval"][1]
    assert sum(row["fitted"] for row in front["settings"]) == 1
    assert front["bench"]["ratio"]["value"] == pytest.approx(0.99, abs=0.08)
    assert front["preload"]["left_longer_m"] == pytest.approx(0.002)
    assert table["cautions"]


def test_linkage_that_goes_over_centre_stays_plain_json() -> None:
    sheet = car({"front": {"bar": {"holes": ["60 mm"], "motion_ratio": 1.3}}})
    table = bar_json(sheet)
    json.dumps(table, allow_nan=False)
    (row, *_) = table["axles"]["front"]["settings"]
    assert row["motion"]["rate_change_percent"] is None
    assert any("over centre" in line for line in row["motion"]["warnings"])
    assert row["stress_factor"] > 0.0


def test_bent_bar_that_cannot_be_names_file_and_key() -> None:
    wrong = {**FORMED, "mounts": {"left": "0.6 m", "right": "-0.33 m"}}
    sheet = car({"rear": {"bar": wrong}}, bar=False)
    with pytest.raises(SheetError, match=r"^car\.toml: rear\.bar\.mounts\.left: lies outside") as raised:
        check_bars(sheet, Path("car.toml"))
    assert "\n" not in str(raised.value)
    for call in (lambda: bar_json(sheet), lambda: predict_setup(sheet, "A", Setup())):
        with pytest.raises(AnalyzerError, match=r"^rear\.bar\.mounts\.left: "):
            call()
    check_bars(car())


def test_own_materials_without_yield_strength() -> None:
    own = {"material": "mystery", "elastic_modulus": "200 GPa", "shear_modulus": "78 GPa"}
    sheet = car({"front": {"bar": {part: {**BAR[part], **own} for part in ("tube", "blade", "bolt")}}})
    row = bar_json(sheet)["axles"]["front"]["settings"][0]
    assert row["stress_factor"] is None
    assert all(item["factor"] is None for item in row["stress"])
    assert bar_json(sheet)["axles"]["front"]["what_if"][0]["mass_kg"] is None


def test_blades_that_a_bent_bar_does_not_have_cannot_be_turned() -> None:
    found = check_setup(formed_car(), "A", Setup.model_validate({"rear_bar": {"hole": 1, "turn": "30 deg"}}))
    assert found is not None
    assert found.key == "rear_bar.turn"
    wrong_hole = check_setup(formed_car(), "A", Setup(rear_bar=BarSetting(hole=2)))
    assert wrong_hole is not None
    assert wrong_hole.key == "rear_bar.hole"


def test_travel_on_banks_and_the_stated_acceleration() -> None:
    one, half = (bar_json(car(), ("front",), lateral)["axles"]["front"] for lateral in (1.0, 0.5))
    level, _, bank = one["travel_use"]
    assert level["heave"]["value"] == 0.0
    assert level["total"]["value"] == pytest.approx(level["roll"]["value"])
    assert bank["heave"]["value"] > 0.0
    assert bank["roll"]["value"] < level["roll"]["value"]
    assert level["margin"]["value"] == pytest.approx(42.0 - level["total"]["value"])
    assert half["travel_use"][0]["roll"]["value"] == pytest.approx(0.5 * level["roll"]["value"], rel=1e-9)
    for a, b in zip(one["settings"], half["settings"], strict=True):
        for full, part in zip(a["stress"], b["stress"], strict=True):
            assert part["stated_lateral_pa"] == pytest.approx(0.5 * full["stated_lateral_pa"], rel=1e-9)
    assert one["further"]["lift_off"]["unit"] == "g"
    asked = bar_json(car(), ("front",), 0.9, (12.0,))["axles"]["front"]["travel_use"]
    assert [(use["bank_deg"], use["lateral_g"]) for use in asked] == [(12.0, 0.9)]


@pytest.mark.parametrize(
    ("places", "words"),
    [
        ({0: {"x": "0 m"}, 3: {"x": "0 m"}}, "no lever"),
        ({3: {"x": "-0.25 m"}}, "opposite ways"),
    ],
)
def test_bent_bar_without_levers_is_refused(places: dict[int, dict[str, str]], words: str) -> None:
    points = [{**point, **places.get(number, {})} for number, point in enumerate(FORMED["points"])]
    sheet = car({"rear": {"bar": {**FORMED, "points": points}}}, bar=False)
    with pytest.raises(AnalyzerError, match=rf"^rear\.bar\.points: .*{words}"):
        bar_json(sheet)


def test_car_that_falls_over_is_refused() -> None:
    springs = {axle: {"spring": {"rate": "3 N/mm"}} for axle in ("front", "rear")}
    soft = car({**springs, "mass": {"cg_height": "1.2 m"}}, bar=False)
    with pytest.raises(AnalyzerError, match="too soft to hold the car upright"):
        predict_setup(soft, "A", Setup())


def _number(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _random_bar(rng: np.random.Generator) -> dict[str, Any]:
    """A bar of odd sizes, most of which can be built."""
    levers = sorted((_number(rng, 0.04, 0.4) for _ in range(rng.integers(1, 4))), reverse=True)
    bar: dict[str, Any] = {
        "kind": "bladed",
        "motion_ratio": _number(rng, 0.2, 1.8),
        "tube": {"outside_diameter": f"{_number(rng, 8, 80)} mm", "length": f"{_number(rng, 0.3, 1.5)} m"},
        "mounts": {"spacing": f"{_number(rng, 0.1, 1.4)} m"},
        "blade": {"depth": f"{_number(rng, 8, 80)} mm", "thickness": f"{_number(rng, 2, 30)} mm"},
        "holes": [f"{lever} m" for lever in levers],
    }
    if rng.random() < 0.6:
        bar["tube"]["wall"] = f"{_number(rng, 0.5, 20)} mm"
    if rng.random() < 0.5:
        side = str(rng.choice(["outboard", "inboard"]))
        bar["spacer"] = {
            "thickness": f"{_number(rng, 1, 20)} mm",
            "side": side,
            "most": int(rng.integers(0, 4)),
        }
    if rng.random() < 0.5:
        bar["bolt"] = {"diameter": f"{_number(rng, 5, 20)} mm"}
    if rng.random() < 0.5:
        bar["link"] = {"length": f"{_number(rng, 0.03, 0.4)} m", "angle": f"{rng.uniform(-60, 60)} deg"}
    return bar


def test_odd_bars_give_finite_figures_or_one_line() -> None:
    rng = np.random.default_rng(77)
    worked = 0
    for _ in range(36):
        bar = _random_bar(rng)
        try:
            sheet = car({"front": {"bar": bar}}, bar=False)
        except ValidationError:
            continue
        table = bar_json(sheet, ("front",))
        json.dumps(table, allow_nan=False)
        assert ladder_text(table)
        assert all(row["rate"]["value"] > 0.0 for row in table["axles"]["front"]["settings"])
        worked += 1
    assert 12 < worked < 36


def test_bench_rate_as_stated_and_on_a_bent_bar() -> None:
    plain = car({"rear": {"bar": FORMED}}, bar=False)
    computed = predict_setup(plain, "A", Setup()).bars["rear"].rate.value
    bench = {"rate": f"{computed / 2.0 * 0.9} N/m ± 2 %", "use": True}
    tested = car({"rear": {"bar": {**FORMED, "bench": bench}}}, bar=False)
    ladder = bar_ladder(tested, "rear")
    assert ladder is not None
    assert ladder.bench is not None
    assert ladder.bench.ratio.value == pytest.approx(0.9, rel=1e-9)
    assert ladder.bench.measured.value == pytest.approx(0.9 * computed, rel=1e-9)
    assert ladder.bench.measured.std_error == pytest.approx(0.02 * 0.9 * computed, rel=1e-9)
    assert ladder.fitted.rate.value == pytest.approx(0.9 * computed, rel=1e-9)
    assert ladder.fitted.compliance["bench correction"] > 0.0
    bare = car({"rear": {"bar": {**FORMED, "bench": {"rate": "10 N/mm"}}}}, bar=False)
    silent = bar_ladder(bare, "rear")
    assert silent is not None
    assert silent.bench is not None
    assert silent.bench.measured.interval is None
    assert "no ±" in silent.bench.measured.notes[0]
    assert silent.bench.ratio.std_error > 0.02 * silent.bench.ratio.value
    assert not silent.bench.used
