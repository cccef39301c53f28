"""Which column of a log is its time, and the seconds it gives."""

from __future__ import annotations

from analyzer.errors import LogError
from analyzer.ingest.behaviour import counts_rows, first_numbers, rises_evenly
from analyzer.ingest.cells import DIMENSION_UNITS, Kind, kind_of, split_line
from analyzer.ingest.columns import find_column, looks_like_index, looks_like_time, nearest_names
from analyzer.ingest.opened import Opened, is_file
from analyzer.ingest.table import RawTable
from analyzer.ingest.timestamps import Stamps, from_clock, from_numbers, from_rows
from analyzer.sheets.logger import Logger


def time_place_of(opened: Opened, logger: Logger, taken: set[int], lenient: bool = False) -> int | None:
    """Return the column of the time; None when time is counted from rows."""
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
    if logger.sample_rate is not None:
        return None
    risen = _evenly_rising(opened, taken)
    if risen is not None:
        head = opened.header[risen].full
        opened.steps.append(
            f'time taken from column "{head}", since its numbers rise evenly (logger.channels.time.column)'
        )
        return risen
    indexed = [i for i, cell in enumerate(opened.header) if i not in taken and looks_like_index(cell)]
    if indexed:
        raise LogError(
            opened.path,
            f'column "{opened.header[indexed[0]].full}"',
            "counts samples, and the log gives no time",
            'state logger.sample_rate, for instance "100 Hz"',
        )
    raise LogError(
        opened.path,
        "header",
        "has no column of time",
        'name it with logger.channels.time.column, or state logger.sample_rate = "100 Hz"',
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
    timed = [i for i in found if opened.header[i].unit in DIMENSION_UNITS["time"]]
    plain = [i for i in found if not opened.header[i].unit and not counts_rows(columns[i])]
    for chosen in (timed, plain):
        if len(chosen) == 1:
            return chosen[0]
    return None


def _best_time(opened: Opened, named: list[int]) -> int:
    """Return the most useful of several time columns: plain numbers before clock texts, left before right."""
    return min(named, key=lambda i: (is_clock(opened, i), i))


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
