"""The builder's sheet: each bar on A4 paper, to scale, with what to cut, drill, bend, weigh and test."""

import math
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from typing import Any, Final

import numpy as np
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font

from analyzer.core.errors import AnalyzerError, plain_text
from analyzer.core.estimate import Estimate, format_estimate
from analyzer.core.files import cannot_write, check_ending, refuse_strange, write_together, write_whole
from analyzer.core.units import AXLES, Axle
from analyzer.prediction import build
from analyzer.prediction.settings import bar_ladder
from analyzer.report.figures import style
from analyzer.report.words import LOW_FACTOR, UNKNOWN, label, spacers
from analyzer.sheets.bar import BladedBar, FormedBar, MadeOf, find_material
from analyzer.sheets.car import CarSheet
from analyzer.vehicle.bar.pieces import formed_model
from analyzer.vehicle.bar.stress import weld_yield

# The paper: everything in millimetres from its upper left corner.


WIDTH: Final = 210.0
HEIGHT: Final = 297.0
"""A4 (ISO 216) [mm]."""

MARGIN: Final = 10.0
CENTRE: Final = (8, 2, 2, 2)
"""Dashes of centre lines (ISO 128)."""
MM_PER_INCH: Final = 25.4

TYPE: Final = 9.8
"""Size of the letters [pt]: capitals and figures are 2.5 mm high (the face's "
"capitals are 0.729 of its size)."""

HEAD: Final = 11.0
LINE: Final = 4.1
"""From line to line [mm]."""

SCALES: Final = (1, 2, 5, 10, 20)
"""Reductions drawn (ISO 5455)."""

SCALE_BAR: Final = 50.0
"""Length to measure on the print [mm]."""

THICK: Final = 1.4
THIN: Final = 0.7
"""Lines of parts, and of measures [pt]: 0.5 and 0.25 mm (ISO 128)."""

NOT_KNOWN: Final = "?"
"""Mark of what the car sheet does not know."""


