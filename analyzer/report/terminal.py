"""What every command prints: answers first, wrapped lines, plain tables; readable at 80 columns or piped."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from analyzer.archive.results import Archive
from analyzer.comparison.results import AxleSettings, Choice, Confirmation, GoalResult, Ledger, Option
from analyzer.core.errors import one_line
from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import SettingPair
from analyzer.core.units import AXLES, CORNERS, DEG_PER_RAD, MM_PER_M
from analyzer.ingest.recording import Check, HealthRow, Recording, Verdict
from analyzer.ingest.zero import when_lifted
from analyzer.processing.course import WHOLE
from analyzer.report import course_sentences, reasons as reason_words, season_sentences, sentences, words
from analyzer.report.figures.style import Drawings
from analyzer.report.tables import OF_THE_SAMPLES
from analyzer.session.course_sheet import CourseSheetResult
from analyzer.session.review import CheckOutcome, Review, uncalibrated_channels
from analyzer.sheets.car import CHANNEL_DIMENSIONS

_MOST_EVENTS: Final = 8
_MOST_LINES: Final = 8
_MOST_PLACES: Final = 8
_NAME: Final = 14


# ``analyzer review``: the three answers.


def print_summary(review: Review, console: Console, drawings: Drawings | None = None) -> None:
    """Print team, tuner and driver part, each starting with the answer in one sentence.

    Where `drawings` are given to hear of it, a part that the program fails at is left out, and says so.
    """
    title = f"{words.label(review.session.sheet.name, 60)}, {words.label(review.session.car.name, 40)}"
    console.print(Text(title, style="bold"))
    for part, show_part in (("team", _team), ("tuner", _tuner), ("driver", _driver)):
        printed(f"{part}'s answer at the terminal", partial(show_part, review, console), console, drawings)


def printed(piece: str, make: Callable[[], None], console: Console, drawings: Drawings | None) -> None:
    """Print a piece, or why the program failed at it; without `drawings` to hear of it the fault goes on."""
    if drawings is None:
        make()
        return
    drawings.written(piece, make, lambda fault: say(console, sentences.fault_sentence(fault)))


def _team(review: Review, console: Console) -> None:
    _heading(console, "Team", sentences.team_answer(review))
    # Per run what a team asks at the car: does it roll alike, did it bottom, can the log be trusted.
    table = plain_table(("run", "set-up", "front deg/g", "rear deg/g", "bottomed", "checks"), right_from=2)
    found = sentences.findings(review)
    for run in review.runs:
        asked = sum(name == run.name for name, _ in found)
        table.add_row(
            _cell(run.name),
            _cell(run.setup),
            _figure(run.roll_gradient.get("front")),
            _figure(run.roll_gradient.get("rear")),
            Text(str(len(run.bottoming))),
            Text(f"{asked} to look at" if asked else "good"),
        )
    show(console, table)
    # Trouble below the figures, the gravest first: sheet, runs left out, then single checks.
    lines = list(sentences.placeholder_points(review))
    lines += [
        f"{words.label(name, _NAME)} left out: {words.clause(why)}"
        for name, why in sentences.left_out(review).items()
    ]
    outcome = CheckOutcome(review.recordings, {}, (), uncalibrated_channels(review.session.car))
    if outcome.uncalibrated:
        lines.append(_uncalibrated_words(outcome))
    # A loose plug fails the same check in every run; it is told once, with the runs.
    findings, remarks = _merged(outcome)
    lines += [f"{finding.row.verdict.value.upper()}: {finding.line(outcome)}" for finding in findings]
    if remarks:
        lines.append(f"Left out, each under 1 % of the samples: {_remark_words(remarks, outcome)}.")
    if lines:
        console.print()
    _lines(console, lines[:_MOST_LINES])
    if len(lines) > _MOST_LINES:
        _lines(console, [f"{len(lines) - _MOST_LINES} more in the report"])


def _tuner(review: Review, console: Console) -> None:
    _heading(console, "Tuner", sentences.tuner_answer(review))
    _lines(console, sentences.yielding_bars(review.setups))
    for comparison in review.comparisons:
        also = [f"Also different: {words.clause(difference, 160)}." for difference in comparison.differences]
        _lines(console, sentences.change_lines(review, comparison, also))
    # Without a change the figures beside their prediction are all there is to say.
    table = plain_table(("set-up", "quantity", "measured", "predicted", "ratio"), right_from=2)
    for setup in review.setups:
        for row in sentences.lead_rows(setup):
            table.add_row(
                _cell(setup.name),
                _quantity(row),
                _figure(row.measured),
                _figure(row.predicted),
                _figure(row.ratio),
            )
    if table.row_count:
        show(console, table)


def _quantity(row: Ledger) -> Text:
    # Stars take the room that "N m/deg" needs: it goes to a line of its own, not half of it.
    starred = " " in row.measured.unit and (row.measured.provisional or row.predicted.provisional)
    return Text(f"{row.quantity},{chr(10) if starred else ' '}{row.measured.unit}")


def _driver(review: Review, console: Console) -> None:
    _heading(console, "Driver", sentences.driver_answer(review))
    found = sentences.events(review)
    # Places and depths of pots that nobody has calibrated are no answer to read off.
    if not found or sentences.hits_unknown(review):
        return
    table = plain_table(("corner", "where", "run", "at", "into stop", "bank"), right_from=3)
    for run, event in found[:_MOST_EVENTS]:
        table.add_row(
            Text(sentences.CORNER_WORDS[event.corner] + (", hard" if event.hard else "")),
            _cell(event.section, 20),
            _cell(run.name),
            Text(f"{event.peak_s:.1f} s"),
            Text(words.millimetres(event.stop_compression, 1)),
            Text(words.degrees(event.bank)),
        )
    show(console, table)
    if len(found) > _MOST_EVENTS:
        _lines(console, [f"{len(found) - _MOST_EVENTS} more in the report"])
    console.print()
    _lines(console, sentences.driver_points(review))


def _heading(console: Console, reader: str, answer: str) -> None:
    console.print()
    console.print(Text(reader, style="bold blue"))
    say(console, answer)


def _lines(console: Console, lines: Iterable[str]) -> None:
    for line in lines:
        say(console, line, indent=2)


def _cell(text: str, longest: int = _NAME) -> Text:
    return Text(words.label(text, longest))


def _figure(estimate: Estimate | None) -> Text:
    return Text(words.UNKNOWN if estimate is None else words.starred(estimate))


# ``analyzer confirm``: a change of set-up, confirmed or not.


_MOST_REASONS: Final = 5
_FEW_REASONS: Final = 2
"""Reasons named where the errors explain what was seen: the likeliest, in case the tuner knows better."""
_NONE_NEEDED: Final = 0.5
_CONFIRM_NAME: Final = 24
_KINDS: Final = {"N m/deg": "roll stiffness, N m/deg", "deg/g": "roll, deg/g", "N/g": "load moved per g, N/g"}
"""Unit of the ledger's lines and the head of their table."""


