"""The three answers: each says what its reader asked, for every kind of session."""

from __future__ import annotations

import io
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from report.synthetic_review import CAR, Options, estimate, make_review
from rich.console import Console

from analyzer.comparison.results import ChangeVerdict, SessionDrift, Treatment
from analyzer.core.estimate import Estimate
from analyzer.core.units import CORNERS, Axle
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.processing.results import TravelBudget
from analyzer.report.cards import cards
from analyzer.report.page import page_parts
from analyzer.report.plain_data import results_dict
from analyzer.report.sentences import (
    advice,
    beside_the_verdict,
    by_the_road,
    comparison_answer,
    driver_answer,
    driving_order,
    next_step,
    placeholder_points,
    smallest_visible,
    team_answer,
    tuner_answer,
    yielding_bars,
)
from analyzer.report.tables import findings_table, further_table
from analyzer.report.terminal import print_summary
from analyzer.sheets.car import CarSheet


def with_health(review, *rows: HealthRow):
    return replace(review, recordings=tuple(replace(r, health=rows) for r in review.recordings))


def test_team_learns_gradients_and_trust(review):
    assert team_answer(review) == (
        "All 6 runs can be used, though 6 checks ask for a second look: the front axle rolls "
        "1.978 ± 0.010 deg/g on A and 2.096 ± 0.010 deg/g on B."
    )


def test_team_learns_that_all_is_well(review):
    good = HealthRow("gap", "time", Verdict.GOOD, 0.0, 0.1, "s", "no gap")

    assert team_answer(with_health(review, good)).startswith(
        "All 6 runs can be used and every check of the logs is good: "
    )


def test_team_learns_of_bad_channels_and_runs_left_out(review_with):
    bad = HealthRow("stuck", "damper_RR", Verdict.BAD, 9.0, 0.5, "s", "the pot stood still")
    review = with_health(review_with(Options(failed=(("r07", "no table in it"),))), bad)

    assert team_answer(review).startswith("6 of 7 runs can be used, though 6 findings left channels out: ")


def test_team_learns_of_values_that_nobody_has_measured(review):
    assert placeholder_points(review) == ()
    marked = review.session.car.marked(("name", "mass.cg_height", *(f"front.bar.{n}" for n in range(13))))
    (said,) = placeholder_points(replace(review, session=replace(review.session, car=marked)))
    assert said.startswith("14 values of the sheets are still marked TO MEASURE (mass.cg_height, ")


def test_team_learns_that_nothing_could_be_estimated(review_with):
    nothing = review_with(Options(unknown=True))
    reason = nothing.runs[0].roll_gradient["front"].notes[0]
    assert (
        team_answer(nothing) == f"No run shows a roll gradient: {reason[:1].lower()}{reason[1:].rstrip('.')}."
    )


def test_a_channel_missing_in_all_runs_is_one_line_of_the_page(review):
    missing = HealthRow("missing", "accel_y", Verdict.BAD, None, None, "", "Not logged.")
    stuck = HealthRow("stuck", "damper_RR", Verdict.BAD, 9.0, 0.5, "s", "the pot stood still")
    found = with_health(review, missing)
    first = replace(found.recordings[0], health=(missing, stuck))
    table = findings_table(replace(found, recordings=(first, *found.recordings[1:])))
    assert [[cell.text for cell in row][:3] for row in table.rows] == [
        ["all 6", "accel_y", "missing"],
        [first.run, "damper_RR", "stuck"],
    ]
    noted = replace(review, runs=tuple(replace(run, notes=("short",)) for run in review.runs))
    (fold,) = (fold for fold in page_parts(noted)[0].folds if fold.title == "Remarks on the runs")
    assert fold.lines == ("all runs: Short.",)


def test_a_finding_of_several_runs_is_one_line_with_the_figures_of_the_worst(review):
    def logs(values):
        rows = (
            HealthRow("zero", "damper_RL", Verdict.SUSPECT, value, 4.0, "mm", f"Reads {value} mm at rest.")
            for value in values
        )
        return tuple(replace(log, health=(row,)) for log, row in zip(review.recordings, rows, strict=True))

    same = replace(review, recordings=logs([5.7, 5.6, 6.3, 5.6, 5.6, 5.7]))
    (row,) = findings_table(same).rows
    worst = review.recordings[2].run
    assert [row[0].text, row[4].text] == ["all 6", "6.3 mm"]
    assert row[6].text == f"Reads 6.3 mm at rest (figures of {worst})."
    assert f"run={worst}" in row[1].moment
    alike = findings_table(replace(review, recordings=logs([5.7] * 6))).rows
    assert [cells[6].text for cells in alike] == ["Reads 5.7 mm at rest."]


