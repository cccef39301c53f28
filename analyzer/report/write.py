"""Write the report folder: the page, results.json and the tables."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyzer.report.atomic import PAGE, RESULTS, TABLES, replaced_folder
from analyzer.report.drawings import Drawings
from analyzer.report.page import Tell, render_page
from analyzer.report.parts import Part, page_parts
from analyzer.report.results import results_dict
from analyzer.report.tables import write_tables

if TYPE_CHECKING:
    from analyzer.session import Review


def write_report(
    review: Review, folder: Path, progress: Tell | None = None, parts: tuple[Part, ...] | None = None
) -> Path:
    """Write the report of a review into `folder`, all of it or nothing.

    Parameters
    ----------
    review : Review
        What is shown.
    folder : Path
        Made when it is not there. An earlier report in it is replaced; anything else is left alone.
    progress : callable, optional
        Told before each figure how many are drawn and how many there are.
    parts : tuple of Part, optional
        From `page_parts`, when more is made of them than the page: their figures are then drawn once.

    Returns
    -------
    Path
        The page, ``report.html`` in `folder`. Beside it lie ``results.json`` and ``tables/*.csv``, which are
        the same to the last byte for the same review.

    Raises
    ------
    AnalyzerError
        When `folder` holds something else than a report, or cannot be written to.
    """
    tell = progress or (lambda _done, _all: None)
    results = results_dict(review)
    drawings = Drawings()
    with replaced_folder(folder) as work:
        page = render_page(review, results, parts or page_parts(review), drawings, tell)
        (work / PAGE).write_bytes(page.encode("utf-8", "xmlcharrefreplace"))
        (work / RESULTS).write_bytes(results_text(results).encode("utf-8", "backslashreplace"))
        write_tables(results, work / TABLES)
    drawings.tidy()
    return folder / PAGE


def results_text(results: dict[str, Any]) -> str:
    """Return results.json as text: sorted keys, two spaces, no NaN."""
    return json.dumps(results, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"
