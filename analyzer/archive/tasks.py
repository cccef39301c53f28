"""The tasks of a season: one a run, named by all its result hangs on, and where they are worked off."""

import datetime as dt
import json
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, ThreadPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict, dataclass, field, replace
from functools import lru_cache
from multiprocessing import connection, get_context, parent_process
from pathlib import Path
from typing import Any, Final

from analyzer.archive.results import Row, RunPlan, RunRecord, SessionPlan, Task
from analyzer.comparison.stiffness import roll_sheet
from analyzer.core.errors import AnalyzerError, LogError, SheetError, one_line
from analyzer.core.estimate import Estimate
from analyzer.core.files import SEASON_FORMAT, file_sha256
from analyzer.core.store import Store, code_digest, digest_of, run_key
from analyzer.core.units import AXLES, DEG_PER_RAD, MM_PER_M
from analyzer.ingest.recording import Recording, Verdict
from analyzer.prediction.results import SetupPrediction
from analyzer.prediction.setup import predict_setup, require_setup
from analyzer.processing.results import BottomingEvent, RunEstimates
from analyzer.session.run_store import RunSheets, RunStore, Witness
from analyzer.sheets.car import CarSheet
from analyzer.sheets.read import file_beside, marked_keys, read_car, read_course, read_session, toml_table
from analyzer.sheets.session import CourseSheet, SessionSheet

# Find the sessions below a folder and name, without estimating anything, what each run's result hangs on.


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


# One task to its record: what a worker does, in this process, in another or on another machine.


CHANGED: Final = ("changed while it was read", "run the command again")
"""What happened to a file, and what to do."""


def estimate_task(task: Task) -> RunRecord:
    """Estimate one run; whatever goes wrong with it becomes the record's one-line reason.

    Parameters
    ----------
    task : Task
        Its files must be reachable under the same paths.

    Returns
    -------
    RunRecord
        Depends on the task's files and the program alone.
    """
    folder = Path(task.session).parent
    if task.code != code_digest():
        reason = (
            "this worker runs another version of the program or of its libraries; "
            "install the same on every machine"
        )
        return RunRecord.left_out(task.key, reason, lasting=False)
    try:
        return _estimated(task)
    except AnalyzerError as error:
        return RunRecord.left_out(task.key, local(str(error), folder), lasting=_unchanged(task))
    except MemoryError:
        return RunRecord.left_out(task.key, f"{task.run}: not enough memory for this log", lasting=False)
    except Exception as error:
        # A fault of ours in one run must not cost the season; it shows as what it is.
        words = f"{task.run}: fault of this program ({type(error).__name__}: {error}); please report it"
        return RunRecord.left_out(task.key, one_line(words), lasting=_unchanged(task), fault=True)


@dataclass(frozen=True)
class _Sheets:
    session: SessionSheet
    car: CarSheet
    course: CourseSheet | None
    predictions: dict[str, SetupPrediction]
    witnesses: dict[str, Witness]


@lru_cache(maxsize=4)
def _sheets(path: Path, digest: str) -> _Sheets:
    """Read the sheets of a session once for all of its runs."""
    session = read_session(path)
    car = read_car(file_beside(path, "car", session.car))
    course = None if session.course is None else read_course(file_beside(path, "course", session.course))
    if sheets_digest(session_tables(path)) != digest:
        raise SheetError(path, "", *CHANGED)
    return _Sheets(session, car, course, {}, {})


def _prediction(path: Path, sheets: _Sheets, name: str) -> SetupPrediction:
    if name not in sheets.predictions:
        setup = sheets.session.setups[name]
        require_setup(sheets.car, name, setup, path)
        sheets.predictions[name] = predict_setup(sheets.car, name, setup)
    return sheets.predictions[name]


def _estimated(task: Task) -> RunRecord:
    path = Path(task.session)
    sheets = _sheets(path, task.sheets)
    run = next(run for run in sheets.session.runs if run.name == task.run)
    prediction = _prediction(path, sheets, run.setup)
    # The store a review uses: what either has worked out, the other takes as it is.
    store = Store.of_user()
    logs = {task.run: task.logs, **dict(task.others)}
    runs = RunStore(
        store,
        RunSheets(
            sheets.car,
            sheets.course,
            sheets.session.setups,
            sheets.session.runs,
            {name: [Path(log) for log, _ in files] for name, files in logs.items()},
            lambda name: _prediction(path, sheets, name),
        ),
        hashes={name: [sha256 for _, sha256 in files] for name, files in logs.items()},
        hold=False,
        known=sheets.witnesses,
    )
    recording, found = runs.result(task.run)
    store.tidy()
    # The record's key promises these contents; a log that changed meanwhile belongs to another key.
    if runs.changed or [source.sha256 for source in recording.sources] != runs.hashes[task.run]:
        return RunRecord.left_out(task.key, f"{task.run}: a log {'; '.join(CHANGED)}", lasting=False)
    return RunRecord(
        key=task.key,
        failed=None,
        lasting=True,
        facts=_facts(recording, found, path.parent),
        figures=_figures(found),
        sheet=asdict(roll_sheet(sheets.car, prediction)),
        bottoming=tuple(_event_row(event) for event in found.bottoming),
    )


