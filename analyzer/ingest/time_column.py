"""Which column of a log is its time, the seconds it gives, and the rows put in their order."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.errors import LogError
from analyzer.core.filebacked import by_pieces, shelved, stretches
from analyzer.core.units import DIMENSIONS
from analyzer.ingest.cells import ClockCells, Kind, kind_of, split_line
from analyzer.ingest.layout import Layout
from analyzer.ingest.open import Text
from analyzer.ingest.recording import HealthRow, Verdict
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
    _refuse_falling(np.asarray(finite[:1000]), name, path)
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


def _refuse_falling(head: NDArray[np.float64], name: str, path: Path) -> None:
    """Refuse a time that falls from row to row below nought: put in order, the car would drive backwards.

    Above nought the rows stand in reverse, and putting them in order is right. Below it a time with the wrong
    sign looks the same, and nothing in the column tells which it is.
    """
    if len(head) >= FEW and head.max() <= 0.0 and (np.diff(head) < 0.0).mean() >= EVEN:
        raise LogError(
            path,
            f'column "{name}"',
            "falls from row to row below zero: a time with the wrong sign, or rows in reverse",
            "turn it round in the log, or leave it out and state logger.sample_rate",
        )


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
    if step <= 0.0:
        return False
    return bool((np.abs(moves - step) <= NEAR * step).mean() >= EVEN) or _rounded_clock(finite, moves)


def _rounded_clock(values: Floats, moves: Floats) -> bool:
    """Return whether numbers are those of an even clock, rounded: 400 Hz in whole ms is 0, 2, 5, 8, 10.

    Rounding does not add up: no stamp is further from a straight line than one last digit, which a distance
    or a count of events soon is.
    """
    kinds = np.unique(np.round(moves, 9))
    if len(kinds) != 2 or kinds[0] <= 0.0:
        return False
    line = np.linspace(values[0], values[-1], len(values))
    return bool(np.abs(values - line).max() <= (kinds[1] - kinds[0]) * (1.0 + 1e-6))


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


# Put the rows of a log in order of time: unordered, repeated, coarse, reset or jumping clocks.


LONGEST_HOLE: Final = 600.0
"""A hole longer than this is a clock that was set, or another outing [s]; engineering judgement."""
SEAM: Final = 1.0
"""Hole left where a clock was reset and the true length is not known [s]."""
BEYOND_CALENDAR: Final = 1e11
"""Seconds (3,000 years) from the middle of a log that no clock is off by, however it was set."""
FAR_STEPS: Final = 20.0
"""Usual steps by which a stamp is off that is no jitter, no exchange of neighbours; engineering judgement."""
FEW: Final = 10
"""Rows below which a part of a log counts as a stub; engineering judgement."""
LOOK: Final = 20_000
"""Rows that are looked at for rounded stamps."""
LEAST_ROUNDED: Final = 40
"""Rows without a hole that tell the rate behind rounded stamps."""
ROUNDED_SHARE: Final = 0.05
"""Share of the steps from which a length is one of the clock's own."""
IN_TURN: Final = 0.9
"""Share of them that must come in turn; rows that are dropped come by chance."""
_COARSE: Final = 0.3
"""Share of repeated stamps above which the clock is coarse, not the rows repeated."""


