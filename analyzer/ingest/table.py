"""Read the wanted columns of a log's table into arrays: fast where every row is sound, else row by row."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from fnmatch import fnmatch
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
from numpy.typing import NDArray

from analyzer.core.errors import LogError
from analyzer.core.filebacked import Gathered, shelved
from analyzer.ingest import open as opening
from analyzer.ingest.cells import ClockCells, ClockReader, HeaderCell, read_header_cell, taken_apart
from analyzer.ingest.layout import (
    LONGEST_LINE,
    Layout,
    Wishes,
    find_layout,
    harmless_bytes,
    lines_before,
    open_rows,
    read_text,
    sections,
)
from analyzer.sheets.car import Logger

# Find the column a sheet means among the header cells of a log.


_NUMBERED: Final = re.compile(r"^(.*\S)\s+#(\d{1,9})$")
_SIGNS: Final = re.compile(r"[\W_]+")
_TIME_WORDS: Final = "zeit|uhrzeit|zeitstempel|temps|heure|tiempo|hora|tempo|ora|tijd|tid|czas|aika|時間|時刻"
"""Time in the languages of `analyzer.ingest.trade_words`, standing alone: lap times have a word more."""
_TIME_NAME: Final = re.compile(
    r"(log|run|elapsed|up|session|epoch|unix|gps|utc|system|sample|device|logger|rel|relative|abs)?[ _.-]*"
    r"(time|timestamp|time ?stamp|t|clock|timer|uptime|elapsed|seconds?|millis|utc|epoch|date[ _]?time|"
    rf"{_TIME_WORDS})"
    r"[ _.-]*(s|sec|secs|seconds|ms|us|utc|stamp|elapsed|millis|of day|since start|since[ _]start)?"
)
_INDEX_NAME: Final = re.compile(
    r"(sample|index|row|no|n|count|counter|record|frame|#)[ _.-]*(no|number|index|id|count)?\.?"
)


def plain_name(name: str) -> str:
    """Return `name` in lower case with runs of blanks and signs as single blanks."""
    return " ".join(_SIGNS.sub(" ", name.lower()).split())


_RATE: Final = re.compile(r"\b\d+(?:[.,]\d+)? ?[kK]?Hz\b", re.IGNORECASE)
_NUMBER: Final = r"[-+±]? ?\d+(?:[.,]\d+)?"
_RANGE: Final = re.compile(
    rf"(?:(?<![\w.,]){_NUMBER} ?(?:\.\.+|…|–|-|to|bis|/) ?{_NUMBER}|± ?\d+(?:[.,]\d+)?)"
    r"(?: ?(?:mm|cm|in|g|V|deg|°|%)\b)?",
    re.IGNORECASE,
)
_EMPTY: Final = re.compile(r"[\[({<]\s*[\])}>]")


def bare_name(name: str) -> str:
    """Return `name` without a rate or a range that stands in it, which another run may have otherwise."""
    bare = _RANGE.sub(" ", _RATE.sub(" ", name))
    if bare == name:
        return name
    return " ".join(_EMPTY.sub(" ", bare).split()).strip(" ,;:|@_")


_LEVELS: Final[tuple[tuple[Callable[[HeaderCell], str], Callable[[str], str]], ...]] = (
    (lambda h: h.full, str.strip),
    (lambda h: h.name, str.strip),
    (lambda h: h.full.casefold(), lambda w: w.strip().casefold()),
    (lambda h: plain_name(h.name), plain_name),
    (lambda h: plain_name(h.full), plain_name),
)


def find_column(header: Sequence[HeaderCell], wanted: str, path: Path, key: str) -> int | None:
    """Return the index of the column that a sheet calls `wanted`; None when the log has no such column.

    The cell as it stands is tried first, then without its unit, then without regard to case and signs, then
    without a rate or a range in it. Where several columns bear the name, ``name #2`` is the second of them.

    Raises
    ------
    LogError
        When several columns fit and the sheet does not say which.
    """
    for as_written, as_wanted in _LEVELS:
        target = as_wanted(wanted)
        hits = [i for i, cell in enumerate(header) if target and as_written(cell) == target]
        if len(hits) == 1:
            return hits[0]
        # Asked back, never guessed; a looser match must not settle what a stricter one leaves open.
        if hits:
            raise LogError(
                path,
                f'column "{wanted}"',
                f"stands {len(hits)} times in the header",
                f'write {key}.column = "{wanted} #1" for the first of them',
            )
    alike = _but_for_rate_and_range(header, wanted)
    if len(alike) == 1:
        return alike[0]
    numbered = _NUMBERED.match(wanted)
    if numbered:
        return _nth(header, numbered.group(1), int(numbered.group(2)))
    return None


def _but_for_rate_and_range(header: Sequence[HeaderCell], wanted: str) -> list[int]:
    """Return the columns whose names differ from the wanted one by a rate or a range alone.

    A name that states a unit fits no column that states another one.
    """
    meant = read_header_cell(wanted)
    target = plain_name(bare_name(meant.name))
    return [
        i
        for i, cell in enumerate(header)
        if target
        and plain_name(bare_name(cell.name)) == target
        and (cell.unit == meant.unit or not cell.unit or not meant.unit)
    ]


def _nth(header: Sequence[HeaderCell], wanted: str, number: int) -> int | None:
    for as_written, as_wanted in _LEVELS:
        hits = [i for i, cell in enumerate(header) if as_written(cell) == as_wanted(wanted)]
        if hits:
            return hits[number - 1] if 1 <= number <= len(hits) else None
    return None


def nearest_names(header: Sequence[HeaderCell], wanted: str) -> str:
    """Return a phrase that names the columns most like `wanted`, or the first ones of the log."""
    names = [cell.full for cell in header]
    near = difflib.get_close_matches(wanted, names, n=3, cutoff=0.5) or names[:6]
    return ", ".join(f'"{name[:40]}"' for name in near)


def looks_like_time(cell: HeaderCell) -> bool:
    """Return whether a header cell reads like a time column."""
    return bool(_TIME_NAME.fullmatch(cell.name.lower().strip()))


def looks_like_index(cell: HeaderCell) -> bool:
    """Return whether a header cell reads like a running number of samples."""
    return bool(_INDEX_NAME.fullmatch(cell.name.lower().strip()))


# Read the wanted columns of a log into arrays: fast when every row is sound, row by row wary when not.


Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOST_BAD_ROWS: Final = 0.2
"""Share of rows that cannot be read above which the table was not understood; engineering judgement."""
BEYOND_MEASURE: Final = 1e20
"""No sensor, clock or count of 64 bits (1.8e19) reaches this; a cell that does was damaged."""
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
    clocks : dict
        Column index -> times, for columns of clock times and dates.
    rows : int
        Number of rows read.
    dropped : list of DroppedLine
        Lines left out as a whole.
    bad_cells : dict
        Column index -> lines whose cell is neither blank nor a number that anything could measure.
    ended : bool
        Whether another table begins in the last of the lines left out.
    cut : bool
        Whether a packed log ended before its own end.
    """

    numbers: dict[int, Floats] = field(default_factory=dict)
    clocks: dict[int, ClockCells] = field(default_factory=dict)
    rows: int = 0
    dropped: list[DroppedLine] = field(default_factory=list)
    bad_cells: dict[int, list[int]] = field(default_factory=dict)
    ended: bool = False
    cut: bool = False


