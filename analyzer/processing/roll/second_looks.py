"""The roll gradient looked at in other ways: steady parts alone, as a curve, from the inertial unit alone."""

import math
from collections.abc import Mapping
from itertools import pairwise
from typing import Final

import numpy as np

from analyzer.core.estimate import Estimate
from analyzer.core.regression import block_error, half_width, least_squares, with_error
from analyzer.core.signals import Bools, Floats, derivative, lowpass_taps, runs_of, smooth, touched
from analyzer.core.units import AXLE_CORNERS, AXLES, RAD_PER_MPS2_TO_DEG_PER_G, STANDARD_GRAVITY, Axle
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.processing.results import Motion
from analyzer.processing.roll.disturbances import Bench, Probe
from analyzer.processing.roll.equation import FIT_RATE, SLOW_BAND, SPEED, RollColumns
from analyzer.processing.roll.fit import ENOUGH_FORCE, RollFit, front_share
from analyzer.sheets.car import CarSheet
from analyzer.vehicle.axle import roll_scale_spread
from analyzer.vehicle.roll import AxleRollPath, Weights, level_road

# Steady parts alone, in the manner of ISO 4138: means and a line, without an equation of motion.


STEADY_BAND: Final = 1.0
"""Low-pass of force and roll [Hz]: below the body's own roll (about 2 Hz)."""
STEADY_RATE: Final = 0.2 * STANDARD_GRAVITY
"""Change of lateral force that still counts as slow [m/s3]: ten times that of the continuous method of ISO
4138 (0.1 to 0.2 m/s3, from memory), since drift corners are not held still; what the dampers add turns its
sign with the ramp's."""
HELD_RATE: Final = 0.06 * STANDARD_GRAVITY
"""Change of lateral force of a corner that is held [m/s3]: engineering judgement."""
HELD_S: Final = 3.0
"""Time a steady corner is held [s]: ISO 4138 (from memory)."""
PIECE_S: Final = 0.5
"""Slow parts are cut into pieces about this long, whose means are the points [s]."""
LONGEST_S: Final = 2.0
"""Longer slow parts count as several stretches [s]: about a cycle of the longest waves of a road."""
FLAT: Final = math.radians(4.0)
"""Bank above this is no level road: engineering judgement."""
FEWEST: Final = 6
"""Fewest stretches for a line with an error: engineering judgement."""
SYSTEMATIC: Final = 0.01
"""Two sound figures may differ by this, as they weigh the forces differently: engineering judgement."""
STEADY_LEFT_OUT: Final = 0.0012
"""Relative standard uncertainty from what a line through steady parts leaves out, beside their scatter: by
the rigid-body engine of the tests, cars of all dimensions."""
CHECK: Final = "roll gradient, second look"


def quasi_steady(columns: RollColumns, motion: Motion) -> dict[Axle, Estimate]:
    """Return suspension roll per lateral specific force from steady parts of level road, per axle [deg/g].

    Corners held for three seconds count when there are enough of them in both directions, else every part in
    which the lateral force changes slowly. Straights count as force zero. The line goes through the means of
    the pieces; its error comes from whole stretches, so from their scatter about the line.
    """
    # Slow, level parts alone, in which dampers and inertia carry nothing.
    force, flags = _smoothed(columns, columns.force)
    change = np.abs(derivative(force, columns.rate))
    level = ~flags & _flat(columns, motion)
    words = f"corners held for {HELD_S:g} s"
    stretches = _stretches(level & (change < HELD_RATE), HELD_S, columns.rate)
    # A drift car seldom holds a corner: then parts count in which the force changes slowly.
    if not _both_ways(stretches, force):
        words = "parts with slowly changing force"
        slow = _stretches(level & (change < STEADY_RATE), PIECE_S, columns.rate)
        stretches = [part for stretch in slow for part in _cut(stretch, LONGEST_S * columns.rate)]
    method = f"line through means of {words} on level road, in the manner of ISO 4138"
    if not _both_ways(stretches, force):
        reason = "too few steady parts on level road in both directions"
        return {a: Estimate.unknown("deg/g", reason, method) for a in columns.roll}
    return {
        a: _line(columns, stretches, force, _smoothed(columns, roll)[0], method)
        for a, roll in columns.roll.items()
    }