@dataclass(slots=True)
class Ordered:
    """Rows in order of time.

    Parameters
    ----------
    seconds : ndarray
        Strictly rising times [s].
    rows : ndarray or None
        Rows of the table they belong to; None when it is all rows in their order.
    steps, health : list
        What was done and found.
    """

    seconds: NDArray[np.float64]
    rows: NDArray[np.int64] | None = None
    steps: list[str] = field(default_factory=list)
    health: list[HealthRow] = field(default_factory=list)

    def take(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return `values` of a column in this order."""
        return values if self.rows is None else values[self.rows]


def order_rows(
    seconds: NDArray[np.float64],
    columns: Sequence[NDArray[np.float64]],
    sample_rate: float | None,
    path: Path,
) -> Ordered:
    """Return the rows in strictly rising time.

    Parameters
    ----------
    seconds : ndarray
        Time of every row as logged [s], NaN where there is none.
    columns : sequence of ndarray
        Columns of the same rows, to tell repeated rows from repeated stamps.
    sample_rate : float or None
        Stated rate [Hz], used where the clock is too coarse.
    path : Path
        The log, for messages.

    Raises
    ------
    LogError
        When the clock cannot be made sense of.
    """
    # Most logs are in order: then no row is taken out and no column copied.
    if len(seconds) >= 2 and _in_order(seconds):
        done = Ordered(seconds)
        _spread_rounded(done)
        return done
    done = Ordered(seconds, np.flatnonzero(np.isfinite(seconds)))
    assert done.rows is not None
    done.seconds = seconds[done.rows]
    if len(done.rows) < 0.5 * len(seconds):
        raise LogError(path, "time", "is missing in most rows", "state logger.channels.time.column")
    if len(done.rows) < len(seconds):
        _finding(
            done, "rows without time", len(seconds) - len(done.rows), "rows bear no time and were left out"
        )
    # Each step takes those before it for done: a lone stray looks like a jump forth and back, rows written
    # twice like a coarse clock.
    _drop_strays(done)
    _drop_copies(done, columns)
    _spread_coarse(done, sample_rate, path)
    _undo_steps_back(done, columns)
    _close_jumps(done)
    _spread_rounded(done)
    if len(done.seconds) < 2:
        raise LogError(
            path, "time", "does not move", "state logger.channels.time.column or logger.sample_rate"
        )
    return done


def _in_order(seconds: NDArray[np.float64]) -> bool:
    """Return whether times rise strictly, without a hole beyond `LONGEST_HOLE` or a far stub at an end."""
    ends = (np.diff(seconds[:FEW]), np.diff(seconds[-FEW:]))
    if len(seconds) > 2 * FEW and max(float(end.max()) for end in ends) > 0.5 * (seconds[-1] - seconds[0]):
        return False
    steps = (np.diff(seconds[first : end + 1]) for first, end in stretches(len(seconds) - 1))
    return all(bool((step > 0.0).all()) and float(step.max()) <= LONGEST_HOLE for step in steps)


def _finding(
    done: Ordered, check: str, count: float, comment: str, verdict: Verdict = Verdict.SUSPECT
) -> None:
    done.steps.append(f"{count:g} {comment}")
    done.health.append(HealthRow(check, "time", verdict, float(count), 0.0, "1", f"{count:g} {comment}."))


def _keep(done: Ordered, kept: NDArray[np.bool_] | NDArray[np.int64]) -> None:
    assert done.rows is not None
    done.rows = done.rows[kept]
    done.seconds = done.seconds[kept]


def _drop_strays(done: Ordered) -> None:
    """Drop rows whose stamp is no time of the log: sorted in, they would stand where they were not driven.

    A few rows are strays where their stamps are beyond any calendar; where the stamps around them leave
    exactly their places free and theirs lie far from those; and at an end of the log, where they step back
    far or lie farther off than the log is long.
    """
    before = len(done.seconds)
    _keep(done, np.abs(done.seconds - np.median(done.seconds)) < BEYOND_CALENDAR)
    # The ends last: behind a stray the first rows of a log look like a stub.
    for strays in (_strays_within, _strays_at_ends):
        moves = np.diff(done.seconds)
        rising = moves[moves > 0]
        if len(rising):
            far = FAR_STEPS * float(np.median(rising))
            edges = np.flatnonzero((moves < 0) | (moves > far)) + 1
            if len(edges):
                _keep(done, ~strays(done.seconds, edges, far))
    if len(done.seconds) < before:
        count = before - len(done.seconds)
        text = "rows bear a time many steps off that of the rows around them; left out"
        _finding(done, "stray stamps", count, text)


def _strays_within(seconds: NDArray[np.float64], edges: NDArray[np.int64], far: float) -> NDArray[np.bool_]:
    first, end = edges[:-1], edges[1:]
    before, behind = seconds[first - 1], seconds[end]
    free = np.abs((behind - before) / (far / FAR_STEPS) - (end - first + 1)) < 0.5
    away = np.minimum(np.abs(seconds[first] - before), np.abs(seconds[end - 1] - before)) > far
    found = np.zeros(len(seconds), dtype=bool)
    for place in np.flatnonzero(free & away & (end - first < FEW)).tolist():
        found[first[place] : end[place]] = True
    return found


def _strays_at_ends(seconds: NDArray[np.float64], edges: NDArray[np.int64], far: float) -> NDArray[np.bool_]:
    found = np.zeros(len(seconds), dtype=bool)
    first, last = int(edges[0]), int(edges[-1])
    for stub, rest, edge in (
        (slice(0, first), seconds[first:], first),
        (slice(last, len(seconds)), seconds[:last], last),
    ):
        move = float(seconds[edge] - seconds[edge - 1])
        if len(seconds[stub]) < min(FEW, len(rest)) and (move < -far or move > float(np.ptp(rest))):
            found[stub] = True
    return found


def _same_as_before(done: Ordered, columns: Sequence[NDArray[np.float64]]) -> NDArray[np.bool_]:
    """Return per row whether stamp and all columns equal those of the row before."""
    assert done.rows is not None
    same = np.zeros(len(done.rows), dtype=bool)
    same[1:] = np.diff(done.seconds) == 0
    for column in columns:
        values = column[done.rows]
        here, before = values[1:], values[:-1]
        same[1:] &= (here == before) | (np.isnan(here) & np.isnan(before))
    return same


def _drop_copies(done: Ordered, columns: Sequence[NDArray[np.float64]]) -> None:
    """Drop rows written twice in a row; a coarse clock on a standing car looks alike and is left."""
    repeated = int((np.diff(done.seconds) == 0).sum())
    if not repeated or not columns:
        return
    same = _same_as_before(done, columns)
    if same.sum() >= 0.95 * repeated and repeated > 1:
        _keep(done, ~same)
        _finding(
            done,
            "repeated rows",
            int(same.sum()),
            "rows repeat the row before and were left out",
            Verdict.GOOD,
        )


def _spread_coarse(done: Ordered, sample_rate: float | None, path: Path) -> None:
    """Replace stamps coarser than the rows by an even count of rows between them."""
    moves = np.diff(done.seconds)
    if len(moves) == 0 or (moves == 0).mean() < _COARSE:
        return
    # Rounded stamps (float32 of epoch milliseconds, whole seconds) with the order of rows intact: rows count
    # the time.
    rows = np.arange(len(done.seconds), dtype=np.float64)
    if sample_rate is not None:
        done.seconds = done.seconds[0] + rows / sample_rate
        done.steps.append(
            f"stamps are coarser than the rows; time counted at {sample_rate:g} Hz (logger.sample_rate)"
        )
        return
    starts = np.flatnonzero(moves > 0) + 1
    if len(starts) >= 8 and not bool(np.any(moves < 0)):
        # The first row of each stamp lies on the true line but for the rounding; a fit through many of them
        # has the rate.
        slope, begin = np.polyfit(starts, done.seconds[starts], 1)
        off = np.abs(done.seconds[starts] - (begin + slope * starts)).max()
        if slope > 0 and off <= 1.1 * float(np.median(moves[moves > 0])):
            done.seconds = begin + slope * rows
            _finding(
                done,
                "coarse clock",
                round(1.0 / slope, 3),
                "Hz: stamps are coarser than the rows, which were spread evenly (logger.sample_rate)",
            )
            return
    raise LogError(
        path,
        "time",
        f"stands still in {(moves == 0).mean():.0%} of the rows, as after rounding",
        "state logger.sample_rate, the rows a second that the logger was set to",
    )


def _spread_rounded(done: Ordered) -> None:
    """Put rows where they were before their stamps were rounded, where that made steps of two lengths.

    A clock of 80 Hz written in hundredths of a second steps by 0.01 and 0.02 s in turn; taken as it is it
    looks like one of 100 Hz with a hole at every other row. Rows that were really dropped come anyhow.
    """
    grain = _grain(done.seconds[:LOOK])
    if grain is None:
        return
    seconds = done.seconds
    moves = np.diff(seconds)
    edges = np.concatenate([[0], np.flatnonzero(moves > np.median(moves) + 1.5 * grain) + 1, [len(seconds)]])
    longest = int(np.argmax(np.diff(edges)))
    piece = slice(int(edges[longest]), int(edges[longest + 1]))
    rows = np.arange(piece.stop - piece.start, dtype=np.float64)
    if len(rows) < LEAST_ROUNDED:
        return
    interval = float(np.polyfit(rows, seconds[piece] - seconds[piece.start], 1)[0])
    spread = np.empty(len(seconds))
    for first, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        count = np.arange(end - first, dtype=np.float64) * interval
        off = seconds[first:end] - count
        # Rounding keeps stamps within half a grain of the line, whichever way it rounds within one.
        if float(np.ptp(off)) > 1.2 * grain:
            return
        spread[first:end] = count + float(off.mean())
    done.seconds = shelved(spread)
    done.steps.append(
        f"stamps are rounded to {grain:.4g} s; rows were spread evenly at {1.0 / interval:.5g} Hz"
    )


def _grain(seconds: NDArray[np.float64]) -> float | None:
    """Return to what stamps are rounded [s] where steps are of two lengths in turn; None where not."""
    moves = np.round(np.diff(seconds), 9)
    lengths, counts = np.unique(moves, return_counts=True)
    common = lengths[counts >= max(2, ROUNDED_SHARE * len(moves))]
    if len(common) != 2 or common[0] <= 0.0:
        return None
    short, long = common.tolist()
    grain = float(long - short)
    # Steps of whole grains, and so short that one grain more looks like a missing row.
    if not 0.45 * short <= grain <= 1.05 * short or abs(short / grain - round(short / grain)) > 0.01:
        return None
    longer = np.flatnonzero(moves == long)
    # In turn: of the rarer length every one comes as many rows behind the last, give or take one.
    rarer = longer if 2 * len(longer) <= len(moves) else np.flatnonzero(moves == short)
    apart = np.diff(rarer)
    if len(apart) < LEAST_ROUNDED // 4 or (np.abs(apart - np.median(apart)) <= 1).mean() < IN_TURN:
        return None
    return grain


def _undo_steps_back(done: Ordered, columns: Sequence[NDArray[np.float64]]) -> None:
    moves = np.diff(done.seconds)
    back = np.flatnonzero(moves < 0)
    if len(back) == 0:
        _drop_equal(done)
        return
    order = np.argsort(done.seconds, kind="stable")
    assert done.rows is not None
    trial = Ordered(done.seconds[order], done.rows[order])
    same = _same_as_before(trial, columns) if columns else np.zeros(len(order), dtype=bool)
    _keep(trial, ~same)
    if _is_regular(trial.seconds):
        done.rows, done.seconds = trial.rows, trial.seconds
        copies = f", {int(same.sum())} repeated rows left out" if same.any() else ""
        _finding(done, "order of rows", len(back), f"steps back in time; rows were sorted{copies}")
        _drop_equal(done)
        return
    _join_segments(done, back)


def _is_regular(seconds: NDArray[np.float64]) -> bool:
    moves = np.diff(seconds)
    if len(moves) < 2:
        return False
    step = float(np.median(moves))
    return step > 0 and float(((moves > 0.5 * step) & (moves < 1.5 * step)).mean()) > 0.95


def _join_segments(done: Ordered, back: NDArray[np.int64]) -> None:
    """Set each part behind the one before, at an unknown distance; stubs of a few rows are left out."""
    # A few rows between two steps back are no part of the drive: a clock that stumbles leaves such stubs.
    edges = np.concatenate([[0], back + 1, [len(done.seconds)]])
    sizes = np.diff(edges)
    kept = sizes >= max(FEW, 0.01 * sizes.max())
    seconds, part = done.seconds.copy(), np.repeat(kept, sizes)
    end: float | None = None
    for first, size, use in zip(edges[:-1], sizes, kept, strict=True):
        if not use:
            continue
        piece = slice(int(first), int(first + size))
        if end is not None:
            seconds[piece] += end + SEAM - seconds[piece.start]
        end = float(seconds[piece.stop - 1])
    done.seconds = seconds
    _keep(done, part)
    parts = int(kept.sum())
    dropped = int((~part).sum())
    if dropped:
        _finding(done, "clock steps back", dropped, "rows beside a step back of the clock were left out")
    if parts > 1:
        text = f"parts between resets of the clock, joined with holes of {SEAM:g} s of unknown true length"
        _finding(done, "clock reset", parts, text)
    _drop_equal(done)


def _drop_equal(done: Ordered) -> None:
    moves = np.diff(done.seconds)
    equal = np.concatenate([[False], moves <= 0])
    if equal.any():
        _keep(done, ~equal)
        _finding(
            done,
            "repeated stamps",
            int(equal.sum()),
            "rows bear the stamp of the row before and were left out",
        )


def _close_jumps(done: Ordered) -> None:
    moves = np.diff(done.seconds)
    jumps = np.flatnonzero(moves > LONGEST_HOLE)
    if len(jumps) == 0:
        return
    shift = np.zeros(len(done.seconds))
    shift[jumps + 1] = moves[jumps] - SEAM
    # Keep the times of the longest part as logged, so that stretches named in the sheet still fit.
    total = np.cumsum(shift)
    parts = np.diff(np.concatenate([[0], jumps + 1, [len(moves) + 1]]))
    longest = int(np.argmax(parts))
    begin = 0 if longest == 0 else int(jumps[longest - 1]) + 1
    done.seconds = done.seconds - total + (0.0 if total[begin] > 1e7 else total[begin])
    text = f"jumps of the clock by more than {LONGEST_HOLE:g} s; a hole of {SEAM:g} s stands in their place"
    _finding(done, "clock jump", len(jumps), text)
