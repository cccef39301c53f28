"""A season of many runs: time over runs, memory over runs, two processes against one, a pass without news.

``python tests/benchmarks/bench_archive.py [SESSIONS] [RUNS PER SESSION]``; 100 x 10 runs of 60 s at 200 Hz
unless told otherwise (about 1.2 GB in the temporary folder). Wall time means little when others use the
machine, so processor time is given, too: two processes can at best be as much faster than one as the busiest
of them works less.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchmarks.watching import Cost


def archive(season: Path, out: Path, workers: int) -> Cost:
    """Do one pass in a process of its own."""
    from benchmarks.watching import watched

    call = [
        sys.executable,
        "-m",
        "analyzer",
        "archive",
        str(season),
        "--out",
        str(out),
        "--workers",
        str(workers),
    ]
    return watched(call)


def grown(sizes: list[tuple[float, int]]) -> tuple[float, float]:
    """Return the largest resident size of a worker in the first and in the last half of a pass [MB]."""
    half = max(time for time, _ in sizes) / 2.0
    return tuple(max(s for t, s in sizes if (t > half) is late) / 1e6 for late in (False, True))


def show(name: str, cost: Cost, runs: int) -> None:
    """Print one line."""
    early, late = grown(cost.sizes) if cost.sizes else (0.0, 0.0)
    each = 1e3 * cost.processor / runs
    print(
        f"{name:14s} wall {cost.wall:6.1f} s, processor {cost.processor:6.1f} s ({each:4.0f} ms per run),",
        end=" ",
    )
    print(f"busiest {cost.busiest:5.1f} s, first process {cost.own:4.1f} s,", end=" ")
    print(
        f"peak {cost.peak / 1e6:.0f} MB, worker {early:.0f} MB in the first half, {late:.0f} MB in the last"
    )


def main() -> None:
    """Print times, ratios and memory."""
    from archive.season_maker import Plan, write_season
    from benchmarks.watching import load

    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    runs = int(sys.argv[2]) if len(sys.argv) > 2 else 10
    print(load())
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        season = folder / "season"
        cars = ("Teal coupe", "Ochre saloon")
        write_season(season, Plan(sessions, runs, cars, seconds=60.0, rate=200.0, wear=0.2, gap="20 mm"))
        one = archive(season, folder / "one", 1)
        again = archive(season, folder / "one", 1)
        two = archive(season, folder / "two", 2)
        total = sessions * runs
        show("one process", one, total)
        show("two processes", two, total)
        show("second pass", again, total)
        by_work = one.processor / (two.busiest + two.own)
        print(f"two against one: wall {one.wall / two.wall:.2f}, by processor time {by_work:.2f}")
        by_work = one.processor / again.processor
        print(f"first against second pass: wall {one.wall / again.wall:.1f}, processor {by_work:.1f}")
        few = folder / "few"
        for session in sorted(season.glob("*/*"))[::5]:
            shutil.copytree(session, few / session.relative_to(season))
        fifth = archive(few, folder / "fifth", 1)
        count = len(list(few.glob("*/*"))) * runs
        # What a pass costs besides its runs (start, comparison, page) is that of a pass without news.
        per_run = ((one.processor - again.processor) / total) / ((fifth.processor - again.processor) / count)
        print(f"processor time per run, {total} runs against {count}: {per_run:.2f}")
        same = {p.relative_to(folder / "one"): p.read_bytes() for p in (folder / "one").rglob("*.parquet")}
        assert all((folder / "two" / name).read_bytes() == data for name, data in same.items())
        print(f"both archives hold the same {len(same)} files")


if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]
    main()
