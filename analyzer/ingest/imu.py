"""Turn the inertial unit's axes into those of the car: x forward, y left, z up."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.errors import LogError
from analyzer.ingest.shelf import by_pieces

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