class Paper:
    """A4 sheets that are filled from the top; what has no room left goes to the next one."""

    def __init__(self, title: str, by: str = "built by", to_scale: bool = True) -> None:
        self.pages: list[Figure] = []
        self._title = title
        self._by = by
        self._to_scale = to_scale
        self.turn()

    def turn(self) -> None:
        """Begin a new sheet."""
        figure = Figure(figsize=(WIDTH / MM_PER_INCH, HEIGHT / MM_PER_INCH), facecolor="white")
        self._axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self._axes.set(xlim=(0.0, WIDTH), ylim=(HEIGHT, 0.0))
        self._axes.set_axis_off()
        self.pages.append(figure)
        self.head_sheet()

    def head_sheet(self) -> None:
        """Write title, name fields and the scale bar on top of a sheet."""
        more = f", sheet {len(self.pages)}" if len(self.pages) > 1 else ""
        self.y = MARGIN + 5.0
        self.text(self._title + more, MARGIN, self.y, size=14.0, bold=True)
        self.y += 6.0
        self.text(self._by, MARGIN, self.y)
        self.line((MARGIN + 2.0 + width_of(self._by), self.y), (MARGIN + 62.0, self.y), THIN)
        self.text("date", MARGIN + 66.0, self.y)
        self.line((MARGIN + 75.0, self.y), (MARGIN + 104.0, self.y), THIN)
        if self._to_scale:
            left = WIDTH - MARGIN - SCALE_BAR
            self.measure(left, left + SCALE_BAR, self.y - 1.5, f"{SCALE_BAR:.0f} mm on the print")
        self.y += 3.0

    def room(self, height: float) -> None:
        """Begin a new sheet unless this much is left [mm]: what follows belongs together."""
        if self.y + height > HEIGHT - MARGIN:
            self.turn()

    def text(
        self, words: str, x: float, y: float, *, size: float = TYPE, bold: bool = False, **look: Any
    ) -> None:
        """Write one line, its foot at y."""
        weight = "bold" if bold else "normal"
        look = {"color": style.INK, "va": "baseline", "parse_math": False, **look}
        self._axes.text(x, y, plain_text(words), fontsize=size, weight=weight, **look)

    def head(self, words: str) -> None:
        """Write the heading of a part."""
        self.y += LINE + 1.0
        self.text(words, MARGIN, self.y, size=HEAD, bold=True)
        self.y += 0.8

    def paragraph(
        self, words: str, left: float = MARGIN, right: float = WIDTH - MARGIN, hang: float = 0.0
    ) -> None:
        """Write lines between two margins, the second and further ones set in."""
        for number, line in enumerate(wrapped(words, right - left, hang)):
            self.y += LINE
            self.text(line, left + (hang if number else 0.0), self.y)

    def line(self, one: tuple[float, float], other: tuple[float, float], width: float, **look: Any) -> None:
        """Draw a straight line."""
        look = {"color": style.INK, "solid_capstyle": "butt", **look}
        self._axes.plot([one[0], other[0]], [one[1], other[1]], linewidth=width, **look)

    def outline(self, corners: Sequence[tuple[float, float]], width: float = THICK, **look: Any) -> None:
        """Draw a closed outline."""
        x, y = zip(*corners, corners[0], strict=True)
        self._axes.plot(x, y, linewidth=width, **{"color": style.INK, "solid_joinstyle": "miter", **look})

    def box(
        self, left: float, top: float, width: float, height: float, line: float = THICK, **look: Any
    ) -> None:
        """Draw a rectangle."""
        right, foot = left + width, top + height
        self.outline([(left, top), (right, top), (right, foot), (left, foot)], line, **look)

    def path(self, points: Sequence[tuple[float, float]], width: float) -> None:
        """Draw an open line of many points."""
        x, y = zip(*points, strict=True)
        self._axes.plot(x, y, color=style.INK, linewidth=width, solid_joinstyle="round")

    def circle(self, x: float, y: float, radius: float) -> None:
        """Draw a hole with its centre cross."""
        turn = [math.tau * k / 72.0 for k in range(72)]
        self.outline([(x + radius * math.cos(a), y + radius * math.sin(a)) for a in turn], THICK)

    def cross(self, x: float, y: float, reach: float) -> None:
        """Draw a centre cross."""
        self.line((x - reach, y), (x + reach, y), THIN)
        self.line((x, y - reach), (x, y + reach), THIN)

    def measure(self, left: float, right: float, y: float, words: str) -> None:
        """Draw a measure between two places, its words above it and within the margins."""
        self.line((left, y), (right, y), THIN)
        for x in (left, right):
            self.line((x, y - 1.5), (x, y + 1.5), THIN)
            self.line((x - 0.9, y + 0.9), (x + 0.9, y - 0.9), THIN)
        half = width_of(words) / 2.0
        middle = min(max((left + right) / 2.0, MARGIN + half), WIDTH - MARGIN - half)
        self.text(words, middle, y - 1.0, ha="center")


def width_of(words: str, size: float = TYPE) -> float:
    """Return the width of a line of text [mm]."""
    return sum(_advance(sign) for sign in plain_text(words)) * size * MM_PER_INCH / 72.0


@lru_cache(maxsize=1024)
def _advance(sign: str) -> float:
    """Return how far a sign of the face moves the next one on, as part of the face's size."""
    # From the font itself: no sheet need be drawn to know where a line ends.
    font = get_font(findfont(FontProperties(family="DejaVu Sans")))
    # Of a sign the face does not have: marks of direction take no room, all else a square.
    if font.get_char_index(ord(sign)) == 0:
        return 0.0 if unicodedata.category(sign) == "Cf" else 1.0
    font.set_size(FONT_SIZE, 72)
    return float(font.load_char(ord(sign)).linearHoriAdvance) / 65536.0 / FONT_SIZE


FONT_SIZE: Final = 100.0

BOLD: Final = 1.16
"""Width of bold letters by that of plain ones of the face, at most."""


def wrapped(words: str, room: float, hang: float = 0.0, size: float = TYPE) -> list[str]:
    """Return a text as lines that have room [mm], the second and further ones set in."""
    lines: list[str] = []
    # A word that is longer than a line is broken: letters as wide as they come, so that each part has room.
    most = max(int(room / width_of("W", size)), 1)
    pieces = (
        word[start : start + step]
        for word in words.split()
        for step in [most if width_of(word, size) > room else len(word)]
        for start in range(0, len(word), step)
    )
    for word in pieces:
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_of(longer, size) <= room - (hang if len(lines) > 1 else 0.0):
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _scale(length: float, room: float, height: float, tall: float) -> int:
    """Return the least reduction at which length and height [mm] have room on the paper [mm]."""
    fitting = (scale for scale in SCALES if length / scale <= room and height / scale <= tall)
    return next(fitting, SCALES[-1])


