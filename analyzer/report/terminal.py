"""The three answers on a terminal, readable at 80 columns and plain when piped."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.console import Console
from rich.text import Text

from analyzer.report.console import plain_table, say, show
from analyzer.report.text import (
    CORNER_WORDS,
    driver_answer,
    driver_points,
    events,
    findings,
    lead_rows,
    placeholder_points,
    team_answer,
)
from analyzer.report.verdict_text import (
    changed_parts,
    comparison_answer,
    next_step,
    smallest_visible,
    tuner_answer,
)
from analyzer.report.wording import (
    UNKNOWN,
    clause,
    degrees,
    figure,
    label,
    listed,
    millimetres,
)

if TYPE_CHECKING:
    from analyzer.estimate import Estimate
    from analyzer.session import Review

_MOST_EVENTS: Final = 8
_MOST_LINES: Final = 8
_NAME: Final = 14


def print_summary(review: Review, console: Console) -> None:
    """Print team, tuner and driver part, each starting with the answer in one sentence.

    Parameters
    ----------
    review : Review
        What is shown.
    console : Console
        Where to; colours appear only when it is a terminal.
    """
    title = f"{label(review.session.sheet.name, 60)}, {label(review.session.car.name, 40)}"
    console.print(Text(title, style="bold"))
    _team(review, console)
    _tuner(review, console)
    _driver(review, console)


def _team(review: Review, console: Console) -> None:
    _heading(console, "Team", team_answer(review))
    table = plain_table(("run", "set-up", "front deg/g", "rear deg/g", "bottomed", "checks"), right_from=2)
    found = findings(review)
    for run in review.runs:
        asked = sum(name == run.name for name, _ in found)
        table.add_row(
            _cell(run.name),
            _cell(run.setup),
            _figure(run.roll_gradient.get("front")),
            _figure(run.roll_gradient.get("rear")),
            Text(str(len(run.bottoming))),
            Text(f"{asked} to look at" if asked else "good"),
        )
    show(console, table)
    lines = list(placeholder_points(review))
    lines += [f"{label(name, _NAME)} left out: {clause(why)}" for name, why in review.failed.items()]
    same: dict[str, list[str]] = {}
    for name, row in found:
        what = f"{label(row.channel, 20)} {label(row.check, 20)}: {clause(row.comment, 160)}"
        same.setdefault(what, []).append(label(name, _NAME))
    lines += [f"{listed(names)} {what}" for what, names in same.items()]
    if lines:
        console.print()
    _lines(console, lines[:_MOST_LINES])
    if len(lines) > _MOST_LINES:
        _lines(console, [f"{len(lines) - _MOST_LINES} more in the report"])


def _tuner(review: Review, console: Console) -> None:
    _heading(console, "Tuner", tuner_answer(review))
    several = len(review.comparisons) > 1
    for comparison in review.comparisons:
        lines = [comparison_answer(comparison)] if several else []
        lines.append(changed_parts(review, comparison))
        if comparison.reason:
            lines.append(f"Why: {clause(comparison.reason)}.")
        lines.append(smallest_visible(comparison))
        lines += [f"Also different: {clause(difference, 160)}." for difference in comparison.differences]
        _lines(console, [*lines, next_step(comparison)])
    table = plain_table(("set-up", "quantity", "measured", "predicted", "ratio"), right_from=2)
    for setup in review.setups:
        for row in lead_rows(setup):
            table.add_row(
                _cell(setup.name),
                _cell(f"{row.quantity}, {row.measured.unit}", 32),
                _figure(row.measured),
                _figure(row.predicted),
                _figure(row.ratio),
            )
    if table.row_count:
        show(console, table)


def _driver(review: Review, console: Console) -> None:
    _heading(console, "Driver", driver_answer(review))
    found = events(review)
    if not found:
        return
    table = plain_table(("corner", "where", "run", "at", "into stop", "bank"), right_from=3)
    for run, event in found[:_MOST_EVENTS]:
        table.add_row(
            Text(CORNER_WORDS[event.corner] + (", hard" if event.hard else "")),
            _cell(event.section, 20),
            _cell(run.name),
            Text(f"{event.peak_s:.1f} s"),
            Text(millimetres(event.stop_compression, 1)),
            Text(degrees(event.bank)),
        )
    show(console, table)
    if len(found) > _MOST_EVENTS:
        _lines(console, [f"{len(found) - _MOST_EVENTS} more in the report"])
    console.print()
    _lines(console, list(driver_points(review)))


def _heading(console: Console, reader: str, answer: str) -> None:
    console.print()
    console.print(Text(reader, style="bold blue"))
    say(console, answer)


def _lines(console: Console, lines: list[str]) -> None:
    for line in lines:
        say(console, line, indent=2)


def _cell(text: str, longest: int = _NAME) -> Text:
    return Text(label(text, longest))


def _figure(estimate: Estimate | None) -> Text:
    return Text(UNKNOWN if estimate is None else figure(estimate, False))
