"""The page of a session: answer, points, figures, tables and details; and what every page shares."""

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from analyzer import __version__
from analyzer.comparison.results import Comparison, SetupResult
from analyzer.core.errors import Fault, plain_text
from analyzer.core.files import (
    COURSE_PAGE,
    LOOK_PAGE,
    PAGE,
    RESULTS,
    RESULTS_FORMAT,
    TABLES,
    json_bytes,
    replaced_folder,
)
from analyzer.processing.results import RunEstimates
from analyzer.report import sentences, tables
from analyzer.report.cards import cards
from analyzer.report.figures import review_plots
from analyzer.report.figures.course_plots import course_plate
from analyzer.report.figures.style import Drawings, Plate, plates_of
from analyzer.report.plain_data import csv_tables, fault_dict, results_dict
from analyzer.report.sentences import CAUTIONS, fault_sentence, left_out
from analyzer.report.tables import PageTable
from analyzer.report.words import count, label, listed, sentence, together
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


def page_parts(review: Review, drawings: Drawings | None = None) -> tuple[Part, Part, Part]:
    """Return team, tuner and driver part; figures are described here, and drawn when they are asked for.

    `drawings` are given to hear of words and tables that were left out, which the part tells in their place.
    """
    pieces = Pieces(drawings or Drawings())

    def part(key: str, reader: str, make: Callable[[Review, Pieces], Part]) -> Part:
        def left_out_part(fault: Fault) -> Part:
            return Part(key, reader, sentences.QUESTIONS[key], fault_sentence(fault), (), (), (), ())

        return pieces.drawings.written(
            f"part for the {key} on the page", lambda: make(review, pieces), left_out_part
        )

    return part("team", "Team", _team), part("tuner", "Tuner", _tuner), part("driver", "Driver", _driver)


def all_plates(parts: tuple[Part, ...]) -> list[Plate]:
    """Return every figure of the parts, in the order of the page."""
    return [
        plate for part in parts for plate in (*part.plates, *(p for fold in part.folds for p in fold.plates))
    ]


@dataclass(frozen=True, slots=True)
class Pieces:
    """Words and tables of a page, each by itself: why one is left out stands in its place."""

    drawings: Drawings

    def text(self, piece: str, make: Callable[[], str]) -> str:
        """Return a sentence."""
        return self.drawings.written(piece, make, fault_sentence)

    def lines(self, piece: str, make: Callable[[], Iterable[str]]) -> tuple[str, ...]:
        """Return sentences; empty ones are dropped."""
        return self.drawings.written(
            piece, lambda: tuple(filter(None, make())), lambda fault: (fault_sentence(fault),)
        )

    def tables(self, piece: str, make: Callable[[], Iterable[PageTable | None]]) -> tuple[PageTable, ...]:
        """Return tables; where there is nothing to tell, none is dropped but None."""
        return self.drawings.written(
            piece,
            lambda: tuple(table for table in make() if table is not None),
            lambda fault: (PageTable(sentence(piece, 80).rstrip("."), (), (), fault_sentence(fault)),),
        )


def _team(review: Review, pieces: Pieces) -> Part:
    def left_out_points() -> list[str]:
        left = list(left_out(review).items())[:6]
        return [f"{label(name)} was left out. {sentence(why)}" for name, why in left]

    def of_each(what: str, make: Callable[[RunEstimates], PageTable | None]) -> tuple[PageTable, ...]:
        found = (
            pieces.tables(f"{what}: {label(run.name)}", lambda run=run: [make(run)])  # type: ignore[misc]
            for run in review.runs
        )
        return tuple(table for some in found for table in some)

    def remarks() -> list[str]:
        runs = together((sentence(note), label(run.name)) for run in review.runs for note in run.notes)
        every = len(review.runs)
        return [
            f"{'all runs' if len(names) == every > 1 else listed(names, 8)}: {note}"
            for note, names in runs.items()
        ]

    # Behind a line to open: what supports the answer but would bury it. Empty ones are dropped at the end.
    ledger, splits = (
        "All figures measured against predicted",
        "Left and right, banked and flat, early and late",
    )
    every, further = "Every check of the logs", "More figures of each run"
    folds = [
        Fold(ledger, tables=pieces.tables(ledger, lambda: [tables.ledger_table(review, True)])),
        Fold(every, tables=pieces.tables(every, lambda: [tables.checks_table(review)])),
        Fold(splits, tables=of_each(splits, lambda run: tables.splits_table(run))),
        Fold(further, tables=of_each(further, lambda run: tables.further_table(run))),
        Fold("Remarks on the runs", lines=pieces.lines("remarks on the runs", remarks)),
    ]
    return Part(
        "team",
        "Team",
        sentences.QUESTIONS["team"],
        pieces.text("answer for the team", lambda: sentences.team_answer(review)),
        # What a reader must know before any figure: values nobody measured, and runs that are not in them.
        (
            *pieces.lines("values nobody measured", lambda: sentences.placeholder_points(review)),
            *pieces.lines("runs left out", left_out_points),
        ),
        plates_of(partial(review_plots.run_plate, review), partial(review_plots.agreement_plate, review)),
        (
            *pieces.tables("runs", lambda: [tables.runs_table(review)]),
            # A table of findings that is empty says nothing "every check is good" has not said.
            *told(pieces.tables("findings of the checks", lambda: [tables.findings_table(review)])),
            *told(pieces.tables("measured against predicted", lambda: [tables.ledger_table(review, False)])),
        ),
        _worth_opening(folds),
    )


