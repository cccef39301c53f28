"""Where a bump stop begins, read off a log when the car sheet does not say.

Past the gap the stop presses on the body as well as the spring does. The vertical force on the body is
therefore a straight-line sum of wheel travels and wheel speeds with a kink at the gap; the kink that explains
most of the force is the gap. Where no vertical acceleration was logged, the damper's own acceleration, which
cuts its speed off, takes the place of the body's.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Final

import numpy as np

from analyzer.constants import AXLE_CORNERS, AXLES, Axle
from analyzer.estimate import Estimate
from analyzer.ingest.recording import Recording
from analyzer.processing.filters import Floats
from analyzer.processing.kink_tables import STEP, KinkTable, body_table, damper_table
from analyzer.processing.results import Motion
from analyzer.processing.working import Working
from analyzer.sheets.car import CarSheet

STEEPER: Final = tuple(round(0.002 * k / STEP) for k in range(2, 9))
"""Where a progressive stop may turn steeper, in steps past the gap."""
BLOCKS: Final = 10
"""Pieces of the run of which one is left out in turn for the error (jackknife; Efron and Tibshirani 1993)."""
CLEAR: Final = 15.0
"""Ratio of explained to left-over variance, per independent sample, from which a kink is believed."""
STIFFER: Final = 0.25
"""A stop must be at least this part as stiff as what pressed before it."""
LARGEST_ERROR: Final = 0.0015
"""A gap less sure than this is not given [m]: engineering judgement."""
METHOD: Final = "kink in the force on the body against damper travel"
METHOD_DAMPER: Final = "kink in the damper's acceleration against its travel"


def known_gap(gap: Estimate) -> float | None:
    """Return a gap in m, None when it is not known."""
    return None if gap.value is None else gap.value / 1000.0


def other_gaps(gaps: Mapping[Axle, Estimate], axle: Axle) -> dict[Axle, float]:
    """Return the gaps that are known of the other axle [m]."""
    known = {name: known_gap(gap) for name, gap in gaps.items() if name != axle}
    return {name: gap for name, gap in known.items() if gap is not None}


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
    looked_with: dict[Axle, dict[Axle, float]] = {}
    for axle in [*unstated, *(unstated if len(unstated) > 1 else [])]:
        others = other_gaps(found, axle)
        if looked_with.get(axle) != others:
            found[axle] = inferred_gap(recording, motion, working, car, axle, others)
            looked_with[axle] = others
    return {axle: found[axle] for axle in AXLES}


def inferred_gap(
    recording: Recording,
    motion: Motion,
    working: Working,
    car: CarSheet,
    axle: Axle,
    others: Mapping[Axle, float] | None = None,
) -> Estimate:
    """Return the bump-stop gap of an axle as its dampers show it [mm].

    `others` are gaps of the other axle that are known [m].

    The estimate has no value, and says why, when no kink stands out: a damper that never met its stop shows
    none.
    """
    missing = [f"damper_{c}" for c in AXLE_CORNERS[axle] if not recording.usable(f"damper_{c}")]
    if missing:
        return Estimate.unknown("mm", f"no usable {' and '.join(missing)} in the log")
    table = body_table(recording, motion, working, car, axle, others or {})
    method = METHOD
    if table is None:
        table, method = damper_table(recording, axle), METHOD_DAMPER
    if table is None or np.count_nonzero(table.good) < 500:
        return Estimate.unknown(
            "mm", "the sheet states no bump-stop gap and the log is too short to show one"
        )
    return _kink(table, method)


def _grams(table: KinkTable) -> tuple[Floats, Floats]:
    """Return the products of all columns in each of `BLOCKS` pieces of the run, and the columns' spreads.

    The columns are scaled to a spread of 1.
    """
    size, used = table.fixed + len(table.gaps) + 1, int(np.count_nonzero(table.good))
    edges = np.linspace(0, used, BLOCKS + 1).astype(np.intp)
    grams, total, before = np.zeros((BLOCKS, size, size)), np.zeros(size), 0
    for first, end in table.stretches:
        columns = table.rows(first, end, range(len(table.gaps)))[table.good[first:end]]
        for block, (a, b) in enumerate(pairwise(np.clip(edges - before, 0, len(columns)).tolist())):
            if a < b:
                grams[block] += columns[a:b].T @ columns[a:b]
        total += columns.sum(axis=0)
        before += len(columns)
    spread = np.sqrt(np.maximum(np.diag(grams.sum(axis=0)) / used - (total / used) ** 2, 1e-24))
    return grams / np.outer(spread, spread), spread


def _echo(table: KinkTable, kinks: Choice, weights: Floats) -> float:
    """Return how alike neighbouring residuals are, with `weights` of the columns and of what is explained."""
    power = lagged = last = 0.0
    for first, end in table.stretches:
        rest = table.rows(first, end, kinks)[table.good[first:end]] @ weights
        if len(rest):
            power += float(rest @ rest)
            lagged += float(rest[1:] @ rest[:-1]) + last * float(rest[0])
            last = float(rest[-1])
    return lagged / max(power, 1e-12)


def independent_samples(count: int, echo: float) -> float:
    """Return how many independent samples tell as much as `count` whose neighbours are alike by `echo`."""
    return count * (1.0 - min(echo, 0.99)) / (1.0 + max(echo, 0.0))


def _kink(table: KinkTable, method: str) -> Estimate:
    """Return the gap whose kink explains most, with its error from leaving out pieces of the run."""
    grams, sizes = _grams(table)
    whole = grams.sum(axis=0)
    fixed = table.fixed
    stiff = sizes[0] / sizes[fixed:-1]
    best, left, before, coefficients = _scan(whole, fixed, stiff)
    weights = np.append(-coefficients / sizes[[*range(fixed), *_used(best, fixed)]], 1.0 / sizes[-1])
    echo = _echo(table, best, weights)
    used = np.count_nonzero(table.good)
    gained = (before - left) / max(left, 1e-12) * independent_samples(int(used), echo)
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
