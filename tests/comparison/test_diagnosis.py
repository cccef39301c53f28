"""Every reason put into a car by itself: it is ranked first, or named among the inseparable ones."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
import pytest
from comparison.comparison_helpers import (
    BAR,
    SOFT,
    STIFF,
    car,
    compare,
    hole,
    run,
    session_runs,
    setup,
    true_roll,
)

from analyzer.comparison.causes import RANGES, possible_causes
from analyzer.comparison.diagnosis import FITS, HEADLINE, SLACK, Circumstances, bend, find_reasons
from analyzer.comparison.results import Answer, CauseKind, ChangeVerdict, RankedCause, Reasons
from analyzer.core.estimate import Estimate
from analyzer.core.units import Uncertain
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.processing.results import AxleFit, BottomingEvent, RunEstimates
from analyzer.report import reasons as words
from analyzer.sheets.car import Place
from analyzer.vehicle.axle import with_load

CAR = car()
TIGHT = car({"mass": {"cg_height": "0.47 m ± 2 mm"}})
"""The same with a height that somebody has measured well: errors of the sheet then do not explain 60 mm."""

SETUPS = {"A": STIFF, "B": SOFT}
NOTHING = Circumstances({}, {})


def fit_with_bend(slope: float, bent: float = 0.0, seed: int = 0) -> AxleFit:
    """Return a fit whose slope about zero is exp(bent) times that further out."""
    force = np.random.default_rng(seed).uniform(-9.0, 9.0, 800)
    knee = 0.4 * 9.0
    outer = np.sign(force) * np.maximum(np.abs(force) - knee, 0.0)
    roll = slope * (np.exp(bent) * (force - outer) + outer)
    points = pd.DataFrame({"lateral_force": force, "roll": roll})
    return AxleFit(points, slope, 0.0, (-9.0, 9.0))


def runs_of(
    before: dict[str, float], after: dict[str, float], bends: dict[str, float] | None = None, seed: int = 1
) -> list[RunEstimates]:
    """Return three runs on each set-up with these gradients, 0.3 % scatter, and bends of the roll line."""
    draw = np.random.default_rng(seed)
    found = []
    for index in range(3):
        for name, body in (("A", before), ("B", after)):
            shown = {a: v * float(np.exp(0.003 * draw.standard_normal())) for a, v in body.items()}
            kept = {"roll_moment_kept": Estimate(1.0, "1", 0.002)}
            one = run(f"{name}{index}", name, shown, further=kept)
            fits = {a: fit_with_bend(v, (bends or {}).get(a, 0.0), index) for a, v in shown.items()}
            found.append(replace(one, fits=fits))
    return found


def reasons_of(runs: list[RunEstimates], circumstances: Circumstances = NOTHING, sheet: Any = CAR) -> Reasons:
    return find_reasons(sheet, SETUPS, runs, "A", "B", ("front",), circumstances)


def is_found(reasons: Reasons, name: str) -> bool:
    """Return whether the reason is in the headline; without one, in the answer or among the first two."""
    told = reasons.named or (*reasons.ranked[:2], *reasons.rivals)
    return name in map(words.name, told)


def cause(reasons: Reasons, name: str) -> RankedCause:
    return next(found for found in reasons.ranked if words.name(found) == name)


def changed_roll(changes: dict[str, Any], after_only: bool = False) -> list[RunEstimates]:
    other = car(changes)
    before = true_roll(CAR if after_only else other, STIFF)
    return runs_of(before, true_roll(other, SOFT))


def loads(factor: float) -> dict[str, str]:
    usual = {"FL": 331.0, "FR": 329.0, "RL": 283.0, "RR": 287.0}
    return {corner: f"{factor * load} kgf" for corner, load in usual.items()}


def test_a_car_as_its_sheet_says_needs_no_reason() -> None:
    found = reasons_of(runs_of(true_roll(CAR, STIFF), true_roll(CAR, SOFT)))
    assert found.none > 0.5
    assert found.answer is Answer.ERRORS
    assert found.named == ()


@pytest.mark.parametrize(
    ("name", "changes", "after_only"),
    [
        ("CG height off", {"mass": {"cg_height": "0.53 m"}}, False),
        ("front spring rate off", {"front": {"spring": {"rate": "12 kgf/mm"}}}, False),
        ("rear spring rate off", {"rear": {"spring": {"rate": "10 kgf/mm"}}}, False),
        ("front bar rate or its motion ratio off", {"front": {"bar": {"motion_ratio": 0.36}}}, False),
        ("another load in the car than on the scales", {"mass": {"corner_loads": loads(1.12)}}, False),
        ("more or less load in the car after the change", {"mass": {"corner_loads": loads(1.08)}}, True),
        (
            "tyre pressure changed",
            {"front": {"tyre_rate": "165 N/mm"}, "rear": {"tyre_rate": "165 N/mm"}},
            True,
        ),
        ("the rear axle was changed too", {"rear": {"spring": {"rate": "7.5 kgf/mm"}}}, True),
        ("front bar not set as the session sheet says", {"front": {"bar": {"motion_ratio": 0.40}}}, True),
    ],
)
def test_each_reason_alone_is_first_or_among_the_inseparable(
    name: str, changes: dict[str, Any], after_only: bool
) -> None:
    found = reasons_of(changed_roll(changes, after_only), sheet=TIGHT)
    assert is_found(found, name), (
        words.answer(found),
        found.none,
        [(words.name(r), r.probability) for r in found.ranked[:6]],
    )


@pytest.mark.parametrize("axle", ["front", "rear"])
def test_a_wrong_pot_scale_or_motion_ratio_is_found(axle: str) -> None:
    wrong = {}
    for name, hardware in SETUPS.items():
        body = true_roll(CAR, hardware)
        body[axle] *= 1.25
        wrong[name] = body
    found = reasons_of(runs_of(wrong["A"], wrong["B"]))
    assert is_found(found, f"scale of a {axle} damper pot off") or is_found(
        found, f"{axle} damper motion ratio wrong"
    )


def scaled(hardware: Any, axle: str, factor: float) -> dict[str, float]:
    return {a: v * (factor if a == axle else 1.0) for a, v in true_roll(CAR, hardware).items()}


def pot_after(axle: str, scale: float, seed: int = 1) -> list[RunEstimates]:
    """Return runs of a change of bar as the sheet says, with the scale of an axle's pots changed, too."""
    return runs_of(true_roll(CAR, STIFF), scaled(SOFT, axle, scale), seed=seed)


