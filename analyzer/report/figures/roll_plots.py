"""Figures of roll: against lateral force per axle, and run by run."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from analyzer.comparison.results import SetupResult
from analyzer.core.constants import AXLES, STANDARD_GRAVITY, Axle
from analyzer.core.estimate import Estimate
from analyzer.core.units import DEG_PER_RAD
from analyzer.processing.results import RunEstimates
from analyzer.report.figures import style
from analyzer.report.words import figure as shown, label, listed
from analyzer.session.review import Review

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


MOST_SETUPS: Final = 4
"""More lines than this in one figure cannot be told apart; the last ones driven are drawn."""


def roll_plates(review: Review) -> list[style.Plate]:
    """Return roll against lateral force, one figure per axle that could be fitted."""
    return [plate for axle in AXLES if (plate := _roll_plate(review, axle)) is not None]


@dataclass(frozen=True, slots=True)
class _Cloud:
    """Samples of a set-up, force [g] and roll [deg], and the slopes measured and predicted for it [deg/g]."""

    name: str
    look: tuple[str, str]
    force: style.Array
    roll: style.Array
    measured: Estimate | None
    predicted: Estimate | None


def _roll_plate(review: Review, axle: Axle) -> style.Plate | None:
    # The index is kept from the sheet: a set-up has one colour and marker in all figures of the page.
    drawn = [
        (index, setup)
        for index, setup in enumerate(review.setups)
        if any(run.setup == setup.name and axle in run.fits for run in review.runs)
    ][-MOST_SETUPS:]
    if not drawn:
        return None
    clouds = tuple(
        _Cloud(
            label(setup.name, 14),
            style.setup_look(index),
            *_points(review.runs, setup.name, axle),
            setup.measured.get(f"roll_gradient_body_{axle}"),
            setup.predicted.roll_gradient_body.get(axle),
        )
        for index, setup in drawn
    )
    # The lines of two set-ups lie close together; their difference to one of them is what can be read.
    first = label(drawn[0][1].name, 16)
    return style.Plate(
        key=f"roll-{axle}",
        title=f"How far does the {axle} axle roll for the force it feels?",
        alt=_alt(drawn, axle),
        draw=partial(_draw_roll, clouds),
        note=f"Dots: samples of all runs, each run's zero taken out. Solid, filled: measured; dashed, "
        f"hollow: predicted. Below: the same lines less the prediction for {first}, enlarged. Slopes here "
        "are per force the body feels; gradients in the tables, per level-road acceleration, are a little "
        "larger.",
    )


def _draw_roll(clouds: tuple[_Cloud, ...]) -> Figure:
    # The lines are named above the axes: within them a name would lie on the dots.
    named = 0.22 * sum(
        g is not None and g.value is not None for c in clouds for g in (c.measured, c.predicted)
    )
    figure = style.new_figure(4.0 + named)
    upper = style.axes_in(figure, 0.8, 1.8, 0.12, 0.1 + named)
    lower = style.axes_in(figure, 0.8, 0.65, 0.12, 2.5 + named)
    # All lines over the same range of force, the widest that was driven.
    reach = 0.0
    for cloud in clouds:
        reach = max(reach, float(np.max(np.abs(cloud.force), initial=0.0)))
        style.dots(upper, cloud.force, cloud.roll, cloud.look[0], 1.7, 0.45)
    ends = np.array([-reach, reach])
    # Dots first, lines over them: hundreds of dots would hide the lines.
    base = clouds[0].predicted
    for cloud in clouds:
        _lines(upper, lower, ends, cloud, base)
    upper.set_ylabel("suspension roll, deg")
    upper.tick_params(labelbottom=False)
    style.legend_above(upper, 1, handlelength=2.4)
    lower.set_ylabel("difference, deg")
    lower.set_xlabel("lateral force per mass in body axes, g\n(left turn positive)")
    lower.sharex(upper)
    for axes in (upper, lower):
        axes.yaxis.set_label_coords(-0.15, 0.5)
        axes.axhline(0.0, color=style.PALE, linewidth=0.6, zorder=0)
        axes.axvline(0.0, color=style.PALE, linewidth=0.6, zorder=0)
    return figure


def _lines(upper: Axes, lower: Axes, ends: style.Array, cloud: _Cloud, base: Estimate | None) -> None:
    start = None if base is None else base.value
    colour, marker = cloud.look
    for gradient, dashes, word in ((cloud.measured, "-", "measured"), (cloud.predicted, "--", "predicted")):
        if gradient is None or gradient.value is None:
            continue
        text = f"{cloud.name} {word} {shown(gradient)}"
        face = colour if dashes == "-" else "white"
        upper.plot(
            ends, gradient.value * ends, dashes, color=colour, marker=marker, markerfacecolor=face, label=text
        )
        if start is None:
            continue
        difference = (gradient.value - start) * ends
        lower.plot(ends, difference, dashes, color=colour, marker=marker, markerfacecolor=face, clip_on=False)
        if gradient.interval is not None and dashes == "-":
            low, high = gradient.interval
            lower.fill_between(
                ends, (low - start) * ends, (high - start) * ends, color=colour, alpha=0.15, linewidth=0
            )


def _points(runs: tuple[RunEstimates, ...], setup: str, axle: Axle) -> tuple[style.Array, style.Array]:
    """Return force [g] and roll [deg] of all runs of a set-up, each less its own intercept."""
    # Each run has a zero of its own (the pots are set anew); with it left in, the dots of two runs would lie
    # on two lines.
    force, roll = [], []
    for run in runs:
        if run.setup == setup and axle in run.fits:
            fit = run.fits[axle]
            force.append(fit.points["lateral_force"].to_numpy() / STANDARD_GRAVITY)
            roll.append((fit.points["roll"].to_numpy() - fit.intercept) * DEG_PER_RAD)
    return np.concatenate(force), np.concatenate(roll)


def _alt(drawn: list[tuple[int, SetupResult]], axle: Axle) -> str:
    parts = []
    for _, setup in drawn:
        measured = setup.measured.get(f"roll_gradient_body_{axle}")
        predicted = setup.predicted.roll_gradient_body.get(axle)
        words = [
            f"{word} {shown(e)}"
            for word, e in (("measured", measured), ("predicted", predicted))
            if e is not None and e.value is not None
        ]
        parts.append(f"{label(setup.name, 16)} {' and '.join(words) or 'without a slope'}")
    return (
        f"Roll of the {axle} axle against lateral force, dots along straight lines; slopes: {listed(parts)}."
    )


@dataclass(frozen=True, slots=True)
class _RunRow:
    """One run: its name, its set-up's look, and per axle what was measured and predicted [deg/g]."""

    name: str
    look: tuple[str, str]
    measured: dict[Axle, Estimate]
    predicted: dict[Axle, Estimate | None]