def test_tuner_is_warned_of_a_bar_that_was_driven_and_would_yield(review):
    assert yielding_bars(review.setups) == ()

    def weak(name, factor, marks=()):
        setup = next(found for found in review.setups if found.name == name)
        told = replace(setup.predicted.bars["front"], stress_factor=Estimate(factor, "1", provisional=marks))
        return replace(setup, predicted=replace(setup.predicted, bars={"front": told}))

    found = replace(review, setups=(weak("A", 0.84), weak("B", 1.2)))
    (said,) = yielding_bars(found.setups)
    assert said == (
        "A bar that was driven would yield with one wheel in full bump and the other in full droop (yield "
        "strength over stress there, by the car sheet: front, hole 2, no spacers, on A: 0.84). Limit the "
        "travel or fit a stronger bar, and let a qualified person judge it; series rules have the last word."
    )
    assert page_parts(found)[1].points[0] == said
    out = io.StringIO()
    print_summary(found, Console(file=out, width=1000))
    assert said in out.getvalue()
    assert results_dict(found)["setups"][0]["predicted"]["bars"]["front"]["stress_factor"]["value"] == 0.84
    (marked,) = yielding_bars([weak("A", 0.84, ("front.bar.tube.wall",))])
    assert "on A: 0.84, provisional until front.bar.tube.wall is measured). Limit" in marked
    (both,) = yielding_bars([weak("A", 0.84), weak("B", 0.9)])
    assert both.startswith("Bars that were driven would yield")
    assert both.count("Limit the travel") == 1
    # Of a set-up that nobody drove nothing is on the car.
    idle = replace(weak("A", 0.84), runs=())
    assert yielding_bars([idle]) == ()


def test_parts_stand_in_percent_on_the_page_and_as_parts_in_the_data(review):
    row = HealthRow("roll moment of the wheel loads", "wheel loads", Verdict.BAD, -0.098, 0.07, "1", "Look.")
    found = replace(review, recordings=(replace(review.recordings[0], health=(row,)),))
    assert [cell.text for cell in findings_table(found).rows[0][4:6]] == ["−9.8 %", "7 %"]
    stuck = replace(row, check="spikes", value=3.0, threshold=0.0)
    found = replace(review, recordings=(replace(review.recordings[0], health=(stuck,)),))
    assert [cell.text for cell in findings_table(found).rows[0][4:6]] == ["3", "0"]
    further = {
        "roll_moment_closure": Estimate(-0.098, "1", 0.002, (-0.102, -0.094)),
        "roll_damping_ratio": Estimate(0.35, "1", 0.02, (0.31, 0.39)),
    }
    run = replace(review.runs[0], further=further)
    rows = {cells[0].text: [cell.text for cell in cells[1:3]] for cells in further_table(run).rows}
    assert rows["roll moment closure"] == ["−9.80 ± 0.20 %", "−10.2 to −9.4"]
    assert rows["roll damping ratio"] == ["0.350 ± 0.020", "0.31 to 0.39"]
    (of_the_data, *_) = results_dict(replace(review, runs=(run, *review.runs[1:])))["runs"]
    assert of_the_data["further"]["roll_moment_closure"]["value"] == -0.098


def test_tuner_learns_the_change_with_interval_and_prediction(review):
    assert tuner_answer(review) == (
        "B softened the car as predicted: front roll stiffness fell by 10.4 % (95 % interval 8.8 to 12.0) "
        "against A; predicted −10.7 % (−11.9 to −9.5)."
    )


@pytest.mark.parametrize(
    ("verdict", "ratio", "words"),
    [
        (
            ChangeVerdict.LESS,
            0.95,
            "B softened the car, less than predicted: front roll stiffness fell by 5.0 %",
        ),
        (
            ChangeVerdict.MORE,
            0.80,
            "B softened the car, more than predicted: front roll stiffness fell by 20.0 %",
        ),
        (ChangeVerdict.NO_CHANGE, 1.004, "No change seen from A to B: front roll stiffness changed by 0.4 %"),
        (
            ChangeVerdict.STIFFENED,
            1.10,
            "B stiffened the car as predicted: front roll stiffness rose by 10.0 %",
        ),
        (ChangeVerdict.CANNOT_TELL, 0.99, "These runs cannot tell whether B changed the car: front roll"),
    ],
)
def test_tuner_learns_every_verdict(review, verdict, ratio, words):
    comparison = replace(review.comparisons[0], verdict=verdict, stiffness_ratio=estimate(ratio, "1", 0.008))

    assert comparison_answer(comparison).startswith(words)
    assert next_step(comparison).startswith("Next: ")
    assert comparison_answer(comparison).count(".  ") == 0


