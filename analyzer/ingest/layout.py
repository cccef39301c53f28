"""Where the table of a text log lies: its bytes as rows, parted by kind; delimiter, header and units."""

from __future__ import annotations

import codecs
import io
import re
import tempfile
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Final

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
from analyzer.ingest.open import (
    SAMPLE_BYTES,
    Ending,
    Text,
    find_encoding,
    is_wide,
    likely_delimiter,
    open_log,
    split_text,
)

# Bytes of a log as rows the CSV reader takes: unpacked, recoded to UTF-8, blanks as tabs.


SECTION_BYTES = 3 << 20
"""Bytes read at a time: several blocks of the CSV reader, and small against the table of a minute's log."""
LONGEST_LINE = 1 << 20
"""Bytes of one line; the CSV reader works in blocks of this size."""

_WRAPPED = re.compile(rb'(?m)^"(.*)"(\s*)$')
_BLANKS = re.compile(rb"[ \t]++")
_TABS_AT_ENDS = re.compile(rb"(?m)^\t|\t(?=\r?$)")


class _Recoded(io.RawIOBase):
    """Read-only stream whose bytes went through a function, block by block."""

    def __init__(self, inner: IO[bytes], turn: Callable[[bytes, bool], bytes]) -> None:
        super().__init__()
        self._inner = inner
        self._turn = turn
        self._waiting = b""
        self._ended = False

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: object) -> int:
        view = memoryview(buffer)  # type: ignore[arg-type]
        while not self._waiting and not self._ended:
            block = self._inner.read(1 << 18)
            self._ended = not block
            self._waiting = self._turn(block, self._ended)
        piece = self._waiting[: len(view)]
        self._waiting = self._waiting[len(piece) :]
        view[: len(piece)] = piece
        return len(piece)


def _to_utf8(encoding: str) -> Callable[[bytes, bool], bytes]:
    decoder = codecs.getincrementaldecoder(encoding)(errors="replace")

    def turn(block: bytes, last: bool) -> bytes:
        return decoder.decode(block, last).encode("utf-8", errors="replace")

    return turn


def _by_lines(change: Callable[[bytes], bytes], path: Path) -> Callable[[bytes, bool], bytes]:
    """Return a block function that applies `change` to whole lines only."""
    rest = b""

    def turn(block: bytes, last: bool) -> bytes:
        nonlocal rest
        whole, cut, rest = (rest + block).rpartition(b"\n")
        if len(rest) > LONGEST_LINE:
            raise LogError(path, "", "has a line of more than a megabyte", "this is not a log table")
        done = change(whole + cut) if cut else b""
        return done + change(rest) if last else done

    return turn


def _blanks_to_tabs(lines: bytes) -> bytes:
    # Runs first, then those at the ends, which are one tab by then: a run is looked at once.
    return _TABS_AT_ENDS.sub(b"", _BLANKS.sub(b"\t", lines))


def _unwrap(lines: bytes) -> bytes:
    return _WRAPPED.sub(lambda m: m.group(1).replace(b'""', b'"') + m.group(2), lines)


def _is_wrapped(line: str) -> bool:
    """Return whether quotes enclose a whole row: within them each quote is doubled, and cells are parted."""
    line = line.rstrip()
    inside = line[1:-1]
    whole = len(line) > 1 and line[0] == line[-1] == '"' and '"' not in inside.replace('""', "")
    return whole and any(sign in inside for sign in _DELIMITERS)


@contextmanager
def open_bytes(path: Path, encoding: str, wrapped: bool, ending: Ending | None = None) -> Iterator[IO[bytes]]:
    """Open the log as an ASCII-compatible stream from its first byte; `ending` is told how it ended."""
    with open_log(path, ending) as raw:
        stream: IO[bytes] = raw
        if is_wide(encoding):
            stream = _buffered(stream, _to_utf8(encoding))
        if wrapped:
            stream = _buffered(stream, _by_lines(_unwrap, path))
        yield stream


def _buffered(stream: IO[bytes], turn: Callable[[bytes, bool], bytes]) -> IO[bytes]:
    return io.BufferedReader(_Recoded(stream, turn), 1 << 18)


_PLAIN_BYTES = bytes(b if b < 128 else ord("?") for b in range(256))
_LINE_WITH_QUOTE = re.compile(rb'(?m)^[^"\r\n]*"[^\r\n]*')


def harmless_bytes(piece: bytes, quoted: bool) -> bytes:
    """Return a section with what could lead the CSV reader astray made harmless.

    Numbers and times need no byte beyond ASCII. In a quoted table, a line with an odd number of quotes would
    swallow the lines behind it; its quotes are taken out.
    """
    plain = piece.translate(_PLAIN_BYTES)
    if not quoted:
        return plain

    def without_lone_quote(match: re.Match[bytes]) -> bytes:
        line = match.group()
        return line.replace(b'"', b"") if line.count(b'"') % 2 else line

    return _LINE_WITH_QUOTE.sub(without_lone_quote, plain)


