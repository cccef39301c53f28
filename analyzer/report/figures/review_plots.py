"""Figures of a review and of the logs it is made of."""

from __future__ import annotations

import io
import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analyzer.comparison.results import AxleSettings, BarSettingResult, Comparison, SetupResult
from analyzer.core.errors import AnalyzerError, one_line
from analyzer.core.estimate import Estimate
from analyzer.core.files import write_together
from analyzer.core.signals import runs_of
from analyzer.core.units import AXLES, CORNERS, DEG_PER_RAD, MM_PER_M, STANDARD_GRAVITY, Axle, Corner
from analyzer.ingest.checks.inputs import kind_of_channel
from analyzer.ingest.recording import Recording, Verdict
from analyzer.processing.bottoming import axle_of
from analyzer.processing.results import RunEstimates
from analyzer.report.figures import style
from analyzer.report.figures.course_plots import AXIS_LABELS, event_place, run_axis
from analyzer.report.sentences import events, lead_rows, travel_parts
from analyzer.report.words import count, figure as shown, label, listed, millimetres, value_with_interval
from analyzer.session.review import Review
from analyzer.sheets.car import CarSheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Roll: against lateral force per axle, and run by run.


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


# Damper travel: how close each damper came to its stop, and what used the travel up.


MOST_EVENTS: Final = 10
_PARTS: Final = (
    ("heave", style.BLUE, ""),
    ("roll", style.VERMILION, "///"),
    ("pitch", style.GREEN, "----"),
    ("warp", style.PURPLE, "|||"),
    ("road", style.GREY, "xxx"),
)


@dataclass(frozen=True, slots=True)
class _Strip:
    """What is drawn of one damper: travel, bump-stop gap and full bump [mm], events (place, mm, hard)."""

    corner: Corner
    travel: style.Array
    gap: float | None
    end: float | None
    events: tuple[tuple[float, float, bool], ...]


def travel_plate(review: Review, index: int) -> style.Plate | None:
    """Return the travel of all dampers through the run at `index`, with gaps, ends and events."""
    run = review.runs[index]
    recording = next((r for r in review.recordings if r.run == run.name), None)
    if recording is None:
        return None
    corners = [c for c in CORNERS if f"damper_{c}" in recording.data.columns]
    if not corners:
        return None
    place, inside, unit = run_axis(run)
    strips = tuple(_strip(review.session.car, recording, run, corner) for corner in corners)
    found = count(len(run.bottoming), "event")
    return style.Plate(
        key=f"travel-{index + 1}",
        title=f"How close did each damper come to its stop in {label(run.name, 20)}?",
        alt=f"Greatest travel in run {label(run.name, 20)}: {', '.join(map(_peak_words, strips))}; "
        f"{found} of bottoming.",
        draw=partial(_draw_travel, place[inside], unit, strips),
        note="Damper travel from static, compression up. Dashed: bump stop touched; solid: full bump. "
        "Triangles: bottoming, filled when hard.",
        closer=True,
    )


def _peak_words(strip: _Strip) -> str:
    known = strip.travel[np.isfinite(strip.travel)]
    peak = f"{known.max():.0f} mm" if len(known) else "not known"
    return f"{strip.corner} {peak}" + ("" if strip.gap is None else f" (bump stop at {strip.gap:.0f} mm)")


def _strip(car: CarSheet, recording: Recording, run: RunEstimates, corner: Corner) -> _Strip:
    channel = f"damper_{corner}"
    # The run's estimates stand on some of the log's own samples; an index of all would fill the memory.
    at = np.searchsorted(recording.data.index.to_numpy(), run.motion.data.index.to_numpy())
    travel = recording.data[channel].to_numpy()[at]
    travel[recording.suspect[channel].to_numpy()[at]] = np.nan
    # Suspect samples leave a gap: a line drawn over them would be travel that nobody measured.
    inside = run_axis(run)[1]
    damper = car.axle(axle_of(corner)).damper
    return _Strip(
        corner=corner,
        travel=travel[inside] * MM_PER_M,
        gap=None if damper.bump_stop_gap is None else damper.bump_stop_gap.value * MM_PER_M,
        end=None if damper.full_bump is None else damper.full_bump.value * MM_PER_M,
        events=tuple(
            (event_place(run, event), event.peak * MM_PER_M, event.hard)
            for event in run.bottoming
            if event.corner == corner
        ),
    )


