"""The docs say what the program does: generated pages, commands that run, links that lead somewhere."""

import re
import subprocess
from pathlib import Path

import pytest

import analyzer
from analyzer.sheets.car import CHANNEL_DIMENSIONS, CarSheet
from analyzer.sheets.fields import keys_of
from analyzer.sheets.read import read_sheet
from analyzer.sheets.session import CourseSheet, SessionSheet
from docs import commands_page
from docs.sheets_page import EXAMPLES, WHOLE, examples, reference, tables_in

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]


def test_command_page_is_the_help():
    assert commands_page.PAGE.read_text(encoding="utf-8") == commands_page.page()


def test_sheet_page_is_generated_from_the_models():
    assert (ROOT / "docs" / "sheets.md").read_text(encoding="utf-8") == reference()


def test_every_key_of_a_sheet_has_a_meaning_and_an_example_of_its_own():
    shown, waiting, seen = examples(), [CarSheet, SessionSheet, CourseSheet], set()
    while waiting:
        model = waiting.pop()
        if model in seen:
            continue
        seen.add(model)
        for key in keys_of(model):
            assert len(key.meaning.split()) >= 1, (model.__name__, key.name)
            assert (model, key.name) in shown, (model.__name__, key.name)
            waiting.extend(tables_in(key.holds))

    assert len(seen) > 30


def test_whole_sheets_to_copy_are_read_and_none_of_their_bars_yields_as_fitted(tmp_path):
    for model, files in WHOLE.items():
        for name in files:
            sheet = read_sheet(EXAMPLES / name, model)
            bars = analyzer.bars(sheet).values() if isinstance(sheet, CarSheet) else []
            for ladder in bars:
                assert (ladder.fitted.stress_factor or 0.0) > 1.0, (name, ladder.axle)


def test_top_level_holds_what_it_should_and_nothing_else():
    # What is kept, not what a reader's own commands have left lying about.
    kept = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if kept.returncode != 0:
        pytest.skip("not a checkout")
    names = {name.split("/")[0] for name in kept.stdout.splitlines() if not name.startswith(".")}
    assert names == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "analyzer",
        "tests",
        "sample_logs",
        "docs",
    }


def test_every_channel_has_a_glossary_row():
    glossary = (ROOT / "docs" / "nomenclature.md").read_text(encoding="utf-8")
    missing = [name for name in CHANNEL_DIMENSIONS if f"`{name}`" not in glossary]
    assert not missing


def test_every_column_and_every_named_figure_has_a_glossary_row(sample_review):
    glossary = (ROOT / "docs" / "nomenclature.md").read_text(encoding="utf-8")
    names = {"left_share_front", "left_share_rear"}
    for run in sample_review.runs:
        names |= {*run.motion.data.columns, *run.loads.columns, *run.further}
    for setup in sample_review.setups:
        names |= {*setup.measured, *setup.predicted.further}

    assert len(names) > 60
    assert sorted(name for name in names if f"`{name}`" not in glossary) == []


def test_every_figure_is_explained(sample_review):
    """The question above a figure stands on a page of the docs, apart from the run or axle it names."""
    from analyzer.report.figures import course_plots as course_figures
    from analyzer.report.figures.style import house_style
    from analyzer.report.page import all_plates, page_parts
    from analyzer.session.course_sheet import course_sheet

    with house_style():
        sheet = course_sheet(sample_review)
        drawn = all_plates(page_parts(sample_review))
        course = [
            draw(sheet)
            for draw in (
                course_figures.where_plate,
                course_figures.speed_plate,
                course_figures.travel_left_plate,
            )
        ]
    for page, plates in (("reading-the-report.md", drawn), ("course-sheet.md", course)):
        text = " ".join((ROOT / "docs" / page).read_text(encoding="utf-8").split())
        text = text.replace("front (rear)", "front").replace(" in r01?", "?")
        titles = {re.sub(r" in r\d+\?$", "?", p.title.replace(" rear ", " front ")) for p in plates}
        assert len(titles) > 2
        assert sorted(title for title in titles if f"**{title}**" not in text) == [], page


IDIOM = re.compile(
    r"\b(stands (in|on|among|beside|behind|there|for|above|below|apart|alone|out|as|with|elsewhere)"
    r"|nought|mend(s|ed)?|test beds?|(is|are|be|was|were) told|from memory|hangs? on|\w+ anew)\b",
    re.IGNORECASE,
)
"""Turns of phrase that a reader of plain international English, and a translator, trips over."""
GENERATED = {"verdicts.md", "commands.md", "changelog.md"}
"""With tables made of the program's own sentences, and the history as it was written."""


@pytest.mark.parametrize(
    "page",
    [p for p in PAGES if p.name not in GENERATED | {"DEVELOPERS.md"}],
    ids=lambda p: p.name,
)
def test_readers_pages_are_in_plain_english(page):
    text = " ".join(page.read_text(encoding="utf-8").split())
    found = [text[max(0, m.start() - 30) : m.end() + 20] for m in IDIOM.finditer(text)]
    assert found == []


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_links_lead_to_files(page):
    text = page.read_text(encoding="utf-8")
    targets = [t for t in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", text) if "://" not in t]
    missing = [t for t in targets if not (page.parent / t).exists()]
    assert not missing


def test_readme_has_the_two_commands_and_starts_with_the_job():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```sh\n(.*?)\n```", text, re.DOTALL)
    assert len(blocks) == 2
    assert "analyzer review sample_logs" in blocks[0]
    assert "pytest" in blocks[1]
    first = text.split("\n\n")[1]
    assert "anti-roll bar" in first
    assert "#" not in first
