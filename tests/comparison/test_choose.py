"""The next setting: wishes in words, ranking, predicted effects, run plan, cautions."""

from __future__ import annotations

import io
import json
import math
from typing import Any

import numpy as np
import pytest
from comparison.comparison_helpers import (
    BAR,
    car,
    hole,
    results_of,
    session_runs,
    setup,
    true_roll,
)
from rich.console import Console

from analyzer.comparison.calibrated_car import calibrate
from analyzer.comparison.choosing.candidates import build_grid
from analyzer.comparison.choosing.choose import choose, outcome, present_setup
from analyzer.comparison.choosing.wishes import EXAMPLES, PRESETS, parse_wish
from analyzer.comparison.results import AxleAsOn, Bank, Choice
from analyzer.core.errors import AnalyzerError
from analyzer.prediction.propagation import replace_values, sheet_inputs
from analyzer.prediction.setup import banked_travel, predict_change, predict_setup
from analyzer.report import reasons
from analyzer.report.plain_data import choice_json
from analyzer.report.terminal import print_choice
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup
from analyzer.vehicle.bar.pieces import seat_give
from analyzer.vehicle.completion import complete_car

CAR = car({"rear": {"bar": {**BAR, "fitted": {"hole": 2}}}})
NOW = setup(hole(2), hole(2))


def wished(text: str, **options: Any) -> Choice:
    return choose(options.pop("sheet", CAR), parse_wish(text), options.pop("present", NOW), **options)


def printed(choice: Choice) -> str:
    out = io.StringIO()
    print_choice(choice, Console(file=out, width=80, color_system=None))
    return out.getvalue()


def value(estimate: Any) -> float:
    assert estimate.value is not None
    return float(estimate.value)


@pytest.mark.parametrize("text", EXAMPLES)
def test_every_example_of_a_wish_is_understood_and_answered(text: str) -> None:
    found = wished(text.strip('"'), most=2, setups={"A": NOW})
    assert reasons.choice(found)
    assert found.options
    json.dumps(choice_json(found), allow_nan=False)
    assert all(len(line) <= 80 for line in printed(found).splitlines())


@pytest.mark.parametrize(
    "text",
    [
        "",
        "make it better",
        "rear 5 % faster",
        "rear 95 % softer",
        "gradient 500",
        "front share 3 %",
        "x" * 900,
    ],
)
def test_what_is_no_wish_is_one_line_with_examples(text: str) -> None:
    with pytest.raises(AnalyzerError) as caught:
        parse_wish(text)
    assert "\n" not in str(caught.value)


def test_softer_means_softer_and_only_that_axle() -> None:
    found = wished("rear 5 % softer")
    best = found.options[0]
    assert found.reachable
    assert best.reached
    assert value(best.stiffness_ratio["rear"]) == pytest.approx(0.95, abs=0.02)
    assert value(best.stiffness_ratio["front"]) == 1.0
    assert value(best.effects["gradient rear"].change) > 0.0
    assert value(best.effects["front share"].change) > 0.0
    assert value(best.effects["inside load rear"].change) > 0.0


def test_stiffer_means_stiffer() -> None:
    best = wished("front 10 % stiffer").options[0]
    assert value(best.stiffness_ratio["front"]) > 1.05
    assert value(best.effects["gradient front"].change) < 0.0


def test_the_smallest_change_comes_first_and_dearer_ones_come_nearer() -> None:
    options = wished("rear 5 % softer").options
    assert [o.cost for o in options] == sorted(o.cost for o in options)
    assert [o.miss for o in options] == sorted((o.miss for o in options), reverse=True)


def test_effects_are_those_of_the_prediction() -> None:
    best = wished("rear 5 % softer").options[0]
    then, now = predict_setup(CAR, "then", best.setup), predict_setup(CAR, "now", NOW)
    change = predict_change(CAR, "now", NOW, "then", best.setup)
    assert value(best.stiffness_ratio["rear"]) == pytest.approx(
        value(change.stiffness_ratio["rear"]), rel=1e-9
    )
    assert best.stiffness_ratio["rear"].std_error == pytest.approx(
        change.stiffness_ratio["rear"].std_error, rel=1e-6
    )
    for part in ("front", "rear", "total"):
        effect = best.effects[f"gradient {part}"]
        assert value(effect.now) == pytest.approx(value(now.roll_gradient[part]), rel=1e-9)
        assert value(effect.then) == pytest.approx(value(then.roll_gradient[part]), rel=1e-9)
    assert value(best.effects["front share"].then) == pytest.approx(value(then.front_share), rel=1e-9)


