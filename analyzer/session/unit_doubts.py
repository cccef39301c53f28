"""Which unit of a log lies: told by how far the car rolls, by its turn rates, and then by the sheet."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.constants import AXLE_CORNERS, AXLES, STANDARD_GRAVITY, Axle
from analyzer.core.signals import Blocks
from analyzer.ingest.recording import HealthRow, Recording, Verdict
from analyzer.prediction.results import SetupPrediction
from analyzer.sheets.car import CarSheet
from analyzer.vehicle.axle import suspension_roll, wheel_travel

Floats = NDArray[np.float64]

BEYOND: Final = 2.0
"""Measured over predicted roll, either way, from which a unit is asked for: no bar, spring or tyre of a sheet
that was measured is off by so much (engineering judgement)."""
ROLL_OF_CARS: Final = (0.15, 12.0)
"""Suspension roll per lateral force of cars on wheels [deg/g]; logs of formula cars show 0.3, soft road cars
7 (engineering judgement)."""
APART: Final = 3.0
"""Roll of one axle over that of the other which no frame twists by; 0.88 to 1.0 on the beds, 2.2 from logs of
cars whose motion ratios are not known."""
GYRO_RATIOS: Final = (0.4, 3.5)
"""Roll rate over that of the pots on level ground outside of which one of both lies: 1.0 to 1.6 on the beds,
tyres and side slip included."""
GYRO_UNIT: Final = 57.3
"""Degrees under radians, which is a matter of the gyro and not of the pots."""
NEAR: Final = 1.35
"""How near a unit's factor must come to be named: sheets are right to a fifth (engineering judgement)."""
GYRO_NEAR: Final = 1.7
"""The same for the gyro, whose ratio to the pots is 1.0 to 1.6 on sound cars."""
LEAST_BLOCKS: Final = 20
CLEAR: Final = 0.6
CORNERING: Final = 1.0
"""Spread of lateral force that lets roll be told [m/s2]."""
LEVEL_FORCE: Final = 1.08
"""Vertical force in turns up to which the road is level, in g."""
_UNITS: Final[Mapping[float, str]] = {
    25.4: "inches under a heading of mm",
    1 / 25.4: "mm under a heading of inches",
    10.0: "cm under a heading of mm",
    0.1: "mm under a heading of cm",
    1000.0: "m under a heading of mm",
    0.001: "mm under a heading of m",
}


@dataclass(frozen=True, slots=True)
class _Roll:
    """What one axle did.

    Parameters
    ----------
    gradient : float
        Suspension roll per lateral force [deg/g], positive.
    gyro : float or None
        Roll rate of the gyro over that of the pots [1]; None on banks, or where they do not go together.
    """

    gradient: float
    gyro: float | None


def with_unit_doubts(recording: Recording, car: CarSheet, prediction: SetupPrediction) -> Recording:
    """Return a recording whose health says which pots bear a unit that cannot be theirs.

    A pot is called bad by what needs no rate of the sheet alone: roll that no car shows, the other axle's
    roll, the roll rate. The sheet names the factor; where it alone is against the pot, the pot stays in use.

    Parameters
    ----------
    recording : Recording
        One run.
    car : CarSheet
        Track and motion ratios.
    prediction : SetupPrediction
        Of the set-up the run was driven on.
    """
    rolls = _rolls(recording, car)
    rows: list[HealthRow] = []
    expected = {axle: prediction.roll_gradient_body[axle].value for axle in rolls}
    for axle, roll in rolls.items():
        sheet = expected[axle]
        if sheet is None or sheet <= 0.0:
            continue
        factor = sheet / roll.gradient
        reasons = _against(axle, rolls, expected)
        if not reasons and 1.0 / BEYOND <= factor <= BEYOND:
            continue
        verdict = Verdict.BAD if reasons else Verdict.SUSPECT
        for corner in AXLE_CORNERS[axle]:
            text = _words(axle, corner, roll.gradient, sheet, reasons, alone=_alone(axle, rolls, expected))
            rows.append(HealthRow("unit", f"damper_{corner}", verdict, factor, BEYOND, "1", text))
    return replace(recording, health=(*recording.health, *rows)) if rows else recording


def _against(
    axle: Axle, rolls: Mapping[Axle, _Roll], expected: Mapping[Axle, float | None]
) -> tuple[str, ...]:
    """Return what speaks against the pots of an axle without any rate of the sheet."""
    roll = rolls[axle]
    reasons: list[str] = []
    if not ROLL_OF_CARS[0] <= roll.gradient <= ROLL_OF_CARS[1]:
        reasons.append("no car rolls so")
    for other, there in rolls.items():
        apart = roll.gradient / there.gradient
        if other == axle or 1.0 / APART <= apart <= APART:
            continue
        # Which of both: the one that is further from what it should be.
        if _off(axle, rolls, expected) > _off(other, rolls, expected):
            reasons.append(f"the {other} axle rolls {1.0 / apart:.2g} times as far")
    if roll.gyro is not None and not GYRO_RATIOS[0] <= roll.gyro <= GYRO_RATIOS[1]:
        gyro_lies = any(
            1.0 / GYRO_NEAR < roll.gyro / unit < GYRO_NEAR for unit in (GYRO_UNIT, 1.0 / GYRO_UNIT)
        )
        if not gyro_lies:
            reasons.append(f"the roll rate is {roll.gyro:.2g} times that of these pots")
    return tuple(reasons)


