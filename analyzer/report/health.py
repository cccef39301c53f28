"""Show health rows: a table for the terminal, a dictionary for scripts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from rich.console import Console

from analyzer.errors import one_line
from analyzer.ingest.recording import HealthRow, Recording, Verdict
from analyzer.report.console import say
from analyzer.report.wording import clause, count, label, listed

if TYPE_CHECKING:
    from analyzer.checking import CheckOutcome

_STYLE: Final = {Verdict.SUSPECT: "yellow", Verdict.BAD: "red"}


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
    """Print what every log holds, every check that is not good and what to do, then how the logs were read.

    Checks that could not be made, and steps of reading, are told once for all logs they belong to.
    """
    for recording in outcome.recordings:
        _print_recording(recording, console)
    _grouped(
        console,
        "Not tested",
        [
            (recording.run, f"{row.channel}, {row.check}: {clause(row.comment)}")
            for recording in outcome.recordings
            for row in recording.health
            if row.verdict is Verdict.NOT_TESTED
        ],
    )
    steps = [(recording.run, step) for recording in outcome.recordings for step in recording.steps]
    _grouped(console, "How the logs were read", steps)
    console.print()
    say(console, _next_step(outcome), style="bold")


def _grouped(console: Console, title: str, lines: list[tuple[str, str]]) -> None:
    runs: dict[str, list[str]] = {}
    for run, line in lines:
        runs.setdefault(line, []).append(label(run, 24))
    if not runs:
        return
    every = {run for run, _ in lines}
    console.print()
    say(console, title)
    for line, names in runs.items():
        which = "" if len(every) == 1 or len(set(names)) == len(every) else f" ({listed(names, 8)})"
        say(console, f"  {one_line(line)}{which}", hang=4)


def _next_step(outcome: CheckOutcome) -> str:
    rows = [row for recording in outcome.recordings for row in recording.health]
    if outcome.failed:
        return f"{count(len(outcome.failed), 'log')} could not be read; the line below says why."
    if any(row.verdict is Verdict.BAD for row in rows):
        return "Bad channels are left out of all that needs them: mend sheet or sensor, then check again."
    if any(row.verdict is Verdict.SUSPECT for row in rows):
        return "Suspect channels are used: look at what is said about them, then go on with analyzer review."
    return "Every check is good; go on with analyzer review."


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
    say(console, one_line(recording_line(recording)), style="bold")
    rows = [row for row in recording.health if row.verdict in _STYLE]
    for row in sorted(rows, key=lambda row: row.verdict is not Verdict.BAD):
        word = row.verdict.value
        say(
            console,
            f"  {word + ':':9}{row.channel}, {row.check}: {clause(row.comment)}.",
            style=_STYLE[row.verdict],
            hang=9,
        )