@pytest.mark.parametrize(
    ("axle", "scale"), [("front", 1.04), ("front", 0.98), ("rear", 1.02), ("rear", 0.98)]
)
def test_a_pot_scale_that_changed_with_the_bar_is_among_the_causes(axle: str, scale: float) -> None:
    """Another bar moves load between the axles and so both of them; a pot moves the roll of its own alone."""
    found = reasons_of(pot_after(axle, scale))
    name = f"scale of a {axle} damper pot that changed with the set-up"
    assert name in map(words.name, (*found.named, *found.rivals))
    assert cause(found, name).size.value == pytest.approx(scale, abs=0.01)


@pytest.mark.parametrize(("scale", "seed"), [(1.013, 0), (1.013, 4), (1.015, 1), (0.987, 0), (0.987, 4)])
def test_what_fits_as_well_is_named_beside_the_likeliest(scale: float, seed: int) -> None:
    """Pots 1 % off: tyres pressed otherwise fit as well, and alone they would look sure."""
    found = reasons_of(pot_after("rear", scale, seed), sheet=TIGHT)
    pot = cause(found, "scale of a rear damper pot that changed with the set-up")
    assert words.name(found.named[0]) == "tyre pressure changed"
    assert found.named[0].probability >= HEADLINE * found.none > pot.probability
    assert pot in found.named


def test_a_pot_that_nothing_speaks_for_never_has_the_headline_alone() -> None:
    """Whatever the size: beside the best part of the car, or the runs cannot tell."""
    answers = set()
    for axle, scale, seed in product(("front", "rear"), (0.96, 0.98, 1.02), (1, 2)):
        found = reasons_of(pot_after(axle, scale, seed), sheet=TIGHT)
        answers.add(found.answer)
        assert found.named == () or not all(one.mere_sensor for one in found.named)
        if found.answer is Answer.SENSOR:
            assert found.named == ()
            assert words.answer(found).endswith("speaks for it: these runs cannot tell")
        if found.answer is Answer.EITHER:
            assert words.answer(found).startswith(f"either scale of a {axle} damper pot that changed")
    assert answers >= {Answer.SENSOR, Answer.EITHER}


