"""Reading of the pots at rest on level ground, found from a car that drives.

Travel follows the forces on the body: z = z0 + b f_y + c f_x + d (f_z - g), fitted over half seconds of
driving (quasi-static ride and roll of a linear suspension: Gillespie, Fundamentals of Vehicle Dynamics, ch. 5
and 6). Read where the car runs straight, level and steadily (f_y = f_x = 0, f_z = g), it gives z0. The
difference of an axle's two pots is told to about a tenth of a millimetre, since the road's unevenness
averages out over hundreds of metres; the mean of the two less well, for a car driven on squats and jacks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.constants import AXLE_CORNERS, STANDARD_GRAVITY
from analyzer.ingest.blocks import Blocks

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEAST_BLOCKS: Final = 40
"""Half seconds of driving below which no zero is read off them (engineering judgement)."""
STRAIGHT_BLOCKS: Final = 4
"""Half seconds of straight level running that spare the line an extrapolation."""
STRAIGHT_FORCE: Final = 1.5
"""Lateral force up to which running counts as straight [m/s2]."""
STEADY_FORCE: Final = 3.0
"""Forward force up to which it counts as steady [m/s2]."""
LEVEL_BAND: Final = 1.5
"""Distance of the vertical force from 1 g up to which it counts as level [m/s2]."""
UPRIGHT_BAND: Final = 5.0
"""Distance of the usual force from that of level running beyond which axes or units are wrong [m/s2]: a run
on banks of 20 degrees has 3."""
STRAIGHT_RATE: Final = 0.15
"""Yaw rate up to which it counts as straight [rad/s]."""
MOVING_SPEED: Final = 3.0
"""Speed above which the car drives [m/s]."""
FORCE_OFFSET: Final = 0.03 * STANDARD_GRAVITY
"""Standard uncertainty of where no force lies, when the car never stands [m/s2]: tilt and offset of a usual
unit (engineering judgement)."""
SIDES_FLOOR: Final = 0.00015
MEAN_FLOOR: Final = 0.0006
"""What the line leaves out, of half the difference and of the mean of an axle's pots [m]: rms against the
virtual car and the rigid-body engine, level and banked."""
MODEL_SHARE: Final = 0.1
"""Part of an extrapolated travel that may be wrong because the suspension is not linear."""


@dataclass(frozen=True, slots=True)
class AxleZero:
    """Reading of an axle's pots at rest on level ground.

    Parameters
    ----------
    mean, half_difference : float
        Mean of left and right, and half of right minus left [m].
    mean_std, half_difference_std : float
        Their standard uncertainties [m].
    """

    mean: float
    half_difference: float
    mean_std: float
    half_difference_std: float

    def reading(self, side: str) -> float:
        """Return the reading of the pot on side ``L`` or ``R`` [m]."""
        return self.mean + (self.half_difference if side == "R" else -self.half_difference)

    @property
    def std(self) -> float:
        """Standard uncertainty of one pot's reading [m]."""
        return float(np.hypot(self.mean_std, self.half_difference_std))


def running_zeros(blocks: Blocks, still: Bools) -> dict[str, AxleZero]:
    """Return the readings per axle (``front``, ``rear``) whose two pots can be read while the car drives.

    Parameters
    ----------
    blocks : Blocks
        House channels on the time base [SI] with their block statistics.
    still : ndarray of bool
        Blocks in which the car stands; they tell where no force lies.

    Returns
    -------
    dict
        Empty without lateral acceleration, or with less than 20 s of driving.
    """
    if "accel_y" not in blocks.data or not _upright(blocks):
        return {}
    found: dict[str, AxleZero] = {}
    for axle, (left, right) in AXLE_CORNERS.items():
        pots = (f"damper_{left}", f"damper_{right}")
        if all(pot in blocks.data for pot in pots):
            zero = _axle_zero(blocks, still, *pots)
            if zero is not None:
                found[axle] = zero
    return found


def _upright(blocks: Blocks) -> bool:
    """Return whether gravity lies on z, as far as it was logged: otherwise no force is what its name says."""
    for name, usual in (("accel_x", 0.0), ("accel_y", 0.0), ("accel_z", STANDARD_GRAVITY)):
        if name in blocks.data:
            means = blocks.mean(name)
            means = means[np.isfinite(means)]
            if len(means) and abs(float(np.median(means)) - usual) > UPRIGHT_BAND:
                return False
    return True


