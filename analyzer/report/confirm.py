"""A confirmed (or not) change on a terminal, readable at 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.console import Console

from analyzer.constants import AXLES
from analyzer.report.console import plain_table, say, show
from analyzer.report.verdict_text import change_words, comparison_answer, smallest_visible
from analyzer.report.wording import figure, label, sentence, value_with_interval

if TYPE_CHECKING:
    from analyzer.comparison.results import AxleSettings, Confirmation
    from analyzer.estimate import Estimate

_MOST_REASONS: Final = 5
_NAME: Final = 24


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
    _stiffness(confirmation, console)
    _ledger(confirmation, console)
    _reasons(confirmation, console)
    _session(confirmation, console)
    say(console, "")
    say(console, f"Next: {sentence(confirmation.plan)}")
    for caution in confirmation.cautions:
        say(console, f"Caution: {sentence(caution)}")


def _verdict(confirmation: Confirmation, console: Console) -> None:
    comparison = confirmation.comparison
    say(console, comparison_answer(comparison), style="bold")
    say(console, sentence(comparison.reason))
    say(console, smallest_visible(comparison))
    say(console, f"The car as a whole: {change_words(confirmation.car_ratio, '95 % interval ')}.")
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


def _stiffness(confirmation: Confirmation, console: Console) -> None:
    table = plain_table(("roll stiffness, N m/deg", "before", "after"), 1)
    for part in (*AXLES, "total"):
        pair = [r.measured[f"roll_stiffness_{part}"] for r in (confirmation.before, confirmation.after)]
        table.add_row("car" if part == "total" else part, *(figure(e, False) for e in pair))
    show(console, table, below=True)


def _ledger(confirmation: Confirmation, console: Console) -> None:
    table = plain_table(("ledger", "before", "after", "change"), 1)
    for part in confirmation.parts:
        name = f"{part.name}, {part.before.unit}"
        table.add_row(name, *(figure(e, False) for e in (part.before, part.after, part.change)))
    show(console, table, below=True)


def _reasons(confirmation: Confirmation, console: Console) -> None:
    reasons = confirmation.reasons
    say(console, f"Reasons: {sentence(reasons.answer)}", style="bold")
    for line in reasons.figures:
        say(console, f"  {line}")
    if not reasons.ranked:
        return
    say(console, f"  {100.0 * reasons.none:3.0f} %  nothing but the errors of sheet and runs")
    for reason in reasons.ranked[:_MOST_REASONS]:
        size = f"{reason.size.notes[0]} {value_with_interval(reason.size)}"
        say(
            console, f"  {100.0 * reason.probability:3.0f} %  {label(reason.name, 60)}: {size} if it is alone"
        )
        for line in (*reason.evidence, f"look at: {reason.check}"):
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