def _mm(length: float, places: int = 1) -> str:
    return f"{1e3 * length:.{places}f}"


def _shown(estimate: Estimate, factor: float = 1.0) -> str:
    error = estimate.std_error
    value = None if estimate.value is None else factor * estimate.value
    return format_estimate(Estimate(value, "", None if error is None else factor * error))


# What stands on it.


def builder_pages(car: CarSheet, axles: Sequence[Axle] = AXLES) -> dict[Axle, list[Figure]]:
    """Return the sheets of every bar of a car as figures of true A4 size.

    Raises
    ------
    AnalyzerError
        When none of the axles has a bar, or a bent bar cannot be.
    """
    found = {}
    for axle in axles:
        ladder = bar_ladder(car, axle)
        if ladder is not None:
            with style.house_style():
                found[axle] = _pages(car, build.bar_work(car, axle, ladder))
    if not found:
        raise AnalyzerError(
            f"--sheet: the car sheet has no bar at the {' or '.join(axles)}; describe one first"
        )
    return found


def check_sheet(path: Path) -> Path:
    """Return where a builder's sheet shall lie; raise `AnalyzerError` when it may not lie there."""
    path = path.expanduser()
    check_ending(path, ".pdf", ".svg")
    refuse_strange(path)
    return path


def save_builder_sheet(car: CarSheet, path: Path, axles: Sequence[Axle] = AXLES) -> tuple[Path, ...]:
    """Write the builder's sheet of a car's bars; return the files.

    A PDF holds all sheets. An SVG holds one: where there are several, each goes to a file of its own
    beside `path`, named for its axle (``bar_front.svg``, ``bar_rear.svg``) and, behind the first, its
    number. Earlier ones are replaced, all or none; whatever else lies there is left alone.

    Raises
    ------
    AnalyzerError
        When the name ends in neither ``.pdf`` nor ``.svg``, something else lies there, it cannot be written,
        or there is no bar.
    """
    path = check_sheet(path)
    return save_sheets(path, label(car.name, 80), builder_pages(car, axles))


def save_sheets(path: Path, title: str, pages: Mapping[Any, Sequence[Figure]]) -> tuple[Path, ...]:
    """Write sheets by name as `save_builder_sheet` does, where `check_sheet` let them; return the files."""
    try:
        if path.suffix.lower() == ".pdf":
            write_whole(path, pdf_bytes(title, [page for part in pages.values() for page in part]))
            return (path,)
        files = _svg_files(path, pages)
        write_together(files)
    except OSError as error:
        raise cannot_write(path, error) from None
    return tuple(files)


def _svg_files(path: Path, pages: Mapping[Any, Sequence[Figure]]) -> dict[Path, bytes]:
    named = {
        (axle, number): page for axle, part in pages.items() for number, page in enumerate(part, start=1)
    }
    files = {}
    for (axle, number), page in named.items():
        ending = "" if len(named) == 1 else f"_{axle}" + (f"_{number}" if number > 1 else "")
        files[path.with_name(f"{path.stem}{ending}{path.suffix}")] = style.svg_text(page).encode()
    return files


def pdf_bytes(title: str, pages: Sequence[Figure], subject: str = "") -> bytes:
    """Return figures as the pages of one PDF."""
    target = BytesIO()
    # No date and no tool: the same sheet gives the same bytes.
    stamps = {"CreationDate": None, "ModDate": None, "Creator": None, "Producer": None, "Title": title}
    stamps |= {"Subject": subject} if subject else {}
    with style.house_style(), PdfPages(target, metadata=stamps) as book:
        for page in pages:
            book.savefig(page)
    return target.getvalue()


def _pages(car: CarSheet, work: build.BarWork) -> list[Figure]:
    paper = Paper(f"{label(car.name, 32)}, {work.axle} bar")
    bar = work.bar
    if isinstance(bar, BladedBar) and work.tube is not None and work.blade is not None:
        _draw_tube(paper, bar, work.tube)
        _draw_blade(paper, bar, work.blade)
        _draw_settings(paper, bar, work)
    elif isinstance(bar, FormedBar) and work.formed is not None:
        _draw_formed(paper, bar, work.formed, work.bench)
    _draw_bench(paper, work.bench)
    _draw_silent(paper, work.silent)
    _draw_cautions(paper, bar)
    return paper.pages


