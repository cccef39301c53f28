"""Errors a user can mend. Each becomes one plain line on the terminal and exit code 2."""

from __future__ import annotations

from pathlib import Path


class AnalyzerError(Exception):
    """Something in the user's files or options stops the work.

    The message is one line and says what is wrong and what to do about it. Anything else that is
    raised is a fault of this program and keeps its traceback.
    """


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
    """

    def __init__(self, path: Path, key: str, problem: str, remedy: str) -> None:
        self.path = path
        self.key = key
        place = f"{path}: {key}" if key else f"{path}"
        super().__init__(one_line(f"{place}: {problem}; {remedy}"))


class LogError(AnalyzerError):
    """A log file cannot be read, or cannot be trusted enough to be used.

    Parameters
    ----------
    path : Path
        The log.
    place : str
        Line, column or channel the problem sits in; empty when the file as a whole is meant.
    problem, remedy : str
        As for `SheetError`.
    """

    def __init__(self, path: Path, place: str, problem: str, remedy: str) -> None:
        self.path = path
        self.place = place
        self.problem = problem
        self.remedy = remedy
        where = f"{path}: {place}" if place else f"{path}"
        super().__init__(one_line(f"{where}: {problem}; {remedy}"))


def one_line(text: str, longest: int = 400) -> str:
    """Return `text` on one printable line of at most `longest` characters.

    Names that come out of logs may hold line ends, control characters or be very long; an error
    message must stay one line whatever they hold.
    """
    printable = "".join(c if c.isprintable() else " " for c in text)
    line = " ".join(printable.split())
    return line if len(line) <= longest else line[: longest - 1] + "…"
