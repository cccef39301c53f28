"""What follows from a session: a change confirmed, the car calibrated, the next setting chosen."""

import tomllib
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path

from analyzer.comparison import calibrated_car as calibrating
from analyzer.comparison.choosing.choose import choose, present_setup
from analyzer.comparison.choosing.wishes import parse_wish
from analyzer.comparison.confirm import PastSession, confirm, joined_sessions
from analyzer.comparison.results import Choice, Confirmation
from analyzer.core.errors import AnalyzerError, SheetError, choices, contained, nearest
from analyzer.core.units import AXLES
from analyzer.prediction.setup import check_bars
from analyzer.processing.results import RunEstimates
from analyzer.session.review import (
    ByName,
    Progress,
    Review,
    Session,
    condition_differences,
    load_session,
    review_loaded,
    run_fault,
)
from analyzer.sheets.car import CarSheet
from analyzer.sheets.read import read_car, toml_table

# Confirm a change of a reviewed session: the work behind ``analyzer confirm``.


def confirm_change(
    review: Review,
    before: str,
    after: str,
    earlier: Sequence[Review] = (),
    calibration: calibrating.Calibration | None = None,
) -> Confirmation:
    """Set two set-ups of a reviewed session against each other in depth.

    Parameters
    ----------
    review : Review
        The session.
    before, after : str
        Set-ups.
    earlier : sequence of Review
        Earlier sessions of the same car, earliest first.
    calibration : Calibration or None
        What the predictions start from instead of the sheet's own figures.

    Raises
    ------
    AnalyzerError
        When a set-up is not in the sheet or both are the same, or an earlier session is of another car.
    """
    sessions = (review, *earlier)

    def confirmed(names: Collection[tuple[int, str]]) -> Confirmation:
        own, *past = (
            replace(
                session,
                runs=ByName(run for run in session.runs if (place, run.name) in names),
                recordings=ByName(found for found in session.recordings if (place, found.run) in names),
            )
            for place, session in enumerate(sessions)
        )
        return _confirm_change(own, before, after, past, calibration)

    # Earlier sessions count with their runs as well: a fault in one of those leaves out no run of this one.
    confirmation, late = contained(
        [(place, run.name) for place, session in enumerate(sessions) for run in session.runs],
        confirmed,
        lambda name, error: run_fault(sessions[name[0]].session, name[1], "comparing", error),
    )
    before_it = (fault for past in earlier for fault in past.faults)
    return replace(confirmation, faults=(*before_it, *review.faults, *late))


def _confirm_change(
    review: Review,
    before: str,
    after: str,
    earlier: Sequence[Review],
    calibration: calibrating.Calibration | None,
) -> Confirmation:
    session = review.session
    driven = {name: tuple(run.name for run in review.runs if run.setup == name) for name in (before, after)}
    car, past = session.car, past_sessions(review, earlier)
    runs: Sequence[RunEstimates] = review.runs
    notes: tuple[str, ...] = ()
    if calibration is not None:
        # What earlier runs have shown moves the prediction; measured roll is read anew with the same sheet,
        # so that both stand on one car.
        car = calibrating.calibrated_car(session.car, calibration)
        runs = calibrating.read_anew(session.car, car, review.runs)
        past = tuple(replace(p, runs=calibrating.read_anew(session.car, car, p.runs)) for p in past)
        notes = (f"predictions start from the car sheet as {len(calibration.runs)} runs have updated it",)
        # A calibration by these very runs would agree with them by construction.
        if set(calibration.runs) & {run.name for run in review.runs}:
            notes += (
                "the calibrated car names runs that are called as runs of this session: if it was made from "
                "them, their agreement with it proves nothing",
            )
    confirmation = confirm(
        car,
        session.sheet,
        runs,
        before,
        after,
        health={recording.run: recording.health for recording in review.recordings},
        differences=condition_differences(session, driven[before], driven[after]),
        earlier=past,
    )
    comparison = confirmation.comparison
    return replace(confirmation, comparison=replace(comparison, notes=(*notes, *comparison.notes)))


