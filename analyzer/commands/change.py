"""What a change of set-up did or would do: ``analyzer confirm``, ``analyzer choose``, ``analyzer bar``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analyzer.commands.shared import AsJson, SessionPath, console, print_json, progress
from analyzer.errors import AnalyzerError

if TYPE_CHECKING:
    from analyzer.constants import Axle


def confirm(
    session: SessionPath,
    before: Annotated[str, typer.Option("--before", metavar="SETUP", help="Set-up to start from.")],
    after: Annotated[str, typer.Option("--after", metavar="SETUP", help="Set-up to judge.")],
    calibrate: Annotated[
        bool,
        typer.Option(
            "--calibrate", help="Also write what the runs say about the car beside the session sheet."
        ),
    ] = False,
    calibrated: Annotated[
        Path | None,
        typer.Option(
            "--calibrated", metavar="FILE", help="Predict from this calibrated car of an earlier session."
        ),
    ] = None,
    earlier: Annotated[
        list[Path] | None,
        typer.Option(
            "--earlier",
            metavar="SESSION",
            help="Earlier session of the same car, to know car and settings better; may be given again.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Confirm a change: verdict, ledger, reasons, and what these runs could have shown."""
    from analyzer.comparison.calibration_file import read_calibration
    from analyzer.comparison.confirm_json import confirmation_json
    from analyzer.confirming import confirm_change, write_calibrated_car
    from analyzer.report.confirm import print_confirmation
    from analyzer.session import failure_line, load_session, review_session

    known = None
    if calibrated is not None:
        sheets = load_session(session)
        known = read_calibration(calibrated, sheets.car, sheets.car_path)
    with progress(as_json) as tell:
        past = [review_session(path, tell) for path in earlier or []]
        result = review_session(session, tell)
        confirmation = confirm_change(result, before, after, past, known)
    if as_json:
        print_json(confirmation_json(confirmation))
    else:
        print_confirmation(confirmation, console())
    if calibrate:
        print(f"wrote {write_calibrated_car(result, past)}", file=sys.stderr)
    line = failure_line(result)
    if line is not None:
        raise AnalyzerError(line)


def choose(
    sheet: Annotated[
        Path, typer.Argument(metavar="SESSION|CAR", help="Session sheet or its folder, or a car sheet.")
    ],
    wish: Annotated[
        str, typer.Option("--wish", help="What the car should do, for instance 'rear 5 % softer'.")
    ],
    setup: Annotated[
        str | None,
        typer.Option("--from", metavar="SETUP", help="Set-up on the car now; the last driven if not given."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Choose the next setting: what is on the shelf, ranked by how well it meets a wish."""
    from analyzer.choosing import choose_next
    from analyzer.comparison.choose_json import choice_json
    from analyzer.report.choose import print_choice

    with progress(as_json) as tell:
        choice = choose_next(sheet, wish, setup, tell)
    if as_json:
        print_json(choice_json(choice))
    else:
        print_choice(choice, console())


def bar(
    car: Annotated[Path, typer.Argument(metavar="CAR", help="Car sheet.")],
    axle: Annotated[str | None, typer.Option("--axle", help="front or rear; both if not given.")] = None,
    lateral: Annotated[
        float,
        typer.Option(
            "--lateral", metavar="G", help="Lateral acceleration for stress and travel, speed² / radius."
        ),
    ] = 1.0,
    bank: Annotated[
        list[float] | None,
        typer.Option("--bank", metavar="DEG", help="Bank for the use of travel; may be given several times."),
    ] = None,
    as_json: AsJson = False,
    save: Annotated[
        Path | None,
        typer.Option("--save", metavar="FOLDER", help="Also write table and figure to this folder."),
    ] = None,
) -> None:
    """Predict every setting of the car's bars: rate, compliance, stress, motion."""
    from analyzer.prediction.check import check_bars
    from analyzer.prediction.ladder import bar_json
    from analyzer.report.ladder import ladder_text, save_ladder
    from analyzer.sheets.reading import read_car

    sheet = read_car(car)
    check_bars(sheet, car)
    if not 0.0 < lateral <= 5.0:
        raise AnalyzerError(f"--lateral: {lateral:g} g is not what a car does; write for instance 0.9")
    if any(not -45.0 <= degrees <= 45.0 for degrees in bank or ()):
        raise AnalyzerError("--bank: is steeper than 45 deg; write for instance 12")
    table = bar_json(sheet, _axles(axle), lateral, tuple(bank) if bank else None)
    if as_json:
        print_json(table)
    else:
        print(ladder_text(table))
    if save is not None:
        print(f"saved: {save_ladder(table, save)}", file=sys.stderr)


def _axles(axle: str | None) -> tuple[Axle, ...]:
    if axle is None:
        return ("front", "rear")
    if axle == "front":
        return ("front",)
    if axle == "rear":
        return ("rear",)
    raise AnalyzerError(f'--axle: "{axle}" is not an axle; write front or rear')
