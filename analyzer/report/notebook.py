"""How results show themselves in Python: answer, table and figure in a notebook, one line at a prompt."""

import dataclasses
import sys
from collections.abc import Callable, Mapping
from enum import Enum
from html import escape
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from analyzer.archive.results import Archive
from analyzer.comparison.results import Choice, Comparison, Confirmation, SetupResult
from analyzer.core.errors import one_line
from analyzer.core.estimate import Estimate
from analyzer.ingest.recording import Recording
from analyzer.prediction.results import BarLadder, SetupPrediction
from analyzer.processing.results import BottomingEvent, RunEstimates
from analyzer.report import course_sentences, reasons, season_sentences, sentences, tables
from analyzer.report.figures import style
from analyzer.report.figures.course_plots import where_plate
from analyzer.report.figures.review_plots import change_plate, run_plate
from analyzer.report.figures.season_plots import car_plates
from analyzer.report.settings_sheet import bar_svg
from analyzer.report.tables import Cell, PageTable, number
from analyzer.report.words import UNKNOWN, count, figure, interval, label, reason, sentence
from analyzer.session.course_sheet import CourseSheetResult
from analyzer.session.review import CheckOutcome, Review, Session
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import Sheet

_HOOK: Final = "_repr_html_"
"""The method notebooks look for (IPython's documented display protocol)."""

_MOST_ROWS: Final = 30


def show_in_notebooks() -> None:
    """Give the main results the method notebooks ask for.

    It is hung on from here since results lie in rooms that know nothing of pages: data goes one way.
    """
    shown: dict[type, Callable[[Any], str]] = {
        Archive: _archive,
        BarLadder: _ladder,
        CheckOutcome: _checked,
        Choice: _choice,
        Comparison: _comparison,
        Confirmation: _confirmation,
        CourseSheetResult: _course,
        Estimate: _estimate,
        Recording: _recording,
        Review: _review,
        RunEstimates: _run,
        SetupPrediction: _prediction,
        SetupResult: _setup,
    }
    for cls, show in shown.items():
        setattr(cls, _HOOK, show)
    name_in_one_line()


def _estimate(estimate: Estimate) -> str:
    span = interval(estimate)
    words = figure(estimate) + (f" (95 % interval {span})" if span else "")
    return _line(f"{words}. {reason(estimate)}" if reason(estimate) else words)


def _review(review: Review) -> str:
    answers = (sentences.team_answer(review), sentences.tuner_answer(review), sentences.driver_answer(review))
    return (
        _head(f"{label(review.session.sheet.name, 80)}, {label(review.session.car.name)}")
        + "".join(map(_line, answers))
        + _table(tables.runs_table(review))
        + _figures(run_plate(review), change_plate(review.comparisons))
    )


def _run(run: RunEstimates) -> str:
    # The gradients lead; the further figures follow in a table of their own, as on the page.
    rows = [(f"roll gradient {key}", estimate) for key, estimate in run.roll_gradient.items()]
    gradients = tables.estimates_table(f"{label(run.name)} on {label(run.setup)}", rows)
    return (
        _table(gradients) + _table(tables.further_table(run)) + "".join(_line(sentence(n)) for n in run.notes)
    )


def _setup(setup: SetupResult) -> str:
    return _table(tables.measured_table(setup)) + _table(tables.prediction_table(setup.predicted))


def _prediction(prediction: SetupPrediction) -> str:
    return _table(tables.prediction_table(prediction))


def _comparison(comparison: Comparison) -> str:
    lines = (
        sentences.comparison_answer(comparison),
        sentences.smallest_visible(comparison),
        *sentences.beside_the_verdict(comparison),
        sentences.next_step(comparison),
    )
    return (
        "".join(map(_line, lines))
        + _table(tables.changes_table([comparison]))
        + _figures(change_plate([comparison]))
    )


