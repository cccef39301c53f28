"""The course sheet in sentences: what stands first, one line per place, and the terminal's text."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from analyzer.archive.results import Archive, CarSeason, Trend
from analyzer.core.constants import CORNERS, STANDARD_GRAVITY
from analyzer.core.estimate import Estimate
from analyzer.core.units import DEG_PER_RAD
from analyzer.processing.bottoming import axle_of
from analyzer.processing.course.places import WHOLE
from analyzer.report.sentences import CORNER_WORDS
from analyzer.report.words import (
    UNKNOWN,
    count,
    degrees,
    label,
    listed,
    millimetres,
    name,
    percent,
    sentence,
    value_with_interval,
)

if TYPE_CHECKING:
    from analyzer.comparison.cures import Cure
    from analyzer.processing.course.places import Place
    from analyzer.session.course_sheet import CourseSheetResult, PlaceSheet


BANKED: Final = 0.07
"""Cross slope from which a place is called banked in words [rad] (4 degrees)."""
DIP: Final = 1.0
"""Vertical acceleration of the path from which a place is called a dip in words [m/s2]."""
_MOST_PLACES: Final = 8
_GRIP: Final = 0.7
"""Less of the in-plane force than this left during a hit is worth a word: engineering judgement."""


def course_answer(result: CourseSheetResult) -> str:
    """Return where, at which corner and how often the car runs out of travel, in one sentence."""
    stops = [sheet for sheet in result.places if sheet.place.kind == "bump stop"]
    if not stops:
        return _no_hit(result)
    worst = stops[0].place
    hits = sum(len(sheet.place.hits) for sheet in stops)
    deep = millimetres(worst.worst.event.stop_compression, 1)
    where = f"“{name(worst.name)}”"
    return (
        f"It runs out of travel at {count(len(stops), 'place')} ({count(hits, 'hit')} in "
        f"{count(len(result.runs), 'run')}); the worst is {where} at the {CORNER_WORDS[worst.corner]}, "
        f"{deep} into the bump stop{', hard' if worst.hard else ''}, in {len(worst.runs)} of "
        f"{count(worst.passed, 'run')}."
    )


def _no_hit(result: CourseSheetResult) -> str:
    near = [use for use in result.use if use.section != WHOLE and use.margin is not None]
    unknown = [axle for axle, gap in result.gaps.items() if gap.value is None]
    if not near:
        return f"No bump stop is known, neither from the car sheet nor from the logs: {result.notes[0]}."
    closest = min(near, key=lambda use: use.margin if use.margin is not None else 1.0)
    note = f" The stop at the {listed([str(axle) for axle in unknown])} is not known." if unknown else ""
    return (
        f"No damper met its bump stop; the {CORNER_WORDS[closest.corner]} came closest, in "
        f"“{name(closest.section)}”, with {millimetres(closest.margin or 0.0)} left.{note}"
    )


def place_words(place: Place) -> str:
    """Return a place in the driver's words: ``bowl left, exit, RR, hard, 6 of 6 runs, mostly heave``."""
    parts = [label(place.name), place.corner]
    if place.kind == "full droop":
        parts.append("full droop")
    elif place.hard:
        parts.append(
            "hard" if place.hard == len(place.hits) else f"{place.hard} of {len(place.hits)} hits hard"
        )
    parts.append(f"{len(place.runs)} of {count(place.passed, 'run')}")
    if place.cause is not None:
        parts.append(cause_words(place))
    return ", ".join(parts)


def cause_words(place: Place) -> str:
    """Return what uses the travel most at a place."""
    rises = [h.event.vertical_acceleration for h in place.hits if h.event.vertical_acceleration is not None]
    rise = sum(rises) / len(rises) if rises else 0.0
    banked = place.bank is not None and place.bank > BANKED
    if place.kind == "full droop":
        return "the wheel hangs"
    heave = "mostly heave" + (" on the bank" if banked else " in a dip" if rise > DIP else "")
    return {
        "vertical load": heave,
        "roll": "mostly roll",
        "pitch": "mostly pitch from drive or braking",
        "warp": "mostly twist of the road",
        "road": "mostly a bump in the road",
    }[place.cause or "road"]