def print_confirmation(
    confirmation: Confirmation, console: Console, drawings: Drawings | None = None
) -> None:
    """Print the verdict, then what it rests on; of `drawings` as for `print_summary`."""
    parts = {
        "verdict": _verdict,
        "bars that would yield": _yielding,
        "what to do next": _next,
        "measured before and after": _parts,
        "causes": _reasons,
        "all runs of the session": _session,
        "cautions": _cautions,
    }
    for piece, show_part in parts.items():
        printed(f"{piece} at the terminal", partial(show_part, confirmation, console), console, drawings)


def _cautions(confirmation: Confirmation, console: Console) -> None:
    say(console, "")
    for caution in confirmation.cautions:
        say(console, f"Caution: {words.sentence(caution)}")


def _verdict(confirmation: Confirmation, console: Console) -> None:
    # The verdict with its size, then what could have been seen at all, then what it hangs on.
    comparison = confirmation.comparison
    say(console, sentences.comparison_answer(comparison), style="bold")
    say(console, words.sentence(reason_words.verdict(comparison.reason)))
    say(console, sentences.smallest_visible(comparison))
    whole = sentences.change_words(confirmation.car_ratio, "95 % interval ")
    say(console, f"Roll stiffness of the whole car: {whole}.")
    # Drift looks like a change of set-up unless the order of driving can tell the two apart.
    for line in sentences.beside_the_verdict(comparison):
        say(console, line)
    for text in (*comparison.differences, *comparison.notes):
        say(console, f"  {words.sentence(text)}")
    # A verdict that one run alone decides is none to rely on.
    changed = [item for item in confirmation.left_out if item.verdict is not comparison.verdict]
    for item in changed:
        run = words.label(item.run, _CONFIRM_NAME)
        say(console, f"  Without {run} the verdict would be: {item.verdict.value}.")
    if confirmation.left_out and not changed:
        say(console, "  The verdict is the same whichever one run is left out.")


def _yielding(confirmation: Confirmation, console: Console) -> None:
    for line in sentences.yielding_bars((confirmation.before, confirmation.after)):
        say(console, line)


def _next(confirmation: Confirmation, console: Console) -> None:
    comparison = confirmation.comparison
    say(console, sentences.next_step(comparison), style="bold")
    say(console, f"Runs: {words.sentence(reason_words.next_runs(confirmation.plan, comparison))}")
    if any(part.before.provisional or part.after.provisional for part in confirmation.parts):
        say(console, sentences.STARRED)


def _parts(confirmation: Confirmation, console: Console) -> None:
    """Print the ledger, one table per kind of figure."""
    for unit, phrase in _KINDS.items():
        table = plain_table((phrase, "before", "after", "change"), 1)
        rows = [part for part in confirmation.parts if part.before.unit == unit]
        for part in rows:
            table.add_row(part.name, *_bare(part.before, part.after, part.change))
        if unit == "N m/deg":
            pair = [r.measured["roll_stiffness_total"] for r in (confirmation.before, confirmation.after)]
            table.add_row("car measured", *_bare(*pair), "")
        if rows:
            show(console, table, below=unit == "N/g")