def test_margin_is_that_of_the_travel_prediction() -> None:
    bank = Bank(math.radians(14.0), 8.0)
    sheet = car({"rear": {"bar": BAR, "damper": {"bump_stop_gap": "40 mm"}}})
    grid = build_grid(sheet, NOW, bank)
    used = banked_travel(sheet, NOW, bank.angle, bank.centripetal)
    worst = min(value(used[c].margin) for c in ("FL", "FR", "RL", "RR"))
    assert grid.figures["margin"][grid.present] == pytest.approx(worst, rel=1e-9)


def test_a_margin_without_a_gap_in_the_sheet_cannot_be_told() -> None:
    bare = car({"front": {"damper": {"bump_stop_gap": None, "full_bump": None, "bump_stop_rate": None}}})
    found = choose(bare, parse_wish("margin 5 mm"), setup(hole(2)))
    assert found.options == ()
    assert "lacks" in reasons.choice(found)
    printed(found)


def test_no_rear_bar_keeps_roll_stiffness_with_springs_from_the_shelf() -> None:
    sheet = car(
        {
            "rear": {"bar": BAR},
            "shelf": {"rear": {"springs": ["68 N/mm", "75 N/mm", "95 N/mm", "115 N/mm"]}},
        }
    )
    found = choose(sheet, parse_wish("no rear bar"), NOW)
    best = found.options[0]
    assert found.reachable
    assert best.setup.rear_bar == "off"
    assert value(best.stiffness_ratio["total"]) == pytest.approx(1.0, abs=0.02)
    assert any("springs" in text for text in best.changes)
    assert any("ride height" in text for text in best.cautions)
    # Another spring brings its own tolerance, which does not cancel.
    assert (best.stiffness_ratio["rear"].std_error or 0.0) > 0.02


def test_parts_on_the_shelf_are_tried() -> None:
    tube = {"outside_diameter": "38 mm", "wall": "3 mm", "length": "0.86 m"}
    blade = {"depth": "45 mm", "thickness": "10 mm"}
    more = car({"rear": {"bar": BAR}, "shelf": {"front": {"tubes": [tube], "blades": [blade]}}})
    found = choose(more, parse_wish("front 30 % stiffer"), NOW)
    assert found.tried == 4 * 16 * 16
    assert found.reachable
    assert any("tube 38" in text or "blade 45" in text for text in found.options[0].changes)


def test_parts_on_the_shelf_are_joined_as_the_fitted_ones_are() -> None:
    """Blades that stand flat, welded to the tube's side: so are those of the shelf that do not say."""
    blade = {"depth": "45 mm", "thickness": "10 mm"}
    blades = [blade, {**blade, "thickness": "9 mm", "seat": "through"}]
    flat = {"root": None, "seat": "face", "turn": "90 deg"}
    fitted = {**BAR, "blade": {k: v for k, v in {**BAR["blade"], **flat}.items() if v is not None}}
    shelf = {"front": {"blades": blades}}
    grid = build_grid(
        car({"front": {"bar": fitted}, "rear": {"bar": BAR}, "shelf": shelf}, bar=False), NOW, None
    )
    bars = {
        option.words.partition("; ")[2]: option.bar for option in grid.front if "hole 1, 0" in option.words
    }
    silent, stated = bars["front blade 45 x 10 mm"], bars["front blade 45 x 9 mm"]
    assert (silent.blade.seat, stated.blade.seat) == ("face", "through")
    assert silent.doubt.seat is not None
    assert stated.doubt.seat is None
    assert seat_give(silent) > 0.0
    assert seat_give(stated) is None


def test_a_bench_test_goes_with_the_bar_to_parts_on_the_shelf() -> None:
    """The factor of the tested bar holds for another tube as for another hole, and the answer says so."""
    tube = {"outside_diameter": "34 mm", "wall": "2.5 mm", "length": "0.86 m"}
    shelf = {"front": {"tubes": [tube]}}
    bench = {"rate": "60 N/mm ± 1 %", "hole": 2, "use": True}
    plain = car({"rear": {"bar": BAR}, "shelf": shelf})
    used = car({"rear": {"bar": BAR}, "shelf": shelf, "front": {"bar": {"bench": bench}}})
    before, after = (build_grid(sheet, NOW, None) for sheet in (plain, used))
    old, new = ({o.words: o.rate for o in grid.front} for grid in (before, after))
    factor = 120e3 / old["front bar hole 2, 0 spacers"]
    assert sum("tube 34" in words for words in new) == 16
    for words, rate in new.items():
        assert rate == pytest.approx(factor * old[words], rel=1e-9)
    stiffer = choose(used, parse_wish("front 15 % stiffer"), NOW)
    best = next(option for option in stiffer.options if any("tube 34" in text for text in option.changes))
    assert value(best.stiffness_ratio["front"]) == pytest.approx(1.15, abs=0.03)
    told = choose(plain, parse_wish("front 15 % stiffer"), NOW)
    # Another tube: what the test showed of the fitted one holds less well for it.
    alone, carried = (
        outcome(sheet, NOW, {"front": option, "rear": grid.rear[0]}, None, None).std("ratio stiffness front")
        for sheet, grid in ((plain, before), (used, after))
        for option in grid.front
        if option.words.startswith("front bar hole 2, 0 spacers; front tube 34")
    )
    assert carried > alone
    assert any(
        "carried over to every setting and other tube" in text for text in map(str, stiffer.assumptions)
    )
    assert not any("carried over" in text for text in map(str, told.assumptions))
    assert "carried over" in " ".join(printed(stiffer).split())


