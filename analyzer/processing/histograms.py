"""How often each damper stood where and moved how fast, per section, and how close it came to its stop."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.constants import CORNERS, Axle, Corner
from analyzer.ingest.recording import Recording
from analyzer.processing.course import CourseLine
from analyzer.processing.filters import Floats, derivative, filled, lowpass_taps, smooth, widened
from analyzer.processing.results import RunEstimates
from analyzer.processing.witness import axle_of
from analyzer.processing.working import raw_suspect

SPEED_EDGES: Final = np.round(np.arange(-0.6, 0.6001, 0.025), 6)
"""Bins of damper speed [m/s], compression positive; what is faster counts to the last bin."""
TRAVEL_EDGES: Final = np.round(np.arange(-0.1, 0.1001, 0.002), 6)
"""Bins of damper travel [m], compression positive; what lies further counts to the last bin."""
SPEED_BAND: Final = 40.0
"""Band of the damper speed [Hz]: wheel hop (10-15 Hz) passes with its first harmonics."""
PERCENTILE: Final = 99.9
"""The travel that is passed in a thousandth of the time stands for the deepest without single samples [%]."""
WHOLE: Final = "whole course"


@dataclass(frozen=True, slots=True)
class DamperUse:
    """One damper in one section, all runs together.

    Parameters
    ----------
    section : str
        Name, or `WHOLE`.
    corner : Corner
        Which damper.
    seconds : float
        Time it rests on [s].
    speed, travel : array
        Share of the time per bin of `SPEED_EDGES`, `TRAVEL_EDGES` [1].
    high : float
        99.9th percentile of travel [m].
    margin : float or None
        Bump-stop gap less `high` [m]; negative when past it, None when the gap is not known.
    speeds : tuple of float
        Root mean square of speed in compression and in extension [m/s].
    """

    section: str
    corner: Corner
    seconds: float
    speed: Floats
    travel: Floats
    high: float
    margin: float | None
    speeds: tuple[float, float]


def damper_use(
    line: CourseLine,
    runs: Sequence[RunEstimates],
    recordings: Sequence[Recording],
    gaps: Mapping[Axle, float | None],
) -> tuple[DamperUse, ...]:
    """Return the use of every damper, for the whole course and per section.

    `gaps` are damper travels to the bump stop [m].
    """
    logs = {recording.run: recording for recording in recordings}
    used = [(run, logs[run.name]) for run in runs if run.name in line.alignments]
    found = []
    for corner in CORNERS:
        pieces = [_samples(line, run, log, corner) for run, log in used if log.usable(f"damper_{corner}")]
        if not pieces:
            continue
        travel, speed, section, weight = (np.concatenate(column) for column in zip(*pieces, strict=True))
        gap = gaps[axle_of(corner)]
        for number, name in enumerate([WHOLE, *(span.name for span in line.sections)]):
            inside = np.ones(len(travel), dtype=np.bool_) if number == 0 else section == number - 1
            if np.count_nonzero(inside) >= 50:
                found.append(_use(name, corner, travel[inside], speed[inside], weight[inside], gap))
    return tuple(found)


def _samples(
    line: CourseLine, run: RunEstimates, log: Recording, corner: Corner
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return travel, speed, number of the section and duration of every good sample of a run's way."""
    bad = raw_suspect(log, f"damper_{corner}")
    travel = filled(log.data[f"damper_{corner}"].to_numpy(dtype=np.float64, copy=False), bad)
    rate = log.sample_rate
    taps = lowpass_taps(rate, SPEED_BAND, SPEED_BAND)
    speed = derivative(smooth(travel, taps), rate)
    time = log.data.index.to_numpy(dtype=np.float64)
    alignment = line.alignments[run.name]
    good = ~widened(bad, len(taps) // 2 + 2) & (time >= alignment.time[0]) & (time <= alignment.time[-1])
    place = np.interp(time[good], alignment.time, alignment.place)
    section = np.full(len(place), -1.0)
    for number, span in enumerate(line.sections):
        section[(place >= span.start) & (place < span.end)] = number
    return travel[good], speed[good], section, np.full(len(place), 1.0 / rate)


def _use(
    name: str, corner: Corner, travel: Floats, speed: Floats, weight: Floats, gap: float | None
) -> DamperUse:
    high = float(np.percentile(travel, PERCENTILE))
    up, down = speed[speed > 0.0], speed[speed < 0.0]
    return DamperUse(
        section=name,
        corner=corner,
        seconds=float(weight.sum()),
        speed=_shares(speed, weight, SPEED_EDGES),
        travel=_shares(travel, weight, TRAVEL_EDGES),
        high=high,
        margin=None if gap is None else gap - high,
        speeds=(_rms(up), _rms(down)),
    )


def _shares(values: Floats, weight: Floats, edges: Floats) -> Floats:
    counts, _ = np.histogram(np.clip(values, edges[0], edges[-1]), bins=edges, weights=weight)
    result: Floats = counts / weight.sum()
    return result


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else 0.0
