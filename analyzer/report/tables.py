"""The tables of the page: cells as a reader sees them."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final
from urllib.parse import quote, urlencode

from analyzer.comparison.results import AxleSettings, Comparison, SetupResult
from analyzer.core.estimate import Estimate
from analyzer.core.signals import runs_of
from analyzer.core.units import AXLES, KM_PER_H, MM_PER_M, STANDARD_GRAVITY, Axle, Corner
from analyzer.ingest.recording import Check, HealthRow, Recording, Verdict
from analyzer.prediction.results import SetupPrediction
from analyzer.processing.loads import TITLES
from analyzer.processing.results import BottomingEvent, RunEstimates, Split
from analyzer.processing.roll import second_looks
from analyzer.report import cards, words
from analyzer.report.sentences import (
    CORNER_WORDS,
    beyond_limit,
    events,
    findings,
    lead_rows,
    left_out,
    travel_words,
)
from analyzer.session.review import Review

# What a table of the page is made of.


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of a table.

    Parameters
    ----------
    text, remark : str
        What it says, and what stands smaller under it.
    number : bool
        Whether it is a number.
    look : str
        Class for its look.
    moment : str
        What of the runs it speaks of, as the end of a link to their page; empty for none.
    anchor : str
        By what the other pages find it; empty for none.
    """

    text: str
    remark: str = ""
    number: bool = False
    look: str = ""
    moment: str = ""
    anchor: str = ""


@dataclass(frozen=True, slots=True)
class PageTable:
    """One table of the page; the first cell of a row names it."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""


def heads(line: str) -> tuple[str, ...]:
    """Return the columns of a table, written in one line with upright strokes between them."""
    return tuple(line.split(" | "))


def named(text: str, remark: str = "", moment: str = "") -> Cell:
    """Return the cell of a name from log or sheet."""
    return Cell(words.label(text), remark, moment=moment)


# Links between the pages: a moment of a run, and a hit in its table.

HitKey = tuple[str, Corner, float]
"""Run, corner and log time of the deepest point [s]: no two hits share them."""


def hit_key(run: str, event: BottomingEvent) -> HitKey:
    """Return by what a hit is known."""
    return run, event.corner, event.peak_s


def hit_anchors(review: Review) -> dict[HitKey, str]:
    """Return the end of a link to the row of every hit that has one."""
    listed = events(review)[: 5 * MOST_ROWS]
    return {hit_key(run.name, event): f"hit-{rank}" for rank, (run, event) in enumerate(listed, start=1)}


def run_key(run: str) -> str:
    """Return the name of a run as links carry it: half a surrogate pair has no place in one."""
    return run.encode("utf-8", "replace").decode()


def moment(run: str, at: float | None = None, what: str = "", section: str = "") -> str:
    """Return the end of a link to the page of the runs.

    Parameters
    ----------
    run : str
        Name of the run.
    at : float or None
        Log time [s]; None for the whole run.
    what : str
        House channel to look at.
    section : str
        Section to show whole, where the course is known.
    """
    ends = {"run": run_key(run), "at": "" if at is None else f"{at:.3f}", "what": what}
    ends["section"] = words.label(section, 24) if section else ""
    return "#" + urlencode({key: value for key, value in ends.items() if value}, quote_via=quote)


def hit_moment(run: str, event: BottomingEvent) -> str:
    """Return the end of a link to a hit."""
    return moment(run, event.peak_s, f"damper_{event.corner}")


def _doubted_moment(review: Review, run: str, channel: str) -> str:
    """Return where to look at a channel that a check remarks on: its longest suspect stretch."""
    recording = next((log for log in review.recordings if log.run == run), None)
    if recording is None:
        return ""
    if channel not in recording.suspect.columns:
        return moment(run)
    stretches = runs_of(recording.suspect[channel].to_numpy())
    if not stretches:
        return moment(run, what=channel)
    first, end = max(stretches, key=lambda stretch: stretch[1] - stretch[0])
    return moment(run, float(recording.data.index[(first + end) // 2]), channel)


def amount(text: str, remark: str = "") -> Cell:
    """Return the cell of a figure that is text already."""
    return Cell(text, remark, number=True)


def number(estimate: Estimate | None, with_unit: bool = False) -> Cell:
    """Return the cell of an estimate; an unknown one says why in a remark."""
    if estimate is None:
        return amount(words.UNKNOWN)
    return amount(words.bare(words.readable(estimate), with_unit), words.reason(estimate))


def spanned(estimate: Estimate) -> Cell:
    """Return the cell of an estimate with its interval instead of its error."""
    return amount(words.value_with_interval(replace(estimate, provisional=())), words.reason(estimate))


# The tables of the page: cells as a reader sees them.


MOST_ROWS: Final = 40
"""More rows than this stand in the CSV tables only, and the page says so."""

_LOOK: Final = {Verdict.GOOD: "", Verdict.NOT_TESTED: "", Verdict.SUSPECT: "suspect", Verdict.BAD: "bad"}
OF_THE_SAMPLES: Final = frozenset({
    Check.CALIBRATION_RANGE, Check.CLIPPED, Check.STROKE, Check.DROPOUTS, Check.POSITION, Check.POSITION_FIX,
    Check.SATURATED, Check.SPEED_RANGE, Check.STUCK,
})  # fmt: skip
"""Checks whose figure is the part of the run's samples that they found."""
_PARTS: Final = OF_THE_SAMPLES | {*TITLES.values(), second_looks.CHECK}
"""Checks whose figure is a part of something, which a reader expects in percent."""
_FURTHER_PARTS: Final = frozenset({
    *TITLES, *(f"{closure}_scatter" for closure in TITLES), "roll_moment_kept", "gradient_change_with_speed",
    *(f"open_to_ground_{axle}" for axle in AXLES),
})  # fmt: skip
"""Further figures of a run that are such parts."""
_HEALTH_COLUMNS: Final = heads("Run | Channel | Check | Verdict | Found | Limit | What it means")


