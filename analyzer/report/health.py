"""Show health rows: a table for the terminal, a dictionary for scripts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from analyzer.ingest.recording import HealthRow, Recording, Verdict

if TYPE_CHECKING:
    from analyzer.checking import CheckOutcome

_STYLE = {Verdict.GOOD: "green", Verdict.NOT_TESTED: "dim", Verdict.SUSPECT: "yellow", Verdict.BAD: "red"}


def health_json(outcome: CheckOutcome) -> dict[str, Any]:
    """Return the health rows of every recording in the shape of results.json."""
    return {
        "runs": [
            {
                "name": recording.run,
                "sample_rate_hz": recording.sample_rate,
                "samples": len(recording.data),
                "channels": list(recording.data.columns),
                "health": [health_row_dict(row) for row in recording.health],
                "steps": list(recording.steps),
            }
            for recording in outcome.recordings
        ],
        "failed": dict(outcome.failed),
    }


def health_row_dict(row: HealthRow) -> dict[str, Any]:
    """Return one row in the shape of results.json."""
    return {
        "check": row.check,
        "channel": row.channel,
        "verdict": row.verdict.value,
        "value": row.value,
        "threshold": row.threshold,
        "unit": row.unit,
        "comment": row.comment,
    }


def print_health(outcome: CheckOutcome, console: Console) -> None:
    """Print, per recording, one sentence, then every row that is not good, then what was done to read it."""
    for recording in outcome.recordings:
        _print_recording(recording, console)


def recording_line(recording: Recording) -> str:
    """Return length, rate, number of channels and outcome of the checks, in one line."""
    findings = [row for row in recording.health if row.verdict in (Verdict.SUSPECT, Verdict.BAD)]
    tested = sum(row.verdict is not Verdict.NOT_TESTED for row in recording.health)
    count = f"{len(findings)} of {tested} checks found something" if findings else f"all {tested} checks good"
    seconds = len(recording.data) / recording.sample_rate
    return (
        f"{recording.run}: {seconds:.1f} s at {recording.sample_rate:.4g} Hz,"
        f" {len(recording.data.columns)} channels; {count}"
    )


def _print_recording(recording: Recording, console: Console) -> None:
    name, _, rest = recording_line(recording).rpartition(": ")
    console.print(f"[bold]{escape(name)}[/bold]: {escape(rest)}")
    rows = [row for row in recording.health if row.verdict is not Verdict.GOOD]
    if rows:
        table = Table(box=None, pad_edge=False, show_edge=False)
        for title in ("verdict", "channel", "check", "found", "what it means"):
            table.add_column(title, overflow="fold")
        for row in rows:
            style = _STYLE[row.verdict]
            found = "" if row.value is None else f"{row.value:.4g} {row.unit}".strip()
            cells = (row.channel, row.check, found, row.comment)
            table.add_row(f"[{style}]{row.verdict.value}[/{style}]", *(escape(cell) for cell in cells))
        console.print(table)
    for step in recording.steps:
        console.print(f"  - {escape(step)}", style="dim")
