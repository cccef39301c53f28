"""Figures that rest on what nobody has measured are provisional; verdicts that hang on it are held back."""

from __future__ import annotations

import io
import re
from dataclasses import fields, replace
from itertools import pairwise

import pytest
from rich.console import Console

from analyzer.comparison.choosing.choose import choose
from analyzer.comparison.choosing.wishes import parse_wish
from analyzer.comparison.results import Answer, ChangeVerdict
from analyzer.comparison.setups import setup_results
from analyzer.core.estimate import Estimate
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.prediction.propagation import COUNTS, OFF, OFF_ERRORS, replace_values, sheet_inputs
from analyzer.prediction.setup import predict_change, predict_setup
from analyzer.processing.estimate_run import with_provisional
from analyzer.processing.loads import TITLES
from analyzer.report.cards import cards
from analyzer.report.plain_data import confirmation_json, csv_tables, results_dict
from analyzer.report.sentences import driver_answer, next_step, placeholder_points, tuner_answer
from analyzer.report.tables import runs_table
from analyzer.report.terminal import print_choice, print_summary
from analyzer.session.decisions import confirm_change
from analyzer.session.review import compare_pair, predict_session
from analyzer.sheets.read import read_car, read_session
from analyzer.vehicle.completion import complete_car


def marked_review(review, *marks: str):
    """Return a review as it would be with these marks in its sheets, from what its runs have shown."""
    own = [mark for mark in marks if mark.startswith("setups.")]
    sheet = review.session.sheet
    setups = {
        name: setup.marked([mark for mark in own if mark.startswith(f"setups.{name}.")])
        for name, setup in sheet.setups.items()
    }
    session = replace(
        review.session,
        car=review.session.car.marked([mark for mark in marks if mark not in own]),
        sheet=sheet.model_copy(update={"setups": setups}).marked(own),
    )
    runs = [with_provisional(run, session.car, setups[run.setup]) for run in review.runs]
    results = setup_results(session.car, setups, runs, predict_session(session))
    compared = tuple(compare_pair(session, *pair, runs, results) for pair in pairwise(results))
    return replace(review, session=session, runs=tuple(runs), setups=results, comparisons=compared)


def estimates(item, place=""):
    """Yield every estimate in a result with its place."""
    if isinstance(item, Estimate):
        yield place, item
    elif isinstance(item, dict):
        for key, value in item.items():
            yield from estimates(value, f"{place}.{key}")
    elif isinstance(item, (list, tuple)):
        for number, value in enumerate(item):
            yield from estimates(value, f"{place}[{number}]")
    elif hasattr(item, "__dataclass_fields__"):
        for field in fields(item):
            yield from estimates(getattr(item, field.name), f"{place}.{field.name}")


@pytest.mark.parametrize(
    ("check", "off"), [(TITLES["roll_moment_closure"], -0.3), (TITLES["vertical_closure"], -0.06)]
)
def test_loads_that_do_not_add_up_by_placeholders_are_no_finding(sample_review, check: str, off: float):
    """A sheet still to be measured was told of a BAD row and to look at all its values."""
    car, setups = sample_review.session.car, sample_review.session.sheet.setups
    row = HealthRow(check, "wheel loads", Verdict.BAD, off, 0.02, "1", "the wheel loads do not add up")
    (first, *_) = sample_review.runs
    run = replace(first, checks=(row,))
    whole = ["mass", "front.spring", "rear.spring", "front.track_width", "rear.track_width", "front.bar"]
    (told,) = with_provisional(run, car.marked(whole), setups[run.setup]).checks
    assert told.verdict is Verdict.NOT_TESTED
    assert f"{100.0 * off:+.1f} %" in told.comment
    assert "front." in told.comment
    # What could not be the reason takes no finding away.
    for marks in ((), ["rear.damper.full_bump"], ["front.wheel_radius"]):
        assert with_provisional(run, car.marked(marks), setups[run.setup]).checks == (row,)


def test_a_sheet_knows_its_marks(sample_session, tmp_path):
    text = (sample_session / "car.toml").read_text(encoding="utf-8")
    line = next(line for line in text.splitlines() if line.startswith("cg_height"))
    marked = line.partition("#")[0] + "# TO MEASURE: whole car"
    (tmp_path / "car.toml").write_text(text.replace(line, marked), encoding="utf-8")
    car = read_car(tmp_path / "car.toml")
    assert car.unmeasured == ("mass.cg_height",)
    assert complete_car(car)[0].unmeasured == car.unmeasured
    assert read_car(sample_session / "car.toml").unmeasured == ()
    assert car.model_dump() == read_car(sample_session / "car.toml").model_dump()


