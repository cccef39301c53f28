"""The sentences of the report: each part of page and terminal starts with one of these answers."""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from analyzer.comparison.results import (
    AxleMove,
    ChangeVerdict,
    Comparison,
    KnownDifference,
    Ledger,
    SessionDrift,
    SetupResult,
    Treatment,
    Unpredicted,
)
from analyzer.comparison.stiffness import other_axle
from analyzer.comparison.unmeasured_axle import UNLIKELY
from analyzer.comparison.verdict import AS_GOOD_AS, UNCHANGED
from analyzer.core.errors import Fault, one_line
from analyzer.core.estimate import Estimate
from analyzer.core.units import AXLES, CORNERS, Axle, Corner
from analyzer.ingest.recording import LEAST_HIT_RATE, HealthRow, Recording, Verdict
from analyzer.prediction.propagation import COUNTS
from analyzer.processing.bottoming import axle_of
from analyzer.processing.results import BottomingEvent, RunEstimates, TravelBudget
from analyzer.report import reasons as reason_words, words
from analyzer.session.review import Review, uncalibrated_channels

CORNER_WORDS: Final[dict[Corner, str]] = {
    "FL": "front left",
    "FR": "front right",
    "RL": "rear left",
    "RR": "rear right",
}

QUESTIONS: Final = {
    "team": "What did each run show, and can the log be trusted?",
    "tuner": "Did the change do what it should, and what next?",
    "driver": "Where did it bottom, which corner, how hard?",
}

CAUTIONS: Final = (
    "Test on a closed course only, with the safety crew and equipment the venue asks for.",
    "Support the car on stands before working on a bar, link or spring; a bar can hold a preload that "
    "lets go.",
    "Have welds of tube and blade made and checked by a qualified fabricator. A bar, blade or link that "
    "fails changes the balance of the car at once, at full speed.",
    "Figures here come from a model and from sensors, each with the error stated. Series rules, local law "
    "and the judgement of a qualified fabricator have the last word.",
)

_MOST_SECTIONS: Final = 4

CAUSE_WORDS: Final = {"vertical load": "heave"}
"""Causes of travel that a reader knows by another word."""

_BUDGET_ADVICE: Final = {
    "heave": "mostly heave, the whole car pressed down, where a bar does not act: "
    "spring, ride height, bump stop or speed there",
    "roll": "mostly roll: a stiffer bar on this axle takes it down",
    "pitch": "mostly pitch from braking or drive, where a bar does not act: damping, spring or pedal",
    "warp": "mostly warp, the road twisted under the car: another line, or softer at that end",
    "road": "mostly the road, quicker than the body follows: another line, damping or bump stop",
}
"""What acts against each part of the travel: follows from how a bar works (equal travel of both wheels does
not twist it); common practice, no source."""


def findings(review: Review) -> list[tuple[str, HealthRow]]:
    """Return run and health row of every suspect or bad finding, bad ones first."""
    rows = [
        (recording.run, row)
        for recording in review.recordings
        for row in recording.health
        if row.verdict in (Verdict.SUSPECT, Verdict.BAD)
    ]
    return sorted(rows, key=lambda item: item[1].verdict is not Verdict.BAD)


def beyond_limit(row: HealthRow) -> float:
    """Return how far a figure is from the limit it was held to; below nought where there is none."""
    return -1.0 if row.value is None else abs(row.value - (row.threshold or 0.0))


def events(review: Review) -> list[tuple[RunEstimates, BottomingEvent]]:
    """Return every bottoming event with its run, hardest first."""
    pairs = [(run, event) for run in review.runs for event in run.bottoming]
    return sorted(pairs, key=lambda pair: (not pair[1].hard, -pair[1].stop_compression))


def lead_rows(setup: SetupResult) -> list[Ledger]:
    """Return the rows of a set-up's ledger that say the most: each axle, without what follows from them."""
    lead = [row for row in setup.ledger if "total" not in row.quantity and "body" not in row.quantity]
    return lead or list(setup.ledger)


def team_answer(review: Review) -> str:
    """Return what the runs showed and whether the logs can be trusted, in one sentence."""
    # The figure a team asks for, with whether to believe it; without one, why there is none.
    shown = _gradients(review)
    if shown:
        return f"{_trust(review)}: {shown}."
    reasons = [
        note
        for run in review.runs
        for gradient in run.roll_gradient.values()
        if gradient.value is None
        for note in gradient.notes[:1]
    ]
    if not reasons:
        return f"{_trust(review)}, but no roll gradient could be found."
    return f"No run shows a roll gradient: {words.clause(reasons[0])}."


def placeholder_points(review: Review) -> tuple[str, ...]:
    """Return a warning while the sheets still hold values that nobody has measured."""
    marked = review.session.unmeasured
    if not marked:
        return ()
    # Whatever rests on a guess looks like a figure of the car unless this is said first.
    lines = "One value of the sheets is" if len(marked) == 1 else f"{len(marked)} values of the sheets are"
    return (
        f"{lines} still marked TO MEASURE ({words.listed(list(marked), 4)}). {STARRED} Measure them, "
        "then take the mark off.",
    )


STARRED: Final = (
    "Figures that rest on such a value are provisional (* in tables): they do not hold for this car until it "
    "is measured."
)
"""What the mark of a provisional figure means."""


