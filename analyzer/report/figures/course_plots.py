"""Figure of the course: where along it the dampers met their stops."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from analyzer.core.units import CORNERS, DEG_PER_RAD, MM_PER_M, Corner
from analyzer.processing.course import SPEED_EDGES, WHOLE, CourseLine, DamperUse
from analyzer.processing.results import BottomingEvent, RunEstimates
from analyzer.report.course_sentences import place_words
from analyzer.report.figures import style
from analyzer.report.figures.style import Point, Sheet, text_width
from analyzer.report.sentences import driver_answer, travel_logged
from analyzer.report.words import label, millimetres
from analyzer.session.course_sheet import CourseSheetResult, PlaceSheet
from analyzer.session.review import Review
from analyzer.sheets.session import Section

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


_STEEPEST: Final = 40.0
"""Range of the bank axis [deg]: no road is steeper, so a trace beyond it is an estimate gone astray."""

_STRIP_WIDTH: Final = 3.65
"""Width of the strip [in]."""

_LETTER: Final = 0.081
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
class _Mark:
    """A place where a damper met an end: words beside it, middle [m or s], depth [mm], whether hard."""

    words: str
    corner: Corner
    place: float
    depth: float
    hard: bool
    droop: bool = False


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
    marks = _marks_of_hits(passes)
    if not marks and not travel_logged(review):
        return None  # where nobody could look, an empty course would read as none
    return style.Plate(
        key="course",
        title="Where on the course did it bottom?",
        alt=" ".join((driver_answer(review), *(_mark_words(mark, unit) for mark in marks))),
        draw=partial(_draw_course, passes, marks, _spans(review, unit == "m"), unit),
        note="One mark per corner and place, with how many hits of all runs it stands for: the larger, the "
        "further into the bump stop; filled: with a hard one. Below: bank of the road where it can be told. "
        "Hatched: banked by the course sheet.",
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


def _ends(passes: tuple[_Pass, ...]) -> float:
    """Return the end of the longest run: shorter ones were stopped early."""
    ends = [float(one.place[-1]) for one in passes]
    return max([end for end in ends if np.isfinite(end)], default=1.0)


def _marks_of_hits(passes: tuple[_Pass, ...]) -> tuple[_Mark, ...]:
    """Return a mark for hits of one corner at one place, however many runs and laps met it, deepest first."""
    near = _ONE_PLACE * max(_ends(passes), 1.0)
    marks = _grouped(passes, near)
    # Hits all along the course are fewer, wider places: more marks than this hide each other.
    while len(marks) > _MOST_MARKS:
        near *= 1.3
        marks = _grouped(passes, near)
    return tuple(sorted(marks, key=lambda mark: -mark.depth))


def _grouped(passes: tuple[_Pass, ...], near: float) -> list[_Mark]:
    marks = []
    for corner in CORNERS:
        events = [event for one in passes for event in one.events if event[1] == corner]
        groups: list[list[tuple[float, Corner, float, bool]]] = []
        for event in sorted(events, key=lambda event: event[0]):
            if groups and event[0] - groups[-1][-1][0] <= near:
                groups[-1].append(event)
            else:
                groups.append([event])
        for group in groups:
            places, _, depths, hard = zip(*group, strict=True)
            middle = sum(places) / len(places)
            marks.append(_Mark(f"{len(group)}×", corner, middle, max(depths), any(hard)))
    return marks


def _mark_words(mark: _Mark, unit: str) -> str:
    hard = ", hard" if mark.hard else ""
    return f"{mark.corner} {mark.words} at {mark.place:.0f} {unit}, at most {mark.depth:.1f} mm deep{hard}."


def _draw_course(
    passes: tuple[_Pass, ...], marks: tuple[_Mark, ...], spans: tuple[_Span, ...], unit: str
) -> Figure:
    # Two axes over one course: corners as rows above, the road's bank below, which explains most of the hits.
    turned = _turned(spans, _ends(passes))
    above = 1.4 if turned else 0.35
    figure = style.new_figure(3.0 + above)
    rows = style.axes_in(figure, 0.6, 1.3, 0.45, above)
    bank = style.axes_in(figure, 0.6, 0.5, 0.45, 1.85 + above)
    _draw_bank(bank, passes)
    style.corner_rows(rows)
    rows.tick_params(labelbottom=False)
    for row in range(4):
        rows.axhline(row, color=style.PALE, linewidth=0.5, zorder=0)
    bank.set_ylabel("bank, °")
    bank.set_xlabel(AXIS_LABELS[unit])
    bank.sharex(rows)
    rows.set_xlim(0.0, _ends(passes))
    _draw_sections(rows, bank, spans, turned)
    _marks_in_rows(figure, rows, marks, _ends(passes))
    return figure


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


def _turned(spans: tuple[_Span, ...], end: float) -> bool:
    """Return whether a name is too long for its section: then all are turned, a mix reads like two kinds."""
    widths = [(min(span.stop, end) - span.begin) / end * _STRIP_WIDTH for span in spans if span.begin < end]
    return any(len(span.name) * _LETTER > width for span, width in zip(spans, widths, strict=False))


def _draw_sections(rows: Axes, bank: Axes, spans: tuple[_Span, ...], turned: bool) -> None:
    end = rows.get_xlim()[1]
    for span in [span for span in spans if span.begin < end][:40]:
        stop = min(span.stop, end)
        if span.banked:
            for axes in (rows, bank):
                shade = axes.axvspan(span.begin, stop, facecolor="#f1f1f1", edgecolor="#c4c4c4", zorder=0)
                shade.set(hatch="///", linewidth=0)
        rows.axvline(span.begin, color=style.PALE, linewidth=0.6, zorder=0)
        if (stop - span.begin) / end > _NARROW_SECTION:
            _section_label(rows, span.name, span.begin, 60 if turned else 0, color=style.INK)


def _section_label(axes: Axes, text: str, place: float, turned: float, **look: Any) -> None:
    above = {"xycoords": ("data", "axes fraction"), "rotation": turned, "rotation_mode": "anchor"}
    style.note_at(axes, text, (place, 1.0), (3, 3), **above, **look)


# Figures of the course sheet: map or strip, a small trace per place, damper speeds.


MOST_SHOWN: Final = 8
"""Places with a number on the map and a trace of their own."""
_SECTION_GREYS: Final = ("#a3a3a3", "#cfcfcf")
_TALLEST: Final = 374.0
_LOWEST: Final = 140.0
"""Height of the map [pt]."""
_LINE: Final = 12.5
"""Height kept for a line of that type [pt]."""
_BESIDE: Final = (62.0, 30.0)
"""Room left for names to the sides of the course, and above and below it [pt]."""
_SCALE_ROW: Final = 18.0
"""Height of the row in which the scale stands [pt]."""
_ROAD: Final = 7.0
_LARGEST_MARK: Final = 12.0
_ONE_PLACE: Final = 0.03
"""Hits of a corner closer than this part of the course are one place on the report's figure."""
_MOST_MARKS: Final = 16
"""Marks that stand apart on it wherever they are: tried with hits at random."""
_ARROWS: Final = 46.0
"""Way from one arrow of the direction of travel to the next [pt]."""
_RINGS: Final = (15.0, 20.0, 27.0, 35.0, 45.0, 57.0, 70.0, 85.0, 105.0, 130.0, 160.0, 200.0, 250.0)
_NAME_RINGS: Final = (7.0, 10.0, 14.0, 20.0, 28.0, 38.0)
_NARROW_SECTION: Final = 0.055
"""Part of the course below which a section has no name on the strip: turned names would touch."""
_TIED: Final = 15.0
"""A name further from its section than this has a line to it [pt]."""


