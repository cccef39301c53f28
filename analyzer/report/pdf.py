"""The page's content on A4 sheets of one PDF, and its figures saved one by one."""

from __future__ import annotations

import io
import textwrap
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Final, cast

from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.image import imread
from matplotlib.lines import Line2D

from analyzer.core.errors import AnalyzerError, one_line
from analyzer.core.files import check_ending, refuse_strange, write_whole
from analyzer.report.figures import style
from analyzer.report.page import Part, all_plates, page_parts
from analyzer.report.sentences import CAUTIONS, fault_words
from analyzer.report.tables import Cell, PageTable
from analyzer.report.words import clause, label
from analyzer.session.review import Review

# Lay text, figures and tables out on A4 sheets of one PDF.


WIDTH: Final = 8.27
HEIGHT: Final = 11.69
"""A4 [in] (ISO 216)."""

MARGIN: Final = 0.65
GUTTER: Final = 0.3
COLUMN: Final = (WIDTH - 2 * MARGIN - GUTTER) / 2.0

_LETTER: Final = 0.0078
"""Width of a letter of the sans face per point of its size [in], a little wide on purpose."""


_NOTE_SIZE: Final = 6.5
_NOTE_LINE: Final = 1.3 * _NOTE_SIZE / 72.0
"""Type of the note under a figure [pt], and the height of its lines [in]."""


class Paper:
    """A stack of A4 sheets; what does not fit on one goes to the next. A context manager."""

    def __init__(self, target: BinaryIO, title: str, drawings: style.Drawings, subject: str = "") -> None:
        self._drawings = drawings
        # No date and no tool: the same review gives the same bytes.
        stamps = {"CreationDate": None, "ModDate": None, "Creator": None, "Producer": None, "Title": title}
        if subject:
            stamps["Subject"] = subject
        self._pages = PdfPages(target, metadata=stamps)
        self._sheet: Figure | None = None
        self._used = 0.0

    def __enter__(self) -> Paper:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.turn()
        self._pages.close()  # type: ignore[no-untyped-call]

    def turn(self) -> None:
        """End the sheet; the next thing starts a new one."""
        if self._sheet is not None:
            self._pages.savefig(self._sheet, dpi=style.PAPER_DPI)  # type: ignore[no-untyped-call]
        self._sheet = None

    def text(
        self, words: str, size: float, colour: str = style.INK, serif: bool = False, bold: bool = False
    ) -> None:
        """Write a paragraph over the whole width."""
        # Letters are counted, not measured: measuring needs a drawn sheet, and an estimate on the wide side
        # keeps every line within the margin.
        per_line = int((WIDTH - 2 * MARGIN) / (_LETTER * size * (1.06 if serif else 1.0)))
        for line in textwrap.wrap(words, per_line) or [""]:
            figure, y = self._place(1.45 * size / 72.0)
            figure.text(
                MARGIN / WIDTH,
                y,
                line,
                fontsize=size,
                color=colour,
                va="top",
                family="DejaVu Serif" if serif else "DejaVu Sans",
                weight="bold" if bold else "normal",
            )

    def keep(self, inches: float) -> None:
        """Start a new sheet unless this much room is left: what follows belongs together."""
        if self._sheet is not None and self._used + inches > HEIGHT - MARGIN:
            self.turn()

    def space(self, inches: float) -> None:
        """Leave some room, unless a new sheet begins anyway."""
        if self._sheet is not None:
            self._used += inches

    def plates(self, plates: list[style.Plate]) -> None:
        """Set figures side by side, two in a row, each under its question and over its note."""
        drawn = [(plate, picture) for plate in plates if (picture := self._picture(plate)) is not None]
        for plate in plates:
            if (fault := self._drawings.fault(plate)) is not None:
                self.text(f"– {clause(plate.title or plate.key)}: left out, {fault_words(fault)}", 8.5)
        for first in range(0, len(drawn), 2):
            pair = [plate for plate, _ in drawn[first : first + 2]]
            pictures = [picture for _, picture in drawn[first : first + 2]]
            # A row is as high as its highest figure; a question of two lines pushes both figures down,
            # so that their tops stay level.
            heights = [COLUMN * picture.shape[0] / picture.shape[1] for picture in pictures]
            head = 0.2 * max(len(_title(plate)) for plate in pair) + 0.05
            below = max(
                height + _NOTE_LINE * len(_note(plate)) for plate, height in zip(pair, heights, strict=True)
            )
            figure, top = self._place(below + head + 0.25)
            for place, (plate, picture, height) in enumerate(zip(pair, pictures, heights, strict=True)):
                left = MARGIN + place * (COLUMN + GUTTER)
                figure.text(
                    left / WIDTH, top, "\n".join(_title(plate)), fontsize=8.5, weight="bold", va="top"
                )
                bottom = top - (head + height) / HEIGHT
                axes = figure.add_axes((left / WIDTH, bottom, COLUMN / WIDTH, height / HEIGHT))
                axes.imshow(picture, aspect="auto", interpolation="none")
                axes.set_axis_off()
                figure.text(
                    left / WIDTH,
                    bottom - 0.06 / HEIGHT,
                    "\n".join(_note(plate)),
                    fontsize=_NOTE_SIZE,
                    color=style.GREY,
                    va="top",
                )

    def _picture(self, plate: style.Plate) -> style.Array | None:
        drawn = self._drawings.on_paper(plate)
        return None if drawn is None else cast("style.Array", imread(io.BytesIO(drawn), format="png"))

    def table(self, table: PageTable) -> None:
        """Set a table; long cells are cut to their column."""
        # Small, since the page is read at arm's length and its tables have up to nine columns.
        size = 6.5
        widths = _column_widths(table, (WIDTH - 2 * MARGIN) / (_LETTER * size))
        self.space(0.12)
        self.text(table.caption, 8.5, bold=True)
        if not table.columns:  # left out: its note says why
            self.text(table.note, size)
            return
        heads = [textwrap.wrap(column, width) for column, width in zip(table.columns, widths, strict=True)]
        for line in range(most := max(map(len, heads))):
            words = [head[line] if line < len(head) else "" for head in heads]
            self._row(words, widths, size, style.GREY, ruled=line == most - 1)
        for row in table.rows:
            self._row([_shown(cell) for cell in row], widths, size, style.INK)
        if table.note:
            self.space(0.04)
            self.text(table.note, size, style.GREY)

    def _row(self, cells: list[str], widths: list[int], size: float, colour: str, ruled: bool = True) -> None:
        figure, y = self._place((1.75 if ruled else 1.3) * size / 72.0)
        left = MARGIN
        for cell, width in zip(cells, widths, strict=True):
            shown = cell if len(cell) <= width else cell[: max(width - 1, 1)] + "…"
            figure.text(left / WIDTH, y, shown, fontsize=size, color=colour, va="top")
            left += (width + 2) * _LETTER * size
        if not ruled:
            return
        below = y - 1.5 * size / 72.0 / HEIGHT
        ends = (MARGIN / WIDTH, 1.0 - MARGIN / WIDTH)
        figure.add_artist(
            Line2D(ends, (below, below), color=style.PALE, linewidth=0.5, transform=figure.transFigure)
        )

    def _place(self, height: float) -> tuple[Figure, float]:
        """Return the sheet and the place of the top [part of its height] for something this high [in]."""
        # What does not fit goes to a new sheet whole: a line or a row of figures is never torn.
        if self._sheet is None or self._used + height > HEIGHT - MARGIN:
            self.turn()
            self._sheet = Figure(figsize=(WIDTH, HEIGHT))
            self._used = MARGIN
        top = 1.0 - self._used / HEIGHT
        self._used += height
        return self._sheet, top


