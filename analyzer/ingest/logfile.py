"""One log file as calibrated channels in order of time, before they meet the run's time base."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.errors import LogError
from analyzer.core.filebacked import by_pieces, shelved, stretches
from analyzer.core.units import DIMENSIONS
from analyzer.ingest import table as tables, time_column
from analyzer.ingest.calibration import calibrate
from analyzer.ingest.cells import HeaderCell
from analyzer.ingest.layout import RecordTypes, read_text, record_types, split_by_type
from analyzer.ingest.open import Ending, Text, is_parquet, refuse_sheet
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.ingest.timebase import sample_interval
from analyzer.sheets.car import CHANNEL_DIMENSIONS, Channel, Logger

OTHER_CLOCK: Final = 1.05
"""Length of a run by one column over that by another from which they are different clocks."""
HOUSE_CHANNELS: Final = tuple(name for name in CHANNEL_DIMENSIONS if name != "time")


@dataclass(slots=True)
class LogFile:
    """Channels of one file.

    Parameters
    ----------
    path : Path
        The file.
    seconds : ndarray
        Strictly rising times [s].
    origin : float or None
        What to add for absolute time [s]; None for a clock that starts anywhere.
    channels : dict
        House name -> values in SI, one per time, NaN where blank.
    outside : dict
        House name -> True where the reading lies outside its calibration table.
    complete : set of str
        Channels with a number in every row.
    steps, health : list
        What was done and found.
    rivals : dict
        Header -> times of the same rows [s] by a further column that runs with them at another rate.
    """

    path: Path
    seconds: NDArray[np.float64]
    origin: float | None
    channels: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    outside: dict[str, NDArray[np.bool_]] = field(default_factory=dict)
    steps: list[str] = field(default_factory=list)
    health: list[HealthRow] = field(default_factory=list)
    complete: set[str] = field(default_factory=set)
    rivals: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    _interval: float | None = None

    @property
    def interval(self) -> float:
        """Usual distance of the rows [s]."""
        if self._interval is None:
            self._interval = sample_interval(self.seconds)
        return self._interval

    def take_times(self, seconds: NDArray[np.float64]) -> None:
        """Take other times for the same rows [s], strictly rising; they begin anywhere."""
        self.seconds = seconds
        self.origin = None
        self._interval = None


class NoChannelsError(LogError):
    """None of the wanted channels is in a table."""


def load_files(path: Path, logger: Logger, shared: bool = False) -> list[LogFile]:
    """Read one log; one with rows of several types gives one `LogFile` per type, on one clock.

    Parameters
    ----------
    path : Path
        As for `load_file`.
    logger : Logger
        The logger part of the car sheet.
    shared : bool
        Whether the run has further files, so that this one need not hold what the sheet names.

    Raises
    ------
    LogError
        As `load_file`.
    """
    refuse_sheet(path)
    # Rows of several types are cut apart first: each type has its own columns and its own rate.
    text = None if is_parquet(path) else read_text(path, logger.encoding)
    types = None if text is None else record_types(text, logger.delimiter)
    if text is None or types is None:
        return [load_file(path, logger, text=text, lenient=shared)]
    # What the sheet says about the text holds for the file, not for what is cut out of it.
    plain = logger.model_copy(update={"encoding": None, "header_line": None})
    done: list[LogFile] = []
    without: list[str] = []
    # A type without a channel of the sheet (positions, events) is no fault unless all are.
    ending = Ending()
    with split_by_type(path, text, types, ending) as parts:
        for key, part in parts.items():
            try:
                file = load_file(part, plain, lenient=True)
            except NoChannelsError:
                without.append(key)
                continue
            except LogError as error:
                raise LogError(path, f"{key} rows: {error.place}", error.problem, error.remedy) from None
            file.path = path
            file.steps = [f"{key} rows: {step}" for step in file.steps]
            done.append(file)
    listed = ", ".join(types.names)
    if not done:
        raise NoChannelsError(
            path, "", f"holds rows of several types ({listed}), none with a channel of the car sheet",
            f'write for instance column = "{_first_name(types)}" in logger.channels',
        )  # fmt: skip
    left = f"; left out: {', '.join(without)}" if without else ""
    done[0].steps.insert(0, f"rows of several types, told by their first word: {listed}{left}")
    if ending.cut:
        _report_cut(done[0].steps, done[0].health)
    for file in done[1:]:
        if file.origin is not None and done[0].origin is not None:
            file.seconds = file.seconds + (file.origin - done[0].origin)
            file.origin = done[0].origin
    return done


def _first_name(types: RecordTypes) -> str:
    return next((names[-1] for names in types.names.values() if names), "FL pot")


def load_file(
    path: Path,
    logger: Logger,
    only: Sequence[str] | None = None,
    text: Text | None = None,
    lenient: bool = False,
) -> LogFile:
    """Read one log: find the table, read the mapped columns, order them by time, turn them into SI.

    Parameters
    ----------
    path : Path
        CSV in any dialect, .gz, .zip with one file, or Parquet.
    logger : Logger
        The logger part of the car sheet.
    only : sequence of str or None
        House channels to read; None for all that are mapped or bear a house name.
    text : Text or None
        The file's first lines, when they were read already.
    lenient : bool
        Whether the sheet's time column may be missing and another be taken, as in one of several files.

    Raises
    ------
    LogError
        One line that says why the file cannot be read and what to do.
    """
    opened = tables.open_table(path, logger, text)
    places = _channel_places(opened, logger, only)
    time_place = time_column.time_place_of(opened, logger, set(places.values()), lenient)
    clocked = time_place is not None and time_column.is_clock(opened, time_place)
    wanted = sorted(
        set(places.values()) | ({time_place} if time_place is not None and not clocked else set())
    )
    texts = [time_place] if time_place is not None and clocked else []
    rivals = time_column.rival_times(opened, logger, set(places.values()), time_place)
    table = tables.read_raw(opened, sorted({*wanted, *rivals}), texts)
    stamps = time_column.stamps_of(opened, logger, table, time_place, clocked)
    done = LogFile(path, stamps.seconds, stamps.origin, steps=[*opened.steps, *stamps.steps])
    report_rows(done.steps, done.health, table, {i: n for n, i in places.items()})
    _add_channels(done, opened, logger, table, places, rivals)
    return done


@contextmanager
def tables_in(path: Path) -> Iterator[list[Path]]:
    """Yield the tables of a log as files: itself, or one per type of rows, which are gone afterwards."""
    refuse_sheet(path)
    text = None if is_parquet(path) else read_text(path, None)
    types = None if text is None else record_types(text, None)
    if text is None or types is None:
        yield [path]
        return
    with split_by_type(path, text, types) as parts:
        yield list(parts.values())


def open_header(path: Path) -> tuple[HeaderCell, ...]:
    """Return the header of a log without a sheet; raises as `load_file`."""
    return tables.open_table(path, Logger()).header


def sample_columns(path: Path, columns: Sequence[int]) -> dict[int, NDArray[np.float64]]:
    """Return some columns of a log as numbers, as they stand; raises as `load_file`."""
    return tables.read_raw(tables.open_table(path, Logger()), columns, []).numbers


@dataclass(frozen=True, slots=True)
class TimeGuess:
    """The time column of a log without a sheet.

    Parameters
    ----------
    index : int
        Number of the column, from 0.
    column : str
        Its header cell.
    unit : str
        Unit of its numbers; empty for clock times.
    reason : str
        Why, for the reader.
    """

    index: int
    column: str
    unit: str
    reason: str


def guess_time(path: Path) -> TimeGuess | None:
    """Return the time column of a log, None when it has none or its unit cannot be known."""
    opened = tables.open_table(path, Logger())
    try:
        place = time_column.time_place_of(opened, Logger(), set())
        assert place is not None
        cell = opened.header[place]
        if time_column.is_clock(opened, place):
            return TimeGuess(place, cell.full, "", "its name and clock times")
        why = "its name" if tables.looks_like_time(cell) else "its numbers rise evenly"
        if cell.unit in DIMENSIONS["time"].log_units:
            return TimeGuess(place, cell.full, cell.unit, f"{why}, and the unit in the header")
        values = tables.read_raw(opened, [place], []).numbers[place]
        factor, said = time_column.guess_factor(values[np.isfinite(values)], cell.full, path)
    except LogError:
        return None
    unit = {1.0: "s", 1e-3: "ms", 1e-6: "us", 1e-9: "ns"}[factor]
    return TimeGuess(place, cell.full, unit, f"{why}; {said} by size and step")


def _channel_places(opened: tables.Opened, logger: Logger, only: Sequence[str] | None) -> dict[str, int]:
    """Return house channel -> column, from the map first and from columns with exactly the house name."""
    places: dict[str, int] = {}
    for name, channel in logger.channels.items():
        if name == "time" or (only is not None and name not in only):
            continue
        # A pattern of file names binds a channel to one of several logs of the run.
        if channel.file is not None and not tables.is_file(opened.path, channel.file):
            continue
        index = tables.find_column(opened.header, channel.column, opened.path, f"logger.channels.{name}")
        if index is not None:
            places[name] = index
    # A column that bears a house name is taken even if the sheet does not list it, when only one does.
    for name in HOUSE_CHANNELS if only is None else only:
        if name not in logger.channels:
            hits = [i for i, cell in enumerate(opened.header) if name in (cell.full, cell.name)]
            if len(hits) == 1:
                places[name] = hits[0]
                opened.steps.append(f"{name} taken from the column of that name (logger.channels.{name})")
    if not places:
        wanted = next((c.column for n, c in logger.channels.items() if n != "time"), "damper_FL")
        raise NoChannelsError(
            opened.path,
            "header",
            f'has no column "{wanted}" nor any other of the car sheet; it has '
            f"{tables.nearest_names(opened.header, wanted)}",
            "correct logger.channels.….column",
        )
    return places


def _samples_alone(done: LogFile, name: str, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a channel without the copies a logger writes between the samples of a slower sensor."""
    if not name.startswith(("damper", "accel", "gyro")):
        return values
    rows = held_rows(values)
    if rows == 1:
        return values
    done.steps.append(
        f"{name} changes in every {rows}th row only: the rows between are copies, taken as blanks"
    )
    return without_copies(values, rows)


