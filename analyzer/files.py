"""Write files so that a killed run leaves the old ones or none, never half of one."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path


def write_whole(path: Path, content: bytes) -> None:
    """Write `content` under a temporary name beside `path` and move it into place.

    Raises
    ------
    OSError
        When the folder cannot be written to; nothing is left behind.
    """
    write_whole_with(path, lambda part: part.write_bytes(content))


def write_whole_with(path: Path, write: Callable[[Path], object], prefix: str | None = None) -> None:
    """Let `write` fill a temporary file beside `path`, then move it into place.

    Parameters
    ----------
    path : Path
        Where the file shall lie.
    write : callable
        Given the temporary file, which exists and is empty.
    prefix : str, optional
        Start of the temporary name, for those who clean up after a kill; made from `path` if not given.

    Raises
    ------
    OSError
        When the folder cannot be written to; nothing is left behind.
    """
    part = _temporary(path, prefix)
    try:
        write(part)
        part.replace(path)
    finally:
        with suppress(FileNotFoundError):
            part.unlink()


def write_together(files: Mapping[Path, bytes]) -> None:
    """Write several files under temporary names first and move all of them into place at the end.

    The last one named is moved last: where it stands, all others stand too. Folders are made.

    Raises
    ------
    OSError
        When a folder cannot be written to; nothing is left behind but folders.
    """
    waiting: dict[Path, Path] = {}
    try:
        for path, content in files.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            part = _temporary(path, None)
            waiting[part] = path
            part.write_bytes(content)
        for part, path in waiting.items():
            part.replace(path)
    finally:
        for part in waiting:
            part.unlink(missing_ok=True)


def umask() -> int:
    """Return the process's file mask, which can only be read by setting it."""
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def _temporary(path: Path, prefix: str | None) -> Path:
    """Return a new empty file beside `path`, open to those whom any other new file is open to."""
    beside = prefix or f".{path.name[:40]}-"
    handle, name = tempfile.mkstemp(prefix=beside, suffix="" if prefix else ".part", dir=path.parent)
    os.close(handle)
    part = Path(name)
    # mkstemp gives the owner alone access; what is written here is passed around like any other file.
    part.chmod(0o666 & ~umask())
    return part