def test_present_setting_that_does_it_is_said() -> None:
    gradient = value(predict_setup(CAR, "now", NOW).roll_gradient["total"])
    found = wished(f"roll gradient {gradient:.3f} deg/g")
    assert found.options[0].changes == ()
    assert "already" in reasons.choice(found)


def test_a_car_sheet_alone_says_what_is_fitted() -> None:
    assert present_setup(CAR) == Setup.model_validate({"front_bar": hole(1), "rear_bar": hole(2)})
    assert present_setup(car(bar=False)) == Setup()


def test_what_cannot_be_reached_names_the_nearest() -> None:
    found = wished("rear 60 % softer")
    assert not found.reachable
    assert "nearest" in reasons.choice(found)
    assert not found.options[0].reached


def test_a_wish_below_what_can_be_verified_is_told() -> None:
    found = wished("front 1 % softer")
    best = next(o for o in found.options if o.changes)
    assert best.plan is not None
    assert best.plan.runs is None
    assert "below what can be verified" in reasons.plan(best.plan)


def test_runs_of_the_session_set_scatter_and_start() -> None:
    setups = {"A": NOW, "B": setup(hole(1), hole(2))}
    runs = session_runs(CAR, [("A", NOW), ("B", setups["B"])] * 3, 0.003)
    found = choose(CAR, parse_wish("rear 5 % softer"), NOW, "A", setups, runs)
    alone = wished("rear 5 % softer")
    assert found.options[0].plan is not None
    assert alone.options[0].plan is not None
    assert found.options[0].plan.scatter < 0.5 * alone.options[0].plan.scatter
    measured = results_of(CAR, setups, runs)["A"].measured["roll_gradient_front"]
    assert found.options[0].effects["gradient front"].now == measured
    assert "measured on A" in reasons.choice_basis(found.basis)


def test_calibration_is_used_and_said() -> None:
    setups = {"A": NOW, "B": setup(hole(1), hole(2))}
    runs = session_runs(CAR, [("A", NOW), ("B", setups["B"])] * 3, 0.003)
    calibration = calibrate(CAR, setups, runs)
    found = choose(CAR, parse_wish("front share 62 %"), NOW, calibration=calibration)
    plain = wished("front share 62 %")
    assert "6 runs have updated" in reasons.choice_basis(found.basis)
    new, old = (c.options[0].effects["front share"].now.std_error for c in (found, plain))
    assert new is not None
    assert old is not None
    assert new < old


@pytest.mark.parametrize("name", PRESETS)
def test_presets_state_what_they_assume(name: str) -> None:
    found = wished(name, most=1)
    assert any("common practice, no source" in line for line in map(str, found.assumptions))


def test_a_bar_that_stays_and_yields_is_told_with_every_option() -> None:
    def sheet(strength: str) -> CarSheet:
        parts = {part: {**BAR[part], "yield_strength": strength} for part in ("tube", "blade")}
        parts["blade"]["weld_strength"] = strength
        front = {**BAR, **parts}
        return car({"front": {"bar": front}, "rear": {"bar": {**BAR, "fitted": {"hole": 2}}}})

    for strength, yields in (("60 MPa", True), ("9000 MPa", False)):
        for option in wished("rear 5 % softer", sheet=sheet(strength)).options:
            assert not any(text.startswith("front") for text in option.changes)
            assert any(c.startswith("front bar: would yield") for c in option.cautions) is yields
            assert "front" not in option.stress_factor


def test_cautions_come_with_every_answer() -> None:
    found = wished("rear 5 % softer")
    text = printed(found)
    assert "one thing at a time" in text
    assert "series rules" in text.lower()
    assert any("stress" in c or "yield" in c for o in found.options for c in o.cautions)


