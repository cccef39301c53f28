"""Bytes of a text log as rows the CSV reader takes, parted by kind where one file holds several."""

from __future__ import annotations

import codecs
import io
import re
import tempfile
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final

from analyzer.core.errors import LogError
from analyzer.ingest.cells import Kind, kind_of, split_line
from analyzer.ingest.layout import Layout
from analyzer.ingest.open import SAMPLE_BYTES, Ending, Text, find_encoding, is_wide, open_log, split_text

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
                if ending.cut and not line.endswith(b"\n"):
                    break
                first, _, rest = line.partition(sign)
                target = files.get(first.strip(b' "\xef\xbb\xbf'))
                if target is not None and rest:
                    target.write(rest if rest.endswith(b"\n") else rest + b"\n")
        for file in files.values():
            file.flush()
        yield places