def detail_words(sheet: PlaceSheet) -> str:
    """Return depth, speed, bank and what the body said, in one line."""
    place = sheet.place
    worst = place.worst.event
    depth = "past droop" if place.kind == "full droop" else "into the stop"
    parts = [f"deepest {millimetres(worst.stop_compression, 1)} {depth} ({label(place.worst.run, 16)})"]
    parts.append(f"reached at {worst.approach_speed:.2f} m/s")
    if place.bank is not None and place.bank > BANKED:
        parts.append(f"bank {degrees(place.bank)}")
    kept = [hit.event.lateral_kept for hit in place.hits if hit.event.lateral_kept is not None]
    if kept and min(kept) < _GRIP:
        parts.append(f"grip down to {100.0 * min(kept):.0f} % for a moment")
    unseen = sum(hit.event.seen is False for hit in place.hits)
    if unseen:
        parts.append(f"{count(unseen, 'hit')} not felt by the body: look at the {place.corner} pot")
    return "; ".join(parts) + "."


def causes_words(place: Place) -> str:
    """Return the travel of a place as the sum of its causes."""
    if not place.causes:
        return ""
    words = {"vertical load": "heave", "road": "road"}
    parts = [f"{words.get(part, part)} {millimetres(value)}" for part, value in place.causes.items()]
    return "Travel: " + " + ".join(parts).replace("+ −", "− ") + "."


def cure_lines(sheet: PlaceSheet, margin: float) -> list[str]:
    """Return what would clear the stop, each alone, then what cannot."""
    if not sheet.cures:
        return [f"No cure worked out: {sheet.why_no_cures}."] if sheet.why_no_cures else []
    able: list[Cure] = [cure for cure in sheet.cures if cure.possible]
    unable = [cure for cure in sheet.cures if not cure.possible]
    lines = [f"To clear it by {millimetres(margin)}, alone: {cure.words}." for cure in able]
    return lines + [f"{cure.words[0].upper()}{cure.words[1:]}." for cure in unable]


def short_cure(sheet: PlaceSheet) -> str:
    """Return the cures of a place in a few words each."""
    short = {
        "bar": lambda c: f"bar ×{c.factor:.2f}" if c.factor is not None else f"bar of {c.needed:.0f} N m/deg",
        "spring": lambda c: f"springs {c.needed:.0f} N/mm",
        "ride height": lambda c: f"ride height +{c.needed:.0f} mm",
        "stop": lambda c: f"stop at {c.needed:.0f} mm",
    }
    able = [short[cure.kind](cure) for cure in sheet.cures if cure.possible and cure.needed is not None]
    unable = [cure.kind for cure in sheet.cures if not cure.possible]
    axle = axle_of(sheet.place.corner)
    parts = []
    if able:
        parts.append(f"Any one of these at the {axle} clears it: {', or '.join(able)}.")
    if unable:
        parts.append(f"Cannot alone: {listed(unable)}.")
    return " ".join(parts) or sheet.why_no_cures


def print_course(result: CourseSheetResult, console: Console) -> None:
    """Print the course sheet, readable at 80 columns.

    Parameters
    ----------
    result : CourseSheetResult
        What is shown.
    console : Console
        Where to.
    """
    course = label(result.course or "course without a sheet", 40)
    console.print(Text(f"{course}, {label(result.car, 40)}", style="bold"))
    _wrapped(console, course_answer(result))
    for rank, sheet in enumerate(result.places[:_MOST_PLACES], start=1):
        console.print()
        _wrapped(console, f"{rank}  {place_words(sheet.place)}", style="bold")
        for line in (detail_words(sheet), causes_words(sheet.place), short_cure(sheet)):
            if line:
                _wrapped(console, line, indent=3)
    if len(result.places) > _MOST_PLACES:
        _wrapped(console, f"{len(result.places) - _MOST_PLACES} more on the page")
    table = _margins(result)
    if table.row_count:
        console.print()
        console.print(Text("Travel left before the stop, mm (passed 99.9 % of the time)"))
        console.print(table)
    for note in result.notes:
        _wrapped(console, f"Note: {note}.", indent=0)


def _margins(result: CourseSheetResult) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), header_style="")
    table.add_column("section", overflow="fold")
    for corner in CORNERS:
        table.add_column(corner, justify="right")
    sections = list(dict.fromkeys(use.section for use in result.use))
    known = {(use.section, use.corner): use.margin for use in result.use}
    if all(margin is None for margin in known.values()):
        return table
    for section in [*(s for s in sections if s != WHOLE), WHOLE][:24]:
        margins = [known.get((section, corner)) for corner in CORNERS]
        cells = [UNKNOWN if m is None else millimetres(m).removesuffix(" mm") for m in margins]
        table.add_row(Text(label(section, 28)), *(Text(cell) for cell in cells))
    return table


