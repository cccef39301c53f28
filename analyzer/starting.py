"""Begin a session folder from one log: the work behind ``analyzer start``."""

from __future__ import annotations

import shutil
from pathlib import Path

from analyzer.errors import AnalyzerError, one_line
from analyzer.files import write_together, write_whole_with
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
    contents = {folder / name: text.encode() for name, text in sheets.items()}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not beside:
            # A log may be larger than memory.
            write_whole_with(copy, lambda part: shutil.copyfile(log, part))
        write_together(dict(reversed(contents.items())))
    except OSError as error:
        reason = error.strerror or "cannot be written"
        raise AnalyzerError(f"{one_line(str(folder), 200)}: {reason}; name a folder elsewhere") from None
    return [*contents, *([] if beside else [copy])]
