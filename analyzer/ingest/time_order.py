"""Put the rows of a log in order of time: unordered, repeated, coarse, reset or jumping clocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.errors import LogError
from analyzer.core.filebacked import shelved, stretches
from analyzer.ingest.recording import HealthRow, Verdict

LONGEST_HOLE: Final = 600.0
"""A hole longer than this is a clock that was set, or another outing [s]; engineering judgement."""
SEAM: Final = 1.0
"""Hole left where a clock was reset and the true length is not known [s]."""
BEYOND_CALENDAR: Final = 1e11
"""Seconds (3,000 years) from the middle of a log that no clock is off by, however it was set."""
FAR_STEPS: Final = 20.0
"""Usual steps by which a stamp is off that is no jitter, no exchange of neighbours; engineering judgement."""
FEW: Final = 10
"""Rows below which a part of a log counts as a stub; engineering judgement."""
LOOK: Final = 20_000
"""Rows that are looked at for rounded stamps."""
LEAST_ROUNDED: Final = 40
"""Rows without a hole that tell the rate behind rounded stamps."""
ROUNDED_SHARE: Final = 0.05
"""Share of the steps from which a length is one of the clock's own."""
IN_TURN: Final = 0.9
"""Share of them that must come in turn; rows that are dropped come by chance."""
_COARSE: Final = 0.3
"""Share of repeated stamps above which the clock is coarse, not the rows repeated."""


