"""The page of a season: per car the answer, figures and tables."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from analyzer import __version__
from analyzer.archive.results import Archive, CarSeason
from analyzer.report.archive_figures import car_plates
from analyzer.report.archive_text import (
    advice,
    car_answer,
    left_out_words,
    notes,
    quantity_words,
    setting_of,
    summary,
)
from analyzer.report.cells import Cell, PageTable, number
from analyzer.report.drawings import Drawings
from analyzer.report.text import CAUTIONS
from analyzer.report.wording import UNKNOWN, count, interval, label, percent, sentence

_FOLDER: Final = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class DrawnPlate:
    """A figure ready for the page."""

    key: str
    title: str
    note: str
    html: Markup


@dataclass(frozen=True, slots=True)
class CarPart:
    """One car of the page."""

    key: str
    name: str
    span: str
    answer: str
    points: tuple[str, ...]
    plates: tuple[DrawnPlate, ...]
    tables: tuple[PageTable, ...]
    sessions: PageTable


def render_season(archive: Archive) -> str:
    """Return the page of a season as HTML, one file without outside loads."""
    environment = Environment(
        loader=FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    drawings = Drawings()
    cars = [_car(car, f"car-{index}", drawings) for index, car in enumerate(archive.cars, start=1)]
    drawings.tidy()
    return environment.get_template("archive.html.j2").render(
        cars=cars,
        subtitle=summary(archive).partition(";")[0],
        left_out=left_out_words(archive, 40),
        cautions=CAUTIONS,
        version=__version__,
        style=Markup((_FOLDER / "style.css").read_text(encoding="utf-8")),
    )


def _car(car: CarSeason, key: str, drawings: Drawings) -> CarPart:
    plates = tuple(
        DrawnPlate(plate.key, plate.title, plate.note, Markup(drawings.on_page(plate)))
        for plate in car_plates(car, key)
    )
    tables = (trend_table(car), bottoming_table(car))
    return CarPart(
        key=key,
        name=label(car.car),
        span=f"{count(car.runs, 'run')}, {count(len(car.sessions), 'session')}",
        answer=car_answer(car),
        points=(*advice(car), *notes(car)),
        plates=plates,
        tables=tuple(table for table in tables if table.rows),
        sessions=_sessions(car),
    )


def trend_table(car: CarSeason) -> PageTable:
    """Return the trend of every figure that is followed."""
    rows = []
    for trend in car.trends:
        change = percent(trend.change)
        span = interval(change)
        first, last = trend.points[0].estimate, trend.points[-1].estimate
        visible = trend.smallest_visible.value
        remark = sentence(trend.change.notes[0]) if trend.change.notes else ""
        rows.append(
            (
                Cell(quantity_words(trend.quantity), setting_of(trend)),
                Cell(str(len(trend.points)), number=True),
                number(first),
                number(last),
                Cell(f"{span} %" if span else UNKNOWN, remark, number=True),
                Cell(UNKNOWN if visible is None else f"{100.0 * visible:.2g} %", number=True),
                Cell(trend.verdict, look="verdict"),
            )
        )
    columns = (
        "figure",
        "sessions",
        "first session",
        "last session",
        "change, 95 %",
        "would show from",
        "verdict",
    )
    return PageTable(
        "Change over the season",
        columns,
        tuple(rows),
        "Change: last session against first along a straight line through all sessions. Would show from: the "
        "smallest change these sessions would show in four of five cases. Stiffness in N m/deg.",
    )


def bottoming_table(car: CarSeason) -> PageTable:
    """Return bottoming by course and session."""
    rows = tuple(
        (
            Cell(label(rate.course) if rate.course else "no course sheet", label(rate.label)),
            Cell(str(rate.runs), number=True),
            Cell(str(rate.events), number=True),
            Cell(str(rate.hard), number=True),
            Cell(f"{rate.rate.value:.2g}", interval(rate.rate), number=True),
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
