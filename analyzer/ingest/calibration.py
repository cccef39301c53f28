"""From what a column holds to SI in the car's axes: units, calibration pairs, sign, mounting."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations, product
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.errors import LogError
from analyzer.core.filebacked import by_pieces, stretches
from analyzer.core.signals import Blocks, block_spread
from analyzer.core.units import (
    DIMENSIONS,
    STANDARD_GRAVITY,
    Uncertain,
    UnitError,
    parse_quantity,
    unit_factor,
)
from analyzer.ingest.cells import HeaderCell, plain_unit
from analyzer.ingest.recording import Check, HealthRow, Verdict
from analyzer.sheets.car import CHANNEL_DIMENSIONS, Channel

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A channel in SI before it meets the time base.

    Parameters
    ----------
    values : ndarray
        One per row [SI].
    outside : ndarray of bool or None
        True where the reading lies outside the calibration table; None without a table.
    steps : tuple of str
        What was guessed.
    """

    values: NDArray[np.float64]
    outside: NDArray[np.bool_] | None
    steps: tuple[str, ...] = ()


def calibrate(
    values: NDArray[np.float64], name: str, channel: Channel | None, cell: HeaderCell, path: Path
) -> Calibrated:
    """Return the channel `name` in SI.

    Parameters
    ----------
    values : ndarray
        Cells of the column, NaN where blank.
    name : str
        House channel.
    channel : Channel or None
        Its entry in the car sheet; None when the column was taken by its name.
    cell : HeaderCell
        The column's header, for the unit.
    path : Path
        The log, for messages.

    Raises
    ------
    LogError
        When the unit is not stated anywhere, or is of another kind.
    """
    sign = 1 if channel is None else channel.sign
    if channel is not None and channel.volts is not None and channel.travel is not None:
        travel = [t.value for t in channel.travel]
        return _by_table(values, np.asarray(channel.volts), sign * np.asarray(travel))
    stated = None if channel is None else channel.unit
    factor, steps = _factor(name, stated, cell, path)
    factor *= sign
    if factor != 1.0:
        plain = values
        values = by_pieces(len(plain), lambda a, b: plain[a:b] * factor)
    return Calibrated(values, None, steps)


def _by_table(
    readings: NDArray[np.float64], volts: NDArray[np.float64], travel: NDArray[np.float64]
) -> Calibrated:
    outside = np.zeros(len(readings), dtype=np.bool_)

    def turned(first: int, end: int) -> NDArray[np.float64]:
        values, outside[first:end] = along_pairs(readings[first:end], volts, travel)
        return values

    return Calibrated(by_pieces(len(readings), turned), outside)


def _factor(name: str, stated: str | None, cell: HeaderCell, path: Path) -> tuple[float, tuple[str, ...]]:
    dimension = CHANNEL_DIMENSIONS.get(name)
    if dimension is None:
        return 1.0, ()  # other_…: carried along as logged
    unit = stated if stated is not None else cell.unit
    key = f"logger.channels.{name}.unit"
    if not unit:
        raise LogError(
            path,
            f'column "{cell.full}"',
            f"gives no unit for {name}",
            f'write {key} = "{_example(dimension)}" in the car sheet',
        )
    factor = factor_to_si(unit, dimension)
    if factor is None:
        remedy = (
            f"write logger.channels.{name}.volts and .travel in the car sheet"
            if plain_unit(unit) in ("v", "mv", "volt", "volts", "counts", "raw", "bit", "bits")
            else f'write {key} = "{_example(dimension)}" in the car sheet if that is what it holds'
        )
        raise LogError(
            path,
            f'column "{cell.full}"',
            f'has the unit "{unit}", which is no {dimension.replace("_", " ")}',
            remedy,
        )
    if stated is None and cell.from_suffix:
        return factor, (f'unit {unit} of {name} read off the name "{cell.full}" ({key})',)
    return factor, ()


def factor_to_si(unit: str, dimension: str) -> float | None:
    """Return the factor from `unit` to SI; None when it is unknown or of another dimension."""
    known = DIMENSIONS[dimension].log_units
    plain = plain_unit(unit)
    if unit.strip() in known:
        return known[unit.strip()]
    if plain in known:
        return known[plain]
    try:
        return unit_factor(unit, dimension)
    except UnitError:
        return None