def _draw_travel(place: style.Array, unit: str, strips: tuple[_Strip, ...]) -> Figure:
    height, top, bottom = 0.95, 0.1, 0.45
    figure = style.new_figure(top + bottom + height * len(strips))
    rows = style.stacked(figure, len(strips), height, (0.68, bottom, 0.12, top), gap=0.1)
    for axes, strip in zip(rows, strips, strict=True):
        if axes is not rows[0]:
            axes.sharex(rows[0])
        _draw_strip(axes, place, strip)
    rows[-1].set_xlabel(AXIS_LABELS[unit])
    return figure


def _draw_strip(axes: Axes, place: style.Array, strip: _Strip) -> None:
    colour, dashes = style.CORNER_LOOK[strip.corner]
    style.trace(axes, place, strip.travel, colour, dashes, 0.9, bins=240)
    # The stop is in the picture even when no sample came near it: how far away it is, is the question.
    top = float(np.nanmax(strip.travel)) if np.isfinite(strip.travel).any() else 0.0
    if strip.gap is not None:
        axes.axhline(strip.gap, color=style.INK, linestyle=(0, (4, 2)), linewidth=0.7, zorder=1)
        top = max(top, strip.gap)
    if strip.end is not None:
        axes.axhline(strip.end, color=style.INK, linewidth=0.7, zorder=1)
        top = max(top, strip.end)
    for where, peak, hard in strip.events:
        axes.plot(
            where, peak, "v", color=style.INK, markerfacecolor=style.INK if hard else "white", markersize=5
        )
    axes.axhline(0.0, color=style.PALE, linewidth=0.6, zorder=0)
    low = axes.get_ylim()[0]
    axes.set_ylim(low, top + 0.15 * max(top - low, 1.0))
    axes.locator_params(axis="y", nbins=4)
    axes.text(-0.17, 0.62, strip.corner, transform=axes.transAxes, color=style.INK, fontweight="bold")
    axes.text(-0.17, 0.36, "mm", transform=axes.transAxes, color=style.GREY)


@dataclass(frozen=True, slots=True)
class _Row:
    """What one event's travel was made of [m at the damper], and the bump-stop gap [mm]."""

    name: str
    parts: dict[str, float]
    gap: float | None


def budget_plate(review: Review) -> style.Plate | None:
    """Return what the travel of the hardest events was made of."""
    # Without all four dampers there is nothing to divide the travel by.
    shown = [(run, event, event.budget) for run, event in events(review) if event.budget is not None][
        :MOST_EVENTS
    ]
    if not shown:
        return None
    rows = []
    for run, event, budget in shown:
        gap = review.session.car.axle(axle_of(event.corner)).damper.bump_stop_gap
        name = f"{label(run.name, 10)} {event.corner}"
        rows.append(_Row(name, travel_parts(budget), None if gap is None else gap.value * MM_PER_M))
    return style.Plate(
        key="budget",
        title="What used up the travel?",
        alt="; ".join(_row_words(row) for row in rows) + ".",
        draw=partial(_draw_budget, tuple(rows)),
        note="A bar acts in roll and, where its axle twists against the other, in warp; not in heave or "
        "pitch. Tick across a bar: bump-stop gap.",
    )


def _row_words(row: _Row) -> str:
    return f"{row.name}: " + ", ".join(f"{part} {millimetres(at)}" for part, at in row.parts.items())


def _draw_budget(rows: tuple[_Row, ...]) -> Figure:
    figure = style.new_figure(1.2 + 0.27 * len(rows))
    axes = style.axes_in(figure, 1.25, 0.5, 0.12, 0.55)
    for place, row in enumerate(rows):
        _budget_row(axes, place, row)
    # Empty bars for the legend, or each event would add its own.
    for part, colour, hatch in _PARTS:
        if not any(part in row.parts for row in rows):
            continue
        axes.barh(
            [0], [0], color=colour, alpha=0.85, hatch=hatch, edgecolor="white", label=part, linewidth=0.4
        )
    axes.axvline(0.0, color=style.GREY, linewidth=0.7)
    style.list_rows(axes, [row.name for row in rows])
    axes.set_xlabel("damper travel at the deepest point, mm")
    style.legend_above(axes, 3, handlelength=1.6)
    return figure


