"""How results show themselves in a notebook: the answer, a small table and a figure."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any, Final

from analyzer.archive.results import Archive
from analyzer.comparison.results import Choice, Comparison, Confirmation, SetupResult
from analyzer.core.estimate import Estimate
from analyzer.ingest.recording import Recording
from analyzer.prediction.results import BarLadder, SetupPrediction
from analyzer.processing.results import RunEstimates
from analyzer.report import course_sentences, reasons, season_sentences, sentences, tables
from analyzer.report.figures import style
from analyzer.report.figures.course_plots import where_plate
from analyzer.report.figures.review_plots import change_plate, run_plate
from analyzer.report.figures.season_plots import car_plates
from analyzer.report.one_line import name_in_one_line
from analyzer.report.settings_sheet import bar_svg
from analyzer.report.tables import Cell, PageTable, number
from analyzer.report.words import UNKNOWN, figure, interval, label, reason, sentence
from analyzer.session.course_sheet import CourseSheetResult
from analyzer.session.review import CheckOutcome, Review

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
