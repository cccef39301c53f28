"""The archive's own folder: whose it is, one pass at a time, files that are there whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any, Final

from analyzer.errors import AnalyzerError, one_line
from analyzer.files import write_whole_with
from analyzer.report.atomic import SEASON_FORMAT

MARKER: Final = "archive.json"
LOCK: Final = ".lock"
DATA: Final = "data"
RESULTS: Final = "results"
LOGS: Final = "logs.json"
REPORT: Final = "report"
FIGURE: Final = "season.svg"

_TEMPORARY: Final = ".part-"


@contextmanager
def opened(folder: Path) -> Iterator[Path]:
    """Make `folder` ready for one pass and hold it against a second one.

    Yields
    ------
    Path
        The folder, resolved; left-over temporary files of a killed pass are gone.

    Raises
    ------
    AnalyzerError
        When something else lies there, another pass is at work, or the place cannot be written to.
    """
    folder = folder.expanduser().resolve()
    _check_ours(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = (folder / LOCK).open("a")
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise AnalyzerError(
            one_line(f"{folder}: the archive cannot be written there ({reason}); name another folder")
        ) from None
    with lock:
        if not _locked(lock):
            raise AnalyzerError(one_line(f"{folder}: another pass is writing this archive; wait for it"))
        # The system lets go of the lock when the process ends, however it ends.
        for left in folder.rglob(f"{_TEMPORARY}*"):
            with suppress(OSError):
                left.unlink()
        write_json(folder / MARKER, {"format": SEASON_FORMAT})
        yield folder


def _check_ours(folder: Path) -> None:
    if not folder.exists():
        return
    if not folder.is_dir():
        raise AnalyzerError(one_line(f"{folder}: is a file; name a folder for the archive"))
    entries = sorted(e.name for e in folder.iterdir() if e.name != LOCK and not e.name.startswith(_TEMPORARY))
    if entries and read_json(folder / MARKER) != {"format": SEASON_FORMAT}:
        raise AnalyzerError(
            one_line(
                f'{folder}: is not an archive of this program (it holds "{entries[0]}") and is left alone; '
                "name another folder with --out"
            )
        )


def _locked(file: IO[str]) -> bool:
    try:
        import fcntl
    except ImportError:  # a system without these locks: the user keeps to one pass at a time
        return True
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def write_whole(path: Path, write: Callable[[Path], object]) -> None:
    """Let `write` fill a temporary file, then put it at `path` in one step."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole_with(path, write, _TEMPORARY)


def write_json(path: Path, table: Any) -> None:
    """Write `table` as JSON, whole or not at all; equal contents are equal bytes."""
    text = json.dumps(table, sort_keys=True, ensure_ascii=False, allow_nan=False)
    data = text.encode("utf-8", "backslashreplace")
    write_whole(path, lambda part: part.write_bytes(data))


def read_json(path: Path) -> Any:
    """Return the contents of a JSON file of ours; None when it is missing or damaged."""
    try:
        return json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
