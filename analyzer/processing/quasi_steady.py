"""A second look at the roll gradient, from steady parts alone in the manner of ISO 4138: means and a line."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise
from typing import Final

import numpy as np

from analyzer.constants import STANDARD_GRAVITY, Axle
from analyzer.estimate import Estimate
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.processing.filters import Bools, Floats, derivative, lowpass_taps, runs_of, smooth, touched
from analyzer.processing.intervals import half_width
from analyzer.processing.lines import least_squares
from analyzer.processing.results import Motion
from analyzer.processing.roll_columns import RollColumns
from analyzer.units import RAD_PER_MPS2_TO_DEG_PER_G

STEADY_BAND: Final = 1.0
"""Low-pass of force and roll [Hz]: below the body's own roll (about 2 Hz)."""
STEADY_RATE: Final = 0.2 * STANDARD_GRAVITY
"""Change of lateral force that still counts as slow [m/s3]: ten times that of the continuous method of ISO
4138 (0.1 to 0.2 m/s3, from memory), since drift corners are not held still; what the dampers add turns its
sign with the ramp's."""
HELD_RATE: Final = 0.06 * STANDARD_GRAVITY
"""Change of lateral force of a corner that is held [m/s3]: engineering judgement."""
HELD_S: Final = 3.0
"""Time a steady corner is held [s]: ISO 4138 (from memory)."""
PIECE_S: Final = 0.5
"""Slow parts are cut into pieces about this long, whose means are the points [s]."""
LONGEST_S: Final = 2.0
"""Longer slow parts count as several stretches [s]: about a cycle of the longest waves of a road."""
FLAT: Final = math.radians(4.0)
"""Bank above this is no level road: engineering judgement."""
FEWEST: Final = 6
"""Fewest stretches for a line with an error: engineering judgement."""
SYSTEMATIC: Final = 0.01
"""Two sound figures may differ by this, as they weigh the forces differently: engineering judgement."""
STEADY_LEFT_OUT: Final = 0.0012
"""Relative standard uncertainty from what a line through steady parts leaves out, beside their scatter: by
the rigid-body engine of the tests, cars of all dimensions."""
CHECK: Final = "roll gradient, second look"


def quasi_steady(columns: RollColumns, motion: Motion) -> dict[Axle, Estimate]:
    """Return suspension roll per lateral specific force from steady parts of level road, per axle [deg/g].

    Corners held for three seconds count when there are enough of them in both directions, else every part in
    which the lateral force changes slowly. Straights count as force zero. The line goes through the means of
    the pieces; its error comes from whole stretches, so from their scatter about the line.
    """
    force, flags = _smoothed(columns, columns.force)
    change = np.abs(derivative(force, columns.rate))
    level = ~flags & _flat(columns, motion)
    words = f"corners held for {HELD_S:g} s"
    stretches = _stretches(level & (change < HELD_RATE), HELD_S, columns.rate)
    if not _both_ways(stretches, force):
        words = "parts with slowly changing force"
        slow = _stretches(level & (change < STEADY_RATE), PIECE_S, columns.rate)
        stretches = [part for stretch in slow for part in _cut(stretch, LONGEST_S * columns.rate)]
    method = f"line through means of {words} on level road, in the manner of ISO 4138"
    if not _both_ways(stretches, force):
        reason = "too few steady parts on level road in both directions"
        return {a: Estimate.unknown("deg/g", reason, method) for a in columns.roll}
    return {
        a: _line(columns, stretches, force, _smoothed(columns, roll)[0], method)
        for a, roll in columns.roll.items()
    }


def _stretches(flags: Bools, shortest_s: float, rate: float) -> list[tuple[int, int]]:
    return [(a, b) for a, b in runs_of(flags) if b - a >= shortest_s * rate]


def _cut(stretch: tuple[int, int], longest: float) -> list[tuple[int, int]]:
    ends = np.linspace(*stretch, math.ceil((stretch[1] - stretch[0]) / longest) + 1).astype(int)
    return list(pairwise(ends.tolist()))


