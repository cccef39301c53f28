"""The main job in order: sheets, logs, estimates, predictions, their comparison; what came out as tables."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, SupportsIndex, TypeVar, overload

import pandas as pd

from analyzer.comparison.bar_settings import axle_settings
from analyzer.comparison.changes import compare_setups
from analyzer.comparison.known_differences import known_differences
from analyzer.comparison.results import AxleSettings, Comparison, SetupResult
from analyzer.comparison.setups import setup_results
from analyzer.comparison.stiffness import with_moment_kept
from analyzer.core.errors import (
    AnalyzerError,
    Fault,
    LogError,
    Stage,
    choices,
    contained,
    fault_of,
    one_line,
    plain_text,
)
from analyzer.core.estimate import Estimate
from analyzer.core.files import write_whole
from analyzer.core.store import Store
from analyzer.core.units import AXLES, DIMENSIONS
from analyzer.ingest.open import reading_of
from analyzer.ingest.read_run import read_loose_log
from analyzer.ingest.recording import Recording, Verdict
from analyzer.ingest.repeats import Repeat, find_repeats, repeat_rows, repeat_words, without_repeats
from analyzer.prediction.propagation import WORDS
from analyzer.prediction.results import SetupPrediction
from analyzer.prediction.setup import check_bars, predict_change, predict_setup, require_setup
from analyzer.processing.results import RunEstimates
from analyzer.session.run_store import RunSheets, RunStore
from analyzer.sheets.car import CHANNEL_DIMENSIONS, CarSheet
from analyzer.sheets.fields import stands_over
from analyzer.sheets.read import MissingFileError, file_beside, read_car, read_course, read_session
from analyzer.sheets.session import CourseSheet, SessionSheet

if TYPE_CHECKING:
    from analyzer.ingest.recording import Recording
    from analyzer.processing.results import BottomingEvent, RunEstimates
    from analyzer.sheets.session import Run

_T = TypeVar("_T")

Progress = Callable[[str, int, int], None]
"""Told what is being done, how many steps are done and how many there are."""


@dataclass(frozen=True, slots=True)
class Session:
    """The sheets of one session, read and checked.

    Parameters
    ----------
    path, car_path : Path
        The session sheet and the car sheet it names.
    sheet, car, course : SessionSheet, CarSheet, CourseSheet or None
        Their contents.
    logs : dict
        Run name -> its log files.
    missing : dict
        Run name -> which of its logs is not there; such a run is not in `logs`.
    """

    path: Path
    car_path: Path
    sheet: SessionSheet
    car: CarSheet
    course: CourseSheet | None
    logs: dict[str, tuple[Path, ...]]
    missing: dict[str, AnalyzerError] = field(default_factory=dict)

    @property
    def sheets(self) -> dict[str, Path]:
        """Where the sheets lie: ``session``, ``car``, and ``course`` where there is one."""
        course = self.sheet.course
        named = {} if course is None else {"course": self.path.parent / course}
        return {"session": self.path, "car": self.car_path, **named}

    @property
    def unmeasured(self) -> tuple[str, ...]:
        """Keys of both sheets that are marked as not measured, but for names and notes."""
        marked = self.car.unmeasured + self.sheet.unmeasured
        return tuple(key for key in marked if key.rpartition(".")[2] not in WORDS)


@dataclass(frozen=True, slots=True)
class Review:
    """All results of one session; what the report shows.

    Parameters
    ----------
    session : Session
        The sheets.
    recordings, runs : ByName
        Per run, in the order of the sheet, found by number or name; a run whose log is unusable is in
        `failed` instead.
    failed : dict
        Run name -> what is wrong with it: file, place, problem and remedy; its text is the line for a reader.
    setups : ByName of SetupResult
        In the order of the sheet, those with at least one run or a prediction.
    comparisons : tuple of Comparison
        Each set-up against the one before it in the sheet.
    bars : tuple of AxleSettings
        Every bar setting of each axle over all runs.
    seed : int
        Seed of the random draws behind the intervals.
    repeats : tuple of Repeat
        Rows that stand in several runs; a run that has next to none of its own is in `failed`.
    faults : tuple of Fault
        Runs left out because of a fault of this program, which are not in `failed`.
    """

    session: Session
    recordings: ByName[Recording]
    runs: ByName[RunEstimates]
    failed: dict[str, AnalyzerError]
    setups: ByName[SetupResult]
    comparisons: tuple[Comparison, ...]
    bars: tuple[AxleSettings, ...] = ()
    seed: int = 0
    repeats: tuple[Repeat, ...] = ()
    faults: tuple[Fault, ...] = ()

    def __post_init__(self) -> None:
        for name in ("recordings", "runs", "setups"):
            object.__setattr__(self, name, ByName(getattr(self, name)))

    def table(self) -> pd.DataFrame:
        """Return one row per run: figures with their errors, hits and conditions; see `run_frame`.

        Returns
        -------
        DataFrame
            Index ``run``; ``attrs["units"]`` maps columns to units.
        """
        return run_frame(self.runs, self.session.sheet.runs)

    def events(self) -> pd.DataFrame:
        """Return one row per hit of all runs, in SI; see `event_frame`.

        Returns
        -------
        DataFrame
            ``attrs["units"]`` maps columns to units.
        """
        return event_frame(self.runs)

    def to_excel(self, path: str | Path) -> None:
        """Write `table` and `events` to one Excel file, and their units to a third sheet; needs openpyxl.

        Raises
        ------
        AnalyzerError
            When openpyxl (the extra ``excel``) is not installed or the file cannot be written.
        """
        save_excel({"runs": self.table(), "hits": self.events()}, Path(path))

    def channels(
        self, run: str, units: Literal["display", "si"] = "si", suspect_as_missing: bool = False
    ) -> pd.DataFrame:
        """Return the channels of one run on its time base [s]; see `channel_frame`.

        Returns
        -------
        DataFrame
            A copy; ``attrs["units"]`` maps columns to units.
        """
        return channel_frame(self.recordings[run], units, suspect_as_missing)


def load_session(path: Path) -> Session:
    """Read the session sheet at `path` (or ``session.toml`` in that folder) and all it names.

    Raises
    ------
    SheetError
        One line naming file, key and remedy.
    """
    if (path / "session.toml").is_file():
        path = path / "session.toml"
    sheet = read_session(path)
    car_path = file_beside(path, "car", sheet.car)
    car = read_car(car_path)
    check_bars(car, car_path)
    course = None if sheet.course is None else read_course(file_beside(path, "course", sheet.course))
    for name, setup in sheet.setups.items():
        require_setup(car, name, setup, path)
    logs: dict[str, tuple[Path, ...]] = {}
    missing: dict[str, AnalyzerError] = {}
    for index, run in enumerate(sheet.runs, start=1):
        try:
            logs[run.name] = tuple(file_beside(path, f"runs[{index}].logs", log) for log in run.logs)
        except MissingFileError as error:  # one log that was not copied costs the other runs nothing
            missing[run.name] = error
    return Session(path, car_path, sheet, car, course, logs, missing)


def predict_session(session: Session) -> dict[str, SetupPrediction]:
    """Predict every set-up of the session."""
    return {name: predict_setup(session.car, name, setup) for name, setup in session.sheet.setups.items()}


def review_session(path: Path, progress: Progress | None = None, seed: int = 0) -> Review:
    """Do the whole job for one session: read, estimate, predict and compare.

    Parameters
    ----------
    path : Path
        Session sheet, or the folder that holds ``session.toml``.
    progress : callable, optional
        Told before each step.
    seed : int
        Seed of every random draw; the same seed gives the same results to the last digit.

    Returns
    -------
    Review
        A run whose log cannot be used does not stop the others; its reason stands in `Review.failed`, or in
        `Review.faults` when it is this program that fails at it.

    Raises
    ------
    SheetError
        When a sheet cannot be used.

    Notes
    -----
    A run that was estimated before is taken from the user's cache folder when neither its
    logs nor anything in the sheets that concerns it, nor this program, has changed; the results are the same.
    """
    return review_loaded(load_session(path), progress, seed)


def review_loaded(session: Session, progress: Progress | None = None, seed: int = 0) -> Review:
    """Do the same as `review_session` for sheets that have been read."""
    steps = 2 * len(session.sheet.runs) + 2
    tell = progress or (lambda _what, _done, _all: None)
    tell("predicting the set-ups", 0, steps)
    # Predictions first: a sheet that cannot be predicted from is told before any log is read.
    predictions = predict_session(session)
    # Keyed by the contents of logs and sheets and by this program: an unchanged run is not read again.
    store = Store.of_user()
    known = RunStore(store, run_sheets(session, predictions), seed)
    results, failed, faults = _run_by_run(
        session, known, known.result, ("estimating", "estimating"), tell, 1, steps
    )
    recordings, runs = [recording for recording, _ in results], [run for _, run in results]
    failed = {run.name: failed[run.name] for run in session.sheet.runs if run.name in failed}
    store.tidy()
    # Only with all runs at hand does it show which of them hold the same rows.
    # A fault met from here on is blamed on the run without which the work goes well.
    by_name = {run.name: (recording, run) for recording, run in zip(recordings, runs, strict=True)}

    def blamed(name: str, error: Exception) -> Fault:
        return run_fault(session, name, "comparing", error)

    (recordings, runs, repeats, again), late = contained(
        list(by_name),
        lambda names: _counted_once(session, known, [by_name[name] for name in names]),
        blamed,
    )
    failed |= again
    faults += late
    # What the estimates say about the log belongs to its health.
    recordings = [
        replace(recording, health=(*recording.health, *estimates.checks))
        for recording, estimates in zip(recordings, runs, strict=True)
    ]
    tell("comparing", steps - 1, steps)

    def compared(names: Collection[str]) -> Review:
        # What part of the roll moment a run kept is filled in from the session's other runs where it cannot
        # tell.
        kept = list(with_moment_kept([run for run in runs if run.name in names]))
        setups = setup_results(session.car, session.sheet.setups, kept, predictions)
        return Review(
            session=session,
            recordings=ByName(recording for recording in recordings if recording.run in names),
            runs=ByName(kept),
            failed=failed,
            setups=ByName(setups),
            comparisons=_compare(session, setups, kept),
            bars=axle_settings(session.car, session.sheet.setups, kept, predictions),
            seed=seed,
            repeats=repeats,
        )

    review, late = contained([run.name for run in runs], compared, blamed)
    return replace(review, faults=(*faults, *late))


def _run_by_run(
    session: Session,
    known: RunStore,
    work: Callable[[str], _T],
    stages: tuple[str, Stage],
    tell: Progress,
    first: int,
    steps: int,
) -> tuple[list[_T], dict[str, AnalyzerError], list[Fault]]:
    """Return what `work` gives of each run whose logs are there, and why it gives nothing of the others.

    `stages` are what is told of it, and what a fault is met at; `first` is the number of its first step.
    """
    found: list[_T] = []
    failed, faults = dict(session.missing), []
    there = [run.name for run in session.sheet.runs if run.name in session.logs]
    # All logs before the first is worked on: what they tell together of the sensors goes into each.
    for index, name in enumerate(there, start=first):
        with reading_of(tell, name, index, steps):
            known.look(name)
    for index, name in enumerate(there, start=first + len(there)):
        tell(f"{stages[0]} {name}", index, steps)
        try:
            with reading_of(tell, name, index, steps, told=True):
                found.append(work(name))
        except LogError as error:
            failed[name] = error
        except Exception as error:  # costs this run alone; what is no fault goes on
            faults.append(run_fault(session, name, stages[1], error))
    return found, failed, faults


def run_fault(session: Session, run: str, stage: Stage, error: Exception) -> Fault:
    """Return what is known of a fault met with a run, and the files to repeat it; raises as `fault_of`."""
    return fault_of(error, run, stage, (*session.logs.get(run, ()), *session.sheets.values()))


def run_sheets(session: Session, predictions: Mapping[str, SetupPrediction]) -> RunSheets:
    """Return what the results of a session's runs rest on."""
    sheet = session.sheet
    return RunSheets(
        session.car, session.course, sheet.setups, sheet.runs, session.logs, predictions.__getitem__
    )


