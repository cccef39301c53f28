"""Errors a user can put right, each one plain line and exit code 2; and faults of this program in one run.

A fault is told from what the user can put right, and kept from the other runs.
"""

import difflib
import re
import traceback
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal, TypeVar

_MOST_LISTED: Final = 6
"""Names that still stand beside the one that was meant."""


class AnalyzerError(Exception):
    """Something in the user's files or options stops the work.

    The message is one line and says what is wrong and what to do about it. Anything else that is
    raised is a fault of this program and keeps its traceback.

    Parameters
    ----------
    line : str
        The message.
    instead : tuple of str or None
        What was given and what would do in its place, where that is known; the command line, which knows the
        rest of the command, shows it whole.
    """

    def __init__(self, line: str, instead: tuple[str, str] | None = None) -> None:
        self.instead = instead
        super().__init__(line)


class SheetError(AnalyzerError):
    """A car, session or course sheet cannot be used as written.

    Parameters
    ----------
    path : Path
        The sheet.
    key : str
        Dotted key inside the sheet, ``front.bar.tube.wall``; empty when the file as a whole is meant.
    problem : str
        What is wrong, without a full stop.
    remedy : str
        What would do, for instance a value that is accepted.
    meant : Path or None
        The file that was probably meant.
    """

    def __init__(self, path: Path, key: str, problem: str, remedy: str, meant: Path | None = None) -> None:
        self.path = path
        self.key = key
        place = f"{path}: {key}" if key else f"{path}"
        instead = None if meant is None else (str(path), str(meant))
        super().__init__(one_line(f"{place}: {problem}; {remedy}"), instead)


class LogError(AnalyzerError):
    """A log file cannot be read, or cannot be trusted enough to be used.

    Parameters
    ----------
    path : Path
        The log.
    place : str
        Line, column or channel the problem sits in; empty when the file as a whole is meant.
    problem, remedy, meant
        As for `SheetError`.
    """

    def __init__(self, path: Path, place: str, problem: str, remedy: str, meant: Path | None = None) -> None:
        self.path = path
        self.place = place
        self.problem = problem
        self.remedy = remedy
        where = f"{path}: {place}" if place else f"{path}"
        instead = None if meant is None else (str(path), str(meant))
        super().__init__(one_line(f"{where}: {problem}; {remedy}"), instead)


_STEERING: Final = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e]")
"""Control characters of both sets (ISO 6429) but tab and line feed, other line ends, and overrides of the
direction of writing (Unicode UAX 9): with them a name moves the cursor or hides a figure."""


def plain_text(text: str) -> str:
    """Return `text` with a blank for every character that would steer a terminal or an editor.

    Names come out of sheets, logs and file systems; every way out of the program that may end at a terminal
    passes its text through this.
    """
    return _STEERING.sub(" ", text)


