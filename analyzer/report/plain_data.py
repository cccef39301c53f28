"""Results as plain data: results.json and the CSV tables made of it, and what ``--json`` prints."""

import csv
import dataclasses
import io
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from enum import Enum
from functools import partial
from pathlib import Path
from typing import Any, Final, TypeVar

import pandas as pd

from analyzer import __version__
from analyzer.comparison import results as compared
from analyzer.core.errors import Fault, plain_text
from analyzer.core.estimate import Estimate
from analyzer.core.files import RESULTS, RESULTS_FORMAT, file_sha256
from analyzer.core.units import AXLES, DEG_PER_RAD, MM_PER_M
from analyzer.ingest.recording import Recording
from analyzer.processing.results import BottomingEvent, LoadShare, RunEstimates
from analyzer.report import reasons
from analyzer.report.figures.style import Drawings
from analyzer.report.sentences import fault_words
from analyzer.report.words import label, times
from analyzer.session.review import CheckOutcome, Review, Session

_Item = TypeVar("_Item")

SIGNIFICANT_DIGITS: Final = 9
"""Figures are rounded to this many significant digits, so that the last bits of a processor's arithmetic
do not make two equal reviews differ."""

_RATIO_MISSING: Final = "roll stiffness of the car was not measured in this run"


class Entries:
    """The entries of a file of results, plain and rounded; one that the program fails at is left out alone.

    Parameters
    ----------
    drawings : Drawings or None
        Hear of what was left out; without them the fault goes on.

    Attributes
    ----------
    faults : list of Fault
        Of the entries made so far.
    """

    def __init__(self, drawings: Drawings | None) -> None:
        self._drawings = drawings
        self.faults: list[Fault] = []

    def one(self, what: str, make: Callable[[], Any], instead: Any = None) -> Any:
        """Return an entry, or `instead`."""

        def left_out(fault: Fault) -> Any:
            self.faults.append(fault)
            return instead

        def made() -> Any:
            return plain(make(), SIGNIFICANT_DIGITS)

        if self._drawings is None:
            return made()
        return self._drawings.written(f"{what} in {RESULTS}", made, left_out)

    def each(
        self, what: Callable[[_Item], str], items: Iterable[_Item], make: Callable[[_Item], Any]
    ) -> list[Any]:
        """Return the entries of a list, those that fail dropped."""
        found = [self.one(what(item), partial(make, item)) for item in items]
        return [entry for entry in found if entry is not None]


def results_dict(review: Review, drawings: Drawings | None = None) -> dict[str, Any]:
    """Return everything a review found: what stands in its results.json.

    Shape and units are those of docs/results.md: gradients [deg/g], roll stiffness [N m/deg], travel [mm],
    bank [deg], loads [N]. No NaN, no infinity, no time of day; file names are relative to the folder of the
    session sheet. `drawings` are given to hear of entries that were left out, which stand among the faults.
    """
    # A run whose recording is not at hand has neither health nor sources, and still its figures.
    recordings = {recording.run: recording for recording in review.recordings}
    session = review.session
    # Part by part: an entry that fails leaves its place out and stands among the faults, the others stay.
    entries = Entries(drawings)
    table: dict[str, Any] = {
        "format": RESULTS_FORMAT,
        "version": __version__,
        "seed": review.seed,
        "session": session.sheet.name,
        "car": session.car.name,
        "course": None if session.course is None else session.course.name,
        "sheets": entries.one("sheets", lambda: _sheet_sources(session), []),
        "runs": entries.each(
            lambda run: f"run {label(run.name)}",
            review.runs,
            lambda run: _run(run, recordings.get(run.name), session),
        ),
        "failed": entries.each(
            lambda left: f"run {label(left[0])}",
            review.failed.items(),
            lambda left: {"name": left[0], "reason": _local(str(left[1]), session)},
        ),
        "repeats": entries.one("repeated rows", lambda: review.repeats, []),
        "faults": [],
        "setups": entries.each(lambda setup: f"set-up {label(setup.name)}", review.setups, _setup),
        "comparisons": entries.each(
            lambda change: f"change from {label(change.before)} to {label(change.after)}",
            review.comparisons,
            _comparison,
        ),
        "bar_settings": entries.each(lambda item: f"{item.axle} bar settings", review.bars, _bar_settings),
    }
    # Last: only now is it known what could not be written.
    table["faults"] = [_fault(fault, session) for fault in (*review.faults, *entries.faults)]
    return table