def _smoothed(columns: RollColumns, values: Floats) -> tuple[Floats, Bools]:
    taps = lowpass_taps(columns.rate, STEADY_BAND, STEADY_BAND)
    return smooth(values, taps), touched(columns.suspect, len(taps) // 2, 1)


def _flat(columns: RollColumns, motion: Motion) -> Bools:
    if "bank" not in motion.data:
        return np.ones(len(columns.time), dtype=np.bool_)
    bank = np.interp(columns.time, motion.data.index.to_numpy(), motion.data["bank"].to_numpy())
    flat: Bools = np.abs(bank) < FLAT
    return flat


def _both_ways(stretches: list[tuple[int, int]], force: Floats) -> bool:
    means = np.array([force[a:b].mean() for a, b in stretches])
    turning = 0.3 * STANDARD_GRAVITY
    ways = min(np.count_nonzero(means > turning), np.count_nonzero(means < -turning))
    return len(means) >= FEWEST and bool(ways >= 2)


def _line(
    columns: RollColumns, stretches: list[tuple[int, int]], force: Floats, roll: Floats, method: str
) -> Estimate:
    x, y, owner, seconds = [], [], [], []
    for number, (start, stop) in enumerate(stretches):
        for part in np.array_split(
            np.arange(start, stop), max(1, round((stop - start) / columns.rate / PIECE_S))
        ):
            x.append(force[part].mean())
            y.append(roll[part].mean())
            owner.append(number)
            seconds.append(len(part) / columns.rate)
    weight = np.sqrt(np.array(seconds))
    fit = least_squares(weight[:, None] * np.column_stack([x, np.ones(len(x))]), weight * np.array(y))
    sums = np.bincount(owner, fit.influence[0] * fit.residuals)
    share = np.bincount(owner, fit.influence[0] ** 2)
    share = share / share.sum()
    freedom = max(1.0 / float(np.sum(share**2)) - 2.0, 1.0)
    std = float(np.sqrt(np.sum(sums**2 / (1.0 - np.minimum(share, 0.9))))) * RAD_PER_MPS2_TO_DEG_PER_G
    value = float(fit.coefficients[0]) * RAD_PER_MPS2_TO_DEG_PER_G
    half = half_width(std, freedom, STEADY_LEFT_OUT * value)
    low, high = min(x) / STANDARD_GRAVITY, max(x) / STANDARD_GRAVITY
    return Estimate(
        value,
        "deg/g",
        std_error=std,
        interval=(value - half, value + half),
        n=len(stretches),
        method=method,
        notes=(f"{sum(seconds):.0f} s of the run, {low:+.2f} to {high:+.2f} g in body axes",),
    )


def second_look(axle: Axle, whole: Estimate, steady: Estimate) -> HealthRow:
    """Return whether the gradient from steady parts agrees with that of the whole run within their errors."""
    if whole.value is None or steady.value is None:
        reason = steady.notes[0] if whole.value is not None else whole.notes[0]
        return HealthRow(CHECK, f"roll {axle}", Verdict.NOT_TESTED, None, None, "1", reason)
    apart = steady.value / whole.value - 1.0
    half = 0.0 if steady.interval is None else (steady.interval[1] - steady.interval[0]) / 2.0
    allowed = SYSTEMATIC + math.hypot(half, 2.0 * (whole.std_error or 0.0)) / abs(whole.value)
    words = f"steady parts give {steady.value:.3f}, the whole run {whole.value:.3f} deg/g"
    if abs(apart) <= allowed:
        return HealthRow(CHECK, f"roll {axle}", Verdict.GOOD, apart, allowed, "1", words)
    comment = f"{words}: more apart than their errors; look for friction, free play, filters or clocks"
    return HealthRow(CHECK, f"roll {axle}", Verdict.SUSPECT, apart, allowed, "1", comment)


def disagreement_notes(rows: Mapping[Axle, HealthRow]) -> tuple[str, ...]:
    """Return a note per axle whose two gradients disagree."""
    return tuple(
        f"{axle} roll gradient: {row.comment}" for axle, row in rows.items() if row.verdict is Verdict.SUSPECT
    )
