"""Every reason put into a car by itself: it is ranked first, or named among the inseparable ones."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from comparison.comparison_helpers import BAR, SOFT, STIFF, car, hole, run, session_runs, setup, true_roll

from analyzer.comparison.causes import Cause, possible_causes
from analyzer.comparison.diagnosis import Circumstances, bend, find_reasons
from analyzer.comparison.results import RankedCause, Reasons
from analyzer.core.estimate import Estimate
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.processing.results import AxleFit, BottomingEvent, RunEstimates

CAR = car()
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
            one = run(f"{name}{index}", name, shown)
            fits = {a: fit_with_bend(v, (bends or {}).get(a, 0.0), index) for a, v in shown.items()}
            found.append(replace(one, fits=fits))
    return found


def reasons_of(runs: list[RunEstimates], circumstances: Circumstances = NOTHING, sheet: Any = CAR) -> Reasons:
    return find_reasons(sheet, SETUPS, runs, "A", "B", ("front",), circumstances)


def named(reasons: Reasons) -> bool:
    return bool(reasons.ranked) and reasons.none < 0.5


def is_found(reasons: Reasons, name: str) -> bool:
    """Return whether the reason is first, or among those said to be inseparable from the first."""
    return named(reasons) and name in reasons.answer


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
    assert "no further reason is needed" in found.answer


@pytest.mark.parametrize(
    ("name", "changes", "after_only"),
    [
        ("CG height off", {"mass": {"cg_height": "0.62 m"}}, False),
        ("front spring rate off", {"front": {"spring": {"rate": "12 kgf/mm"}}}, False),
        ("rear spring rate off", {"rear": {"spring": {"rate": "10 kgf/mm"}}}, False),
        ("front bar rate or its motion ratio off", {"front": {"bar": {"motion_ratio": 0.36}}}, False),
        ("another load in the car than on the scales", {"mass": {"corner_loads": loads(1.4)}}, False),
        ("more or less load in the car after the change", {"mass": {"corner_loads": loads(1.08)}}, True),
        (
            "tyre pressure changed",
            {"front": {"tyre_rate": "120 N/mm"}, "rear": {"tyre_rate": "120 N/mm"}},
            True,
        ),
        ("the rear axle was changed too", {"rear": {"spring": {"rate": "7.5 kgf/mm"}}}, True),
        ("front bar not set as the session sheet says", {"front": {"bar": {"motion_ratio": 0.40}}}, True),
    ],
)
def test_each_reason_alone_is_first_or_among_the_inseparable(
    name: str, changes: dict[str, Any], after_only: bool
) -> None:
    found = reasons_of(changed_roll(changes, after_only))
    assert is_found(found, name), (found.answer, [(r.name, r.probability) for r in found.ranked[:6]])


@pytest.mark.parametrize("axle", ["front", "rear"])
def test_a_wrong_pot_scale_or_motion_ratio_is_found(axle: str) -> None:
    wrong = {}
    for name, hardware in SETUPS.items():
        body = true_roll(CAR, hardware)
        body[axle] *= 1.25
        wrong[name] = body
    found = reasons_of(runs_of(wrong["A"], wrong["B"]))
    assert is_found(found, f"scale of a {axle} damper pot") or is_found(
        found, f"{axle} damper motion ratio wrong"
    )


def test_suspect_health_of_a_pot_speaks_for_its_scale() -> None:
    body = {name: true_roll(CAR, hardware) for name, hardware in SETUPS.items()}
    for table in body.values():
        table["front"] *= 1.25
    runs = runs_of(body["A"], body["B"])
    row = HealthRow("scale against the other side", "damper_FL", Verdict.SUSPECT, 1.3, 1.1, "1", "look at it")
    plain = reasons_of(runs)
    told = reasons_of(runs, Circumstances({}, {"A0": [row]}))

    def probability(found: Reasons) -> float:
        return next(r.probability for r in found.ranked if r.name == "scale of a front damper pot")

    assert probability(told) > probability(plain)
    evidence = next(r.evidence for r in told.ranked if r.name == "scale of a front damper pot")
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
    first = reasons_of(runs).ranked[0].name
    assert "bump stops" not in first


def test_conditions_that_differ_speak_for_their_reason() -> None:
    runs = changed_roll({"mass": {"corner_loads": loads(1.08)}}, after_only=True)
    conditions = {r.name: {"fuel": "10 l" if r.setup == "A" else "60 l"} for r in runs}
    found = reasons_of(runs, Circumstances(conditions, {}))
    name = "more or less load in the car after the change"
    assert is_found(found, name)
    reason = next(r for r in found.ranked if r.name == name)
    assert reason.evidence == ("fuel: 10 l before, 60 l after",)
    assert reason.size.value == pytest.approx(1.08, abs=0.04)


def test_causes_with_the_same_shape_are_said_to_be_inseparable() -> None:
    found = reasons_of(changed_roll({"mass": {"cg_height": "0.62 m"}}))
    assert found.answer.startswith("the data cannot separate")
    assert "another load in the car than on the scales" in found.answer


def test_nothing_can_be_tested_without_roll_on_both_set_ups() -> None:
    found = reasons_of(session_runs(CAR, [("A", STIFF)] * 3))
    assert found.ranked == ()
    assert "not measured" in found.answer


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
    evidence = found.ranked[0].evidence
    assert evidence[0].startswith("a dead zone of 4.0 mm")
    assert reasons_of(with_play(sound, 0.2)).none > 0.5


def test_runs_that_would_show_play_and_do_not_speak_against_it() -> None:
    loose = car({"front": {"bar": {"motion_ratio": 0.50}}})
    runs = runs_of(true_roll(loose, STIFF), true_roll(loose, SOFT), {"front": 0.25})
    assert is_found(reasons_of(runs), "free play in the front bar's links")
    name = "free play in the front bar's links"

    def factor(found: Reasons) -> float:
        return next(r.bayes_factor for r in found.ranked if r.name == name)

    assert factor(reasons_of(with_play(runs, 0.0))) < 1e-4 * factor(reasons_of(runs))


def test_friction_out_of_the_common_speaks_for_binding() -> None:
    runs = runs_of(true_roll(CAR, STIFF), true_roll(CAR, SOFT))
    rubs = [replace(r, further={"friction_front": Estimate(180.0, "N", 10.0)}) for r in runs]

    def binding(found: Reasons) -> RankedCause:
        return next(r for r in found.ranked if r.name == "front bar or link binds")

    assert binding(reasons_of(rubs)).probability > 2.0 * binding(reasons_of(runs)).probability
    assert binding(reasons_of(rubs)).evidence == ("dry friction of 180 N at each front wheel",)


@pytest.mark.parametrize(
    "cause", possible_causes(car(), ("front",)), ids=lambda cause: f"{cause.name}, {cause.where}"
)
def test_a_cause_of_one_axle_names_it_as_data(cause: Cause) -> None:
    named = [axle for axle in ("front", "rear") if axle in cause.name.split()]

    assert cause.axle == (named[0] if named else None)
    assert cause.axle is not None or cause.needs not in ("events", "play", "friction")
