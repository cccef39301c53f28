"""Open a log as bytes and text: plain or packed, hashed meanwhile, its encoding and delimiter told."""

from __future__ import annotations

import bz2
import codecs
import gzip
import hashlib
import io
import lzma
import os
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path
from typing import IO, BinaryIO, Final, Protocol, cast

from analyzer.core.errors import LogError, nearest_file
from analyzer.core.files import file_sha256, open_plain
from analyzer.ingest.recording import SourceFile
from analyzer.ingest.trade_words import known_words
from analyzer.sheets.read import kind_of_file, logs_in

# Open a log file as a stream of bytes: plain or packed, with bounds against bombs; hash it meanwhile.


LARGEST_EXPANDED: Final = 8 * 1024**3
"""Bytes a packed log may expand to; engineering judgement, far above a day of driving."""
LARGEST_RATIO: Final = 200
"""Expansion of a packed log; number tables pack 3 to 30 times, bombs about 1000 times."""
RATIO_FREE: Final = 64 * 1024**2
"""Bytes below which the expansion ratio does not matter."""
MOST_WINDOW: Final = 256 * 1024**2
"""Bytes of memory for unpacking xz; its strongest setting takes 65 MB (manual of xz, from memory)."""
SAMPLE_BYTES: Final = 64 * 1024
"""First bytes of a log that the table is searched in; preambles are a few kilobytes."""

_PACKED_ERRORS = (
    OSError, EOFError, zlib.error, lzma.LZMAError, zipfile.BadZipFile, struct.error, RuntimeError, ValueError,
)  # fmt: skip
"""What the unpackers raise at damaged files; a method that they do not know is a RuntimeError."""


@dataclass(slots=True)
class Ending:
    """How a log ended, filled in while it is read.

    Parameters
    ----------
    cut : bool
        Whether a packed log ended before its own end, as when the battery drops while it is packed.
    """

    cut: bool = False


class _Bounded(io.RawIOBase):
    """Read-only stream that stops with a `LogError` when it has given more than is plausible, or damage."""

    def __init__(self, inner: _Unpacker, path: Path, packed_size: int, ending: Ending) -> None:
        super().__init__()
        self._inner = inner
        self._path = path
        self._ending = ending
        self._given = 0
        self._most = min(LARGEST_EXPANDED, max(RATIO_FREE, LARGEST_RATIO * packed_size))

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: object) -> int:
        view = memoryview(buffer)  # type: ignore[arg-type]
        try:
            # What is known up to a fault: reading as much as fits would lose all of it with the fault.
            piece = self._inner.read1(len(view))
        except EOFError:
            if self._given:
                self._ending.cut = True
                return 0
            raise _not_unpacked(self._path) from None
        except _PACKED_ERRORS as error:
            # A zip looks at its checksum before it gives the last piece, of a short log the only one.
            if not self._given and not isinstance(error, zipfile.BadZipFile):
                raise _not_unpacked(self._path) from None
            # Any number in it may be wrong, and nothing tells which.
            raise LogError(
                self._path,
                "",
                "is damaged: what it unpacks to does not agree with its own checksum",
                "copy it again from the logger or give the plain file",
            ) from None
        self._given += len(piece)
        if self._given > self._most:
            raise LogError(
                self._path,
                "",
                f"unpacks to more than {self._most // 1024**2} MB, which no log does",
                "unpack it yourself and give the plain file",
            )
        view[: len(piece)] = piece
        return len(piece)


Progress = Callable[[str, int, int], None]
MEGABYTE: Final = 1_000_000
LONG: Final = 8 * MEGABYTE
"""Bytes of a log from which on it is told how far it has been read: about half a second's reading."""
_watching: ContextVar[Callable[[int, int], None] | None] = ContextVar("_watching", default=None)


@contextmanager
def reading_of(tell: Progress, name: str, done: int, steps: int, told: bool = False) -> Iterator[None]:
    """Let `tell` know what is read within, and of every log of `LONG` bytes or more how far.

    Parameters
    ----------
    tell : callable
        Takes what is done, steps done and steps in all. It may be called from another thread.
    name : str
        Of what is read.
    done, steps : int
        Steps of the whole work; bytes are counted alone where `steps` is 0.
    told : bool
        Whether something else stands there already, which only a long log replaces.
    """

    def far(here: int, size: int) -> None:
        place = (here, size) if steps == 0 else (done, steps)
        tell(f"reading {name}, {here // MEGABYTE} of {size // MEGABYTE} MB", *place)

    if not told:
        tell(f"reading {name}", done, steps)
    token = _watching.set(far)
    try:
        yield
    finally:
        _watching.reset(token)