def test_a_change_that_cannot_be_laid_to_one_axle_says_so(review):
    comparison = replace(
        review.comparisons[0],
        verdict=ChangeVerdict.CANNOT_TELL,
        stiffness_ratio=estimate(0.90, "1", 0.008),
    )

    assert comparison_answer(comparison).startswith(
        "B changed the car, but these runs cannot tell whether it was front roll stiffness alone:"
    )
    assert "nothing else changed" in next_step(comparison)


def test_a_rise_reads_from_small_to_large(review):
    comparison = replace(
        review.comparisons[0], verdict=ChangeVerdict.STIFFENED, stiffness_ratio=estimate(1.10, "1", 0.01)
    )

    assert "rose by 10.0 % (95 % interval 8.0 to 12.0)" in comparison_answer(comparison)


def test_a_predicted_stiffening_is_no_alarm(review):
    comparison = replace(
        review.comparisons[0],
        verdict=ChangeVerdict.STIFFENED,
        stiffness_ratio=estimate(1.10, "1", 0.01),
        predicted_ratio=estimate(1.11, "1", 0.01),
    )

    assert "wrong way round" not in next_step(comparison)


def test_tuner_learns_why_nothing_can_be_told(review_with):
    assert tuner_answer(review_with(Options(unknown=True))) == (
        "These runs cannot tell what B did to front roll stiffness: set-up B has no usable run."
    )


def test_tuner_reads_several_changes_in_short_form(review_with):
    answer = tuner_answer(review_with(Options(setups=("A", "B", "C"))))

    assert answer == "A to B: softened as predicted; B to C: softened as predicted."


def test_one_set_up_has_no_change_to_judge(review_with):
    answer = tuner_answer(review_with(Options(setups=("A",), compared=False)))

    assert answer.startswith("One set-up was driven, so there is no change to judge")


def test_the_smallest_visible_change_is_in_percent(review):
    comparison = review.comparisons[0]
    unknown = replace(comparison, smallest_visible=Estimate.unknown("1", "one run per set-up"))

    assert smallest_visible(comparison) == "The smallest change these runs could have shown is 2.4 %."
    assert smallest_visible(unknown).endswith("is not known: one run per set-up.")


def test_driver_learns_where_which_corner_and_how_hard(review):
    answer = driver_answer(review)

    assert answer.startswith(
        "It bottomed 12 times in all 6 runs, 6 of them hard; hardest at the rear right in "
    )
    assert " mm into the bump stop (r0" in answer


def test_driver_learns_how_close_it_came(review_with):
    answer = driver_answer(review_with(Options(bottomed=False)))

    # Of all dampers of the made-up session the front ones come closest to their 42 mm.
    assert answer.startswith(("No damper reached its bump stop; the front", "No bottoming event was found"))


def test_driver_learns_that_the_gap_is_missing(review_with):
    review = review_with(Options(bottomed=False))
    car = review.session.car
    axles = {
        axle: car.axle(axle).model_copy(
            update={"damper": car.axle(axle).damper.model_copy(update={"bump_stop_gap": None})}
        )
        for axle in ("front", "rear")
    }
    bare = replace(review, session=replace(review.session, car=car.model_copy(update=axles)))

    assert "states no bump-stop gap" in driver_answer(bare)


def test_driver_learns_that_no_travel_was_logged(review_with):
    review = review_with(Options(bottomed=False))
    blind = replace(review, recordings=tuple(replace(r, data=r.data.iloc[:, :0]) for r in review.recordings))

    assert driver_answer(blind) == (
        "No damper travel was logged, so nobody can tell whether the car bottomed."
    )