def _reasons(confirmation: Confirmation, console: Console) -> None:
    reasons = confirmation.reasons
    say(console, f"Reasons: {words.sentence(reason_words.answer(reasons))}", style="bold")
    # Where the errors explain what was seen, no cause is needed, and causes are named without evidence and
    # check, so that nobody takes the car apart for them.
    needed = reasons.none < _NONE_NEEDED
    for seen in reasons.figures if needed else ():
        say(console, f"  {reason_words.figure(seen)}")
    if not reasons.ranked:
        return
    say(console, f"  {100.0 * reasons.none:3.0f} %  nothing but the errors of sheet and runs")
    for reason in reasons.ranked[: _MOST_REASONS if needed else _FEW_REASONS]:
        name, size = words.label(reason_words.name(reason), 100), reason_words.size(reason)
        alone = f": {size} if it is alone" if size else ""
        say(console, f"  {100.0 * reason.probability:3.0f} %  {name}{alone}")
        signs = reason_words.evidence(reason)
        for line in (*signs, f"look at: {reason_words.check(reason)}") if needed else signs:
            say(console, f"         {words.label(line, 200)}")


def _session(confirmation: Confirmation, console: Console) -> None:
    # What the whole session adds: every setting of each bar, then every set-up, then the car itself.
    for model in confirmation.bars:
        _bar_settings(model, console)
    if len(confirmation.settings) > 2:
        table = plain_table(
            ("set-up", "runs", "measured, N m/deg", "predicted", "sheet updated by the runs"), 1
        )
        for item in confirmation.settings:
            figures = _bare(item.measured, item.predicted, item.updated)
            table.add_row(words.label(item.setup, _CONFIRM_NAME), str(item.runs), *figures)
        say(console, "Roll stiffness of the car on every set-up:")
        show(console, table, below=True)
        for pair in confirmation.pairs:
            _pair(pair, console)
    if not confirmation.shown:
        why = "no roll was measured, or runs and sheet contradict each other; see the reasons"
        say(console, f"The runs do not update the sheet: {why}.")
    else:
        say(console, "What all runs together have shown, as a factor on the sheet:")
        for name, estimate in confirmation.shown.items():
            say(console, f"  {name}: {words.figure(estimate)} ({estimate.notes[0]}).")


def _bar_settings(model: AxleSettings, console: Console) -> None:
    if len(model.settings) < 2:
        return
    # A session that stands alone has no name here.
    days = [words.label(name, _CONFIRM_NAME) for name in model.sessions if name]
    also = f", with the runs of {', '.join(days)}" if days else ""
    say(console, f"Settings of the {model.axle} bar{also}:")
    table = plain_table(("setting", "runs", "N m/deg", "predicted", "above softest", "predicted"), 1)
    for item in model.settings:
        figures = _bare(item.measured, item.predicted, item.step, item.predicted_step)
        table.add_row(words.label(item.setting, _CONFIRM_NAME), str(item.runs), *figures)
    show(console, table, below=True)
    if len(model.settings) > 2:
        for pair in model.pairs:
            _pair(pair, console)
    springs = f"{words.figure(model.springs)}, predicted {words.figure(model.springs_predicted, False)}"
    say(console, f"  Without the bar the {model.axle} axle has {springs}.")
    if model.friction.value is not None:
        friction = words.figure(model.friction)
        say(console, f"  Dry friction of one {model.axle} corner: {friction} at the wheel.")


def _bare(*estimates: Estimate | None) -> list[str]:
    """Return figures without unit for a row of a table; empty where there is none to show."""
    return ["" if estimate is None else words.starred(estimate) for estimate in estimates]


def _pair(pair: SettingPair, console: Console) -> None:
    word = "different" if pair.different else "not shown to differ"
    names = f"{words.label(pair.before, _CONFIRM_NAME)} and {words.label(pair.after, _CONFIRM_NAME)}"
    say(console, f"  {names}: {word}, {words.value_with_interval(pair.ratio)}, chance {pair.p_value:.2g}.")


# ``analyzer choose``: the next setting.


FIGURES: Final = (
    ("gradient front", "roll gradient front"),
    ("gradient rear", "roll gradient rear"),
    ("gradient total", "roll gradient, body"),
    ("front share", "front part of the load transfer"),
    ("inside load front", "inside load front at 1 g"),
    ("inside load rear", "inside load rear at 1 g"),
    ("margin", "least travel left on the bank"),
)
"""Figures of an option as they are shown, and their words."""

_SHORT: Final = ("gradient total", "front share", "margin")
"""The figures shown of every option but the first."""


