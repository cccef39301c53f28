"""The page of a season, its results.json and tables."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

from analyzer import __version__
from analyzer.archive.dataset import FIGURE, REPORT
from analyzer.archive.results import Archive, CarSeason
from analyzer.core.files import PAGE, RESULTS, SEASON_FORMAT, TABLES, read_json, sweep_beside, write_whole
from analyzer.core.store import program_digest
from analyzer.report import page, season_sentences
from analyzer.report.figures.season_plots import car_plates, season_svg
from analyzer.report.figures.style import Drawings, plates_of
from analyzer.report.plain_data import Entries, csv_text, fault_dict, taken
from analyzer.report.sentences import fault_sentence
from analyzer.report.tables import Cell, PageTable, amount, heads, number
from analyzer.report.words import STAR, UNKNOWN, count, interval, label, percent, sentence

# The page of a season: per car the answer, figures and tables.


@dataclass(frozen=True, slots=True)
class CarPart:
    """One car of the page."""

    key: str
    name: str
    span: str
    answer: str
    points: tuple[str, ...]
    plates: tuple[page.DrawnPlate, ...]
    tables: tuple[PageTable, ...]
    sessions: PageTable


def render_season(archive: Archive, drawings: Drawings | None = None) -> str:
    """Return the page of a season as HTML, one file without outside loads."""
    drawings = drawings or Drawings()
    pieces = page.Pieces(drawings)
    cars = [_car_or_why(car, f"car-{index}", drawings) for index, car in enumerate(archive.cars, start=1)]
    drawings.tidy()
    return page.render(
        "archive.html.j2",
        cars=cars,
        subtitle=pieces.text("line under the title", lambda: season_sentences.size_words(archive)),
        left_out=pieces.lines("runs left out", lambda: season_sentences.left_out_words(archive, 40)),
    )


def _car_or_why(car: CarSeason, key: str, drawings: Drawings) -> CarPart:
    name, none = label(car.car), PageTable("Sessions", (), ())
    return drawings.written(
        f"part on {name}",
        lambda: _car(car, key, drawings),
        lambda fault: CarPart(key, name, "", fault_sentence(fault), (), (), (), none),
    )


def _car(car: CarSeason, key: str, drawings: Drawings) -> CarPart:
    pieces = page.Pieces(drawings)
    name = label(car.car)
    tables = (
        *pieces.tables(f"trends of {name}", lambda: [trend_table(car)]),
        *pieces.tables(f"bottoming of {name}", lambda: [bottoming_table(car)]),
        *pieces.tables(f"figures that runs of {name} lack", lambda: [unknown_table(car)]),
    )
    return CarPart(
        key=key,
        name=name,
        span=f"{count(car.runs, 'run')}, {count(len(car.sessions), 'session')}",
        answer=_answer(car, drawings),
        points=(
            *pieces.lines(f"advice for {name}", lambda: season_sentences.advice(car)),
            *pieces.lines(f"notes on {name}", lambda: season_sentences.notes(car)),
        ),
        plates=page.drawn(plates_of(partial(car_plates, car, key)), drawings),
        tables=page.told(tables),
        sessions=_sessions(car),
    )


def _answer(car: CarSeason, drawings: Drawings) -> str:
    return page.Pieces(drawings).text(
        f"answer for {label(car.car)}", lambda: season_sentences.car_answer(car)
    )


def trend_table(car: CarSeason) -> PageTable:
    """Return the trend of every figure that is followed."""
    # First and last session stand beside the fitted change, since a line through all sessions need not pass
    #  through either.
    rows = []
    for trend in car.trends:
        change = percent(trend.change)
        span = interval(change)
        first, last = trend.points[0].estimate, trend.points[-1].estimate
        visible = trend.smallest_visible.value
        remark = sentence(trend.change.notes[0]) if trend.change.notes else ""
        rows.append(
            (
                Cell(season_sentences.quantity_with_unit(trend), season_sentences.setting_of(trend)),
                amount(str(len(trend.points))),
                number(first),
                number(last),
                amount(f"{span} %{STAR if change.provisional else ''}" if span else UNKNOWN, remark),
                amount(UNKNOWN if visible is None else f"{100.0 * visible:.2g} %"),
                Cell(trend.verdict, look="verdict"),
            )
        )
    return PageTable(
        "Change over the season",
        heads("figure | sessions | first session | last session | change, 95 % | would show from | verdict"),
        tuple(rows),
        "Change: last session against first along a straight line through all sessions. Would show from: the "
        "smallest change these sessions would show in four of five cases. Both hold for all figures at once.",
    )


def unknown_table(car: CarSeason) -> PageTable:
    """Return which figures lack in which runs, and why."""
    rows = tuple(
        (Cell(figures), Cell(runs), Cell(why)) for figures, runs, why in season_sentences.unknown_figures(car)
    )
    return PageTable("Figures that runs lack", ("figure", "runs", "why"), rows)


def bottoming_table(car: CarSeason) -> PageTable:
    """Return bottoming by course and session."""
    rows = tuple(
        (
            Cell(label(rate.course) if rate.course else "no course sheet", label(rate.label)),
            amount(str(rate.runs)),
            amount(str(rate.events)),
            amount(str(rate.hard)),
            amount(f"{rate.rate.value:.2g}", interval(rate.rate)),
        )
        for rate in car.bottoming
    )
    return PageTable(
        "Bottoming by course",
        ("course and session", "runs", "events", "hard", "per run"),
        rows,
        "Below the events per run stands their 95 % interval (Poisson).",
    )


def _sessions(car: CarSeason) -> PageTable:
    rows = tuple(
        (Cell(str(place)), Cell(label(folder, 80)), Cell(UNKNOWN if day == folder else day))
        for place, (folder, day) in enumerate(car.sessions, start=1)
    )
    return PageTable("Sessions", ("number", "folder", "date"), rows)


# The folder of a season: page, results.json and tables, and the figure of all cars beside it.


_ESTIMATE: Final = ("value", "std_error", "low", "high")
_COLUMNS: Final = {
    "trends.csv": (
        *("car", "quantity", "setting", "sessions", "verdict"),
        *("change", "change_low", "change_high", "smallest_visible", "reason", "provisional"),
    ),
    "points.csv": (
        *("car", "quantity", "setting", "session", "label", "runs", "unit", *_ESTIMATE, "provisional"),
    ),
    "bottoming.csv": ("car", "course", "session", "label", "runs", "events", "hard", "rate", "low", "high"),
    "unknown.csv": ("car", "quantity", "session", "label", "run", "reason"),
    "left_out.csv": ("session", "run", "reason"),
}
"""Columns of every table, in order; explained in docs/archive.md."""


def write_season(archive: Archive, drawings: Drawings | None = None) -> Path:
    """Write the report of a season into its archive, all of it or nothing, and return the page.

    A report that is up to date stays: drawing takes longer than all the rest of a pass without news.
    """
    # The pages hang on results.json alone: equal data, equal page, so nothing is drawn again.
    folder = archive.folder / REPORT
    sweep_beside(folder)  # a report that stays is not written, which would sweep as well
    drawings = drawings or Drawings()
    lists = ("cars", "left_out")
    table = page.whole_results(SEASON_FORMAT, lambda: season_dict(archive, drawings), drawings, lists)
    there = (folder / PAGE).is_file() and (archive.folder / FIGURE).is_file()
    if there and read_json(folder / RESULTS) == table:
        return folder / PAGE
    try:
        write_whole(archive.folder / FIGURE, season_svg(archive).encode(), own=True)
    except Exception as error:  # a figure is no reason to lose the numbers
        drawings.leave_out(FIGURE, error)
    tables = drawings.written(
        TABLES,
        lambda: {file: csv_text(_COLUMNS[file], rows) for file, rows in _tables(table).items()},
        lambda _fault: {},
    )
    text = page.whole_page("Archive", lambda: render_season(archive, drawings), drawings)
    return page.write_page(folder, text, table, tables, drawings=drawings)


def season_dict(archive: Archive, drawings: Drawings | None = None) -> dict[str, Any]:
    """Return a season as one plain dictionary: what stands in its results.json.

    It does not tell what this pass did, so that every pass over the same files gives the same bytes.
    `drawings` are given to hear of answers that were left out.
    """
    # The program's digest stands in it: another program may find other figures in the same logs.
    entries = Entries(drawings)
    return {
        "format": SEASON_FORMAT,
        "version": __version__,
        "program": program_digest(),
        **taken(archive, "sessions runs"),
        "cars": entries.each(
            lambda car: f"car {label(car.car)}",
            archive.cars,
            lambda car: _car_dict(car, drawings or Drawings()),
        ),
        "left_out": [{"session": s, "run": r or None, "reason": why} for s, r, why in archive.left_out],
        # Only where there are some: a pass without them gives the same bytes whatever the program can tell.
        **({"faults": [fault_dict(fault) for fault in entries.faults]} if entries.faults else {}),
    }


def _car_dict(car: CarSeason, drawings: Drawings) -> dict[str, Any]:
    return {
        "name": car.car,
        "answer": _answer(car, drawings),
        **taken(car, "ordered_by runs left_out"),
        "sessions": [{"folder": folder, "label": label} for folder, label in car.sessions],
        "trends": [
            {
                "quantity": trend.quantity,
                "setting": trend.setting or None,
                **taken(trend, "verdict change smallest_visible points"),
            }
            for trend in car.trends
        ],
        "bottoming": [
            {"course": rate.course or None, **taken(rate, "session label runs events hard rate")}
            for rate in car.bottoming
        ],
        "unknown": [taken(one, "quantity session label run reason") for one in car.unknown],
    }


def _tables(table: dict[str, Any]) -> dict[str, list[dict[str, Any]]]:
    # From the dictionary of results.json, as the tables of a review are.
    rows: dict[str, list[dict[str, Any]]] = {file: [] for file in _COLUMNS}
    for car in table["cars"]:
        for trend in car["trends"]:
            head = {"car": car["name"], "quantity": trend["quantity"], "setting": trend["setting"]}
            rows["trends.csv"].append({**head, **_trend_row(trend)})
            rows["points.csv"] += list(_point_rows(head, trend))
        # A Poisson rate always has an interval, for no event at all too.
        for rate in car["bottoming"]:
            low, high = rate["rate"]["interval"]
            numbers = {"rate": rate["rate"]["value"], "low": low, "high": high}
            rows["bottoming.csv"].append({"car": car["name"], **rate, **numbers})
        rows["unknown.csv"] += [{"car": car["name"], **one} for one in car["unknown"]]
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
        "provisional": " ".join(change["provisional"]),
    }


def _point_rows(head: dict[str, Any], trend: dict[str, Any]) -> Iterator[dict[str, Any]]:
    for point in trend["points"]:
        estimate = point["estimate"]
        low, high = estimate["interval"] or (None, None)
        rests = " ".join(estimate["provisional"])
        ends = {"low": low, "high": high}
        yield {**head, **point, **estimate, "runs": estimate["n"], **ends, "provisional": rests}
