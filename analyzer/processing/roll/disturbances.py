"""What spoils a fit of the roll equation: each looked for and taken out where it can be, by one table.

| disturbance | shows as | taken out by |
| --- | --- | --- |
| damper lag | ground that seems to turn with roll acceleration | columns from dampers shifted back |
| free play | roll in which a bar carries nothing | the bar's lost moment, off the fitted mixes |
| friction | roll that turns round with the wheels | a term of the equation itself; told here |
| moment arm | contacts that move, a body pressed down | a factor on the level-road gradients |
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from analyzer.core.estimate import Estimate
from analyzer.core.regression import (
    NORMAL,
    BlockError,
    block_error,
    span,
    with_common,
    with_error,
    with_instruments,
)
from analyzer.core.signals import Bools, Floats, derivative, vertex_beside
from analyzer.core.units import AXLES, STANDARD_GRAVITY, Axle
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.processing.results import Motion
from analyzer.processing.roll.equation import (
    GROUND,
    ROAD_LOAD,
    TURNING,
    YAW,
    RollColumns,
    roll_columns,
    slow_part,
)
from analyzer.processing.roll.fit import SHORTEST_S, RollFit, bends, fit_roll, line_slope, mix_rolls
from analyzer.sheets.car import CarSheet
from analyzer.vehicle.axle import mass_properties, roll_base, wheel_rate
from analyzer.vehicle.roll import Weights


@dataclass(frozen=True, slots=True)
class Fitted:
    """A run's roll of both axles as fitted so far, and what it was made from.

    Parameters
    ----------
    motion : Motion
        Of the run.
    exclude : array of bool
        Working samples to leave out.
    weights, car : Weights, CarSheet
        From the sheet.
    columns, fit : RollColumns, RollFit
        What was fitted, and the fit.
    """

    motion: Motion
    exclude: Bools
    weights: Weights
    car: CarSheet
    columns: RollColumns
    fit: RollFit


@dataclass(frozen=True, slots=True)
class Finding:
    """What looking for one disturbance gave.

    Parameters
    ----------
    figures : dict
        Named estimates for the run.
    notes : tuple of str
        What the reader must know; empty when nothing stands out.
    without : RollColumns or None
        Columns to fit anew, the disturbance taken out; None when there is nothing to take out.
    arm : ArmParts or None
        What shortens the roll moment's arm.
    checks : tuple of HealthRow
        What needs the eye of whoever keeps the car.
    """

    figures: dict[str, Estimate] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    without: RollColumns | None = None
    arm: ArmParts | None = None
    checks: tuple[HealthRow, ...] = ()


def without_disturbances(run: Fitted) -> tuple[Fitted, dict[str, Finding]]:
    """Return the fit with all that can be taken out of it taken out, and what was found by name.

    In this order, since each is looked for in columns that no longer hold those before it.
    """
    table: dict[str, Callable[[Fitted], Finding]] = {
        "damper lag": damper_lag,
        "free play": free_play,
        "friction": friction_loop,
        "moment arm": moment_arm,
    }
    found: dict[str, Finding] = {}
    for name, look in table.items():
        found[name] = look(run)
        columns = found[name].without
        again = "" if columns is None else fit_roll(columns, run.weights)
        # What leaves nothing to fit is left in: a gradient with a known fault says more than none.
        if columns is not None and not isinstance(again, str):
            run = replace(run, columns=columns, fit=again)
    return run, found


# Damper channels that come later than the inertial unit: filters or clocks that differ.


LEAST_LAG: Final = 0.025
"""A shorter lag is left alone [s]: friction looks like one of 15 ms, and it moves no gradient by 1 %, by the
tests' linear car in a quick weave."""
OF_TYRES: Final = 0.009
"""What the tyres' answer to the dampers looks like [s]: half the axles' damping over tyre roll stiffness, on
usual cars; taken off."""
LAG_SURE: Final = 5.0
"""A lag counts when it is this many standard errors: engineering judgement."""
LONGEST: Final = 0.5
"""A longer one is not believed [s]: engineering judgement."""
ANSWER: Final = (-0.03, 0.09)
"""By how much the dampers' roll may come later than the lateral force once their lag is taken off [s]: 0.02
to 0.05 s on 56 drives of cars of all dimensions of the tests' rigid-body engine, and 0.02 s either way for an
accelerometer that sits elsewhere than the sheet says. Beyond it is the accelerometer that is late."""
LAGS: Final = 51
"""Lags of the lateral force that are looked at, evenly spread."""
FROM_DAMPERS: Final = ("wheel_", "roll_front", "roll_rear", "heave", "pitch", "warp")


