"""Which column of a log is its time, and the seconds it gives."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.errors import LogError
from analyzer.core.filebacked import by_pieces, stretches
from analyzer.core.units import DIMENSIONS
from analyzer.ingest.cells import ClockCells, Kind, kind_of, split_line
from analyzer.ingest.layout import Layout
from analyzer.ingest.open import Text
from analyzer.ingest.table import (
    Opened,
    RawTable,
    find_column,
    is_file,
    looks_like_index,
    looks_like_time,
    nearest_names,
    read_raw,
)
from analyzer.ingest.time_order import BEYOND_CALENDAR
from analyzer.sheets.car import Logger

# Turn a log's time column into seconds: numbers, epoch, clock time, date and time, or row count.


DAY: Final = 86400.0
_EPOCH_SECONDS: Final = (3.0e8, 4.2e9)
"""Epoch times between 1979 and 2103 [s]."""


@dataclass(frozen=True, slots=True)
class Stamps:
    """Time of every row.

    Parameters
    ----------
    seconds : ndarray
        Shape (rows,), NaN where a row bears no time [s].
    origin : float or None
        What to add for absolute time [s since the epoch, or since midnight]; None for a time that counts
        from an unknown start (uptime, row count).
    steps : tuple of str
        What was guessed.
    """

    seconds: NDArray[np.float64]
    origin: float | None
    steps: tuple[str, ...]


def from_rows(rows: int, sample_rate: float) -> Stamps:
    """Return times for a log without a time column, from its stated rate [Hz]."""
    return Stamps(
        by_pieces(rows, lambda a, b: np.arange(a, b, dtype=np.float64) / sample_rate),
        None,
        (f"time counted from rows at {sample_rate:g} Hz (logger.sample_rate)",),
    )


def from_numbers(values: NDArray[np.float64], unit: str, name: str, path: Path) -> Stamps:
    """Turn numbers of a time column into seconds; an unstated unit is found from size and step.

    Raises
    ------
    LogError
        When the unit cannot be known.
    """
    known = np.isfinite(values)
    finite = values if known.all() else values[known]
    if len(finite) < 2:
        raise LogError(
            path, f'column "{name}"', "holds no times", "name another with logger.channels.time.column"
        )
    steps: tuple[str, ...] = ()
    if unit in DIMENSIONS["time"].log_units:
        factor = DIMENSIONS["time"].log_units[unit]
    else:
        factor, said = guess_factor(finite, name, path)
        steps = (f'time "{name}" read as {said}, guessed from its size and step (logger.channels.time.unit)',)
    # The first row whose stamp is a time: from a damaged one nothing could be counted.
    head = np.asarray(finite[:1000])
    first = float(head[np.argmax(np.abs(head - np.median(head)) * factor < BEYOND_CALENDAR)])
    # An epoch is counted from the first row: eleven digits before the point leave none for microseconds.
    if abs(first * factor) > 1e7:
        counted = by_pieces(len(values), lambda a, b: (values[a:b] - first) * factor)
        return Stamps(counted, first * factor, (*steps, "time counts from the first row"))
    if factor == 1.0:
        return Stamps(values, None, steps)
    return Stamps(by_pieces(len(values), lambda a, b: values[a:b] * factor), None, steps)


def guess_factor(finite: NDArray[np.float64], name: str, path: Path) -> tuple[float, str]:
    """Return the factor to seconds of a time column without a unit, and what it was taken for.

    Raises
    ------
    LogError
        When its size and step leave several readings open.
    """
    if len(finite) < 2:
        raise LogError(
            path, f'column "{name}"', "holds no times", "name another with logger.channels.time.column"
        )
    middle = float(np.median(finite))
    # Epoch times are told by their size alone; no uptime reaches it.
    for factor, said in ((1.0, "epoch seconds"), (1e-3, "epoch ms"), (1e-6, "epoch µs"), (1e-9, "epoch ns")):
        if _EPOCH_SECONDS[0] < middle * factor < _EPOCH_SECONDS[1]:
            return factor, said
    moves = np.diff(finite)
    moves = moves[moves > 0]
    # Uptimes are told by their usual step: a logger writes 2 to 10,000 rows a second, and the three readings
    # leave gaps between them.
    step = float(np.median(moves)) if len(moves) else 0.0
    for low, high, factor, said in (
        (1e-4, 0.6, 1.0, "seconds"),
        (1.7, 300.0, 1e-3, "milliseconds"),
        (2500.0, 3e5, 1e-6, "microseconds"),
    ):
        if low <= step <= high:
            return factor, said
    raise LogError(
        path,
        f'column "{name}"',
        f"has a step of {step:g} and no unit, which may be a count, seconds or milliseconds",
        'write logger.channels.time = { column = "…", unit = "ms" }, or logger.sample_rate',
    )


def from_clock(cells: ClockCells, name: str, path: Path) -> Stamps:
    """Turn clock times or dates with times into seconds.

    Raises
    ------
    LogError
        When too few cells are times.
    """
    known = ~np.isnan(cells.clock)
    if known.sum() < max(2, 0.5 * len(known)):
        raise LogError(
            path,
            f'column "{name}"',
            "holds no times this program can read",
            "name another with logger.channels.time.column, or state logger.sample_rate",
        )
    if any(cells.dates):
        what, total = "date and time", _with_days(cells)
    else:
        what, total = "clock time", _past_midnight(cells.clock, known)
    first = float(total[np.argmax(known)])
    counted = by_pieces(len(total), lambda a, b: total[a:b] - first)
    return Stamps(counted, first, (f'time "{name}" read as {what}; it counts from the first row',))


def _with_days(cells: ClockCells) -> NDArray[np.float64]:
    days = np.array([_day_number(word, position) for position, word in enumerate(cells.dates)])
    return by_pieces(len(cells.day), lambda a, b: cells.clock[a:b] + days[cells.day[a:b]] * DAY)


def _day_number(word: str, position: int) -> float:
    parts = [int(p) for p in word.replace("/", "-").replace(".", "-").split("-") if p.isdigit()]
    try:
        if len(parts) == 3 and parts[0] > 31:
            return float(date(parts[0], parts[1], parts[2]).toordinal() - date(1970, 1, 1).toordinal())
    except ValueError:
        pass
    # Day and month cannot be told apart; the days of one log follow each other.
    return float(position)


def _past_midnight(seconds: NDArray[np.float64], known: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return clock times that go on behind midnight."""
    middle = 0.0 if known.all() else float(np.median(seconds[known]))

    def turns(a: int, b: int) -> NDArray[np.int64]:
        steps = np.diff(np.nan_to_num(seconds[a : b + 1], nan=middle))
        return np.flatnonzero(steps < -0.5 * DAY) + a + 1

    places = np.concatenate([turns(a, b) for a, b in stretches(len(seconds) - 1)])
    if not len(places):
        return seconds
    return by_pieces(
        len(seconds), lambda a, b: seconds[a:b] + DAY * np.searchsorted(places, np.arange(a, b), side="right")
    )


