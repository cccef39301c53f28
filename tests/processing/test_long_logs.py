"""Memory that a long log takes: the whole of it never stands there, neither as text nor as numbers."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from benchmarks import bench_growth

ROOT = Path(__file__).parents[2]


def own_memory(log: Path) -> float:
    """Return what reading and estimating a log takes at most, without pages of files [bytes]."""
    call = [sys.executable, bench_growth.__file__, "once", "estimates", str(log), "1"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(call, capture_output=True, text=True, env=environment)
    assert done.returncode == 0, done.stderr
    return float(done.stdout.split()[3])


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="reads the memory of a Linux process")
def test_memory_grows_far_less_than_the_log(tmp_path: Path) -> None:
    bench_growth.write(tmp_path / "warm.csv", 1, 200.0)
    taken = {}
    for minutes in (20, 80):
        log = tmp_path / f"{minutes}.csv"
        bench_growth.write(log, minutes, 1000.0)
        taken[minutes] = own_memory(log)
    size = (tmp_path / "80.csv").stat().st_size
    assert taken[80] < 0.5 * size
    assert taken[80] - taken[20] < 100e6  # in an hour; the table of that hour is 346 MB
