"""Cells of a column of clock times, taken apart as they come: the text of a long log is not kept."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from analyzer.ingest.shelf import Gathered

_STAMP: Final = (
    r"^(?:(?P<date>\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4})[T ]+)?(?:(?P<h>\d{1,3}):)?(?P<m>\d{1,2}):"
    r"(?P<s>\d{1,2}(?:[.,]\d+)?)\s*(?:Z|UTC|[+-]\d{2}:?\d{2})?$"
)


@dataclass(frozen=True, slots=True)
class ClockCells:
    """Clock times of a column.

    Parameters
    ----------
    clock : ndarray
        Per row, seconds since midnight; NaN where the cell is no time [s].
    day : ndarray
        Per row, the number of its date among `dates`.
    dates : tuple of str
        As they stand, in the order in which they come; empty text where there is none.
    """

    clock: NDArray[np.float64]
    day: NDArray[np.int64]
    dates: tuple[str, ...]


def taken_apart(pieces: Iterable[pa.ChunkedArray]) -> ClockCells:
    """Return the times in the cells of a column that comes piece by piece."""
    with closing(ClockReader()) as reader:
        for piece in pieces:
            reader.add(piece)
        return reader.joined()


class ClockReader:
    """Takes the cells of a column apart, piece by piece."""

    def __init__(self) -> None:
        self._clock, self._day = Gathered(), Gathered()
        self._dates: dict[str, int] = {}

    def add(self, cells: pa.ChunkedArray) -> None:
        """Take the next piece."""
        parts = pc.extract_regex(cells, pattern=_STAMP)
        hours, minutes, seconds = (_floats(pc.struct_field(parts, field)) for field in ("h", "m", "s"))
        clock = hours * 3600.0 + minutes * 60.0 + seconds
        clock[~np.asarray(pc.is_valid(parts))] = np.nan
        self._clock.add(clock)
        encoded = pc.dictionary_encode(pc.struct_field(parts, "date")).combine_chunks()
        words = encoded.dictionary.to_pylist()
        numbers = [self._dates.setdefault(word or "", len(self._dates)) for word in words]
        codes = np.nan_to_num(np.asarray(encoded.indices.to_numpy(zero_copy_only=False), dtype=np.float64))
        self._day.add(np.asarray(numbers or [0], dtype=np.int64)[codes.astype(np.int64)])

    def joined(self) -> ClockCells:
        """Return the whole column; the pieces are given up."""
        return ClockCells(self._clock.joined(), self._day.joined(), tuple(self._dates))

    def close(self) -> None:
        """Let go of the files; a column that was joined keeps its own hold of them."""
        self._clock.close()
        self._day.close()


def _floats(column: pa.ChunkedArray) -> NDArray[np.float64]:
    plain = pc.replace_substring(column, pattern=",", replacement=".")
    plain = pc.if_else(pc.equal(plain, ""), pa.scalar("0"), plain)
    return np.nan_to_num(np.asarray(pc.cast(plain, pa.float64()).to_numpy(), dtype=np.float64))