def one_line(text: str, longest: int = 400) -> str:
    """Return `text` on one printable line of at most `longest` characters.

    Names that come out of logs may hold line ends, control characters or be very long; an error
    message must stay one line whatever they hold.
    """
    printable = "".join(c if c.isprintable() else " " for c in text)
    line = " ".join(printable.split())
    return line if len(line) <= longest else line[: longest - 1] + "…"


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the one of the `known` words that `word` was meant to be, whatever its case, or None."""
    names = {name.lower(): name for name in known}
    found = difflib.get_close_matches(word.lower(), names, n=1)
    return names[found[0]] if found else None


_FILE_ENDINGS: Final = frozenset(
    (
        *(".csv", ".gz", ".zip", ".txt", ".json", ".toml", ".parquet", ".xls", ".xlsx", ".ods"),
        *(".html", ".htm", ".md", ".pdf", ".eps", ".ps", ".doc", ".docx"),
        *(".svg", ".png", ".gif", ".jpg", ".jpeg", ".webp", ".bmp", ".tif", ".tiff"),
    )
)
"""Endings with which nobody names a folder: a file was meant."""


def refuse_file(path: Path, meant: str, given: str | None = None) -> None:
    """Raise an `AnalyzerError` when a file lies, or is meant, where a folder is wanted; `meant` says which.

    Where the folder that holds the file would do, `given` is the path as it was written.
    """
    if not path.exists() and path.suffix.lower() in _FILE_ENDINGS:
        raise AnalyzerError(
            one_line(f'{path}: is the name of a file by its ending "{path.suffix}"; name {meant}')
        )
    if path.exists() and not path.is_dir():
        instead = None if given is None else (given, str(Path(given).parent))
        raise AnalyzerError(one_line(f"{path}: is a file; name {meant}"), instead)


def nearest_file(path: Path) -> Path | None:
    """Return the file beside `path`, where nothing lies, whose name is most like its name, or None."""
    try:
        near = nearest(path.name, (entry.name for entry in path.parent.iterdir() if entry.is_file()))
    except (OSError, ValueError):
        return None
    return None if near is None else path.parent / near


def choices(word: str, known: Iterable[str]) -> str:
    """Return what to write in place of `word`: the one that was meant, or all that are known."""
    names = list(known)
    near = nearest(word, names)
    listed = ", ".join(names)
    if near is None:
        return f"use one of {listed}"
    return f"did you mean {near}?" + (f" ({listed} are known)" if len(names) <= _MOST_LISTED else "")


Stage = Literal["reading", "estimating", "comparing", "laying over the others", "drawing", "writing"]
T = TypeVar("T")
Name = TypeVar("Name")

_PACKAGE: Final = __name__.partition(".")[0]
_ADDRESS: Final = re.compile(r"0x[0-9a-fA-F]+")
"""Where an object lies in memory: another in every run of the program, so the same fault would look new."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What stopped one run, or one piece of a page, although nothing the user gave was refused.

    Parameters
    ----------
    run : str
        Its name; in the stage "drawing" that of the figure, in the stage "writing" of the piece of a page.
    stage : Stage
        What was being done with it.
    kind, message : str
        Type of the exception and what it says, on one line.
    place : str
        Innermost line of this package that was being worked on, ``analyzer.ingest.table:213``.
    send : tuple of Path
        Files by which the fault can be repeated: the run's logs and the sheets.
    """

    run: str
    stage: Stage
    kind: str
    message: str
    place: str
    send: tuple[Path, ...]


def fault_of(error: Exception, run: str, stage: Stage, send: Sequence[Path] = ()) -> Fault:
    """Return what an unforeseen exception tells of itself; one that is not a fault of the program goes on.

    Parameters
    ----------
    error : Exception
        As caught, with its traceback.
    run, stage, send
        As in `Fault`.

    Raises
    ------
    AnalyzerError, MemoryError, OSError
        `error` itself, when it is one the user can put right: an input, too little memory, or a complaint of
        the operating system (a full disk, say), which any other run would meet as well.
    """
    # A reader that is gone has no number of the system where a library says so (rich, of a closed pipe).
    theirs = isinstance(error, BrokenPipeError) or (isinstance(error, OSError) and error.errno)
    if isinstance(error, (AnalyzerError, MemoryError)) or theirs:
        raise error
    message = one_line(_ADDRESS.sub("0x…", str(error)), 200)
    return Fault(run, stage, type(error).__name__, message, place_of(error), tuple(send))


def place_of(error: BaseException) -> str:
    """Return module and line of the innermost frame of this package that an exception passed."""
    place = f"{_PACKAGE}:0"
    for frame, line in traceback.walk_tb(error.__traceback__):
        module = str(frame.f_globals.get("__name__", ""))
        if module.partition(".")[0] == _PACKAGE:
            place = f"{module}:{line}"
    return place


def contained(
    names: Sequence[Name], work: Callable[[Sequence[Name]], T], told: Callable[[Name, Exception], Fault]
) -> tuple[T, tuple[Fault, ...]]:
    """Do work that rests on many runs; runs with which it meets a fault of the program are left out.

    Parameters
    ----------
    names : sequence
        The runs, by whatever tells them apart.
    work : callable
        Does the work with the runs it is given.
    told : callable
        Makes the `Fault` of a run from the exception.

    Returns
    -------
    tuple
        What `work` returned for the runs that are left, the same as if there had been no others; and the
        faults of those left out, in their order.

    Raises
    ------
    Exception
        What `work` raises without any run: that is no run's fault. What `fault_of` does not take for one.
    """
    try:
        return work(names), ()
    except Exception as error:  # looked into below, or raised again
        if names:
            told(names[0], error)  # goes on with what the user can put right
        else:
            raise
    # Which run it was is not written on the exception. Taken one by one, each run that breaks what went well
    # without it is to blame; it costs the work once per run, in a case that should not come up.
    kept: list[Name] = []
    faults: list[Fault] = []
    found: list[T] = []
    for name in names:
        try:
            found = [work([*kept, name])]
        except AnalyzerError:
            # Too few runs so far, it says; whether that stays so is seen at the end.
            found = []
        except Exception as error:  # this run breaks what went well without it
            faults.append(told(name, error))
            continue
        kept.append(name)
    return found[0] if found else work(kept), tuple(faults)
