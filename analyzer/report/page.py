"""The page of a session: answer, points, figures, tables and details; and what every page shares."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from analyzer import __version__
from analyzer.core.errors import plain_text
from analyzer.core.files import COURSE_PAGE, LOOK_PAGE, PAGE, RESULTS, TABLES, json_bytes, replaced_folder
from analyzer.report import sentences, tables
from analyzer.report.cards import cards
from analyzer.report.csv_tables import csv_tables
from analyzer.report.figures.change_plots import agreement_plate, change_plate, settings_plate
from analyzer.report.figures.course_plots import course_plate
from analyzer.report.figures.roll_plots import roll_plates, run_plate
from analyzer.report.figures.style import Drawings, Plate, plates_of
from analyzer.report.figures.travel_plots import budget_plate, travel_plate
from analyzer.report.plain_data import results_dict
from analyzer.report.sentences import CAUTIONS, fault_words, left_out
from analyzer.report.tables import PageTable
from analyzer.report.words import clause, count, label, listed, sentence
from analyzer.session.review import Review

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


def _team(review: Review) -> Part:
    # What a reader must know before any figure: values nobody measured, and runs that are not in them.
    points = list(sentences.placeholder_points(review))
    points += [
        f"{label(name)} was left out. {sentence(why)}" for name, why in list(left_out(review).items())[:6]
    ]
    # Behind a line to open: what supports the answer but would bury it. Empty ones are dropped at the end.
    folds = [
        Fold("All figures measured against predicted", tables=(tables.ledger_table(review, True),)),
        Fold("Every check of the logs", tables=(tables.checks_table(review),)),
        Fold(
            "Left and right, banked and flat, early and late",
            tables=tuple(table for table in map(tables.splits_table, review.runs) if table is not None),
        ),
        Fold("More figures of each run", tables=tuple(tables.further_table(run) for run in review.runs)),
        Fold(
            "Remarks on the runs",
            lines=tuple(f"{label(run.name)}: {sentence(note)}" for run in review.runs for note in run.notes),
        ),
    ]
    # A table of findings that is empty says nothing "every check is good" has not said.
    found = tables.findings_table(review)
    return Part(
        "team",
        "Team",
        sentences.QUESTIONS["team"],
        sentences.team_answer(review),
        tuple(points),
        plates_of(partial(run_plate, review), partial(agreement_plate, review)),
        (tables.runs_table(review), *((found,) if found.rows else ()), tables.ledger_table(review, False)),
        _worth_opening(folds),
    )


def _tuner(review: Review) -> Part:
    points: list[str] = []
    # The answer stands above the points; with several changes each has to be told again here, in full.
    for comparison in review.comparisons[:4]:
        if len(review.comparisons) > 1:
            points.append(sentences.comparison_answer(comparison))
        points.append(sentences.changed_parts(review, comparison))
        if comparison.reason:
            points.append(f"Why: {clause(comparison.reason)}.")
        points.append(sentences.smallest_visible(comparison))
        points += filter(None, [sentences.axles_moved(comparison), sentences.driving_order(comparison)])
        if comparison.differences:
            points.append(f"Also different between the runs: {listed(list(comparison.differences))}.")
        points.append(sentences.next_step(comparison))
    # Each set-up has its details under its bar settings, since that is how a tuner names it.
    bars = {setup.name: sentences.setting_words(review, setup.name) for setup in review.setups}
    folds = [
        Fold(
            f"Set-up {label(setup.name)}: {bars[setup.name] or 'no bar in the sheet'}",
            tables=tuple(
                table
                for table in (
                    tables.measured_table(setup),
                    tables.prediction_table(setup.predicted),
                    tables.compliance_table(setup),
                )
                if table is not None
            ),
        )
        for setup in review.setups
    ]
    # With three settings or more the question is which of them differ at all; it goes before the details.
    pairs = tables.pairs_table(review)
    if pairs.rows:
        folds.insert(0, Fold("Which bar settings are really different", tables=(pairs,)))
    # Without a second set-up there is no change and no setting to compare.
    shown = (tables.changes_table(review.comparisons), tables.settings_table(review))
    return Part(
        "tuner",
        "Tuner",
        sentences.QUESTIONS["tuner"],
        sentences.tuner_answer(review),
        tuple(points),
        plates_of(
            partial(change_plate, review.comparisons),
            partial(roll_plates, review),
            partial(settings_plate, review),
        ),
        tuple(table for table in shown if table.rows),
        _worth_opening(folds),
    )


def _driver(review: Review) -> Part:
    # The run with the hardest hit alone: the page of the runs shows all of them, and closer.
    names = [run.name for run in review.runs]
    found = sentences.events(review)
    worst = names.index(found[0][0].name) if found else None
    lead = plates_of(
        partial(course_plate, review),
        partial(budget_plate, review),
        *(() if worst is None else (partial(travel_plate, review, worst),)),
    )
    # The list is short on the page and whole in the fold, unless the short one is the whole.
    table = tables.events_table(review, _LEAD_EVENTS)
    folds = []
    if len(found) > _LEAD_EVENTS:
        table_of_all = tables.events_table(review, tables.MOST_ROWS * 5, _LEAD_EVENTS)
        folds.append(Fold(f"All {len(found)} events", tables=(table_of_all,)))
    folds += [
        Fold("More of each event", tables=(tables.event_details_table(review),)),
        Fold("Dampers at full droop", tables=(tables.droop_table(review),)),
    ]
    return Part(
        "driver",
        "Driver",
        sentences.QUESTIONS["driver"],
        sentences.driver_answer(review),
        sentences.driver_points(review),
        lead,
        (table,) if table.rows else (),
        _worth_opening(folds),
    )


def _worth_opening(folds: list[Fold]) -> tuple[Fold, ...]:
    # A line that opens onto nothing costs the trust in all others.
    return tuple(
        fold for fold in folds if fold.plates or fold.lines or any(table.rows for table in fold.tables)
    )


# The page: what stands where, handed to the template. Figures are drawn here, not where they are described.
# Files, hashes and steps at the foot come from the same dictionary as results.json.


Tell = Callable[[int, int], None]


def render_page(
    review: Review,
    results: dict[str, Any],
    parts: tuple[Part, ...],
    drawings: Drawings,
    tell: Tell,
    beside: Collection[str] = (),
) -> str:
    """Return the whole page as HTML; `tell` hears before each figure how many are drawn, and of how many.

    `beside` are the files that stand beside this one, which it then leads to.
    """
    plates = all_plates(parts)
    drawn = {}
    for done, plate in enumerate(plates):
        tell(done, len(plates))
        drawn[plate.key] = figure_html(plate, drawings)
    return render(
        "report.html.j2",
        title=label(review.session.sheet.name, 80),
        subtitle=_subtitle(review),
        cards=cards(review),
        strip=tables.strip_table(review),
        course=COURSE_PAGE if COURSE_PAGE in beside else "",
        look=LOOK_PAGE if LOOK_PAGE in beside else "",
        parts=parts,
        drawn=drawn,
        sources=_sources(results),
        settings=_settings(review),
        steps=_steps(results),
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
    lines = [
        "intervals hold the truth with 95 % probability unless they say otherwise",
        f"seed {review.seed} for the random draws behind them",
    ]
    if rates:
        lines.append(f"time base {listed(rates)}")
    if review.session.course is None:
        lines.append("no course sheet, so sections are named after the motion")
    return lines


def _steps(results: dict[str, Any]) -> list[tuple[str, list[str]]]:
    """Return the steps of every run; runs with the same steps share one entry."""
    # Runs of one logger are read alike; told once per run the steps would be longer than the page.
    groups: dict[tuple[str, ...], list[str]] = {}
    for run in results["runs"]:
        steps = tuple(sentence(step, 200) for step in run["steps"])
        groups.setdefault(steps, []).append(label(run["name"], 24))
    return [(listed(names, 12), list(steps)) for steps, names in groups.items() if steps]


# The folder: the page, results.json and the tables, put in place together.


def write_report(
    review: Review,
    folder: Path,
    progress: Tell | None = None,
    parts: tuple[Part, ...] | None = None,
    beside: Mapping[str, bytes] | None = None,
    drawings: Drawings | None = None,
) -> Path:
    """Write the report of a review into `folder`, all of it or nothing, and return the page.

    The same review gives the same bytes. `progress` hears before each figure how many are drawn, and of how
    many; `parts`, from `page_parts`, are given when more is made of them than the page: then their figures
    are drawn once. `beside` are further files of the folder: see `look_page.files_beside`.
    `drawings` are given to hear of figures that were left out, which the page tells in their place.
    """
    results = results_dict(review)
    drawings = drawings or Drawings()
    tell = progress or (lambda _done, _all: None)
    beside = beside or {}
    page = render_page(review, results, parts or page_parts(review), drawings, tell, beside)
    written = write_page(folder, page, results, csv_tables(results), beside)
    drawings.tidy()
    return written


# What every page shares: the templates, its figures as HTML, and the folder with results and tables.


_FOLDER: Final = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class DrawnPlate:
    """A figure ready for a template."""

    key: str
    title: str
    note: str
    html: Markup


def figure_html(plate: Plate, drawings: Drawings) -> Markup:
    """Return a figure as HTML; in place of one that is left out, why."""
    html = drawings.on_page(plate)
    if html is not None:
        return Markup(html)
    fault = drawings.fault(plate)
    assert fault is not None
    return Markup('<p class="note">{}</p>').format(sentence(f"left out: {fault_words(fault)}", 400))


def drawn(plates: Iterable[Plate], drawings: Drawings) -> tuple[DrawnPlate, ...]:
    """Return figures, drawn or taken as they were."""
    return tuple(
        DrawnPlate(plate.key, plate.title, plate.note, figure_html(plate, drawings)) for plate in plates
    )


def render(template: str, **shown: Any) -> str:
    """Return a page as HTML, one file without outside loads, with what stands on every page."""
    environment = Environment(
        loader=FileSystemLoader(_FOLDER),
        # Names come from logs and sheets: whatever they hold is text, never markup. A name the template
        # misspells is an error, not an empty place.
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # Within the page, since one file is passed around without its neighbours.
    style = Markup((_FOLDER / "style.css").read_text(encoding="utf-8"))
    page = environment.get_template(template).render(
        cautions=CAUTIONS, version=__version__, style=style, **shown
    )
    return plain_text(page)  # a file may be printed to a terminal, and no sign of control is text of a page


def page_bytes(page: str) -> bytes:
    """Return a page as it is written to a file."""
    # Bytes, not text: a text file would get other line ends on another system, and must compare equal.
    return page.encode("utf-8", "xmlcharrefreplace")


def write_page(
    folder: Path,
    page: str,
    results: dict[str, Any],
    tables: Mapping[str, str],
    beside: Mapping[str, bytes] | None = None,
) -> Path:
    """Write page, ``results.json``, ``tables/*.csv`` and what stands `beside` them, all of it or nothing.

    Returns the page. What cannot be encoded (half a surrogate pair in a name) is written as its number.

    Raises
    ------
    AnalyzerError
        When `folder` holds something else than a report, or cannot be written to.
    """
    with replaced_folder(folder) as work:
        (work / PAGE).write_bytes(page_bytes(page))
        (work / RESULTS).write_bytes(json_bytes(results))
        for file, content in (beside or {}).items():
            (work / file).write_bytes(content)
        if tables:
            (work / TABLES).mkdir()
        for file, text in tables.items():
            (work / TABLES / file).write_bytes(text.encode("utf-8", "backslashreplace"))
    return folder / PAGE
