"""Write one file so that a killed run leaves the old one or none, never half of one."""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from pathlib import Path


def write_whole(path: Path, content: bytes) -> None:
    """Write `content` under a temporary name beside `path` and move it into place.

    Raises
    ------
    OSError
        When the folder cannot be written to; nothing is left behind.
    """
    handle, name = tempfile.mkstemp(prefix=f".{path.name[:40]}-", suffix=".part", dir=path.parent)
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        # mkstemp gives the owner alone access; what is written here is passed around like any other file.
        part.chmod(0o666 & ~_umask())
        part.replace(path)
    finally:
        with suppress(FileNotFoundError):
            part.unlink()


def _umask() -> int:
    """Return the process's file mask, which can only be read by setting it."""
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