def _wrapped(console: Console, text: str, indent: int = 0, style: str = "") -> None:
    for piece in Text(text).wrap(console, console.width - indent):
        piece.rstrip()
        piece.stylize(style)
        console.print(Text(" " * indent).append_text(piece))


def bank_words(result: CourseSheetResult) -> list[str]:
    """Return the banked sections with their measured bank and what the sheet predicts there."""
    lines = []
    for bank in result.banks:
        if bank.bank < BANKED:
            continue
        # The prediction is for a left turn, right side outside; a right turn mirrors it.
        side = "right" if bank.left else "left"
        totals = {"front": bank.travel["FR"].total.value, "rear": bank.travel["RR"].total.value}
        parts = [f"{mm:.0f} mm {axle} {side}" for axle, mm in totals.items() if mm is not None]
        lines.append(
            f"{label(bank.section)}: bank {bank.bank * DEG_PER_RAD:.0f}°, driven at "
            f"{bank.centripetal / STANDARD_GRAVITY:.2f} g inwards; the sheet predicts {' and '.join(parts)} "
            "of steady travel on the outside, before drive, braking and bumps."
        )
    return lines


# What the season showed, in sentences.


_TOTAL: Final = "roll_stiffness_total"
_SPLIT: Final = "roll_gradient_front_over_rear"
_RATIO: Final = "roll_stiffness_ratio"
_BY_SHEET: Final = ("roll_stiffness_front", "roll_stiffness_rear")
"""These take the other axle as the sheet has it, so they are shown but name no culprit."""

_QUANTITIES: Final = {
    _TOTAL: "roll stiffness of the car",
    _SPLIT: "front roll over rear roll",
    _RATIO: "roll stiffness, measured over predicted",
    "roll_stiffness_front": "front roll stiffness, if the rear is as in the sheet",
    "roll_stiffness_rear": "rear roll stiffness, if the front is as in the sheet",
}
_SOFTER: Final = "look for cracks at the blade welds, loose mounts, worn rod ends, tired springs"
_STIFFER: Final = "look for a binding link or bush, and for a spring or setting the sheet does not know"
_WEAR: Final = (
    ("free_play", "look for worn rod ends, link bolts and bushes"),
    ("friction", "look for a tight or worn rod end, a bent damper rod or a dry bush"),
)
_MOST_NAMED: Final = 4


def quantity_words(quantity: str) -> str:
    """Return a quantity of the data set in words."""
    return _QUANTITIES.get(quantity) or label(quantity.replace("_", " "))


def setting_of(trend: Trend) -> str:
    """Return on what a trend was measured."""
    return label(trend.setting, 60) if trend.setting else "all settings"


def moved(trends: tuple[Trend, ...]) -> list[Trend]:
    """Return the trends that go one way and mean something by themselves, the surest first."""

    def surety(trend: Trend) -> float:
        error, value = trend.change.std_error, trend.change.value or 0.0
        return abs(value) / error if error else float("inf")

    going = [
        t for t in trends if t.verdict in ("rising", "falling") and t.quantity not in (*_BY_SHEET, _SPLIT)
    ]
    # Over all settings the ratio says again what a setting of its own has said already.
    told = {trend.verdict for trend in going if trend.quantity == _TOTAL}
    kept = [t for t in going if not (t.quantity == _RATIO and t.verdict in told)]
    return sorted(kept, key=surety, reverse=True)


def car_answer(car: CarSeason) -> str:
    """Return the answer for one car in one or two sentences."""
    span = f"{count(car.runs, 'run')} in {count(len(car.sessions), 'session')}"
    if not car.runs:
        return f"None of the runs of {name(car.car)} could be used."
    found = moved(car.trends)
    if found:
        words = [trend_words(trend) for trend in found[:_MOST_NAMED]]
        more = len(found) - len(words)
        tail = f" {count(more, 'more figure')} moved, too." if more else ""
        return f"{name(car.car)}, {span}: " + "; ".join(words) + "." + tail
    seen = [t for t in car.trends if t.smallest_visible.value is not None]
    if not seen:
        return f"{name(car.car)}, {span}: too few sessions to tell a trend."
    best = min(seen, key=lambda t: t.smallest_visible.value or 0.0)
    visible = 100.0 * (best.smallest_visible.value or 0.0)
    return (
        f"{name(car.car)}, {span}: nothing moved beyond its error; "
        f"a change of {visible:.2g} % would have shown in {quantity_words(best.quantity)}."
    )


