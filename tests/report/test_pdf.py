"""Figures as files of their own, and the page's content as a PDF."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest
from report.hostile import HOSTILE
from report.synthetic_review import Options

from analyzer.core.errors import AnalyzerError
from analyzer.report.builder_sheet import HEIGHT, MARGIN
from analyzer.report.figures.style import Drawings, house_style
from analyzer.report.page import all_plates, page_parts
from analyzer.report.pdf import Report, save_figures, save_pdf
from analyzer.report.tables import Cell, PageTable

STARTS = {"svg": b"<?xml", "png": b"\x89PNG", "pdf": b"%PDF"}


def pages(file: Path) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", file.read_bytes()))


@pytest.mark.parametrize("kind", ["svg", "png", "pdf"])
def test_every_figure_becomes_a_file_of_its_kind(review_with, tmp_path: Path, kind):
    review = review_with(Options(runs=("r01", "r02")))

    files = save_figures(review, tmp_path / "figures", kind)

    assert len(files) == len(all_plates(page_parts(review))) >= 8
    assert {file.name for file in (tmp_path / "figures").iterdir()} == {file.name for file in files}
    for file in files:
        assert file.suffix == f".{kind}"
        assert file.read_bytes().startswith(STARTS[kind])
    if kind == "svg":
        text = (tmp_path / "figures" / "change.svg").read_text(encoding="utf-8")
        assert "Did the change do what was predicted?" in text


def test_a_figure_in_a_file_says_how_to_read_it_and_what_is_to_be_seen(review_with, tmp_path: Path):
    review = review_with(Options(runs=("r01", "r02")))
    plate = next(plate for plate in all_plates(page_parts(review)) if plate.key == "runs")

    text = next(f for f in save_figures(review, tmp_path) if f.name == "runs.svg").read_text(encoding="utf-8")

    assert "Hollow: predicted for its set-up." in text
    assert html.escape(plate.alt, quote=False) in text
    pdf = Drawings().as_file(plate, "pdf")
    assert b"/Subject" in pdf
    assert b"/Title (What roll gradient did each run show?)" in pdf


def test_an_unknown_kind_gives_one_plain_line(review, tmp_path: Path):
    with pytest.raises(AnalyzerError, match="is not a kind of figure; use one of svg, png, pdf"):
        save_figures(review, tmp_path, "gif")  # type: ignore[arg-type]


def test_a_place_that_cannot_be_written_gives_one_plain_line(review_with, tmp_path: Path):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    review = review_with(Options(runs=("r01",), setups=("A",), compared=False))

    with pytest.raises(AnalyzerError, match="cannot be written"):
        save_figures(review, tmp_path / "file" / "figures")
    with pytest.raises(AnalyzerError, match="cannot be written"):
        save_pdf(review, tmp_path / "file" / "report.pdf")


def test_the_pdf_has_few_pages_and_the_same_bytes_each_time(review_with, tmp_path: Path):
    review = review_with(Options(runs=("r01", "r02")))
    first = save_pdf(review, tmp_path / "one.pdf")
    second = save_pdf(review, tmp_path / "two.pdf")

    assert 2 <= pages(first) <= 8
    assert first.read_bytes() == second.read_bytes()
    assert {file.name for file in tmp_path.iterdir()} == {"one.pdf", "two.pdf", "session"}


def test_hostile_names_do_not_stop_the_pdf(review_with, tmp_path: Path):
    names = tuple(HOSTILE.values())
    options = Options(session=names[0], runs=names[:3], setups=(names[6], names[5]), section=names[4])

    assert pages(save_pdf(review_with(options), tmp_path / "report.pdf")) <= 8


def test_a_long_table_goes_on_over_several_sheets(tmp_path: Path):
    rows = tuple((Cell(f"row {number}"), Cell("x" * 300)) for number in range(150))

    with house_style():
        paper = Report(Drawings())
        paper.table(PageTable("Long", ("Name", "Text"), rows))

    found = [t.get_text() for page in paper.pages for t in page.axes[0].texts if t.get_text()[:4] == "row "]
    assert len(paper.pages) >= 3
    assert found == [f"row {number}" for number in range(150)]
    foot = max(text.get_position()[1] for page in paper.pages for text in page.axes[0].texts)
    assert foot < HEIGHT - MARGIN


def test_a_wrong_kind_is_told_before_any_log_is_read(capsys, monkeypatch, tmp_path: Path):
    from analyzer.cli import main

    call = ["analyzer", "review", str(tmp_path / "nowhere"), "--figure-format", "gif"]
    monkeypatch.setattr("sys.argv", call)
    with pytest.raises(SystemExit) as ended:
        main()

    assert ended.value.code == 2
    assert capsys.readouterr().err.startswith('analyzer: "gif" is not a kind of figure; use one of svg, png')
