"""Whether the bump-stop gap of the car sheet fits what the dampers show.

A stop that begins elsewhere than the sheet says hides contacts, or invents some. The force on the body has a
kink where the stop really begins (`contact`); here a coarse look for it costs little, and only where it
disagrees with the sheet the fine one follows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Final

import numpy as np

from analyzer.constants import AXLE_CORNERS, AXLES, Axle
from analyzer.estimate import Estimate
from analyzer.ingest.recording import HealthRow, Recording, Verdict
from analyzer.processing.contact import CLEAR, independent_samples, inferred_gap, known_gap, other_gaps
from analyzer.processing.filters import Bools, Floats, derivative
from analyzer.processing.kink_tables import FEWEST, REACH, row_stretches
from analyzer.processing.results import Motion
from analyzer.processing.working import Working
from analyzer.sheets.car import CarSheet

CHECK: Final = "bump-stop gap of the sheet"
COARSE: Final = 0.002
"""Spacing of the gaps of the coarse look [m]."""
SLOW_S: Final = 1.0
"""Window of the mean that is taken off [s]: what is slower is the course and the links, not the springs."""
SHORTEST: Final = 500
"""Fewer samples tell nothing."""
ALLOWED: Final = 1.5
"""A gap of the sheet this near to the one read off the log is right [mm]: on the rigid-body engine of the
tests gaps are read to 0.6 mm, and packers are no thinner than 1 mm (common practice, no source)."""
SURE: Final = 2.26
"""Standard errors allowed beside it: Student's factor for 95 % and the ten pieces of the run."""
WIDEST: Final = 3.5
"""A gap that is only known to more than this confirms nothing [mm]: a packer or two hide in it."""


def stated_gap_checks(
    recording: Recording, motion: Motion, working: Working, car: CarSheet, gaps: Mapping[Axle, Estimate]
) -> tuple[HealthRow, ...]:
    """Return a row for every axle whose bump-stop gap the sheet states and whose dampers were logged.

    `gaps` are the gaps in use [mm]. The row is not tested where no damper met its stop.
    """
    rows = []
    for axle in AXLES:
        stated = car.axle(axle).damper.bump_stop_gap
        if stated is not None and working.has(*(f"damper_{c}" for c in AXLE_CORNERS[axle])):
            rows.append(_row(axle, stated.value, _seen(recording, motion, working, car, axle, gaps)))
    return tuple(rows)


def stated_gap_notes(checks: tuple[HealthRow, ...]) -> tuple[str, ...]:
    """Return what rows of a run that found its sheet's gap wrong say."""
    return tuple(row.comment for row in checks if row.check == CHECK and row.verdict is Verdict.SUSPECT)


def _seen(
    recording: Recording,
    motion: Motion,
    working: Working,
    car: CarSheet,
    axle: Axle,
    gaps: Mapping[Axle, Estimate],
) -> Estimate | None:
    """Return the gap the log shows [mm]; None where it shows none."""
    coarse = coarse_gap(motion, working, axle)
    stated = known_gap(gaps[axle])
    if coarse is None or stated is None:
        return None
    if abs(coarse - stated) <= COARSE:
        return Estimate(1e3 * coarse, "mm", std_error=1e3 * COARSE / math.sqrt(12.0))
    fine = inferred_gap(recording, motion, working, car, axle, other_gaps(gaps, axle))
    return None if fine.value is None else fine


def coarse_gap(motion: Motion, working: Working, axle: Axle) -> float | None:
    """Return where the force on the body has its clearest kink over damper travel [m], to about 2 mm.

    None where no kink stands out, or no vertical acceleration was logged.
    """
    data = motion.data
    if "specific_force_z" not in data or "heave" not in data:
        return None
    travel = [working.values[f"damper_{c}"] for c in AXLE_CORNERS[axle]]
    good = _good(motion, working, axle)
    if np.count_nonzero(good) < SHORTEST:
        return None
    deepest = np.sort(np.maximum(*travel)[good])
    top = float(deepest[-FEWEST])
    tried = np.arange(max(float(np.median(deepest)), top - REACH), top, COARSE)
    if not len(tried):
        return None
    wheels = [data[f"wheel_{c}"].to_numpy() for pair in AXLE_CORNERS.values() for c in pair]
    side = data["specific_force_y"].to_numpy() if "specific_force_y" in data else None
    target = data["specific_force_z"].to_numpy()

    def columns(first: int, end: int, gaps: Floats) -> Floats:
        """Return the good samples of a stretch, a column to a row; its neighbours are worked out with it."""
        low = max(0, first - round(SLOW_S * working.rate))
        near = slice(low, end + round(SLOW_S * working.rate))
        speeds = [derivative(wheel[near], working.rate) for wheel in wheels]
        always = [*(wheel[near] for wheel in wheels), *speeds, *(np.abs(speed) for speed in speeds)]
        if side is not None:
            always.append(side[near] ** 2)
        kinks = sum(np.maximum(corner[near] - gaps[:, None], 0.0) for corner in travel)
        quick = _without_slow(np.vstack([*always, np.asarray(kinks), target[near]]), working.rate)
        return quick[:, first - low : end - low][:, good[first:end]]

    parts = row_stretches(0, len(good))
    return _clearest(lambda gaps: (columns(first, end, gaps) for first, end in parts), tried)


