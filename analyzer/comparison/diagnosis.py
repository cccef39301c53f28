"""Why measurement and prediction part: every possible cause tested against the figures seen, and ranked."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from scipy.special import chdtrc, log_ndtr, logsumexp

from analyzer.comparison.calibrated_car import Seen, expected_roll, seen_roll
from analyzer.comparison.causes import RANGES, RARE, STEP, Cause, possible_causes
from analyzer.comparison.known_differences import Known, condition_key, differ
from analyzer.comparison.ledger import RunValue, fit_groups, sheet_roll
from analyzer.comparison.results import (
    Answer,
    CauseKind,
    Evidence,
    RankedCause,
    Reasons,
    SeenFigure,
    Sign,
)
from analyzer.comparison.stiffness import ground_open
from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import Floats, ScatterPrior
from analyzer.core.regression import NORMAL, student_factor
from analyzer.core.units import AXLE_CORNERS, AXLES, Axle
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.prediction.propagation import propagate, with_settings
from analyzer.processing.results import AxleFit, RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import stands_over
from analyzer.sheets.session import Setup
from analyzer.vehicle.completion import complete_car

# Does the roll line bend? Slope at small lateral force against slope at large, per axle.


INNER: Final = 0.4
"""Part of the greatest lateral force up to which roll counts as small."""

FEWEST: Final = 60
"""Points needed for a line that may bend."""


def bend(fit: AxleFit) -> float | None:
    """Return the logarithm of inner slope over outer slope of an axle's roll; None when it cannot be told.

    Roll is fitted by a line that may bend at `INNER` of the greatest lateral force, the same way to both
    sides. Positive: the axle is softer about zero than further out (play, or stops and binding further out);
    negative: it is held about zero (friction) or gives way with load.
    """
    points = fit.points
    if len(points) < FEWEST:
        return None
    force = points["lateral_force"].to_numpy(dtype=float)
    roll = points["roll_steady" if "roll_steady" in points else "roll"].to_numpy(dtype=float)
    good = np.isfinite(force) & np.isfinite(roll)
    force, roll = force[good], roll[good]
    if len(force) < FEWEST:
        return None
    knee = INNER * float(np.quantile(np.abs(force), 0.98))
    beyond = np.sign(force) * np.maximum(np.abs(force) - knee, 0.0)
    # Both lines need points of their own: out of a handful least squares makes any slope.
    if knee == 0.0 or np.count_nonzero(beyond) < FEWEST // 4 or np.count_nonzero(beyond == 0.0) < FEWEST // 4:
        return None
    design = np.column_stack([np.ones_like(force), force, beyond])
    solved, _, rank, _ = np.linalg.lstsq(design, roll, rcond=None)
    inner, outer = float(solved[1]), float(solved[1] + solved[2])
    if rank < design.shape[1] or inner <= 0.0 or outer <= 0.0:
        return None
    return math.log(inner / outer)


def bend_values(runs: Sequence[RunEstimates], axle: Axle) -> tuple[RunValue, ...]:
    """Return the bend of one axle from every run that shows it."""
    values = []
    for order, run in enumerate(runs):
        fit = run.fits.get(axle)
        found = None if fit is None else bend(fit)
        if found is not None:
            values.append(RunValue(run.name, run.setup, found, None, float(order)))
    return tuple(values)


# Causes that the runs show by themselves: a dead zone of roll, and dry friction out of the common.


SPOKEN_FOR: Final = 3.0
"""Prior weight of a cause that something in the session speaks for, against one of which nothing is known."""

LEAST_PLAY: Final = 1.0
"""Dead zone, left wheel against right, from which it is called play [mm]: rod ends in order have less;
engineering judgement."""

PLAY_SCATTER: Final = 0.3
"""Standard error of a run's dead zone beside its own [mm]: on a rigid-body car without play it came out up to
0.33 mm."""

MOST_FACTOR: Final = math.log(1e6)
"""Most that a direct sight counts for or against, as the logarithm of a Bayes factor: sensors err, too."""

COMMON_FRICTION: Final = 100.0
"""Dry friction of one corner at the wheel from which something is said to rub [N]: dampers and joints in
order have 20 to 60 (engineering judgement)."""


def seen_play(axle: Axle, runs: Sequence[RunEstimates]) -> tuple[float, tuple[Evidence, ...]]:
    """Return what the dead zones of the runs count for free play in the bar of an axle, and the evidence.

    Returns
    -------
    float
        Logarithm of a Bayes factor: chance of the widths seen with play of that size over that without any;
        below nought where runs that could show play show none.
    tuple of Evidence
        Empty when nothing speaks for it.
    """
    shown = {}
    for run in runs:
        found = run.further.get(f"free_play_{axle}")
        if found is not None and found.value is not None and found.std_error is not None:
            shown[run.name] = found.value, math.hypot(found.std_error, PLAY_SCATTER)
    if not shown:
        return 0.0, ()
    widths, errors = zip(*shown.values(), strict=True)
    width = float(np.median(widths))
    # The median of n runs scatters 1.25 times as much as their mean (any text on robust statistics).
    error = float(np.median(errors)) * min(1.25 / math.sqrt(len(errors)), 1.0)
    if width - 2.0 * error > LEAST_PLAY:
        factor = min(0.5 * ((width - LEAST_PLAY) / error) ** 2, MOST_FACTOR)
        return factor, (Evidence(Sign.DEAD_ZONE, width, width, runs=tuple(shown)),)
    if width + 2.0 * error < LEAST_PLAY:
        return -min(0.5 * ((LEAST_PLAY - width) / error) ** 2, MOST_FACTOR), ()
    return 0.0, ()


def rubbing(axle: Axle, runs: Sequence[RunEstimates]) -> tuple[float, tuple[Evidence, ...]]:
    """Return the prior weight of binding at an axle by its dry friction, and the evidence."""
    friction = _median(runs, f"friction_{axle}")
    if friction is None or friction < COMMON_FRICTION:
        return 1.0, ()
    return SPOKEN_FOR, (Evidence(Sign.FRICTION, friction, friction),)


def _median(runs: Sequence[RunEstimates], name: str) -> float | None:
    found = [run.further.get(name) for run in runs]
    values = [e.value for e in found if e is not None and e.value is not None]
    return float(np.median(values)) if values else None


# Why measurement and prediction part: every possible cause tested against the figures seen, and ranked.
#
# For each cause the probability of the figures seen is compared with and without it (Bayes factor; Kass and
# Raftery, J. Am. Stat. Assoc. 90, 1995): without it they are the sheet's prediction with its tolerances, the
# scatter of the runs and the error of the straight-line model; with it one more effect of known shape and
# unknown size, within the range that is physically possible, is there. Where a bar was to be changed, "it was
# not" is tested too, alone and with each cause of the later set-up in its place. Half of the prior weight
# goes to "nothing but these errors". Causes whose shapes are alike come out with like weights, and are then
# named together: the data cannot separate them.


HEADLINE: Final = 3.0
"""How many times as probable as "nothing but the errors" a cause must be to make a headline, where those that
the data cannot separate from it are named beside it; a factor of three is where evidence is "positive" for
Kass and Raftery."""


SLACK: Final = 2.0
"""Where a range ends is judgement: a cause that fits at up to so many times its range takes the headline from
another that fits no better and for which nothing else in the session speaks."""

FITS: Final = 0.001
"""Chance of the figures (chi-square) with a cause at its best size under which it explains nothing, however
much better than the others it does: it is beyond its range, or more than one thing is at work."""

BEND_ERROR: Final = 0.05
"""Bend of a sound car's roll line, as a standard deviation: slopes of a rigid-body model fell by 3 to 6 %
between 0.2 and 1 g."""

BEND_SCATTER: Final = ScatterPrior(scatter=0.05, dof=2.0)
"""Prior of the scatter of a bend from run to run; engineering judgement."""

UNLIKELY: Final = 0.3
"""The same where it would have shown in the session sheet or in the events, and did not."""

ALIKE: Final = 2.0 * math.log(3.0)
"""Causes whose best fits differ by less than this in chi-square (a likelihood ratio of three) cannot be
separated by the data; which of them is the usual size or has a circumstance to it is another matter."""

WORTH_NAMING: Final = 0.03
"""Part of the first one's probability under which a cause is not named among the inseparable ones."""