def _shown(cell: Cell) -> str:
    return f"{cell.text}, {cell.remark}" if 0 < len(cell.remark) < 12 else cell.text


def _note(plate: style.Plate) -> list[str]:
    return textwrap.wrap(plate.note, int(COLUMN / (_LETTER * _NOTE_SIZE)))


def _title(plate: style.Plate) -> list[str]:
    return textwrap.wrap(plate.title, 48)


def _column_widths(table: PageTable, room: float) -> list[int]:
    """Return the width of each column in letters: what it needs, the widest cut until all fit."""
    # Letters taken from the widest column cost the least: names and figures are short, comments long.
    needs = [
        max([*map(len, textwrap.wrap(column, 18)), *(len(_shown(row[place])) for row in table.rows)])
        for place, column in enumerate(table.columns)
    ]
    room -= 2 * len(needs)
    while sum(needs) > room and max(needs) > 4:
        needs[needs.index(max(needs))] -= 1
    return needs


# Save the figures one by one, and the content of the page as a PDF.


_OPENING: Final = 4.2
"""Room a part wants at its start, for its answer and its first figure [in]."""


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
        raise _not_writable(folder, error) from None
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
    # Drawn to memory first: a file half written is worse than none.
    path = check_pdf(path)
    sheets = io.BytesIO()
    drawings = drawings or style.Drawings()
    parts = parts or page_parts(review, drawings)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with (
            style.house_style(),
            Paper(
                sheets, label(review.session.sheet.name, 80), drawings, label(parts[0].answer, 400)
            ) as paper,
        ):
            _fill(paper, review, parts)
        write_whole(path, sheets.getvalue())
    except OSError as error:
        raise _not_writable(path, error) from None
    drawings.tidy()
    return path


def check_pdf(path: Path) -> Path:
    """Return where a PDF shall lie; raise `AnalyzerError` when it may not lie there."""
    path = path.expanduser()
    check_ending(path, ".pdf")
    refuse_strange(path)
    return path


def _fill(paper: Paper, review: Review, parts: tuple[Part, ...]) -> None:
    paper.text(label(review.session.sheet.name, 80), 18, serif=True)
    paper.text(f"{label(review.session.car.name)}, {len(review.runs)} runs", 9, style.GREY)
    # A part starts where its answer and its first figures have room together.
    for content in parts:
        paper.space(0.25)
        paper.keep(_OPENING)
        paper.text(content.reader, 10, bold=True)
        paper.text(content.question, 8, style.GREY)
        paper.space(0.08)
        paper.text(content.answer, 13, serif=True)
        paper.space(0.15)
        paper.plates(list(content.plates))
        for point in content.points:
            paper.text(f"– {point}", 8.5)
        for table in content.tables:
            paper.table(table)
    paper.space(0.25)
    paper.text("Cautions", 10, bold=True)
    for caution in CAUTIONS:
        paper.text(f"– {caution}", 8)


def _not_writable(path: Path, error: OSError) -> AnalyzerError:
    reason = error.strerror or type(error).__name__
    return AnalyzerError(one_line(f"{path}: cannot be written ({reason}); name another place"))
