"""What ``analyzer check`` prints: findings, what was not tested, how logs were read, what to do next."""

from __future__ import annotations

import io

import pytest
from report.hostile import HOSTILE
from report.synthetic_review import Options
from rich.cells import cell_len
from rich.console import Console

from analyzer.report.terminal import print_health
from analyzer.session.review import CheckOutcome, check_path


def printed(outcome: CheckOutcome, width: int = 80) -> list[str]:
    stream = io.StringIO()
    print_health(outcome, Console(file=stream, width=width, highlight=False))
    return stream.getvalue().splitlines()


@pytest.fixture(scope="module")
def faulty(sample_session) -> CheckOutcome:
    return check_path(sample_session / "faults", lambda _what, _done, _steps: None)


def test_findings_stand_under_their_log_bad_ones_first(faulty: CheckOutcome):
    lines = printed(faulty)

    assert lines[0].startswith("f01: 51.6 s at 100 Hz")
    assert lines[1].startswith("  bad:     damper_FR, inverted: this pot goes the wrong way")
    words = [line.split(":")[0].strip() for line in lines if line.startswith(("  bad:", "  suspect:"))]
    first, second = words[:5], words[5:]
    assert first == sorted(first)
    assert second == sorted(second)


def test_it_ends_with_what_to_do(faulty: CheckOutcome, review):
    text = " ".join(printed(faulty)[-2:])
    good = CheckOutcome(review.recordings, {})
    failed = CheckOutcome(review.recordings, {"r09": "r09.csv: is empty"})

    assert "mend sheet or sensor, then check again" in text
    assert "analyzer review" in " ".join(printed(good)[-2:])
    assert printed(failed)[-1].startswith("1 log could not be read")


def test_a_step_common_to_all_logs_is_told_once(faulty: CheckOutcome):
    text = "\n".join(printed(faulty, 400))
    steps = [step for recording in faulty.recordings for step in recording.steps]

    assert text.count("How the logs were read") == 1
    for step in set(steps):
        assert text.count(step) == 1


@pytest.mark.parametrize("width", [80, 40])
def test_hostile_names_stay_within_the_lines(review_with, width: int):
    names = tuple(HOSTILE.values())
    review = review_with(Options(runs=names, channel=HOSTILE["long"]))

    lines = printed(CheckOutcome(review.recordings, {}), width)

    assert max(map(cell_len, lines)) <= width
    assert not any("\x1b" in line for line in lines)
