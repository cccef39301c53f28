"""Figures of damper travel: how close each damper came to its stop, and what used the travel up."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from analyzer.core.constants import CORNERS, Corner
from analyzer.core.units import MM_PER_M
from analyzer.ingest.recording import Recording
from analyzer.processing.bottoming import axle_of
from analyzer.processing.results import RunEstimates
from analyzer.report.figures import style
from analyzer.report.figures.course_plots import AXIS_LABELS, event_place, run_axis
from analyzer.report.sentences import events, travel_parts
from analyzer.report.words import count, label, millimetres
from analyzer.session.review import Review
from analyzer.sheets.car import CarSheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


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