@dataclass(slots=True)
class Ordered:
    """Rows in order of time.

    Parameters
    ----------
    seconds : ndarray
        Strictly rising times [s].
    rows : ndarray or None
        Rows of the table they belong to; None when it is all rows in their order.
    steps, health : list
        What was done and found.
    """

    seconds: NDArray[np.float64]
    rows: NDArray[np.int64] | None = None
    steps: list[str] = field(default_factory=list)
    health: list[HealthRow] = field(default_factory=list)

    def take(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return `values` of a column in this order."""
        return values if self.rows is None else values[self.rows]


def order_rows(
    seconds: NDArray[np.float64],
    columns: Sequence[NDArray[np.float64]],
    sample_rate: float | None,
    path: Path,
) -> Ordered:
    """Return the rows in strictly rising time.

    Parameters
    ----------
    seconds : ndarray
        Time of every row as logged [s], NaN where there is none.
    columns : sequence of ndarray
        Columns of the same rows, to tell repeated rows from repeated stamps.
    sample_rate : float or None
        Stated rate [Hz], used where the clock is too coarse.
    path : Path
        The log, for messages.

    Raises
    ------
    LogError
        When the clock cannot be made sense of.
    """
    if len(seconds) >= 2 and _in_order(seconds):
        done = Ordered(seconds)
        _spread_rounded(done)
        return done
    done = Ordered(seconds, np.flatnonzero(np.isfinite(seconds)))
    assert done.rows is not None
    done.seconds = seconds[done.rows]
    if len(done.rows) < 0.5 * len(seconds):
        raise LogError(path, "time", "is missing in most rows", "state logger.channels.time.column")
    if len(done.rows) < len(seconds):
        _finding(
            done, "rows without time", len(seconds) - len(done.rows), "rows bear no time and were left out"
        )
    _drop_strays(done)
    _drop_copies(done, columns)
    _spread_coarse(done, sample_rate, path)
    _undo_steps_back(done, columns)
    _close_jumps(done)
    _spread_rounded(done)
    if len(done.seconds) < 2:
        raise LogError(
            path, "time", "does not move", "state logger.channels.time.column or logger.sample_rate"
        )
    return done


def _in_order(seconds: NDArray[np.float64]) -> bool:
    """Return whether times rise strictly, without a hole beyond `LONGEST_HOLE` or a far stub at an end."""
    ends = (np.diff(seconds[:FEW]), np.diff(seconds[-FEW:]))
    if len(seconds) > 2 * FEW and max(float(end.max()) for end in ends) > 0.5 * (seconds[-1] - seconds[0]):
        return False
    steps = (np.diff(seconds[first : end + 1]) for first, end in stretches(len(seconds) - 1))
    return all(bool((step > 0.0).all()) and float(step.max()) <= LONGEST_HOLE for step in steps)


def _finding(
    done: Ordered, check: str, count: float, comment: str, verdict: Verdict = Verdict.SUSPECT
) -> None:
    done.steps.append(f"{count:g} {comment}")
    done.health.append(HealthRow(check, "time", verdict, float(count), 0.0, "1", f"{count:g} {comment}."))


def _keep(done: Ordered, kept: NDArray[np.bool_] | NDArray[np.int64]) -> None:
    assert done.rows is not None
    done.rows = done.rows[kept]
    done.seconds = done.seconds[kept]


def _drop_strays(done: Ordered) -> None:
    """Drop rows whose stamp is no time of the log: sorted in, they would stand where they were not driven.

    A few rows are strays where their stamps are beyond any calendar; where the stamps around them leave
    exactly their places free and theirs lie far from those; and at an end of the log, where they step back
    far or lie farther off than the log is long.
    """
    before = len(done.seconds)
    _keep(done, np.abs(done.seconds - np.median(done.seconds)) < BEYOND_CALENDAR)
    # The ends last: behind a stray the first rows of a log look like a stub.
    for strays in (_strays_within, _strays_at_ends):
        moves = np.diff(done.seconds)
        rising = moves[moves > 0]
        if len(rising):
            far = FAR_STEPS * float(np.median(rising))
            edges = np.flatnonzero((moves < 0) | (moves > far)) + 1
            if len(edges):
                _keep(done, ~strays(done.seconds, edges, far))
    if len(done.seconds) < before:
        count = before - len(done.seconds)
        text = "rows bear a time many steps off that of the rows around them; left out"
        _finding(done, "stray stamps", count, text)


def _strays_within(seconds: NDArray[np.float64], edges: NDArray[np.int64], far: float) -> NDArray[np.bool_]:
    first, end = edges[:-1], edges[1:]
    before, behind = seconds[first - 1], seconds[end]
    free = np.abs((behind - before) / (far / FAR_STEPS) - (end - first + 1)) < 0.5
    away = np.minimum(np.abs(seconds[first] - before), np.abs(seconds[end - 1] - before)) > far
    found = np.zeros(len(seconds), dtype=bool)
    for place in np.flatnonzero(free & away & (end - first < FEW)).tolist():
        found[first[place] : end[place]] = True
    return found


def _strays_at_ends(seconds: NDArray[np.float64], edges: NDArray[np.int64], far: float) -> NDArray[np.bool_]:
    found = np.zeros(len(seconds), dtype=bool)
    first, last = int(edges[0]), int(edges[-1])
    for stub, rest, edge in (
        (slice(0, first), seconds[first:], first),
        (slice(last, len(seconds)), seconds[:last], last),
    ):
        move = float(seconds[edge] - seconds[edge - 1])
        if len(seconds[stub]) < min(FEW, len(rest)) and (move < -far or move > float(np.ptp(rest))):
            found[stub] = True
    return found


def _same_as_before(done: Ordered, columns: Sequence[NDArray[np.float64]]) -> NDArray[np.bool_]:
    """Return per row whether stamp and all columns equal those of the row before."""
    assert done.rows is not None
    same = np.zeros(len(done.rows), dtype=bool)
    same[1:] = np.diff(done.seconds) == 0
    for column in columns:
        values = column[done.rows]
        here, before = values[1:], values[:-1]
        same[1:] &= (here == before) | (np.isnan(here) & np.isnan(before))
    return same


def _drop_copies(done: Ordered, columns: Sequence[NDArray[np.float64]]) -> None:
    """Drop rows written twice in a row; a coarse clock on a standing car looks alike and is left."""
    repeated = int((np.diff(done.seconds) == 0).sum())
    if not repeated or not columns:
        return
    same = _same_as_before(done, columns)
    if same.sum() >= 0.95 * repeated and repeated > 1:
        _keep(done, ~same)
        _finding(
            done,
            "repeated rows",
            int(same.sum()),
            "rows repeat the row before and were left out",
            Verdict.GOOD,
        )


def _spread_coarse(done: Ordered, sample_rate: float | None, path: Path) -> None:
    """Replace stamps coarser than the rows by an even count of rows between them."""
    moves = np.diff(done.seconds)
    if len(moves) == 0 or (moves == 0).mean() < _COARSE:
        return
    # Rounded stamps (float32 of epoch milliseconds, whole seconds) with the order of rows intact: rows count
    # the time.
    rows = np.arange(len(done.seconds), dtype=np.float64)
    if sample_rate is not None:
        done.seconds = done.seconds[0] + rows / sample_rate
        done.steps.append(
            f"stamps are coarser than the rows; time counted at {sample_rate:g} Hz (logger.sample_rate)"
        )
        return
    starts = np.flatnonzero(moves > 0) + 1
    if len(starts) >= 8 and not bool(np.any(moves < 0)):
        # The first row of each stamp lies on the true line but for the rounding; a fit through many of them
        # has the rate.
        slope, begin = np.polyfit(starts, done.seconds[starts], 1)
        off = np.abs(done.seconds[starts] - (begin + slope * starts)).max()
        if slope > 0 and off <= 1.1 * float(np.median(moves[moves > 0])):
            done.seconds = begin + slope * rows
            _finding(
                done,
                "coarse clock",
                round(1.0 / slope, 3),
                "Hz: stamps are coarser than the rows, which were spread evenly (logger.sample_rate)",
            )
            return
    raise LogError(
        path,
        "time",
        f"stands still in {(moves == 0).mean():.0%} of the rows, as after rounding",
        "state logger.sample_rate, the rows a second that the logger was set to",
    )


def _spread_rounded(done: Ordered) -> None:
    """Put rows where they were before their stamps were rounded, where that made steps of two lengths.

    A clock of 80 Hz written in hundredths of a second steps by 0.01 and 0.02 s in turn; taken as it is it
    looks like one of 100 Hz with a hole at every other row. Rows that were really dropped come anyhow.
    """
    grain = _grain(done.seconds[:LOOK])
    if grain is None:
        return
    seconds = done.seconds
    moves = np.diff(seconds)
    edges = np.concatenate([[0], np.flatnonzero(moves > np.median(moves) + 1.5 * grain) + 1, [len(seconds)]])
    longest = int(np.argmax(np.diff(edges)))
    piece = slice(int(edges[longest]), int(edges[longest + 1]))
    rows = np.arange(piece.stop - piece.start, dtype=np.float64)
    if len(rows) < LEAST_ROUNDED:
        return
    interval = float(np.polyfit(rows, seconds[piece] - seconds[piece.start], 1)[0])
    spread = np.empty(len(seconds))
    for first, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        count = np.arange(end - first, dtype=np.float64) * interval
        off = seconds[first:end] - count
        # Rounding keeps stamps within half a grain of the line, whichever way it rounds within one.
        if float(np.ptp(off)) > 1.2 * grain:
            return
        spread[first:end] = count + float(off.mean())
    done.seconds = shelved(spread)
    done.steps.append(
        f"stamps are rounded to {grain:.4g} s; rows were spread evenly at {1.0 / interval:.5g} Hz"
    )


def _grain(seconds: NDArray[np.float64]) -> float | None:
    """Return to what stamps are rounded [s] where steps are of two lengths in turn; None where not."""
    moves = np.round(np.diff(seconds), 9)
    lengths, counts = np.unique(moves, return_counts=True)
    common = lengths[counts >= max(2, ROUNDED_SHARE * len(moves))]
    if len(common) != 2 or common[0] <= 0.0:
        return None
    short, long = common.tolist()
    grain = float(long - short)
    # Steps of whole grains, and so short that one grain more looks like a missing row.
    if not 0.45 * short <= grain <= 1.05 * short or abs(short / grain - round(short / grain)) > 0.01:
        return None
    longer = np.flatnonzero(moves == long)
    # In turn: of the rarer length every one comes as many rows behind the last, give or take one.
    rarer = longer if 2 * len(longer) <= len(moves) else np.flatnonzero(moves == short)
    apart = np.diff(rarer)
    if len(apart) < LEAST_ROUNDED // 4 or (np.abs(apart - np.median(apart)) <= 1).mean() < IN_TURN:
        return None
    return grain


def _undo_steps_back(done: Ordered, columns: Sequence[NDArray[np.float64]]) -> None:
    moves = np.diff(done.seconds)
    back = np.flatnonzero(moves < 0)
    if len(back) == 0:
        _drop_equal(done)
        return
    order = np.argsort(done.seconds, kind="stable")
    assert done.rows is not None
    trial = Ordered(done.seconds[order], done.rows[order])
    same = _same_as_before(trial, columns) if columns else np.zeros(len(order), dtype=bool)
    _keep(trial, ~same)
    if _is_regular(trial.seconds):
        done.rows, done.seconds = trial.rows, trial.seconds
        copies = f", {int(same.sum())} repeated rows left out" if same.any() else ""
        _finding(done, "order of rows", len(back), f"steps back in time; rows were sorted{copies}")
        _drop_equal(done)
        return
    _join_segments(done, back)


def _is_regular(seconds: NDArray[np.float64]) -> bool:
    moves = np.diff(seconds)
    if len(moves) < 2:
        return False
    step = float(np.median(moves))
    return step > 0 and float(((moves > 0.5 * step) & (moves < 1.5 * step)).mean()) > 0.95


def _join_segments(done: Ordered, back: NDArray[np.int64]) -> None:
    """Set each part behind the one before, at an unknown distance; stubs of a few rows are left out."""
    edges = np.concatenate([[0], back + 1, [len(done.seconds)]])
    sizes = np.diff(edges)
    kept = sizes >= max(FEW, 0.01 * sizes.max())
    seconds, part = done.seconds.copy(), np.repeat(kept, sizes)
    end: float | None = None
    for first, size, use in zip(edges[:-1], sizes, kept, strict=True):
        if not use:
            continue
        piece = slice(int(first), int(first + size))
        if end is not None:
            seconds[piece] += end + SEAM - seconds[piece.start]
        end = float(seconds[piece.stop - 1])
    done.seconds = seconds
    _keep(done, part)
    parts = int(kept.sum())
    dropped = int((~part).sum())
    if dropped:
        _finding(done, "clock steps back", dropped, "rows beside a step back of the clock were left out")
    if parts > 1:
        text = f"parts between resets of the clock, joined with holes of {SEAM:g} s of unknown true length"
        _finding(done, "clock reset", parts, text)
    _drop_equal(done)


def _drop_equal(done: Ordered) -> None:
    moves = np.diff(done.seconds)
    equal = np.concatenate([[False], moves <= 0])
    if equal.any():
        _keep(done, ~equal)
        _finding(
            done,
            "repeated stamps",
            int(equal.sum()),
            "rows bear the stamp of the row before and were left out",
        )


def _close_jumps(done: Ordered) -> None:
    moves = np.diff(done.seconds)
    jumps = np.flatnonzero(moves > LONGEST_HOLE)
    if len(jumps) == 0:
        return
    shift = np.zeros(len(done.seconds))
    shift[jumps + 1] = moves[jumps] - SEAM
    # Keep the times of the longest part as logged, so that stretches named in the sheet still fit.
    total = np.cumsum(shift)
    parts = np.diff(np.concatenate([[0], jumps + 1, [len(moves) + 1]]))
    longest = int(np.argmax(parts))
    begin = 0 if longest == 0 else int(jumps[longest - 1]) + 1
    done.seconds = done.seconds - total + (0.0 if total[begin] > 1e7 else total[begin])
    text = f"jumps of the clock by more than {LONGEST_HOLE:g} s; a hole of {SEAM:g} s stands in their place"
    _finding(done, "clock jump", len(jumps), text)
