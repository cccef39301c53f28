"""A fault of the program in one sentence or table costs that piece of a page; all the rest stands."""

from __future__ import annotations

import importlib
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NoReturn

import pytest
from markupsafe import Markup

from analyzer.report import page
from analyzer.report.figures.style import Drawings
from analyzer.session.review import Review

LEFT_OUT = "Left out: fault of this program while writing this piece (KeyError in analyzer.report."
SENTENCES = (
    *("team_answer", "tuner_answer", "driver_answer", "driver_points", "placeholder_points", "setting_words"),
    *("changed_parts", "smallest_visible", "axles_moved", "driving_order", "next_step", "yielding_bars"),
)
TABLES = (
    *("ledger_table", "checks_table", "splits_table", "further_table", "findings_table", "runs_table"),
    *("changes_table", "settings_table", "pairs_table", "measured_table", "prediction_table", "strip_table"),
    *("compliance_table", "event_details_table", "droop_table", "events_table"),
)
PIECES = {
    **{f"sentences.{name}": 1 for name in SENTENCES},
    **{f"tables.{name}": 1 for name in TABLES},
    "page.left_out": 1,
    "page._subtitle": 1,
    "page._settings": 1,
    "page._steps": 1,
    # Where a page has no place for the reason, the command's last line has it.
    "page._sources": 0,
    "page.cards": 0,
}
"""Module and function of a piece -> least number of places of the page that say why it is missing."""


def failing(*_given: object, **_named: object) -> NoReturn:
    raise KeyError("not foreseen")


def written(review: Review, folder: Path) -> tuple[dict[str, str], dict[str, bytes], Drawings]:
    """Return the parts of the page by their key, the other files, and what was left out."""
    drawings = Drawings()
    html = page.write_report(review, folder, drawings=drawings).read_text(encoding="utf-8")
    parts = dict(re.findall(r'<section id="(\w+)"(.*?)</section>', html, re.DOTALL))
    parts["top"] = html[html.index("<body>") : html.index("<main>")]
    parts["foot"] = html[html.index("<footer>") :]
    files = {str(f.relative_to(folder)): f.read_bytes() for f in folder.rglob("*.[cj]s*")}
    return parts, files, drawings


@pytest.fixture(scope="module", autouse=True)
def _nothing_drawn():
    """Figures are another matter, and take the most time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(page, "figure_html", lambda *_: Markup("figure"))
        yield


@pytest.fixture(scope="module")
def sound(sample_review, tmp_path_factory):
    parts, files, drawings = written(sample_review, tmp_path_factory.mktemp("sound") / "report")
    assert not drawings.faults
    assert {"team", "tuner", "driver", "cautions", "top", "foot"} == set(parts)
    return parts, files


@pytest.mark.parametrize("piece", PIECES)
def test_the_rest_of_the_page_stands(piece, sample_review, sound, tmp_path, monkeypatch):
    module, _, name = piece.partition(".")
    where = page if hasattr(page, name) else importlib.import_module(f"analyzer.report.{module}")
    monkeypatch.setattr(where, name, failing)
    parts, files, drawings = written(sample_review, tmp_path / "report")
    assert drawings.faults
    assert {(fault.stage, fault.kind) for fault in drawings.faults} == {("writing", "KeyError")}
    assert sum(part.count(LEFT_OUT) for part in parts.values()) >= PIECES[piece]
    # Numbers are worked out before a word is written.
    assert files == sound[1]
    before, after = (" ".join(pages.values()) for pages in (sound[0], parts))
    missing = set(re.findall(r'aria-label="([^"]*)"', before)) - set(
        re.findall(r'aria-label="([^"]*)"', after)
    )
    assert len(missing) <= sum(part.count(LEFT_OUT) for part in parts.values()), missing
    changed = {key for key, text in parts.items() if text != sound[0][key]}
    assert len(changed) <= (3 if name == "setting_words" else 2), changed


def test_a_table_for_spreadsheets_is_left_out_alone(sample_review, sound, tmp_path, monkeypatch):
    def rows(_results: object) -> Iterator[dict[str, object]]:
        yield {}["not foreseen"]

    monkeypatch.setattr("analyzer.report.plain_data._bottoming", rows)
    parts, files, drawings = written(sample_review, tmp_path / "report")
    assert [fault.run for fault in drawings.faults] == ["tables/bottoming.csv"]
    assert parts == sound[0]
    assert files == {name: text for name, text in sound[1].items() if name != "tables/bottoming.csv"}


def test_what_the_user_can_mend_is_no_piece_left_out(sample_review, tmp_path, monkeypatch):
    def full(*_given: object) -> NoReturn:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(page, "_settings", full)
    with pytest.raises(OSError, match="No space left"):
        written(sample_review, tmp_path / "report")