class _Counted(io.RawIOBase):
    """A file that tells how far it has been read."""

    def __init__(self, inner: BinaryIO, size: int, tell: Callable[[int, int], None]) -> None:
        super().__init__()
        self._inner, self._size, self._tell = inner, size, tell

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        return self._inner.seek(offset, whence)

    def readinto(self, buffer: object) -> int:
        piece = self._inner.read(len(buffer))  # type: ignore[arg-type]
        buffer[: len(piece)] = piece  # type: ignore[index]
        self._tell(self._inner.tell(), self._size)
        return len(piece)


@contextmanager
def open_log(path: Path, ending: Ending | None = None) -> Iterator[IO[bytes]]:
    """Open the log at `path`; what is packed (gz, bz2, xz, or a zip of one file) is unpacked on the way.

    Parameters
    ----------
    path : Path
        The log.
    ending : Ending, optional
        Is told how the log ended.

    Raises
    ------
    LogError
        When the file cannot be opened or unpacked, is damaged within, or expands beyond `LARGEST_EXPANDED`.
    """
    with _plain_errors(path), _opened(path) as raw, ExitStack() as stack:
        size = raw.seek(0, io.SEEK_END)
        raw.seek(0)
        tell = _watching.get()
        if tell is not None and size >= LONG:
            raw = stack.enter_context(io.BufferedReader(_Counted(raw, size, tell), 1 << 20))
        inner = _unpacked(raw, path, stack)
        if inner is None:
            yield raw
        else:
            bounded = _Bounded(inner, path, size, ending or Ending())
            yield io.BufferedReader(bounded, 1 << 20)


class _Unpacker(Protocol):
    """What the unpackers of the standard library have in common."""

    def read1(self, size: int, /) -> bytes:
        """Return some bytes, as many as can be had without another read."""


class _Xz:
    """Unpacks a stream of xz in bounded memory: a crafted file asks for a window of gigabytes.

    The standard library's file class for it takes no limit.
    """

    def __init__(self, raw: BinaryIO) -> None:
        self._raw = raw
        self._decoder = self._new()
        self._waiting = b""

    @staticmethod
    def _new() -> lzma.LZMADecompressor:
        return lzma.LZMADecompressor(memlimit=MOST_WINDOW)

    def read1(self, size: int, /) -> bytes:
        """Return up to `size` bytes; nothing at the end."""
        while True:
            if self._decoder.eof:  # another stream may follow, behind bytes of null
                self._waiting = (self._decoder.unused_data or self._raw.read(1 << 16)).lstrip(b"\x00")
                if not self._waiting:
                    return b""
                self._decoder = self._new()
            elif self._decoder.needs_input and not self._waiting:
                self._waiting = self._raw.read(1 << 16)
                if not self._waiting:
                    raise EOFError
            piece = self._decoder.decompress(self._waiting, size)
            self._waiting = b""
            if piece:
                return piece


def _unpacked(raw: BinaryIO, path: Path, stack: ExitStack) -> _Unpacker | None:
    """Return the stream of what is packed in a file, told by its first bytes; None for a plain file."""
    magic = raw.read(6)
    raw.seek(0)
    try:
        # By content, not by name: what is packed comes under any ending.
        if magic.startswith(b"\x1f\x8b"):
            return stack.enter_context(gzip.GzipFile(fileobj=raw))
        if magic.startswith(b"BZh"):
            return stack.enter_context(bz2.BZ2File(raw))
        if magic == b"\xfd7zXZ\x00":
            return _Xz(raw)
        if magic.startswith(b"PK\x03\x04"):
            archive = stack.enter_context(zipfile.ZipFile(raw))
            member = archive.open(_only_member(archive, path))
            return cast("zipfile.ZipExtFile", stack.enter_context(member))
    except NotImplementedError:
        remedy = "pack it as zip with the usual method (deflate), or give the plain file"
        raise LogError(path, "", "is packed by a method this program does not know", remedy) from None
    except _PACKED_ERRORS:
        raise _not_unpacked(path) from None
    return None


def _not_unpacked(path: Path) -> LogError:
    return LogError(path, "", "cannot be unpacked", "pack it again or give the plain file")


def is_parquet(path: Path) -> bool:
    """Return whether the file is Parquet by its first bytes."""
    with _plain_errors(path), _opened(path) as raw:
        return raw.read(4) == b"PAR1"


def refuse_sheet(path: Path) -> None:
    """Raise a `LogError` when the file is one of the sheets."""
    kind = kind_of_file(path)
    if kind is None:
        return
    logs = logs_in(path.parent)
    if logs:
        raise LogError(
            path, "", f"is a {kind}, not a log", f"name a log, {logs[0].name} for instance", logs[0]
        )
    raise LogError(path, "", f"is a {kind}, not a log", "name the file the logger wrote")


