"""The tables of the page: cells as a reader sees them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from analyzer.constants import AXLES, STANDARD_GRAVITY
from analyzer.estimate import Estimate
from analyzer.ingest.recording import Verdict
from analyzer.report.cells import Cell, PageTable, number
from analyzer.report.results import left_share
from analyzer.report.text import CORNER_WORDS, events, findings, lead_rows
from analyzer.report.wording import (
    UNKNOWN,
    count,
    degrees,
    figure,
    interval,
    label,
    millimetres,
    percent,
    reason,
    sentence,
    value_with_interval,
)
from analyzer.units import KM_PER_H, MM_PER_M

if TYPE_CHECKING:
    from analyzer.comparison.results import Comparison
    from analyzer.ingest.recording import HealthRow, Recording
    from analyzer.processing.results import BottomingEvent, RunEstimates
    from analyzer.session import Review

MOST_ROWS: Final = 40
"""More rows than this stand in the CSV tables only, and the page says so."""


_LOOK: Final = {Verdict.GOOD: "", Verdict.NOT_TESTED: "", Verdict.SUSPECT: "suspect", Verdict.BAD: "bad"}


_HEALTH_COLUMNS: Final = ("Run", "Channel", "Check", "Verdict", "Found", "Limit", "What it means")


def runs_table(review: Review) -> PageTable:
    """Return one row per run, those left out at the end with the reason."""
    rows = [_run_row(review, run) for run in review.runs]
    blank = (Cell(UNKNOWN, number=True),) * 7
    rows += [
        (Cell(label(name)), Cell("left out", sentence(why), look="bad"), *blank)
        for name, why in review.failed.items()
    ]
    return PageTable(
        "Runs: roll gradient, load share, bottoming",
        (
            "Run",
            "Set-up",
            "Front, deg/g",
            "Rear, deg/g",
            "Body to ground, deg/g",
            "Left share front, %",
            "Left share rear, %",
            "Stiffness measured / predicted",
            "Bottomed",
        ),
        tuple(rows),
        "Roll gradient per unit of level-road lateral acceleration; ± is one standard error.",
    )


def _run_row(review: Review, run: RunEstimates) -> tuple[Cell, ...]:
    found = sum(name == run.name for name, _ in findings(review))
    remark = f"{count(found, 'check')} to look at" if found else ""
    share = tuple(number(percent(left_share(run, axle))) for axle in AXLES)
    return (
        Cell(label(run.name), remark),
        Cell(label(run.setup)),
        *(number(run.roll_gradient.get(key)) for key in ("front", "rear", "total")),
        *share,
        number(run.further.get("roll_stiffness_ratio")),
        Cell(str(len(run.bottoming)), number=True),
    )


def findings_table(review: Review) -> PageTable:
    """Return the checks that ask for a look, bad ones first."""
    rows = findings(review)
    return PageTable(
        "Checks that ask for a look",
        _HEALTH_COLUMNS,
        tuple(_health_row(name, row) for name, row in rows[:MOST_ROWS]),
        _more(len(rows), MOST_ROWS, "health.csv"),
    )


def health_table(caption: str, recording: Recording) -> PageTable:
    """Return the checks of one log that are not good."""
    rows = [row for row in recording.health if row.verdict is not Verdict.GOOD]
    return PageTable(
        caption,
        _HEALTH_COLUMNS[1:],
        tuple(_health_row(recording.run, row)[1:] for row in rows),
    )


def checks_table(review: Review) -> PageTable:
    """Return how often each check came out how, over all channels and runs."""
    counts: dict[str, Counter[Verdict]] = {}
    for recording in review.recordings:
        for row in recording.health:
            counts.setdefault(row.check, Counter())[row.verdict] += 1
    return PageTable(
        "Every check, counted over channels and runs",
        ("Check", *(verdict.value for verdict in Verdict)),
        tuple(
            (
                Cell(label(check)),
                *(
                    Cell(str(found[verdict]), number=True, look=_LOOK[verdict] if found[verdict] else "")
                    for verdict in Verdict
                ),
            )
            for check, found in sorted(counts.items())[: 2 * MOST_ROWS]
        ),
        "Each one with figure and limit stands in tables/health.csv.",
    )


def _health_row(run: str, row: HealthRow) -> tuple[Cell, ...]:
    return (
        Cell(label(run)),
        Cell(label(row.channel)),
        Cell(label(row.check)),
        Cell(row.verdict.value, look=_LOOK[row.verdict]),
        _plain(row.value, row.unit),
        _plain(row.threshold, row.unit),
        Cell(sentence(row.comment)),
    )


def _plain(value: float | None, unit: str) -> Cell:
    shown = "" if unit in ("", "1") else label(unit, 12)
    return Cell(UNKNOWN if value is None else f"{value:.4g} {shown}".strip(), number=True)


def ledger_table(review: Review, everything: bool) -> PageTable:
    """Return measured against predicted, with what is left unexplained: each axle, or `everything`."""
    rows = [
        (setup.name, row)
        for setup in review.setups
        for row in (setup.ledger if everything else lead_rows(setup))
    ]
    words = {True: Cell("yes"), False: Cell("no", look="suspect"), None: Cell("cannot tell")}
    return PageTable(
        "All figures measured against predicted" if everything else "Measured against predicted",
        ("Set-up", "Quantity", "Measured", "Predicted", "Ratio", "Unexplained", "Agrees"),
        tuple(
            (
                Cell(label(name)),
                Cell(label(row.quantity)),
                number(row.measured, True),
                number(row.predicted, True),
                Cell(value_with_interval(row.ratio), reason(row.ratio), number=True),
                number(row.unexplained, True),
                words[row.agrees],
            )
            for name, row in rows[:MOST_ROWS]
        ),
        "Unexplained: measured less predicted, with the errors of both. "
        + _more(len(rows), MOST_ROWS, "setups.csv"),
    )


def changes_table(comparisons: Sequence[Comparison]) -> PageTable:
    """Return every comparison of two set-ups."""
    return PageTable(
        "Changes of set-up",
        (
            "Change",
            "Axle",
            "Verdict",
            "Stiffness after / before",
            "95 % interval",
            "Predicted",
            "Smallest visible",
        ),
        tuple(
            (
                Cell(f"{label(c.before, 16)} to {label(c.after, 16)}"),
                Cell(c.axle or "car"),
                Cell(c.verdict.value, look="verdict"),
                number(c.stiffness_ratio),
                Cell(interval(c.stiffness_ratio) or UNKNOWN, number=True),
                Cell(value_with_interval(c.predicted_ratio), reason(c.predicted_ratio), number=True),
                _small(c.smallest_visible),
            )
            for c in comparisons[:MOST_ROWS]
        ),
    )


def _small(estimate: Estimate) -> Cell:
    if estimate.value is None:
        return number(estimate)
    shown = percent(estimate)
    text = figure(shown, True) if shown.std_error is not None else f"{shown.value:.2g} %"
    return Cell(text, number=True)


def events_table(review: Review, most: int) -> PageTable:
    """Return at most `most` bottoming events, hardest first."""
    found = events(review)
    return PageTable(
        "Bottoming, hardest first",
        (
            "Corner",
            "Where",
            "Run",
            "Log time",
            "Into the stop",
            "Peak travel",
            "Met at",
            "Bank",
            "Travel made of",
        ),
        tuple(
            (
                Cell(
                    CORNER_WORDS[event.corner],
                    "hard" if event.hard else "",
                    look="verdict" if event.hard else "",
                ),
                Cell(label(event.section)),
                Cell(label(run.name)),
                Cell(f"{event.start_s:.2f} to {event.end_s:.2f} s", number=True),
                Cell(millimetres(event.stop_compression, 1), number=True),
                Cell(millimetres(event.peak, 1), number=True),
                Cell(f"{event.approach_speed:.2f} m/s", number=True),
                Cell(degrees(event.bank, 1), number=True),
                Cell(_budget(event)),
            )
            for run, event in found[:most]
        ),
        "Travel counts from static ride height; met at: damper speed when it touched the stop. Against heave "
        "and pitch a bar does nothing: spring, ride height, damping, bump stop or speed do. Against roll a "
        f"stiffer bar on that axle acts (common practice). {_more(len(found), most, 'bottoming.csv')}",
    )


def event_details_table(review: Review) -> PageTable:
    """Return what else is known of each bottoming event, hardest first."""
    found = events(review)
    return PageTable(
        "More of each event, hardest first",
        (
            "Corner",
            "Run",
            "Distance",
            "Speed",
            "Error of the peak",
            "Jolt",
            "Felt by the body",
            "Path over crest or dip",
            "In-plane force kept",
        ),
        tuple(
            (
                Cell(CORNER_WORDS[event.corner], label(event.section)),
                Cell(label(run.name), f"{event.peak_s:.2f} s"),
                _optional(event.distance, 1.0, "m", 0),
                _optional(event.speed, KM_PER_H, "km/h", 0),
                _optional(event.peak_error, MM_PER_M, "mm", 1),
                _optional(event.jolt, 1.0 / STANDARD_GRAVITY, "g", 2),
                Cell({True: "yes", False: "no", None: UNKNOWN}[event.seen]),
                _optional(event.vertical_acceleration, 1.0 / STANDARD_GRAVITY, "g", 2),
                _optional(event.lateral_kept, 100.0, "%", 0),
            )
            for run, event in found[:MOST_ROWS]
        ),
        "Distance and speed at the deepest point, where speed was logged. Jolt: vertical force per mass "
        "above that around the contact. Path: negative over a crest, positive in a dip. In-plane force kept: "
        f"during and just after, over just before. {_more(len(found), MOST_ROWS, 'bottoming.csv')}",
    )


def droop_table(review: Review) -> PageTable:
    """Return the moments at which a damper was fully extended."""
    found = [(run, event) for run in review.runs for event in run.topping]
    return PageTable(
        "Dampers at full droop",
        ("Corner", "Where", "Run", "Log time", "Met at"),
        tuple(
            (
                Cell(CORNER_WORDS[event.corner]),
                Cell(label(event.section)),
                Cell(label(run.name)),
                Cell(f"{event.start_s:.2f} to {event.end_s:.2f} s", number=True),
                Cell(f"{event.approach_speed:.2f} m/s", number=True),
            )
            for run, event in found[:MOST_ROWS]
        ),
        "A wheel that hangs at full droop may leave the ground or pull on its damper's end. "
        f"{f'{len(found) - MOST_ROWS} more.' if len(found) > MOST_ROWS else ''}".strip(),
    )


def _optional(value: float | None, factor: float, unit: str, places: int) -> Cell:
    if value is None:
        return Cell(UNKNOWN, number=True)
    return Cell(f"{value * factor + 0.0:.{places}f} {unit}".replace("-", "−"), number=True)


def _budget(event: BottomingEvent) -> str:
    if event.budget is None:
        return "not known: another corner's travel is missing"
    parts = [(part, getattr(event.budget, part)) for part in ("heave", "roll", "pitch", "warp")]
    return ", ".join(f"{part} {millimetres(travel).removesuffix(' mm')}" for part, travel in parts) + " mm"


def _more(found: int, shown: int, file: str) -> str:
    return f"{found - shown} more stand in tables/{file}." if found > shown else ""
