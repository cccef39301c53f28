"""Which rows of a log were logged in another run, or twice in the same one: known by their content."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.util import hash_pandas_object

from analyzer.core.filebacked import by_pieces
from analyzer.core.signals import runs_of
from analyzer.ingest.checks.inputs import POTS
from analyzer.ingest.logfile import LogFile
from analyzer.ingest.recording import HealthRow, Recording, RowPrints, Verdict
from analyzer.ingest.timebase import TimeBase

WINDOW: Final = 64
"""Rows in a row that must be alike. A pot's noise and rounding make one row equal to another by chance, never
this many in their order (engineering judgement)."""
VARIED: Final = 32
"""So many of these rows must be new: a standing car whose pots flicker between two values repeats itself."""
WHOLE: Final = 0.9
"""Share of repeated rows from which a run has nothing of its own (engineering judgement)."""
_SEED: Final = 32
"""One row in so many is looked at first; a stretch of a thousand rows is missed once in 10^13."""
_INERTIAL: Final = tuple(f"{kind}_{axis}" for kind in ("accel", "gyro") for axis in "xyz")
_ODD: Final = 0x9E3779B97F4A7C15
_LENGTH: Final = 0xD1B54A32D192ED03
Hashes = NDArray[np.uint64]
Places = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Repeat:
    """Rows of one run that are rows of another run, or of itself, as well.

    Parameters
    ----------
    run, of : str
        The run whose rows are not counted, and the one under whose name they are counted.
    rows : int
        How many rows they share.
    share : float
        Their part of all rows of `run` [1].
    at_s : float
        Time of the first of them on the clock of `run` [s].
    whole : bool
        Whether `run` is left out, since nearly all its rows were counted before.
    other_setup : bool
        Whether the session sheet gives both runs different hardware: one of its entries is wrong.
    """

    run: str
    of: str
    rows: int
    share: float
    at_s: float
    whole: bool
    other_setup: bool = False


def row_prints(files: Sequence[LogFile], base: TimeBase) -> RowPrints | None:
    """Return a print of every row of the pots' log as it was read: before it is zeroed or brought on a base.

    Parameters
    ----------
    files : sequence of LogFile
        Logs of one run; the one with most pots is taken, without pots that with most inertial channels.
    base : TimeBase
        Base of the run.

    Returns
    -------
    RowPrints or None
        None without such channels.
    """
    for wanted in (POTS, _INERTIAL):
        file = max(files, key=lambda f: sum(name in f.channels for name in wanted))
        columns = {name: file.channels[name] for name in wanted if name in file.channels}
        if columns:
            break
    else:
        return None

    def stretch(first: int, end: int) -> Hashes:
        part = pd.DataFrame({name: values[first:end] for name, values in columns.items()}, copy=False)
        return np.asarray(hash_pandas_object(part, index=False), dtype=np.uint64)

    def place(first: int, end: int) -> NDArray[np.int32]:
        return np.rint((file.seconds[first:end] - base.start) * base.rate).astype(np.int32)

    count = len(file.seconds)
    rows, samples = by_pieces(count, stretch), by_pieces(count, place)
    if not all(name in file.complete for name in columns):
        # A slow channel among fast rows: rows without a reading hold nothing to be known by.
        empty = by_pieces(count, lambda a, b: np.all([np.isnan(v[a:b]) for v in columns.values()], axis=0))
        rows, samples = rows[~empty], samples[~empty]
    return RowPrints(rows, samples) if len(rows) else None


@dataclass(frozen=True, slots=True)
class _Chain:
    """Prints without held rows: each with its length, and where it stood."""

    marks: Hashes
    starts: Places
    ends: Places
    seeds: Hashes


def _chain(prints: RowPrints) -> _Chain:
    rows = prints.rows
    # A reading that is held over several rows is one reading; how long it was held belongs to it.
    starts = np.concatenate([np.zeros(1, dtype=np.int64), np.flatnonzero(rows[1:] != rows[:-1]) + 1])
    ends = np.append(starts[1:], len(rows))
    marks = rows[starts] ^ ((ends - starts).astype(np.uint64) * np.uint64(_LENGTH))
    seeds = np.unique(marks[marks % np.uint64(_SEED) == 0])
    return _Chain(marks, starts, ends, seeds)


def _windows(chain: _Chain) -> tuple[Hashes, NDArray[np.bool_]]:
    """Return the print of every `WINDOW` marks in a row, and whether they vary enough to be known by."""
    marks = chain.marks
    count = len(marks) - WINDOW + 1
    # A polynomial modulo 2^64, from running sums: the factor is odd and has an inverse.
    powers = np.multiply.accumulate(np.append(np.uint64(1), np.full(len(marks), _ODD, dtype=np.uint64)))
    back = np.append(np.uint64(1), np.full(count - 1, pow(_ODD, -1, 1 << 64), dtype=np.uint64))
    sums = np.append(np.uint64(0), np.add.accumulate(marks * powers[:-1]))
    prints = (sums[WINDOW:] - sums[:-WINDOW]) * np.multiply.accumulate(back)
    # New is a mark that did not stand in the window's length before: a lower bound of different ones.
    order = np.argsort(marks, kind="stable")
    since = np.full(len(marks), len(marks), dtype=np.int64)
    again = marks[order[1:]] == marks[order[:-1]]
    since[order[1:][again]] = (order[1:] - order[:-1])[again]
    new = np.append(0, np.cumsum(since >= WINDOW))
    return prints, (new[WINDOW:] - new[:-WINDOW]) >= VARIED


def _shared(chain: _Chain, other: _Chain) -> NDArray[np.bool_]:
    """Return which marks of a chain stand in the other one as well, or earlier in the same one."""
    none = np.zeros(len(chain.marks), dtype=bool)
    if min(len(chain.marks), len(other.marks)) < WINDOW:
        return none
    if other is not chain and not len(np.intersect1d(chain.seeds, other.seeds, assume_unique=True)):
        return none
    prints, varied = _windows(chain)
    if other is chain:
        _, first, which = np.unique(prints, return_index=True, return_inverse=True)
        alike = first[which] <= np.arange(len(prints)) - WINDOW
    else:
        theirs, known = _windows(other)
        alike = np.isin(prints, theirs[known])
    at = np.flatnonzero(alike & varied)
    steps = np.zeros(len(chain.marks) + 1, dtype=np.int64)
    np.add.at(steps, at, 1)
    np.add.at(steps, at + WINDOW, -1)
    return np.asarray(np.cumsum(steps)[:-1] > 0)


def find_repeats(
    recordings: Sequence[Recording], hardware: Mapping[str, object]
) -> tuple[tuple[Repeat, ...], dict[str, list[tuple[int, int]]]]:
    """Find the rows of each run that an earlier run of the session, or itself, has held before.

    Parameters
    ----------
    recordings : sequence of Recording
        In the order of the session sheet: the first run that holds a row counts it.
    hardware : mapping
        Run -> what it was driven on; runs with unequal entries cannot be the same drive.

    Returns
    -------
    repeats : tuple of Repeat
        One per pair of runs that share rows.
    stretches : dict
        Run -> samples (first, one past the last) that were counted before.
    """
    known: list[tuple[Recording, _Chain]] = []
    repeats: list[Repeat] = []
    stretches: dict[str, list[tuple[int, int]]] = {}
    for recording in recordings:
        prints = recording.prints
        if prints is None or len(prints.rows) < WINDOW:
            continue
        chain = _chain(prints)
        taken = np.zeros(len(chain.marks), dtype=bool)
        own: list[Repeat] = []
        # Itself, too: a logger that sends its buffer twice repeats rows within a run.
        for other, theirs in (*known, (recording, chain)):
            fresh = _shared(chain, theirs) & ~taken
            if fresh.any():
                taken |= fresh
                own.append(_repeat(recording, other, chain, fresh, hardware))
        if not own:
            known.append((recording, chain))
            continue
        # A copy as a whole is no source for later ones: the run it was copied from counts the rows.
        lengths = chain.ends - chain.starts
        whole = float(lengths[taken].sum()) >= WHOLE * len(prints.rows)
        repeats += [replace(repeat, whole=whole) for repeat in own]
        stretches[recording.run] = [
            (int(prints.samples[chain.starts[a]]), int(prints.samples[chain.ends[b - 1] - 1]) + 1)
            for a, b in runs_of(taken)
        ]
        if not whole:
            known.append((recording, chain))
    return tuple(repeats), stretches


def _repeat(
    recording: Recording,
    other: Recording,
    chain: _Chain,
    fresh: NDArray[np.bool_],
    hardware: Mapping[str, object],
) -> Repeat:
    assert recording.prints is not None
    rows = int((chain.ends - chain.starts)[fresh].sum())
    at = int(recording.prints.samples[chain.starts[int(np.argmax(fresh))]])
    seconds = float(recording.data.index[0]) + at / recording.sample_rate
    unlike = hardware.get(recording.run) != hardware.get(other.run)
    share = rows / len(recording.prints.rows)
    return Repeat(recording.run, other.run, rows, share, seconds, whole=False, other_setup=unlike)


def without_repeats(recording: Recording, stretches: Sequence[tuple[int, int]]) -> Recording:
    """Return a recording in which the samples of some stretches are suspect in every channel."""
    suspect = recording.suspect.copy()
    for first, end in stretches:
        suspect.iloc[max(first, 0) : end] = True
    return replace(recording, suspect=suspect)


def repeat_rows(repeats: Sequence[Repeat], run: str) -> tuple[HealthRow, ...]:
    """Return the rows of a run's health that say which of its rows were counted before."""
    return tuple(
        HealthRow(
            "same data",
            "log",
            Verdict.BAD if repeat.whole or repeat.other_setup else Verdict.SUSPECT,
            float(repeat.rows),
            0.0,
            "1",
            "; ".join(repeat_words(repeat)) + ".",
        )
        for repeat in repeats
        if repeat.run == run
    )


def repeat_words(repeat: Repeat) -> tuple[str, str]:
    """Return which rows are repeated and how they are counted, and what to do about it."""
    where = f"{repeat.rows} of its rows ({repeat.share:.0%}, first at {repeat.at_s:.2f} s)"
    if repeat.of == repeat.run:
        return f"{where} stand in this run before and are counted once", "look how the log was cut or joined"
    said = f"{where} are rows of {repeat.of} to the last digit and are counted once, under {repeat.of}"
    if repeat.other_setup:
        return (
            f"{said}, though the session sheet gives both runs different set-ups",
            "one log is one drive on one set-up: correct runs.logs or runs.setup",
        )
    return said, "correct runs.logs if another log was meant"
