"""From what a column holds to SI: units, calibration pairs, sign."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analyzer.core.errors import LogError
from analyzer.core.filebacked import by_pieces
from analyzer.core.units import DIMENSIONS, Uncertain, UnitError, parse_quantity, unit_factor
from analyzer.ingest.cells import HeaderCell, plain_unit
from analyzer.sheets.car import CHANNEL_DIMENSIONS, Channel


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
