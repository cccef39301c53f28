"""How text reaches the terminal: nothing that steers it, nothing that it cannot write, and how work goes on.

Whatever a command prints goes through here, and what would steer the terminal is taken out on the way: names
of runs, columns and files are not ours. Terminals and files that cannot hold every sign get plain stand-ins,
not a broken-off output.
"""

from __future__ import annotations

import codecs
import errno
import io
import os
import sys
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from analyzer.core.errors import plain_text

if TYPE_CHECKING:
    from rich.console import Console

HANDLER: Final = "analyzer-plain"
STAND_INS: Final = {
    "±": "+/-",
    "−": "-",
    "–": "-",
    "—": "-",
    "°": "deg",
    "º": "deg",
    "²": "^2",
    "³": "^3",
    "·": ".",
    "×": "x",
    "≤": "<=",
    "≥": ">=",
    "≈": "~",
    "→": "->",
    "←": "<-",
    "…": "...",
    "“": '"',
    "”": '"',
    "„": '"',
    "‘": "'",
    "’": "'",
    "µ": "u",
    "μ": "u",
    "Ω": "ohm",
    "•": "*",
    "ø": "o",
    "Ø": "O",
    "æ": "ae",
    "Æ": "AE",
    "ł": "l",
    "Ł": "L",
    "\u00a0": " ",
    "\u2009": " ",
    "\u202f": " ",
    "\u2068": "",
    "\u2069": "",
}
"""Signs that texts of the program hold, and what is written where they cannot be. All of it is ASCII."""


def print_text(text: str, end: str = "\n") -> None:
    """Print to standard output."""
    print(plain_text(text), end=end)


def print_error(text: str) -> None:
    """Print to standard error."""
    print(plain_text(text), file=sys.stderr)


def terminal(stderr: bool = False) -> Console:
    """Return the terminal as tables and wrapped text are printed to it."""
    from rich.console import Console
    from rich.segment import Segment

    class Terminal(Console):
        def render(self, renderable: Any, options: Any = None) -> Iterator[Segment]:
            # Of its own control codes only those that the library makes itself.
            for part in super().render(renderable, options):
                yield part if part.control else Segment(plain_text(part.text), part.style)

        def on_broken_pipe(self) -> None:
            # Its own way is to end the program as failed. Numbered as the system's own: no fault of ours.
            raise BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))

    return Terminal(stderr=stderr, highlight=False, markup=False, emoji=False, soft_wrap=False)


def print_json(table: dict[str, Any]) -> None:
    """Print results for scripts."""
    from analyzer.core.files import json_text

    text = json_text(table, sort_keys=False)
    # A stand-in would change a value and may break a string; an escape is read back as what it was.
    print_text(text if holds(text) else json_text(table, sort_keys=False, ensure_ascii=True), end="")


@contextmanager
def progress(silent: bool, counts: bool = False) -> Iterator[Callable[[str, int, int], None]]:
    """Show what is being done as a bar on standard error, when that is a terminal.

    The time so far always runs; where the steps are alike, `counts` adds their number and the time left.
    Into a file or a pipe nothing is written, so that standard error holds error lines alone.
    """
    if silent or not sys.stderr.isatty():
        yield lambda _what, _done, _all: None
        return
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        ProgressColumn,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    # A run may be called "[/]": names are no markup.
    columns: list[ProgressColumn] = [TextColumn("{task.description}", markup=False), BarColumn(20)]
    columns += [MofNCompleteColumn(), TimeRemainingColumn()] if counts else [TimeElapsedColumn()]
    with Progress(*columns, console=terminal(stderr=True), transient=True) as display:
        # An empty bar, not one that pulses: that looks the same whether anything happens or not.
        task = display.add_task("starting", total=1)
        yield lambda what, done, steps: display.update(
            task, description=what, completed=done, total=steps or 1
        )


def write_plainly() -> None:
    """Let standard output and error write stand-ins for what their encoding lacks.

    Nothing changes for what the encoding holds; in UTF-8 that is all but names with undecodable bytes.
    """
    codecs.register_error(HANDLER, _stand_ins)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=HANDLER)


def holds(text: str) -> bool:
    """Return whether standard output can write `text` as it is."""
    try:
        text.encode(sys.stdout.encoding or "utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _stand_ins(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(map(stand_in, error.object[error.start : error.end])), error.end


def stand_in(sign: str) -> str:
    """Return ASCII for one sign; a letter loses its accent, what has no likeness is written as its number."""
    if sign in STAND_INS:
        return STAND_INS[sign]
    # Not dropped or "?": two names in another script must not become the same.
    bare = unicodedata.normalize("NFKD", sign).encode("ascii", "ignore").decode()
    return bare or sign.encode("ascii", "backslashreplace").decode()
