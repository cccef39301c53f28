"""Confirm from the command line: earlier sessions, calibrated cars, and what is refused."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from analyzer.cli import app
from analyzer.core.errors import AnalyzerError
from analyzer.session.decisions import confirm_change, past_sessions
from analyzer.session.review import Review, review_session

SAMPLE = Path(__file__).parents[2] / "sample_logs"


def copy(folder: Path, name: str, runs: int, car: tuple[str, str] | None = None) -> Path:
    """Write a session of the sample's first runs of both set-ups under another name."""
    folder.mkdir()
    text = (SAMPLE / "session.toml").read_text(encoding="utf-8")
    head, *parts = text.split("[[runs]]")
    kept = parts[:runs] + parts[3 : 3 + runs]
    lines = head.splitlines()
    lines = [f'name = "{name}"' if line.startswith("name") else line for line in lines]
    (folder / "session.toml").write_text("[[runs]]".join(["\n".join(lines) + "\n", *kept]), encoding="utf-8")
    sheet = (SAMPLE / "car.toml").read_text(encoding="utf-8")
    (folder / "car.toml").write_text(sheet.replace(*car) if car else sheet, encoding="utf-8")
    for file in (*SAMPLE.glob("r0*.csv.gz"), SAMPLE / "course.toml"):
        shutil.copy(file, folder)
    return folder


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> Review:
    return review_session(copy(tmp_path_factory.mktemp("now") / "s", "Evening", 2))


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Review:
    return review_session(copy(tmp_path_factory.mktemp("past") / "s", "Morning", 1))


def test_earlier_sessions_count_for_the_settings_and_not_for_the_verdict(
    review: Review, past: Review
) -> None:
    alone, both = confirm_change(review, "A", "B"), confirm_change(review, "A", "B", [past])
    assert both.comparison.verdict is alone.comparison.verdict
    assert both.comparison.stiffness_ratio == alone.comparison.stiffness_ratio
    front = both.bars[0]
    assert front.sessions == ("Morning", "")
    assert [s.runs for s in front.settings] == [3, 3]
    assert [s.runs for s in alone.bars[0].settings] == [2, 2]


def test_no_session_counts_twice(review: Review, past: Review) -> None:
    with pytest.raises(AnalyzerError, match="counts already"):
        past_sessions(review, [past, past])
    with pytest.raises(AnalyzerError, match="counts already"):
        past_sessions(review, [review])


def test_an_earlier_session_of_another_car_is_refused(review: Review, tmp_path: Path) -> None:
    other = review_session(copy(tmp_path / "s", "Elsewhere", 1, ('cg_height = "0.4', 'cg_height = "0.5')))
    with pytest.raises(AnalyzerError, match=r"differs under \[mass\]"):
        past_sessions(review, [other])


def test_the_command_predicts_from_a_calibrated_car_and_says_so(review: Review) -> None:
    folder = review.session.path.parent
    command = ["confirm", str(folder), "--before", "A", "--after", "B", "--json"]
    first = CliRunner().invoke(app, [*command, "--calibrate"])
    assert first.exit_code == 0, first.output
    file = folder / "calibrated_car.json"
    again = CliRunner().invoke(app, [*command, "--calibrated", str(file)])
    assert again.exit_code == 0, again.output
    plain, updated = (json.loads(r.stdout) for r in (first, again))
    notes = " ".join(updated["notes"])
    assert "as 4 runs have updated it" in notes
    assert "proves nothing" in notes
    assert "updated" not in " ".join(plain["notes"])
    # The car of the sample is softer in roll than its sheet says; the updated sheet comes nearer to the runs.
    gap = [abs(t["stiffness"]["A"]["total"]["value"] / _predicted(t) - 1.0) for t in (plain, updated)]
    assert gap[1] < gap[0]


def _predicted(table: dict) -> float:
    parts = {p["part"]: p["before"]["value"] for p in table["ledger"]}
    return float(parts["front springs and bar"] + parts["rear springs and bar"])