def _size(part: Any) -> str:
    wall = "solid" if part.wall is None else f"× {_mm(part.wall.value, 2)} mm"
    return f"{_mm(part.outside_diameter.value, 2)} {'mm ' if part.wall is None else ''}{wall}"


def _kilograms(mass: float | None) -> str:
    return f"{NOT_KNOWN} kg" if mass is None else f"{mass:.2f} kg"


_SEATS: Final = {
    "face": "{cut} mm between the blades (ends on their inner faces)",
    "through": "{cut} mm through the blades (ends flush outside)",
}


def _draw_tube(paper: Paper, bar: BladedBar, work: build.TubeWork) -> None:
    tube, length = bar.tube, 1e3 * bar.tube.length.value
    scale = _scale(length, WIDTH - 2.0 * MARGIN - 10.0, 1e3 * bar.blade.depth.value, 12.0)
    paper.head(f"Tube: {label(tube.material, 24)}, {_size(tube)}, drawn 1 : {scale}")
    middle, left = paper.y + 13.0, (WIDTH - length / scale) / 2.0
    right, radius = WIDTH - left, 500.0 * tube.outside_diameter.value / scale
    paper.box(left, middle - radius, right - left, 2.0 * radius)
    if tube.ends is not None:
        step, half = 1e3 * tube.ends.length.value / scale, 500.0 * tube.ends.outside_diameter.value / scale
        for start in (left, right - step):
            paper.box(start, middle - half, step, 2.0 * half)
    # Blades end-on, on their centre planes; mounts as what they hold.
    thick, deep = 1e3 * bar.blade.thickness.value / scale, 1e3 * bar.blade.depth.value / scale
    spacing, below = 1e3 * bar.mounts.spacing.value / scale, max(radius, deep / 2.0)
    for place in (left, right):
        paper.box(place - thick / 2.0, middle - deep / 2.0, thick, deep)
    for place in ((WIDTH - spacing) / 2.0, (WIDTH + spacing) / 2.0):
        paper.box(place - 2.0, middle - radius - 1.2, 4.0, 2.0 * radius + 2.4, THIN)
        paper.line((place, middle - radius - 3.0), (place, middle + below + 7.5), THIN, dashes=CENTRE)
    paper.line((left - 4.0, middle), (right + 4.0, middle), THIN, dashes=CENTRE)
    for place in (left, right):
        paper.line((place, middle - below - 3.0), (place, middle + below + 7.5), THIN, dashes=CENTRE)
    paper.measure(left, right, middle - below - 3.0, f"{length:.1f} between the blades' centre planes")
    first = (WIDTH - spacing) / 2.0
    paper.measure(
        first, first + spacing, middle + below + 6.5, f"{1e3 * bar.mounts.spacing.value:.1f} mounts"
    )
    # Where the measure is too short for its figure, the text below has it.
    bare = width_of(_mm(work.overhang)) > first - left
    paper.measure(left, first, middle + below + 6.5, "" if bare else _mm(work.overhang))
    paper.y = middle + below + 7.5
    lines = [
        f"{_SEATS[seat].format(cut=_mm(cut))}, {_kilograms(work.masses.get(seat))}"
        for seat, cut in work.cuts.items()
    ]
    known = "Cut length: " + (
        "; or ".join(lines) if lines else f"{NOT_KNOWN} mm, {length:.1f} mm from plane to plane"
    )
    paper.paragraph(known + (f" {NOT_KNOWN}" if len(lines) > 1 else ""), hang=4.0)
    if tube.ends is not None:
        paper.paragraph(
            f"End pieces {_size(tube.ends)}, {_mm(tube.ends.length.value)} mm each from the "
            f"blade's centre plane."
        )
    if bare:
        paper.paragraph(
            f"Blade's centre plane to the middle of the mount: {_mm(work.overhang)} mm each side."
        )