def _only_member(archive: zipfile.ZipFile, path: Path) -> zipfile.ZipInfo:
    files = [entry for entry in archive.infolist() if not entry.is_dir()]
    if len(files) != 1:
        raise LogError(path, "", f"holds {len(files)} files", "pack one log per zip file")
    if files[0].flag_bits & 0x1:
        raise LogError(path, "", "is protected by a password", "unpack it and give the plain file")
    return files[0]


@contextmanager
def _plain_errors(path: Path) -> Iterator[None]:
    try:
        yield
    except FileNotFoundError:
        near = nearest_file(path)
        remedy = "check the path" if near is None else f"did you mean {near.name}?"
        raise LogError(path, "", "there is no such file", remedy, near) from None
    except IsADirectoryError:
        logs = logs_in(path)
        remedy = (
            f"name one log in it, {logs[0].name} for instance" if logs else "it holds no log; name a log file"
        )
        raise LogError(path, "", "is a folder", remedy, logs[0] if logs else None) from None
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise LogError(path, "", f"cannot be read ({reason})", "check the path and its rights") from None


# A log may change while it is read, when a card is copied over it. Its hash is that of the bytes parsed.


HELD_AT_MOST: Final = 64 * 1024**2
"""Bytes of a log that is read once, into memory; of a longer one that it changed is seen afterwards."""
_held: ContextVar[Mapping[Path, bytes]] = ContextVar("_held", default={})  # noqa: B039  (never written to)


@contextmanager
def held(paths: Sequence[Path]) -> Iterator[Callable[[], tuple[SourceFile, ...]]]:
    """Let everything that is read of these logs within the block be read of the same bytes.

    Parameters
    ----------
    paths : sequence of Path
        The logs.

    Yields
    ------
    callable
        Returns the files with the hash of what was parsed, for the end of the block; raises `LogError` when a
        log that is too long to be held has changed meanwhile.
    """
    contents: dict[Path, bytes] = {}
    for path in paths:
        # What cannot be read is told by whoever reads it, in plain words and in its turn.
        with suppress(OSError), open_plain(path) as raw:
            if os.fstat(raw.fileno()).st_size <= HELD_AT_MOST:
                contents[path] = raw.read()
    long = [path for path in dict.fromkeys(paths) if path not in contents]
    # Hashed in the background while it is read.
    pool = ThreadPoolExecutor(max_workers=len(long) or 1)
    stamps = {path: _stamp(path) for path in long}
    promised = {path: pool.submit(_hash, path) for path in long}

    def sources() -> tuple[SourceFile, ...]:
        return tuple(
            SourceFile(path, hashlib.sha256(contents[path]).hexdigest(), len(contents[path]))
            if path in contents
            else _unchanged(promised[path].result(), stamps[path])
            for path in paths
        )

    token = _held.set(contents)
    try:
        yield sources
    finally:
        _held.reset(token)
        pool.shutdown(wait=False, cancel_futures=True)


def held_bytes(path: Path) -> bytes | None:
    """Return the whole of a log that is held in memory; None for one that is read where it lies."""
    return _held.get().get(path)


def _opened(path: Path) -> BinaryIO:
    content = held_bytes(path)
    return open_plain(path) if content is None else io.BytesIO(content)


def _stamp(path: Path) -> tuple[int, ...]:
    with suppress(OSError):  # gone: no stamp is like any other, and whoever reads it says so
        found = path.stat()
        return found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns
    return ()


def _hash(path: Path) -> SourceFile:
    with _plain_errors(path):
        return SourceFile(path, file_sha256(path), path.stat().st_size)


def _unchanged(source: SourceFile, stamp: tuple[int, ...]) -> SourceFile:
    if _stamp(source.path) != stamp:
        raise LogError(source.path, "", "changed while it was read", "run the command again")
    return source


# Encoding and delimiter of a text log from its first kilobytes; libraries are loaded only when needed.


