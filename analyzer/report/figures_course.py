"""Figure of the course: where along it the dampers met their stops."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes

from analyzer.constants import CORNERS
from analyzer.report.plates import CORNER_LOOK, GREY, INK, PALE, Array, Plate, axes_in, envelope, new_figure
from analyzer.report.text import driver_answer
from analyzer.report.wording import label
from analyzer.units import DEG_PER_RAD, MM_PER_M

if TYPE_CHECKING:
    from analyzer.processing.results import BottomingEvent, RunEstimates
    from analyzer.session import Review
    from analyzer.sheets.course import Section

_STEEPEST: Final = 40.0
"""Range of the bank axis [deg]: no road is steeper, so a trace beyond it is an estimate gone astray."""

_STRIP_WIDTH: Final = 3.75
_NARROWEST: Final = 0.1
"""Width of the strip, and of the narrowest section that is named [in]."""

_LETTER: Final = 0.058
"""Width of a letter of the section names [in]."""

_FLAT: Final = np.radians(3.0)
"""Sections with less bank than this are drawn as flat."""


def run_axis(run: RunEstimates) -> tuple[Array, npt.NDArray[np.bool_], str]:
    """Return the place of every sample of a run, which of them lie in the moving part, and the axis label.

    The place is the distance driven [m] when speed was logged, else the time since the car moved off [s].
    """
    data = run.motion.data
    moving = ~run.motion.parked.to_numpy()
    time = data.index.to_numpy(dtype=float)
    inside = np.zeros(len(time), dtype=bool)
    if moving.any():
        first, last = np.flatnonzero(moving)[[0, -1]]
        inside[first : last + 1] = True
    else:
        first = 0
        inside[:] = True
    if "distance" in data.columns and np.isfinite(data["distance"].to_numpy()[inside]).any():
        distance = data["distance"].to_numpy()
        start = distance[first]
        return distance - (start if np.isfinite(start) else 0.0), inside, "distance from the start, m"
    return time - time[first], inside, "time since the car moved off, s"


def event_place(run: RunEstimates, event: BottomingEvent) -> float:
    """Return where on the run's axis an event had its deepest point."""
    place = run_axis(run)[0]
    time = run.motion.data.index.to_numpy(dtype=float)
    known = np.isfinite(place)
    return float(np.interp(event.peak_s, time[known], place[known])) if known.any() else event.peak_s


def course_plate(review: Review) -> Plate | None:
    """Return the course from left to right, one row per corner, with every bottoming event of the session."""
    if not review.runs:
        return None
    units = {run_axis(run)[2] for run in review.runs}
    by_distance = len(units) == 1 and next(iter(units)).startswith("distance")
    runs = (
        [run for run in review.runs if run_axis(run)[2].startswith("distance")]
        if by_distance
        else list(review.runs)
    )
    figure = new_figure(3.4)
    rows = axes_in(figure, 0.5, 1.1, 0.45, 0.75)
    bank = axes_in(figure, 0.5, 0.45, 0.45, 2.4)
    for number, run in enumerate(runs):
        # Runs lie a little apart within a row, so that events at the same place stay countable.
        _draw_events(rows, run, 0.7 * ((number + 0.5) / len(runs) - 0.5))
    _draw_bank(bank, runs)
    rows.set_ylim(3.6, -0.6)
    rows.set_yticks(range(4), CORNERS)
    for tick in rows.get_yticklabels():
        tick.set_fontweight("bold")
    rows.tick_params(axis="y", length=0)
    rows.tick_params(labelbottom=False)
    rows.spines["left"].set_visible(False)
    for row in range(4):
        rows.axhline(row, color=PALE, linewidth=0.5, zorder=0)
    bank.set_ylabel("bank, °")
    bank.set_xlabel("distance from the start, m" if by_distance else "time since the car moved off, s")
    bank.sharex(rows)
    ends = [place[inside][-1] for place, inside, _ in map(run_axis, runs)]
    rows.set_xlim(0.0, max([float(end) for end in ends if np.isfinite(end)], default=1.0))
    _draw_sections(rows, bank, review, by_distance)
    return Plate(
        key="course",
        title="Where on the course did it bottom?",
        alt=driver_answer(review),
        figure=figure,
        note="One mark per event, all runs together: the larger, the further into the bump stop; filled: "
        "hard. Below: bank of the road where it can be told. Hatched: banked by the course sheet.",
    )


def _draw_events(axes: Axes, run: RunEstimates, shift: float) -> None:
    for event in run.bottoming:
        colour = CORNER_LOOK[event.corner][0]
        depth = max(event.stop_compression * MM_PER_M, 0.0)
        axes.plot(
            event_place(run, event),
            CORNERS.index(event.corner) + shift,
            marker="v",
            markersize=min(3.5 + 0.3 * depth, 11.0),
            color=colour,
            markerfacecolor=colour if event.hard else "none",
            markeredgewidth=1.1,
            alpha=0.9,
        )


def _draw_bank(axes: Axes, runs: list[RunEstimates]) -> None:
    for run in runs:
        if "bank" not in run.motion.data.columns:
            continue
        place, inside, _ = run_axis(run)
        bank = run.motion.data["bank"].where(~run.motion.suspect["bank"]).to_numpy()[inside] * DEG_PER_RAD
        x, low, high = envelope(place[inside], bank, bins=150)
        axes.plot(x, (low + high) / 2.0, color=GREY, linewidth=0.7, alpha=0.8)
    axes.axhline(0.0, color=PALE, linewidth=0.5, zorder=0)
    bottom, top = axes.get_ylim()
    axes.set_ylim(max(min(bottom, -5.0), -_STEEPEST), min(max(top, 15.0), _STEEPEST))


def _draw_sections(rows: Axes, bank: Axes, review: Review, by_distance: bool) -> None:
    course = review.session.course
    if course is None:
        return
    end = rows.get_xlim()[1]
    drawn = [s for s in course.sections if (s.start.distance_m is not None) == by_distance]
    drawn = [section for section in drawn if _limits(section)[0] < end][:40]
    names = [_section_name(section) for section in drawn]
    widths = [(min(_limits(s)[1], end) - _limits(s)[0]) / end * _STRIP_WIDTH for s in drawn]
    turned = any(len(name) * _LETTER > width for name, width in zip(names, widths, strict=True))
    for section, name, width in zip(drawn, names, widths, strict=True):
        begin, stop = _limits(section)
        if section.bank.value > _FLAT:
            for axes in (rows, bank):
                span = axes.axvspan(begin, min(stop, end), facecolor="#f1f1f1", edgecolor="#c4c4c4", zorder=0)
                span.set(hatch="///", linewidth=0)
        rows.axvline(begin, color=PALE, linewidth=0.6, zorder=0)
        if width >= _NARROWEST:
            rows.annotate(
                name,
                (begin, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(3, 3),
                textcoords="offset points",
                fontsize=7.5,
                color=INK,
                rotation=38 if turned else 0,
                rotation_mode="anchor",
            )


def _section_name(section: Section) -> str:
    bank = section.bank.value
    return label(section.name, 18) + (f" {bank * DEG_PER_RAD:.0f}°" if bank > _FLAT else "")


def _limits(section: Section) -> tuple[float, float]:
    if section.start.distance_m is not None and section.end.distance_m is not None:
        return section.start.distance_m, section.end.distance_m
    return section.start.time_s or 0.0, section.end.time_s or 0.0
