"""Public functions that hand results on: as plain data, tables, pages, figures and files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

    from analyzer.comparison.course import CourseSheetResult
    from analyzer.report.drawings import Kind
    from analyzer.session import Review


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
    from analyzer.report.results import results_dict

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
    from analyzer.report.tables import data_frames

    return data_frames(results(reviewed))


def write_report(reviewed: Review, folder: str | Path) -> Path:
    """Write the page, ``results.json`` and the tables of a review into a folder, all or nothing.

    Parameters
    ----------
    reviewed : Review
        From `review`.
    folder : str or Path
        Made when it is not there; an earlier report in it is replaced, anything else is left alone.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    AnalyzerError
        When the folder holds something else, or cannot be written to.
    """
    from analyzer.report.write import write_report

    return write_report(reviewed, Path(folder))


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
    from analyzer.report.export import save_figures

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
    from analyzer.report.export import save_pdf

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
    from analyzer.demo.write import write_demo

    return write_demo(Path(folder), seed)
