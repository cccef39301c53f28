"""Checks that hold for any sensor: gaps, dead, stuck, saturated, noise, resolution."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.ingest.health.jumps import check_jumps
from analyzer.ingest.health.limits import SUBSAMPLE, Kind, kind_of_channel
from analyzer.ingest.health.signals import Findings, Floats, Signals, runs_of
from analyzer.ingest.recording import Verdict

STUCK_SECONDS: Final = 1.5
"""Time without any change, while the car moves, that is no longer chance (engineering judgement)."""
EDGE_SECONDS: Final = 0.5
"""A slower channel may begin later and end earlier than the run by this much [s]."""
MOST_STUCK: Final = 0.5
MOST_MISSING: Final = 0.5
SATURATED: Final = 0.0005
MOST_SATURATED: Final = 0.05
PILE_UP: Final = 2.0
"""A reading that occurs this many times as often as its neighbours together is an end stop of the sensor."""


def check_sensor(signals: Signals, name: str, shared: NDArray[np.bool_]) -> Findings:
    """Run all general checks on one channel.

    Parameters
    ----------
    signals : Signals
        The run.
    name : str
        The channel.
    shared : ndarray of bool
        Samples that every channel lacks; they are a gap of the run, not of this channel.
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
    _stuck(found, signals, name, ends if name != "speed" else [*ends, 0.0])
    check_jumps(found, signals, name, kind)
    _noise(found, signals, name, values, kind)
    _grain(found, name, values, kind)
    return found


def check_run_gaps(signals: Signals, shared: NDArray[np.bool_]) -> Findings:
    """Report samples that all channels lack."""
    found = Findings()
    _gap_row(found, signals, "time", shared)
    return found


def _gaps(found: Findings, signals: Signals, name: str, shared: NDArray[np.bool_]) -> bool:
    """Report missing samples; return whether enough are left for other checks."""
    if name in signals.complete:
        found.add("gap", name, Verdict.GOOD, 0.0, 0.0, "s", "No sample is missing.")
        return signals.base.count >= 20
    lost = ~np.isfinite(signals.data[name])
    missing = int(lost.sum())
    _gap_row(found, signals, name, lost if missing > 0.5 * len(lost) else lost & ~shared)
    return len(lost) - missing >= 20


def _extremes(signals: Signals, name: str) -> tuple[float, float]:
    values = signals.data[name]
    if name in signals.complete:
        return float(values.min()), float(values.max())
    return float(np.nanmin(values)), float(np.nanmax(values))


def _gap_row(found: Findings, signals: Signals, name: str, lost: NDArray[np.bool_]) -> None:
    share = float(lost.mean())
    if not share:
        found.add("gap", name, Verdict.GOOD, 0.0, 0.0, "s", "No sample is missing.")
        return
    starts, ends = runs_of(lost)
    edge = round(EDGE_SECONDS * signals.base.rate)
    inner = [b for a, b in zip(starts, ends, strict=True) if a > 0 and b < len(lost)]
    if name != "time" and not inner and int((ends - starts).max()) <= edge:
        found.add("gap", name, Verdict.GOOD, 0.0, 0.0, "s", "No sample is missing within the run.")
        return
    longest = int(np.argmax(ends - starts))
    seconds = float((ends - starts)[longest] / signals.base.rate)
    begin = signals.seconds(int(starts[longest]))
    verdict = Verdict.BAD if share > MOST_MISSING else Verdict.SUSPECT
    comment = f"{len(starts)} gaps, {share:.1%} of the run; the longest begins at {begin:.2f} s."
    found.add("gap", name, verdict, seconds, 0.0, "s", comment)


def _dead(found: Findings, name: str, low: float, high: float) -> bool:
    kind = kind_of_channel(name)
    factor, unit = (kind.factor, kind.unit) if kind else (1.0, "")
    if high > low:
        found.add("dead", name, Verdict.GOOD, (high - low) * factor, 0.0, unit, "Moves.")
        return False
    comment = f"Never leaves {low * factor:.4g} {unit}".rstrip() + "; check sensor, plug and supply."
    verdict = Verdict.SUSPECT if kind is None else Verdict.BAD
    found.add("dead", name, verdict, 0.0, 0.0, unit, comment)
    return True