def left_out(review: Review) -> dict[str, str]:
    """Return why each run that is in no figure was left out, in the order of the session sheet."""
    why = {name: str(error) for name, error in review.failed.items()}
    why |= {fault.run: fault_words(fault) for fault in review.faults}
    return {run.name: why[run.name] for run in review.session.sheet.runs if run.name in why}


def fault_words(fault: Fault) -> str:
    """Return what stopped a run and what to send so that it is put right, as a clause."""
    says = f": {fault.message}" if fault.message else ""
    files = words.listed([words.label(path.name) for path in fault.send])
    sent = f" with {files}" if files else ""
    place = f"({fault.kind} in {fault.place}{says})"
    if fault.stage in ("drawing", "writing"):
        what = "drawing the figure" if fault.stage == "drawing" else "writing this piece"
        return (
            f"fault of this program while {what} {place}; no number rests on it; "
            "send this line with the sheets and logs to the maintainers"
        )
    return (
        f"fault of this program while {fault.stage} the run {place}, "
        f"not of the log; send this line{sent} to the maintainers"
    )


def fault_sentence(fault: Fault) -> str:
    """Return what stands on a page in place of what the program failed at."""
    return words.sentence(f"left out: {fault_words(fault)}", 400)


def faults_line(faults: Sequence[Fault]) -> str:
    """Return the one line with which a command ends that met faults of the program."""
    more = f" ({len(faults) - 1} more with a fault)" if len(faults) > 1 else ""
    return one_line(f"{words.label(faults[0].run)}: {fault_words(faults[0])}{more}")


def _trust(review: Review) -> str:
    # Out of all that were driven: a run whose log could not be read is a finding, too.
    missing = left_out(review)
    total = len(review.runs) + len(missing)
    found = findings(review)
    bad = sum(row.verdict is Verdict.BAD for _, row in found)
    every = "Both" if total == 2 else f"All {total}"
    used = f"{every} runs" if not missing else f"{len(review.runs)} of {total} runs"
    if total == 1 and not missing:
        used = "The one run"
    if not found:
        return f"{used} can be used and every check of the logs is good"
    # A bad channel is left out and costs figures; a suspect one is used, and its figures want a second look.
    parts = []
    if bad:
        parts.append(f"{words.count(bad, 'finding')} left {'a channel' if bad == 1 else 'channels'} out")
    if len(found) > bad:
        suspect = len(found) - bad
        parts.append(f"{words.count(suspect, 'check')} {'asks' if suspect == 1 else 'ask'} for a second look")
    return f"{used} can be used, though {' and '.join(parts)}"


def _gradients(review: Review) -> str:
    for key, phrase in (("front", "the front axle rolls"), ("rear", "the rear axle rolls")):
        known = [
            (setup.name, setup.measured[f"roll_gradient_{key}"])
            for setup in review.setups
            if setup.measured.get(f"roll_gradient_{key}") is not None
            and setup.measured[f"roll_gradient_{key}"].value is not None
        ]
        if known:
            return f"{phrase} " + words.listed(
                [f"{words.figure(e)} on {words.name(n, 24)}" for n, e in known], most=4
            )
    return ""


def driver_answer(review: Review) -> str:
    """Return where, at which corner and how hard the car bottomed, and whether that is provisional."""
    if hits_unknown(review):
        pots = words.listed([f"damper_{corner}" for corner in uncalibrated_pots(review)])
        return (
            "Nobody can tell yet whether the car bottomed: damper travel was logged, but there is no "
            f"calibration of {pots}. Write it into the car sheet, then review again."
        )
    answer, rests = _bottomed(review), hits_rest_on(review)
    # Without any travel no place of a stop could make the answer another one.
    if not rests or not (events(review) or travel_logged(review)):
        return answer
    return f"{answer} Provisional until {words.until_measured(rests)}."


def uncalibrated_pots(review: Review) -> tuple[Corner, ...]:
    """Return the corners whose pot is logged, but nobody has yet said what travel its readings mean."""
    marked = uncalibrated_channels(review.session.car)
    return tuple(
        corner
        for corner in CORNERS
        if any(
            f"other_damper_{corner}" in recording.data
            or (f"damper_{corner}" in marked and f"damper_{corner}" in recording.data)
            for recording in review.recordings
        )
    )


def hits_unknown(review: Review) -> bool:
    """Return whether nobody can tell of hits, since every pot that could show one is not calibrated."""
    waiting = uncalibrated_pots(review)
    return bool(waiting) and travel_logged(review) <= set(waiting)


def travel_logged(review: Review) -> set[Corner]:
    """Return the corners whose damper travel any run shows."""
    return {c for r in review.recordings for c in CORNERS if r.usable(f"damper_{c}")}


def hits_rest_on(review: Review) -> tuple[str, ...]:
    """Return what nobody has measured of where a stop begins and of how far its damper moved."""
    marks = [mark for run in review.runs for stop in run.stops.values() for mark in stop.provisional]
    return tuple(dict.fromkeys(marks))


def _bottomed(review: Review) -> str:
    # Without an event the nearest approach is the answer: how much is left before it would.
    found = events(review)
    if not found:
        return _not_bottomed(review)
    run, worst = found[0]
    runs = len({run.name for run, _ in found})
    times = _times(len(found))
    hard = sum(event.hard for _, event in found)
    how = f", {hard} of them hard" if hard and len(found) > 1 else ", hard" if hard else ""
    return (
        f"It bottomed {times} in {_of_all(runs, len(review.runs))}{how}; hardest at the "
        f"{CORNER_WORDS[worst.corner]} in {place(worst)}, "
        f"{words.millimetres(worst.stop_compression, 1)} into the bump stop ({words.name(run.name, 20)})."
    )


