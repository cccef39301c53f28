"""Begin a session folder from one log: the work behind ``analyzer start``."""

from __future__ import annotations

from pathlib import Path

from analyzer.errors import AnalyzerError
from analyzer.files import write_together
from analyzer.ingest.starter import starter_sheets


def start_folder(folder: Path, log: Path) -> list[Path]:
    """Write sheets to fill in to `folder`, channels guessed from `log`, and copy the log beside them.

    Returns
    -------
    list of Path
        What was written, the sheet to begin with first.

    Raises
    ------
    AnalyzerError
        When a file is there already (nothing is overwritten) or the log cannot be read.
    """
    sheets = starter_sheets(log)
    copy = folder / log.name
    beside = copy.exists() and copy.samefile(log)
    for name in [*sheets, *([] if beside else [log.name])]:
        if (folder / name).exists():
            raise AnalyzerError(f"{folder / name}: is there already; name an empty or new folder")
    contents = {name: text.encode() for name, text in sheets.items()}
    if not beside:
        contents[log.name] = log.read_bytes()
    write_together({folder / name: content for name, content in reversed(contents.items())})
    return [folder / name for name in contents]
