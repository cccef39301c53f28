"""Reading and estimating one run: time over length and over runs, memory, and against the general CSV reader.

``python tests/benchmarks/bench_growth.py [MINUTES]``; 1 to 60 minutes at 1 kHz unless told otherwise (at most
90), and 1 to 100 runs of a minute at 200 Hz. Each measurement is a process of its own that has read a short
log before, so that imports are left out. Memory is given twice: all that was resident, and the process' own,
without pages of files, which the system takes back when it needs room.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

LENGTHS = (1, 3, 10, 30, 60, 90)
MOST = 60
RUNS = (1, 10, 100)
ROUNDS = 3
GOALS = (1.8, 4.0)
"""Processor time of reading a minute, and with its estimates, over that of the general CSV reader."""
LIMITS = (4.5, 11.0)
"""What a minute may take; measured 2.6 to 3.9 and 6.2 to 9.7, as the general reader finds the machine."""


def write(path: Path, minutes: float, rate: float, seed: int = 5) -> None:
    """Write a log of the linear car: time, four pots, inertial unit, speed; another seed is another run."""
    from archive.season_maker import Plan, write_log
    from processing.linear_car import LinearCar

    # The response of the whole drive would take long to make; a minute of it repeats, without a step.
    write_log(path.with_suffix(".minute"), Plan(seconds=60.0, rate=rate), LinearCar(), seed)
    repeat(path.with_suffix(".minute"), path, minutes, rate)


def repeat(minute: Path, path: Path, minutes: float, rate: float) -> None:
    """Repeat a minute with the clock going on; the drive is periodic over it."""
    import numpy as np
    import pyarrow as pa
    import pyarrow.csv as pacsv

    table = pacsv.read_csv(minute)
    long = pa.concat_tables([table] * max(round(minutes), 1))
    clock = pa.array(np.round(np.arange(long.num_rows) / rate, 4))
    options = pacsv.WriteOptions(quoting_style="none")
    pacsv.write_csv(long.set_column(0, "time", clock), path, write_options=options)
    minute.unlink()


def once(kind: str, path: str, repeats: int) -> None:
    """Do one thing and print seconds of wall and of processor, bytes resident and of its own."""
    from archive.season_maker import car_table
    from benchmarks.bench_reading import peak

    from analyzer.ingest.read_run import read_recording
    from analyzer.processing.estimate_run import estimate_run
    from analyzer.sheets.car import CarSheet

    if kind == "pyarrow":
        import pyarrow.csv as pacsv
    if kind == "pandas":
        import pandas as pd
    car = CarSheet.model_validate(car_table("Teal coupe", "20 mm"))
    rates = {"front": 90000.0, "rear": 40000.0}
    warm = Path(path).with_name("warm.csv")
    if kind == "pyarrow":
        pacsv.read_csv(warm)
    elif kind == "pandas":
        pd.read_csv(warm)
    else:
        estimate_run(read_recording("warm", [warm], car), car, "A", rates)
    with open(path, "rb") as file:  # all find the file in the page cache
        while file.read(1 << 20):
            pass
    stop, sizes, owned = threading.Event(), [own()], own()

    def watch() -> None:
        while not stop.wait(0.005):
            sizes.append(own())

    watcher = threading.Thread(target=watch)
    watcher.start()
    before, begin, worked = peak(), time.perf_counter(), time.process_time()
    for _ in range(repeats):
        if kind == "pyarrow":
            kept = pacsv.read_csv(path)
        elif kind == "pandas":
            kept = pd.read_csv(path)
        else:
            kept = read_recording("run", [Path(path)], car)
            if kind == "estimates":
                kept = estimate_run(kept, car, "A", rates)
    took, worked = time.perf_counter() - begin, time.process_time() - worked
    stop.set()
    watcher.join()
    print(took, worked, peak() - before, max(sizes) - owned)
    del kept


def own() -> int:
    """Return the resident size of this process without pages of files [bytes]."""
    resident, of_files = Path("/proc/self/statm").read_text().split()[1:3]
    return (int(resident) - int(of_files)) * os.sysconf("SC_PAGE_SIZE")


def best(kind: str, path: Path, repeats: int = 1, rounds: int = ROUNDS) -> tuple[float, ...]:
    """Return the least of several measurements."""
    call = [sys.executable, __file__, "once", kind, str(path), str(repeats)]
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}  # as the command line sets it
    found = []
    for _ in range(rounds):
        done = subprocess.run(call, capture_output=True, text=True, env=environment)
        if done.returncode:
            raise RuntimeError(done.stderr)
        found.append([float(v) for v in done.stdout.split()])
    return tuple(min(column) for column in zip(*found, strict=True))


def main() -> None:
    """Print the tables."""
    if len(sys.argv) == 5 and sys.argv[1] == "once":
        once(sys.argv[2], sys.argv[3], int(sys.argv[4]))
        return
    from benchmarks.watching import load

    most = float(sys.argv[1]) if len(sys.argv) > 1 else MOST
    print(load())
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        write(folder / "warm.csv", 1, 200.0)
        print("one run at 1 kHz; time against pyarrow.csv, memory against the float64 table")
        told = ()
        for minutes in (m for m in LENGTHS if m <= most):
            path = folder / "long.csv"
            write(path, minutes, 1000.0)
            table = minutes * 60_000 * 12 * 8
            reader = best("pyarrow", path)
            pandas = best("pandas", path)[0]
            reading, whole = best("reading", path), best("estimates", path)
            ratios = (reading[1] / reader[1], whole[1] / reader[1])
            if minutes == 1:
                goals = (f"{r:.2f} of {goal}" for r, goal in zip(ratios, GOALS, strict=True))
                print(f"a minute, goals: {', '.join(goals)}")
                told = tuple(r for r, limit in zip(ratios, LIMITS, strict=True) if r > limit)
            print(
                f"{minutes:3d} min: pyarrow {reader[0]:6.3f} s, {reader[1]:6.3f} s of processor,",
                f"pandas {pandas / reader[0]:4.2f} x,",
                f"reading {reading[0] / reader[0]:5.2f} x, with estimates {whole[0] / reader[0]:5.2f} x,",
                f"by processor time {ratios[0]:5.2f} x and {ratios[1]:5.2f} x,",
                f"{1e9 * whole[1] / (minutes * 60_000):5.0f} ns of processor per row,",
                f"memory {reading[2] / table:4.2f} and {whole[2] / table:4.2f} x ({whole[2] / 1e6:.0f} MB),",
                f"its own {reading[3] / table:4.2f} and {whole[3] / table:4.2f} x ({whole[3] / 1e6:.0f} MB)",
            )
        print("runs of a minute at 200 Hz, one after another")
        for runs in RUNS:
            whole = best("estimates", folder / "warm.csv", runs, 1)
            each = 1e3 * whole[1] / runs
            print(f"{runs:3d} runs: {each:5.1f} ms of processor each, {whole[2] / 1e6:.0f} MB more")
    if told:
        sys.exit(f"a minute takes {told[0]:.2f} times the general reader; at most {LIMITS} are allowed")


if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]
    main()
