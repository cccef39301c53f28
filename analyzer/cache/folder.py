"""Where kept work lies: the user's cache folder, bounded in size, the longest unused out first.

Every trouble with it (no room, no rights, another user's folder, a damaged file) means that work is done
anew, and is never an error: a cache that fails costs time and nothing else.
"""

from __future__ import annotations

import json
import mmap
import os
import shutil
import time
import zlib
from contextlib import suppress
from pathlib import Path
from typing import IO, Any, Final

import numpy as np

from analyzer.cache.packing import NUMBERS, Array, NotPackable, Packer, Unpacker
from analyzer.files import write_whole_with

VARIABLE: Final = "ANALYZER_CACHE"
"""Environment variable that names another folder, or says "off"."""
LARGEST: Final = 2 * 1024**3
"""Bytes all kept work may take: a day of long logs; engineering judgement."""
LEFT_FREE: Final = 1024**3
"""Bytes of the disk that are left free, whatever would be kept."""

IN_MEMORY: Final = 32 * 1024**2
"""Bytes above which a file is used where it lies; each such file stays open, and there may be many runs."""

_FOLDER: Final = "kept-1"
_MAGIC: Final = b"drift-bar-analyzer kept 1"
_SUFFIX: Final = ".kept"
_TEMPORARY: Final = ".part-"
_STALE: Final = 3600.0
"""Age at which a temporary file is one that a kill has left behind [s]."""
_STEP: Final = 64
"""Arrays begin at multiples of this, so that they can be used where they lie in the file [bytes]."""
_HEAD: Final = len(_MAGIC) + 1 + 8 + 1 + 16 + 1


def cache_folder() -> Path | None:
    """Return the folder kept work goes to; None when it is switched off or there is no place for it."""
    word = os.environ.get(VARIABLE, "").strip()
    if word.lower() in ("off", "no", "0"):
        return None
    if word:
        place = Path(os.path.expanduser(word))
    else:
        from platformdirs import user_cache_path

        place = user_cache_path("drift-bar-analyzer", appauthor=False)
    # Without a home there is no absolute path; the folder the user works in is no place for a cache.
    return place / _FOLDER if word or place.is_absolute() else None


class Kept:
    """Results under their keys, one file each.

    Parameters
    ----------
    folder : Path or None
        Where they lie; None keeps nothing and finds nothing.
    """

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder
        self._written = 0

    @classmethod
    def of_user(cls) -> Kept:
        """Return the user's own, as the environment has it."""
        return cls(cache_folder())

    @property
    def used(self) -> bool:
        """Whether anything is kept at all."""
        return self._folder is not None

    def find(self, key: str) -> Any:
        """Return what was kept under `key`; None when there is nothing, or it is damaged."""
        if self._folder is None:
            return None
        path = self._folder / f"{key}{_SUFFIX}"
        try:
            with path.open("rb") as file:
                value = _read(file, key)
        except (OSError, *Unpacker.UNFIT):
            return None
        with suppress(OSError):  # a folder that may be read alone
            os.utime(path)  # used now: the longest unused go first
        return value

    def keep(self, key: str, value: Any) -> None:
        """Keep `value` under `key`, when it can be and there is room."""
        if self._folder is None:
            return
        packer = Packer()
        try:
            tree = packer.pack({"key": key, "value": value})
            size = sum(array.nbytes for array in packer.arrays)
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            room = shutil.disk_usage(self._folder).free - LEFT_FREE
            if size > room or self._written + size > LARGEST:
                return
            path = self._folder / f"{key}{_SUFFIX}"
            write_whole_with(path, lambda part: _write(part, tree, packer.arrays), _TEMPORARY)
            self._written += path.stat().st_size
        except (OSError, NotPackable, RecursionError):
            return

    def tidy(self) -> None:
        """Remove what has been unused longest until all is within `LARGEST`; once, after the work."""
        if self._folder is None or not self._written:
            return
        self._written = 0
        found = []
        with suppress(OSError):
            for entry in os.scandir(self._folder):
                with suppress(OSError):
                    found.append((entry.stat().st_mtime, entry.stat().st_size, entry))
        total = sum(size for _, size, entry in found if entry.name.endswith(_SUFFIX))
        for used, size, entry in sorted(found, key=lambda item: item[0]):
            ours = entry.name.endswith(_SUFFIX)
            left_behind = entry.name.startswith(_TEMPORARY) and time.time() - used > _STALE
            if (ours and total > LARGEST) or left_behind:
                total -= size if ours else 0
                with suppress(OSError):  # another process was faster, or still has it open
                    os.unlink(entry.path)


def _write(part: Path, tree: Any, arrays: list[Array]) -> None:
    places, end = [], 0
    for array in arrays:
        places.append([array.dtype.str, list(array.shape), end])
        end += -(-array.nbytes // _STEP) * _STEP
    text = json.dumps({"tree": tree, "arrays": places}, separators=(",", ":")).encode()
    text += b" " * (-(_HEAD + len(text) + 1) % _STEP) + b"\n"
    check = zlib.crc32(text)
    with part.open("wb") as file:
        file.write(b" " * _HEAD + text)
        for array in arrays:
            piece = np.ascontiguousarray(array).data.cast("B") if array.size else b""
            filler = b"\0" * (-array.nbytes % _STEP)
            file.write(piece)
            file.write(filler)
            check = zlib.crc32(filler, zlib.crc32(piece, check))
        # The head comes last: it tells whether what follows is whole.
        file.seek(0)
        file.write(b"%s %08x %016x\n" % (_MAGIC, check, len(text)))


def _read(file: IO[bytes], key: str) -> Any:
    """Return the value in a file; raises what an `Unpacker` may raise when it is not as it was written."""
    size = os.fstat(file.fileno()).st_size
    if size <= _HEAD:
        raise ValueError("too short")
    held = memoryview(bytearray(file.read()) if size <= IN_MEMORY else _mapped(file, size))
    magic, check, length = bytes(held[: _HEAD - 1]).rsplit(b" ", 2)
    if magic != _MAGIC or zlib.crc32(held[_HEAD:]) != int(check, 16):
        raise ValueError("damaged")
    start = _HEAD + int(length, 16)
    head = json.loads(bytes(held[_HEAD:start]))
    arrays = []
    for kind, shape, place in head["arrays"]:
        count = int(np.prod(shape, dtype=np.int64))
        numbers = np.dtype(kind)
        if numbers.kind not in NUMBERS:
            raise ValueError(f"{kind} is no kind of number")
        flat = np.frombuffer(held, numbers, count, start + place) if count else np.empty(0, numbers)
        arrays.append(flat.reshape(shape))
    found = Unpacker(arrays).unpack(head["tree"])
    if found["key"] != key:
        raise ValueError("kept under another key")
    return found["value"]


def _mapped(file: IO[bytes], size: int) -> mmap.mmap:
    # Pages that are written to become this process's own; the others stay the file's and need no memory.
    return mmap.mmap(file.fileno(), size, access=mmap.ACCESS_COPY)
