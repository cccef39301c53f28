"""The tables of the page: cells as a reader sees them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from analyzer.constants import AXLES
from analyzer.estimate import Estimate
from analyzer.ingest.recording import Verdict
from analyzer.report.results import left_share
from analyzer.report.text import CORNER_WORDS, advice, events, findings
from analyzer.report.wording import (
    UNKNOWN,
    count,
    degrees,
    figure,
    interval,
    label,
    millimetres,
    percent,
    readable,
    reason,
    sentence,
    value_with_interval,
)

if TYPE_CHECKING:
    from analyzer.comparison.results import SetupResult
    from analyzer.ingest.recording import HealthRow
    from analyzer.processing.results import RunEstimates
    from analyzer.session import Review

MOST_ROWS: Final = 40
"""More rows than this stand in the CSV tables only, and the page says so."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: text, a smaller remark under it, whether it is a number, and a class for its look."""

    text: str
    remark: str = ""
    number: bool = False
    look: str = ""


@dataclass(frozen=True, slots=True)
class PageTable:
    """One table of the page; the first cell of a row names it."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""
    folded: bool = field(default=False)


def number(estimate: Estimate | None, with_unit: bool = False) -> Cell:
    """Return the cell of an estimate; an unknown one says why in a remark."""
    if estimate is None:
        return Cell(UNKNOWN, number=True)
    return Cell(figure(readable(estimate), with_unit), reason(estimate), number=True)


def runs_table(review: Review) -> PageTable:
    """Return one row per run, those left out at the end with the reason."""
    rows = [_run_row(review, run) for run in review.runs]
    blank = (Cell(UNKNOWN, number=True),) * 7
    rows += [
        (Cell(label(name)), Cell("left out", sentence(why), look="bad"), *blank)
        for name, why in review.failed.items()
    ]
    return PageTable(
        "Runs",
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


def health_table(review: Review, everything: bool) -> PageTable:
    """Return the findings of the checks, or every check row when `everything`."""
    rows = (
        [(recording.run, row) for recording in review.recordings for row in recording.health]
        if everything
        else findings(review)
    )
    return PageTable(
        "Every check of every log" if everything else "Checks that ask for a look",
        ("Run", "Channel", "Check", "Verdict", "Found", "Limit", "What it means"),
        tuple(_health_row(name, row) for name, row in rows[: MOST_ROWS * (5 if everything else 1)]),
        _more(len(rows), MOST_ROWS * (5 if everything else 1), "health.csv"),
    )


def _health_row(run: str, row: HealthRow) -> tuple[Cell, ...]:
    look = {Verdict.BAD: "bad", Verdict.SUSPECT: "suspect"}.get(row.verdict, "")
    return (
        Cell(label(run)),
        Cell(label(row.channel)),
        Cell(label(row.check)),
        Cell(row.verdict.value, look=look),
        _plain(row.value, row.unit),
        _plain(row.threshold, row.unit),
        Cell(sentence(row.comment)),
    )


def _plain(value: float | None, unit: str) -> Cell:
    return Cell(
        UNKNOWN if value is None else f"{value:.4g} {label(unit, 12) if unit else ''}".strip(), number=True
    )


def ledger_table(review: Review) -> PageTable:
    """Return measured against predicted, with what is left unexplained."""
    rows = [(setup.name, row) for setup in review.setups for row in setup.ledger]
    words = {True: Cell("yes"), False: Cell("no", look="suspect"), None: Cell("cannot tell")}
    return PageTable(
        "Measured against predicted",
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


def changes_table(review: Review) -> PageTable:
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
            for c in review.comparisons[:MOST_ROWS]
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
            "What acts against it",
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
                Cell(advice(event)),
            )
            for run, event in found[:most]
        ),
        "Travel counts from static ride height; met at: damper speed when it touched the stop. What acts "
        f"against it: common practice, by the largest part. {_more(len(found), most, 'bottoming.csv')}",
    )


def prediction_table(setup: SetupResult) -> PageTable:
    """Return what the sheet predicts for one set-up."""
    prediction = setup.predicted
    rows: list[tuple[str, Estimate]] = [
        (f"{axle} bar rate per side, {label(bar.setting)}", bar.rate) for axle, bar in prediction.bars.items()
    ]
    for group, words in (
        (prediction.roll_stiffness, "roll stiffness"),
        (prediction.roll_gradient, "roll gradient"),
        (prediction.roll_gradient_body, "roll per force in body axes"),
    ):
        rows += [(f"{words} {key}", estimate) for key, estimate in group.items()]
    for axle, transfer in prediction.load_transfer.items():
        rows += [
            (f"load transfer {axle}, {part}", getattr(transfer, part))
            for part in ("elastic", "geometric", "unsprung", "total")
        ]
    rows.append(("front share of load transfer", percent(prediction.front_share)))
    return _estimates_table(f"Predicted for {label(setup.name)}", rows, "; ".join(prediction.assumed))


def measured_table(setup: SetupResult) -> PageTable:
    """Return what all runs of one set-up showed together."""
    rows = [(key.replace("_", " "), estimate) for key, estimate in setup.measured.items()]
    return _estimates_table(f"Measured on {label(setup.name)}", rows, "")


def further_table(run: RunEstimates) -> PageTable:
    """Return the further figures of one run."""
    rows: list[tuple[str, Estimate]] = [
        (f"roll per force in body axes, {key}", estimate) for key, estimate in run.roll_gradient_body.items()
    ]
    for axle, share in run.load_share.items():
        rows += [
            (f"lowest wheel load, {axle}", share.lowest_load),
            (f"time with a light wheel, {axle}", percent(share.light_time)),
        ]
    rows += [(key.replace("_", " "), estimate) for key, estimate in run.further.items()]
    return _estimates_table(f"More figures of {label(run.name)}", rows, "")


def compliance_table(setup: SetupResult) -> PageTable | None:
    """Return the compliance budget of the bars of one set-up."""
    rows = [
        (
            Cell(f"{axle}, {label(bar.setting)}"),
            Cell(label(part)),
            Cell(f"{compliance * 1e6:.3g} mm/kN", number=True),
            Cell(f"{100.0 * compliance * bar.rate.value:.0f} %" if bar.rate.value else UNKNOWN, number=True),
        )
        for axle, bar in setup.predicted.bars.items()
        for part, compliance in bar.compliance.items()
    ]
    if not rows:
        return None
    return PageTable(
        f"What gives in the bar, {label(setup.name)}",
        ("Bar", "Part", "Compliance", "Share"),
        tuple(rows),
        "Deflection of each link per force there, part by part; the parts add up.",
    )


def _estimates_table(caption: str, rows: Sequence[tuple[str, Estimate]], assumed: str) -> PageTable:
    return PageTable(
        caption,
        ("Quantity", "Value", "95 % interval", "How"),
        tuple(
            (
                Cell(label(words, 60)),
                number(estimate, True),
                Cell(interval(readable(estimate)) or UNKNOWN, number=True),
                Cell(label(estimate.method, 90) if estimate.method else UNKNOWN),
            )
            for words, estimate in rows
        ),
        f"Assumed, since the sheet is silent: {sentence(assumed)}" if assumed else "",
    )


def _more(found: int, shown: int, file: str) -> str:
    return f"{found - shown} more stand in tables/{file}." if found > shown else ""