OTHER_FORCE: Final = 0.10
"""Relative difference of the greatest lateral force from which one set-up was driven harder."""

OTHER_DAMPING: Final = 0.15
"""Relative difference of the damping ratio of roll from which the dampers were set otherwise."""

CONDITION_WORDS: Final[dict[CauseKind, tuple[str, ...]]] = {
    CauseKind.LOAD: ("fuel", "load", "ballast", "passenger", "seat", "driver"),
    CauseKind.TYRE_RATE: ("pressure",),
    CauseKind.DAMPERS: ("damper", "click", "bump", "rebound"),
    CauseKind.STEERING: ("caster", "steer", "rack", "camber"),
    CauseKind.POT_SCALE: ("pots", "bracket"),
}
"""Words of a condition of the session sheet that speak for a cause where it differs."""


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What else the session says.

    Parameters
    ----------
    conditions : mapping
        Run -> what the session sheet writes about it.
    health : mapping
        Run -> health rows of its log.
    known : Known
        Differences that are predicted: taken out of the figures, they speak for no cause.
    """

    conditions: Mapping[str, Mapping[str, str]]
    health: Mapping[str, Sequence[HealthRow]]
    known: Known = field(default_factory=Known)


@dataclass(frozen=True, slots=True)
class _Figures:
    """What was seen less what the sheet expects, with its covariance if nothing is wrong."""

    labels: tuple[tuple[str, str, Axle], ...]
    misfit: Floats
    covariance: Floats
    unmeasured: tuple[str, ...]


def find_reasons(
    car: CarSheet,
    setups: Mapping[str, Setup],
    runs: Sequence[RunEstimates],
    before: str,
    after: str,
    changed: tuple[Axle, ...],
    circumstances: Circumstances,
) -> Reasons:
    """Rank what could set measurement and prediction apart on two set-ups.

    Parameters
    ----------
    setups : mapping
        Hardware of (at least) both set-ups.
    runs : sequence of RunEstimates
        All runs of the session.
    before, after : str
        The two set-ups.
    changed : tuple of Axle
        Axles whose bar was changed.
    circumstances : Circumstances
        Conditions and health of the runs.

    Returns
    -------
    Reasons
        Ranked, with what the data cannot separate.
    """
    # What the session sheet states is no cause to be found: predicted, taken out, its error carried.
    known = circumstances.known
    own = known.taken_out([run for run in runs if run.setup in (before, after)])
    seen = seen_roll(car, own)
    if seen is None or {before, after} - set(seen.setups):
        return Reasons((), 0.0, Answer.NOT_TESTED)
    complete, _ = complete_car(car)
    hardware = {name: setups[name] for name in (before, after)}
    # Weighed against a placeholder any cause could win.
    figures = _figures(complete, hardware, seen, own)
    if figures.unmeasured:
        return Reasons((), 0.0, Answer.HELD_BACK, unmeasured=figures.unmeasured)
    doubts = np.column_stack([_doubts(figures, known, after), _ground(figures, own)])
    figures = replace(figures, covariance=figures.covariance + doubts @ doubts.T)
    # "The change was not made, and this happened instead" starts from the figures of `before`.
    left = _left_as_it_was(figures, complete, hardware, before, after)
    weighed = []
    for cause in possible_causes(complete, changed):
        # A cause that would move nothing here is not weighed: it could only dilute the others.
        shape = _shape(cause, complete, hardware, figures, after)
        if not (cause.instead or np.any(np.abs(shape) > 1e-9)) or _ruled_out(cause, car, own):
            continue
        prior, evidence = _prior(cause, own, before, after, circumstances)
        offset, seen_factor = left if cause.instead else 0.0 * left, 0.0
        doubt = _doubt(cause, shape, complete, hardware, figures, after)
        if cause.kind is CauseKind.FREE_PLAY:
            # Play shows in each run by itself, too; so the runs vote for or against it.
            seen_factor, evidence = seen_play(_axle_of(cause), own)
        weight, wide = _weigh(cause, shape, figures, offset, seen_factor)
        weighed.append(_Weighed(cause, weight, wide, cause.weight * prior, evidence, doubt))
    return _ranked(weighed, figures)


@dataclass(frozen=True, slots=True)
class _Weight:
    """Bayes factor, size with error before `reach` cuts it, as logarithms; fall of chi-square."""

    log_factor: float
    size: float
    error: float
    drop: float
    reach: tuple[float, float]


def _weigh(
    cause: Cause, shape: Floats, figures: _Figures, offset: Floats, seen: float
) -> tuple[_Weight, _Weight]:
    """Weigh a cause of this `shape` that also takes `offset` off the misfit (0: the change was made).

    `seen` is what the runs tell of it by themselves, a Bayes factor.

    Returns
    -------
    tuple of _Weight
        Within its range, and within `SLACK` times of it.
    """
    left = figures.misfit - offset
    solved = np.linalg.solve(figures.covariance, np.column_stack([shape, left, figures.misfit]))
    gained = 0.5 * float(figures.misfit @ solved[:, 2] - left @ solved[:, 1])
    information, pull = float(shape @ solved[:, 0]), float(shape @ solved[:, 1])

    def within(slack: float) -> _Weight:
        low, high = (slack * end for end in cause.reach)
        if high <= low or not np.any(shape):
            return _Weight(gained + seen, 0.0, 0.0, 2.0 * gained, (low, high))
        # The prior is a normal curve with half of the reach as its spread, cut off at the reach: its integral
        # with the likelihood has a closed form.
        spread = 0.5 * max(-low, high)
        variance = 1.0 / (information + 1.0 / spread**2)
        size, error = variance * pull, math.sqrt(variance)
        inside, before = _mass(low, high, size, error), _mass(low, high, 0.0, spread)
        log_factor = 0.5 * math.log(variance / spread**2) + 0.5 * pull**2 * variance + inside - before
        best = min(max(pull / information, low), high)
        drop = 2.0 * gained + best * (2.0 * pull - best * information)
        return _Weight(gained + log_factor + seen, size, error, drop, (low, high))

    return within(1.0), within(SLACK)


@dataclass(frozen=True, slots=True)
class _Weighed:
    """A cause, its weight within its range and (`wide`) within `SLACK` times of it, and what else counts.

    `doubt` is the relative standard error of its size by what is taken for granted of it.
    """

    cause: Cause
    weight: _Weight
    wide: _Weight
    prior: float
    evidence: tuple[Evidence, ...]
    doubt: float


def _mass(low: float, high: float, mean: float, std: float) -> float:
    """Return the logarithm of the part of a normal curve that lies between two ends."""
    ends = (low - mean) / std, (high - mean) / std
    # In the tail where the curve falls, so that neither end rounds to one.
    ends = ends if ends[0] < -ends[1] else (-ends[1], -ends[0])
    return float(logsumexp([log_ndtr(ends[1]), log_ndtr(ends[0])], b=[1.0, -1.0]))


def _left_as_it_was(
    figures: _Figures, car: CarSheet, setups: Mapping[str, Setup], before: str, after: str
) -> Floats:
    """Return what the figures lack when the bar was left as it was on `before`."""
    told = expected_roll(car, car, {"old": setups[before], "new": setups[after]})
    lacking = np.zeros(len(figures.labels))
    for index, (kind, setup, axle) in enumerate(figures.labels):
        if kind == "roll" and setup == after:
            lacking[index] = float(told[f"old {axle}"]) - float(told[f"new {axle}"])
    return lacking


def _doubts(figures: _Figures, known: Known, after: str) -> Floats:
    """Return what the doubts of known differences do to the figures, shape (figures, doubts)."""
    rows = np.zeros((len(figures.labels), known.contribution.shape[1]))
    for index, (kind, setup, axle) in enumerate(figures.labels):
        if kind == "roll" and setup == after:
            rows[index] = known.contribution[AXLES.index(axle)]
    return rows


def _ground(figures: _Figures, runs: Sequence[RunEstimates]) -> Floats:
    """Return what side-slip on twisted ground leaves open of the figures, shape (figures,)."""
    return np.array(
        [
            ground_open([run for run in runs if run.setup == setup], axle) if kind == "roll" else 0.0
            for kind, setup, axle in figures.labels
        ]
    )


def _figures(
    car: CarSheet, setups: Mapping[str, Setup], seen: Seen, runs: Sequence[RunEstimates]
) -> _Figures:
    labels = [("roll", setup, axle) for setup, axle in zip(seen.setups, seen.axles, strict=True)]
    # What the sheet leaves open moves all rows at once: its share of the covariance is no diagonal.
    prior = propagate(with_settings(car, *setups.values()), lambda sheet: expected_roll(sheet, car, setups))
    order = [prior.names.index(f"{setup} {axle}") for _, setup, axle in labels]
    slopes = prior.contribution[order]
    misfits = [seen.logs - np.array([prior.values[prior.names[i]] for i in order])]
    blocks = [slopes @ slopes.T + seen.covariance]
    # How the roll bends with force tells a stop or free play from a bar, which only turns the line.
    for axle in AXLES:
        values = [value for value in bend_values(runs, axle) if value.group in setups]
        if not values:
            continue
        fit = fit_groups(values, BEND_SCATTER)
        rows = np.array([fit.row(group) for group in fit.groups])
        # Few runs: the normal law below would take a scatter of two runs for known.
        widen = (student_factor(fit.fit.dof) / 1.96) ** 2
        labels += [("bend", group, axle) for group in fit.groups]
        misfits.append(rows @ fit.fit.coefficients)
        blocks.append(widen * rows @ fit.fit.covariance @ rows.T + BEND_ERROR**2)
    size = sum(len(block) for block in blocks)
    covariance = np.zeros((size, size))
    place = 0
    for block in blocks:
        covariance[place : place + len(block), place : place + len(block)] = block
        place += len(block)
    # Two set-ups that scatter not at all would leave nothing to divide by.
    covariance += 1e-10 * np.eye(size)
    # A placeholder of the sheet counts where it moves a figure by a fair part of its error.
    roll_errors = np.sqrt(np.diag(blocks[0]))
    marks = [
        mark
        for (_, setup, axle), error in zip(labels, roll_errors, strict=False)
        for mark in prior.unmeasured(f"{setup} {axle}", float(error))
    ]
    marks += [
        mark
        for run in runs
        for gradient in run.roll_gradient_body.values()
        for mark in gradient.provisional
        if stands_over("logger", mark)
    ]
    return _Figures(tuple(labels), np.concatenate(misfits), covariance, tuple(dict.fromkeys(marks)))


def _shape(cause: Cause, car: CarSheet, setups: Mapping[str, Setup], figures: _Figures, after: str) -> Floats:
    """Return what a cause does to the figures, per unit of the logarithm of its quantity."""
    moved: Mapping[str, object] = {}
    plain = expected_roll(car, car, setups)
    if cause.move is not None:
        moved = expected_roll(cause.move(car, math.exp(STEP)), car, setups)
    shape = np.zeros(len(figures.labels))
    for index, (kind, setup, axle) in enumerate(figures.labels):
        if cause.where == "after" and setup != after:
            continue
        if kind == "bend":
            shape[index] = cause.bends.get(axle, 0.0)
            continue
        name = f"{setup} {axle}"
        if cause.move is not None:
            shape[index] = (float(moved[name]) - float(plain[name])) / STEP  # type: ignore[arg-type]
        if axle in cause.scales:
            shape[index] += 1.0
        if cause.kind is CauseKind.STEERING:
            shape[index] = _steering(car, setups[setup])[axle]
    return shape


def _doubt(
    cause: Cause,
    shape: Floats,
    car: CarSheet,
    setups: Mapping[str, Setup],
    figures: _Figures,
    after: str,
) -> float:
    """Return the relative standard error of a cause's size by what is taken for granted of it."""
    if not cause.doubts:
        return 0.0
    # By how much the size that fits is off where the figures are of a load that sits elsewhere.
    others = [_shape(replace(cause, move=move), car, setups, figures, after) for move in cause.doubts]
    seen = np.linalg.solve(figures.covariance, shape)
    return float(np.linalg.norm([other @ seen / (shape @ seen) - 1.0 for other in others]))


