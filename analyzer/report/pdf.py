"""The page's content on A4 sheets of one PDF, and its figures saved one by one."""

import io
import textwrap
from collections.abc import Sequence
from itertools import zip_longest
from pathlib import Path
from typing import Final, cast

from matplotlib.image import imread

from analyzer.core.files import cannot_write, check_ending, refuse_strange, write_whole
from analyzer.report.builder_sheet import (
    BOLD,
    HEIGHT,
    MM_PER_INCH,
    WIDTH,
    Paper,
    pdf_bytes,
    width_of,
    wrapped,
)
from analyzer.report.figures import style
from analyzer.report.page import Part, all_plates, page_parts
from analyzer.report.sentences import CAUTIONS, fault_words
from analyzer.report.tables import Cell, PageTable
from analyzer.report.words import clause, label
from analyzer.session.review import Review

# Lay text, figures and tables out on A4 sheets of one PDF.


EDGE: Final = 16.5
GUTTER: Final = 7.6
COLUMN: Final = (WIDTH - 2.0 * EDGE - GUTTER) / 2.0
"""Margins, and what lies between two figures side by side, each a column wide [mm]."""
POINT: Final = MM_PER_INCH / 72.0
"""One point of type [mm]."""
SERIF: Final = 1.1
"""Width of letters with serifs by that of the plain face, at most."""
_BETWEEN: Final = 4.0
"""Room between two columns of a table [mm]."""
_SMALL: Final = 6.5
"""Type of tables and of notes under figures [pt]: read at arm's length, with up to nine columns."""


class Report(Paper):
    """The page's content on A4 sheets; what does not fit on one goes to the next."""

    def __init__(self, drawings: style.Drawings) -> None:
        self._drawings = drawings
        super().__init__("")

    def head_sheet(self) -> None:
        """Begin without title and fields: the first words of the report are its title."""
        self.y = EDGE

    def words(
        self, words: str, size: float, colour: str = style.INK, serif: bool = False, bold: bool = False
    ) -> None:
        """Write a paragraph over the whole width."""
        wide = BOLD if bold else SERIF if serif else 1.0
        family = "DejaVu Serif" if serif else "DejaVu Sans"
        for line in wrapped(words, WIDTH - 2.0 * EDGE, size=wide * size) or [""]:
            self.room(1.45 * size * POINT)
            self.text(line, EDGE, self.y, size=size, bold=bold, color=colour, va="top", family=family)
            self.y += 1.45 * size * POINT

    def plates(self, plates: Sequence[style.Plate]) -> None:
        """Set figures side by side, two in a row, each under its question and over its note."""
        drawn = [(plate, picture) for plate in plates if (picture := self._picture(plate)) is not None]
        for plate in plates:
            if (fault := self._drawings.fault(plate)) is not None:
                self.words(f"– {clause(plate.title or plate.key)}: left out, {fault_words(fault)}", 8.5)
        for first in range(0, len(drawn), 2):
            pair = drawn[first : first + 2]
            titles = [wrapped(plate.title, COLUMN, size=BOLD * 8.5) for plate, _ in pair]
            notes = [wrapped(plate.note, COLUMN, size=_SMALL) for plate, _ in pair]
            # A row is as high as its highest figure; a question of two lines pushes both figures down, so
            # that their tops stay level.
            heights = [COLUMN * picture.shape[0] / picture.shape[1] for _, picture in pair]
            head = 5.0 * max(map(len, titles)) + 1.3
            below = [h + 1.3 * _SMALL * POINT * len(note) for h, note in zip(heights, notes, strict=True)]
            self.room(head + max(below) + 6.0)
            for place, (_, picture) in enumerate(pair):
                left, foot = EDGE + place * (COLUMN + GUTTER), self.y + head + heights[place]
                self.text("\n".join(titles[place]), left, self.y, size=8.5, bold=True, va="top")
                box = (left / WIDTH, 1.0 - foot / HEIGHT, COLUMN / WIDTH, heights[place] / HEIGHT)
                axes = self.pages[-1].add_axes(box)
                axes.imshow(picture, aspect="auto", interpolation="none")
                axes.set_axis_off()
                note = "\n".join(notes[place])
                self.text(note, left, foot + 1.5, size=_SMALL, color=style.GREY, va="top")
            self.y += head + max(below) + 6.0

    def _picture(self, plate: style.Plate) -> style.Array | None:
        drawn = self._drawings.on_paper(plate)
        return None if drawn is None else cast("style.Array", imread(io.BytesIO(drawn), format="png"))

    def table(self, table: PageTable) -> None:
        """Set a table; long cells are cut to their column."""
        self.y += 3.0
        self.words(table.caption, 8.5, bold=True)
        if table.columns:  # without them it is left out, and its note says why
            rows = [tuple(map(_shown, row)) for row in table.rows]
            heads = [textwrap.wrap(column, 18) for column in table.columns]
            widths = _column_widths([*zip_longest(*heads, fillvalue=""), *rows])
            for words in zip_longest(*heads, fillvalue=""):
                self._row(words, widths, style.GREY, 1.3)
            for row in rows:
                self._row(row, widths, style.INK, 1.75, rule_above=True)
            self.y += 1.0
        if table.note:
            self.words(table.note, _SMALL, style.GREY)

    def _row(
        self, cells: Sequence[str], widths: list[float], colour: str, lead: float, rule_above: bool = False
    ) -> None:
        self.room(lead * _SMALL * POINT)
        if rule_above:
            self.line((EDGE, self.y - 0.3), (WIDTH - EDGE, self.y - 0.3), 0.5, color=style.PALE)
        left = EDGE
        for cell, width in zip(cells, widths, strict=True):
            self.text(_cut(cell, width), left, self.y, size=_SMALL, color=colour, va="top")
            left += width + _BETWEEN
        self.y += lead * _SMALL * POINT


