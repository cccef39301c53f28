"""The terminal summary: three answers in order, 80 columns, no colour when piped."""

from __future__ import annotations

import io

import pytest
from report.hostile import HOSTILE
from report.synthetic_review import Options
from rich.console import Console

from analyzer.report.sentences import driver_answer, team_answer, tuner_answer
from analyzer.report.terminal import print_summary


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
