"""Find the sessions below a folder and name, without estimating anything, what each run's result hangs on."""

from __future__ import annotations

import datetime as dt
import json
import os
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from analyzer.archive.results import RunPlan, SessionPlan, Task
from analyzer.core.errors import AnalyzerError, LogError, one_line
from analyzer.core.files import SEASON_FORMAT, file_sha256
from analyzer.core.store import code_digest, digest_of, run_key
from analyzer.core.units import AXLES
from analyzer.sheets.read import file_beside, marked_keys, read_car, read_course, read_session, toml_table

SHEET: Final = "session.toml"
_SETTLED: Final = 2.0
"""A file touched less than this before it was hashed may change again within one tick of its clock [s]."""

Table = dict[str, Any]


def find_sessions(folder: Path, leave_out: Path) -> list[Path]:
    """Return every session sheet below `folder`, sorted; hidden folders and `leave_out` are skipped.

    Raises
    ------
    AnalyzerError
        When `folder` is no folder or holds no session.
    """
    if not folder.is_dir():
        raise AnalyzerError(
            one_line(f"{folder}: there is no such folder; name the one that holds the sessions")
        )
    found: list[Path] = []
    for place, folders, files in os.walk(folder):
        here = Path(place)
        folders[:] = [f for f in folders if not f.startswith(".") and (here / f).resolve() != leave_out]
        if SHEET in files:
            found.append(here / SHEET)
    if not found:
        raise AnalyzerError(
            one_line(f"{folder}: there is no {SHEET} in it or below it; name the folder of the season")
        )
    return sorted(found, key=lambda path: path.parent.relative_to(folder).parts)


@dataclass(slots=True)
class LogIndex:
    """Hashes of log files, remembered by size and time of change so that a second pass reads no log.

    Parameters
    ----------
    root : Path
        Names are kept relative to it.
    known : dict
        Name -> [size, time of change in ns, SHA-256] from the pass before.
    """

    root: Path
    known: dict[str, list[Any]]
    seen: dict[str, list[Any]] = field(default_factory=dict)

    def sha256(self, path: Path) -> str:
        """Return the hash of a file; raises `OSError`."""
        name = path.relative_to(self.root).as_posix()
        status = path.stat()
        stamp = [status.st_size, status.st_mtime_ns]
        old = self.known.get(name)
        if isinstance(old, list) and len(old) == 3 and old[:2] == stamp:
            self.seen[name] = old
            return str(old[2])
        found = file_sha256(path)
        if time.time() - status.st_mtime > _SETTLED:
            self.seen[name] = [*stamp, found]
        return found


def plan_sessions(
    root: Path, sheets: list[Path], index: LogIndex, tell: Callable[[str, int, int], None]
) -> Iterator[SessionPlan]:
    """Yield the plan of every session, in the order of `sheets`."""
    # Hashing lets other threads run, so the logs of several sessions are read at once.
    with ThreadPoolExecutor(max_workers=min(4, os.cpu_count() or 1)) as pool:
        for done, plan in enumerate(pool.map(lambda sheet: _plan(root, sheet, index), sheets), start=1):
            tell("looking for what is new", done, len(sheets))
            yield plan


def _plan(root: Path, path: Path, index: LogIndex) -> SessionPlan:
    folder = path.parent.relative_to(root).as_posix()
    try:
        session, car, course = session_tables(path)
        return _planned(path, folder, session, car, course, index)
    except Exception:
        # Whatever is wrong with the sheets, the room of sheets says it in one line.
        reason = _reason(path)
        return SessionPlan(folder, folder, "", "", None, (), reason)


def _reason(path: Path) -> str:
    try:
        sheet = read_session(path)
        read_car(file_beside(path, "car", sheet.car))
        if sheet.course is not None:
            read_course(file_beside(path, "course", sheet.course))
    except AnalyzerError as error:
        return local(str(error), path.parent)
    return "the session cannot be planned; check its sheets with analyzer check"


def session_tables(path: Path) -> tuple[Table, Table, Table | None]:
    """Return the plain contents of session, car and course sheet, unchecked; raises anything.

    With what is marked as not measured, which decides what the figures are called.
    """
    session = _marked_table(path)
    car = _marked_table(file_beside(path, "car", session["car"]))
    name = session.get("course")
    course = None if name is None else toml_table(file_beside(path, "course", name).read_bytes())
    return session, car, course


