"""The cards on top of the page and the strip under them: an answer in figures, or why there is none."""

from __future__ import annotations

from dataclasses import replace

import pytest
from report.synthetic_review import Options, estimate

from analyzer.comparison.results import ChangeVerdict
from analyzer.core.errors import Fault
from analyzer.core.estimate import Estimate
from analyzer.core.units import CORNERS
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.report.cards import Card, cards
from analyzer.report.page import all_plates, page_parts
from analyzer.report.tables import event_details_table, runs_table, strip_table
from analyzer.session.review import Review

GOOD = HealthRow("gap", "time", Verdict.GOOD, 0.0, 0.1, "s", "no gap")
FAULT = Fault("r01", "estimating", "ValueError", "", "analyzer.processing.motion:1", ())
STUCK = HealthRow("stuck", "damper_RR", Verdict.BAD, 9.0, 0.5, "s", "the pot stood still")


def healthy(review: Review, *per_run: HealthRow) -> Review:
    """Return a review whose checks are good, but for these: one row for each of the first runs."""
    rows = (*per_run, *[GOOD] * (len(review.recordings) - len(per_run)))
    return replace(
        review,
        recordings=tuple(
            replace(recording, health=(row,)) for recording, row in zip(review.recordings, rows, strict=True)
        ),
    )


def said(card: Card) -> str:
    return f"{card.figure} {card.words}"


def with_comparison(review: Review, **changes) -> Review:
    return replace(review, comparisons=(replace(review.comparisons[0], **changes),))


def without_dampers(review: Review, *corners: str) -> Review:
    names = [f"damper_{corner}" for corner in corners]
    return replace(
        review,
        recordings=tuple(
            replace(r, data=r.data.drop(columns=names), suspect=r.suspect.drop(columns=names))
            for r in review.recordings
        ),
        runs=tuple(replace(run, bottoming=()) for run in review.runs),
    )


def strip(review: Review) -> list[list[str]]:
    return [[f"{cell.text} {cell.remark}".strip() for cell in row] for row in strip_table(review).rows]


def test_cards_stand_in_the_order_of_the_page(review):
    assert [(card.key, card.reader) for card in cards(review)] == [
        ("team", "Team"),
        ("tuner", "Tuner"),
        ("driver", "Driver"),
    ]


def test_team_card_counts_runs_that_can_be_trusted(review, review_with):
    assert said(cards(healthy(review))[0]) == "6 of 6 runs can be trusted"
    assert said(cards(healthy(review, STUCK, STUCK))[0]) == "6 of 6 runs can be used, 2 with remarks"
    short = healthy(review_with(Options(failed=(("r07", "no table in it"),))))
    assert said(cards(short)[0]) == "6 of 7 runs can be trusted; 1 left out"
    broken = replace(review, faults=(FAULT,), runs=review.runs[1:], recordings=review.recordings[1:])
    assert said(cards(healthy(broken))[0]) == "5 of 6 runs can be trusted; 1 left out"
    one = healthy(review_with(Options(runs=("r01",), setups=("A",), compared=False)))
    assert said(cards(one)[0]) == "1 of 1 run can be trusted"


def test_team_card_says_what_takes_the_trust_away(review, review_with):
    nothing = healthy(review_with(Options(unknown=True)))
    assert said(cards(nothing)[0]).endswith("; none shows a roll gradient (no lateral force above 0.3 g)")
    marked = review.session.car.marked(("mass.wheelbase", "mass.cg_height", "rear.track_width"))
    guessed = replace(review, session=replace(review.session, car=marked))
    assert said(cards(healthy(guessed))[0]).endswith(
        "; 3 values of the sheets still TO MEASURE, what rests on them is provisional"
    )


@pytest.mark.parametrize(
    ("verdict", "ratio", "words"),
    [
        (
            ChangeVerdict.AS_PREDICTED,
            0.896,
            "−10.4 % front roll stiffness, B against A: softened as predicted (−10.7 %)",
        ),
        (
            ChangeVerdict.LESS,
            0.95,
            "−5.0 % front roll stiffness, B against A: softened, less than predicted (−10.7 %)",
        ),
        (
            ChangeVerdict.STIFFENED,
            1.12,
            "+12.0 % front roll stiffness, B against A: stiffened as predicted (−10.7 %)",
        ),
        (
            ChangeVerdict.NO_CHANGE,
            0.999,
            "−0.1 % front roll stiffness, B against A: no change seen "
            "(95 % interval −1.7 to 1.5; predicted −10.7 %)",
        ),
        (
            ChangeVerdict.CANNOT_TELL,
            0.99,
            "−1.0 % front roll stiffness, B against A: cannot tell "
            "(95 % interval −2.6 to 0.6; predicted −10.7 %)",
        ),
    ],
)
def test_tuner_card_has_change_verdict_and_prediction(review, verdict, ratio, words):
    changed = with_comparison(review, verdict=verdict, stiffness_ratio=estimate(ratio, "1", 0.008))
    assert said(cards(changed)[1]) == words


def test_tuner_card_of_both_axles_and_without_prediction(review):
    changed = with_comparison(review, axle=None, predicted_ratio=Estimate.unknown("1", "no bar in the sheet"))
    card = cards(changed)[1]
    assert said(card).startswith("−10.4 % car's roll stiffness, B against A: ")
    assert card.words.endswith("(nothing predicted)")


