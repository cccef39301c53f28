"""Figures of a season: stiffness per setting, figures that wear, bottoming per course."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from analyzer.archive.results import Archive, BottomingRate, CarSeason, SessionPoint, Trend
from analyzer.report.figures import style
from analyzer.report.season_sentences import quantity_with_unit, quantity_words
from analyzer.report.words import count, label, together

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


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
