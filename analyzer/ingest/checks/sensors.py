"""Checks that hold for any sensor: gaps, dead, stuck, saturated, noise, resolution."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.filebacked import stretches
from analyzer.core.signals import run_edges, runs_of
from analyzer.ingest.checks.inputs import POTS, SUBSAMPLE, Findings, Floats, Kind, Signals, kind_of_channel
from analyzer.ingest.recording import Check, Verdict
from analyzer.ingest.zero import resting_blocks

STUCK_SECONDS: Final = 1.5
"""Time without any change, while the car moves, that is no longer chance (engineering judgement)."""
EDGE_SECONDS: Final = 0.5
"""A slower channel may begin later and end earlier than the run by this much [s]."""
MOST_STUCK: Final = 0.5
LEAST_LEFT: Final = 15.0
"""Driving beside what is stuck from which a pot is used all the same [s]: over less, 2 of 16 gradients of
drawn drives were beyond their error."""
LEAST_FOLLOWED: Final = 4
FOLLOWED: Final = 0.005
"""Half seconds of driving in which another pot goes as far as this [m]: one that keeps its value is stuck."""
MOST_MISSING: Final = 0.5
BRIEFLY: Final = 0.35
"""The same for pots, which never rest while a car drives, where it is also `LONGER_THAN_USUAL` [s]; steady
running holds a quiet accelerometer as long."""
LONGER_THAN_USUAL: Final = 8.0
NEAR_AN_END: Final = 0.0015
"""How near its least and greatest reading a pot is at an end of the damper's travel [m]."""
SATURATED: Final = 0.0005
MOST_SATURATED: Final = 0.05
SIGNED: Final = ("accel", "gyro", "steer")
"""Channels that read to both sides of nought."""
PILE_UP: Final = 2.0
"""A reading that occurs this many times as often as its neighbours together is an end stop of the sensor."""
ONCE: Final = 0.8
"""Part of the readings at one end that lie in one stretch where it is no end (engineering judgement)."""
NEIGHBOURS: Final = 10
"""Readings of a sensor that count as neighbours of its last one (engineering judgement)."""


def check_sensor(
    signals: Signals, name: str, shared: NDArray[np.bool_], skips: NDArray[np.int64]
) -> Findings:
    """Run all general checks on one channel.

    Parameters
    ----------
    signals : Signals
        The run.
    name : str
        The channel.
    shared : ndarray of bool
        Samples that every channel lacks; they are a gap of the run, not of this channel.
    skips : ndarray
        Samples behind which the logger dropped rows.
    """
    found = Findings()
    values = signals.data[name]
    if not _gaps(found, signals, name, shared):
        return found
    low, high = _extremes(signals, name)
    if _dead(found, name, low, high):
        return found
    kind = kind_of_channel(name)
    if kind is None:
        return found
    ends = _saturated(found, signals, name, (high, low), kind)
    held = _stuck(found, signals, name, ends if name != "speed" else [*ends, 0.0])
    check_jumps(found, signals, name, kind, skips, held)
    _noise(found, signals, name, values, kind)
    _grain(found, name, values, kind)
    return found


def check_run_gaps(signals: Signals, shared: NDArray[np.bool_]) -> Findings:
    """Report samples that all channels lack."""
    found = Findings()
    _gap_row(found, signals, "time", shared & ~signals.aside)
    return found


def _gaps(found: Findings, signals: Signals, name: str, shared: NDArray[np.bool_]) -> bool:
    """Report missing samples; return whether enough are left for other checks."""
    if name in signals.complete:
        found.add(Check.GAP, name, Verdict.GOOD, 0.0, 0.0, "s", "No sample is missing.")
        return signals.base.count >= 20
    lost = ~np.isfinite(signals.data[name])
    known = len(lost) - int(lost.sum())
    lost &= ~signals.aside
    _gap_row(found, signals, name, lost if lost.sum() > 0.5 * len(lost) else lost & ~shared)
    return known >= 20


def _extremes(signals: Signals, name: str) -> tuple[float, float]:
    values = signals.data[name]
    if name in signals.complete:
        return float(values.min()), float(values.max())
    return float(np.nanmin(values)), float(np.nanmax(values))


