"""Where a bump stop begins, read off a log when the car sheet does not say.

Past the gap the stop presses on the body as well as the spring does. The vertical force on the body is
therefore a straight-line sum of wheel travels and wheel speeds with a kink at the gap; the kink that explains
most of the force is the gap. Where no vertical acceleration was logged, the damper's own acceleration, which
cuts its speed off, takes the place of the body's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from analyzer.constants import AXLE_CORNERS, AXLES, Axle
from analyzer.estimate import Estimate
from analyzer.ingest.recording import Recording
from analyzer.processing.filters import (
    Bools,
    Floats,
    derivative,
    filled,
    lowpass_taps,
    smooth,
    touched,
    widened,
)
from analyzer.processing.results import Motion
from analyzer.processing.working import Working, raw_suspect
from analyzer.sheets.car import CarSheet
from analyzer.sheets.masses import mass_properties

STEP: Final = 0.0005
"""Spacing of the gaps that are tried [m]."""
STEEPER: Final = tuple(round(0.002 * k / STEP) for k in range(2, 9))
"""Where a progressive stop may turn steeper, in steps past the gap."""
OTHER_STEEPER: Final = 0.008
"""Where the stop of the other axle may turn steeper [m]: engineering judgement."""
SLOW_BAND: Final = 1.0
"""Slower than this the links' own forces and the shape of the course rule, not the springs [Hz]."""
QUICK_BAND: Final = 30.0
"""Band of the damper's acceleration where it has to stand in for the body's [Hz]."""
BLOCKS: Final = 10
"""Pieces of the run of which one is left out in turn for the error (jackknife; Efron and Tibshirani 1993)."""
CLEAR: Final = 15.0
"""Ratio of explained to left-over variance, per independent sample, from which a kink is believed."""
STIFFER: Final = 0.25
"""A stop must be at least this part as stiff as what pressed before it."""
LARGEST_ERROR: Final = 0.0015
"""A gap less sure than this is not given [m]: engineering judgement."""
FEWEST: Final = 12
"""Samples that must lie past a gap that is tried."""
METHOD: Final = "kink in the force on the body against damper travel"
METHOD_DAMPER: Final = "kink in the damper's acceleration against its travel"


@dataclass(frozen=True, slots=True)
class _Table:
    """What is explained, what always explains it, and one more column per gap that is tried."""

    target: Floats
    always: Floats
    kinks: Floats
    gaps: Floats
    good: Bools


def known_gap(gap: Estimate) -> float | None:
    """Return a gap in m, None when it is not known."""
    return None if gap.value is None else gap.value / 1000.0


def gap_notes(gaps: Mapping[Axle, Estimate]) -> tuple[str, ...]:
    """Return what a reader must know about gaps that are not in the sheet."""
    notes = []
    for axle, gap in gaps.items():
        if gap.value is None:
            notes.append(f"{axle}: bottoming not looked for, {gap.notes[0]}")
        elif gap.method in (METHOD, METHOD_DAMPER):
            notes.append(
                f"{axle}: bump-stop gap {gap.value:.1f} ± {gap.std_error or 0.0:.1f} mm read off the log "
                f"({gap.method}); {axle}.damper.bump_stop_gap in the car sheet overrules it"
            )
    return tuple(notes)


def bump_stop_gaps(
    recording: Recording, motion: Motion, working: Working, car: CarSheet
) -> dict[Axle, Estimate]:
    """Return the bump-stop gap of both axles [mm], from the sheet, else from the log."""
    found: dict[Axle, Estimate] = {}
    unstated: list[Axle] = []
    for axle in AXLES:
        stated = car.axle(axle).damper.bump_stop_gap
        if stated is None:
            unstated.append(axle)
        else:
            error = None if stated.std is None else stated.std * 1000.0
            notes = () if error is not None else ("the sheet states no tolerance",)
            found[axle] = Estimate(
                stated.value * 1000.0, "mm", std_error=error, method="car sheet", notes=notes
            )
    # The stops of one axle press on the body while those of the other are looked for: the axle that is found
    # first is taken into account for the other one, and the other way round.
    for axle in [*unstated, *(unstated if len(unstated) > 1 else [])]:
        others = {name: known_gap(gap) for name, gap in found.items() if name != axle}
        found[axle] = inferred_gap(recording, motion, working, car, axle, others)
    return {axle: found[axle] for axle in AXLES}


def inferred_gap(
    recording: Recording,
    motion: Motion,
    working: Working,
    car: CarSheet,
    axle: Axle,
    others: Mapping[Axle, float | None] | None = None,
) -> Estimate:
    """Return the bump-stop gap of an axle as its dampers show it [mm].

    `others` are gaps of the other axle that are known [m].

    The estimate has no value, and says why, when no kink stands out: a damper that never met its stop shows
    none.
    """
    missing = [f"damper_{c}" for c in AXLE_CORNERS[axle] if not recording.usable(f"damper_{c}")]
    if missing:
        return Estimate.unknown("mm", f"no usable {' and '.join(missing)} in the log")
    table = _body_table(recording, motion, working, car, axle, others or {})
    method = METHOD
    if table is None:
        table, method = _damper_table(recording, axle), METHOD_DAMPER
    if table is None or np.count_nonzero(table.good) < 500:
        return Estimate.unknown(
            "mm", "the sheet states no bump-stop gap and the log is too short to show one"
        )
    return _kink(table, method)