def _counted_once(
    session: Session,
    known: RunStore,
    pairs: Sequence[tuple[Recording, RunEstimates]],
) -> tuple[list[Recording], list[RunEstimates], tuple[Repeat, ...], dict[str, AnalyzerError]]:
    """Take out what an earlier run has held already.

    Returns
    -------
    recordings, runs : list
        Those with rows of their own, estimated from these alone.
    repeats : tuple of Repeat
        What was found.
    failed : dict
        Run -> why it is left out.
    """
    # A run copied under another name would be two witnesses of one drive, and make every error too small.
    repeats, stretches = _repeats(session, [recording for recording, _ in pairs])
    if not repeats:
        return [recording for recording, _ in pairs], [run for _, run in pairs], repeats, {}
    failed: dict[str, AnalyzerError] = {}
    kept_recordings, kept_runs = [], []
    for recording, estimates in pairs:
        name = recording.run
        own = [repeat for repeat in repeats if repeat.run == name]
        if any(repeat.whole for repeat in own):
            failed[name] = LogError(session.logs[name][0], "", *repeat_words(own[0]))
            continue
        if own:
            marked = without_repeats(recording, stretches[name])
            marked = replace(marked, health=(*marked.health, *repeat_rows(own, name)))
            recording, estimates = known.estimated(marked)
        kept_recordings.append(recording)
        kept_runs.append(estimates)
    return kept_recordings, kept_runs, repeats, failed


