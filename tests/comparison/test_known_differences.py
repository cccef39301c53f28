"""Fuel, people and tyre pressures that differ between two set-ups: taken out with their error, or named."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from comparison.comparison_helpers import SOFT, STIFF, car, results_of, run

from analyzer.comparison.changes import compare_setups
from analyzer.comparison.diagnosis import Circumstances, find_reasons
from analyzer.comparison.known_differences import Known, known_differences
from analyzer.comparison.ledger import sheet_roll
from analyzer.comparison.results import CauseKind, ChangeVerdict, Comparison, Unpredicted
from analyzer.comparison.stiffness import wheel_scale
from analyzer.core.estimate import Estimate
from analyzer.core.units import AXLES, RAD_PER_MPS2_TO_DEG_PER_G, STANDARD_GRAVITY, Axle
from analyzer.prediction.propagation import replace_values, sheet_inputs
from analyzer.prediction.setup import predict_change, predict_setup
from analyzer.processing.results import RunEstimates
from analyzer.report import sentences
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup
from analyzer.vehicle.axle import FUEL_DENSITY, mass_properties, with_load
from analyzer.vehicle.completion import complete_car

PLACE = {"behind_front_axle": "2.40 m ± 50 mm", "height": "0.40 m ± 50 mm"}
CAR = car({"mass": {"places": {"fuel": PLACE}}})
WHOLE = complete_car(CAR)[0]
INPUTS = sheet_inputs(WHOLE)
PLAIN = car()
IN_TURNS = "ABBABAAB"
READ = 1.0
CHANGES = {same: predict_change(CAR, "A", STIFF, "B", STIFF if same else SOFT) for same in (True, False)}


def rolled(sheet: CarSheet, hardware: Setup, load: float, follows: float) -> dict[Axle, float]:
    """Return the body-axes gradients with a load [kg] at the fuel's place, by a balance written out here.

    Corner loads, CG and roll centres of the loaded car from statics; then two unknowns, the roll of both
    suspensions under one rigid body on springs and tyres. Stiffness of springs and bars is the sheet's.
    """
    g, base, place = STANDARD_GRAVITY, sheet.mass.wheelbase.value, sheet.mass.places.fuel
    stiff = {a: float(k) * 180.0 / math.pi for a, k in sheet_roll(sheet, hardware).stiffness.items()}
    plain = mass_properties(sheet)
    share = {
        "front": 1.0 - place.behind_front_axle.value / base,
        "rear": place.behind_front_axle.value / base,
    }
    sunk = {}
    for axle in AXLES:
        spring = sheet.axle(axle).spring
        sunk[axle] = load * g * share[axle] / 2.0 / (spring.rate.value * spring.motion_ratio.value**2)
    at_cg = (sunk["front"] * plain.rear_axle_distance + sunk["rear"] * plain.front_axle_distance) / base
    lowered = plain.sprung * (plain.sprung_cg_height - at_cg)
    height = (lowered + load * place.height.value) / (plain.sprung + load)
    moment, soft, sink = 0.0, {}, {}
    for axle in AXLES:
        one, part = sheet.axle(axle), plain.axle(axle)
        sprung = part.sprung + load * share[axle]
        centre = one.roll_centre_height.value - follows * sunk[axle]
        wheels = part.unsprung * one.wheel_radius.value
        moment += sprung * (height - centre) + wheels * part.unsprung_share
        past = sprung * centre + wheels * (1.0 - part.unsprung_share)
        tyre = one.tyre_rate.value * one.track_width.value**2 / 2.0
        soft[axle], sink[axle] = 1.0 + (stiff[axle] - g * past) / tyre, past / tyre
    # Springs and bars carry the moment; both axles roll on their tyres until the body's roll is one.
    matrix = [[stiff["front"], stiff["rear"]], [soft["front"], -soft["rear"]]]
    front, rear = np.linalg.solve(matrix, [moment, sink["rear"] - sink["front"]])
    return {"front": front * RAD_PER_MPS2_TO_DEG_PER_G, "rear": rear * RAD_PER_MPS2_TO_DEG_PER_G}


@dataclass(frozen=True)
class Drawn:
    """A session of a car that is its sheet within its tolerances, fuelled as stated within the reading."""

    runs: list[RunEstimates]
    conditions: dict[str, dict[str, str]]
    ratio: float


def drawn(seed: int, after: Setup, more: float, scatter: float, order: str = IN_TURNS) -> Drawn:
    draw = np.random.default_rng(seed)
    values = {item.key: item.value + item.std * draw.standard_normal() for item in INPUTS}
    truth = replace_values(WHOLE, values)
    follows = 1.0 + draw.standard_normal()
    setups = {"A": STIFF, "B": after}
    told = {"A": 15.0, "B": 15.0 + more}
    roll = {
        name: rolled(truth, setup, told[name] - 15.0 + READ * draw.standard_normal(), follows)
        for name, setup in setups.items()
    }
    runs = []
    for index, name in enumerate(order):
        both = scatter * draw.standard_normal()
        # Pots measure travel; the roll made of it is as wrong as the sheet's motion ratio and track.
        body = {
            a: s / float(wheel_scale(truth.axle(a), CAR.axle(a))) * math.exp(both + 0.001 * draw.normal())
            for a, s in roll[name].items()
        }
        runs.append(run(f"r{index + 1:02d}", name, body, 0.001))
    conditions = {one.name: {"fuel": f"{told[one.setup]} kg ± {READ} kg"} for one in runs}
    stiffness = [sheet_roll(truth, setup).stiffness for setup in setups.values()]
    old, new = (sum(k.values()) if after == STIFF else k["front"] for k in stiffness)
    return Drawn(runs, conditions, float(new / old))


def compared(one: Drawn, after: Setup, stated: bool = True) -> Comparison:
    change = CHANGES[after == STIFF]
    results = results_of(CAR, {"A": STIFF, "B": after}, one.runs)
    told = one.conditions if stated else {}
    predictions = {name: result.predicted for name, result in results.items()}
    known = known_differences(CAR, one.runs, told, predictions, "A", "B")
    return compare_setups(CAR, results["A"], results["B"], change, one.runs, (), known)


def called_changed(found: Comparison) -> bool:
    return found.verdict.value.startswith(("softened", "stiffened"))


def held(ratio: Estimate, true: float) -> bool:
    low, high = ratio.interval or (0.0, 0.0)
    return low <= true <= high


@pytest.mark.parametrize("load", [0.0, 20.0, -15.0])
def test_a_load_rolls_the_car_as_a_moment_balance_says(load: float) -> None:
    place = CAR.mass.places.fuel
    assert place is not None
    moved = sheet_roll(with_load(CAR, load, place, 0.4), SOFT).gradient
    expected = rolled(CAR, SOFT, load, 0.4)
    for axle in AXLES:
        assert float(moved[axle]) == pytest.approx(expected[axle], rel=1e-12)


def test_fuel_is_taken_out_of_the_change_and_nothing_else() -> None:
    exact = drawn(1, SOFT, 20.0, 0.0)
    found, blind = compared(exact, SOFT), compared(exact, SOFT, stated=False)
    assert found.known is not None
    assert blind.known is not None
    assert found.known.as_driven.value == blind.stiffness_ratio.value
    assert found.known.as_driven.interval == pytest.approx(blind.stiffness_ratio.interval, rel=1e-6)
    assert found.gradient_ratio == blind.gradient_ratio
    (fuel,) = found.known.taken_out
    assert (fuel.condition, fuel.before.value, fuel.after.value) == ("fuel", 15.0, 35.0)
    for axle in AXLES:
        told = fuel.effect[axle].value
        as_driven, left = found.gradient_ratio[axle].value, found.known.gradient_ratio[axle].value
        assert told is not None
        assert as_driven is not None
        assert left is not None
        assert told > 1.005
        assert left == pytest.approx(as_driven / told, rel=2e-4)
        assert (found.known.gradient_ratio[axle].calibration or 0.0) > 0.001


def test_equal_conditions_change_no_figure() -> None:
    one = drawn(2, SOFT, 0.0, 0.003)
    found, blind = compared(one, SOFT), compared(one, SOFT, stated=False)
    assert found == blind
    assert found.known is not None
    assert not found.known.taken_out


def test_twenty_kilograms_of_fuel_are_no_change_of_set_up() -> None:
    sessions = [drawn(seed, STIFF, 20.0, 0.003, "AABBBA") for seed in range(3000, 3050)]
    false = sum(called_changed(compared(one, STIFF)) for one in sessions)
    assert false <= 0.05 * len(sessions)
    assert sum(called_changed(compared(one, STIFF, stated=False)) for one in sessions[:10]) >= 5


@pytest.mark.slow
@pytest.mark.parametrize("order", [IN_TURNS, "AAABBB"])
def test_twenty_kilograms_of_fuel_over_many_sessions(order: str) -> None:
    false = sum(
        called_changed(compared(drawn(seed, STIFF, 20.0, 0.003, order), STIFF)) for seed in range(2000, 2200)
    )
    assert false <= 0.05 * 200


@pytest.mark.slow
def test_the_interval_holds_the_true_change_beside_fuel() -> None:
    sessions = [drawn(seed, SOFT, 20.0, 0.003) for seed in range(200)]
    count = sum(held(compared(one, SOFT).stiffness_ratio, one.ratio) for one in sessions)
    assert 0.92 * 200 <= count <= 0.98 * 200


# What is read, what is taken for granted, and what is named because nobody can tell what it does.


def of_conditions(
    before: dict[str, str], after: dict[str, str], sheet: CarSheet = PLAIN, order: str = "AABB"
) -> Known:
    conditions = {f"r{i}": before if name == "A" else after for i, name in enumerate(order)}
    runs = [run(f"r{i}", name, {"front": 1.3, "rear": 1.6}) for i, name in enumerate(order)]
    told = {name: predict_setup(sheet, name, STIFF) for name in "AB"}
    return known_differences(sheet, runs, conditions, told, "A", "B")


def test_litres_are_weighed_and_the_place_is_taken_for_granted() -> None:
    (fuel,) = of_conditions({"fuel": "20 l"}, {"fuel": "40 l"}).differences
    assert fuel.before.value == pytest.approx(0.020 * FUEL_DENSITY.value)
    assert fuel.taken == ("mass.places.fuel",)
    (sure,) = of_conditions({"fuel": "20 l"}, {"fuel": "40 l"}, CAR).differences
    assert sure.taken == ()
    for axle in AXLES:
        assert (sure.effect[axle].std_error or 0.0) < (fuel.effect[axle].std_error or 0.0)


def test_less_pressure_rolls_the_body_and_not_the_suspension_of_a_lone_axle() -> None:
    """Softer front tyres let the front axle roll more on them, so the rear springs carry more."""
    (found,) = of_conditions(
        {"tyre_pressure_front": "2.0 bar"}, {"tyre_pressure_front": "1.6 bar"}
    ).differences
    assert (found.before.value, found.after.value, found.before.unit) == (
        pytest.approx(200.0),
        pytest.approx(160.0),
        "kPa",
    )
    assert found.effect["front"].value < 1.0 < found.effect["rear"].value
    moments = 0.0
    for axle in AXLES:
        told = predict_setup(PLAIN, "x", STIFF)
        carried = told.roll_stiffness[axle].value * told.roll_gradient_body[axle].value
        moments += carried * (found.effect[axle].value - 1.0)
    assert moments == pytest.approx(0.0, abs=1e-6)


def test_four_corners_count_as_their_axle() -> None:
    corners = {f"tyre_pressure_{c}": "194 kPa" for c in ("FL", "FR")}
    axle = of_conditions({"tyre_pressure_front": "200 kPa"}, {"tyre_pressure_front": "194 kPa"})
    both = of_conditions(dict.fromkeys(corners, "200 kPa"), corners)
    for name in AXLES:
        assert both.shifts["r3"][name] == pytest.approx(axle.shifts["r3"][name], rel=0.03)


@pytest.mark.parametrize(
    ("before", "after", "key", "why"),
    [
        ({"driver": "first"}, {"driver": "second"}, "driver", Unpredicted.NO_MASS),
        ({"fuel": "20 l"}, {"fuel": "half a tank"}, "fuel", Unpredicted.NOT_READ),
        ({"fuel": "20 l"}, {}, "fuel", Unpredicted.NOT_STATED),
        ({"ballast": "none"}, {"ballast": "20 kg"}, "ballast", Unpredicted.NO_PLACE),
        ({"tyre_pressure": "0 kPa"}, {"tyre_pressure": "190 kPa"}, "tyre_pressure", Unpredicted.NOT_READ),
        ({"tyres": "old"}, {"tyres": "new"}, "tyres", Unpredicted.NO_MODEL),
        ({"track": "24 °C"}, {"track": "17 °C"}, "track", Unpredicted.NO_MODEL),
    ],
)
def test_what_cannot_be_predicted_is_named_with_the_reason(
    before: dict[str, str], after: dict[str, str], key: str, why: Unpredicted
) -> None:
    found = of_conditions(before, after)
    assert [(one.condition, one.why) for one in found.open] == [(key, why)]
    assert not found.differences
    assert not found.shifts


def test_without_a_tyre_rate_pressure_is_left_in() -> None:
    rigid = car({"front": {"tyre_rate": None}})
    pressures = {"tyre_pressure_front": "200 kPa"}, {"tyre_pressure_front": "180 kPa"}
    (one,) = of_conditions(*pressures, rigid).open
    assert one.why is Unpredicted.NO_TYRE_RATE


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ({"track": "24 °C"}, {"track": "21 °C"}),
        ({"notes": "calm"}, {"notes": "wild"}),
        ({"wind": "3 m/s"}, {"wind": "3.05 m/s"}),
        ({"tyres": "old"}, {}),
        ({"driver": "first", "driver_mass": "80 kg"}, {"driver": "second", "driver_mass": "80 kg"}),
    ],
)
def test_what_is_no_difference_is_not_named(before: dict[str, str], after: dict[str, str]) -> None:
    found = of_conditions(before, after)
    assert (found.differences, found.open, found.shifts) == ((), (), {})


def test_a_run_without_a_word_counts_with_the_others_of_its_set_up() -> None:
    runs = [run(f"r{i}", name, {"front": 1.3, "rear": 1.6}) for i, name in enumerate("AABB")]
    told = {name: predict_setup(PLAIN, name, STIFF) for name in "AB"}
    conditions = {"r0": {"fuel": "10 kg"}, "r2": {"Fuel": "30 kg"}, "r3": {"fuel": "28 kg"}}
    found = known_differences(PLAIN, runs, conditions, told, "A", "B")
    assert found.shifts["r0"] == found.shifts["r1"] == dict.fromkeys(AXLES, 0.0)
    assert found.shifts["r2"]["front"] > found.shifts["r3"]["front"] > 0.0
    assert found.taken_out(runs)[0] == runs[0]
    assert found.taken_out(runs)[2].roll_gradient == runs[2].roll_gradient


def test_the_sentence_says_what_was_taken_out_and_what_was_not() -> None:
    one = drawn(1, SOFT, 20.0, 0.003)
    for each in one.runs:
        one.conditions[each.name]["tyres"] = "old" if each.setup == "A" else "new"
    found = compared(one, SOFT)
    answer = sentences.comparison_answer(found)
    assert "with the known difference of fuel taken out (as driven −" in answer
    assert answer.endswith("; tyres differed too, which cannot be predicted and is left in.")
    (beside,) = (line for line in sentences.beside_the_verdict(found) if "Taken out" in line)
    assert "fuel, 15.0 kg" in beside.replace(" ± 1.0", "")
    assert "Left in: tyres, old before, new after" in beside


def test_a_place_that_nobody_has_measured_marks_what_is_taken_out_with_it() -> None:
    marked = CAR.marked(["mass.places.fuel.height"])
    one = drawn(1, STIFF, 60.0, 0.001)
    results = results_of(marked, {"A": STIFF, "B": STIFF}, one.runs)
    predictions = {name: result.predicted for name, result in results.items()}
    known = known_differences(marked, one.runs, one.conditions, predictions, "A", "B")
    (fuel,) = known.differences
    assert {effect.provisional for effect in fuel.effect.values()} == {("mass.places.fuel.height",)}
    change = CHANGES[True]
    found = compare_setups(marked, results["A"], results["B"], change, one.runs, (), known)
    assert found.unmeasured == ("mass.places.fuel.height",)
    assert found.verdict in (ChangeVerdict.HELD_BACK, ChangeVerdict.CANNOT_TELL)
    assert found.stiffness_ratio.provisional == found.unmeasured
    assert found.known is not None
    assert found.known.gradient_ratio["rear"].provisional == found.unmeasured
    # Without the load the place is no part of anything.
    plain = compare_setups(marked, results["A"], results["B"], change, one.runs)
    assert plain.unmeasured == plain.stiffness_ratio.provisional == ()


def test_fuel_that_is_known_speaks_for_no_other_cause() -> None:
    one = drawn(4, SOFT, 20.0, 0.001)
    told = {name: predict_setup(CAR, name, setup) for name, setup in (("A", STIFF), ("B", SOFT))}
    known = known_differences(CAR, one.runs, one.conditions, told, "A", "B")
    loads = []
    for circumstances in (Circumstances(one.conditions, {}), Circumstances(one.conditions, {}, known)):
        found = find_reasons(CAR, {"A": STIFF, "B": SOFT}, one.runs, "A", "B", ("front",), circumstances)
        loads += [c for c in found.ranked if c.kind is CauseKind.LOAD and c.after_only and not c.instead]
    assert loads[0].evidence
    assert not loads[1].evidence
    assert loads[1].probability < 0.2 * loads[0].probability