def past_sessions(review: Review, earlier: Sequence[Review]) -> tuple[PastSession, ...]:
    """Return earlier sessions under names of their own; each must be of the same car."""
    found: list[PastSession] = []
    # A session that is given twice would count as more runs than were driven.
    counted = {review.session.path.resolve()}
    for other in earlier:
        path = other.session.path.resolve()
        if path in counted:
            raise AnalyzerError(f"{other.session.path}: counts already; give each earlier session once")
        counted.add(path)
        car, own = other.session.car, review.session.car
        # Runs count together as those of one car; another mass or axle makes them runs of another.
        unlike = [part for part in ("mass", *AXLES) if getattr(car, part) != getattr(own, part)]
        if unlike:
            raise AnalyzerError(
                f"{other.session.path}: its car sheet differs under [{unlike[0]}] from that of "
                f"{review.session.path}; only sessions of the same car with the same sheet count together"
            )
        name = other.session.sheet.name
        if name in {past.name for past in found}:
            name = f"{name} ({len(found) + 1})"
        found.append(PastSession(name, other.session.sheet.setups, other.runs))
    return tuple(found)


def write_calibrated_car(review: Review, earlier: Sequence[Review] = ()) -> Path:
    """Write what the runs say about the car to a file beside the session sheet; the sheets stay as they are.

    Raises
    ------
    AnalyzerError
        When the runs say nothing about the car, or contradict its sheet.
    """
    session = review.session
    joined = joined_sessions(session.sheet.setups, review.runs, past_sessions(review, earlier))
    calibration = calibrating.calibrate(session.car, joined.setups, joined.runs)
    if calibration is None:
        raise AnalyzerError(
            f"{session.path}: the runs do not calibrate the car; "
            "no roll was measured, or runs and sheet contradict each other (see analyzer confirm)"
        )
    path = session.path.parent / calibrating.FILE_NAME
    calibrating.write_calibration(path, calibration, session.car_path)
    return path


# Choose the next setting from a session or a car sheet: the work behind ``analyzer choose``.


def choose_next(path: Path, wish: str, setup: str | None, progress: Progress) -> Choice:
    """Rank what could be fitted next to meet a `wish`.

    Parameters
    ----------
    path : Path
        Session sheet (or its folder), whose runs and calibrated car then count, or a car sheet alone.
    wish : str
        In words; see `analyzer.comparison.choosing.wishes`.
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
        session = load_session(path)
        _present(session, setup)  # and so is a set-up that is not known
        return choose_after(review_loaded(session, progress), wish, setup)
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
    session = review.session
    name = _present(session, setup)
    file = session.path.parent / calibrating.FILE_NAME
    calibration = (
        calibrating.read_calibration(file, session.car, session.car_path) if file.is_file() else None
    )
    setups = session.sheet.setups
    runs = {run.name: run for run in review.runs}
    choice, late = contained(
        list(runs),
        lambda names: choose(
            session.car,
            parse_wish(wish),
            setups[name],
            name,
            setups,
            [runs[one] for one in names],
            calibration,
        ),
        lambda run, error: run_fault(session, run, "comparing", error),
    )
    return replace(choice, faults=(*review.faults, *late))


def _is_car(path: Path) -> bool:
    """Tell a car sheet from a session sheet by the tables it holds; the reader says what else is wrong."""
    try:
        return path.is_file() and "mass" in toml_table(path.read_bytes())
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError):
        return False


def _present(session: Session, setup: str | None) -> str:
    known = session.sheet.setups
    if setup is None:
        return session.sheet.runs[-1].setup
    if setup not in known:
        near = nearest(setup, known)
        error = SheetError(session.path, "setups", f'there is no set-up "{setup}"', choices(setup, known))
        error.instead = None if near is None else (setup, near)
        raise error
    return setup
