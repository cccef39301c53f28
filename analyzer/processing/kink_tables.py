"""What a bump stop is looked for with: columns of which a kink at the stop's gap would be one.

The rows of a long run do not fit into memory with a column per gap that is tried, so they are worked out
stretch by stretch, each with as much of its neighbours as the filters reach to.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.constants import AXLE_CORNERS, Axle
from analyzer.ingest.recording import Recording
from analyzer.ingest.shelf import gathered, shelved, stretches
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
OTHER_STEEPER: Final = 0.008
"""Where the stop of the other axle may turn steeper [m]: engineering judgement."""
SLOW_BAND: Final = 1.0
"""Slower than this the links' own forces and the shape of the course rule, not the springs [Hz]."""
QUICK_BAND: Final = 30.0
"""Band of the damper's acceleration where it has to stand in for the body's [Hz]."""
REACH: Final = 0.06
"""No gap is tried this far below the deepest travel [m]."""
STRETCH: Final = 1 << 15
"""Rows that are worked out together."""
FEWEST: Final = 12
"""Samples that must lie past a gap that is tried."""


@dataclass(frozen=True, slots=True)
class KinkTable:
    """What is explained, what always explains it, and one more column per gap that is tried.

    Parameters
    ----------
    gaps : array
        That are tried [m].
    fixed : int
        Number of columns that always explain.
    good : array of bool
        Rows that may be used.
    stretches : tuple
        First row and the one behind the last of what is worked out together: the table as a whole would fill
        the memory.
    rows : callable
        Given a stretch and the numbers of some gaps, returns its rows: the columns that always explain, those
        of the gaps, and what is explained.
    """

    gaps: Floats
    fixed: int
    good: Bools
    stretches: tuple[tuple[int, int], ...]
    rows: Callable[[int, int, Sequence[int]], Floats]


def _hinges(recording: Recording, axle: Axle) -> tuple[Floats, tuple[Floats, ...], Bools]:
    """Return the gaps to try, damper travel of both corners at the log's rate, and its suspect samples."""
    flags = [raw_suspect(recording, f"damper_{c}") for c in AXLE_CORNERS[axle]]
    travel = tuple(
        shelved(filled(recording.data[f"damper_{c}"].to_numpy(dtype=np.float64, copy=False), bad))
        for c, bad in zip(AXLE_CORNERS[axle], flags, strict=True)
    )
    bad = np.logical_or.reduce(flags)
    count = len(bad) - int(np.count_nonzero(bad))
    if not count:
        return np.zeros(0), travel, bad
    parts = [slice(*part) for part in stretches(len(bad))]
    deepest = gathered(np.maximum(*(corner[part][~bad[part]] for corner in travel)) for part in parts)
    place = count - min(FEWEST, count)
    deepest.partition(place)
    top = float(deepest[place])
    both = gathered(corner[part][~bad[part]] for corner in travel for part in parts)
    low = max(float(np.quantile(both, 0.6, overwrite_input=True)), top - REACH)
    return np.arange(low, top, STEP), travel, bad