def _steering(car: CarSheet, setup: Setup) -> dict[Axle, float]:
    """Return what steering that lifts and lowers the front wheels does to the roll of both axles.

    Caster and offset lift one front wheel and lower the other, which twists the car: K_f s_f + K_r s_r stays
    what the roll moment is, so what the front gains the rear loses (moment balance about the roll axis).
    """
    told = sheet_roll(car, setup)
    carried = {axle: float(told.stiffness[axle]) * float(told.gradient[axle]) for axle in AXLES}
    return {"front": 1.0, "rear": -carried["front"] / carried["rear"]}


def _prior(
    cause: Cause, runs: Sequence[RunEstimates], before: str, after: str, circumstances: Circumstances
) -> tuple[float, tuple[Evidence, ...]]:
    """Return the weight that the session gives a cause, and what in it speaks for it."""
    groups = [[run for run in runs if run.setup == name] for name in (before, after)]
    if cause.kind is CauseKind.BUMP_STOPS:
        return _events(_axle_of(cause), groups[0], groups[1], after_only=cause.where == "after")
    if cause.kind is CauseKind.BINDING:
        return rubbing(_axle_of(cause), runs)
    if cause.kind in (CauseKind.POT_SCALE, CauseKind.LATERAL_SCALE):
        return _of_sensors(cause, groups, circumstances)
    if cause.where != "after":
        return 1.0, ()
    if cause.kind is CauseKind.DRIVEN:
        return _unlike(Sign.FORCE, [_greatest_force(group) for group in groups], OTHER_FORCE)
    words = CONDITION_WORDS.get(cause.kind, ())
    told, stated = _differing(words, groups[0], groups[1], circumstances)
    if cause.kind is CauseKind.DAMPERS and not told:
        return _unlike(
            Sign.DAMPING, [_median(group, "roll_damping_ratio") for group in groups], OTHER_DAMPING
        )
    if told:
        return SPOKEN_FOR, told
    # Stated, and the same for both: it would have to be a mistake of the sheet.
    return (UNLIKELY if stated else 1.0), ()