def damper_lag(run: Fitted) -> Finding:
    """Look for a lag of the dampers behind the gyro, ``damper_lag`` [ms]; nothing without roll rate.

    Gyro and dampers see the same body: roll rate less the rate of suspension and tyre roll is the turning of
    the ground, and dampers late by tau add tau times the roll acceleration to it. Only what the driver
    brings about counts, by the second derivative of the slow lateral force as instrument, for bumps turn
    the body and the ground together; yaw rate stands for a gyro that is not level. That force may be late
    itself, so it must meet the roll about as late as the gyro says (`ANSWER`).
    """
    columns = run.columns
    if GROUND not in columns.known or "roll acceleration" not in columns.terms or columns.slow_by is not None:
        return Finding()
    method = "roll rate against the rate of the dampers' roll, as far as it is driven"
    if "yaw_rate" not in run.motion.data:
        # A gyro out of level takes a part of the yawing for roll, which follows the driving as a lag does.
        why = "no usable yaw rate in the log: a gyro that is not level would look like a lag"
        return Finding({"damper_lag": Estimate.unknown("ms", why, method)})
    # Slow parts alone: what the road does is quicker, and turns body and ground together.
    used = ~columns.suspect
    turning = slow_part(columns.known[GROUND] / columns.per_turning, columns.rate)
    yaw = slow_part(columns.known[TURNING] / columns.per_turning, columns.rate)
    rolling = slow_part(columns.terms["roll acceleration"], columns.rate)
    force = slow_part(columns.force, columns.rate)
    rise = derivative(force, columns.rate)
    driven = derivative(rise, columns.rate)
    # Beside the lag stand the tyres' answer to a rising force, the gyro's level and its offset.
    ones = np.ones(np.count_nonzero(used))
    fit = with_instruments(
        np.column_stack([rolling[used], rise[used], yaw[used], ones]),
        turning[used],
        np.column_stack([driven[used], rise[used], yaw[used], ones]),
    )
    seconds, row = float(fit.coefficients[0]) - OF_TYRES, fit.influence[0]
    error = block_error((row * fit.residuals)[:, None], row)
    if error is None:
        return Finding()
    note = "positive: dampers later than the inertial unit"
    told = {"damper_lag": with_error(1e3 * seconds, "ms", error, 0, method, scale=1e3, notes=(note,))}
    # A short lag moves no gradient, and one that hardly shows or is absurd is no filter's.
    if not LEAST_LAG < abs(seconds) < LONGEST or abs(seconds) <= LAG_SURE * error.std_error():
        return Finding(told)
    # An accelerometer that is late makes a bank, which begins with the corner, look like dampers that are.
    mean = mix_rolls(columns, run.weights, np.ones(len(force), dtype=np.bool_)).rolls[0]
    answer = -force_behind(columns, force, slow_part(mean, columns.rate)) - seconds
    if not ANSWER[0] < answer < ANSWER[1]:
        why = "gyro and accelerometer do not agree by how much the dampers come later"
        return Finding({"damper_lag": Estimate.unknown("ms", why, method)})
    way = "later" if seconds > 0.0 else "earlier"
    return Finding(
        told,
        (
            f"dampers {abs(1e3 * seconds):.0f} ms {way} than the inertial unit (filters or clocks differ): "
            "shifted back for the roll fit; give all channels the same filter and clock",
        ),
        roll_columns(dampers_shifted(run.motion, seconds), run.exclude, run.weights),
    )


def force_behind(columns: RollColumns, force: Floats, roll: Floats) -> float:
    """Return by how much a slow lateral `force` comes later than the slow `roll` that it causes [s].

    Where both go best together, of rows that are not suspect; 0 with less than 4 s of them.
    """
    used = ~columns.suspect
    if np.count_nonzero(used) < SHORTEST_S * columns.rate:
        return 0.0
    centred = roll[used] - roll[used].mean()

    def together(lag: float) -> float:
        moved = np.interp(columns.time + lag, columns.time, force)[used]
        moved -= moved.mean()
        return float(moved @ centred) / max(float(np.linalg.norm(moved)), 1e-300)

    lags = np.linspace(-LONGEST, LONGEST, LAGS)
    found = np.array([together(float(lag)) for lag in lags])
    best = int(np.clip(np.argmax(found), 1, LAGS - 2))
    return float(lags[best]) + vertex_beside(*found[best - 1 : best + 2]) * float(lags[1] - lags[0])


def dampers_shifted(motion: Motion, seconds: float) -> Motion:
    """Return the motion with all that comes from the dampers brought forward by `seconds`."""
    # What was worked out from travels moves with them; a sample between a good and a bad one is bad.
    index = motion.data.index.to_numpy(dtype=np.float64)
    names = [str(n) for n in motion.data if str(n).startswith(FROM_DAMPERS)]
    moved = {n: np.interp(index + seconds, index, motion.data[n].to_numpy()) for n in names}
    late = {
        n: np.interp(index + seconds, index, motion.suspect[n].to_numpy().astype(float)) > 0.0 for n in names
    }
    return replace(motion, data=motion.data.assign(**moved), suspect=motion.suspect.assign(**late))


# Free play of a bar in its links and bushes: a dead zone of roll in which the bar carries nothing.


