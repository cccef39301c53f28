"""The next setting on a terminal, readable at 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.console import Console
from rich.table import Table

from analyzer.constants import AXLES
from analyzer.report.console import plain_table, say, show
from analyzer.report.wording import figure, label, sentence

if TYPE_CHECKING:
    from analyzer.comparison.choice import Choice, Option

FIGURES: Final = (
    ("gradient front", "roll gradient front"),
    ("gradient rear", "roll gradient rear"),
    ("gradient total", "roll gradient, body"),
    ("front share", "front part of the load transfer"),
    ("inside load front", "inside load front at 1 g"),
    ("inside load rear", "inside load rear at 1 g"),
    ("margin", "least travel left on the bank"),
)
"""Figures of an option as they are shown, and their words."""

_SHORT: Final = ("gradient total", "front share", "margin")
"""The figures shown of every option but the first."""


def print_choice(choice: Choice, console: Console) -> None:
    """Print the answer, then every option with what it does.

    Parameters
    ----------
    choice : Choice
        From `analyzer.comparison.choose.choose`.
    console : Console
        Where to.
    """
    say(console, f"Wish: {sentence(choice.wish)}")
    say(console, sentence(choice.answer), style="bold")
    say(console, f"On the car now: {'; '.join(choice.present[a] for a in AXLES)}.")
    say(console, f"Looked at {choice.tried} settings; prediction from {choice.basis}.")
    for line in choice.assumptions:
        say(console, f"  Taken for granted: {sentence(line)}")
    for number, option in enumerate(choice.options, start=1):
        _option(number, option, console, whole=number == 1)
    say(console, "")
    for caution in choice.cautions:
        say(console, f"Caution: {sentence(caution)}")


def _option(number: int, option: Option, console: Console, *, whole: bool) -> None:
    """Print an option; the first with all its figures, the others with those that tell them apart."""
    title = "; ".join(option.changes) if option.changes else "leave the car as it is"
    meets = "meets the wish" if option.reached else "does not quite meet the wish"
    say(console, "")
    say(console, f"{number}. {label(title, 200)}: {meets}.", style="bold")
    if option.chance is not None:
        say(console, f"   Chance that the wish is met, by the errors below: {_chance(option.chance)}.")
    table = plain_table(("figure", "now", "then", "change"), 1)
    for axle in AXLES:
        effect = option.effects[f"stiffness {axle}"]
        _row(table, f"roll stiffness {axle}, {effect.now.unit}", option, f"stiffness {axle}")
    for key, words in FIGURES:
        if key in option.effects and (whole or key in _SHORT):
            unit = option.effects[key].now.unit
            _row(table, words if unit == "1" else f"{words}, {unit}", option, key)
    show(console, table, indent=3, below=True)
    for axle, factor in option.stress_factor.items():
        if factor is not None:
            say(console, f"   Stress factor of the {axle} bar at full opposite travel: {factor:.2f}.")
    if option.plan is not None:
        say(console, f"   To confirm it: {sentence(option.plan.words)}")
    for caution in option.cautions:
        say(console, f"   Mind: {sentence(caution)}")


def _chance(chance: float) -> str:
    """Return a probability in percent; nothing computed from a model is certain."""
    if chance > 0.99:
        return "over 99 %"
    return "under 1 %" if chance < 0.01 else f"{100.0 * chance:.0f} %"


def _row(table: Table, words: str, option: Option, key: str) -> None:
    effect = option.effects[key]
    table.add_row(words, *(figure(e, False) for e in (effect.now, effect.then, effect.change)))
