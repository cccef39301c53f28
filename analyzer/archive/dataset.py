"""The archive on disk: its own folder, held for one pass, and in it the Parquet data set."""

import datetime as dt
import hashlib
import math
import re
import shutil
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import IO, Any, Final

import pyarrow as pa
import pyarrow.dataset as pads
import pyarrow.parquet as pq

from analyzer.archive.results import Row, RunPlan, RunRecord, SessionPlan
from analyzer.comparison import stiffness
from analyzer.core.errors import AnalyzerError, one_line
from analyzer.core.estimate import Estimate
from analyzer.core.files import PART, SEASON_FORMAT, json_bytes, read_json, write_whole
from analyzer.core.store import digest_of
from analyzer.core.units import AXLES

# The archive's own folder: whose it is, one pass at a time, files that are there whole or not at all.


MARKER: Final = "archive.json"
LOCK: Final = ".lock"
DATA: Final = "data"
RESULTS: Final = "results"
LOGS: Final = "logs.json"
REPORT: Final = "report"
FIGURE: Final = "season.svg"

MARKS_APART: Final = " | "
"""What stands between the remarks, and between the marks, of an estimate in the data set."""

_MARK: Final = {"format": SEASON_FORMAT}


@contextmanager
def opened(folder: Path) -> Iterator[Path]:
    """Make `folder` ready for one pass and hold it against a second one.

    Yields
    ------
    Path
        The folder, resolved; left-over temporary files of a killed pass are gone.

    Raises
    ------
    AnalyzerError
        When something else lies there, another pass is at work, or the place cannot be written to.
    """
    folder = folder.expanduser().resolve()
    _check_ours(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = (folder / LOCK).open("a")
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise AnalyzerError(
            one_line(f"{folder}: the archive cannot be written there ({reason}); name another folder")
        ) from None
    with lock:
        if not _locked(lock):
            raise AnalyzerError(one_line(f"{folder}: another pass is writing this archive; wait for it"))
        # The system lets go of the lock when the process ends, however it ends.
        for left in folder.rglob(f"{PART}*"):
            with suppress(OSError):  # gone meanwhile, or not ours to remove; the next pass tries again
                left.unlink()
        write_whole(folder / MARKER, json_bytes(_MARK), own=True)
        yield folder


def _check_ours(folder: Path) -> None:
    if not folder.exists():
        return
    if not folder.is_dir():
        raise AnalyzerError(one_line(f"{folder}: is a file; name a folder for the archive"))
    entries = sorted(e.name for e in folder.iterdir() if e.name != LOCK and not e.name.startswith(PART))
    if entries and read_json(folder / MARKER) != _MARK:
        raise AnalyzerError(
            one_line(
                f'{folder}: is not an archive of this program (it holds "{entries[0]}") and is left alone; '
                "name another folder with --out"
            )
        )


def _locked(file: IO[str]) -> bool:
    try:
        import fcntl
    except ImportError:  # a system without these locks: the user keeps to one pass at a time
        return True
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


# The Parquet data set: three tables, one file per car and session, each there whole or not at all.


_TEXT, _NUMBER, _WHOLE, _YES_NO = pa.string(), pa.float64(), pa.int64(), pa.bool_()

_PLACE: Final = (
    ("car_name", _TEXT),
    ("session_name", _TEXT),
    ("folder", _TEXT),
    ("date", pa.date32()),
    ("course", _TEXT),
    ("run", _TEXT),
    ("place", _WHOLE),
    ("setup", _TEXT),
    ("setting", _TEXT),
)
SCHEMAS: Final[dict[str, pa.Schema]] = {
    "runs": pa.schema(
        [
            *_PLACE,
            ("conditions", _TEXT),
            ("left_out", _TEXT),
            ("fault", _YES_NO),
            ("sample_rate_hz", _NUMBER),
            ("duration_s", _NUMBER),
            ("bottomed", _WHOLE),
            ("checks_suspect", _WHOLE),
            ("checks_bad", _WHOLE),
            ("notes", _TEXT),
            ("logs", _TEXT),
            ("logs_sha256", _TEXT),
        ]
    ),
    "estimates": pa.schema(
        [
            *_PLACE,
            ("quantity", _TEXT),
            ("value", _NUMBER),
            ("std_error", _NUMBER),
            ("low", _NUMBER),
            ("high", _NUMBER),
            ("calibration", _NUMBER),
            ("level", _NUMBER),
            ("n", _WHOLE),
            ("unit", _TEXT),
            ("method", _TEXT),
            ("notes", _TEXT),
            ("provisional", _TEXT),
        ]
    ),
    "bottoming": pa.schema(
        [
            *_PLACE,
            ("corner", _TEXT),
            ("section", _TEXT),
            ("start_s", _NUMBER),
            ("peak_s", _NUMBER),
            ("end_s", _NUMBER),
            ("peak_mm", _NUMBER),
            ("stop_compression_mm", _NUMBER),
            ("approach_speed_m_per_s", _NUMBER),
            ("hard", _YES_NO),
            ("bank_deg", _NUMBER),
            ("heave_mm", _NUMBER),
            ("roll_mm", _NUMBER),
            ("pitch_mm", _NUMBER),
            ("warp_mm", _NUMBER),
        ]
    ),
}
"""Columns of every table; explained in docs/archive.md."""

FILE: Final = "part-0.parquet"
_STATE: Final = b"analyzer.state"


def partition(folder: Path, table: str, plan: SessionPlan) -> Path:
    """Return the file of one session in one table of the archive at `folder`.

    The names of car and session folder are spelled so that any file system and any reader takes them; two
    names that would be spelled alike are told apart by a digest. The true names are columns.
    """
    return folder / DATA / table / f"car={_spelled(plan.car)}" / f"session={_spelled(plan.folder)}" / FILE


_NOT_PLAIN: Final = re.compile(r"[^a-z0-9]+")


def _spelled(name: str) -> str:
    plain = _NOT_PLAIN.sub("-", name.lower()).strip("-")[:60]
    mark = hashlib.sha256(name.encode("utf-8", "backslashreplace")).hexdigest()[:6]
    return f"{plain or 'x'}-{mark}"


def session_state(plan: SessionPlan) -> str:
    """Return the digest of all that a session's files are made from."""
    runs = [
        (r.name, r.setup, r.setting, r.conditions, None if r.task is None else r.task.key, r.failed)
        for r in plan.runs
    ]
    return digest_of(plan.folder, plan.name, plan.car, plan.course, plan.date, runs)


def is_current(folder: Path, plan: SessionPlan, state: str) -> bool:
    """Return whether all files of a session are there and made from this `state`."""
    return all(_state_of(partition(folder, table, plan)) == state for table in SCHEMAS)


def _state_of(path: Path) -> str | None:
    try:
        metadata = pq.read_schema(path).metadata or {}
    except (OSError, pa.ArrowException):
        return None
    return str(metadata.get(_STATE, b"").decode())


def write_session(folder: Path, plan: SessionPlan, records: Mapping[str, RunRecord], state: str) -> None:
    """Write the files of one session.

    Parameters
    ----------
    records : mapping
        Run name -> record, of every run that has a task.
    state : str
        From `session_state`; empty when a failure may pass, so that the session is looked at again.
    """
    rows: dict[str, list[Row]] = {table: [] for table in SCHEMAS}
    order = {run.name: records[run.name] for run in plan.runs if run.name in records}
    figures = session_figures({name: record for name, record in order.items() if record.failed is None})
    for number, run in enumerate(plan.runs):
        place = _place(plan, run, number)
        record = records.get(run.name)
        reason = run.failed if record is None else record.failed
        facts = {} if record is None else record.facts
        fault = record is not None and record.fault
        rows["runs"].append(
            {**place, "conditions": run.conditions, "left_out": reason, "fault": fault, **facts}
        )
        if record is not None:
            rows["estimates"] += [
                {**place, **_estimate_row(n, e)} for n, e in figures.get(run.name, {}).items()
            ]
            rows["bottoming"] += [{**place, **row} for row in record.bottoming]
    # The state stands in each file: of a pass killed between two of them the session is made anew.
    for table, schema in SCHEMAS.items():
        marked = schema.with_metadata({_STATE: state.encode()})
        made = pa.Table.from_pylist(rows[table], schema=marked)
        write_whole(partition(folder, table, plan), partial(pq.write_table, made), own=True)


_GRADIENTS: Final = {f"roll_gradient_{p}" for p in (*stiffness.TARGETS, *(f"body_{a}" for a in AXLES))}
"""First among a run's rows."""


@dataclass(frozen=True)
class _StoredRun:
    """What of a record its roll stiffness comes from; see `RollFigures`."""

    name: str
    roll_gradient_body: dict[str, Estimate]
    further: dict[str, Estimate]


def session_figures(records: Mapping[str, RunRecord]) -> dict[str, dict[str, Estimate]]:
    """Return run name -> figures by name, with those that rest on the session's other runs, too.

    Parameters
    ----------
    records : mapping
        Run name -> record, of the runs that could be used, in the order of the sheet.
    """
    runs = [
        _StoredRun(name, {a: r.figures[f"roll_gradient_body_{a}"] for a in AXLES}, r.figures)
        for name, r in records.items()
    ]
    found = {}
    # As a review does it: a run that does not show what part of the moment was kept takes that of the others.
    for run, record in zip(stiffness.with_moment_kept(runs), records.values(), strict=True):
        sheet = stiffness.RollSheet(**record.sheet)
        both = {"roll_gradient_front_over_rear": _front_over_rear(run)}
        both |= {f"roll_stiffness_{t}": _stiffness(t, run, sheet) for t in stiffness.TARGETS}
        gradients = {name: run.further[name] for name in run.further if name in _GRADIENTS}
        found[run.name] = {**gradients, **both, **run.further}
    return found


def _front_over_rear(run: _StoredRun) -> Estimate:
    """Return the front axle's roll over the rear one's [1]: which end of the car gave way.

    The two errors are taken as independent, which is wide: most of what spoils one spoils the other, too.
    """
    front, rear = (run.roll_gradient_body[axle] for axle in AXLES)
    method = "body-axes roll gradients, front over rear"
    if not front.value or not rear.value or front.value < 0.0 or rear.value < 0.0:
        return Estimate.unknown("1", f"{run.name}: not measured on both axles", method)
    value = front.value / rear.value
    if front.std_error is None or rear.std_error is None:
        return Estimate(value, "1", method=method, notes=("a gradient has no error of its own",))
    error = value * math.hypot(front.std_error / front.value, rear.std_error / rear.value)
    return Estimate(value, "1", std_error=error, method=method)


def _stiffness(target: stiffness.Target, run: _StoredRun, sheet: stiffness.RollSheet) -> Estimate:
    """Return the roll stiffness one run shows [N m/deg]; its error is that within the run alone."""
    found = stiffness.run_stiffness(target, run, sheet)
    if not isinstance(found, stiffness.RunStiffness):
        return Estimate.unknown(stiffness.STIFFNESS_UNIT, found)
    value = math.exp(found.log)
    error = None if found.variance is None else value * math.sqrt(found.variance)
    notes = ("error within the run; that of the sheet is common to all runs",)
    method = "roll moment of the sheet over measured roll"
    return Estimate(value, stiffness.STIFFNESS_UNIT, std_error=error, method=method, notes=notes)


def _estimate_row(name: str, estimate: Estimate) -> Row:
    low, high = estimate.interval or (None, None)
    lists = {name: MARKS_APART.join(getattr(estimate, name)) for name in ("notes", "provisional")}
    columns = {**estimate.to_dict(), "low": low, "high": high, **lists}
    del columns["interval"]
    return {"quantity": name, **columns}


def _place(plan: SessionPlan, run: RunPlan, number: int) -> dict[str, Any]:
    return {
        "car_name": plan.car,
        "session_name": plan.name,
        "folder": plan.folder,
        "date": None if plan.date is None else dt.date.fromisoformat(plan.date),
        "course": plan.course,
        "run": run.name,
        "place": number,
        "setup": run.setup,
        "setting": run.setting,
    }


def drop_others(folder: Path, plans: Iterable[SessionPlan]) -> None:
    """Remove the files of sessions that are no longer below the archived folder."""
    keep = {partition(folder, table, plan).parent for plan in plans for table in SCHEMAS}
    for table in SCHEMAS:
        for session in (folder / DATA / table).glob("car=*/session=*"):
            if session not in keep:
                shutil.rmtree(session, ignore_errors=True)
                with suppress(OSError):  # other sessions of the car are left in it
                    session.parent.rmdir()


def read_rows(folder: Path, table: str, columns: list[str], wanted: list[str] | None = None) -> list[Any]:
    """Return rows of a table as dictionaries, in the order car, folder, run.

    Parameters
    ----------
    columns : list of str
        Columns to read.
    wanted : list of str or None
        Quantities to read, for the table ``estimates``.
    """
    root = folder / DATA / table
    if not root.is_dir():
        return []
    data = pads.dataset(root, schema=SCHEMAS[table], format="parquet")
    chosen = None if wanted is None else pads.field("quantity").isin(wanted)
    found = data.to_table(columns=columns, filter=chosen)
    order = [(key, "ascending") for key in ("car_name", "folder", "place") if key in columns]
    return list(found.sort_by(order).to_pylist())