def runs_table(review: Review) -> PageTable:
    """Return one row per run, those left out at the end with the reason."""
    # A run left out keeps its row, or it would be taken for one that was never driven.
    rows, shared = _said_once([_run_row(review, run) for run in review.runs])
    blank = (amount(words.UNKNOWN),) * 7
    rows += [
        (named(name), Cell("left out", words.sentence(why), look="bad"), *blank)
        for name, why in left_out(review).items()
    ]
    return PageTable(
        "Runs: roll gradient, load share, bottoming",
        heads(
            "Run | Set-up | Front, deg/g | Rear, deg/g | Body to ground, deg/g | "
            "Left share front, % | Left share rear, % | Stiffness measured / predicted | Bottomed"
        ),
        tuple(rows),
        "Roll gradient per unit of level-road lateral acceleration; ± is one standard error."
        + _undamped(review)
        + "".join(f" {words.UNKNOWN} in all runs: {words.clause(why)}." for why in shared),
    )


def _said_once(rows: list[tuple[Cell, ...]]) -> tuple[list[tuple[Cell, ...]], list[str]]:
    """Return rows in which a figure says why it is missing once a row, and the reasons all rows share."""
    whys = [{cell.remark: None for cell in row if cell.text == words.UNKNOWN and cell.remark} for row in rows]
    shared = [why for why in (whys[0] if len(whys) > 1 else ()) if all(why in others for others in whys)]
    shown = []
    for row in rows:
        told, cells = set(shared), []
        for cell in row:
            again = cell.text == words.UNKNOWN and cell.remark in told
            told |= {cell.remark}
            cells.append(replace(cell, remark="") if again else cell)
        shown.append(tuple(cells))
    return shown, shared


def undamped_axles(review: Review) -> list[str]:
    """Return the axles whose wheel loads lack the dampers' force."""
    shares = [run.load_share for run in review.runs]
    return [str(a) for a in AXLES if any(a in share and not share[a].damped for share in shares)]


def _undamped(review: Review) -> str:
    axles = undamped_axles(review)
    if not axles:
        return ""
    return (
        f" The sheet has no damper rates ({words.listed(axles)}): while the body rolls over, single "
        "moments of the left share are off by about 2 %; its mean is not."
    )


