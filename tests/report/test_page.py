"""The page as text: its parts in order, nothing loaded from outside, nothing run, names harmless."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from report.hostile import HOSTILE
from report.synthetic_review import Options

from analyzer import api
from analyzer.comparison.results import ChangeVerdict
from analyzer.core.errors import AnalyzerError
from analyzer.report.page import all_plates, page_parts, write_report
from analyzer.report.plain_data import COLUMNS
from analyzer.session.review import Review


class Reader(HTMLParser):
    """Collects elements and text of a page."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.order: list[str] = []

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        self.elements.append((tag, found))
        self.order.append(f"{tag}.{found.get('class') or ''}".rstrip("."))

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)

    def handle_data(self, data):
        self.text.append(data)


def read(page: Path) -> Reader:
    reader = Reader()
    reader.feed(page.read_text(encoding="utf-8"))
    return reader


@pytest.fixture(scope="module")
def page(written: Path) -> Reader:
    return read(written)


def assert_harmless(reader: Reader) -> None:
    tags = {tag for tag, _ in reader.elements}
    assert not tags & {"script", "iframe", "object", "embed", "form", "base", "foreignobject"}
    for tag, attributes in reader.elements:
        assert not [key for key in attributes if key.startswith("on")], tag
        for key in ("src", "href", "action", "xlink:href", "poster", "srcset"):
            target = attributes.get(key)
            assert target is None or target.startswith(("#", "data:")), (tag, target)


def test_three_parts_each_with_answer_then_figure_then_table(page):
    sections = [attributes["id"] for tag, attributes in page.elements if tag == "section"]
    order = [o for o in page.order if o in ("section", "p.answer", "div.plates", "div.sheet", "details")]
    parts = " ".join(order).split("section")[1:4]

    assert sections == ["team", "tuner", "driver", "cautions"]
    for part in parts:
        words = part.split()
        assert words[:3] == ["p.answer", "div.plates", "div.sheet"]
        assert "details" in words
    for tag, attributes in page.elements:
        if tag == "details":
            assert "open" not in attributes


def test_parts_are_reached_from_the_top(page):
    targets = [attributes["href"] for tag, attributes in page.elements if tag == "a"]
    names = {attributes.get("id") for _, attributes in page.elements}

    assert {"#team", "#tuner", "#driver"} <= set(targets)
    assert {target[1:] for target in targets} <= names


def test_policy_forbids_scripts_and_loads(page):
    policy = [a["content"] for t, a in page.elements if t == "meta" and a.get("http-equiv")]

    assert policy[0].startswith("default-src 'none'")
    assert "script" not in policy[0]
    assert_harmless(page)


def test_identifiers_are_unique_and_every_reference_has_its_target(page, written: Path):
    names = [a["id"] for _, a in page.elements if a.get("id")]
    text = written.read_text(encoding="utf-8")
    targets = set(re.findall(r'(?:url\(#|href="#)([\w-]+)', text))

    assert len(names) == len(set(names))
    assert targets <= set(names)


def test_titles_of_figures_and_tables_are_headings(written: Path):
    text = written.read_text(encoding="utf-8")
    titles = re.findall(
        r'<h[23] class="name">([^<]*)</h[23]>\s*<table role="table" aria-label="([^"]*)">', text
    )

    assert len(titles) == text.count("<table") > 5
    assert all(heading == label for heading, label in titles)
    assert text.count("<figcaption><h3>") == text.count("<figcaption>") > 5


def test_what_the_page_of_the_runs_shows_closer_stands_on_paper_alone(review: Review, tmp_path: Path):
    def figures(page: Path) -> set[str]:
        return set(re.findall(r'<figure class="plate" id="figure-([^"]*)"', page.read_text(encoding="utf-8")))

    alone = figures(write_report(review, tmp_path / "alone"))
    beside = figures(api.write_report(review, tmp_path / "beside"))

    plates = all_plates(page_parts(review))

    assert alone == {plate.key for plate in plates}
    assert [key.partition("-")[0] for key in alone - beside] == ["travel"]
    assert beside < alone


def test_every_figure_has_words_for_those_who_cannot_see_it(page):
    pictures = [(t, a) for t, a in page.elements if t in ("svg", "img")]

    assert len(pictures) >= 8
    for tag, attributes in pictures:
        words = attributes.get("aria-label") if tag == "svg" else attributes.get("alt")
        assert words
        assert re.search(r"\d", words), words