def print_choice(choice: Choice, console: Console) -> None:
    """Print the answer, then every option with what it does."""
    say(console, f"Wish: {words.sentence(choice.wish)}")
    say(console, words.sentence(reason_words.choice(choice)), style="bold")
    say(console, f"On the car now: {'; '.join(choice.present[a] for a in AXLES)}.")
    say(
        console,
        f"Looked at {choice.tried} settings; prediction from {reason_words.choice_basis(choice.basis)}.",
    )
    for taken in choice.assumptions:
        say(console, f"  Taken for granted: {words.sentence(reason_words.assumption(taken))}")
    effects = [effect for option in choice.options for effect in option.effects.values()]
    rests = dict.fromkeys(mark for e in effects for mark in (*e.change.provisional, *e.then.provisional))
    if rests:
        until = words.until_measured(tuple(rests))
        say(console, f"Provisional (* in tables), chances too, until {until}.")
    for number, option in enumerate(choice.options, start=1):
        _option(number, option, console, whole=number == 1)
    say(console, "")
    for caution in choice.cautions:
        say(console, f"Caution: {words.sentence(caution)}")


def _option(number: int, option: Option, console: Console, *, whole: bool) -> None:
    # The first option is the advice and has all its figures; the others have what tells them apart from it.
    title = "; ".join(option.changes) if option.changes else reason_words.LEAVE
    meets = "meets the wish" if option.reached else "does not quite meet the wish"
    say(console, "")
    say(console, f"{number}. {words.label(title, 200)}: {meets}.", style="bold")
    if option.chance is not None:
        say(console, f"   Chance that the wish is met, by the errors below: {_chance(option.chance)}.")
    for goal in option.goals:
        say(console, f"   Wanted: {_goal(goal)}.")
    table = plain_table(("figure", "now", "then", "change"), 1)
    # Stiffness of both axles always: a wish on one of them moves the share of the other.
    for axle in AXLES:
        effect = option.effects[f"stiffness {axle}"]
        _row(table, f"roll stiffness {axle}, {effect.now.unit}", option, f"stiffness {axle}")
    for key, phrase in FIGURES:
        if key in option.effects and (whole or key in _SHORT):
            unit = option.effects[key].now.unit
            _row(table, phrase if unit == "1" else f"{phrase}, {unit}", option, key)
    show(console, table, indent=3, below=True)
    for axle, factor in option.stress_factor.items():
        if factor is not None:
            say(console, f"   Stress factor of the {axle} bar at full opposite travel: {factor:.2f}.")
    if option.plan is not None:
        say(console, f"   To confirm it: {words.sentence(reason_words.plan(option.plan))}")
    for caution in option.cautions:
        say(console, f"   Mind: {words.sentence(caution)}")


def _goal(goal: GoalResult) -> str:
    """Return a goal in words, with how near is near enough and what the option gives."""
    what = _QUANTITIES[goal.quantity]
    wanted, tolerance, given = goal.wanted, goal.tolerance, goal.given
    if goal.kind in ("least", "most"):
        end = "low" if goal.kind == "least" else "high"
        return f"{what} as {end} as can be; this gives {_share(given)} of now"
    if goal.kind == "ratio":
        return f"{what} {_share(wanted)} of now, within {_share(tolerance)}; this gives {_share(given)}"
    asked = f"{what} {_LIMITS[goal.kind]}"
    if goal.quantity == "front share":
        points = [
            words.UNKNOWN if share is None else words.plain(100.0 * share, 1) for share in (wanted, given)
        ]
        unit, near = ("points more", "points") if goal.kind == "shift" else ("%", "%")
        within = f"{100.0 * tolerance:.1f} {near}"
        return f"{asked}{points[0]} {unit}, within {within}; this gives {points[1]} {near}"
    unit = "mm" if goal.quantity == "margin" else "deg/g"
    shown = words.UNKNOWN if given is None else f"{given:.3g} {unit}"
    return f"{asked}{wanted:.3g} {unit}, within {tolerance:.2g} {unit}; this gives {shown}"


_LIMITS: Final = {"value": "", "shift": "", "at least": "at least ", "at most": "at most "}

_QUANTITIES: Final = {
    **{f"stiffness {axle}": f"roll stiffness of the {axle}" for axle in AXLES},
    **{f"gradient {axle}": f"roll gradient of the {axle}" for axle in AXLES},
    "stiffness total": "roll stiffness of the car",
    "gradient total": "roll gradient of the car",
    "front share": "front share of the load transfer",
    "margin": "least travel left on the bank",
}


def _share(value: float | None) -> str:
    return words.UNKNOWN if value is None else f"{100.0 * value:.3g} %"


def _chance(chance: float) -> str:
    """Return a probability in percent; nothing computed from a model is certain."""
    if chance > 0.99:
        return "over 99 %"
    return "under 1 %" if chance < 0.01 else f"{100.0 * chance:.0f} %"


def _row(table: Table, phrase: str, option: Option, key: str) -> None:
    effect = option.effects[key]
    table.add_row(phrase, *_bare(effect.now, effect.then, effect.change))


# ``analyzer check``: what the logs hold.