def _good(motion: Motion, working: Working, axle: Axle) -> Bools:
    names = ["specific_force_z", *(f"wheel_{c}" for pair in AXLE_CORNERS.values() for c in pair)]
    bad = np.logical_or.reduce([motion.suspect[name].to_numpy() for name in names])
    bad = bad | np.logical_or.reduce([working.suspect[f"damper_{c}"] for c in AXLE_CORNERS[axle]])
    good: Bools = ~(bad | motion.parked.to_numpy())
    return good


def _without_slow(columns: Floats, rate: float) -> Floats:
    """Return columns, one to a row, less their running mean over `SLOW_S`."""
    count = columns.shape[1]
    half = min(round(SLOW_S * rate / 2.0), (count - 1) // 2)
    quick: Floats = columns - columns.mean(axis=1)[:, None]
    total = np.zeros((len(columns), count + 1))
    np.cumsum(quick, axis=1, out=total[:, 1:])
    width = 2 * half + 1
    quick[:, half : count - half] -= (total[:, width:] - total[:, :-width]) / width
    for place in (*range(half), *range(count - half, count)):
        low, high = max(place - half, 0), min(place + half + 1, count)
        quick[:, place] -= (total[:, high] - total[:, low]) / (high - low)
    return quick


def _clearest(stretches: Callable[[Floats], Iterator[Floats]], tried: Floats) -> float | None:
    """Return the gap whose kink, pressing upwards, explains most of the last column beyond the first ones.

    `stretches` gives the columns of the run with those of some gaps, stretch by stretch, each time anew.
    """
    count, total, gram = 0, np.zeros(1), np.zeros((1, 1))
    for part in stretches(tried):
        count, total, gram = count + part.shape[1], total + part.sum(axis=1), gram + part @ part.T
    size = np.sqrt(np.maximum(np.diag(gram) / count - (total / count) ** 2, 1e-24))
    gram = gram / np.outer(size, size)
    fixed = len(gram) - 1 - len(tried)
    always, kinks = slice(0, fixed), slice(fixed, -1)
    ridge = 1e-9 * np.trace(gram) / len(gram) * np.eye(fixed)
    solved = np.linalg.solve(gram[always, always] + ridge, gram[always, fixed:])
    plain = solved[:, -1]
    own = np.diag(gram)[kinks] - np.einsum("ij,ij->j", gram[always, kinks], solved[:, :-1])
    shared = gram[kinks, -1] - solved[:, :-1].T @ gram[always, -1]
    gained = np.where(shared > 0.0, shared**2 / np.maximum(own, 1e-9), 0.0)
    best = int(np.argmax(gained))
    left = float(gram[-1, -1] - plain @ gram[always, -1]) - float(gained[best])
    weights = np.append(-plain / size[always], 1.0 / size[-1])
    residual = np.concatenate([weights @ part for part in stretches(tried[:0])])
    echo = float(residual[1:] @ residual[:-1] / max(float(residual @ residual), 1e-12))
    clear = gained[best] / max(left, 1e-12) * independent_samples(count, echo) > CLEAR
    return float(tried[best]) if clear else None


def _row(axle: Axle, stated: float, seen: Estimate | None) -> HealthRow:
    sheet = f"{axle}.damper.bump_stop_gap of {1e3 * stated:.1f} mm"

    def row(verdict: Verdict, value: float | None, limit: float | None, comment: str) -> HealthRow:
        return HealthRow(CHECK, f"{axle} dampers", verdict, value, limit, "mm", f"{sheet}: {comment}")

    if seen is None or seen.value is None:
        told = "no damper of this axle met a stop clearly enough to tell"
        return row(Verdict.NOT_TESTED, None, None, told)
    off, error = seen.value - 1e3 * stated, seen.std_error or 0.0
    limit = ALLOWED + SURE * error
    if abs(off) > limit:
        meaning = "contacts are missed" if off < 0.0 else "contacts are counted that were none"
        told = (
            f"the log shows the stop at {seen.value:.1f} ± {error:.1f} mm, so {meaning}; measure the gap at "
            "static load again, look for packers and at the zero of the pots, or take the line out of the "
            "sheet: then the log's own counts"
        )
        return row(Verdict.SUSPECT, off, limit, told)
    if limit > WIDEST:
        told = f"the log shows the stop at {seen.value:.1f} mm, too vaguely to tell (± {error:.1f} mm)"
        return row(Verdict.NOT_TESTED, None, None, told)
    return row(Verdict.GOOD, off, limit, f"the log shows the stop there, to {limit:.1f} mm")
