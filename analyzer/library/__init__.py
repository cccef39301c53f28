"""The public functions behind ``import analyzer``: plain verbs that return the same frozen results.

Nothing is computed here. Each function calls the one of its room, with paths as text allowed.
"""

from __future__ import annotations

from analyzer.library.output import (
    results,
    save_figures,
    save_pdf,
    tables,
    write_course,
    write_demo,
    write_report,
)
from analyzer.library.sheets import bars, load_car, load_session, predict
from analyzer.library.work import check, choose, confirm, course, review, season
from analyzer.report.notebook import show_in_notebooks

__all__ = [
    "bars",
    "check",
    "choose",
    "confirm",
    "course",
    "load_car",
    "load_session",
    "predict",
    "results",
    "review",
    "save_figures",
    "save_pdf",
    "season",
    "tables",
    "write_course",
    "write_demo",
    "write_report",
]

show_in_notebooks()
