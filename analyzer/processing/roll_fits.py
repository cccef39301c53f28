"""The two regressions behind a roll gradient: the car's moment mean, and the difference between its axles."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analyzer.constants import AXLES, STANDARD_GRAVITY, Axle
from analyzer.processing.filters import Bools, Floats, derivative, lowpass_taps, smooth
from analyzer.processing.intervals import block_error, block_length
from analyzer.processing.level_road import Weights
from analyzer.processing.lines import LinearFit, kept_part, less_noise, with_instruments
from analyzer.processing.roll_columns import DRIVEN, GROUND, YAW, RollColumns, slow_part

KEEP: Final = 0.5
"""A helper term stays out when it leaves less than this part of the lateral force's own variation."""
LEAST_BEND: Final = 0.2
"""A vertical force that varies less bends nothing: standard deviation [m/s2]; engineering judgement."""
DRIVER_BAND: Final = 1.0
"""Where a driver's weave ends [Hz]: common practice, no source. Residuals above it do not reach the slope."""
MOST_INFLATION: Final = 1.3
"""Largest factor on the variance of the moment mean for its helper terms: what the tests' linear car asks
for; a short part of a run has few blocks, and few of the helpers' quick columns reach its slope."""
LEAST_TWIST: Final = 3e-4
"""Ground twisted less than this cannot bend a gradient [rad], root mean square: 0.3 % of usual roll."""
GROUND_RANGE: Final = (-1.4, 0.1)
"""The twist that gyro and pots see acts with about -1 (0 where the whole road plane turns, as in a moving
base); anything beyond is not the ground: engineering judgement."""


@dataclass(frozen=True, slots=True)
class Mixed:
    """The mixes that are fitted, and the way back to the axles: roll of the axles = back @ mixes."""

    axles: tuple[Axle, ...]
    rolls: list[Floats]
    back: Floats


def mix_rolls(columns: RollColumns, weights: Weights, used: Bools) -> Mixed:
    """Return the moment mean and, with both axles, the difference of roll over the ground, where `used`.

    What yaw acceleration and a bar in its free play do is known and taken off.
    """
    axles = tuple(axle for axle in AXLES if axle in columns.roll)
    rolls = [columns.roll[axle][used] for axle in axles]
    if len(axles) == 1:
        return Mixed(axles, rolls, np.eye(1))
    total = sum(weights.stiffness.values())
    there = np.array(
        [
            [weights.stiffness["front"] / total, weights.stiffness["rear"] / total],
            [weights.over_ground["front"], -weights.over_ground["rear"]],
        ]
    )
    mixes = [row[0] * rolls[0] + row[1] * rolls[1] for row in there]
    if YAW in columns.known:
        # Known from the sheet, since in a weave it goes along with the lateral force and cannot be fitted.
        yaw = columns.known[YAW][used]
        mixes = [mixes[0] - weights.mean_per_yaw * yaw, mixes[1] - weights.twist_per_yaw * yaw]
        mixes[1] = mixes[1] + _moved_contacts(columns, weights, used)
    for sign, axle in zip((1.0, -1.0), AXLES, strict=True):
        if axle in columns.lost:
            moment = weights.bar[axle] * columns.lost[axle][used]
            mixes = [
                mixes[0] - moment / total,
                mixes[1] - sign * weights.tyre_give.get(axle, 0.0) * moment,
            ]
    return Mixed(axles, mixes, np.linalg.inv(there))


def _moved_contacts(columns: RollColumns, weights: Weights, used: Bools) -> Floats:
    """Return the tyre roll, front less rear, from contacts that move under the rolled body in yaw.

    By `analyzer.processing.moment_arm` it goes with the square of the lateral force at the axle. What the
    force at the CG alone would do stays in, as part of the car's own answer; yaw acceleration makes the
    difference (0.15 % of a gradient in a slalom of the engine car).
    """
    force, yaw = columns.force[used], columns.known[YAW][used]
    up = np.full_like(force, STANDARD_GRAVITY)
    if "vertical force" in columns.terms:
        up = np.maximum(columns.terms["vertical force"][used], 1.0)
    apart = np.zeros_like(force)
    for sign, axle in zip((1.0, -1.0), AXLES, strict=True):
        swing = weights.place.get(axle, 0.0) * yaw
        square = (2.0 * force + swing) * swing / up
        apart += sign * weights.shifted.get(axle, 0.0) * columns.roll[axle][used] * square
    return apart


def bends(columns: RollColumns, used: Bools) -> list[Floats]:
    """Return how a car's steady roll may bend away from a straight line over the forces of a run.

    The cube of the lateral force, and lateral times vertical force: roll centres, contacts and springs give
    no more to this order (a car alike left and right). Each without its own straight line over the run, so
    that the slope of the force beside them is that of the line through the steady answer. Left out, terms in
    roll acceleration and wheel speeds take up the bend and turn the slope with it (0.9 % in a slalom of the
    engine car on a smooth road), and what is left of it passes for scatter.
    """
    force = columns.force[used]
    found = [force**3]
    up = columns.terms.get("vertical force")
    if up is not None and float(np.std(up[used])) > LEAST_BEND:
        found.append(force * up[used])
    line = np.column_stack([force, np.ones_like(force)])
    rest = [column - line @ np.linalg.lstsq(line, column, rcond=None)[0] for column in found]
    return [column / (float(np.std(column)) or 1.0) * float(np.std(force)) for column in rest]