def _greatest_force(runs: Sequence[RunEstimates]) -> float | None:
    ends = [max(abs(end) for end in fit.lateral_range) for run in runs for fit in run.fits.values()]
    return float(np.mean(ends)) if ends else None


def _unlike(sign: Sign, pair: Sequence[float | None], least: float) -> tuple[float, tuple[Evidence, ...]]:
    old, new = pair
    if not old or not new:
        return 1.0, ()
    if abs(math.log(new / old)) < math.log1p(least):
        return UNLIKELY, ()
    return SPOKEN_FOR, (Evidence(sign, old, new),)


def _ruled_out(cause: Cause, car: CarSheet, runs: Sequence[RunEstimates]) -> bool:
    """Return whether no damper ever touched its stop although the sheet says where the stop is."""
    if cause.kind is not CauseKind.BUMP_STOPS or car.axle(_axle_of(cause)).damper.bump_stop_gap is None:
        return False
    corners = AXLE_CORNERS[_axle_of(cause)]
    return not any(event.corner in corners for run in runs for event in run.bottoming)


def _axle_of(cause: Cause) -> Axle:
    if cause.axle is None:
        raise ValueError(f"{cause.kind}: asks for a circumstance of one axle and names none")
    return cause.axle


def _events(
    axle: Axle, before: Sequence[RunEstimates], after: Sequence[RunEstimates], *, after_only: bool
) -> tuple[float, tuple[Evidence, ...]]:
    counts = [
        sum(event.corner in AXLE_CORNERS[axle] for run in group for event in run.bottoming)
        for group in (before, after)
    ]
    if not any(counts):
        return UNLIKELY, ()
    rates = [count / max(len(group), 1) for count, group in zip(counts, (before, after), strict=True)]
    more_after = rates[1] > 2.0 * rates[0]
    weight = SPOKEN_FOR if more_after == after_only else UNLIKELY
    return weight, (Evidence(Sign.HITS, float(counts[0]), float(counts[1])),)