def _draw_blade(paper: Paper, bar: BladedBar, work: build.BladeWork) -> None:
    blade = bar.blade
    height = 2e3 * max(work.half_back, work.half_end)
    scale = _scale(1e3 * (work.back + work.end), WIDTH - 2.0 * MARGIN - 40.0, height, 24.0)
    thick = _mm(blade.thickness.value, 2)
    if blade.tip_thickness is not None:
        thick += f" (tip {_mm(blade.tip_thickness.value, 2)})"
    paper.room(75.0)
    paper.head(f"Blade, two of them: {label(blade.material, 24)}, {thick} mm thick, drawn 1 : {scale}")
    axis = MARGIN + 14.0 + 1e3 * work.back / scale
    tip, back = 1e3 * work.half_end / scale, 1e3 * work.half_back / scale
    deep = max(back, tip)
    top = paper.y + 5.5 + deep

    def at(place: float) -> float:
        return axis + 1e3 * place / scale

    right, left = at(work.end), at(-work.back)
    for side in (-1.0, 1.0):
        paper.path([(left, top + side * back), (axis, top + side * back), (right, top + side * tip)], THICK)
    open_end = blade.length is None
    paper.line((right, top - tip), (right, top + tip), THICK, **({"dashes": (3, 2)} if open_end else {}))
    paper.line((left, top - back), (left, top + back), THICK, dashes=(3, 2))
    paper.line((left - 3.0, top), (right + 3.0, top), THIN, dashes=CENTRE)
    paper.circle(axis, top, 1e3 * work.back / scale)
    if work.root > 0.0:
        paper.line((at(work.root), top - back), (at(work.root), top + back), THIN, dashes=(4, 2))
    _draw_holes(paper, work, at, top, scale)
    # Every measure along the blade counts from the tube's axis: no error adds up.
    ticks = [(0.0, "0"), *((hole.lever, _mm(hole.lever)) for hole in work.holes)]
    for place, words in (*ticks, (work.end, _mm(work.end) + (f" {NOT_KNOWN}" if open_end else ""))):
        paper.line((at(place), top - deep - 1.0), (at(place), top + deep + 2.0), THIN, dashes=CENTRE)
        paper.text(words, at(place), top + deep + 3.0, rotation=90, va="top", ha="center")
    paper.line((left - 5.0, top - back), (left - 5.0, top + back), THIN)
    for end in (top - back, top + back):
        paper.line((left - 6.5, end), (left - 1.0, end), THIN)
    depth = _mm(2.0 * work.half_back)
    paper.text(depth, left - 6.5, top + width_of(depth) / 2.0, rotation=90, ha="right", va="bottom")
    if work.half_back != work.half_end:
        paper.text(_mm(2.0 * work.half_end), right + 4.0, top - 1.0)
    # The table of edge distances stands under the blade where the measures leave it room.
    foot, room = top + deep + 17.0, at(work.holes[-1].lever) - axis - 8.0
    beside = room >= _HOLES[-1][1] + width_of(_HOLES[-1][0])
    paper.y = top + deep - 1.0 if beside else foot
    _blade_table(paper, bar, work, axis + 4.0 if beside else MARGIN)
    paper.y = max(paper.y, foot)
    bolt = NOT_KNOWN if work.bolt is None else _mm(work.bolt)
    root = f"{NOT_KNOWN} {_mm(work.root)}" if blade.root is None else _mm(work.root)
    paper.paragraph(
        f"Bolts of {bolt} mm. Bends from {root} mm on. No bend lines: flat blades. "
        f"{_kilograms(work.mass)} each."
    )


def _draw_holes(
    paper: Paper, work: build.BladeWork, at: Callable[[float], float], top: float, scale: float
) -> None:
    radius = 0.0 if work.bolt is None else 500.0 * work.bolt / scale
    above = top - 1e3 * max(work.half_back, work.half_end) / scale - 2.0
    for number, hole in enumerate(work.holes, start=1):
        paper.cross(at(hole.lever), top, max(radius, 1.0) + 1.0)
        if radius:
            paper.circle(at(hole.lever), top, radius)
        paper.text(str(number), at(hole.lever), above, ha="center")


Columns = tuple[tuple[str, float], ...]

_HOLES: Final[Columns] = (("hole", 0.0), ("to side edge", 12.0), ("to end", 40.0), ("to next", 62.0))


def _blade_table(paper: Paper, bar: BladedBar, work: build.BladeWork, left: float) -> None:
    _heads(paper, _HOLES, left)
    for number, hole in enumerate(work.holes, start=1):
        end = _mm(hole.end) + (f" {NOT_KNOWN}" if bar.blade.length is None else "")
        apart = "" if hole.apart is None else _mm(hole.apart)
        _row(paper, _HOLES, (str(number), _mm(hole.edge), end, apart), left)


