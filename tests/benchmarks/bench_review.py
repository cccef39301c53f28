"""Reviews: a cold one against the least that any program would have to do, later ones against the cold one.

``python tests/benchmarks/bench_review.py [ROUNDS]``; 7 rounds unless told otherwise. The yardstick imports
the library modules the review imports, reads the same logs with pandas and draws the same number of figures
as SVG, three lines with legend each. A review is cold when nothing is kept from before; "again" when
nothing changed since the one before; "one run more" when that one lacked the last run. All run in processes
of their own, in turn; the least time of each counts. The sample session has six runs of a minute at 200 Hz,
the long one six of five minutes at 1 kHz.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_logs"
ROUNDS = 7
Least = dict[str, tuple[float, float]]

YARDSTICK = """
import importlib, io, sys
from pathlib import Path
for name in sys.argv[3].split():
    importlib.import_module(name)
import matplotlib, pandas
from matplotlib.figure import Figure
matplotlib.rcParams["svg.fonttype"] = "none"
logs = [pandas.read_csv(path) for path in sorted(Path(sys.argv[1]).glob("*.csv.gz"))]
for number in range(int(sys.argv[2])):
    log = logs[number % len(logs)]
    log = log.iloc[:: max(len(log) // 400, 1)]
    figure = Figure(figsize=(4.7, 3.2))
    axes = figure.add_subplot()
    for column in log.columns[1:4]:
        axes.plot(log.iloc[:, 0], log[column], label=column)
    axes.set_xlabel("time")
    axes.set_ylabel("value")
    axes.legend()
    figure.savefig(io.StringIO(), format="svg")
"""

LONG_RUNS = 6

LISTING = """
import sys, sysconfig
from analyzer.cli import app
app(["review", sys.argv[1], "--out", sys.argv[2], "--quiet"], standalone_mode=False)
home = sysconfig.get_path("purelib")
for name, module in sorted(sys.modules.items()):
    parts = name.split(".")
    if len(parts) < 4 and not any(p.startswith("_") for p in parts):
        if (getattr(module, "__file__", None) or "").startswith(home):
            print(name)
"""


def library_modules(folder: str) -> str:
    """Return the library modules a review imports."""
    call = [sys.executable, "-c", LISTING, str(SAMPLE), f"{folder}/report"]
    return subprocess.run(call, capture_output=True, text=True, check=True).stdout


def long_session(home: Path) -> Path:
    """Write the long session and return its folder."""
    from archive.season_maker import Plan, write_sheets
    from benchmarks.bench_growth import write

    folder = home / "long"
    folder.mkdir()
    write_sheets(folder, Plan(runs=LONG_RUNS), "Teal coupe", 0)
    for number in range(1, LONG_RUNS + 1):
        write(folder / f"r{number:02d}.csv", 5.0 + 0.1 * number, 1000.0, seed=number)
    return folder


def without_last_run(session: Path, copy: Path) -> Path:
    """Return the session as it was before its last run."""
    shutil.copytree(session, copy, ignore=shutil.ignore_patterns("report*"))
    sheet = copy / "session.toml"
    text = sheet.read_text(encoding="utf-8")
    # Runs stand in tables of their own, or in one list on the last line.
    tables = "[[runs]]" in text
    sheet.write_text(text.rpartition("[[runs]]" if tables else ", { name")[0] + ("" if tables else " ]\n"))
    return copy


def review(session: Path, folder: str) -> list[str]:
    """Return the call that reviews a session."""
    return [sys.executable, "-m", "analyzer", "review", str(session), "--out", f"{folder}/report", "--quiet"]


def note(best: Least, name: str, call: list[str], cache: Path | None = None) -> None:
    """Run a call with this cache, or none, and keep the least time."""
    from benchmarks.watching import watched

    os.environ["ANALYZER_CACHE"] = "off" if cache is None else str(cache)
    cost = watched(call)
    old = best.get(name, (cost.wall, cost.processor))
    best[name] = (min(old[0], cost.wall), min(old[1], cost.processor))


def later_reviews(best: Least, session: Path, folder: str, rounds: int) -> None:
    """Measure reviews of one session with a cache: empty, full, and full but for the last run."""
    name, home = session.name, Path(folder)
    before = without_last_run(session, home / "before" / name)
    for number in range(rounds):
        empty, partly = home / f"{name}-{number}", home / f"{name}-partly-{number}"
        note(best, f"{name}: first, keeping", review(session, folder), empty)
        note(best, f"{name}: again", review(session, folder), empty)
        note({}, "", review(before, folder), partly)
        note(best, f"{name}: one run more", review(session, folder), partly)
        if number < rounds - 1:
            shutil.rmtree(empty)
        shutil.rmtree(partly)


def main() -> None:
    """Print the ratios."""
    from benchmarks.watching import load

    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else ROUNDS
    some = max(rounds // 2, 1)
    print(load())
    best: Least = {}
    with tempfile.TemporaryDirectory() as folder:
        os.environ["ANALYZER_CACHE"] = "off"
        modules = library_modules(folder)
        page = (Path(folder) / "report" / "report.html").read_text(encoding="utf-8")
        figures = page.count('<figure class="plate"')
        yardstick = [sys.executable, "-c", YARDSTICK, str(SAMPLE), str(figures), modules]
        for _ in range(rounds):
            note(best, "cold", review(SAMPLE, folder))
            note(best, "yardstick", yardstick)
            note(best, "help", [sys.executable, "-m", "analyzer", "--help"])
        later_reviews(best, SAMPLE, folder, some)
        drawn = ["--figures", f"{folder}/figures", "--pdf", f"{folder}/page.pdf"]
        long = long_session(Path(folder))
        for _ in range(some):
            note(best, "cold, figures and pdf", [*review(SAMPLE, folder), *drawn])
            note(best, f"{long.name}: cold", review(long, folder))
        later_reviews(best, long, folder, some)
        kept = sum(file.stat().st_size for file in Path(folder).glob(f"{SAMPLE.name}-*/*/*.kept"))
        kept_long = sum(file.stat().st_size for file in Path(folder).glob(f"{long.name}-*/*/*.kept"))
        logs = sum(file.stat().st_size for file in long.glob("*.csv"))
    for name, (wall, processor) in best.items():
        base = best[f"{long.name}: cold" if name.startswith(long.name) else "cold"]
        ratios = f"over cold {wall / base[0]:.2f}, {processor / base[1]:.2f}"
        print(f"{name:30s} wall {wall:5.2f} s, processor {processor:5.2f} s, {ratios}")
    wall, processor = (best["cold"][k] / best["yardstick"][k] for k in (0, 1))
    print(f"{figures} figures; review over yardstick: wall {wall:.2f}, processor {processor:.2f} (goal 1.3)")
    print(f"kept: {kept / 1e6:.0f} MB; long session {kept_long / 1e6:.0f} MB of {logs / 1e6:.0f} MB of logs")
    print(f"help: {best['help'][0]:.2f} s (goal 0.25 s)")


if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1]), str(ROOT)]
    main()