def _axle_zero(blocks: Blocks, still: Bools, left: str, right: str) -> AxleZero | None:
    forces, unsure = _forces(blocks, still)
    used = np.isfinite(blocks.mean(left)) & np.isfinite(blocks.mean(right)) & _driving(blocks, still)
    for force in forces.values():
        used &= np.isfinite(force)
    if used.sum() < LEAST_BLOCKS:
        return None
    basis = np.column_stack([np.ones(int(used.sum())), *(force[used] for force in forces.values())])
    a, b = blocks.mean(left)[used], blocks.mean(right)[used]
    straight = _straight(blocks, forces)[used]
    found = []
    for travel, floor in ((0.5 * (a + b), MEAN_FLOOR), (0.5 * (b - a), SIDES_FLOOR)):
        line, error = robust_line(basis, travel)
        if not np.isfinite(error):
            return None
        away = 0.0
        if straight.sum() < STRAIGHT_BLOCKS:
            nearest = np.abs(basis[:, 1:]).min(axis=0)
            away = MODEL_SHARE * float(np.abs(line[1:] * nearest).sum())
        offset = FORCE_OFFSET * float(np.linalg.norm([line[1 + i] for i in unsure]))
        # A pot that slipped on the way reads another zero in either half of the run.
        middle = len(travel) // 2
        halves = [
            robust_line(basis[part], travel[part])[0][0] for part in (slice(middle), slice(middle, None))
        ]
        slip = max(0.0, 0.5 * abs(halves[1] - halves[0]) - 2.0 * error)
        found.append((float(line[0]), float(np.hypot.reduce([error, floor, away, offset, slip]))))
    (mean, mean_std), (half, half_std) = found
    return AxleZero(mean, half, mean_std, half_std)


def _forces(blocks: Blocks, still: Bools) -> tuple[dict[str, Floats], list[int]]:
    """Return the forces less what they read where there is none, and which of these are only supposed."""
    forces: dict[str, Floats] = {}
    unsure: list[int] = []
    for name in ("accel_y", "accel_x", "accel_z"):
        if name not in blocks.data or np.isnan(blocks.mean(name)).all():
            continue
        mean = blocks.mean(name)
        rest = mean[still & np.isfinite(mean)]
        if len(rest) >= STRAIGHT_BLOCKS:
            none = float(np.median(rest))
        elif name == "accel_z":
            # A unit that never reads 1 g lies about its scale or offset; then its middle must do.
            low, middle, high = (float(v) for v in np.nanpercentile(mean, [5.0, 50.0, 95.0]))
            none = STANDARD_GRAVITY if low - LEVEL_BAND < STANDARD_GRAVITY < high + LEVEL_BAND else middle
        else:
            none = 0.0
            unsure.append(len(forces))
        forces[name] = mean - none
    return forces, unsure


def _driving(blocks: Blocks, still: Bools) -> Bools:
    driving = ~still
    if "speed" in blocks.data:
        with np.errstate(invalid="ignore"):
            fast = blocks.mean("speed") > MOVING_SPEED
        if fast.sum() > 0.5 * driving.sum():
            driving = driving & fast
    return driving


def _straight(blocks: Blocks, forces: dict[str, Floats]) -> Bools:
    """Return the blocks of straight, level, steady running."""
    limits = {"accel_y": STRAIGHT_FORCE, "accel_x": STEADY_FORCE, "accel_z": LEVEL_BAND}
    with np.errstate(invalid="ignore"):
        straight = np.logical_and.reduce([np.abs(force) < limits[name] for name, force in forces.items()])
        if "gyro_z" in blocks.data:
            straight = straight & ~(np.abs(blocks.mean("gyro_z")) > STRAIGHT_RATE)
    return np.asarray(straight, dtype=np.bool_)


def robust_line(basis: Floats, values: Floats) -> tuple[Floats, float]:
    """Return coefficients, and the standard error of the first, of a fit that outliers pull little on.

    Huber's weights; the error holds for residuals correlated from block to block as an AR(1) process
    (Bartlett's factor (1 + r) / (1 - r) on the variance).

    Parameters
    ----------
    basis : ndarray
        Shape (blocks, terms), the first column ones.
    values : ndarray
        Shape (blocks,).
    """
    weight = np.ones(len(values))
    line = np.zeros(basis.shape[1])
    for _ in range(6):
        root = np.sqrt(weight)
        line = np.asarray(
            np.linalg.lstsq(basis * root[:, None], values * root, rcond=None)[0], dtype=np.float64
        )
        left = values - basis @ line
        scale = 1.4826 * float(np.median(np.abs(left - np.median(left))))
        if scale <= 0.0:
            break
        weight = np.minimum(1.0, 1.5 * scale / np.maximum(np.abs(left), 1e-12))
    left = values - basis @ line
    free = float(weight.sum()) - basis.shape[1]
    if free <= 0.0 or np.linalg.matrix_rank(basis) < basis.shape[1]:
        return line, float("inf")
    variance = float((weight * left**2).sum()) / free
    spread = np.linalg.inv((basis * weight[:, None]).T @ basis)
    rho = float(np.clip(np.corrcoef(left[:-1], left[1:])[0, 1], 0.0, 0.9)) if scale > 0.0 else 0.0
    return line, float(np.sqrt(variance * spread[0, 0] * (1.0 + rho) / (1.0 - rho)))
