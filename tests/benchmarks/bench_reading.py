"""Time and memory of reading one long log, against the general CSV reader on the same file.

Run ``python tests/benchmarks/bench_reading.py [ROWS]``; 1.2 million rows of 15 columns unless told otherwise.
Both readers run in processes of their own, in turn, several times; the least time of each counts. Memory is
the peak of the process above what it held before reading, over the float64 table of the log.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROUNDS = 5


def write(path: Path, rows: int) -> None:
    """Write a log of four pots, an inertial unit, speed, steering and three channels nobody asks for."""
    import numpy as np
    import pyarrow as pa
    import pyarrow.csv as pacsv
    from ingest.helpers import plain_log

    log = plain_log(seconds=rows / 500.0, rate=500.0)
    rng = np.random.default_rng(3)
    columns = {name: np.round(values, 6) for name, values in log.columns.items()}
    for name in ("Steer angle [deg]", "Engine speed [rpm]", "Oil temp [C]", "Throttle [%]"):
        columns[name] = np.round(50.0 + 20.0 * rng.standard_normal(rows), 4)
    pacsv.write_csv(pa.table(columns), path, write_options=pacsv.WriteOptions(quoting_style="none"))


def once(kind: str, path: str) -> None:
    """Read once with one of the readers and print seconds of wall and of processor, and bytes."""
    from ingest.helpers import MAP, car_with

    if kind == "general":
        import pyarrow.csv as pacsv
    elif kind == "table":
        from analyzer.ingest.logfile import load_file
    else:
        from analyzer.ingest.read_run import read_recording
    car = car_with({**MAP, "steer_angle": {"column": "Steer angle"}})
    with open(path, "rb") as file:  # all readers find the file in the page cache
        while file.read(1 << 20):
            pass
    before = peak()
    begin, worked = time.perf_counter(), time.process_time()
    if kind == "general":
        kept = pacsv.read_csv(path)
    elif kind == "table":
        kept = load_file(Path(path), car.logger)
    else:
        kept = read_recording("bench", [Path(path)], car)
    took, worked = time.perf_counter() - begin, time.process_time() - worked
    print(took, worked, peak() - before)
    del kept


def peak() -> int:
    """Return the peak resident size of this process [bytes]."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM"):
            return int(line.split()[1]) * 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def main() -> None:
    """Print the ratios."""
    if len(sys.argv) == 4 and sys.argv[1] == "once":
        once(sys.argv[2], sys.argv[3])
        return
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 1_200_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.csv"
        write(path, rows)
        columns = path.open().readline().count(",") + 1
        table = rows * columns * 8
        print(
            f"{path.stat().st_size / 1e6:.0f} MB, {rows} rows, {columns} columns, table {table / 1e6:.0f} MB"
        )
        best: dict[str, list[float]] = {}
        for _ in range(ROUNDS):
            for kind in ("general", "table", "recording"):
                call = [sys.executable, __file__, "once", kind, str(path)]
                done = subprocess.run(call, capture_output=True, text=True, check=True)
                found = [float(v) for v in done.stdout.split()]
                best[kind] = [min(pair) for pair in zip(found, best.get(kind, found), strict=True)]
        for kind, (took, worked, grown) in best.items():
            ratio, by_processor = took / best["general"][0], worked / best["general"][1]
            print(
                f"{kind:10s} {took:6.3f} s, ratio {ratio:5.2f}, by processor time {by_processor:5.2f},",
                f"memory over table {grown / table:4.2f}",
            )


if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]
    main()