def driver_points(review: Review) -> tuple[str, ...]:
    """Return where and at which corners it bottomed, what used up the travel, and where to read on."""
    found = events(review)
    if not found:
        return ()
    counts: dict[str, Counter[str]] = {}
    for _, event in found:
        counts.setdefault(event.section, Counter())[CORNER_WORDS[event.corner]] += 1
    # Where it happens most leads, however hard: a place met every lap costs more than one hard hit.
    ranked = sorted(counts.items(), key=lambda item: -item[1].total())
    lines = [
        f"{words.capital(words.name(section))}: "
        + words.listed([f"{corner} {_times(number)}" for corner, number in corners.most_common()])
        + "."
        for section, corners in ranked[:_MOST_SECTIONS]
    ]
    if len(ranked) > _MOST_SECTIONS:
        rest = sum(corners.total() for _, corners in ranked[_MOST_SECTIONS:])
        lines.append(f"Elsewhere: {_times(rest)}.")
    if found[0][1].budget is not None:
        lines.append(f"The hardest one was {advice(found[0][1])}.")
    # With a course sheet the driver's page comes with the report, which links to it.
    if review.session.course is not None:
        return tuple(lines)
    return (*lines, "What would clear each place: analyzer course writes the driver's sheet.")


def _of_all(some: int, total: int) -> str:
    """Return ``all 6 runs`` or ``4 of 6 runs``."""
    if some == total:
        return {1: "the one run", 2: "both runs"}.get(total, f"all {total} runs")
    return f"{some} of {total} runs"


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def place(event: BottomingEvent) -> str:
    """Return section and bank of an event."""
    bank = "" if event.bank is None else f" at {words.degrees(event.bank)} of bank"
    return f"“{words.name(event.section)}”{bank}"


def travel_parts(budget: TravelBudget) -> dict[str, float]:
    """Return what the travel of a hit was made of [m at the damper], the same parts on every page.

    What the road added quickly stands apart from heave, roll, pitch and warp where it was told apart.
    """
    if not budget.causes:
        return {part: getattr(budget, part) for part in ("heave", "roll", "pitch", "warp")}
    return {CAUSE_WORDS.get(cause, cause): travel for cause, travel in budget.causes.items()}


def travel_words(event: BottomingEvent) -> str:
    """Return these parts in words, those of full droop in extension; empty when they are not known."""
    if event.budget is None:
        return ""
    # All of them, small ones too: they add up to the travel, and the reader can check that.
    sign = -1.0 if event.kind == "full droop" else 1.0
    parts = travel_parts(event.budget).items()
    return ", ".join(f"{part} {words.millimetres(sign * at, with_unit=False)}" for part, at in parts) + " mm"


def advice(event: BottomingEvent) -> str:
    """Return what used up the travel and what acts against it."""
    if event.budget is None:
        return "causes not known: the travel of another corner is missing"
    # The largest of the four names the advice; the shares themselves stand in the table.
    parts = travel_parts(event.budget)
    return _BUDGET_ADVICE[max(parts, key=lambda part: parts[part])]


def bump_stop_gap(review: Review, axle: Axle) -> float | None:
    """Return the gap the car sheet states [m]; None when it states none."""
    gap = review.session.car.axle(axle).damper.bump_stop_gap
    return None if gap is None else gap.value


def closest(review: Review) -> tuple[str, Corner, float] | None:
    """Return run, corner and travel left to the bump stop [m] of the closest approach of the session."""
    # From the travel itself, not from the events, which begin at the stop; suspect samples do not count.
    found: list[tuple[float, str, Corner]] = []
    for recording in review.recordings:
        if recording.sample_rate < LEAST_HIT_RATE:
            continue
        for corner in CORNERS:
            channel = f"damper_{corner}"
            gap = bump_stop_gap(review, axle_of(corner))
            if gap is None or not recording.usable(channel):
                continue
            deepest = recording.data[channel].where(~recording.suspect[channel]).max()
            if deepest == deepest:  # all samples suspect give NaN
                found.append((gap - float(deepest), recording.run, corner))
    if not found:
        return None
    left, run, corner = min(found)
    return run, corner, left


def _not_bottomed(review: Review) -> str:
    # Four answers: no damper logged, no gap known, touched for a moment, or how much was left.
    nearest = closest(review)
    if nearest is None:
        if not travel_logged(review):
            return "No damper travel was logged, so nobody can tell whether the car bottomed."
        slowest = min(recording.sample_rate for recording in review.recordings)
        if slowest < LEAST_HIT_RATE:
            return f"At {slowest:.4g} Hz hits are missed: nobody can tell whether the car bottomed."
        known = "the car sheet states no bump-stop gap, so how close it came is not known"
        return f"No bottoming was found; {known}."
    run, corner, left = nearest
    if left <= 0.0:
        return (
            f"No bottoming event was found, though the {CORNER_WORDS[corner]} damper touched its stop for a "
            f"moment in {words.name(run, 20)}."
        )
    return (
        f"No damper reached its bump stop; the {CORNER_WORDS[corner]} came closest, with "
        f"{words.millimetres(left)} left ({words.name(run, 20)})."
    )


