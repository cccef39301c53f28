"""What a damper's travel is made of: the four modes of the car, and how slow or quick each came."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.constants import AXLE_CORNERS, CORNERS, Axle, Corner
from analyzer.ingest.recording import Recording
from analyzer.ingest.shelf import set_aside
from analyzer.processing.filters import Bools, Floats, lowpass_taps, smooth, widened
from analyzer.processing.peaks import WINDOW_S, smoothed_at
from analyzer.processing.results import Motion, TravelBudget
from analyzer.processing.stiffness import ratio_at, wheel_travel
from analyzer.processing.working import raw_suspect
from analyzer.sheets.car import CarSheet

SLOW_BAND: Final = 2.5
"""Low-pass that parts what the driver and the shape of the course do from what bumps do [Hz]: the body's own
roll and heave (about 2 Hz) answer a change of side, wheel hop (10-15 Hz) answers the road."""

MODES: Final = ("heave", "pitch", "roll", "warp")
SIGNS: Final[dict[Corner, tuple[float, float, float, float]]] = {
    "FL": (1.0, 1.0, -1.0, 1.0),
    "FR": (1.0, 1.0, 1.0, -1.0),
    "RL": (1.0, -1.0, -1.0, -1.0),
    "RR": (1.0, -1.0, 1.0, 1.0),
}
"""How each mode moves each wheel: the four rows are orthogonal, so the same mix takes the modes out."""
_MIX: Final = np.array([SIGNS[corner] for corner in CORNERS])


def mode_values(wheels: Floats) -> Floats:
    """Return heave, pitch, roll and warp (last axis) of the travels of FL, FR, RL, RR (last axis) [m]."""
    result: Floats = wheels @ _MIX / 4.0
    return result


@dataclass(frozen=True, slots=True)
class WheelModes:
    """The wheels of a run as the budget needs them.

    Parameters
    ----------
    slow : tuple of array
        Wheel travel FL, FR, RL, RR on the working base, low-passed at `SLOW_BAND` [m].
    suspect : array of bool
        Working samples at which it must not be used.
    dampers : tuple of array
        Damper travel of the four corners at the log's rate [m].
    rate : float
        Samples of the log per second [Hz].
    quick_suspect : array of bool
        Log samples at which it must not be used.
    """

    slow: tuple[Floats, ...]
    suspect: Bools
    dampers: tuple[Floats, ...]
    rate: float
    quick_suspect: Bools

    def quick(self, sample: int) -> Floats:
        """Return the four damper travels at a log sample, smoothed by the short parabola [m]."""
        return np.array([smoothed_at(values, self.rate, sample) for values in self.dampers])


def wheel_modes(recording: Recording, motion: Motion) -> WheelModes | None:
    """Return the wheels of a run; None when not all four dampers are logged."""
    found = slow_wheels(motion)
    if found is None:
        return None
    slow, bad = found
    dampers, quick_bad = [], np.zeros(len(recording.data), dtype=np.bool_)
    for corner in CORNERS:
        dampers.append(recording.data[f"damper_{corner}"].to_numpy(dtype=np.float64, copy=False))
        quick_bad |= raw_suspect(recording, f"damper_{corner}")
    reach = 1 + round(WINDOW_S * recording.sample_rate / 2.0)
    return WheelModes(slow, bad, tuple(dampers), recording.sample_rate, widened(quick_bad, reach))


def slow_wheels(motion: Motion) -> tuple[tuple[Floats, ...], Bools] | None:
    """Return the slow part of the four wheel travels [m] and where not to use it; None if one is missing."""
    names = [f"wheel_{corner}" for corner in CORNERS]
    if not all(name in motion.data for name in names):
        return None
    taps = lowpass_taps(motion.rate, SLOW_BAND, SLOW_BAND)
    slow = tuple(set_aside(smooth(motion.data[name].to_numpy(), taps)) for name in names)
    bad = np.logical_or.reduce([motion.suspect[name].to_numpy() for name in names])
    return slow, widened(bad, len(taps) // 2)


def travel_budget(
    modes: WheelModes, car: CarSheet, corner: Corner, sample: int, place: int, travel: float
) -> TravelBudget | None:
    """Return one damper's travel as the sum of its causes [m at the damper].

    Parameters
    ----------
    modes : WheelModes
        Of the run.
    car : CarSheet
        For the motion ratios.
    corner : Corner
        Which damper.
    sample, place : int
        Of the log and of the working base.
    travel : float
        What the parts shall add up to [m]; the small rest of the parabola goes to them in proportion.

    Notes
    -----
    Heave h, pitch p, roll r and warp q are those mixes of the four wheel travels that add up again:
    FL = h + p - r + q, FR = h + p + r - q, RL = h - p - r - q, RR = h - p + r + q.
    """
    if modes.quick_suspect[sample]:
        return None
    axles: tuple[tuple[Axle, int], ...] = (("front", 0), ("front", 1), ("rear", 2), ("rear", 3))
    quick = modes.quick(sample)
    wheels = np.array(
        [float(wheel_travel(quick[k : k + 1], car.axle(axle).damper_motion_ratio)[0]) for axle, k in axles]
    )
    signs = np.array(SIGNS[corner])
    parts = signs * mode_values(wheels)
    total = float(parts.sum())
    scale = travel / total if abs(total) > 1e-6 else 1.0
    at_damper = dict(zip(MODES, (float(part) * scale for part in parts), strict=True))
    return TravelBudget(
        heave=at_damper["heave"],
        roll=at_damper["roll"],
        pitch=at_damper["pitch"],
        warp=at_damper["warp"],
        causes=_causes(modes, car, corner, place, signs, travel),
    )


def _causes(
    modes: WheelModes, car: CarSheet, corner: Corner, place: int, signs: Floats, travel: float
) -> dict[str, float]:
    if modes.suspect[place]:
        return {}
    axle: Axle = "front" if corner in AXLE_CORNERS["front"] else "rear"
    wheels = np.array([wheel[place] for wheel in modes.slow])
    ratio = float(
        ratio_at(
            wheels[CORNERS.index(corner) : CORNERS.index(corner) + 1], car.axle(axle).damper_motion_ratio
        )[0]
    )
    slow = signs * mode_values(wheels) * ratio
    named = dict(zip(("vertical load", "pitch", "roll", "warp"), (float(part) for part in slow), strict=True))
    return {
        "vertical load": named["vertical load"],
        "roll": named["roll"],
        "pitch": named["pitch"],
        "warp": named["warp"],
        "road": travel - float(slow.sum()),
    }