def test_what_speaks_for_a_pot_alone_is_what_came_with_the_set_up() -> None:
    runs = pot_after("front", 1.04)
    name = "scale of a front damper pot that changed with the set-up"
    row = HealthRow("scale against the other side", "damper_FL", Verdict.SUSPECT, 1.3, 1.1, "1", "look at it")
    later = {r.name: [row] for r in runs if r.setup == "B"}
    refitted = {r.name: {"pots": "as fitted" if r.setup == "A" else "front left refitted"} for r in runs}
    for told in (Circumstances({}, later), Circumstances(refitted, {})):
        found = reasons_of(runs, told)
        assert words.name(found.named[0]) == name
        assert cause(found, name).evidence
    always = reasons_of(runs, Circumstances({}, {r.name: [row] for r in runs}))
    assert cause(always, name).mere_sensor
    assert cause(always, "scale of a front damper pot off").evidence


def test_suspect_health_of_a_pot_speaks_for_its_scale() -> None:
    body = {name: true_roll(CAR, hardware) for name, hardware in SETUPS.items()}
    for table in body.values():
        table["front"] *= 1.25
    runs = runs_of(body["A"], body["B"])
    row = HealthRow("scale against the other side", "damper_FL", Verdict.SUSPECT, 1.3, 1.1, "1", "look at it")
    plain = reasons_of(runs)
    told = reasons_of(runs, Circumstances({}, {"A0": [row]}))

    def probability(found: Reasons) -> float:
        return cause(found, "scale of a front damper pot off").probability

    assert probability(told) > probability(plain)
    evidence = words.evidence(cause(told, "scale of a front damper pot off"))
    assert evidence == ("A0: damper_FL, scale against the other side: suspect",)


def test_free_play_in_the_links_is_found_by_the_bend() -> None:
    loose = car({"front": {"bar": {"motion_ratio": 0.50}}})
    runs = runs_of(true_roll(loose, STIFF), true_roll(loose, SOFT), {"front": 0.25})
    assert is_found(reasons_of(runs), "free play in the front bar's links")


def test_binding_is_found_by_a_stiffer_axle_and_a_bend() -> None:
    tight = car({"front": {"bar": {"motion_ratio": 0.72}}})
    runs = runs_of(true_roll(tight, STIFF), true_roll(tight, SOFT), {"front": 0.25})
    assert is_found(reasons_of(runs), "front bar or link binds")


def test_bump_stops_need_their_events() -> None:
    stiffer = car({"front": {"spring": {"rate": "11 kgf/mm"}}})
    runs = runs_of(true_roll(stiffer, STIFF), true_roll(stiffer, SOFT), {"front": 0.3})
    event = BottomingEvent("FL", 1.0, 1.1, 1.05, 0.05, 0.004, 0.3, False, None, "bowl", None)
    with_events = [replace(r, bottoming=(event,)) for r in runs]
    assert is_found(reasons_of(with_events), "front bump stops in contact")
    first = words.name(reasons_of(runs).ranked[0])
    assert "bump stops" not in first


def test_conditions_that_differ_speak_for_their_reason() -> None:
    runs = changed_roll({"mass": {"corner_loads": loads(1.08)}}, after_only=True)
    conditions = {r.name: {"fuel": "10 l" if r.setup == "A" else "60 l"} for r in runs}
    found = reasons_of(runs, Circumstances(conditions, {}))
    name = "more or less load in the car after the change"
    assert is_found(found, name)
    reason = cause(found, name)
    assert words.evidence(reason) == ("fuel: 10 l before, 60 l after",)
    assert reason.size.unit == "kg"
    assert reason.size.value == pytest.approx(0.08 * 1230.0, abs=40.0)


def test_causes_with_the_same_shape_are_said_to_be_inseparable() -> None:
    found = reasons_of(changed_roll({"mass": {"corner_loads": loads(1.04)}}, after_only=True))
    assert found.answer is Answer.ALIKE
    assert {c.kind for c in found.named} >= {CauseKind.LOAD, CauseKind.LATERAL_SCALE}
    assert words.answer(found).startswith("the data cannot separate")
    assert any(cause.probability >= HEADLINE * found.none for cause in found.named)


