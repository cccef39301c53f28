"""What the archive hands on: tasks, records of runs, the season's sessions and trends."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from analyzer.core.estimate import Estimate

Scalar = str | float | int | bool | None
Row = dict[str, Scalar]
"""One row of a table of the data set; its columns are listed in `analyzer.archive.dataset.SCHEMAS`."""


@dataclass(frozen=True, slots=True)
class Task:
    """One run to be estimated, small enough to be sent to another machine.

    Parameters
    ----------
    key : str
        Hash of everything the result depends on.
    code : str
        Digest of the program that made the task; another program would give other results.
    session : str
        Path of the session sheet.
    sheets : str
        Digest of the contents of all sheets of the session.
    run : str
        Name of the run.
    logs : tuple of (str, str)
        Path and SHA-256 of its log files.
    others : tuple of (str, tuple)
        Name and logs of the other runs of its session: what they tell of the sensors' mounting counts.
    """

    key: str
    code: str
    session: str
    sheets: str
    run: str
    logs: tuple[tuple[str, str], ...]
    others: tuple[tuple[str, tuple[tuple[str, str], ...]], ...] = ()


@dataclass(frozen=True, slots=True)
class RunRecord:
    """What one run has shown, in plain values; the same wherever it was worked out.

    Parameters
    ----------
    key : str
        Of the task.
    failed : str or None
        The one line why the run could not be used; the tables are then empty.
    lasting : bool
        Whether the same files would fail again; what may pass (a file that could not be opened, a worker
        that died) is tried again in the next pass and never kept.
    facts : dict
        Columns of the table ``runs`` that come from the log.
    figures : dict
        Name in the data set -> estimate, of all that needs no other run.
    sheet : dict
        Fields of the `RollSheet` of the run's set-up, by which its roll stiffness is found beside the others.
    bottoming : tuple of dict
        Rows of that table.
    fault : bool
        Whether it was this program that failed, and not the log.
    """

    key: str
    failed: str | None
    lasting: bool
    facts: Row = field(default_factory=dict)
    figures: dict[str, Estimate] = field(default_factory=dict)
    sheet: dict[str, Any] = field(default_factory=dict)
    bottoming: tuple[Row, ...] = ()
    fault: bool = False

    @classmethod
    def left_out(cls, key: str, reason: str, lasting: bool, fault: bool = False) -> RunRecord:
        """Return the record of a run that could not be used."""
        return cls(key, reason, lasting, fault=fault)

    def to_dict(self) -> dict[str, Any]:
        """Return its JSON form; figures as a list, whose order a file of sorted keys keeps."""
        # Not dataclasses.asdict, which copies every row: a third of this process's work.
        figures = [[name, estimate.to_dict()] for name, estimate in self.figures.items()]
        return {name: getattr(self, name) for name in self.__slots__} | {"figures": figures}

    @classmethod
    def from_dict(cls, table: dict[str, Any]) -> RunRecord:
        """Return the record of a JSON form; raises TypeError, KeyError or ValueError when it is none."""
        figures = {name: _estimate(one) for name, one in table["figures"]}
        return cls(**{**table, "figures": figures, "bottoming": tuple(table["bottoming"])})


def _estimate(table: dict[str, Any]) -> Estimate:
    interval = None if table["interval"] is None else tuple(table["interval"])
    lists = {name: tuple(table.get(name, ())) for name in ("notes", "provisional")}
    return Estimate(**{**table, "interval": interval, **lists})


@dataclass(frozen=True, slots=True)
class RunPlan:
    """One run of a session as the sheets have it.

    Parameters
    ----------
    name, setup, setting : str
        Run, its set-up, and the hardware of that set-up in words (set-ups are named anew each session).
    conditions : str
        Conditions of the sheet as JSON text.
    task : Task or None
        None when a file is missing; the reason then stands in `failed`.
    failed : str or None
        One line.
    """

    name: str
    setup: str
    setting: str
    conditions: str
    task: Task | None
    failed: str | None = None


@dataclass(frozen=True, slots=True)
class SessionPlan:
    """One session below the folder.

    Parameters
    ----------
    folder : str
        Folder of the session sheet below the archived folder, with forward slashes; "." for itself.
    name, car, course : str
        As the sheets name them; `course` is empty without a course sheet.
    date : str or None
        Day of the session, ISO 8601.
    runs : tuple of RunPlan
        In the order of the sheet.
    failed : str or None
        One line when the session as a whole cannot be used.
    """

    folder: str
    name: str
    car: str
    course: str
    date: str | None
    runs: tuple[RunPlan, ...]
    failed: str | None = None


@dataclass(frozen=True, slots=True)
class SessionPoint:
    """One quantity over the runs of one session.

    Parameters
    ----------
    session : str
        Folder of the session.
    label : str
        Day, or folder where no day is stated.
    place : float
        Position in the season: days since the car's first session, or its number, from 0.
    estimate : Estimate
        Mean over the runs.
    """

    session: str
    label: str
    place: float
    estimate: Estimate


@dataclass(frozen=True, slots=True)
class Trend:
    """One quantity of one car over the season.

    Parameters
    ----------
    quantity : str
        Name in the data set ("roll_stiffness_front").
    setting : str
        Hardware it was measured on; empty for all settings together.
    points : tuple of SessionPoint
        In the order of the season.
    change : Estimate
        Fitted value at the last session over that at the first, minus one [1]; its interval holds for all
        figures of the car together. Without a value when the sessions cannot show one; the note says why.
    smallest_visible : Estimate
        Smallest change these sessions could have shown (95 % level for all figures of the car together,
        80 % power) [1].
    verdict : str
        "rising", "falling", "no change seen" or "cannot tell".
    """

    quantity: str
    setting: str
    points: tuple[SessionPoint, ...]
    change: Estimate
    smallest_visible: Estimate
    verdict: str


@dataclass(frozen=True, slots=True)
class BottomingRate:
    """Bottoming of one car on one course in one session.

    Parameters
    ----------
    course, session, label : str
        Where and when.
    place : float
        As in `SessionPoint`.
    runs, events, hard : int
        Runs driven, contacts with a bump stop in them, and how many of those were hard.
    rate : Estimate
        Events per run, with the interval of a Poisson rate.
    """

    course: str
    session: str
    label: str
    place: float
    runs: int
    events: int
    hard: int
    rate: Estimate


@dataclass(frozen=True, slots=True)
class UnknownFigure:
    """A figure that a run could have shown and did not.

    Parameters
    ----------
    quantity : str
        Name in the data set ("left_share_rear").
    session, label, run : str
        Which run.
    reason : str
        Why, as the estimate of the run has it.
    """

    quantity: str
    session: str
    label: str
    run: str
    reason: str


@dataclass(frozen=True, slots=True)
class CarSeason:
    """One car over the season.

    Parameters
    ----------
    car : str
        Name in its sheets.
    sessions : tuple of (str, str)
        Folder and label, in the order of the season, those of which something could be used; one without a
        date among dated ones comes last, with its folder as label, and takes no part in trends.
    ordered_by : str
        "date", or "folder name" when half of the car's sessions or more state no date.
    runs, left_out : int
        Runs estimated, and runs that could not be used.
    trends : tuple of Trend
        Those with at least one point.
    bottoming : tuple of BottomingRate
        By course, then in the order of the season.
    unknown : tuple of UnknownFigure
        Roll gradients and left shares that its runs lack, in the order of the season.
    """

    car: str
    sessions: tuple[tuple[str, str], ...]
    ordered_by: str
    runs: int
    left_out: int
    trends: tuple[Trend, ...]
    bottoming: tuple[BottomingRate, ...]
    unknown: tuple[UnknownFigure, ...] = ()


@dataclass(frozen=True, slots=True)
class Archive:
    """The archive after a pass.

    Parameters
    ----------
    folder : Path
        Where it lies.
    cars : tuple of CarSeason
        In the order of their names.
    sessions, runs : int
        How many there are, with those that could not be used.
    estimated : int
        Runs worked out in this pass; the others were taken as they were.
    left_out : tuple of (str, str, str)
        Session folder, run (empty for the whole session) and the one line why.
    faulty : bool
        Whether this program failed at one of them.
    """

    folder: Path
    cars: tuple[CarSeason, ...]
    sessions: int
    runs: int
    estimated: int
    left_out: tuple[tuple[str, str, str], ...]
    faulty: bool = False