# Tell by the first rows of a log what a column is, where its name does not say.


Floats = NDArray[np.float64]

ROWS: Final = 400
"""Rows of the sample that are looked at."""
LEAST_ROWS: Final = 12
EVEN: Final = 0.9
"""Share of steps that must lie near the usual one (engineering judgement: a logger drops few samples)."""
NEAR: Final = 0.25
"""How near, as a part of the usual step: a clock jitters, a distance or a counter of events does more."""


def first_numbers(text: Text, layout: Layout) -> list[Floats]:
    """Return the numbers in the first rows of every column, NaN where a cell holds none."""
    width = len(layout.header)
    rows: list[list[float]] = []
    for line in text.lines[layout.first_line - 1 :]:
        cells = split_line(line, layout.delimiter)
        if len(cells) == width:
            rows.append([_number(cell, layout.decimal) for cell in cells])
        if len(rows) == ROWS:
            break
    table = np.array(rows, dtype=np.float64).reshape(-1, width)
    return list(table.T)


def _number(cell: str, decimal: str) -> float:
    if kind_of(cell, decimal) is not Kind.NUMBER:
        return float("nan")
    return float(cell.replace(decimal, ".").replace("D", "e").replace("d", "e"))


def rises_evenly(values: Floats) -> bool:
    """Return whether a column rises from row to row by nearly the same step, as a clock does."""
    finite = values[np.isfinite(values)]
    if len(finite) < max(LEAST_ROWS, 0.9 * len(values)):
        return False
    moves = np.diff(finite)
    step = float(np.median(moves))
    return step > 0.0 and bool((np.abs(moves - step) <= NEAR * step).mean() >= EVEN)