def recording_line(recording: Recording) -> str:
    """Return length, rate, number of channels and outcome of the checks, in one line."""
    # Not tested is no finding, and no good check either: it counts to neither.
    suspect = [row for row in recording.health if row.verdict in (Verdict.SUSPECT, Verdict.BAD)]
    tested = sum(row.verdict is not Verdict.NOT_TESTED for row in recording.health)
    found = f"{len(suspect)} of {tested} checks found something" if suspect else f"all {tested} checks good"
    seconds = len(recording.data) / recording.sample_rate
    return (
        f"{recording.run}: {seconds:.1f} s at {recording.sample_rate:.4g} Hz,"
        f" {len(recording.data.columns)} channels; {found}"
    )


# The tuner's sentences: what a change of set-up did, what was visible, what next.


@dataclass(frozen=True, slots=True)
class VerdictWords:
    """What is said of a verdict.

    Parameters
    ----------
    opening : str
        Start of its sentence, with the set-ups ``{before}`` and ``{after}`` and ``{keys}`` of the sheets.
    trigger : str
        The figure that decides it, as the docs tell it.
    advice : str
        What to do next.
    """

    opening: str
    trigger: str
    advice: str


_BELOW: Final = "interval of the stiffness ratio below one"
_ABOVE: Final = "interval of the stiffness ratio above one"
_AGREE: Final = "measured less predicted within the errors of both"
_PART: Final = "measured less predicted beyond the errors of both"
_WITHIN: Final = (
    f"the 90 % interval of the true change within {100.0 * AS_GOOD_AS:.0f} % of the predicted one"
)
_BEYOND: Final = _WITHIN.replace("within", "not within")
_NEXT_HOLE: Final = "the sheet predicts this change; let it name the next hole or spacer (analyzer choose)"
_STANDS: Final = "that it changed stands; to know whether the sheet predicts it,"
_RESTS: Final = (
    "measure what the prediction rests on (hang loads on the bar on the bench, springs on a press)"
)
_NOT_YET: Final = f"{_STANDS} {_RESTS}"
_OPEN: Final = (ChangeVerdict.SOFTENED_OPEN, ChangeVerdict.STIFFENED_OPEN)
_GIVES: Final = (
    "look for what gives before the bar does (link play, mounts, blade clamp), or hang loads on the bar on "
    "the bench and put the readings into the car sheet"
)
_LARGER: Final = "make a larger step: this change is as small as the errors"
_RANKS: Final = "; analyzer confirm ranks the causes"
_AGAINST: Final = (
    "check that the set-ups are named the right way round, what else was changed, and that nothing binds"
)

VERDICTS: Final = {
    ChangeVerdict.AS_PREDICTED: VerdictWords(
        "{after} softened the car as predicted",
        f"{_BELOW}, softer predicted, {_AGREE}, {_WITHIN}",
        _NEXT_HOLE,
    ),
    ChangeVerdict.LESS: VerdictWords(
        "{after} softened the car, less than predicted",
        f"{_BELOW}, softer predicted, {_PART}, measured the smaller change",
        _GIVES + _RANKS,
    ),
    ChangeVerdict.MORE: VerdictWords(
        "{after} softened the car, more than predicted",
        f"{_BELOW}, softer predicted, {_PART}, measured the larger change",
        f"check hole, spacers and tube against the sheets, and that the bar moves free of preload{_RANKS}",
    ),
    ChangeVerdict.SOFTENED_AGAINST: VerdictWords(
        "{after} softened the car, against the prediction",
        f"{_BELOW}, stiffer or no change predicted, {_PART}",
        _AGAINST,
    ),
    ChangeVerdict.SOFTENED_WITHIN: VerdictWords(
        "{after} softened the car, within the errors of the prediction",
        f"{_BELOW}, stiffer or no change predicted, {_AGREE}: only the signs differ",
        _LARGER,
    ),
    ChangeVerdict.SOFTENED_OPEN: VerdictWords(
        "{after} softened the car, and these runs cannot tell whether as predicted",
        f"{_BELOW}, softer predicted, {_AGREE}, {_BEYOND}",
        _NOT_YET,
    ),
    ChangeVerdict.NO_CHANGE: VerdictWords(
        "No change seen from {before} to {after}",
        "one inside the interval of the stiffness ratio, smallest visible change within the predicted one, "
        f"{_PART}",
        "check that the bar is connected on both sides, that links and blades sit as the session sheet says "
        "and that nothing gives, then drive both set-ups again",
    ),
    ChangeVerdict.UNCHANGED: VerdictWords(
        "Unchanged from {before} to {after}, as predicted",
        "no change predicted, and the whole interval of the stiffness ratio within "
        f"{100.0 * UNCHANGED:.0f} % of one",
        "the two set-ups are alike for this car; let the sheet name a step that shows (analyzer choose)",
    ),
    ChangeVerdict.STIFFENED: VerdictWords(
        "{after} stiffened the car as predicted",
        f"{_ABOVE}, stiffer predicted, {_AGREE}, {_WITHIN}",
        _NEXT_HOLE,
    ),
    ChangeVerdict.STIFFENED_LESS: VerdictWords(
        "{after} stiffened the car, less than predicted",
        f"{_ABOVE}, stiffer predicted, {_PART}, measured the smaller change",
        _GIVES + _RANKS,
    ),
    ChangeVerdict.STIFFENED_MORE: VerdictWords(
        "{after} stiffened the car, more than predicted",
        f"{_ABOVE}, stiffer predicted, {_PART}, measured the larger change",
        f"check hole, spacers and tube against the sheets, and that nothing binds{_RANKS}",
    ),
    ChangeVerdict.STIFFENED_AGAINST: VerdictWords(
        "{after} stiffened the car, against the prediction",
        f"{_ABOVE}, softer or no change predicted, {_PART}",
        _AGAINST,
    ),
    ChangeVerdict.STIFFENED_WITHIN: VerdictWords(
        "{after} stiffened the car, within the errors of the prediction",
        f"{_ABOVE}, softer or no change predicted, {_AGREE}: only the signs differ",
        _LARGER,
    ),
    ChangeVerdict.STIFFENED_OPEN: VerdictWords(
        "{after} stiffened the car, and these runs cannot tell whether as predicted",
        f"{_ABOVE}, stiffer predicted, {_AGREE}, {_BEYOND}",
        _NOT_YET,
    ),
    ChangeVerdict.AXLES: VerdictWords(
        "The axles did not roll as predicted from {before} to {after}",
        "both bars were changed or none: roll of an axle, after over before, off what the set-ups make of it "
        f"({100.0 * UNLIKELY:.0f} % level for both axles), and the sum does not show it",
        "look at steering, tyres and their pressures, ride height, load and pots, then drive both set-ups "
        "again with nothing else changed",
    ),
    ChangeVerdict.CANNOT_TELL: VerdictWords(
        "These runs cannot tell whether {after} changed the car",
        "one inside the interval of the stiffness ratio, and none of the rows above; or the other axle "
        "moved, and what leaks from it exceeds the error",
        "drive more runs on both set-ups, one set-up, the other, and the first again; analyzer confirm says "
        "how many",
    ),
    ChangeVerdict.HELD_BACK: VerdictWords(
        "Held back whether {after} did as predicted, until {keys}",
        "a value marked TO MEASURE moves the stiffness ratio, or measured less predicted, by more than "
        f"{COUNTS:.1f} of its standard error",
        "measure what is named, write it into the sheets and take the mark off; the same runs are judged "
        "anew (analyzer start FOLDER --list FILE writes what is to be measured as a page)",
    ),
}

