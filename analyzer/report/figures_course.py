"""Figure of the course: where along it the dampers met their stops."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from analyzer.constants import CORNERS, Corner
from analyzer.report.plates import CORNER_LOOK, GREY, INK, PALE, Array, Plate, axes_in, envelope, new_figure
from analyzer.report.text import driver_answer
from analyzer.report.wording import label
from analyzer.units import DEG_PER_RAD, MM_PER_M

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

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


@dataclass(frozen=True, slots=True)
class _Pass:
    """One run: places, bank there [deg], events (place, corner, depth in the stop [mm], whether hard)."""

    place: Array
    bank: Array | None
    events: tuple[tuple[float, Corner, float, bool], ...]


@dataclass(frozen=True, slots=True)
class _Span:
    """A section of the course sheet between two places."""

    name: str
    begin: float
    stop: float
    banked: bool


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
    passes = tuple(_pass(run) for run in runs)
    return Plate(
        key="course",
        title="Where on the course did it bottom?",
        alt=driver_answer(review),
        draw=partial(_draw_course, passes, _spans(review, by_distance), by_distance),
        note="One mark per event, all runs together: the larger, the further into the bump stop; filled: "
        "hard. Below: bank of the road where it can be told. Hatched: banked by the course sheet.",
    )


def _pass(run: RunEstimates) -> _Pass:
    place, inside, _ = run_axis(run)
    bank = None
    if "bank" in run.motion.data.columns:
        bank = run.motion.data["bank"].where(~run.motion.suspect["bank"]).to_numpy()[inside] * DEG_PER_RAD
    events = tuple(
        (event_place(run, event), event.corner, max(event.stop_compression * MM_PER_M, 0.0), event.hard)
        for event in run.bottoming
    )
    return _Pass(place[inside], bank, events)


def _spans(review: Review, by_distance: bool) -> tuple[_Span, ...]:
    course = review.session.course
    if course is None:
        return ()
    drawn = [s for s in course.sections if (s.start.distance_m is not None) == by_distance]
    return tuple(_Span(_section_name(s), *_limits(s), s.bank.value > _FLAT) for s in drawn)


def _section_name(section: Section) -> str:
    bank = section.bank.value
    return label(section.name, 18) + (f" {bank * DEG_PER_RAD:.0f}°" if bank > _FLAT else "")


def _limits(section: Section) -> tuple[float, float]:
    if section.start.distance_m is not None and section.end.distance_m is not None:
        return section.start.distance_m, section.end.distance_m
    return section.start.time_s or 0.0, section.end.time_s or 0.0


def _draw_course(passes: tuple[_Pass, ...], spans: tuple[_Span, ...], by_distance: bool) -> Figure:
    figure = new_figure(3.4)
    rows = axes_in(figure, 0.5, 1.1, 0.45, 0.75)
    bank = axes_in(figure, 0.5, 0.45, 0.45, 2.4)
    for number, one in enumerate(passes):
        # Runs lie a little apart within a row, so that events at the same place stay countable.
        _draw_events(rows, one, 0.7 * ((number + 0.5) / len(passes) - 0.5))
    _draw_bank(bank, passes)
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
    ends = [float(one.place[-1]) for one in passes]
    rows.set_xlim(0.0, max([end for end in ends if np.isfinite(end)], default=1.0))
    _draw_sections(rows, bank, spans)
    return figure


def _draw_events(axes: Axes, one: _Pass, shift: float) -> None:
    for where, corner, depth, hard in one.events:
        colour = CORNER_LOOK[corner][0]
        axes.plot(
            where,
            CORNERS.index(corner) + shift,
            marker="v",
            markersize=min(3.5 + 0.3 * depth, 11.0),
            color=colour,
            markerfacecolor=colour if hard else "none",
            markeredgewidth=1.1,
            alpha=0.9,
        )


def _draw_bank(axes: Axes, passes: tuple[_Pass, ...]) -> None:
    for one in passes:
        if one.bank is None:
            continue
        x, low, high = envelope(one.place, one.bank, bins=150)
        axes.plot(x, (low + high) / 2.0, color=GREY, linewidth=0.7, alpha=0.8)
    axes.axhline(0.0, color=PALE, linewidth=0.5, zorder=0)
    bottom, top = axes.get_ylim()
    axes.set_ylim(max(min(bottom, -5.0), -_STEEPEST), min(max(top, 15.0), _STEEPEST))


def _draw_sections(rows: Axes, bank: Axes, spans: tuple[_Span, ...]) -> None:
    if not spans:
        return
    end = rows.get_xlim()[1]
    drawn = [span for span in spans if span.begin < end][:40]
    widths = [(min(span.stop, end) - span.begin) / end * _STRIP_WIDTH for span in drawn]
    turned = any(len(span.name) * _LETTER > width for span, width in zip(drawn, widths, strict=True))
    for span, width in zip(drawn, widths, strict=True):
        if span.banked:
            for axes in (rows, bank):
                shade = axes.axvspan(
                    span.begin, min(span.stop, end), facecolor="#f1f1f1", edgecolor="#c4c4c4", zorder=0
                )
                shade.set(hatch="///", linewidth=0)
        rows.axvline(span.begin, color=PALE, linewidth=0.6, zorder=0)
        if width >= _NARROWEST:
            rows.annotate(
                span.name,
                (span.begin, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(3, 3),
                textcoords="offset points",
                fontsize=7.5,
                color=INK,
                rotation=38 if turned else 0,
                rotation_mode="anchor",
            )