@dataclass(frozen=True, slots=True)
class MixFit:
    """A fit of one mix of the axles' roll: lateral force first, then `names`, a constant, and bends.

    `bent` is what the bends add to the line [rad].
    """

    names: list[str]
    fit: LinearFit
    inflate: float
    bent: Floats
    slow_rate: float = 0.0

    @property
    def influence(self) -> Floats:
        """What every row adds to the error of the slope.

        Slow instruments see the slow part of the residuals alone. The rest of the ground's twist is quick and
        takes itself back from one row to the next, which blocks would count at both of their ends.
        """
        residuals = self.fit.residuals
        if self.slow_rate > 0.0:
            residuals = smooth(residuals, lowpass_taps(self.slow_rate, DRIVER_BAND, DRIVER_BAND))
        rows: Floats = self.fit.influence[0] * residuals * self.inflate
        return rows

    def coefficients(self) -> dict[str, float]:
        """Return the coefficient of every term."""
        return dict(zip(self.names, (float(c) for c in self.fit.coefficients[1:]), strict=False))

    def errors(self) -> dict[str, float]:
        """Return the standard error of every coefficient that has one."""
        found: dict[str, float] = {}
        for place, name in enumerate(self.names, start=1):
            row = self.fit.influence[place]
            error = block_error((row * self.fit.residuals * self.inflate)[:, None], row)
            if error is not None:
                found[name] = error.std_error()
        return found


def fit_mean(columns: RollColumns, used: Bools, roll: Floats, names: list[str]) -> MixFit:
    """Fit the moment mean, or the roll of the only axle, by all `names`."""
    force = columns.force[used]
    bent = np.column_stack(bends(columns, used))
    design = np.column_stack([force, *(columns.terms[n][used] for n in names), np.ones_like(force), bent])
    clean = [0.0] * (1 + bent.shape[1])
    noise = np.array([*(columns.noise.get(n, 0.0) for n in ("lateral force", *names)), *clean])
    fit = less_noise(design, roll, noise)
    # Residuals are smaller than the errors behind them. What is independent is blocks, not rows, so the usual
    # factor n / (n - k) counts those; the slope's own part is taken back by `block_error`.
    pieces = len(roll) / block_length(fit.influence[0] * fit.residuals)
    others = design.shape[1] - 1
    inflate = float(np.sqrt(pieces / max(pieces - others, pieces / MOST_INFLATION)))
    return MixFit(names, fit, inflate, bent @ fit.coefficients[-bent.shape[1] :])


def with_damped_tyres(
    columns: RollColumns, weights: Weights, terms: dict[str, float]
) -> tuple[RollColumns, Floats]:
    """Return the columns with the tyre roll that the dampers cause taken out of the ground twist.

    Tyres carry springs and dampers, and the moment of the dampers is known from the first fit. Left in, it
    would look like ground that rolls in step with the body's roll acceleration (0.4 % of the gradients in a
    slalom of the engine car). Also returns what it adds to the difference of roll over the ground.
    """
    total = sum(weights.stiffness.values())
    rolls = {
        axle: -terms[f"damper {axle}"] * total * give * columns.terms[f"damper {axle}"]
        for axle, give in weights.tyre_give.items()
        if f"damper {axle}" in terms
    }
    none = np.zeros_like(columns.force)
    apart: Floats = rolls.get("front", none) - rolls.get("rear", none)
    if GROUND not in columns.known or not rolls:
        return columns, apart
    turning = derivative(sum(rolls.values(), none) / len(AXLES), columns.rate)
    ground = columns.known[GROUND] - columns.per_turning * turning
    known = {**columns.known, GROUND: ground}
    return replace(
        columns, known=known, slow={**columns.slow, GROUND: slow_part(ground, columns.rate)}
    ), apart


def fit_twist(columns: RollColumns, used: Bools, roll: Floats, names: list[str]) -> MixFit:
    """Fit the difference of roll over the ground by what of `names` is driven, and by the ground's twist."""
    names = [n for n in names if n in DRIVEN]
    if _ground_stands_out(columns, used, names):
        fit = _twist_by(columns, used, roll, names, ground=True)
        if GROUND_RANGE[0] < fit.coefficients()[GROUND] < GROUND_RANGE[1]:
            return fit
    return _twist_by(columns, used, roll, names, ground=False)


def _twist_by(columns: RollColumns, used: Bools, roll: Floats, names: list[str], ground: bool) -> MixFit:
    fitted = {n: columns.terms[n][used] for n in names}
    if ground:
        fitted[GROUND] = columns.known[GROUND][used]
    ones = np.ones(len(roll))
    design = np.column_stack([columns.force[used], *fitted.values(), ones])
    slow = np.column_stack([columns.slow[n][used] for n in ("lateral force", *fitted)])
    fit = with_instruments(design, roll, np.column_stack([slow, ones]))
    inflate = float(np.sqrt(len(roll) / max(len(roll) - design.shape[1], 1)))
    return MixFit(list(fitted), fit, inflate, np.zeros(len(roll)), columns.rate)


def _ground_stands_out(columns: RollColumns, used: Bools, names: list[str]) -> bool:
    """Return whether the ground is twisted enough to tell, and not in step with the lateral force."""
    if GROUND not in columns.known or float(np.std(columns.slow[GROUND][used])) < LEAST_TWIST:
        return False
    force = columns.slow["lateral force"][used]
    centred = force - force.mean()
    others = [np.ones_like(force), *(columns.slow[n][used] for n in names)]
    alone = kept_part(centred, np.column_stack(others))
    return kept_part(centred, np.column_stack([*others, columns.slow[GROUND][used]])) > KEEP * alone