def _run(run: RunEstimates, recording: Recording | None, session: Session) -> dict[str, Any]:
    # The ratio stands beside the gradients in every run, known or not; among the further ones it would come
    # and go.
    further = dict(run.further)
    ratio = further.pop("roll_stiffness_ratio", None) or Estimate.unknown("1", _RATIO_MISSING)
    steps = (*(() if recording is None else recording.steps), *run.motion.steps)
    # Logs are named as seen from the session sheet, so that a moved folder gives the same bytes.
    sources = () if recording is None else recording.sources
    folder = session.path.parent
    return {
        **taken(run, "name setup"),
        "conditions": next((dict(r.conditions) for r in session.sheet.runs if r.name == run.name), {}),
        **taken(run, "roll_gradient roll_gradient_body"),
        "roll_stiffness_ratio": ratio,
        "left_share": {axle: run.left_share(axle) for axle in AXLES},
        "load": {axle: _load(share) for axle, share in run.load_share.items()},
        **taken(run, "splits differences"),
        "bottoming": [event_dict(event) for event in run.bottoming],
        "topping": [event_dict(event) for event in run.topping],
        "stops": run.stops,
        "further": further,
        "health": [] if recording is None else recording.health,
        "notes": run.notes,
        "steps": [_local(step, session) for step in steps],
        "sources": [
            {"file": relative_name(source.path, folder), **taken(source, "sha256 size")} for source in sources
        ],
    }


def _fault(fault: Fault, session: Session) -> dict[str, Any]:
    table = fault_dict(fault, session.path.parent)
    return {**table, "message": _local(fault.message, session), "reason": _local(table["reason"], session)}


def fault_dict(fault: Fault, folder: Path | None = None) -> dict[str, Any]:
    """Return a fault of the program; files are named as seen from `folder`, or without their folders."""
    return {
        "name": fault.run,
        "reason": fault_words(fault),
        **taken(fault, "stage kind message place"),
        "send": [path.name if folder is None else relative_name(path, folder) for path in fault.send],
    }


def _load(share: LoadShare) -> dict[str, Any]:
    return {
        **taken(share, "lowest_load lowest_corner"),
        "lowest_at_s": share.lowest_at,
        **taken(share, "light_time evenness light"),
    }


def event_dict(event: BottomingEvent) -> dict[str, Any]:
    """Return one bottoming event: travel in mm, bank in degrees."""
    budget = event.budget
    return {
        **taken(event, "corner kind start_s end_s peak_s"),
        "peak_mm": event.peak * MM_PER_M,
        "peak_error_mm": times(event.peak_error, MM_PER_M),
        "stop_compression_mm": event.stop_compression * MM_PER_M,
        "approach_speed_m_per_s": event.approach_speed,
        "hard": event.hard,
        "distance_m": event.distance,
        "speed_m_per_s": event.speed,
        "jolt_m_per_s2": event.jolt,
        **taken(event, "seen lateral_kept"),
        "vertical_acceleration_m_per_s2": event.vertical_acceleration,
        "bank_deg": times(event.bank, DEG_PER_RAD),
        "section": event.section,
        # Two ways to add up the same travel: by the mode of the four wheels, and by what brought it about.
        "budget_mm": None if budget is None else _in_mm(taken(budget, "heave roll pitch warp")),
        "causes_mm": None if budget is None else _in_mm(budget.causes),
    }


def _in_mm(parts: Mapping[str, float]) -> dict[str, float]:
    return {part.replace(" ", "_"): travel * MM_PER_M for part, travel in parts.items()}


def _setup(setup: compared.SetupResult) -> dict[str, Any]:
    predicted = taken(
        setup.predicted,
        "bars roll_stiffness roll_gradient roll_gradient_body load_transfer front_share assumed",
    )
    return {**taken(setup, "name runs"), "predicted": predicted, **taken(setup, "measured ledger")}


def _comparison(comparison: compared.Comparison) -> dict[str, Any]:
    change = taken(
        comparison.prediction, "changed stiffness_ratio stiffness_change gradient_ratio front_over_rear"
    )
    return {
        **taken(comparison, "before after axle stiffness_ratio predicted_ratio stiffness_change"),
        **taken(
            comparison, "predicted_change gradient_ratio front_over_rear verdict unmeasured smallest_visible"
        ),
        "reason": reasons.verdict(comparison.reason),
        **taken(comparison, "differences"),
        "drift": _drift(comparison.drift),
        "axle_moves": comparison.axle_moves,
        "known": comparison.known,
        "notes": comparison.notes,
        "prediction": change,
    }