def _hinges(recording: Recording, axle: Axle) -> tuple[Floats, Floats, Bools]:
    """Return the gaps to try, damper travel of both corners at the log's rate, and its suspect samples."""
    flags = [raw_suspect(recording, f"damper_{c}") for c in AXLE_CORNERS[axle]]
    travel = np.column_stack(
        [
            filled(recording.data[f"damper_{c}"].to_numpy(dtype=np.float64, copy=False), bad)
            for c, bad in zip(AXLE_CORNERS[axle], flags, strict=True)
        ]
    )
    bad = np.logical_or.reduce(flags)
    good = travel[~bad]
    if not len(good):
        return np.zeros(0), travel, bad
    deepest = np.sort(good.max(axis=1))
    top = float(deepest[-min(FEWEST, len(deepest))])
    low = max(float(np.quantile(good, 0.6)), top - 0.06)
    return np.arange(low, top, STEP), travel, bad


def _body_table(
    recording: Recording,
    motion: Motion,
    working: Working,
    car: CarSheet,
    axle: Axle,
    others: Mapping[Axle, float | None],
) -> _Table | None:
    data = motion.data
    if "specific_force_z" not in data or "heave" not in data:
        return None
    gaps, travel, bad = _hinges(recording, axle)
    if not len(gaps):
        return None
    rate, every = working.rate, working.every
    thinning = np.ones(1) if every == 1 else lowpass_taps(recording.sample_rate, 0.4 * rate, 0.2 * rate)
    slow = lowpass_taps(rate, SLOW_BAND, SLOW_BAND)

    def quick(values: Floats) -> Floats:
        return values - smooth(values, slow)

    sprung = mass_properties(car).sprung
    always = []
    order: tuple[Axle, ...] = (axle, "rear" if axle == "front" else "front")
    for name in order:
        wheels = sum((data[f"wheel_{c}"].to_numpy() for c in AXLE_CORNERS[name]), np.zeros(len(data)))
        always.append(quick(wheels))
        for corner in AXLE_CORNERS[name]:
            speed = derivative(data[f"wheel_{corner}"].to_numpy(), rate)
            always += [quick(speed), quick(np.abs(speed))]
    for name, gap in others.items():
        if gap is not None and all(recording.usable(f"damper_{c}") for c in AXLE_CORNERS[name]):
            other = _hinges(recording, name)[1]
            for start in (gap, gap + OTHER_STEEPER):
                pressed = smooth(np.maximum(other - start, 0.0).sum(axis=1), thinning, every)
                if pressed.any():
                    always.append(quick(pressed))
    if "specific_force_y" in data:
        always.append(quick(data["specific_force_y"].to_numpy() ** 2))
    kinks = [quick(smooth(np.maximum(travel - gap, 0.0).sum(axis=1), thinning, every)) for gap in gaps]
    names = ["specific_force_z", *(f"wheel_{c}" for pair in AXLE_CORNERS.values() for c in pair)]
    flags = np.logical_or.reduce([motion.suspect[name].to_numpy() for name in names])
    flags = flags | motion.parked.to_numpy() | touched(bad, len(thinning) // 2, every)
    return _Table(
        target=sprung * quick(data["specific_force_z"].to_numpy()),
        always=np.column_stack(always),
        kinks=np.column_stack(kinks),
        gaps=gaps,
        good=~widened(flags, len(slow) // 2),
    )


def _damper_table(recording: Recording, axle: Axle) -> _Table | None:
    rate = recording.sample_rate
    gaps, travel, bad = _hinges(recording, axle)
    if not len(gaps) or rate < 2.5 * QUICK_BAND:
        return None
    taps = lowpass_taps(rate, QUICK_BAND, QUICK_BAND)
    slow = lowpass_taps(rate, SLOW_BAND, SLOW_BAND)

    def band(values: Floats) -> Floats:
        return smooth(values, taps) - smooth(values, slow)

    target, always, kinks = [], [], []
    for side in (0, 1):
        speed = derivative(smooth(travel[:, side], taps), rate)
        target.append(-band(derivative(speed, rate)))
        always.append(np.column_stack([band(travel[:, side]), band(speed), band(np.abs(speed))]))
        kinks.append(np.column_stack([band(np.maximum(travel[:, side] - gap, 0.0)) for gap in gaps]))
    good = ~widened(bad, len(slow) // 2 + len(taps))
    return _Table(
        np.concatenate(target), np.vstack(always), np.vstack(kinks), gaps, np.concatenate([good, good])
    )


def _kink(table: _Table, method: str) -> Estimate:
    """Return the gap whose kink explains most, with its error from leaving out pieces of the run."""
    columns = np.column_stack([table.always, table.kinks, table.target])[table.good]
    columns = columns / np.maximum(columns.std(axis=0), 1e-12)
    edges = np.linspace(0, len(columns), BLOCKS + 1).astype(np.intp)
    grams = np.array([columns[a:b].T @ columns[a:b] for a, b in pairwise(edges)])
    whole = grams.sum(axis=0)
    fixed = table.always.shape[1]
    sizes = np.maximum(np.column_stack([table.always, table.kinks])[table.good].std(axis=0), 1e-12)
    stiff = sizes[0] / sizes[fixed:]
    best, left, before, coefficients = _scan(whole, fixed, stiff)
    residual = columns[:, -1] - columns[:, list(range(fixed)) + _used(best, fixed)] @ coefficients
    echo = float(residual[1:] @ residual[:-1] / max(residual @ residual, 1e-12))
    independent = len(columns) * (1.0 - min(echo, 0.99)) / (1.0 + max(echo, 0.0))
    gained = (before - left) / max(left, 1e-12) * independent
    if gained < CLEAR:
        return Estimate.unknown(
            "mm",
            "the sheet states no bump-stop gap and the log shows no contact with a stop to read one from",
            method,
        )
    gap = _between(whole, fixed, table.gaps, best)
    others = np.array(
        [_between(whole - gram, fixed, table.gaps, _scan(whole - gram, fixed, stiff)[0]) for gram in grams]
    )
    error = float(np.sqrt((BLOCKS - 1.0) / BLOCKS * ((others - others.mean()) ** 2).sum()))
    error = float(np.hypot(error, STEP / np.sqrt(12.0)))
    if error > LARGEST_ERROR:
        return Estimate.unknown(
            "mm",
            f"the sheet states no bump-stop gap and the log only shows it to ± {1000.0 * error:.1f} mm",
            method,
        )
    return Estimate(1000.0 * gap, "mm", std_error=1000.0 * error, n=BLOCKS, method=method)


Choice = tuple[int, int]
"""Columns of the first kink and of the one where the stop turns steeper."""


def _used(choice: Choice, fixed: int) -> list[int]:
    return [fixed + choice[0], fixed + choice[1]]


def _scan(gram: Floats, fixed: int, stiff: Floats) -> tuple[Choice, float, float, Floats]:
    """Return the best pair of kinks, the square sum it leaves, that without a kink, and the coefficients.

    `stiff` turns the coefficient of a kink into that of the travel column (the first), per kink.
    """
    count = len(stiff)
    pairs = np.array([(k, min(k + step, count - 1)) for k in range(count - 2) for step in STEEPER])
    index = np.hstack([np.tile(np.arange(fixed), (len(pairs), 1)), fixed + pairs])
    matrix = gram[index[:, :, None], index[:, None, :]]
    size = index.shape[1]
    matrix = matrix + 1e-9 * np.trace(gram) / len(gram) * np.eye(size)
    right = gram[index, -1]
    solved = np.linalg.solve(matrix, right[..., None])[..., 0]
    left = gram[-1, -1] - np.einsum("ij,ij->i", solved, right)
    # A stop turns steeper, never softer.
    stop = solved[:, -2] * stiff[pairs[:, 0]]
    steeper = solved[:, -1] * stiff[pairs[:, 1]]
    real = (stop > 0.0) & (stop >= STIFFER * solved[:, 0]) & (steeper > -0.2 * stop)
    left = np.where(real, left, np.inf)
    plain = np.linalg.lstsq(gram[:fixed, :fixed], gram[:fixed, -1], rcond=None)[0]
    before = float(gram[-1, -1] - plain @ gram[:fixed, -1])
    top = int(np.argmin(left))
    if not np.isfinite(left[top]):
        return (0, 1), before, before, solved[0]
    return (int(pairs[top, 0]), int(pairs[top, 1])), float(left[top]), before, solved[top]


def _between(gram: Floats, fixed: int, gaps: Floats, best: Choice) -> float:
    """Return the gap between the tried ones, by a parabola through the square sums around the best."""
    step = best[1] - best[0]
    places = [best[0] + k for k in (-1, 0, 1)]
    if places[0] < 0 or places[-1] + step >= len(gaps):
        return float(gaps[best[0]])
    sums = []
    for place in places:
        index = [*range(fixed), fixed + place, fixed + place + step]
        part = gram[np.ix_(index, index)]
        right = gram[index, -1]
        sums.append(float(gram[-1, -1] - right @ np.linalg.lstsq(part, right, rcond=None)[0]))
    curve = sums[0] - 2.0 * sums[1] + sums[2]
    shift = 0.0 if curve <= 0.0 else float(np.clip((sums[0] - sums[2]) / (2.0 * curve), -0.5, 0.5))
    return float(gaps[best[0]] + shift * STEP)
