"""One set-up against another: what the change did to the stiffness of the axle it was made on."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from analyzer.comparison import ledger, unmeasured_axle
from analyzer.comparison.known_differences import NONE_KNOWN, Known
from analyzer.comparison.ledger import RunValue
from analyzer.comparison.results import (
    AxleMove,
    ChangeVerdict,
    Comparison,
    KnownDifferences,
    OtherEndMoved,
    Remedy,
    SetupResult,
    VerdictReason,
)
from analyzer.comparison.session_drift import DriftedChange, change_with_drift
from analyzer.comparison.setups import NO_RUN, gradient_values, scatter_prior, stiffness_values
from analyzer.comparison.stiffness import (
    STIFFNESS_UNIT,
    Target,
    ground_open,
    kept_error,
    measured_gradients,
    other_axle,
    roll_sheet,
    sensitivity,
    sensor_scale,
    stiffness,
    wheel_scale,
)
from analyzer.comparison.unmeasured_axle import OtherEnd
from analyzer.comparison.verdict import Evidence, decide, held_back, with_axles
from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import LEVEL, Contrast
from analyzer.core.regression import NORMAL
from analyzer.core.units import AXLE_CORNERS, AXLES, STANDARD_GRAVITY, Axle
from analyzer.prediction.propagation import COUNTS, OFF, Propagated, Values, propagate, with_settings
from analyzer.prediction.results import ChangePrediction
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import stands_over
from analyzer.sheets.session import Setup

# Two set-ups side by side: their runs, the errors that do not cancel between them, and what else differs.


OTHER_FORCE: Final = 0.25
"""Relative difference of the greatest lateral force from which two groups of runs are called unlike."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Two set-ups of one car with all runs that count.

    Parameters
    ----------
    car : CarSheet
        The car.
    before, after : SetupResult
        The set-ups.
    change : ChangePrediction
        What the change should do.
    runs : tuple of RunEstimates
        Of these and of further set-ups, in the order of driving.
        Known differences between them are taken out.
    axle : Axle or None
        The axle whose bar was changed; None when both or none were.
    target : {"front", "rear", "total"}
        Whose stiffness is compared.
    driven : tuple of RunEstimates
        The same runs as driven.
    known : Known
        What was taken out, and how well it is known.
    """

    car: CarSheet
    before: SetupResult
    after: SetupResult
    change: ChangePrediction
    runs: tuple[RunEstimates, ...]
    axle: Axle | None
    target: Target
    driven: tuple[RunEstimates, ...]
    known: Known

    def own(self, result: SetupResult) -> list[RunEstimates]:
        """Return the runs of one set-up."""
        return [run for run in self.runs if run.setup == result.name]

    def mean_stiffness(self, result: SetupResult) -> float:
        """Return the stiffness that belongs to the mean roll of a set-up's runs."""
        sheet = roll_sheet(self.car, result.predicted)
        return float(stiffness(self.target, mean_gradients(self.own(result)), sheet))

    def ground(self, weights: Mapping[Axle, float]) -> float:
        """Return what unlike driving over twisted ground leaves open of a weighted change of both rolls.

        Set-ups that are driven alike stand on ground that is twisted alike: it cancels between them.
        """
        return abs(
            sum(
                weight * (ground_open(self.own(self.after), axle) - ground_open(self.own(self.before), axle))
                for axle, weight in weights.items()
            )
        )

    def error(self, weights: Mapping[Axle, float]) -> float:
        """Return the error of such a change that the runs do not show."""
        return math.hypot(self.known.error(weights), self.ground(weights))


