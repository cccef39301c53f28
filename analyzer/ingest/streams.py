"""Bytes of a log as rows the CSV reader takes: unpacked, recoded to UTF-8, blanks as tabs."""

from __future__ import annotations

import codecs
import io
import re
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from analyzer.errors import LogError
from analyzer.ingest.dialect import Text, find_encoding, is_wide, split_text
from analyzer.ingest.files import SAMPLE_BYTES, open_log
from analyzer.ingest.layout import Layout

SECTION_BYTES = 3 << 20
"""Bytes read at a time: several blocks of the CSV reader, and small against the table of a minute's log."""
LONGEST_LINE = 1 << 20
"""Bytes of one line; the CSV reader works in blocks of this size."""

_WRAPPED = re.compile(r'"(?:[^"]|"")*[,;\t|](?:[^"]|"")*"\s*')


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
    return re.sub(rb"[ \t]+", b"\t", re.sub(rb"(?m)^[ \t]+|[ \t]+(?=\r?$)", b"", lines))


def _unwrap(lines: bytes) -> bytes:
    return re.sub(rb'(?m)^"(.*)"(\s*)$', lambda m: m.group(1).replace(b'""', b'"') + m.group(2), lines)


@contextmanager
def open_bytes(path: Path, encoding: str, wrapped: bool) -> Iterator[IO[bytes]]:
    """Open the log as an ASCII-compatible stream from its first byte."""
    with open_log(path) as raw:
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
def open_rows(path: Path, text: Text, layout: Layout) -> Iterator[IO[bytes]]:
    """Open the log at its first data row, in a form the CSV reader takes."""
    with open_bytes(path, text.encoding, text.wrapped) as stream:
        if stream.seekable():
            stream.seek(layout.offset)
        else:  # unpacked or recoded on the way
            _skip(stream, layout.offset)
        yield _buffered(stream, _by_lines(_blanks_to_tabs, path)) if layout.delimiter == " " else stream


def sections(stream: IO[bytes], path: Path) -> Iterator[bytes]:
    """Yield the rest of a stream in sections of whole lines; the next one is fetched meanwhile."""
    carry = b""

    def fetch() -> bytes:
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
    if written and sum(bool(_WRAPPED.fullmatch(line)) for line in written) >= 0.8 * len(written):
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