def _confirmation(confirmation: Confirmation) -> str:
    # The ledger is what a confirmation adds to the comparison shown above it.
    rows = tuple(
        (
            Cell(f"{label(part.name, 60)}, {part.before.unit}"),
            *(number(estimate) for estimate in (part.before, part.after, part.change)),
        )
        for part in confirmation.parts
    )
    lines = (
        *sentences.yielding_bars((confirmation.before, confirmation.after)),
        f"Reasons: {reasons.answer(confirmation.reasons)}",
        f"Next: {reasons.next_runs(confirmation.plan, confirmation.comparison)}",
        *confirmation.cautions,
    )
    return (
        _comparison(confirmation.comparison)
        + _table(PageTable("Ledger", ("Part", "Before", "After", "Change"), rows))
        + "".join(_line(sentence(line)) for line in lines)
    )


def _choice(choice: Choice) -> str:
    rows = tuple(
        (
            Cell("; ".join(option.changes) or reasons.LEAVE),
            Cell("yes" if option.reached else "not quite"),
            *(
                Cell(figure(option.effects[f"stiffness {part}"].change), number=True)
                for part in ("front", "rear")
            ),
            Cell("; ".join(option.cautions)),
        )
        for option in choice.options
    )
    columns = ("Change", "Meets the wish", "Front roll stiffness", "Rear roll stiffness", "Mind")
    lines = (
        f"Wish: {choice.wish}",
        reasons.choice(choice),
        f"Prediction from {reasons.choice_basis(choice.basis)}",
    )
    return (
        "".join(_line(sentence(line)) for line in lines)
        + _table(PageTable("What could be fitted next", columns, rows))
        + "".join(_line(f"Caution: {sentence(caution)}") for caution in choice.cautions)
    )


def _ladder(ladder: BarLadder) -> str:
    # Here and below: these bring libraries for terminal and page that few notebooks need.
    from analyzer.report.settings_sheet import CAUTIONS, ladder_json

    rows = tuple(
        (
            Cell(row.setting, "fitted" if row.fitted else ""),
            number(row.rate),
            number(row.change),
            number(row.roll_stiffness),
            number(row.roll_gradient),
            Cell(UNKNOWN if row.stress_factor is None else f"{row.stress_factor:.2f}", number=True),
            Cell("; ".join(row.motion.warnings)),
        )
        for row in ladder.rows
    )
    columns = ("Setting", "Rate, N/mm", "Change, %", "Axle roll, N m/deg", "Gradient, deg/g")
    title = f"{ladder.axle} bar"
    # Without the car of the ladder no other tube can be tried.
    drawing = style.image_of(
        bar_svg({**ladder_json(ladder), "tubes": []}, title), "Rate of every setting with its error; parts."
    )
    return (
        _table(PageTable(f"Settings of the {title}", (*columns, "Stress factor", "Mind"), rows))
        + drawing
        + "".join(_line(f"Caution: {sentence(caution)}") for caution in CAUTIONS)
    )


def _checked(outcome: CheckOutcome) -> str:
    why_not = {name: str(error) for name, error in outcome.failed.items()}
    why_not |= {fault.run: sentences.fault_words(fault) for fault in outcome.faults}
    failed = "".join(_line(f"{label(name)}: {sentence(why)}") for name, why in why_not.items())
    return "".join(_recording(recording) for recording in outcome.recordings) + failed


def _recording(recording: Recording) -> str:
    # A log whose every check is good needs its one line and no table.
    found = tables.health_table("Checks that are not good", recording)
    return _line(sentences.recording_line(recording)) + (_table(found) if found.rows else "")


def _course(result: CourseSheetResult) -> str:
    rows = tuple(
        (
            Cell(str(rank)),
            Cell(course_sentences.place_words(sheet.place)),
            Cell(course_sentences.detail_words(sheet)),
            Cell(course_sentences.short_cure(sheet)),
        )
        for rank, sheet in enumerate(result.places, start=1)
    )
    columns = ("", "Place", "What happens", "What would clear it")
    return (
        _head(label(result.course or result.session, 60))
        + _line(course_sentences.course_answer(result))
        + (_table(PageTable("Places, hardest first", columns, rows)) if rows else "")
        + _figures(where_plate(result))
    )


def _archive(archive: Archive) -> str:
    from analyzer.report.season_page import trend_table

    parts = []
    for index, car in enumerate(archive.cars, start=1):
        parts += [_head(label(car.car)), _line(season_sentences.car_answer(car)), _table(trend_table(car))]
        parts.append(_figures(*car_plates(car, f"car-{index}")[:1]))
    return "".join(parts) + "".join(map(_line, season_sentences.left_out_words(archive)))


