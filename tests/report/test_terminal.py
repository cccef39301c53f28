"""What commands print: three answers in order, then what `check` found; 80 columns, no colour when piped."""

from __future__ import annotations

import io

import pytest
from report.hostile import HOSTILE
from report.synthetic_review import Options
from rich.cells import cell_len
from rich.console import Console

from analyzer.report.sentences import driver_answer, team_answer, tuner_answer
from analyzer.report.terminal import print_health, print_summary
from analyzer.session.review import CheckOutcome, check_path


def printed(review, width: int = 80) -> str:
    out = io.StringIO()
    print_summary(review, Console(file=out, width=width, highlight=False))
    return out.getvalue()


def flat(text: str) -> str:
    return " ".join(text.split())


def test_each_part_starts_with_its_answer_in_order(review):
    text = flat(printed(review))

    places = [
        text.index(f"{reader} {flat(answer)}")
        for reader, answer in (
            ("Team", team_answer(review)),
            ("Tuner", tuner_answer(review)),
            ("Driver", driver_answer(review)),
        )
    ]
    assert places == sorted(places)


def test_tuner_part_says_what_was_visible_and_what_next(review):
    text = flat(printed(review))

    assert "The smallest change these runs could have shown is 2.4 %." in text
    assert "Next: the sheet predicts this car" in text


def test_lines_fit_eighty_columns_without_colour(review):
    text = printed(review)

    assert max(len(line.rstrip()) for line in text.splitlines()) <= 80
    assert "\x1b" not in text


def test_every_run_has_a_row_and_those_left_out_a_reason(review_with):
    text = printed(review_with(Options(failed=(("r07", "r07.csv: no table in it; name the header row"),))))

    for run in ("r01", "r06"):
        assert any(line.split()[:1] == [run] for line in text.splitlines())
    assert "r07 left out: r07.csv: no table in it; name the header row" in flat(text)


def test_the_same_finding_of_many_runs_is_told_once(review):
    text = flat(printed(review))

    assert "r01, r02, r03, r04, r05 and r06 damper_RR stuck: the pot stood still" in text
    assert text.count("the pot stood still") == 1


@pytest.mark.parametrize("name", list(HOSTILE.values()), ids=list(HOSTILE))
def test_hostile_names_do_no_harm(review_with, name: str):
    options = Options(
        session=name, car=name, section=name, channel=name, runs=(name, "r02"), setups=(name, "B")
    )

    text = printed(review_with(options))

    assert "\x1b" not in text
    assert len(text) < 20_000
    assert "Driver" in text


@pytest.mark.parametrize(
    "options",
    [
        Options(unknown=True),
        Options(compared=False, setups=("A",)),
        Options(bottomed=False),
        Options(setups=("A", "B", "C")),
    ],
    ids=["unknown", "one set-up", "no bottoming", "three set-ups"],
)
def test_every_kind_of_session_is_told(review_with, options):
    text = printed(review_with(options))

    assert "nan" not in text.lower().split()
    assert "None" not in text


# ``analyzer check``: findings, what was not tested, how logs were read, what to do next.


def checked(outcome: CheckOutcome, width: int = 80) -> list[str]:
    stream = io.StringIO()
    print_health(outcome, Console(file=stream, width=width, highlight=False))
    return stream.getvalue().splitlines()


@pytest.fixture(scope="module")
def faulty(sample_session) -> CheckOutcome:
    return check_path(sample_session / "faults", lambda _what, _done, _steps: None)


def test_findings_stand_under_their_log_bad_ones_first(faulty: CheckOutcome):
    lines = checked(faulty)

    assert lines[0].startswith("f01: 51.6 s at 100 Hz")
    assert lines[1].startswith("  bad:     damper_FR, inverted: this pot goes the wrong way")
    words = [line.split(":")[0].strip() for line in lines if line.startswith(("  bad:", "  suspect:"))]
    first, second = words[:5], words[5:]
    assert first == sorted(first)
    assert second == sorted(second)


def test_it_ends_with_what_to_do(faulty: CheckOutcome, review):
    text = " ".join(checked(faulty)[-2:])
    good = CheckOutcome(review.recordings, {})
    failed = CheckOutcome(review.recordings, {"r09": "r09.csv: is empty"})

    assert "mend sheet or sensor, then check again" in text
    assert "analyzer review" in " ".join(checked(good)[-2:])
    assert checked(failed)[-1].startswith("1 log could not be read")


def test_a_step_common_to_all_logs_is_told_once(faulty: CheckOutcome):
    text = "\n".join(checked(faulty, 400))
    steps = [step for recording in faulty.recordings for step in recording.steps]

    assert text.count("How the logs were read") == 1
    for step in set(steps):
        assert text.count(step) == 1


@pytest.mark.parametrize("width", [80, 40])
def test_hostile_names_stay_within_the_lines(review_with, width: int):
    names = tuple(HOSTILE.values())
    review = review_with(Options(runs=names, channel=HOSTILE["long"]))

    lines = checked(CheckOutcome(review.recordings, {}), width)

    assert max(map(cell_len, lines)) <= width
    assert not any("\x1b" in line for line in lines)