def _budget_row(axes: Axes, place: int, row: _Row) -> None:
    # Parts that took travel away go to the left of zero, so that both sides add up to the travel.
    right = left = 0.0
    for part, colour, hatch in _PARTS:
        length = row.parts.get(part, 0.0) * MM_PER_M
        if length == 0.0:
            continue
        start = right if length >= 0.0 else left
        axes.barh(
            place,
            length,
            left=start,
            height=0.62,
            color=colour,
            alpha=0.85,
            hatch=hatch,
            edgecolor="white",
            linewidth=0.4,
        )
        if length >= 0.0:
            right += length
        else:
            left += length
    if row.gap is not None:
        axes.plot((row.gap, row.gap), (place - 0.42, place + 0.42), color=style.INK, linewidth=1.4)


# The verdict: a change beside its prediction, and measured over predicted.


_SETTING_LETTERS: Final = 18
"""Letters of a line of a setting's name, left of its row."""


def change_plate(comparisons: Sequence[Comparison]) -> style.Plate | None:
    """Return every change of set-up on one scale: measured, predicted, and what was too small to see."""
    # A change that was not measured has its reason among the points; an empty row would read as "no change".
    shown = [c for c in comparisons if c.stiffness_ratio.value is not None]
    if not shown:
        return None
    return style.Plate(
        key="change",
        title="Did the change do what was predicted?",
        alt="Roll stiffness after over before. "
        + " ".join(
            f"{_pair(c)}: measured {value_with_interval(c.stiffness_ratio)}, predicted "
            f"{value_with_interval(c.predicted_ratio)}."
            for c in shown
        ),
        draw=partial(_draw_changes, tuple(shown)),
        note="Filled: measured. Hollow: predicted. Bars: 95 % intervals. Grey band: changes too small for "
        "these runs to show.",
    )


def _draw_changes(shown: tuple[Comparison, ...]) -> Figure:
    figure = style.new_figure(0.6 + 1.1 * len(shown))
    axes = style.axes_in(figure, 0.12, 0.5, 0.12, 0.1)
    for row, comparison in enumerate(shown):
        _change_row(axes, row, comparison)
    axes.axvline(1.0, color=style.INK, linewidth=0.8, zorder=1)
    axes.set_ylim(len(shown) - 0.5, -0.5)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    _room(axes, 0.12, 0.14)
    axes.locator_params(axis="x", nbins=6)
    axes.set_xlabel("roll stiffness after / before (1 = no change; left of it softer)")
    return figure


def _change_row(axes: Axes, row: int, comparison: Comparison) -> None:
    # The band first, under everything: what lies within it these runs could not have shown.
    smallest = comparison.smallest_visible.value
    if smallest is not None:
        axes.fill_betweenx(
            (row - 0.2, row + 0.4), 1.0 - smallest, 1.0 + smallest, color=style.PALE, linewidth=0
        )
    # Measured above predicted, each with its figure, since three digits cannot be read off the axis.
    for estimate, offset, colour, filled, word in (
        (comparison.stiffness_ratio, 0.02, style.BLUE, True, "measured"),
        (comparison.predicted_ratio, 0.2, style.GREY, False, "predicted"),
    ):
        _mark(axes, estimate, row + offset, (colour, "o" if filled else "s"), filled)
        if estimate.value is not None:
            look = {
                "ha": "center",
                "va": "bottom" if filled else "top",
                "fontsize": style.TYPE,
                "color": colour,
            }
            at, away = (estimate.value, row + offset), (0, 7 if filled else -7)
            style.note_at(axes, f"{word} {estimate.value:.3f}", at, away, **look)
    # The row's name stands within the axes: left of them it would take a third of the width of a phone.
    axis = comparison.axle or "car"
    axes.annotate(
        f"{_pair(comparison)}, {axis}",
        (0.0, row - 0.4),
        xycoords=("axes fraction", "data"),
        va="center",
        color=style.INK,
    )


@dataclass(frozen=True, slots=True)
class _Agreement:
    """Measured over predicted of one quantity on one set-up [1]."""

    name: str
    look: tuple[str, str]
    ratio: Estimate


