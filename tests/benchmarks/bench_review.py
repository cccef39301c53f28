"""A cold review of the sample session against the least that any program doing it would have to do.

``python tests/benchmarks/bench_review.py``. The yardstick imports the library modules the review imports,
reads the same logs with pandas and draws the same number of figures as SVG, three lines with
legend each. Both
run in processes of their own, in turn; the least time of each counts.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_logs"
ROUNDS = 7

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


def main() -> None:
    """Print the ratio."""
    from benchmarks.watching import load, watched

    print(load())
    best: dict[str, tuple[float, float]] = {}
    with tempfile.TemporaryDirectory() as folder:
        modules = library_modules(folder)
        page = (Path(folder) / "report" / "report.html").read_text(encoding="utf-8")
        figures = page.count('<figure class="plate"')
        analyzer = [sys.executable, "-m", "analyzer"]
        calls = {
            "review": [*analyzer, "review", str(SAMPLE), "--out", f"{folder}/report", "--quiet"],
            "yardstick": [sys.executable, "-c", YARDSTICK, str(SAMPLE), str(figures), modules],
            "help": [*analyzer, "--help"],
        }
        for _ in range(ROUNDS):
            for name, call in calls.items():
                cost = watched(call)
                old = best.get(name, (cost.wall, cost.processor))
                best[name] = (min(old[0], cost.wall), min(old[1], cost.processor))
    for name, (wall, processor) in best.items():
        print(f"{name:10s} wall {wall:5.2f} s, processor {processor:5.2f} s")
    wall, processor = (best["review"][k] / best["yardstick"][k] for k in (0, 1))
    print(f"{figures} figures; review over yardstick: wall {wall:.2f}, processor {processor:.2f} (goal 2)")
    print(f"help: {best['help'][0]:.2f} s (goal 0.25 s)")


if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1]), str(ROOT)]
    main()
