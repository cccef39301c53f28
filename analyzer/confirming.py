"""Confirm a change of a reviewed session: the work behind ``analyzer confirm``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from analyzer.comparison.calibration import Calibration, calibrate, calibrated_car, read_anew
from analyzer.comparison.calibration_file import FILE_NAME, write_calibration
from analyzer.comparison.confirm import confirm
from analyzer.comparison.model import PastSession, joined_sessions
from analyzer.comparison.results import Confirmation
from analyzer.constants import AXLES
from analyzer.errors import AnalyzerError
from analyzer.processing.results import RunEstimates
from analyzer.session import Review, condition_differences


def confirm_change(
    review: Review,
    before: str,
    after: str,
    earlier: Sequence[Review] = (),
    calibration: Calibration | None = None,
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
    session = review.session
    driven = {name: tuple(run.name for run in review.runs if run.setup == name) for name in (before, after)}
    car, past = session.car, past_sessions(review, earlier)
    runs: Sequence[RunEstimates] = review.runs
    notes: tuple[str, ...] = ()
    if calibration is not None:
        car = calibrated_car(session.car, calibration)
        runs = read_anew(session.car, car, review.runs)
        past = tuple(replace(p, runs=read_anew(session.car, car, p.runs)) for p in past)
        notes = (f"predictions start from the car sheet as {len(calibration.runs)} runs have updated it",)
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
    counted = {review.session.path.resolve()}
    for other in earlier:
        path = other.session.path.resolve()
        if path in counted:
            raise AnalyzerError(f"{other.session.path}: counts already; give each earlier session once")
        counted.add(path)
        car, own = other.session.car, review.session.car
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
    calibration = calibrate(session.car, joined.setups, joined.runs)
    if calibration is None:
        raise AnalyzerError(
            f"{session.path}: the runs do not calibrate the car; "
            "no roll was measured, or runs and sheet contradict each other (see analyzer confirm)"
        )
    path = session.path.parent / FILE_NAME
    write_calibration(path, calibration, session.car_path)
    return path
