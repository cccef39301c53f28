"""Roll gradient, bottoming and load share from on-car logs, set against the fitted anti-roll bar.

The public library: ``analyzer.review("sample_logs")`` and the other names of `__all__`, explained in
docs/library.md. A name is loaded when it is first asked for, so that the import itself, and with it the
command line's help, stays quick.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from analyzer.core.constants import VERSION

if TYPE_CHECKING:
    from analyzer.api import (
        bars,
        check,
        choose,
        confirm,
        course,
        load_car,
        load_session,
        predict,
        results,
        review,
        save_figures,
        save_pdf,
        season,
        tables,
        write_course,
        write_demo,
        write_report,
    )
    from analyzer.archive.results import Archive
    from analyzer.comparison.results import Choice, Comparison, Confirmation, SetupResult
    from analyzer.core.errors import AnalyzerError, LogError, SheetError
    from analyzer.core.estimate import Estimate
    from analyzer.ingest.recording import Recording
    from analyzer.prediction.results import BarLadder, SetupPrediction
    from analyzer.processing.results import BottomingEvent, RunEstimates
    from analyzer.session.course_sheet import CourseSheetResult
    from analyzer.session.review import CheckOutcome, Review, Session
    from analyzer.sheets.car import CarSheet

__version__ = VERSION

__all__ = [
    "AnalyzerError",
    "Archive",
    "BarLadder",
    "BottomingEvent",
    "CarSheet",
    "CheckOutcome",
    "Choice",
    "Comparison",
    "Confirmation",
    "CourseSheetResult",
    "Estimate",
    "LogError",
    "Recording",
    "Review",
    "RunEstimates",
    "Session",
    "SetupPrediction",
    "SetupResult",
    "SheetError",
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

_CLASSES: Final = {
    "AnalyzerError": "analyzer.core.errors",
    "Archive": "analyzer.archive.results",
    "BarLadder": "analyzer.prediction.results",
    "BottomingEvent": "analyzer.processing.results",
    "CarSheet": "analyzer.sheets.car",
    "CheckOutcome": "analyzer.session.review",
    "Choice": "analyzer.comparison.results",
    "Comparison": "analyzer.comparison.results",
    "Confirmation": "analyzer.comparison.results",
    "CourseSheetResult": "analyzer.session.course_sheet",
    "Estimate": "analyzer.core.estimate",
    "LogError": "analyzer.core.errors",
    "Recording": "analyzer.ingest.recording",
    "Review": "analyzer.session.review",
    "RunEstimates": "analyzer.processing.results",
    "Session": "analyzer.session.review",
    "SetupPrediction": "analyzer.prediction.results",
    "SetupResult": "analyzer.comparison.results",
    "SheetError": "analyzer.core.errors",
}


def __getattr__(name: str) -> Any:
    """Load a public name when it is first asked for."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    value = getattr(import_module(_CLASSES.get(name, "analyzer.api")), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