def _tuner(review: Review, pieces: Pieces) -> Part:
    def of_change(comparison: Comparison) -> list[str]:
        different = comparison.differences
        also = [f"Also different between the runs: {listed(list(different))}."] if different else []
        return sentences.change_lines(review, comparison, also)

    def of_setup(setup: SetupResult) -> Fold:
        # A set-up has its details under its bar settings, since that is how a tuner names it.
        name = f"set-up {label(setup.name)}"
        bars = pieces.text(f"bars of {name}", lambda: sentences.setting_words(review, setup.name))
        makers: dict[str, Callable[[], PageTable | None]] = {
            "measured": lambda: tables.measured_table(setup),
            "predicted": lambda: tables.prediction_table(setup.predicted),
            "compliance": lambda: tables.compliance_table(setup),
        }
        return Fold(
            f"{name[0].upper()}{name[1:]}: {bars or 'no bar in the sheet'}",
            tables=tuple(
                table
                for what, make in makers.items()
                for table in pieces.tables(f"{name}, {what}", lambda make=make: [make()])  # type: ignore[misc]
            ),
        )

    folds = [of_setup(setup) for setup in review.setups]
    # With three settings or more the question is which of them differ at all; it goes before the details.
    differ = "Which bar settings are really different"
    folds.insert(0, Fold(differ, tables=pieces.tables(differ, lambda: [tables.pairs_table(review)])))
    return Part(
        "tuner",
        "Tuner",
        sentences.QUESTIONS["tuner"],
        pieces.text("answer for the tuner", lambda: sentences.tuner_answer(review)),
        # A bar that may break comes before what it does.
        (
            *pieces.lines("bars that would yield", lambda: sentences.yielding_bars(review.setups)),
            *(
                line
                for comparison in review.comparisons[:4]
                for line in pieces.lines(
                    f"change from {label(comparison.before)} to {label(comparison.after)}",
                    partial(of_change, comparison),
                )
            ),
        ),
        plates_of(
            partial(review_plots.change_plate, review.comparisons),
            partial(review_plots.roll_plates, review),
            partial(review_plots.settings_plate, review),
        ),
        # Without a second set-up there is no change and no setting to compare.
        told(
            (
                *pieces.tables("changes", lambda: [tables.changes_table(review.comparisons)]),
                *pieces.tables("bar settings", lambda: [tables.settings_table(review)]),
            )
        ),
        _worth_opening(folds),
    )


def _driver(review: Review, pieces: Pieces) -> Part:
    # The run with the hardest hit alone: the page of the runs shows all of them, and closer.
    names = [run.name for run in review.runs]
    found = pieces.drawings.written("order of the hits", lambda: sentences.events(review), lambda _fault: [])
    worst = names.index(found[0][0].name) if found else None
    lead = plates_of(
        partial(course_plate, review),
        partial(review_plots.budget_plate, review),
        *(() if worst is None else (partial(review_plots.travel_plate, review, worst),)),
    )
    # The list is short on the page and whole in the fold, unless the short one is the whole.
    folds = []
    if len(found) > _LEAD_EVENTS:
        rest = f"All {len(found)} events"
        most = tables.MOST_ROWS * 5
        of_rest = pieces.tables(rest, lambda: [tables.events_table(review, most, _LEAD_EVENTS)])
        folds.append(Fold(rest, tables=of_rest))
    more, droop = "More of each event", "Dampers at full droop"
    folds += [
        Fold(more, tables=pieces.tables(more, lambda: [tables.event_details_table(review)])),
        Fold(droop, tables=pieces.tables(droop, lambda: [tables.droop_table(review)])),
    ]
    return Part(
        "driver",
        "Driver",
        sentences.QUESTIONS["driver"],
        pieces.text("answer for the driver", lambda: sentences.driver_answer(review)),
        pieces.lines("points for the driver", lambda: sentences.driver_points(review)),
        lead,
        told(pieces.tables("events", lambda: [tables.events_table(review, _LEAD_EVENTS)])),
        _worth_opening(folds),
    )