def trend_words(trend: Trend) -> str:
    """Return one trend as a clause."""
    where = f" at {name(trend.setting, 60)}" if trend.setting else ""
    word = "rose" if trend.verdict == "rising" else "fell"
    return f"{quantity_words(trend.quantity)}{where} {word} by {change_words(trend.change)}"


def change_words(change: Estimate) -> str:
    """Return ``4.1 % (2.0 to 6.2)`` without a sign, the smaller end first."""
    if change.value is None or change.interval is None:
        return UNKNOWN
    shown = percent(change)
    assert shown.value is not None
    assert shown.interval is not None
    if shown.value < 0.0:
        low, high = shown.interval
        shown = Estimate(-shown.value, "%", std_error=shown.std_error, interval=(-high, -low))
    return value_with_interval(shown)


def advice(car: CarSeason) -> list[str]:
    """Return what to look at, each line once."""
    lines: list[str] = []
    for trend in moved(car.trends):
        if trend.quantity in (_TOTAL, _RATIO):
            softer = trend.verdict == "falling"
            where = _end(car, trend.setting, softer) if trend.quantity == _TOTAL else ""
            what = _SOFTER if softer else _STIFFER
            line = f"Roll stiffness is {trend.verdict}{where}: {what}."
        else:
            found = [what for part, what in _WEAR if part in trend.quantity and trend.verdict == "rising"]
            if not found:
                continue
            line = f"{sentence(quantity_words(trend.quantity))[:-1]} is rising: {found[0]}."
        if line not in lines:
            lines.append(line)
    return lines


def _end(car: CarSeason, setting: str, softer: bool) -> str:
    """Return at which end of the car it gave way: the end that softens rolls more against the other one."""
    for trend in car.trends:
        if trend.quantity == _SPLIT and trend.setting == setting:
            if trend.verdict not in ("rising", "falling"):
                return ", which end cannot be told"
            return ", at the front" if (trend.verdict == "rising") == softer else ", at the rear"
    return ""


def notes(car: CarSeason) -> list[str]:
    """Return what the reader must know about how the trends were found."""
    lines = [
        f"Sessions are in the order of {'their dates' if car.ordered_by == 'date' else 'their folder names'}"
        + ("." if car.ordered_by == "date" else ", since not every session sheet states its date.")
    ]
    told = sum(trend.verdict != "cannot tell" for trend in car.trends)
    if told > 1:
        lines.append(
            f"{told} figures were looked at, each at 95 %: on a car that never changes about "
            f"{max(0.05 * told, 0.1):.1f} of them would seem to move."
        )
    lines.append(
        "Conditions (tyres, pressures, temperature, load) differ between sessions and are not taken out."
    )
    return lines


def left_out_words(archive: Archive, most: int = 6) -> list[str]:
    """Return the reasons, runs with the same reason together."""
    groups: dict[str, list[str]] = {}
    for folder, run, reason in archive.left_out:
        place = label(folder, 60) if not run else f"{label(folder, 60)}, {label(run, 24)}"
        groups.setdefault(reason, []).append(place)
    lines = [f"{listed(places, 3)}: {sentence(reason)}" for reason, places in groups.items()]
    return lines[:most] + (
        [f"{len(lines) - most} more reasons in results.json."] if len(lines) > most else []
    )


def summary(archive: Archive) -> str:
    """Return how large the archive is and what this pass did."""
    used = sum(car.runs for car in archive.cars)
    left = archive.runs - used
    words = (
        f"{count(used, 'run')} of {count(len(archive.cars), 'car')} in {count(archive.sessions, 'session')}; "
        f"{archive.estimated} estimated now"
    )
    broken = sum(not run for _, run, _ in archive.left_out)
    if left:
        words += f", {count(left, 'run')} left out"
    return words + (f", {count(broken, 'session')} left out" if broken else "")
