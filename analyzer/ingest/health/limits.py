"""Limits of the checks that hold for any sensor, per kind of channel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from analyzer.constants import STANDARD_GRAVITY

SUBSAMPLE: Final = 20_000
"""Samples that stand for a whole channel where only its usual size is asked for."""


@dataclass(frozen=True, slots=True)
class Kind:
    """Limits for one kind of channel, in SI; all engineering judgement.

    Parameters
    ----------
    spike, step : float
        Smallest lone spike, and smallest jump, that no car makes from one sample to the next at 100 Hz.
    noise, worst_noise : float
        Sample-to-sample noise in the quietest parts, suspect and bad.
    grain : float
        Coarsest useful resolution.
    factor, unit : float, str
        For the reader: SI times factor gives unit.
    """

    spike: float
    step: float
    noise: float
    worst_noise: float
    grain: float
    factor: float
    unit: str


KINDS: Final[dict[str, Kind]] = {
    "damper": Kind(0.008, 0.020, 0.0005, 0.003, 0.0006, 1000.0, "mm"),
    "accel": Kind(
        2.0 * STANDARD_GRAVITY,
        2.5 * STANDARD_GRAVITY,
        4.0,
        10.0,
        0.06 * STANDARD_GRAVITY,
        1 / STANDARD_GRAVITY,
        "g",
    ),
    "gyro": Kind(1.2, 1.6, 0.2, 1.0, 0.02, 57.29577951308232, "deg/s"),
    "speed": Kind(5.0, 8.0, 1.0, 5.0, 0.6, 3.6, "km/h"),
    "steer": Kind(0.6, 1.2, 0.05, 0.5, 0.05, 57.29577951308232, "deg"),
}


def kind_of_channel(name: str) -> Kind | None:
    """Return the limits for a house channel; None for channels without any (position, others)."""
    return KINDS.get(name.partition("_")[0])
