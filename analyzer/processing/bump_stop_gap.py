"""Where a bump stop begins: as the car sheet says, else as the log shows it, and whether the two agree.

Past the gap the stop presses on the body as well as the spring does. The vertical force on the body is
therefore a straight-line sum of wheel travels and wheel speeds with a kink at the gap; the kink that explains
most of the force is the gap. Without vertical acceleration there is none to be seen: what a damper's own
acceleration shows of a stop, friction and progressive springs show as well.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from analyzer.core.estimate import Estimate
from analyzer.core.filebacked import gathered, shelved, stretches
from analyzer.core.signals import (
    Bools,
    Floats,
    derivative,
    filled,
    lowpass_taps,
    runs_of,
    smooth,
    touched,
    widened,
)
from analyzer.core.units import AXLE_CORNERS, AXLES, Axle
from analyzer.ingest.recording import LEAST_HIT_RATE, HealthRow, Recording, Verdict
from analyzer.processing.motion import Working, raw_suspect
from analyzer.processing.results import Motion
from analyzer.sheets.car import CarSheet
from analyzer.vehicle.axle import mass_properties

FROM_SHEET: Final = "car sheet"
"""Method of a gap that was not read off a log."""
STEP: Final = 0.0005
"""Spacing of the gaps that are tried [m]."""
OTHER_STEEPER: Final = 0.008
"""Where the stop of the other axle may turn steeper [m]: engineering judgement."""
SLOW_BAND: Final = 1.0
"""Slower than this the links' own forces and the shape of the course rule, not the springs [Hz]."""
REACH: Final = 0.06
"""No gap is tried this far below the deepest travel [m]."""
STRETCH: Final = 1 << 15
"""Rows that are worked out together."""
FEWEST: Final = 12
"""Samples that must lie past a gap that is tried."""
STEEPER: Final = tuple(round(0.002 * k / STEP) for k in range(2, 9))
"""Where a progressive stop may turn steeper, in steps past the gap."""
BLOCKS: Final = 10
"""Pieces of the run of which one is left out in turn for the error (jackknife; Efron and Tibshirani 1993)."""
CLEAR: Final = 15.0
"""Ratio of explained to left-over variance, per independent sample, from which a kink is believed."""
NEAR: Final = 0.0015
"""A stop that begins within this of the sheet's gap is the sheet's [m]: packers are no thinner than 1 mm
(common practice, no source)."""
STIFFER: Final = 0.5
"""A stop must be at least this part as stiff as what pressed before it. True stops of the engine, a packer's
rubber of 60 N/mm over wheel rates of 69 N/mm, show 0.6 to 1.0; what is left of roads and links showed 0.26 to
0.36 of cars that met none."""
LARGEST_ERROR: Final = 0.0015
"""A gap less sure than this is not given [m]: engineering judgement."""
MOST_TIME: Final = 0.45
"""Part of the driving that may lie past a gap that is read off a log: engineering judgement. The engine of
the tests shows its gap to 0.6 mm in a bowl in which it is in contact for 0.41 of the time."""
LEAST_GAP: Final = 0.008
"""No stop is believed nearer to ride height, where springs and friction kink too [m]; engineering
judgement."""
FEWEST_HITS: Final = 3
"""Contacts from which a gap is read off a log: engineering judgement."""
APART_S: Final = 0.1
"""Contacts closer together count as one, half of it [s]."""
METHOD: Final = "kink in the force on the body against damper travel"


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
        elif gap.method == METHOD:
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
                stated.value * 1000.0, "mm", std_error=error, method=FROM_SHEET, notes=notes
            )
    if recording.sample_rate < LEAST_HIT_RATE:
        why = f"at {recording.sample_rate:.4g} Hz a hit falls between the samples"
        return dict.fromkeys(AXLES, Estimate.unknown("mm", why, METHOD))
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
    stated: float | None = None,
) -> Estimate:
    """Return the bump-stop gap of an axle as its dampers show it [mm].

    `others` are gaps of the other axle that are known [m]; `stated` is that of the sheet, which only a
    clearly better one gainsays.

    The estimate has no value, and says why, when no kink stands out: a damper that never met its stop shows
    none.
    """
    missing = [f"damper_{c}" for c in AXLE_CORNERS[axle] if not recording.usable(f"damper_{c}")]
    if missing:
        return Estimate.unknown("mm", f"no usable {' and '.join(missing)} in the log")
    table = body_table(recording, motion, working, car, axle, others or {})
    if table is None:
        return _unknown("has no vertical acceleration to show one")
    if np.count_nonzero(table.good) < SHORTEST:
        return _unknown("is too short to show one")
    gap = _kink(table, stated)
    return gap if gap.value is None else _believable(gap, motion, working, axle)


def _unknown(why: str) -> Estimate:
    return Estimate.unknown("mm", f"the sheet states no bump-stop gap and the log {why}", METHOD)


