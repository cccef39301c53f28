"""Find the table in a text log: delimiter, decimal sign, header line, units row, first row of data."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from analyzer.core.errors import LogError
from analyzer.ingest.cells import (
    HeaderCell,
    Kind,
    is_unit,
    kind_of,
    plain_row,
    plain_unit,
    read_header_cell,
    split_line,
)
from analyzer.ingest.open import Text, likely_delimiter

DELIMITERS: Final = (",", ";", "\t", "|", " ")
_SHOWN: Final = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", " ": "blanks"}
LONGEST_LOOK_BACK: Final = 6
"""Lines above the first data row among which names and units are looked for."""
MOST_COLUMNS: Final = 4096


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the sheet states about the text of the log; None where it leaves the finding to the program."""

    delimiter: str | None = None
    decimal: str | None = None
    encoding: str | None = None
    header_line: int | None = None


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the table is in the text.

    Parameters
    ----------
    delimiter, decimal : str
        Between cells, and within numbers; a blank as delimiter stands for any run of blanks.
    quoted : bool
        Whether cells are quoted.
    header : tuple of HeaderCell
        One per column, in order; ``column 1`` and so on where the log names none.
    header_line : int or None
        Line of the names, from 1; None when there are none.
    first_line : int
        Line of the first data row, from 1.
    offset : int
        Bytes before the first data row in the (UTF-8) stream.
    header_texts : frozenset of str
        Stripped lines of names and units, to know them again further down.
    preamble : tuple of str
        Lines above the header.
    steps : tuple of str
        What was guessed, with the key that overrides it.
    """

    delimiter: str
    decimal: str
    quoted: bool
    header: tuple[HeaderCell, ...]
    header_line: int | None
    first_line: int
    offset: int
    header_texts: frozenset[str]
    preamble: tuple[str, ...]
    steps: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Block:
    """Longest run of data rows under one delimiter and decimal sign; lines count from 0."""

    delimiter: str
    decimal: str
    first: int
    rows: int
    width: int
    numbers: int


def find_layout(text: Text, path: Path, wishes: Wishes) -> Layout:
    """Find the table in the first kilobytes of a log.

    Raises
    ------
    LogError
        When the file is empty, holds no rows of numbers, or has no header where one is needed.
    """
    if not any(line.strip() for line in text.lines):
        raise LogError(path, "", "is empty", "check the copy from the logger")
    block = _best_block(text, wishes)
    if block is None:
        if _first_width(text.lines) >= 2 and text.whole:
            raise LogError(path, "", "holds a header and no rows", "check the copy from the logger")
        raise LogError(
            path,
            "",
            "no table of numbers was found",
            "give logger.delimiter and logger.header_line in the car sheet",
        )
    if block.width > MOST_COLUMNS:
        raise LogError(
            path, "", f"has {block.width} columns", "this is not a log; export channels as columns"
        )
    return _with_header(text, block, wishes, path)


def _first_width(lines: list[str]) -> int:
    first = next(line for line in lines if line.strip())
    return max(len(split_line(first, d)) for d in DELIMITERS if d != " ")


def _best_block(text: Text, wishes: Wishes) -> _Block | None:
    # The plain case first: it is most logs, and the others cost a sniffing library.
    if wishes.delimiter in (None, ",") and wishes.decimal in (None, ".") and wishes.header_line is None:
        plain = _longest_run(text.lines, ",", ".")
        if (
            plain
            and plain.width >= 2
            and plain.first <= 2
            and plain.rows >= len(text.lines) - plain.first - 1
        ):
            return plain
    delimiters = (wishes.delimiter,) if wishes.delimiter else DELIMITERS
    decimals = (wishes.decimal,) if wishes.decimal else (".", ",")
    quoted = _is_quoted(text.lines)  # a comma within quotes may be a decimal sign among commas
    found = [
        block
        for delimiter in delimiters
        for decimal in decimals
        if (delimiter != decimal or quoted) and (block := _longest_run(text.lines, delimiter, decimal))
    ]
    if not found:
        return None
    most = max(block.numbers for block in found)
    best = [block for block in found if block.numbers >= 0.98 * most]
    if len({block.delimiter for block in best}) > 1:
        favourite = likely_delimiter(text, DELIMITERS)
        best = [block for block in best if block.delimiter == favourite] or best
    return max(best, key=lambda b: (b.numbers, b.decimal == "."))


def _longest_run(lines: list[str], delimiter: str, decimal: str) -> _Block | None:
    """Return the largest block of data rows of one width, small breaks allowed."""
    shapes = [_data_shape(line, delimiter, decimal) for line in lines]
    widths = Counter(width for width, _ in shapes if width)
    if not widths:
        return None
    best: _Block | None = None
    for width, _ in widths.most_common(3):
        block = _run_of_width(shapes, width, delimiter, decimal)
        if best is None or block.numbers > best.numbers:
            best = block
    return best


def _run_of_width(shapes: list[tuple[int, int]], width: int, delimiter: str, decimal: str) -> _Block:
    rows = [i for i, (w, _) in enumerate(shapes) if w == width]
    # Lone number rows in a preamble are not the table: start where the rows follow each other.
    first = next(
        (i for i, row in enumerate(rows) if len(rows) - i < 3 or rows[min(i + 2, len(rows) - 1)] - row <= 4),
        0,
    )
    kept = rows[first:]
    return _Block(delimiter, decimal, kept[0], len(kept), width, sum(shapes[i][1] for i in kept))


def _data_shape(line: str, delimiter: str, decimal: str) -> tuple[int, int]:
    """Return width and count of numbers of a data row; (0, 0) for any other line."""
    if delimiter != " " and delimiter not in line:  # one cell, whatever is in it
        return (0, 0)
    if delimiter not in (" ", decimal) and plain_row(delimiter, decimal).fullmatch(line):
        width = line.count(delimiter) + 1
        return (width, width)
    cells = split_line(line, delimiter)
    kinds = [kind_of(cell, decimal) for cell in cells]
    numbers = sum(k in (Kind.NUMBER, Kind.TIME) for k in kinds)
    texts = kinds.count(Kind.TEXT)
    if len(cells) < 2 or numbers == 0 or texts > numbers:
        return (0, 0)
    if len(cells) == 2 and kinds[0] is Kind.TEXT:  # "Rate, 100" in a preamble
        return (0, 0)
    return (len(cells), numbers)


def _with_header(text: Text, block: _Block, wishes: Wishes, path: Path) -> Layout:
    # What was guessed is said with the key of the sheet that would state it.
    names_line = _names_line(text.lines, block, wishes, path)
    steps = (
        []
        if block.delimiter == ","
        else [f"cells parted by {_SHOWN.get(block.delimiter, 'a sign')}, guessed (logger.delimiter)"]
    )
    if block.decimal == ",":
        steps.append("decimal comma, guessed (logger.decimal)")
    first = block.first
    if names_line is None:
        header = tuple(HeaderCell(f"column {i + 1}", f"column {i + 1}") for i in range(block.width))
        units_line = None
        steps.append(
            "no line of names was found; columns are called column 1, column 2 … (logger.header_line)"
        )
    else:
        cells = split_line(text.lines[names_line], block.delimiter)
        # A header with one cell less than the rows would give every column its neighbour's name.
        _refuse_shifted(cells, text, block, names_line, path)
        header = _named(cells, block.width)
        units_line = _units_line(text.lines, names_line, block)
        if units_line is not None:
            header = _united(header, split_line(text.lines[units_line], block.delimiter))
            steps.append(f"line {units_line + 1} read as the row of units (logger.channels.….unit)")
        if names_line > 0:
            steps.append(f"line {names_line + 1} read as the row of names (logger.header_line)")
        first = _first_data_line(text.lines, names_line, units_line, block)
    # Loggers that were restarted write their header again in mid-file; those lines are no damage.
    heads = {text.lines[i].strip() for i in (names_line, units_line) if i is not None}
    return Layout(
        delimiter=block.delimiter,
        decimal=block.decimal,
        quoted=_is_quoted(text.lines),
        header=header,
        header_line=None if names_line is None else names_line + 1,
        first_line=first + 1,
        offset=text.offsets[first],
        header_texts=frozenset(heads),
        preamble=tuple(text.lines[: names_line or 0]),
        steps=tuple(steps),
    )


def _is_quoted(lines: list[str]) -> bool:
    """Return whether quotes enclose cells; a lone quote is dirt."""
    counts = [line.count('"') for line in lines if '"' in line]
    return sum(n % 2 == 0 for n in counts) > sum(n % 2 for n in counts)


def _names_line(lines: list[str], block: _Block, wishes: Wishes, path: Path) -> int | None:
    if wishes.header_line is not None:
        if wishes.header_line > len(lines):
            raise LogError(
                path,
                f"line {wishes.header_line}",
                "is not within the first part",
                "correct logger.header_line",
            )
        return wishes.header_line - 1
    best: tuple[float, int] | None = None
    for index in range(block.first - 1, max(block.first - 1 - LONGEST_LOOK_BACK, -1), -1):
        score = _name_score(split_line(lines[index], block.delimiter), block)
        # Of equally good lines the lower one wins, except that units rows are no names.
        if score > 0 and (best is None or score > best[0] + 1e-9):
            best = (score, index)
    return None if best is None else best[1]


def _name_score(cells: list[str], block: _Block) -> float:
    """Return how far a line looks like the names of the block's columns: 0 for not at all."""
    while len(cells) > block.width and not cells[-1]:
        cells = cells[:-1]
    if not cells or (abs(len(cells) - block.width) > 1 and len(cells) < block.width):
        return 0.0
    if len(cells) > block.width + 1 and block.delimiter != " ":
        return 0.0
    kinds = [kind_of(cell, block.decimal) for cell in cells]
    named = sum(k is Kind.TEXT for k in kinds)
    if named < 0.5 * len(cells) or named < 1:
        return 0.0
    units = sum(bool(cell) and is_unit(cell) for cell in cells)
    return (named - units + 0.1) / block.width if units > 0.6 * named else named / block.width + 0.5