@dataclass(frozen=True, slots=True)
class DroppedLine:
    """A line that is no row of the table.

    Parameters
    ----------
    line : int
        From 1.
    cells : int
        How many it has.
    harmless : bool
        True for a header or row of units that is repeated.
    """

    line: int
    cells: int
    harmless: bool


@dataclass(slots=True)
class _Section:
    """What came of one section of the file."""

    numbers: dict[int, Floats]
    texts: dict[int, pa.ChunkedArray]
    rows: int
    dropped: list[DroppedLine] = field(default_factory=list)
    bad_cells: dict[int, list[int]] = field(default_factory=dict)
    ended: bool = False


class _Odd(Exception):
    """A row or cell that the fast way does not take; the message is the column where it is known."""


def read_columns(
    path: Path, text: opening.Text, layout: Layout, wanted: Sequence[int], texts: Sequence[int] = ()
) -> RawTable:
    """Read the columns `wanted` as numbers and `texts` as clock times; no other cell is parsed.

    The file is read section by section, so that its text never stands in memory as a whole. A section in
    which every row is sound goes the fast way; any other is read again, line by line and cell by cell.

    Raises
    ------
    LogError
        When the rows do not fit the header, or too many of them cannot be read.
    """
    parts: list[_Section] = []
    position = 0
    ending = opening.Ending()
    with ExitStack() as files, open_rows(path, text, layout, ending) as stream:
        columns = {index: files.enter_context(closing(Gathered())) for index in wanted}
        clocks = {index: files.enter_context(closing(ClockReader())) for index in texts}
        for piece in sections(stream, path, ending):
            # Another table has begun; its rows would be read under the names of this one. They are passed
            # over: damage of a packed log shows at its end.
            if parts and parts[-1].ended:
                continue
            if piece and not piece.isspace():
                parts.append(_read_section(path, text, layout, piece, position, wanted, texts))
                for index, column in columns.items():
                    column.add(parts[-1].numbers.pop(index))
                for index, clock in clocks.items():
                    clock.add(parts[-1].texts.pop(index))
            position += len(piece)
        if not any(part.rows for part in parts):
            raise LogError(path, "", "holds a header and no rows", "check the copy from the logger")
        raw = _joined(parts, columns, clocks)
    raw.ended = parts[-1].ended
    raw.cut = ending.cut
    _refuse_if_lost(path, raw, layout)
    return raw