WIDEST: Final = 0.008
"""Half of the widest dead zone, as a difference of wheel travels [m]: engineering judgement."""
WIDTHS: Final = (0.001, 0.002, 0.004, 0.008)
"""Zones that are tried, whole width as a difference of wheel travels [m]."""
WIDER: Final = 2.0
"""A wider zone must explain this much more than the next narrower one, in squares of an independent row."""
STEPS: Final = 9
"""Of the search over the place of the zone."""
PAST: Final = 1.5
BEYOND: Final = 0.05
"""Part of the rows that must lie `PAST` half widths from its middle on either side for a zone to be told:
engineering judgement."""
PLAY_SURE: Final = 4.0
"""A dead zone counts when its width is this many standard errors: engineering judgement, since it is the
widest of several that were tried."""
MOST_ROWS: Final = 6000
"""Rows the search is done on: four minutes of driving, beyond which nothing is gained but time."""
SLOWEST_PLAY: Final = 20.0
"""No play is looked for in logs that are slower [Hz]: at 10 Hz the engine of the tests showed 19 mm where
there was none."""
WIDTH_SPREAD: Final = 0.2
"""Relative standard uncertainty of a width of play beside its scatter: on 87 drives of the engine with 2 to
6 mm four of five widths came out 29 % narrow to 26 % wide."""
MOST_LEAN: Final = np.radians(0.5)
"""Standard uncertainty of the box's pitch above which no play is looked for [rad]: with 1.5 degrees, none of
its turn rates but the roll rate being logged, play was told on 4 of 29 drives without any."""
PLAY_METHOD: Final = "step that fits the moment balance best"
LEAST_STEP: Final = 0.0016
"""Smaller steps are not told, nor do they matter: part of the car's roll at its peak force [1]."""
GAIN: Final = 4.5
"""Logarithm of the likelihood ratio of play against none from which play is told whatever the error of its
width: on the tests' rigid-body engine (181 drives) and linear cars (250) without play no step above
`LEAST_STEP` gained more than 2.1, and with 2 to 6 mm three quarters of such drives did."""
DECISIVE: Final = 2.5
"""The same of one axle against the other from which it is told, a ratio of 12: engineering judgement."""
ECHOED: Final = 2.0
"""Squares of the moment balance count by this much less than those of independent rows [1], since what the
equation leaves out comes again in every corner; engineering judgement."""
SURELY: Final = 1.5
"""The logarithm is no more than so many times the square of what the squares of both differ by over the
error of that: 0.5 if the rival is as good, 2 if it is as far the other way; engineering judgement."""
TYRES_SPREAD: Final = 0.1
"""Standard uncertainty of the difference of the axles' steps beside its own error, as part of the step [1]:
pots and motion ratios of 2 %, and bends of the tyres; engineering judgement."""


def free_play(run: Fitted) -> Finding:
    """Look for free play of every bar, ``free_play_<axle>`` [mm]; the fit is then that past the play.

    Where there is play and the run does not tell of which axle, both figures are unknown and the fit is
    midway between the two answers; ``roll_step`` [deg] is what the log shows of it, whatever the rates.
    """
    if run.motion.rate < SLOWEST_PLAY:
        why = f"at {run.motion.rate:.4g} Hz a car rolls through the play of a bar between two samples"
        return _play_unknown(run, why)
    if run.motion.box_std[1] > MOST_LEAN and "roll_rate" in run.motion.data:
        # A box whose nose is down by a degree takes a sixtieth of the yaw rate for roll rate, and what turns
        # round with the corner steps like play.
        return _play_unknown(run, "how the inertial box leans is not known, and a lean looks like play")
    plays, evidence = _dead_zones(run)
    told = [axle for axle, play in plays.items() if play.found]
    if evidence is not None and abs(evidence) < DECISIVE:
        return _untold(run, plays, evidence)
    figures = {f"free_play_{axle}": play.width for axle, play in plays.items()}
    if not told:
        return Finding(figures)
    # That of the axle looked at last has the play of the other taken off.
    lost = {axle: plays[axle].lost(run.columns.roll[axle]) for axle in told}
    return Finding(
        {**figures, "roll_step": _step([plays[axle] for axle in told[:1]])},
        tuple(
            f"{axle} bar: free play of {plays[axle].width.value:.1f} mm (left wheel against right) in links "
            "or bushes; the gradient is that of the bar past its play"
            for axle in told
        ),
        replace(run.columns, lost=lost, front_share=plays[told[-1]].front_share),
        checks=tuple(_play_row(axle, plays[axle]) for axle in told),
    )


def _play_unknown(run: Fitted, why: str) -> Finding:
    unknown = Estimate.unknown("mm", why, PLAY_METHOD)
    return Finding({f"free_play_{axle}": unknown for axle, bar in run.weights.bar.items() if bar > 0.0})


def _play_row(axle: Axle, play: FreePlay) -> HealthRow:
    width, seen = play.width, play.seen_from
    size = f"{width.value:.1f} ± {width.total_error or 0.0:.1f} mm"
    text = (
        f"Free play of {size}, left wheel against right, before "
        f"the {axle} bar works: look at rod ends, link bolts and bushes. The gradient is that past it."
    )
    return HealthRow("free play", f"{axle} bar", Verdict.SUSPECT, width.value, seen, "mm", text)


