"""How the inertial unit is bolted in: turned to the car's axes, by the sheet or by what the log shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations, product
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.errors import LogError
from analyzer.core.filebacked import by_pieces
from analyzer.core.signals import Blocks
from analyzer.core.units import STANDARD_GRAVITY
from analyzer.ingest.recording import HealthRow, Verdict

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


Floats = NDArray[np.float64]

CLEAR: Final = 0.6
"""Correlation with braking and with cornering that settles an axis (engineering judgement)."""
DOUBTFUL: Final = 0.3
GRAVITY_BAND: Final = 0.15
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
    """

    accel: Floats
    forward: Floats | None
    lateral: Floats | None
    yawing: Floats | None


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
    # As named until the contrary is clear: a wrong turn would cost every figure.
    if seen is None or _fits(np.eye(3), seen, DOUBTFUL):
        return {}, (), False
    # Three witnesses, none of them the sheet: gravity, braking and the roll of the pots. One way alone must
    # fit.
    fitting = [matrix for matrix in _rotations() if _fits(matrix, seen, CLEAR)]
    if len(fitting) != 1 or seen.forward is None or (seen.lateral is None and seen.yawing is None):
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
    return _Witnesses(accel, forward, lateral, yawing) if len(accel) >= _LEAST_BLOCKS else None


def _fits(matrix: Floats, seen: _Witnesses, least: float) -> bool:
    """Return whether gravity lies on z after the turn, and no witness falls below `least`."""
    turned = seen.accel @ matrix.T
    good = np.isfinite(turned).all(axis=1)
    if good.sum() < _LEAST_BLOCKS:
        return True
    gravity = float(np.median(turned[good, 2])) / STANDARD_GRAVITY
    if abs(gravity - 1.0) > GRAVITY_BAND:
        return False
    found = [correlated(turned[:, 0], seen.forward)]
    if seen.lateral is not None:
        found.append(correlated(turned[:, 1], seen.lateral))
    if least > DOUBTFUL:
        return all(r is None or r >= least for r in found)
    # The sheet's own order of axes is given up only for a clear contradiction.
    return not any(r is not None and r < -CLEAR for r in found) and any(r is None or r > least for r in found)


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
    rates = np.column_stack([blocks.mean(f"gyro_{a}") for a in "xyz"])
    turned = rates @ matrix.T
    lateral = (seen.accel @ matrix.T)[:, 1]
    gain = 0.0
    if seen.yawing is not None:
        speed = blocks.mean("speed")
        gain += (correlated(lateral, speed * turned[:, 2]) or 0.0) - (correlated(lateral, seen.yawing) or 0.0)
    if seen.lateral is not None:
        rolling = np.gradient(seen.lateral, blocks.size / blocks.rate)
        # Scaled so that a turn rate of some degrees per second counts as movement.
        gain += (correlated(100.0 * turned[:, 0], rolling) or 0.0) - (
            correlated(100.0 * rates[:, 0], rolling) or 0.0
        )
    return gain > DOUBTFUL


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