def test_nothing_can_be_tested_without_roll_on_both_set_ups() -> None:
    found = reasons_of(session_runs(CAR, [("A", STIFF)] * 3))
    assert found.ranked == ()
    assert found.answer is Answer.NOT_TESTED
    assert "not measured" in words.answer(found)


def test_a_bend_comes_back_and_a_straight_line_has_none() -> None:
    assert bend(fit_with_bend(0.003)) == pytest.approx(0.0, abs=1e-9)
    for bent in (-0.2, 0.1, 0.3):
        assert bend(fit_with_bend(0.003, bent)) == pytest.approx(bent, abs=0.02)


def test_a_bend_is_not_told_from_few_points() -> None:
    few = fit_with_bend(0.003)
    assert bend(replace(few, points=few.points.iloc[:20])) is None


def test_a_rear_bar_has_its_own_reasons() -> None:
    both = car({"rear": {"bar": BAR}})
    soft = setup(hole(1), hole(2))
    stiff = setup(hole(3), hole(2))
    weak = car({"rear": {"bar": {**BAR, "motion_ratio": 0.35}}})
    runs = runs_of(true_roll(weak, stiff), true_roll(weak, soft))
    found = find_reasons(both, {"A": stiff, "B": soft}, runs, "A", "B", ("front",), NOTHING)
    assert is_found(found, "rear bar rate or its motion ratio off")


def with_play(runs: list[RunEstimates], width: float) -> list[RunEstimates]:
    zone = Estimate(width, "mm", 0.2, (width - 0.4, width + 0.4))
    return [replace(r, further={**r.further, "free_play_front": zone}) for r in runs]


def test_a_dead_zone_seen_in_the_runs_is_play_whatever_the_gradients_say() -> None:
    sound = runs_of(true_roll(CAR, STIFF), true_roll(CAR, SOFT))
    found = reasons_of(with_play(sound, 4.0))
    assert is_found(found, "free play in the front bar's links")
    evidence = words.evidence(found.ranked[0])
    assert evidence[0].startswith("a dead zone of 4.0 mm")
    assert reasons_of(with_play(sound, 0.2)).none > 0.5


def test_runs_that_would_show_play_and_do_not_speak_against_it() -> None:
    loose = car({"front": {"bar": {"motion_ratio": 0.50}}})
    runs = runs_of(true_roll(loose, STIFF), true_roll(loose, SOFT), {"front": 0.25})
    assert is_found(reasons_of(runs), "free play in the front bar's links")
    name = "free play in the front bar's links"

    def factor(found: Reasons) -> float:
        return cause(found, name).bayes_factor

    assert factor(reasons_of(with_play(runs, 0.0))) < 1e-4 * factor(reasons_of(runs))


def test_friction_out_of_the_common_speaks_for_binding() -> None:
    runs = runs_of(true_roll(CAR, STIFF), true_roll(CAR, SOFT))
    rubs = [replace(r, further={**r.further, "friction_front": Estimate(180.0, "N", 10.0)}) for r in runs]

    def binding(found: Reasons) -> RankedCause:
        return cause(found, "front bar or link binds")

    assert binding(reasons_of(rubs)).probability > 2.0 * binding(reasons_of(runs)).probability
    assert words.evidence(binding(reasons_of(rubs))) == ("dry friction of 180 N at each front wheel",)


@pytest.mark.parametrize("changed", [(), ("front",), ("front", "rear")])
def test_every_cause_has_words_a_range_and_the_axle_they_speak_of(changed: Any) -> None:
    found = possible_causes(car(), changed)
    for one in found:
        told = words.CAUSES[one.kind]
        name = told.later if one.where == "after" else told.name
        assert name
        assert told.check
        assert ("{axle}" in name) == (one.axle is not None)
        assert (one.kind in RANGES) == (one.reach[0] < one.reach[1]) == bool(told.quantity)
    assert {one.instead for one in found} == ({True, False} if changed else {False})
    assert set(words.CAUSES) == set(CauseKind)


def passenger(claimed: bool, seed: int) -> Reasons:
    """Return the reasons found for 75 kg more in the car, the bar left as it was where the claim is false."""
    heavier = car({"mass": {"corner_loads": loads(1.0 + 75.0 / 1230.0)}})
    return reasons_of(
        runs_of(true_roll(CAR, STIFF), true_roll(heavier, STIFF if claimed else SOFT), seed=seed)
    )