def _head(words: str) -> str:
    return f"<p><strong>{escape(words)}</strong></p>"


def _line(words: str) -> str:
    return f"<p>{escape(words)}</p>"


# On paper of its own: it is drawn in dark ink, and a notebook may be dark.
_FIGURE: Final = (
    '<figure style="display:inline-block;max-width:40em;margin:0.5em 1em 0.5em 0;padding:0.5em;'
    'background:#fff;color:#1c1c1c">'
)


def _figures(*plates: style.Plate | None) -> str:
    # As images: drawn inline, two figures of one notebook would share identifiers.
    return "".join(
        f"{_FIGURE}"
        f"<figcaption><strong>{escape(plate.title)}</strong></figcaption>{style.image(plate)}"
        f"<p><small>{escape(plate.note)}</small></p></figure>"
        for plate in plates
        if plate is not None
    )


def _table(table: PageTable) -> str:
    head = "".join(f"<th>{escape(column)}</th>" for column in table.columns)
    rows = "".join(
        "<tr>" + "".join(_cell(cell, first=not place) for place, cell in enumerate(row)) + "</tr>"
        for row in table.rows[:_MOST_ROWS]
    )
    # A notebook is scrolled, not opened part by part; the whole table is a DataFrame away.
    more = len(table.rows) - _MOST_ROWS
    note = f"{table.note} {f'{more} more rows are not shown.' if more > 0 else ''}".strip()
    return (
        f"<table><caption>{escape(table.caption)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{rows}</tbody></table>" + (f"<p><small>{escape(note)}</small></p>" if note else "")
    )


def _cell(cell: Cell, first: bool) -> str:
    # Notebooks bring their own style; only the side on which figures stand is ours.
    tag = "th" if first else "td"
    remark = f"<br><small>{escape(cell.remark)}</small>" if cell.remark else ""
    side = "right" if cell.number else "left"
    return f'<{tag} style="text-align:{side}"><bdi>{escape(cell.text)}</bdi>{remark}</{tag}>'


# One line, where Python shows a result by itself: a prompt, a list, a debugger.

LONGEST: Final = 160
"""Characters of a line; engineering judgement: two lines of a terminal."""
_LONGEST_PART: Final = 40


def name_in_one_line() -> None:
    """Give every class of results and sheets a representation of one line."""
    # Hung on as the form for notebooks is: data goes one way. The rooms that make results are loaded by now.
    # A class that shows itself in a way of its own keeps it.
    for name in [name for name in sys.modules if name.startswith("analyzer.")]:
        for cls in vars(sys.modules[name]).values():
            if isinstance(cls, type) and cls.__module__ == name and _shows_all_fields(cls):
                cls.__repr__ = _shown  # type: ignore[assignment, method-assign]
    Sheet.__repr__ = Sheet.__str__ = _shown  # type: ignore[method-assign]


def _shows_all_fields(cls: type) -> bool:
    params = vars(cls).get("__dataclass_params__")
    return params is not None and bool(params.repr)


def _shown(result: Any) -> str:
    words = _WORDS.get(type(result), _fields)(result)
    return one_line(f"{type(result).__name__}({words})", LONGEST)


def _fields(result: Any) -> str:
    names = (
        [field.name for field in dataclasses.fields(result) if field.repr]
        if dataclasses.is_dataclass(result)
        else list(type(result).model_fields)
    )
    return ", ".join(f"{name}={_part(getattr(result, name))}" for name in names)


def _part(value: Any) -> str:
    if isinstance(value, Estimate):
        return _estimate_words(value)
    if isinstance(value, Enum):
        return str(value.value)
    if isinstance(value, (pd.DataFrame, pd.Series, np.ndarray)):
        return " x ".join(str(length) for length in value.shape)
    if isinstance(value, str):
        return f'"{one_line(value, _LONGEST_PART)}"'
    if isinstance(value, (bool, int, float, type(None))):
        return repr(value)
    if isinstance(value, Path):
        return one_line(str(value), _LONGEST_PART)
    if isinstance(value, (Mapping, list, tuple, set, frozenset)):
        return f"<{len(value)}>"
    return type(value).__name__


