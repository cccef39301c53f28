"""What the body says about a contact: a jolt as a second witness beside the pot, and grip lost or kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.constants import Axle
from analyzer.ingest.shelf import set_aside
from analyzer.processing.filters import Bools, Floats, lowpass_taps, smooth
from analyzer.processing.results import Motion
from analyzer.sheets.car import CarSheet
from analyzer.sheets.masses import mass_properties

AROUND_S: Final = 0.15
"""Time on both sides of a contact that it is held against [s]: about half a swing of the body."""
BEFORE_S: Final = 0.3
"""Time before a contact over which the grip is taken [s]: engineering judgement."""
AFTER_S: Final = 0.15
"""Time after a contact that still counts to it, for the grip [s]: engineering judgement."""
FELT: Final = 2.5
"""A jolt must be expected to be this many times the usual swing of the force before its absence counts."""
PART_SEEN: Final = 0.25
"""Part of the expected jolt that counts as seen: engineering judgement, wide as pitch and roll take some."""
FAINT: Final = 1.0
"""In-plane force below which lost or kept grip means nothing [m/s2]: engineering judgement."""


@dataclass(frozen=True, slots=True)
class Witness:
    """Forces on the body as the witness needs them, on the working base; None where not logged.

    Parameters
    ----------
    vertical : array or None
        Vertical specific force less its slow part [m/s2].
    usual : float
        Standard deviation of it over moments as long as a contact [m/s2].
    in_plane : array or None
        Force in the road plane, lightly smoothed [m/s2].
    sprung : float
        Sprung mass [kg].
    """

    vertical: Floats | None
    usual: float
    in_plane: Floats | None
    sprung: float
    rate: float
    suspect: Bools


def witness_of(motion: Motion, car: CarSheet, rate: float) -> Witness:
    """Return the forces of a run for `jolt` and `lateral_kept`."""
    vertical, usual, in_plane = None, 0.0, None
    bad = np.zeros(len(motion.data), dtype=np.bool_)
    if "specific_force_z" in motion.data:
        raw = motion.data["specific_force_z"].to_numpy()
        quick, slow = lowpass_taps(rate, 25.0, 20.0), lowpass_taps(rate, 2.5, 2.5)
        vertical = set_aside(smooth(raw, quick) - smooth(raw, slow))
        moving = ~motion.parked.to_numpy() & ~motion.suspect["specific_force_z"].to_numpy()
        usual = float(np.std(vertical[moving])) if moving.any() else 0.0
        bad = motion.suspect["specific_force_z"].to_numpy()
    if "road_force_x" in motion.data:
        taps = lowpass_taps(rate, 6.0, 6.0)
        along, across = (smooth(motion.data[f"road_force_{axis}"].to_numpy(), taps) for axis in "xy")
        in_plane = set_aside(np.hypot(along, across))
    return Witness(vertical, usual, in_plane, mass_properties(car).sprung, rate, bad)


def jolt(witness: Witness, start: int, end: int, force: float) -> tuple[float | None, bool | None]:
    """Return the jolt of a contact between two working samples [m/s2], and whether it was felt.

    Parameters
    ----------
    witness : Witness
        Of the run.
    start, end : int
        First and last working sample of the contact.
    force : float
        What the stop should press with at the deepest point, at the body [N]; zero when its rate is unknown.
    """
    if witness.vertical is None:
        return None, None
    around = round(AROUND_S * witness.rate)
    low, high = max(0, start - around), min(len(witness.vertical), end + around + 1)
    if witness.suspect[low:high].any():
        return None, None
    inside = float(witness.vertical[start : end + 1].max())
    outside = np.concatenate([witness.vertical[low:start], witness.vertical[end + 1 : high]])
    found = inside - float(outside.mean()) if outside.size else inside
    expected = force / witness.sprung
    if expected < FELT * witness.usual or expected <= 0.0:
        return found, None
    return found, found > PART_SEEN * expected


def lateral_kept(witness: Witness, start: int, end: int) -> float | None:
    """Return the smallest in-plane force during and just after a contact over its mean before [1]."""
    if witness.in_plane is None:
        return None
    before = witness.in_plane[max(0, start - round(BEFORE_S * witness.rate)) : start]
    during = witness.in_plane[start : end + 1 + round(AFTER_S * witness.rate)]
    if before.size == 0 or during.size == 0 or float(before.mean()) < FAINT:
        return None
    return float(during.min() / before.mean())


def axle_of(corner: str) -> Axle:
    """Return the axle of a corner."""
    return "front" if corner[0] == "F" else "rear"
