"""Why measurement and prediction part: every possible cause tested against the figures seen, and ranked."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import log_ndtr, logsumexp

from analyzer.comparison.calibrated_car import Seen, expected_roll, seen_roll
from analyzer.comparison.causes import STEP, Cause, possible_causes
from analyzer.comparison.ledger import RunValue, fit_groups
from analyzer.comparison.results import RankedCause, Reasons
from analyzer.core.constants import AXLE_CORNERS, AXLES, Axle
from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import Floats, ScatterPrior
from analyzer.core.regression import student_factor
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.prediction.propagation import propagate
from analyzer.processing.results import AxleFit, RunEstimates
from analyzer.sheets.car import CarSheet
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


def seen_play(axle: Axle, runs: Sequence[RunEstimates]) -> tuple[float, tuple[str, ...]]:
    """Return what the dead zones of the runs count for free play in the bar of an axle, and in words.

    Returns
    -------
    float
        Logarithm of a Bayes factor: chance of the widths seen with play of that size over that without any;
        below nought where runs that could show play show none.
    tuple of str
        Evidence; empty when nothing speaks for it.
    """
    widths, errors = [], []
    for run in runs:
        found = run.further.get(f"free_play_{axle}")
        if found is not None and found.value is not None and found.std_error is not None:
            widths.append(found.value)
            errors.append(math.hypot(found.std_error, PLAY_SCATTER))
    if not widths:
        return 0.0, ()
    width = float(np.median(widths))
    # The median of n runs scatters 1.25 times as much as their mean (any text on robust statistics).
    error = float(np.median(errors)) * min(1.25 / math.sqrt(len(errors)), 1.0)
    if width - 2.0 * error > LEAST_PLAY:
        factor = min(0.5 * ((width - LEAST_PLAY) / error) ** 2, MOST_FACTOR)
        words = f"a dead zone of {width:.1f} mm, left wheel against right, in {len(widths)} runs"
        return factor, (f"{words}; the roll gradients are those of the bar past it",)
    if width + 2.0 * error < LEAST_PLAY:
        return -min(0.5 * ((LEAST_PLAY - width) / error) ** 2, MOST_FACTOR), ()
    return 0.0, ()


def rubbing(axle: Axle, runs: Sequence[RunEstimates]) -> tuple[float, tuple[str, ...]]:
    """Return the prior weight of binding at an axle by its dry friction, and the evidence."""
    found = [run.further.get(f"friction_{axle}") for run in runs]
    values = [e.value for e in found if e is not None and e.value is not None]
    if not values or float(np.median(values)) < COMMON_FRICTION:
        return 1.0, ()
    return SPOKEN_FOR, (f"dry friction of {float(np.median(values)):.0f} N at each {axle} wheel",)


# Why measurement and prediction part: every possible cause tested against the figures seen, and ranked.
#
# For each cause the probability of the figures seen is compared with and without it (Bayes factor; Kass and
# Raftery, J. Am. Stat. Assoc. 90, 1995): without it they are the sheet's prediction with its tolerances, the
# scatter of the runs and the error of the straight-line model; with it one more effect of known shape and
# unknown size is there. Half of the prior weight goes to "nothing but these errors". Causes whose shapes are
# alike come out with like weights, and are then named together: the data cannot separate them.


BEND_ERROR: Final = 0.05
"""Bend of a sound car's roll line, as a standard deviation: slopes of a rigid-body model fell by 3 to 6 %
between 0.2 and 1 g."""

BEND_SCATTER: Final = ScatterPrior(scatter=0.05, dof=2.0)
"""Prior of the scatter of a bend from run to run; engineering judgement."""

UNLIKELY: Final = 0.3
"""The same where it would have shown in the session sheet or in the events, and did not."""

OTHER_VALUE: Final = 0.03
"""Relative difference of the means from which a condition written as a number counts as different."""

_NUMBER: Final = re.compile(r"[+-]?\d+(?:\.\d+)?")

ALIKE: Final = 2.0 * math.log(3.0)
"""Causes whose best fits differ by less than this in chi-square (a likelihood ratio of three) cannot be
separated by the data; which of them is the usual size or has a circumstance to it is another matter."""

WORTH_NAMING: Final = 0.03
"""Part of the first one's probability under which a cause is not named among the inseparable ones."""


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What else the session says.

    Parameters
    ----------
    conditions : mapping
        Run -> what the session sheet writes about it.
    health : mapping
        Run -> health rows of its log.
    """

    conditions: Mapping[str, Mapping[str, str]]
    health: Mapping[str, Sequence[HealthRow]]


@dataclass(frozen=True, slots=True)
class _Figures:
    """What was seen less what the sheet expects, with its covariance if nothing is wrong."""

    labels: tuple[tuple[str, str, Axle], ...]
    misfit: Floats
    covariance: Floats


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
    own = [run for run in runs if run.setup in (before, after)]
    seen = seen_roll(car, own)
    if seen is None or {before, after} - set(seen.setups):
        return Reasons((), 0.0, "roll was not measured on both set-ups; no reason can be tested", ())
    complete, _ = complete_car(car)
    hardware = {name: setups[name] for name in (before, after)}
    figures = _figures(complete, hardware, seen, own)
    causes = possible_causes(complete, changed)
    weighed = []
    for cause in causes:
        shape = _shape(cause, complete, hardware, figures, after)
        if np.any(np.abs(shape) > 1e-9) and not _ruled_out(cause, car, own):
            prior, evidence = _prior(cause, own, before, after, circumstances)
            weight = _Weight.of(cause, shape, figures)
            if cause.needs == "play":
                seen_factor, told = seen_play(_axle_of(cause), own)
                weight = replace(weight, log_factor=weight.log_factor + seen_factor)
                evidence += told
            weighed.append((cause, weight, prior, evidence))
    return _ranked(weighed, figures)


@dataclass(frozen=True, slots=True)
class _Weight:
    """Bayes factor of a cause and its size with error, as logarithms; fall of chi-square at its best."""

    log_factor: float
    size: float
    error: float
    drop: float

    @classmethod
    def of(cls, cause: Cause, shape: Floats, figures: _Figures) -> _Weight:
        solved = np.linalg.solve(figures.covariance, np.column_stack([shape, figures.misfit]))
        information = float(shape @ solved[:, 0])
        pull = float(shape @ solved[:, 1])
        variance = 1.0 / (information + 1.0 / cause.spread**2)
        size, error = variance * pull, math.sqrt(variance)
        drop = pull**2 / information
        log_factor = 0.5 * math.log(variance / cause.spread**2) + 0.5 * pull**2 * variance
        if cause.sign:
            # A half-normal prior: all weight on the side that makes sense.
            log_factor += math.log(2.0) + float(log_ndtr(cause.sign * size / error))
            drop = drop if cause.sign * size > 0.0 else 0.0
        return cls(log_factor, size, error, drop)


def _figures(
    car: CarSheet, setups: Mapping[str, Setup], seen: Seen, runs: Sequence[RunEstimates]
) -> _Figures:
    labels = [("roll", setup, axle) for setup, axle in zip(seen.setups, seen.axles, strict=True)]
    prior = propagate(car, lambda sheet: expected_roll(sheet, car, setups))
    order = [prior.names.index(f"{setup} {axle}") for _, setup, axle in labels]
    slopes = prior.contribution[order]
    misfits = [seen.logs - np.array([prior.values[prior.names[i]] for i in order])]
    blocks = [slopes @ slopes.T + seen.covariance]
    for axle in AXLES:
        values = [value for value in bend_values(runs, axle) if value.group in setups]
        if not values:
            continue
        fit = fit_groups(values, BEND_SCATTER)
        rows = np.array([fit.row(group) for group in fit.groups])
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
    return _Figures(tuple(labels), np.concatenate(misfits), covariance)


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
    return shape


def _prior(
    cause: Cause, runs: Sequence[RunEstimates], before: str, after: str, circumstances: Circumstances
) -> tuple[float, tuple[str, ...]]:
    """Return the prior weight of a cause and what in the session speaks for it."""
    if not cause.needs:
        return 1.0, ()
    groups = {name: [run for run in runs if run.setup == name] for name in (before, after)}
    if cause.needs == "events":
        return _events(_axle_of(cause), groups[before], groups[after], after_only=cause.where == "after")
    if cause.needs == "play":
        return 1.0, ()
    if cause.needs == "friction":
        return rubbing(_axle_of(cause), runs)
    if cause.needs == "health":
        return _health(cause, runs, circumstances)
    words = ("pressure",) if cause.needs == "pressure" else ("fuel", "load", "ballast", "passenger", "seat")
    told = _differing(words, groups[before], groups[after], circumstances)
    if told:
        return SPOKEN_FOR, told
    return (UNLIKELY if cause.where == "after" else 1.0), ()


def _ruled_out(cause: Cause, car: CarSheet, runs: Sequence[RunEstimates]) -> bool:
    """Return whether no damper ever touched its stop although the sheet says where the stop is."""
    if cause.needs != "events" or car.axle(_axle_of(cause)).damper.bump_stop_gap is None:
        return False
    corners = AXLE_CORNERS[_axle_of(cause)]
    return not any(event.corner in corners for run in runs for event in run.bottoming)


def _axle_of(cause: Cause) -> Axle:
    if cause.axle is None:
        raise ValueError(f"{cause.name}: asks for a circumstance of one axle and names none")
    return cause.axle


def _events(
    axle: Axle, before: Sequence[RunEstimates], after: Sequence[RunEstimates], *, after_only: bool
) -> tuple[float, tuple[str, ...]]:
    counts = [
        sum(event.corner in AXLE_CORNERS[axle] for run in group for event in run.bottoming)
        for group in (before, after)
    ]
    if not any(counts):
        return UNLIKELY, ()
    text = f"{counts[0]} bottoming events of the {axle} axle before, {counts[1]} after"
    rates = [count / max(len(group), 1) for count, group in zip(counts, (before, after), strict=True)]
    more_after = rates[1] > 2.0 * rates[0]
    return (SPOKEN_FOR if more_after == after_only else UNLIKELY), (text,)


def _health(
    cause: Cause, runs: Sequence[RunEstimates], circumstances: Circumstances
) -> tuple[float, tuple[str, ...]]:
    channels = (
        {"accel_y"} if len(cause.scales) > 1 else {f"damper_{c}" for c in AXLE_CORNERS[cause.scales[0]]}
    )
    found = tuple(
        f"{run.name}: {row.channel}, {row.check}: {row.verdict.value}"
        for run in runs
        for row in circumstances.health.get(run.name, ())
        if row.channel in channels and row.verdict in (Verdict.SUSPECT, Verdict.BAD)
    )
    return (SPOKEN_FOR, found[:3]) if found else (1.0, ())


def _differing(
    words: tuple[str, ...],
    before: Sequence[RunEstimates],
    after: Sequence[RunEstimates],
    circumstances: Circumstances,
) -> tuple[str, ...]:
    found = []
    told = [[circumstances.conditions.get(run.name, {}) for run in group] for group in (before, after)]
    keys = sorted({key for group in told for table in group for key in table})
    for key in keys:
        if not any(word in key.lower() for word in words):
            continue
        values = [list(dict.fromkeys(t.get(key, "not stated") for t in group)) for group in told]
        if _differ(values[0], values[1]):
            old, new = (" / ".join(group) for group in values)
            found.append(f"{key.replace('_', ' ')}: {old} before, {new} after")
    return tuple(found)


def _differ(before: Sequence[str], after: Sequence[str]) -> bool:
    """Return whether two lists of texts differ; numbers count as different from `OTHER_VALUE` on."""
    numbers = [[_NUMBER.match(text) for text in group] for group in (before, after)]
    found = [[float(match.group()) for match in group if match] for group in numbers]
    if [len(group) for group in found] != [len(before), len(after)]:
        return set(before) != set(after)
    old, new = (float(np.mean(group)) for group in found)
    return abs(new - old) > OTHER_VALUE * max(abs(old), abs(new))


def _ranked(weighed: list[tuple[Cause, _Weight, float, tuple[str, ...]]], figures: _Figures) -> Reasons:
    logs = np.array([weight.log_factor + math.log(prior) for _, weight, prior, _ in weighed])
    # "Nothing but the errors" stands against all causes together, with as much weight as they have.
    nothing = math.log(sum(prior for _, _, prior, _ in weighed))
    whole = float(logsumexp(np.append(logs, nothing)))
    order = np.argsort(-logs, kind="stable")
    reasons = []
    for index in order:
        cause, weight, _, evidence = weighed[index]
        reasons.append(
            RankedCause(
                name=cause.name,
                quantity=cause.quantity,
                probability=math.exp(float(logs[index]) - whole),
                bayes_factor=math.exp(min(weight.log_factor, 700.0)),
                size=_size(cause, weight),
                evidence=evidence,
                check=cause.check,
            )
        )
    # Causes that mend the misfit alike cannot be separated by these runs; they are named together, not
    # ranked.
    drops = [weighed[index][1].drop for index in order]
    alike = tuple(
        reason.name
        for reason, drop in zip(reasons, drops, strict=True)
        if drop > drops[0] - ALIKE and reason.probability >= WORTH_NAMING * reasons[0].probability
    )
    none = math.exp(nothing - whole)
    return Reasons(tuple(reasons), none, _words(reasons, alike, none), _shown(figures))


def _size(cause: Cause, weight: _Weight) -> Estimate:
    factor = math.exp(weight.size)
    half = 1.96 * weight.error
    return Estimate(
        value=factor,
        unit="1",
        std_error=factor * weight.error,
        interval=(factor * math.exp(-half), factor * math.exp(half)),
        method="size if this is the only reason",
        notes=(f"factor on the {cause.quantity}",),
    )


def _words(reasons: list[RankedCause], alike: tuple[str, ...], none: float) -> str:
    if none >= 0.5:
        return "the errors of sheet and runs explain what was seen; no further reason is needed"
    if len(alike) > 1:
        listed = ", ".join(alike[:-1]) + " and " + alike[-1]
        return f"the data cannot separate {listed}"
    size = 100.0 * ((reasons[0].size.value or 1.0) - 1.0)
    chance = 100.0 * reasons[0].probability
    return f"{alike[0]} fits best ({reasons[0].quantity} {size:+.0f} %, probability {chance:.0f} %)"


def _shown(figures: _Figures) -> tuple[str, ...]:
    lines = []
    for (kind, setup, axle), value, variance in zip(
        figures.labels, figures.misfit, np.diag(figures.covariance), strict=True
    ):
        std = 100.0 * math.sqrt(float(variance))
        what = "roll against the sheet" if kind == "roll" else "slope about zero against slope further out"
        lines.append(f"{setup}, {axle}: {what} {100.0 * math.expm1(float(value)):+.1f} ± {std:.1f} %")
    return tuple(lines)