def _estimate_words(estimate: Estimate) -> str:
    if estimate.value is None:
        return one_line(f"unknown: {estimate.notes[0]}", LONGEST // 2)
    return str(estimate)


def _gradients(estimates: Mapping[str, Estimate]) -> str:
    return "roll gradient " + ", ".join(f"{key} {_value(estimate)}" for key, estimate in estimates.items())


def _value(estimate: Estimate) -> str:
    return "unknown" if estimate.value is None else str(estimate)


def _named(name: str) -> str:
    return f'"{one_line(name, _LONGEST_PART)}"'


def _review_words(review: Review) -> str:
    left_out = len(review.failed) + len(review.faults)
    return (
        f"{_named(review.session.sheet.name)}: {count(len(review.runs), 'run')} on "
        f"{count(len(review.setups), 'set-up')}, {left_out} left out"
    )


def _session_words(session: Session) -> str:
    sheet = session.sheet
    return f"{_named(sheet.name)}: {count(len(sheet.runs), 'run')}, {count(len(sheet.setups), 'set-up')}"


def _run_words(run: RunEstimates) -> str:
    hits = count(len(run.bottoming), "hit")
    return f"{_named(run.name)} on {_named(run.setup)}: {_gradients(run.roll_gradient)}; {hits}"


def _recording_words(recording: Recording) -> str:
    rows, channels = recording.data.shape
    rate = f"{recording.sample_rate:.4g} Hz"
    return f"{_named(recording.run)}: {count(channels, 'channel')}, {count(rows, 'sample')} at {rate}"


def _event_words(event: BottomingEvent) -> str:
    hard = ", hard" if event.hard else ""
    depth = f"{1000.0 * event.stop_compression:.1f} mm"
    return f"{event.corner} {event.kind} at {event.peak_s:.2f} s, {depth} deep{hard}"


def _prediction_words(prediction: SetupPrediction) -> str:
    return f"{_named(prediction.name)}: {_gradients(prediction.roll_gradient)}"


def _setup_words(setup: SetupResult) -> str:
    return f"{_named(setup.name)}: {count(len(setup.runs), 'run')}, {count(len(setup.measured), 'figure')}"


def _comparison_words(comparison: Comparison) -> str:
    change = f"{_named(comparison.before)} to {_named(comparison.after)}"
    return f"{change}: {comparison.verdict.value}; roll stiffness ratio {_value(comparison.stiffness_ratio)}"


def _choice_words(choice: Choice) -> str:
    reached = sum(option.reached for option in choice.options)
    return f"{_named(choice.wish)}: {count(len(choice.options), 'option')}, {reached} of them meet it"


def _ladder_words(ladder: BarLadder) -> str:
    return f"{ladder.axle}: {count(len(ladder.rows), 'setting')}"


def _checked_words(outcome: CheckOutcome) -> str:
    left_out = len(outcome.failed)
    return f"{count(len(outcome.recordings), 'recording')}, {left_out} could not be read"


def _course_words(result: CourseSheetResult) -> str:
    return f"{_named(result.course or result.session)}: {count(len(result.places), 'place')}"


def _archive_words(archive: Archive) -> str:
    return f"{archive.folder.name}: {count(len(archive.cars), 'car')}, {len(archive.left_out)} left out"


_WORDS: Final[dict[type, Callable[[Any], str]]] = {
    Archive: _archive_words,
    BarLadder: _ladder_words,
    BottomingEvent: _event_words,
    CarSheet: lambda car: _named(car.name),
    CheckOutcome: _checked_words,
    Choice: _choice_words,
    Comparison: _comparison_words,
    Confirmation: lambda confirmation: _comparison_words(confirmation.comparison),
    CourseSheetResult: _course_words,
    Estimate: _estimate_words,
    Recording: _recording_words,
    Review: _review_words,
    RunEstimates: _run_words,
    Session: _session_words,
    SetupPrediction: _prediction_words,
    SetupResult: _setup_words,
}
"""What the main results say; of the others, each field in a few words."""
