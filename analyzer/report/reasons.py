"""Why a verdict was given, and why measurement and prediction part: causes and what to look at, in words."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from analyzer.comparison.causes import RANGES
from analyzer.comparison.diagnosis import ALIKE, FITS, HEADLINE, SLACK, WORTH_NAMING
from analyzer.comparison.results import (
    Answer,
    Assumption,
    AxleAsOn,
    CauseKind,
    ChangeVerdict,
    Choice,
    ChoiceBasis,
    Comparison,
    Evidence,
    MarginOn,
    MissingSetting,
    Moved,
    Next,
    NextRuns,
    NotFitted,
    RankedCause,
    Reasons,
    Remedy,
    RunPlan,
    SeenFigure,
    Sign,
    Treatment,
    VerdictReason,
)
from analyzer.comparison.stiffness import other_axle
from analyzer.comparison.unmeasured_axle import other_end_words
from analyzer.comparison.verdict import AS_GOOD_AS, MOST_PLANNED_RUNS, plan_order
from analyzer.core.units import STANDARD_GRAVITY
from analyzer.prediction.propagation import COUNTS
from analyzer.report import words


@dataclass(frozen=True, slots=True)
class CauseWords:
    """A cause in words; ``{axle}`` stands for the axle it sits at.

    Parameters
    ----------
    name : str
        Acting on both set-ups.
    later : str
        Come with the later set-up; empty where it only acts on both, or only so.
    quantity : str
        What its size counts in.
    check : str
        What to look at on the car.
    """

    name: str
    later: str
    quantity: str
    check: str


CAUSES: Final[dict[CauseKind, CauseWords]] = {
    CauseKind.CG_HEIGHT: CauseWords("CG height off", "", "CG height", "repeat the tilt test"),
    CauseKind.LOAD: CauseWords(
        "another load in the car than on the scales",
        "more or less load in the car after the change",
        "load",
        "weigh the car as it was driven; compare fuel, passenger and ballast of the runs",
    ),
    CauseKind.TYRE_RATE: CauseWords(
        "", "tyre pressure changed", "tyre rate", "compare the tyre pressures of the runs, hot"
    ),
    CauseKind.LATERAL_SCALE: CauseWords(
        "scale of the lateral accelerometer off",
        "inertial box turned or its scale changed after the change",
        "measured roll per force of both axles",
        "look at how the box is fixed; tilt it by a known angle and compare",
    ),
    CauseKind.DRIVEN: CauseWords(
        "",
        "driven harder or less hard after the change",
        "roll per force of both axles",
        "drive both set-ups again at the same pace",
    ),
    CauseKind.DAMPERS: CauseWords(
        "",
        "dampers set otherwise after the change",
        "roll per force of both axles",
        "compare the clicks of all dampers with those before the change",
    ),
    CauseKind.STEERING: CauseWords(
        "steering lifts the front wheels",
        "steering lifts the front wheels otherwise after the change",
        "roll of the front axle",
        "compare caster, rack stops and the steering angles of the runs",
    ),
    CauseKind.SPRING_RATE: CauseWords(
        "{axle} spring rate off", "", "{axle} spring rate", "measure the {axle} springs on a press"
    ),
    CauseKind.MOTION_RATIO: CauseWords(
        "{axle} damper motion ratio wrong",
        "",
        "{axle} damper motion ratio",
        "jack the {axle} wheel and measure wheel and damper travel",
    ),
    CauseKind.POT_SCALE: CauseWords(
        "scale of a {axle} damper pot off",
        "scale of a {axle} damper pot that changed with the set-up",
        "measured {axle} roll",
        "move the {axle} dampers by a known length and compare the log",
    ),
    CauseKind.BUMP_STOPS: CauseWords(
        "{axle} bump stops in contact",
        "{axle} bump stops in contact after the change",
        "{axle} roll stiffness",
        "read the bottoming events and look at the {axle} bump stops for marks",
    ),
    CauseKind.ALSO_CHANGED: CauseWords(
        "",
        "the {axle} axle was changed too",
        "{axle} roll stiffness",
        "compare {axle} springs, bar hole and spacers with the session sheet",
    ),
    CauseKind.BAR_RATE: CauseWords(
        "{axle} bar rate or its motion ratio off",
        "",
        "{axle} bar rate at the wheel",
        "measure link and wheel travel, and hang loads on the {axle} bar on the bench",
    ),
    CauseKind.FREE_PLAY: CauseWords(
        "free play in the {axle} bar's links",
        "",
        "{axle} bar rate at the wheel",
        "unload the {axle} links and feel for play at every rod end",
    ),
    CauseKind.BINDING: CauseWords(
        "{axle} bar or link binds",
        "",
        "{axle} bar rate at the wheel",
        "unhook one {axle} link and swing the bar by hand through its whole travel",
    ),
    CauseKind.BAR_SETTING: CauseWords(
        "",
        "{axle} bar not set as the session sheet says",
        "{axle} bar rate at the wheel",
        "compare hole and spacers of both {axle} blades with the session sheet",
    ),
    CauseKind.NOT_CHANGED: CauseWords(
        "",
        "the change of bar was not made",
        "",
        "compare the bar on the car with the session sheet",
    ),
}
"""Every cause in words."""

INSTEAD: Final = "the change of bar was not made, and this happened instead: "


def name(cause: RankedCause) -> str:
    """Return a cause in plain words."""
    told = CAUSES[cause.kind]
    plain = (told.later if cause.after_only else told.name).format(axle=cause.axle)
    return INSTEAD + plain if cause.instead and cause.kind is not CauseKind.NOT_CHANGED else plain


def quantity(cause: RankedCause) -> str:
    """Return what the size of a cause counts in."""
    return CAUSES[cause.kind].quantity.format(axle=cause.axle)


def check(cause: RankedCause) -> str:
    """Return what to look at on the car."""
    looked = CAUSES[cause.kind].check.format(axle=cause.axle)
    first = CAUSES[CauseKind.NOT_CHANGED].check
    return f"{first}; {looked}" if cause.instead and looked != first else looked


def size(cause: RankedCause) -> str:
    """Return the size of a cause with its interval; empty for one that has none."""
    estimate = cause.size
    if estimate.value is None:
        return ""
    lead = f"factor on the {quantity(cause)}" if estimate.unit == "1" else f"{quantity(cause)} more by"
    return f"{lead} {words.value_with_interval(estimate)}"


def evidence(cause: RankedCause) -> tuple[str, ...]:
    """Return what else in the session speaks for a cause."""
    return tuple(_sign(item, cause) for item in cause.evidence)


def _sign(item: Evidence, cause: RankedCause) -> str:
    old, new = item.before, item.after
    if item.sign is Sign.CONDITION:
        return f"{item.what.replace('_', ' ')}: {old} before, {new} after"
    if item.sign is Sign.HEALTH:
        return f"{item.runs[0]}: {item.what}: {old}"
    if item.sign is Sign.HITS:
        return f"{old:.0f} bottoming events of the {cause.axle} axle before, {new:.0f} after"
    if item.sign is Sign.DEAD_ZONE:
        return (
            f"a dead zone of {old:.1f} mm, left wheel against right, in {len(item.runs)} runs; the roll "
            "gradients are those of the bar past it"
        )
    if item.sign is Sign.FRICTION:
        return f"dry friction of {old:.0f} N at each {cause.axle} wheel"
    if item.sign is Sign.DAMPING:
        return f"damping ratio of roll: {old:.2f} before, {new:.2f} after"
    force = [float(end) / STANDARD_GRAVITY for end in (old, new)]
    return f"greatest lateral force: {force[0]:.2f} g before, {force[1]:.2f} g after"


TRIGGERS: Final = {
    Answer.NOT_TESTED: "no roll of an axle on one of the set-ups",
    Answer.HELD_BACK: "a value marked TO MEASURE moves the roll that is expected by more than "
    f"{COUNTS:.1f} of its standard error",
    Answer.ERRORS: "probability of nothing but the errors 50 % or more",
    Answer.OPEN: f"no cause {HEADLINE:.0f} times as probable as the errors",
    Answer.NONE_FITS: "chance of the figures with the likeliest cause, at its best size within its range, "
    f"under {100.0 * FITS:.1f} % (chi-square)",
    Answer.RIVALS: "one cause left, nothing else in the session speaks for it, and another fits as well at "
    f"up to {SLACK:.0f} times its range",
    Answer.EITHER: "such a cause, and a pot whose scale came with the set-up, for which nothing else "
    "in the session speaks, fits better than all others by a likelihood ratio over "
    f"{math.exp(ALIKE / 2.0):.0f}",
    Answer.SENSOR: "a pot whose scale came with the set-up is the only such cause, and nothing else in the "
    "session speaks for it",
    Answer.ONE: f"one cause at least {HEADLINE:.0f} times as probable as the errors that fits",
    Answer.ALIKE: "such a cause, and others whose best fits differ from its own by a likelihood ratio under "
    f"{math.exp(ALIKE / 2.0):.0f}, each at least {100.0 * WORTH_NAMING:.0f} % as probable as the first",
}
"""The figure that decides what the test of all causes comes to, as the docs tell it."""


def answer(reasons: Reasons) -> str:
    """Return in one sentence what the test of all causes comes to."""
    # From what stops the test at all to the one cause that remains: the order of the enumeration's reasons.
    if reasons.answer is Answer.NOT_TESTED:
        return "roll was not measured on both set-ups; no reason can be tested"
    if reasons.answer is Answer.HELD_BACK:
        return (
            f"no cause is named before {words.until_measured(reasons.unmeasured)}: of a "
            "placeholder anything can be the cause"
        )
    if reasons.answer is Answer.ERRORS:
        return "the errors of sheet and runs explain what was seen; no further reason is needed"
    if reasons.answer is Answer.OPEN:
        return (
            "the figures do not agree with the sheet, but no cause is three times as probable as the errors: "
            "these runs cannot tell which it is"
        )
    if reasons.answer is Answer.RIVALS:
        # A cause that must be larger than it usually is counts as a rival here, and as no more than that.
        likeliest, *rivals = map(name, reasons.rivals)
        beyond = f"{words.listed(rivals, 3)} at up to {SLACK:.0f} times what is usual"
        return f"{likeliest} would fit, but so would {beyond}: these runs cannot tell"
    if reasons.answer is Answer.NONE_FITS:
        return (
            "the figures do not agree with the sheet, and the likeliest cause does not explain them at any "
            "size that is possible on a car: more than one thing differs, or something that is not known "
            "here; these runs cannot tell"
        )
    if reasons.answer is Answer.ALIKE:
        return f"the data cannot separate {words.listed([name(cause) for cause in reasons.named])}"
    if reasons.answer is Answer.SENSOR:
        return (
            f"{_either(reasons.rivals)} would fit, but nothing else in the session speaks for it: these runs "
            "cannot tell"
        )
    if reasons.answer is Answer.EITHER:
        pots = tuple(cause for cause in reasons.named if cause.mere_sensor)
        parts = tuple(cause for cause in reasons.named if not cause.mere_sensor)
        return (
            f"either {_either(pots)}, or {_either(parts)}: the pot fits better, but nothing else in the "
            "session speaks for it"
        )
    # One cause, with the size that fits: a size without a chance, or the other way round, misleads.
    first = reasons.named[0]
    chance = f"probability {100.0 * first.probability:.0f} %"
    if first.size.value is None:
        return f"{name(first)} fits best ({chance})"
    if first.size.unit == "1":
        how = f"{100.0 * (first.size.value - 1.0):+.0f} %"
    else:
        how = f"{first.size.value:+.0f} {first.size.unit}"
    how = words.true_minus(how)
    return f"{name(first)} fits best ({quantity(first)} {how}, {chance})"


def _either(causes: Sequence[RankedCause]) -> str:
    return " or ".join(map(name, causes))


def figure(seen: SeenFigure) -> str:
    """Return one figure that the causes were tested on."""
    what = "slope about zero against slope further out" if seen.bend else "roll against the sheet"
    part = 100.0 * math.expm1(seen.misfit)
    off = words.true_minus(f"{part:+.1f}")
    return f"{seen.setup}, {seen.axle}: {what} {off} ± {100.0 * seen.std:.1f} %"


def range_words(kind: CauseKind) -> str:
    """Return how far a cause can go."""
    if kind not in RANGES:
        return "made or not"
    reach = RANGES[kind]
    unit, factor = ("%", 100.0) if reach.unit == "1" else (reach.unit, 1.0)
    low, high = factor * reach.low, factor * reach.high
    if low == -high:
        return f"± {high:.0f} {unit}"
    return f"{low:.0f} to {high:+.0f} {unit}".replace("to +0", "to 0")


# Why a verdict was given, and what would settle it.


NAMED: Final = 5
"""Keys of what is not measured that a reason names; the others are counted, and stand in the data."""

_REMEDIES: Final = {
    Remedy.DRIVE: "drive at least six runs (two on the first set-up, two on the second, then two on the "
    "first again)",
    Remedy.OTHER_LOGS: "more runs logged alike cannot settle it",
    Remedy.SHEET: "check scale weights, CG height, spring rates and motion ratios",
}


def verdict(reason: VerdictReason) -> str:
    """Return in one sentence why a verdict was given, and what would settle it where it is open."""
    first = f"nobody has measured {', '.join(reason.unmeasured[:NAMED])}"
    if len(reason.unmeasured) > NAMED:
        first += f" and {len(reason.unmeasured) - NAMED} more"
    if reason.verdict is ChangeVerdict.HELD_BACK:
        return (
            f"{first} (marked in the sheets), and measured and predicted change rest on it: measure it "
            "first, then the same runs will tell"
        )
    told = _before_placeholders(reason)
    return f"{told}; besides, {first} (marked in the sheets)" if reason.unmeasured else told


def _before_placeholders(reason: VerdictReason) -> str:
    if reason.remedy is not None:
        return f"{reason.missing}; {_REMEDIES[reason.remedy]}"
    if reason.other_end is not None:
        return (
            f"{words.true_minus(other_end_words(reason.other_end, reason.measured))}; look at the "
            f"{other_axle(reason.other_end.axle)} springs, bar, pots and tyre pressures, and at what "
            "the car carried, then drive both set-ups again with nothing else changed"
        )
    if reason.verdict is ChangeVerdict.AXLES:
        return f"{reason.moved}, so the sum of both is no answer: {_of_the_ratio(reason)}"
    if reason.moved is Moved.ONE_WAY:
        return f"{_of_the_ratio(reason)}; {reason.moved}, as a change of load or CG height makes them"
    return _of_the_ratio(reason)


_AGAINST: Final = (ChangeVerdict.SOFTENED_AGAINST, ChangeVerdict.STIFFENED_AGAINST)
_WITHIN: Final = (ChangeVerdict.SOFTENED_WITHIN, ChangeVerdict.STIFFENED_WITHIN)
_AS_PREDICTED: Final = (ChangeVerdict.AS_PREDICTED, ChangeVerdict.STIFFENED)
_OPEN: Final = (ChangeVerdict.SOFTENED_OPEN, ChangeVerdict.STIFFENED_OPEN)


def _of_the_ratio(reason: VerdictReason) -> str:
    """Return why the ratio of stiffness by itself gives the verdict it does."""
    # From the verdicts that need a reason of their own to those that two figures side by side explain.
    alone = reason.alone
    measured, predicted = _change(reason.measured), _change(reason.predicted)
    if alone is ChangeVerdict.UNCHANGED:
        most = 100.0 * abs(math.expm1(reason.most))
        return f"no change was predicted, and the runs leave room for {most:.1f} % at most"
    if alone is ChangeVerdict.NO_CHANGE:
        return (
            f"the predicted {predicted} would have shown (smallest visible change "
            f"{_size(reason.smallest, reason.predicted)}), and the runs show {measured}"
        )
    if alone is ChangeVerdict.CANNOT_TELL:
        return _undecided(reason)
    seen = f"measured {measured}, predicted {predicted}"
    agree = f"{seen}: they agree within their errors (± {100.0 * reason.apart:.1f} %)"
    if alone in _AS_PREDICTED:
        return agree + ("" if reason.parts is None else f", and the true change is {_parts(*reason.parts)}")
    if alone in _OPEN:
        left = "" if reason.parts is None else f", but the true change may be {_parts(*reason.parts)}"
        return f"{agree}{left}; {_more(reason)}"
    if alone in _WITHIN:
        return f"{agree}, only the signs differ"
    if alone not in _AGAINST:
        return f"{seen}; the difference is larger than the errors of both"
    if reason.predicted == 0.0:
        return f"{seen}; something was changed that the sheets do not know, or something binds"
    return f"{seen}; check that the set-ups are named the right way round and nothing binds"


def _parts(low: float, high: float) -> str:
    """Return what the errors leave of the predicted change, and how much counts as that."""
    most, least = 100.0 * AS_GOOD_AS, words.true_minus(f"{100.0 * low:.0f}")
    return (
        f"{least} to {100.0 * high:.0f} % of the predicted one (90 % interval; "
        f"{100.0 - most:.0f} to {100.0 + most:.0f} % counts as predicted)"
    )


def _more(reason: VerdictReason) -> str:
    """Return what would tell whether the change was as predicted."""
    if reason.runs is None:
        return (
            "more runs alone would not settle it: measure what the prediction rests on, or make a larger step"
        )
    order = plan_order(reason.runs, ("A", "B"))
    return f"about {2 * reason.runs} runs would settle it (A before, B after the change: {order})"


def _undecided(reason: VerdictReason) -> str:
    smallest = _size(reason.smallest, reason.predicted)
    if reason.predicted == 0.0:
        return (
            f"no change was predicted, none is seen; a change under {smallest} would not show in these runs"
        )
    predicted = _change(reason.predicted)
    if reason.visible:
        what = f"the runs agree with the predicted {predicted} and with no change at all"
    else:
        what = f"{predicted} was predicted, and a change under {smallest} would not show in these runs"
    if reason.runs is None:
        least = _size(reason.least_step, -1.0)
        return f"{what}; more runs alone would not settle it: make a larger step, at least {least}"
    order = plan_order(reason.runs, ("A", "B"))
    return f"{what}; about {2 * reason.runs} runs would settle it (A before, B after the change: {order})"


def _change(log: float) -> str:
    part = 100.0 * math.expm1(log)
    if abs(part) < 0.05:
        return "no change"
    return f"{abs(part):.1f} % {'softer' if part < 0.0 else 'stiffer'}"


def _size(log: float, towards: float) -> str:
    """Return the size of a change in percent of the stiffness, taken in the direction of `towards`."""
    return f"{100.0 * abs(math.expm1(math.copysign(log, towards if towards else -1.0))):.1f} %"


def plan(found: RunPlan) -> str:
    """Return what to drive to see a change, in one sentence."""
    if found.runs is None:
        return (
            f"even {2 * MOST_PLANNED_RUNS} runs would show it with {100.0 * found.power:.0f} % "
            "power only: the change is below what can be verified on track with this scatter"
        )
    chance = min(math.floor(100.0 * found.power), 99)
    return (
        f"{2 * found.runs} runs: {found.order}; the change is then seen with {chance} % power or "
        "more, with less where the car drifts meanwhile"
    )


_NEXT: Final = {
    Next.OTHER_CHANGED: "no number of runs settles it while something else differs between the set-ups; "
    "see above",
    Next.MEASURE: "measure what is marked in the sheets first: these runs may be enough then",
    Next.NONE_PREDICTED: "no change was predicted, so no number of runs can confirm one",
}


def next_runs(found: NextRuns, comparison: Comparison) -> str:
    """Return what to drive next for a verdict, in one sentence."""
    if found.plan is not None:
        return plan(found.plan)
    if found.kind is Next.DRIVE:
        order = plan_order(3, (comparison.before, comparison.after))
        return f"drive at least six runs: {order}"
    if found.kind is Next.SEEN:
        return f"these runs show the change; whether it was as predicted: {_more(comparison.reason)}"
    if found.kind is not Next.STANDS:
        return _NEXT[found.kind]
    stands, drift = "the verdict stands with these runs", comparison.drift
    if drift is None or drift.treatment is Treatment.WIDENED:
        return f"{stands}; one more run on {comparison.before} would show whether drift is in it"
    done = "has been taken out" if drift.treatment is Treatment.TAKEN_OUT else "cancels in this order"
    return f"{stands}; drift {done}, so no more are needed"


# What to fit next, in words.


LEAVE: Final = "leave the car as it is"


def choice(found: Choice) -> str:
    """Return what to fit next in one sentence."""
    return _fitted_next(found) + "".join(
        f"; {axle} springs of about {wanted:.0f} N/mm (now {now:.0f} N/mm) would keep its roll stiffness "
        "without the bar"
        for axle, (now, wanted) in found.springs.items()
    )


def _fitted_next(found: Choice) -> str:
    because = f" ({'; '.join(map(_missing, found.missing))})" if found.missing else ""
    if not found.options:
        why = because or "; the sheet lacks what it needs"
        return f"nothing on the shelf can be set to the wish ({found.wish}){why}"
    best = found.options[0]
    what = "; ".join(best.changes)
    if not found.reachable:
        return f"nothing on the shelf meets the wish{because}; the nearest: {what or LEAVE}"
    if best.plan is None or best.plan.runs is not None:
        return what or "the present setting already does it"
    return f"{what}; but {plan(best.plan)}"


def _missing(one: MissingSetting) -> str:
    if one.why is NotFitted.NO_HOLES:
        return f"the {one.axle} has no bar with holes"
    if one.why is NotFitted.UNEVEN:
        return f"the {one.axle} bar is off or uneven now: name hole and spacers"
    if one.why is NotFitted.NO_SPACER:
        return f"the {one.axle} bar takes 0 to {one.most} spacers"
    return f"the {one.axle} bar has no hole further {'in' if one.inwards else 'out'}: hole 1 to {one.most}"


def assumption(taken: Assumption) -> str:
    """Return what a choice takes for granted."""
    if isinstance(taken, AxleAsOn):
        return f"the {taken.axle} axle shall be as on {taken.setup}"
    if isinstance(taken, MarginOn):
        angle, lateral = math.degrees(taken.bank.angle), taken.bank.centripetal / STANDARD_GRAVITY
        assumed = "" if taken.stated else " (assumed)"
        return f"travel margin on a bank of {angle:.0f}° at {lateral:.2f} g{assumed}"
    return taken


def choice_basis(found: ChoiceBasis) -> str:
    """Return what the prediction of a choice rests on."""
    told = "the car sheet alone"
    if found.updated_by is not None:
        told = f"the car sheet as {found.updated_by} runs have updated it"
    if found.measured_on:
        told += f"; roll gradients as measured on {found.measured_on} ({found.runs} runs)"
    return told