def run_plate(review: Review) -> style.Plate | None:
    """Return the roll gradient of every run, front beside rear, with the prediction of its set-up."""
    if not any(run.roll_gradient.get(axle, _NONE).value is not None for run in review.runs for axle in AXLES):
        return None
    # By name, since a run may have been driven on a set-up that the sheet lists last.
    places = {setup.name: index for index, setup in enumerate(review.setups)}
    predictions = {setup.name: setup.predicted.roll_gradient for setup in review.setups}
    rows = tuple(
        _RunRow(
            f"{label(run.name, 10)} {label(run.setup, 6)}",
            style.setup_look(places.get(run.setup, 0)),
            {axle: run.roll_gradient.get(axle, _NONE) for axle in AXLES},
            {axle: predictions.get(run.setup, {}).get(axle) for axle in AXLES},
        )
        for run in review.runs
    )
    return style.Plate(
        key="runs",
        title="What roll gradient did each run show?",
        alt="; ".join(map(_run_words, rows)) + ".",
        draw=partial(_draw_runs, rows),
        note="Filled: measured. Hollow: predicted for its set-up. Bars: 95 % intervals.",
    )


def _run_words(row: _RunRow) -> str:
    known = [
        f"{axle} {shown(gradient)}" for axle, gradient in row.measured.items() if gradient.value is not None
    ]
    return f"{row.name}: {', '.join(known) or 'not estimated'}"


def _draw_runs(rows: tuple[_RunRow, ...]) -> Figure:
    figure = style.new_figure(0.95 + 0.24 * len(rows))
    names = [row.name for row in rows]
    beside, edge = style.room_for(names, 1.0, 1.75), 0.15
    wide = (style.PLATE_WIDTH - beside - 2.0 * edge) / 2.0
    left = style.axes_in(figure, beside, 0.5, wide + 2.0 * edge, 0.3)
    right = style.axes_in(figure, beside + wide + edge, 0.5, edge, 0.3)
    for axle, axes in zip(AXLES, (left, right), strict=True):
        axes.set_title(axle)
        for place, row in enumerate(rows):
            _run_row(axes, place, row, axle)
        axes.set_xlabel("roll gradient, deg/g")
        style.list_rows(axes, names if axes is left else [""] * len(names))
        axes.locator_params(axis="x", nbins=4)
    return figure


def _run_row(axes: Axes, place: int, row: _RunRow, axle: Axle) -> None:
    axes.axhline(place, color=style.PALE, linewidth=0.5, zorder=0)
    colour, marker = row.look
    # Predicted a little below measured, or the wider interval would hide the narrower one.
    predicted, measured = row.predicted[axle], row.measured[axle]
    if predicted is not None and predicted.value is not None:
        below = place + 0.18
        if predicted.interval is not None:
            axes.plot(predicted.interval, (below, below), color=style.GREY, linewidth=0.7)
        axes.plot(
            predicted.value, below, color=style.GREY, marker=marker, markerfacecolor="white", markersize=4.5
        )
    if measured.value is None:
        return
    if measured.interval is not None:
        axes.plot(measured.interval, (place - 0.1, place - 0.1), color=colour, linewidth=1.6)
    axes.plot(measured.value, place - 0.1, color=colour, marker=marker, markersize=5)


_NONE: Final = Estimate.unknown("deg/g", "not estimated")