def strip_table(review: Review) -> PageTable:
    """Return every run in a line: gradients, hits, trust; those left out at the end."""
    rows = [
        _strip_row(review, recording, run)
        for recording, run in zip(review.recordings, review.runs, strict=True)
    ]
    # The two reasons there are: whatever else is wrong with a run leaves it in, with a remark.
    rows += [
        (
            named(name),
            *(amount(words.UNKNOWN),) * 3,
            Cell(
                "left out", "log not usable" if name in review.failed else "fault of this program", look="bad"
            ),
        )
        for name in left_out(review)
    ]
    return PageTable(
        "Run by run: roll gradient, hits, trust",
        heads("Run | Front, deg/g | Rear, deg/g | Hard hits | Trust"),
        tuple(rows),
    )


def _strip_row(review: Review, recording: Recording, run: RunEstimates) -> tuple[Cell, ...]:
    rows = cards.remarks(review, run.name)
    trust, why = cards.trust_words(rows)
    return (
        named(run.name, words.label(run.setup, 16), moment(run.name)),
        # Why a gradient is missing stands in the table of the runs; here it would bury the others.
        *(_short_figure(run.roll_gradient.get(axle)) for axle in AXLES),
        _hits(recording, run),
        Cell(trust, why, look=_LOOK[cards.worst_verdict(rows)]),
    )


def _short_figure(estimate: Estimate | None) -> Cell:
    return amount(words.UNKNOWN if estimate is None else words.starred(estimate))


def _hits(recording: Recording, run: RunEstimates) -> Cell:
    # No hit where nobody could look is no answer, and half a look is half a one.
    watched = cards.axles_watched(recording, run)
    if not watched and not run.bottoming:
        return amount(words.UNKNOWN, cards.why_unwatched([recording]))
    hard = sum(event.hard for event in run.bottoming)
    text = f"{hard} of {len(run.bottoming)}" if run.bottoming else "no hit"
    return amount(text, f"{watched[0]} only" if len(watched) == 1 else "")


def _run_row(review: Review, run: RunEstimates) -> tuple[Cell, ...]:
    found = sum(name == run.name for name, _ in findings(review))
    remark = f"{words.count(found, 'check')} to look at" if found else ""
    gradients = [run.roll_gradient.get(key) for key in ("front", "rear", "total")]
    shares = [words.percent(run.left_share(axle)) for axle in AXLES]
    figures = [*gradients, *shares, run.further.get("roll_stiffness_ratio")]
    return (
        named(run.name, remark, moment(run.name)),
        named(run.setup),
        *(number(None if figure is None else _of_run(run, figure)) for figure in figures),
        amount(str(len(run.bottoming))),
    )


def _of_run(run: RunEstimates, estimate: Estimate) -> Estimate:
    # In its own row a run need not be named.
    return replace(estimate, notes=tuple(note.removeprefix(f"{run.name}: ") for note in estimate.notes))


def findings_table(review: Review) -> PageTable:
    """Return the checks that ask for a look, bad ones first."""
    # What several runs share but for its figures is one finding, or the one that matters is lost among them.
    groups = words.together(
        ((row.verdict, row.check, row.channel, words.without_figures(row.comment)), (name, row))
        for name, row in findings(review)
    )
    return PageTable(
        "Checks that ask for a look",
        _HEALTH_COLUMNS,
        tuple(_finding(review, found) for found in list(groups.values())[:MOST_ROWS]),
        _more(len(groups), MOST_ROWS, "health.csv"),
    )


def _finding(review: Review, found: Sequence[tuple[str, HealthRow]]) -> tuple[Cell, ...]:
    """Return the row of a finding of one run or of several, with the figures of the run farthest off."""
    worst, row = max(found, key=lambda item: beyond_limit(item[1]))
    every, runs = len(review.recordings), list(dict.fromkeys(name for name, _ in found))
    shown = "" if len(runs) > 1 and row.value is None else _doubted_moment(review, worst, row.channel)
    if len({other.comment for _, other in found}) > 1:
        row = replace(row, comment=f"{row.comment.rstrip('.')} (figures of {worst})")
    whose = f"all {every}" if len(runs) == every > 1 else words.listed(runs, 8)
    return _health_row(whose, row, shown)


def health_table(caption: str, recording: Recording) -> PageTable:
    """Return the checks of one log that are not good."""
    rows = [row for row in recording.health if row.verdict is not Verdict.GOOD]
    return PageTable(caption, _HEALTH_COLUMNS[1:], tuple(_health_row(recording.run, row)[1:] for row in rows))


