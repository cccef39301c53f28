"""The main job in order: sheets, then logs, then estimates, predictions and their comparison."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from analyzer.comparison.results import Comparison, SetupResult
from analyzer.ingest.recording import Recording
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.course import CourseSheet
from analyzer.sheets.session import SessionSheet


@dataclass(frozen=True, slots=True)
class Session:
    """The sheets of one session, read and checked.

    Parameters
    ----------
    path, car_path : Path
        The session sheet and the car sheet it names.
    sheet, car, course : SessionSheet, CarSheet, CourseSheet or None
        Their contents.
    logs : dict
        Run name -> its log files.
    """

    path: Path
    car_path: Path
    sheet: SessionSheet
    car: CarSheet
    course: CourseSheet | None
    logs: dict[str, tuple[Path, ...]]


@dataclass(frozen=True, slots=True)
class Review:
    """All results of one session; what the report shows.

    Parameters
    ----------
    session : Session
        The sheets.
    recordings, runs : tuple
        Per run, in the order of the sheet; a run whose log is unusable is in `failed` instead.
    failed : dict
        Run name -> the one line why it was left out.
    setups : tuple of SetupResult
        In the order of the sheet, those with at least one run or a prediction.
    comparisons : tuple of Comparison
        Each set-up against the one before it in the sheet.
    """

    session: Session
    recordings: tuple[Recording, ...]
    runs: tuple[RunEstimates, ...]
    failed: dict[str, str]
    setups: tuple[SetupResult, ...]
    comparisons: tuple[Comparison, ...]
