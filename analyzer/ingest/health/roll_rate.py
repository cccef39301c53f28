"""Check of the roll gyro against the roll of the pots and of the road, which the accelerometer shows."""

from __future__ import annotations

from typing import Final

import numpy as np

from analyzer.constants import STANDARD_GRAVITY
from analyzer.ingest.health.signals import Findings, Floats, Signals, moving_correlation
from analyzer.ingest.recording import Verdict

USUAL_TRACK: Final = 1.5
"""Track width over motion ratio, enough to tell degrees from radians [m]."""
LEAST_ROLL_RATE: Final = 0.004
"""Spread of the roll rate that lets the gyro be compared [rad/s]."""
CLEAR: Final = 0.5
"""Correlation from which the sign is told (engineering judgement)."""
RATIOS: Final = (0.15, 8.0)
"""Gyro over pots: outside of it the unit is wrong; degrees and radians lie 57 apart."""
LEVEL_ROAD: Final = np.radians(4.0)
BANKED_ROAD: Final = np.radians(7.0)
"""Slope found in cornering (its 90th percentile) below which the road is level and above which it is banked
[rad]: the virtual cars and the rigid-body engine show 2 degrees at most on level ground, and 10 and more on
banks of 12 degrees."""
CORNERING: Final = 3.0
"""Lateral force from which the slope is told well [m/s2]."""
_PAIRS: Final = (("damper_FL", "damper_FR"), ("damper_RL", "damper_RR"))


def check_roll_rate(found: Findings, signals: Signals) -> None:
    """Check unit and sign of the roll rate by the rate at which pots and road roll.

    The gyro sees the body turn against the horizon: the suspension's roll less the slope of the road towards
    the inside of the turn. On a bank the road's part is several times the other and of the opposite sign.
    """
    if not signals.trusted("gyro_x"):
        return
    known = [(a, b) for a, b in _PAIRS if signals.trusted(a) and signals.trusted(b)]
    if len(known) < 2:
        found.untested("roll rate", "gyro_x", "Needs four pots.")
        return
    if len(signals.still) < 20:
        found.untested("roll rate", "gyro_x", "The log is too short.")
        return
    # Half a second averages the road out and leaves the car's turning in and out.
    step = signals.block / signals.base.rate
    roll = sum((signals.mean(b) - signals.mean(a) for a, b in known), np.zeros(1)) / (2.0 * USUAL_TRACK)
    # The mean of three blocks belongs to the same stretch as the central difference.
    gyro = np.convolve(signals.mean("gyro_x"), [0.25, 0.5, 0.25], mode="same")
    bank = road_bank(signals)
    pots = np.gradient(roll, step)
    if bank is None:
        _judge(found, signals, gyro, [pots], "bank unknown")
        return
    slope = _cornering_slope(signals, bank)
    road = np.gradient(roll - bank, step)
    if slope < LEVEL_ROAD:
        _judge(found, signals, gyro, [pots], "level")
    elif slope > BANKED_ROAD:
        _judge(found, signals, gyro, [road], "banked")
    else:
        _judge(found, signals, gyro, [pots, road], "perhaps banked")


def _cornering_slope(signals: Signals, bank: Floats) -> float:
    """Return the 90th percentile of the slope towards the inside of the turn [rad]; 0 without cornering."""
    side = signals.mean("accel_y")
    with np.errstate(invalid="ignore"):
        turning = np.isfinite(bank) & (np.abs(side) > CORNERING) & ~signals.still
    return float(np.percentile((bank * np.sign(side))[turning], 90.0)) if turning.sum() >= 10 else 0.0


def road_bank(signals: Signals) -> Floats | None:
    """Return the slope of the road per block, left side lower positive [rad]; None without the accelerations.

    Quasi-steady, from the accelerometer alone: with f_in the force in the road plane and f_z square to it,
    the centripetal acceleration is a = sqrt(f_in^2 + f_z^2 - g^2) and the bank
    atan(a / g) - atan(f_in / f_z), towards the inside of the turn (statics of a body on a slope).
    """
    if not (signals.trusted("accel_y") and signals.trusted("accel_z")):
        return None
    side, up = signals.mean("accel_y"), signals.mean("accel_z")
    along = signals.mean("accel_x") if signals.trusted("accel_x") else np.zeros(len(side))
    plane = np.hypot(along, side)
    inward = np.sqrt(np.maximum(plane**2 + up**2 - STANDARD_GRAVITY**2, 0.0))
    slope = np.arctan2(inward, STANDARD_GRAVITY) - np.arctan2(plane, up)
    # Which side is the inside cannot be told of a car that feels next to no force sideways.
    return np.asarray(slope * np.clip(side / 2.0, -1.0, 1.0), dtype=np.float64)


def _judge(found: Findings, signals: Signals, gyro: Floats, rates: list[Floats], road: str) -> None:
    """Add the row; of two rates both must agree on the sign."""
    used = np.isfinite(gyro) & ~signals.still
    for rate in rates:
        used &= np.isfinite(rate)
    if used.sum() < 20 or max(float(rate[used].std()) for rate in rates) < LEAST_ROLL_RATE:
        found.untested("roll rate", "gyro_x", "The car rolls too little to tell.")
        return
    r = [moving_correlation(rate, gyro, signals.still) for rate in rates]
    ratio = float(gyro[used].std() / np.median([rate[used].std() for rate in rates]))
    least = min(r, key=abs)
    if all(value < -CLEAR for value in r):
        if road == "bank unknown":
            text = (
                "Turns against the roll of the pots: its sign is wrong (logger.channels.gyro_x.sign), or the "
                "course is banked, which cannot be told without vertical acceleration."
            )
            found.add("roll rate", "gyro_x", Verdict.SUSPECT, least, -CLEAR, "1", text)
            return
        text = "Turns against the roll of the pots (logger.channels.gyro_x.sign)."
        found.add("roll rate", "gyro_x", Verdict.BAD, least, -CLEAR, "1", text)
    elif not all(value > CLEAR for value in r):
        text = "Does not follow the roll of pots and road closely enough to tell."
        found.untested("roll rate", "gyro_x", text)
    elif not RATIOS[0] < ratio < RATIOS[1]:
        text = f"Is {ratio:.3g} times the roll rate of the pots: wrong unit (logger.channels.gyro_x.unit)."
        found.add("roll rate", "gyro_x", Verdict.BAD, ratio, RATIOS[1], "1", text)
    else:
        what = "pots and banked road" if road == "banked" else "pots"
        found.add("roll rate", "gyro_x", Verdict.GOOD, least, CLEAR, "1", f"Follows the roll of the {what}.")
