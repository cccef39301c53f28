"""Write the power of every order of driving into docs/verdicts.md: ``python tests/docs/power_table.py``."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np

from analyzer.comparison.ledger import RunValue
from analyzer.comparison.session_drift import change_with_drift
from analyzer.comparison.verdict import driving_plan

PAGE = Path(__file__).parents[2] / "docs" / "verdicts.md"
START: Final = "<!-- power: python tests/docs/power_table.py -->\n"
END: Final = "<!-- end of power -->\n"

RUNS: Final = range(3, 13)
CASES: Final = ((0.003, 0.01), (0.01, 0.03))
"""Repeatability of the runs, and the change that is to be seen."""

DRIFT: Final = 0.03
SESSIONS: Final = 400


def orders(total: int) -> dict[str, str]:
    """Return the orders that are compared for a number of runs: first all of A, in turns, as recommended."""
    first, middle, second = driving_plan(total)
    return {
        "A, then B": "A" * (total - total // 2) + "B" * (total // 2),
        "in turns": ("AB" * total)[:total],
        "recommended": "A" * first + "B" * middle + "A" * second,
    }


def power(order: str, scatter: float, change: float, drift: float, sessions: int = SESSIONS) -> float:
    """Return the share of drawn sessions in which B is seen to be softer than A [1]."""
    draw = np.random.default_rng(len(order))
    true = drift * np.linspace(0.0, 1.0, len(order)) - change * np.array([name == "B" for name in order])
    seen = 0
    for _ in range(sessions):
        values = true + scatter * draw.standard_normal(len(order))
        runs = [
            RunValue(f"r{place}", name, float(value), None, float(place))
            for place, (name, value) in enumerate(zip(order, values, strict=True))
        ]
        seen += change_with_drift(runs, "A", "B").change.interval[1] < 0.0
    return seen / sessions


def cell(order: str, scatter: float, change: float) -> str:
    """Return power without and with drift [%]."""
    steady = power(order, scatter, change, 0.0)
    drifting = (power(order, scatter, change, DRIFT) + power(order, scatter, change, -DRIFT)) / 2.0
    return f"{100.0 * steady:.0f} / {100.0 * drifting:.0f}"


def row(total: int) -> str:
    """Return one line of the table."""
    shown = orders(total)
    cells = [cell(order, *case) for case in CASES for order in shown.values()]
    return f"| {total} | {shown['recommended']} | " + " | ".join(cells) + " |\n"


def table() -> str:
    """Return the whole table."""
    names = list(orders(4))
    head = [f"{100 * scatter:.1g} %: {name}" for scatter, _ in CASES for name in names]
    lines = "| runs | recommended | " + " | ".join(head) + " |\n" + "| --- " * (2 + len(head)) + "|\n"
    return lines + "".join(row(total) for total in RUNS)


def main() -> None:
    """Put the table between its marks."""
    before, rest = PAGE.read_text(encoding="utf-8").split(START)
    after = rest.split(END)[1]
    PAGE.write_text(f"{before}{START}\n{table()}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