@dataclass(frozen=True, slots=True)
class PairErrors:
    """Errors of the sheet and of the sensors that do not cancel between two set-ups.

    Parameters
    ----------
    found : Propagated
        ``log ratio``, ``gap`` (log of measured over predicted ratio) and ``change`` [N m/deg].
    sensor : float
        Relative error of the ratio from the sensors' scales.
    sensor_change : float
        The same of the change [N m/deg].
    pots : dict
        Mark on the calibration of a pot -> what that being off does to the ratio (relative).
    taken_out : float
        Relative error of the ratio from known differences that were taken out.
    taken_out_change : float
        The same of the change [N m/deg].
    places : dict
        Mark that known differences rest on -> what that being off does to the ratio (relative).
    """

    found: Propagated
    sensor: float
    sensor_change: float
    pots: dict[str, float]
    taken_out: float
    taken_out_change: float
    places: dict[str, float]

    def unmeasured(self, name: str, error: float | None) -> tuple[str, ...]:
        """Return what nobody has measured of what a figure with this standard error rests on."""
        marks = self.found.unmeasured(name, error)
        # Of the change itself the pots' scale is a factor, of a ratio it cancels but for what follows.
        least = 0.0 if name == "change" else COUNTS * (error or 0.0)
        marks += tuple(mark for mark, swing in self.pots.items() if swing > least)
        # What is taken out of the ratio is taken out of the change with it.
        return marks + tuple(mark for mark, swing in self.places.items() if swing > least)

    def ratio_error(self, name: Literal["log ratio", "gap"]) -> float:
        """Return the relative error of a ratio."""
        return math.hypot(self.found.std(name), self.sensor, self.taken_out)

    @property
    def change_error(self) -> float:
        """Error of the change [N m/deg]."""
        return math.hypot(self.found.std("change"), self.sensor_change, self.taken_out_change)


def pair_errors(pair: Pair) -> PairErrors:
    """Carry the tolerances of the sheet and of the sensors into the change between two set-ups."""
    roll = {r.name: mean_gradients(pair.own(r)) for r in (pair.before, pair.after)}
    hardware = {r.name: _hardware(r) for r in (pair.before, pair.after)}

    def function(sheet: CarSheet) -> Values:
        measured, predicted = {}, {}
        for name, seen in roll.items():
            told = ledger.sheet_roll(sheet, hardware[name])
            # An error of the motion ratio is in both set-ups' roll: perturbing both together lets it cancel
            # in the ratio.
            scaled = {a: s * wheel_scale(sheet.axle(a), pair.car.axle(a)) for a, s in seen.items()}
            measured[name] = stiffness(pair.target, scaled, told)
            predicted[name] = (
                sum(told.stiffness.values()) if pair.target == "total" else told.stiffness[pair.target]
            )
        old, new = pair.before.name, pair.after.name
        ratio, expected = measured[new] / measured[old], predicted[new] / predicted[old]
        return {
            "log ratio": np.log(ratio),
            "gap": np.log(ratio / expected),
            "change": measured[new] - measured[old],
        }

    own = [h for h in hardware.values() if isinstance(h, Setup)]
    found = propagate(with_settings(pair.car, *own), function)
    # The pots' own scale is no quantity of the sheet and is added beside it.
    relative, absolute = _sensor_errors(pair, roll)
    slopes = sensitivity(pair.target, roll[pair.after.name], roll_sheet(pair.car, pair.after.predicted))
    taken_out = pair.known.error(slopes)
    whole = taken_out * pair.mean_stiffness(pair.after)
    places = pair.known.swings(slopes)
    return PairErrors(found, relative, absolute, _pots_off(pair, roll), taken_out, whole, places)


def _pots_off(pair: Pair, roll: Mapping[str, Mapping[Axle, float]]) -> dict[str, float]:
    """Return what pots that nobody has calibrated do to the ratio, by their marks."""
    marks = [mark for mark in pair.car.unmeasured if stands_over("logger.channels", mark)]
    slopes = [
        sensitivity(pair.target, dict(roll[result.name]), roll_sheet(pair.car, result.predicted))
        for result in (pair.before, pair.after)
    ]
    found = {}
    for mark in marks:
        for axle in AXLES:
            if any(stands_over(f"logger.channels.damper_{corner}", mark) for corner in AXLE_CORNERS[axle]):
                # One of an axle's two pots holds half of its roll.
                found[mark] = OFF / 2.0 * abs(slopes[1].get(axle, 0.0) - slopes[0].get(axle, 0.0))
    return found


