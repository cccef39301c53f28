"""Review a log that is larger than the memory allowed.

``python tests/benchmarks/bench_memory.py [MINUTES [MB]]``; 90 minutes at 1 kHz (567 MB) in 300 MB unless told
otherwise, all that the program and its libraries take included, and nothing taken from a cache. The limit is
that of a memory group of the Linux kernel, of version 1 or 2: pages that are used count, and pages of files
are taken back at need, as on a machine with that much memory. The temporary files must lie on a disk; three
times the log is needed. It takes the rights of root to make a group: without them a line says so.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

GROUPS = Path("/sys/fs/cgroup")


@dataclass(frozen=True)
class Group:
    """A memory group: its folder, and the names of its files for the limit, the peak and what is used."""

    folder: Path
    limit: str
    statistics: str = "memory.stat"

    def enter(self) -> None:
        """Move this process into the group; called in the child before it becomes the program."""
        (self.folder / "cgroup.procs").write_text(str(os.getpid()))

    def own(self) -> int:
        """Return what is used now without pages of files [bytes]."""
        lines = (self.folder / self.statistics).read_text().splitlines()
        return max((int(v) for key, v in map(str.split, lines) if key in ("rss", "anon")), default=0)


@contextmanager
def group(limit: int) -> Iterator[Group | None]:
    """Yield a memory group with a limit [bytes]; None where none can be made."""
    one = (GROUPS / "memory").is_dir()
    folder = (GROUPS / "memory" if one else GROUPS) / f"analyzer-benchmark-{os.getpid()}"
    made = Group(folder, "memory.limit_in_bytes" if one else "memory.max")
    try:
        folder.mkdir()
    except OSError:
        yield None
        return
    try:
        (folder / made.limit).write_text(str(limit))
        with suppress(OSError):  # without swap there is nothing to limit
            (folder / ("memory.memsw.limit_in_bytes" if one else "memory.swap.max")).write_text(
                str(limit if one else 0)
            )
        yield made if (folder / made.statistics).exists() else None
    except OSError:
        yield None
    finally:
        for _ in range(50):
            with suppress(OSError):
                folder.rmdir()
                break
            time.sleep(0.1)


def run_in(made: Group, call: list[str]) -> tuple[int, str, float, float, int]:
    """Run a command in a group; return its code, last line, wall and processor time [s], most own memory."""
    before, began, most = os.times(), time.monotonic(), 0
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), "ANALYZER_CACHE": "off"}
    process = subprocess.Popen(
        call,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=environment,
        preexec_fn=made.enter,
    )
    done = threading.Event()

    def look() -> None:
        nonlocal most
        while not done.wait(0.01):
            with suppress(OSError):
                most = max(most, made.own())

    watcher = threading.Thread(target=look)
    watcher.start()
    output, _ = process.communicate()
    done.set()
    watcher.join()
    after = os.times()
    worked = after.children_user + after.children_system - before.children_user - before.children_system
    last = (output.strip().splitlines() or [""])[-1]
    return process.returncode, last, time.monotonic() - began, worked, most


def write_session(folder: Path, minutes: float) -> Path:
    """Write a session of one long run; return its log."""
    from archive.season_maker import Plan, write_sheets
    from benchmarks.bench_growth import write

    write_sheets(folder, Plan(sessions=1, runs=1, gap="20 mm"), "Teal coupe", 0)
    log = folder / "r01.csv"
    write(log, minutes, 1000.0)
    with log.open("rb") as file:  # what lies in the page cache already would be read for nothing
        os.fsync(file.fileno())
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    return log


def main() -> None:
    """Print whether the review passes, and what it takes."""
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 90.0
    limit = float(sys.argv[2]) if len(sys.argv) > 2 else 300.0
    from benchmarks.watching import load

    print(load())
    with tempfile.TemporaryDirectory() as place, group(int(limit * 1e6)) as made:
        if made is None:
            print("no memory group can be made here (it takes the rights of root): nothing was measured")
            return
        size = write_session(Path(place), minutes).stat().st_size / 1e6
        call = [sys.executable, "-m", "analyzer", "review", str(Path(place) / "session.toml")]
        code, last, wall, worked, most = run_in(made, call)
        ended = "passes" if code == 0 else f"ends with {code} ({last})"
        print(
            f"a review of {size:.0f} MB in {limit:.0f} MB {ended}: {wall:.1f} s of wall,",
            f"{worked:.1f} s of processor, own memory {most / 1e6:.0f} MB",
        )


if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]
    main()