def test_cautions_and_footer_are_there(page):
    text = " ".join(" ".join(page.text).split())

    for words in ("closed course", "Support the car", "welds", "qualified fabricator", "Series rules"):
        assert words in text
    assert "ab" * 32 in text
    assert "zeroed at 0 s to 2 s" in text.lower()
    assert "Analyzer version" in text


def test_the_folder_holds_page_results_and_tables(review_with, tmp_path: Path):
    told: list[tuple[int, int]] = []
    review = review_with(Options(runs=("r01", "r02")))

    page = write_report(review, tmp_path / "report", lambda *steps: told.append(steps))

    assert page == tmp_path / "report" / "report.html"
    assert sorted(entry.name for entry in page.parent.iterdir()) == ["report.html", "results.json", "tables"]
    assert json.loads((page.parent / "results.json").read_bytes())["session"] == "Evening practice"
    figures = page.read_text().count('<figure class="plate"')
    assert told == [(done, figures) for done in range(figures)]


def test_a_second_report_replaces_the_first_with_the_same_bytes(review_with, tmp_path: Path):
    review = review_with(Options(runs=("r01", "r02")))
    folder = write_report(review, tmp_path / "report").parent
    first = {path.relative_to(folder): path.read_bytes() for path in folder.rglob("*") if path.is_file()}

    write_report(review, tmp_path / "report")

    assert {entry.name for entry in tmp_path.iterdir()} == {"report", "session"}
    assert len(first) == len(COLUMNS) + 2
    for file, content in first.items():
        assert (folder / file).read_bytes() == content, file


def test_a_folder_with_logs_is_refused(review, tmp_path: Path):
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "r01.csv").write_text("t\n", encoding="utf-8")

    with pytest.raises(AnalyzerError, match="left alone"):
        write_report(review, tmp_path / "logs")

    assert (tmp_path / "logs" / "r01.csv").read_text() == "t\n"


@pytest.mark.parametrize("name", list(HOSTILE.values()), ids=list(HOSTILE))
def test_hostile_names_do_no_harm(review_with, tmp_path: Path, name: str):
    options = Options(
        session=name,
        car=name,
        section=name,
        channel=name,
        runs=(name,),
        setups=(name, "B"),
        failed=(("left " + name, name),),
    )

    reader = read(write_report(review_with(options), tmp_path / "report"))

    assert_harmless(reader)
    text = (tmp_path / "report" / "report.html").read_text(encoding="utf-8")
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "W" * 401 not in text
    assert len(text) < 2_000_000
    results = json.loads((tmp_path / "report" / "results.json").read_bytes())
    assert results["session"] == name
    assert results["runs"][0]["setup"] == name


def test_markup_in_a_name_is_shown_as_written(review_with, tmp_path: Path):
    reader = read(
        write_report(
            review_with(Options(session="a <b>bold</b> & {{ 1 }}", runs=("r01",))), tmp_path / "report"
        )
    )

    assert "a <b>bold</b> & {{ 1 }}" in reader.text


@pytest.mark.parametrize(
    "options",
    [
        Options(unknown=True),
        Options(compared=False, setups=("A",)),
        Options(bottomed=False),
        Options(course=False),
        Options(course=False, speed=False),
        Options(speed=False),
        Options(runs=("r01",), setups=("A",), compared=False),
        Options(verdict=ChangeVerdict.CANNOT_TELL),
        Options(setups=("A", "B", "C", "D", "E", "F")),
        Options(unknown=True, compared=False, bottomed=False, course=False, speed=False),
    ],
    ids=["unknown", "one set-up", "no bottoming", "no course", "no speed", "course without speed", "one run"]
    + ["cannot tell", "six set-ups", "nothing"],
)
def test_every_kind_of_session_gives_a_page(review_with, tmp_path: Path, options: Options):
    fewer = replace(options, runs=options.runs[: len(options.setups)])
    reader = read(write_report(review_with(fewer), tmp_path / "report"))

    assert_harmless(reader)
    answers = [o for o in reader.order if o == "p.answer"]
    assert len(answers) == 3
    text = " ".join(reader.text)
    assert "nan" not in re.findall(r"[A-Za-z]+", text)
    assert "None" not in text
