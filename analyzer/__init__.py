"""Roll gradient, bottoming and load share from on-car logs, set against the fitted anti-roll bar.

The public library: ``analyzer.review("sample_logs")`` and the other names of `__all__`, explained in
docs/library.md. A name is loaded when it is first asked for, so that the import itself, and with it the
command line's help, stays quick.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from analyzer.archive.results import Archive
    from analyzer.checking import CheckOutcome
    from analyzer.comparison.choice import Choice
    from analyzer.comparison.course import CourseSheetResult
    from analyzer.comparison.results import Comparison, Confirmation, SetupResult
    from analyzer.errors import AnalyzerError, LogError, SheetError
    from analyzer.estimate import Estimate
    from analyzer.ingest.recording import Recording
    from analyzer.library import (
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
    from analyzer.prediction.ladder_results import BarLadder
    from analyzer.prediction.results import SetupPrediction
    from analyzer.processing.results import BottomingEvent, RunEstimates
    from analyzer.session import Review, Session
    from analyzer.sheets.car import CarSheet

__version__ = "0.1.0"

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
    "AnalyzerError": "analyzer.errors",
    "Archive": "analyzer.archive.results",
    "BarLadder": "analyzer.prediction.ladder_results",
    "BottomingEvent": "analyzer.processing.results",
    "CarSheet": "analyzer.sheets.car",
    "CheckOutcome": "analyzer.checking",
    "Choice": "analyzer.comparison.choice",
    "Comparison": "analyzer.comparison.results",
    "Confirmation": "analyzer.comparison.results",
    "CourseSheetResult": "analyzer.comparison.course",
    "Estimate": "analyzer.estimate",
    "LogError": "analyzer.errors",
    "Recording": "analyzer.ingest.recording",
    "Review": "analyzer.session",
    "RunEstimates": "analyzer.processing.results",
    "Session": "analyzer.session",
    "SetupPrediction": "analyzer.prediction.results",
    "SetupResult": "analyzer.comparison.results",
    "SheetError": "analyzer.errors",
}


def __getattr__(name: str) -> Any:
    """Load a public name when it is first asked for."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    value = getattr(import_module(_CLASSES.get(name, "analyzer.library")), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