def _without_infinite(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], bool]:
    """Return a channel with NaN for what is infinite, and whether every sample is a number."""
    complete, infinite = True, False
    for first, end in stretches(len(values)):
        piece = values[first:end]
        if not np.isfinite(piece).all():
            complete = False
            infinite = infinite or bool(np.isinf(piece).any())
    if infinite:
        values = by_pieces(len(values), lambda a, b: np.where(np.isinf(values[a:b]), np.nan, values[a:b]))
    return values, complete


def _add_channels(
    done: LogFile,
    opened: tables.Opened,
    logger: Logger,
    table: tables.RawTable,
    places: dict[str, int],
    rivals: Sequence[int] = (),
) -> None:
    # Order by time before all else: filters and gaps of every channel rest on it.
    columns = [table.numbers[i] for i in places.values()]
    rate = None if logger.sample_rate is None else logger.sample_rate.value
    ordered = time_column.order_rows(done.seconds, columns, rate, opened.path)
    del columns
    done.seconds = shelved(ordered.seconds)
    done.steps += ordered.steps
    done.health += ordered.health
    # Other columns that look like time are kept: which one is right is judged where motion is known.
    for index in rivals:
        other = _rival(done, opened, logger, table, ordered, index)
        if other is not None:
            done.rivals[opened.header[index].full] = other
    last_use = {index: name for name, index in places.items()}
    for name, index in places.items():
        values = _samples_alone(done, name, ordered.take(table.numbers[index]))
        values, complete = _without_infinite(values)
        if complete:
            done.complete.add(name)
        # Calibrated before anything is judged: a range in volts says nothing of travel.
        channel: Channel | None = logger.channels.get(name)
        calibrated = calibrate(values, name, channel, opened.header[index], opened.path)
        done.channels[name] = shelved(calibrated.values)
        if calibrated.outside is not None:
            done.outside[name] = shelved(calibrated.outside)
        done.steps += calibrated.steps
        if last_use[index] == name:
            del table.numbers[index]  # a long log must not stand in memory twice