def agreement_plate(review: Review) -> style.Plate | None:
    """Return measured / predicted of every ledger row, one line per set-up and quantity."""
    rows = [
        (index, setup.name, row)
        for index, setup in enumerate(review.setups)
        for row in lead_rows(setup)
        if row.ratio.value is not None
    ]
    if not rows:
        return None
    # By quantity, so that the set-ups of one figure lie under each other; as many as stay legible.
    rows = sorted(rows, key=lambda item: item[2].quantity)[:24]
    drawn = tuple(
        _Agreement(f"{label(row.quantity, 24)} {label(setup, 6)}", style.setup_look(index), row.ratio)
        for index, setup, row in rows
    )
    # A reader who cannot see the figure is told which intervals leave the prediction out.
    off = [
        f"{label(row.quantity, 24)} on {label(setup, 12)}" for _, setup, row in rows if row.agrees is False
    ]
    return style.Plate(
        key="agreement",
        title="Does the car do what its sheet says?",
        alt="Measured over predicted with 95 % interval: "
        + "; ".join(f"{row.name} {value_with_interval(row.ratio)}" for row in drawn)
        + ". "
        + (f"The interval leaves 1 out for {listed(off)}." if off else "Every interval holds 1."),
        draw=partial(_draw_agreement, drawn),
        note="Bars: 95 % intervals with the errors of both sides. An interval that holds 1 agrees.",
    )


def _draw_agreement(rows: tuple[_Agreement, ...]) -> Figure:
    figure = style.new_figure(0.75 + 0.24 * len(rows))
    names = [row.name for row in rows]
    axes = style.axes_in(figure, style.room_for(names, 1.95, 2.7), 0.5, 0.12, 0.15)
    for place, row in enumerate(rows):
        axes.axhline(place, color=style.PALE, linewidth=0.5, zorder=0)
        _mark(axes, row.ratio, place, row.look, True)
    axes.axvline(1.0, color=style.INK, linewidth=0.8, zorder=1)
    style.list_rows(axes, names)
    axes.locator_params(axis="x", nbins=5)
    _room(axes, 0.08)
    axes.set_xlabel("measured / predicted")
    return figure


def settings_plate(review: Review) -> style.Plate | None:
    """Return every bar setting of an axle, measured beside predicted; None without two settings of one."""
    models = [model for model in review.bars if len(model.settings) > 1]
    if not models:
        return None
    return style.Plate(
        key="settings",
        title="Does every bar setting do what was predicted?",
        alt="Roll stiffness of the axle by bar setting. " + " ".join(map(_settings_words, models)),
        draw=partial(_draw_settings, tuple(models)),
        note="Filled: measured. Hollow: predicted. Bars: 95 % intervals. Left: with all that the sheet "
        "leaves open, for all settings alike. Right: above the softest setting driven, where that cancels.",
    )


def _draw_settings(models: tuple[AxleSettings, ...]) -> Figure:
    # Two columns of one question: with all errors of the sheet, and where those common to all cancel.
    sizes = [len(model.settings) for model in models]
    figure = style.new_figure(0.95 + 0.62 * sum(sizes) + 0.35 * (len(models) - 1))
    grid = figure.subplots(len(models), 2, height_ratios=sizes, squeeze=False)
    height = figure.get_figheight()
    figure.subplots_adjust(
        left=1.6 / style.PLATE_WIDTH,
        right=0.96,
        top=1.0 - 0.3 / height,
        bottom=0.6 / height,
        hspace=0.4,
        wspace=0.12,
    )
    for (whole, steps), model in zip(grid, models, strict=True):
        _setting_rows(whole, steps, model)
    grid[0, 0].set_title("as a whole")
    grid[0, 1].set_title("above the softest")
    figure.supxlabel("roll stiffness of the axle, N m/deg", fontsize=style.TYPE)
    return figure


def _setting_rows(whole: Axes, steps: Axes, model: AxleSettings) -> None:
    for row, item in enumerate(model.settings):
        for axes, measured, predicted in (
            (whole, item.measured, item.predicted),
            (steps, item.step, item.predicted_step),
        ):
            axes.axhline(row, color=style.PALE, linewidth=0.5, zorder=0)
            if measured is not None and predicted is not None:
                _mark(axes, measured, row - 0.13, (style.BLUE, "o"), True)
                _mark(axes, predicted, row + 0.17, (style.GREY, "s"), False)
    steps.axvline(0.0, color=style.INK, linewidth=0.8, zorder=1)
    names = []
    for item in model.settings:
        lines = textwrap.wrap(f"{model.axle}, {label(item.setting, 22)}", _SETTING_LETTERS)
        names.append("\n".join((*lines, count(item.runs, "run"))))
    for axes in (whole, steps):
        style.list_rows(axes, names, 0.5, 0.5)
        axes.locator_params(axis="x", nbins=3)
    # The names stand once, at the left column.
    steps.set_yticks([])