def _pressed(travel: tuple[Floats, ...], start: float, part: slice, taps: Floats, every: int) -> Floats:
    """Return how far the corners of an axle are past a gap, together, on a part of the working base [m]."""
    margin = -(-(len(taps) // 2) // every)
    low = max(0, part.start - margin)
    near = slice(low * every, (part.stop + margin) * every)
    past = sum(np.maximum(corner[near] - start, 0.0) for corner in travel)
    return smooth(np.asarray(past), taps, every)[part.start - low : part.stop - low]


def body_table(
    recording: Recording,
    motion: Motion,
    working: Working,
    car: CarSheet,
    axle: Axle,
    others: Mapping[Axle, float],
) -> KinkTable | None:
    """Return the table of the force on the body, on the working base; None without a vertical acceleration.

    `others` are gaps of the other axle that are known [m]: its stops press on the body, too.
    """
    data = motion.data
    if "specific_force_z" not in data or "heave" not in data:
        return None
    gaps, travel, bad = _hinges(recording, axle)
    if not len(gaps):
        return None
    rate, every, count = working.rate, working.every, len(data)
    thinning = np.ones(1) if every == 1 else lowpass_taps(recording.sample_rate, 0.4 * rate, 0.2 * rate)
    slow = lowpass_taps(rate, SLOW_BAND, SLOW_BAND)
    sprung = mass_properties(car).sprung
    order: tuple[Axle, ...] = (axle, "rear" if axle == "front" else "front")
    wheels = {c: data[f"wheel_{c}"].to_numpy() for name in order for c in AXLE_CORNERS[name]}
    force = data["specific_force_z"].to_numpy()
    side = data["specific_force_y"].to_numpy() if "specific_force_y" in data else None
    known = [
        (pots, start)
        for name, gap in others.items()
        if all(recording.usable(f"damper_{c}") for c in AXLE_CORNERS[name])
        for pots in (_hinges(recording, name)[1],)
        for start in (gap, gap + OTHER_STEEPER)
        if any(float(pot.max()) > start for pot in pots)
    ]

    def rows(first: int, end: int, kinks: Sequence[int]) -> Floats:
        reach = len(slow) // 2 + 2
        part = slice(max(0, first - reach), min(count, end + reach))

        def quick(values: Floats) -> Floats:
            return (values - smooth(values, slow))[first - part.start : end - part.start]

        always = []
        for name in order:
            always.append(quick(np.asarray(sum(wheels[c][part] for c in AXLE_CORNERS[name]))))
            for corner in AXLE_CORNERS[name]:
                speed = derivative(wheels[corner][part], rate)
                always += [quick(speed), quick(np.abs(speed))]
        always += [quick(_pressed(pots, start, part, thinning, every)) for pots, start in known]
        if side is not None:
            always.append(quick(side[part] ** 2))
        past = [quick(_pressed(travel, gaps[k], part, thinning, every)) for k in kinks]
        return np.column_stack([*always, *past, sprung * quick(force[part])])

    names = ["specific_force_z", *(f"wheel_{c}" for c in wheels)]
    flags = np.logical_or.reduce([motion.suspect[name].to_numpy() for name in names])
    flags = flags | motion.parked.to_numpy() | touched(bad, len(thinning) // 2, every)
    fixed = 5 * len(order) + len(known) + (side is not None)
    return KinkTable(gaps, fixed, ~widened(flags, len(slow) // 2), row_stretches(0, count), rows)


def row_stretches(begin: int, count: int) -> tuple[tuple[int, int], ...]:
    """Return stretches of `count` rows from `begin` on, each the first row and the one behind the last."""
    stop = begin + count
    return tuple((first, min(first + STRETCH, stop)) for first in range(begin, stop, STRETCH))


def damper_table(recording: Recording, axle: Axle) -> KinkTable | None:
    """Return the table of the dampers alone, one behind the other; None when the log is too slow."""
    rate = recording.sample_rate
    gaps, travel, bad = _hinges(recording, axle)
    if not len(gaps) or rate < 2.5 * QUICK_BAND:
        return None
    taps = lowpass_taps(rate, QUICK_BAND, QUICK_BAND)
    slow = lowpass_taps(rate, SLOW_BAND, SLOW_BAND)
    count = len(bad)

    def rows(first: int, end: int, kinks: Sequence[int]) -> Floats:
        which, first = divmod(first, count)
        end -= which * count
        reach = len(slow) // 2 + len(taps) // 2 + 4
        low = max(0, first - reach)
        near = travel[which][low : end + reach]

        def band(values: Floats) -> Floats:
            return (smooth(values, taps) - smooth(values, slow))[first - low : end - low]

        speed = derivative(smooth(near, taps), rate)
        always = [band(near), band(speed), band(np.abs(speed))]
        past = [band(np.maximum(near - gaps[k], 0.0)) for k in kinks]
        return np.column_stack([*always, *past, -band(derivative(speed, rate))])

    good = ~widened(bad, len(slow) // 2 + len(taps))
    both = row_stretches(0, count) + row_stretches(count, count)
    return KinkTable(gaps, 3, np.concatenate([good, good]), both, rows)
