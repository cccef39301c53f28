__version__: str

from .api import (
    bars as bars,
    check as check,
    choose as choose,
    confirm as confirm,
    course as course,
    load_car as load_car,
    load_session as load_session,
    predict as predict,
    results as results,
    review as review,
    save_figures as save_figures,
    save_pdf as save_pdf,
    season as season,
    tables as tables,
    write_course as write_course,
    write_demo as write_demo,
    write_report as write_report,
)
from .archive.results import Archive as Archive
from .comparison.results import (
    Choice as Choice,
    Comparison as Comparison,
    Confirmation as Confirmation,
    SetupResult as SetupResult,
)
from .core.errors import AnalyzerError as AnalyzerError, LogError as LogError, SheetError as SheetError
from .core.estimate import Estimate as Estimate
from .ingest.recording import Recording as Recording
from .prediction.results import BarLadder as BarLadder, SetupPrediction as SetupPrediction
from .processing.results import BottomingEvent as BottomingEvent, RunEstimates as RunEstimates
from .session.course_sheet import CourseSheetResult as CourseSheetResult
from .session.review import CheckOutcome as CheckOutcome, Review as Review, Session as Session
from .sheets.car import CarSheet as CarSheet