def _hardware(result: SetupResult) -> Setup | Mapping[Axle, Estimate]:
    if result.hardware is not None:
        return result.hardware
    return {axle: bar.rate for axle, bar in result.predicted.bars.items()}


def _sensor_errors(pair: Pair, roll: Mapping[str, Mapping[Axle, float]]) -> tuple[float, float]:
    """Return what the sensors' scales do to the ratio (relative) and to the change [N m/deg]."""
    own = pair.own(pair.before) + pair.own(pair.after)
    tables = []
    for result in (pair.before, pair.after):
        sheet = roll_sheet(pair.car, result.predicted)
        value = float(stiffness(pair.target, roll[result.name], sheet))
        tables.append((value, sensitivity(pair.target, dict(roll[result.name]), sheet)))
    (old, old_slopes), (new, new_slopes) = tables
    relative, absolute = [], []
    for axle in AXLES:
        scale = sensor_scale(pair.car, own, axle)
        before, after = old_slopes.get(axle, 0.0), new_slopes.get(axle, 0.0)
        relative.append((after - before) * scale)
        absolute.append((new * after - old * before) * scale)
    # What the moment kept is known to, for set-ups driven harder or less hard than the other.
    kept = [kept_error(pair.own(result)) for result in (pair.before, pair.after)]
    before, after = (
        sum(slopes.values()) * error for slopes, error in zip((old_slopes, new_slopes), kept, strict=True)
    )
    relative.append(after - before)
    absolute.append(new * after - old * before)
    # What side-slip leaves open of the ground's twist, for set-ups driven at unlike slip or on unlike banks.
    before, after = (
        sum(slope * ground_open(pair.own(result), axle) for axle, slope in slopes.items())
        for slopes, result in zip((old_slopes, new_slopes), (pair.before, pair.after), strict=True)
    )
    relative.append(after - before)
    absolute.append(new * after - old * before)
    for axle, part in unmeasured_axle.one_axle_errors(own).items():
        relative.append(old_slopes[axle] * part)
        absolute.append(old * old_slopes[axle] * part)
    return math.hypot(*relative), math.hypot(*absolute)


def mean_gradients(runs: Sequence[RunEstimates]) -> dict[Axle, float]:
    """Return the geometric mean of the runs' body-axes gradients per axle that any of them shows [deg/g]."""
    found: dict[Axle, list[float]] = {}
    for run in runs:
        for axle, value in measured_gradients(run).items():
            found.setdefault(axle, []).append(math.log(value))
    return {axle: math.exp(float(np.mean(logs))) for axle, logs in found.items()}


_BY_TYRES: Final = "tyres and {axle} stiffness of the sheet"
_BY_RATIO: Final = "the sheet's ratio, which holds the prediction itself"


def target_notes(pair: Pair) -> tuple[str, ...]:
    """Return whose stiffness is compared, and what had to be taken from the sheet."""
    notes = []
    if pair.axle is not None:
        notes.append(f"{other_axle(pair.axle)} stiffness taken from the sheet")
    elif pair.change.changed:
        notes.append("both bars were changed: the ratio is that of the whole car")
    else:
        notes.append("no bar setting differs: the ratio is that of the whole car")
    seen = mean_gradients(pair.own(pair.before)).keys() & mean_gradients(pair.own(pair.after)).keys()
    for axle in AXLES:
        if axle not in seen:
            notes.append(
                f"roll of the {axle} axle not measured on both set-ups: taken from the other axle by "
                + (_BY_TYRES if pair.axle in seen else _BY_RATIO).format(axle=axle)
            )
    return tuple(notes)


