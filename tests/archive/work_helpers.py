"""What the processes of a pool do in tests: die at a bad moment; and how to compare two archives."""

import hashlib
import os
import signal
from pathlib import Path

from analyzer.archive.results import RunRecord


def die_once(task):
    """End this process the first time this task is worked on; answer the next time."""
    mark = Path(task.session).with_name(f"{task.run}.died")
    if not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return RunRecord(task.key, None, True, {"run": task.run})


def die_on_bad(task):
    """End this process whenever the run is called bad."""
    if task.run == "bad":
        os.kill(os.getpid(), signal.SIGKILL)
    return RunRecord(task.key, None, True, {"run": task.run})


def estimate_but_die_once(task):
    """As the real work, but the first time a task named r01 is met its process dies."""
    from analyzer.archive.tasks import estimate_task

    mark = Path(task.session).with_name("died")
    if task.run == "r01" and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return estimate_task(task)


def contents(archive):
    """Hashes of everything an archive holds apart from what may differ: times of files, the lock."""
    files = [p for p in sorted(archive.rglob("*")) if p.is_file() and p.name not in (".lock", "logs.json")]
    return {str(p.relative_to(archive)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}