_ALONE: Final = (
    "look at the other axle, the tyres and the load, then drive both set-ups again with nothing else changed"
)

_ENOUGH: Final = "make a larger step, at least the one that the reason names, and drive both set-ups again"

_NOT_MEASURED: Final = (
    "let analyzer check name what the logs or the car sheet lack; put that right, then drive both set-ups "
    "again"
)


def tuner_answer(review: Review) -> str:
    """Return the verdict on the change of set-up, in one sentence; several changes in short form."""
    if not review.comparisons:
        # One set-up is a session of its own kind, no failed comparison.
        driven = sum(bool(setup.runs) for setup in review.setups)
        if driven < 2:
            shown = any(lead_rows(setup) for setup in review.setups)
            beside = "; its figures are set against the prediction" if shown else ""
            return f"One set-up was driven, so there is no change to judge{beside}."
        return "No two set-ups could be compared."
    if len(review.comparisons) == 1:
        return comparison_answer(review.comparisons[0])
    # Each change has its full sentence below; here the verdicts stand side by side.
    short = [
        f"{words.name(c.before, 16)} to {words.name(c.after, 16)}: {c.verdict.value}"
        for c in review.comparisons[:4]
    ]
    more = len(review.comparisons) - len(short)
    return "; ".join(short) + (f"; and {words.count(more, 'more change')} below." if more else ".")


def comparison_answer(comparison: Comparison) -> str:
    """Return the verdict with interval beside the prediction, in one sentence."""
    before, after = words.name(comparison.before, 24), words.name(comparison.after, 24)
    ratio = comparison.stiffness_ratio
    what = words.axle_words(comparison.axle)
    if ratio.value is None:
        return f"These runs cannot tell what {after} did to {what}: {words.clause(ratio.notes[0])}."
    opening = VERDICTS[comparison.verdict].opening.format(
        before=before, after=after, keys=words.until_measured(comparison.unmeasured)
    )
    # Something did change, or the interval would hold "no change"; what the runs cannot tell is whether
    # it was the bar that was changed.
    if comparison.verdict is ChangeVerdict.CANNOT_TELL and _sure(ratio):
        opening = f"{after} changed the car, but these runs cannot tell whether it was {what} alone"
    # The prediction stands beside the figure in the same sentence, so that neither is quoted alone.
    predicted = comparison.predicted_ratio
    # Beside "fell by" a figure without a sign reads as a fall.
    plus = "+" if predicted.value is not None and predicted.value > 1.0 else ""
    beside = (
        f"predicted {plus}{change_words(predicted)}" if predicted.value is not None else "nothing predicted"
    )
    if none_predicted(comparison):
        beside = "no change predicted"
    moved = _at_least(ratio) if just_seen(comparison) else _moved(ratio)
    gone, left = _taken_out(comparison), _left_in(comparison)
    return f"{opening}: {what} {moved} against {before}{gone}; {beside}{left}."


def _taken_out(comparison: Comparison) -> str:
    """Return ``, fuel taken out (as driven −3.1 %)``; nothing without known differences."""
    known = comparison.known
    if known is None or not known.taken_out:
        return ""
    names = words.listed([_condition(one.condition) for one in known.taken_out])
    return f" with the known difference of {names} taken out (as driven {change_alone(known.as_driven)})"


