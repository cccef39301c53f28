"""Save the figures one by one, and the content of the page as a PDF."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from analyzer.errors import AnalyzerError, one_line
from analyzer.files import write_whole
from analyzer.report.paper import Paper
from analyzer.report.parts import all_plates, page_parts
from analyzer.report.plates import GREY, Plate, house_style
from analyzer.report.text import CAUTIONS
from analyzer.report.wording import label

if TYPE_CHECKING:
    from analyzer.session import Review

Kind = Literal["svg", "png", "pdf"]
_OPENING: Final = 4.2
"""Room a part wants at its start, for its answer and its first figure [in]."""
KINDS: Final[tuple[Kind, ...]] = ("svg", "png", "pdf")


def figure_kind(word: str) -> Kind:
    """Return `word` as a kind of figure.

    Raises
    ------
    AnalyzerError
        When it is none.
    """
    for kind in KINDS:
        if word.lower().lstrip(".") == kind:
            return kind
    raise AnalyzerError(one_line(f'"{word}" is not a kind of figure; use one of {", ".join(KINDS)}'))


def save_figures(review: Review, folder: Path, kind: Kind = "svg") -> tuple[Path, ...]:
    """Write every figure of the page to a file of its own, its question above it.

    Parameters
    ----------
    review : Review
        What is shown.
    folder : Path
        Made when it is not there. Files of the same name are replaced, others left alone.
    kind : str
        ``svg``, ``png`` or ``pdf``.

    Returns
    -------
    tuple of Path
        The files, in the order of the page.

    Raises
    ------
    AnalyzerError
        When the kind is not known or the folder cannot be written to.
    """
    kind = figure_kind(kind)
    folder = folder.expanduser()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with house_style():
            plates = all_plates(page_parts(review, lambda _what: None))
            return tuple(_save(plate, folder / f"{plate.key}.{kind}", kind) for plate in plates)
    except OSError as error:
        raise _not_writable(folder, error) from None


def save_pdf(review: Review, path: Path) -> Path:
    """Write the page's content, without what is folded, to a PDF of A4 sheets.

    Raises
    ------
    AnalyzerError
        When the file cannot be written.
    """
    path = path.expanduser()
    sheets = io.BytesIO()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with house_style(), Paper(sheets, label(review.session.sheet.name, 80)) as paper:
            _fill(paper, review)
        write_whole(path, sheets.getvalue())
    except OSError as error:
        raise _not_writable(path, error) from None
    return path


def _fill(paper: Paper, review: Review) -> None:
    paper.text(label(review.session.sheet.name, 80), 18, serif=True)
    paper.text(f"{label(review.session.car.name)}, {len(review.runs)} runs", 9, GREY)
    for content in page_parts(review, lambda _what: None):
        paper.space(0.25)
        paper.keep(_OPENING)
        paper.text(content.reader, 10, bold=True)
        paper.text(content.question, 8, GREY)
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


def _save(plate: Plate, file: Path, kind: Kind) -> Path:
    plate.figure.text(0.0, 1.02, plate.title, fontsize=10, weight="bold", va="bottom")
    stamps: dict[Kind, dict[str, Any]] = {
        "svg": {"Date": None, "Creator": None},
        "png": {"Software": None},
        "pdf": {"CreationDate": None, "ModDate": None, "Creator": None, "Producer": None},
    }
    drawn = io.BytesIO()
    plate.figure.savefig(
        drawn, format=kind, metadata=stamps[kind], bbox_inches="tight", pad_inches=0.1, facecolor="white"
    )
    write_whole(file, drawn.getvalue())
    return file


def _not_writable(path: Path, error: OSError) -> AnalyzerError:
    reason = error.strerror or type(error).__name__
    return AnalyzerError(one_line(f"{path}: cannot be written ({reason}); name another place"))