def differences(pair: Pair) -> tuple[str, ...]:
    """Return what else differs between the runs of both set-ups."""
    found = []
    if len(pair.change.changed) == len(AXLES):
        found.append("both bars were changed at once; their effects cannot be told apart")
    forces = [_greatest_force(pair.own(result)) for result in (pair.before, pair.after)]
    if all(forces) and abs(math.log(forces[1] / forces[0])) > math.log1p(OTHER_FORCE):
        shown = [force / STANDARD_GRAVITY for force in forces]
        found.append(f"greatest lateral force: {shown[0]:.2f} g before, {shown[1]:.2f} g after")
    counts = [sum(len(run.bottoming) for run in pair.own(r)) for r in (pair.before, pair.after)]
    if (counts[0] == 0) != (counts[1] == 0):
        found.append(f"bottoming events: {counts[0]} before, {counts[1]} after")
    return tuple(found)


def _greatest_force(runs: Sequence[RunEstimates]) -> float:
    ends = [max(abs(e) for e in fit.lateral_range) for run in runs for fit in run.fits.values()]
    return float(np.mean(ends)) if ends else 0.0


# One set-up against another: what the change did to the stiffness of the axle it was made on.


MOVE_METHOD: Final = "roll of the axle, after over before, over that predicted"

METHOD: Final = "roll of both axles before and after; errors common to both cancel"


def compare_setups(
    car: CarSheet,
    before: SetupResult,
    after: SetupResult,
    change: ChangePrediction,
    runs: Sequence[RunEstimates],
    others: Sequence[SetupResult] = (),
    known: Known = NONE_KNOWN,
) -> Comparison:
    """Set one set-up against another.

    Parameters
    ----------
    car : CarSheet
        The car.
    before, after : SetupResult
        From `setup_results`.
    change : ChangePrediction
        What the change should do.
    runs : sequence of RunEstimates
        All runs of the session in the order of driving.
    others : sequence of SetupResult
        Further set-ups of the session, whose runs help to find the scatter.
    known : Known
        What differs between these runs by the session sheet, from `known_differences`: what a difference does
        by the car sheet is taken out of the change.

    Returns
    -------
    Comparison
        The stiffness ratio is that of the axle whose bar was changed, or of the car when both or none were.
    """
    # One bar changed: its own axle is the sharpest witness. Else the car's sum is what the change is about.
    axle = change.changed[0] if len(change.changed) == 1 else None
    target: Target = axle or "total"
    results = {result.name: result for result in (before, after, *others)}
    predictions = {name: result.predicted for name, result in results.items()}
    there = [run for run in runs if run.setup in results]
    # Judged as if all runs had been driven alike; as driven it is told beside.
    same = known.taken_out(there)
    values, scale, reasons = stiffness_values(car, target, same, predictions)
    values = _in_order(values, runs)
    names = {value.group for value in values}
    if before.name not in names or after.name not in names:
        reason, remedy = _missing(before if before.name not in names else after, runs, reasons)
        return _unknown(before, after, change, axle, reason, remedy)
    # Means, scatter and drift by all set-ups at once: two set-ups alone have too few runs to tell drift.
    found = change_with_drift(values, before.name, after.name, scatter_prior(scale), scale)
    counted = {value.run for value in values}
    own, driven = (tuple(run for run in group if run.name in counted) for group in (same, there))
    pair = Pair(car, before, after, change, own, axle, target, driven, known)
    if not all(pair.mean_stiffness(result) > 0.0 for result in (before, after)):
        reason = "roll of the runs and car sheet contradict each other"
        return _unknown(before, after, change, axle, reason, Remedy.SHEET)
    as_driven = found
    if known.shifts:
        plain, scale, _ = stiffness_values(car, target, driven, predictions)
        as_driven = change_with_drift(
            _in_order(plain, runs), before.name, after.name, scatter_prior(scale), scale
        )
    return _comparison(pair, found, as_driven, tuple(reasons.values()))


