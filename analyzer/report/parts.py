"""The three parts of the report: answer, points, figures, tables and details of each reader."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from analyzer.report.cells import (
    PageTable,
)
from analyzer.report.estimate_tables import (
    compliance_table,
    further_table,
    measured_table,
    prediction_table,
    splits_table,
)
from analyzer.report.figures_change import agreement_plate, change_plate, settings_plate
from analyzer.report.figures_course import course_plate
from analyzer.report.figures_load import share_plate
from analyzer.report.figures_roll import roll_plates, run_plate
from analyzer.report.figures_travel import budget_plate, travel_plate
from analyzer.report.page_tables import (
    MOST_ROWS,
    changes_table,
    checks_table,
    droop_table,
    event_details_table,
    events_table,
    findings_table,
    ledger_table,
    runs_table,
)
from analyzer.report.plates import Plate
from analyzer.report.setting_tables import pairs_table, settings_table
from analyzer.report.text import (
    QUESTIONS,
    driver_answer,
    driver_points,
    events,
    placeholder_points,
    team_answer,
)
from analyzer.report.verdict_text import (
    changed_parts,
    comparison_answer,
    next_step,
    setting_words,
    smallest_visible,
    tuner_answer,
)
from analyzer.report.wording import clause, label, listed, sentence

if TYPE_CHECKING:
    from analyzer.session import Review

_LEAD_EVENTS: Final = 10


@dataclass(frozen=True, slots=True)
class Fold:
    """Details behind a line the reader can open."""

    title: str
    plates: tuple[Plate, ...] = ()
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
    plates: tuple[Plate, ...]
    tables: tuple[PageTable, ...]
    folds: tuple[Fold, ...]


def page_parts(review: Review) -> tuple[Part, Part, Part]:
    """Return team, tuner and driver part; figures are described here, and drawn when they are asked for."""
    return _team(review), _tuner(review), _driver(review)


def all_plates(parts: tuple[Part, ...]) -> list[Plate]:
    """Return every figure of the parts, in the order of the page."""
    return [
        plate for part in parts for plate in (*part.plates, *(p for fold in part.folds for p in fold.plates))
    ]


def _known(*plates: Plate | None) -> tuple[Plate, ...]:
    return tuple(plate for plate in plates if plate is not None)


def _team(review: Review) -> Part:
    points = list(placeholder_points(review))
    points += [
        f"{label(name)} was left out. {sentence(why)}" for name, why in list(review.failed.items())[:6]
    ]
    folds = [
        Fold(
            "Load share left to right through each run",
            _known(*(share_plate(review, index) for index in range(len(review.runs)))),
        ),
        Fold("All figures measured against predicted", tables=(ledger_table(review, True),)),
        Fold("Every check of the logs", tables=(checks_table(review),)),
        Fold(
            "Left and right, banked and flat, early and late",
            tables=tuple(table for table in map(splits_table, review.runs) if table is not None),
        ),
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
        _known(run_plate(review), agreement_plate(review)),
        (runs_table(review), *((found,) if found.rows else ()), ledger_table(review, False)),
        _worth_opening(folds),
    )


def _tuner(review: Review) -> Part:
    points: list[str] = []
    for comparison in review.comparisons[:4]:
        if len(review.comparisons) > 1:
            points.append(comparison_answer(comparison))
        points.append(changed_parts(review, comparison))
        if comparison.reason:
            points.append(f"Why: {clause(comparison.reason)}.")
        points.append(smallest_visible(comparison))
        if comparison.differences:
            points.append(f"Also different between the runs: {listed(list(comparison.differences))}.")
        points.append(next_step(comparison))
    folds = [
        Fold(
            f"Set-up {label(setup.name)}: {setting_words(review, setup.name) or 'no bar in the sheet'}",
            tables=tuple(
                table
                for table in (
                    measured_table(setup),
                    prediction_table(setup.predicted),
                    compliance_table(setup),
                )
                if table is not None
            ),
        )
        for setup in review.setups
    ]
    pairs = pairs_table(review)
    if pairs.rows:
        folds.insert(0, Fold("Which bar settings are really different", tables=(pairs,)))
    tables = (changes_table(review.comparisons), settings_table(review))
    return Part(
        "tuner",
        "Tuner",
        QUESTIONS["tuner"],
        tuner_answer(review),
        tuple(points),
        _known(change_plate(review.comparisons), *roll_plates(review), settings_plate(review)),
        tuple(table for table in tables if table.rows),
        _worth_opening(folds),
    )


def _driver(review: Review) -> Part:
    names = [run.name for run in review.runs]
    found = events(review)
    worst = names.index(found[0][0].name) if found else None
    others = [index for index in range(len(names)) if index != worst]
    lead = _known(
        course_plate(review), budget_plate(review), None if worst is None else travel_plate(review, worst)
    )
    table = events_table(review, _LEAD_EVENTS)
    folds = [
        Fold(
            "Damper travel of the other runs" if found else "Damper travel of each run",
            _known(*(travel_plate(review, index) for index in others)),
        )
    ]
    if len(found) > _LEAD_EVENTS:
        folds.insert(0, Fold(f"All {len(found)} events", tables=(events_table(review, MOST_ROWS * 5),)))
    folds += [
        Fold("More of each event", tables=(event_details_table(review),)),
        Fold("Dampers at full droop", tables=(droop_table(review),)),
    ]
    return Part(
        "driver",
        "Driver",
        QUESTIONS["driver"],
        driver_answer(review),
        driver_points(review),
        lead,
        (table,) if table.rows else (),
        _worth_opening(folds),
    )


def _worth_opening(folds: list[Fold]) -> tuple[Fold, ...]:
    return tuple(
        fold for fold in folds if fold.plates or fold.lines or any(table.rows for table in fold.tables)
    )
