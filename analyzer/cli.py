"""The command line: all commands of `analyzer.commands` under one name, and how they end.

Rooms are imported inside the commands that need them, so that help answers at once.
"""

from __future__ import annotations

import gc
import os
import sys
from contextlib import suppress
from typing import Annotated, Final, NoReturn

import typer

from analyzer.commands.change import bar, choose, confirm
from analyzer.commands.logs import check, demo, start
from analyzer.commands.narrow import write_plainly
from analyzer.commands.review import course, review
from analyzer.commands.season import archive
from analyzer.errors import AnalyzerError, one_line

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help=(
        "Roll gradient, bottoming and left-right load share from on-car logs, "
        "set against the fitted anti-roll bar."
    ),
)

BAD_INPUT: Final = 2


def run() -> None:
    """Run the command line as a process of its own.

    The table reader's threads may still be ending when a command stops early, and taking the interpreter
    down under them has aborted the process on a loaded machine. By then every file is closed, so the process
    is left at once.
    """
    # Sheets, results and figures are many small objects that stay; looking through them for rings of objects
    # that nobody holds took a twelfth of a review's time and freed next to nothing.
    gc.set_threshold(100_000, 20, 50)
    write_plainly()
    try:
        main()
    except SystemExit as ending:
        with suppress(OSError, ValueError):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(ending.code if isinstance(ending.code, int) else 0)


def main() -> None:
    """Run the command line; anything the user can mend becomes one line and exit code 2."""
    # Matrices here are tall and thin: threads of the linear algebra wait for each other far longer than they
    # work (a fit of 10,000 x 6 took 7 ms with two threads on a busy machine, 0.5 ms with one).
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    try:
        code = app(standalone_mode=False)
    except AnalyzerError as error:
        _fail(str(error))
    except KeyboardInterrupt:
        _fail("stopped; nothing was left half written", 130)
    except BrokenPipeError:
        # The reader of our output went away (`analyzer ... | head`): nothing is wrong.
        sys.stderr.close()
        raise SystemExit(0) from None
    except OSError as error:
        _fail(
            one_line(f"{error.filename or 'a file'}: {error.strerror or error}; check path, rights and space")
        )
    except Exception as error:
        # The option parser's own errors, known by their shape since the parser keeps its classes private.
        message = getattr(error, "format_message", None)
        if message is None:
            raise
        if type(error).__name__ == "NoArgsIsHelpError":
            print(message())
            raise SystemExit(BAD_INPUT) from None
        _fail(one_line(f"{message()} (analyzer --help lists commands and options)"))
    raise SystemExit(code if isinstance(code, int) else 0)


def _fail(line: str, code: int = BAD_INPUT) -> NoReturn:
    print(f"analyzer: {line}", file=sys.stderr)
    raise SystemExit(code) from None


@app.callback(invoke_without_command=True)
def _version(
    version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False,
) -> None:
    if version:
        from analyzer import __version__

        print(f"analyzer {__version__}")
        raise typer.Exit


# In the order of the help.
for _command in (
    review,
    check,
    confirm,
    choose,
    bar,
    start,
    archive,
    course,
    demo,
):
    app.command()(_command)
