"""What the page lets the program do: check, review, confirm, choose and the bar, as the commands do it."""

import threading
import traceback
from collections.abc import Callable, Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from analyzer import api
from analyzer.comparison.choosing.wishes import PRESETS
from analyzer.core.errors import AnalyzerError, one_line, place_of
from analyzer.core.units import AXLES, Axle
from analyzer.desk.folder import Folder, table_of
from analyzer.desk.sheet_form import Edit, apply
from analyzer.ingest.logfile import open_header, sample_columns
from analyzer.prediction.settings import fitted_setting, sheet_weights, tried_setting
from analyzer.report import terminal
from analyzer.report.cards import Card, cards
from analyzer.report.settings_sheet import bar_json, bar_svg, ladder_text, setting_figures
from analyzer.session.review import Review, failure_line
from analyzer.sheets.car import CarSheet
from analyzer.sheets.read import refusals
from analyzer.sheets.session import SessionSheet

TRACE_POINTS: Final = 160
"""Places along a small trace; at each the least and the greatest reading are drawn."""


# What commands print, for a page.


@dataclass(frozen=True, slots=True)
class Block:
    """One line or table of what a command prints.

    Parameters
    ----------
    text : str
        The line; empty for a table.
    strong : bool
        Whether it is printed bold.
    inner : bool
        Whether it is printed further in, under the line above it.
    heads, rows : tuple
        Of a table.
    """

    text: str = ""
    strong: bool = False
    inner: bool = False
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


class Paper(Console):
    """Takes lines and tables as data where a terminal lays them out: the page says what the commands say."""

    def __init__(self) -> None:
        # So wide that no line is cut in two; the page wraps by itself.
        super().__init__(width=100_000, highlight=False, markup=False, emoji=False)
        self.blocks: list[Block] = []

    def print(self, *objects: Any, **_options: Any) -> None:
        """Keep what is printed."""
        for item in objects:
            shown = item.renderable if isinstance(item, Padding) else item
            if isinstance(shown, Table):
                columns = [[_plain(cell) for cell in column.cells] for column in shown.columns]
                heads = tuple(_plain(column.header) for column in shown.columns)
                self.blocks.append(Block(heads=heads, rows=tuple(zip(*columns, strict=True))))
            elif _plain(shown).strip():
                bold = isinstance(shown, Text) and ("bold" in str(shown.style) or _whole_bold(shown))
                text = _plain(shown)
                self.blocks.append(Block(text.strip(), bold, text.startswith(" ")))


def _plain(item: Any) -> str:
    return item.plain if isinstance(item, Text) else str(item)


def _whole_bold(text: Text) -> bool:
    return any("bold" in str(span.style) for span in text.spans)


def printed(show: Callable[[Any, Console], None], result: Any) -> tuple[Block, ...]:
    """Return what a function of `report.terminal` prints of a result."""
    paper = Paper()
    show(result, paper)
    return tuple(paper.blocks)


# One piece of work at a time, beside the server.


@dataclass
class Job:
    """What is being done, or was done last.

    Parameters
    ----------
    what : str
        ``check``, ``review``, ``confirm`` or ``choose``; empty before the first.
    running : bool
        Whether it still goes on.
    step, done, steps : str, int, int
        Progress.
    error : str
        The line that says why it came to nothing.
    blocks, more : tuple of Block
        What the command would print, and what it would print where every detail is asked for.
    number : int
        Counts the jobs.
    """

    what: str = ""
    running: bool = False
    step: str = ""
    done: int = 0
    steps: int = 0
    error: str = ""
    blocks: tuple[Block, ...] = ()
    more: tuple[Block, ...] = ()
    number: int = 0
    answers: tuple[Card, ...] = ()