def checks_table(review: Review) -> PageTable:
    """Return how often each check came out how, over all channels and runs."""
    # Counted, not listed: most checks of a session are good, and all of them stand in the CSV table.
    counts: dict[str, Counter[Verdict]] = {}
    for recording in review.recordings:
        for row in recording.health:
            counts.setdefault(row.check, Counter())[row.verdict] += 1
    return PageTable(
        "Every check, counted over channels and runs",
        ("Check", *(verdict.value for verdict in Verdict)),
        tuple(
            (
                named(check),
                *(
                    Cell(str(found[verdict]), number=True, look=_LOOK[verdict] if found[verdict] else "")
                    for verdict in Verdict
                ),
            )
            for check, found in sorted(counts.items())[: 2 * MOST_ROWS]
        ),
        "Each one with figure and limit stands in tables/health.csv.",
    )


def _health_row(run: str, row: HealthRow, shown: str = "") -> tuple[Cell, ...]:
    factor, unit = (100.0, "%") if row.check in _PARTS and row.unit == "1" else (1.0, row.unit)
    figures = (words.times(figure, factor) for figure in (row.value, row.threshold))
    return (
        named(run),
        named(row.channel, moment=shown),
        named(row.check),
        Cell(row.verdict.value, look=_LOOK[row.verdict]),
        *(_plain(figure, unit) for figure in figures),
        Cell(words.sentence(row.comment)),
    )


def _plain(value: float | None, unit: str) -> Cell:
    shown = "" if unit in ("", "1") else words.label(unit, 12)
    return amount(words.UNKNOWN if value is None else words.true_minus(f"{value:.4g} {shown}".strip()))


def ledger_table(review: Review, everything: bool) -> PageTable:
    """Return measured against predicted, with what is left unexplained: each axle, or `everything`."""
    rows = [
        (setup.name, row)
        for setup in review.setups
        for row in (setup.ledger if everything else lead_rows(setup))
    ]
    # Agreement is a third thing when an error is unknown: neither yes nor no.
    phrase = {True: Cell("yes"), False: Cell("no", look="suspect"), None: Cell("cannot tell")}
    return PageTable(
        "All figures measured against predicted" if everything else "Measured against predicted",
        ("Set-up", "Quantity", "Measured", "Predicted", "Ratio", "Unexplained", "Agrees"),
        tuple(
            (
                named(name),
                named(row.quantity),
                number(row.measured, True),
                number(row.predicted, True),
                spanned(row.ratio),
                number(row.unexplained, True),
                phrase[row.agrees],
            )
            for name, row in rows[:MOST_ROWS]
        ),
        "Unexplained: measured less predicted, with the errors of both. "
        + _more(len(rows), MOST_ROWS, "setups.csv"),
    )


def changes_table(comparisons: Sequence[Comparison]) -> PageTable:
    """Return every comparison of two set-ups."""
    return PageTable(
        "Changes of set-up",
        heads(
            "Change | Axle | Verdict | Stiffness after / before | "
            "95 % interval | Predicted | Smallest visible"
        ),
        tuple(
            (
                Cell(f"{words.label(c.before, 16)} to {words.label(c.after, 16)}"),
                Cell(c.axle or "car"),
                Cell(c.verdict.value, look="verdict"),
                number(c.stiffness_ratio),
                amount(words.interval(c.stiffness_ratio) or words.UNKNOWN),
                spanned(c.predicted_ratio),
                _small(c.smallest_visible),
            )
            for c in comparisons[:MOST_ROWS]
        ),
    )


def _small(estimate: Estimate) -> Cell:
    # A share of the stiffness is read in percent, and may have no error of its own.
    if estimate.value is None:
        return number(estimate)
    shown = words.percent(estimate)
    text = words.figure(shown, True) if shown.std_error is not None else f"{shown.value:.2g} %"
    return amount(text)