def test_driver_learns_that_the_pots_are_not_calibrated(review):
    """With marked or missing calibrations a depth of a hit would be a figure of nothing."""
    marks = [f"logger.channels.damper_{corner}" for corner in CORNERS]
    sheet = tomllib.loads(
        CAR
        + "[logger.channels]\n"
        + "\n".join(f'{mark[16:]} = {{ column = "{mark}", unit = "mm" }}' for mark in marks)
    )
    car = CarSheet.model_validate(sheet)

    def said(*marked):
        return replace(review, session=replace(review.session, car=car.marked(marked)))

    unknown = (
        "Nobody can tell yet whether the car bottomed: damper travel was logged, but there is no "
        "calibration of "
    )
    assert driver_answer(said(*marks)).startswith(unknown + "damper_FL, damper_FR, damper_RL and damper_RR.")
    assert cards(said(*marks))[2].figure == "Damper pots not calibrated"
    assert not cards(said(*marks))[2].known
    # One that is calibrated still shows its hits.
    assert driver_answer(said(*marks[:3])).startswith("It bottomed")
    # A column of which no sheet says the unit is no travel, but it was logged.
    bare = {f"damper_{corner}": f"other_damper_{corner}" for corner in CORNERS}
    raw = replace(
        review,
        recordings=tuple(replace(r, data=r.data.rename(columns=bare)) for r in review.recordings),
        runs=tuple(replace(run, bottoming=()) for run in review.runs),
    )
    assert driver_answer(raw).startswith(unknown)
    out = io.StringIO()
    print_summary(said(*marks), Console(file=out, width=300))
    assert "into stop" not in out.getvalue()


def test_an_answer_that_nobody_has_is_not_provisional(review_with):
    review = review_with(Options(bottomed=False))
    marked = review.session.car.marked(("front.damper.bump_stop_gap",))
    stops = {"front": replace(estimate(0.042, "m", 0.001), provisional=("front.damper.bump_stop_gap",))}
    blind = replace(
        review,
        session=replace(review.session, car=marked),
        recordings=tuple(replace(r, data=r.data.iloc[:, :0]) for r in review.recordings),
        runs=tuple(replace(run, stops=stops) for run in review.runs),
    )
    assert driver_answer(blind) == "No damper travel was logged, so nobody can tell whether the car bottomed."


@pytest.mark.parametrize(
    ("budget", "word"),
    [
        (TravelBudget(0.03, 0.01, 0.0, 0.0), "a bar does not act"),
        (TravelBudget(0.01, 0.03, 0.0, 0.0), "a stiffer bar on this axle takes it down"),
        (TravelBudget(0.0, 0.0, 0.02, -0.01), "mostly pitch"),
        (TravelBudget(0.0, 0.0, 0.0, 0.01), "mostly warp"),
        (None, "causes not known"),
    ],
)
def test_advice_follows_the_largest_part_of_the_travel(review, budget, word):
    assert word in advice(replace(review.runs[0].bottoming[0], budget=budget))


def test_tuner_learns_order_drift_and_what_was_done(review):
    def told(size, odds, treatment, order=(("A", 2), ("B", 3), ("A", 1))):
        drift = SessionDrift(order, size, size, odds, treatment, 0.2)
        return driving_order(replace(review.comparisons[0], drift=drift))

    small = estimate(-0.030, "1", 0.002)
    assert told(small, 50.0, Treatment.TAKEN_OUT) == (
        "Driven: 2 on A, 3 on B, 1 on A. A drift of −3.0 % (95 % interval −3.4 to −2.6) from the first run "
        "to the last is taken out of the change."
    )
    room = "the change is corrected by the likely part of it and the interval leaves room for the rest."
    assert told(small, 2.0, Treatment.WIDENED).endswith(room)
    assert "last is likely; it cancels" in told(small, 2.0, Treatment.CANCELS)
    assert "No drift shows: −3.0 %" in told(small, 0.5, Treatment.WIDENED)
    assert "Too few runs to tell drift from scatter; a steady one" in told(small, None, Treatment.CANCELS)
    single = (("A", 1), ("B", 1))
    unknown = told(Estimate.unknown("1", "why"), None, Treatment.WIDENED, single)
    assert unknown == (
        "Driven: A, B. Drift cannot be told from the set-ups in this order; the "
        "interval leaves room for it, since this order leans to one side."
    )
    # The order looks even to the driver, so it is not the order that is blamed.
    even = told(small, 0.5, Treatment.WIDENED, (("A", 1), ("B", 2), ("A", 1)))
    assert "since the runs' errors differ, so that this even order leans" in even
    many = told(small, 2.0, Treatment.CANCELS, single * 7)
    assert many.startswith("Driven: A, B, A, B, A, B, A, B, A, B, A, B and 2 more blocks. ")
    assert driving_order(replace(review.comparisons[0], drift=None)) == ""


def test_page_and_terminal_say_the_drift(review):
    size, per_run = estimate(-0.03, "1", 0.002), estimate(-0.006, "1", 0.0004)
    drift = SessionDrift((("A", 3), ("B", 3)), size, per_run, 50.0, Treatment.TAKEN_OUT, 0.6)
    drifted = replace(review, comparisons=(replace(review.comparisons[0], drift=drift),))
    console = Console(width=300, file=io.StringIO())
    print_summary(drifted, console)

    line = "Driven: 3 on A, 3 on B. A drift of −3.0 %"
    assert line in console.file.getvalue()
    assert any(point.startswith(line) for point in page_parts(drifted)[1].points)


