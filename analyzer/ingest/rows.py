"""Say which lines and cells of a log could not be read."""

from __future__ import annotations

from typing import Final

from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.ingest.table import RawTable

SHOWN: Final = 5
"""Lines named one by one; of the others the number is given."""
MOST_BAD_CELLS: Final = 0.2
"""Share of a channel's cells that are no numbers above which it is not used; engineering judgement."""


def report_rows(steps: list[str], health: list[HealthRow], table: RawTable, names: dict[int, str]) -> None:
    """Add a health row for lines of another width, and one per channel with cells that are no numbers.

    A repeated header or row of units is told apart from damage: it takes nothing away.
    """
    lines = [line for line, _, _ in table.dropped]
    if lines:
        text = (
            f"{len(lines)} lines have another number of cells than the header and were left out: "
            f"{_listed(lines)}"
        )
        steps.append(text)
        health.append(
            HealthRow("unreadable lines", "log", Verdict.SUSPECT, float(len(lines)), 0.0, "1", text + ".")
        )
    for index, rows in table.bad_cells.items():
        channel = names.get(index, "time")
        lines = [table.line(row) for row in rows[: SHOWN + 1]]
        share = len(rows) / max(1, table.rows)
        text = f"{len(rows)} cells hold no number and were left out: {_listed(lines, len(rows))}"
        verdict = Verdict.BAD if share > MOST_BAD_CELLS else Verdict.SUSPECT
        steps.append(f"{channel}: {text}")
        health.append(HealthRow("unreadable cells", channel, verdict, share, MOST_BAD_CELLS, "1", text + "."))


def _listed(lines: list[int], total: int | None = None) -> str:
    total = len(lines) if total is None else total
    shown = ", ".join(str(line) for line in lines[:SHOWN])
    more = f" and {total - SHOWN} more" if total > SHOWN else ""
    return f"line {shown}{more}" if total == 1 else f"lines {shown}{more}"
