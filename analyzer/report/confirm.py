"""A confirmed (or not) change on a terminal, readable at 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.console import Console

from analyzer.report.console import plain_table, say, show
from analyzer.report.verdict_text import change_words, comparison_answer, next_step, smallest_visible
from analyzer.report.wording import figure, label, sentence, value_with_interval

if TYPE_CHECKING:
    from analyzer.comparison.results import AxleSettings, Confirmation
    from analyzer.estimate import Estimate

_MOST_REASONS: Final = 5
_FEW_REASONS: Final = 2
"""Reasons named where the errors explain what was seen: the likeliest, in case the tuner knows better."""
_NONE_NEEDED: Final = 0.5
_NAME: Final = 24
_KINDS: Final = {
    "N m/deg": "roll stiffness, N m/deg",
    "deg/g": "roll, deg/g",
    "N/g": "load moved per g, N/g",
}
"""Unit of the ledger's lines and the head of their table."""


def print_confirmation(confirmation: Confirmation, console: Console) -> None:
    """Print the verdict, then what it rests on.

    Parameters
    ----------
    confirmation : Confirmation
        From `analyzer.comparison.confirm.confirm`.
    console : Console
        Where to.
    """
    _verdict(confirmation, console)
    _next(confirmation, console)
    _parts(confirmation, console)
    _reasons(confirmation, console)
    _session(confirmation, console)
    say(console, "")
    for caution in confirmation.cautions:
        say(console, f"Caution: {sentence(caution)}")


def _verdict(confirmation: Confirmation, console: Console) -> None:
    comparison = confirmation.comparison
    say(console, comparison_answer(comparison), style="bold")
    say(console, sentence(comparison.reason))
    say(console, smallest_visible(comparison))
    say(
        console, f"Roll stiffness of the whole car: {change_words(confirmation.car_ratio, '95 % interval ')}."
    )
    line = f"Order of driving: {label(confirmation.order, 60)}"
    if confirmation.drift is None:
        line += "; drift cannot be told from this order"
    else:
        drift = 100.0 * (confirmation.drift.value or 0.0)
        error = 100.0 * (confirmation.drift.std_error or 0.0)
        line += f"; drift of {drift:+.2f} ± {error:.2f} % per run taken out"
    say(console, line + ".")
    for text in (*comparison.differences, *comparison.notes):
        say(console, f"  {sentence(text)}")
    changed = [item for item in confirmation.left_out if item.verdict is not comparison.verdict]
    for item in changed:
        say(console, f"  Without {label(item.run, _NAME)} the verdict would be: {item.verdict.value}.")
    if confirmation.left_out and not changed:
        say(console, "  The verdict is the same whichever one run is left out.")


def _next(confirmation: Confirmation, console: Console) -> None:
    say(console, next_step(confirmation.comparison), style="bold")
    say(console, f"Runs: {sentence(confirmation.plan)}")


def _parts(confirmation: Confirmation, console: Console) -> None:
    """Print the ledger, one table per kind of figure."""
    for unit, words in _KINDS.items():
        table = plain_table((words, "before", "after", "change"), 1)
        rows = [part for part in confirmation.parts if part.before.unit == unit]
        for part in rows:
            table.add_row(part.name, *(figure(e, False) for e in (part.before, part.after, part.change)))
        if unit == "N m/deg":
            pair = [r.measured["roll_stiffness_total"] for r in (confirmation.before, confirmation.after)]
            table.add_row("car measured", *(figure(e, False) for e in pair), "")
        if rows:
            show(console, table, below=unit == "N/g")


def _reasons(confirmation: Confirmation, console: Console) -> None:
    reasons = confirmation.reasons
    say(console, f"Reasons: {sentence(reasons.answer)}", style="bold")
    needed = reasons.none < _NONE_NEEDED
    for line in reasons.figures if needed else ():
        say(console, f"  {line}")
    if not reasons.ranked:
        return
    say(console, f"  {100.0 * reasons.none:3.0f} %  nothing but the errors of sheet and runs")
    for reason in reasons.ranked[: _MOST_REASONS if needed else _FEW_REASONS]:
        size = f"{reason.size.notes[0]} {value_with_interval(reason.size)}"
        say(
            console, f"  {100.0 * reason.probability:3.0f} %  {label(reason.name, 60)}: {size} if it is alone"
        )
        for line in (*reason.evidence, f"look at: {reason.check}") if needed else reason.evidence:
            say(console, f"         {label(line, 200)}")


def _session(confirmation: Confirmation, console: Console) -> None:
    for model in confirmation.bars:
        _bar_settings(model, console)
    if len(confirmation.settings) > 2:
        table = plain_table(
            ("set-up", "runs", "measured, N m/deg", "predicted", "sheet updated by the runs"), 1
        )
        for item in confirmation.settings:
            figures = (figure(e, False) for e in (item.measured, item.predicted, item.updated))
            table.add_row(label(item.setup, _NAME), str(item.runs), *figures)
        say(console, "Roll stiffness of the car on every set-up:")
        show(console, table, below=True)
        for pair in confirmation.pairs:
            _pair(pair.before, pair.after, pair.ratio, pair.p_value, pair.different, console)
    if not confirmation.shown:
        say(
            console,
            "The runs do not update the sheet: no roll was measured, or runs and sheet contradict each "
            "other; see the reasons.",
        )
    else:
        say(console, "What all runs together have shown, as a factor on the sheet:")
        for name, estimate in confirmation.shown.items():
            say(console, f"  {name}: {figure(estimate)} ({estimate.notes[0]}).")


def _bar_settings(model: AxleSettings, console: Console) -> None:
    if len(model.settings) < 2:
        return
    days = [label(name, _NAME) for name in model.sessions if name]
    also = f", with the runs of {', '.join(days)}" if days else ""
    say(console, f"Settings of the {model.axle} bar{also}:")
    table = plain_table(("setting", "runs", "N m/deg", "predicted", "above softest", "predicted"), 1)
    for item in model.settings:
        steps = ("", "") if item.step is None else (figure(item.step, False), _maybe(item.predicted_step))
        whole = (figure(item.measured, False), figure(item.predicted, False))
        table.add_row(label(item.setting, _NAME), str(item.runs), *whole, *steps)
    show(console, table, below=True)
    if len(model.settings) > 2:
        for pair in model.pairs:
            _pair(pair.before, pair.after, pair.ratio, pair.p_value, pair.different, console)
    springs = f"{figure(model.springs)}, predicted {figure(model.springs_predicted, False)}"
    say(console, f"  Without the bar the {model.axle} axle has {springs}.")
    if model.friction.value is not None:
        say(console, f"  Dry friction of one {model.axle} corner: {figure(model.friction)} at the wheel.")


def _maybe(estimate: Estimate | None) -> str:
    return "" if estimate is None else figure(estimate, False)


def _pair(before: str, after: str, ratio: Estimate, chance: float, different: bool, console: Console) -> None:
    word = "different" if different else "not shown to differ"
    names = f"{label(before, _NAME)} and {label(after, _NAME)}"
    say(console, f"  {names}: {word}, {value_with_interval(ratio)}, chance {chance:.2g}.")