def where_plate(result: CourseSheetResult) -> style.Plate:
    """Return the map of the course where there is GPS, else the course as a strip."""
    # Half of the track has to be there: a map with more gaps than road misleads.
    mapped = _has_map(result)
    note = "Track from GPS." if mapped else "No GPS track: the course from left to right."
    line = (
        "Road with edges: banked. Arrows: direction of travel." if mapped else "Line below the marks: banked."
    )
    return style.Plate(
        key="where",
        title="Where does it run out of travel?",
        alt=_alt(result),
        draw=partial(_draw_map if mapped else _draw_strip, result.line, result.places[:MOST_SHOWN]),
        note=f"{note} Numbers: the places of the list; the larger, the deeper; filled: with a hard hit; "
        f"hollow: soft ones alone. {line}",
    )


def _alt(result: CourseSheetResult) -> str:
    words = [f"{rank}: {place_words(s.place)}" for rank, s in enumerate(result.places[:MOST_SHOWN], start=1)]
    return "; ".join(words) or "No place where a damper met its stop."


def _has_map(result: CourseSheetResult) -> bool:
    line = result.line
    return line.east is not None and bool(np.isfinite(line.east).mean() > 0.5)


def _draw_map(line: CourseLine, places: tuple[PlaceSheet, ...]) -> Figure:
    # Everything is laid out in points of the drawing, since words have a size and the course has none.
    way, good, scale, height = _way(line)
    width = 72.0 * style.PLATE_WIDTH
    figure = style.new_figure(height / 72.0)
    axes = style.axes_in(figure, 0.0, 0.0, 0.0, 0.0)
    axes.set_xlim(0.0, width)
    axes.set_ylim(0.0, height)
    axes.axis("off")
    # Where the road is banked, as measured: black edges, a wider line under that of the road.
    road: dict[str, Any] = {"linewidth": _ROAD, "solid_capstyle": "butt"}
    for stretch, (low, high) in zip(line.stretches, line.stretch_places, strict=True):
        inside = good & (line.place >= low) & (line.place <= high)
        if stretch.kind == "banked" and np.count_nonzero(inside) > 1:
            axes.plot(*way[inside].T, color=style.INK, zorder=1, **{**road, "linewidth": _ROAD + 3.0})
    axes.plot(*way[good].T, color=style.PALE, zorder=2, **road)
    # Sections in two greys over a pale track: what lies between them is still road.
    middles: list[tuple[str, float, float]] = []
    for number, span in enumerate(line.sections):
        inside = good & (line.place >= span.start) & (line.place <= span.end)
        if np.count_nonzero(inside) < 2:
            continue
        axes.plot(*way[inside].T, color=_SECTION_GREYS[number % 2], zorder=3, **road)
        middles.append((label(span.name, 18), *way[inside][np.count_nonzero(inside) // 2]))
    dense = _dense(way[good])
    bar = _draw_direction(axes, dense)
    _scale_bar(axes, scale, width)
    # Marks first, the hardest place before all, then the start, then names where there is still room.
    # Laps lie on each other: one point of the road every few points of the drawing, however often passed.
    sheet = Sheet(width, height, np.unique(np.round(dense / 4.0), axis=0) * 4.0, bar)
    sheet.keep_free(0.0, 0.0, width, _SCALE_ROW - 2.0)
    _draw_marks(axes, sheet, _marks_of_places(places), lambda middle, _corner: _at(line, way, good, middle))
    named: list[tuple[str, Point]] = []
    for name, x, y in [("start", *way[good][0]), *middles]:
        at = (float(x), float(y))
        # A section has one name, however often it is driven.
        if not any(name == other and math.dist(at, place) < _ARROWS for other, place in named):
            _draw_name(axes, sheet, name, at)
            named.append((name, at))
    return figure


def _way(line: CourseLine) -> tuple[style.Array, npt.NDArray[np.bool_], float, float]:
    """Return the course [pt], which samples are known, points per metre, and the height [pt]."""
    assert line.east is not None
    assert line.north is not None
    good = np.isfinite(line.east) & np.isfinite(line.north)
    metres = np.column_stack((line.east, line.north))
    low, high = metres[good].min(axis=0), metres[good].max(axis=0)
    wide, tall = np.maximum(high - low, 1.0)
    # A metre is a metre both ways, or bends would look tighter than they are.
    room = 72.0 * style.PLATE_WIDTH - 2.0 * _BESIDE[0]
    scale = float(min(room / wide, (_TALLEST - _SCALE_ROW - 2.0 * _BESIDE[1]) / tall))
    height = float(max(tall * scale + 2.0 * _BESIDE[1] + _SCALE_ROW, _LOWEST))
    middle = np.array([72.0 * style.PLATE_WIDTH / 2.0, (height + _SCALE_ROW) / 2.0])
    return middle + scale * (metres - (low + high) / 2.0), good, scale, height


def _at(line: CourseLine, way: style.Array, good: npt.NDArray[np.bool_], place: float) -> Point:
    x, y = (float(np.interp(place, line.place[good], values)) for values in way[good].T)
    return x, y


def _dense(way: style.Array) -> style.Array:
    """Return a way with a point every two points of the drawing."""
    steps = np.hypot(*np.diff(way, axis=0).T)
    along = np.concatenate(([0.0], np.cumsum(steps)))
    even = np.arange(0.0, along[-1], 2.0) if along[-1] > 0.0 else np.zeros(1)
    return np.column_stack([np.interp(even, along, values) for values in way.T])


def _draw_direction(axes: Axes, way: style.Array) -> list[Point]:
    """Draw the start as a bar across the road and arrows the way it is driven; return the ends of the bar."""
    bar: list[Point] = []
    drawn: list[tuple[style.Array, style.Array]] = []
    for number in range(0, len(way) - 4, int(_ARROWS / 2.0)):
        ahead = way[number + 4] - way[number]
        length = float(np.hypot(*ahead))
        if length == 0.0:
            continue
        ahead /= length
        side = np.array([-ahead[1], ahead[0]])
        if number == 0:
            ends = np.array([way[0] + 7.0 * side, way[0] - 7.0 * side])
            axes.plot(*ends.T, color=style.INK, linewidth=2.0, zorder=5)
            bar = [(float(x), float(y)) for x, y in ends]
        # An arrowhead without a shaft: the road is the shaft. The first stands clear of the bar.
        tip = way[number + 2] + (6.0 if number == 0 else 2.0) * ahead
        # A later lap has its arrows already, unless it runs another way there.
        if any(math.dist(tip, old) < 0.7 * _ARROWS and ahead @ way_there > 0.7 for old, way_there in drawn):
            continue
        drawn.append((tip, ahead))
        head = np.array([tip - 4.0 * ahead + 2.6 * side, tip, tip - 4.0 * ahead - 2.6 * side])
        axes.plot(*head.T, color=style.INK, linewidth=1.2, zorder=4)
    return bar


def _marks_of_places(places: tuple[PlaceSheet, ...]) -> tuple[_Mark, ...]:
    return tuple(
        _Mark(
            f"{rank} {place.corner}",
            place.corner,
            (place.start + place.end) / 2.0,
            place.worst.event.stop_compression * MM_PER_M,
            place.hard > 0,
            place.kind == "full droop",
        )
        for rank, place in enumerate((sheet.place for sheet in places), start=1)
    )


def _draw_marks(
    axes: Axes,
    sheet: Sheet,
    marks: tuple[_Mark, ...],
    at: Callable[[float, Corner], Point],
    back: Callable[[Point], Point] = lambda point: point,
) -> None:
    """Draw every mark with its words beside the course, and a line to where it is.

    `at` gives a place of the course on the drawing [pt], `back` such points in the units of the axes.
    """
    if not marks:
        return
    # Two corners often meet their stops at one place: marks on the road would lie on each other.
    spots = [at(mark.place, mark.corner) for mark in marks]
    sheet.points = [*sheet.points, *spots]
    width = _LARGEST_MARK + 3.0 + max(text_width(mark.words, style.TYPE) for mark in marks)
    rooms = sheet.put_marks(spots, (width, _LINE), _RINGS, _LARGEST_MARK)
    for mark, spot, room in zip(marks, spots, rooms, strict=True):
        size = min(6.0 + 0.4 * max(mark.depth, 0.0), _LARGEST_MARK)
        line = np.array([back(spot), back(room.foot)])
        axes.plot(*line.T, color=style.INK, linewidth=0.7, zorder=5)
        axes.plot(*back(spot), "o", color=style.INK, markersize=3.4, zorder=6)
        _draw_mark(axes, mark, *back(room.foot), size)
        # The words stand on the side of the mark that is free.
        right = room.foot[0] < room.middle[0]
        beside = size / 2.0 + 3.0
        look = {"fontweight": "bold", "color": style.INK, "zorder": 8, "va": "center"}
        look["ha"] = "left" if right else "right"
        style.note_at(axes, mark.words, back(room.foot), (beside if right else -beside, 0.0), **look)


def _draw_mark(axes: Axes, mark: _Mark, x: float, y: float, size: float) -> None:
    colour = style.CORNER_LOOK[mark.corner][0]
    axes.plot(
        x,
        y,
        marker="^" if mark.droop else "v",
        markersize=size,
        color=colour,
        markerfacecolor=colour if mark.hard else "white",
        markeredgewidth=1.4,
        zorder=7,
    )


def _marks_in_rows(figure: Figure, axes: Axes, marks: tuple[_Mark, ...], length: float) -> None:
    """Draw marks in a list of the corners; laid out in points, as on the map."""
    box = axes.get_position()
    width, height = (72.0 * inch for inch in figure.get_size_inches() * (box.width, box.height))
    (bottom, top) = axes.get_ylim()

    def on_paper(place: float, corner: Corner) -> Point:
        return place / length * width, (CORNERS.index(corner) - bottom) / (top - bottom) * height

    def back(point: Point) -> Point:
        return point[0] / width * length, bottom + point[1] / height * (top - bottom)

    _draw_marks(axes, Sheet(width, height, np.zeros((0, 2))), marks, on_paper, back)


def _draw_name(axes: Axes, sheet: Sheet, name: str, at: Point) -> None:
    room = sheet.put(at, (text_width(name, style.TYPE), _LINE), _NAME_RINGS)
    if room is None:
        return
    if math.dist(at, room.foot) > _TIED:
        axes.plot(*np.array([at, room.foot]).T, color=style.GREY, linewidth=0.5, zorder=2)
    style.note_at(axes, name, room.middle, (0.0, 0.0), ha="center", va="center", color=style.GREY)


def _scale_bar(axes: Axes, scale: float, width: float) -> None:
    # About an eighth of the drawing, in a round figure.
    wide = width / scale
    length = next(
        step for step in (10, 20, 50, 100, 200, 500, 1000, 5000) if step >= wide / 8.0 or step == 5000
    )
    axes.plot([2.0, 2.0 + length * scale], [6.0, 6.0], color=style.GREY, linewidth=1.5)
    look = {"va": "center", "color": style.GREY}
    style.note_at(axes, f"{length} m", (2.0 + length * scale, 6.0), (5.0, 0.0), **look)


def _draw_strip(line: CourseLine, places: tuple[PlaceSheet, ...]) -> Figure:
    figure = style.new_figure(4.0)
    axes = style.axes_in(figure, 0.5, 0.5, 0.55, 1.3)
    axes.set_xlim(0.0, line.length)
    style.corner_rows(axes)
    for number, span in enumerate(line.sections):
        shade = "#f4f4f4" if number % 2 else "#e9e9e9"
        end = min(span.end, line.length)
        axes.axvspan(span.start, end, facecolor=shade, edgecolor="none", zorder=0)
        if (end - span.start) / line.length > _NARROW_SECTION:
            _section_label(axes, label(span.name, 18), span.start, 60)
    for stretch, (low, high) in zip(line.stretches, line.stretch_places, strict=True):
        if stretch.kind == "banked":
            axes.plot([low, high], [3.5, 3.5], color=style.INK, linewidth=2.0)
    _marks_in_rows(figure, axes, _marks_of_places(places), line.length)
    axes.set_xlabel(AXIS_LABELS[line.unit])
    return figure


def trace_plate(sheet: PlaceSheet, rank: int) -> style.Plate:
    """Return the damper's travel around the deepest hit of every run at one place."""
    return style.Plate(
        key=f"place-{rank}",
        title=f"Travel at place {rank}",
        alt=_trace_words(sheet),
        draw=partial(_draw_traces, sheet),
    )


def _trace_words(sheet: PlaceSheet) -> str:
    deepest = [
        f"{label(trace.run, 16)} {millimetres(float(np.nanmax(np.abs(trace.travel))))}"
        for trace in sheet.traces
    ]
    stop = "" if sheet.gap is None else f"; bump stop at {millimetres(sheet.gap)}"
    return f"Damper travel around the deepest moment, greatest: {', '.join(deepest[:12])}{stop}."


def _draw_traces(sheet: PlaceSheet) -> Figure:
    # Half as wide as other figures, since it is shown half as wide.
    figure = style.new_figure(1.05)
    figure.set_size_inches(style.PLATE_WIDTH / 2.0, 1.05)
    axes = style.axes_in(figure, 0.5, 0.33, 0.26, 0.06)
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
    axes.set_xticks([-0.4, 0.0, 0.4], ["−0.4 s", "0", "0.4 s"])
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
        alt="; ".join(_speed_words(use) for use in whole) + ".",
        draw=partial(_draw_speeds, tuple(whole)),
        note="Steps of 25 mm/s; what is faster than 0.6 m/s counts to the last step. Values per section "
        "stand in the JSON file beside this page.",
    )


def _speed_words(use: DamperUse) -> str:
    return f"{use.corner}: root mean square {use.speeds[0]:.2f} m/s in, {use.speeds[1]:.2f} m/s out"


def _draw_speeds(whole: tuple[DamperUse, ...]) -> Figure:
    figure = style.new_figure(2.6)
    axes = style.axes_in(figure, 0.6, 0.55, 0.15, 0.35)
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
        alt=_travel_left_words(shown, known),
        draw=partial(_draw_travel_left, shown, known),
        note="Passed 99.9 % of the time, all runs together; left of the line: in the stop.",
    )


def _travel_left_words(shown: list[str], known: dict[tuple[str, Corner], float]) -> str:
    rows = []
    for section in shown:
        left = [f"{c} {millimetres(known[section, c])}" for c in CORNERS if (section, c) in known]
        rows.append(f"{label(section, 18)}: {', '.join(left)}")
    return "; ".join(rows) + "."


def _draw_travel_left(shown: list[str], known: dict[tuple[str, Corner], float]) -> Figure:
    figure = style.new_figure(0.9 + 0.22 * len(shown))
    axes = style.axes_in(figure, 1.55, 0.55, 0.15, 0.35)
    for corner in CORNERS:
        colour = style.CORNER_LOOK[corner][0]
        rows = [k for k, section in enumerate(shown) if (section, corner) in known]
        margins = [MM_PER_M * known[shown[k], corner] for k in rows]
        marker = {"FL": "o", "FR": "s", "RL": "D", "RR": "^"}[corner]
        axes.plot(margins, rows, marker, color=colour, markersize=4, label=corner, alpha=0.9)
    axes.axvline(0.0, color=style.INK, linewidth=0.8)
    axes.set_yticks(range(len(shown)), [label(section, 18) for section in shown])
    axes.set_ylim(len(shown) - 0.5, -0.5)
    axes.set_xlabel("travel left before the bump stop, mm")
    axes.tick_params(axis="y", length=0)
    style.legend_above(axes, handlelength=1.0)
    return figure
