"""Figures of damper travel: how close each damper came to its stop, and what used the travel up."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from matplotlib.axes import Axes

from analyzer.constants import CORNERS, Corner
from analyzer.report.figures_course import event_place, run_axis
from analyzer.report.plates import (
    BLUE,
    CORNER_LOOK,
    GREEN,
    GREY,
    INK,
    PALE,
    PURPLE,
    VERMILION,
    Plate,
    axes_in,
    new_figure,
    trace,
)
from analyzer.report.text import events
from analyzer.report.wording import count, label
from analyzer.units import MM_PER_M

if TYPE_CHECKING:
    from analyzer.ingest.recording import Recording
    from analyzer.processing.results import BottomingEvent, RunEstimates, TravelBudget
    from analyzer.session import Review

MOST_EVENTS: Final = 10
_PARTS: Final = (
    ("heave", BLUE, ""),
    ("roll", VERMILION, "///"),
    ("pitch", GREEN, "----"),
    ("warp", PURPLE, "|||"),
)


def travel_plate(review: Review, index: int) -> Plate | None:
    """Return the travel of all dampers through the run at `index`, with gaps, ends and events."""
    run = review.runs[index]
    recording = next((r for r in review.recordings if r.run == run.name), None)
    if recording is None:
        return None
    corners = [c for c in CORNERS if f"damper_{c}" in recording.data.columns]
    if not corners:
        return None
    height, top, bottom = 0.95, 0.1, 0.45
    figure = new_figure(top + bottom + height * len(corners))
    first: Axes | None = None
    for row, corner in enumerate(corners):
        axes = axes_in(
            figure, 0.55, bottom + height * (len(corners) - 1 - row) + 0.1, 0.12, top + height * row
        )
        if first is None:
            first = axes
        else:
            axes.sharex(first)
        _corner_strip(axes, review, recording, run, corner)
        if row < len(corners) - 1:
            axes.tick_params(labelbottom=False)
        else:
            axes.set_xlabel(run_axis(run)[2])
    found = count(len(run.bottoming), "event")
    return Plate(
        key=f"travel-{index + 1}",
        title=f"How close did each damper come to its stop in {label(run.name, 20)}?",
        alt=f"Travel of {len(corners)} dampers through run {label(run.name, 20)} with bump-stop gap; "
        f"{found} of bottoming.",
        figure=figure,
        note="Damper travel from static, compression up. Dashed: bump stop touched; solid: full bump. "
        "Triangles: bottoming, filled when hard.",
    )


def _corner_strip(
    axes: Axes, review: Review, recording: Recording, run: RunEstimates, corner: Corner
) -> None:
    place, inside, _ = run_axis(run)
    channel = f"damper_{corner}"
    travel = recording.data[channel].where(~recording.suspect[channel])
    values = travel.reindex(run.motion.data.index).to_numpy() * MM_PER_M
    colour, style = CORNER_LOOK[corner]
    trace(axes, place[inside], values[inside], colour, style, 0.9, bins=240)
    sheet = review.session.car.axle("front" if corner in ("FL", "FR") else "rear").damper
    top = float(np.nanmax(values[inside])) if np.isfinite(values[inside]).any() else 0.0
    if sheet.bump_stop_gap is not None:
        gap = sheet.bump_stop_gap.value * MM_PER_M
        axes.axhline(gap, color=INK, linestyle=(0, (4, 2)), linewidth=0.7, zorder=1)
        top = max(top, gap)
    if sheet.full_bump is not None:
        end = sheet.full_bump.value * MM_PER_M
        axes.axhline(end, color=INK, linewidth=0.7, zorder=1)
        top = max(top, end)
    for event in run.bottoming:
        if event.corner == corner:
            face = INK if event.hard else "white"
            axes.plot(
                event_place(run, event),
                event.peak * MM_PER_M,
                "v",
                color=INK,
                markerfacecolor=face,
                markersize=5,
            )
    axes.axhline(0.0, color=PALE, linewidth=0.6, zorder=0)
    low = axes.get_ylim()[0]
    axes.set_ylim(low, top + 0.15 * max(top - low, 1.0))
    axes.locator_params(axis="y", nbins=4)
    axes.text(-0.13, 0.62, corner, transform=axes.transAxes, color=INK, fontweight="bold")
    axes.text(-0.13, 0.40, "mm", transform=axes.transAxes, color=GREY, fontsize=7.5)


def budget_plate(review: Review) -> Plate | None:
    """Return what the travel of the hardest events was made of."""
    shown = [(run, event, event.budget) for run, event in events(review) if event.budget is not None][
        :MOST_EVENTS
    ]
    if not shown:
        return None
    figure = new_figure(0.95 + 0.27 * len(shown))
    axes = axes_in(figure, 1.25, 0.45, 0.12, 0.35)
    for row, (_, event, budget) in enumerate(shown):
        _budget_row(axes, review, row, event, budget)
    for part, colour, hatch in _PARTS:
        axes.barh(
            [0], [0], color=colour, alpha=0.85, hatch=hatch, edgecolor="white", label=part, linewidth=0.4
        )
    axes.axvline(0.0, color=GREY, linewidth=0.7)
    axes.set_yticks(range(len(shown)), [f"{label(run.name, 10)}  {event.corner}" for run, event, _ in shown])
    axes.set_ylim(len(shown) - 0.4, -0.6)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.set_xlabel("damper travel at the deepest point, mm")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=4, columnspacing=1.2, handlelength=1.6)
    return Plate(
        key="budget",
        title="What used up the travel?",
        alt="Travel of each event as heave, roll, pitch and warp; the values stand in the table of events.",
        figure=figure,
        note="A bar acts in roll and, where its axle twists against the other, in warp; not in heave or "
        "pitch. Black tick: bump-stop gap.",
    )


def _budget_row(axes: Axes, review: Review, row: int, event: BottomingEvent, budget: TravelBudget) -> None:
    right = left = 0.0
    for part, colour, hatch in _PARTS:
        length = getattr(budget, part) * MM_PER_M
        start = right if length >= 0.0 else left
        axes.barh(
            row,
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
    gap = review.session.car.axle("front" if event.corner in ("FL", "FR") else "rear").damper.bump_stop_gap
    if gap is not None:
        place = gap.value * MM_PER_M
        axes.plot((place, place), (row - 0.42, row + 0.42), color=INK, linewidth=1.4)
