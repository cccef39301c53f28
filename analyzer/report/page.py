"""The page: what stands where, handed to the template."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from analyzer.report.cells import (
    PageTable,
)
from analyzer.report.estimate_tables import (
    compliance_table,
    further_table,
    measured_table,
    prediction_table,
)
from analyzer.report.figures_change import agreement_plate, change_plate
from analyzer.report.figures_course import course_plate
from analyzer.report.figures_load import share_plate
from analyzer.report.figures_roll import roll_plates, run_plate
from analyzer.report.figures_travel import budget_plate, travel_plate
from analyzer.report.page_tables import (
    MOST_ROWS,
    changes_table,
    checks_table,
    events_table,
    findings_table,
    ledger_table,
    runs_table,
)
from analyzer.report.plates import Plate, house_style, markup
from analyzer.report.text import (
    CAUTIONS,
    QUESTIONS,
    advice,
    driver_answer,
    events,
    team_answer,
)
from analyzer.report.verdict_text import (
    comparison_answer,
    next_step,
    setting_words,
    smallest_visible,
    tuner_answer,
)
from analyzer.report.wording import clause, count, label, listed, sentence

if TYPE_CHECKING:
    from analyzer.session import Review

_FOLDER: Final = Path(__file__).parent
_LEAD_EVENTS: Final = 10
Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Drawn:
    """A figure ready for the page."""

    key: str
    title: str
    note: str
    html: Markup


@dataclass(frozen=True, slots=True)
class Fold:
    """Details behind a line the reader can open."""

    title: str
    plates: tuple[Drawn, ...] = ()
    tables: tuple[PageTable, ...] = ()
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Part:
    """What one reader gets: the answer, points beside it, figures, tables, details."""

    key: str
    reader: str
    question: str
    answer: str
    points: tuple[str, ...]
    plates: tuple[Drawn, ...]
    tables: tuple[PageTable, ...]
    folds: tuple[Fold, ...]


def render_page(review: Review, results: dict[str, Any], tell: Tell) -> str:
    """Return the whole page as HTML.

    Parameters
    ----------
    review : Review
        What is shown.
    results : dict
        From `results_dict`; hashes, version and steps of the footer come from here.
    tell : callable
        Told what is being drawn.
    """
    environment = Environment(
        loader=FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    with house_style():
        parts = (_team(review, tell), _tuner(review, tell), _driver(review, tell))
    return environment.get_template("report.html.j2").render(
        title=label(review.session.sheet.name, 80),
        subtitle=_subtitle(review),
        parts=parts,
        cautions=CAUTIONS,
        sources=_sources(results),
        version=results["version"],
        settings=_settings(review),
        steps=_steps(results),
        style=Markup((_FOLDER / "style.css").read_text(encoding="utf-8")),
    )


def all_plates(review: Review) -> list[Plate]:
    """Return every figure of the page, in its order; call within `house_style`."""
    runs = range(len(review.runs))
    plates = [
        run_plate(review),
        agreement_plate(review),
        *(share_plate(review, index) for index in runs),
        change_plate(review),
        *roll_plates(review),
        course_plate(review),
        budget_plate(review),
        *(travel_plate(review, index) for index in runs),
    ]
    return [plate for plate in plates if plate is not None]


def _draw(*plates: Plate | None) -> tuple[Drawn, ...]:
    return tuple(
        Drawn(plate.key, plate.title, plate.note, Markup(markup(plate)))
        for plate in plates
        if plate is not None
    )


def _team(review: Review, tell: Tell) -> Part:
    tell("drawing what the runs showed")
    points = [f"{label(name)} was left out. {sentence(why)}" for name, why in list(review.failed.items())[:6]]
    folds = [
        Fold(
            "Load share left to right through each run",
            _draw(*(share_plate(review, index) for index in range(len(review.runs)))),
        ),
        Fold("All figures measured against predicted", tables=(ledger_table(review, True),)),
        Fold("Every check of the logs", tables=(checks_table(review),)),
        Fold("More figures of each run", tables=tuple(further_table(run) for run in review.runs)),
        Fold(
            "Remarks on the runs",
            lines=tuple(f"{label(run.name)}: {sentence(note)}" for run in review.runs for note in run.notes),
        ),
    ]
    found = findings_table(review)
    return Part(
        "team",
        "Team",
        QUESTIONS["team"],
        team_answer(review),
        tuple(points),
        _draw(run_plate(review), agreement_plate(review)),
        (runs_table(review), *((found,) if found.rows else ()), ledger_table(review, False)),
        _worth_opening(folds),
    )


def _tuner(review: Review, tell: Tell) -> Part:
    tell("drawing measured against predicted")
    points: list[str] = []
    for comparison in review.comparisons[:4]:
        if len(review.comparisons) > 1:
            points.append(comparison_answer(comparison))
        points += [smallest_visible(comparison), next_step(comparison)]
        if comparison.reason:
            points.append(f"Why: {clause(comparison.reason)}.")
        if comparison.differences:
            points.append(f"Also different between the runs: {listed(list(comparison.differences))}.")
    folds = [
        Fold(
            f"Set-up {label(setup.name)}: {setting_words(review, setup.name) or 'no bar in the sheet'}",
            tables=tuple(
                table
                for table in (measured_table(setup), prediction_table(setup), compliance_table(setup))
                if table is not None
            ),
        )
        for setup in review.setups
    ]
    changes = changes_table(review)
    return Part(
        "tuner",
        "Tuner",
        QUESTIONS["tuner"],
        tuner_answer(review),
        tuple(points),
        _draw(change_plate(review), *roll_plates(review)),
        (changes,) if changes.rows else (),
        _worth_opening(folds),
    )


def _driver(review: Review, tell: Tell) -> Part:
    tell("drawing the course and the dampers")
    names = [run.name for run in review.runs]
    found = events(review)
    worst = names.index(found[0][0].name) if found else None
    others = [index for index in range(len(names)) if index != worst]
    lead = _draw(
        course_plate(review), budget_plate(review), None if worst is None else travel_plate(review, worst)
    )
    table = events_table(review, _LEAD_EVENTS)
    folds = [
        Fold(
            "Damper travel of the other runs" if found else "Damper travel of each run",
            _draw(*(travel_plate(review, index) for index in others)),
        )
    ]
    if len(found) > _LEAD_EVENTS:
        folds.insert(0, Fold(f"All {len(found)} events", tables=(events_table(review, MOST_ROWS * 5),)))
    return Part(
        "driver",
        "Driver",
        QUESTIONS["driver"],
        driver_answer(review),
        (f"The hardest one was {advice(found[0][1])}.",) if found and found[0][1].budget is not None else (),
        lead,
        (table,) if table.rows else (),
        _worth_opening(folds),
    )


def _worth_opening(folds: list[Fold]) -> tuple[Fold, ...]:
    return tuple(
        fold for fold in folds if fold.plates or fold.lines or any(table.rows for table in fold.tables)
    )


def _subtitle(review: Review) -> str:
    session = review.session
    driven = sum(bool(setup.runs) for setup in review.setups)
    words = [label(session.car.name), count(len(review.runs), "run"), f"{count(driven, 'set-up')} driven"]
    if session.course is not None:
        words.insert(1, label(session.course.name))
    return " · ".join(words)


def _sources(results: dict[str, Any]) -> list[tuple[str, str, str]]:
    """Return use, file name and hash of every file behind the page."""
    rows = [
        (f"{sheet['kind']} sheet", label(sheet["file"], 80), sheet["sha256"]) for sheet in results["sheets"]
    ]
    rows += [
        (f"log of {label(run['name'], 24)}", label(source["file"], 80), source["sha256"])
        for run in results["runs"]
        for source in run["sources"]
    ]
    return rows


def _settings(review: Review) -> list[str]:
    rates = sorted({f"{recording.sample_rate:.4g} Hz" for recording in review.recordings})
    lines = ["intervals hold the truth with 95 % probability unless they say otherwise"]
    if rates:
        lines.append(f"time base {listed(rates)}")
    if review.session.course is None:
        lines.append("no course sheet, so sections are named after the motion")
    return lines


def _steps(results: dict[str, Any]) -> list[tuple[str, list[str]]]:
    """Return the steps of every run; runs with the same steps share one entry."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for run in results["runs"]:
        steps = tuple(sentence(step, 200) for step in run["steps"])
        groups.setdefault(steps, []).append(label(run["name"], 24))
    return [(listed(names, 12), list(steps)) for steps, names in groups.items() if steps]
