"""The same tasks on several machines, through a scheduler of dask.distributed (extra ``cluster``)."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from typing import Any, Final

from analyzer.archive.results import RunRecord, Task
from analyzer.archive.workers import WAITING_PER_WORKER, Work, estimate_runs
from analyzer.errors import AnalyzerError, one_line

RETRIES: Final = 3
_PATIENCE: Final = 10
"""Seconds to wait for the scheduler to answer."""


def run_on_cluster(tasks: Iterable[Task], address: str, work: Work = estimate_runs) -> Iterator[RunRecord]:
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
