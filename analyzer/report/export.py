"""Save the figures one by one, and the content of the page as a PDF."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Final

from analyzer.errors import AnalyzerError, one_line
from analyzer.files import check_ending, refuse_strange, write_whole
from analyzer.report.drawings import KINDS, Drawings, Kind
from analyzer.report.parts import Part, all_plates, page_parts
from analyzer.report.plates import GREY, house_style
from analyzer.report.text import CAUTIONS
from analyzer.report.wording import label

if TYPE_CHECKING:
    from analyzer.report.paper import Paper
    from analyzer.session import Review

_OPENING: Final = 4.2
"""Room a part wants at its start, for its answer and its first figure [in]."""


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


def save_figures(
    review: Review, folder: Path, kind: Kind = "svg", parts: tuple[Part, ...] | None = None
) -> tuple[Path, ...]:
    """Write every figure of the page to a file of its own, its question above it.

    Parameters
    ----------
    review : Review
        What is shown.
    folder : Path
        Made when it is not there. Figures of the same name are replaced, other files left alone.
    kind : str
        ``svg``, ``png`` or ``pdf``.
    parts : tuple of Part, optional
        From `page_parts`, when the page is made of them, too.

    Returns
    -------
    tuple of Path
        The files, in the order of the page.

    Raises
    ------
    AnalyzerError
        When the kind is not known, a file of such a name is no figure, or the folder cannot be written to.
    """
    kind = figure_kind(kind)
    folder = folder.expanduser()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        drawings = Drawings()
        plates = {folder / f"{plate.key}.{kind}": plate for plate in all_plates(parts or page_parts(review))}
        for path in plates:  # before the first is written: all of them or none
            refuse_strange(path)
        for path, plate in plates.items():
            write_whole(path, drawings.as_file(plate, kind))
    except OSError as error:
        raise _not_writable(folder, error) from None
    drawings.tidy()
    return tuple(plates)


def save_pdf(review: Review, path: Path, parts: tuple[Part, ...] | None = None) -> Path:
    """Write the page's content, without what is folded, to a PDF of A4 sheets.

    Parameters
    ----------
    review : Review
        What is shown.
    path : Path
        The file, ending in ``.pdf``; an earlier PDF is replaced, nothing else.
    parts : tuple of Part, optional
        From `page_parts`, when the page is made of them, too.

    Raises
    ------
    AnalyzerError
        When something else lies there, or the file cannot be written.
    """
    from analyzer.report.paper import Paper

    path = check_pdf(path)
    sheets = io.BytesIO()
    drawings = Drawings()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with house_style(), Paper(sheets, label(review.session.sheet.name, 80), drawings) as paper:
            _fill(paper, review, parts or page_parts(review))
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
    paper.text(f"{label(review.session.car.name)}, {len(review.runs)} runs", 9, GREY)
    for content in parts:
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


def _not_writable(path: Path, error: OSError) -> AnalyzerError:
    reason = error.strerror or type(error).__name__
    return AnalyzerError(one_line(f"{path}: cannot be written ({reason}); name another place"))
