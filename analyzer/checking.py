"""Check logs without estimating anything: the work behind ``analyzer check``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from analyzer.errors import LogError
from analyzer.ingest.reading import read_loose_log
from analyzer.ingest.recording import Recording, Verdict
from analyzer.session import Progress, load_session, record_run


@dataclass(frozen=True, slots=True)
class CheckOutcome:
    """Recordings with their health rows.

    Parameters
    ----------
    recordings : tuple of Recording
        Those that could be read.
    failed : dict
        Run or file name -> the one line why it could not be read.
    """

    recordings: tuple[Recording, ...]
    failed: dict[str, str]

    @property
    def clean(self) -> bool:
        """Whether no row of any recording is suspect or bad."""
        finding = (Verdict.SUSPECT, Verdict.BAD)
        return not self.failed and not any(
            row.verdict in finding for recording in self.recordings for row in recording.health
        )


def check_path(path: Path, progress: Progress) -> CheckOutcome:
    """Check one log, or all logs of a session when `path` is a session sheet or a folder.

    Raises
    ------
    AnalyzerError
        When a sheet, or a log named by itself, cannot be used.
    """
    if path.suffix.lower() != ".toml" and not path.is_dir():
        return CheckOutcome((read_loose_log(path),), {})
    session = load_session(path)
    recordings: list[Recording] = []
    failed: dict[str, str] = {}
    for index, run in enumerate(session.sheet.runs, start=1):
        progress(f"checking {run.name}", index, len(session.sheet.runs))
        try:
            recordings.append(record_run(session, run))
        except LogError as error:
            failed[run.name] = str(error)
    return CheckOutcome(tuple(recordings), failed)