def _settings_words(model: AxleSettings) -> str:
    return " ".join(
        f"{model.axle}, {label(item.setting, 24)}: measured {value_with_interval(item.measured)}, predicted "
        f"{value_with_interval(item.predicted)}{_step_words(item)}."
        for item in model.settings
    )


def _step_words(item: BarSettingResult) -> str:
    if item.step is None or item.predicted_step is None:
        return ", the softest"
    return (
        f"; above the softest {value_with_interval(item.step)}, predicted "
        f"{value_with_interval(item.predicted_step)}"
    )


def _mark(axes: Axes, estimate: Estimate, y: float, look: tuple[str, str], filled: bool) -> None:
    colour, marker = look
    if estimate.value is None:
        return
    if estimate.interval is not None:
        axes.plot(estimate.interval, (y, y), color=colour, linewidth=1.6 if filled else 1.0, zorder=2)
    face = colour if filled else "white"
    axes.plot(estimate.value, y, marker=marker, color=colour, markerfacecolor=face, markersize=5.5, zorder=3)


def _room(axes: Axes, least: float, air: float = 0.04) -> None:
    """Show 1 and leave some air, so that a tiny difference does not fill the figure."""
    # Matplotlib fits the axis to the data: a ratio of 0.999 would look like a large change.
    low, high = axes.get_xlim()
    low, high = min(low, 1.0 - least / 2.0), max(high, 1.0 + least / 2.0)
    axes.set_xlim(low - air * (high - low), high + air * (high - low))


def _pair(comparison: Comparison) -> str:
    return f"{label(comparison.before, 12)} to {label(comparison.after, 12)}"


# All channels of a log, one below the other, with the stretches that are not used marked.


ROW: Final = 0.62
"""Height of one channel [in]."""
WIDTH: Final = 2.0 * style.PLATE_WIDTH
MOST_MARKS: Final = 400
"""Marked stretches drawn one by one; of more, neighbours are drawn as one."""
_NOT_PLAIN: Final = re.compile(r"[^A-Za-z0-9_-]+")
_FACTORS: Final = {"latitude": (DEG_PER_RAD, "deg"), "longitude": (DEG_PER_RAD, "deg")}
_WORSE: Final = (Verdict.BAD, Verdict.SUSPECT)


def save_channel_figures(recordings: Sequence[Recording], path: Path) -> tuple[Path, ...]:
    """Draw every recording to a file of its own, and return the files in order.

    `path` ends in ``.svg``, ``.png`` or ``.pdf``; of several recordings each has the run's name put behind
    the file's. Figures of the same name are replaced; anything else there, another ending, or a place that
    cannot be written to raises `AnalyzerError`.
    """
    path = path.expanduser()
    kind = style.figure_kind_of(path)
    files: dict[Path, bytes] = {}
    with style.house_style():
        for number, recording in enumerate(recordings, start=1):
            place = path
            if len(recordings) > 1:
                # A run's name is the user's: only plain letters of it go into a file name.
                run = _NOT_PLAIN.sub("-", recording.run)[:40].strip("-")
                place = path.with_name(f"{path.stem}-{run or number}{path.suffix}")
            if place in files:
                place = place.with_name(f"{place.stem}-{number}{place.suffix}")
            buffer = io.BytesIO()
            stamps = {"svg": {"Date": None}, "pdf": {"CreationDate": None}, "png": {"Software": None}}[kind]
            channels_figure(recording).savefig(buffer, format=kind, facecolor="white", metadata=stamps)
            files[place] = buffer.getvalue()
    try:
        write_together(files)
    except OSError as error:
        raise AnalyzerError(
            f"{one_line(str(path), 200)}: {error.strerror or 'cannot be written'}; name a file elsewhere"
        ) from None
    return tuple(files)