def _read_section(
    path: Path,
    text: opening.Text,
    layout: Layout,
    piece: bytes,
    position: int,
    wanted: Sequence[int],
    texts: Sequence[int],
) -> _Section:
    try:
        table = _parse(path, layout, piece, [*wanted, *texts], set(texts), None)
        numbers = {i: np.asarray(table.column(_name(i)).to_numpy(), dtype=np.float64) for i in wanted}
        if any(_beyond_measure(values) for values in numbers.values()):
            raise _Odd
        done = _Section(numbers, {i: _as_text(table.column(_name(i))) for i in texts}, table.num_rows)
        del table
        pa.default_memory_pool().release_unused()
        return done
    except _Odd:
        first = layout.first_line + lines_before(path, text, layout, position)
        return _read_warily(path, layout, harmless_bytes(piece, layout.quoted), first, wanted, texts)


def _beyond_measure(values: Floats) -> bool:
    # Comparing lets cells without a number pass, which a greatest value would not.
    return bool((values >= BEYOND_MEASURE).any() or (values <= -BEYOND_MEASURE).any())


def _read_warily(
    path: Path, layout: Layout, piece: bytes, first: int, wanted: Sequence[int], texts: Sequence[int]
) -> _Section:
    """Read a damaged section: lines of another width and cells that are no numbers are left out and named."""
    # Read as numbers until a column refuses: then that column alone is read as text, and the rest again. At
    # most once a column.
    binary = set(texts)
    dropped: list[tuple[int, int, str]] = []
    for _ in range(len(wanted) + 1):
        dropped.clear()
        try:
            table = _parse(path, layout, piece, [*wanted, *texts], binary, dropped)
            break
        except _Odd as odd:
            binary.add(int(str(odd)))
    numbers: dict[int, Floats] = {}
    bad: dict[int, Bools] = {}
    for index in wanted:
        column = table.column(_name(index))
        if index in binary:
            numbers[index], bad[index] = wary_numbers(column, layout.decimal)
        else:
            numbers[index] = np.asarray(column.to_numpy(), dtype=np.float64)
            bad[index] = np.zeros(len(column), dtype=bool)
        # No sensor of a car reads that; such a cell is damage and overflows sums and squares later.
        far = np.abs(numbers[index]) >= BEYOND_MEASURE
        if far.any():
            bad[index] = bad[index] | far
            numbers[index] = np.where(far, np.nan, numbers[index])
    read_texts = {i: _as_text(table.column(_name(i))) for i in texts}
    # Damage is told by line, so that it can be looked at in the file.
    lines = _line_numbers(table.num_rows, first, [line for line, _, _ in dropped])
    done = _Section(numbers, read_texts, table.num_rows)
    done.dropped = [
        DroppedLine(first + line - 1, cells, row.strip() in layout.header_texts)
        for line, cells, row in dropped
    ]
    _drop_rows_without_any(done, table, layout, bad, lines)
    return done


