"""The course sheet in sentences: what stands first, and what is said of every place."""

from typing import Final

from analyzer.core.units import CORNERS, DEG_PER_RAD, STANDARD_GRAVITY
from analyzer.processing.bottoming import axle_of
from analyzer.processing.course import WHOLE, Place
from analyzer.report.sentences import CORNER_WORDS, travel_words
from analyzer.report.words import count, degrees, label, listed, millimetres, name, until_measured
from analyzer.session.course_sheet import CourseSheetResult, PlaceSheet

BANKED: Final = 0.07
"""Cross slope from which a place is called banked in words [rad] (4 degrees)."""
DIP: Final = 1.0
"""Vertical acceleration of the path from which a place is called a dip in words [m/s2]."""
_GRIP: Final = 0.7
"""Less of the in-plane force than this left during a hit is worth a word: engineering judgement."""


def course_answer(result: CourseSheetResult) -> str:
    """Return where, at which corner and how often the car runs out of travel, and whether that is sure."""
    if travel_unknown(result):
        pots = [f"damper_{corner}" for corner in CORNERS if f"damper_{corner}" in result.uncalibrated]
        return f"Nobody can tell yet where it runs out of travel: there is no calibration of {listed(pots)}."
    rests = tuple(dict.fromkeys([mark for gap in result.gaps.values() for mark in gap.provisional]))
    return _found(result) + (f" Provisional until {until_measured(rests)}." if rests else "")


def travel_unknown(result: CourseSheetResult) -> bool:
    """Return whether every damper on the sheet is read by a pot that nobody has calibrated."""
    read = {f"damper_{use.corner}" for use in result.use if use.margin is not None}
    read |= {f"damper_{sheet.place.corner}" for sheet in result.places}
    return bool(read) and read <= result.uncalibrated


def _found(result: CourseSheetResult) -> str:
    # Full droop is a place of its own kind, and no running out of travel.
    stops = [sheet for sheet in result.places if sheet.place.kind == "bump stop"]
    if not stops:
        return _no_hit(result)
    worst = stops[0].place
    hits = sum(len(sheet.place.hits) for sheet in stops)
    deep = millimetres(worst.worst.event.stop_compression, 1)
    where = f"“{name(worst.name)}”"
    hard = sum(sheet.place.hard for sheet in stops)
    of_them = f", {hard} of them hard," if 0 < hard < hits else ", hard," if hard else ", none hard,"
    return (
        f"It runs out of travel at {count(len(stops), 'place')} ({count(hits, 'hit')}{of_them} in "
        f"{count(len(result.runs), 'run')}); the worst is {where} at the {CORNER_WORDS[worst.corner]}: "
        f"{how_often(worst)}, {deep} into the bump stop at most."
    )


def how_often(place: Place) -> str:
    """Return in how many runs a place was hit, and hit hard: ``hit in 5 of 6 runs, hard in 2``."""
    hard = len({hit.run for hit in place.hits if hit.event.hard})
    words = f"hit in {len(place.runs)} of {count(place.passed, 'run')}"
    # A soft hit leaves travel, a hard one leaves none: the driver must not hear one for the other.
    if not hard:
        return f"{words}, never hard"
    return f"{words}, hard in {'all of them' if hard == len(place.runs) > 1 else hard}"


def _no_hit(result: CourseSheetResult) -> str:
    # The whole course says the same as its closest section, without the name of a place.
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
    # A press without a banked road is a dip only when the path itself bends up: the mean of all hits, since
    # one of them may be a wheel over a stone.
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
    # Worth a word only when it is much: a hit moves the balance for a moment and comes back.
    kept = [hit.event.lateral_kept for hit in place.hits if hit.event.lateral_kept is not None]
    if kept and min(kept) < _GRIP:
        parts.append(f"grip down to {100.0 * min(kept):.0f} % for a moment")
    # The body is the second witness; a pot alone may have slipped or been hit.
    unseen = sum(hit.event.seen is False for hit in place.hits)
    if unseen:
        parts.append(f"{count(unseen, 'hit')} not felt by the body: look at the {place.corner} pot")
    return "; ".join(parts) + "."


def place_lines(sheet: PlaceSheet) -> list[str]:
    """Return what is said below a place: depth and speed, what used its travel up, what would clear it."""
    travel = travel_words(sheet.place.worst.event)
    lines = (detail_words(sheet), travel and f"Travel of that hit: {travel}.", short_cure(sheet))
    return [line for line in lines if line]


def cure_lines(sheet: PlaceSheet, margin: float) -> list[str]:
    """Return what would clear the stop, each alone, then what cannot."""
    if not sheet.cures:
        return [f"No cure worked out: {sheet.why_no_cures}."] if sheet.why_no_cures else []
    # What works first; what cannot help is told too, or it would be tried.
    able = [cure for cure in sheet.cures if cure.possible]
    unable = [cure for cure in sheet.cures if not cure.possible]
    lines = [f"To clear it by {millimetres(margin)}, alone: {cure.words}." for cure in able]
    return lines + [f"{cure.words[0].upper()}{cure.words[1:]}." for cure in unable]


def short_cure(sheet: PlaceSheet) -> str:
    """Return the cures of a place in a few words each."""
    short = {
        "bar": lambda c: f"bar ×{c.factor:.2f}" if c.factor is not None else f"bar of {c.needed:.0f} N m/deg",
        "spring": lambda c: f"springs {c.needed:.0f} N/mm",
        "ride height": lambda c: f"ride height +{c.needed:.0f} mm",
        "stop": lambda c: f"bump stop at {c.needed:.0f} mm",
    }
    able = [short[cure.kind](cure) for cure in sheet.cures if cure.possible and cure.needed is not None]
    unable = [cure.kind for cure in sheet.cures if not cure.possible]
    axle = axle_of(sheet.place.corner)
    parts = []
    if able:
        parts.append(f"Any one of these at the {axle} clears it: {', or '.join(able)}.")
    if unable:
        parts.append(f"Alone not enough: {listed(unable)}.")
    return " ".join(parts) or sheet.why_no_cures


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