_UNPREDICTED: Final = {
    Unpredicted.NOT_STATED: "it is not stated for one of the two",
    Unpredicted.NOT_READ: 'it cannot be read as a quantity; write for instance "20 l" or "190 kPa"',
    Unpredicted.NO_MASS: "no mass is stated; write driver_mass with each run",
    Unpredicted.NO_PLACE: "its place is not stated; write mass.places in the car sheet",
    Unpredicted.NO_TYRE_RATE: "the car sheet has no tyre_rate",
    Unpredicted.NO_MODEL: "",
}
_MOST_LEFT_IN: Final = 4


def _left_in(comparison: Comparison) -> str:
    """Return, to end the verdict with, what else differed of which nobody knows what it did."""
    if comparison.known is None or not comparison.known.open:
        return ""
    found = comparison.known.open
    names = [_condition(one.condition) for one in found[:_MOST_LEFT_IN]]
    if len(found) > _MOST_LEFT_IN:
        names.append(words.count(len(found) - _MOST_LEFT_IN, "more condition"))
    return f"; {words.listed(names)} differed too, which cannot be predicted and is left in"


def _condition(key: str) -> str:
    return words.name(key.replace("_", " "), 24)


def known_differences(comparison: Comparison) -> str:
    """Return what known differences between the runs do by the car sheet, and why others are left in."""
    known = comparison.known
    if known is None or not (known.taken_out or known.open):
        return ""
    told = [_known(one) for one in known.taken_out]
    lines = []
    if told:
        as_driven = change_words(known.as_driven, "95 % interval ")
        lines.append(f"Taken out of the change as the car sheet predicts it: {'; '.join(told)}")
        lines.append(f"As driven, nothing taken out: {words.axle_words(comparison.axle)} {as_driven}")
        taken = [key for one in known.taken_out for key in one.taken]
        if taken:
            keys = words.listed(list(dict.fromkeys(taken)))
            lines.append(f"Taken for granted with a wide error, as the car sheet does not state it: {keys}")
    for one in known.open[:_MOST_LEFT_IN]:
        before, after = (
            " / ".join(words.name(text, 24) for text in texts[:3]) or "not stated"
            for texts in (one.before, one.after)
        )
        why = f" ({_UNPREDICTED[one.why]})" if _UNPREDICTED[one.why] else ""
        lines.append(f"Left in: {_condition(one.condition)}, {before} before, {after} after{why}")
    return ". ".join(lines) + "."


def _known(one: KnownDifference) -> str:
    before, after = words.value_alone(one.before), words.value_alone(one.after)
    effect = words.listed([f"{axle} {change_words(one.effect[axle])}" for axle in AXLES])
    return f"{_condition(one.condition)}, {before} before and {after} after, changes roll by {effect}"


def beside_the_verdict(comparison: Comparison) -> tuple[str, ...]:
    """Return what must be read with a verdict: axles that moved, known differences, order and drift."""
    lines = (
        axles_moved(comparison),
        by_the_road(comparison),
        known_differences(comparison),
        driving_order(comparison),
    )
    return tuple(line for line in lines if line)


def axles_moved(comparison: Comparison) -> str:
    """Return which axles rolled otherwise than they should, how far, and that no bar does so; or nothing."""
    if not comparison.axle_moves:
        return ""
    told = [_axle_moved(move) for move in comparison.axle_moves]
    alone = [move.axle for move in comparison.axle_moves if not move.changed]
    if not alone:
        why = "that is not what these bars do"
    elif comparison.axle is not None:
        why = f"the {comparison.axle} bar cannot do that"
    else:
        why = "no bar was changed there, and a bar cannot do that"
    return f"Something else moved the car: the {words.listed(told)}; {why}."


def by_the_road(comparison: Comparison) -> str:
    """Return what the twist of the road says of both axles' stiffness beside the prediction, or nothing."""
    measured, predicted = comparison.front_over_rear, comparison.prediction.front_over_rear
    if measured.value is None or predicted.value is None:
        return ""
    # Of the axle whose bar was changed; of the front one where both or none were.
    one = comparison.axle or "front"
    if one == "rear":
        measured, predicted = _turned_over(measured), _turned_over(predicted)
    change = change_in_percent(measured)
    sign = "+" if (change.value or 0.0) > 0.0 else ""
    found = sign + words.value_with_interval(change, "95 % interval ")
    said = (
        "Seen by how the road twists the axles against each other, without masses, speed or forces: "
        f"{one} over {other_axle(one)} roll stiffness {found}; {change_alone(predicted)} is predicted"
    )
    if predicted.provisional:
        # What nobody has measured settles nothing.
        said += f" ({words.PROVISIONAL})"
    elif _apart(measured, predicted):
        said += ", which disagrees: check springs, bar and pots of both axles"
    return f"{said}."


def _turned_over(ratio: Estimate) -> Estimate:
    """Return 1 / a ratio."""
    if ratio.value is None:
        return ratio
    ends = None if ratio.interval is None else (1.0 / ratio.interval[1], 1.0 / ratio.interval[0])
    std = None if ratio.std_error is None else ratio.std_error / ratio.value**2
    return replace(ratio, value=1.0 / ratio.value, std_error=std, interval=ends, calibration=None)


_SURELY_APART: Final = 1.3
"""Two figures disagree where they lie so many times as far apart as the halves of their 95 % intervals, added
as squares, reach: at 99 %."""


def _apart(measured: Estimate, predicted: Estimate) -> bool:
    """Return whether two estimates disagree beyond both their errors."""
    if measured.value is None or predicted.value is None:
        return False
    ends = [e.interval or (0.0, 0.0) for e in (measured, predicted)]
    reach = math.hypot(*((high - low) / 2.0 for low, high in ends))
    return bool(abs(measured.value - predicted.value) > _SURELY_APART * reach)