def _untold(run: Fitted, plays: Mapping[Axle, FreePlay], evidence: float) -> Finding:
    """Return play of which the run does not tell the axle: half of it is taken off as each one's."""
    widths = {axle: f"{play.width.value or 0.0:.1f} mm" for axle, play in plays.items()}
    either = f"{widths['front']} if it is the front bar's, {widths['rear']} if the rear one's"
    figures = {
        f"free_play_{axle}": Estimate.unknown(
            "mm", f"a bar has play, and this run does not tell which: {width} if it is this one", PLAY_METHOD
        )
        for axle, width in widths.items()
    }
    row = HealthRow(
        "free play",
        "front or rear bar",
        Verdict.SUSPECT,
        abs(evidence),
        DECISIVE,
        "1",
        f"Free play of one of the bars, left wheel against right: {either}. Which one this run does not "
        "tell: look at rod ends, link bolts and bushes of both. The gradients are midway between those past "
        "the one's play and past the other's.",
    )
    return Finding(
        {**figures, "roll_step": _step(list(plays.values()))},
        (
            f"front or rear bar, not told apart: free play of {either} (left wheel against right) in links "
            "or bushes; the gradients are midway between those past the one's play and past the other's",
        ),
        replace(
            run.columns,
            lost={axle: 0.5 * play.lost(run.columns.roll[axle]) for axle, play in plays.items()},
            lost_of_either=True,
            front_share=float(np.mean([play.front_share for play in plays.values()])),
        ),
        checks=(row,),
    )


def _step(plays: Sequence[FreePlay]) -> Estimate:
    """Return the step of the roll across the play, mean of those it may be [deg]."""
    # Both sides stand apart by it twice; where it may be one of two both are in the error.
    steps = [2.0 * math.degrees(play.step) for play in plays]
    errors = [2.0 * math.degrees(play.step_error) for play in plays if play.step_error is not None]
    std = math.hypot(max(errors), 0.5 * (max(steps) - min(steps))) if errors else None
    note = "of the mean roll of both axles, weighed by stiffness, from one end of the zone to the other"
    return Estimate(float(np.mean(steps)), "deg", std, method=PLAY_METHOD, notes=(note,))


@dataclass(frozen=True, slots=True)
class FreePlay:
    """The dead zone of one axle's bar.

    Parameters
    ----------
    step, step_error : float
        Mean roll of the car by which the two sides past the zone stand apart, half of it, and its standard
        error, None where the run is too short [rad].
    half, centre : float
        Half width and middle of the zone in which it rises, as suspension roll [rad].
    front_share : float
        Share of the front axle in the moment mean that goes with it [1].
    width : Estimate
        Width of the play as a difference of the wheel travels of both sides, by the bar's rate [mm].
    seen_from : float
        Least width that this run would have shown [mm].
    found : bool
        Whether it stands out.
    """

    step: float
    step_error: float | None
    half: float
    centre: float
    front_share: float
    width: Estimate
    seen_from: float
    found: bool

    def lost(self, roll: Floats) -> Floats:
        """Return what the bar does not carry at a `roll` of its axle, as mean roll of the car [rad]."""
        return self.step * self.across(roll)

    def across(self, roll: Floats) -> Floats:
        """Return where in the zone a `roll` of its axle is: -1 and 1 at its ends and past them."""
        result: Floats = np.clip((roll - self.centre) / self.half, -1.0, 1.0)
        return result


def _dead_zones(run: Fitted) -> tuple[dict[Axle, FreePlay], float | None]:
    """Look for a dead zone of each bar in the moment balance of the car.

    Returns
    -------
    dict
        What was seen of each bar.
    float or None
        Where play was found: logarithm of the likelihood of play at the front axle over that at the rear one.
        Below `DECISIVE` either way the axle is not told apart.

    Notes
    -----
    Within the zone the bar carries nothing, past it K_bar (phi - its half width): the mean of roll rises by a
    step of K_bar / K_total times the width between the two sides. Step and middle are those that leave the
    least of the mean's residuals, a bend with the cube of the force being allowed for; the zone in which it
    rises is the narrowest that does. How both axles share in the mean is fitted with it: with bar rates that
    are not the sheet's the twist of the ground comes into the mean, and would pass for play. So the step is
    the log's alone, and so is the gradient past it; only the width in mm rests on the rate. Both axles roll
    alike, and a zone at one shows at the other: so which of them has it is a question of its own
    (`_front_over_rear`). Once it is told, the other is looked at with that known.
    """
    bench = bench_of(run.columns, run.weights, run.fit).thinned(MOST_ROWS)
    bars = [a for a, bar in run.weights.bar.items() if bar > 0.0 and a in run.columns.roll]
    zones = {axle: _Zone(bench, run, axle, np.zeros_like(bench.mean)) for axle in bars}
    seen = {axle: zone.judged() for axle, zone in zones.items()}
    if not any(play.found for play in seen.values()):
        return seen, None
    if len(bars) == 1:
        return seen, math.inf if bars == ["front"] else -math.inf
    evidence = _front_over_rear(run, zones, seen)
    axle: Axle = "front" if evidence > 0.0 else "rear"
    if seen[axle].step <= 0.0:
        # Tyres against balance: neither is believed.
        evidence = 0.0
    if abs(evidence) < DECISIVE:
        return seen, evidence
    other: Axle = "rear" if axle == "front" else "front"
    first = replace(seen[axle], found=True)
    known = first.lost(bench.columns.roll[axle][bench.used])
    return {axle: first, other: _Zone(bench, run, other, known).judged(beside=True)}, evidence


