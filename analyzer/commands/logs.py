"""Logs before any estimate: ``analyzer check``, ``analyzer start``, ``analyzer demo``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

import typer

from analyzer.commands.shared import AsJson, console, print_json, progress
from analyzer.errors import AnalyzerError

CHECK_FAILED: Final = 1
"""Exit code of a check that found something, where that was asked for."""


def check(
    log: Annotated[
        Path, typer.Argument(metavar="LOG|SESSION", help="A log file, a session sheet or its folder.")
    ],
    as_json: AsJson = False,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit 1 when any check is suspect or bad.")
    ] = False,
    figure: Annotated[
        Path | None,
        typer.Option(
            "--figure",
            metavar="FILE",
            help="Also draw all channels, what is not used marked, to this svg, png or pdf.",
        ),
    ] = None,
) -> None:
    """Check what a log or all logs of a session hold: channels, clock, health."""
    from analyzer.checking import check_path
    from analyzer.report.health import health_json, print_health

    if figure is not None:
        from analyzer.files import refuse_strange
        from analyzer.report.export import figure_kind

        figure_kind(figure.suffix or "(no ending)")
        if not log.is_dir() and log.suffix != ".toml":  # of a session every run's name is put behind this one
            refuse_strange(figure.expanduser())
    with progress(as_json) as tell:
        outcome = check_path(log, tell)
    if as_json:
        print_json(health_json(outcome))
    else:
        print_health(outcome, console())
    if figure is not None:
        from analyzer.report.figures_channels import save_channel_figures

        saved = save_channel_figures(outcome.recordings, figure)
        if not as_json:
            print("\n".join(f"figure: {path}" for path in saved))
    if outcome.failed:
        raise AnalyzerError(next(iter(outcome.failed.values())))
    if strict and not outcome.clean:
        raise typer.Exit(CHECK_FAILED)


def start(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Empty or new folder for the session.")],
    log: Annotated[Path, typer.Option("--from", metavar="LOG", help="A log of the car.")],
) -> None:
    """Write sheets to fill in, with the channels guessed from a log."""
    from analyzer.starting import start_folder

    written = start_folder(folder, log)
    for path in written:
        print(f"wrote {path}")
    print(
        f"next: fill in what is marked TO MEASURE, check what is marked GUESS; then analyzer check {folder}"
    )


def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Empty or new folder to write the session to.")
    ],
    seed: Annotated[int, typer.Option("--seed", help="Seed of road, driver and sensor noise.")] = 7,
) -> None:
    """Write a sample session driven by a virtual car, with its true values beside it."""
    from analyzer.demo.write import write_demo

    with progress(False) as tell:
        sheet = write_demo(folder, seed, lambda what: tell(what, 0, 0))
    print(f"wrote {sheet}; next: analyzer review {sheet}")
