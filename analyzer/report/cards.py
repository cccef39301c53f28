"""The three answers at a glance: a figure and a few words for each reader, on top of the page."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from analyzer.comparison.results import ChangeVerdict, Comparison
from analyzer.core.units import AXLE_CORNERS, AXLES, CORNERS, Axle
from analyzer.ingest.recording import LEAST_HIT_RATE, HealthRow, Recording, Verdict
from analyzer.processing.bump_stop_gap import known_gap
from analyzer.processing.results import RunEstimates
from analyzer.report import sentences, words
from analyzer.session.review import Review

_AS_PREDICTED: Final = (ChangeVerdict.AS_PREDICTED, ChangeVerdict.STIFFENED, ChangeVerdict.UNCHANGED)
_OPEN: Final = (
    ChangeVerdict.NO_CHANGE,
    ChangeVerdict.UNCHANGED,
    ChangeVerdict.AXLES,
    ChangeVerdict.CANNOT_TELL,
    ChangeVerdict.SOFTENED_OPEN,
    ChangeVerdict.STIFFENED_OPEN,
)
"""Verdicts whose figure says little without its interval."""
_SHORT_WHY: Final = 90


@dataclass(frozen=True, slots=True)
class Card:
    """The answer to one reader's question.

    Parameters
    ----------
    key : str
        The part of the page that says more.
    reader : str
        Whose question it is.
    figure : str
        The answer in figures; the reason in two or three words where there is none.
    words : str
        What the figure is; goes on after it as one sentence.
    known : bool
        Whether there is an answer.
    """

    key: str
    reader: str
    figure: str
    words: str
    known: bool = True


def cards(review: Review) -> tuple[Card, Card, Card]:
    """Return the cards of team, tuner and driver, in the order of the page."""
    return _team(review), _tuner(review), _driver(review)


# The team: which runs can be trusted.


def remarks(review: Review, run: str) -> list[HealthRow]:
    """Return the checks of a run that ask for a look, bad ones first."""
    return [row for name, row in sentences.findings(review) if name == run]


def _team(review: Review) -> Card:
    missing = len(sentences.left_out(review))
    total = len(review.runs) + missing
    noted = sum(bool(remarks(review, run.name)) for run in review.runs)
    runs = "run" if total == 1 else "runs"
    # A run with a remark is used, but nobody should hear that it can be trusted as it is.
    said = f"{runs} can be used, {noted} with remarks" if noted else f"{runs} can be trusted"
    if missing:
        said += f"; {missing} left out"
    gradients = [gradient for run in review.runs for gradient in run.roll_gradient.values()]
    unknown = [gradient for gradient in gradients if gradient.value is None]
    if len(unknown) == len(gradients):
        why = f" ({words.clause(unknown[0].notes[0], _SHORT_WHY)})" if unknown else ""
        said += f"; none shows a roll gradient{why}"
    if review.session.unmeasured:
        said += f"; {words.count(len(review.session.unmeasured), 'value')} of the sheets still TO MEASURE, "
        said += "what rests on them is provisional"
    return Card("team", "Team", f"{len(review.runs)} of {total}", said)


# The tuner: what the change did.


def _tuner(review: Review) -> Card:
    found = review.comparisons
    if not found:
        driven = sum(bool(setup.runs) for setup in review.setups)
        short = "One set-up only" if driven == 1 else "Nothing to compare"
        why = "drive a second one to see what a change does" if driven == 1 else "no two set-ups have a run"
        return Card("tuner", "Tuner", short, why, known=False)
    return _changes(found) if len(found) > 1 else _change(found[0])


def _change(comparison: Comparison) -> Card:
    ratio = comparison.stiffness_ratio
    names = [words.name(setup, 16) for setup in (comparison.after, comparison.before)]
    what = f"{words.axle_words(comparison.axle).removeprefix('the ')}, {names[0]} against {names[1]}"
    if ratio.value is None:
        why = words.clause(ratio.notes[0], _SHORT_WHY)
        return Card("tuner", "Tuner", "Not known", f"{what}: {why}", known=False)
    predicted = comparison.predicted_ratio
    beside = sentences.change_alone(predicted) if predicted.value is not None else "nothing predicted"
    beside = "no change" if sentences.none_predicted(comparison) else beside
    said = f"{what}: {comparison.verdict.value}"
    if comparison.verdict is ChangeVerdict.HELD_BACK:
        said = f"{what}: held back until {words.until_measured(comparison.unmeasured, 3)}"
    elif comparison.verdict in _OPEN:
        interval = words.interval(sentences.change_in_percent(ratio))
        said += f" (95 % interval {interval}; predicted {beside})" if interval else f" (predicted {beside})"
    else:
        said += f" ({beside})"
    if sentences.just_seen(comparison):
        said += "; just seen, so it may well be less"
    if ratio.provisional:
        said += f"; {words.PROVISIONAL}"
    return Card("tuner", "Tuner", sentences.change_alone(ratio), said)


def _changes(found: Sequence[Comparison]) -> Card:
    # What went as predicted needs no more words; what did not is named.
    others = [item for item in found if item.verdict not in _AS_PREDICTED]
    told = [
        f"{words.name(item.before, 12)} to {words.name(item.after, 12)} {item.verdict.value}"
        for item in others
    ]
    said = "changes as predicted" + (f"; {words.listed(told, 2)}" if told else "")
    return Card("tuner", "Tuner", f"{len(found) - len(others)} of {len(found)}", said)


# The driver: how often it hit the bump stops, and where worst.


TOO_SLOW: Final = "dampers logged too slowly"
NOT_CALIBRATED: Final = "damper pots not calibrated"


def axles_watched(recording: Recording, run: RunEstimates) -> tuple[Axle, ...]:
    """Return the axles at which hits could be found: travel logged, place of the stop known."""
    return tuple(
        axle
        for axle in AXLES
        if any(recording.usable(f"damper_{corner}") for corner in AXLE_CORNERS[axle])
        and axle in run.stops
        and known_gap(run.stops[axle]) is not None
    )


def why_unwatched(recordings: Sequence[Recording]) -> str:
    """Return what is missing where no axle could be watched, in a few words."""
    if any(f"other_damper_{corner}" in r.data for r in recordings for corner in CORNERS):
        return NOT_CALIBRATED
    logged = [r for r in recordings if any(r.usable(f"damper_{corner}") for corner in CORNERS)]
    if not logged:
        return "no damper travel"
    return TOO_SLOW if all(r.sample_rate < LEAST_HIT_RATE for r in logged) else "bump stop not known"


def _driver(review: Review) -> Card:
    found = sentences.events(review)
    watched = {
        axle
        for recording, run in zip(review.recordings, review.runs, strict=True)
        for axle in axles_watched(recording, run)
    }
    unknown = sentences.hits_unknown(review)
    if unknown or (not found and not watched):
        logged = NOT_CALIBRATED if unknown else why_unwatched(review.recordings)
        why = {
            "no damper travel": "so nobody can tell whether it bottomed",
            NOT_CALIBRATED: "so nobody can tell yet whether it bottomed",
            TOO_SLOW: "hits fall between the samples, so nobody can tell whether it bottomed",
        }.get(logged, "neither sheet nor logs say where it begins, so hits cannot be told")
        return Card("driver", "Driver", words.capital(logged), why, known=False)
    half = "" if len(watched) != 1 else f"; {next(iter(watched))} alone could be watched"
    # Where a stop begins, or a pot reads, is a placeholder: so is every hit, and that there was none.
    rests = sentences.hits_rest_on(review)
    if rests:
        half += f"; {words.PROVISIONAL} until {words.until_measured(rests, 2)}"
    if not found:
        return _no_hit(review, half)
    _, worst = found[0]
    hard = sum(event.hard for _, event in found)
    where = f"worst {sentences.CORNER_WORDS[worst.corner]} in “{words.name(worst.section, 24)}”"
    if not hard:
        return Card("driver", "Driver", str(len(found)), f"{_hits(len(found))}, none hard, {where}{half}")
    of_all = "" if hard == len(found) else f" of {len(found)}"
    return Card("driver", "Driver", f"{hard}", f"hard {_hits(hard)}{of_all}, {where}{half}")


def _hits(number: int) -> str:
    return "hit" if number == 1 else "hits"


def _no_hit(review: Review, half: str) -> Card:
    nearest = sentences.closest(review)
    if nearest is None or nearest[2] <= 0.0:
        return Card("driver", "Driver", "0", f"hits on the bump stops{half}")
    run, corner, left = nearest
    said = f"hits; closest {sentences.CORNER_WORDS[corner]}, {words.millimetres(left)} left"
    return Card("driver", "Driver", "0", f"{said} ({words.name(run, 16)}){half}")


# One run at a glance.


def trust_words(rows: Sequence[HealthRow]) -> tuple[str, str]:
    """Return how far a run can be trusted, and why not further: channels and what was found there."""
    if not rows:
        return "ok", ""
    # With a blank in it, a house name such as damper_RR can be broken where a phone is narrow.
    found = [f"{words.label(row.channel, 20).replace('_', ' ')} {words.label(row.check, 30)}" for row in rows]
    return "with remarks", words.listed(list(dict.fromkeys(found)), 2)


def worst_verdict(rows: Sequence[HealthRow]) -> Verdict:
    """Return the gravest verdict among the checks of a run."""
    if any(row.verdict is Verdict.BAD for row in rows):
        return Verdict.BAD
    return Verdict.SUSPECT if rows else Verdict.GOOD
