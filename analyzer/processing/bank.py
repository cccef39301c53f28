"""Cross slope of the road from the forces on the car."""

from __future__ import annotations

from typing import Final

import numpy as np

from analyzer.constants import STANDARD_GRAVITY
from analyzer.processing.filters import Floats, lowpass_taps, runs_of, smooth

BAND: Final = 0.7
"""Low-pass of the forces [Hz]; a bank is longer than a bump. Design figure, checked on a rigid-body model."""
TURNING: Final = np.radians(5.0)
"""Yaw rate above which the direction of the turn is taken from the gyro [rad/s]: engineering judgement."""
TURNING_BAND: Final = 0.25
"""Low-pass of the yaw rate for the direction of the turn [Hz]: when a drift ends, the car turns back against
its path for about a second, which must not count as a turn."""
OUTWARD_S: Final = 2.0
"""A force out of the turn that lasts shorter is the end of a drift, not a bank driven slowly [s]: engineering
judgement."""
STEEPEST: Final = np.radians(62.0)
"""A steeper answer means that the direction of the turn was mistaken [rad]: engineering judgement, above the
steepest bank of the statics the angle is checked against (60 degrees)."""
FAINT: Final = 0.1 * STANDARD_GRAVITY
"""In-plane force below which no bank is worked out [m/s2]: engineering judgement."""


def bank_angle(
    force: tuple[Floats, Floats, Floats], rate: float, yaw_rate: Floats | None, speed: Floats | None
) -> tuple[Floats, Floats]:
    """Return the cross slope towards the inside of the turn.

    Parameters
    ----------
    force : tuple of arrays
        Specific force in the road plane along x, y and z [m/s2].
    rate : float
        Samples per second [Hz].
    yaw_rate, speed : array or None
        [rad/s], [m/s]. Speed takes the tangential acceleration out of the in-plane force.

    Returns
    -------
    bank : array
        [rad]; zero where the car feels next to no in-plane force.
    turn : array
        1 in a left turn, -1 in a right turn.

    Notes
    -----
    Quasi-steady statics of a turn of radius R on a bank: the car's total specific force has the horizontal
    part a_c towards the centre and the vertical part g, so f_in^2 + f_z^2 = a_c^2 + g^2, and the angle of the
    force to the road's normal differs from its angle to the vertical by the bank. The magnitude of the
    in-plane force is used because a drifting car points away from its path.
    """
    taps = lowpass_taps(rate, BAND, 2.0 * BAND)
    along, across, normal = (smooth(part, taps) for part in force)
    tangential: Floats | float = 0.0
    if speed is not None:
        tangential = smooth(np.gradient(speed) * rate, taps)
    in_plane = np.sqrt(np.maximum(along**2 + across**2 - tangential**2, 0.0))
    turn = np.where(across >= 0.0, 1.0, -1.0)
    if yaw_rate is not None:
        # Slower than the neutral speed the force points out of the turn, and only yaw knows the turn.
        slow_yaw = smooth(yaw_rate, lowpass_taps(rate, TURNING_BAND, 2.0 * TURNING_BAND))
        level = np.sqrt(np.maximum(in_plane**2 + normal**2 - STANDARD_GRAVITY**2, 0.0))
        outward = np.arctan2(level, STANDARD_GRAVITY) + np.arctan2(in_plane, normal) < STEEPEST
        against = (np.abs(slow_yaw) > TURNING) & (slow_yaw * turn < 0.0) & outward
        for start, end in runs_of(against):
            if end - start >= OUTWARD_S * rate:
                turn[start:end] *= -1.0
    signed = in_plane * np.where(across * turn >= 0.0, 1.0, -1.0)
    centripetal = np.sqrt(np.maximum(signed**2 + normal**2 - STANDARD_GRAVITY**2, 0.0))
    bank = np.arctan2(centripetal, STANDARD_GRAVITY) - np.arctan2(signed, normal)
    return np.where(in_plane < FAINT, 0.0, bank), turn