def _comparison(
    pair: Pair, found: DriftedChange, as_driven: DriftedChange, reasons: tuple[str, ...]
) -> Comparison:
    before, after, key = pair.before, pair.after, pair.axle or "total"
    # From the runs alone first, drift seen to; then with what sheet and sensors add that does not cancel in
    # a ratio.
    repeat, fit = found.change, found.fit
    errors = pair_errors(pair)
    remainder = errors.ratio_error("log ratio")
    measured = repeat.with_known(remainder)
    predicted = pair.change.stiffness_ratio[key]
    predicted_log = math.log(predicted.value or 1.0)
    # Measured and predicted share masses, springs and geometry: only the part they do not share is in the
    # gap.
    gap = Contrast(repeat.value - predicted_log, repeat.std_error, repeat.dof).with_known(
        errors.ratio_error("gap")
    )
    plain = errors
    if pair.known.shifts:
        plain = pair_errors(replace(pair, runs=pair.driven, known=NONE_KNOWN))
    counts = (fit.count(before.name), fit.count(after.name))
    evidence = Evidence(measured, predicted_log, gap, repeat, counts, found.run_scatter)
    reason = decide(evidence)
    # The stiffness of the changed axle is worked out with the other one taken from the sheet. If that one did
    # not answer as it should, something else was changed too.
    other = _other_end(pair)
    moves = _axle_moves(pair, other)
    if pair.axle is None and moves:
        # The sum hides axles that moved against each other: then it is no answer by itself.
        beside = [math.log(move.ratio.value or 1.0) for move in moves]
        reason = with_axles(reason, beside, bars_changed=bool(pair.change.changed))
    if other is not None and not other.answered:
        moved = OtherEndMoved(other.axle, other.beside.value, other.leaked)
        # What leaks into the verdict from the other end decides whether it may stand with a remark.
        if abs(other.leaked) > reason.apart:
            reason = replace(reason, verdict=ChangeVerdict.CANNOT_TELL, other_end=moved)
        else:
            reasons = (*reasons, unmeasured_axle.other_end_words(moved, repeat.value))
    notes = (*target_notes(pair), *ledger.scatter_notes(fit), *reasons)
    # As long as a placeholder moves what the verdict is made of, there is none.
    in_ratio = errors.unmeasured("log ratio", measured.std_error)
    unmeasured = tuple(dict.fromkeys((*errors.unmeasured("gap", gap.std_error), *in_ratio)))
    if pair.axle is None:
        moved_by = (mark for move in moves for mark in move.ratio.provisional)
        unmeasured = tuple(dict.fromkeys((*unmeasured, *moved_by)))
    reason = held_back(reason, unmeasured)
    difference = _difference(pair, found, errors)
    return Comparison(
        before=before.name,
        after=after.name,
        axle=pair.axle,
        stiffness_ratio=ledger.ratio_estimate(repeat, remainder, sum(counts), METHOD, notes).resting_on(
            *in_ratio
        ),
        predicted_ratio=predicted,
        stiffness_change=difference.resting_on(*errors.unmeasured("change", difference.total_error)),
        predicted_change=pair.change.stiffness_change[key],
        gradient_ratio={
            axle: gradient_ratio(pair.driven, before.name, after.name, axle, pair.ground({axle: 1.0}))
            for axle in AXLES
        },
        front_over_rear=front_over_rear(pair.driven, before.name, after.name),
        verdict=reason.verdict,
        smallest_visible=_smallest(evidence),
        reason=reason,
        differences=differences(pair),
        prediction=pair.change,
        notes=notes,
        other_axle=None if other is None else other.estimate,
        drift=found.drift,
        run_scatter=found.run_scatter,
        axle_moves=moves,
        unmeasured=unmeasured,
        known=KnownDifferences(
            taken_out=pair.known.differences,
            open=pair.known.open,
            as_driven=ledger.ratio_estimate(
                as_driven.change, plain.ratio_error("log ratio"), sum(counts), METHOD, notes
            ).resting_on(*in_ratio),
            gradient_ratio={
                axle: _marked(
                    gradient_ratio(pair.runs, before.name, after.name, axle, pair.error({axle: 1.0})),
                    pair.known,
                    axle,
                )
                for axle in AXLES
            },
        ),
    )