def test_tuner_card_says_why_it_has_no_answer(review, review_with):
    alone = cards(review_with(Options(compared=False, setups=("A",))))[1]
    assert alone == Card(
        "tuner", "Tuner", "One set-up only", "drive a second one to see what a change does", known=False
    )
    unknown = cards(review_with(Options(unknown=True)))[1]
    assert not unknown.known
    assert said(unknown) == "Not known front roll stiffness, B against A: set-up B has no usable run"


def test_tuner_card_counts_several_changes_and_names_what_went_otherwise(review_with):
    review = review_with(Options(setups=("A", "B", "C")))
    assert said(cards(review)[1]) == "2 of 2 changes as predicted"
    first, second = review.comparisons
    mixed = replace(review, comparisons=(first, replace(second, verdict=ChangeVerdict.LESS)))
    assert said(cards(mixed)[1]) == "1 of 2 changes as predicted; B to C softened, less than predicted"


def test_driver_card_counts_hard_hits_and_names_the_worst(review):
    assert said(cards(review)[2]) == "6 hard hits of 12, worst rear right in “left, banked”"
    soft = replace(review, runs=tuple(replace(run, bottoming=run.bottoming[:1]) for run in review.runs))
    assert said(cards(soft)[2]) == "6 hits, none hard, worst front right in “Bowl”"
    hard = replace(review, runs=tuple(replace(run, bottoming=run.bottoming[1:]) for run in review.runs))
    assert said(cards(hard)[2]) == "6 hard hits, worst rear right in “left, banked”"


def test_driver_card_says_how_close_it_came(review_with):
    review = review_with(Options(bottomed=False))
    near = replace(
        review, recordings=tuple(replace(r, data=r.data.clip(upper=0.038)) for r in review.recordings)
    )
    card = cards(near)[2]
    # No more than 38 mm of travel: 4 mm are left of the front's 42 mm, 8 mm of the rear's 46 mm.
    assert card.figure == "0"
    assert card.words.startswith("hits; closest front ")
    assert ", 4 mm left (r" in card.words


def test_driver_card_says_why_nobody_can_tell(review):
    blind = cards(without_dampers(review, *CORNERS))[2]
    assert not blind.known
    assert said(blind) == "No damper travel so nobody can tell whether it bottomed"
    half = cards(without_dampers(review, "RL", "RR"))[2]
    assert half.known
    assert half.words.endswith("; front alone could be watched")


def test_strip_has_gradients_with_errors_hits_and_trust(review_with):
    review = healthy(review_with(Options(failed=(("r07", "no table in it"),))), GOOD, STUCK)
    rows = strip(review)
    first = review.runs[0].roll_gradient["front"]
    assert rows[0] == ["r01 A", f"{first.value:.3f} ± 0.012", rows[0][2], "1 of 2", "ok"]
    assert rows[1][3:] == ["1 of 2", "with remarks damper RR stuck"]
    assert rows[6] == ["r07", "—", "—", "—", "left out log not usable"]
    assert len(rows) == 7
    broken = replace(review, faults=(FAULT,), runs=review.runs[1:], recordings=review.recordings[1:])
    assert strip(broken)[5:] == [
        ["r01", "—", "—", "—", "left out fault of this program"],
        ["r07", "—", "—", "—", "left out log not usable"],
    ]


def test_a_missing_figure_says_why_once_and_for_all_runs_below(review_with):
    """Seven times a run, with the run's own name before it, the reason buried what there was to read."""
    known = review_with(Options())
    why = Estimate.unknown("deg/g", "no usable lateral acceleration in the log")

    def without(run, notes=()):
        lost = replace(why, notes=(notes or (f"{run.name}: {why.notes[0]}",)))
        return replace(run, roll_gradient=dict.fromkeys(run.roll_gradient, lost))

    none = runs_table(replace(known, runs=tuple(without(run) for run in known.runs)))
    assert not any("acceleration" in cell.remark for row in none.rows for cell in row)
    assert none.note.endswith("— in all runs: no usable lateral acceleration in the log.")
    first, *others = known.runs
    one = runs_table(replace(known, runs=(without(first), *others)))
    remarks = [cell.remark for row in one.rows for cell in row if "acceleration" in cell.remark]
    assert remarks == ["No usable lateral acceleration in the log."]
    assert "in all runs" not in one.note


def test_nothing_is_drawn_or_headed_where_there_is_nothing(review_with):
    blind = without_dampers(review_with(Options(bottomed=False)), *CORNERS)
    assert "course" not in {plate.key for plate in all_plates(page_parts(blind))}
    bare = replace(blind, setups=tuple(replace(setup, ledger=()) for setup in blind.setups))
    captions = [table.caption for table in page_parts(bare)[0].tables]
    assert "Measured against predicted" not in captions
    assert "Runs: roll gradient, load share, bottoming" in captions


def test_strip_never_takes_an_unwatched_run_for_one_without_hits(review):
    assert {row[3] for row in strip(without_dampers(review, *CORNERS))} == {"— no damper travel"}
    assert {row[3] for row in strip(without_dampers(review, "FL", "FR"))} == {"no hit rear only"}
    assert {row[3] for row in strip(without_dampers(review, "FL"))} == {"no hit"}


def test_what_rounds_to_nought_has_no_sign(review: Review) -> None:
    events = [replace(event, vertical_acceleration=-0.004 * 9.80665) for event in review.runs[0].bottoming]
    runs = (replace(review.runs[0], bottoming=tuple(events)), *review.runs[1:])
    paths = [cells[7].text for cells in event_details_table(replace(review, runs=runs)).rows]
    assert "0.00 g" in paths
    assert "−0.00 g" not in paths
