"""Whether the damper channels come later than the inertial unit: filters or clocks that differ."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analyzer.estimate import Estimate
from analyzer.processing.filters import derivative
from analyzer.processing.intervals import block_error, with_error
from analyzer.processing.lines import with_instruments
from analyzer.processing.results import Motion
from analyzer.processing.roll_columns import GROUND, TURNING, RollColumns, slow_part

LEAST_LAG: Final = 0.025
"""A shorter lag is left alone [s]: friction looks like one of 15 ms, and it moves no gradient by 1 %, by the
tests' linear car in a quick weave."""
OF_TYRES: Final = 0.009
"""What the tyres' answer to the dampers looks like [s]: half the axles' damping over tyre roll stiffness, on
usual cars; taken off."""
SURE: Final = 5.0
"""A lag counts when it is this many standard errors: engineering judgement."""
LONGEST: Final = 0.5
"""A longer one is not believed [s]: engineering judgement."""
FROM_DAMPERS: Final = ("wheel_", "roll_front", "roll_rear", "heave", "pitch", "warp")


@dataclass(frozen=True, slots=True)
class DamperLag:
    """Time by which the damper channels lag the gyro.

    Parameters
    ----------
    seconds : float
        Positive: the dampers come later; 0 where it is not known.
    estimate : Estimate
        The same with its error [ms]; without a value, and with the reason, where it is not known.
    found : bool
        Whether it stands out.
    """

    seconds: float
    estimate: Estimate
    found: bool


def damper_lag(columns: RollColumns) -> DamperLag | None:
    """Return the lag of the dampers behind the gyro; None without roll rate or without both axles.

    Gyro and dampers see the same body: roll rate less the rate of suspension and tyre roll is the turning of
    the ground, and dampers late by tau add tau times the roll acceleration to it. Only what the driver
    brings about counts, by the second derivative of the slow lateral force as instrument, for bumps turn
    the body and the ground together; yaw rate stands for a gyro that is not level.
    """
    if GROUND not in columns.known or "roll acceleration" not in columns.terms:
        return None
    method = "roll rate against the rate of the dampers' roll, as far as it is driven"
    if TURNING not in columns.known:
        # A gyro out of level takes a part of the yawing for roll, which follows the driving as a lag does.
        why = "no usable yaw rate in the log: a gyro that is not level would look like a lag"
        return DamperLag(0.0, Estimate.unknown("ms", why, method), found=False)
    used = ~columns.suspect
    turning = slow_part(columns.known[GROUND] / columns.per_turning, columns.rate)
    yaw = slow_part(columns.known[TURNING] / columns.per_turning, columns.rate)
    rolling = slow_part(columns.terms["roll acceleration"], columns.rate)
    force = slow_part(columns.force, columns.rate)
    rise = derivative(force, columns.rate)
    driven = derivative(rise, columns.rate)
    ones = np.ones(np.count_nonzero(used))
    fit = with_instruments(
        np.column_stack([rolling[used], rise[used], yaw[used], ones]),
        turning[used],
        np.column_stack([driven[used], rise[used], yaw[used], ones]),
    )
    seconds, row = float(fit.coefficients[0]) - OF_TYRES, fit.influence[0]
    error = block_error((row * fit.residuals)[:, None], row)
    if error is None:
        return None
    sure = LEAST_LAG < abs(seconds) < LONGEST and abs(seconds) > SURE * error.std_error()
    note = "positive: dampers later than the inertial unit"
    return DamperLag(
        seconds, with_error(1e3 * seconds, "ms", error, 0, method, scale=1e3, notes=(note,)), sure
    )


def dampers_shifted(motion: Motion, seconds: float) -> Motion:
    """Return the motion with all that comes from the dampers brought forward by `seconds`."""
    index = motion.data.index.to_numpy(dtype=np.float64)
    names = [str(n) for n in motion.data if str(n).startswith(FROM_DAMPERS)]
    moved = {n: np.interp(index + seconds, index, motion.data[n].to_numpy()) for n in names}
    late = {
        n: np.interp(index + seconds, index, motion.suspect[n].to_numpy().astype(float)) > 0.0 for n in names
    }
    return replace(motion, data=motion.data.assign(**moved), suspect=motion.suspect.assign(**late))


def lag_notes(lag: DamperLag | None) -> tuple[str, ...]:
    """Return what to say about a lag that stands out."""
    if lag is None or not lag.found:
        return ()
    way = "later" if lag.seconds > 0.0 else "earlier"
    return (
        f"dampers {abs(1e3 * lag.seconds):.0f} ms {way} than the inertial unit (filters or clocks differ): "
        "shifted back for the roll fit; give all channels the same filter and clock",
    )
