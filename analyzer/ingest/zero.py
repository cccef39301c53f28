"""Zero of the pots: from the sheet, from a stated level stretch, or from the car standing in the log."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.ingest.blocks import Blocks
from analyzer.ingest.recording import HealthRow, Verdict

ZERO_TOLERANCE: Final = 0.004
"""Standing reading that still agrees with the calibration's zero [m]: friction and fuel move a car that
stands by a few millimetres (engineering judgement)."""
STANDING_SECONDS: Final = 2.0
STILL_TRAVEL: Final = 0.0008
"""Spread of a pot on a standing car, engine running [m]; engineering judgement."""
STILL_ACCELERATION: Final = 0.6
"""Spread of acceleration on a standing car [m/s2]; engineering judgement."""
LEVEL_ACCELERATION: Final = 1.2
"""Mean acceleration of a standing car: slope of the ground and tilt of the sensor [m/s2]."""
STILL_RATE: Final = 0.03
"""Turn rate of a standing car [rad/s]."""
STILL_SPEED: Final = 0.5
"""Speed below which a car stands [m/s]."""


@dataclass(slots=True)
class Zeroed:
    """What was taken off the pots.

    Parameters
    ----------
    offsets : dict
        Channel -> travel that became zero [m].
    steps, health : list
        What was done and found.
    """

    offsets: dict[str, float] = field(default_factory=dict)
    steps: list[str] = field(default_factory=list)
    health: list[HealthRow] = field(default_factory=list)


def standing_blocks(blocks: Blocks) -> NDArray[np.bool_]:
    """Return per block of half a second whether the car clearly stands.

    Pots must be quiet and, as far as they were logged, accelerations, turn rates and speed as well. A log
    with pots alone cannot tell standing from smooth driving, so it gives no standing block.
    """
    data = blocks.data
    length = len(next(iter(data.values()))) // blocks.size if data else 0
    still = np.ones(length, dtype=bool)
    witnesses = 0
    for name in data:
        if not name.startswith(("damper", "accel_x", "accel_y", "gyro", "speed")):
            continue
        mean, spread = blocks.statistics(name)
        if np.isnan(mean).all():
            continue
        if name.startswith("damper"):
            still &= ~(spread > STILL_TRAVEL)
        elif name.startswith("accel"):
            still &= (spread < STILL_ACCELERATION) & (np.abs(mean) < LEVEL_ACCELERATION)
            witnesses += 1
        elif name.startswith("gyro"):
            still &= (np.abs(mean) < STILL_RATE) & (spread < STILL_RATE)
            witnesses += 1
        else:
            still &= mean < STILL_SPEED
            witnesses += 2
    return still if witnesses >= 2 else np.zeros(length, dtype=bool)


def longest_standing(blocks: Blocks) -> tuple[int, int] | None:
    """Return first and last sample (exclusive) of the longest stretch the car stands; None below 2 s."""
    still = standing_blocks(blocks)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], still.astype(np.int8), [0]])))
    if len(edges) == 0:
        return None
    starts, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - starts))
    first, last = int(starts[longest]) * blocks.size, int(ends[longest]) * blocks.size
    return (first, last) if (last - first) / blocks.rate >= STANDING_SECONDS else None


def zero_pots(
    blocks: Blocks,
    times: NDArray[np.float64],
    static: dict[str, float],
    level: tuple[float, float] | None,
    use_standing: bool = True,
) -> Zeroed:
    """Decide what reading of each pot is static ride height; nothing is subtracted here.

    Parameters
    ----------
    blocks : Blocks
        House channels on the time base [SI] with their block statistics.
    times : ndarray
        Their times [s].
    static : dict
        Channel -> stated reading [m]; these are not questioned.
    level : tuple of float or None
        Stated stretch [s] in which the car stands or runs level.
    use_standing : bool
        Whether a standing stretch found in the log may overrule the calibration's zero.
    """
    data = blocks.data
    done = Zeroed()
    pots = [name for name in data if name.startswith("damper_")]
    for name in pots:
        if name in static:
            done.offsets[name] = static[name]
            done.steps.append(
                f"zero of {name} at {static[name] * 1000:.1f} mm, from logger.channels.{name}.static"
            )
    open_pots = [name for name in pots if name not in static]
    if not open_pots:
        return done
    if level is not None:
        _from_level(done, data, times, open_pots, level)
        return done
    found = longest_standing(blocks) if use_standing else None
    if found is None:
        done.steps.append(
            "no standing stretch was found; the pots' zero is that of their calibration "
            "(runs.level, logger.channels.….static)"
            if use_standing
            else "the pots' zero is that of their calibration (logger.zero)"
        )
        return done
    _from_standing(done, data, times, open_pots, found)
    return done


def _from_level(
    done: Zeroed,
    data: dict[str, NDArray[np.float64]],
    times: NDArray[np.float64],
    pots: list[str],
    level: tuple[float, float],
) -> None:
    inside = (times >= level[0]) & (times <= level[1])
    for name in pots:
        values = data[name][inside]
        values = values[np.isfinite(values)]
        if len(values) == 0:
            comment = (
                f"The stated level stretch {level[0]:g} to {level[1]:g} s holds no sample; correct "
                "runs.level."
            )
            done.health.append(HealthRow("zero", name, Verdict.SUSPECT, None, None, "s", comment))
            continue
        done.offsets[name] = float(np.median(values))
        done.steps.append(
            f"zero of {name} at {done.offsets[name] * 1000:.1f} mm, from the stated level stretch "
            f"{level[0]:g} to {level[1]:g} s"
        )


def _from_standing(
    done: Zeroed,
    data: dict[str, NDArray[np.float64]],
    times: NDArray[np.float64],
    pots: list[str],
    stretch: tuple[int, int],
) -> None:
    first, last = stretch
    where = f"{times[first]:.1f} to {times[last - 1]:.1f} s"
    for name in pots:
        values = data[name][first:last]
        values = values[np.isfinite(values)]
        if len(values) == 0:
            continue
        standing = float(np.median(values))
        off = abs(standing) > ZERO_TOLERANCE
        done.health.append(
            HealthRow(
                "zero",
                name,
                Verdict.SUSPECT if off else Verdict.GOOD,
                standing * 1000.0,
                ZERO_TOLERANCE * 1000.0,
                "mm",
                f"Reads {standing * 1000.0:.1f} mm while the car stands ({where})"
                + ("; this was made zero. State static or level in the sheets to settle it." if off else "."),
            )
        )
        if off:
            done.offsets[name] = standing
            done.steps.append(
                f"zero of {name} at {standing * 1000.0:.1f} mm, found while the car stands {where} "
                f'(logger.zero = "calibration", logger.channels.{name}.static, runs.level)'
            )