def _unchanged(task: Task) -> bool:
    """Return whether the files are still those the task was made for, so that it would fail again."""
    try:
        if sheets_digest(session_tables(Path(task.session))) != task.sheets:
            return False
        # Read again in full: size and time may be the same on a card that was written over.
        for log, expected in task.logs:
            if file_sha256(Path(log)) != expected:
                return False
    except Exception:  # whatever hinders reading them now may be gone at the next pass, which tries again
        return False
    return True


def _figures(run: RunEstimates) -> dict[str, Estimate]:
    """Return every figure of a run under its name in the data set, in the order of its rows."""
    named = {f"roll_gradient_{place}": e for place, e in run.roll_gradient.items()}
    named |= {f"roll_gradient_body_{axle}": e for axle, e in run.roll_gradient_body.items()}
    # Names as in results.json, so that a season can be joined with the report of a day.
    for axle in AXLES:
        # Without a share its reason: the page of the season tells it.
        named[f"left_share_{axle}"] = run.left_share(axle)
        share = run.load_share.get(axle)
        if share is not None:
            named[f"lowest_load_{axle}"] = share.lowest_load
            named[f"light_time_{axle}"] = share.light_time
            named[f"load_evenness_{axle}"] = share.evenness
    return named | run.further


def _event_row(event: BottomingEvent) -> Row:
    budget = event.budget
    parts = ("heave", "roll", "pitch", "warp")
    return {
        "corner": event.corner,
        "section": event.section,
        "start_s": event.start_s,
        "peak_s": event.peak_s,
        "end_s": event.end_s,
        "peak_mm": event.peak * MM_PER_M,
        "stop_compression_mm": event.stop_compression * MM_PER_M,
        "approach_speed_m_per_s": event.approach_speed,
        "hard": event.hard,
        "bank_deg": None if event.bank is None else event.bank * DEG_PER_RAD,
        **{f"{part}_mm": None if budget is None else getattr(budget, part) * MM_PER_M for part in parts},
    }


def _facts(recording: Recording, run: RunEstimates, folder: Path) -> Row:
    verdicts = [row.verdict for row in (*recording.health, *run.checks)]
    return {
        "sample_rate_hz": recording.sample_rate,
        "duration_s": len(recording.data) / recording.sample_rate,
        "bottomed": len(run.bottoming),
        "checks_suspect": verdicts.count(Verdict.SUSPECT),
        "checks_bad": verdicts.count(Verdict.BAD),
        "notes": " | ".join(local(note, folder) for note in run.notes),
        "logs": " | ".join(source.path.name for source in recording.sources),
        "logs_sha256": " | ".join(source.sha256 for source in recording.sources),
    }


# A pool of processes on this machine; a process that dies costs time, never a result.


Work = Callable[[Task], RunRecord]

WAITING_PER_WORKER: Final = 3
"""Tasks handed out ahead of time, so that no process waits for its next one."""
DEATHS: Final = 2
"""A run that ends its process alone this often is left out."""

