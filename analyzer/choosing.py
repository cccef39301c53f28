"""Choose the next setting from a session or a car sheet: the work behind ``analyzer choose``."""

from __future__ import annotations

import tomllib
from pathlib import Path

from analyzer.comparison.calibration_file import FILE_NAME, read_calibration
from analyzer.comparison.choice import Choice
from analyzer.comparison.choose import choose, present_setup
from analyzer.comparison.wishes import parse_wish
from analyzer.errors import SheetError
from analyzer.prediction.check import check_bars
from analyzer.session import Progress, Review, review_session
from analyzer.sheets.car import CarSheet
from analyzer.sheets.reading import read_car


def choose_next(path: Path, wish: str, setup: str | None, progress: Progress) -> Choice:
    """Rank what could be fitted next to meet a `wish`.

    Parameters
    ----------
    path : Path
        Session sheet (or its folder), whose runs and calibrated car then count, or a car sheet alone.
    wish : str
        In words; see `analyzer.comparison.wishes`.
    setup : str or None
        Set-up on the car now; the last one driven when None.
    progress : callable
        Told before each step.

    Raises
    ------
    AnalyzerError
        When a sheet cannot be used, or the wish or the set-up is not known.
    """
    parse_wish(wish)  # a wish that is not understood is told before any log is read
    if not _is_car(path):
        return choose_after(review_session(path, progress), wish, setup)
    car = read_car(path)
    check_bars(car, path)
    if setup is not None:
        raise SheetError(
            path, "", f'a car sheet has no set-up "{setup}"', "name a session sheet, or leave --from out"
        )
    return choose_for_car(car, wish)


def choose_for_car(car: CarSheet, wish: str) -> Choice:
    """Do the same for a car sheet that has been read; the fitted setting is the present one."""
    return choose(car, parse_wish(wish), present_setup(car))


def choose_after(review: Review, wish: str, setup: str | None) -> Choice:
    """Do the same for a session that has been reviewed, with the calibrated car beside its sheet."""
    name = _present(review, setup)
    session = review.session
    file = session.path.parent / FILE_NAME
    calibration = read_calibration(file, session.car, session.car_path) if file.is_file() else None
    setups = session.sheet.setups
    return choose(session.car, parse_wish(wish), setups[name], name, setups, review.runs, calibration)


def _is_car(path: Path) -> bool:
    """Tell a car sheet from a session sheet by the tables it holds; the reader says what else is wrong."""
    try:
        return path.is_file() and "mass" in tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
        return False


def _present(review: Review, setup: str | None) -> str:
    known = review.session.sheet.setups
    if setup is None:
        return review.session.sheet.runs[-1].setup
    if setup not in known:
        raise SheetError(
            review.session.path, "setups", f'there is no set-up "{setup}"', f"use one of {', '.join(known)}"
        )
    return setup