_HEALTH_STYLE: Final = {Verdict.SUSPECT: "yellow", Verdict.BAD: "red"}
_SMALL: Final = 0.01
"""Part of a run's samples below which a suspect finding is a remark: they are left out one by one."""
_READINGS: Final = frozenset((Check.STROKE, Check.DEAD, Check.DROPOUTS, Check.SATURATED, Check.ZERO_OF_RUN))
"""Checks that tell travel from static ride height, which no reader of the log finds there."""
_OF_THE_SENSOR: Final = frozenset(
    (Check.GAP, Check.DEAD, Check.STUCK, Check.SATURATED, Check.CLIPPED, Check.SPIKES, Check.DROPOUTS)
)
"""Checks that mean the same whatever a channel's calibration is."""
_WORTH_TELLING: Final = 5.0
"""Zero of a pot from which its readings in the log are told beside the travel [mm]."""
_SURE_ZERO: Final = 0.004
"""Standard uncertainty of a zero up to which its figure is told [m]; beyond it the error is as large as what
friction and fuel move a standing car by (engineering judgement)."""
_SAME_ZERO: Final = 2.0
"""Zeros of one pot that differ less between runs are told as their mean [mm]."""


def print_health(
    outcome: CheckOutcome, console: Console, path: Path | None = None, *, details: bool = False
) -> None:
    """Print what asks for a look, the worst first, then what was read and what to do.

    Parameters
    ----------
    outcome : CheckOutcome
        Of a log, or of all logs of a session.
    console : Console
        Where to.
    path : Path or None
        What was checked, for the command that comes next; None where there are no commands, as on a page.
    details : bool
        Also what `print_health_details` prints.
    """
    for run, why in outcome.failed.items():
        say(console, f"UNREAD: {words.label(run, 24)}: {one_line(str(why))}", "red", hang=2)
    findings, remarks = _merged(outcome)
    if outcome.uncalibrated:
        say(console, f"TO MEASURE: {_uncalibrated_words(outcome)}", "yellow", hang=2)
    for finding in findings:
        word = finding.row.verdict.value.upper()
        say(console, f"{word}: {finding.line(outcome)}", _HEALTH_STYLE[finding.row.verdict], hang=2)
    if remarks:
        say(console, f"Left out, each under 1 % of the samples: {_remark_words(remarks, outcome)}.", hang=2)
    if outcome.recordings:
        say(console, _read_line(outcome.recordings), hang=2)
        sensors = " ".join(filter(None, (_zero_words(outcome), _lean_words(outcome.recordings))))
        if sensors:
            say(console, sensors, hang=2)
        for line in _lifted_lines(outcome.recordings):
            say(console, line, hang=2)
        say(console, _count_line(outcome, len(findings) + len(remarks)))
    if details:
        print_health_details(outcome, console)
    say(console, _check_next(outcome, path, details), style="bold", hang=2)


@dataclass(slots=True)
class _Finding:
    """What a check found, in one channel or in several alike, in one run or in several."""

    row: HealthRow
    zero: float | None
    runs: list[str]
    others: list[HealthRow]

    @property
    def channels(self) -> list[str]:
        return [self.row.channel, *(row.channel for row in self.others)]

    def named(self, outcome: CheckOutcome) -> str:
        """Return channels, check, and the runs where not all have it."""
        names = words.listed([words.label(name, 24) for name in self.channels])
        return f"{names} {self.row.check}{_which(self.runs, outcome.recordings)}"

    def line(self, outcome: CheckOutcome) -> str:
        """Return `named` with what it means and what to do."""
        comment = self.row.comment
        alike = all(row.comment == comment.replace(self.row.channel, row.channel) for row in self.others)
        if self.others:
            comment = comment.replace(self.row.channel, "…")
        text = f"{self.named(outcome)}: {words.clause(comment)}"
        if self.zero is not None and alike:
            text += f" (its zero is at {words.plain(self.zero, 0)} mm in the log)"
        if not alike:
            # A bare number says nothing beside a name.
            told = [
                f"{row.channel} {words.plain(row.value, 1)} {row.unit}"
                for row in self.others
                if row.value is not None and row.unit not in ("", "1")
            ]
            text += f" (figures of {self.row.channel}{'; ' if told else ''}{words.listed(told)})"
        return text + "."


def _merged(outcome: CheckOutcome) -> tuple[list[_Finding], list[_Finding]]:
    """Return what was found, the worst and most frequent first, and remarks on few samples."""
    same: dict[tuple[Verdict, str, str, bool], _Finding] = {}
    for recording in outcome.recordings:
        zeros = _zeros(recording)
        for row in recording.health:
            if row.verdict not in _HEALTH_STYLE:
                continue
            small = row.verdict is Verdict.SUSPECT and _part(row, recording) < _SMALL
            zero = zeros.get(row.channel) if row.check in _READINGS else None
            zero = zero if zero is not None and abs(zero) >= _WORTH_TELLING else None
            if row.channel in outcome.uncalibrated and row.check not in _OF_THE_SENSOR:
                continue
            key = (row.verdict, row.check, row.channel, small)
            found = same.setdefault(key, _Finding(row, zero, [], []))
            if recording.run not in found.runs:
                found.runs.append(recording.run)
            # Told with the figures of the run that is farthest from the limit.
            if sentences.beyond_limit(row) > sentences.beyond_limit(found.row):
                found.row, found.zero = row, zero
    alike: dict[tuple[object, ...], _Finding] = {}
    for (verdict, check, channel, small), found in same.items():
        # One cause in several channels reads the same but for the channel's name and its figures.
        text = "" if small else words.without_figures(found.row.comment.replace(channel, "…"))
        first = alike.setdefault((verdict, check, small, text, tuple(found.runs)), found)
        if first is not found:
            first.others.append(found.row)
    # What stops a channel before what asks for a look, and what is in every run before what is in one.
    order = sorted(alike.items(), key=lambda item: (item[0][0] is not Verdict.BAD, -len(item[1].runs)))
    return [f for key, f in order if not key[2]], [f for key, f in order if key[2]]