def _heads(paper: Paper, columns: Columns, left: float = MARGIN) -> None:
    paper.y += LINE + 0.6
    for words, place in columns:
        paper.text(words, left + place, paper.y, color=style.GREY)
    paper.line((left, paper.y + 1.1), (left + columns[-1][1] + width_of(columns[-1][0]), paper.y + 1.1), THIN)
    paper.y += 1.0


def _row(
    paper: Paper, columns: Columns, cells: Sequence[str], left: float = MARGIN, bold: bool = False
) -> None:
    paper.y += LINE
    for (_, place), words in zip(columns, cells, strict=True):
        paper.text(words, left + place, paper.y, bold=bold)


def _draw_settings(paper: Paper, bar: BladedBar, work: build.BarWork) -> None:
    """Write every setting with rate, change and stress, and beside them the spacers with their bolts."""
    columns = (
        ("hole", 0.0),
        ("spacers", 12.0),
        ("rate N/mm", 31.0),
        ("change %", 59.0),
        ("stress factor", 90.0),
    )
    # A table that is longer than a sheet goes on with its heads on the next one.
    rows, first = list(work.settings), True
    while rows:
        beside = len(work.stacks) + 9 if first else 0
        paper.room(LINE * (max(min(len(rows), MOST_ROWS), beside) + 2.5))
        paper.head("Settings" if first else "Settings, continued")
        top = paper.y
        _heads(paper, columns)
        for row in rows[:MOST_ROWS]:
            factor = NOT_KNOWN if row.stress_factor is None else f"{row.stress_factor:.2f}"
            if row.stress_factor is not None and row.stress_factor < LOW_FACTOR:
                factor += " yields!" if row.stress_factor < 1.0 else " low"
            change = "fitted" if row.fitted else _change(row.change)
            cells = (str(row.hole), str(row.spacers), _shown(row.rate, 1e-3), change, factor)
            _row(paper, columns, cells, bold=row.fitted)
        foot, paper.y = paper.y, top
        if first:
            _draw_stacks(paper, bar, work, MARGIN + 124.0)
        paper.y = max(foot, paper.y)
        rows, first = rows[MOST_ROWS:], False


MOST_ROWS: Final = 40
"""Settings on one sheet."""


def _draw_stacks(paper: Paper, bar: BladedBar, work: build.BarWork, left: float) -> None:
    columns = (("spacers", 0.0), ("stack mm", 19.0), ("bolt mm", 42.0))
    _heads(paper, columns, left)
    for item in work.stacks:
        bolt = NOT_KNOWN if item.bolt is None else f"{_mm(item.bolt)} + r"
        _row(paper, columns, (str(item.spacers), _mm(item.stack), bolt), left)
    if bar.spacer is not None:
        paper.paragraph(
            f"Spacers {_mm(bar.spacer.thickness.value, 2)} mm, {bar.spacer.side} of the blade.", left
        )
    paper.paragraph(
        "Bolt: least length under the head with 2 washers, plain nut (locking nuts are higher), 2 turns of "
        "thread; r: width of the rod end, ______ mm.",
        left,
    )
    paper.paragraph(
        "Stress factor: yield over stress, one wheel in full bump, one in full droop; low: under "
        f"{LOW_FACTOR}.",
        left,
    )


def _change(change: Estimate) -> str:
    if change.value is None:
        return UNKNOWN
    shown = _shown(change)
    return shown.replace("-", "−", 1) if change.value < 0.0 else f"+{shown}"