def _shown(cell: Cell) -> str:
    return f"{cell.text}, {cell.remark}" if 0 < len(cell.remark) < 12 else cell.text


def _cut(text: str, room: float) -> str:
    """Return as much of a text as has room [mm]."""
    shown = text
    while len(shown) > 1 and width_of(shown, _SMALL) > room + 0.1:
        shown = shown[:-2].rstrip() + "…"
    return shown


def _column_widths(rows: Sequence[Sequence[str]]) -> list[float]:
    """Return the width of each column [mm]: what it needs, the widest cut until all fit."""
    # Room taken from the widest column costs the least: names and figures are short, comments long.
    needs = [max(width_of(cell[:200], _SMALL) for cell in column) for column in zip(*rows, strict=True)]
    room = WIDTH - 2.0 * EDGE - _BETWEEN * (len(needs) - 1)
    while sum(needs) > room and max(needs) > 8.0:
        needs[needs.index(max(needs))] -= 1.0
    return needs


# Save the figures one by one, and the content of the page as a PDF.


_OPENING: Final = 107.0
"""Room a part wants at its start, for its answer and its first figure [mm]."""


def save_figures(
    review: Review,
    folder: Path,
    kind: style.Kind = "svg",
    parts: tuple[Part, ...] | None = None,
    drawings: style.Drawings | None = None,
) -> tuple[Path, ...]:
    """Write every figure of the page to a file of its own, and return the files in the order of the page.

    `parts`, from `page_parts`, are given when the page is made of them, too; `drawings` to hear of figures
    that were left out.
    """
    kind = style.figure_kind(kind)
    folder = folder.expanduser()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        drawings = drawings or style.Drawings()
        plates = {
            folder / f"{plate.key}.{kind}": plate
            for plate in all_plates(parts or page_parts(review, drawings))
        }
        for path in plates:  # before the first is written: all of them or none
            refuse_strange(path)
        written = []
        for path, plate in plates.items():
            content = drawings.as_file(plate, kind)
            if content is not None:
                write_whole(path, content)
                written.append(path)
    except OSError as error:
        raise cannot_write(folder, error) from None
    drawings.tidy()
    return tuple(written)


def save_pdf(
    review: Review,
    path: Path,
    parts: tuple[Part, ...] | None = None,
    drawings: style.Drawings | None = None,
) -> Path:
    """Write the page's content, without what is folded, to a PDF of A4 sheets, and return its path.

    `parts`, from `page_parts`, are given when the page is made of them, too.
    """
    path = check_pdf(path)
    drawings = drawings or style.Drawings()
    parts = parts or page_parts(review, drawings)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with style.house_style():
            paper = Report(drawings)
            _fill(paper, review, parts)
        title, subject = label(review.session.sheet.name, 80), label(parts[0].answer, 400)
        # Drawn to memory first: a file half written is worse than none.
        write_whole(path, pdf_bytes(title, paper.pages, subject))
    except OSError as error:
        raise cannot_write(path, error) from None
    drawings.tidy()
    return path


def check_pdf(path: Path) -> Path:
    """Return where a PDF shall lie; raise `AnalyzerError` when it may not lie there."""
    path = path.expanduser()
    check_ending(path, ".pdf")
    refuse_strange(path)
    return path


def _fill(paper: Report, review: Review, parts: tuple[Part, ...]) -> None:
    paper.words(label(review.session.sheet.name, 80), 18, serif=True)
    paper.words(f"{label(review.session.car.name)}, {len(review.runs)} runs", 9, style.GREY)
    # A part starts where its answer and its first figures have room together.
    for content in parts:
        paper.y += 6.0
        paper.room(_OPENING)
        paper.words(content.reader, 10, bold=True)
        paper.words(content.question, 8, style.GREY)
        paper.y += 2.0
        paper.words(content.answer, 13, serif=True)
        paper.y += 4.0
        paper.plates(content.plates)
        for point in content.points:
            paper.words(f"– {point}", 8.5)
        for table in content.tables:
            paper.table(table)
    paper.y += 6.0
    paper.words("Cautions", 10, bold=True)
    for caution in CAUTIONS:
        paper.words(f"– {caution}", 8)