def test_a_set_up_knows_its_own_marks_whatever_its_name(tmp_path):
    path = tmp_path / "session.toml"
    path.write_text(
        'name = "n" # TO MEASURE\ncar = "car.toml"\n[setups.A]\nfront_bar = { hole = 1 } # TO MEASURE\n'
        '[setups."soft rear"]\nrear_bar = "off" # TO MEASURE\n[[runs]]\nname="r"\nlogs=["l"]\nsetup = "A"\n',
        encoding="utf-8",
    )
    sheet = read_session(path)
    assert sheet.setups["A"].unmeasured == ("setups.A.front_bar",)
    assert sheet.setups["soft rear"].unmeasured == ("setups.soft rear.rear_bar",)
    assert sheet.unmeasured == ("name", "setups.A.front_bar", "setups.soft rear.rear_bar")


def test_a_predicted_figure_is_provisional_exactly_where_the_placeholder_moves_it(sample_review):
    """Against the prediction of a car with that quantity off; what lies near the limit may go either way."""
    car, _ = complete_car(sample_review.session.car)
    name, setup = next(iter(sample_review.session.sheet.setups.items()))
    plain = dict(estimates(predict_setup(car, name, setup)))
    told = 0
    for item in sheet_inputs(car):
        if "doubt" in item.key or "camber" in item.key or "modulus" in item.key:
            continue  # filled in, so no key of the sheet that could be marked
        found = dict(estimates(predict_setup(car.marked((item.key,)), name, setup)))
        off = max(OFF * abs(item.value), OFF_ERRORS * item.std)
        # By a small step: the farthest ones bend the figures.
        moved = predict_setup(replace_values(car, {item.key: item.value + 0.05 * off}), name, setup)
        for place, estimate in estimates(moved):
            there = plain[place]
            if there.value is None or not there.std_error:
                continue
            weight = 20.0 * abs(estimate.value - there.value) / there.std_error
            if not 0.6 * COUNTS < weight < 1.6 * COUNTS:
                assert bool(found[place].provisional) == (weight > COUNTS), (item.key, place, weight)
                told += weight > COUNTS
            assert found[place].value == there.value
    assert told > 100


def test_a_measured_change_does_not_rest_on_the_cg_height(sample_review):
    found = marked_review(sample_review, "mass.cg_height")
    (comparison,) = found.comparisons
    assert comparison.verdict is ChangeVerdict.HELD_BACK
    assert comparison.unmeasured == ("mass.cg_height",)
    assert comparison.stiffness_ratio.provisional == ("mass.cg_height",)
    # What both axles rolled before and after, and the ratio of two stiffnesses of a bar: no height in it.
    assert all(not ratio.provisional for ratio in comparison.gradient_ratio.values())
    assert not comparison.predicted_ratio.provisional
    for run in found.runs:
        assert not any(e.provisional for e in run.roll_gradient_body.values())
        assert run.roll_gradient["total"].provisional == ("mass.cg_height",)
    for setup in found.setups:
        for row in setup.ledger:
            told = row.ratio.provisional
            assert (row.agrees is None) == bool(told)
        assert not setup.predicted.roll_stiffness["front"].provisional
        assert setup.predicted.roll_gradient["front"].provisional == ("mass.cg_height",)


@pytest.mark.parametrize(
    "marks",
    [
        ("mass.cg_height", "front.spring", "rear.track_width", "front.bar.kind", "logger.channels.damper_RL"),
        ("setups.A.front_bar", "rear.damper", "mass.corner_loads"),
    ],
)
def test_no_measured_figure_moves(sample_review, marks):
    found = marked_review(sample_review, *marks)
    for part in ("runs", "setups", "comparisons"):
        before = dict(estimates(list(getattr(sample_review, part))))
        after = dict(estimates(list(getattr(found, part))))
        assert before.keys() == after.keys()
        assert all(replace(after[place], provisional=()) == before[place] for place in before)
        assert any(estimate.provisional for estimate in after.values())


def test_what_no_verdict_hangs_on_holds_none_back(sample_review):
    found = marked_review(
        sample_review, "name", "rear.damper.full_droop", "mass.unsprung.rear", "logger.imu.position"
    )
    (comparison,) = found.comparisons
    assert comparison == sample_review.comparisons[0]


@pytest.mark.parametrize(
    ("mark", "held"),
    [
        ("front.bar.tube.material", True),
        ("front.bar.holes", True),
        ("setups.B.front_bar", True),
        ("setups.B.notes", False),
        ("front.bar.bolt", False),
    ],
)
def test_words_and_settings_count_where_the_bar_does(sample_review, mark, held):
    (comparison,) = marked_review(sample_review, mark).comparisons
    assert (comparison.verdict is ChangeVerdict.HELD_BACK) is held
    assert comparison.unmeasured == ((mark,) if held else ())
    rear = predict_setup(
        sample_review.session.car.marked((mark,)), "A", sample_review.session.sheet.setups["A"]
    )
    assert not rear.roll_stiffness["rear"].provisional