def _stuck(found: Findings, signals: Signals, name: str, ends_of_range: list[float]) -> None:
    """Find stretches without any change while the rest of the car moves, but for the range's ends."""
    values = signals.data[name]
    # A long stretch shows at samples half its length apart, which spares most channels the full look.
    thin = values[:: max(1, round(0.5 * STUCK_SECONDS * signals.base.rate))]
    if not bool((thin[1:] == thin[:-1]).any()):
        found.add("stuck", name, Verdict.GOOD, 0.0, MOST_STUCK, "1", "Follows the car.")
        return
    same = values[1:] == values[:-1]
    for value in ends_of_range:
        same &= values[1:] != value
    starts, ends = runs_of(same)
    lengths = ends - starts
    limit = STUCK_SECONDS * signals.base.rate
    long = np.flatnonzero(lengths >= limit)
    stuck = 0
    for index in long.tolist():
        first, end = int(starts[index]), int(ends[index]) + 1
        # At rest a coarse sensor may well give one value; so may speed.
        blocks = slice(first // signals.block, max(first // signals.block + 1, end // signals.block))
        part = ~signals.still[blocks] & _others_move(signals, name, blocks)
        if part.mean() < 0.5 or len(part) == 0:
            continue
        stuck += end - first
        found.mark(name, first, end)
    share = stuck / max(1, len(same))
    if not stuck:
        found.add("stuck", name, Verdict.GOOD, 0.0, MOST_STUCK, "1", "Follows the car.")
        return
    where = signals.seconds(int(starts[long[0]]))
    verdict = Verdict.BAD if share > MOST_STUCK else Verdict.SUSPECT
    comment = (
        f"Holds one value for {stuck / signals.base.rate:.1f} s while the car moves, first near "
        f"{where:.1f} s."
    )
    found.add("stuck", name, verdict, share, MOST_STUCK, "1", comment)


def _others_move(signals: Signals, name: str, blocks: slice) -> NDArray[np.bool_]:
    limits = {"damper": 0.0005, "accel": 0.5, "gyro": 0.03}
    moving: NDArray[np.bool_] | None = None
    for other in signals.data:
        limit = limits.get(other.partition("_")[0])
        if other == name or limit is None:
            continue
        part = np.nan_to_num(signals.spread(other)[blocks]) > limit
        moving = part if moving is None else moving | part
    return np.zeros(0, dtype=bool) if moving is None else moving


def _saturated(
    found: Findings, signals: Signals, name: str, extremes: tuple[float, float], kind: Kind
) -> list[float]:
    """Find readings piled up at the very end of the range; return those ends."""
    check = "saturated" if name.startswith("damper") else "clipped"
    values = signals.data[name]
    part = values[:: max(1, len(values) // SUBSAMPLE)]
    part = part[np.isfinite(part)]
    worst, ends = 0.0, []
    for end in extremes:
        if name == "speed" and end <= 0.0:
            continue  # a standing car
        if not bool((part == end).any()):
            continue  # a pile-up would show in the subsample
        share = _pile_up(signals, values, end, part)
        if share is None:
            continue
        for first, last in zip(*(edge.tolist() for edge in runs_of(values == end)), strict=True):
            found.mark(name, first, last)
        worst = max(worst, share)
        ends.append(end)
    if not ends:
        found.add(check, name, Verdict.GOOD, 0.0, SATURATED, "1", "No pile-up at an end of the range.")
        return ends
    verdict = Verdict.BAD if worst > MOST_SATURATED else Verdict.SUSPECT
    why = (
        "the end of the sensor, not of the damper"
        if check == "saturated"
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
    starts, stops = runs_of(at)
    low, high = np.percentile(part, [10, 90])
    near = int((np.abs(values - end) < 0.05 * float(high - low)).sum()) - count
    if near > count / PILE_UP or int((stops - starts).max()) < 3 or _moving_share(signals, starts) < 0.5:
        return None
    return count / len(values)


def _moving_share(signals: Signals, starts: NDArray[np.int64]) -> float:
    blocks = np.minimum(starts // signals.block, len(signals.still) - 1)
    return float((~signals.still[blocks]).mean()) if len(signals.still) else 1.0


def _noise(found: Findings, signals: Signals, name: str, values: Floats, kind: Kind) -> None:
    """Estimate white noise from second differences in the quietest blocks."""
    block = signals.block
    count = len(values) // block
    if count < 4:
        found.untested("noise", name, "The log is too short.")
        return
    chosen = np.unique(np.linspace(0, count - 1, min(count, 400)).astype(np.int64))
    cut = values[: count * block].reshape(count, block)[chosen]
    second = cut[:, 2:] - 2.0 * cut[:, 1:-1] + cut[:, :-2]
    level = np.sqrt((second * second).mean(axis=1) / 6.0) if second.shape[1] else np.zeros(0)
    level = level[np.isfinite(level)]
    if len(level) == 0:
        found.untested("noise", name, "No half second is complete.")
        return
    noise = float(np.percentile(level, 20))
    verdict = (
        Verdict.GOOD if noise <= kind.noise else Verdict.SUSPECT if noise <= kind.worst_noise else Verdict.BAD
    )
    comment = (
        "Noise is small."
        if verdict is Verdict.GOOD
        else "Noisy even in the quiet parts; check screen, supply and mounting."
    )
    found.add("noise", name, verdict, noise * kind.factor, kind.noise * kind.factor, kind.unit, comment)


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
