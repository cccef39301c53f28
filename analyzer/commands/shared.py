"""What the commands share: options of the same meaning, and the ways to the terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from rich.console import Console

SessionPath = Annotated[
    Path, typer.Argument(metavar="SESSION", help="Session sheet, or the folder that holds session.toml.")
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the results as JSON instead of text.")]


def console() -> Console:
    """Return the terminal as tables and wrapped text are printed to it."""
    from rich.console import Console

    return Console(highlight=False, soft_wrap=False)


def print_json(table: dict[str, Any]) -> None:
    """Print results for scripts."""
    import json

    from analyzer.commands.narrow import holds

    text = json.dumps(table, indent=2, ensure_ascii=False, allow_nan=False)
    # A stand-in would change a value and may break a string; an escape is read back as what it was.
    print(text if holds(text) else json.dumps(table, indent=2, allow_nan=False))


@contextmanager
def progress(silent: bool) -> Iterator[Callable[[str, int, int], None]]:
    """Show what is being done as a bar on standard error, when that is a terminal.

    Into a file or a pipe nothing is written, so that standard error holds error lines alone.
    """
    if silent or not sys.stderr.isatty():
        yield lambda _what, _done, _all: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    columns = (TextColumn("{task.description}"), BarColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as display:
        task = display.add_task("starting", total=None)
        yield lambda what, done, steps: display.update(
            task, description=what, completed=done, total=steps or None
        )