def _refuse_shifted(cells: list[str], text: Text, block: _Block, names_line: int, path: Path) -> None:
    """Refuse a header that does not fit the rows: any shift between them would exchange the channels."""
    names = len(cells)
    while names and not cells[names - 1]:
        names -= 1
    beyond = [split_line(line, block.delimiter) for line in text.lines[block.first : block.first + 50]]
    beyond = [row for row in beyond if len(row) == block.width]
    filled = sum(any(row[names:]) for row in beyond)
    if names > block.width or filled > 0.5 * len(beyond):
        raise LogError(
            path,
            f"line {names_line + 1}",
            f"gives {names} names where the rows have {block.width} cells",
            "name every column and no other, or state logger.header_line",
        )


def _named(cells: list[str], width: int) -> tuple[HeaderCell, ...]:
    cells = (cells + [""] * width)[:width]
    read = [read_header_cell(cell) for cell in cells]
    return tuple(
        h if h.name else HeaderCell(f"column {i + 1}", f"column {i + 1}") for i, h in enumerate(read)
    )


def _units_line(lines: list[str], names_line: int, block: _Block) -> int | None:
    for index in range(names_line + 1, min(block.first, len(lines))):
        cells = split_line(lines[index], block.delimiter)
        given = [cell for cell in cells if cell]
        if given and len(cells) <= block.width + 1 and sum(is_unit(c) for c in given) >= 0.5 * len(given):
            return index
    return None


def _united(header: tuple[HeaderCell, ...], units: list[str]) -> tuple[HeaderCell, ...]:
    united = list(header)
    for index, unit in enumerate(units[: len(header)]):
        plain = plain_unit(unit)
        if plain and plain not in ("-", "--", "#", "none", "n/a"):
            united[index] = replace(header[index], unit=plain, from_suffix=False)
    return tuple(united)


def _first_data_line(lines: list[str], names_line: int, units_line: int | None, block: _Block) -> int:
    """Return the first line below names and units; rows between there and the block are read, too."""
    below = max(names_line, units_line if units_line is not None else names_line) + 1
    while below < block.first and not lines[below].strip():
        below += 1
    return below
