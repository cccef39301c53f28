"""Why measurement and prediction part: causes, what speaks for them, and what to look at, in words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from analyzer.comparison.causes import RANGES
from analyzer.comparison.diagnosis import ALIKE, FITS, HEADLINE, SLACK
from analyzer.comparison.results import (
    Answer,
    CauseKind,
    Evidence,
    RankedCause,
    Reasons,
    SeenFigure,
    Sign,
)
from analyzer.core.constants import STANDARD_GRAVITY
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
        "scale of the lateral accelerometer",
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
        "scale of a {axle} damper pot",
        "",
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
    Answer.ONE: f"one cause at least {HEADLINE:.0f} times as probable as the errors that fits",
    Answer.ALIKE: "several such causes whose best fits differ by a likelihood ratio under "
    f"{math.exp(ALIKE / 2.0):.0f}",
}
"""The figure that decides what the test of all causes comes to, as the docs tell it."""


def answer(reasons: Reasons) -> str:
    """Return in one sentence what the test of all causes comes to."""
    if reasons.answer is Answer.NOT_TESTED:
        return "roll was not measured on both set-ups; no reason can be tested"
    if reasons.answer is Answer.HELD_BACK:
        return (
            f"no cause is named before {words.listed(list(reasons.unmeasured), 5)} is measured: of a "
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
    first = reasons.named[0]
    chance = f"probability {100.0 * first.probability:.0f} %"
    if first.size.value is None:
        return f"{name(first)} fits best ({chance})"
    if first.size.unit == "1":
        how = f"{100.0 * (first.size.value - 1.0):+.0f} %"
    else:
        how = f"{first.size.value:+.0f} {first.size.unit}"
    return f"{name(first)} fits best ({quantity(first)} {how}, {chance})"


def figure(seen: SeenFigure) -> str:
    """Return one figure that the causes were tested on."""
    what = "slope about zero against slope further out" if seen.bend else "roll against the sheet"
    part = 100.0 * math.expm1(seen.misfit)
    return f"{seen.setup}, {seen.axle}: {what} {part:+.1f} ± {100.0 * seen.std:.1f} %"


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
