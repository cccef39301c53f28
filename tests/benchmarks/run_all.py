"""All benchmarks, one after another: ``python tests/benchmarks/run_all.py [--short]``.

Ratios within one run are what counts; seconds depend on the machine and on who else uses it. The long form
takes about half an hour and 3 GB in the temporary folder, the short one a few minutes.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
LONG: dict[str, list[str]] = {
    "bench_settings.py": [],
    "bench_reading.py": [],
    "bench_growth.py": [],
    "bench_review.py": [],
    "bench_archive.py": [],
    "bench_memory.py": [],
    "bench_look.py": [],
}
SHORT: dict[str, list[str]] = {
    "bench_settings.py": [],
    "bench_reading.py": ["300000"],
    "bench_growth.py": ["3"],
    "bench_review.py": ["2"],
    "bench_archive.py": ["10", "6"],
    "bench_memory.py": ["60", "320"],
    "bench_look.py": [],
}


def main() -> None:
    """Run them; the first that fails ends it."""
    for name, arguments in (SHORT if "--short" in sys.argv[1:] else LONG).items():
        print(f"\n== {name} {' '.join(arguments)}", flush=True)
        subprocess.run([sys.executable, str(HERE / name), *arguments], check=True)


if __name__ == "__main__":
    main()