def _draw_bench(paper: Paper, work: build.BenchWork) -> None:
    """Write the test to do, with blank fields for what is read."""
    paper.room(LINE * 5.0 + 6.0 * (build.LOADS + 1))
    row = work.row
    where = "" if row.hole is None else f", both links in hole {row.hole} with {spacers(row.spacers)}"
    # A rate of the links that the sheet states is in the bar's rate, too.
    where += ", links on" if "links" in row.compliance else ""
    paper.head("Bench test")
    # Half the rate: one eye is held, where in the car both move against each other.
    factor = NOT_KNOWN if work.factor is None else f"{work.factor:.1f}"
    paper.paragraph(
        f"Bar in its mounts{where}. Hold the right link eye, hang loads on the left one along "
        f"its link and take "
        "them off again; read how far the loaded eye goes along the load. Expected: "
        f"{_shown(work.rate, 1e-3)} N/mm, half of the rate. Factor on yield at the greatest "
        f"load: {factor}. Keep "
        "hands and feet clear of the loads."
    )
    # No loads rather than loads that may break it over somebody's hands.
    if not work.steps:
        paper.paragraph(
            f"{NOT_KNOWN} Even the smallest loads bend it too far or leave no factor of "
            f"{build.LEAST_FACTOR:g} on yield: "
            "do not load this bar."
        )
        return
    # Loading and unloading apart: what lies between them is friction of mounts and links.
    columns = (
        ("load kg", 0.0),
        ("force N", 22.0),
        ("expected mm", 44.0),
        ("read, loading", 80.0),
        ("read, unloading", 122.0),
    )
    _heads(paper, columns)
    for step in work.steps:
        paper.y += 1.2
        expected = format_estimate(Estimate(1e3 * step.deflection, "", 1e3 * step.error))
        _row(paper, columns, (f"{step.mass:g}", f"{step.force:.1f}", expected, "", ""))
        for place in (80.0, 122.0):
            paper.box(MARGIN + place, paper.y - 3.7, 36.0, 4.7, THIN)
    paper.y += 0.5


_SILENT: Final[dict[build.Silent, str]] = {
    "seat": "how the blades sit on the tube (blade.seat)",
    "socket": "the blades' sockets: cut the tube to them",
    "turned": "what a turned blade takes along the tube: cut the tube to its holder",
    "blade end": "where the blade ends (blade.length): drawn 1.5 bolt diameters beyond "
    "hole 1, without a bolt half "
    "a depth (common practice, no source)",
    "blade back": "its end behind the tube: drawn and weighed to the tube's radius",
    "bolt": "the bolts (bolt.diameter)",
    "nut": "nuts and washers for this bolt",
    "rod end": "width of the rod ends, fit of the holes",
    "root": "where the blade begins to bend (blade.root)",
    "tube weight": "density of the bar's or tube's material",
    "blade weight": "density of the blades' material",
    "links": "length of the links (link.length)",
    "sharp corners": "radius of the bends shown with 0.0 (bend_radius)",
    "eyes": "what the eyes at both ends take: the cut length is from eye to eye",
    "yield": "yield strength: stress is not judged",
}


def _draw_silent(paper: Paper, silent: tuple[build.Silent, ...]) -> None:
    if not silent:
        return
    words = f"{NOT_KNOWN} Not in the car sheet: " + "; ".join(_SILENT[item] for item in silent) + "."
    paper.room(LINE * (len(wrapped(words, WIDTH - 2.0 * MARGIN, 4.0)) + 1.0))
    paper.y += 1.5
    paper.paragraph(words, hang=4.0)


def _draw_cautions(paper: Paper, bar: BladedBar | FormedBar) -> None:
    cautions = []
    if isinstance(bar, BladedBar) and bar.blade.joint == "welded":
        cautions.append(_weld_words(bar))
    cautions.append(
        "No nicks or grinding marks across a part; break the edges of holes. The stress "
        "figures are no proof of "
        "strength: series rules, local codes and a qualified fabricator have the last word."
    )
    paper.room(LINE * sum(len(wrapped(text, WIDTH - 2.0 * MARGIN, 4.0)) for text in cautions) + 3.0)
    paper.y += 1.5
    for text in cautions:
        paper.paragraph(f"! {text}", hang=4.0)


def _weld_words(bar: BladedBar) -> str:
    parts: tuple[MadeOf, ...] = (bar.tube, bar.blade)
    materials = [material for part in parts if (material := find_material(part.material)) is not None]
    prone = sorted({material.name for material in materials if material.crack_prone})
    words = (
        "Weld: by a qualified welder, licensed where the law asks for it, who chooses filler, "
        "preheat and cooling"
    )
    words += f" ({' and '.join(prone)}: cracks easily). " if prone else ". "
    strength = weld_yield(bar)
    if math.isnan(strength):
        return words + f"The strength beside the weld is not known {NOT_KNOWN}."
    counted = f"The factors count on {strength / 1e6:.0f} MPa beside the weld"
    if bar.blade.weld_strength is None:
        return words + f"{counted}, as annealed."
    return words + f"{counted}, which the sheet states: only a test piece treated alike shows it."


# A bar bent from one piece.


Point = tuple[float, float, float]