def _uncalibrated_words(outcome: CheckOutcome) -> str:
    """Return which channels wait for their calibration, and what to do."""
    waiting = [name for name in CHANNEL_DIMENSIONS if name in outcome.uncalibrated]
    value = "travel" if all(name.startswith("damper_") for name in waiting) else "value"
    they = "it reads" if len(waiting) == 1 else "they read"
    return (
        f"{words.listed(waiting, 8)}: no calibration yet, so what {they} means nothing. In car.toml write "
        f"the unit, or two readings (volts) and the {value} at each, and take the mark off; then check again."
    )


def _remark_words(remarks: Sequence[_Finding], outcome: CheckOutcome) -> str:
    """Return the remarks of each channel together."""
    checks = words.together(
        (
            (words.listed([words.label(name, 24) for name in remark.channels]), tuple(remark.runs)),
            remark.row.check,
        )
        for remark in remarks
    )
    return ", ".join(
        f"{channel} {words.listed(found)}{_which(runs, outcome.recordings)}"
        for (channel, runs), found in checks.items()
    )


def _part(row: HealthRow, recording: Recording) -> float:
    """Return the part of the run's samples that a finding is about; 1 for one on the whole run."""
    if row.check == Check.GAP:
        data = recording.data
        lost = data[row.channel].isna() if row.channel in data else data.isna().all(axis=1)
        return float(lost.mean())
    if row.value is None:
        return 1.0
    if row.check == Check.SPIKES:
        return row.value / len(recording.data)
    return row.value if row.check in OF_THE_SAMPLES else 1.0


def _which(names: Sequence[str], recordings: Sequence[Recording]) -> str:
    """Return the runs a line is about, in brackets; nothing where only one log was read."""
    if len(recordings) == 1:
        return ""
    if len(names) == len(recordings):
        return " (all runs)"
    return f" ({words.listed([words.label(name, 24) for name in names], 8)})"


def _read_line(recordings: Sequence[Recording]) -> str:
    names = [words.label(recording.run, 24) for recording in recordings]
    many = f"{names[0]} to {names[-1]}" if len(names) > 2 else words.listed(names)
    which = names[0] if len(names) == 1 else f"{len(names)} runs, {many}"
    channels = _range([len(recording.data.columns) for recording in recordings], 0)
    rate = _range([recording.sample_rate for recording in recordings], 0)
    length = _range([len(recording.data) / recording.sample_rate for recording in recordings], 1)
    noun = "channel" if channels == "1" else "channels"
    return f"Read: {which}; {channels} {noun} at {rate} Hz, {length} s{' each' if len(names) > 1 else ''}."


def _range(values: Sequence[float], places: int) -> str:
    """Return a figure, or the least and the greatest of several that differ."""
    ends = [words.plain(value, places) for value in (min(values), max(values))]
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)


def _zeros(recording: Recording) -> dict[str, float]:
    """Return what each pot reads at static ride height, where log or sheet tells it [mm]."""
    return {pot: MM_PER_M * zero for pot, zero in recording.zero.items() if pot in recording.zero_std}


def _zero_words(outcome: CheckOutcome) -> str:
    """Return what the calibrated pots read at static ride height, in the unit of their calibration."""
    recordings, parts, errors, unsure = outcome.recordings, [], [], []
    for pot in (name for name in map("damper_{}".format, CORNERS) if name not in outcome.uncalibrated):
        told = [(zeros[pot], r) for r in recordings if pot in (zeros := _zeros(r))]
        sure = [value for value, r in told if r.zero_std.get(pot, math.inf) <= _SURE_ZERO]
        errors += [r.zero_std[pot] for _, r in told if r.zero_std.get(pot, math.inf) <= _SURE_ZERO]
        if sure:
            near = max(sure) - min(sure) < _SAME_ZERO
            parts.append(f"{pot[-2:]} {_range([sum(sure) / len(sure)] if near else sure, 1)}")
        if len(sure) < len(told):
            runs = [r.run for _, r in told if r.zero_std.get(pot, math.inf) > _SURE_ZERO]
            unsure.append(pot[-2:] + _which(runs, recordings))
    text = ""
    if parts:
        error = words.plain(MM_PER_M * max(errors), 1)
        text = f"Pots at static ride height: {', '.join(parts)} mm ± {error} (made zero)."
    if unsure:
        text += f" Zero not sure: {words.listed(unsure)}."
    return text.strip()