@contextmanager
def open_rows(path: Path, text: Text, layout: Layout, ending: Ending | None = None) -> Iterator[IO[bytes]]:
    """Open the log at its first data row, in a form the CSV reader takes; `ending` as for `open_bytes`."""
    with open_bytes(path, text.encoding, text.wrapped, ending) as stream:
        if stream.seekable():
            stream.seek(layout.offset)
        else:  # unpacked or recoded on the way
            _skip(stream, layout.offset)
        yield _buffered(stream, _by_lines(_blanks_to_tabs, path)) if layout.delimiter == " " else stream


def sections(stream: IO[bytes], path: Path, ending: Ending) -> Iterator[bytes]:
    """Yield the rest of a stream in sections of whole lines; the next one is fetched meanwhile.

    Of a log that was cut short the last line is left out: its last number may be a part of one.
    """
    carry = b""

    def fetch() -> bytes:
        piece = fetch_lines()
        return piece[: max(piece.rfind(b"\n"), piece.rfind(b"\r")) + 1] if ending.cut else piece

    def fetch_lines() -> bytes:
        nonlocal carry
        piece = carry + stream.read(SECTION_BYTES) if carry else stream.read(SECTION_BYTES)
        carry = b""
        if len(piece) < SECTION_BYTES or piece.endswith(b"\n"):
            return piece
        if b"\n" not in piece:  # lines that end with CR alone
            cut = piece.rfind(b"\r") + 1
            carry = piece[cut:]
            piece = piece[:cut]
            rest = b"" if cut else carry
        else:
            rest = stream.readline(LONGEST_LINE + 1)
        if len(rest) > LONGEST_LINE:
            raise LogError(path, "", "has a line of more than a megabyte", "this is not a log table")
        return piece + rest if rest else piece

    first = fetch()
    if len(first) < SECTION_BYTES:  # a short log is no work for a second thread
        if first:
            yield first
        return
    with ThreadPoolExecutor(max_workers=1) as pool:
        waiting = pool.submit(fetch)
        yield first
        while piece := waiting.result():
            waiting = pool.submit(fetch)
            yield piece


def lines_before(path: Path, text: Text, layout: Layout, position: int) -> int:
    """Return how many lines lie between the first data row and a byte of the stream of rows."""
    lines, left = 0, position
    with open_rows(path, text, layout) as stream:
        while left > 0:
            piece = stream.read(min(left, 1 << 20))
            if not piece:
                break
            lines += piece.count(b"\n") or piece.count(b"\r")
            left -= len(piece)
    return lines


def _skip(stream: IO[bytes], count: int) -> None:
    while count > 0:
        piece = stream.read(min(count, 1 << 18))
        if not piece:
            return
        count -= len(piece)


def read_text(path: Path, wished_encoding: str | None) -> Text:
    """Return the first lines of a log, decoded.

    Raises
    ------
    LogError
        When the file cannot be opened or is no text.
    """
    with open_log(path) as raw:
        head = raw.read(SAMPLE_BYTES)
    encoding, steps = find_encoding(head, wished_encoding, path)
    if is_wide(encoding):
        text = _sample(path, encoding, wrapped=False, steps=steps)
    else:
        text = _text_of(path, head, encoding, steps)
    written = [line for line in text.lines if line.strip()]
    if written and sum(map(_is_wrapped, written)) >= 0.8 * len(written):
        return _sample(
            path, encoding, wrapped=True, steps=(*steps, "whole rows stand in quotes; read without them")
        )
    return text


def _sample(path: Path, encoding: str, wrapped: bool, steps: tuple[str, ...]) -> Text:
    with open_bytes(path, encoding, wrapped) as stream:
        head = stream.read(SAMPLE_BYTES)
    text = _text_of(path, head, encoding, steps)
    text.wrapped = wrapped
    return text


def _text_of(path: Path, head: bytes, encoding: str, steps: tuple[str, ...]) -> Text:
    text = split_text(head, encoding, len(head) < SAMPLE_BYTES, steps)
    if text.lines and max(len(line) for line in text.lines) >= SAMPLE_BYTES - 8:
        raise LogError(path, "line 1", "is longer than any header", "this is not a log table")
    return text


# Logs that write several kinds of rows into one file, told apart by a word at the start of each row.


_KEY: Final = re.compile(r"[$#@]?[A-Za-z][\w .-]{0,23}")
LEAST_ROWS: Final = 3
MOST_TYPES: Final = 64
COVERED: Final = 0.9
"""Share of the rows with numbers that must begin with a known word (engineering judgement)."""
_DELIMITERS: Final = (",", ";", "\t", "|")


