"""Roll gradient of each axle from the whole run, by the roll equation of the sprung body.

In body axes, for any bank and any roll angle, I p' + sum over axles (C phi' + K phi) = M f_y, so suspension
roll is a sum of terms in the lateral specific force, the roll acceleration, the wheel speeds of both axles
and the friction of their dampers and joints. Fitted together, transitions and roll set up by the road become
signal. Road twist between the axles is what remains, and it is not correlated with the lateral force.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from analyzer.core import regression
from analyzer.core.signals import Bools, Floats, derivative, lowpass_taps, smooth
from analyzer.core.units import AXLES, STANDARD_GRAVITY, Axle
from analyzer.processing.roll import equation
from analyzer.processing.roll.equation import (
    ASIDE,
    BANKED,
    DRIFTED,
    GROUND,
    GYROSCOPIC,
    PATH_FORCE,
    PER_BANK,
    ROLLING,
    TURNING,
    YAW,
    RollColumns,
)
from analyzer.vehicle.roll import Weights

ENOUGH_FORCE: Final = 0.6 * STANDARD_GRAVITY
"""Peak lateral force from which a gradient is given, however wide its interval [m/s2]: common practice, no
source."""
LEAST_FORCE: Final = 0.08 * STANDARD_GRAVITY
"""Below this nothing is said, however clean the log [m/s2]: engineering judgement."""
MOST_UNSURE: Final = 0.05
"""Standard error of the slopes, as part of them, up to which a smaller force tells them, too: a slippery
course of 0.3 g, driven for a minute, tells them to 0.5 %; engineering judgement."""
SHORTEST_S: Final = 4.0
"""Least usable time [s]: two cycles of a slow change of direction; engineering judgement."""
LEAST_SPREAD: Final = {"longitudinal force": 0.2, "vertical force": 0.2, "steer angle": 0.01}
"""A helper that varies less is noise: standard deviation [m/s2, rad]; engineering judgement."""
MOST_ATTENUATION: Final = 0.2
"""More than this is not put back: engineering judgement."""
NOISE_DOUBTED: Final = 0.01
"""Where noise may have moved the slope by more than this, what is slow is asked: engineering judgement."""
NOISE_SPREAD: Final = 0.2
"""Relative standard uncertainty of the white noise that is put back: engineering judgement."""
OPTIONAL: Final = ("damper asymmetry", "friction", "longitudinal force", "vertical force", "steer angle")


GroundTold = Literal["gyro", "bank", "tyres"]


@dataclass(frozen=True, slots=True)
class RollFit:
    """Fit of the roll equation to the axles of one run.

    Parameters
    ----------
    axles : tuple of Axle
        Axles fitted, in the order of the covariance.
    slope : dict
        Suspension roll per lateral specific force in body axes [rad / (m/s2)].
    intercept : dict
        Offset of the line through the mean of the points [rad].
    error : BlockError or None
        Of the slopes; None when the run is too short for one.
    terms, term_errors : dict
        Term -> coefficient, and standard error where known, in the equation of the car's mean suspension roll
        (weighted by roll stiffness) [rad / unit of the term].
    attenuation : float
        Part of the slope that noise of the accelerometer took off, put back here [1].
    unsure : float
        Relative standard uncertainty of the slopes, the same for both axles, from noise that may not be what
        it was taken for [1].
    by_path : float or None
        Change of the moment mean's slope where speed times yaw rate ruled over the noise of slow columns [1].
    per_lean : dict
        Axle -> change of the slope per radian that the inertial box leans about x, y and z, shape (3,)
        [1 / (m/s2)].
    used : array of bool
        Rows of the columns that were used.
    lateral_range : tuple of float
        Range of lateral force of those rows [m/s2].
    left_out : dict
        Helper term -> part of the lateral force's variation it left, for terms that could not be separated.
    per_place : dict
        Axle -> change of the slope per metre that the inertial unit sits further ahead, to the left and up
        than the forces were moved from, shape (3,) [s2/m2].
    per_inertia : dict
        Axle -> change of the slope per unit of `INERTIA_RATIO` [1 / (m/s2)].
    by_ground : dict
        Axle -> change of the slope if the ground is twisted as far as side-slip has it, in step with the
        lateral force too [1 / (m/s2)].
    ground_told : str
        What tells the ground's twist: the roll ``gyro``, ``bank`` by the forces, or nothing but the ``tyres``
        of the sheet.
    per_bank : dict
        Axle -> change of the slope per radian by which banks, in a log without a roll gyro, are taken for too
        steep to the left [1 / (m/s2)].
    by_play : dict
        Axle -> change of the slope if free play, of which the log does not tell the axle, is the front bar's;
        if it is the rear one's, as much the other way [1 / (m/s2)].
    residual : dict
        Axle -> roll less what is fitted, for the rows used [rad]; the bend of the steady answer stays in.
    """

    axles: tuple[Axle, ...]
    slope: dict[Axle, float]
    intercept: dict[Axle, float]
    error: regression.BlockError | None
    terms: dict[str, float]
    term_errors: dict[str, float]
    used: Bools
    lateral_range: tuple[float, float]
    left_out: dict[str, float]
    attenuation: float
    unsure: float
    by_path: float | None
    per_lean: dict[Axle, Floats]
    per_place: dict[Axle, Floats]
    per_inertia: dict[Axle, float]
    by_ground: dict[Axle, float]
    ground_told: GroundTold
    per_bank: dict[Axle, float]
    by_play: dict[Axle, float]
    residual: dict[Axle, Floats]

    def std_error(self, axle: Axle) -> float | None:
        """Return the standard error of the slope of an `axle`."""
        return None if self.error is None else self.error.std_error(self.axles.index(axle))


def fit_roll(
    columns: RollColumns, weights: Weights, use: Bools | None = None, terms: tuple[str, ...] | None = None
) -> RollFit | str:
    """Fit the roll equation to both axles, or to the one that has its pots.

    Parameters
    ----------
    columns : RollColumns
        Low-passed columns.
    weights : Weights
        From the sheet.
    use : array of bool, optional
        Rows to use beyond leaving out the suspect ones (a section, one direction).
    terms : tuple of str, optional
        Terms allowed beside lateral force and constant; all by default.

    Returns
    -------
    RollFit or str
        The reason in words when there is nothing to fit.

    Notes
    -----
    Road twist moves the two axles against each other and is far larger than sensor noise. Fitted axle by axle
    it also sits in the wheel speeds of that axle and bends the fit (0.6 % at a road roll of 0.17 degrees in
    the tests' linear car). So two mixes are fitted. The moment mean (K_f phi_f + K_r phi_r) / (K_f + K_r) is
    the car's moment balance, which twist does not touch; it takes all terms. The difference of roll over the
    ground, phi_f (1 + K_f / K_tyre,f) - phi_r (1 + K_r / K_tyre,r), takes only what follows the driving and
    the twist of the ground as gyro and pots see it, and is fitted with slow instruments: the rear wheels
    follow the front ones over the same road, so that twist and the body's own answer to the road belong
    together. Weights that are a little wrong let a little twist into the first and a little of the dynamics
    into the second.
    """
    # Too short or too gently driven, a gradient would be an accident of the road.
    used = ~columns.suspect if use is None else ~columns.suspect & use
    if np.count_nonzero(used) < SHORTEST_S * columns.rate:
        return f"not enough usable samples: {np.count_nonzero(used) / columns.rate:.1f} s"
    force = columns.force[used]
    peak = float(np.quantile(np.abs(force), 0.99))
    if peak < LEAST_FORCE:
        return _too_little(peak)
    mixed = mix_rolls(columns, weights, used)
    names, left_out = _choose_terms(columns, used, terms)
    fit = _assemble(columns, weights, used, mixed, names, left_out)
    # How much force is enough, road and noise decide: the error of the slopes says it.
    if peak < ENOUGH_FORCE and not all(_told(fit, axle) for axle in fit.axles):
        return _too_little(peak)
    return fit


def _told(fit: RollFit, axle: Axle) -> bool:
    error = fit.std_error(axle)
    return error is not None and error <= MOST_UNSURE * abs(fit.slope[axle])


def _too_little(peak: float) -> str:
    shown = peak / STANDARD_GRAVITY
    return f"not enough cornering: lateral force hardly above {shown:.2f} g does not tell it from the road"


def _choose_terms(
    columns: RollColumns, used: Bools, allowed: tuple[str, ...] | None
) -> tuple[list[str], dict[str, float]]:
    """Return the terms to fit, and those left out since they go along with the lateral force.

    The terms of the equation itself always stay. A helper that would take away half of what the lateral force
    shows by itself would trade a small possible bias for a large certain scatter.
    """
    force = columns.force[used]
    centred = force - force.mean()
    # A column that hardly moves is noise, and would only pass its noise on.
    names = [n for n in columns.terms if allowed is None or n in allowed]
    names = [n for n in names if np.std(columns.terms[n][used]) > LEAST_SPREAD.get(n, 0.0)]
    chosen = [n for n in names if not n.startswith(OPTIONAL)]
    left_out: dict[str, float] = {}
    # Helpers one by one: each is judged by what the force keeps beside those that are in already.
    have = [np.ones_like(force), *(columns.terms[n][used] for n in chosen)]
    kept = regression.kept_part(centred, np.column_stack(have))
    for name in (n for n in names if n.startswith(OPTIONAL)):
        trial = [*have, columns.terms[name][used]]
        with_it = regression.kept_part(centred, np.column_stack(trial))
        if with_it < KEEP * kept:
            left_out[name] = with_it / kept
            continue
        have, kept = trial, with_it
        chosen.append(name)
    return chosen, left_out


def _per_lean(columns: RollColumns, used: Bools, mixed: Mixed, fits: list[MixFit]) -> dict[Axle, Floats]:
    """Return what a box that leans about x, y and z adds to each slope, per radian, shape (3,).

    Components of a vector along axes that lean by small angles d are those along the car's less d x vector
    (any mechanics text). About x the vertical force comes into the lateral one, about z the longitudinal
    force, and about y the yaw rate into the roll rate: through the ground's twist and roll acceleration.
    """
    shifts = np.zeros((len(fits), 3))
    forces = (("vertical force", 0, -1.0), ("longitudinal force", 2, 1.0))
    for place, mix in enumerate(fits):
        row, slope = mix.fit.influence[0], float(mix.fit.coefficients[0])
        # A force that is fitted beside the lateral one takes its own leak with it.
        for name, axis, sign in forces:
            if name in columns.terms:
                shifts[place, axis] = sign * slope * float(row @ columns.terms[name][used])
        own = mix.coefficients()
        if TURNING in columns.known:
            shifts[place, 1] += own.get(GROUND, 0.0) * float(row @ columns.known[TURNING][used])
        if YAW in columns.known:
            shifts[place, 1] += own.get("roll acceleration", 0.0) * float(row @ columns.known[YAW][used])
    return dict(zip(mixed.axles, mixed.back @ shifts, strict=True))


def _per_place(columns: RollColumns, used: Bools, mixed: Mixed, fits: list[MixFit]) -> dict[Axle, Floats]:
    """Return what a unit that sits elsewhere adds to each slope, per metre along x, y and z, shape (3,).

    What it reads more along its lateral axis: `analyzer.processing.roll.unit_place`, and along z the product
    of pitch and yaw rate, as steady on a bank as the lateral force. Roll acceleration is fitted.
    """
    felt = ((YAW, -1.0), (ASIDE, 1.0), (GYROSCOPIC, -1.0))
    shifts = np.zeros((len(fits), 3))
    for place, mix in enumerate(fits):
        row, slope = mix.fit.influence[0], float(mix.fit.coefficients[0])
        for axis, (name, sign) in enumerate(felt):
            if name in columns.known:
                shifts[place, axis] = sign * slope * float(row @ columns.known[name][used])
    return dict(zip(mixed.axles, mixed.back @ shifts, strict=True))


def _per_inertia(columns: RollColumns, used: Bools, mixed: Mixed, mean: MixFit) -> dict[Axle, float]:
    """Return what another ratio of the body's inertias adds to each slope, per unit of it."""
    if GYROSCOPIC not in columns.known:
        return dict.fromkeys(mixed.axles, 0.0)
    per_unit = mean.coefficients()["roll acceleration"] * columns.known[GYROSCOPIC][used]
    shift = float(mean.fit.influence[0] @ per_unit)
    return {axle: float(mixed.back[k, 0]) * shift for k, axle in enumerate(mixed.axles)}


def _by_ground(
    columns: RollColumns, weights: Weights, used: Bools, mixed: Mixed, fits: list[MixFit]
) -> dict[Axle, float]:
    """Return what each slope would change by if the ground is twisted as far as the side-slip has it.

    Ground that is twisted in step with the lateral force passes for roll: all of it where the twist is not
    fitted (`_ground_share`), and what does not go along with the fitted twist where it is. In a drift
    round a bowl of 12 degrees at 9.5 m/s that is half of the front gradient.
    """
    if len(fits) < 2:
        return dict.fromkeys(mixed.axles, 0.0)
    told = _ground_told(columns)
    if told == "tyres":
        shift = _by_tyres(weights, mixed, fits)
    else:
        # Without what tells side-slip the ground's own column says what is open where it is not fitted.
        names = (BANKED,) if told == "bank" else (DRIFTED, GROUND)
        twist = next(columns.known[name] for name in names if name in columns.known)
        # It acts on the difference of roll with -1: influence times twist is what is missing from the slope.
        shift = float(fits[1].fit.influence[0] @ twist[used])
        if told == "bank":
            # What was taken off is as good as the banks are; where the axles half show it, all of it is open.
            part = fits[1].banked
            shift *= BANK_DOUBT * part + 2.0 * part * (1.0 - part)
    return {axle: float(mixed.back[k, 1]) * shift for k, axle in enumerate(mixed.axles)}


def _ground_told(columns: RollColumns) -> GroundTold:
    if GROUND in columns.known:
        return "gyro"
    return "bank" if BANKED in columns.known else "tyres"


def _by_tyres(weights: Weights, mixed: Mixed, fits: list[MixFit]) -> float:
    """Return the ground's twist per lateral force that the axles show where nothing else tells it.

    A rigid body rolls over the ground alike at both axles: their difference of roll, each with its tyres, is
    what passes the springs by, and the rest is the ground's twist. Springs, bars and tyres are in that as the
    sheet has them, so it moves no gradient; what they may explain counts as none.
    """
    if any(weights.tyre_give.get(axle, 0.0) <= 0.0 for axle in AXLES):
        return 0.0
    slopes = mixed.back @ np.array([mix.fit.coefficients[0] for mix in fits])
    past = [weights.give.get(axle, 0.0) for axle in AXLES]
    shift = past[1] - past[0] - float(fits[1].fit.coefficients[0])
    give = [(weights.over_ground[a] - 1.0) * slope for a, slope in zip(AXLES, slopes, strict=True)]
    explained = TYRES_DOUBT * math.hypot(*give, *past)
    return math.copysign(math.sqrt(max(shift**2 - explained**2, 0.0)), shift)


def _per_bank(columns: RollColumns, used: Bools, mixed: Mixed, fits: list[MixFit]) -> dict[Axle, float]:
    """Return what each slope would change by if all banks were steeper to the left, per radian."""
    if len(fits) < 2 or PER_BANK not in columns.known:
        return dict.fromkeys(mixed.axles, 0.0)
    shift = fits[1].banked * float(fits[1].fit.influence[0] @ columns.known[PER_BANK][used])
    return {axle: float(mixed.back[k, 1]) * shift for k, axle in enumerate(mixed.axles)}


def _by_play(
    columns: RollColumns, weights: Weights, used: Bools, mixed: Mixed, fits: list[MixFit]
) -> dict[Axle, float]:
    """Return what each slope would change by if play of an axle that is not told is the front bar's."""
    if not columns.lost_of_either:
        return dict.fromkeys(mixed.axles, 0.0)
    # What is taken off is half of either's: the front one's half comes on top, the rear one's back.
    lost = {axle: columns.lost[axle][used] for axle in AXLES}
    give = {axle: weights.tyre_give.get(axle, 0.0) * weights.total for axle in AXLES}
    mean = lost["front"] - lost["rear"]
    apart = give["front"] * lost["front"] + give["rear"] * lost["rear"]
    shifts = [-float(mix.fit.influence[0] @ more) for mix, more in zip(fits, (mean, apart), strict=True)]
    return dict(zip(mixed.axles, (float(change) for change in mixed.back @ shifts), strict=True))


def _assemble(
    columns: RollColumns,
    weights: Weights,
    used: Bools,
    mixed: Mixed,
    names: list[str],
    left_out: dict[str, float],
) -> RollFit:
    fits = [fit_mean(columns, used, mixed.rolls[0], names)]
    if len(mixed.rolls) > 1:
        # The dampers load the tyres as well, by as much as the first fit has shown.
        columns, tyres = with_damped_tyres(columns, weights, fits[0].coefficients())
        fits.append(fit_twist(columns, used, mixed.rolls[1] + tyres[used], names))
    # Noise flattens the moment mean, which has it put back, and the slow instruments' part of the difference.
    weak = fits[0].attenuation
    slopes = np.array([mix.fit.coefficients[0] for mix in fits])
    slopes[1:] /= 1.0 - weak * equation.SLOW_BAND / equation.BAND
    # From mixes to axles: both share the rows, so their errors add up row by row before blocks are formed.
    slopes = mixed.back @ slopes
    influence = np.column_stack([mix.influence for mix in fits]) @ mixed.back.T
    residuals = mixed.back @ np.vstack([mix.fit.residuals for mix in fits])
    bent = mixed.back @ np.vstack([mix.bent for mix in fits])
    force = columns.force[used]
    axles = mixed.axles
    # The line goes through the middle of the points, as it is drawn.
    means = [float(columns.roll[a][used].mean() - slopes[k] * force.mean()) for k, a in enumerate(axles)]
    return RollFit(
        axles=axles,
        slope={a: float(slopes[k]) for k, a in enumerate(axles)},
        intercept=dict(zip(axles, means, strict=True)),
        error=regression.block_error(influence, fits[-1].fit.influence[0]),
        terms=fits[0].coefficients(),
        term_errors=fits[0].errors(),
        used=used,
        lateral_range=(float(force.min()), float(force.max())),
        left_out=left_out,
        attenuation=weak,
        unsure=fits[0].unsure,
        by_path=fits[0].by_path,
        per_lean=_per_lean(columns, used, mixed, fits),
        per_place=_per_place(columns, used, mixed, fits),
        per_inertia=_per_inertia(columns, used, mixed, fits[0]),
        by_ground=_by_ground(columns, weights, used, mixed, fits),
        ground_told=_ground_told(columns),
        per_bank=_per_bank(columns, used, mixed, fits),
        by_play=_by_play(columns, weights, used, mixed, fits),
        residual={a: residuals[k] + bent[k] for k, a in enumerate(axles)},
    )


# The share of the front axle in the roll stiffness, by how the road twists the axles.


SHARES: Final = (0.05, 0.95)
"""A share beyond these is a pot that is wrong, and is not believed: engineering judgement."""
SHARE_OF_SHEET: Final = 0.03
"""Standard uncertainty of the share that the sheet's springs and bars make, for the weights of the fit alone:
a bar of half or twice its rate moves it by 0.01 to 0.1. A road that twists the axles outweighs it a hundred
times; where the inertial channels are late or hold their samples it keeps the share from running away (2.9 %
of one gradient of 70 with 0.1)."""
SHARE_LEFT_OUT: Final = 0.0015
"""Standard uncertainty of the share beside its own errors: 0.0014 on drawn drives over bowls, banks and rough
roads of the rigid-body engine, root mean square, where the road twists the axles well."""
ALIKE: Final = {True: 0.15, False: 0.4}
"""Correlation, with or without a roll gyro, of the axles' twist with what the fit leaves of the roll of both
alike: by as much, times the ratio of their sizes, that moves the share. Seen on the same drives, root mean
square; a road twists the body less than the axles, but not at random."""


@dataclass(frozen=True, slots=True)
class FrontShare:
    """Share of the front axle in the suspension's roll stiffness, as a log shows it.

    Parameters
    ----------
    value : float
        Of springs and bar together [1].
    error : BlockError
        Of the run.
    model : float
        Standard uncertainty from what the fit leaves out [1].
    """

    value: float
    error: regression.BlockError
    model: float

    def beside(self, sheet: float) -> float:
        """Return the share with the sheet's as one more measurement of it, and a poor one."""
        variance = self.error.std_error() ** 2 + self.model**2
        trust = 1.0 / (1.0 + variance / SHARE_OF_SHEET**2)
        return trust * self.value + (1.0 - trust) * sheet


def front_share(columns: RollColumns, weights: Weights, placed: bool = True) -> FrontShare | None:
    """Return the share of the front axle in the roll stiffness as the road shows it; None where it does not.

    `placed` says whether the place of the inertial unit is settled.

    Notes
    -----
    Where the road twists the axles against each other, springs and bars of the front axle hold the body one
    way and those of the rear axle the other way, and it stays where both agree: each rolls by as much as the
    other is stiff. So of all mixes s phi_f + (1 - s) phi_r, the one in which the terms of the moment balance
    leave least is that with the true share s: least squares of what is left of the rear axle's roll on what
    is left of the difference. No rate, mass or force of the sheet is in it; of the weights only what yaw
    acceleration adds to both axles.
    """
    used = ~columns.suspect
    if len(columns.roll) < len(AXLES) or np.count_nonzero(used) < SHORTEST_S * columns.rate:
        return None
    names, _ = _choose_terms(columns, used, None)
    force = columns.force[used]
    terms = [columns.terms[n][used] for n in names]
    # A mix of the axles must not stand in for what a unit reads that sits elsewhere.
    place = [] if placed else [columns.known[n][used] for n in (YAW, ASIDE) if n in columns.known]
    design = np.column_stack([force, *terms, *place, np.ones_like(force), *bends(columns, used)])
    basis = regression.span(design)
    # What is known of the mean is that of either axle here, for both stand in it with 1 in sum.
    known = sum((lost[used] for lost in columns.lost.values()), np.zeros_like(force))
    if YAW in columns.known:
        known = known + weights.mean_per_yaw * columns.known[YAW][used]

    def left(axle: Axle) -> Floats:
        roll = columns.roll[axle][used] - known
        rest: Floats = roll - basis @ (basis.T @ roll)
        return rest

    front, rear = left("front"), left("rear")
    apart = front - rear
    size = float(apart @ apart)
    if size <= 0.0:
        return None
    row = apart / size
    share = -float(row @ rear)
    mean = rear + share * apart
    error = regression.block_error((row * mean)[:, None], row)
    if error is None or not SHARES[0] < share < SHARES[1]:
        return None
    alike = ALIKE["roll acceleration" in names] * float(np.linalg.norm(mean)) / math.sqrt(size)
    return FrontShare(share, error, math.hypot(SHARE_LEFT_OUT, alike))


# The two regressions behind a roll gradient: the car's moment mean, and the difference between its axles.


KEEP: Final = 0.5
"""A helper term stays out when it leaves less than this part of the lateral force's own variation."""
KEEP_GROUND: Final = (0.4, 0.6)
"""The ground's twist does not count where it leaves less than the first part of the force's variation, and
in full from the second on. From 0.5 to 0.8, a quarter of the gradients of drifts on banks that twist the
ground were off by 11 % instead of 3 %; from 0.2 to 0.5, a box that shakes was let off by 8 % in a slalom."""
SLOW_LEFT_OUT: Final = 0.004
"""Relative standard uncertainty from what derivatives of the roll to the second order leave out of slow
columns: 0.3 % on level courses and 0.5 % on banks of the rigid-body engine, root mean square."""
BLIND_LEFT_OUT: Final = 0.007
"""The same without a roll gyro, as on banks nothing then tells how the road turns the body: 0.5 and 0.8 %."""
LEAST_BEND: Final = 0.2
"""A vertical force that varies less bends nothing: standard deviation [m/s2]; engineering judgement."""
DRIVER_BAND: Final = 1.0
"""Where a driver's weave ends [Hz]: common practice, no source. Residuals above it do not reach the slope."""
MOST_INFLATION: Final = 1.3
"""Largest factor on the variance of the moment mean for its helper terms: what the tests' linear car asks
for; a short part of a run has few blocks, and few of the helpers' quick columns reach its slope."""
LEAST_TWIST: Final = 3e-4
"""Ground twisted less than this cannot bend a gradient [rad], root mean square: 0.3 % of usual roll."""
LEAST_BANKED: Final = 1.8e-3
"""Twist by banks from forces that is smaller is not taken off [rad], root mean square: a rough road twists
the ground as much, and the axles may show that by chance (3.6 % of one gradient of 46 on level ground)."""
TYRES_DOUBT: Final = 0.15
"""Part of the roll on tyres, by the sheet's rates, that is not known [1]: tyre rates are known to a tenth or
a fifth (engineering judgement)."""
BANK_SHOWN: Final = (0.1, 0.3)
"""Twist of the ground by banks from forces begins to count where the axles show the first part of it, and
counts in full from the second on [1]. They show less than all of it since it is noisy: 0.9 on banks of the
rigid-body engine, 0.4 on gentle ones, under 0.1 on 42 of 45 level courses."""
BANK_DOUBT: Final = 0.5
"""Part of that twist which counts as not known [1]: on the engine's banks a third of it is missed, root mean
square, with a box that leans and accelerometers that are off."""
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
    # Twist of the road drops out of the first row; the second is what the ground's twist and tyres make.
    share = weights.front_share if columns.front_share is None else columns.front_share
    there = np.array(
        [
            [share, 1.0 - share],
            [weights.over_ground["front"], -weights.over_ground["rear"]],
        ]
    )
    mixes = [row[0] * rolls[0] + row[1] * rolls[1] for row in there]
    if YAW in columns.known:
        # Known from the sheet, since in a weave it goes along with the lateral force and cannot be fitted.
        yaw = columns.known[YAW][used]
        mixes = [mixes[0] - weights.mean_per_yaw * yaw, mixes[1] - weights.twist_per_yaw * yaw]
        mixes[1] = mixes[1] + _moved_contacts(columns, weights, used)
    # What a bar in its free play does not carry is missing from both mixes.
    for sign, axle in zip((1.0, -1.0), AXLES, strict=True):
        if axle in columns.lost:
            lost = columns.lost[axle][used]
            give = weights.tyre_give.get(axle, 0.0) * weights.total
            mixes = [mixes[0] - lost, mixes[1] - sign * give * lost]
    return Mixed(axles, mixes, np.linalg.inv(there))


def line_slope(x: Floats, y: Floats) -> float:
    """Return the slope of the line through points."""
    centred = x - x.mean()
    return float(centred @ y) / max(float(centred @ centred), 1e-300)


def _moved_contacts(columns: RollColumns, weights: Weights, used: Bools) -> Floats:
    """Return the tyre roll, front less rear, from contacts that move under the rolled body in yaw.

    By `analyzer.processing.roll.disturbances` it goes with the square of the lateral force at the axle. What
    the force at the CG alone would do stays in, as part of the car's own answer; yaw acceleration makes the
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
    # Scaled to the force's size, so that no column is lost in the rounding of another.
    line = np.column_stack([force, np.ones_like(force)])
    rest = [column - line @ np.linalg.lstsq(line, column, rcond=None)[0] for column in found]
    return [column / (float(np.std(column)) or 1.0) * float(np.std(force)) for column in rest]


@dataclass(frozen=True, slots=True)
class MixFit:
    """A fit of one mix of the axles' roll: lateral force first, then `names`, a constant, and bends.

    `bent` is what the bends add to the line [rad]; `attenuation`, `unsure` and `by_path` as in `RollFit`;
    `banked` is the part of the ground's twist by banks that was taken off [1].
    """

    names: list[str]
    fit: regression.LinearFit
    inflate: float
    bent: Floats
    slow_rate: float = 0.0
    attenuation: float = 0.0
    unsure: float = 0.0
    by_path: float | None = None
    banked: float = 0.0

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
            error = regression.block_error((row * self.fit.residuals * self.inflate)[:, None], row)
            if error is not None:
                found[name] = error.std_error()
        return found


def fit_mean(columns: RollColumns, used: Bools, roll: Floats, names: list[str]) -> MixFit:
    """Fit the moment mean, or the roll of the only axle, by all `names`."""
    # Noise is known for the accelerometer and what comes of the gyro; all other columns count as clean.
    force = columns.force[used]
    bent = np.column_stack(bends(columns, used))
    design = np.column_stack([force, *(columns.terms[n][used] for n in names), np.ones_like(force), bent])
    clean = [0.0] * (1 + bent.shape[1])
    noise = np.array([*(columns.noise.get(n, 0.0) for n in ("lateral force", *names)), *clean])
    if columns.slow_by is not None:
        # No more is taken for white noise than the line leaves room for.
        plain = regression.least_squares(design, roll)
        noise[0] = min(
            noise[0], float(np.mean(plain.residuals**2)) / max(float(plain.coefficients[0]) ** 2, 1e-300)
        )
    fit = regression.less_noise(design, roll, noise)
    weak, doubt = _noise_parts(fit, float(noise[0]))
    by_path = None
    if columns.slow_by is not None and doubt > NOISE_DOUBTED and PATH_FORCE in columns.known:
        other = _mean_by_path(columns, used, design, roll, names)
        apart = float(other.coefficients[0] / fit.coefficients[0]) - 1.0
        error = regression.block_error((other.influence[0] * other.residuals)[:, None], other.influence[0])
        relative = math.inf if error is None else error.std_error() / abs(float(other.coefficients[0]))
        # Noise flattens a slope and never steepens it.
        if relative < min(NOISE_DOUBTED, doubt / 2.0) and apart > -2.0 * relative:
            by_path, fit = apart, other
    # Residuals are smaller than the errors behind them. What is independent is blocks, not rows, so the usual
    # factor n / (n - k) counts those; the slope's own part is taken back by `block_error`.
    pieces = len(roll) / regression.block_length(fit.influence[0] * fit.residuals)
    others = design.shape[1] - 1
    inflate = float(np.sqrt(pieces / max(pieces - others, pieces / MOST_INFLATION)))
    blind = "roll acceleration" not in names
    left_out = BLIND_LEFT_OUT if blind else 0.0 if columns.slow_by is None else SLOW_LEFT_OUT
    return MixFit(
        names,
        fit,
        inflate,
        bent @ fit.coefficients[-bent.shape[1] :],
        attenuation=weak,
        unsure=math.hypot(doubt if by_path is None else 0.0, left_out),
        by_path=by_path,
    )


def _noise_parts(fit: regression.LinearFit, noise: float) -> tuple[float, float]:
    """Return what noise of variance `noise` takes off the slope on the force, and what is in doubt [1].

    Noise of variance v on a regressor of which a variance q is its own takes v / (q + v) off the slope; white
    noise is seen above wheel hop and put back. Noise of another spectrum, or folded by held samples, is not:
    but it takes off about as much as the part of the roll that the line leaves open at most, for the
    line of force over roll, which such noise does not flatten, lies so far away (Frisch 1934; any text on
    errors in variables, from memory). So what was put back stands by its own spread where the roll leaves as
    much open, and is in doubt by as much as the two differ where it does not.
    """
    row = fit.influence[0]
    power = float(row @ row)
    left = float(fit.residuals @ fit.residuals)
    own = float(fit.coefficients[0]) ** 2 / power
    weak = min(len(row) * noise * power, MOST_ATTENUATION)
    return weak, abs(left / (left + own) - weak) + NOISE_SPREAD * weak


def _mean_by_path(
    columns: RollColumns, used: Bools, design: Floats, roll: Floats, names: list[str]
) -> regression.LinearFit:
    """Fit the moment mean of slow columns with speed times yaw rate as instrument of the lateral force.

    Instrumental variables (any text on econometrics): the noise of speed and yaw rate is not the
    accelerometer's, so whatever its spectrum is, it takes nothing off the slope.
    """
    path = columns.known[PATH_FORCE]
    clean = [*(columns.terms[n][used] for n in names), np.ones(len(roll))]
    bent = bends(replace(columns, force=path), used)
    return regression.with_instruments(design, roll, np.column_stack([path[used], *clean, *bent]))


def with_damped_tyres(
    columns: RollColumns, weights: Weights, terms: dict[str, float]
) -> tuple[RollColumns, Floats]:
    """Return the columns with the tyre roll that dampers and friction cause taken out of the ground twist.

    Tyres carry springs, dampers and their friction, and the moment of both is known from the first fit. Left
    in, it would look like ground that rolls in step with the body's roll acceleration: in a slalom of the
    engine car 0.4 % of the gradients by the dampers, 0.6 % by friction of 150 N. Also returns what it
    adds to the difference of roll over the ground.
    """
    rolls: dict[Axle, Floats] = {
        axle: -weights.total * give * np.sum([terms[n] * columns.terms[n] for n in carried], axis=0)
        for axle, give in weights.tyre_give.items()
        if (carried := [n for n in (f"damper {axle}", f"friction {axle}") if n in terms])
    }
    # Front less rear shows in the difference of roll over the ground; the mean of both in what the gyro sees.
    none = np.zeros_like(columns.force)
    apart: Floats = rolls.get("front", none) - rolls.get("rear", none)
    if GROUND not in columns.known or not rolls:
        return columns, apart
    turning = derivative(sum(rolls.values(), none) / len(AXLES), columns.rate)
    tyres = columns.per_turning * turning
    known = {n: v - tyres if n in (GROUND, DRIFTED) else v for n, v in columns.known.items()}
    slow = {**columns.slow, GROUND: equation.slow_part(known[GROUND], columns.rate)}
    return replace(columns, known=known, slow=slow), apart


def fit_twist(columns: RollColumns, used: Bools, roll: Floats, names: list[str]) -> MixFit:
    """Fit the difference of roll over the ground by what of `names` is driven, and by the ground's twist."""
    # Wheel speeds and friction are left out: they follow the road, and the road is what twists the axles.
    names = [n for n in names if n in (*equation.DRIVEN, *ROLLING)]
    if BANKED in columns.known:
        banked = _banked(columns, used, roll, names)
        less = roll + banked * columns.known[BANKED][used]
        return replace(_twist_by(columns, used, less, names), banked=banked)
    without = _twist_by(columns, used, roll, names)
    share = _ground_share(columns, used, names)
    if share == 0.0:
        return without
    fit = _twist_by(columns, used, roll, names, GROUND)
    if not GROUND_RANGE[0] < fit.coefficients()[GROUND] < GROUND_RANGE[1]:
        return without
    return _between(fit, without, share)


def _banked(columns: RollColumns, used: Bools, roll: Floats, names: list[str]) -> float:
    """Return the part of the ground's twist by banks that is taken off the difference of roll, 0 to 1.

    Its size follows from the bank and is not fitted: noise in it would leave half of the twist in. But it is
    taken off only where the axles show it: a bank from forces alone is there on level ground as well.
    """
    if float(np.std(columns.slow[BANKED][used])) < LEAST_BANKED:
        return 0.0
    # Derivatives of the roll would take up what banks do as they begin and end with the corners.
    names = [n for n in names if n not in ROLLING]
    share = _ground_share(columns, used, names, BANKED)
    if share == 0.0:
        return 1.0
    shown = -_twist_by(columns, used, roll, names, BANKED).coefficients()[BANKED]
    least, most = BANK_SHOWN
    return 1.0 - share * (1.0 - float(np.clip((shown - least) / (most - least), 0.0, 1.0)))


def _between(fit: MixFit, without: MixFit, share: float) -> MixFit:
    """Return the fit with the ground's twist by its `share`, that without it by the rest of 1."""
    if share == 1.0:
        return fit
    one, other, place = fit.fit, without.fit, 1 + fit.names.index(GROUND)
    mixed = regression.LinearFit(
        share * one.coefficients + (1.0 - share) * np.insert(other.coefficients, place, 0.0),
        share * one.influence + (1.0 - share) * np.insert(other.influence, place, 0.0, axis=0),
        share * one.residuals + (1.0 - share) * other.residuals,
    )
    return replace(fit, fit=mixed)


def _twist_by(columns: RollColumns, used: Bools, roll: Floats, names: list[str], ground: str = "") -> MixFit:
    # The ground's own twist is fitted, not taken off: its size rests on speed and pots that are not exact.
    fitted = {n: columns.terms[n][used] for n in names}
    if ground:
        fitted[ground] = columns.known[ground][used]
    ones = np.ones(len(roll))
    design = np.column_stack([columns.force[used], *fitted.values(), ones])
    # Rear wheels follow the front ones over the same road; only what is slow is the driver's alone.
    slow = np.column_stack([columns.slow[n][used] for n in ("lateral force", *fitted)])
    fit = regression.with_instruments(design, roll, np.column_stack([slow, ones]))
    inflate = float(np.sqrt(len(roll) / max(len(roll) - design.shape[1], 1)))
    return MixFit(list(fitted), fit, inflate, np.zeros(len(roll)), columns.rate)


def _ground_share(columns: RollColumns, used: Bools, names: list[str], ground: str = GROUND) -> float:
    """Return by how much the ground's twist counts, 0 to 1: enough of it, and not in step with the force.

    On a bank that begins with the corner both go together, and slopes with and without the twist are 1 to 2 %
    apart. Where one took over from the other at once, one of eight laps of a bowl fell out by 0.7 %.
    """
    if ground not in columns.known or float(np.std(columns.slow[ground][used])) < LEAST_TWIST:
        return 0.0
    force = columns.slow["lateral force"][used]
    centred = force - force.mean()
    others = [np.ones_like(force), *(columns.slow[n][used] for n in names)]
    alone = regression.kept_part(centred, np.column_stack(others))
    kept = regression.kept_part(centred, np.column_stack([*others, columns.slow[ground][used]]))
    least, most = KEEP_GROUND
    return float(np.clip((kept / max(alone, 1e-300) - least) / (most - least), 0.0, 1.0))