def _repeats(
    session: Session, recordings: Sequence[Recording]
) -> tuple[tuple[Repeat, ...], dict[str, list[tuple[int, int]]]]:
    hardware = {run.name: session.sheet.setups[run.setup] for run in session.sheet.runs}
    return find_repeats(recordings, hardware)


def _compare(
    session: Session, setups: tuple[SetupResult, ...], runs: list[RunEstimates]
) -> tuple[Comparison, ...]:
    """Set each set-up that was driven against the one driven before it."""
    driven = [result for result in setups if result.runs]
    return tuple(compare_pair(session, before, after, runs, driven) for before, after in pairwise(driven))


def compare_pair(
    session: Session,
    before: SetupResult,
    after: SetupResult,
    runs: list[RunEstimates],
    driven: Sequence[SetupResult] = (),
) -> Comparison:
    """Set one set-up against another; all that were `driven` help to find the scatter between runs."""
    hardware = session.sheet.setups
    change = predict_change(session.car, before.name, hardware[before.name], after.name, hardware[after.name])
    others = [result for result in driven if result.name not in (before.name, after.name)]
    predictions = {result.name: result.predicted for result in (before, after, *others)}
    there = [run for run in runs if run.setup in predictions]
    known = known_differences(
        session.car, there, session.sheet.conditions, predictions, before.name, after.name
    )
    comparison = compare_setups(session.car, before, after, change, runs, others, known)
    differences = condition_differences(session, before.runs, after.runs)
    return replace(comparison, differences=comparison.differences + differences)