def _gap_row(found: Findings, signals: Signals, name: str, lost: NDArray[np.bool_]) -> None:
    share = float(lost.mean())
    if not share:
        found.add(Check.GAP, name, Verdict.GOOD, 0.0, 0.0, "s", "No sample is missing.")
        return
    starts, ends = run_edges(lost)
    edge = round(EDGE_SECONDS * signals.base.rate)
    inner = [b for a, b in zip(starts, ends, strict=True) if a > 0 and b < len(lost)]
    if name != "time" and not inner and int((ends - starts).max()) <= edge:
        found.add(Check.GAP, name, Verdict.GOOD, 0.0, 0.0, "s", "No sample is missing within the run.")
        return
    longest = int(np.argmax(ends - starts))
    seconds = float((ends - starts)[longest] / signals.base.rate)
    begin = signals.seconds(int(starts[longest]))
    verdict = Verdict.BAD if share > MOST_MISSING else Verdict.SUSPECT
    number = "1 gap" if len(starts) == 1 else f"{len(starts)} gaps"
    comment = f"{number}, {share:.1%} of the run; the longest begins at {begin:.2f} s."
    found.add(Check.GAP, name, verdict, seconds, 0.0, "s", comment)


def _dead(found: Findings, name: str, low: float, high: float) -> bool:
    kind = kind_of_channel(name)
    factor, unit = (kind.factor, kind.unit) if kind else (1.0, "")
    if high > low:
        found.add(Check.DEAD, name, Verdict.GOOD, (high - low) * factor, 0.0, unit, "Moves.")
        return False
    comment = f"Never leaves {low * factor:.4g} {unit}".rstrip() + "; check sensor, plug and supply."
    verdict = Verdict.SUSPECT if kind is None else Verdict.BAD
    found.add(Check.DEAD, name, verdict, 0.0, 0.0, unit, comment)
    return True