@pytest.mark.parametrize("claimed", [True, False])
def test_a_passenger_is_found_as_load_with_or_without_the_change_of_bar(claimed: bool) -> None:
    found = passenger(claimed, 3)
    likeliest = found.ranked[:2]
    assert any(c.kind is CauseKind.LOAD and c.after_only and c.instead is claimed for c in likeliest)
    size = next(c.size for c in likeliest if c.kind is CauseKind.LOAD)
    assert size.interval is not None
    assert size.interval[0] < 75.0 < size.interval[1]


def seated(height: float, along: float = 0.5, follows: float = 1.0, kilograms: float = 75.0) -> Any:
    """Return the car with a passenger whose place no sheet states."""
    behind = Uncertain(along * CAR.mass.wheelbase.value, 0.0)
    place = Place(behind_front_axle=behind, height=Uncertain(height, 0.0))
    return with_load(CAR, kilograms, place, follows)


def load_found(car_with: Any, seed: int) -> Estimate:
    found = reasons_of(runs_of(true_roll(CAR, STIFF), true_roll(car_with, SOFT), seed=seed))
    return next(c.size for c in found.ranked if c.kind is CauseKind.LOAD and c.after_only and not c.instead)


@pytest.mark.parametrize("height", [0.40, 0.48, 0.56])
def test_the_mass_of_a_load_is_as_uncertain_as_where_it_sits(height: float) -> None:
    size = load_found(seated(height), 3)
    assert size.interval is not None
    assert size.interval[0] < 75.0 < size.interval[1]
    assert size.interval[1] <= RANGES[CauseKind.LOAD].high * SLACK


def test_a_height_30_mm_off_comes_first() -> None:
    for off in ("0.50 m", "0.44 m"):
        found = reasons_of(changed_roll({"mass": {"cg_height": off}}))
        assert found.ranked[0].kind is CauseKind.CG_HEIGHT, [words.name(c) for c in found.ranked[:3]]


def test_no_cause_goes_beyond_its_range_and_none_is_named_that_errors_explain() -> None:
    # A front axle 40 % softer than its sheet is beyond any pot or motion ratio.
    runs = runs_of(true_roll(CAR, STIFF), {a: 1.4 * v for a, v in true_roll(CAR, SOFT).items()})
    found = reasons_of(runs)
    for one in found.ranked:
        if one.size.interval is None:
            continue
        low, high = one.size.interval
        reach = RANGES[one.kind]
        shift = 1.0 if reach.unit == "1" else 0.0
        assert reach.low - 1e-6 <= low - shift
        assert high - shift <= reach.high + 1e-6
    sound = [reasons_of(runs_of(true_roll(CAR, STIFF), true_roll(CAR, SOFT), seed=s)) for s in range(6)]
    assert all(not found.named for found in sound)


def test_nothing_is_named_where_no_cause_fits_within_its_range() -> None:
    both = {axle: 1.4 * value for axle, value in true_roll(CAR, SOFT).items()}
    found = reasons_of(runs_of(true_roll(CAR, STIFF), both), sheet=TIGHT)
    assert found.none < 0.01
    assert found.fit is not None
    assert found.fit < FITS
    assert found.named == ()
    assert found.answer is Answer.NONE_FITS
    assert "cannot tell" in words.answer(found)
    # The same way and half as far there is one that fits.
    some = {axle: 1.04 * value for axle, value in true_roll(CAR, SOFT).items()}
    assert reasons_of(runs_of(true_roll(CAR, STIFF), some), sheet=TIGHT).fit > 0.01


def test_a_cause_somewhat_beyond_its_range_keeps_another_out_of_the_headline() -> None:
    rates = {
        axle: {"tyre_rate": f"{0.55 * CAR.axle(axle).tyre_rate.value:.0f} N/m"} for axle in ("front", "rear")
    }
    exact = [true_roll(CAR, STIFF), true_roll(car(rates), SOFT)]
    runs = [
        replace(
            r,
            roll_gradient_body={
                a: replace(e, value=exact[r.setup == "B"][a]) for a, e in r.roll_gradient_body.items()
            },
        )
        for r in runs_of(*exact)
    ]
    found = reasons_of(runs, sheet=TIGHT)
    tyres = next(c for c in found.ranked if c.kind is CauseKind.TYRE_RATE and not c.instead)
    # Beyond its range, as the answer says, and with its part of the one sum of all chances.
    assert tyres.size.value == pytest.approx(0.55, abs=0.08)
    assert tyres.probability > 0.02
    assert sum(one.probability for one in found.ranked) + found.none == pytest.approx(1.0)
    assert found.named == ()
    assert found.answer is Answer.RIVALS
    assert tyres in found.rivals
    assert found.rivals[0] in found.ranked[:2]
    assert "cannot tell" in words.answer(found)