def condition_differences(
    session: Session, before: tuple[str, ...], after: tuple[str, ...]
) -> tuple[str, ...]:
    """Return the conditions of the session sheet that differ between two groups of runs, in words."""
    conditions = session.sheet.conditions
    # As the sheet has the words: whether two of them mean the same nobody can tell from here.
    keys = sorted({key for name in (*before, *after) for key in conditions[name]} - {"notes"})
    found = []
    for key in keys:
        old, new = ([conditions[name].get(key, "not stated") for name in group] for group in (before, after))
        if set(old) != set(new):
            words = [" / ".join(dict.fromkeys(values)) for values in (old, new)]
            found.append(f"{key.replace('_', ' ')}: {words[0]} before, {words[1]} after")
    return tuple(found)


def failure_line(review: Review) -> str | None:
    """Return one line for the logs that could not be used, or None when all could."""
    if not review.failed:
        return None
    first = str(next(iter(review.failed.values())))
    more = len(review.failed) - 1
    return first if more == 0 else f"{first} ({more} more run{'s' if more > 1 else ''} left out)"


def require_runs(review: Review) -> None:
    """Raise `AnalyzerError` when no run at all could be used."""
    if not review.runs:
        why = "this program fails at every run of it" if review.faults else "the session has no runs"
        raise AnalyzerError(failure_line(review) or f"{review.session.path}: {why}")


# Check logs without estimating anything: the work behind ``analyzer check``.


@dataclass(frozen=True, slots=True)
class CheckOutcome:
    """Recordings with their health rows.

    Parameters
    ----------
    recordings : tuple of Recording
        Those that could be read.
    failed : dict
        Run or file name -> why it could not be read, as `Review.failed`.
    faults : tuple of Fault
        Logs that could not be read because of a fault of this program, which are not in `failed`.
    uncalibrated : frozenset of str
        Channels whose line of the car sheet is still marked as not measured: their figures mean nothing yet.
    """

    recordings: tuple[Recording, ...]
    failed: dict[str, AnalyzerError]
    faults: tuple[Fault, ...] = ()
    uncalibrated: frozenset[str] = frozenset()

    @property
    def clean(self) -> bool:
        """Whether no row of any recording is suspect or bad."""
        finding = (Verdict.SUSPECT, Verdict.BAD)
        return (
            not self.failed
            and not self.faults
            and not any(row.verdict in finding for recording in self.recordings for row in recording.health)
        )