def channels_figure(recording: Recording) -> Figure:
    """Return the figure: a row per channel, marked where samples are suspect, with what the checks found."""
    names = list(recording.data.columns)
    top, bottom = 0.55, 0.45
    figure = Figure(figsize=(WIDTH, top + bottom + ROW * len(names)))
    height = figure.get_size_inches()[1]
    # The head is placed in inches: a log may have four channels or forty.
    worst = sum(row.verdict in _WORSE for row in recording.health)
    title = f"{label(recording.run)}: what was logged, and what of it is not used ({worst} findings)"
    figure.text(0.1 / WIDTH, 1 - 0.22 / height, title, color=style.INK, fontsize=9.5)
    key = "marked: not used, by a check or since no sample is there"
    figure.text(0.1 / WIDTH, 1 - 0.42 / height, key, color=style.VERMILION, fontsize=8)
    time = recording.data.index.to_numpy()
    rows = style.stacked(figure, len(names), ROW, (1.5, bottom, 2.0, top), gap=0.08)
    for axes, name in zip(rows, names, strict=True):
        _draw_channel(axes, recording, name, time)
    rows[-1].set_xlabel("time, s")
    return figure


def _draw_channel(axes: Axes, recording: Recording, name: str, time: npt.NDArray[np.float64]) -> None:
    factor, unit = _shown_in(name)
    values = recording.data[name].to_numpy(dtype=np.float64) * factor
    suspect = recording.suspect[name].to_numpy()
    # A channel that is left out as a whole is grey; one with bad stretches keeps its colour between them.
    bad = not recording.usable(name)
    style.trace(axes, time, values, style.GREY if bad else style.BLUE, "-", width=0.8, bins=1200)
    for first, end in marked_stretches(suspect):
        # Hatched as well as coloured, and never thinner than can be seen.
        edge = max(time[min(end, len(time) - 1)], time[first] + (time[-1] - time[0]) / 600.0)
        axes.axvspan(time[first], edge, color=style.VERMILION, alpha=0.35, hatch="////", linewidth=0.5)
    _set_limits(axes, values, time)
    axes.annotate(
        f"{label(name, 22)}\n{unit}".rstrip(), (0.0, 0.5), (-96.0, 0.0), xycoords="axes fraction",
        textcoords="offset points", va="center", color=style.INK, fontsize=8,
    )  # fmt: skip
    # No common offset at the axis: "+1.2e2" beside a channel is read past.
    axes.ticklabel_format(axis="y", useOffset=False)
    axes.locator_params(axis="y", nbins=3)
    axes.text(
        1.01, 0.5, _findings(recording, name), transform=axes.transAxes, va="center", fontsize=7.5,
        color=style.VERMILION if bad else style.INK,
    )  # fmt: skip


def _shown_in(name: str) -> tuple[float, str]:
    """Return factor and unit in which a channel is drawn; a channel of unknown kind as logged."""
    if name in _FACTORS:
        return _FACTORS[name]
    # In the unit in which the checks speak of it.
    kind = kind_of_channel(name)
    return (1.0, "") if kind is None else (kind.factor, kind.unit)


def _set_limits(axes: Axes, values: npt.NDArray[np.float64], time: npt.NDArray[np.float64]) -> None:
    axes.set_xlim(float(time[0]), float(time[-1]) if len(time) > 1 else float(time[0]) + 1.0)
    # By hand, since one infinite sample would take the axis with it; a constant channel gets some height.
    finite = values[np.isfinite(values)]
    if len(finite) == 0:
        axes.set_ylim(-1.0, 1.0)
        return
    low, high = float(finite.min()), float(finite.max())
    room = 0.08 * (high - low) or max(1.0, 0.1 * abs(high))
    axes.set_ylim(low - room, high + room)


def _findings(recording: Recording, name: str) -> str:
    """Return the checks that found something at a channel, worst first, in three short lines."""
    rows = [row for row in recording.health if row.channel == name and row.verdict in _WORSE]
    if not rows:
        return ""
    lines = [f"{row.verdict.value}: {label(row.check, 26)}" for row in rows[:3]]
    return "\n".join(lines + ([f"and {len(rows) - 3} more"] if len(rows) > 3 else []))


def marked_stretches(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return first and one-past-last sample of the marked stretches, near ones joined when there are many."""
    found = runs_of(flags)
    if len(found) <= MOST_MARKS:
        return found
    # A loose plug makes thousands of them: drawn one by one they are megabytes that nobody can tell apart.
    near, joined = len(flags) // MOST_MARKS, found[:1]
    for first, end in found[1:]:
        if first - joined[-1][1] > near:
            joined.append((first, end))
        else:
            joined[-1] = (joined[-1][0], end)
    return joined