def test_a_bar_that_is_off_rests_on_its_setting_and_on_no_size(sample_review):
    setup = sample_review.session.sheet.setups["A"]
    off = setup.model_copy(update={"front_bar": "off"}).marked(("setups.A.front_bar",))
    car = sample_review.session.car.marked(("front.bar.holes",))
    found = predict_setup(car, "A", off)
    assert found.roll_stiffness["front"].provisional == ("setups.A.front_bar",)
    change = predict_change(car, "A", off, "B", sample_review.session.sheet.setups["B"])
    assert set(change.stiffness_ratio["front"].provisional) == {"setups.A.front_bar", "front.bar.holes"}


def test_pots_that_nobody_has_calibrated_are_in_what_they_measure(sample_review):
    found = marked_review(sample_review, "logger.channels.damper_FL")
    (comparison,) = found.comparisons
    for run in found.runs:
        assert run.roll_gradient_body["front"].provisional == ("logger.channels.damper_FL",)
        assert run.stops["front"].provisional
        assert not run.stops["rear"].provisional
        assert run.load_share["front"].left_share.provisional
        assert not run.load_share["rear"].left_share.provisional
    # Its scale is in both set-ups' roll alike, and in the ratio only as far as that changed.
    assert all(not ratio.provisional for ratio in comparison.gradient_ratio.values())
    assert not comparison.predicted_ratio.provisional


def test_it_is_said_wherever_a_figure_is_shown(sample_review):
    found = marked_review(
        sample_review, "mass.cg_height", "front.damper.bump_stop_gap", "front.spring.motion_ratio"
    )
    team, tuner, driver = cards(found)
    assert "provisional" in team.words
    assert "held back until" in tuner.words
    assert "mass.cg_height" in tuner.words
    assert tuner.words.endswith("provisional")
    assert driver.words.endswith("provisional until front.damper.bump_stop_gap is measured")
    assert "Held back whether B did as predicted, until" in tuner_answer(found)
    assert next_step(found.comparisons[0]).startswith("Next: measure what is named")
    assert driver_answer(found).endswith("Provisional until front.damper.bump_stop_gap is measured.")
    assert "3 values" in placeholder_points(found)[0]
    assert "front.spring.motion_ratio and mass.cg_height are measured: " in tuner_answer(found)
    told = io.StringIO()
    print_summary(found, Console(file=told, width=80))
    assert re.search(
        r"roll stiffness front, +[\d±−. *]+$", told.getvalue(), re.M
    )  # its unit is not broken in two
    remarks = [cell.remark for row in runs_table(found).rows for cell in row]
    assert "Provisional." in remarks
    table = results_dict(found)
    run, comparison = table["runs"][0], table["comparisons"][0]
    assert run["roll_gradient"]["front"]["provisional"] == ["front.spring.motion_ratio"]
    assert comparison["verdict"] == "held back until measured"
    assert comparison["unmeasured"] == list(found.comparisons[0].unmeasured)
    header, first = csv_tables(table)["runs.csv"].splitlines()[:2]
    assert header.endswith(",provisional")
    assert first.endswith(",front.spring.motion_ratio")


def test_confirm_names_no_cause_and_says_what_to_measure(sample_review):
    found = marked_review(sample_review, "mass.cg_height")
    told = confirmation_json(confirm_change(found, "A", "B"))
    assert told["verdict"] == "held back until measured"
    assert told["unmeasured"] == ["mass.cg_height"]
    assert told["stiffness"]["A"]["front"]["provisional"] == ["mass.cg_height"]
    assert told["reasons"]["kind"] == Answer.HELD_BACK.value
    assert told["reasons"]["named"] == []
    assert told["reasons"]["unmeasured"] == ["mass.cg_height"]
    assert "mass.cg_height" in told["reasons"]["answer"]
    assert told["plan"].startswith("measure what is marked")


def test_a_choice_says_what_its_figures_and_chances_rest_on(sample_review, capsys):
    session = sample_review.session
    wish, setup = parse_wish("front 5 % softer"), session.sheet.setups["B"]

    def printed(car) -> str:
        print_choice(choose(car, wish, setup), Console(width=80))
        return " ".join(capsys.readouterr().out.split())

    told = printed(session.car.marked(("mass.cg_height",)))
    assert "Provisional (* in tables), chances too, until mass.cg_height is measured." in told
    assert " *" in told
    plain = printed(session.car)
    assert "Provisional" not in plain


def test_a_run_that_shows_nothing_has_nothing_to_call_provisional(sample_review):
    run, session = sample_review.runs[0], sample_review.session
    data = run.motion.data.assign(specific_force_y=0.0)
    reason = Estimate.unknown("deg/g", "no lateral force above 0.3 g")
    still = replace(
        run,
        motion=replace(run.motion, data=data),
        roll_gradient=dict.fromkeys(run.roll_gradient, reason),
        roll_gradient_body=dict.fromkeys(run.roll_gradient_body, reason),
    )
    marks = ("mass.cg_height", "front.spring", "rear.tyre_rate")
    found = with_provisional(still, session.car.marked(marks), session.sheet.setups[run.setup])
    assert found.roll_gradient == still.roll_gradient
    assert with_provisional(run, session.car, session.sheet.setups[run.setup]) is run