def _front_over_rear(run: Fitted, zones: Mapping[Axle, _Zone], seen: Mapping[Axle, FreePlay]) -> float:
    """Return the logarithm of the likelihood of play at the front axle over that at the rear one.

    Two things tell the axles apart, and neither asks the sheet. Where the road moves one axle by itself, the
    zone of the right one leaves less of the moment balance. That counts by the rows that are independent, and
    by no more than by blocks of them (Q. H. Vuong, Econometrica 57, 1989, from memory): with a road in step
    with the corners, or a car that is not quite that of the equation, few blocks make it. Where both axles
    roll as one the tyres do (`_by_tyres`).
    """
    front, rear = zones["front"], zones["rear"]
    told = front.rest**2 - rear.rest**2
    log_ratio = (
        0.5 * front.independent * math.log(max(rear.least, 1e-300) / max(front.least, 1e-300)) / ECHOED
    )
    error = block_error((told - told.mean())[:, None] / len(told))
    if error is None:
        return 0.0
    surely = SURELY * (float(told.mean()) / max(error.std_error(), 1e-300)) ** 2
    by_balance = math.copysign(min(abs(log_ratio), surely), log_ratio)
    better: Axle = "front" if front.least <= rear.least else "rear"
    return by_balance + _by_tyres(run, better, seen[better])


def _by_tyres(run: Fitted, axle: Axle, play: FreePlay) -> float:
    """Return what the difference of the axles' steps says for the front axle over the rear one.

    Moment that a bar with play does not carry rolls the body, which is one, by a step further. At the other
    axle springs and bar, as linear as ever, load the tyres with their part of it, and the tyres of both axles
    take K (1 / K_tyre,f + 1 / K_tyre,r) of the step there, K being that axle's stiffness. So the axle with
    the play shows the larger step, whatever the rates are, by no more than the step itself: a profile
    likelihood over that size, of one sign and of the other. `play` is that of the `axle` whose zone fits
    better.
    """
    columns, used = run.columns, run.fit.used
    # Slow parts: what the road does with one axle is quicker.
    fitted = [columns.force, *(columns.terms[name] for name in run.fit.terms)]
    fitted += [columns.known[name] for name in (YAW, GROUND) if name in columns.known]
    fitted += [np.ones_like(columns.force), *bends(columns, np.ones_like(used))]
    basis = span(np.column_stack([slow_part(column, columns.rate)[used] for column in fitted]))

    def rest(column: Floats) -> Floats:
        own = slow_part(column, columns.rate)[used]
        result: Floats = own - basis @ (basis.T @ own)
        return result

    # As for the mean: roll less what the road does with it is the instrument.
    roll, driven = columns.roll[axle], columns.roll[axle].copy()
    driven[used] -= run.fit.residual[axle]
    apart, own, instrument = (
        rest(c)
        for c in (columns.roll["front"] - columns.roll["rear"], play.across(roll), play.across(driven))
    )
    shared = float(instrument @ own)
    if shared <= 0.0 or play.step <= 0.0:
        return 0.0
    row = instrument / shared
    larger = float(row @ apart)
    error = block_error((row * (apart - larger * own))[:, None], row)
    if error is None:
        return 0.0
    variance = error.std_error() ** 2 + (TYRES_SPREAD * play.step) ** 2
    beyond = max(abs(larger) - play.step, 0.0)
    return math.copysign((larger**2 - beyond**2) / (2.0 * variance), larger)


