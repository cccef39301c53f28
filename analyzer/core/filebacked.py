"""Long channels wait in temporary files, so that memory holds only what is being worked on.

The arrays that come back are ordinary ones, value for value the same; the system keeps in memory what of
them it has room for. A file has no name from the start (where the system can do that), and goes with the
last array in it: nothing stays behind, even when the program is killed.
"""

from __future__ import annotations

import mmap
import os
import tempfile
import threading
import weakref
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing
from typing import IO, Any, Final, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Number = TypeVar("Number", np.float64, np.bool_)
Held = TypeVar("Held")

LONG: Final = 1_000_000
"""Samples from which a channel waits in a file, a quarter of an hour at 1 kHz: a dozen shorter ones, and what
is worked out of them, take less than 300 MB; engineering judgement."""
WORKING_LONG: Final = 100_000
"""The same for what is worked out of the channels, at a tenth of the rate but five times as many columns."""
SHARED_BYTES: Final = 128 << 20
"""Room of a file that several arrays share, so that few files are open; it takes on disk what is written."""
PIECE: Final = 1 << 18
"""Samples that are worked on at a time: their arrays lie in the processor's caches."""
ALIGNED: Final = 64
"""Bytes at whose multiples an array in a shared file begins."""
MOST_FILES: Final = 300
"""Files at a time, each of which stays open: systems commonly allow a program 1024, for other needs, too."""

_open: set[int] = set()


def shelved(values: NDArray[Number]) -> NDArray[Number]:
    """Return the same samples of a channel, from a temporary file when there are more than `LONG` of them.

    Without room for the file they stay in memory.
    """
    return _filed(values, LONG)


def set_aside(values: NDArray[Number]) -> NDArray[Number]:
    """Return the same samples on the working base, from a temporary file when it is a long one."""
    return _filed(values, WORKING_LONG)


def _filed(values: NDArray[Number], longest: int) -> NDArray[Number]:
    if len(values) <= longest or in_file(values):
        return values
    try:
        # Shorter ones share a file: with one each a long session would run out of files that may be open.
        if values.nbytes <= SHARED_BYTES // 4:
            return _shared.put(values)
        if len(_open) >= MOST_FILES:
            return values
        with tempfile.TemporaryFile(prefix="analyzer-") as file:
            _write(file, values)
            return _mapped(file, values.dtype, len(values))
    except OSError:
        return values


def frame_aside(columns: Mapping[str, NDArray[Any]], index: pd.Index[Any]) -> pd.DataFrame:
    """Return columns on the working base as a table of these very arrays; long ones wait in a file."""
    kept = {name: set_aside(values) for name, values in columns.items()}
    return pd.DataFrame(kept, index=index, copy=False)


def in_file(values: NDArray[Any]) -> bool:
    """Return whether the samples of an array, or of the one it is a part of, wait in a file."""
    owner: object = values
    while isinstance(owner, np.ndarray):
        owner = owner.base
    return isinstance(owner.obj if isinstance(owner, memoryview) else owner, mmap.mmap)


def by_pieces(count: int, make: Callable[[int, int], NDArray[Any]]) -> NDArray[Any]:
    """Return `count` samples that are made stretch by stretch, so that a long channel never stands in memory.

    Parameters
    ----------
    count : int
        Number of samples.
    make : callable
        Given the first sample of a stretch and the one behind its last, returns the samples of the stretch.
    """
    if count <= LONG:
        return make(0, count)
    return gathered(make(first, end) for first, end in stretches(count))


def gathered(pieces: Iterable[NDArray[Any]]) -> NDArray[Any]:
    """Return pieces as one array, from a file when it is long."""
    with closing(Gathered()) as column:
        for piece in pieces:
            column.add(piece)
        return column.joined()


def stretches(count: int) -> Iterator[tuple[int, int]]:
    """Yield the first sample and the one behind the last of stretches that long channels are worked on in."""
    for first in range(0, count, PIECE):
        yield first, min(first + PIECE, count)


