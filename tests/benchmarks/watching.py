"""Run a command and watch what it costs: wall and processor time, and memory of every process it starts."""

from __future__ import annotations

import os
import subprocess
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

TICKS = os.sysconf("SC_CLK_TCK")


@dataclass
class Cost:
    """What a command cost.

    `wall` and `processor` in seconds, the latter over all its processes; `busiest` of the one below the first
    that worked most, `own` of the first one; `peak` is the greatest resident size of any one process [bytes],
    and `sizes` those of the processes below the first over time (seconds, bytes).
    """

    wall: float = 0.0
    processor: float = 0.0
    busiest: float = 0.0
    own: float = 0.0
    peak: int = 0
    sizes: list[tuple[float, int]] = field(default_factory=list)
    output: str = ""


def watched(call: list[str], interval: float = 0.05) -> Cost:
    """Run `call` and return its cost; raises when it fails."""
    cost = Cost()
    before = os.times()
    began = time.monotonic()
    process = subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    worked: dict[int, float] = {}
    stop = threading.Event()

    def look() -> None:
        while not stop.wait(interval):
            for pid in family(process.pid):
                spent, size = state(pid)
                worked[pid] = max(worked.get(pid, 0.0), spent)
                cost.peak = max(cost.peak, size)
                if pid != process.pid:
                    cost.sizes.append((time.monotonic() - began, size))

    watcher = threading.Thread(target=look)
    watcher.start()
    cost.output, errors = process.communicate()
    cost.wall = time.monotonic() - began
    stop.set()
    watcher.join()
    if process.returncode:
        raise RuntimeError(f"{call}: {errors}")
    after = os.times()
    cost.processor = (
        after.children_user + after.children_system - before.children_user - before.children_system
    )
    cost.own = worked.pop(process.pid, 0.0)
    cost.busiest = max(worked.values(), default=cost.own)
    return cost


def family(pid: int) -> list[int]:
    """Return a process and all below it."""
    found = [pid]
    for parent in found:
        for task in Path(f"/proc/{parent}/task").glob("*/children"):
            try:
                found += [int(child) for child in task.read_text().split()]
            except OSError:
                continue
    return found


def state(pid: int) -> tuple[float, int]:
    """Return processor time [s] and resident size [bytes] of a process; nought when it is gone."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    except OSError:
        return 0.0, 0
    return (int(fields[11]) + int(fields[12])) / TICKS, int(fields[21]) * os.sysconf("SC_PAGE_SIZE")


def load() -> str:
    """Return how busy the machine is, for the record."""
    return f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}"
