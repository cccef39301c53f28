"""The public functions behind ``import analyzer``: plain verbs that return the same frozen results.

Nothing is computed here. Each function calls the one of its room, with paths as text allowed.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyzer.core.errors import AnalyzerError
from analyzer.report.notebook import show_in_notebooks

if TYPE_CHECKING:
    import pandas as pd

    from analyzer.archive.results import Archive
    from analyzer.comparison.results import Choice, Confirmation
    from analyzer.core.units import Axle
    from analyzer.prediction.results import BarLadder, SetupPrediction
    from analyzer.report.figures.style import Kind
    from analyzer.session.course_sheet import CourseSheetResult
    from analyzer.session.review import CheckOutcome, Progress, Review, Session
    from analyzer.sheets.car import CarSheet


def load_session(path: str | Path) -> Session:
    """Read a session sheet and everything it names, without opening a log.

    Parameters
    ----------
    path : str or Path
        Session sheet, or the folder that holds ``session.toml``.

    Returns
    -------
    Session
        Sheets with all values in SI.

    Raises
    ------
    SheetError
        One line naming file, key and remedy.
    """
    from analyzer.session.review import load_session

    return load_session(Path(path))


def load_car(path: str | Path) -> CarSheet:
    """Read a car sheet.

    Parameters
    ----------
    path : str or Path
        The sheet.

    Returns
    -------
    CarSheet
        Its contents, SI, with tolerances.

    Raises
    ------
    SheetError
        One line naming file, key and remedy.
    """
    from analyzer.prediction.setup import check_bars
    from analyzer.sheets.read import read_car

    sheet = read_car(Path(path))
    check_bars(sheet, Path(path))
    return sheet


def predict(session: str | Path | Session) -> dict[str, SetupPrediction]:
    """Predict every set-up of a session from its sheets alone; no log is opened.

    Parameters
    ----------
    session : str, Path or Session
        Session sheet, its folder, or what `load_session` returned.

    Returns
    -------
    dict
        Set-up -> `SetupPrediction`: bar rates [N/m], roll stiffness [N m/deg], roll gradients [deg/g], load
        transfer [N/g], each with its error.

    Raises
    ------
    SheetError
        When a sheet cannot be used.
    """
    from analyzer.session.review import predict_session

    return predict_session(load_session(session) if isinstance(session, (str, Path)) else session)


def bars(car: str | Path | CarSheet) -> dict[Axle, BarLadder]:
    """Predict every setting of a car's bars: rate, compliance, stress, motion.

    Parameters
    ----------
    car : str, Path or CarSheet
        Car sheet, or what `load_car` returned.

    Returns
    -------
    dict
        Axle -> `BarLadder`, softest setting first; no entry for an axle without a bar.

    Raises
    ------
    AnalyzerError
        When the sheet cannot be used.
    """
    from analyzer.core.units import AXLES
    from analyzer.prediction.settings import bar_ladder

    sheet = load_car(car) if isinstance(car, (str, Path)) else car
    ladders = {axle: bar_ladder(sheet, axle) for axle in AXLES}
    return {axle: ladder for axle, ladder in ladders.items() if ladder is not None}


# Public functions that read logs and answer: check, review, confirm, choose, course, season.


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
    from analyzer.session.review import check_path

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
    from analyzer.session.review import review_loaded

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
    from analyzer.session.decisions import confirm_change

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
    from analyzer.session import decisions as choosing
    from analyzer.session.review import Review

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
    from analyzer.session.course_sheet import course_sheet
    from analyzer.session.review import require_runs

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
    from analyzer.archive.season_pass import archive_folder
    from analyzer.report.season_page import write_season

    return archive_folder(Path(folder), None if out is None else Path(out), progress, finish=write_season)


def _silent(_what: str, _done: int, _steps: int) -> None:
    """Tell nobody."""


# Public functions that hand results on: as plain data, tables, pages, figures and files.


def results(reviewed: Review) -> dict[str, Any]:
    """Return everything a review found as plain data, in the shape of ``results.json``.

    Parameters
    ----------
    reviewed : Review
        From `review`.

    Returns
    -------
    dict
        Keys and units are listed in docs/results.md.
    """
    from analyzer.report.plain_data import results_dict

    return results_dict(reviewed)


def tables(reviewed: Review) -> dict[str, pd.DataFrame]:
    """Return the tables of the report folder as DataFrames.

    Parameters
    ----------
    reviewed : Review
        From `review`.

    Returns
    -------
    dict
        ``runs``, ``splits``, ``setups``, ``measured_against_predicted``, ``comparisons``, ``bottoming``,
        ``health``, ``left_out``; columns and units as in docs/results.md, unknown figures as missing values.
    """
    from analyzer.report.plain_data import data_frames

    return data_frames(results(reviewed))


def write_report(reviewed: Review, folder: str | Path, *, progress: Progress | None = None) -> Path:
    """Write the page, ``results.json`` and the tables of a review into a folder, all or nothing.

    Beside it stands ``look.html``, on which the runs are looked into, and with a course sheet the driver's
    page, as ``course.html`` and ``course.json``.

    Parameters
    ----------
    reviewed : Review
        From `review`.
    folder : str or Path
        Made when it is not there; an earlier report in it is replaced, anything else is left alone.
    progress : callable, optional
        Told before each figure: what, figures drawn, figures in all.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    AnalyzerError
        When the folder holds something else, or cannot be written to.
    """
    from analyzer.report.look_page import files_beside
    from analyzer.report.page import write_report
    from analyzer.session.course_sheet import driven_course

    tell = progress or _silent
    return write_report(
        reviewed,
        Path(folder),
        lambda done, figures: tell("drawing the report", done, figures),
        beside=files_beside(reviewed, driven_course(reviewed)),
    )


def save_figures(reviewed: Review, folder: str | Path, kind: Kind = "svg") -> tuple[Path, ...]:
    """Write every figure of the page to a file of its own, its question above it.

    Parameters
    ----------
    reviewed : Review
        From `review`.
    folder : str or Path
        Made when it is not there; figures of the same name are replaced, other files left alone.
    kind : str
        ``svg``, ``png`` or ``pdf``.

    Returns
    -------
    tuple of Path
        The files, in the order of the page.

    Raises
    ------
    AnalyzerError
        When the kind is not known, a file of such a name is no figure, or the folder cannot be written to.
    """
    from analyzer.report.pdf import save_figures

    return save_figures(reviewed, Path(folder), kind)


def save_pdf(reviewed: Review, path: str | Path) -> Path:
    """Write the content of the page, without what is folded, to a PDF of A4 sheets.

    Parameters
    ----------
    reviewed : Review
        From `review`.
    path : str or Path
        The file, ending in ``.pdf``; an earlier PDF is replaced, nothing else.

    Returns
    -------
    Path
        The same.

    Raises
    ------
    AnalyzerError
        When something else lies there, or it cannot be written.
    """
    from analyzer.report.pdf import save_pdf

    return save_pdf(reviewed, Path(path))


def write_course(result: CourseSheetResult, folder: str | Path) -> Path:
    """Write the driver's course sheet into a folder, all or nothing.

    Parameters
    ----------
    result : CourseSheetResult
        From `course`.
    folder : str or Path
        Made when it is not there; an earlier sheet in it is replaced, anything else is left alone.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    AnalyzerError
        When the folder holds something else, or cannot be written to.
    """
    from analyzer.report.course_page import write_course

    return write_course(result, Path(folder))


def write_demo(folder: str | Path, seed: int = 7) -> Path:
    """Write a sample session driven by a virtual car, with its true values beside it.

    Parameters
    ----------
    folder : str or Path
        Empty or new.
    seed : int
        Seed of road, driver and sensor noise.

    Returns
    -------
    Path
        The session sheet.

    Raises
    ------
    AnalyzerError
        When the folder holds such files already or cannot be written to.
    """
    from analyzer.demo.sample_session import write_demo

    return write_demo(Path(folder), seed)


show_in_notebooks()
