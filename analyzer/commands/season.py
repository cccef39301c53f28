"""Many sessions: ``analyzer archive``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from analyzer.commands.shared import AsJson, console, print_json, progress
from analyzer.errors import AnalyzerError, one_line


def archive(
    folder: Annotated[
        Path,
        typer.Argument(metavar="FOLDER", help="Folder of the season: every session.toml below it counts."),
    ],
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Folder of the archive; 'archive' inside FOLDER if not given."),
    ] = None,
    as_json: AsJson = False,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler",
            metavar="ADDRESS",
            help="Work on the machines of this dask scheduler, tcp://host:8786.",
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(
            "--workers", metavar="N", help="Processes on this machine; one per processor if not given."
        ),
    ] = None,
) -> None:
    """Keep a season: estimate every new run of many sessions once, and show what changed over time."""
    from analyzer.archive.run import archive_folder
    from analyzer.report.archive_write import print_season, season_dict, write_season

    with progress(as_json) as tell:
        season = archive_folder(folder, out, tell, scheduler, workers, finish=write_season)
    if as_json:
        print_json(season_dict(season))
    else:
        print_season(season, console())
        print(f"archive: {season.folder}; page: {write_season(season)}")
    if season.left_out:
        place, run, reason = season.left_out[0]
        more = len(season.left_out) - 1
        where = f"{place}{f', {run}' if run else ''}"
        raise AnalyzerError(one_line(f"{where}: {reason}" + (f" ({more} more left out)" if more else "")))