def _stuck(found: Findings, signals: Signals, name: str, ends_of_range: list[float]) -> list[tuple[int, int]]:
    """Find stretches without any change while the rest of the car moves, but for the range's ends.

    Returns
    -------
    list of tuple of int
        First and one past the last sample of each.
    """
    values = signals.data[name]
    # A long stretch shows at samples half its length apart, which spares most channels the full look.
    shortest = BRIEFLY if name.startswith("damper") else STUCK_SECONDS
    thin = values[:: max(1, round(0.5 * shortest * signals.base.rate))]
    if not bool((thin[1:] == thin[:-1]).any()):
        found.add(Check.STUCK, name, Verdict.GOOD, 0.0, MOST_STUCK, "1", "Follows the car.")
        return []
    same = values[1:] == values[:-1]
    for value in ends_of_range:
        same &= values[1:] != value
    starts, ends = run_edges(same)
    lengths = ends - starts
    limit = STUCK_SECONDS * signals.base.rate
    brief = max(shortest * signals.base.rate, LONGER_THAN_USUAL * _usual_hold(lengths, len(values)))
    long = np.flatnonzero(lengths >= min(limit, brief))
    held: list[tuple[int, int]] = []
    for index in long.tolist():
        first, end = int(starts[index]), int(ends[index]) + 1
        if lengths[index] < limit and _at_an_end(values, first):
            continue
        # At rest a coarse sensor may well give one value; so may speed.
        blocks = slice(first // signals.block, max(first // signals.block + 1, end // signals.block))
        witness = "damper" if lengths[index] < limit else ""
        part = ~signals.still[blocks] & _others_move(signals, name, blocks, witness)
        moves = len(part) > 0 and part.mean() >= 0.5
        if not moves and not (name.startswith("damper") and _left_behind(signals, name, blocks)):
            continue
        held.append((first, end))
        found.mark(name, first, end)
    stuck = sum(end - first for first, end in held)
    share = stuck / max(1, len(same))
    long_held = [(first, end) for first, end in held if end - first >= limit]
    if long_held and name.startswith("damper"):
        found.held[name] = long_held
    if not stuck:
        found.add(Check.STUCK, name, Verdict.GOOD, 0.0, MOST_STUCK, "1", "Follows the car.")
        return held
    where = signals.seconds(held[0][0])
    # A pot that lived long enough tells the roll of that time; the fits ask for cornering in it.
    spared = name.startswith("damper") and _driven_beside(signals, held) >= LEAST_LEFT
    verdict = Verdict.BAD if share > MOST_STUCK and not spared else Verdict.SUSPECT
    comment = (
        f"Holds one value for {stuck / signals.base.rate:.1f} s while the car moves, first near "
        f"{where:.1f} s{'; the rest of the run is used' if verdict is Verdict.SUSPECT else ''}."
    )
    found.add(Check.STUCK, name, verdict, share, MOST_STUCK, "1", comment)
    return held


def _left_behind(signals: Signals, name: str, blocks: slice) -> bool:
    """Return whether other pots go far while the car drives: all that shows a stuck one on a smooth road."""
    driven = ~signals.once("resting", lambda s: resting_blocks(s.blocks))[blocks]
    if driven.sum() < LEAST_FOLLOWED:
        return False
    others = (signals.mean(pot)[blocks][driven] for pot in POTS if pot != name and pot in signals.data)
    return any(
        np.isfinite(other).any() and np.nanmax(other) - np.nanmin(other) > FOLLOWED for other in others
    )


def _driven_beside(signals: Signals, held: list[tuple[int, int]]) -> float:
    """Return how long the car drives outside of stretches of samples [s]."""
    beside = ~signals.still
    for first, end in held:
        beside[first // signals.block : -(-end // signals.block)] = False
    return float(beside.sum()) * signals.block / signals.base.rate


def _usual_hold(lengths: NDArray[np.int64], count: int) -> float:
    """Return for how many samples a channel holds a value in 99 of 100 cases."""
    # Samples that differ from the one before are holds of length nought, which stand in no list.
    changes = count - int(lengths.sum())
    rank = int(0.01 * changes)
    return float(np.partition(lengths, -rank - 1)[-rank - 1]) if rank < len(lengths) else 0.0


def _at_an_end(values: Floats, first: int) -> bool:
    """Return whether a pot stands where the damper's travel ends: a wheel in the air does so."""
    low, high = np.nanmin(values), np.nanmax(values)
    return bool(min(values[first] - low, high - values[first]) < NEAR_AN_END)


def _others_move(signals: Signals, name: str, blocks: slice, kind: str = "") -> NDArray[np.bool_]:
    """Return in which blocks a channel moves, of this kind if one is named."""
    limits = {"damper": 0.0005, "accel": 0.5, "gyro": 0.03}
    moving: NDArray[np.bool_] | None = None
    for other in signals.data:
        limit = limits.get(other.partition("_")[0])
        if other == name or limit is None or not other.startswith(kind):
            continue
        part = np.nan_to_num(signals.spread(other)[blocks]) > limit
        moving = part if moving is None else moving | part
    return np.zeros(0, dtype=bool) if moving is None else moving


def _saturated(
    found: Findings, signals: Signals, name: str, extremes: tuple[float, float], kind: Kind
) -> list[float]:
    """Find readings piled up at the very end of the range; return those ends."""
    check = Check.SATURATED if name.startswith("damper") else Check.CLIPPED
    values = signals.data[name]
    part = values[:: max(1, len(values) // SUBSAMPLE)]
    part = part[np.isfinite(part)]
    # Each end alone: a pot may end in bump and an accelerometer clip to the left only.
    worst, ends = 0.0, []
    for end in extremes:
        if name == "speed" and end <= 0.0:
            continue  # a standing car
        if end == 0.0 and name.startswith(SIGNED):
            # Turns to one side alone: nought is rest or a dead band there, no sensor's range ends at it.
            continue
        if not bool((part == end).any()):
            continue  # a pile-up would show in the subsample
        share = _pile_up(signals, values, end, part)
        if share is None:
            continue
        for first, last in runs_of(values == end):
            found.mark(name, first, last)
        worst = max(worst, share)
        ends.append(end)
    if not ends:
        found.add(check, name, Verdict.GOOD, 0.0, SATURATED, "1", "No pile-up at an end of the range.")
        return ends
    # The samples at the end are marked whatever the verdict: travel beyond it was not seen.
    verdict = Verdict.BAD if worst > MOST_SATURATED else Verdict.SUSPECT
    why = (
        "the end of the sensor, not of the damper"
        if check == Check.SATURATED
        else "the sensor's range is too small"
    )
    at_end = " and ".join(f"{end * kind.factor:.4g} {kind.unit}" for end in ends)
    found.add(
        check,
        name,
        verdict,
        worst,
        SATURATED,
        "1",
        f"{worst:.2%} of the samples sit at exactly {at_end}: {why}.",
    )
    return ends


def _pile_up(signals: Signals, values: Floats, end: float, part: Floats) -> float | None:
    """Return the share of samples at exactly `end` where the sensor ends there; None where it does not.

    `part` of the samples tells how far the channel spreads.
    """
    at = values == end
    count = int(at.sum())
    if count < max(5, SATURATED * len(values)):
        return None
    # A reading that the logger holds over several rows is one reading, not as many at the end.
    held = _held(values)
    if count < 5 * held:
        return None
    starts, stops = run_edges(at)
    longest = int((stops - starts).max())
    # A sensor reaches its end again and again; one that stays there once is stuck.
    if longest > ONCE * count and longest > STUCK_SECONDS * signals.base.rate:
        return None
    low, high = np.percentile(part, [10, 90])
    away = np.abs(values - end)
    around = np.unique(away[away < 0.05 * float(high - low)])
    # Of a fine sensor only its next readings are neighbours: a car may well lean near the end for long.
    band = NEIGHBOURS * float(np.median(np.diff(around))) if len(around) > NEIGHBOURS else np.inf
    near = int((away < min(band, 0.05 * float(high - low))).sum()) - count
    if near > count / PILE_UP or longest < 3 * held or _moving_share(signals, starts) < 0.5:
        return None
    return count / len(values)


def _held(values: Floats) -> int:
    """Return over how many rows a channel usually keeps a reading."""
    middle = len(values) // 2
    piece = values[max(0, middle - SUBSAMPLE // 2) : middle + SUBSAMPLE // 2]
    piece = piece[np.isfinite(piece)]
    changes = np.flatnonzero(piece[1:] != piece[:-1])
    # Upper of both middle ones: a sensor of 60 Hz in rows of 100 Hz keeps as many over two rows as over one.
    return max(1, int(np.percentile(np.diff(changes), 60, method="higher"))) if len(changes) > 1 else 1


def _moving_share(signals: Signals, starts: NDArray[np.int64]) -> float:
    blocks = np.minimum(starts // signals.block, len(signals.still) - 1)
    return float((~signals.still[blocks]).mean()) if len(signals.still) else 1.0


def _noise(found: Findings, signals: Signals, name: str, values: Floats, kind: Kind) -> None:
    """Estimate white noise from second differences in the quietest blocks."""
    block = signals.block
    count = len(values) // block
    if count < 4:
        found.untested(Check.NOISE, name, "The log is too short.")
        return
    chosen = np.unique(np.linspace(0, count - 1, min(count, 400)).astype(np.int64))
    cut = values[: count * block].reshape(count, block)[chosen]
    # Second differences leave motion out and sum the noise of three samples: 1 + 4 + 1.
    second = cut[:, 2:] - 2.0 * cut[:, 1:-1] + cut[:, :-2]
    level = np.sqrt((second * second).mean(axis=1) / 6.0) if second.shape[1] else np.zeros(0)
    level = level[np.isfinite(level)]
    if len(level) == 0:
        found.untested(Check.NOISE, name, "No half second is complete.")
        return
    # The quiet fifth: on kerbs the second difference is the road.
    noise = float(np.percentile(level, 20))
    verdict = (
        Verdict.GOOD if noise <= kind.noise else Verdict.SUSPECT if noise <= kind.worst_noise else Verdict.BAD
    )
    comment = (
        "Noise is small."
        if verdict is Verdict.GOOD
        else "Noisy even in the quiet parts; check screen, supply and mounting."
    )
    found.add(Check.NOISE, name, verdict, noise * kind.factor, kind.noise * kind.factor, kind.unit, comment)


def _grain(found: Findings, name: str, values: Floats, kind: Kind) -> None:
    """Find the step that readings are rounded to."""
    middle = len(values) // 2
    piece = values[max(0, middle - SUBSAMPLE // 2) : middle + SUBSAMPLE // 2]
    ordered = np.sort(piece[np.isfinite(piece)])
    gaps = np.diff(ordered)
    different = 1 + np.count_nonzero(gaps)
    if different < 3:
        found.untested("resolution", name, "The channel hardly moves.")
        return
    # Float noise of a unit conversion parts equal readings by a hair.
    gaps = gaps[gaps > 1e-9 * max(1.0, abs(float(ordered[0])), abs(float(ordered[-1])))]
    grain = float(np.percentile(gaps, 10)) if len(gaps) else 0.0
    coarse = grain > kind.grain
    comment = (
        "Readings are rounded to coarse steps; was the log saved again by a spreadsheet?"
        if coarse
        else "Fine enough."
    )
    if different > 400:
        grain, coarse, comment = grain, False, "Fine enough."
    verdict = Verdict.SUSPECT if coarse else Verdict.GOOD
    found.add("resolution", name, verdict, grain * kind.factor, kind.grain * kind.factor, kind.unit, comment)


# Lone spikes and dropouts: jumps away and back that are electrical, not the car.


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


def check_jumps(
    found: Findings,
    signals: Signals,
    name: str,
    kind: Kind,
    skips: NDArray[np.int64],
    held: list[tuple[int, int]],
) -> None:
    """Find lone spikes, and stretches that jump away and back: both are electrical, not the car.

    Parameters
    ----------
    found, signals, name, kind
        Where to, the run, the channel and its limits.
    skips : ndarray
        Samples before steps that are the logger's, see `check_lost_rows`.
    held : list of tuple of int
        Stretches without any change, see `_stuck`.
    """
    values = signals.data[name]
    n = len(values)
    moves = _Moves(values)
    edges, spike, step = _edges(signals, moves, n, kind)
    # One that lived until it stuck jumps when it lives on: what follows is sound, not a plug that fell out.
    freed = [end - 1 for first, end in held if first - 1 not in edges]
    # Stuck for long it is told as that, whether it jumped there or not.
    freed += [at for stretch in found.held.get(name, []) for at in (stretch[0] - 1, stretch[1] - 1)]
    edges = edges[~np.isin(edges, [*skips, *freed])]
    # Spikes first: their edges must not open a dropout.
    spikes = _spikes(found, name, moves, edges, spike)
    drops = _dropouts(found, name, values, moves, edges, step, spikes)
    share = len(spikes) / n
    comment = (
        f"{'1 lone sample jumps' if len(spikes) == 1 else f'{len(spikes)} lone samples jump'} "
        f"by more than {spike * kind.factor:.3g} {kind.unit} and back, "
        f"first at {signals.seconds(spikes[0]):.2f} s; left out, they are no bottoming."
        if spikes
        else "No lone sample jumps."
    )
    verdict = Verdict.GOOD if not spikes else Verdict.BAD if share > MOST_SPIKES else Verdict.SUSPECT
    found.add(Check.SPIKES, name, verdict, float(len(spikes)), 0.0, "1", comment)
    if drops is None:
        found.add(
            Check.DROPOUTS, name, Verdict.BAD, None, None, "", f"Jumps {MOST_JUMPS} times and more: unusable."
        )
        return
    lost = sum(end - first for first, end in drops) / n
    if not drops:
        found.add(Check.DROPOUTS, name, Verdict.GOOD, 0.0, 0.0, "1", "No stretch jumps away and back.")
        return
    # Where it jumps to names the fault: nought is a plug, full scale a broken earth.
    level = float(np.nanmedian(values[drops[0][0] : drops[0][1]])) * kind.factor
    comment = (
        f"{'1 stretch' if len(drops) == 1 else f'{len(drops)} stretches'}, {lost:.1%} of the run, "
        f"{'jumps' if len(drops) == 1 else 'jump'} away to about {level:.3g} {kind.unit}, "
        f"first at {signals.seconds(drops[0][0]):.2f} s; left out. Check plug and supply."
    )
    found.add(
        Check.DROPOUTS, name, Verdict.BAD if lost > MOST_LOST else Verdict.SUSPECT, lost, 0.0, "1", comment
    )


def _edges(signals: Signals, moves: _Moves, count: int, kind: Kind) -> tuple[NDArray[np.int64], float, float]:
    """Return the samples before steps that no car makes, and the limits for a spike and for a jump."""
    # A slow log steps further from sample to sample; the limits are for 100 Hz.
    scale = min(max(100.0 / signals.base.rate, 0.25), 2.0)
    spike, step = kind.spike * scale, kind.step * scale
    edges = moves.beyond(min(spike, step))
    if len(edges):  # a channel that moves that fast by itself has wider limits
        usual = _usual(moves, count)
        spike, step = max(spike, 4.0 * usual), max(step, 5.0 * usual)
        edges = edges[np.abs(moves[edges]) > min(spike, step)]
    return edges, spike, step


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
    # A spike is a jump and a jump back, too, and is told as a spike.
    taken = set(spikes)
    jumps = [
        int(e) for e in edges[np.abs(moves[edges]) > limit] if int(e) + 1 not in taken and int(e) not in taken
    ]
    if len(jumps) >= MOST_JUMPS:
        return None
    sizes = moves[np.array(jumps, dtype=np.int64)].tolist()
    drops: list[tuple[int, int]] = []
    position = 0
    # Out and back the other way: what jumps on in the same direction is another step, no way back.
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


# Rows that the logger dropped without a hole in its stamps: every channel steps in the same row.


LEAST_STEPPING: Final = 0.5
"""Share of the other channels that must step as well: where one pot's plug is loose, hardly another does."""
UNUSUAL: Final = 98.0
"""Percentile of a channel's own steps from which one counts as such."""
AFTER: Final = 20
"""Rows behind a step in which a sensor that lives moves as usual."""
LEAST_LIFE: Final = 0.2
"""Steps behind the row as a part of the usual ones: an open plug or a dead supply gives a flat line."""


def check_lost_rows(signals: Signals) -> tuple[Findings, NDArray[np.int64]]:
    """Find rows behind which others are missing though the stamps go on: all channels step there at once.

    Returns
    -------
    found : Findings
        A row for the clock, when there are any; the samples on both sides are called suspect.
    skips : ndarray
        The samples before the steps.
    """
    found = Findings()
    names = [name for name in signals.data if kind_of_channel(name) is not None]
    moves = {name: _Moves(signals.data[name]) for name in names}
    count = signals.base.count
    # Pots alone propose a place: accelerometers step at every kerb.
    edges = [
        _edges(signals, moves[name], count, kind)[0]
        for name in names
        if name.startswith("damper") and (kind := kind_of_channel(name)) is not None
    ]
    candidates = np.unique(np.concatenate(edges)) if edges else np.zeros(0, dtype=np.int64)
    if not 0 < len(candidates) < MOST_JUMPS:
        return found, candidates[:0]
    stepping = np.zeros(len(candidates), dtype=np.int64)
    heard = 0
    alive = np.ones(len(candidates), dtype=bool)
    # Each channel against its own usual moves: a quick one steps no less when rows are lost.
    for name in names:
        part = np.abs(moves[name][np.arange(0, count - 1, max(1, (count - 1) // SUBSAMPLE))])
        part = part[np.isfinite(part)]
        if not len(part) or not part.any():
            continue
        heard += 1
        steps = np.abs(moves[name][candidates]) > np.percentile(part, UNUSUAL)
        stepping += steps
        # What stepped must live on: several sensors that lose one supply go flat together.
        if name.startswith("damper"):
            alive &= ~steps | (_life(moves[name], candidates, count) >= LEAST_LIFE * float(part.mean()))
    # One less on both sides: the pot that proposed the place steps there by choice.
    skips = candidates[alive & (stepping - 1 >= LEAST_STEPPING * (heard - 1)) & (stepping >= 2)]
    if not len(skips):
        return found, skips
    for first in skips.tolist():
        for name in signals.data:
            found.mark(name, first, first + 2)
    comment = (
        f"In {len(skips)} {'place' if len(skips) == 1 else 'places'} all channels step in the same row, "
        "first at "
        f"{signals.seconds(int(skips[0])):.2f} s: the logger dropped rows there and its stamps do not show "
        "it. No sensor is at fault; check the logger's card and rate."
    )
    found.add("lost rows", "time", Verdict.SUSPECT, float(len(skips)), 0.0, "1", comment)
    return found, skips


def _life(moves: _Moves, places: NDArray[np.int64], count: int) -> Floats:
    """Return the mean step of a channel in the rows behind each place; 0 where none is left."""
    rows = places[:, None] + np.arange(1, AFTER + 1)
    steps = np.abs(moves[np.minimum(rows, count - 2)])
    steps = np.where((rows <= count - 2) & np.isfinite(steps), steps, np.nan)
    known = np.isfinite(steps).sum(axis=1)
    return np.asarray(np.nansum(steps, axis=1) / np.maximum(known, 1), dtype=np.float64)
