"""A fault of this program in one run: told from what the user can put right, and kept from the other runs."""

from __future__ import annotations

import re
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal, TypeVar

from analyzer.core.errors import AnalyzerError, one_line

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