def _example(dimension: str) -> str:
    return {
        "length": "mm",
        "acceleration": "g",
        "angular_rate": "deg/s",
        "speed": "km/h",
        "angle": "deg",
        "time": "s",
    }.get(dimension, "mm")


def along_pairs(
    readings: NDArray[np.float64], volts: NDArray[np.float64], travel: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Turn readings into travel along straight lines between calibration pairs.

    Parameters
    ----------
    readings : ndarray
        Sensor readings [V or counts].
    volts, travel : ndarray
        Pairs, volts rising or falling all the way; travel [m].

    Returns
    -------
    travel : ndarray
        [m]; beyond the ends of the table the last line is continued.
    outside : ndarray of bool
        True where a reading lies beyond the ends by more than 1 % of the table.
    """
    if volts[0] > volts[-1]:
        volts, travel = volts[::-1], travel[::-1]
    turned = np.interp(readings, volts, travel)
    below, above = readings < volts[0], readings > volts[-1]
    if below.any():
        slope = (travel[1] - travel[0]) / (volts[1] - volts[0])
        turned[below] = travel[0] + slope * (readings[below] - volts[0])
    if above.any():
        slope = (travel[-1] - travel[-2]) / (volts[-1] - volts[-2])
        turned[above] = travel[-1] + slope * (readings[above] - volts[-1])
    margin = 0.01 * (volts[-1] - volts[0])
    return turned, (readings < volts[0] - margin) | (readings > volts[-1] + margin)


def bend_between_pairs(travel: Floats, volts: Sequence[float], pairs: Sequence[float]) -> Floats:
    """Return how far a smooth curve through calibration pairs lies above the straight lines between them [m].

    Each inner pair says by how much the line through its neighbours misses it (leave one out): its second
    divided difference is half the curve's second derivative f'', and a straight line over a < v < b is off by
    -f'' / 2 (v - a) (b - v) (error of linear interpolation; any text of numerical analysis).

    Parameters
    ----------
    travel : ndarray
        As it was read along the straight lines [m].
    volts, pairs : sequence of float
        Readings [V or counts] and travel [m] of the pairs, as they were used.

    Returns
    -------
    ndarray
        0 with two pairs, with pairs on one straight line, and beyond the ends.
    """
    order = np.argsort(pairs)
    volt, known = np.asarray(volts, dtype=np.float64)[order], np.asarray(pairs, dtype=np.float64)[order]
    steps = np.diff(volt)
    # A travel that stands at two readings has no reading of its own.
    if len(known) < 3 or not (np.diff(known) > 0.0).all() or not ((steps > 0.0).all() or (steps < 0.0).all()):
        return np.zeros(np.shape(travel))
    halves = np.diff(np.diff(known) / steps) / (volt[2:] - volt[:-2])
    ends = np.concatenate([halves[:1], halves, halves[-1:]])
    read = np.interp(travel, known, volt)
    segment = np.clip(np.searchsorted(known, travel, side="right") - 1, 0, len(steps) - 1)
    part = (ends[segment] + ends[segment + 1]) / 2.0
    off: Floats = part * (read - volt[segment]) * (read - volt[segment + 1])
    return off


BETWEEN_PAIRS: Final = 1e-4
"""Bend between two calibration pairs from which more pairs help [m]: about 1 % of the slope where pairs lie
20 mm apart, and more than pairs that are each 0.2 mm off show on a straight pot (engineering judgement)."""
DRIVEN_TRAVEL: Final = (1.0, 99.0)
"""Percentiles of the travel over which a bend counts."""


def check_between_pairs(values: Floats, name: str, channel: Channel) -> HealthRow | None:
    """Return a row where straight lines between the pairs are off over the travel of this log [m].

    Parameters
    ----------
    values : ndarray
        Calibrated travel before its zero is taken off [m]; NaN where unknown.
    name, channel : str, Channel
        The pot and its entry in the sheet.
    """
    if channel.volts is None or channel.travel is None or len(channel.travel) < 3:
        return None
    # A few thousand samples tell the range; a long run is not copied for it.
    known = values[:: max(1, len(values) // 5000)]
    known = known[np.isfinite(known)]
    if len(known) == 0:
        return None
    first, last = (float(end) for end in np.percentile(known, DRIVEN_TRAVEL))
    travel = np.linspace(first, last, 200)
    off = np.abs(bend_between_pairs(travel, channel.volts, [channel.sign * t.value for t in channel.travel]))
    most = int(np.argmax(off))
    if off[most] < BETWEEN_PAIRS:
        return None
    low, high = sorted(1000.0 * channel.sign * end for end in (first, last))
    text = (
        f"Its calibration bends: between its pairs travel is up to {1000.0 * off[most]:.2g} mm off a "
        f"straight line, at {1000.0 * channel.sign * travel[most]:.0f} mm. Half the step between pairs from "
        f"{low:.0f} to {high:.0f} mm makes it a quarter (logger.channels.{name}.volts)."
    )
    return HealthRow(
        Check.BETWEEN_PAIRS,
        name,
        Verdict.SUSPECT,
        1000.0 * float(off[most]),
        1000.0 * BETWEEN_PAIRS,
        "mm",
        text,
    )


def static_reading(channel: Channel, name: str, path: Path) -> Uncertain | None:
    """Return the stated reading at static ride height as calibrated travel [m]; None when not stated.

    Raises
    ------
    LogError
        When it is no length.
    """
    if channel.static is None:
        return None
    try:
        stated = parse_quantity(channel.static, "length")
    except UnitError as error:
        raise LogError(
            path, f"logger.channels.{name}.static", str(error).partition(";")[0], 'write for instance "27 mm"'
        ) from None
    return Uncertain(channel.sign * stated.value, stated.std)


# Turn the inertial unit's axes into those of the car: x forward, y left, z up.


DIRECTIONS: Final[dict[str, tuple[int, int]]] = {
    "forward": (0, 1),
    "backward": (0, -1),
    "left": (1, 1),
    "right": (1, -1),
    "up": (2, 1),
    "down": (2, -1),
}
"""Word -> axis of the car (0 x, 1 y, 2 z) and sign."""


def rotation(axes: dict[str, str], path: Path) -> NDArray[np.float64]:
    """Return the matrix that takes sensor components to car components, from words per sensor axis.

    Raises
    ------
    LogError
        When two sensor axes point the same way, or the three form no right-handed system.
    """
    matrix = np.zeros((3, 3))
    for column, sensor in enumerate("xyz"):
        row, sign = DIRECTIONS[axes[sensor]]
        matrix[row, column] = sign
    determinant = float(np.linalg.det(matrix))
    if abs(determinant) < 0.5:
        raise LogError(
            path,
            "logger.imu.axes",
            "two axes point along the same line",
            "give three directions at right angles",
        )
    if determinant < 0.0:
        raise LogError(
            path,
            "logger.imu.axes",
            "form a left-handed system, which no sensor has",
            "turn one of the words round, or use sign = -1 on a channel that the logger writes reversed",
        )
    return matrix


def turn_axes(
    data: dict[str, NDArray[np.float64]],
    axes: dict[str, str],
    path: Path,
    kinds: tuple[str, ...] = ("accel", "gyro"),
) -> list[str]:
    """Replace accelerations and turn rates in `data` by those along the car's axes; return the steps.

    A car axis whose sensor axis was not logged is removed from `data`.

    Parameters
    ----------
    data : dict
        House channels [SI]; changed in place.
    axes : dict
        Sensor axis -> word, as in `logger.imu.axes`; empty for none.
    path : Path
        The log, for messages.
    kinds : tuple of str
        Which sensors are turned.
    """
    if not axes:
        return []
    matrix = rotation(axes, path)
    steps = []
    # Accelerations and turn rates may come from two units, only one of which is turned.
    for kind in kinds:
        sensor = {a: data.pop(f"{kind}_{a}") for a in "xyz" if f"{kind}_{a}" in data}
        for row, car_axis in enumerate("xyz"):
            column = int(np.flatnonzero(matrix[row])[0])
            values = sensor.get("xyz"[column])
            if values is not None:
                data[f"{kind}_{car_axis}"] = values if matrix[row, column] > 0 else _reversed(values)
        if sensor:
            steps.append(f"{kind} axes turned to the car's (logger.imu.axes)")
    return steps


def _reversed(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return by_pieces(len(values), lambda first, end: -values[first:end])


# Find how the inertial unit is turned when the sheet does not say: gravity, braking, and roll or yaw.


CLEAR: Final = 0.6
"""Correlation with braking and with cornering that settles an axis (engineering judgement)."""
DOUBTFUL: Final = 0.3
GRAVITY_BAND: Final = 0.15
SWING_BLOCK: Final = 0.1
"""Means by which turn rates and pots are compared [s]: a body rolls and pitches within half a second."""
_WORDS: Final = (("forward", "backward"), ("left", "right"), ("up", "down"))
_LEAST_BLOCKS: Final = 20


def _rotations() -> list[Floats]:
    """Return the 24 ways a box can be bolted in along the car's axes."""
    found = []
    for order in permutations(range(3)):
        for signs in product((1.0, -1.0), repeat=3):
            matrix = np.zeros((3, 3))
            for row, (column, sign) in enumerate(zip(order, signs, strict=True)):
                matrix[row, column] = sign
            if np.linalg.det(matrix) > 0.0:
                found.append(matrix)
    return found


@dataclass(frozen=True, slots=True)
class _Witnesses:
    """Block means of what the axes are told by.

    Parameters
    ----------
    accel : ndarray
        Shape (blocks, 3), accelerations as logged [m/s2].
    forward : ndarray or None
        Change of speed [m/s2].
    lateral : ndarray or None
        Roll of the pots, right minus left [m].
    yawing : ndarray or None
        Speed times yaw rate as logged [m/s2].
    turning : ndarray or None
        Shape (blocks, 3), speed times all turn rates as logged [m/s2].
    """

    accel: Floats
    forward: Floats | None
    lateral: Floats | None
    yawing: Floats | None
    turning: Floats | None


def found_axes(blocks: Blocks) -> tuple[dict[str, str], tuple[HealthRow, ...], bool]:
    """Find the words for `logger.imu.axes` where the unit is clearly turned.

    Parameters
    ----------
    blocks : Blocks
        House channels on the time base, as logged [SI], with their block statistics.

    Returns
    -------
    axes : dict
        As the sheet would state it; empty when the unit sits as named, or its turn cannot be told.
    rows : tuple of HealthRow
        One per acceleration that was turned.
    with_gyro : bool
        Whether the turn rates are turned along with the accelerations.
    """
    seen = _witnesses(blocks)
    if seen is None or seen.forward is None or (seen.lateral is None and seen.yawing is None):
        return {}, (), False
    # As named until the contrary is clear: a wrong turn would cost every figure.
    named = np.eye(3)
    may_be_named = _fits(named, seen, DOUBTFUL)
    if may_be_named and _corners(named, seen) >= DOUBTFUL:
        return {}, (), False
    # Three witnesses, none of them the sheet: gravity, braking and the roll of the pots. One way alone must
    # fit.
    fitting = [matrix for matrix in _rotations() if _fits(matrix, seen, CLEAR)]
    if may_be_named:
        fitting = [matrix for matrix in fitting if _corners(matrix, seen) >= CLEAR]
    if len(fitting) != 1:
        return {}, (), False
    matrix = fitting[0]
    axes = {}
    for column, sensor in enumerate("xyz"):
        row = int(np.flatnonzero(matrix[:, column])[0])
        axes[sensor] = _WORDS[row][0 if matrix[row, column] > 0 else 1]
    words = ", ".join(f'{sensor} = "{word}"' for sensor, word in axes.items())
    text = (
        f"The unit is turned: gravity, braking and cornering fit axes = {{ {words} }}; state it as "
        "logger.imu.axes."
    )
    rows = tuple(HealthRow("axes", f"accel_{a}", Verdict.SUSPECT, None, None, "", text) for a in "xyz")
    return axes, rows, _gyro_turns_along(matrix, seen, blocks)


def _witnesses(blocks: Blocks) -> _Witnesses | None:
    if not all(f"accel_{a}" in blocks.data for a in "xyz"):
        return None
    step = blocks.size / blocks.rate
    means = {n: blocks.mean(n) for n in blocks.data if not n.startswith(("lat", "lon", "other"))}
    accel = np.column_stack([means[f"accel_{a}"] for a in "xyz"])
    # Half-second means: vibration of the unit is far larger than what the car does.
    forward = np.gradient(means["speed"], step) if "speed" in means and len(accel) > 2 else None
    yawing = means["speed"] * means["gyro_z"] if "speed" in means and "gyro_z" in means else None
    pairs = [(f"damper_{e}L", f"damper_{e}R") for e in "FR"]
    rolls = [means[right] - means[left] for left, right in pairs if left in means and right in means]
    lateral = rolls[0] + rolls[-1] if rolls else None
    all_rates = all(f"gyro_{a}" in means for a in "xyz")
    turning = None
    if "speed" in means and all_rates:
        turning = means["speed"][:, None] * np.column_stack([means[f"gyro_{a}"] for a in "xyz"])
    seen = _Witnesses(accel, forward, lateral, yawing, turning)
    return seen if len(accel) >= _LEAST_BLOCKS else None


def _fits(matrix: Floats, seen: _Witnesses, least: float) -> bool:
    """Return whether gravity lies on z after the turn, and no witness falls below `least`."""
    turned = seen.accel @ matrix.T
    good = np.isfinite(turned).all(axis=1)
    if good.sum() < _LEAST_BLOCKS:
        return True
    gravity = float(np.median(turned[good, 2])) / STANDARD_GRAVITY
    if abs(gravity - 1.0) > GRAVITY_BAND:
        return False
    forward = correlated(turned[:, 0], seen.forward)
    # A car that drifts points away from its path, and its forward acceleration is no change of speed: there
    # pots and turning of the path must agree on the side, and braking must not contradict.
    if least > DOUBTFUL and forward is not None and 0.0 < forward < least and _corners(matrix, seen) >= least:
        return True
    found = [forward]
    if seen.lateral is not None:
        found.append(correlated(turned[:, 1], seen.lateral))
    if least > DOUBTFUL:
        return all(r is None or r >= least for r in found)
    # The sheet's own order of axes is given up only for a clear contradiction.
    return not any(r is not None and r < -CLEAR for r in found) and any(r is None or r > least for r in found)


def _corners(matrix: Floats, seen: _Witnesses) -> float:
    """Return the lower correlation of cornering with the pots' roll and with speed times yaw rate.

    -1 where one of the two is not there. Many loggers name turn rates by the car's motion whatever the unit,
    so they are taken as logged or turned along, whichever fits.
    """
    lateral = (seen.accel @ matrix.T)[:, 1]
    rolls = correlated(lateral, seen.lateral)
    paths = [correlated(lateral, seen.yawing)]
    if seen.turning is not None:
        paths.append(correlated(lateral, (seen.turning @ matrix.T)[:, 2]))
    told = [path for path in paths if path is not None]
    return min(rolls, max(told)) if rolls is not None and told else -1.0


def correlated(a: Floats, b: Floats | None) -> float | None:
    """Return the correlation of two series over what both have; None where it means nothing."""
    if b is None:
        return None
    used = np.isfinite(a) & np.isfinite(b)
    if used.sum() < _LEAST_BLOCKS or float(a[used].std()) < 0.3 or float(b[used].std()) < 1e-6:
        return None
    # A single jolt, or the launch, must not decide.
    first, second = (np.clip(v[used], *np.percentile(v[used], [4.0, 96.0])) for v in (a, b))
    if float(first.std()) == 0.0 or float(second.std()) == 0.0:
        return None
    return float(np.corrcoef(first, second)[0, 1])


def _gyro_turns_along(matrix: Floats, seen: _Witnesses, blocks: Blocks) -> bool:
    """Return whether the turn rates need the same turn: many loggers name them by the car's motion."""
    if not all(f"gyro_{a}" in blocks.data for a in "xyz"):
        return False
    gain = 0.0
    if seen.turning is not None:
        lateral = (seen.accel @ matrix.T)[:, 1]
        along, named = (seen.turning @ matrix.T)[:, 2], seen.turning[:, 2]
        gain += (correlated(lateral, along) or 0.0) - (correlated(lateral, named) or 0.0)
    rates = np.column_stack([_quick_means(blocks, f"gyro_{a}") for a in "xyz"])
    for axis, signs in ((0, (-1.0, 1.0, -1.0, 1.0)), (1, (1.0, 1.0, -1.0, -1.0))):
        swing = _swing(blocks, signs, roll=axis == 0)
        if swing is not None:
            gain += _swings_by(rates @ matrix.T, axis, swing) - _swings_by(rates, axis, swing)
    return gain > 0.0


def _quick_means(blocks: Blocks, name: str) -> Floats:
    return block_spread(blocks.data[name], max(1, round(SWING_BLOCK * blocks.rate)))[0]


def _swing(blocks: Blocks, signs: Sequence[float], roll: bool) -> Floats | None:
    """Return how fast the pots show the body to roll or pitch, of both axles; None without the pots."""
    names = [f"damper_{corner}" for corner in ("FL", "FR", "RL", "RR")]
    pots = {
        n: sign * _quick_means(blocks, n) for n, sign in zip(names, signs, strict=True) if n in blocks.data
    }
    # An axle alone shows roll, but no pitch.
    pairs = [pair for pair in (names[:2], names[2:]) if all(n in pots for n in pair)]
    if not pairs or (not roll and len(pairs) < 2):
        return None
    shown = np.sum([pots[n] for pair in pairs for n in pair], axis=0)
    return shown[2:] - shown[:-2] if len(shown) > 2 else None


def _swings_by(rates: Floats, axis: int, swing: Floats) -> float:
    """Return the correlation of a turn rate with that of the pots as both change, yawing taken off."""
    # A difference of means two blocks apart is the rate over all three, the middle one counting twice.
    weighed = (rates[:-2] + 2.0 * rates[1:-1] + rates[2:]) / 4.0
    # Their change, since a bank turns the ground as slowly as the car rolls on it, and the other way.
    weighed, swing = np.diff(weighed, axis=0), np.diff(swing)
    used = np.isfinite(weighed).all(axis=1) & np.isfinite(swing)
    if used.sum() < _LEAST_BLOCKS:
        return 0.0
    # A unit that leans by a degree shows the yawing in its roll rate.
    yawing = np.column_stack([weighed[used, 2], np.ones(used.sum())])
    sides = np.column_stack([weighed[used, axis], swing[used]])
    rest = sides - yawing @ np.linalg.lstsq(yawing, sides, rcond=None)[0]
    size = float(np.prod(np.linalg.norm(rest, axis=0)))
    return float(rest[:, 0] @ rest[:, 1]) / size if size > 0.0 else 0.0


# What a unit away from the CG feels beside what the CG does.


def felt_beside_cg(
    turn: Sequence[Floats], swing: Sequence[Floats], arm: tuple[float, float, float]
) -> tuple[list[Floats], list[Floats]]:
    """Return the tangential and the centripetal acceleration of a unit against the CG, per axis [m/s2].

    w' x r and w x (w x r) (rigid-body kinematics, any mechanics text).

    Parameters
    ----------
    turn, swing : sequence of arrays
        Turn rate about x, y, z [rad/s] and its derivative [rad/s2].
    arm : tuple of float
        Place of the unit from the CG along x, y, z [m].
    """
    # By hand: numpy's `cross` wants the three axes stacked, one more copy of a long run.
    return _cross(swing, arm), _cross(turn, _cross(turn, arm))


def _cross(a: Sequence[Floats], b: Sequence[Floats] | tuple[float, float, float]) -> list[Floats]:
    return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]


# Pots whose counter wraps round at its full scale, joined again where nothing else explains the jumps.
#
# A counter of n bits that passes its largest value goes on at its smallest. The travel jumps by the whole
# range within one sample and is continuous but for that: told from a plug that falls out, which leaves the
# signal at one end without life, and from a spike, which comes back from anywhere.


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
