"""Turn a log's time column into seconds: numbers, epoch, clock time, date and time, or row count."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from analyzer.errors import LogError
from analyzer.ingest.cells import DIMENSION_UNITS
from analyzer.ingest.shelf import by_pieces

DAY: Final = 86400.0
_EPOCH_SECONDS: Final = (3.0e8, 4.2e9)
"""Epoch times between 1979 and 2103 [s]."""
_STAMP: Final = (
    r"^(?:(?P<date>\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4})[T ]+)?(?:(?P<h>\d{1,3}):)?(?P<m>\d{1,2}):"
    r"(?P<s>\d{1,2}(?:[.,]\d+)?)\s*(?:Z|UTC|[+-]\d{2}:?\d{2})?$"
)


@dataclass(frozen=True, slots=True)
class Stamps:
    """Time of every row.

    Parameters
    ----------
    seconds : ndarray
        Shape (rows,), NaN where a row bears no time [s].
    origin : float or None
        What to add for absolute time [s since the epoch, or since midnight]; None for a time that counts
        from an unknown start (uptime, row count).
    steps : tuple of str
        What was guessed.
    """

    seconds: NDArray[np.float64]
    origin: float | None
    steps: tuple[str, ...]


def from_rows(rows: int, sample_rate: float) -> Stamps:
    """Return times for a log without a time column, from its stated rate [Hz]."""
    return Stamps(
        by_pieces(rows, lambda a, b: np.arange(a, b, dtype=np.float64) / sample_rate),
        None,
        (f"time counted from rows at {sample_rate:g} Hz (logger.sample_rate)",),
    )


def from_numbers(values: NDArray[np.float64], unit: str, name: str, path: Path) -> Stamps:
    """Turn numbers of a time column into seconds; an unstated unit is found from size and step.

    Raises
    ------
    LogError
        When the unit cannot be known.
    """
    known = np.isfinite(values)
    finite = values if known.all() else values[known]
    if len(finite) < 2:
        raise LogError(
            path, f'column "{name}"', "holds no times", "name another with logger.channels.time.column"
        )
    steps: tuple[str, ...] = ()
    if unit in DIMENSION_UNITS["time"]:
        factor = DIMENSION_UNITS["time"][unit]
    else:
        factor, said = guess_factor(finite, name, path)
        steps = (f'time "{name}" read as {said}, guessed from its size and step (logger.channels.time.unit)',)
    first = float(finite[0])
    # An epoch is counted from the first row: eleven digits before the point leave none for microseconds.
    if abs(first * factor) > 1e7:
        counted = by_pieces(len(values), lambda a, b: (values[a:b] - first) * factor)
        return Stamps(counted, first * factor, (*steps, "time counts from the first row"))
    if factor == 1.0:
        return Stamps(values, None, steps)
    return Stamps(by_pieces(len(values), lambda a, b: values[a:b] * factor), None, steps)


def guess_factor(finite: NDArray[np.float64], name: str, path: Path) -> tuple[float, str]:
    """Return the factor to seconds of a time column without a unit, and what it was taken for.

    Raises
    ------
    LogError
        When its size and step leave several readings open.
    """
    if len(finite) < 2:
        raise LogError(
            path, f'column "{name}"', "holds no times", "name another with logger.channels.time.column"
        )
    middle = float(np.median(finite))
    for factor, said in ((1.0, "epoch seconds"), (1e-3, "epoch ms"), (1e-6, "epoch µs"), (1e-9, "epoch ns")):
        if _EPOCH_SECONDS[0] < middle * factor < _EPOCH_SECONDS[1]:
            return factor, said
    moves = np.diff(finite)
    moves = moves[moves > 0]
    step = float(np.median(moves)) if len(moves) else 0.0
    for low, high, factor, said in (
        (1e-4, 0.6, 1.0, "seconds"),
        (1.7, 300.0, 1e-3, "milliseconds"),
        (2500.0, 3e5, 1e-6, "microseconds"),
    ):
        if low <= step <= high:
            return factor, said
    raise LogError(
        path,
        f'column "{name}"',
        f"has a step of {step:g} and no unit, which may be a count, seconds or milliseconds",
        'write logger.channels.time = { column = "…", unit = "ms" }, or logger.sample_rate',
    )


def from_texts(cells: pa.ChunkedArray, name: str, path: Path) -> Stamps:
    """Turn clock times or dates with times into seconds.

    Raises
    ------
    LogError
        When too few cells are times.
    """
    parts = pc.extract_regex(cells, pattern=_STAMP)
    known = np.asarray(pc.is_valid(parts))
    if known.sum() < max(2, 0.5 * len(known)):
        raise LogError(
            path,
            f'column "{name}"',
            "holds no times this program can read",
            "name another with logger.channels.time.column, or state logger.sample_rate",
        )
    hours, minutes, seconds = (_floats(pc.struct_field(parts, field)) for field in ("h", "m", "s"))
    clock = hours * 3600.0 + minutes * 60.0 + seconds
    clock[~known] = np.nan
    days, absolute = _days(pc.struct_field(parts, "date"), known)
    total = clock + days * DAY
    if not absolute:
        total = _past_midnight(total)
    first = float(total[known][0])
    what = "date and time" if absolute else "clock time"
    return Stamps(total - first, first, (f'time "{name}" read as {what}; it counts from the first row',))


def _floats(column: pa.ChunkedArray) -> NDArray[np.float64]:
    plain = pc.replace_substring(column, pattern=",", replacement=".")
    plain = pc.if_else(pc.equal(plain, ""), pa.scalar("0"), plain)
    return np.nan_to_num(np.asarray(pc.cast(plain, pa.float64()).to_numpy(), dtype=np.float64))


def _days(column: pa.ChunkedArray, known: NDArray[np.bool_]) -> tuple[NDArray[np.float64], bool]:
    """Return the day number of every row, and whether it counts from the epoch."""
    encoded = pc.dictionary_encode(column).combine_chunks()
    words = encoded.dictionary.to_pylist()
    if not any(words):
        return np.zeros(len(known)), False
    numbers = [_day_number(word or "", position) for position, word in enumerate(words)]
    codes = np.nan_to_num(np.asarray(encoded.indices.to_numpy(zero_copy_only=False), dtype=np.float64))
    return np.asarray(numbers)[codes.astype(np.int64)], True


def _day_number(word: str, position: int) -> float:
    parts = [int(p) for p in word.replace("/", "-").replace(".", "-").split("-") if p.isdigit()]
    try:
        if len(parts) == 3 and parts[0] > 31:
            return float(date(parts[0], parts[1], parts[2]).toordinal() - date(1970, 1, 1).toordinal())
    except ValueError:
        pass
    # Day and month cannot be told apart; the days of one log follow each other.
    return float(position)


def _past_midnight(seconds: NDArray[np.float64]) -> NDArray[np.float64]:
    steps = np.diff(np.nan_to_num(seconds, nan=float(np.nanmedian(seconds))))
    turns = np.concatenate([[0], np.cumsum(steps < -0.5 * DAY)])
    return seconds + turns * DAY
