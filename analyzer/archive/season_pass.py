"""One pass over a season: plan, estimate what is new, keep it, and see what changed."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

from analyzer.archive import dataset
from analyzer.archive.plan import LogIndex, find_sessions, plan_sessions
from analyzer.archive.results import Archive, RunRecord, SessionPlan, Task
from analyzer.archive.workers import processors, run_locally
from analyzer.core.errors import AnalyzerError, refuse_file
from analyzer.core.files import json_bytes, read_json, write_whole
from analyzer.core.store import code_digest

Progress = Callable[[str, int, int], None]

BESIDE: Final = "archive"
"""Name of the archive's folder inside the folder of the season, unless another is named."""


def archive_folder(
    folder: Path,
    out: Path | None = None,
    progress: Progress | None = None,
    scheduler: str | None = None,
    workers: int | None = None,
    finish: Callable[[Archive], object] | None = None,
) -> Archive:
    """Bring the archive of all sessions below `folder` up to date.

    Parameters
    ----------
    folder : Path
        Every ``session.toml`` in it or below it counts.
    out : Path, optional
        Where the archive lies; `BESIDE` inside `folder` if not given.
    progress : callable, optional
        Told what is being done, how many steps are done and how many there are.
    scheduler : str, optional
        Address of a dask scheduler; processes on this machine if not given.
    workers : int, optional
        Number of processes on this machine; one per processor if not given.
    finish : callable, optional
        Called with the result while the archive is still held against a second pass; writes the report.

    Returns
    -------
    Archive
        The same, apart from `Archive.estimated`, however the pass was interrupted, and wherever it ran.

    Raises
    ------
    AnalyzerError
        When there is no session, the place of the archive cannot be used, or the scheduler does not answer.
    """
    refuse_file(folder.expanduser(), "the folder that holds the sessions", str(folder))
    root = folder.expanduser().resolve()
    target = (out or root / BESIDE).expanduser().resolve()
    tell = progress or (lambda _what, _done, _all: None)
    if workers is not None and workers < 1:
        raise AnalyzerError("--workers: must be at least 1")
    sheets = find_sessions(root, target)
    # Held for this pass alone: two passes at once would drop each other's partitions as left over.
    with dataset.opened(target) as place:
        index = LogIndex(root, read_json(place / dataset.LOGS) or {})
        plans = list(plan_sessions(root, sheets, index, tell))
        # Hashes of unchanged logs (by size and time) are kept, since hashing a season takes longer than a
        # pass without news.
        write_whole(place / dataset.LOGS, json_bytes(index.seen, indent=None), own=True)
        store = _Store(place)
        estimated = _estimate(store, plans, tell, scheduler, workers)
        # Only after everything new is there: a killed pass leaves the old season readable.
        dataset.drop_others(place, plans)
        store.drop_other_versions()
        tell("comparing the sessions", 1, 1)
        result = _archive(place, plans, estimated)
        if finish is not None:
            finish(result)
    return result


class _Store:
    """Records of runs on disk, one file each, under their keys."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self._folder = place / dataset.RESULTS / code_digest()[:16]

    def path(self, key: str) -> Path:
        return self._folder / key[:2] / f"{key}.json"

    def has(self, key: str) -> bool:
        return self.read(key) is not None

    def read(self, key: str) -> RunRecord | None:
        """Return the record of a key; None when it is missing or damaged."""
        try:
            record = RunRecord.from_dict(read_json(self.path(key)))
        except (AttributeError, KeyError, TypeError, ValueError):
            return None
        return record if record.key == key else None

    def write(self, record: RunRecord) -> None:
        write_whole(self.path(record.key), json_bytes(record.to_dict(), indent=None), own=True)

    def drop_other_versions(self) -> None:
        """Remove records that another version of the program made; they can never be asked for again."""
        for folder in (self.place / dataset.RESULTS).glob("*"):
            if folder != self._folder:
                shutil.rmtree(folder, ignore_errors=True)


class _Session:
    """A session on its way into the data set."""

    def __init__(self, plan: SessionPlan, state: str) -> None:
        self.plan = plan
        self.state = state
        self.waiting: set[str] = set()
        self.passing: dict[str, RunRecord] = {}  # failures that may pass are kept for this pass alone


def _estimate(
    store: _Store, plans: list[SessionPlan], tell: Progress, scheduler: str | None, workers: int | None
) -> int:
    """Estimate what is not there yet, write each session as soon as it is complete; returns the number."""
    tasks, sessions = _missing(store, plans)
    if tasks:
        tell("estimating", 0, len(tasks))
    # Records come in the order in which they are finished, whichever session they belong to.
    for done, record in enumerate(_records(tasks, scheduler, workers), start=1):
        tell("estimating", done, len(tasks))
        # A failure that may pass (memory, a file that changed meanwhile) is tried again by the next pass.
        if record.lasting:
            store.write(record)
        for session in sessions[record.key]:
            if not record.lasting:
                session.passing[record.key] = record
            session.waiting.discard(record.key)
            if not session.waiting:
                _write(store, session)
    return len(tasks)


def _missing(store: _Store, plans: list[SessionPlan]) -> tuple[list[Task], dict[str, list[_Session]]]:
    """Return the tasks without a record, and key -> sessions that wait for it.

    Sessions that wait for nothing but are not in the data set as they should be are written at once.
    """
    sessions: dict[str, list[_Session]] = {}
    tasks: list[Task] = []
    for plan in plans:
        state = dataset.session_state(plan)
        if plan.failed is not None or dataset.is_current(store.place, plan, state):
            continue
        session = _Session(plan, state)
        for task in (run.task for run in plan.runs):
            if task is None or store.has(task.key):
                continue
            # The same run may stand in two sessions (a copied folder); it is estimated once.
            if task.key not in sessions:
                tasks.append(task)
            sessions.setdefault(task.key, []).append(session)
            session.waiting.add(task.key)
        if not session.waiting:
            _write(store, session)
    return tasks, sessions


def _records(tasks: list[Task], scheduler: str | None, workers: int | None) -> Iterator[RunRecord]:
    if not tasks:
        return iter(())
    if scheduler is not None:
        from analyzer.archive.workers import run_on_cluster

        return run_on_cluster(tasks, scheduler)
    return run_locally(tasks, min(workers or processors(), len(tasks)))


def _write(store: _Store, session: _Session) -> None:
    records: dict[str, RunRecord] = {}
    for run in session.plan.runs:
        if run.task is None:
            continue
        record = session.passing.get(run.task.key) or store.read(run.task.key)
        if record is None:
            reason = (
                f"{run.name}: its result was removed while the archive was written; run the command again"
            )
            record = session.passing[run.task.key] = RunRecord.left_out(run.task.key, reason, lasting=False)
        records[run.name] = record
    dataset.write_session(store.place, session.plan, records, "" if session.passing else session.state)


def _archive(place: Path, plans: list[SessionPlan], estimated: int) -> Archive:
    from analyzer.archive.trends import season

    # A session that cannot be read is told with its runs, never left away.
    left_out: list[tuple[str, str, str]] = [(p.folder, "", p.failed) for p in plans if p.failed is not None]
    rows: list[Any] = dataset.read_rows(
        place, "runs", ["car_name", "folder", "place", "run", "left_out", "fault"]
    )
    left_out += [(r["folder"], r["run"], r["left_out"]) for r in rows if r["left_out"] is not None]
    return Archive(
        folder=place,
        cars=season(place),
        sessions=len(plans),
        runs=len(rows),
        estimated=estimated,
        left_out=tuple(sorted(left_out)),
        faulty=any(row["fault"] for row in rows),
    )
