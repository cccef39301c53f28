"""Write the report of a season: page, results.json, tables, and the figure; print it on a terminal."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from analyzer import __version__
from analyzer.archive.files import FIGURE, REPORT, read_json
from analyzer.digests import program_digest
from analyzer.report.archive_text import advice, car_answer, left_out_words, summary
from analyzer.report.atomic import PAGE, RESULTS, SEASON_FORMAT, TABLES

if TYPE_CHECKING:
    from rich.console import Console

    from analyzer.archive.results import Archive, CarSeason, Trend

_ESTIMATE: Final = ("value", "std_error", "low", "high")
_COLUMNS: Final = {
    "trends.csv": (
        *("car", "quantity", "setting", "sessions", "verdict"),
        *("change", "change_low", "change_high", "smallest_visible", "reason"),
    ),
    "points.csv": ("car", "quantity", "setting", "session", "label", "runs", "unit", *_ESTIMATE),
    "bottoming.csv": ("car", "course", "session", "label", "runs", "events", "hard", "rate", "low", "high"),
    "left_out.csv": ("session", "run", "reason"),
}
"""Columns of every table, in order; explained in docs/archive.md."""


def season_dict(archive: Archive) -> dict[str, Any]:
    """Return a season as one plain dictionary: what stands in its results.json.

    It does not tell what this pass did, so that every pass over the same files gives the same bytes.
    """
    from analyzer.report.results import rounded

    table = {
        "format": SEASON_FORMAT,
        "version": __version__,
        "program": program_digest(),
        "sessions": archive.sessions,
        "runs": archive.runs,
        "cars": [_car(car) for car in archive.cars],
        "left_out": [{"session": s, "run": r or None, "reason": why} for s, r, why in archive.left_out],
    }
    found: dict[str, Any] = rounded(table)
    return found


def _car(car: CarSeason) -> dict[str, Any]:
    return {
        "name": car.car,
        "answer": car_answer(car),
        "ordered_by": car.ordered_by,
        "runs": car.runs,
        "left_out": car.left_out,
        "sessions": [{"folder": folder, "label": label} for folder, label in car.sessions],
        "trends": [_trend(trend) for trend in car.trends],
        "bottoming": [
            {
                "course": r.course or None,
                "session": r.session,
                "label": r.label,
                "runs": r.runs,
                "events": r.events,
                "hard": r.hard,
                "rate": r.rate.to_dict(),
            }
            for r in car.bottoming
        ],
    }


def _trend(trend: Trend) -> dict[str, Any]:
    return {
        "quantity": trend.quantity,
        "setting": trend.setting or None,
        "verdict": trend.verdict,
        "change": trend.change.to_dict(),
        "smallest_visible": trend.smallest_visible.to_dict(),
        "points": [
            {"session": p.session, "label": p.label, "place": p.place, "estimate": p.estimate.to_dict()}
            for p in trend.points
        ],
    }


def write_season(archive: Archive) -> Path:
    """Write the report of a season into its archive, all of it or nothing; a report that is up to date stays.

    Returns
    -------
    Path
        The page. Beside it lie ``results.json`` and ``tables/*.csv``; the figure of all cars lies in the
        archive's folder.
    """
    folder = archive.folder / REPORT
    table = season_dict(archive)
    if (
        read_json(folder / RESULTS) == table
        and (folder / PAGE).is_file()
        and (archive.folder / FIGURE).is_file()
    ):
        return folder / PAGE
    # Drawing takes longer than all the rest of a pass without news, so its rooms are imported only here.
    from analyzer.archive.files import write_whole
    from analyzer.report.archive_page import render_season
    from analyzer.report.archive_sheet import season_svg
    from analyzer.report.atomic import replaced_folder
    from analyzer.report.tables import csv_text

    drawing = season_svg(archive).encode()
    write_whole(archive.folder / FIGURE, lambda part: part.write_bytes(drawing))
    with replaced_folder(folder) as work:
        (work / PAGE).write_bytes(render_season(archive).encode("utf-8", "xmlcharrefreplace"))
        text = json.dumps(table, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"
        (work / RESULTS).write_bytes(text.encode("utf-8", "backslashreplace"))
        (work / TABLES).mkdir()
        for file, rows in _tables(table).items():
            made = csv_text(_COLUMNS[file], iter(rows)).encode("utf-8", "backslashreplace")
            (work / TABLES / file).write_bytes(made)
    return folder / PAGE


def _tables(table: dict[str, Any]) -> dict[str, list[dict[str, Any]]]:
    rows: dict[str, list[dict[str, Any]]] = {file: [] for file in _COLUMNS}
    for car in table["cars"]:
        for trend in car["trends"]:
            head = {"car": car["name"], "quantity": trend["quantity"], "setting": trend["setting"]}
            rows["trends.csv"].append({**head, **_trend_row(trend)})
            rows["points.csv"] += list(_point_rows(head, trend))
        for rate in car["bottoming"]:
            low, high = rate["rate"]["interval"]
            numbers = {"rate": rate["rate"]["value"], "low": low, "high": high}
            rows["bottoming.csv"].append({"car": car["name"], **rate, **numbers})
    rows["left_out.csv"] = table["left_out"]
    return rows


def _trend_row(trend: dict[str, Any]) -> dict[str, Any]:
    change = trend["change"]
    low, high = change["interval"] or (None, None)
    return {
        "sessions": len(trend["points"]),
        "verdict": trend["verdict"],
        "change": change["value"],
        "change_low": low,
        "change_high": high,
        "smallest_visible": trend["smallest_visible"]["value"],
        "reason": change["notes"][0] if change["value"] is None else None,
    }


def _point_rows(head: dict[str, Any], trend: dict[str, Any]) -> Iterator[dict[str, Any]]:
    for point in trend["points"]:
        estimate = point["estimate"]
        low, high = estimate["interval"] or (None, None)
        yield {
            **head,
            "session": point["session"],
            "label": point["label"],
            "runs": estimate["n"],
            "unit": estimate["unit"],
            "value": estimate["value"],
            "std_error": estimate["std_error"],
            "low": low,
            "high": high,
        }


def print_season(archive: Archive, console: Console) -> None:
    """Print the answer for every car, and what was left out."""
    from rich.text import Text

    def say(text: str, indent: str = "") -> None:
        for piece in Text(text).wrap(console, console.width - len(indent)):
            piece.rstrip()
            console.print(Text(indent).append_text(piece))

    say(summary(archive))
    for car in archive.cars:
        console.print()
        say(car_answer(car))
        for line in advice(car):
            say(line, "  ")
        if car.ordered_by != "date":
            say("In the order of folder names: not every session sheet states its date.", "  ")
    reasons = left_out_words(archive)
    if reasons:
        console.print()
        say("Left out:")
        for line in reasons:
            say(line, "  ")