def _believable(gap: Estimate, motion: Motion, working: Working, axle: Axle) -> Estimate:
    """Return a gap read off a log; without a value where the dampers would sit on the stop, or hardly hit it.

    A kink is also what a progressive spring, a wrong zero or a wrong motion ratio makes; those are met all
    the time, and near ride height.
    """
    driving = ~motion.parked.to_numpy()
    start, hits = known_gap(gap) or 0.0, 0
    past = np.zeros(len(driving), dtype=np.bool_)
    for corner in AXLE_CORNERS[axle]:
        over = (working.values[f"damper_{corner}"] > start) & driving & ~working.suspect[f"damper_{corner}"]
        hits += len(runs_of(widened(over, round(APART_S * working.rate))))
        past |= over
    share = float(np.mean(past[driving])) if driving.any() else 0.0
    if start < LEAST_GAP:
        return _unknown(f"shows its clearest kink {1e3 * start:.1f} mm from ride height, where no stop is")
    if share > MOST_TIME:
        return _unknown(f"shows no stop: {100.0 * share:.0f} % of the driving lies past its clearest kink")
    if hits < FEWEST_HITS:
        return _unknown("shows too few contacts with a stop to read one from")
    return gap


def _grams(table: KinkTable) -> tuple[Floats, Floats]:
    """Return the products of all columns in each of `BLOCKS` pieces of the run, and the columns' spreads.

    The columns are scaled to a spread of 1.
    """
    # Products add up over the stretches, so that no stretch need be kept; a piece may span several.
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


def _kink(table: KinkTable, stated: float | None = None) -> Estimate:
    """Return the gap whose kink explains most, with its error from leaving out pieces of the run."""
    grams, sizes = _grams(table)
    whole = grams.sum(axis=0)
    fixed = table.fixed
    stiff = sizes[0] / sizes[fixed:-1]
    best, left, before, coefficients = _scan(whole, fixed, stiff)
    # Neighbouring residuals are alike: count what they tell, not how many they are.
    weights = np.append(
        -coefficients / sizes[[*range(fixed), fixed + best[0], fixed + best[1]]], 1.0 / sizes[-1]
    )
    echo = _echo(table, best, weights)
    used = np.count_nonzero(table.good)
    gained = (before - left) / max(left, 1e-12) * independent_samples(int(used), echo)
    if gained < CLEAR:
        return _unknown("shows no contact with a stop to read one from")
    if stated is not None:
        # A progressive stop has more than one kink, and a strut's friction one of its own: that of the sheet
        # stays as long as it explains the force nearly as well.
        _, other, _, _ = _scan(whole, fixed, stiff, np.abs(table.gaps - stated) <= NEAR)
        if (other - left) / max(left, 1e-12) * independent_samples(int(used), echo) < CLEAR:
            return Estimate.unknown("mm", "the log fits the gap of the sheet as well as any other", METHOD)
    # The same search without each piece in turn, none of which may rule the answer.
    gap = _between(whole, fixed, table.gaps, best)
    others = np.array(
        [_between(whole - gram, fixed, table.gaps, _scan(whole - gram, fixed, stiff)[0]) for gram in grams]
    )
    # Jackknife over the pieces; beside it what the spacing of the gaps leaves open.
    error = float(np.sqrt((BLOCKS - 1.0) / BLOCKS * ((others - others.mean()) ** 2).sum()))
    error = float(np.hypot(error, STEP / np.sqrt(12.0)))
    if error > LARGEST_ERROR:
        return _unknown(f"only shows it to ± {1000.0 * error:.1f} mm")
    return Estimate(1000.0 * gap, "mm", std_error=1000.0 * error, n=BLOCKS, method=METHOD)


Choice = tuple[int, int]
"""Columns of the first kink and of the one where the stop turns steeper."""


def _scan(
    gram: Floats, fixed: int, stiff: Floats, begins: Bools | None = None
) -> tuple[Choice, float, float, Floats]:
    """Return the best pair of kinks, the square sum it leaves, that without a kink, and the coefficients.

    `stiff` turns the coefficient of a kink into that of the travel column (the first), per kink; `begins`
    says at which kinks the stop may begin, everywhere if not given.
    """
    # All pairs of "begins here, turns steeper there" at once, each a small system of normal equations.
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
    if begins is not None:
        real &= begins[pairs[:, 0]]
    left = np.where(real, left, np.inf)
    # Without any kink: what springs and dampers explain alone.
    plain = np.linalg.lstsq(gram[:fixed, :fixed], gram[:fixed, -1], rcond=None)[0]
    before = float(gram[-1, -1] - plain @ gram[:fixed, -1])
    top = int(np.argmin(left))
    if not np.isfinite(left[top]):
        return (0, 1), before, before, solved[0]
    return (int(pairs[top, 0]), int(pairs[top, 1])), float(left[top]), before, solved[top]


def _between(gram: Floats, fixed: int, gaps: Floats, best: Choice) -> float:
    """Return the gap between the tried ones, by a parabola through the square sums around the best."""
    # Both kinks move together, so that the stop keeps its shape.
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