def _line_numbers(rows: int, first: int, dropped: list[int]) -> NDArray[np.int64]:
    """Return the line of each row, given the lines (from 1 within the section) that were left out."""
    kept = np.ones(rows + len(dropped), dtype=bool)
    kept[np.asarray(dropped, dtype=np.int64) - 1] = False
    return np.flatnonzero(kept) + first


def _words_of(cell: bytes | float | None) -> str:
    """Return a bad cell as text: bytes where its column holds words, a number that none can be where not."""
    return cell.decode("ascii", "replace").strip() if isinstance(cell, bytes) else str(cell or "")


def _drop_rows_without_any(
    done: _Section, table: pa.Table, layout: Layout, bad: dict[int, Bools], lines: NDArray[np.int64]
) -> None:
    """Take out rows without a single number: blank lines silently, lines of text by name."""
    nothing = np.ones(done.rows, dtype=bool)
    text = np.zeros(done.rows, dtype=bool)
    for index, values in done.numbers.items():
        nothing &= np.isnan(values)
        text |= bad[index]
    for cells in done.texts.values():
        nothing &= ~np.asarray(pc.fill_null(pc.match_substring_regex(cells, pattern=r"\d:\d|\d-\d"), False))
    known = {cell.full for cell in layout.header} | {cell.unit for cell in layout.header}
    for row in np.flatnonzero(nothing & text).tolist():
        cells = [_words_of(table.column(_name(i))[row].as_py()) for i in bad if bad[i][row]]
        done.dropped.append(DroppedLine(int(lines[row]), len(layout.header), set(cells) <= known))
        if not set(cells) <= known and len(cells) == len(bad) >= 2 and not cells[0].startswith("#"):
            # Names, but not ours: another table begins, whose numbers are not of these channels.
            done.ended = True
            nothing[row:] = True
            break
    done.dropped.sort(key=lambda d: d.line)
    for index, flags in bad.items():
        named = flags & ~nothing
        if named.any():
            done.bad_cells[index] = lines[named].tolist()
    if nothing.any():
        done.numbers = {index: values[~nothing] for index, values in done.numbers.items()}
        done.texts = {index: cells.filter(pa.array(~nothing)) for index, cells in done.texts.items()}
        done.rows = int((~nothing).sum())


def _joined(parts: list[_Section], columns: dict[int, Gathered], clocks: dict[int, ClockReader]) -> RawTable:
    raw = RawTable(rows=sum(part.rows for part in parts))
    for part in parts:
        raw.dropped += part.dropped
        for index, lines in part.bad_cells.items():
            raw.bad_cells.setdefault(index, []).extend(lines)
    for index, column in columns.items():
        # One column at a time, so that the table does not stand in memory twice.
        raw.numbers[index] = column.joined()
    for index, clock in clocks.items():
        raw.clocks[index] = clock.joined()
    return raw


def _name(index: int) -> str:
    return f"c{index}"