_THREAD_SETTINGS: Final = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def processors() -> int:
    """Return the number of processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def run_locally(tasks: Iterable[Task], workers: int, work: Work = estimate_task) -> Iterator[RunRecord]:
    """Yield the record of every task, as they are finished, from `workers` processes.

    Parameters
    ----------
    tasks : iterable of Task
        Taken as they are needed.
    workers : int
        Number of processes, at least 1.
    work : callable
        What a process does with a task; importable from a new process.

    Notes
    -----
    When a process dies, the tasks that were handed out are done again one at a time, which shows the one that
    kills it; that one is left out after `DEATHS` deaths, the others lose nothing.
    """
    waiting = deque(tasks)
    # A pool whose process died is of no more use; a new one goes on with what waits.
    while waiting:
        lost = yield from _run_pool(waiting, workers, WAITING_PER_WORKER * workers, work)
        for task in lost:
            yield _alone(task, work)


def _run_pool(
    waiting: deque[Task], workers: int, most: int, work: Work
) -> Generator[RunRecord, None, list[Task]]:
    """Work on `waiting` until it is empty or a process dies; returns the tasks that were out then."""
    out: dict[Future[RunRecord], Task] = {}
    with _pool(workers) as pool:
        try:
            while waiting or out:
                # Few are handed out ahead: what a dying process takes along is bounded by that.
                while waiting and len(out) < most:
                    out[pool.submit(work, waiting[0])] = waiting[0]
                    waiting.popleft()
                done, _ = wait(out, return_when=FIRST_COMPLETED)
                for future in done:
                    record = future.result()
                    del out[future]
                    yield record
        except BrokenProcessPool:
            # Those that had finished before the death still have their results.
            finished = [f for f in out if f.done() and f.exception() is None]
            for future in finished:
                del out[future]
                yield future.result()
            return list(out.values())
        except BaseException:  # an interrupt, too: nobody waits for runs that are not wanted any more
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return []


def _alone(task: Task, work: Work) -> RunRecord:
    for _ in range(DEATHS):
        with _pool(1) as pool:
            try:
                return pool.submit(work, task).result()
            except BrokenProcessPool:
                continue
    reason = f"{task.run}: its log ended the process that read it {DEATHS} times; is there enough memory?"
    return RunRecord.left_out(task.key, reason, lasting=False)


def _pool(workers: int) -> ProcessPoolExecutor:
    # A fresh interpreter per process: no threads or locks of this one are copied half way.
    return ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=prepare_process)


def prepare_process() -> None:
    """Keep this process to one thread of arithmetic, and end it when the one that started it is gone."""
    for name in _THREAD_SETTINGS:
        os.environ.setdefault(name, "1")
    single_thread()
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    connection.wait([sentinel])
    os._exit(1)


# The same tasks on several machines, through a scheduler of dask.distributed (extra ``cluster``).


RETRIES: Final = 3
_PATIENCE: Final = 10
"""Seconds to wait for the scheduler to answer."""


def run_on_cluster(tasks: Iterable[Task], address: str, work: Work = estimate_task) -> Iterator[RunRecord]:
    """Yield the record of every task, as they are finished, from the workers of a scheduler.

    Parameters
    ----------
    tasks : iterable of Task
        Their files must be reachable under the same paths on every worker.
    address : str
        Of the scheduler, "tcp://host:8786".

    Raises
    ------
    AnalyzerError
        When dask.distributed is not installed, the scheduler does not answer, or it has no worker.

    Notes
    -----
    The scheduler gives the tasks of a worker that dies to another one. Of those it gives up, since they lay
    at several workers that died, each is done again alone; a run that still ends worker after worker is left
    out with its reason. Results are written by this process alone.
    """
    try:
        import distributed
    except ImportError:
        raise AnalyzerError(
            '--scheduler: needs dask.distributed; pip install "drift-bar-analyzer[cluster]"'
        ) from None
    waiting = deque(tasks)
    client = _client(distributed.Client, address)
    try:
        client.register_worker_callbacks(single_thread)
        out: dict[str, Task] = {}
        finished: Any = distributed.as_completed(loop=client.loop)  # type: ignore[no-untyped-call]

        def hand_out() -> None:
            most = WAITING_PER_WORKER * max(sum(client.nthreads().values()), 1)
            while waiting and len(out) < most:
                task = waiting.popleft()
                future = client.submit(work, task, key=f"{task.run}-{task.key}", pure=False, retries=RETRIES)
                out[future.key] = task
                finished.add(future)

        hand_out()
        lost: list[Task] = []
        while out:
            future = next(finished)
            task = out.pop(future.key)
            if future.status == "finished":
                yield future.result()
            else:
                lost.append(task)
            hand_out()
        for task in lost:
            alone = client.submit(work, task, key=f"alone-{task.key}", pure=False, retries=RETRIES)
            alone.exception()  # waits until it is done, one way or the other
            yield _record(alone, task)
    finally:
        client.close()


def _client(make: Any, address: str) -> Any:
    try:
        client = make(address, timeout=_PATIENCE, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise AnalyzerError(
            one_line(f"--scheduler {address}: no scheduler answers there ({type(error).__name__}); start one")
        ) from None
    if not client.nthreads():
        client.close()
        raise AnalyzerError(one_line(f"--scheduler {address}: the scheduler has no worker; start some"))
    return client


def single_thread() -> None:
    """Keep a worker to one thread of file reading; dask itself runs tasks side by side."""
    import pyarrow as pa

    pa.set_cpu_count(1)


def _record(future: Any, task: Task) -> RunRecord:
    if future.status == "finished":
        record: RunRecord = future.result()
        return record
    error = future.exception()
    reason = one_line(f"{task.run}: no worker finished it ({type(error).__name__}: {error})")
    return RunRecord.left_out(task.key, reason, lasting=False)
