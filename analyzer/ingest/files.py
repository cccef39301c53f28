"""Open a log file as a stream of bytes: plain, gzip or zip, with bounds against bombs; hash it meanwhile."""

from __future__ import annotations

import gzip
import hashlib
import io
import zipfile
import zlib
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Final, cast

from analyzer.errors import LogError
from analyzer.ingest.recording import SourceFile

LARGEST_EXPANDED: Final = 8 * 1024**3
"""Bytes a packed log may expand to; engineering judgement, far above a day of driving."""
LARGEST_RATIO: Final = 200
"""Expansion of a packed log; number tables pack 3 to 30 times, bombs about 1000 times."""
RATIO_FREE: Final = 64 * 1024**2
"""Bytes below which the expansion ratio does not matter."""
SAMPLE_BYTES: Final = 64 * 1024
"""First bytes of a log that the table is searched in; preambles are a few kilobytes."""

_PACKED_ERRORS = (OSError, EOFError, zlib.error, zipfile.BadZipFile, NotImplementedError, RuntimeError)


class _Bounded(io.RawIOBase):
    """Read-only stream that stops with a `LogError` when it has given more than is plausible."""

    def __init__(self, inner: IO[bytes], path: Path, packed_size: int) -> None:
        super().__init__()
        self._inner = inner
        self._path = path
        self._given = 0
        self._most = min(LARGEST_EXPANDED, max(RATIO_FREE, LARGEST_RATIO * packed_size))

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: object) -> int:
        view = memoryview(buffer)  # type: ignore[arg-type]
        try:
            piece = self._inner.read(len(view))
        except _PACKED_ERRORS:
            if self._given:  # cut short, as when the battery drops while the file is packed
                return 0
            raise LogError(
                self._path, "", "cannot be unpacked", "pack it again or give the plain file"
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


@contextmanager
def open_log(path: Path) -> Iterator[IO[bytes]]:
    """Open the log at `path`; what is packed (.gz, or a .zip with one file) is unpacked on the way.

    Raises
    ------
    LogError
        When the file cannot be opened or unpacked, or expands beyond `LARGEST_EXPANDED`.
    """
    with _plain_errors(path), path.open("rb") as raw:
        magic = raw.read(4)
        raw.seek(0)
        size = path.stat().st_size
        if magic[:2] == b"\x1f\x8b":
            with gzip.open(raw) as inner:
                yield io.BufferedReader(_Bounded(cast("IO[bytes]", inner), path, size), 1 << 20)
        elif magic == b"PK\x03\x04":
            with zipfile.ZipFile(raw) as archive, archive.open(_only_member(archive, path)) as inner:
                yield io.BufferedReader(_Bounded(inner, path, size), 1 << 20)
        else:
            yield raw


def is_parquet(path: Path) -> bool:
    """Return whether the file is Parquet by its first bytes."""
    with _plain_errors(path), path.open("rb") as raw:
        return raw.read(4) == b"PAR1"


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
        raise LogError(path, "", "there is no such file", "check the path") from None
    except IsADirectoryError:
        raise LogError(path, "", "is a folder", "name one log file in it") from None
    except (zipfile.BadZipFile, gzip.BadGzipFile):
        raise LogError(path, "", "cannot be unpacked", "pack it again or give the plain file") from None
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise LogError(path, "", f"cannot be read ({reason})", "check the path and its rights") from None


def hash_meanwhile(path: Path) -> Future[SourceFile]:
    """Start hashing the file in a thread and return its promise; the reader works on meanwhile."""
    pool = ThreadPoolExecutor(max_workers=1)
    future = pool.submit(_hash, path)
    pool.shutdown(wait=False)
    return future


def _hash(path: Path) -> SourceFile:
    with _plain_errors(path), path.open("rb") as raw:
        digest = hashlib.file_digest(raw, "sha256").hexdigest()
    return SourceFile(path=path, sha256=digest, size=path.stat().st_size)
