"""Read the wanted columns of a log into arrays: fast when every row is sound, row by row wary when not."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
from numpy.typing import NDArray

from analyzer.errors import LogError
from analyzer.ingest.dialect import Text
from analyzer.ingest.layout import Layout
from analyzer.ingest.streams import LONGEST_LINE, open_rows

MOST_BAD_ROWS: Final = 0.2
"""Share of rows that cannot be read above which the table was not understood; engineering judgement."""
_NULLS: Final = [
    "",
    "NaN",
    "nan",
    "NAN",
    "null",
    "NULL",
    "None",
    "none",
    "N/A",
    "n/a",
    "NA",
    "#N/A",
    "-nan",
    "nil",
]
_BAD_COLUMN: Final = re.compile(r"In CSV column #(\d+)")


@dataclass(slots=True)
class RawTable:
    """Columns of a log as they stand, row by row.

    Parameters
    ----------
    numbers : dict
        Column index -> float64 values; NaN where the cell is blank or no number.
    texts : dict
        Column index -> cells as text, for columns of clock times and dates.
    rows : int
        Number of rows read.
    dropped : list of (line, cells, text)
        Lines left out since their number of cells is not that of the table.
    bad_cells : dict
        Column index -> rows whose cell is neither blank nor a number.
    line_of_first : int
        Line of row 0, from 1.
    """

    numbers: dict[int, NDArray[np.float64]] = field(default_factory=dict)
    texts: dict[int, pa.ChunkedArray] = field(default_factory=dict)
    rows: int = 0
    dropped: list[tuple[int, int, str]] = field(default_factory=list)
    bad_cells: dict[int, NDArray[np.int64]] = field(default_factory=dict)
    line_of_first: int = 1

    def line(self, row: int) -> int:
        """Return the line of the file, from 1, that a row of the table came from."""
        line = self.line_of_first + int(row)
        for dropped_line, _, _ in self.dropped:
            if dropped_line > line:
                break
            line += 1
        return line


class _Odd(Exception):
    """A row or cell that the fast way does not take."""


def read_columns(
    path: Path, text: Text, layout: Layout, wanted: Sequence[int], texts: Sequence[int] = ()
) -> RawTable:
    """Read the columns `wanted` as numbers and `texts` as text; no other cell is parsed.

    Raises
    ------
    LogError
        When the rows do not fit the header, or too many of them cannot be read.
    """
    binary = set(texts)
    try:
        table = _arrow(path, text, layout, [*wanted, *texts], binary, wary=None)
        return _collect(table, layout, wanted, binary, [])
    except _Odd:
        pass
    dropped: list[tuple[int, int, str]] = []
    for _ in range(len(wanted) + 1):
        dropped.clear()
        try:
            table = _arrow(path, text, layout, [*wanted, *texts], binary, wary=dropped)
            break
        except _Odd as odd:
            binary.add(int(str(odd)))
    raw = _collect(table, layout, [w for w in wanted if w not in binary], set(texts), dropped)
    for index in sorted(binary - set(texts)):
        raw.numbers[index], bad = wary_numbers(table.column(_name(index)), layout.decimal)
        if len(bad):
            raw.bad_cells[index] = bad
    _refuse_if_lost(path, raw, layout)
    return raw


def _name(index: int) -> str:
    return f"c{index}"


def _arrow(
    path: Path,
    text: Text,
    layout: Layout,
    columns: Sequence[int],
    binary: set[int],
    wary: list[tuple[int, int, str]] | None,
) -> pa.Table:
    """Run the CSV reader; with a list as `wary`, rows of another width are collected in it and skipped."""

    def on_invalid(row: Any) -> str:
        assert wary is not None
        wary.append((layout.first_line + int(row.number) - 1, int(row.actual_columns), str(row.text)[:4096]))
        return "skip"

    names = [_name(i) for i in range(len(layout.header))]
    delimiter = "\t" if layout.delimiter == " " else layout.delimiter
    try:
        with open_rows(path, text, layout, wary is not None) as stream:
            table = pacsv.read_csv(
                stream,
                read_options=pacsv.ReadOptions(
                    column_names=names, use_threads=wary is None, block_size=LONGEST_LINE
                ),
                parse_options=pacsv.ParseOptions(
                    delimiter=delimiter,
                    quote_char='"' if layout.quoted else False,
                    invalid_row_handler=None if wary is None else on_invalid,
                    ignore_empty_lines=wary is None,
                ),
                convert_options=pacsv.ConvertOptions(
                    include_columns=[_name(i) for i in dict.fromkeys(columns)],
                    column_types={_name(i): pa.binary() if i in binary else pa.float64() for i in columns},
                    null_values=_NULLS,
                    decimal_point=layout.decimal,
                    check_utf8=False,
                ),
            )
    except UnicodeDecodeError:
        raise _Odd from None  # the reader words its complaint about a row that is no text
    except pa.ArrowInvalid as error:
        found = _BAD_COLUMN.search(str(error))
        if wary is None and (found or "CSV parse error" in str(error)):
            raise _Odd from None
        if found and int(found.group(1)) not in binary:
            raise _Odd(found.group(1)) from None
        if "Empty CSV" in str(error):
            raise LogError(path, "", "holds a header and no rows", "check the copy from the logger") from None
        raise LogError(
            path,
            "",
            "cannot be read as rows of cells",
            "a line or cell may be far too long; open it in an editor",
        ) from None
    return table


def _collect(
    table: pa.Table,
    layout: Layout,
    wanted: Sequence[int],
    binary: set[int],
    dropped: list[tuple[int, int, str]],
) -> RawTable:
    raw = RawTable(rows=table.num_rows, dropped=list(dropped), line_of_first=layout.first_line)
    for index in wanted:
        column = table.column(_name(index))
        values = np.asarray(column.to_numpy(), dtype=np.float64)
        raw.numbers[index] = values
    for index in binary:
        raw.texts[index] = _as_text(table.column(_name(index)))
    return raw


def _as_text(column: pa.ChunkedArray) -> pa.ChunkedArray:
    cells = pc.cast(column, options=pc.CastOptions(pa.string(), allow_invalid_utf8=True))
    return pc.ascii_trim(cells, characters=" \t\r\n\"'")


def wary_numbers(column: pa.ChunkedArray, decimal: str) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Turn cells of text into numbers; return them (NaN where there is none) and the rows that are neither.

    Exponents may be written with D, as Fortran does.
    """
    cells = _as_text(column)
    point = re.escape(decimal)
    number = rf"^[+-]?(\d+{point}?\d*|{point}\d+)([eEdD][+-]?\d+)?$"
    good = pc.fill_null(pc.match_substring_regex(cells, pattern=number), False)
    blank = pc.fill_null(
        pc.match_substring_regex(
            cells, pattern=r"^(nan|[-+]?inf|null|none|n/?a|#n/a|-nan|nil)?$", ignore_case=True
        ),
        True,
    )
    kept = pc.if_else(good, cells, pa.scalar(None, pa.string()))
    kept = pc.replace_substring_regex(kept, pattern="[dD]", replacement="e")
    if decimal != ".":
        kept = pc.replace_substring(kept, pattern=decimal, replacement=".")
    values = np.asarray(pc.cast(kept, pa.float64()).to_numpy(), dtype=np.float64)
    bad = np.flatnonzero(~(np.asarray(good) | np.asarray(blank)))
    return values, bad


def _refuse_if_lost(path: Path, raw: RawTable, layout: Layout) -> None:
    total = raw.rows + len(raw.dropped)
    lost = len(raw.dropped)
    if lost > MOST_BAD_ROWS * total:
        line, cells, _ = raw.dropped[0]
        raise LogError(
            path,
            f"line {line}",
            f"has {cells} cells where the header has {len(layout.header)}, and so have {lost} of "
            f"{total} lines",
            "the table was not understood; state logger.delimiter and logger.header_line, or export it again",
        )