def told(shown: Iterable[PageTable]) -> tuple[PageTable, ...]:
    """Return the tables that have rows, or say why they have none."""
    return tuple(table for table in shown if table.rows or not table.columns)


def _worth_opening(folds: list[Fold]) -> tuple[Fold, ...]:
    # A line that opens onto nothing costs the trust in all others.
    return tuple(fold for fold in folds if fold.plates or fold.lines or told(fold.tables))


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
    pieces = Pieces(drawings)
    # What the page of the runs shows closer stands on paper and in files alone.
    plates = [plate for plate in all_plates(parts) if not (plate.closer and LOOK_PAGE in beside)]
    drawn = {}
    for done, plate in enumerate(plates):
        tell(done, len(plates))
        drawn[plate.key] = figure_html(plate, drawings)
    return render(
        "report.html.j2",
        title=label(review.session.sheet.name, 80),
        subtitle=pieces.text("line under the title", lambda: _subtitle(review)),
        cards=drawings.written("cards", lambda: cards(review), lambda _fault: ()),
        strip=pieces.tables("the session in one row", lambda: [tables.strip_table(review)])[0],
        course=COURSE_PAGE if COURSE_PAGE in beside else "",
        look=LOOK_PAGE if LOOK_PAGE in beside else "",
        parts=parts,
        drawn=drawn,
        sources=drawings.written("files behind the page", lambda: _sources(results), lambda _fault: []),
        settings=pieces.lines("settings", lambda: _settings(review)),
        steps=drawings.written(
            "steps of the logs", lambda: _steps(results), lambda fault: [("", [fault_sentence(fault)])]
        ),
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
    groups = together(
        (tuple(sentence(step, 200) for step in run["steps"]), label(run["name"], 24))
        for run in results["runs"]
    )
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
    `drawings` are given to hear of figures, words and tables that were left out; the page tells it in their
    place.
    """
    drawings = drawings or Drawings()
    lists = ("sheets", "runs", "failed", "setups", "comparisons")
    results = whole_results(RESULTS_FORMAT, lambda: results_dict(review, drawings), drawings, lists)
    tell = progress or (lambda _done, _all: None)
    beside = beside or {}
    page = whole_page(
        label(review.session.sheet.name, 80),
        lambda: render_page(review, results, parts or page_parts(review, drawings), drawings, tell, beside),
        drawings,
    )
    tables = drawings.written(TABLES, lambda: csv_tables(results, drawings), lambda _fault: {})
    written = write_page(folder, page, results, tables, beside, drawings)
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
    return Markup('<p class="note">{}</p>').format(fault_sentence(fault))


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


def whole_page(title: str, make: Callable[[], str], drawings: Drawings) -> str:
    """Return a page, and a bare one that says why in place of one the program fails at as a whole."""

    def bare(fault: Fault) -> str:
        # Without a template: that may be what fails.
        head = f'<meta charset="utf-8"><title>{escape(title)}</title>'
        body = f"<h1>{escape(title)}</h1><p>{escape(fault_sentence(fault))}</p>"
        return plain_text(f'<!doctype html><html lang="en"><head>{head}</head><body>{body}</body></html>')

    return drawings.written("page", make, bare)


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
    drawings: Drawings | None = None,
) -> Path:
    """Write page, ``results.json``, ``tables/*.csv`` and what stands `beside` them, all of it or nothing.

    Returns the page. What cannot be encoded (half a surrogate pair in a name) is written as its number.
    `drawings` are given to hear of results that could not be put into words of JSON.

    Raises
    ------
    AnalyzerError
        When `folder` holds something else than a report, or cannot be written to.
    """
    with replaced_folder(folder) as work:
        (work / PAGE).write_bytes(page_bytes(page))
        (work / RESULTS).write_bytes(results_bytes(results, drawings or Drawings()))
        for file, content in (beside or {}).items():
            (work / file).write_bytes(content)
        if tables:
            (work / TABLES).mkdir()
        for file, text in tables.items():
            (work / TABLES / file).write_bytes(text.encode("utf-8", "backslashreplace"))
    return folder / PAGE


def whole_results(
    form: str, make: Callable[[], dict[str, Any]], drawings: Drawings, lists: Iterable[str] = ()
) -> dict[str, Any]:
    """Return results; where the program fails at them as a whole, why, with `lists` empty."""
    return drawings.written(
        RESULTS,
        make,
        lambda fault: {
            "format": form,
            "version": __version__,
            **{key: [] for key in lists},
            "faults": [fault_dict(fault)],
        },
    )


def results_bytes(results: dict[str, Any], drawings: Drawings) -> bytes:
    """Return results as they are written to a file; its name and why it is empty where that fails."""
    return drawings.written(
        RESULTS,
        lambda: json_bytes(results),
        lambda fault: json_bytes(
            {key: results[key] for key in ("format", "version")} | {"faults": [fault_dict(fault)]}
        ),
    )
