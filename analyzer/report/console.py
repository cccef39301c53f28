"""What all commands share on a terminal: wrapped lines with a hanging indent, and plain tables."""

from __future__ import annotations

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text


def say(console: Console, line: str, style: str = "", indent: int = 0, hang: int = 0) -> None:
    """Print a line, wrapped; what goes on stands `hang` further in than the first.

    Blanks at the start of `line` count as indent. Nothing in the line is taken for markup.
    """
    start = len(line) - len(line.lstrip(" "))
    indent += start
    width = max(console.width - indent - hang, 20)
    for number, piece in enumerate(Text(line[start:]).wrap(console, width) or [Text("")]):
        piece.rstrip()
        piece.stylize(style)
        console.print(Text(" " * (indent + (hang if number else 0))).append_text(piece))


def plain_table(columns: tuple[str, ...], right_from: int) -> Table:
    """Return an empty table without a frame; columns from `right_from` on hold figures."""
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0), header_style="")
    for place, column in enumerate(columns):
        table.add_column(column, justify="right" if place >= right_from else "left", overflow="fold")
    return table


def show(console: Console, table: Table, indent: int = 0, below: bool = False) -> None:
    """Print a table with an empty line above it, and below it where asked."""
    console.print()
    console.print(Padding(table, (0, 0, 0, indent), expand=False) if indent else table)
    if below:
        console.print()
