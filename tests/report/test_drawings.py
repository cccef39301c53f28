"""Figures drawn once, whatever they are saved to, and not at all when nothing in them changed."""

from __future__ import annotations

from dataclasses import replace

import matplotlib.figure
import pytest
from report.synthetic_review import Options

from analyzer.core.store import Store
from analyzer.report.figures.course_plots import (
    speed_plate,
    trace_plate,
    travel_left_plate,
    where_plate,
)
from analyzer.report.figures.style import PLATE_WIDTH, Drawings, is_drawing
from analyzer.report.page import all_plates, page_parts, write_report
from analyzer.report.pdf import save_figures, save_pdf


@pytest.fixture
def drawn(monkeypatch):
    """One entry per figure of the page that is drawn; sheets of paper are wider."""
    made = []
    begin = matplotlib.figure.Figure.__init__

    def watched(self, *arguments, figsize=None, **options):
        if figsize is not None and figsize[0] == PLATE_WIDTH:
            made.append(figsize)
        begin(self, *arguments, figsize=figsize, **options)

    monkeypatch.setattr(matplotlib.figure.Figure, "__init__", watched)
    return made


def contents(folder):
    return {p.relative_to(folder): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture
def short(review_with):
    """A review of one run, which is quick to draw."""
    return review_with(Options(runs=("r01",)))


def written(review, folder, parts=None):
    """Write everything there is, in this order, and return it."""
    write_report(review, folder / "report", parts=parts)
    save_figures(review, folder / "figures", "svg", parts)
    save_pdf(review, folder / "page.pdf", parts)
    return contents(folder)


@pytest.mark.slow
def test_page_files_and_paper_share_one_drawing_and_the_next_ones_need_none(
    short, drawn, tmp_path, monkeypatch
):
    parts = page_parts(short)
    assert not drawn
    monkeypatch.setenv("ANALYZER_CACHE", str(tmp_path / "cache"))
    shared = written(short, tmp_path / "shared", parts)
    assert len(drawn) == len(all_plates(parts))
    assert written(short, tmp_path / "next") == shared
    assert len(drawn) == len(all_plates(parts))
    monkeypatch.setenv("ANALYZER_CACHE", "off")
    # Files first and drawn anew, then the page of the same figures: what is saved leaves no trace in them.
    anew = page_parts(short)
    save_figures(short, tmp_path / "anew" / "figures", "svg", anew)
    write_report(short, tmp_path / "anew" / "report", parts=anew)
    assert contents(tmp_path / "anew").items() <= shared.items()


def test_what_a_figure_rests_on_can_be_told_for_every_figure(review, sample_review):
    from analyzer.session.course_sheet import course_sheet

    result = course_sheet(sample_review)
    course = [where_plate(result), speed_plate(result), travel_left_plate(result)]
    course += [trace_plate(sheet, rank) for rank, sheet in enumerate(result.places, start=1)]
    for plates in (all_plates(page_parts(review)), all_plates(page_parts(sample_review)), course):
        digests = [plate.digest for plate in plates if plate is not None]
        assert None not in digests
        assert len(set(digests)) == len(digests) > 3


def digests(review):
    return {plate.key: plate.digest for plate in all_plates(page_parts(review))}


def test_equal_reviews_have_equal_figures(review_with):
    assert digests(review_with(Options())) == digests(review_with(Options()))


def test_a_run_more_leaves_the_figures_of_the_others_alone(review):
    few, more = digests(replace(review, runs=review.runs[:2])), digests(review)
    assert few["travel-2"] == more["travel-2"]
    assert few["runs"] != more["runs"]
    assert few["course"] != more["course"]


def test_whatever_is_drawn_tells_figures_apart(review):
    run = review.runs[0]
    found = digests(review)

    def changed(**of_run):
        other = digests(replace(review, runs=(replace(run, **of_run), *review.runs[1:])))
        return {key for key in found if found[key] != other[key]}

    harder = tuple(replace(event, hard=not event.hard) for event in run.bottoming)
    assert {"budget", "course"} <= changed(bottoming=harder)
    fit = run.fits["front"]
    points = fit.points.assign(roll=fit.points["roll"] * (1.0 + 1e-12))
    assert changed(fits={**run.fits, "front": replace(fit, points=points)}) == {"roll-front"}
    gradient = {**run.roll_gradient, "front": replace(run.roll_gradient["front"], value=1.0)}
    assert changed(roll_gradient=gradient) == {"runs"}


def test_a_figure_made_of_hidden_things_is_drawn_each_time(review, tmp_path):
    plate = all_plates(page_parts(review))[0]
    hidden = replace(plate, draw=type(plate.draw)(lambda: plate.draw()))
    kept = Store(tmp_path / "kept")
    assert hidden.digest is None
    assert Drawings(kept).on_page(hidden) == Drawings(Store(None)).on_page(plate)
    assert kept.get("anything") is None
    assert not (tmp_path / "kept").exists()


PAGE = '<svg role="img" aria-label="a &lt;b&gt;" xmlns="http://www.w3.org/2000/svg"><g id="x">{}</g></svg>'


@pytest.mark.parametrize(
    "inside",
    [
        "<script>alert(1)</script>",
        "<foreignObject><meta http-equiv='refresh' content='0;url=x'/></foreignObject>",
        "<style>@import url(x);</style>",
        '<path d="M0 0" onload="alert(1)"/>',
        '<use href="https://example.org/x.svg#a"/>',
        '<image href="javascript:alert(1)"/>',
        '<path style="fill: url(https://example.org)"/>',
        "<!-- --><g/>",
        "<g></g></g></svg><meta http-equiv='refresh' content='0'>",
        "<a href='#x'><text>a</text></a>",
    ],
)
def test_a_stored_drawing_that_is_more_than_a_drawing_is_drawn_anew(inside, review, tmp_path):
    sound = PAGE.format('<path d="M0 0" style="fill: url(#h)"/><text>run 1</text><use href="#x"/>')
    assert is_drawing(sound, "page", "a <b>")
    assert not is_drawing(sound, "page", "another")
    assert not is_drawing(PAGE.format(inside), "page", "a <b>")
    file = f"<?xml version='1.0'?><!DOCTYPE svg><svg xmlns='http://www.w3.org/2000/svg'>{inside}</svg>"
    written = "<style" in inside or "<!--" in inside  # which the writer of files puts in itself
    assert is_drawing(file.encode(), "svg", "") == written
    # Put in under the right key by one who knows the user's own.
    plate = replace(all_plates(page_parts(review))[0], alt="a <b>")
    kept = Store(tmp_path / "kept", b"k" * 32)
    fresh = Drawings(kept).on_page(plate)
    (file,) = (tmp_path / "kept").iterdir()
    kept.put(file.stem, PAGE.format(inside))
    assert Drawings(kept).on_page(plate) == fresh
    kept.put(file.stem, sound)
    assert Drawings(kept).on_page(plate) == sound


@pytest.mark.parametrize("made", ["<p>", b"<p>", '<img alt="" src="https://example.org/x.png">', ""])
@pytest.mark.parametrize("form", ["page", "svg", "png", "pdf", "paper 220"])
def test_anything_else_is_no_drawing(made, form):
    assert not is_drawing(made, form, "")


@pytest.mark.slow
def test_every_figure_of_the_page_is_taken_from_the_store(sample_review, tmp_path):
    kept = Store(tmp_path / "kept", b"k" * 32)
    for plate in all_plates(page_parts(sample_review)):
        assert is_drawing(Drawings(kept).on_page(plate), "page", plate.alt), plate.key
        assert is_drawing(Drawings(kept).as_file(plate, "svg"), "svg", plate.alt), plate.key