def _draw_formed(paper: Paper, bar: FormedBar, work: build.FormedWork, bench: build.BenchWork) -> None:
    # Of the three views two show all: the one along the bar would lay its arms over each other.
    corners = [(1e3 * p.x.value, 1e3 * p.y.value, 1e3 * p.z.value) for p in bar.points]
    spans = [max(c[k] for c in corners) - min(c[k] for c in corners) for k in range(3)]
    scale = _scale(spans[1], WIDTH - 2.0 * MARGIN - 10.0, spans[0] + spans[2], 120.0)
    paper.head(f"Bent bar: {label(bar.material, 24)}, {_size(bar)}, drawn 1 : {scale}")
    line = _centre_line(bar)
    middle = (max(p[1] for p in line) + min(p[1] for p in line)) / 2.0
    # Left of the car on the left of the paper, forward or up towards its top.
    for words, up in (("from above", 0), ("from behind", 2)):
        low, high = min(p[up] for p in line), max(p[up] for p in line)
        paper.room((high - low) / scale + 18.0)
        paper.y += 8.0
        foot = paper.y + (high - low) / scale

        def on_paper(p: Point, foot: float = foot, low: float = low, up: int = up) -> tuple[float, float]:
            return WIDTH / 2.0 - (p[1] - middle) / scale, foot - (p[up] - low) / scale

        paper.path([on_paper(p) for p in line], THICK)
        for place in (bar.mounts.left.value, bar.mounts.right.value):
            x = WIDTH / 2.0 - (1e3 * place - middle) / scale
            paper.line((x, paper.y - 2.0), (x, foot + 2.0), THIN, dashes=CENTRE)
        for number, bend in enumerate(work.bends, start=1):
            # Outside the bend: a corner lies further out than its neighbours' middle.
            (x, y), *beside = (on_paper(corners[bend.point - k]) for k in (1, 0, 2))
            aside, down = (2.0 * a - b - c for a, b, c in zip((x, y), *beside, strict=True))
            size = math.hypot(aside, down)
            aside, down = (aside / size, down / size) if size > 1e-6 else (0.0, -1.0)
            paper.text(str(number), x + 3.0 * aside, y + 3.0 * down, ha="center", va="center")
        paper.text(words, MARGIN, foot + 4.0, color=style.GREY)
        paper.y = foot + 4.0
    paper.paragraph(
        f"Cut length along the centre line: {_mm(work.cut)} mm {NOT_KNOWN}, "
        f"{_kilograms(work.mass)}. Mounts sit at "
        f"{_mm(work.mounts[0])} and {_mm(work.mounts[1])} mm of it from the left eye; "
        f"everything below counts from there."
    )
    columns = (
        *(("bend", 0.0), ("begins mm", 16.0), ("radius mm", 44.0), ("turns deg", 72.0), ("arc mm", 98.0)),
        ("bar turned before it, deg", 120.0),
    )
    _heads(paper, columns)
    for number, bend in enumerate(work.bends, start=1):
        sharp = f" {NOT_KNOWN}" if bend.radius == 0.0 else ""
        turned = "" if bend.rotation is None else f"{math.degrees(bend.rotation):+z.1f}".replace("-", "−")
        cells = (
            str(number),
            _mm(bend.start),
            _mm(bend.radius) + sharp,
            f"{math.degrees(bend.angle):.1f}",
            _mm(bend.arc),
            turned,
        )
        _row(paper, columns, cells)
    row = bench.row
    factor = NOT_KNOWN if row.stress_factor is None else f"{row.stress_factor:.2f}"
    paper.paragraph(
        f"Rate {_shown(row.rate, 1e-3)} N/mm at one link, the other moving as far the other "
        f"way; stress factor {factor} "
        "on yield, one wheel in full bump, one in full droop."
    )
    paper.paragraph(
        "Radii are of the centre line; the bar is turned about its own axis, right-handed "
        "towards the right eye."
    )


def _centre_line(bar: FormedBar) -> list[Point]:
    """Return points along the bent centre line [mm]."""
    along = np.linspace(0.0, 1.0, 25)
    found: list[Point] = []
    for piece in formed_model(bar).pieces:
        point, _, _ = piece.curve.at(along)
        axes = [np.broadcast_to(1e3 * getattr(point, name), along.shape) for name in "xyz"]
        found += [(float(x), float(y), float(z)) for x, y, z in zip(*axes, strict=True)]
    return found
