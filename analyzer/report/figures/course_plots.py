"""Figure of the course: where along it the dampers met their stops."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from analyzer.core.constants import CORNERS, Corner
from analyzer.core.units import DEG_PER_RAD, MM_PER_M
from analyzer.processing.course.alignment import CourseLine
from analyzer.processing.course.places import SPEED_EDGES, WHOLE, DamperUse
from analyzer.processing.results import BottomingEvent, RunEstimates
from analyzer.report.course_sentences import place_words
from analyzer.report.figures import style
from analyzer.report.sentences import driver_answer
from analyzer.report.words import label
from analyzer.session.course_sheet import CourseSheetResult, PlaceSheet
from analyzer.session.review import Review
from analyzer.sheets.session import Section

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


_STEEPEST: Final = 40.0
"""Range of the bank axis [deg]: no road is steeper, so a trace beyond it is an estimate gone astray."""

_STRIP_WIDTH: Final = 3.75
_NARROWEST: Final = 0.1
"""Width of the strip, and of the narrowest section that is named [in]."""

_LETTER: Final = 0.058
"""Width of a letter of the section names [in]."""

AXIS_LABELS: Final = {"m": "distance from the start, m", "s": "time since the car moved off, s"}
"""Unit of the places of a run or course -> label of the axis."""

_FLAT: Final = np.radians(3.0)
"""Sections with less bank than this are drawn as flat."""


def run_axis(run: RunEstimates) -> tuple[style.Array, npt.NDArray[np.bool_], str]:
    """Return the place of every sample of a run, which of them lie in the moving part, and the unit.

    The place is the distance driven [m] when speed was logged, else the time since the car moved off [s].
    """
    data = run.motion.data
    # Waiting in the grid belongs to no place: the axis runs from the first to the last moving sample. A run
    # that never moved is shown whole.
    moving = ~run.motion.parked.to_numpy()
    time = data.index.to_numpy(dtype=float)
    inside = np.zeros(len(time), dtype=bool)
    if moving.any():
        first, last = np.flatnonzero(moving)[[0, -1]]
        inside[first : last + 1] = True
    else:
        first = 0
        inside[:] = True
    # A speed that begins late leaves the distance at the start unknown; it then counts from 0.
    if "distance" in data.columns and np.isfinite(data["distance"].to_numpy()[inside]).any():
        distance = data["distance"].to_numpy()
        start = distance[first]
        return distance - (start if np.isfinite(start) else 0.0), inside, "m"
    return time - time[first], inside, "s"


def event_place(run: RunEstimates, event: BottomingEvent) -> float:
    """Return where on the run's axis an event had its deepest point."""
    # Between samples, since an event may begin and end within one step of a thinned run.
    place = run_axis(run)[0]
    time = run.motion.data.index.to_numpy(dtype=float)
    known = np.isfinite(place)
    return float(np.interp(event.peak_s, time[known], place[known])) if known.any() else event.peak_s


@dataclass(frozen=True, slots=True)
class _Pass:
    """One run: places, bank there [deg], events (place, corner, depth in the stop [mm], whether hard)."""

    place: style.Array
    bank: style.Array | None
    events: tuple[tuple[float, Corner, float, bool], ...]


@dataclass(frozen=True, slots=True)
class _Span:
    """A section of the course sheet between two places."""

    name: str
    begin: float
    stop: float
    banked: bool