def _marked(ratio: Estimate, known: Known, axle: Axle) -> Estimate:
    return ratio.resting_on(*known.unmeasured({axle: 1.0}, ratio.total_error))


def _other_end(pair: Pair) -> OtherEnd | None:
    if pair.axle is None:
        return None
    return unmeasured_axle.other_end(
        pair.car,
        pair.axle,
        pair.before.predicted,
        pair.runs,
        pair.before.name,
        pair.after.name,
        pair.error,
    )


def _axle_moves(pair: Pair, other: OtherEnd | None) -> tuple[AxleMove, ...]:
    """Return the axles whose roll is not what the set-ups make of it."""
    if pair.axle is not None:
        moved = other is not None and not other.answered
        return (
            (AxleMove(other_axle(pair.axle), other.estimate, False),) if other is not None and moved else ()
        )
    names, found = (pair.before.name, pair.after.name), []
    kept = math.hypot(*(kept_error(pair.own(result)) for result in (pair.before, pair.after)))
    for axle in AXLES:
        values = gradient_values(pair.runs, axle)
        predicted = pair.change.gradient_ratio[axle]
        if not predicted.value or set(names) - {value.group for value in values}:
            continue
        change = change_with_drift(values, *names).change
        taken_out = pair.error({axle: 1.0})
        known = math.hypot(kept, taken_out, (predicted.std_error or 0.0) / predicted.value)
        gap = Contrast(change.value - math.log(predicted.value), change.std_error, change.dof)
        # Both axles are looked at: each may be called wrongly half as often.
        if gap.with_known(known).p_value < unmeasured_axle.UNLIKELY / len(AXLES):
            count = sum(value.group in names for value in values)
            ratio = ledger.ratio_estimate(gap, known, count, MOVE_METHOD)
            ratio = _marked(ratio, pair.known, axle).resting_on(*predicted.provisional)
            found.append(AxleMove(axle, ratio, axle in pair.change.changed))
    return tuple(found)


def _in_order(values: Sequence[RunValue], runs: Sequence[RunEstimates]) -> tuple[RunValue, ...]:
    """Return the values with their place among all runs of the session."""
    place = {run.name: float(index) for index, run in enumerate(runs)}
    return tuple(RunValue(v.run, v.group, v.value, v.variance, place[v.run]) for v in values)


def gradient_ratio(
    runs: Sequence[RunEstimates], before: str, after: str, axle: Axle, known: float = 0.0
) -> Estimate:
    """Return the body-axes gradient of an axle after / before, over all their runs [1].

    `known` is a relative error of it that the runs do not show.
    """
    values = gradient_values(runs, axle)
    names = {value.group for value in values}
    missing = [name for name in (before, after) if name not in names]
    if missing:
        return Estimate.unknown("1", f"no run of {missing[0]} shows roll of the {axle} axle")
    drifted = change_with_drift(values, before, after)
    fit = drifted.fit
    counts = fit.count(before) + fit.count(after)
    return ledger.ratio_estimate(drifted.change, known, counts, METHOD, ledger.scatter_notes(fit))


SHARE_APART: Final = 0.2
"""Part of what the share of roll stiffness leaves out of a run that does not cancel between set-ups [1]: on
40 pairs of drawn linear cars and 14 of the rigid-body engine, four runs each, 95 and 100 % hold."""


