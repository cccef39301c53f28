"""How text reaches the terminal and answers come back, and how a command and its process end.

Whatever a command prints goes through here, and what would steer the terminal is taken out on the way: names
of runs, columns and files are not ours. Terminals and files that cannot hold every sign get plain stand-ins,
not a broken-off output. An end is an exit code and one line: of an error, an interrupt, too little memory.
"""

from __future__ import annotations

import codecs
import errno
import gc
import io
import os
import signal
import sys
import traceback
import unicodedata
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any, Final, NoReturn

from analyzer.core import STOPPED, STOPPED_LINE
from analyzer.core.errors import AnalyzerError, Fault, one_line, place_of, plain_text

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


# Questions, asked again until the answer will do.


def ask(question: str, default: str) -> str:
    """Return what is typed after a question; Enter alone takes the `default`."""
    import typer

    try:
        return str(typer.prompt(plain_text(question), default=default)).strip()
    except typer.Abort:
        # Ctrl-C and the end of what is typed alike: nothing is written yet.
        raise KeyboardInterrupt from None


def ask_name(question: str, default: str) -> str:
    """Return a name of letters and digits."""
    while True:
        word = ask(question, default)
        if word.replace("_", "").replace("-", "").isalnum() and word.isascii():
            return word
        print_text("a name of letters and digits will do, for instance B")


def ask_choice(question: str, words: Sequence[str]) -> str:
    """Return one of some words, of which the first letters will do."""
    while True:
        said = ask(f"{question} ({', '.join(words)})", words[0]).lower()
        fits = [word for word in words if said and word.startswith(said)]
        if len(fits) == 1:
            return fits[0]
        print_text(f"write one of: {', '.join(words)}")


def ask_count(question: str, default: int, least: int, most: int) -> int:
    """Return a whole number between two."""
    while True:
        said = ask(question, str(default))
        if said.isascii() and said.isdigit() and least <= int(said) <= most:
            return int(said)
        print_text(f"write a number from {least} to {most}")


# How a command and its process end.


CHECK_FAILED: Final = 1
"""Exit code of a check that found something, where that was asked for."""
BAD_INPUT: Final = 2
"""Exit code when the user can put right what went wrong; one line on standard error says how."""
OUR_FAULT: Final = 3
"""Exit code when this program failed; what it was and what to send stands on standard error."""
LEAST_MEMORY: Final = 1_000_000_000
"""Bytes of address space (``ulimit -v``) under which no command is begun. Measured: a review of six runs of
50 s does with it; between 0.7 and 0.9 GB libraries of linear algebra and drawing now and then end the process
without a word, under 0.55 GB they wait for ever for memory that does not come."""
TOO_LITTLE_MEMORY: Final = (
    "not enough memory for this; close other programs, or give fewer runs or shorter logs at once"
)
NOT_LOADED: Final = ("failed to map segment", "annot allocate memory")
"""What the system's loader says when a part of a library finds no room (glibc, from memory)."""

LONGEST_COMMAND: Final = 200
"""Characters of a command that an error line still repeats."""


def run_process(main: Callable[[], None], listens: bool) -> None:
    """Run the command line as a process of its own; one that `listens` is stopped from the keyboard.

    The table reader's threads may still be ending when a command stops early, and taking the interpreter
    down under them has aborted the process on a loaded machine. By then every file is closed, so the process
    is left at once.
    """
    # Sheets, results and figures are many small objects that stay; looking through them for rings of objects
    # that nobody holds took a twelfth of a review's time and freed next to nothing.
    gc.set_threshold(100_000, 20, 50)
    # Standard error is for lines of this program: what a library warns of (a part of itself that found no
    # room, say) is no reader's concern. In the tests every warning is an error.
    if not sys.warnoptions:
        warnings.simplefilter("ignore")  # see above
    try:
        if listens:  # from here on what was begun is put in order first
            signal.signal(signal.SIGINT, signal.default_int_handler)
        write_plainly()
        main()
    except KeyboardInterrupt:
        # Between the parser and the end of a command.
        say(STOPPED_LINE)
        os._exit(STOPPED)
    except SystemExit as ending:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # the outcome stands
        with suppress(OSError, ValueError):  # a reader that is gone; the code below still tells how it ended
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(ending.code if isinstance(ending.code, int) else 0)