def _off(axle: Axle, rolls: Mapping[Axle, _Roll], expected: Mapping[Axle, float | None]) -> float:
    sheet = expected[axle]
    return 0.0 if not sheet else abs(math.log(sheet / rolls[axle].gradient))


def _alone(axle: Axle, rolls: Mapping[Axle, _Roll], expected: Mapping[Axle, float | None]) -> bool:
    """Return whether the other axle rolls as the sheet says, so that lateral force is right."""
    return any(_off(other, rolls, expected) < math.log(BEYOND) for other in rolls if other != axle)


def _words(
    axle: Axle, corner: str, gradient: float, sheet: float, reasons: tuple[str, ...], alone: bool
) -> str:
    factor = sheet / gradient
    near = min(_UNITS, key=lambda unit: abs(math.log(factor / unit)))
    fits = 1.0 / NEAR < factor / near < NEAR
    named = [f"{_UNITS[near]} ({near:.4g})"] if fits else []
    if factor > BEYOND:
        named.append(f"sensor volts or counts of {factor:.2g} of this unit each")
    what = ", or ".join(named) or "no unit of length fits it"
    text = (
        f"The {axle} axle rolls {gradient:.2g} deg/g by these pots and {sheet:.2g} by the sheet"
        f"{': ' if reasons else ''}{', '.join(reasons)}. A factor of {factor:.3g} is missing: {what} "
        f"(logger.channels.damper_{corner}.unit or .volts)"
    )
    others = [] if alone else ["lateral acceleration bears another unit (accel_y.unit)"]
    if not reasons:
        others.append(f"the sheet's rates and bar of the {axle} axle are not the car's")
    return text + "".join(f", or {other}" for other in others) + "."


def _rolls(recording: Recording, car: CarSheet) -> dict[Axle, _Roll]:
    """Return the roll of each axle whose pots and lateral force can be used and go together."""
    if not recording.usable("accel_y"):
        return {}
    side = _means(recording, "accel_y")
    found: dict[Axle, _Roll] = {}
    for axle in AXLES:
        names = [f"damper_{corner}" for corner in AXLE_CORNERS[axle]]
        if not all(recording.usable(name) for name in names):
            continue
        sheet = car.front if axle == "front" else car.rear
        left, right = (wheel_travel(_means(recording, n), sheet.damper_motion_ratio) for n in names)
        roll = suspension_roll(left, right, sheet)
        used = np.isfinite(side) & np.isfinite(roll)
        if used.sum() < LEAST_BLOCKS or float(side[used].std()) < CORNERING or not roll[used].std() > 0.0:
            continue
        if float(np.corrcoef(roll[used], side[used])[0, 1]) < CLEAR:
            continue
        slope = float(np.polyfit(side[used], roll[used], 1)[0])
        gradient = float(np.degrees(slope)) * STANDARD_GRAVITY
        if gradient > 0.0:
            found[axle] = _Roll(gradient, _gyro_ratio(recording, roll, side))
    return found


def _gyro_ratio(recording: Recording, roll: Floats, side: Floats) -> float | None:
    """Return the gyro's roll rate over that of the pots on level ground."""
    if not all(recording.usable(name) for name in ("gyro_x", "accel_z")):
        return None
    gyro = np.convolve(_means(recording, "gyro_x"), [0.25, 0.5, 0.25], mode="same")
    up = _means(recording, "accel_z")
    # A bank presses the car into the road; there the gyro sees the road turn, too.
    turning = np.isfinite(up) & (np.abs(side) > 3.0)
    if turning.sum() < LEAST_BLOCKS // 2:
        return None
    if float(np.percentile(up[turning], 90)) > LEVEL_FORCE * STANDARD_GRAVITY:
        return None
    blocks = Blocks({}, recording.sample_rate)
    rate = np.gradient(roll, blocks.size / recording.sample_rate)
    used = np.isfinite(rate) & np.isfinite(gyro)
    if used.sum() < LEAST_BLOCKS or not rate[used].std() > 0.0:
        return None
    if float(np.corrcoef(rate[used], gyro[used])[0, 1]) < CLEAR:
        return None
    return float(gyro[used].std() / rate[used].std())


def _means(recording: Recording, name: str) -> Floats:
    """Return the means of half seconds; NaN where a sample is suspect."""
    values = np.where(recording.suspect[name].to_numpy(), np.nan, recording.data[name].to_numpy())
    return Blocks({name: values}, recording.sample_rate).mean(name)