def course_plate(review: Review) -> style.Plate | None:
    """Return the course from left to right, one row per corner, with every bottoming event of the session."""
    if not review.runs:
        return None
    # Along the distance only when every run has one: metres and seconds cannot share an axis.
    unit = "m" if all(run_axis(run)[2] == "m" for run in review.runs) else "s"
    passes = tuple(_pass(run) for run in review.runs)
    return style.Plate(
        key="course",
        title="Where on the course did it bottom?",
        alt=driver_answer(review),
        draw=partial(_draw_course, passes, _spans(review, unit == "m"), unit),
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
    # Marks of the sheet are in metres or seconds; only those in the axis' own unit can be placed.
    drawn = [s for s in course.sections if (s.start.distance_m is not None) == by_distance]
    return tuple(_Span(_section_name(s), *_limits(s), s.bank.value > _FLAT) for s in drawn)


def _section_name(section: Section) -> str:
    bank = section.bank.value
    return label(section.name, 18) + (f" {bank * DEG_PER_RAD:.0f}°" if bank > _FLAT else "")


def _limits(section: Section) -> tuple[float, float]:
    if section.start.distance_m is not None and section.end.distance_m is not None:
        return section.start.distance_m, section.end.distance_m
    return section.start.time_s or 0.0, section.end.time_s or 0.0


def _draw_course(passes: tuple[_Pass, ...], spans: tuple[_Span, ...], unit: str) -> Figure:
    # Two axes over one course: corners as rows above, the road's bank below, which explains most of the hits.
    figure = style.new_figure(3.4)
    rows = style.axes_in(figure, 0.5, 1.1, 0.45, 0.75)
    bank = style.axes_in(figure, 0.5, 0.45, 0.45, 2.4)
    for number, one in enumerate(passes):
        # Runs lie a little apart within a row, so that events at the same place stay countable.
        _draw_events(rows, one, 0.7 * ((number + 0.5) / len(passes) - 0.5))
    _draw_bank(bank, passes)
    style.corner_rows(rows)
    rows.tick_params(labelbottom=False)
    for row in range(4):
        rows.axhline(row, color=style.PALE, linewidth=0.5, zorder=0)
    bank.set_ylabel("bank, °")
    bank.set_xlabel(AXIS_LABELS[unit])
    bank.sharex(rows)
    # To the end of the longest run: shorter ones were stopped early.
    ends = [float(one.place[-1]) for one in passes]
    rows.set_xlim(0.0, max([end for end in ends if np.isfinite(end)], default=1.0))
    _draw_sections(rows, bank, spans)
    return figure


def _draw_events(axes: Axes, one: _Pass, shift: float) -> None:
    for where, corner, depth, hard in one.events:
        colour = style.CORNER_LOOK[corner][0]
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
        # The middle of each column is enough: the bank is a slow figure, and all runs lie over each other.
        x, low, high = style.envelope(one.place, one.bank, bins=150)
        axes.plot(x, (low + high) / 2.0, color=style.GREY, linewidth=0.7, alpha=0.8)
    axes.axhline(0.0, color=style.PALE, linewidth=0.5, zorder=0)
    # Never less than from -5 to 15 degrees, so that the noise of a flat course stays small.
    bottom, top = axes.get_ylim()
    axes.set_ylim(max(min(bottom, -5.0), -_STEEPEST), min(max(top, 15.0), _STEEPEST))


def _draw_sections(rows: Axes, bank: Axes, spans: tuple[_Span, ...]) -> None:
    if not spans:
        return
    end = rows.get_xlim()[1]
    drawn = [span for span in spans if span.begin < end][:40]
    # If one name is too long for its section all are turned: a mix of both reads like two kinds.
    widths = [(min(span.stop, end) - span.begin) / end * _STRIP_WIDTH for span in drawn]
    turned = any(len(span.name) * _LETTER > width for span, width in zip(drawn, widths, strict=True))
    for span, width in zip(drawn, widths, strict=True):
        if span.banked:
            for axes in (rows, bank):
                shade = axes.axvspan(
                    span.begin, min(span.stop, end), facecolor="#f1f1f1", edgecolor="#c4c4c4", zorder=0
                )
                shade.set(hatch="///", linewidth=0)
        rows.axvline(span.begin, color=style.PALE, linewidth=0.6, zorder=0)
        if width >= _NARROWEST:
            _section_label(rows, span.name, span.begin, 38 if turned else 0, fontsize=7.5, color=style.INK)


def _section_label(axes: Axes, text: str, place: float, turned: float, **look: Any) -> None:
    above = {"xycoords": ("data", "axes fraction"), "rotation": turned, "rotation_mode": "anchor"}
    style.note_at(axes, text, (place, 1.0), (3, 3), **above, **look)


# Figures of the course sheet: map or strip, a small trace per place, damper speeds.


MOST_SHOWN: Final = 8
"""Places with a number on the map and a trace of their own."""
_SECTION_GREYS: Final = ("#8a8a8a", "#c2c2c2")
_TALLEST: Final = 5.2
"""Height of the map at most [in]."""


def where_plate(result: CourseSheetResult) -> style.Plate:
    """Return the map of the course where there is GPS, else the course as a strip."""
    # Half of the track has to be there: a map with more gaps than road misleads.
    mapped = _has_map(result)
    note = "Track from GPS." if mapped else "No GPS track: the course from left to right."
    line = "Black line: banked. Bar: start." if mapped else "Black line: banked."
    return style.Plate(
        key="where",
        title="Where does it run out of travel?",
        alt=_alt(result),
        draw=partial(_draw_map if mapped else _draw_strip, result.line, result.places[:MOST_SHOWN]),
        note=f"{note} Numbers: the places of the list; the larger, the deeper; filled: hard. {line}",
    )


def _alt(result: CourseSheetResult) -> str:
    words = [f"{rank}: {place_words(s.place)}" for rank, s in enumerate(result.places[:MOST_SHOWN], start=1)]
    return "; ".join(words) or "No place where a damper met its stop."


def _has_map(result: CourseSheetResult) -> bool:
    line = result.line
    return line.east is not None and bool(np.isfinite(line.east).mean() > 0.5)


def _draw_map(line: CourseLine, places: tuple[PlaceSheet, ...]) -> Figure:
    assert line.east is not None
    assert line.north is not None
    # As wide as the page and as high as the course asks for, within reason: one that is a straight line has
    # no height.
    good = np.isfinite(line.east) & np.isfinite(line.north)
    wide, tall = (float(np.ptp(way[good])) for way in (line.east, line.north))
    height = float(np.clip(4.2 * tall / max(wide, 1.0), 1.8, _TALLEST)) + 0.5
    figure = style.new_figure(height)
    axes = style.axes_in(figure, 0.2, 0.3, 0.2, 0.2)
    # A metre is a metre both ways, or bends would look tighter than they are.
    axes.set_aspect("equal", adjustable="datalim")
    axes.plot(
        line.east[good], line.north[good], color=style.PALE, linewidth=5.0, solid_capstyle="butt", zorder=1
    )
    # Sections in two greys over a pale track: what lies between them is still road.
    for number, span in enumerate(line.sections):
        inside = good & (line.place >= span.start) & (line.place <= span.end)
        if np.count_nonzero(inside) < 2:
            continue
        colour = _SECTION_GREYS[number % 2]
        east, north = line.east[inside], line.north[inside]
        axes.plot(east, north, color=colour, linewidth=5.0, solid_capstyle="butt", zorder=2)
        middle = len(east) // 2
        _named(
            axes,
            float(east[middle]),
            float(north[middle]),
            _beside(east, north, middle),
            label(span.name, 18),
        )
    # Where the road is banked, as measured: a thin line on the wide one.
    for stretch, (low, high) in zip(line.stretches, line.stretch_places, strict=True):
        inside = good & (line.place >= low) & (line.place <= high)
        if stretch.kind == "banked" and np.count_nonzero(inside) > 1:
            axes.plot(line.east[inside], line.north[inside], color=style.INK, linewidth=1.0, zorder=3)
    # A bar across the start tells the direction of driving; numbers of places come last, over everything.
    start = int(np.flatnonzero(good)[0])
    axes.plot(
        line.east[start], line.north[start], "|", color=style.INK, markersize=12, markeredgewidth=2, zorder=4
    )
    _marks_on_map(axes, line, places, good)
    _scale_bar(axes, wide)
    axes.axis("off")
    return figure


def _beside(east: style.Array, north: style.Array, middle: int) -> tuple[float, float]:
    """Return the direction to the side of the course, away from its middle line."""
    # Names stand beside the road and not on it: at right angles to the way it runs there.
    along, across = np.gradient(east)[middle], np.gradient(north)[middle]
    length = float(np.hypot(along, across)) or 1.0
    return -across / length, along / length


def _named(axes: Axes, x: float, y: float, side: tuple[float, float], text: str) -> None:
    ha = "left" if side[0] > 0.3 else "right" if side[0] < -0.3 else "center"
    va = "bottom" if side[1] > 0.3 else "top" if side[1] < -0.3 else "center"
    offset = (9.0 * side[0], 9.0 * side[1])
    style.note_at(axes, text, (x, y), offset, ha=ha, va=va, fontsize=6.5, color=style.GREY)


def _marks_on_map(
    axes: Axes, line: CourseLine, places: tuple[PlaceSheet, ...], good: np.typing.NDArray[np.bool_]
) -> None:
    assert line.east is not None
    assert line.north is not None
    taken: list[tuple[float, float]] = []
    for rank, sheet in enumerate(places, start=1):
        middle = (sheet.place.start + sheet.place.end) / 2.0
        x, y = (float(np.interp(middle, line.place[good], way[good])) for way in (line.east, line.north))
        _mark(axes, sheet, x, y)
        # Two corners often meet their stops at one place; the second number moves up a line.
        crowd = sum(abs(x - a) < 25.0 and abs(y - b) < 25.0 for a, b in taken)
        taken.append((x, y))
        _rank(axes, rank, sheet, x, y, crowd)


def _mark(axes: Axes, sheet: PlaceSheet, x: float, y: float) -> None:
    place = sheet.place
    colour = style.CORNER_LOOK[place.corner][0]
    depth = place.worst.event.stop_compression * MM_PER_M
    axes.plot(
        x,
        y,
        marker="v" if place.kind == "bump stop" else "^",
        markersize=min(5.0 + 0.4 * depth, 12.0),
        color=colour,
        markerfacecolor=colour if place.hard else "white",
        markeredgewidth=1.2,
        zorder=6,
    )


def _rank(axes: Axes, rank: int, sheet: PlaceSheet, x: float, y: float, crowd: int) -> None:
    look = {"fontsize": 8.5, "fontweight": "bold", "color": style.INK, "zorder": 7}
    style.note_at(axes, f"{rank} {sheet.place.corner}", (x, y), (8, -9 + 11 * crowd), **look)


def _scale_bar(axes: Axes, wide: float) -> None:
    # About an eighth of the course, in a round figure.
    length = next(
        step for step in (10, 20, 50, 100, 200, 500, 1000, 5000) if step >= wide / 8.0 or step == 5000
    )
    low, bottom = axes.get_xlim()[0], axes.get_ylim()[0]
    axes.plot([low, low + length], [bottom, bottom], color=style.GREY, linewidth=1.5)
    style.note_at(axes, f"{length} m", (low, bottom), (0, 4), fontsize=7, color=style.GREY)


def _draw_strip(line: CourseLine, places: tuple[PlaceSheet, ...]) -> Figure:
    figure = style.new_figure(2.6)
    axes = style.axes_in(figure, 0.5, 0.45, 0.2, 0.75)
    axes.set_xlim(0.0, line.length)
    style.corner_rows(axes)
    for number, span in enumerate(line.sections):
        shade = "#f4f4f4" if number % 2 else "#e9e9e9"
        end = min(span.end, line.length)
        axes.axvspan(span.start, end, facecolor=shade, edgecolor="none", zorder=0)
        if (end - span.start) / line.length > 0.03:
            _section_label(axes, label(span.name, 18), span.start, 38, fontsize=7.0)
    for stretch, (low, high) in zip(line.stretches, line.stretch_places, strict=True):
        if stretch.kind == "banked":
            axes.plot([low, high], [3.5, 3.5], color=style.INK, linewidth=2.0)
    for rank, sheet in enumerate(places, start=1):
        middle = (sheet.place.start + sheet.place.end) / 2.0
        row = CORNERS.index(sheet.place.corner)
        _mark(axes, sheet, middle, row)
        _rank(axes, rank, sheet, middle, row, 0)
    axes.set_xlabel(AXIS_LABELS[line.unit])
    return figure


def trace_plate(sheet: PlaceSheet, rank: int) -> style.Plate:
    """Return the damper's travel around the deepest hit of every run at one place."""
    return style.Plate(
        key=f"place-{rank}",
        title=f"Travel at place {rank}",
        alt=f"Damper travel of {len(sheet.traces)} runs around the deepest moment; dashed: bump stop.",
        draw=partial(_draw_traces, sheet),
    )


def _draw_traces(sheet: PlaceSheet) -> Figure:
    figure = style.new_figure(1.15)
    figure.set_size_inches(style.PLATE_WIDTH * 0.62, 1.15)
    axes = style.axes_in(figure, 0.42, 0.36, 0.08, 0.06)
    colour = style.CORNER_LOOK[sheet.place.corner][0]
    # At full droop the travel counts in extension, and no bump stop belongs into the figure.
    sign = -1.0 if sheet.place.kind == "full droop" else 1.0
    for trace in sheet.traces:
        # As many points as the small figure has dots across.
        step = max(1, len(trace.time) // 120)
        axes.plot(trace.time[::step], trace.travel[::step] * MM_PER_M, color=colour, linewidth=0.8, alpha=0.8)
    if sheet.gap is not None and sign > 0.0:
        axes.axhline(sheet.gap * MM_PER_M, color=style.INK, linestyle=(0, (4, 2)), linewidth=0.7)
    axes.set_xlim(-0.4, 0.4)
    axes.locator_params(axis="y", nbins=3)
    axes.set_xticks([-0.4, 0.0, 0.4])
    axes.set_xlabel("s", labelpad=-4)
    axes.set_ylabel("mm")
    return figure


def speed_plate(result: CourseSheetResult) -> style.Plate | None:
    """Return how the time of each damper is shared among its speeds."""
    whole = [use for use in result.use if use.section == WHOLE]
    if not whole:
        return None
    return style.Plate(
        key="speeds",
        title="How fast do the dampers move?",
        alt="Share of the time per damper speed, four dampers, whole course.",
        draw=partial(_draw_speeds, tuple(whole)),
        note="Steps of 25 mm/s; what is faster than 0.6 m/s counts to the last step. Values per section "
        "stand in results.json.",
    )


def _draw_speeds(whole: tuple[DamperUse, ...]) -> Figure:
    figure = style.new_figure(2.4)
    axes = style.axes_in(figure, 0.6, 0.45, 0.1, 0.3)
    middles = (SPEED_EDGES[1:] + SPEED_EDGES[:-1]) / 2.0
    for use in whole:
        colour, dashes = style.CORNER_LOOK[use.corner]
        axes.plot(middles, 100.0 * use.speed, color=colour, linestyle=dashes, linewidth=1.1, label=use.corner)
    axes.set_xlabel("damper speed, m/s (right: compression)")
    axes.set_ylabel("time, %")
    axes.set_ylim(bottom=0.0)
    style.legend_above(axes)
    return figure


def travel_left_plate(result: CourseSheetResult) -> style.Plate | None:
    """Return the travel left before the stop in every section."""
    sections = [span.name for span in result.line.sections]
    known = {(u.section, u.corner): u.margin for u in result.use if u.margin is not None}
    if not known or not sections:
        return None
    # A section driven twice has one row.
    shown = list(dict.fromkeys(sections))[:30]
    return style.Plate(
        key="left",
        title="How much travel is left in each section?",
        alt="Travel left before the stop per section and corner; the values stand in results.json.",
        draw=partial(_draw_travel_left, shown, known),
        note="Passed 99.9 % of the time, all runs together; left of the line: in the stop.",
    )


def _draw_travel_left(shown: list[str], known: dict[tuple[str, Corner], float]) -> Figure:
    figure = style.new_figure(0.75 + 0.19 * len(shown))
    axes = style.axes_in(figure, 1.45, 0.42, 0.1, 0.3)
    for corner in CORNERS:
        colour = style.CORNER_LOOK[corner][0]
        rows = [k for k, section in enumerate(shown) if (section, corner) in known]
        margins = [MM_PER_M * known[shown[k], corner] for k in rows]
        marker = {"FL": "o", "FR": "s", "RL": "D", "RR": "^"}[corner]
        axes.plot(margins, rows, marker, color=colour, markersize=4, label=corner, alpha=0.9)
    axes.axvline(0.0, color=style.INK, linewidth=0.8)
    axes.set_yticks(range(len(shown)), [label(section, 22) for section in shown], fontsize=7)
    axes.set_ylim(len(shown) - 0.5, -0.5)
    axes.set_xlabel("travel left before the bump stop, mm")
    axes.tick_params(axis="y", length=0)
    style.legend_above(axes)
    return figure
