"""Public functions that read logs and answer: check, review, confirm, choose, course, season."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from analyzer.errors import AnalyzerError
from analyzer.library.sheets import load_session

if TYPE_CHECKING:
    from analyzer.archive.results import Archive
    from analyzer.checking import CheckOutcome
    from analyzer.comparison.choice import Choice
    from analyzer.comparison.course import CourseSheetResult
    from analyzer.comparison.results import Confirmation
    from analyzer.session import Progress, Review, Session
    from analyzer.sheets.car import CarSheet


def check(path: str | Path, *, progress: Progress | None = None) -> CheckOutcome:
    """Read one log, or all logs of a session, and check clock and channels.

    Parameters
    ----------
    path : str or Path
        A log, a session sheet or its folder.
    progress : callable, optional
        Told before each step: what, steps done, steps in all.

    Returns
    -------
    CheckOutcome
        ``recordings[i].data`` is a DataFrame, one column per house channel [SI], index ``time_s`` [s];
        ``recordings[i].health`` holds the rows of the checks.

    Raises
    ------
    AnalyzerError
        When a sheet, or a log named by itself, cannot be used.
    """
    from analyzer.checking import check_path

    return check_path(Path(path), progress or _silent)


def review(session: str | Path | Session, *, seed: int = 0, progress: Progress | None = None) -> Review:
    """Do the whole job for one session: read, estimate, predict and compare.

    Parameters
    ----------
    session : str, Path or Session
        Session sheet, its folder, or what `load_session` returned.
    seed : int
        Seed of every random draw; the same seed gives the same results to the last digit.
    progress : callable, optional
        Told before each step: what, steps done, steps in all.

    Returns
    -------
    Review
        A run whose log cannot be used does not stop the others; its reason stands in ``failed``.

    Raises
    ------
    SheetError
        When a sheet cannot be used.
    """
    from analyzer.session import review_loaded

    loaded = load_session(session) if isinstance(session, (str, Path)) else session
    return review_loaded(loaded, progress, seed)


def confirm(reviewed: Review, before: str, after: str, earlier: Sequence[Review] = ()) -> Confirmation:
    """Set two set-ups of a reviewed session against each other in depth.

    Parameters
    ----------
    reviewed : Review
        From `review`.
    before, after : str
        Set-ups of the session sheet.
    earlier : sequence of Review
        Earlier sessions of the same car, earliest first.

    Returns
    -------
    Confirmation
        Verdict, ledger, reasons, and what these runs could have shown.

    Raises
    ------
    AnalyzerError
        When a set-up is not in the sheet or both are the same.
    """
    from analyzer.confirming import confirm_change

    return confirm_change(reviewed, before, after, earlier)


def choose(source: str | Path | CarSheet | Review, wish: str, setup: str | None = None) -> Choice:
    """Rank what could be fitted next to meet a wish.

    Parameters
    ----------
    source : str, Path, CarSheet or Review
        A review or a session sheet, whose runs and calibrated car then count, or a car sheet alone.
    wish : str
        In plain words, ``"rear 5 % softer"``; docs/verdicts.md lists them.
    setup : str, optional
        Set-up on the car now; the last one driven if not given.

    Returns
    -------
    Choice
        Options, best first.

    Raises
    ------
    AnalyzerError
        When a sheet cannot be used, or wish or set-up is not known.
    """
    from analyzer import choosing
    from analyzer.session import Review

    if isinstance(source, Review):
        return choosing.choose_after(source, wish, setup)
    if isinstance(source, (str, Path)):
        return choosing.choose_next(Path(source), wish, setup, _silent)
    if setup is not None:
        raise AnalyzerError(f'a car sheet has no set-up "{setup}"; give a session, or leave the set-up out')
    return choosing.choose_for_car(source, wish)


def course(reviewed: Review) -> CourseSheetResult:
    """Lay the runs of a review over each other and say where the car runs out of travel, and why.

    Parameters
    ----------
    reviewed : Review
        From `review`.

    Returns
    -------
    CourseSheetResult
        Places, hardest first, with causes and cures.
    """
    from analyzer.comparison.course import course_sheet
    from analyzer.session import require_runs

    require_runs(reviewed)
    return course_sheet(reviewed)


def season(folder: str | Path, out: str | Path | None = None, *, progress: Progress | None = None) -> Archive:
    """Bring the archive of all sessions below a folder up to date and say what changed over time.

    Parameters
    ----------
    folder : str or Path
        Every ``session.toml`` in it or below it counts.
    out : str or Path, optional
        Where the archive lies; ``archive`` inside `folder` if not given.
    progress : callable, optional
        Told before each step: what, steps done, steps in all.

    Returns
    -------
    Archive
        Trends of every car; the data set lies in ``folder/data`` as Parquet.

    Raises
    ------
    AnalyzerError
        When there is no session, or the place of the archive cannot be used.

    Notes
    -----
    New runs are estimated in processes of their own. A script that calls this must be importable: put the
    call under ``if __name__ == "__main__":``. A notebook needs nothing.
    """
    from analyzer.archive.run import archive_folder
    from analyzer.report.archive_write import write_season

    return archive_folder(Path(folder), None if out is None else Path(out), progress, finish=write_season)


def _silent(_what: str, _done: int, _steps: int) -> None:
    """Tell nobody."""