_LEANS: Final = (("right", "left"), ("nose down", "nose up"), ("turned left", "turned right"))
"""What positive and negative angles of the box about x, y and z (ISO 8855) mean."""


def _lean_words(recordings: Sequence[Recording]) -> str:
    """Return how the box leans, as far as that is beyond its error; nothing without a turn rate."""
    boxes = [r.box for r in recordings if r.box.source != "unknown"]
    unknown = [r for r in recordings if r.box.source == "unknown" and r.box.why]
    if not boxes:
        if unknown:
            return f"Lean of the box not known: {one_line(unknown[0].box.why)}."
        return "Lean of the box: needs a car sheet." if "gyro_x" in recordings[0].data else ""
    parts = []
    for axis, (plus, minus) in enumerate(_LEANS):
        angles = [box.angles[axis] * DEG_PER_RAD for box in boxes]
        error = max(box.std[axis] for box in boxes) * DEG_PER_RAD
        mean = sum(angles) / len(angles)
        # An angle within its error is no lean that anybody would find on the car.
        if abs(mean) > error:
            parts.append(f"{words.plain(abs(mean), 1)}° {plus if mean > 0.0 else minus}")
    # A box of which only the pitch is told says so beside it.
    most = max(box.std[1] if box.why else max(box.std[:2]) for box in boxes) * DEG_PER_RAD
    lean = f"{', '.join(parts)} (taken out)" if parts else f"none beyond {most:.1f}°"
    runs = words.listed([words.label(r.run, 24) for r in unknown])
    partly = next((one_line(box.why) for box in boxes if box.why), "")
    known = f"; pitch alone known: {partly}" if partly else ""
    return f"Box leans: {lean}{known}{f'; not known in {runs}' if runs else ''}."


def _lifted_lines(recordings: Sequence[Recording]) -> list[str]:
    """Return when the car did not stand on its wheels; nothing where it always did."""
    lines = []
    for recording in recordings:
        start, rate = float(recording.data.index[0]), recording.sample_rate
        if recording.lifts:
            told = "; ".join(when_lifted(lift, start, rate) for lift in recording.lifts)
            lines.append(f"Car lifted{_which([recording.run], recordings)}: {told} (left out).")
    return lines


def _count_line(outcome: CheckOutcome, found: int) -> str:
    rows = [row for recording in outcome.recordings for row in recording.health]
    untested = sum(row.verdict is Verdict.NOT_TESTED for row in rows)
    clean = "Nothing found" if not found else words.capital(words.count(found, "finding"))
    left = f"; {words.count(untested, 'check')} could not be made" if untested else ""
    return f"{clean} in {words.count(len(rows) - untested, 'check')}{left}."


def print_health_details(outcome: CheckOutcome, console: Console) -> None:
    """Print every log's own findings, what could not be tested, each channel's checks and all steps."""
    for recording in outcome.recordings:
        console.print()
        say(console, one_line(sentences.recording_line(recording)), style="bold")
        rows = [row for row in recording.health if row.verdict in _HEALTH_STYLE]
        for row in sorted(rows, key=lambda row: row.verdict is not Verdict.BAD):
            line = f"  {row.verdict.value + ':':9}{row.channel}, {row.check}: {words.clause(row.comment)}."
            say(console, line, style=_HEALTH_STYLE[row.verdict], hang=9)
    # Told once for all logs alike; a line of its own has only what one log has by itself.
    every = [(recording.run, row) for recording in outcome.recordings for row in recording.health]
    _grouped(
        console,
        "Not tested",
        [
            (run, f"{row.channel}, {row.check}: {words.clause(row.comment)}")
            for run, row in every
            if row.verdict is Verdict.NOT_TESTED
        ],
    )
    good = words.together(
        ((run, row.channel), row.check) for run, row in every if row.verdict is Verdict.GOOD
    )
    _grouped(console, "Good", [(run, f"{name}: {', '.join(found)}") for (run, name), found in good.items()])
    steps = [(recording.run, step) for recording in outcome.recordings for step in recording.steps]
    _grouped(console, "How the logs were read", steps)
    console.print()


def _grouped(console: Console, title: str, lines: list[tuple[str, str]]) -> None:
    # A line that all logs share names no run, or six names would hide the one line that differs.
    runs = words.together((line, words.label(run, 24)) for run, line in lines)
    if not runs:
        return
    every = {run for run, _ in lines}
    console.print()
    say(console, title)
    for line, names in runs.items():
        which = "" if len(every) == 1 or len(set(names)) == len(every) else f" ({words.listed(names, 8)})"
        say(console, f"  {one_line(line)}{which}", hang=4)