def _of_sensors(
    cause: Cause, groups: Sequence[Sequence[RunEstimates]], circumstances: Circumstances
) -> tuple[float, tuple[Evidence, ...]]:
    old, new = (_health(cause, group, circumstances) for group in groups)
    if cause.where == "after":
        # What was found before the change as well is no sign that something came with it.
        earlier = {item.what for item in old}
        words = CONDITION_WORDS.get(cause.kind, ())
        told, _ = _differing(words, groups[0], groups[1], circumstances)
        found = told + tuple(item for item in new if item.what not in earlier)
    else:
        found = old + new
    return (SPOKEN_FOR, found[:3]) if found else (1.0, ())


def _health(cause: Cause, runs: Sequence[RunEstimates], circumstances: Circumstances) -> tuple[Evidence, ...]:
    channels = (
        {"accel_y"} if len(cause.scales) > 1 else {f"damper_{c}" for c in AXLE_CORNERS[cause.scales[0]]}
    )
    return tuple(
        Evidence(
            Sign.HEALTH, row.verdict.value, row.verdict.value, f"{row.channel}, {row.check}", (run.name,)
        )
        for run in runs
        for row in circumstances.health.get(run.name, ())
        if row.channel in channels and row.verdict in (Verdict.SUSPECT, Verdict.BAD)
    )