def check_path(path: Path, progress: Progress) -> CheckOutcome:
    """Check one log, or all logs of a session when `path` is a session sheet or a folder.

    Raises
    ------
    AnalyzerError
        When a sheet, or a log named by itself, cannot be used.
    """
    if path.suffix.lower() != ".toml" and not path.is_dir():
        try:
            with reading_of(progress, path.name, 0, 0):
                alone = read_loose_log(path)
            repeats, _ = find_repeats((alone,), {})
            return CheckOutcome(
                (replace(alone, health=(*alone.health, *repeat_rows(repeats, alone.run))),), {}
            )
        except Exception as error:  # told as a fault; what is none goes on
            return CheckOutcome((), {}, (fault_of(error, path.name, "reading", (path,)),))
    session = load_session(path)
    known = RunStore(Store(None), run_sheets(session, predict_session(session)))
    recordings, failed, faults = _run_by_run(
        session, known, known.recording, ("checking", "reading"), progress, 0, 2 * len(session.logs)
    )

    def looked_at(names: Collection[str]) -> tuple[Recording, ...]:
        kept = [recording for recording in recordings if recording.run in names]
        repeats, _ = _repeats(session, kept)
        return tuple(replace(r, health=(*r.health, *repeat_rows(repeats, r.run))) for r in kept)

    checked, late = contained(
        [recording.run for recording in recordings],
        looked_at,
        lambda name, error: run_fault(session, name, "comparing", error),
    )
    return CheckOutcome(checked, failed, (*faults, *late), uncalibrated_channels(session.car))


def uncalibrated_channels(car: CarSheet) -> frozenset[str]:
    """Return the channels whose line of the car sheet is still marked as not measured."""
    return frozenset(
        name
        for name in car.logger.channels
        if any(stands_over(mark, f"logger.channels.{name}") for mark in car.unmeasured)
    )


# A sequence of results that are also found by their name: ``review.runs["r03"]``.


_LONGEST: Final = 160


class UnknownNameError(KeyError):
    """There is no item of that name; says which there are."""

    def __str__(self) -> str:
        # A KeyError shows its message in quotes, as if it were the key.
        return str(self.args[0])