def front_over_rear(runs: Sequence[RunEstimates], before: str, after: str) -> Estimate:
    """Return roll stiffness of the front over that of the rear axle, after / before, by the roads' twist [1].

    From ``roll_stiffness_front_share`` of the runs. Scales of pots and motion ratios drop out.
    """
    values, left_out = [], []
    for order, run in enumerate(runs):
        share = run.further.get("roll_stiffness_front_share")
        if share is None or share.value is None or share.std_error is None or share.interval is None:
            continue
        # The logarithm of front over rear: a share s moves it by ds / (s (1 - s)).
        scale = 1.0 / (share.value * (1.0 - share.value))
        std, half = scale * share.std_error, scale * (share.interval[1] - share.interval[0]) / 2.0
        odds = math.log(share.value / (1.0 - share.value))
        values.append(RunValue(run.name, run.setup, odds, std**2, float(order)))
        left_out.append(math.sqrt(max((half / NORMAL) ** 2 - std**2, 0.0)))
    names = {value.group for value in values}
    missing = [name for name in (before, after) if name not in names]
    if missing:
        return Estimate.unknown("1", f"no run of {missing[0]} shows how both axles share the roll stiffness")
    fit = ledger.fit_groups(values)
    known = SHARE_APART * float(np.mean(left_out))
    counts = fit.count(before) + fit.count(after)
    return ledger.ratio_estimate(fit.change(before, after), known, counts, ROAD_METHOD)


ROAD_METHOD: Final = "how the road twists the axles against each other, random effects over runs"


def _difference(pair: Pair, found: DriftedChange, errors: PairErrors) -> Estimate:
    """Return the change of stiffness with its error [N m/deg]."""
    fit, change = found.fit, found.change
    names = (pair.before.name, pair.after.name)
    level = fit.fit.contrast((fit.row(names[0]) + fit.row(names[1])) / 2.0)
    # Both stiffnesses from their mean and their ratio, so that the difference is that of the ratio with drift
    # seen to.
    stiff = math.exp(level.value - change.value / 2.0), math.exp(level.value + change.value / 2.0)
    std = math.hypot((stiff[0] + stiff[1]) / 2.0 * change.std_error, (stiff[1] - stiff[0]) * level.std_error)
    own = Contrast(stiff[1] - stiff[0], std, change.dof)
    return ledger.figure_estimate(
        own, errors.change_error, STIFFNESS_UNIT, fit.count(names[0]) + fit.count(names[1]), METHOD
    )


def _smallest(evidence: Evidence) -> Estimate:
    log = math.copysign(evidence.smallest, evidence.predicted if evidence.predicted else -1.0)
    return Estimate(
        value=abs(math.expm1(log)),
        unit="1",
        level=LEVEL,
        n=sum(evidence.runs),
        method="non-central t; 95 % level, 80 % power",
        notes=("a limit worked out from the errors above; it has no error of its own",),
    )


def _missing(
    result: SetupResult, runs: Sequence[RunEstimates], reasons: Mapping[str, str]
) -> tuple[str, Remedy]:
    """Return why a set-up has no stiffness, and what would give it one."""
    own = [run.name for run in runs if run.setup == result.name]
    fitting = [reasons[name] for name in own if name in reasons]
    return (fitting[0], Remedy.OTHER_LOGS) if fitting else (f"{result.name}: {NO_RUN}", Remedy.DRIVE)


def _unknown(
    before: SetupResult,
    after: SetupResult,
    change: ChangePrediction,
    axle: Axle | None,
    reason: str,
    remedy: Remedy,
) -> Comparison:
    key = axle or "total"
    return Comparison(
        before=before.name,
        after=after.name,
        axle=axle,
        stiffness_ratio=Estimate.unknown("1", reason),
        predicted_ratio=change.stiffness_ratio[key],
        stiffness_change=Estimate.unknown(STIFFNESS_UNIT, reason),
        predicted_change=change.stiffness_change[key],
        gradient_ratio={a: Estimate.unknown("1", reason) for a in AXLES},
        front_over_rear=Estimate.unknown("1", reason),
        verdict=ChangeVerdict.CANNOT_TELL,
        smallest_visible=Estimate.unknown("1", reason),
        reason=VerdictReason(
            ChangeVerdict.CANNOT_TELL, ChangeVerdict.CANNOT_TELL, missing=reason, remedy=remedy
        ),
        differences=(),
        prediction=change,
        not_driven=tuple(result.name for result in (before, after) if not result.runs),
    )