def _drift(drift: compared.SessionDrift | None) -> dict[str, Any] | None:
    if drift is None:
        return None
    return {
        "driven": [{"setup": name, "runs": number} for name, number in drift.order],
        **taken(drift, "size per_run odds found treatment leaning"),
    }


def _bar_settings(model: compared.AxleSettings) -> dict[str, Any]:
    return {
        **taken(model, "axle springs springs_predicted friction settings pairs"),
        "sessions": [name for name in model.sessions if name],
        "notes": model.notes,
    }


def _sheet_sources(session: Session) -> list[dict[str, str]]:
    """Return name and hash of each sheet; a sheet gone since the review is listed without a hash."""
    return [
        {"kind": kind, "file": relative_name(path, session.path.parent), "sha256": _hash(path)}
        for kind, path in session.sheets.items()
    ]


def _hash(path: Path) -> str:
    try:
        return file_sha256(path)
    except OSError:
        return "not readable when the report was written"


def relative_name(path: Path, folder: Path) -> str:
    """Return `path` as seen from `folder`; its bare name when it lies elsewhere."""
    try:
        return path.resolve().relative_to(folder.resolve()).as_posix()
    except ValueError:
        return path.name


def _local(text: str, session: Session) -> str:
    """Return `text` without the path of the session's folder, which differs from machine to machine."""
    # As given and resolved: messages hold either, and a link makes them differ.
    for folder in {str(session.path.parent), str(session.path.parent.resolve())} - {".", "/", ""}:
        text = text.replace(folder + "/", "").replace(folder + "\\", "")
    return text


# What the other commands print with ``--json``. Estimates have the shape of results.json; figures are not
# rounded, since nobody compares two runs of these commands byte by byte.


def health_json(outcome: CheckOutcome) -> dict[str, Any]:
    """Return the health rows of every recording, for ``analyzer check``."""
    found: dict[str, Any] = plain(
        {
            "runs": [
                {
                    "name": recording.run,
                    "sample_rate_hz": recording.sample_rate,
                    "samples": len(recording.data),
                    "channels": list(recording.data.columns),
                    **taken(recording, "health steps"),
                }
                for recording in outcome.recordings
            ],
            "failed": {name: str(error) for name, error in outcome.failed.items()},
            "faults": [fault_dict(fault) for fault in outcome.faults],
        }
    )
    return found


def confirmation_json(confirmation: compared.Confirmation) -> dict[str, Any]:
    """Return everything of a confirmation, for ``analyzer confirm``."""
    # In the order in which it is read: the verdict, what it rests on, what else may explain it, what to do.
    comparison = confirmation.comparison
    both = (confirmation.before, confirmation.after)
    found: dict[str, Any] = plain(
        {
            **taken(comparison, "before after axle verdict unmeasured"),
            "reason": reasons.verdict(comparison.reason),
            **taken(comparison, "stiffness_ratio predicted_ratio"),
            **taken(comparison, "stiffness_change predicted_change"),
            "car_ratio": confirmation.car_ratio,
            **taken(comparison, "gradient_ratio front_over_rear smallest_visible other_axle"),
            "stiffness": {setup.name: _stiffness(setup) for setup in both},
            "stress_factor": {setup.name: _stress_factors(setup) for setup in both},
            "order": confirmation.order,
            "drift_per_run": confirmation.drift,
            "drift": _drift(comparison.drift),
            "axle_moves": comparison.axle_moves,
            "known": comparison.known,
            "ledger": [{"part": p.name, **taken(p, "before after change")} for p in confirmation.parts],
            "without_one_run": [taken(item, "run stiffness_ratio verdict") for item in confirmation.left_out],
            "reasons": _reasons(confirmation.reasons),
            "settings": {"effects": confirmation.settings, "pairs": confirmation.pairs},
            "bar_settings": [_bar_settings(item) for item in confirmation.bars],
            "car_as_shown": confirmation.shown,
            "plan": reasons.next_runs(confirmation.plan, comparison),
            **taken(comparison, "differences notes"),
            "cautions": confirmation.cautions,
            "faults": [fault_dict(fault) for fault in confirmation.faults],
        }
    )
    return found


