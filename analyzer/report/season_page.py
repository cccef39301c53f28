"""The page of a season, its figures, and its folder."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from analyzer import __version__
from analyzer.archive.dataset import FIGURE, REPORT
from analyzer.archive.results import Archive, BottomingRate, CarSeason, SessionPoint, Trend
from analyzer.core.files import PAGE, RESULTS, SEASON_FORMAT, TABLES, read_json, sweep_beside, write_whole
from analyzer.core.store import program_digest
from analyzer.report import page, season_sentences
from analyzer.report.figures import style
from analyzer.report.figures.style import Drawings, plates_of
from analyzer.report.plain_data import Entries, csv_text, fault_dict, taken
from analyzer.report.season_sentences import quantity_with_unit, quantity_words
from analyzer.report.sentences import fault_sentence
from analyzer.report.tables import Cell, PageTable, amount, heads, number
from analyzer.report.words import STAR, UNKNOWN, count, interval, label, percent, sentence, together

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

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


# Stiffness per setting, figures that wear, bottoming per course.


MOST_PANELS: Final = 4
MOST_TICKS: Final = 4
_PANEL: Final = 1.5
_BELOW: Final = 0.5
_LEFT: Final = 0.66
_PER_SETTING: Final = {
    "roll_stiffness_total": "roll stiffness of the car, N m/deg",
    "roll_gradient_front_over_rear": "front roll over rear roll",
}


def car_plates(car: CarSeason, key: str) -> list[style.Plate]:
    """Return the figures of one car; `key` makes their names unique on the page."""
    made = (stiffness_plate(car, key), wear_plate(car, key), bottoming_plate(car, key))
    return [plate for plate in made if plate is not None]


def stiffness_plate(car: CarSeason, key: str) -> style.Plate | None:
    """Return roll stiffness per setting over the season, and which end of the car rolls more."""
    followed = _followed(car)
    # The settings with the most runs: they have the narrowest intervals and the longest history.
    runs: dict[str, int] = {}
    for trend in followed["roll_stiffness_total"]:
        runs[trend.setting] = sum(point.estimate.n or 0 for point in trend.points)
    settings = sorted(runs, key=lambda s: (-runs[s], s))[: len(style.SETUP_LOOK)]
    if not settings:
        return None
    more = len(runs) - len(settings)
    note = (
        "A point is the mean of one session's runs with its 95 % interval. The end that softens rolls more."
    )
    if more:
        note += f" {count(more, 'setting')} with fewer runs not drawn."
    alt = f"Roll stiffness of {label(car.car)} by session, one mark per setting."
    return style.Plate(
        f"{key}-stiffness",
        "Did roll stiffness of a setting change over the season?",
        alt,
        partial(_draw_stiffness, car, tuple(settings)),
        note,
    )


def _draw_stiffness(car: CarSeason, settings: tuple[str, ...]) -> Figure:
    followed = _followed(car)
    room = 0.2 * len(settings)
    figure, panels = _panels(2, room)
    for axes, (quantity, title) in zip(panels, _PER_SETTING.items(), strict=True):
        for trend in followed[quantity]:
            if trend.setting in settings:
                look = style.setup_look(settings.index(trend.setting))
                _points(axes, trend.points, look, label(trend.setting or "setting not stated", 52))
        _limit(axes, [p for trend in followed[quantity] if trend.setting in settings for p in trend.points])
        axes.set_title(title)
    # Both panels share the legend, since they show the same settings.
    handles, labels = panels[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="upper left", bbox_to_anchor=(0.1, 1.0), ncols=1)
    _season_axis(panels, car)
    return figure


def _followed(car: CarSeason) -> dict[str, list[Trend]]:
    return {name: [t for t in car.trends if t.quantity == name] for name in _PER_SETTING}


def wear_plate(car: CarSeason, key: str) -> style.Plate | None:
    """Return the figures followed over all settings, one panel each."""
    drawn = [trend for trend in car.trends if not trend.setting][:MOST_PANELS]
    if not drawn:
        return None
    alt = f"{', '.join(quantity_words(t.quantity) for t in drawn)} of {label(car.car)} by session."
    note = "Points as in the figure of stiffness; a line is the fitted change, where it is beyond its error."
    return style.Plate(
        f"{key}-wear", "Does anything wear?", alt, partial(_draw_wear, car, tuple(drawn)), note
    )


def _draw_wear(car: CarSeason, drawn: tuple[Trend, ...]) -> Figure:
    figure, panels = _panels(len(drawn), 0.0)
    for axes, trend in zip(panels, drawn, strict=True):
        _points(axes, trend.points, (style.BLACK, "o"), "")
        _limit(axes, trend.points)
        _fitted(axes, trend)
        axes.set_title(quantity_with_unit(trend))
    _season_axis(panels, car)
    return figure


def bottoming_plate(car: CarSeason, key: str) -> style.Plate | None:
    """Return events per run over the season, one panel per course."""
    courses = together((rate.course, rate) for rate in car.bottoming)
    # The courses driven most; a rate from one run says little.
    drawn = sorted(courses, key=lambda c: (-sum(r.runs for r in courses[c]), c))[:MOST_PANELS]
    if not drawn:
        return None
    alt = f"Bottoming events per run of {label(car.car)} by session, one panel per course."
    note = "Contacts with a bump stop per run, with the 95 % interval of a Poisson count."
    draw = partial(_draw_bottoming, car, {course: courses[course] for course in drawn})
    return style.Plate(f"{key}-bottoming", "Where does it bottom more than before?", alt, draw, note)


def _draw_bottoming(car: CarSeason, courses: dict[str, list[BottomingRate]]) -> Figure:
    figure, panels = _panels(len(courses), 0.0)
    for axes, course in zip(panels, courses, strict=True):
        points = [SessionPoint(r.session, r.label, r.place, r.rate) for r in courses[course]]
        _points(axes, points, (style.BLACK, "s"), "")
        axes.set_title(label(course) if course else "no course sheet")
        axes.set_ylabel("per run")
        axes.set_ylim(0.0, 1.4 * max(max(r.rate.value or 0.0 for r in courses[course]), 1.0))
    _season_axis(panels, car)
    return figure


def _panels(number: int, above: float) -> tuple[Figure, list[Axes]]:
    gap = 0.3
    height = above + number * (_PANEL + gap) + _BELOW
    figure = style.new_figure(height)
    # Each panel has its title in the gap above it.
    tops = [above + gap + index * (_PANEL + gap) for index in range(number)]
    panels = [style.axes_in(figure, _LEFT, height - top - _PANEL, 0.14, top) for top in tops]
    for axes in panels[:-1]:
        axes.tick_params(labelbottom=False)
    return figure, panels


def _points(axes: Axes, points: Sequence[SessionPoint], look: tuple[str, str], name: str) -> None:
    colour, marker = look
    place = np.array([point.place for point in points])
    value = np.array([point.estimate.value or 0.0 for point in points])
    # Without an interval a line of no length: the point still stands.
    spans = [point.estimate.interval or (v, v) for point, v in zip(points, value, strict=True)]
    low, high = np.array(spans).T
    axes.vlines(place, low, high, color=colour, linewidth=0.8, alpha=0.6)
    axes.plot(place, value, color=colour, marker=marker, markersize=4, linestyle="", label=name or None)


def _limit(axes: Axes, points: Sequence[SessionPoint]) -> None:
    """Let the values fill the panel; an interval of one or two runs may be wider than that and leave it."""
    values = [point.estimate.value or 0.0 for point in points]
    if not values:
        axes.set_yticks(())
        return
    bottom, top = min(values), max(values)
    margin = max(0.6 * (top - bottom), 0.02 * abs(top), 1e-9)
    axes.set_ylim(bottom - margin, top + margin)


def _fitted(axes: Axes, trend: Trend) -> None:
    if trend.verdict not in ("rising", "falling") or trend.change.value is None:
        return
    first, last = trend.points[0].place, trend.points[-1].place
    # The change is relative, so the line needs a level: that of the points it was fitted to.
    middle = float(np.mean([point.estimate.value or 0.0 for point in trend.points]))
    half = 0.5 * trend.change.value * middle
    axes.plot((first, last), (middle - half, middle + half), color=style.PALE, linewidth=2.0, zorder=0)


def _season_axis(panels: Sequence[Axes], car: CarSeason) -> None:
    places = {p.place: p.label for t in car.trends for p in t.points}
    places |= {rate.place: rate.label for rate in car.bottoming}
    ordered = sorted(places)
    # First and last always, and some between them: dates are wide, and may not run into each other.
    if len(ordered) > MOST_TICKS:
        chosen = np.linspace(0, len(ordered) - 1, MOST_TICKS).round().astype(int)
        ordered = [ordered[i] for i in chosen]
    for axes in panels:
        axes.set_xticks(ordered, [label(places[place], 16) for place in ordered])
        span = max(places) - min(places) or 1.0
        axes.set_xlim(min(places) - 0.04 * span, max(places) + 0.04 * span)
    # The outermost dates point inwards, or they would leave the figure.
    for text, where in zip(panels[-1].get_xticklabels(), range(len(ordered)), strict=True):
        text.set_horizontalalignment(
            "left" if where == 0 else "right" if where == len(ordered) - 1 else "center"
        )


# One figure for the whole season: stiffness against the sheet's prediction, every car over its sessions.


FOLLOWED: Final = "roll_stiffness_ratio"


def season_svg(archive: Archive) -> str:
    """Return measured over predicted roll stiffness of every car by session, as SVG text."""
    with style.house_style():
        cars = [(c, t) for c in archive.cars for t in c.trends if t.quantity == FOLLOWED][
            : len(style.SETUP_LOOK)
        ]
        figure = style.new_figure(3.0 + 0.2 * len(cars))
        axes = style.axes_in(figure, 0.66, 0.5, 0.14, 0.15 + 0.2 * len(cars))
        axes.axhline(1.0, color=style.GREY, linewidth=0.6)
        for index, (car, trend) in enumerate(cars):
            colour, marker = style.setup_look(index)
            # Cars have seasons of different length: each runs from its own first session to its own last.
            last = max(point.place for point in trend.points) or 1.0
            place = [point.place / last for point in trend.points]
            value = [point.estimate.value or 0.0 for point in trend.points]
            axes.plot(place, value, color=colour, marker=marker, linewidth=0.8, label=label(car.car))
        axes.set_ylabel("measured / predicted")
        axes.set_xticks((0.0, 1.0), ("first session", "last session"))
        first, last_label = axes.get_xticklabels()
        first.set_horizontalalignment("left")
        last_label.set_horizontalalignment("right")
        if cars:
            figure.legend(loc="upper left", bbox_to_anchor=(0.1, 1.0))
        return style.svg_text(figure)