_MARKS: Final = (
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
LINES_FOR_SNIFFER: Final = 60
"""Lines handed to the delimiter sniffer, whose time grows faster than its input."""


@dataclass(slots=True)
class Text:
    """First lines of a log, decoded.

    Parameters
    ----------
    encoding : str
        Python name; "utf-8" when it is plain.
    lines : list of str
        Without line ends.
    offsets : list of int
        Byte at which each line starts in the ASCII-compatible stream that the table is read from.
    whole : bool
        Whether the lines are the whole file.
    steps : tuple of str
        What was guessed.
    wrapped : bool
        Whether each line stands in quotes as a whole.
    """

    encoding: str
    lines: list[str]
    offsets: list[int]
    whole: bool
    steps: tuple[str, ...]
    wrapped: bool = False


def is_wide(encoding: str) -> bool:
    """Return whether ASCII characters take more than one byte, so that the stream must be recoded."""
    return codecs.lookup(encoding).name.replace("_", "-").startswith(("utf-16", "utf-32"))


def find_encoding(head: bytes, wished: str | None, path: Path) -> tuple[str, tuple[str, ...]]:
    """Return the encoding of a text from its first bytes, with a line where it was guessed.

    Raises
    ------
    LogError
        When the bytes are no text, or the stated encoding does not exist.
    """
    if wished:
        try:
            return codecs.lookup(wished).name, ()
        except (LookupError, ValueError):
            raise LogError(
                path, "", f'encoding "{wished}" is not known', 'write logger.encoding = "utf-8"'
            ) from None
    for mark, name in _MARKS:
        if head.startswith(mark):
            return name, ()
    if _is_utf8(head):
        # UTF-16 without a mark is valid UTF-8 when its text is ASCII: every other byte is then null.
        wide = _wide_without_mark(head)
        if wide:
            return wide, (f"encoding {wide} guessed (logger.encoding)",)
        if b"\x00" not in head:
            return "utf-8", ()
    wide = _wide_without_mark(head)
    if wide:
        return wide, (f"encoding {wide} guessed (logger.encoding)",)
    if head[:4096].count(0) > 0 and head[:4096].count(0) >= 0.01 * len(head[:4096]):
        raise LogError(path, "", "is not a text file", "export the log as CSV or Parquet")
    return _library_guess(head), (f"encoding {_library_guess(head)} guessed (logger.encoding)",)


def _is_utf8(head: bytes) -> bool:
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head, final=len(head) < SAMPLE_BYTES)
    except UnicodeDecodeError:
        return False
    return True


def _wide_without_mark(head: bytes) -> str | None:
    part = head[:4096]
    odd, even = part[1::2].count(0), part[0::2].count(0)
    if len(part) >= 8 and odd > 0.4 * len(part) / 2 and even < 0.02 * len(part):
        return "utf-16-le"
    if len(part) >= 8 and even > 0.4 * len(part) / 2 and odd < 0.02 * len(part):
        return "utf-16-be"
    return None


_PAGE_OF_THE_WEST: Final = "cp1252"
_PAGE_OF_THE_MIDDLE: Final = "cp1250"


def _library_guess(head: bytes) -> str:
    from charset_normalizer import from_bytes

    # Only the first lines carry letters; digits fit every encoding.
    best = from_bytes(head[:16384]).best()
    name = "latin-1" if best is None else best.encoding
    # The file may break off or be soiled further down: any byte must have a meaning.
    name = _PAGE_OF_THE_WEST if name in ("ascii", "utf_8") else name
    # A header is too short for the frequency of letters; words of the trade tell the pages of Europe apart.
    known = {
        page: known_words(head[:16384].decode(page, errors="replace"))
        for page in (_PAGE_OF_THE_WEST, name, _PAGE_OF_THE_MIDDLE)
    }
    most = max(known, key=lambda page: known[page])
    return most if known[most] else name


def split_text(head: bytes, encoding: str, whole: bool, steps: tuple[str, ...]) -> Text:
    """Return the lines of a sample; `head` is ASCII-compatible or already recoded to UTF-8."""
    skip = len(codecs.BOM_UTF8) if head.startswith(codecs.BOM_UTF8) else 0
    raw = head[skip:].splitlines(keepends=True)
    if not whole and len(raw) > 1:
        raw.pop()  # cut within
    narrow = "utf-8" if is_wide(encoding) or encoding == "utf-8-sig" else encoding
    offsets, here = [], skip
    for line in raw:
        offsets.append(here)
        here += len(line)
    lines = [line.decode(narrow, errors="replace").rstrip("\r\n") for line in raw]
    return Text(encoding, lines, offsets, whole, steps)


def likely_delimiter(text: Text, candidates: tuple[str, ...]) -> str | None:
    """Return the delimiter a general sniffing library finds; None when it finds none of the candidates."""
    import clevercsv

    sample = "\n".join(line[:2000] for line in text.lines[-LINES_FOR_SNIFFER:])
    try:
        found = clevercsv.Sniffer().sniff(sample, delimiters=list(candidates))
    except Exception:  # the library raises its own and plain exceptions for odd text; any means "not found"
        return None
    delimiter = getattr(found, "delimiter", None)
    return delimiter if delimiter in candidates else None
