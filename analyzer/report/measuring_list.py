"""The measuring list: what of a car sheet is still to be measured, where and how, on a page for the car."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from matplotlib.figure import Figure

from analyzer.core.errors import AnalyzerError
from analyzer.core.units import AXLES, CORNERS, MM_PER_M
from analyzer.prediction.propagation import sheet_quantities
from analyzer.prediction.settings import SheetWeight, sheet_weights
from analyzer.report.builder_sheet import (
    BOLD,
    LINE,
    MARGIN,
    THICK,
    THIN,
    WIDTH,
    Paper,
    check_sheet,
    save_sheets,
    width_of,
    wrapped,
)
from analyzer.report.figures import style
from analyzer.report.words import label
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import stands_over
from analyzer.vehicle.completion import default_tolerance

# What can be measured, and how: common practice of the trade, no source.


@dataclass(frozen=True, slots=True)
class Way:
    """How one dimension is measured.

    Parameters
    ----------
    name, how : str
        What it is, and where and how it is measured.
    wide : bool
        Whether its field takes more than one number.
    decides : str
        What it decides where that is not the prediction.
    """

    name: str
    how: str
    wide: bool = False
    decides: str = ""


WAYS: Final[dict[str, Way]] = {
    "logger.channels": Way(
        "calibration of the pots",
        "Damper off or spring out: pot's reading at two lengths that are measured with a caliper, as far "
        "apart as it goes. An error of 1 % is 1 % of every measured travel and roll.",
        decides="all that is measured",
    ),
    "mass.corner_loads": Way(
        "corner loads",
        "Wheel scales on level ground, driver in, bar links off; roll the car off and on again.",
    ),
    "mass.unsprung": Way(
        "unsprung mass", "Both wheels, hubs, brakes and half of the links: weigh the parts."
    ),
    "mass.cg_height": Way(
        "CG height", "Whole car, above ground: scales with one axle raised, dampers blocked; two heights."
    ),
    "mass.wheelbase": Way("wheelbase", "Wheel centre to wheel centre, both sides; take the mean."),
    "track_width": Way(
        "track width", "Middle of tyre to middle of tyre, at the ground, car rolled to a stop."
    ),
    "roll_centre_height": Way(
        "roll-centre height",
        "Above ground at static ride height: from the places of the links' joints, both drawn from behind.",
    ),
    "wheel_radius": Way("wheel radius", "Wheel centre to ground, loaded, at hot pressure."),
    "camber_gain": Way("camber gain", "Spring out: camber at static height and 30 mm above and below it."),
    "tyre_rate": Way("tyre rate", "Wheel centre's drop for a known load on the scales, at hot pressure."),
    "chassis_stiffness": Way(
        "stiffness of the shell", "Twist between the axles for a known weight on one corner."
    ),
    "spring_base": Way("spring base", "Between the middles of the springs, across the car."),
    "spring.rate": Way(
        "spring rate", "Spring press: load at two lengths about the static one; not the print."
    ),
    "springs": Way("spring rates", "Spring press: load at two lengths about the static one.", wide=True),
    "spring.motion_ratio": Way(
        "motion ratio, spring",
        "Spring out: move the wheel by 40 mm in steps of 10; spring travel / wheel travel. Pots rest on the "
        "damper's ratio just so.",
    ),
    "damper.motion_ratio": Way(
        "motion ratio, damper",
        "Spring out: move the wheel by 40 mm in steps of 10; damper travel / wheel travel.",
    ),
    "damper.bump_stop_gap": Way(
        "bump-stop gap", "On the damper's rod at static ride height, driver in.", decides="bottoming"
    ),
    "damper.full_bump": Way(
        "full bump", "Damper travel from static height until all is closed; spring out.", decides="bottoming"
    ),
    "damper.full_droop": Way(
        "full droop", "Damper travel from static height to a hanging wheel.", decides="droop, use of travel"
    ),
    "damper.bump_stop_rate": Way(
        "bump-stop rate", "Spring press: load at every 5 mm.", wide=True, decides="bottoming loads"
    ),
    "damper.rates": Way("damper rates", "Damper dynamometer: force over speed, bump and rebound.", wide=True),
    "bar.motion_ratio": Way(
        "motion ratio, bar",
        "Link's travel at the bar / wheel travel: move one wheel in steps of 10 mm, other still.",
    ),
    "bar.tube.outside_diameter": Way("tube diameter", "Caliper, paint off, three places."),
    "bar.outside_diameter": Way("bar diameter", "Caliper, paint off, three places."),
    "bar.wall": Way("bar wall", "At an open end, or ultrasonic gauge; none where it is solid."),
    "bar.tube.wall": Way("tube wall", "At an open end, or ultrasonic gauge; none where it is solid."),
    "bar.tube.length": Way("tube length", "Between the middles of the blades."),
    "bar.mounts.spacing": Way("mounts' spacing", "Between the middles of the bearings."),
    "bar.mounts.left": Way("left mount", "From the car's middle to the middle of the bearing."),
    "bar.mounts.right": Way("right mount", "From the car's middle to the middle of the bearing."),
    "bar.mounts.rate": Way("mounts' rate", "Dial gauge beside the bearing, known load on one link eye."),
    "bar.link.rate": Way("links' rate", "Dial gauge along the link, known load on its eye."),
    "bar.blade.depth": Way("blade depth", "Caliper: the side along the link's force."),
    "bar.blade.thickness": Way("blade thickness", "Caliper: the side along the tube."),
    "bar.blade.root": Way("blade root", "From the tube's axis to where the blade is free to bend."),
    "bar.holes": Way("holes", "Tube's axis to the middle of each hole, outermost first.", wide=True),
    "bar.spacer.thickness": Way("spacer", "Caliper, one spacer. Counts where spacers are used."),
    "bar.bolt.diameter": Way("bolt", "Caliper, the shank that carries the rod end."),
    "bar.points": Way(
        "points of the bar",
        "Bar on a flat table: corners of its centre line, left eye to right eye.",
        wide=True,
    ),
    "logger.imu.position": Way(
        "place of the box",
        "From the sprung CG: forward, left, up.",
        wide=True,
        decides="accelerations",
    ),
}
"""By key, without axle, corner and number."""

_PLACES: Final = re.compile(rf"\.({'|'.join((*AXLES, *CORNERS))})$")
_READING: Final = (
    "roll: predicted roll gradient of the axle that it moves more. bar change: what the farthest hole "
    "changes in it, against the fitted one. Each for one standard error of the size named."
)
_CAUTIONS: Final = (
    "A raised car stands on rated stands on hard level ground, wheels chocked; never work under a jack "
    "alone. Springs and bars hold energy: unload them before a bolt is loosened, with the spring compressor "
    "made for it. Keep hands out of links while a wheel is moved. Raise one axle for the CG height only with "
    "gear made for it, wheels on the scales chocked, nobody in or beside the car's way.",
    "The car's workshop manual, local codes and series rules have the last word; who is not practised leaves "
    "springs and lifting to a workshop.",
)


@dataclass(frozen=True, slots=True)
class ToMeasure:
    """One line of the list.

    Parameters
    ----------
    key : str
        Key of the sheet without axle, corner and number.
    fields : tuple of str
        What there is a field for: axles, corners, or one field without a name.
    placeholder : bool
        Whether the sheet marks it as not measured; else it only lacks its error.
    error : str
        The error that its weight is of, in words.
    gradient, change : float or None
        As of a `SheetWeight`, the largest of the fields; None where it is no part of the prediction.
    """

    key: str
    fields: tuple[str, ...]
    placeholder: bool
    error: str
    gradient: float | None
    change: float | None

    @property
    def matters(self) -> float:
        """What the list is sorted by: the larger part, of gradient or change."""
        return max(self.gradient or 0.0, self.change or 0.0)


def to_measure(car: CarSheet) -> tuple[ToMeasure, ...]:
    """Return what of a car is still to be measured: marked, or without an error; what matters most first.

    Parameters
    ----------
    car : CarSheet
        The car, as read with the marks of its sheet.
    """
    weights = sheet_weights(car)
    found: dict[str, dict[str, list[tuple[bool, str, SheetWeight | None]]]] = {}
    for full, quantity in sheet_quantities(car):
        whole = full.partition("[")[0]
        # Two kinds of gap: a value that nobody measured, and one whose error nobody stated.
        placeholder = any(stands_over(mark, full) for mark in car.unmeasured)
        lacks = (
            quantity.std is None and default_tolerance(full) is not None and not full.startswith("logger.")
        )
        if full.startswith(("shelf.", "logger.channels.")) or not (placeholder or lacks):
            continue
        group, field = _group(whole)
        weight = None if group.startswith("logger.") else weights.get(whole)
        error = "" if weight is None else _error(full, quantity.value, weight.std, stated=not lacks)
        found.setdefault(group, {}).setdefault(field, []).append((placeholder, error, weight))
    pots = [key.rpartition(".")[2] for key in car.unmeasured if key.startswith("logger.channels.damper_")]
    if pots:
        found["logger.channels"] = {pot.removeprefix("damper_"): [(True, "", None)] for pot in pots}
    rows = [_row(group, fields) for group, fields in found.items()]
    # Without the pots' calibration nothing is measured at all; what is no part of the prediction comes last.
    return tuple(
        sorted(rows, key=lambda row: (row.key != "logger.channels", row.gradient is None, -row.matters))
    )


def _group(key: str) -> tuple[str, str]:
    """Return the key of a line and which of its fields a value belongs to."""
    head, _, rest = key.partition(".")
    if head in AXLES:
        for group in (
            "spring.motion_ratio",
            "damper.motion_ratio",
            "bar.motion_ratio",
            "damper.bump_stop_rate",
        ):
            if rest.startswith(group):
                return group, head
        return ("damper.rates" if rest.startswith("damper.rates") else rest), head
    if key.startswith("logger.imu.position"):
        return "logger.imu.position", ""
    place = _PLACES.search(key)
    return (key, "") if place is None else (key[: place.start()], place[1])


def _row(group: str, fields: dict[str, list[tuple[bool, str, SheetWeight | None]]]) -> ToMeasure:
    every = [item for items in fields.values() for item in items]
    known = [(error, weight) for _, error, weight in every if weight is not None]
    # One line of the list may stand for several values: it counts as the one that matters most.
    heaviest = max(known, key=lambda item: item[1].gradient, default=None)
    changes = [weight.change for _, weight in known if weight.change is not None]
    return ToMeasure(
        key=group,
        fields=tuple(fields),
        placeholder=any(placeholder for placeholder, _, _ in every),
        error="" if heaviest is None else heaviest[0],
        gradient=None if heaviest is None else heaviest[1].gradient,
        change=max(changes, default=None),
    )


def _error(key: str, value: float, std: float, stated: bool) -> str:
    """Return an error as a length where it is one, as a part of the value otherwise."""
    default = default_tolerance(key)
    if default is not None and not stated:
        return default.words
    if default is not None and "mm" in default.words:
        return f"{MM_PER_M * std:.2g} mm"
    return f"{100.0 * std / abs(value):.2g} %" if value else ""


# The page.


SMALL: Final = 7.6
ROW_LINE: Final = 3.1
"""Size of the letters [pt] and line to line [mm]: capitals 1.95 mm high; all lines of a car have one page."""
NAME: Final = 17.0
HOW: Final = 47.0
WEIGHT: Final = 119.0
FIELDS: Final = 151.0
"""Where the columns begin [mm]."""
NOTE: Final = WIDTH - 2.0 * MARGIN - 4.0
FIELD_HEIGHT: Final = 6.4


def save_measuring_list(car: CarSheet, sheet: Path, path: Path) -> tuple[Path, ...]:
    """Write the measuring list of the car sheet at `sheet`; return the files.

    Raises
    ------
    AnalyzerError
        When the name ends in neither ``.pdf`` nor ``.svg``, something else lies there, it cannot be written,
        or nothing is left to measure.
    """
    path = check_sheet(path)
    rows = to_measure(car)
    if not rows:
        raise AnalyzerError(
            f"--list: every value of {sheet.name} is measured and has its error; there is nothing to list"
        )
    return save_sheets(path, label(car.name, 80), {"list": measuring_pages(label(car.name, 32), rows)})


def measuring_pages(name: str, rows: Sequence[ToMeasure]) -> list[Figure]:
    """Return the list as figures of true A4 size: one, but for a car with more than fits."""
    with style.house_style():
        paper = Paper(f"{name}, to measure", by="measured by", to_scale=False)
        _sketches(paper, {row.key: number for number, row in enumerate(rows, start=1)})
        _heads(paper)
        for number, row in enumerate(rows, start=1):
            _draw_row(paper, number, row)
        notes = (_READING, *(f"! {text}" for text in _CAUTIONS))
        lines = [line for text in notes for line in wrapped(text, NOTE, size=SMALL)]
        paper.room(ROW_LINE * len(lines) + 2.0)
        paper.y += 1.5
        for line in lines:
            paper.y += ROW_LINE
            paper.text(line, MARGIN, paper.y, size=SMALL)
    return paper.pages


def _heads(paper: Paper) -> None:
    paper.y += LINE
    for words, left in (
        ("nr.", MARGIN),
        ("what", NAME),
        ("where and how (* stated, but without its error)", HOW),
        ("error moves", WEIGHT),
        ("measured ± error, with unit", FIELDS),
    ):
        paper.text(words, left, paper.y, size=SMALL, color=style.GREY)
    paper.y += 1.0
    paper.line((MARGIN, paper.y), (WIDTH - MARGIN, paper.y), THIN)


def weight_words(row: ToMeasure) -> tuple[str, ...]:
    """Return what the error of a value moves, in words, a line each."""
    decides = _way(row.key).decides
    if row.gradient is None or (decides and row.matters < LEAST):
        return (decides or "not the prediction",)
    if row.matters < LEAST:
        return (f"{row.error}: {_percent(row.matters)}",)
    change = "" if row.change is None else f"bar change {_percent(row.change)}"
    return tuple(filter(None, (f"{row.error}: roll {_percent(row.gradient)}", change)))


def _way(key: str) -> Way:
    return WAYS.get(key) or Way(key.replace(".", " ").replace("_", " "), "See analyzer docs sheets.")


LEAST: Final = 0.001
"""Part of a gradient below which the figure is not written out: it decides nothing."""


def _percent(part: float) -> str:
    return f"{100.0 * part:.1f} %" if part >= LEAST else f"< {100.0 * LEAST:.1f} %"


def _draw_row(paper: Paper, number: int, row: ToMeasure) -> None:
    way = _way(row.key)
    name = wrapped(way.name + ("" if row.placeholder else " *"), HOW - NAME - 1.0, size=BOLD * SMALL)
    how = wrapped(way.how, WEIGHT - HOW - 2.0, size=SMALL)
    weight = weight_words(row)
    # Fields side by side where a number fits in half: all lines of a car shall stand on one page.
    across = 1 if way.wide else 2
    deep = -(-len(row.fields) // across)
    height = max(ROW_LINE * max(len(name), len(how), len(weight)) + 1.2, FIELD_HEIGHT * deep + 0.6)
    paper.room(height)
    top = paper.y
    paper.text(str(number), MARGIN, top + ROW_LINE, size=SMALL, bold=True)
    for lines, left in ((name, NAME), (how, HOW), (weight, WEIGHT)):
        for line, words in enumerate(lines, start=1):
            paper.text(words, left, top + ROW_LINE * line, size=SMALL, bold=left == NAME)
    width = (WIDTH - MARGIN - FIELDS) / across
    for place, field in enumerate(row.fields):
        left, up = FIELDS + width * (place % across), top + FIELD_HEIGHT * (place // across) + 0.6
        paper.box(left, up, width - 0.8, FIELD_HEIGHT - 0.8, THIN, color=style.GREY)
        if field:
            paper.text(field, left + 0.7, up + 2.2, size=5.5, color=style.GREY)
    paper.y = top + height
    paper.line((MARGIN, paper.y), (FIELDS - 1.0, paper.y), THIN, color=style.PALE)


# Sketches, not to scale, on a ground of 45 by 26 mm; blue is what is measured, with its number in the list.


Line = tuple[tuple[float, float], ...]
Size = tuple[str, float, float, float, float]


@dataclass(frozen=True, slots=True)
class Sketch:
    """A small drawing: its title, lines, circles (x, y, radius) and sizes (key, from, to)."""

    title: str
    lines: tuple[Line, ...]
    circles: tuple[tuple[float, float, float], ...]
    sizes: tuple[Size, ...]


def _rect(left: float, top: float, right: float, foot: float) -> Line:
    return ((left, top), (right, top), (right, foot), (left, foot), (left, top))


SKETCHES: Final = (
    Sketch(
        "car from the side",
        (
            ((1, 20), (44, 20)),
            ((5, 14), (7, 10), (17, 9), (21, 5), (31, 5), (35, 9.5), (41, 11), (41, 14)),
            ((22, 11), (24, 11)),
            ((23, 10), (23, 12)),
        ),
        ((11, 16.8, 3.2), (35, 16.8, 3.2)),
        (("mass.wheelbase", 11, 25, 35, 25), ("mass.cg_height", 23, 11, 23, 20)),
    ),
    Sketch(
        "axle from behind",
        (((1, 20), (44, 20)), _rect(7, 9, 12, 20), _rect(33, 9, 38, 20), ((12, 13.5), (33, 13.5))),
        ((22.5, 15, 0.5),),
        (
            ("track_width", 9.5, 25, 35.5, 25),
            ("roll_centre_height", 22.5, 15, 22.5, 20),
            ("wheel_radius", 4, 14.5, 4, 20),
        ),
    ),
    Sketch(
        "damper travel",
        (
            ((3, 8), (42, 8)),
            ((3, 6), (3, 10)),
            ((42, 6), (42, 10)),
            ((18, 5), (18, 11)),
            _rect(35, 6, 42, 10),
        ),
        (),
        (
            ("damper.full_droop", 3, 18, 18, 18),
            ("damper.bump_stop_gap", 18, 15, 35, 15),
            ("damper.full_bump", 18, 21, 42, 21),
        ),
    ),
    Sketch(
        "bar from above",
        (
            ((8, 9), (38, 9)),
            ((8, 10.6), (38, 10.6)),
            _rect(7, 8.5, 9, 25),
            _rect(37, 8.5, 39, 25),
            ((13, 7.5), (13, 12)),
            ((33, 7.5), (33, 12)),
        ),
        ((8, 23, 0.5), (8, 20.5, 0.5), (8, 18, 0.5), (38, 23, 0.5), (38, 20.5, 0.5), (38, 18, 0.5)),
        (
            ("bar.tube.length", 8, 6.5, 38, 6.5),
            ("bar.mounts.spacing", 13, 15, 33, 15),
            ("bar.holes", 12, 9.8, 12, 23),
            ("bar.blade.root", 41, 9.8, 41, 13),
        ),
    ),
    Sketch(
        "tube, blade, bolt",
        (
            _rect(22, 7, 26, 21),
            _rect(35, 9, 38, 18),
            ((33.5, 11.5), (42, 11.5)),
            ((33.5, 15.5), (42, 15.5)),
        ),
        ((9, 13, 7), (9, 13, 4.5)),
        (
            ("bar.tube.outside_diameter", 2, 24, 16, 24),
            ("bar.outside_diameter", 2, 24, 16, 24),
            ("bar.tube.wall", 13.5, 5, 16, 5),
            ("bar.wall", 13.5, 5, 16, 5),
            ("bar.blade.thickness", 22, 5.8, 26, 5.8),
            ("bar.blade.depth", 28, 7, 28, 21),
            ("bar.spacer.thickness", 35, 8, 38, 8),
            ("bar.bolt.diameter", 40, 11.5, 40, 15.5),
        ),
    ),
    Sketch(
        "wheel moved",
        (
            _rect(13, 6, 17, 20),
            ((17, 14), (44, 14)),
            ((24, 14), (26, 3)),
            ((34, 14), (34, 22)),
            ((32, 22), (36, 22)),
        ),
        ((44, 14, 0.7), (24, 14, 0.5), (34, 14, 0.5)),
        (
            ("spring.motion_ratio", 3, 10, 3, 18),
            ("spring.motion_ratio", 21, 5, 21, 12),
            ("bar.motion_ratio", 8, 10, 8, 18),
            ("bar.motion_ratio", 37, 16, 37, 21),
        ),
    ),
)
_SCALE: Final = 0.66
"""Of a sketch on paper: as many as there are fit side by side."""


def _sketches(paper: Paper, numbers: dict[str, int]) -> None:
    drawn = [sketch for sketch in SKETCHES if any(size[0] in numbers for size in sketch.sizes)]
    if not drawn:
        return
    top = paper.y + 1.0
    for place, sketch in enumerate(drawn):
        left = MARGIN + (WIDTH - 2.0 * MARGIN) / len(SKETCHES) * place
        paper.text(sketch.title, left + 1.0, top + 2.6, size=SMALL, color=style.GREY)
        for line in sketch.lines:
            paper.path([(left + _SCALE * x, top + 3.0 + _SCALE * y) for x, y in line], THIN)
        for x, y, radius in sketch.circles:
            paper.circle(left + _SCALE * x, top + 3.0 + _SCALE * y, _SCALE * radius)
        for key, x, y, to_x, to_y in sketch.sizes:
            if key in numbers:
                one = (left + _SCALE * x, top + 3.0 + _SCALE * y)
                other = (left + _SCALE * to_x, top + 3.0 + _SCALE * to_y)
                paper.line(one, other, THICK, color=style.BLUE)
                words = str(numbers[key])
                flat = y == to_y
                at = (one[0] + other[0]) / 2.0 - (width_of(words, SMALL) / 2.0 if flat else -0.8)
                foot = one[1] - 0.6 if flat else (one[1] + other[1]) / 2.0 + 1.0
                paper.text(words, at, foot, size=SMALL, bold=True, color=style.BLUE)
    paper.y = top + 20.0