def test_ten_thousand_settings_are_worked_out_at_once() -> None:
    springs = [f"{rate} kgf/mm" for rate in np.arange(5.0, 12.0, 1.0)]
    sheet = car(
        {"rear": {"bar": BAR}, "shelf": {"front": {"springs": springs}, "rear": {"springs": springs}}}
    )
    grid = build_grid(sheet, NOW, None)
    assert len(grid.cost) > 10_000
    assert grid.figures["stiffness total"].shape == grid.cost.shape
    assert np.ptp(grid.figures["stiffness total"]) > 0.0


def test_a_shelf_without_end_is_one_line() -> None:
    springs = [f"{rate} kgf/mm" for rate in np.linspace(5.0, 12.0, 20)]
    shelf = {"springs": springs, "blades": [{"depth": "40 mm", "thickness": f"{t} mm"} for t in range(6, 12)]}
    sheet = car({"rear": {"bar": BAR}, "shelf": {"front": shelf, "rear": shelf}})
    with pytest.raises(AnalyzerError, match="fewer"):
        build_grid(sheet, NOW, None)


@pytest.mark.slow
def test_predicted_effects_hold_on_cars_drawn_from_the_tolerances() -> None:
    """The recommended setting, fitted to cars that differ from their sheet: change inside the interval."""
    draw = np.random.default_rng(3)
    complete, _ = complete_car(CAR)
    inputs = sheet_inputs(complete)
    held = []
    for text in ("rear 5 % softer", "front 10 % stiffer", "no rear bar", "fast course", "small tight course"):
        best = wished(text, most=1).options[0]
        for _ in range(10):
            true: CarSheet = replace_values(
                complete, {i.key: i.value + i.std * draw.standard_normal() for i in inputs}
            )
            old, new = (predict_setup(true, "x", s).roll_gradient for s in (NOW, best.setup))
            for axle in ("front", "rear"):
                low, high = best.effects[f"gradient {axle}"].change.interval or (0.0, 0.0)
                held.append(low - 1e-12 <= value(new[axle]) - value(old[axle]) <= high + 1e-12)
    assert np.mean(held) >= 0.9


def test_formed_bars_and_cars_without_bars_are_answered() -> None:
    bare = car(bar=False)
    nothing = Setup()
    found = choose(bare, parse_wish("front 10 % stiffer"), nothing)
    assert not found.reachable
    assert found.tried == 1
    assert true_roll(bare, nothing)["front"] > 0.0


def test_a_bar_that_is_off_can_be_hooked_up() -> None:
    off = Setup.model_validate({"front_bar": hole(2), "rear_bar": "off"})
    found = wished("rear 80 % stiffer", present=off)
    assert found.reachable
    assert found.options[0].setup.rear_bar != "off"


def test_as_another_set_up_but_softer_counts_from_that_one() -> None:
    setups = {"Wet A": setup(hole(3), hole(2)), "B": NOW}
    found = wished("as wet a but 5 % softer at the rear", setups=setups)
    best = found.options[0]
    told = {name: predict_setup(CAR, name, s).roll_stiffness for name, s in setups.items()}
    then = predict_setup(CAR, "then", best.setup).roll_stiffness
    assert found.reachable
    assert value(then["rear"]) / value(told["Wet A"]["rear"]) == pytest.approx(0.95, abs=0.02)
    assert value(then["front"]) / value(told["Wet A"]["front"]) == pytest.approx(1.0, abs=0.02)
    # What has to be done starts from what is on the car, not from the other set-up.
    assert any("front bar to hole 3" in text for text in best.changes)
    assert "as Wet A but" in found.wish
    # As the session sheet writes the name, not as it was typed.
    assert found.assumptions[0] == AxleAsOn("front", "Wet A")
    assert reasons.assumption(found.assumptions[0]) == "the front axle shall be as on Wet A"


def test_as_a_set_up_that_does_not_exist_is_one_line() -> None:
    with pytest.raises(AnalyzerError, match=r'no set-up "q".*use one of A'):
        wished("as Q but 5 % softer at the rear", setups={"A": NOW})
    with pytest.raises(AnalyzerError, match="name a session sheet"):
        wished("as A but 5 % stiffer at the front")


def test_a_bar_that_nothing_replaces_names_the_springs_that_would() -> None:
    found = wished("remove the rear bar and keep roll stiffness")
    assert not found.reachable
    spring = predict_setup(CAR, "now", NOW).further["replacement_spring_rear"]
    assert f"rear springs of about {value(spring):.0f} N/mm" in reasons.choice(found)


def test_a_shift_of_the_balance_nobody_asked_for_is_said() -> None:
    found = wished("no rear bar")
    assert any("of the load transfer" in text for text in found.options[0].cautions)
    assert not any(
        "of the load transfer" in c for o in wished("front share 62 %").options for c in o.cautions
    )