class _Shared:
    """The file that takes arrays one behind the other; when it is full or no longer used, another begins."""

    def __init__(self) -> None:
        self._file: IO[bytes] | None = None
        self._map: weakref.ref[mmap.mmap] | None = None
        self._end = 0
        self._process = os.getpid()
        self._lock = threading.Lock()

    def put(self, values: NDArray[Number]) -> NDArray[Number]:
        """Return the samples from the file, or as they are when no more files may be open; raises OSError."""
        with self._lock:
            held = self._current(values.nbytes)
            if held is None or self._file is None:
                return values
            # Written first and mapped from the start: what is written through the file shows in the map.
            self._file.seek(self._end)
            _write(self._file, values)
            done = np.frombuffer(held, dtype=values.dtype, count=len(values), offset=self._end)
            self._end += -(-values.nbytes // ALIGNED) * ALIGNED
            return done

    def _current(self, needed: int) -> mmap.mmap | None:
        """Return the map of a file with room, of this very process: a forked one shares the old file."""
        # The file is held by the arrays in it alone: with the last of them the map is gone, and so is this
        # reference.
        held = None if self._map is None or self._file is None else self._map()
        if held is not None and self._end + needed <= len(held) and self._process == os.getpid():
            return held
        if self._file is not None:
            self._file.close()
            self._file = None
        if len(_open) + 2 > MOST_FILES:
            return None
        file = tempfile.TemporaryFile(prefix="analyzer-")  # noqa: SIM115  (closed with the map, or when full)
        try:
            file.truncate(SHARED_BYTES)
            held = _counted(mmap.mmap(file.fileno(), SHARED_BYTES))
        except OSError:
            file.close()
            raise
        weakref.finalize(held, file.close)
        self._file, self._map, self._end, self._process = file, weakref.ref(held), 0, os.getpid()
        return held


_shared = _Shared()


class Gathered:
    """A column that comes piece by piece, in a file from `LONG` samples on."""

    def __init__(self) -> None:
        self._pieces: list[NDArray[Any]] = []
        self._waiting = 0
        self._filed = 0
        self._file: IO[bytes] | None = None
        self._room = True
        self._kind = np.dtype(np.float64)

    def add(self, piece: NDArray[Any]) -> None:
        """Take the next piece."""
        self._pieces.append(piece)
        self._waiting += len(piece)
        if self._room and self._waiting + self._filed > LONG:
            self._to_file()

    def _to_file(self) -> None:
        try:
            if self._file is None:
                if len(_open) >= MOST_FILES:
                    self._room = False
                    return
                self._file = _counted(tempfile.TemporaryFile(prefix="analyzer-"))  # noqa: SIM115  (see `close`)
            for piece in self._pieces:
                _write(self._file, piece)
                self._kind = piece.dtype
        except OSError:
            # What was written of these pieces lies beyond the samples that count.
            self._room = False
            return
        self._filed += self._waiting
        self._pieces, self._waiting = [], 0

    def joined(self) -> NDArray[Any]:
        """Return the whole column; the pieces are given up."""
        pieces, self._pieces = self._pieces, []
        if self._file is not None and self._filed:
            pieces.insert(0, _mapped(self._file, self._kind, self._filed))
        return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)

    def close(self) -> None:
        """Let go of the file; a column that was joined keeps its own hold of it."""
        if self._file is not None:
            self._file.close()


def _counted(held: Held) -> Held:
    """Count a file as open for as long as `held` lives."""
    _open.add(id(held))
    weakref.finalize(held, _open.discard, id(held))
    return held


def _write(file: IO[bytes], values: NDArray[Any]) -> None:
    # Through the file and not through the map: a full disk then is an error that can be met.
    file.write(np.ascontiguousarray(values).data.cast("B"))
    file.flush()


def _mapped(file: IO[bytes], dtype: np.dtype[Any], count: int) -> NDArray[Any]:
    held = _counted(mmap.mmap(file.fileno(), count * dtype.itemsize))
    return np.frombuffer(held, dtype=dtype, count=count)