def events_table(review: Review, most: int, before: int = 0) -> PageTable:
    """Return at most `most` bottoming events, hardest first.

    The first ones, as many as stand in a table `before` this one, are not what links lead to.
    """
    found = events(review)
    # An anchor stands once on a page: hits of the table before keep theirs there.
    anchors = dict(list(hit_anchors(review).items())[before:])
    return PageTable(
        "Bottoming, hardest first",
        heads(
            "Corner | Where | Run | Log time | Into the stop | Peak travel | Met at | Bank | Travel made of"
        ),
        tuple(
            (
                replace(_corner(run, event), anchor=anchors.get(hit_key(run.name, event), "")),
                _where(run, event),
                named(run.name),
                amount(f"{event.start_s:.2f} to {event.end_s:.2f} s"),
                amount(words.millimetres(event.stop_compression, 1)),
                amount(words.millimetres(event.peak, 1)),
                amount(f"{event.approach_speed:.2f} m/s"),
                amount(words.degrees(event.bank, 1)),
                Cell(travel_words(event) or "not known: another corner's travel is missing"),
            )
            for run, event in found[:most]
        ),
        "Travel counts from static ride height; met at: damper speed when it touched the stop. Against heave "
        "and pitch a bar does nothing: spring, ride height, damping, bump stop or speed do. Against roll a "
        f"stiffer bar on that axle acts (common practice). {_more(len(found), most, 'bottoming.csv')}",
    )


def _corner(run: RunEstimates, event: BottomingEvent) -> Cell:
    corner, shown = CORNER_WORDS[event.corner], hit_moment(run.name, event)
    hard = event.hard and event.kind != "full droop"
    return Cell(corner, "hard", look="verdict", moment=shown) if hard else Cell(corner, moment=shown)


def _where(run: RunEstimates, event: BottomingEvent) -> Cell:
    return named(event.section, moment=moment(run.name, event.peak_s, section=event.section))


def event_details_table(review: Review) -> PageTable:
    """Return what else is known of each bottoming event, hardest first."""
    found = events(review)
    return PageTable(
        "More of each event, hardest first",
        heads(
            "Corner | Run | Distance | Speed | Error of the peak | "
            "Jolt | Felt by the body | Path over crest or dip | In-plane force kept"
        ),
        tuple(
            (
                Cell(
                    CORNER_WORDS[event.corner],
                    words.label(event.section),
                    moment=hit_moment(run.name, event),
                ),
                named(run.name, f"{event.peak_s:.2f} s"),
                _optional(event.distance, 1.0, "m", 0),
                _optional(event.speed, KM_PER_H, "km/h", 0),
                _optional(event.peak_error, MM_PER_M, "mm", 1),
                _optional(event.jolt, 1.0 / STANDARD_GRAVITY, "g", 2),
                Cell({True: "yes", False: "no", None: words.UNKNOWN}[event.seen]),
                _optional(event.vertical_acceleration, 1.0 / STANDARD_GRAVITY, "g", 2),
                _optional(event.lateral_kept, 100.0, "%", 0),
            )
            for run, event in found[:MOST_ROWS]
        ),
        "Distance and speed at the deepest point, where speed was logged. Jolt: vertical force per mass "
        "above that around the contact. Path: negative over a crest, positive in a dip. In-plane force kept: "
        f"during and just after, over just before. {_more(len(found), MOST_ROWS, 'bottoming.csv')}",
    )


def droop_table(review: Review) -> PageTable:
    """Return the moments at which a damper was fully extended."""
    found = [(run, event) for run in review.runs for event in run.topping]
    return PageTable(
        "Dampers at full droop",
        ("Corner", "Where", "Run", "Log time", "Met at"),
        tuple(
            (
                _corner(run, event),
                _where(run, event),
                named(run.name),
                amount(f"{event.start_s:.2f} to {event.end_s:.2f} s"),
                amount(f"{event.approach_speed:.2f} m/s"),
            )
            for run, event in found[:MOST_ROWS]
        ),
        "A wheel that hangs at full droop may leave the ground or pull on its damper's end. "
        f"{f'{len(found) - MOST_ROWS} more.' if len(found) > MOST_ROWS else ''}".strip(),
    )


def _optional(value: float | None, factor: float, unit: str, places: int) -> Cell:
    if value is None:
        return amount(words.UNKNOWN)
    return amount(f"{words.plain(value * factor, places)} {unit}")


def _more(found: int, shown: int, file: str) -> str:
    return f"{found - shown} more stand in tables/{file}." if found > shown else ""