def counts_rows(values: Floats) -> bool:
    """Return whether a column that rises evenly goes up by exactly one."""
    moves = np.diff(values[np.isfinite(values)])
    return bool((moves == 1.0).mean() >= EVEN)


# Which column of a log is its time, and the seconds it gives.


STANDS: Final = 0.5
"""Share of rows from which a column must rise to be taken before clock times."""
ALIKE: Final = 0.02
"""Difference of these shares up to which the left one of two columns is taken."""
FALLS: Final = 0.1
"""What a column that falls anywhere stands back by."""


def time_place_of(opened: Opened, logger: Logger, taken: set[int], lenient: bool = False) -> int | None:
    """Return the column of the time; None when time is counted from rows."""
    # In the order of how much each can be trusted: what the sheet says, a name, clock times, numbers that
    # rise evenly.
    mapped = logger.channels.get("time")
    if mapped is not None and (mapped.file is None or is_file(opened.path, mapped.file)):
        index = find_column(opened.header, mapped.column, opened.path, "logger.channels.time")
        if index is None and not lenient:
            raise LogError(
                opened.path,
                f'column "{mapped.column}"',
                f"is not in the header, which has {nearest_names(opened.header, mapped.column)}",
                "correct logger.channels.time.column",
            )
        if index is not None:
            return index
    named = [i for i, cell in enumerate(opened.header) if i not in taken and looks_like_time(cell)]
    if named:
        best = _best_time(opened, named)
        opened.steps.append(
            f'time taken from column "{opened.header[best].full}", by its name (logger.channels.time.column)'
        )
        return best
    clocks = [i for i in range(len(opened.header)) if i not in taken and is_clock(opened, i)]
    if clocks:
        head = opened.header[clocks[0]].full
        opened.steps.append(
            f'time taken from column "{head}", by its clock times (logger.channels.time.column)'
        )
        return clocks[0]
    # A stated rate beats a column that merely behaves like a clock.
    if logger.sample_rate is not None:
        return None
    risen = _evenly_rising(opened, taken)
    if risen is not None:
        head = opened.header[risen].full
        opened.steps.append(
            f'time taken from column "{head}", since its numbers rise evenly (logger.channels.time.column)'
        )
        return risen
    # A count of samples without a rate is no time; guessing 100 Hz would scale every filter.
    indexed = [i for i, cell in enumerate(opened.header) if i not in taken and looks_like_index(cell)]
    if indexed:
        raise LogError(
            opened.path,
            f'column "{opened.header[indexed[0]].full}"',
            "counts samples, and the log gives no time",
            "state logger.sample_rate, the rows a second that the logger was set to",
        )
    raise LogError(
        opened.path,
        "header",
        "has no column of time",
        "name it with logger.channels.time.column, or state logger.sample_rate as the logger was set",
    )


def _evenly_rising(opened: Opened, taken: set[int]) -> int | None:
    """Return the column that behaves as a clock, whatever its name; None without one, or with several.

    A count of samples rises evenly as well, by whole numbers from row to row, and is left to its own rule.
    """
    if opened.text is None or opened.layout is None:
        return None
    columns = first_numbers(opened.text, opened.layout)
    found = [
        i
        for i, cell in enumerate(opened.header)
        if i not in taken and not looks_like_index(cell) and rises_evenly(columns[i])
    ]
    timed = [i for i in found if opened.header[i].unit in DIMENSIONS["time"].log_units]
    plain = [i for i in found if not opened.header[i].unit and not counts_rows(columns[i])]
    for chosen in (timed, plain):
        if len(chosen) == 1:
            return chosen[0]
    return None