class _Zone:
    """The dead zone of one bar that explains the moment mean best, `known` taken off it."""

    def __init__(self, bench: Bench, run: Fitted, axle: Axle, known: Floats) -> None:
        self._bench = bench
        self._base = roll_base(run.car.axle(axle))
        self._slope = line_slope(bench.force, bench.mean)
        self._bar = run.weights.bar[axle] / run.weights.total
        self._roll = bench.columns.roll[axle][bench.used]
        # Roll less what no term explains: that is the road's, which stands in the mean as well.
        every = -(-len(run.fit.residual[axle]) // len(self._roll))
        self._driven = self._roll - run.fit.residual[axle][::every]
        self._mean = bench.rest(bench.mean - known)
        # Another share of the front axle in the mean adds this much of the difference of roll.
        front, rear = (bench.columns.roll[a][bench.used] for a in AXLES)
        self._apart = bench.rest(front - rear)
        share = run.weights.front_share
        self._shares = (-share, 1.0 - share)
        echo = float(self._mean[1:] @ self._mean[:-1]) / max(float(self._mean @ self._mean), 1e-300)
        alike = (1.0 - min(echo, 0.99)) / (1.0 + max(echo, 0.0))
        self.independent = max(len(self._mean) * alike, 1.0)
        tried = [self._search(width / 2.0 / self._base, bench.centre[axle]) for width in WIDTHS]
        # Narrow zones look alike: a wider one must explain clearly more.
        worth = [left * (1.0 + WIDER * place / self.independent) for place, (_, left) in enumerate(tried)]
        best = int(np.argmin(worth))
        self.half = WIDTHS[best] / 2.0 / self._base
        self.centre, self.least = tried[best]

    @property
    def rest(self) -> Floats:
        """What the zone leaves of the moment mean [rad]."""
        return self._fit(self.half, self.centre)[2]

    @property
    def gain(self) -> float:
        """Logarithm of the likelihood of the zone over that of none, the front's share free either way."""
        power = max(float(self._apart @ self._apart), 1e-300)
        share = float(np.clip(-float(self._apart @ self._mean) / power, *self._shares))
        without = self._mean + share * self._apart
        return 0.5 * self.independent * math.log(float(without @ without) / max(self.least, 1e-300))

    def _search(self, half: float, middle: float) -> tuple[float, float]:
        """Return the middle that leaves least, by a grid and finer ones around its best, and what is left."""
        reach, centre, least = WIDEST / self._base / 4.0, middle, np.inf
        # By grids: the squares that are left have kinks and flat places, in which a search by slope sticks.
        for _ in range(3):
            centres = np.linspace(centre - reach, centre + reach, STEPS)
            left = [self._left(half, c) for c in centres]
            best = int(np.argmin(left))
            centre, least, reach = float(centres[best]), left[best], reach / 4.0
        return centre, least

    def _left(self, half: float, centre: float) -> float:
        _, _, rest, _ = self._fit(half, centre)
        return float(rest @ rest)

    def _fit(self, half: float, centre: float) -> tuple[float, float, Floats, Floats]:
        """Return the step of a zone, what the front axle's share grows by, the rest, and the step's row."""
        own = self._bench.rest(np.clip((self._roll - centre) / half, -1.0, 1.0))
        row = self._bench.rest(np.clip((self._driven - centre) / half, -1.0, 1.0))
        apart, power = self._apart, max(float(self._apart @ self._apart), 1e-300)
        clear = row - apart * (float(apart @ row) / power)
        step = self._step(clear, own, self._mean)
        share = float(apart @ (step * own - self._mean)) / power
        low, high = self._shares
        if not low <= share <= high:
            # No bars leave an axle less than nothing.
            share = min(max(share, low), high)
            clear, step = row, self._step(row, own, self._mean + share * apart)
        if step <= 0.0:
            step, share = 0.0, min(max(-float(apart @ self._mean) / power, low), high)
        shared = float(clear @ own)
        rest = self._mean + share * apart - step * own
        return step, share, rest, clear / shared if shared > 0.0 else np.zeros_like(own)

    @staticmethod
    def _step(instrument: Floats, own: Floats, mean: Floats) -> float:
        shared = float(instrument @ own)
        return float(instrument @ mean) / shared if shared > 0.0 else 0.0

    def judged(self, beside: bool = False) -> FreePlay:
        """Return the zone with its error and whether it is believed: `beside` another it must show twice."""
        step, share, rest, row = self._fit(self.half, self.centre)
        error = block_error((row * rest)[:, None], row) if row.any() else None
        # The play is what the bar must be wound up for the step.
        to_mm = 2e3 * self._base / self._bar
        least = LEAST_STEP * self._slope * float(np.quantile(np.abs(self._bench.force), 0.99))
        sure = PLAY_SURE * (0.0 if error is None else error.std_error())
        notes = (
            "left wheel against right, from one end of the zone to the other; by the sheet's rate of the bar",
            f"under {max(least, sure) * to_mm:.1f} mm it would not be seen in this run",
        )
        method = PLAY_METHOD
        width = with_error(step * to_mm, "mm", error, 0, method, scale=to_mm, notes=notes)
        width = with_common(width, WIDTH_SPREAD * abs(step * to_mm))
        # Both ends must have been driven well past, or any curve would do.
        away, edge = self._roll - self.centre, PAST * self.half
        beyond = min(float(np.mean(away > edge)), float(np.mean(away < -edge)))
        clear = (step > sure, self.gain > GAIN)
        shows = all(clear) if beside else any(clear)
        believed = error is not None and beyond > BEYOND and step > least and shows
        return FreePlay(
            step,
            None if error is None else error.std_error(),
            self.half,
            self.centre,
            share - self._shares[0],
            width,
            max(least, sure) * to_mm,
            believed,
        )


# Dry friction of dampers and joints, from the terms of the roll equation that turn round with the wheels.


METHOD: Final = "term of the roll equation that turns round with the wheels"
LOW: Final = 15.0
"""What the estimate misses of friction that sticks, as a standard error [N]: on a rigid-body car with 50 to
300 N it came out up to 23 N low, and within 5 N of nought without friction."""


def friction_loop(run: Fitted) -> Finding:
    """Return ``friction_loop``: by how much roll differs between rolling one way and the other [deg].

    The signs of both wheels change by 4 in all, so the mean of roll changes by 4 |c_f + c_r|. The
    axles' terms go together, and their errors are taken to add up.
    """
    names = [f"friction {axle}" for axle in AXLES]
    if any(name not in run.fit.terms for name in names):
        return Finding()
    width = -4.0 * math.degrees(sum(run.fit.terms[name] for name in names))
    errors = [run.fit.term_errors[name] for name in names if name in run.fit.term_errors]
    std = 4.0 * math.degrees(sum(errors)) if len(errors) == len(names) else None
    return Finding({"friction_loop": _friction(width, "deg", std)})


def frictions(fit: RollFit | str, car: CarSheet, stiffness: Mapping[Axle, float]) -> dict[str, Estimate]:
    """Return ``friction_front`` and ``friction_rear``: friction of one corner at the wheel [N].

    Parameters
    ----------
    fit : RollFit or str
        Of both axles; with one axle alone the equation of the whole car cannot be read.
    stiffness : mapping
        Suspension roll stiffness per axle [N m/rad].

    Returns
    -------
    dict
        An axle whose term could not be told from the lateral force is left out. A figure below nought
        means less than can be seen.

    Notes
    -----
    K phi + F (t / 2) (sgn w_R' - sgn w_L') = M f_y: F follows from the coefficient c of the signs in the mean
    roll of both axles, F = -c (K_f + K_r) / (t / 2).
    """
    if isinstance(fit, str) or len(fit.axles) < len(AXLES):
        return {}
    found = {}
    for axle in AXLES:
        name = f"friction {axle}"
        if name in fit.terms:
            # The term is in radians of mean roll per change of sign; half the track is the lever of a corner.
            per_newton = sum(stiffness.values()) / (car.axle(axle).track_width.value / 2.0)
            error = fit.term_errors.get(name)
            std = None if error is None else error * per_newton
            found[f"friction_{axle}"] = _friction(-fit.terms[name] * per_newton, "N", std, LOW)
    return found


def _friction(value: float, unit: str, std: float | None, low: float | None = None) -> Estimate:
    if std is None:
        return Estimate(value, unit, method=METHOD, notes=("run too short for an error",))
    half = NORMAL * math.hypot(std, low or 0.0)
    return Estimate.from_error(value, unit, std, half, calibration=low, method=METHOD)


# What shortens the arm of the roll moment: contacts that move under the body, and a body pressed down.


FOLLOWS: Final = (0.5, 0.4)
"""Part of the body's sinking by which the roll arm shortens, and its standard uncertainty [1]: 1 where the
roll centre keeps its height over the ground, 0 where it sinks with the body; engineering judgement."""
CONTACT_SPREAD: Final = 0.3
"""Relative standard uncertainty of the moment the moving contacts take off [1]: wheel paths that bend are not
in the sheet; engineering judgement."""


def moment_arm(run: Fitted) -> Finding:
    """Return ``roll_moment_kept``: part of the sheet's roll moment that springs and bars carried [1]."""
    parts = arm_parts(run.fit, run.columns, run.car)
    if parts is None:
        return Finding()
    spread = float(np.hypot(CONTACT_SPREAD * parts.contacts, FOLLOWS[1] * parts.sinking))
    kept = Estimate(
        1.0 - (parts.contacts + FOLLOWS[0] * parts.sinking),
        "1",
        calibration=spread,
        method="moving contacts and sinking of the body, from the sheet over the run's forces",
        notes=("roll moment on springs and bars over the sheet's, which holds for small lateral forces",),
    )
    return Finding({"roll_moment_kept": kept}, arm=parts)


@dataclass(frozen=True, slots=True)
class ArmParts:
    """What is missing from M f_y in the moment on the springs over a run, as parts of M [1].

    Parameters
    ----------
    contacts : float
        Taken off by the contacts' movement under the rolled body.
    sinking : float
        Taken off per unit of `FOLLOWS` by the body being pressed down more than on a level road.
    passed : dict
        Moment per lateral specific force that outer contacts nearer to the body take off the springs of an
        axle [kg m]: it reaches the tyres.
    """

    contacts: float
    sinking: float
    passed: Mapping[Axle, float]

    @property
    def level(self) -> tuple[float, float]:
        """Factor from the gradient as driven to that on a level road, and its standard uncertainty."""
        return 1.0 + FOLLOWS[0] * self.sinking, FOLLOWS[1] * abs(self.sinking)


def arm_parts(fit: RollFit, columns: RollColumns, car: CarSheet) -> ArmParts | None:
    """Return the `ArmParts` of a run; None without vertical force or without both axles' roll.

    Notes
    -----
    Derived here for wheels that travel along the line square to the one from contact to roll centre, body
    axes, virtual power of wheel travel and moments about the CG. As the body rolls by phi the wheels' travels
    +-phi t/2 carry the contacts sideways by h_rc phi and bring the outer one, which has most of the side
    force, nearer to the body; both take moment off the springs:

        K phi = m (h_s - h_rc) f_y - m phi (h_rc f_z + h_s f_y^2 / f_z)

    The engine of the tests closes with these terms to 0.1 % below 0.5 g and 0.7 % at 1 g, and without them
    misses 0.4 % at small forces and 3 % at 1 g. Textbooks with a fixed roll axis have neither. A solid axle
    keeps its contacts: there they are left out. Pressed down by a bank or a dip the sprung CG sinks by w, and
    the arm shortens by w unless the roll centre sinks as well: with w = m (f_n - g) / (2 k) per axle, f_n the
    force square to the road. On a 15 degree bank that is 1.7 to 1.9 % of the engine car's gradient.
    """
    if ROAD_LOAD not in columns.known or "vertical force" not in columns.terms or len(fit.axles) < len(AXLES):
        return None
    masses = mass_properties(car)
    used = fit.used
    force, up = columns.force[used], np.maximum(columns.terms["vertical force"][used], 1.0)
    pressed = columns.known[ROAD_LOAD][used] - STANDARD_GRAVITY
    contacts, passed = 0.0, dict.fromkeys(AXLES, 0.0)
    sinking = np.zeros_like(force)
    for axle in AXLES:
        sheet, sprung = car.axle(axle), masses.axle(axle).sprung
        # The line stands for the roll: the road's part of it has no lateral force to go with.
        roll = fit.slope[axle] * force
        rc, height = sheet.roll_centre_height.value, masses.sprung_cg_height
        # A solid axle keeps its contacts under it, however the body rolls.
        if sheet.suspension == "independent":
            nearer = sprung * line_slope(force, roll * height * force**2 / up)
            contacts += sprung * line_slope(force, roll * rc * up) + nearer
            passed[axle] = nearer
        sinking += sprung * sprung * pressed / (2.0 * float(wheel_rate(sheet, sprung))) * force
    whole = masses.elastic_moment
    return ArmParts(contacts / whole, line_slope(force, sinking) / whole, passed)


# The bench: what the coefficient of a further column in the moment balance would be, and how sure it is.


@dataclass(frozen=True, slots=True)
class Probe:
    """A further column's coefficient in the moment mean.

    Parameters
    ----------
    value : float
        Coefficient.
    error : BlockError or None
        Of it.
    kept : float
        Part of the column that the terms of the fit cannot stand in for [1].
    """

    value: float
    error: BlockError | None
    kept: float


@dataclass(frozen=True, slots=True)
class Bench:
    """The moment mean of a run and its fitted terms, ready to try columns against.

    Parameters
    ----------
    columns, used : RollColumns, array of bool
        As fitted.
    design : array (n, k)
        Lateral force, the fitted terms, a constant, and where asked for the bends of steady roll.
    basis : array (n, k)
        Orthonormal columns that span it.
    mean : array (n,)
        The moment mean of roll [rad].
    centre : dict
        Roll at no lateral force, per axle [rad].
    """

    columns: RollColumns
    used: Bools
    design: Floats
    basis: Floats
    mean: Floats
    centre: dict[Axle, float]

    def thinned(self, most: int) -> Bench:
        """Return the bench with at most that many rows, evenly taken."""
        every = -(-len(self.mean) // most)
        if every == 1:
            return self
        rows = np.zeros_like(self.used)
        rows[np.flatnonzero(self.used)[::every]] = True
        design = self.design[::every]
        return replace(self, used=rows, design=design, basis=span(design), mean=self.mean[::every])

    @property
    def force(self) -> Floats:
        """Lateral force of the rows [m/s2]."""
        return self.columns.force[self.used]

    def rest(self, column: Floats) -> Floats:
        """Return what of a column the fitted terms cannot stand in for."""
        result: Floats = column - self.basis @ (self.basis.T @ column)
        return result

    def probe(self, column: Floats) -> Probe:
        """Return the coefficient of one further column."""
        # Frisch and Waugh: a further coefficient follows from what the other columns leave of both sides.
        own = self.rest(column)
        power = float(own @ own)
        centred = column - column.mean()
        row = own / max(power, 1e-300)
        residual = self.rest(self.mean)
        value = float(row @ residual)
        error = block_error((row * (residual - value * own))[:, None], row)
        share = power / max(float(centred @ centred), 1e-300)
        return Probe(value, error, share)

    def share_of_force(self, column: Floats) -> float:
        """Return the slope of a `column` over the lateral force: what a line through it would show."""
        centred = self.force - self.force.mean()
        return float(centred @ column / (centred @ centred))


def bench_of(columns: RollColumns, weights: Weights, fit: RollFit, bent: bool = True) -> Bench:
    """Return the `Bench` of a fitted run."""
    used = fit.used
    force = columns.force[used]
    design = [force, *(columns.terms[n][used] for n in fit.terms), np.ones_like(force)]
    if bent:
        design += bends(columns, used)
    matrix = np.column_stack(design)
    mean = mix_rolls(columns, weights, used).rolls[0]
    centre = {axle: fit.intercept[axle] for axle in fit.axles}
    return Bench(columns, used, matrix, span(matrix), mean, centre)
