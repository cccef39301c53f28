"""Lone spikes and dropouts: jumps away and back that are electrical, not the car."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.ingest.health.limits import SUBSAMPLE, Kind
from analyzer.ingest.health.signals import Findings, Floats, Signals
from analyzer.ingest.recording import Verdict
from analyzer.ingest.shelf import stretches

MOST_SPIKES: Final = 0.01
MOST_LOST: Final = 0.5
MOST_JUMPS: Final = 2000
"""Jumps beyond which a channel is chaos; also bounds the search for their ends."""


class _Moves:
    """Steps from sample to sample, worked out where they are asked for: a long log has no room for them."""

    def __init__(self, values: Floats) -> None:
        self._values = values

    def __getitem__(self, at: NDArray[np.int64]) -> Floats:
        return self._values[at + 1] - self._values[at]

    def beyond(self, limit: float) -> NDArray[np.int64]:
        """Return the samples before steps larger than `limit`."""
        found = [
            np.flatnonzero(np.abs(np.diff(self._values[first : end + 1])) > limit) + first
            for first, end in stretches(len(self._values) - 1)
        ]
        return np.concatenate(found)


def check_jumps(found: Findings, signals: Signals, name: str, kind: Kind) -> None:
    """Find lone spikes, and stretches that jump away and back: both are electrical, not the car."""
    values = signals.data[name]
    n = len(values)
    scale = min(max(100.0 / signals.base.rate, 0.25), 2.0)
    moves = _Moves(values)
    spike, step = kind.spike * scale, kind.step * scale
    edges = moves.beyond(min(spike, step))
    if len(edges):  # a channel that moves that fast by itself has wider limits
        usual = _usual(moves, n)
        spike, step = max(spike, 4.0 * usual), max(step, 5.0 * usual)
        edges = edges[np.abs(moves[edges]) > min(spike, step)]
    spikes = _spikes(found, name, moves, edges, spike)
    drops = _dropouts(found, name, values, moves, edges, step, spikes)
    share = len(spikes) / n
    comment = (
        f"{len(spikes)} lone samples jump by more than {spike * kind.factor:.3g} {kind.unit} and back, "
        f"first at {signals.seconds(spikes[0]):.2f} s; left out, they are no bottoming."
        if spikes
        else "No lone sample jumps."
    )
    verdict = Verdict.GOOD if not spikes else Verdict.BAD if share > MOST_SPIKES else Verdict.SUSPECT
    found.add("spikes", name, verdict, float(len(spikes)), 0.0, "1", comment)
    if drops is None:
        found.add(
            "dropouts", name, Verdict.BAD, None, None, "", f"Jumps {MOST_JUMPS} times and more: unusable."
        )
        return
    lost = sum(end - first for first, end in drops) / n
    if not drops:
        found.add("dropouts", name, Verdict.GOOD, 0.0, 0.0, "1", "No stretch jumps away and back.")
        return
    level = float(np.nanmedian(values[drops[0][0] : drops[0][1]])) * kind.factor
    comment = (
        f"{len(drops)} stretches, {lost:.1%} of the run, jump away to about {level:.3g} {kind.unit}, "
        f"first at {signals.seconds(drops[0][0]):.2f} s; left out. Check plug and supply."
    )
    found.add("dropouts", name, Verdict.BAD if lost > MOST_LOST else Verdict.SUSPECT, lost, 0.0, "1", comment)


def _usual(moves: _Moves, count: int) -> float:
    """Return the step that one in a hundred passes."""
    part = np.abs(moves[np.arange(0, count - 1, max(1, (count - 1) // SUBSAMPLE))])
    part = part[~np.isnan(part)]
    return float(np.percentile(part, 99)) if np.isfinite(part).any() else 0.0


def _spikes(found: Findings, name: str, moves: _Moves, edges: NDArray[np.int64], limit: float) -> list[int]:
    """Return the samples with a jump before and the opposite jump behind."""
    following = edges[:-1][np.diff(edges) == 1] if len(edges) > 1 else edges[:0]
    into, out = moves[following], moves[following + 1]
    lone = (np.abs(into) > limit) & (np.abs(out) > limit) & (np.abs(into + out) < 0.5 * np.abs(into))
    spikes = [int(i) + 1 for i in following[lone]]
    for sample in spikes:
        found.mark(name, sample, sample + 1)
    return spikes


def _dropouts(
    found: Findings,
    name: str,
    values: Floats,
    moves: _Moves,
    edges: NDArray[np.int64],
    limit: float,
    spikes: list[int],
) -> list[tuple[int, int]] | None:
    """Return stretches between a jump and the jump back, or to the end; None with too many jumps."""
    taken = set(spikes)
    jumps = [
        int(e) for e in edges[np.abs(moves[edges]) > limit] if int(e) + 1 not in taken and int(e) not in taken
    ]
    if len(jumps) >= MOST_JUMPS:
        return None
    sizes = moves[np.array(jumps, dtype=np.int64)].tolist()
    drops: list[tuple[int, int]] = []
    position = 0
    while position < len(jumps):
        first = jumps[position] + 1
        away = sizes[position]
        back = next(
            (
                p
                for p in range(position + 1, len(jumps))
                if sizes[p] * away < 0 and abs(sizes[p]) > 0.5 * abs(away)
            ),
            None,
        )
        if back is None:
            if _stays_away(values, first, away):
                # The shorter part is the one that is away: a sensor may also come to life late.
                drops.append((first, len(values)) if 2 * first > len(values) else (0, first))
            break
        end = jumps[back] + 1
        drops.append((first, end))
        position = back + 1
    for first, end in drops:
        found.mark(name, first, end)
    return drops


def _stays_away(values: Floats, first: int, away: float) -> bool:
    """Return whether all that follows a jump keeps clear of what went before."""
    before, after = values[max(0, first - 2000) : first], values[first:]
    if len(after) < 3:
        return True
    return bool(np.sign(away) * (np.nanmedian(after) - np.nanmedian(before)) > 0.5 * abs(away))