def _rival(
    done: LogFile,
    opened: tables.Opened,
    logger: Logger,
    table: tables.RawTable,
    ordered: time_column.Ordered,
    index: int,
) -> NDArray[np.float64] | None:
    """Return the times of another column, where they rise throughout and last otherwise than those taken."""
    try:
        seconds = ordered.take(time_column.stamps_of(opened, logger, table, index, clocked=False).seconds)
    except LogError:
        return None
    if not bool(np.isfinite(seconds).all()) or not bool((np.diff(seconds) > 0.0).all()):
        return None
    lasts = float((seconds[-1] - seconds[0]) / (done.seconds[-1] - done.seconds[0]))
    return None if 1.0 / OTHER_CLOCK < lasts < OTHER_CLOCK else seconds


# Slow channels that a logger copies into every row: the copies are no samples.


LOOK: Final = 4000
"""Rows from the middle of a log that are looked at first, which spares most channels the rest."""
LEAST_CHANGES: Final = 200
IN_STEP: Final = 0.98
"""Share of changes that must lie in step. A coarse or quiet sensor repeats readings too, but out of step."""
FILLED: Final = 0.5
"""Share of the possible places that must hold a change."""


def held_rows(values: NDArray[np.float64]) -> int:
    """Return how many rows each sample of a channel stands in; 1 where every row is a sample of its own."""
    middle = max(0, (len(values) - LOOK) // 2)
    part = values[middle : middle + LOOK]
    if len(part) < LEAST_CHANGES or (part[1:] == part[:-1]).mean() < 0.4:
        return 1
    changes = np.flatnonzero(values[1:] != values[:-1]) + 1
    if len(changes) < LEAST_CHANGES:
        return 1
    steps = np.diff(changes)
    rows = int(np.bincount(np.minimum(steps, 1000)).argmax())
    if rows < 2 or len(changes) < FILLED * len(values) / rows:
        return 1
    in_step = np.bincount(changes % rows, minlength=rows).max() / len(changes)
    return rows if in_step >= IN_STEP else 1


def without_copies(values: NDArray[np.float64], rows: int) -> NDArray[np.float64]:
    """Return the samples alone, NaN in the rows that repeat them.

    A reading that truly stays the same over a sample is kept once per sample.
    """
    changes = np.flatnonzero(values[1:] != values[:-1]) + 1
    first = int(np.bincount(changes % rows, minlength=rows).argmax())
    kept = np.full(len(values), np.nan)
    kept[first::rows] = values[first::rows]
    return kept


# Say which lines and cells of a log could not be read.


SHOWN: Final = 5
"""Lines named one by one; of the others the number is given."""
MOST_BAD_CELLS: Final = 0.2
"""Share of a channel's cells that are no numbers above which it is not used; engineering judgement."""


def report_rows(
    steps: list[str], health: list[HealthRow], table: tables.RawTable, names: dict[int, str]
) -> None:
    """Add a row for lines left out as a whole, and one per channel with cells that are no numbers.

    A repeated header or row of units takes nothing away and is named without alarm.
    """
    repeated = [d.line for d in table.dropped if d.harmless]
    lost = [d.line for d in table.dropped if not d.harmless]
    # No damage: a logger that was restarted writes its header again.
    if repeated:
        text = f"The header stands again in {_listed(repeated)}; left out"
        steps.append(text)
        health.append(
            HealthRow("repeated header", "log", Verdict.GOOD, float(len(repeated)), None, "1", text + ".")
        )
    if lost:
        which = (
            "1 line does not fit the table and was"
            if len(lost) == 1
            else (f"{len(lost)} lines do not fit the table and were")
        )
        text = f"{which} left out: {_listed(lost)}"
        steps.append(text)
        health.append(
            HealthRow("unreadable lines", "log", Verdict.SUSPECT, float(len(lost)), 0.0, "1", text + ".")
        )
    if table.cut:
        _report_cut(steps, health)
    if table.ended:
        text = f"Another table begins in line {table.dropped[-1].line}; what follows was left out"
        steps.append(text)
        health.append(HealthRow("another table", "log", Verdict.SUSPECT, None, None, "", text + "."))
    for index, lines in table.bad_cells.items():
        channel = names.get(index, "time")
        # A few bad cells are gaps; many mean that the column is not what the sheet takes it for.
        share = len(lines) / max(1, table.rows)
        text = f"{len(lines)} cells hold no number and were left out: {_listed(lines)}"
        verdict = Verdict.BAD if share > MOST_BAD_CELLS else Verdict.SUSPECT
        steps.append(f"{channel}: {text}")
        health.append(HealthRow("unreadable cells", channel, verdict, share, MOST_BAD_CELLS, "1", text + "."))


def _report_cut(steps: list[str], health: list[HealthRow]) -> None:
    text = "The packed log ends before its own end; its whole rows up to there are used"
    steps.append(text)
    comment = text + ". Copy it again from the logger if it was longer there."
    health.append(HealthRow("cut short", "log", Verdict.SUSPECT, None, None, "", comment))


def _listed(lines: list[int]) -> str:
    shown = ", ".join(str(line) for line in lines[:SHOWN])
    more = f" and {len(lines) - SHOWN} more" if len(lines) > SHOWN else ""
    return f"line {shown}" if len(lines) == 1 else f"lines {shown}{more}"
