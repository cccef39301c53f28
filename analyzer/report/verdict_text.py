"""The tuner's sentences: what a change of set-up did, what was visible, what next."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from analyzer.comparison.results import ChangeVerdict
from analyzer.comparison.setups import NO_RUN
from analyzer.constants import AXLES
from analyzer.estimate import Estimate
from analyzer.report.wording import (
    UNKNOWN,
    axle_words,
    clause,
    count,
    figure,
    name,
    percent,
    value_with_interval,
)

if TYPE_CHECKING:
    from analyzer.comparison.results import Comparison
    from analyzer.session import Review

_NEXT: Final = {
    ChangeVerdict.AS_PREDICTED: "the sheet predicts this car; let it name the next hole or spacer "
    "(analyzer choose)",
    ChangeVerdict.LESS: "look for what gives before the bar does (link play, mounts, blade clamp), or hang "
    "loads on the bar on the bench and put the readings into the car sheet; analyzer confirm ranks the "
    "causes",
    ChangeVerdict.MORE: "check hole, spacers and tube against the sheets, and that the bar moves free of "
    "preload; analyzer confirm ranks the causes",
    ChangeVerdict.NO_CHANGE: "make a larger step, or drive more runs on both set-ups",
    ChangeVerdict.STIFFENED: "the sheet predicts this car; let it name the next hole or spacer "
    "(analyzer choose)",
    ChangeVerdict.SOFTENED_AGAINST: "check that the set-ups are named the right way round, and what else was "
    "changed",
    ChangeVerdict.STIFFENED_LESS: "look for what gives before the bar does (link play, mounts, blade clamp), "
    "or hang loads on the bar on the bench and put the readings into the car sheet",
    ChangeVerdict.STIFFENED_MORE: "check hole, spacers and tube against the sheets, and that nothing binds",
    ChangeVerdict.STIFFENED_AGAINST: "check that the set-ups are named the right way round and that nothing "
    "binds",
    ChangeVerdict.CANNOT_TELL: "drive more runs on both set-ups, one set-up, the other, and the first again; "
    "analyzer confirm says how many",
}

_ALONE: Final = (
    "look at the other axle, the tyres and the load, then drive both set-ups again with nothing else changed"
)

_NOT_MEASURED: Final = (
    "let analyzer check name what the logs or the car sheet lack; mend that, then drive both set-ups again"
)


def tuner_answer(review: Review) -> str:
    """Return the verdict on the change of set-up, in one sentence; several changes in short form."""
    if not review.comparisons:
        driven = sum(bool(setup.runs) for setup in review.setups)
        if driven < 2:
            return (
                "One set-up was driven, so there is no change to judge; its figures stand beside the "
                "prediction."
            )
        return "No two set-ups could be compared."
    if len(review.comparisons) == 1:
        return comparison_answer(review.comparisons[0])
    short = [
        f"{name(c.before, 16)} to {name(c.after, 16)}: {c.verdict.value}" for c in review.comparisons[:4]
    ]
    more = len(review.comparisons) - len(short)
    return "; ".join(short) + (f"; and {count(more, 'more change')} below." if more else ".")


def comparison_answer(comparison: Comparison) -> str:
    """Return the verdict with interval beside the prediction, in one sentence."""
    before, after = name(comparison.before, 24), name(comparison.after, 24)
    ratio = comparison.stiffness_ratio
    what = axle_words(comparison.axle)
    if ratio.value is None:
        return f"These runs cannot tell what {after} did to {what}: {clause(ratio.notes[0])}."
    opening = {
        ChangeVerdict.AS_PREDICTED: f"{after} softened the car as predicted",
        ChangeVerdict.LESS: f"{after} softened the car, less than predicted",
        ChangeVerdict.MORE: f"{after} softened the car, more than predicted",
        ChangeVerdict.NO_CHANGE: f"No change seen from {before} to {after}",
        ChangeVerdict.STIFFENED: f"{after} stiffened the car as predicted",
        ChangeVerdict.SOFTENED_AGAINST: f"{after} softened the car, against the prediction",
        ChangeVerdict.STIFFENED_LESS: f"{after} stiffened the car, less than predicted",
        ChangeVerdict.STIFFENED_MORE: f"{after} stiffened the car, more than predicted",
        ChangeVerdict.STIFFENED_AGAINST: f"{after} stiffened the car, against the prediction",
        ChangeVerdict.CANNOT_TELL: f"These runs cannot tell whether {after} changed the car",
    }[comparison.verdict]
    if comparison.verdict is ChangeVerdict.CANNOT_TELL and _sure(ratio):
        opening = f"{after} changed the car, but these runs cannot tell whether it was {what} alone"
    predicted = comparison.predicted_ratio
    beside = f"predicted {change_words(predicted)}" if predicted.value is not None else "nothing predicted"
    return f"{opening}: {what} {_moved(ratio)} against {before}; {beside}."


def _sure(ratio: Estimate) -> bool:
    """Return whether the interval leaves out "no change"."""
    return ratio.interval is not None and not ratio.interval[0] <= 1.0 <= ratio.interval[1]


def _moved(ratio: Estimate) -> str:
    """Return ``fell by 10.4 % (95 % interval 8.8 to 12.0)``, or ``changed by`` when the sign is not sure."""
    span = ratio.interval
    if ratio.value is None or span is None:
        return f"changed by {change_words(ratio)} (its error is not known)"
    if span[1] < 1.0 or span[0] > 1.0:
        sign = -1.0 if span[1] < 1.0 else 1.0
        size = replace(
            ratio,
            value=sign * (ratio.value - 1.0),
            interval=(sign * (span[sign < 0] - 1.0), sign * (span[sign > 0] - 1.0)),
        )
        verb = "fell" if sign < 0 else "rose"
        return f"{verb} by {value_with_interval(percent(size), '95 % interval ')}"
    return f"changed by {change_words(ratio, '95 % interval ')}"


def change_words(ratio: Estimate, word: str = "") -> str:
    """Return a ratio as a change, ``−10.7 % (−11.9 to −9.5)``."""
    if ratio.value is None:
        return UNKNOWN
    span = ratio.interval
    interval = None if span is None else (span[0] - 1.0, span[1] - 1.0)
    return value_with_interval(percent(replace(ratio, value=ratio.value - 1.0, interval=interval)), word)


def smallest_visible(comparison: Comparison) -> str:
    """Return the smallest change these runs could have shown, in one sentence."""
    smallest = comparison.smallest_visible
    if smallest.value is None:
        return f"The smallest change these runs could have shown is not known: {clause(smallest.notes[0])}."
    share = percent(smallest)
    text = figure(share) if share.std_error is not None else f"{share.value:.2g} %"
    return f"The smallest change these runs could have shown is {text}."


def changed_parts(review: Review, comparison: Comparison) -> str:
    """Return what was changed on the car between two set-ups, by the session sheet, in one sentence."""
    bars = {setup.name: setup.predicted.bars for setup in review.setups}
    before, after = bars.get(comparison.before, {}), bars.get(comparison.after, {})
    moves = [
        f"{axle} bar from {name(before[axle].setting, 60)} to {name(after[axle].setting, 60)}"
        for axle in AXLES
        if axle in before and axle in after and before[axle].setting != after[axle].setting
    ]
    return f"Changed: {' and '.join(moves) or 'nothing on the bars, by the session sheet'}."


def next_step(comparison: Comparison) -> str:
    """Return what to do after this verdict, in one sentence."""
    if comparison.verdict is ChangeVerdict.CANNOT_TELL and _sure(comparison.stiffness_ratio):
        return f"Next: {_ALONE}."
    ratio = comparison.stiffness_ratio
    if ratio.value is None and not ratio.notes[0].endswith(NO_RUN):
        return f"Next: {_NOT_MEASURED}."
    return f"Next: {_NEXT[comparison.verdict]}."


def setting_words(review: Review, setup: str) -> str:
    """Return how the bars of a set-up are set, from its prediction."""
    for result in review.setups:
        if result.name == setup:
            bars = result.predicted.bars
            return "; ".join(f"{axle} bar {name(bars[axle].setting)}" for axle in AXLES if axle in bars)
    return ""