@dataclass
class Work:
    """The work on one folder.

    Parameters
    ----------
    folder : Folder
        Whose.
    """

    folder: Folder
    job: Job = field(default_factory=Job)
    _alone: threading.Lock = field(default_factory=threading.Lock)
    _reviewed: tuple[str, Review] | None = None

    def start(self, what: str, wishes: dict[str, str]) -> Job:
        """Begin a piece of work; raises `AnalyzerError` while another goes on, or when it is not known."""
        does = {
            "check": self._check,
            "review": self._review,
            "confirm": self._confirm,
            "choose": self._choose,
        }
        if what not in does:
            raise AnalyzerError("the page asked for something that is not known; load it again")
        with self._alone:
            if self.job.running:
                raise AnalyzerError(f"{self.job.what} is still going on; wait for its end")
            self.job = job = Job(what, True, "starting", number=self.job.number + 1)
        # Ends with the process: what it writes is moved into place at the end or not at all.
        threading.Thread(target=self._do, args=(job, does[what], wishes), daemon=True).start()
        return job

    def _do(self, job: Job, does: Callable[[Job, dict[str, str]], None], wishes: dict[str, str]) -> None:
        try:
            self.folder.path_of("car")
            does(job, wishes)
        except AnalyzerError as error:
            job.error = str(error)
        except OSError as error:
            job.error = one_line(
                f"{error.filename or 'a file'}: {error.strerror or error}; check rights and space"
            )
        except Exception as error:  # the desk goes on; the job says what to send
            traceback.print_exc()
            what = f"{type(error).__name__} in {place_of(error)}"
            job.error = f"fault of this program ({what}); send what the terminal shows to those who keep it"
        finally:
            job.running = False

    def _tell(self, job: Job) -> Callable[[str, int, int], None]:
        def tell(what: str, done: int, steps: int) -> None:
            job.step, job.done, job.steps = what, done, steps

        return tell

    def _check(self, job: Job, _wishes: dict[str, str]) -> None:
        outcome = api.check(self.folder.path, progress=self._tell(job))
        job.blocks = printed(terminal.print_health, outcome)
        job.more = printed(terminal.print_health_details, outcome)
        job.error = next(map(str, outcome.failed.values()), "")

    def _review(self, job: Job, _wishes: dict[str, str]) -> None:
        result = self._result(job)
        report = self.folder.inside("report")
        api.write_report(result, report, progress=self._tell(job))
        job.blocks = printed(terminal.print_summary, result)
        job.answers = cards(result)
        job.error = failure_line(result) or ""

    def _confirm(self, job: Job, wishes: dict[str, str]) -> None:
        found = api.confirm(self._result(job), wishes.get("before", ""), wishes.get("after", ""))
        job.blocks = printed(terminal.print_confirmation, found)

    def _choose(self, job: Job, wishes: dict[str, str]) -> None:
        found = api.choose(self._result(job), wishes.get("wish", ""), wishes.get("from") or None)
        job.blocks = printed(terminal.print_choice, found)

    def _result(self, job: Job) -> Review:
        """Return the review of the sheets and logs as they are now, done before or now."""
        session = api.load_session(self.folder.path)
        state = [path.read_bytes() for path in session.sheets.values()]
        state += [
            repr((p.stat().st_size, p.stat().st_mtime_ns)).encode()
            for ps in session.logs.values()
            for p in ps
        ]
        # By contents of the sheets and by size and time of the logs: reading every log to see that it is the
        # same would take as long as the review.
        key = repr(state)
        if self._reviewed is None or self._reviewed[0] != key:
            result = api.review(session, progress=self._tell(job))
            if not result.runs:
                raise AnalyzerError(failure_line(result) or "no run could be used")
            self._reviewed = key, result
        return self._reviewed[1]

    def setups(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Return the set-ups of the session sheet, and those that were driven, in the order of driving."""
        try:
            sheet = SessionSheet.model_validate(self.folder.read("session").table)
        except (AnalyzerError, ValueError):
            return (), ()
        return tuple(sheet.setups), tuple(dict.fromkeys(run.setup for run in sheet.runs))


# The bar while it is being thought about.


BAR_KEYS: Final = frozenset(
    {
        ("tube", "outside_diameter"),
        ("tube", "wall"),
        ("blade", "thickness"),
        ("blade", "depth"),
        ("blade", "root"),
        ("spacer", "thickness"),
        ("fitted", "hole"),
        ("fitted", "spacers"),
        ("outside_diameter",),
        ("wall",),
    }
)
"""What is tried beside its figures: the parts a builder changes; all else stands on the car's page."""
WORTH_SAYING: Final = 5.0
"""Part of a variance from which a value is worth measuring better [%]; engineering judgement."""
WISHES: Final = (
    *PRESETS,
    *(f"{axle} {step} % {way}" for axle in AXLES for way in ("softer", "stiffer") for step in (5, 10, 20)),
)


def tried_bar(folder: Folder, axle: Axle, edits: Sequence[Edit]) -> dict[str, Any]:
    """Return the figures of a bar with changes in it, as text, or where a value will not do."""
    kept = folder.read("car")
    changed = deepcopy(kept.table)
    for edit in edits:
        apply(changed, edit)
    try:
        tried = CarSheet.model_validate(changed)
    except ValidationError:
        found = refusals(changed, CarSheet)
        return {"refused": [{"key": item.key, "line": f"{item.problem}; {item.remedy}"} for item in found]}
    setting = tried_setting(_saved_car(kept.data), tried, axle, fitted_setting(tried.axle(axle).bar))
    return {"figures": setting_figures(setting), "warnings": list(setting.row.motion.warnings), "refused": []}


@lru_cache(maxsize=2)
def _saved_car(data: bytes) -> CarSheet:
    return CarSheet.model_validate(table_of(data))


def weights(car: CarSheet) -> dict[str, int]:
    """Return how much each line of a car sheet counts in the predicted roll gradient.

    Returns
    -------
    dict
        Dotted key, without the number of an entry -> its part of the variance of the axle that it matters
        more for [%], of those that make at least `WORTH_SAYING`.
    """
    percent = {key: 100.0 * weight.share for key, weight in sheet_weights(car).items()}
    return {key: round(part) for key, part in percent.items() if part >= WORTH_SAYING}


def bar_sheet(folder: Folder) -> tuple[str, dict[str, str]]:
    """Return what ``bar`` prints of the car, and its drawing for each axle with a bar."""
    kept = folder.read("car")
    table = bar_json(api.load_car(kept.path) if kept.there else _saved_car(kept.data))
    bars = {axle: part for axle, part in table["axles"].items() if part["kind"] != "none"}
    return ladder_text(table), {
        axle: bar_svg(part, f"{table['car']}, {axle} bar") for axle, part in bars.items()
    }


# The columns of a log, small.


@dataclass(frozen=True, slots=True)
class Trace:
    """One column of a log.

    Parameters
    ----------
    column : str
        Its name.
    points : str
        A line of a drawing 100 wide and 24 high; empty where it has no numbers.
    low, high : str
        Least and greatest reading.
    """

    column: str
    points: str
    low: str = ""
    high: str = ""


def traces(log: Path) -> tuple[Trace, ...]:
    """Return every column of a log; nothing when it cannot be read, which ``check`` explains."""
    try:
        header = open_header(log)
        values = sample_columns(log, range(len(header)))
    except (AnalyzerError, OSError):
        return ()
    return tuple(_trace(cell.full, values.get(index)) for index, cell in enumerate(header))


def _trace(column: str, values: NDArray[np.float64] | None) -> Trace:
    if values is None or not np.isfinite(values).any():
        return Trace(column, "")
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    span = (high - low) or 1.0
    # Least and greatest of each piece, as the large figures do: a spike stays to be seen.
    pieces = np.array_split(values, min(TRACE_POINTS, len(values)))
    points = []
    for index, piece in enumerate(pieces):
        known = piece[np.isfinite(piece)]
        x = 100.0 * index / max(len(pieces) - 1, 1)
        ends = (known.min(), known.max()) if len(known) else ()
        points += [f"{x:.1f},{23.0 - 22.0 * (float(end) - low) / span:.1f}" for end in ends]
    return Trace(column, " ".join(points), f"{low:.4g}", f"{high:.4g}")