def _parse(
    path: Path,
    layout: Layout,
    piece: bytes,
    columns: Sequence[int],
    binary: set[int],
    wary: list[tuple[int, int, str]] | None,
) -> pa.Table:
    """Run the CSV reader; with a list as `wary`, rows of another width are collected in it and skipped."""

    # Rows of another width are kept in mind, not dropped in silence: the caller says how many, and where.
    def on_invalid(row: Any) -> str:
        assert wary is not None
        wary.append((int(row.number), int(row.actual_columns), str(row.text)[:4096]))
        return "skip"

    try:
        return pacsv.read_csv(
            pa.BufferReader(piece),
            read_options=pacsv.ReadOptions(
                column_names=[_name(i) for i in range(len(layout.header))],
                # In one thread the numbers of odd rows are those of the file.
                use_threads=wary is None,
                block_size=LONGEST_LINE,
            ),
            parse_options=pacsv.ParseOptions(
                delimiter="\t" if layout.delimiter == " " else layout.delimiter,
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
        raise _refusal(path, str(error), wary is not None, binary) from None


def _refusal(path: Path, complaint: str, wary: bool, binary: set[int]) -> Exception:
    """Return what to raise for a complaint of the CSV reader."""
    found = _BAD_COLUMN.search(complaint)
    if not wary and (found or "CSV parse error" in complaint or "Empty CSV" in complaint):
        return _Odd()
    if found and int(found.group(1)) not in binary:
        return _Odd(found.group(1))
    if "Empty CSV" in complaint:
        return LogError(path, "", "holds a header and no rows", "check the copy from the logger")
    remedy = "a line or cell may be far too long; open it in an editor"
    return LogError(path, "", "cannot be read as rows of cells", remedy)


def _as_text(column: pa.ChunkedArray) -> pa.ChunkedArray:
    cells = pc.cast(column, options=pc.CastOptions(pa.string(), allow_invalid_utf8=True))
    return pc.ascii_trim(cells, characters=" \t\r\n\"'")


def wary_numbers(column: pa.ChunkedArray, decimal: str) -> tuple[Floats, Bools]:
    """Turn cells of text into numbers; return them (NaN where there is none) and which rows are neither.

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
    bad = ~(np.asarray(good) | np.asarray(blank))
    return values, bad


def _refuse_if_lost(path: Path, raw: RawTable, layout: Layout) -> None:
    lost = [line for line in raw.dropped if not line.harmless]
    total = raw.rows + len(lost)
    if len(lost) > MOST_BAD_ROWS * total:
        raise LogError(
            path,
            f"line {lost[0].line}",
            f"has {lost[0].cells} cells where the header has {len(layout.header)}; "
            f"{len(lost)} of {total} lines do not fit",
            "the table was not understood; state logger.delimiter and logger.header_line, or export it again",
        )


# Read the wanted columns of a log kept as Parquet.


_BROKEN = (pa.ArrowException, OSError, UnicodeDecodeError, OverflowError)
LONGEST_TIME: Final = 100
"""Characters of a time as text; a dictionary of longer ones would fill the memory with a small file."""


def parquet_header(path: Path) -> tuple[HeaderCell, ...]:
    """Return the names of the columns, with a unit where the field's metadata or the name gives one.

    Raises
    ------
    LogError
        When the file is broken.
    """
    try:
        schema = pq.read_schema(_source(path))
    except MemoryError:
        raise
    except _BROKEN:
        raise LogError(path, "", "is a broken Parquet file", "copy it again from the logger") from None
    cells = []
    for entry in schema:
        cell = read_header_cell(entry.name)
        # What the file says of a column goes before what its name suggests.
        meta = (entry.metadata or {}).get(b"unit", b"").decode("utf-8", "replace")
        if pa.types.is_timestamp(entry.type):
            cell = HeaderCell(cell.full, cell.name, "ns")
        elif meta:
            cell = HeaderCell(cell.full, cell.name, meta)
        elif pa.types.is_string(entry.type) or pa.types.is_large_string(entry.type):
            cell = HeaderCell(cell.full, cell.name, "timestamp text")
        cells.append(cell)
    return tuple(cells)


def _source(path: Path) -> Path | pa.BufferReader:
    content = opening.held_bytes(path)
    return path if content is None else pa.BufferReader(content)


def _arrow_text(column: pa.Array, path: Path) -> pa.ChunkedArray:
    words = column.dictionary if pa.types.is_dictionary(column.type) else column
    longest = pc.max(pc.binary_length(words)).as_py() if pa.types.is_string(words.type) else 0
    if (longest or 0) > LONGEST_TIME:
        remedy = "name the time column with logger.channels.time.column"
        raise LogError(path, "time", f"holds texts of {longest} characters", remedy)
    return pa.chunked_array([pc.cast(column, pa.string())])


def _refuse_if_too_large(path: Path, metadata: pq.FileMetaData, numbers: int, texts: set[str]) -> None:
    """Refuse a file that would fill the memory: a column of one value packs to nothing."""
    most = min(opening.LARGEST_EXPANDED, max(opening.RATIO_FREE, opening.LARGEST_RATIO * path.stat().st_size))
    size = metadata.num_rows * (numbers + len(texts)) * np.dtype(np.float64).itemsize
    groups = (metadata.row_group(group) for group in range(metadata.num_row_groups))
    columns = (group.column(column) for group in groups for column in range(group.num_columns))
    size += sum(column.total_uncompressed_size for column in columns if column.path_in_schema in texts)
    if size > most:
        raise LogError(
            path,
            "",
            f"unpacks to {size // 1024**2} MB, more than the {most // 1024**2} MB a log of its size does",
            "write the channels that are used and no other rows",
        )


def read_parquet(path: Path, wanted: Sequence[int], texts: Sequence[int]) -> RawTable:
    """Read columns by index; raises `LogError` when they hold neither numbers nor times."""
    raw = RawTable()
    try:
        names = pq.read_schema(_source(path)).names
        file = pq.ParquetFile(_source(path), read_dictionary=[names[index] for index in texts])
        raw.rows = file.metadata.num_rows
        _refuse_if_too_large(path, file.metadata, len(wanted), {names[index] for index in texts})
        for index in wanted:
            column = file.read(columns=[names[index]]).column(0)
            # In the unit that `parquet_header` names, whatever the file counts in.
            if pa.types.is_timestamp(column.type):
                column = pc.cast(column, pa.timestamp("ns")).cast(pa.int64())
            numbers = np.array(pc.cast(column, pa.float64(), safe=False).to_numpy(), dtype=np.float64)
            # What no sensor reads is told as a bad cell, by its row from 1, as in a text log.
            if _beyond_measure(numbers):
                far = np.abs(numbers) >= BEYOND_MEASURE
                numbers[far] = np.nan
                raw.bad_cells[index] = (np.flatnonzero(far) + 1).tolist()
            raw.numbers[index] = shelved(numbers)
        for index in texts:
            # Piece by piece: texts as a whole take more memory than all the numbers.
            batches = file.iter_batches(columns=[names[index]])
            raw.clocks[index] = taken_apart(_arrow_text(batch.column(0), path) for batch in batches)
    except MemoryError:
        raise
    except _BROKEN as error:
        raise LogError(
            path, "", f"cannot be read as numbers ({type(error).__name__})", "write the channels as numbers"
        ) from None
    return raw


# A log whose header is known and whose cells are not yet read.


@dataclass(slots=True)
class Opened:
    """A file whose header is known and whose cells are not yet read."""

    path: Path
    header: tuple[HeaderCell, ...]
    text: opening.Text | None
    layout: Layout | None
    steps: list[str]


def open_table(path: Path, logger: Logger, text: opening.Text | None = None) -> Opened:
    """Find the table of a log; `text` is its first lines when they were read already.

    Raises
    ------
    LogError
        When the file cannot be opened or holds no table.
    """
    if text is None and opening.is_parquet(path):
        return Opened(path, parquet_header(path), None, None, [])
    text = read_text(path, logger.encoding) if text is None else text
    wishes = Wishes(logger.delimiter, logger.decimal, logger.encoding, logger.header_line)
    layout = find_layout(text, path, wishes)
    return Opened(path, layout.header, text, layout, [*text.steps, *layout.steps])


def read_raw(opened: Opened, wanted: Sequence[int], texts: Sequence[int]) -> RawTable:
    """Return the columns `wanted` as numbers and `texts` as text; raises as `read_columns`."""
    if opened.text is None or opened.layout is None:
        return read_parquet(opened.path, wanted, texts)
    return read_columns(opened.path, opened.text, opened.layout, wanted, texts)


def is_file(path: Path, wanted: str) -> bool:
    """Return whether a file bears the name that a sheet gives, in part or as a pattern."""
    pattern = wanted if "*" in wanted or "?" in wanted else f"*{wanted}*"
    return fnmatch(path.name.lower(), pattern.lower())
