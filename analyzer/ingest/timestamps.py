"""Turn a log's time column into seconds: numbers, epoch, clock time, date and time, or row count."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.errors import LogError
from analyzer.ingest.cells import DIMENSION_UNITS
from analyzer.ingest.clock_cells import ClockCells
from analyzer.ingest.shelf import by_pieces, stretches

DAY: Final = 86400.0
_EPOCH_SECONDS: Final = (3.0e8, 4.2e9)
"""Epoch times between 1979 and 2103 [s]."""


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


def from_clock(cells: ClockCells, name: str, path: Path) -> Stamps:
    """Turn clock times or dates with times into seconds.

    Raises
    ------
    LogError
        When too few cells are times.
    """
    known = ~np.isnan(cells.clock)
    if known.sum() < max(2, 0.5 * len(known)):
        raise LogError(
            path,
            f'column "{name}"',
            "holds no times this program can read",
            "name another with logger.channels.time.column, or state logger.sample_rate",
        )
    if any(cells.dates):
        what, total = "date and time", _with_days(cells)
    else:
        what, total = "clock time", _past_midnight(cells.clock, known)
    first = float(total[np.argmax(known)])
    counted = by_pieces(len(total), lambda a, b: total[a:b] - first)
    return Stamps(counted, first, (f'time "{name}" read as {what}; it counts from the first row',))


def _with_days(cells: ClockCells) -> NDArray[np.float64]:
    days = np.array([_day_number(word, position) for position, word in enumerate(cells.dates)])
    return by_pieces(len(cells.day), lambda a, b: cells.clock[a:b] + days[cells.day[a:b]] * DAY)


def _day_number(word: str, position: int) -> float:
    parts = [int(p) for p in word.replace("/", "-").replace(".", "-").split("-") if p.isdigit()]
    try:
        if len(parts) == 3 and parts[0] > 31:
            return float(date(parts[0], parts[1], parts[2]).toordinal() - date(1970, 1, 1).toordinal())
    except ValueError:
        pass
    # Day and month cannot be told apart; the days of one log follow each other.
    return float(position)


def _past_midnight(seconds: NDArray[np.float64], known: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return clock times that go on behind midnight."""
    middle = 0.0 if known.all() else float(np.median(seconds[known]))

    def turns(a: int, b: int) -> NDArray[np.int64]:
        steps = np.diff(np.nan_to_num(seconds[a : b + 1], nan=middle))
        return np.flatnonzero(steps < -0.5 * DAY) + a + 1

    places = np.concatenate([turns(a, b) for a, b in stretches(len(seconds) - 1)])
    if not len(places):
        return seconds
    return by_pieces(
        len(seconds),
        lambda a, b: seconds[a:b] + DAY * np.searchsorted(places, np.arange(a, b), side="right"),
    )