def _stretches(flags: Bools, shortest_s: float, rate: float) -> list[tuple[int, int]]:
    return [(a, b) for a, b in runs_of(flags) if b - a >= shortest_s * rate]


def _cut(stretch: tuple[int, int], longest: float) -> list[tuple[int, int]]:
    ends = np.linspace(*stretch, math.ceil((stretch[1] - stretch[0]) / longest) + 1).astype(int)
    return list(pairwise(ends.tolist()))


def _smoothed(columns: RollColumns, values: Floats) -> tuple[Floats, Bools]:
    taps = lowpass_taps(columns.rate, STEADY_BAND, STEADY_BAND)
    return smooth(values, taps), touched(columns.suspect, len(taps) // 2, 1)


def _flat(columns: RollColumns, motion: Motion) -> Bools:
    if "bank" not in motion.data:
        return np.ones(len(columns.time), dtype=np.bool_)
    bank = np.interp(columns.time, motion.data.index.to_numpy(), motion.data["bank"].to_numpy())
    flat: Bools = np.abs(bank) < FLAT
    return flat


def _both_ways(stretches: list[tuple[int, int]], force: Floats) -> bool:
    means = np.array([force[a:b].mean() for a, b in stretches])
    turning = 0.3 * STANDARD_GRAVITY
    ways = min(np.count_nonzero(means > turning), np.count_nonzero(means < -turning))
    return len(means) >= FEWEST and bool(ways >= 2)


def _line(
    columns: RollColumns, stretches: list[tuple[int, int]], force: Floats, roll: Floats, method: str
) -> Estimate:
    # Points are means of half seconds; those of one stretch lean the same way and count as one for the error.
    x, y, owner, seconds = [], [], [], []
    for number, (start, stop) in enumerate(stretches):
        for part in np.array_split(
            np.arange(start, stop), max(1, round((stop - start) / columns.rate / PIECE_S))
        ):
            x.append(force[part].mean())
            y.append(roll[part].mean())
            owner.append(number)
            seconds.append(len(part) / columns.rate)
    # Blocks of unequal weight: the error by what each stretch adds, as `block_error` does for blocks of rows.
    weight = np.sqrt(np.array(seconds))
    fit = least_squares(weight[:, None] * np.column_stack([x, np.ones(len(x))]), weight * np.array(y))
    sums = np.bincount(owner, fit.influence[0] * fit.residuals)
    share = np.bincount(owner, fit.influence[0] ** 2)
    share = share / share.sum()
    dof = max(1.0 / float(np.sum(share**2)) - 2.0, 1.0)
    std = float(np.sqrt(np.sum(sums**2 / (1.0 - np.minimum(share, 0.9))))) * RAD_PER_MPS2_TO_DEG_PER_G
    value = float(fit.coefficients[0]) * RAD_PER_MPS2_TO_DEG_PER_G
    half = half_width(std, dof, STEADY_LEFT_OUT * value)
    low, high = min(x) / STANDARD_GRAVITY, max(x) / STANDARD_GRAVITY
    notes = (f"{sum(seconds):.0f} s of the run, {low:+.2f} to {high:+.2f} g in body axes",)
    return Estimate.from_error(value, "deg/g", std, half, n=len(stretches), method=method, notes=notes)


def second_look(axle: Axle, whole: Estimate, steady: Estimate) -> HealthRow:
    """Return whether the gradient from steady parts agrees with that of the whole run within their errors."""
    if whole.value is None or steady.value is None:
        reason = steady.notes[0] if whole.value is not None else whole.notes[0]
        return HealthRow(CHECK, f"roll {axle}", Verdict.NOT_TESTED, None, None, "1", reason)
    apart = steady.value / whole.value - 1.0
    half = 0.0 if steady.interval is None else (steady.interval[1] - steady.interval[0]) / 2.0
    allowed = SYSTEMATIC + math.hypot(half, 2.0 * (whole.std_error or 0.0)) / abs(whole.value)
    words = f"steady parts give {steady.value:.3f}, the whole run {whole.value:.3f} deg/g"
    if abs(apart) <= allowed:
        return HealthRow(CHECK, f"roll {axle}", Verdict.GOOD, apart, allowed, "1", words)
    comment = f"{words}: more apart than their errors; look for friction, free play, filters or clocks"
    return HealthRow(CHECK, f"roll {axle}", Verdict.SUSPECT, apart, allowed, "1", comment)


def disagreement_notes(rows: Mapping[Axle, HealthRow]) -> tuple[str, ...]:
    """Return a note per axle whose two gradients disagree."""
    return tuple(
        f"{axle} roll gradient: {row.comment}" for axle, row in rows.items() if row.verdict is Verdict.SUSPECT
    )


# The gradient as a curve over lateral force, and how it changes with speed.


LEVELS: Final = (0.0, 0.2, 0.5, 0.8, 1.1)
"""Lateral forces at which the curve is told [g]; at 0 it is the gradient at small forces, as predicted."""
CURVE: Final = "slope of the curve with the cube of the force beside the force, at that force"
CURVE_LEFT_OUT: Final = 0.003
"""Relative standard uncertainty of a local gradient from what cube and equation leave out; at 1 g the double,
with the square of the force. On the rigid-body engine of the tests, cars of all dimensions, it is 0.28 % up
to 0.5 g and 0.46 % at 0.8 g, root mean square."""
ENOUGH_KEPT: Final = 0.02
"""A column that the others stand in for but for less than this part is not told: engineering judgement."""
SURE: Final = 4.0
"""A figure stands out when it is this many standard errors: engineering judgement."""
SPEED_SPREAD: Final = 2.0
"""Least standard deviation of the speed for a figure on it [m/s]: engineering judgement."""


def roll_curve(bench: Bench, fit: RollFit, gradients: Mapping[str, Estimate]) -> dict[str, Estimate]:
    """Return ``gradient_<axle>_at_<level>_g``: local gradients in body axes within the run's range [deg/g].

    Roll is s f + c f^3 where roll centres, contacts and springs move with it. The bend is that of the car,
    from the moment mean; each axle has it in proportion.
    """
    force = bench.force
    probe = bench.probe(force**3)
    if probe.error is None or probe.kept < ENOUGH_KEPT:
        return {}
    mean_slope, shared = _mean_slope(bench), bench.share_of_force(force**3)
    top = min(abs(float(q)) for q in np.quantile(force, (0.01, 0.99)))
    found: dict[str, Estimate] = {}
    for level in (g for g in LEVELS if g * STANDARD_GRAVITY <= top):
        # Slope of the cube there less what the straight line of the run has of it already.
        lever = (3.0 * (level * STANDARD_GRAVITY) ** 2 - shared) / mean_slope
        for axle in fit.axles:
            whole = gradients[axle]
            if whole.value is None:
                continue
            value = whole.value * (1.0 + probe.value * lever)
            std = math.hypot(whole.std_error or 0.0, whole.value * lever * probe.error.std_error())
            half = half_width(std, probe.error.dof, CURVE_LEFT_OUT * (1.0 + level**2) * whole.value)
            found[f"gradient_{axle}_at_{level:g}_g"] = Estimate.from_error(
                value, "deg/g", std, half, calibration=whole.calibration, n=probe.error.blocks, method=CURVE
            )
    return found


def _mean_slope(bench: Bench) -> float:
    """Return the slope of the moment mean on the lateral force, all terms beside it."""
    return float(least_squares(bench.design, bench.mean).coefficients[0])


def speed_change(bench: Bench, in_doubt: bool = False) -> dict[str, Estimate]:
    """Return ``gradient_change_with_speed``: relative change of the gradient per 10 m/s [1].

    Downforce, or anything else that goes with the square of the speed, as far as the run can tell it from the
    lateral force. Unknown where the unit of the speed is `in_doubt`.
    """
    if SPEED not in bench.columns.known:
        return {}
    if in_doubt:
        reason = "the unit of the speed is in doubt (logger.channels.speed.unit)"
        return {"gradient_change_with_speed": Estimate.unknown("1", reason)}
    speed = bench.columns.known[SPEED][bench.used]
    if float(np.std(speed)) < SPEED_SPREAD:
        return {}
    return _told(bench, bench.force * (speed - speed.mean()), "gradient_change_with_speed", 10.0, "1", SPEED)


MOST_OPEN: Final = 0.05
"""Standard uncertainty of the share of roll stiffness up to which it is a figure [1]: a bar makes less than
twice that of most cars; engineering judgement."""


def stiffness_share(columns: RollColumns, weights: Weights, car: CarSheet) -> dict[str, Estimate]:
    """Return ``roll_stiffness_front_share``: front over both axles, springs and bars, by the log alone [1].

    See `analyzer.processing.roll.fit.front_share`. Gradients of the axles hardly tell it, for the body is
    one; mass, CG height and accelerometer do not touch it. Its calibration is that of the pots, for an axle
    whose roll is read too large looks softer.
    """
    name, method = "roll_stiffness_front_share", "how the road twists the axles against each other"
    if columns.slow_by is not None:
        why = "what is quick is not used in this run, and that is what tells it"
        return {name: Estimate.unknown("1", why, method)}
    found = front_share(columns, weights)
    if found is None or math.hypot(found.error.std_error(), found.model) > MOST_OPEN:
        why = "the road hardly twists the axles against each other in this run"
        return {name: Estimate.unknown("1", why, method)}
    std = found.error.std_error()
    half = half_width(std, found.error.dof, found.model)
    scales = (roll_scale_spread(car, car.axle(axle), AXLE_CORNERS[axle])[0] for axle in AXLES)
    by_pots = found.value * (1.0 - found.value) * math.hypot(*scales)
    calibration = math.hypot(found.model, by_pots)
    return {
        name: Estimate.from_error(
            found.value, "1", std, half, calibration=calibration, n=found.error.blocks, method=method
        )
    }


SPEED_SAID: Final = 0.02
"""Change of the gradient per 10 m/s from which it is told [1]: engineering judgement."""
MOST_WITH_SPEED: Final = 0.5
"""Change of the gradient per 10 m/s beyond which it is not the air's [1] (engineering judgement)."""


def bend_notes(further: Mapping[str, Estimate]) -> tuple[str, ...]:
    """Return what to say about a change with speed that stands out beyond its error."""
    found = further.get("gradient_change_with_speed")
    if found is None or found.value is None or found.std_error is None:
        return ()
    if abs(found.value) > MOST_WITH_SPEED:
        return ("speed goes along with something else that rolls the car: no figure of its effect",)
    if abs(found.value) > max(SPEED_SAID, SURE * found.std_error):
        return (f"roll gradient changes by {found.value:+.0%} per 10 m/s",)
    return ()


def _told(bench: Bench, column: Floats, name: str, per: float, unit: str, what: str) -> dict[str, Estimate]:
    probe: Probe = bench.probe(column)
    method = f"{what} as a further term of the moment balance"
    if probe.error is None or probe.kept < ENOUGH_KEPT:
        reason = f"{what} goes along with the other terms of the roll equation in this run"
        return {name: Estimate.unknown(unit, reason, method)}
    scale = per / _mean_slope(bench)
    return {name: with_error(probe.value * scale, unit, probe.error, 0, method, scale=scale)}


# Body roll per lateral force from the inertial unit alone, for a car without pots at one axle or both.


METHOD: Final = "roll rate on the rate of the lateral force, below 1.5 Hz, inertial unit alone"
TOO_SMALL: Final = "a change of bar shows by a quarter to a third too small in it (three published cars)"


def body_roll(
    motion: Motion, exclude: Bools, paths: Mapping[Axle, AxleRollPath]
) -> tuple[dict[str, Estimate], tuple[str, ...]]:
    """Return ``body_roll_gradient_imu`` (level road [deg/g]) and what must be said with it.

    Parameters
    ----------
    motion : Motion
        With roll rate and lateral force; nothing is returned without.
    exclude : array of bool
        Working samples to leave out.
    paths : mapping
        Of the axles, for the part of tyre roll.

    Notes
    -----
    A body that rolls by s f turns at s times the rate of f; its dampers add a part in the second derivative
    of f, its inertia one in the third, a gyro that is not level one in f itself. The level-road gradient is
    s / (1 - g s) (Gillespie, Fundamentals of Vehicle Dynamics, ch. 6), tyre roll being in s. Banks that begin
    and end with the corners are in it too.
    """
    if any(name not in motion.data for name in ("roll_rate", "specific_force_y")):
        return {}, ()
    rate = motion.rate
    every = max(1, int(rate // FIT_RATE))
    taps = lowpass_taps(rate, SLOW_BAND, SLOW_BAND)
    bad = exclude | motion.suspect["roll_rate"].to_numpy() | motion.suspect["specific_force_y"].to_numpy()
    use = ~touched(bad, len(taps) // 2 + 4, every)
    force = smooth(motion.data["specific_force_y"].to_numpy(), taps, every)
    turning = smooth(motion.data["roll_rate"].to_numpy(), taps, every)
    # Roll that follows the force, its dampers, its inertia: one derivative more for each.
    steps = [force]
    for _ in range(3):
        steps.append(derivative(steps[-1], rate / every))
    design = np.column_stack([*steps[1:], force, np.ones_like(force)])[use]
    if len(design) < 4.0 * FIT_RATE or float(np.quantile(np.abs(force[use]), 0.99)) < ENOUGH_FORCE:
        return {"body_roll_gradient_imu": Estimate.unknown("deg/g", "not enough cornering", METHOD)}, ()
    fit = least_squares(design, turning[use])
    slope = float(fit.coefficients[0])
    level = 1.0 / (1.0 - STANDARD_GRAVITY * slope)
    note = f"body over ground: {_tyre_part(paths)} of it is tyre roll, which no pot sees; {TOO_SMALL}"
    error = block_error((fit.influence[0] * fit.residuals)[:, None], fit.influence[0])
    value = slope * level * RAD_PER_MPS2_TO_DEG_PER_G
    scale = level**2 * RAD_PER_MPS2_TO_DEG_PER_G
    found = with_error(value, "deg/g", error, 0, METHOD, scale=scale, notes=(note,))
    return {"body_roll_gradient_imu": found}, (f"body roll from the inertial unit alone: {note}",)


def _tyre_part(paths: Mapping[Axle, AxleRollPath]) -> str:
    """Return in words how much of body roll is tyre roll, by the sheet."""
    if any(path.tyres is None for path in paths.values()):
        return "11 to 23 % (three published cars; no tyre rate in the sheet)"
    total = sum(path.suspension for path in paths.values())
    moment = sum(path.moment for path in paths.values())
    level = level_road(dict.fromkeys(paths, moment / total), paths)
    if level is None:
        return "an unknown part"
    part = 1.0 - float(np.mean([level.axle[axle] for axle in paths])) / level.body
    return f"about {100.0 * part:.0f} % by the sheet"