# Tables of the folded details: every figure of a run or set-up, with interval and method.


_FURTHER: Final = {
    f"{key}_{axle}": f"{phrase} {axle}"
    for axle in AXLES
    for key, phrase in {
        "inside_load": "lighter wheel at 1 g,",
        "lift_off": "lateral acceleration at which a wheel lifts,",
        "replacement_spring": "spring that rolls alike without the bar,",
    }.items()
}
"""Words of `SetupPrediction.further`."""


def prediction_table(prediction: SetupPrediction) -> PageTable:
    """Return what the sheet predicts for one set-up."""
    # In the order in which the prediction is built: bars, stiffness, roll, load transfer.
    rows: list[tuple[str, Estimate]] = [
        (f"{axle} bar rate per side, {words.label(bar.setting)}", bar.rate)
        for axle, bar in prediction.bars.items()
    ]
    for group, phrase in (
        (prediction.roll_stiffness, "roll stiffness"),
        (prediction.roll_gradient, "roll gradient"),
        (prediction.roll_gradient_body, "roll per force in body axes"),
    ):
        rows += [(f"{phrase} {key}", estimate) for key, estimate in group.items()]
    for axle, transfer in prediction.load_transfer.items():
        rows += [
            (f"load transfer {axle}, {part}", getattr(transfer, part))
            for part in ("elastic", "geometric", "unsprung", "total")
        ]
    rows.append(("front share of load transfer", words.percent(prediction.front_share)))
    rows += [(_FURTHER.get(key, key.replace("_", " ")), e) for key, e in prediction.further.items()]
    return estimates_table(
        f"Predicted for {words.label(prediction.name)}", rows, "; ".join(prediction.assumed)
    )


def measured_table(setup: SetupResult) -> PageTable:
    """Return what all runs of one set-up showed together."""
    rows = [(key.replace("_", " "), estimate) for key, estimate in setup.measured.items()]
    return estimates_table(f"Measured on {words.label(setup.name)}", rows)


def further_table(run: RunEstimates) -> PageTable:
    """Return the further figures of one run."""
    rows: list[tuple[str, Estimate]] = [
        (f"roll per force in body axes, {key}", estimate) for key, estimate in run.roll_gradient_body.items()
    ]
    # Loads of both tyres beside the lightest moment: evenness tells whether the axle works as a pair.
    for axle, share in run.load_share.items():
        rows += [
            (f"lowest wheel load, {axle}", share.lowest_load),
            (f"how evenly both tyres are loaded, {axle}", words.percent(share.evenness)),
        ]
        rows += [
            (f"time with a wheel under {100.0 * light.below:g} % of its static load, {axle}", light.seconds)
            for light in share.light
        ]
    rows += [(f"damper travel to the bump stop, {axle}", stop) for axle, stop in run.stops.items()]
    rows += [
        (key.replace("_", " "), words.percent(estimate) if key in _FURTHER_PARTS else estimate)
        for key, estimate in run.further.items()
    ]
    return estimates_table(f"More figures of {words.label(run.name)}", rows)


def splits_table(run: RunEstimates) -> PageTable | None:
    """Return gradient and load share of the parts of one run, and whether they differ beyond their errors."""
    if not run.splits:
        return None
    # Both parts of a difference are marked: neither is the right one.
    beyond = {(d.quantity, d.axle, d.first) for d in run.differences if d.beyond_error}
    beyond |= {(d.quantity, d.axle, d.second) for d in run.differences if d.beyond_error}

    def cells(split: Split, quantity: str, axle: Axle) -> Cell:
        estimate = getattr(split, quantity).get(axle)
        look = "suspect" if (quantity, axle, split.name) in beyond else ""
        return replace(number(estimate), look=look)

    rows = tuple(
        (
            named(split.name, moment=moment(run.name, section=split.name) if split.kind == "section" else ""),
            amount(f"{split.seconds:.0f} s"),
            *(cells(split, "roll_gradient_body", axle) for axle in AXLES),
            *(cells(split, "share_slope", axle) for axle in AXLES),
            *(number(words.percent(share)) for share in split.left_share.values()),
        )
        for split in run.splits
    )
    heads = [
        f"{phrase} {axle}" for phrase in ("Roll per force, deg/g,", "Left share slope,") for axle in AXLES
    ]
    heads += [f"Left share {axle}, %" for axle in run.splits[0].left_share]
    return PageTable(
        f"Parts of {words.label(run.name)}",
        ("Part", "Long", *heads),
        rows,
        "Marked: left against right, banked against flat or early against late differ by more than their "
        "errors explain. Left share slope: change of left share per lateral force over the axle's load.",
    )