def _reasons(found: compared.Reasons) -> dict[str, Any]:
    # Words beside the data they are made of.
    ranked = [
        {
            "name": reasons.name(cause),
            **taken(cause, "kind axle after_only instead probability bayes_factor size"),
            "evidence": reasons.evidence(cause),
            "check": reasons.check(cause),
        }
        for cause in found.ranked
    ]
    return {
        "answer": reasons.answer(found),
        "kind": found.answer,
        "unmeasured": found.unmeasured,
        "named": [reasons.name(cause) for cause in found.named],
        "none": found.none,
        "fit": found.fit,
        "rivals": [reasons.name(cause) for cause in found.rivals],
        "figures": [reasons.figure(figure) for figure in found.figures],
        "ranked": ranked,
    }


def _stiffness(setup: compared.SetupResult) -> dict[str, Estimate]:
    # Axles and car, under their own names.
    start = "roll_stiffness_"
    return {key.removeprefix(start): e for key, e in setup.measured.items() if key.startswith(start)}


def _stress_factors(setup: compared.SetupResult) -> dict[str, Estimate]:
    return {axle: bar.stress_factor for axle, bar in setup.predicted.bars.items()}


def choice_json(choice: compared.Choice) -> dict[str, Any]:
    """Return a choice, for ``analyzer choose``."""
    found: dict[str, Any] = plain(
        {
            **taken(choice, "wish present"),
            "answer": reasons.choice(choice),
            **taken(choice, "reachable tried"),
            "basis": reasons.choice_basis(choice.basis),
            "assumptions": [reasons.assumption(one) for one in choice.assumptions],
            **taken(choice, "cautions"),
            "options": [_option(option) for option in choice.options],
            "faults": [fault_dict(fault) for fault in choice.faults],
        }
    )
    return found


def _option(option: compared.Option) -> dict[str, Any]:
    plan = option.plan
    return {
        "fitted": option.words,
        **taken(option, "changes cost reached chance miss goals"),
        "effects": {name.replace(" ", "_"): effect for name, effect in option.effects.items()},
        **taken(option, "stiffness_ratio stress_factor"),
        "plan": None if plan is None else {**plain(plan), "words": reasons.plan(plan)},
        **taken(option, "cautions"),
    }


# How a result becomes plain.


def taken(item: object, names: str) -> dict[str, Any]:
    """Return the attributes of a result that stand in the data under their own names."""
    return {name: getattr(item, name) for name in names.split()}


def plain(value: Any, digits: int | None = None) -> Any:
    """Return results as dictionaries, lists, text and numbers, rounded to significant `digits` where asked.

    A result becomes a dictionary of its fields; estimates have the shape docs/results.md gives them.
    """
    if isinstance(value, Estimate):
        value = value.to_dict()
    elif isinstance(value, Enum):
        return value.value
    elif dataclasses.is_dataclass(value):
        # One level only: `asdict` would take estimates apart in the order of their fields.
        value = {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}
    elif hasattr(value, "tolist"):  # numbers and arrays of numpy
        value = value.tolist()
    if isinstance(value, Mapping):
        return {str(key): plain(item, digits) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item, digits) for item in value]
    if digits is not None and isinstance(value, float):
        # The infinities and NaN of a health row mean "no such figure".
        return float(f"{value:.{digits}g}") if math.isfinite(value) else None
    return value


Row = dict[str, Any]

_ESTIMATE: Final = (
    "value",
    "std_error",
    "low",
    "high",
    "level",
    "calibration",
    "n",
    "unit",
    "reason",
    "provisional",
)

COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "runs.csv": ("run", "setup", "quantity", *_ESTIMATE),
    "setups.csv": ("setup", "quantity", "kind", *_ESTIMATE),
    "measured_against_predicted.csv": (
        *("setup", "quantity", "unit", "measured", "measured_std_error", "predicted", "predicted_std_error"),
        *("ratio", "ratio_low", "ratio_high", "unexplained", "unexplained_low", "unexplained_high", "agrees"),
    ),
    "comparisons.csv": (
        *("before", "after", "axle", "verdict", "stiffness_ratio", "ratio_low", "ratio_high"),
        *("predicted_ratio", "predicted_low", "predicted_high", "smallest_visible", "reason"),
    ),
    "bottoming.csv": (
        *("run", "setup", "corner", "section", "kind", "start_s", "peak_s", "end_s", "peak_mm"),
        *("peak_error_mm", "stop_compression_mm", "approach_speed_m_per_s", "hard", "distance_m"),
        *("speed_m_per_s", "jolt_m_per_s2", "seen", "lateral_kept", "vertical_acceleration_m_per_s2"),
        *("bank_deg", "heave_mm", "roll_mm", "pitch_mm", "warp_mm", "cause_vertical_load_mm"),
        *("cause_roll_mm", "cause_pitch_mm", "cause_warp_mm", "cause_road_mm"),
    ),
    "splits.csv": ("run", "setup", "kind", "part", "seconds", "quantity", "axle", *_ESTIMATE),
    "health.csv": ("run", "channel", "check", "verdict", "value", "threshold", "unit", "comment"),
    "left_out.csv": ("run", "reason"),
}
"""Columns of every table, in order; explained in docs/results.md."""

_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n")


def csv_tables(results: dict[str, Any], drawings: Drawings | None = None) -> dict[str, str]:
    """Return file name -> text of every table of what `results_dict` gave.

    Comma separated, one header row, lines ended by a line feed. Columns and units are listed in
    docs/results.md; unknown figures are empty cells. A table that the program fails at is left out where
    `drawings` are given to hear of it.
    """
    rows_of, written = _all_rows(results), {}
    for file, rows in rows_of.items():
        make = partial(csv_text, COLUMNS[file], rows)
        text = make() if drawings is None else drawings.written(f"tables/{file}", make, lambda _fault: "")
        if text:
            written[file] = text
    return written


def data_frames(results: dict[str, Any]) -> dict[str, pd.DataFrame]:
    """Return every table under its file's name without ``.csv``; unknown cells are missing."""
    return {
        file.removesuffix(".csv"): pd.DataFrame(list(rows), columns=list(COLUMNS[file]))
        for file, rows in _all_rows(results).items()
    }


def _all_rows(results: dict[str, Any]) -> dict[str, Iterable[Row]]:
    # In the order of COLUMNS. From the dictionary and not from the results themselves, so that a table cannot
    # say anything else than results.json.
    return {
        "runs.csv": _runs(results),
        "setups.csv": _setups(results),
        "measured_against_predicted.csv": _ledgers(results),
        "comparisons.csv": _comparisons(results),
        "bottoming.csv": _bottoming(results),
        "splits.csv": _splits(results),
        "health.csv": _health(results),
        "left_out.csv": (
            {"run": f["name"], "reason": f["reason"]} for f in (*results["failed"], *results["faults"])
        ),
    }


def csv_text(columns: tuple[str, ...], rows: Iterable[Row]) -> str:
    """Return rows as CSV text; text that a spreadsheet would take for a formula gets an apostrophe."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([cell(row.get(column)) for column in columns])
    return buffer.getvalue()


def cell(value: Any) -> str:
    """Return one cell: numbers as Python writes them, yes or no, text made harmless, unknown as empty."""
    if value is None:
        return ""
    # Before the numbers: to Python True is one of them.
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return repr(value)
    # A name from a log may begin like a formula, after blanks too; a spreadsheet would run it on opening
    # (OWASP, "CSV Injection", from memory). An apostrophe makes it text.
    text = plain_text(str(value)).replace("\n", " ")
    risky = text.startswith(_FORMULA_STARTS) or text.lstrip().startswith(_FORMULA_STARTS)
    return "'" + text if risky else text


def _parts(estimate: dict[str, Any]) -> Row:
    # The reason stands where a cell is empty, and nowhere else: notes of a known figure are in results.json.
    low, high = estimate["interval"] or (None, None)
    unknown = estimate["value"] is None or estimate["std_error"] is None
    reason = "; ".join(estimate["notes"]) if unknown else ""
    rests = " ".join(estimate["provisional"])
    return {**estimate, "low": low, "high": high, "reason": reason, "provisional": rests}


def _under(start: str, estimates: dict[str, Any]) -> dict[str, Any]:
    return {f"{start}_{key}": estimate for key, estimate in estimates.items()}


def _runs(results: dict[str, Any]) -> Iterator[Row]:
    for run in results["runs"]:
        named = {
            **_under("roll_gradient", run["roll_gradient"]),
            **_under("roll_gradient_body", run["roll_gradient_body"]),
            "roll_stiffness_ratio": run["roll_stiffness_ratio"],
            **_under("left_share", run["left_share"]),
            **{key: e for axle, load in run["load"].items() for key, e in _loads(axle, load).items()},
            **run["further"],
        }
        for quantity, estimate in named.items():
            yield {"run": run["name"], "setup": run["setup"], "quantity": quantity, **_parts(estimate)}


def _loads(axle: str, load: dict[str, Any]) -> dict[str, Any]:
    """Return the estimates of an axle's loads by quantity; light time by its threshold in percent."""
    named = {f"{part}_{axle}": load[part] for part in ("lowest_load", "evenness", "light_time")}
    for light in load["light"]:
        below = f"below_{100.0 * light['below']:g}_percent_{axle}"
        named |= {f"light_{part}_{below}": light[part] for part in ("share", "seconds")}
    return named