def _marked_table(path: Path) -> Table:
    data = path.read_bytes()
    marks = marked_keys(data.decode("utf-8-sig"))
    return toml_table(data) | ({"TO MEASURE": list(marks)} if marks else {})


def sheets_digest(tables: tuple[Table, Table, Table | None]) -> str:
    """Return the digest of a session's sheets; comments but that mark and order of keys do not matter."""
    return digest_of(*tables)


def _planned(
    path: Path, folder: str, session: Table, car: Table, course: Table | None, index: LogIndex
) -> SessionPlan:
    digest = sheets_digest((session, car, course))
    runs = _together([_run(path, run, session, car, course, digest, index) for run in session["runs"]])
    date = session.get("date")
    return SessionPlan(
        folder=folder,
        name=str(session["name"]),
        car=str(car["name"]),
        course="" if course is None else str(course["name"]),
        date=None if date is None else _day(date),
        runs=runs,
    )


def _day(value: Any) -> str | None:
    try:
        return dt.date.fromisoformat(str(value).strip()[:10]).isoformat()
    except ValueError:
        return None


def _run(
    path: Path, run: Table, session: Table, car: Table, course: Table | None, digest: str, index: LogIndex
) -> RunPlan:
    setup = session["setups"][run["setup"]]
    name = str(run["name"])
    facts = (name, str(run["setup"]), setting_words(setup), _conditions(run))
    try:
        logs = tuple(_log(path, f"runs.{name}.logs", str(log), index) for log in run["logs"])
    except AnalyzerError as error:
        return RunPlan(*facts, task=None, failed=local(str(error), path.parent))
    # Named before anything is estimated: a run whose name is known already is not read again.
    key = run_key(SEASON_FORMAT, car, course, setup, run, [sha256 for _, sha256 in logs])
    return RunPlan(*facts, task=Task(key, code_digest(), str(path), digest, name, logs))


def _together(runs: list[RunPlan]) -> tuple[RunPlan, ...]:
    """Return the plans with what a result hangs on of the other runs: they share the sensors' mounting."""
    # All logs of a session tell where its sensors sit, so that each run hangs on the logs of the others.
    tasks = [run.task for run in runs if run.task is not None]
    keys = [task.key for task in tasks]
    found = []
    for run in runs:
        if run.task is not None:
            others = tuple((task.run, task.logs) for task in tasks if task.run != run.name)
            run = replace(run, task=replace(run.task, key=digest_of(run.task.key, keys), others=others))
        found.append(run)
    return tuple(found)


def _log(sheet: Path, key: str, name: str, index: LogIndex) -> tuple[str, str]:
    path = file_beside(sheet, key, name)
    try:
        return str(path), index.sha256(path)
    # One log that cannot be read leaves its run out and costs the others nothing.
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise LogError(path, "", f"cannot be read ({reason})", "check the file and its rights") from None


def setting_words(setup: Table) -> str:
    """Return the hardware of a set-up in words: ``front hole 3, 0 spacers; rear links off``."""
    bars = {axle: setup.get(f"{axle}_bar") for axle in AXLES}
    return "; ".join(f"{axle} {_bar_words(bar)}" for axle, bar in bars.items() if bar is not None)


def _bar_words(bar: Any) -> str:
    if bar == "off":
        return "links off"
    sides = [
        f"hole {side.get('hole', 1)}, {_spacers(side.get('spacers', 0))}"
        for side in (bar, bar.get("right"))
        if side
    ]
    return sides[0] if len(sides) < 2 else f"left {sides[0]}, right {sides[1]}"


def _spacers(number: int) -> str:
    return "no spacer" if number == 0 else f"{number} spacer{'s' if number > 1 else ''}"


def _conditions(run: Table) -> str:
    found = run.get("conditions") or {}
    return json.dumps({str(k): str(v) for k, v in found.items()}, sort_keys=True, ensure_ascii=False)


def local(reason: str, folder: Path) -> str:
    """Return a reason with file names as seen from the session's folder, the same on every machine."""
    return one_line(reason.replace(f"{folder}{os.sep}", "").replace(f"{folder.resolve()}{os.sep}", ""))
