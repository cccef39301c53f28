"""Pots whose counter wraps round at its full scale, joined again where nothing else explains the jumps.

A counter of n bits that passes its largest value goes on at its smallest. The travel jumps by the whole range
within one sample and is continuous but for that: told from a plug that falls out, which leaves the signal at
one end without life, and from a spike, which comes back from anywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.filebacked import stretches
from analyzer.ingest.recording import Check, HealthRow, Verdict

Floats = NDArray[np.float64]

LEAST_JUMP: Final = 0.7
"""Part of a channel's whole range from which a step counts as one of the whole range; both ends of it may lie
a usual step inside (engineering judgement)."""
USUAL: Final = 99.0
"""Percentile of the steps that is a usual one."""
REACH: Final = 4.0
"""Usual steps within which a wrap leaves one end of the range and enters at the other."""
ALIKE: Final = 2.5
"""Usual steps to which the sizes of all wraps agree, or they are not joined: travel quickens by no more from
one sample to the next (96 drawn cases on 48 engine drives, all joined)."""
MOST_USUAL: Final = 0.08
"""Usual step as a part of the range above which a wrap is not told from quick travel."""
MOST_PART: Final = 0.2
"""Part of the samples that may be wraps: beyond it is chaos."""
LIFE: Final = 10
"""Samples on each side of a wrap of which half must move: an open plug leaves a flat line."""
LEAST_CLEAR: Final = 3
"""Wraps from which a channel is said to wrap where some of its jumps are none: it is not joined then."""
LEAST_RANGE: Final = 0.003
"""Range of a pot below which its jumps are noise [m]."""


@dataclass(frozen=True, slots=True)
class Wraps:
    """Wraps of a channel.

    Parameters
    ----------
    places : array
        Samples before the jumps.
    size : float
        Of the wrap, in the channel's unit.
    joined : array or None
        The channel with the jumps taken out, most of its samples where they were; None where what is left of
        the jumps is no travel.
    """

    places: NDArray[np.int64]
    size: float
    joined: Floats | None


def wraps_of(values: Floats) -> Wraps | None:
    """Return the wraps of a channel that has jumps of its whole range; None for any other.

    Parameters
    ----------
    values : array
        The channel [m], NaN where it has no sample.
    """
    known = np.isfinite(values)
    seen = values if known.all() else values[known]
    if len(seen) < 2 * LIFE:
        return None
    low, high = float(seen.min()), float(seen.max())
    span = high - low
    if span < LEAST_RANGE:
        return None
    places = np.concatenate(
        [
            np.flatnonzero(np.abs(np.diff(seen[a : b + 1])) > LEAST_JUMP * span) + a
            for a, b in stretches(len(seen) - 1)
        ]
    )
    if not 0 < len(places) < MOST_PART * len(seen):
        return None
    steps = np.diff(seen)
    usual = float(np.percentile(np.abs(np.delete(steps, places)), USUAL))
    if usual > MOST_USUAL * span:
        return None
    # A lone sample out and back is a spike: electrical noise may end on the other end of the range.
    beside = np.diff(places) == 1
    if (np.append(beside, False) | np.append(False, beside)).all():
        return None
    # Leaves at one end, enters at the other.
    before, after = seen[places], seen[places + 1]
    reach = REACH * max(usual, 1e-6)
    like = _alive(steps, places) & (np.maximum(before, after) > high - reach)
    like &= np.minimum(before, after) < low + reach
    if not like.any():
        return None
    # By how much: what the line through the two samples before leads to, less what came.
    last = np.where(places > 0, steps[np.maximum(places - 1, 0)], 0.0)
    sizes = np.abs(before + np.where(np.abs(last) <= REACH * usual, last, 0.0) - after)
    size = max(float(np.median(sizes[like])), span)
    like &= np.abs(sizes - size) <= ALIKE * usual
    if not like.all():
        clear = like.sum() >= LEAST_CLEAR and like.mean() >= 0.5
        return Wraps(_rows(known, places), size, None) if clear else None
    turns = np.zeros(len(seen))
    turns[places + 1] = -np.sign(after - before)
    turns = np.cumsum(turns)
    # Where most of the samples are is where the zero of the pot belongs to.
    values_of, counts = np.unique(turns, return_counts=True)
    joined = seen + (turns - values_of[int(np.argmax(counts))]) * size
    whole = np.full(len(values), np.nan)
    whole[known] = joined
    return Wraps(_rows(known, places), size, whole)


def _rows(known: NDArray[np.bool_], places: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.flatnonzero(known)[places]


def _alive(steps: Floats, places: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return for every jump whether the channel moves on both sides of it."""
    alive = np.ones(len(places), dtype=np.bool_)
    rows = np.arange(1, LIFE + 1)
    for side in (rows, -rows):
        near = places[:, None] + side
        inside = (near >= 0) & (near < len(steps))
        moves = (steps[np.clip(near, 0, len(steps) - 1)] != 0.0) & inside
        # At an end of the log there is nothing to be told.
        alive &= moves.sum(axis=1) >= 0.5 * inside.sum(axis=1)
    return alive


def join_wraps(
    channels: dict[str, Floats], seconds: Floats, outside: dict[str, NDArray[np.bool_]]
) -> tuple[list[HealthRow], list[str]]:
    """Join the pots among `channels` that wrap round, in place; return what to say of each and the steps."""
    rows: list[HealthRow] = []
    steps: list[str] = []
    for name in [name for name in channels if name.startswith("damper_")]:
        found = wraps_of(channels[name])
        if found is None:
            continue
        count = len(found.places)
        times = "once" if count == 1 else f"{count} times"
        size = 1000.0 * found.size
        text = (
            f"Wraps round at the full scale of its counter {times}, first at "
            f"{float(seconds[found.places[0]]):.2f} s, by {size:.4g} mm"
        )
        # Readings past a table of pairs are held at its ends: their size is not that of the counter.
        if found.joined is None or (name in outside and bool(outside[name].any())):
            text += (
                ": some of its jumps are no wraps, so it cannot be joined again. Mount it within its range."
            )
            rows.append(HealthRow(Check.WRAPPED, name, Verdict.BAD, float(count), 0.0, "1", text))
            continue
        channels[name] = found.joined
        text += ": joined again, its zero where most of the run is. Mount it within its range."
        rows.append(HealthRow(Check.WRAPPED, name, Verdict.SUSPECT, float(count), 0.0, "1", text))
        steps.append(f"{name}: {count} wraps of {size:.4g} mm joined")
    return rows, steps