def _differing(
    words: tuple[str, ...],
    before: Sequence[RunEstimates],
    after: Sequence[RunEstimates],
    circumstances: Circumstances,
) -> tuple[tuple[Evidence, ...], bool]:
    """Return the conditions of these words that differ, and whether any is stated at all."""
    told = [[circumstances.conditions.get(run.name, {}) for run in group] for group in (before, after)]
    keys = sorted({key for group in told for table in group for key in table})
    keys = [key for key in keys if any(word in key.lower() for word in words)]
    found = []
    gone = {difference.condition for difference in circumstances.known.differences}
    for key in keys:
        if condition_key(key) in gone:
            continue
        values = [list(dict.fromkeys(t.get(key, "not stated") for t in group)) for group in told]
        if differ(values[0], values[1]):
            found.append(Evidence(Sign.CONDITION, " / ".join(values[0]), " / ".join(values[1]), key))
    return tuple(found), bool(keys)


def _ranked(weighed: Sequence[_Weighed], figures: _Figures) -> Reasons:
    reasons, none = _probable(weighed)
    shown, drops = _shown(figures), np.array([item.weight.drop for item in weighed])
    # Causes that explain the misfit alike cannot be separated by these runs; they are named together, not
    # ranked.
    whole_misfit = float(figures.misfit @ np.linalg.solve(figures.covariance, figures.misfit))
    # One figure less: the size of the cause.
    fits = chdtrc(max(len(figures.misfit) - 1, 1), np.maximum(whole_misfit - drops, 0.0))
    ranking = sorted(range(len(reasons)), key=lambda index: -reasons[index].probability)
    ranked, fit, first = tuple(reasons[index] for index in ranking), float(fits.max()), ranking[0]
    if none >= 0.5:
        return Reasons(ranked, none, Answer.ERRORS, (), shown, fit=fit)
    # A pot that nothing else speaks for turns no part of the car away, however well it fits.
    parts = [index for index in ranking if not reasons[index].mere_sensor]
    best = drops[parts[0] if parts else first]
    alike = [
        index
        for index in ranking
        if fits[index] >= FITS
        and drops[index] > best - ALIKE
        and reasons[index].probability >= WORTH_NAMING * reasons[first].probability
    ]
    # One part of the car that is so much likelier than the errors makes the headline; what explains as much
    # is named beside it, or one would look sure of which the runs know no more than of the others.
    sure = [index for index in alike if reasons[index].probability >= HEADLINE * none]
    headline = alike if any(not reasons[index].mere_sensor for index in sure) else sure
    named = tuple(reasons[index] for index in headline)
    parts = [index for index in headline if not reasons[index].mere_sensor]
    if named and not parts:
        return Reasons(ranked, none, Answer.SENSOR, (), shown, fit=fit, rivals=named)
    if len(parts) == 1 and not reasons[parts[0]].evidence:
        rivals = [
            index
            for index in ranking
            if index not in headline
            and not reasons[index].mere_sensor
            and weighed[index].wide.drop > max(drops[index], drops[parts[0]] - ALIKE)
        ]
        if rivals:
            return _beyond(weighed, headline, rivals, shown, fit)
    answer = Answer.OPEN if fits[first] >= FITS else Answer.NONE_FITS
    if named:
        by_pot, by_part = (
            max((drops[index] for index in headline if reasons[index].mere_sensor is pot), default=0.0)
            for pot in (True, False)
        )
        several = Answer.EITHER if by_pot > by_part + ALIKE else Answer.ALIKE
        answer = Answer.ONE if len(named) == 1 else several
    return Reasons(ranked, none, answer, named, shown, fit=fit)


