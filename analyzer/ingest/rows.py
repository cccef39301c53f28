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
    """Add a row for lines left out as a whole, and one per channel with cells that are no numbers.

    A repeated header or row of units takes nothing away and is named without alarm.
    """
    repeated = [d.line for d in table.dropped if d.harmless]
    lost = [d.line for d in table.dropped if not d.harmless]
    if repeated:
        text = f"The header stands again in {_listed(repeated)}; left out"
        steps.append(text)
        health.append(
            HealthRow("repeated header", "log", Verdict.GOOD, float(len(repeated)), None, "1", text + ".")
        )
    if lost:
        text = f"{len(lost)} lines do not fit the table and were left out: {_listed(lost)}"
        steps.append(text)
        health.append(
            HealthRow("unreadable lines", "log", Verdict.SUSPECT, float(len(lost)), 0.0, "1", text + ".")
        )
    if table.ended:
        text = f"Another table begins in line {table.dropped[-1].line}; what follows was left out"
        steps.append(text)
        health.append(HealthRow("another table", "log", Verdict.SUSPECT, None, None, "", text + "."))
    for index, lines in table.bad_cells.items():
        channel = names.get(index, "time")
        share = len(lines) / max(1, table.rows)
        text = f"{len(lines)} cells hold no number and were left out: {_listed(lines)}"
        verdict = Verdict.BAD if share > MOST_BAD_CELLS else Verdict.SUSPECT
        steps.append(f"{channel}: {text}")
        health.append(HealthRow("unreadable cells", channel, verdict, share, MOST_BAD_CELLS, "1", text + "."))


def _listed(lines: list[int]) -> str:
    shown = ", ".join(str(line) for line in lines[:SHOWN])
    more = f" and {len(lines) - SHOWN} more" if len(lines) > SHOWN else ""
    return f"line {shown}" if len(lines) == 1 else f"lines {shown}{more}"