@dataclass(frozen=True, slots=True)
class RecordTypes:
    """Kinds of rows in one file.

    Parameters
    ----------
    delimiter : str
        Between cells.
    names : dict
        Word at the start of the rows -> names of the cells behind it; empty where the log names them in rows
        of the same kind, which then stand above the numbers.
    """

    delimiter: str
    names: dict[str, tuple[str, ...]]


@dataclass(slots=True)
class _Seen:
    widths: dict[str, Counter[int]]
    named: dict[str, tuple[str, ...]]
    rows: int = 0


def record_types(text: Text, delimiter: str | None) -> RecordTypes | None:
    """Return the kinds of rows of a log; None for the usual log with one table.

    Rows are of several kinds when most begin with one of a few words, and either the kinds differ in width or
    each has names of its own. Otherwise the word is a column of the table.
    """
    for sign in (delimiter,) if delimiter else _DELIMITERS:
        if sign == " " or not _begins_with_words(text.lines, sign):
            continue
        seen = _survey(text.lines, sign)
        kinds = [key for key, widths in seen.widths.items() if widths.total() >= LEAST_ROWS]
        covered = sum(seen.widths[key].total() for key in kinds)
        if not 2 <= len(kinds) <= MOST_TYPES or covered < COVERED * seen.rows:
            continue
        width = {key: seen.widths[key].most_common(1)[0][0] for key in kinds}
        if len(set(width.values())) == 1 and not all(key in seen.named for key in kinds):
            continue
        return RecordTypes(sign, {key: _names(key, width[key], seen) for key in kinds})
    return None


def _begins_with_words(lines: list[str], sign: str) -> bool:
    written = [line for line in lines[-20:] if line.strip()]
    if not any(sign in line for line in written):  # the usual log, three times out of four
        return False
    words = sum(kind_of(line.partition(sign)[0].strip(' "')) is Kind.TEXT for line in written)
    return words >= 0.8 * len(written)


def _survey(lines: list[str], sign: str) -> _Seen:
    seen = _Seen(defaultdict(Counter), {})
    named_elsewhere: dict[str, tuple[str, ...]] = {}
    for line in lines:
        cells = split_line(line, sign)
        kinds = [kind_of(cell) for cell in cells]
        numbers = sum(kind in (Kind.NUMBER, Kind.TIME) for kind in kinds[1:])
        key = cells[0].strip('"')
        if numbers:
            seen.rows += 1
        if len(cells) < 3 or not _KEY.fullmatch(key):
            continue
        if numbers:
            seen.widths[key][len(cells)] += 1
        elif kinds.count(Kind.TEXT) >= 0.5 * len(cells):
            seen.named.setdefault(key, ())
            # "names, travel, seconds, front left": the names of another kind of rows.
            named_elsewhere.setdefault(cells[1].strip('"'), tuple(cells[2:]))
    for key, names in named_elsewhere.items():
        if key in seen.widths and key not in seen.named:
            seen.named[key] = names
    return seen


def _names(key: str, width: int, seen: _Seen) -> tuple[str, ...]:
    if key not in seen.named:
        return tuple(f"{key} {i}" for i in range(1, width))
    names = seen.named[key]
    return names if len(names) == width - 1 else ()


@contextmanager
def split_by_type(
    path: Path, text: Text, types: RecordTypes, ending: Ending | None = None
) -> Iterator[dict[str, Path]]:
    """Yield, per kind of rows, a file of its own without the leading word; they are gone afterwards.

    Rows of no known kind are left out, and so is the last line of a log that was cut short; `ending` is told
    whether it was.
    """
    ending = ending or Ending()
    sign = types.delimiter.encode()
    with tempfile.TemporaryDirectory(prefix="log-rows-") as folder, ExitStack() as stack:
        files: dict[bytes, IO[bytes]] = {}
        places: dict[str, Path] = {}
        for number, (key, names) in enumerate(types.names.items(), start=1):
            places[key] = Path(folder) / f"{number}.csv"
            files[key.encode()] = stack.enter_context(places[key].open("wb"))
            if names:
                files[key.encode()].write(sign.join(name.encode() for name in names) + b"\n")
        with open_bytes(path, text.encoding, text.wrapped, ending) as stream:
            for line in stream:
                # A file that breaks off ends in half a row, whose last number would be wrong and look right.
                if ending.cut and not line.endswith(b"\n"):
                    break
                # Rows of a kind that holds no table go nowhere.
                first, _, rest = line.partition(sign)
                target = files.get(first.strip(b' "\xef\xbb\xbf'))
                if target is not None and rest:
                    target.write(rest if rest.endswith(b"\n") else rest + b"\n")
        for file in files.values():
            file.flush()
        yield places


# Find the table in a text: delimiter, decimal sign, header line, units row, first row of data.


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