def run_command(app: Callable[..., Any]) -> None:
    """Run the command line; anything the user can put right becomes one line and exit code 2.

    A fault of this program that no run can be blamed for keeps its traceback, and ends with exit code 3.
    """
    # Matrices here are tall and thin: threads of the linear algebra wait for each other far longer than they
    # work (a fit of 10,000 x 6 took 7 ms with two threads on a busy machine, 0.5 ms with one).
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    try:
        _require_memory()
        code = app(standalone_mode=False)
        # The option parser takes an interrupt for itself and gives its exit code back.
        if code == STOPPED:
            raise KeyboardInterrupt
    except AnalyzerError as error:
        fail(str(error) + _would_do(error))
    except KeyboardInterrupt:
        fail(STOPPED_LINE, STOPPED)
    except MemoryError:
        fail(TOO_LITTLE_MEMORY)
    except BrokenPipeError:
        # The reader of our output went away (`analyzer ... | head`): nothing is wrong.
        sys.stderr.close()
        raise SystemExit(0) from None
    except OSError as error:
        fail(
            one_line(f"{error.filename or 'a file'}: {error.strerror or error}; check path, rights and space")
        )
    except Exception as error:  # a fault of ours that no run, figure or piece can be blamed for: code 3
        _unforeseen(error)
    raise SystemExit(code if isinstance(code, int) else 0)


def _unforeseen(error: Exception) -> NoReturn:
    """End a command by an error that is neither the user's nor the system's, nor a run's."""
    # The option parser's own errors, known by their shape since the parser keeps its classes private.
    message = getattr(error, "format_message", None)
    if message is not None:
        if type(error).__name__ == "NoArgsIsHelpError":
            print_text(message())
            raise SystemExit(BAD_INPUT) from None
        fail(one_line(f"{message()} (analyzer --help lists commands and options)"))
    if isinstance(error, ImportError) and any(words in str(error) for words in NOT_LOADED):
        fail(TOO_LITTLE_MEMORY)
    if _was_stopped(error):
        fail(STOPPED_LINE, STOPPED)

    print_error(traceback.format_exc().rstrip())
    fail(
        f"fault of this program ({type(error).__name__} in {place_of(error)}); send these lines to those who "
        "keep the program, with the sheets and logs",
        OUR_FAULT,
    )


def _was_stopped(error: BaseException | None) -> bool:
    """Return whether an interrupt is behind an error: libraries that are being loaded make others of it."""
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__cause__ or error.__context__
    return error is not None


def _require_memory() -> None:
    """Stop before a library is loaded that ends the process without a word for want of memory."""
    try:
        import resource
    except ImportError:  # a system without such limits
        return
    allowed, _ = resource.getrlimit(resource.RLIMIT_AS)
    helps = len(sys.argv) < 2 or not {"-h", "--help", "--version", "docs"}.isdisjoint(sys.argv[1:])
    if not helps and allowed != resource.RLIM_INFINITY and allowed < LEAST_MEMORY:
        raise AnalyzerError(
            f"this shell allows {allowed // 1_000_000} MB of memory (ulimit -v), and a review with its "
            f"libraries takes {LEAST_MEMORY // 1_000_000} MB; allow 1200 MB or more"
        )


def _would_do(error: AnalyzerError) -> str:
    """Return the command with what was meant in place of what was given, where both are known."""
    if error.instead is None:
        return ""
    wrong, right = error.instead
    words = sys.argv[1:]
    places = [place for place, word in enumerate(words) if word.rstrip("/") == wrong.rstrip("/")]
    if len(places) != 1 or right in words or not right.isprintable():
        return ""
    words[places[0]] = right
    command = " ".join(f'"{word}"' if " " in word or not word else word for word in ("analyzer", *words))
    if len(command) > LONGEST_COMMAND:
        return ""
    return f"{'' if str(error).endswith('?') else ';'} this would do: {command}"


def end(line: str | None, faults: Sequence[Fault]) -> None:
    """End a command that has written its outputs: say what was left out of them; nothing, when all is in."""
    if faults:
        from analyzer.report.sentences import faults_line

        if line is not None:
            say(line)
        fail(faults_line(faults), OUR_FAULT)
    if line is not None:
        raise AnalyzerError(line)


def say(line: str) -> None:
    """Print a line of this program to standard error; what is said stays one line."""
    print_error(" ".join(f"analyzer: {line}".split("\n")))


def fail(line: str, code: int = BAD_INPUT) -> NoReturn:
    """End a command with a line on standard error."""
    say(line)
    raise SystemExit(code) from None