def test_a_change_just_seen_is_told_as_at_least(review):
    """Seen, but smaller than what the runs are sure to show: what is measured is too large on average."""
    comparison = replace(
        review.comparisons[0],
        stiffness_ratio=estimate(0.99, "1", 0.0035),
        smallest_visible=Estimate(0.012, "1"),
    )

    assert (
        "front roll stiffness fell by at least 0.3 % (just seen; measured 1.0 %, 95 % interval 0.3 to 1.7)"
        in (comparison_answer(comparison))
    )
    assert "just seen" in cards(replace(review, comparisons=(comparison,)))[1].words
    surely = replace(comparison, smallest_visible=Estimate(0.009, "1"))
    assert "at least" not in comparison_answer(surely)
    hidden = replace(comparison, stiffness_ratio=estimate(0.99, "1", 0.01), verdict=ChangeVerdict.CANNOT_TELL)
    assert "at least" not in comparison_answer(hidden)


def test_a_prediction_of_nothing_reads_as_one(review):
    nothing = replace(
        review.comparisons[0],
        predicted_ratio=Estimate(1.0, "1", 0.0, (1.0, 1.0)),
        stiffness_ratio=estimate(0.999, "1", 0.001),
        verdict=ChangeVerdict.UNCHANGED,
    )

    assert comparison_answer(nothing) == (
        "Unchanged from A to B, as predicted: front roll stiffness changed by −0.10 % (95 % interval −0.30 "
        "to 0.10) against A; no change predicted."
    )
    card = cards(replace(review, comparisons=(nothing,)))[1].words
    assert "unchanged (95 % interval −0.30 to 0.10; predicted no change)" in card


def test_a_rise_that_was_predicted_is_not_read_as_a_fall(review):
    comparison = replace(review.comparisons[0], predicted_ratio=estimate(1.053, "1", 0.003))
    assert "fell by 10.4 %" in comparison_answer(comparison)
    assert "; predicted +5.3 % (" in comparison_answer(comparison)


@pytest.mark.parametrize("verdict", ChangeVerdict)
def test_every_verdict_has_its_words_and_its_next_step(review, verdict):
    comparison = replace(review.comparisons[0], verdict=verdict)

    assert comparison_answer(comparison)
    assert next_step(comparison).startswith("Next: ")


def test_after_no_change_the_bar_itself_is_looked_at(review):
    comparison = replace(
        review.comparisons[0], verdict=ChangeVerdict.NO_CHANGE, stiffness_ratio=estimate(1.0, "1", 0.005)
    )

    assert "check that the bar is connected" in next_step(comparison)


SOFTER = Estimate(0.9, "1", 0.004, (0.892, 0.908))


@pytest.mark.parametrize(
    ("axle", "predicted", "said"),
    [
        (
            "front",
            0.905,
            "over rear roll stiffness −10.0 % (95 % interval −10.8 to −9.2); −9.5 % is predicted.",
        ),
        (
            "rear",
            0.905,
            "over front roll stiffness +11.1 % (95 % interval 10.1 to 12.1); +10.5 % is predicted.",
        ),
        (None, 0.95, "−5.0 % is predicted, which disagrees: check springs, bar and pots of both axles."),
    ],
)
def test_what_the_road_says_of_a_bar_stands_beside_the_prediction(
    axle: Axle | None, predicted: float, said: str, tmp_path: Path
) -> None:
    one = make_review(tmp_path).comparisons[0]
    sheets = Estimate(predicted, "1", 0.003, (predicted - 0.006, predicted + 0.006))
    prediction = replace(one.prediction, front_over_rear=sheets)
    shown = replace(one, axle=axle, front_over_rear=SOFTER, prediction=prediction)
    assert by_the_road(shown).endswith(said)
    assert by_the_road(shown) in beside_the_verdict(shown)
    # What nobody has measured disagrees with nothing, and is marked.
    guessed = replace(one.prediction, front_over_rear=replace(sheets, provisional=("front.spring.rate",)))
    assert by_the_road(replace(shown, prediction=guessed)).endswith("is predicted (provisional).")
    # What is unknown is not spoken of.
    assert not by_the_road(replace(shown, front_over_rear=Estimate.unknown("1", "smooth road")))