def _probable(weighed: Sequence[_Weighed]) -> tuple[list[RankedCause], float]:
    """Return every cause with its probability, and that of nothing but the errors: together they are one."""
    logs = np.array([item.weight.log_factor + math.log(item.prior) for item in weighed])
    # "Nothing but the errors" stands against all causes together, with as much weight as they have.
    nothing = math.log(sum(item.prior for item in weighed))
    whole = float(logsumexp(np.append(logs, nothing)))
    reasons = [
        RankedCause(
            kind=item.cause.kind,
            axle=item.cause.axle,
            after_only=item.cause.where == "after",
            instead=item.cause.instead,
            probability=math.exp(float(log) - whole),
            bayes_factor=math.exp(min(item.weight.log_factor, 700.0)),
            size=size,
            evidence=item.evidence,
        )
        for item, log, size in zip(weighed, logs, _sizes(weighed), strict=True)
    ]
    return reasons, math.exp(nothing - whole)


def _beyond(
    weighed: Sequence[_Weighed],
    headline: Sequence[int],
    rivals: Sequence[int],
    shown: tuple[SeenFigure, ...],
    fit: float,
) -> Reasons:
    """Return that these runs cannot tell, since `rivals` fit as well beyond their ranges.

    Who says that they would fit weighs them so, as what seldom happens: within its range each excludes
    itself, and the other would stand at 100 % beside words that nobody can tell.
    """
    widened = [
        replace(item, weight=item.wide, prior=RARE * item.prior) if index in rivals else item
        for index, item in enumerate(weighed)
    ]
    reasons, none = _probable(widened)
    return Reasons(
        tuple(sorted(reasons, key=lambda reason: -reason.probability)),
        none,
        Answer.RIVALS,
        (),
        shown,
        fit=fit,
        rivals=tuple(reasons[index] for index in (*headline, *rivals)),
    )