def _best_time(opened: Opened, named: list[int]) -> int:
    """Return the one of several time columns that runs with the rows: numbers before texts, left first."""
    plain = [i for i in named if not is_clock(opened, i)]
    if len(named) == 1 or not plain:
        return named[0]
    runs = {i: _running(opened, i) for i in plain}
    best = max(runs.values())
    texts = [i for i in named if i not in plain]
    if best < STANDS and texts:
        return texts[0]
    return next(i for i in plain if runs[i] >= best - ALIKE)


def rival_times(opened: Opened, logger: Logger, taken: set[int], place: int | None) -> list[int]:
    """Return further columns of numbers that run with the rows, beside the time at `place` that was guessed.

    Which of them has the right rate only the motion can tell.
    """
    if place is None or logger.channels.get("time") is not None:
        return []
    named = [i for i, cell in enumerate(opened.header) if i not in taken and looks_like_time(cell)]
    if place not in named or len(named) < 2:
        return []
    return [i for i in named if i != place and not is_clock(opened, i) and _running(opened, i) >= 1.0 - ALIKE]


def _running(opened: Opened, index: int) -> float:
    """Return the share of rows from which a column of numbers rises, less where it falls or has no unit."""
    cell = opened.header[index]
    try:
        values = read_raw(opened, [index], []).numbers[index]
        finite = values[np.isfinite(values)]
        if cell.unit not in DIMENSIONS["time"].log_units:
            guess_factor(finite, cell.full, opened.path)
    except LogError:
        return -1.0
    moves = np.diff(finite)
    if len(moves) == 0:
        return -1.0
    # A timer of laps begins anew, a clock rounded to seconds stands: neither is the time of the rows.
    return float((moves > 0.0).sum() / (len(values) - 1)) - (FALLS if bool((moves < 0.0).any()) else 0.0)


def is_clock(opened: Opened, index: int) -> bool:
    """Return whether the cells of a column are clock times or dates, not numbers."""
    if opened.text is None or opened.layout is None:
        return opened.header[index].unit == "timestamp text"
    layout = opened.layout
    lines = [
        line for line in opened.text.lines[layout.first_line - 1 : layout.first_line + 60] if line.strip()
    ]
    kinds = [
        kind_of(cells[index], layout.decimal)
        for cells in (split_line(line, layout.delimiter) for line in lines)
        if index < len(cells)
    ]
    return kinds.count(Kind.TIME) > kinds.count(Kind.NUMBER)


def stamps_of(opened: Opened, logger: Logger, table: RawTable, place: int | None, clocked: bool) -> Stamps:
    """Return the time of every row, from the column at `place` or counted at the stated rate.

    Raises
    ------
    LogError
        When the column holds no times, or its unit cannot be known.
    """
    rate = None if logger.sample_rate is None else logger.sample_rate.value
    if place is None:
        assert rate is not None
        return from_rows(table.rows, rate)
    cell = opened.header[place]
    if clocked:
        return from_clock(table.clocks[place], cell.full, opened.path)
    mapped = logger.channels.get("time")
    unit = cell.unit
    if mapped is not None and mapped.unit:
        # In one of several tables another column may stand in for the one the sheet names.
        named = find_column(opened.header, mapped.column, opened.path, "logger.channels.time")
        unit = mapped.unit if named == place or not cell.unit else cell.unit
    values = table.numbers[place]
    if looks_like_index(cell) and not unit:
        if rate is None:
            raise LogError(opened.path, f'column "{cell.full}"', "counts samples", "state logger.sample_rate")
        return Stamps(
            values / rate,
            None,
            (f'time counted from column "{cell.full}" at {rate:g} Hz (logger.sample_rate)',),
        )
    return from_numbers(values, unit, cell.full, opened.path)