def _axle_moved(move: AxleMove) -> str:
    change = words.percent(_change(move.ratio))
    way = "more" if (change.value or 0.0) > 0.0 else "less"
    size = words.value_with_interval(words.without_sign(change), "95 % interval ")
    return f"{move.axle} axle rolled {size} {way} than it should"


_NO_CHANGE: Final = 1e-9
"""Part of the stiffness under which a prediction is that of no change at all."""


def none_predicted(comparison: Comparison) -> bool:
    """Return whether the sheets predict that nothing changes."""
    predicted = comparison.predicted_ratio.value
    return predicted is not None and abs(predicted - 1.0) <= _NO_CHANGE


def just_seen(comparison: Comparison) -> bool:
    """Return whether a change was seen that is smaller than what these runs are sure to show.

    Of such changes those are seen that scatter made larger: what is measured is too large on average (Gelman
    and Carlin, Perspectives on Psychological Science 9, 2014).
    """
    ratio, smallest = comparison.stiffness_ratio, comparison.smallest_visible
    if ratio.value is None or smallest.value is None or not _sure(ratio):
        return False
    return abs(ratio.value - 1.0) < smallest.value


def _at_least(ratio: Estimate) -> str:
    """Return ``fell by at least 0.3 % (just seen; measured 1.0 %, 95 % interval 0.3 to 1.7)``."""
    size = words.percent(words.without_sign(_change(ratio)))
    if size.interval is None:
        return _moved(ratio)
    verb = "fell" if (ratio.value or 1.0) < 1.0 else "rose"
    least = words.value_alone(replace(size, value=size.interval[0]))
    shown = f"{words.value_alone(size)}, 95 % interval {words.interval(size)}"
    shown += f"; {words.PROVISIONAL}" if ratio.provisional else ""
    return f"{verb} by at least {least} (just seen; measured {shown})"


def _sure(ratio: Estimate) -> bool:
    """Return whether the interval leaves out "no change"."""
    return ratio.interval is not None and not ratio.interval[0] <= 1.0 <= ratio.interval[1]


def _moved(ratio: Estimate) -> str:
    """Return ``fell by 10.4 % (95 % interval 8.8 to 12.0)``, or ``changed by`` when the sign is not sure."""
    # A direction is named only when the whole interval agrees on it.
    span = ratio.interval
    if ratio.value is None or span is None:
        return f"changed by {change_words(ratio)} (its error is not known)"
    if _sure(ratio):
        verb = "fell" if span[1] < 1.0 else "rose"
        size = words.percent(words.without_sign(_change(ratio)))
        return f"{verb} by {words.value_with_interval(size, '95 % interval ')}"
    return f"changed by {change_words(ratio, '95 % interval ')}"


def change_words(ratio: Estimate, word: str = "") -> str:
    """Return a ratio as a change, ``−10.7 % (−11.9 to −9.5)``."""
    return words.UNKNOWN if ratio.value is None else words.value_with_interval(change_in_percent(ratio), word)


def change_alone(ratio: Estimate) -> str:
    """Return a ratio as a change with its sign, ``−10.7 %`` or ``+4.2 %``; the interval sets the digits."""
    change = change_in_percent(ratio)
    sign = "+" if change.value is not None and change.value > 0.0 else ""
    return sign + words.value_alone(change)


def change_in_percent(ratio: Estimate) -> Estimate:
    """Return a ratio as a change [%]; negative where it fell."""
    return words.percent(_change(ratio))


def _change(ratio: Estimate) -> Estimate:
    span = ratio.interval
    interval = None if span is None else (span[0] - 1.0, span[1] - 1.0)
    return replace(ratio, value=None if ratio.value is None else ratio.value - 1.0, interval=interval)


def smallest_visible(comparison: Comparison) -> str:
    """Return the smallest change these runs could have shown, in one sentence."""
    smallest = comparison.smallest_visible
    if smallest.value is None:
        why = words.clause(smallest.notes[0])
        return f"The smallest change these runs could have shown is not known: {why}."
    # Some of them rest on a single scatter and have no error of their own.
    share = words.percent(smallest)
    text = words.figure(share) if share.std_error is not None else f"{share.value:.2g} %"
    return f"The smallest change these runs could have shown is {text}."


def driving_order(comparison: Comparison) -> str:
    """Return in which order was driven, the drift found with its error, and what was done about it."""
    drift = comparison.drift
    if drift is None:
        return ""
    driven = [name for name, number in drift.order for _ in range(number)]
    places = words.together((name, place) for place, name in enumerate(driven))
    middles = {
        sum(places.get(name, ())) / max(driven.count(name), 1)
        for name in (comparison.before, comparison.after)
    }
    # A-B-B-A leans as soon as its runs do not count alike, and a reader would look for it in the order.
    leans = "since this order leans to one side"
    if len(middles) == 1:
        leans = "since the runs' errors differ, so that this even order leans to one side"
    return f"Driven: {_blocks(drift.order)}. {words.capital(_drift(drift, leans))}."


_MOST_BLOCKS: Final = 12