def _setups(results: dict[str, Any]) -> Iterator[Row]:
    for setup in results["setups"]:
        # One row per figure, measured and predicted alike, so that a filter on the quantity shows both.
        predicted = setup["predicted"]
        named = {f"bar_rate_{axle}": bar["rate"] for axle, bar in predicted["bars"].items()}
        for group in ("roll_stiffness", "roll_gradient", "roll_gradient_body"):
            named |= _under(group, predicted[group])
        for axle, parts in predicted["load_transfer"].items():
            named |= {f"load_transfer_{part}_{axle}": e for part, e in parts.items()}
        named["front_share"] = predicted["front_share"]
        for kind, estimates in (("measured", setup["measured"]), ("predicted", named)):
            for quantity, estimate in estimates.items():
                yield {"setup": setup["name"], "quantity": quantity, "kind": kind, **_parts(estimate)}


def _ledgers(results: dict[str, Any]) -> Iterator[Row]:
    for setup in results["setups"]:
        for row in setup["ledger"]:
            yield {
                "setup": setup["name"],
                "quantity": row["quantity"],
                "unit": row["measured"]["unit"],
                "measured": row["measured"]["value"],
                "measured_std_error": row["measured"]["std_error"],
                "predicted": row["predicted"]["value"],
                "predicted_std_error": row["predicted"]["std_error"],
                **_with_ends(row["ratio"], "ratio", "ratio"),
                **_with_ends(row["unexplained"], "unexplained", "unexplained"),
                "agrees": row["agrees"],
            }


def _with_ends(estimate: dict[str, Any], key: str, start: str) -> Row:
    low, high = estimate["interval"] or (None, None)
    return {key: estimate["value"], f"{start}_low": low, f"{start}_high": high}


def _comparisons(results: dict[str, Any]) -> Iterator[Row]:
    for comparison in results["comparisons"]:
        yield {
            **{key: comparison[key] for key in ("before", "after", "verdict", "reason")},
            "axle": comparison["axle"] or "both",
            **_with_ends(comparison["stiffness_ratio"], "stiffness_ratio", "ratio"),
            **_with_ends(comparison["predicted_ratio"], "predicted_ratio", "predicted"),
            "smallest_visible": comparison["smallest_visible"]["value"],
        }


def _bottoming(results: dict[str, Any]) -> Iterator[Row]:
    for run in results["runs"]:
        # Both ends of the travel in one table; the column "kind" tells them apart.
        for event in (*run["bottoming"], *run["topping"]):
            budget = {f"{part}_mm": travel for part, travel in (event["budget_mm"] or {}).items()}
            causes = {f"cause_{part}_mm": travel for part, travel in (event["causes_mm"] or {}).items()}
            yield {"run": run["name"], "setup": run["setup"], **event, **budget, **causes}


def _splits(results: dict[str, Any]) -> Iterator[Row]:
    for run in results["runs"]:
        for split in run["splits"]:
            # A long table: one row per figure, and no empty columns for axles without loads.
            head = {"run": run["name"], "setup": run["setup"], "part": split["name"]}
            for quantity in ("roll_gradient_body", "left_share", "share_slope"):
                for axle, estimate in split[quantity].items():
                    yield {**split, **head, "quantity": quantity, "axle": axle, **_parts(estimate)}


def _health(results: dict[str, Any]) -> Iterator[Row]:
    for run in results["runs"]:
        for row in run["health"]:
            yield {"run": run["name"], **row}
