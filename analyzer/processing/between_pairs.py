"""How far the travel of the pots is off between the pairs of a calibration that bends.

Readings turn into travel along straight lines between the pairs. What a smooth curve through them would make
of the gradient, of the mean travel and of a peak is not taken for true: it is counted as an error.
"""

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Final

import numpy as np

from analyzer.core.signals import Bools, Floats
from analyzer.core.units import AXLE_CORNERS, AXLES, Axle
from analyzer.ingest.calibration import bend_between_pairs, static_reading
from analyzer.ingest.recording import Recording
from analyzer.processing.results import Motion
from analyzer.processing.roll.fit import line_slope
from analyzer.sheets.car import CarSheet, Channel

BEND_OPEN: Final = 0.6
"""Part of what a smooth curve would change that counts as standard uncertainty [1]: 1.96 times this is more
than all (engineering judgement)."""


def off_between_pairs(recording: Recording, car: CarSheet, pot: str, travel: Floats) -> Floats:
    """Return how far straight lines between a pot's calibration pairs are off at `travel` from static [m].

    0 for a pot that has a unit or fewer than three pairs.
    """
    channel = car.logger.channels.get(pot)
    if channel is None or channel.volts is None or channel.travel is None:
        return np.zeros(np.shape(travel))
    pairs = [channel.sign * t.value for t in channel.travel]
    zero = np.array([_zero(recording, channel, pot)])
    at_zero = bend_between_pairs(zero, channel.volts, pairs)
    return bend_between_pairs(travel + zero, channel.volts, pairs) - at_zero


def pairs_spread(recording: Recording, motion: Motion, car: CarSheet, used: Bools) -> dict[Axle, float]:
    """Return the relative standard uncertainty of each axle's roll over lateral force from bends.

    Parameters
    ----------
    recording : Recording
        For the travel of the pots and their zero.
    motion : Motion
        On the working base, for the lateral force.
    car : CarSheet
        For the pairs.
    used : array of bool
        Working samples that count.
    """
    found: dict[Axle, float] = {}
    if "specific_force_y" not in motion.data:
        return found
    force = motion.data["specific_force_y"].to_numpy()
    for axle in AXLES:
        pots = [f"damper_{corner}" for corner in AXLE_CORNERS[axle]]
        if not all(pot in recording.data for pot in pots) or not any(_bent(car, pot) for pot in pots):
            continue
        left, right = (_travel(recording, motion, pot) for pot in pots)
        known = used & np.isfinite(force + left + right)
        if not known.any():
            continue
        off = [
            off_between_pairs(recording, car, pot, side[known])
            for pot, side in zip(pots, (left, right), strict=True)
        ]
        rolls = line_slope(force[known], right[known] - left[known])
        if rolls != 0.0:
            found[axle] = abs(BEND_OPEN * line_slope(force[known], off[1] - off[0]) / rolls)
    return found


def mean_travel_std(recording: Recording, motion: Motion, car: CarSheet, used: Bools) -> Mapping[str, float]:
    """Return the standard uncertainty of the pots' mean travel, by their zeros and by bends [m].

    A pot of which neither is known to be off is missing.
    """
    found = dict(recording.zero_std)
    for pot in [f"damper_{corner}" for axle in AXLES for corner in AXLE_CORNERS[axle]]:
        if pot in recording.data and _bent(car, pot):
            travel = _travel(recording, motion, pot)
            known = travel[used & np.isfinite(travel)]
            mean = float(off_between_pairs(recording, car, pot, known).mean()) if len(known) else 0.0
            found[pot] = math.hypot(found.get(pot, 0.0), BEND_OPEN * mean)
    return found


def _zero(recording: Recording, channel: Channel, pot: str) -> float:
    """Return what the pot reads at static ride height [m]: the sheet may state it without an error."""
    stated = static_reading(channel, pot, Path(recording.sources[0].path))
    return recording.zero.get(pot, 0.0 if stated is None else stated.value)


def _bent(car: CarSheet, pot: str) -> bool:
    channel = car.logger.channels.get(pot)
    return channel is not None and channel.travel is not None and len(channel.travel) > 2


def _travel(recording: Recording, motion: Motion, pot: str) -> Floats:
    """Return the travel of a pot on the working base [m]."""
    travel = recording.data[pot]
    at: Floats = np.interp(motion.data.index.to_numpy(), travel.index.to_numpy(), travel.to_numpy())
    return at