def _check_next(outcome: CheckOutcome, path: Path | None, details: bool) -> str:
    """Return what to do now: the one command or correction, and where the details are."""
    rows = [row for recording in outcome.recordings for row in recording.health]
    alone = path is not None and path.suffix.lower() != ".toml" and not path.is_dir()
    named = "" if path is None else f" {one_line(str(path))}"
    review = "review" if path is None else f"analyzer review{named}"
    unread = len(outcome.failed) + len(outcome.faults)
    if unread:
        return (
            f"{words.count(unread, 'log')} could not be read; correct what is named above, then check again."
        )
    if alone:
        # A log by itself has no sheets, so there is nothing to correct yet, and no review.
        bad = any(row.verdict is Verdict.BAD for row in rows)
        why = " to state what is BAD in" if bad else ""
        text = f"Next: write sheets{why}: analyzer start FOLDER --from{named}"
    elif outcome.uncalibrated:
        text = "Next: fill in what is TO MEASURE, then check again"
    elif any(row.verdict is Verdict.BAD and row.check == Check.MISSING for row in rows):
        text = (
            "Next: in the car sheet, under [logger.channels], write the column of each channel that is "
            "missing (columns left over are listed there); without a sensor for it, review says what it costs"
        )
    elif any(row.verdict is Verdict.BAD for row in rows):
        text = (
            "Next: correct the sheet, or repair the sensor, of what is BAD (not used until then); then check "
            "again"
        )
    # Remarks on a few samples are marked with no word that could be looked for.
    elif any(finding.row.verdict is Verdict.SUSPECT for finding in _merged(outcome)[0]):
        text = f"Next: look at what is SUSPECT (it is used), then {review}"
    else:
        text = f"Next: {review}"
    return text + ("." if details or path is None else ". Details: --all.")


# ``analyzer course``: where it runs out of travel.


def print_course(result: CourseSheetResult, console: Console) -> None:
    """Print the course sheet."""
    course = words.label(result.course or "course without a sheet", 40)
    console.print(Text(f"{course}, {words.label(result.car, 40)}", style="bold"))
    say(console, course_sentences.course_answer(result))
    # Margins of pots that nobody has calibrated are no answer to read off.
    if course_sentences.travel_unknown(result):
        return
    for rank, sheet in enumerate(result.places[:_MOST_PLACES], start=1):
        console.print()
        say(console, f"{rank}  {course_sentences.place_words(sheet.place)}", style="bold")
        for line in course_sentences.place_lines(sheet):
            say(console, line, indent=3)
    if len(result.places) > _MOST_PLACES:
        say(console, f"{len(result.places) - _MOST_PLACES} more on the page")
    table = _margins(result)
    if table.row_count:
        console.print()
        console.print(Text("Travel left before the stop, mm (passed 99.9 % of the time)"))
        console.print(table)
    for note in result.notes:
        say(console, f"Note: {note}.")


def _margins(result: CourseSheetResult) -> Table:
    # The only table with blanks at its outer edges.
    table = plain_table(("section", *CORNERS), 1)
    table.show_edge = True
    known = {(use.section, use.corner): use.margin for use in result.use}
    if all(margin is None for margin in known.values()):
        return table
    # In the order of the course, the whole of it last; more sections than a screen holds stand on the page.
    sections = list(dict.fromkeys(use.section for use in result.use if use.section != WHOLE))
    for section in [*sections, WHOLE][:24]:
        margins = [known.get((section, corner)) for corner in CORNERS]
        cells = [words.UNKNOWN if m is None else words.millimetres(m, with_unit=False) for m in margins]
        table.add_row(Text(words.label(section, 28)), *cells)
    return table


# ``analyzer archive``: what the season showed.


def print_season(archive: Archive, console: Console) -> None:
    """Print the answer for every car, and what was left out."""
    say(console, season_sentences.summary(archive))
    for car in archive.cars:
        console.print()
        say(console, season_sentences.car_answer(car))
        _lines(console, season_sentences.advice(car))
        if car.ordered_by != "date":
            say(console, "In the order of folder names: not every session sheet states its date.", indent=2)
    reasons = season_sentences.left_out_words(archive)
    if reasons:
        console.print()
        say(console, "Left out:")
        _lines(console, reasons)


# Lines and tables of all commands.


def say(console: Console, line: str, style: str = "", indent: int = 0, hang: int = 0) -> None:
    """Print a line, wrapped; what goes on stands `hang` further in than the first.

    Blanks at the start of `line` count as indent, so that the wrapped rest stands under its words. Nothing in
    the line is taken for markup.
    """
    start = len(line) - len(line.lstrip(" "))
    indent += start
    width = max(console.width - indent - hang, 20)
    for number, piece in enumerate(Text(line[start:]).wrap(console, width) or [Text("")]):
        piece.rstrip()
        piece.stylize(style)
        console.print(Text(" " * (indent + (hang if number else 0))).append_text(piece))


def plain_table(columns: tuple[str, ...], right_from: int) -> Table:
    """Return an empty table without a frame; columns from `right_from` on hold figures."""
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0), header_style="")
    # Folded, never cut: half a figure is a wrong figure.
    for place, column in enumerate(columns):
        table.add_column(column, justify="right" if place >= right_from else "left", overflow="fold")
    return table


def show(console: Console, table: Table, indent: int = 0, below: bool = False) -> None:
    """Print a table with an empty line above it, and below it where asked."""
    console.print()
    console.print(Padding(table, (0, 0, 0, indent), expand=False) if indent else table)
    if below:
        console.print()