# What the kink is looked for with: columns of which a kink at the stop's gap would be one. The rows of a long
# run do not fit into memory with a column per gap that is tried, so they are worked out stretch by stretch,
# each with as much of its neighbours as the filters reach to.


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
    # No gap is tried so deep that under `FEWEST` samples lie past it, nor where the damper always is.
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
    # Past the gap at the log's own rate and thinned after: the kink of a thinned travel would be rounded.
    thinning = np.ones(1) if every == 1 else lowpass_taps(recording.sample_rate, 0.4 * rate, 0.2 * rate)
    slow = lowpass_taps(rate, SLOW_BAND, SLOW_BAND)
    sprung = mass_properties(car).sprung
    order: tuple[Axle, ...] = (axle, "rear" if axle == "front" else "front")
    wheels = {c: data[f"wheel_{c}"].to_numpy() for name in order for c in AXLE_CORNERS[name]}
    force = data["specific_force_z"].to_numpy()
    side = data["specific_force_y"].to_numpy() if "specific_force_y" in data else None
    # Stops of the other axle press too; they get a kink of their own at the gap known of them.
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

    # A row is good when all that the filters reach from it is.
    names = ["specific_force_z", *(f"wheel_{c}" for c in wheels)]
    flags = np.logical_or.reduce([motion.suspect[name].to_numpy() for name in names])
    flags = flags | motion.parked.to_numpy() | touched(bad, len(thinning) // 2, every)
    fixed = 5 * len(order) + len(known) + (side is not None)
    return KinkTable(gaps, fixed, ~widened(flags, len(slow) // 2), row_stretches(0, count), rows)


def row_stretches(begin: int, count: int) -> tuple[tuple[int, int], ...]:
    """Return stretches of `count` rows from `begin` on, each the first row and the one behind the last."""
    stop = begin + count
    return tuple((first, min(first + STRETCH, stop)) for first in range(begin, stop, STRETCH))


# Whether the bump-stop gap of the car sheet fits what the dampers show.
#
# A stop that begins elsewhere than the sheet says hides contacts, or invents some. A coarse look for the kink
# costs little, and only where it disagrees with the sheet the fine one follows.


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
    fine = inferred_gap(recording, motion, working, car, axle, other_gaps(gaps, axle), stated)
    return None if fine.value is None else fine


def coarse_gap(motion: Motion, working: Working, axle: Axle) -> float | None:
    """Return where the force on the body has its clearest kink over damper travel [m], to about 2 mm.

    None where no kink stands out, or no vertical acceleration was logged.
    """
    data = motion.data
    if "specific_force_z" not in data or "heave" not in data:
        return None
    travel = [working.values[f"damper_{c}"] for c in AXLE_CORNERS[axle]]
    corners = [c for pair in AXLE_CORNERS.values() for c in pair]
    names = ["specific_force_z", *(f"wheel_{c}" for c in corners)]
    # All four wheels: the force on the body is that of four springs, and a dead pot would bend it.
    bad = motion.suspect[names].to_numpy().any(axis=1) | motion.parked.to_numpy()
    for corner in AXLE_CORNERS[axle]:
        bad |= working.suspect[f"damper_{corner}"]
    good = ~bad
    if np.count_nonzero(good) < SHORTEST:
        return None
    # The same bounds as of the fine look, to a coarser step.
    deepest = np.sort(np.maximum(*travel)[good])
    top = float(deepest[-FEWEST])
    tried = np.arange(max(float(np.median(deepest)), top - REACH), top, COARSE)
    if not len(tried):
        return None
    wheels = [data[f"wheel_{c}"].to_numpy() for c in corners]
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

    # In stretches: a long log does not stand in memory once per gap tried.
    parts = row_stretches(0, len(good))
    return _clearest(lambda gaps: (columns(first, end, gaps) for first, end in parts), tried)


def _without_slow(columns: Floats, rate: float) -> Floats:
    """Return columns, one to a row, less their running mean over `SLOW_S`."""
    count = columns.shape[1]
    half = min(round(SLOW_S * rate / 2.0), (count - 1) // 2)
    # By running sums: `scipy.ndimage.uniform_filter1d` mirrors at the ends, where a shorter mean is wanted.
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
    # Each kink against all fixed columns: what it explains of what they leave (Frisch and Waugh 1933).
    ridge = 1e-9 * np.trace(gram) / len(gram) * np.eye(fixed)
    solved = np.linalg.solve(gram[always, always] + ridge, gram[always, fixed:])
    plain = solved[:, -1]
    own = np.diag(gram)[kinks] - np.einsum("ij,ij->j", gram[always, kinks], solved[:, :-1])
    shared = gram[kinks, -1] - solved[:, :-1].T @ gram[always, -1]
    gained = np.where(shared > 0.0, shared**2 / np.maximum(own, 1e-9), 0.0)
    best = int(np.argmax(gained))
    left = float(gram[-1, -1] - plain @ gram[always, -1]) - float(gained[best])
    weights = np.append(-plain / size[always], 1.0 / size[-1])
    # Believed only when clear of noise, by as many independent samples as the residuals hold.
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
    # Wrong only beyond what the measuring of a gap and the reading of a kink may be off together.
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