def heavier(kilograms: float) -> Any:
    return car({"mass": {"corner_loads": loads(1.0 + kilograms / 1230.0)}})


WHOLE: dict[str, tuple[dict[str, float], dict[str, float], CauseKind | None, bool]] = {
    "sound": (true_roll(CAR, STIFF), true_roll(CAR, SOFT), None, True),
    "passenger": (true_roll(CAR, STIFF), true_roll(heavier(75.0), STIFF), CauseKind.LOAD, False),
    "fuel": (true_roll(CAR, STIFF), true_roll(heavier(20.0), STIFF), CauseKind.LOAD, False),
    "front pots +2 %": (true_roll(CAR, STIFF), scaled(SOFT, "front", 1.02), CauseKind.POT_SCALE, True),
    "rear pots -2 %": (true_roll(CAR, STIFF), scaled(SOFT, "rear", 0.98), CauseKind.POT_SCALE, True),
    "rear pots +1 %": (true_roll(CAR, STIFF), scaled(SOFT, "rear", 1.01), CauseKind.POT_SCALE, True),
    "rear pots -1 %": (true_roll(CAR, STIFF), scaled(SOFT, "rear", 0.99), CauseKind.POT_SCALE, True),
    "front pots -2 % alone": (
        true_roll(CAR, STIFF),
        scaled(STIFF, "front", 0.98),
        CauseKind.POT_SCALE,
        False,
    ),
    "rear pots +2 % alone": (true_roll(CAR, STIFF), scaled(STIFF, "rear", 1.02), CauseKind.POT_SCALE, False),
}
"""Roll of both axles before and after, the cause, and whether the bar was softened as the sheet says."""


@pytest.mark.slow
def test_intervals_of_a_mass_hold_it_wherever_it_sits() -> None:
    draw, held, sessions = np.random.default_rng(11), 0, 60
    for seed in range(sessions):
        z = np.clip(draw.standard_normal(3), -2.5, 2.5)
        height, along, follows = np.array([0.48, 0.5, 1.0]) + np.array([0.08, 0.1, 0.5]) * z
        size = load_found(seated(float(height), float(along), float(follows)), seed)
        assert size.interval is not None
        held += size.interval[0] < 75.0 < size.interval[1]
    assert held >= 0.9 * sessions


@pytest.mark.slow
@pytest.mark.parametrize("name", list(WHOLE))
def test_whole_sessions_name_the_right_cause_or_none(name: str) -> None:
    before, after, kind, made = WHOLE[name]
    sessions, wrong, named, as_predicted = 50, 0, 0, 0
    for seed in range(sessions):
        draw = np.random.default_rng(seed)
        runs = []
        for place, setup_name in enumerate("AABBBA"):
            # Most of the scatter of 0.3 % is common to both axles.
            common, *own = draw.standard_normal(3)
            body = {
                axle: value * float(np.exp(0.003 * (0.8 * common + 0.6 * z)))
                for (axle, value), z in zip(
                    (before if setup_name == "A" else after).items(), own, strict=True
                )
            }
            kept = {"roll_moment_kept": Estimate(1.0, "1", 0.002)}
            runs.append(run(f"r{place}", setup_name, body, further=kept))
        found = reasons_of(runs)
        named += bool(found.named)
        told = {c.kind for c in (*found.named, *found.ranked[:2]) if c.after_only}
        wrong += bool(found.named) and kind not in told
        as_predicted += compare(CAR, STIFF, SOFT, runs).verdict is ChangeVerdict.AS_PREDICTED
    assert wrong <= 0.05 * sessions
    if kind is None:
        assert named <= 0.05 * sessions
    if not made:
        assert as_predicted <= 0.05 * sessions
