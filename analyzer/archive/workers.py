"""A pool of processes on this machine; a process that dies costs time, never a result."""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import connection, get_context, parent_process
from typing import Final

from analyzer.archive.results import RunRecord, Task

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


def estimate_runs(task: Task) -> RunRecord:
    """Work on one task; the rooms are imported in the process that does the work, once."""
    from analyzer.archive.estimating import estimate_task

    return estimate_task(task)


def run_locally(tasks: Iterable[Task], workers: int, work: Work = estimate_runs) -> Iterator[RunRecord]:
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
        except BaseException:
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
    import pyarrow as pa

    pa.set_cpu_count(1)
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    connection.wait([sentinel])
    os._exit(1)