def compliance_table(setup: SetupResult) -> PageTable | None:
    """Return the compliance budget of the bars of one set-up."""
    rows = [
        (
            Cell(f"{axle}, {words.label(bar.setting)}"),
            named(part),
            amount(f"{compliance * 1e6:.3g} mm/kN"),
            amount(f"{100.0 * compliance * bar.rate.value:.0f} %" if bar.rate.value else words.UNKNOWN),
        )
        for axle, bar in setup.predicted.bars.items()
        for part, compliance in bar.compliance.items()
    ]
    if not rows:
        return None
    return PageTable(
        f"What gives in the bar, {words.label(setup.name)}",
        ("Bar", "Part", "Compliance", "Share"),
        tuple(rows),
        "Deflection of each link per force there, part by part; the parts add up.",
    )


def estimates_table(caption: str, rows: Sequence[tuple[str, Estimate]], assumed: str = "") -> PageTable:
    """Return named estimates with interval and method."""
    return PageTable(
        caption,
        ("Quantity", "Value", "95 % interval", "How"),
        tuple(
            (
                Cell(words.label(phrase, 60)),
                number(estimate, True),
                amount(words.interval(words.readable(estimate)) or words.UNKNOWN),
                Cell(words.label(estimate.method, 90) if estimate.method else words.UNKNOWN),
            )
            for phrase, estimate in rows
        ),
        f"Assumed, since the sheet is silent: {words.sentence(assumed)}" if assumed else "",
    )


# Tables of the bar settings of a session: each against its prediction, and which are really different.


def settings_table(review: Review) -> PageTable:
    """Return one row per axle and bar setting; empty without two settings of an axle."""
    # One setting alone has nothing to be compared with.
    models = [model for model in review.bars if len(model.settings) > 1]
    rows = [
        (
            Cell(f"{model.axle}, {words.label(item.setting, 40)}", f"on {words.listed(list(item.setups))}"),
            amount(str(item.runs)),
            number(item.measured),
            number(item.predicted),
            number(item.ratio),
            amount("softest") if item.step is None else number(item.step),
            amount(words.UNKNOWN) if item.predicted_step is None else number(item.predicted_step),
        )
        for model in models
        for item in model.settings
    ]
    return PageTable(
        "Bar settings, all runs in one model",
        heads(
            "Axle and setting | Runs | Roll stiffness, N m/deg | Predicted | "
            "Measured / predicted | Above the softest, N m/deg | Predicted"
        ),
        tuple(rows),
        " ".join(map(_remark, models)),
    )


def _remark(model: AxleSettings) -> str:
    # Friction holds a corner back in both directions; it is named since it hides small steps.
    friction = model.friction
    rubbing = ""
    if friction.value is not None:
        rubbing = f"; dry friction of one corner {words.value_with_interval(friction)}"
    return (
        f"The {model.axle} axle without its bar: {words.value_with_interval(model.springs)}, predicted "
        f"{words.value_with_interval(model.springs_predicted)}{rubbing}."
    )


def pairs_table(review: Review) -> PageTable:
    """Return which settings of an axle are really different; empty with fewer than three settings."""
    rows = [
        (
            Cell(f"{model.axle}, {words.label(pair.before, 30)} to {words.label(pair.after, 30)}"),
            Cell("different" if pair.different else "not shown to differ"),
            amount(words.value_with_interval(pair.ratio)),
            number(pair.predicted),
            amount(f"{pair.p_value:.2g}"),
        )
        for model in review.bars
        if len(model.settings) > 2
        for pair in model.pairs
    ]
    return PageTable(
        "Which settings are really different",
        ("Settings", "Answer", "Stiffness ratio", "Predicted", "Chance"),
        tuple(rows),
        "Intervals and chances hold for all pairs of an axle together: with many settings about one pair in "
        "twenty would differ by scatter alone.",
    )