def _blocks(order: tuple[tuple[str, int], ...]) -> str:
    """Return ``3 on A, then 3 on B``; set-ups alone where each was driven once at a time."""
    names = [words.name(name, 16) for name, _ in order]
    if any(number > 1 for _, number in order):
        names = [f"{number} on {name}" for name, (_, number) in zip(names, order, strict=True)]
    left = len(names) - _MOST_BLOCKS
    shown = ", ".join(names[:_MOST_BLOCKS])
    return shown + (f" and {words.count(left, 'more block')}" if left > 0 else "")


def _drift(drift: SessionDrift, leans: str) -> str:
    # What is there, then what was done: a reader must never take drift for the bar, nor the other way round.
    told = words.value_with_interval(words.percent(drift.size), "95 % interval ")
    told = f"+{told}" if (drift.size.value or 0.0) > 0.0 else told
    if drift.size.value is None:
        if drift.treatment is Treatment.CANCELS:
            return "drift cannot be told from the set-ups in this order; a steady one would cancel"
        room = f"the interval leaves room for it, {leans}"
        return f"drift cannot be told from the set-ups in this order; {room}"
    room = (
        f"{leans}, the change is corrected by the likely part of it and the interval leaves room for the rest"
    )
    if drift.treatment is Treatment.TAKEN_OUT:
        return f"a drift of {told} from the first run to the last is taken out of the change"
    if drift.found:
        what = f"a drift of {told} from the first run to the last is likely"
        if drift.treatment is Treatment.CANCELS:
            return f"{what}; it cancels in this order and counts as scatter"
        return f"{what}; {room}"
    what = f"no drift shows: {told} from the first run to the last"
    if drift.odds is None:
        what = "too few runs to tell drift from scatter"
    if drift.treatment is Treatment.CANCELS:
        return f"{what}; a steady one would cancel in this order"
    return f"{what}; {room}"


def change_lines(review: Review, comparison: Comparison, different: Sequence[str]) -> list[str]:
    """Return what is said below the answer on a change of set-up; `different` tells what else differed."""
    # The answer stands above; with several changes each has to be told again here, in full.
    lines = [comparison_answer(comparison)] if len(review.comparisons) > 1 else []
    return [
        *lines,
        changed_parts(review, comparison),
        f"Why: {words.clause(reason_words.verdict(comparison.reason))}.",
        smallest_visible(comparison),
        *beside_the_verdict(comparison),
        *different,
        next_step(comparison),
    ]


def changed_parts(review: Review, comparison: Comparison) -> str:
    """Return what was changed on the car between two set-ups, by the session sheet, in one sentence."""
    # As the sheet has it: what was changed besides is told as a difference of conditions.
    bars = {setup.name: setup.predicted.bars for setup in review.setups}
    before, after = bars.get(comparison.before, {}), bars.get(comparison.after, {})
    moves = [
        f"{axle} bar from {words.name(before[axle].setting, 60)} to {words.name(after[axle].setting, 60)}"
        for axle in AXLES
        if axle in before and axle in after and before[axle].setting != after[axle].setting
    ]
    return f"Changed: {' and '.join(moves) or 'nothing on the bars, by the session sheet'}."


def next_step(comparison: Comparison) -> str:
    """Return what to do after this verdict, in one sentence."""
    if comparison.verdict is ChangeVerdict.CANNOT_TELL and _sure(comparison.stiffness_ratio):
        return f"Next: {_ALONE}."
    ratio = comparison.stiffness_ratio
    if ratio.value is None and not comparison.not_driven:
        return f"Next: {_NOT_MEASURED}."
    reason = comparison.reason
    # More runs are only asked for where they would help: the reason says how many, or that they will not do.
    if comparison.verdict in _OPEN and reason.runs is not None:
        return f"Next: {_STANDS} drive as many runs as the reason says, or {_RESTS}."
    hidden = reason.remedy is None and reason.other_end is None and reason.predicted
    if comparison.verdict is ChangeVerdict.CANNOT_TELL and hidden and reason.runs is None:
        return f"Next: {_ENOUGH}."
    return f"Next: {VERDICTS[comparison.verdict].advice}."


def yielding_bars(setups: Iterable[SetupResult]) -> tuple[str, ...]:
    """Return which bars that were driven would yield over the full travel of the wheels, by the sheet."""
    told = words.together(
        ((axle, bar.setting, bar.stress_factor), words.name(setup.name, 24))
        for setup in setups
        if setup.runs
        for axle, bar in setup.predicted.bars.items()
        if bar.stress_factor.value is not None and bar.stress_factor.value < 1.0
    )
    if not told:
        return ()
    bars = []
    for (axle, setting, factor), names in told.items():
        measured = (
            f", provisional until {words.until_measured(factor.provisional)}" if factor.provisional else ""
        )
        bars.append(
            f"{axle}, {words.name(setting, 60)}, on {words.listed(names, 6)}: "
            f"{words.plain(factor.value or 0.0, 2)}{measured}"
        )
    which = "A bar that was driven" if len(bars) == 1 else "Bars that were driven"
    return (
        f"{which} would yield with one wheel in full bump and the other in full droop (yield strength over "
        f"stress there, by the car sheet: {'; '.join(bars)}). Limit the travel or fit a stronger bar, and "
        "let a qualified person judge it; series rules have the last word.",
    )


def setting_words(review: Review, setup: str) -> str:
    """Return how the bars of a set-up are set, from its prediction."""
    for result in review.setups:
        if result.name == setup:
            bars = result.predicted.bars
            return "; ".join(f"{axle} bar {words.name(bars[axle].setting)}" for axle in AXLES if axle in bars)
    return ""