class ByName(tuple[_T, ...]):
    """A tuple whose items are found by number or, where it is text, by their ``name`` or ``run``.

    It is equal to a plain tuple of the same items. Of two items of one name the first is found.
    """

    __slots__ = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of the items, in order."""
        return tuple(str(getattr(item, "name", None) or getattr(item, "run", "")) for item in self)

    @overload
    def __getitem__(self, key: SupportsIndex) -> _T: ...
    @overload
    def __getitem__(self, key: slice) -> tuple[_T, ...]: ...
    @overload
    def __getitem__(self, key: str) -> _T: ...
    def __getitem__(self, key: Any) -> Any:
        """Return the item at a place or of a name, or the items of a slice; raises `UnknownNameError`."""
        if not isinstance(key, str):
            return super().__getitem__(key)
        names = self.names
        if key not in names:
            known = choices(key, names) if names else "there are none"
            raise UnknownNameError(f'there is no "{key}"; {known}')
        return super().__getitem__(names.index(key))

    def __contains__(self, item: object) -> bool:
        return item in self.names if isinstance(item, str) else super().__contains__(item)

    def __repr__(self) -> str:
        return one_line(f"<{len(self)}: {', '.join(self.names)}>", _LONGEST)


# Runs, their hits and their channels as data frames that say the unit of every column.


def save_excel(frames: dict[str, pd.DataFrame], path: Path) -> None:
    """Write data frames to one Excel file, a sheet each, and a last sheet with the units of their columns.

    Raises
    ------
    AnalyzerError
        When openpyxl is not installed, the name does not end in .xlsx, or the file cannot be written.
    """
    if path.suffix.lower() != ".xlsx":
        raise AnalyzerError(one_line(f"{path}: does not end in .xlsx; name another file"))
    try:
        import openpyxl  # noqa: F401  (pandas asks for it in several lines)
    except ImportError:
        raise AnalyzerError(
            'an Excel file needs openpyxl, which is not installed; pip install "drift-bar-analyzer[excel]"'
        ) from None
    units = pd.DataFrame(
        [
            (name, column, unit)
            for name, frame in frames.items()
            for column, unit in frame.attrs[UNITS].items()
        ],
        columns=["sheet", "column", "unit"],
    ).set_index("sheet")

    def fill(whole: Path) -> None:
        with whole.open("wb") as file, pd.ExcelWriter(file, engine="openpyxl") as writer:
            for name, frame in {**frames, UNITS: units}.items():
                # Names are those of logs and sheets: control signs in them would break the file.
                clean = frame.map(lambda cell: plain_text(cell) if isinstance(cell, str) else cell)
                clean.to_excel(writer, sheet_name=name, index=frame.index.name is not None)
            # What begins with "=" is somebody's words here, never a formula.
            for sheet in writer.book.worksheets:
                for cell in (cell for row in sheet.iter_rows() for cell in row if cell.data_type == "f"):
                    cell.data_type = "s"

    try:
        write_whole(path, fill)
    except OSError as error:
        raise AnalyzerError(
            one_line(f"{path}: {error.strerror or 'cannot be written'}; name a file elsewhere")
        ) from None


UNITS: Final = "units"
"""Key of ``DataFrame.attrs`` under which the unit of every column with one stands."""

_EVENT_UNITS: Final = {
    **dict.fromkeys(("start_s", "peak_s", "end_s"), "s"),
    **dict.fromkeys(("peak", "peak_error", "stop_compression", "distance"), "m"),
    **dict.fromkeys(("approach_speed", "speed"), "m/s"),
    "bank": "rad",
    "lateral_kept": "1",
    **dict.fromkeys(("jolt", "vertical_acceleration"), "m/s2"),
    **dict.fromkeys(("heave", "roll", "pitch", "warp"), "m"),
    **dict.fromkeys(("cause_vertical_load", "cause_roll", "cause_pitch", "cause_warp", "cause_road"), "m"),
}
_EVENT_WORDS: Final = ("run", "setup", "corner", "section", "kind")
_EVENT_COLUMNS: Final = (*_EVENT_WORDS, "hard", "seen", *_EVENT_UNITS)
_NUMBER_AND_UNIT: Final = re.compile(r"([-+]?\d++(?:[.,]\d++)?)([^\d]*+)")
_HIT: Final = "bump stop"

_DISPLAY: Final = {
    "length": "mm",
    "acceleration": "g",
    "angular_rate": "deg/s",
    "speed": "km/h",
    "angle": "deg",
}
"""Units in which a channel is shown; all else stays SI."""


def channel_frame(
    recording: Recording, units: Literal["display", "si"] = "si", suspect_as_missing: bool = False
) -> pd.DataFrame:
    """Return the channels of one run on its time base.

    Parameters
    ----------
    recording : Recording
        The run.
    units : str
        ``si``, or ``display`` for mm, g, deg/s, km/h and deg.
    suspect_as_missing : bool
        Suspect samples (mask True) become missing values; else they stand as they were logged.

    Returns
    -------
    DataFrame
        A copy, shape (samples, channels), index ``time_s`` [s]. ``attrs["units"]`` maps columns whose
        unit is known to units.

    Raises
    ------
    AnalyzerError
        When `units` is neither.
    """
    if units not in ("display", "si"):
        raise AnalyzerError(f'units are "display" or "si", not "{units}"')
    # The unit of a channel that the house does not know is not known either.
    kinds = {name: CHANNEL_DIMENSIONS[name] for name in recording.data.columns if name in CHANNEL_DIMENSIONS}
    told = {name: DIMENSIONS[kind].si for name, kind in kinds.items()}
    frame = recording.data.copy()
    if suspect_as_missing:
        frame = frame.mask(recording.suspect)
    if units == "display":
        for name, kind in kinds.items():
            if kind in _DISPLAY:
                told[name] = _DISPLAY[kind]
                frame[name] /= DIMENSIONS[kind].log_units[told[name]]
    frame.attrs[UNITS] = told
    return frame


def event_frame(runs: Sequence[RunEstimates]) -> pd.DataFrame:
    """Return one row per contact of a damper with its bump stop or with full droop, run after run.

    Parameters
    ----------
    runs : sequence of RunEstimates
        In the order of the session.

    Returns
    -------
    DataFrame
        Fields of `BottomingEvent`, its budget and causes, in SI; what is unknown is missing.
        ``attrs["units"]`` maps columns to units.
    """
    rows = [
        {"run": run.name, "setup": run.setup, **_event(event)}
        for run in runs
        for event in (*run.bottoming, *run.topping)
    ]
    frame = pd.DataFrame(rows, columns=list(_EVENT_COLUMNS))
    # A column of which nothing is known has a type all the same.
    kinds = {**dict.fromkeys(_EVENT_WORDS, "str"), "hard": "bool", "seen": "boolean"}
    frame = frame.astype({**kinds, **dict.fromkeys(_EVENT_UNITS, "float64")})
    frame.attrs[UNITS] = dict(_EVENT_UNITS)
    return frame


def _event(event: BottomingEvent) -> dict[str, Any]:
    row: dict[str, Any] = {name: getattr(event, name, None) for name in _EVENT_COLUMNS[2:]}
    if event.budget is not None:
        row |= {mode: getattr(event.budget, mode) for mode in ("heave", "roll", "pitch", "warp")}
        row |= {f"cause_{cause.replace(' ', '_')}": travel for cause, travel in event.budget.causes.items()}
    return row


def run_frame(runs: Sequence[RunEstimates], sheet: Sequence[Run]) -> pd.DataFrame:
    """Return one row per run: its figures with their errors, its hits, and its conditions.

    Parameters
    ----------
    runs : sequence of RunEstimates
        Those that could be used.
    sheet : sequence of Run
        Entries of the session sheet, for the conditions.

    Returns
    -------
    DataFrame
        Index ``run``. Behind each figure stands its standard error, repeatability and calibration together,
        as ``…_error``; what is unknown is missing. A condition is a number where all runs state it as a
        number of one unit, else the sheet's words. ``attrs["units"]`` maps columns to units.
    """
    units: dict[str, str] = {}
    rows = []
    for run in runs:
        row: dict[str, Any] = {"setup": run.setup}
        for name, estimate in _figures(run).items():
            row |= {name: estimate.value, f"{name}_error": estimate.total_error}
            units |= {name: estimate.unit, f"{name}_error": estimate.unit}
        hits = [event for event in run.bottoming if event.kind == _HIT]
        rows.append({**row, "hits": len(hits), "hard_hits": sum(event.hard for event in hits)})
    index = pd.Index([run.name for run in runs], name="run", dtype="str")
    # Not every run has every figure; counts and conditions come behind all of them.
    frame = pd.DataFrame(rows, index=index, columns=["setup", *units, "hits", "hard_hits"])
    frame = frame.astype(dict.fromkeys(units, "float64"))
    told = {run.name: run.conditions for run in sheet}
    for key in dict.fromkeys(key for name in index for key in told.get(name, {})):
        words = [told.get(name, {}).get(key) for name in index]
        numbers = _numbers(words)
        frame[f"condition_{key}"] = words if numbers is None else numbers[0]
        if numbers is not None:
            units[f"condition_{key}"] = numbers[1]
    frame.attrs[UNITS] = units
    return frame


def _numbers(words: Sequence[str | None]) -> tuple[list[float], str] | None:
    """Return what was written as numbers and their one unit; None when some are words or units differ."""
    found = [None if word is None else _NUMBER_AND_UNIT.fullmatch(word.strip()) for word in words]
    if any(word is not None and hit is None for word, hit in zip(words, found, strict=True)):
        return None
    units = {hit[2].strip() for hit in found if hit is not None}
    if len(units) != 1:
        return None
    return [math.nan if hit is None else float(hit[1].replace(",", ".")) for hit in found], units.pop()


def _figures(run: RunEstimates) -> dict[str, Estimate]:
    named = {
        f"{start}_{key}": estimate
        for start in ("roll_gradient", "roll_gradient_body")
        for key, estimate in getattr(run, start).items()
    }
    for axle in AXLES:
        if axle in run.load_share:
            share = run.load_share[axle]
            parts = ("left_share", "lowest_load", "evenness", "light_time")
            named |= {f"{part}_{axle}": getattr(share, part) for part in parts}
    return named | run.further