def _sizes(weighed: Sequence[_Weighed]) -> list[Estimate]:
    """Return the size of every cause within its range: a normal curve cut off at both ends."""
    # Its library takes a third of a second to import, and a session whose car does what it should asks for
    # no cause.
    from scipy.stats import truncnorm

    low, high = (np.array([item.weight.reach[end] for item in weighed]) for end in (0, 1))
    size, error = (np.array([getattr(item.weight, name) for item in weighed]) for name in ("size", "error"))
    sized = error > 0.0
    spread = np.where(sized, error, 1.0)
    low, high = np.where(sized, low, -1.0), np.where(sized, high, 1.0)
    cut = truncnorm((low - size) / spread, (high - size) / spread, loc=size, scale=spread)
    rows = np.where(sized, np.array([cut.mean(), cut.std(), cut.ppf(0.025), cut.ppf(0.975)]), 0.0).T
    return [_size(item, *map(float, row)) for item, row in zip(weighed, rows, strict=True)]


def _size(item: _Weighed, mean: float, std: float, low: float, high: float) -> Estimate:
    cause, method = item.cause, "size if this is the only reason"
    if cause.kind not in RANGES:
        return Estimate.unknown("1", "it is made or not", method)
    unit, part = RANGES[cause.kind].unit, math.exp(mean)
    if unit == "1":
        return Estimate(part, "1", part * std, (math.exp(low), math.exp(high)), method=method)
    value = cause.nominal * math.expm1(mean)
    # Whatever the place of a load, no more than its range is in the car.
    least, most, below, above = (cause.nominal * math.expm1(end) for end in (*item.weight.reach, low, high))
    # A doubt is of the factor between what is aboard and what is seen: it leaves more room above than below.
    room = [abs(value * math.expm1(sign * NORMAL * item.doubt)) for sign in (-1.0, 1.0)]
    less, more = room if value > 0.0 else reversed(room)
    below = max(value - math.hypot(value - below, less), least)
    above = min(value + math.hypot(above - value, more), most)
    error = math.hypot(cause.nominal * part * std, item.doubt * value)
    return Estimate(value, unit, error, (below, above), method=method)


def _shown(figures: _Figures) -> tuple[SeenFigure, ...]:
    rows = zip(figures.labels, figures.misfit, np.diag(figures.covariance), strict=True)
    return tuple(
        SeenFigure(setup, axle, kind == "bend", float(value), math.sqrt(float(variance)))
        for (kind, setup, axle), value, variance in rows
    )
