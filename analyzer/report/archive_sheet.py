"""One figure for the whole season: stiffness against the sheet's prediction, every car over its sessions."""

from __future__ import annotations

from typing import Final

from analyzer.archive.results import Archive
from analyzer.report.plates import GREY, SETUP_LOOK, axes_in, house_style, new_figure, setup_look, svg_text
from analyzer.report.wording import label

FOLLOWED: Final = "roll_stiffness_ratio"


def season_svg(archive: Archive) -> str:
    """Return measured over predicted roll stiffness of every car by session, as SVG text."""
    with house_style():
        cars = [(c, t) for c in archive.cars for t in c.trends if t.quantity == FOLLOWED][: len(SETUP_LOOK)]
        figure = new_figure(3.0 + 0.2 * len(cars))
        axes = axes_in(figure, 0.66, 0.5, 0.14, 0.15 + 0.2 * len(cars))
        axes.axhline(1.0, color=GREY, linewidth=0.6)
        for index, (car, trend) in enumerate(cars):
            colour, marker = setup_look(index)
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
        return svg_text(figure)
