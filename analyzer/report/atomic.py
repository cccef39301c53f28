"""Put a finished folder in place in one step, so that a killed run leaves the old report or none."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from analyzer.errors import AnalyzerError, one_line
from analyzer.files import umask

PAGE: Final = "report.html"
RESULTS: Final = "results.json"
TABLES: Final = "tables"
RESULTS_FORMAT: Final = "drift-bar-analyzer results 1"
"""Stands in every results.json; a folder without this format or one of the two below is no report of ours."""
SEASON_FORMAT: Final = "drift-bar-analyzer archive 1"
COURSE_FORMAT: Final = "drift-bar-analyzer course 1"

_LARGEST_RESULTS: Final = 200_000_000
REPORT_TABLES: Final = (
    "runs.csv",
    "setups.csv",
    "measured_against_predicted.csv",
    "comparisons.csv",
    "bottoming.csv",
    "splits.csv",
    "health.csv",
    "left_out.csv",
)
SEASON_TABLES: Final = ("trends.csv", "points.csv", "bottoming.csv", "left_out.csv")
_TABLE_FILES: Final = frozenset({*REPORT_TABLES, *SEASON_TABLES})
"""Any other table beside them is somebody's own, a log for instance, and would go with the old folder."""


@contextmanager
def replaced_folder(target: Path) -> Iterator[Path]:
    """Give an empty folder to write to; when the block ends without an error it becomes `target`.

    Parameters
    ----------
    target : Path
        Where the report shall lie: nothing, an empty folder, or an earlier report.

    Yields
    ------
    Path
        A folder beside `target`, on the same file system, so that a rename puts it in place.

    Raises
    ------
    AnalyzerError
        When something else than a report lies at `target`, or the place cannot be written to.
    """
    target = target.expanduser().resolve()
    check_replaceable(target)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=f".{target.name[:40]}-", suffix=".part", dir=target.parent))
    except OSError as error:
        raise _not_writable(target, error) from None
    try:
        yield work
        # mkdtemp gives the owner alone access; a report is passed around like any other folder.
        work.chmod(0o777 & ~umask())
        check_replaceable(target)
        _swap(work, target)
    except OSError as error:
        raise _not_writable(target, error) from None
    finally:
        shutil.rmtree(work, ignore_errors=True)


def check_replaceable(target: Path) -> None:
    """Raise `AnalyzerError` unless `target` is absent, an empty folder or an earlier report of ours."""
    if not target.exists():
        return
    if not target.is_dir():
        raise AnalyzerError(one_line(f"{target}: is a file; name a folder for the report"))
    strange = _strange_entry(target)
    if strange is not None:
        raise AnalyzerError(
            one_line(
                f'{target}: is not a report of this program (it holds "{strange}"), so it is left alone; '
                "name another folder for the report"
            )
        )


def _strange_entry(folder: Path) -> str | None:
    """Return the first entry that a report would not hold, None when the folder may be replaced."""
    entries = sorted(folder.iterdir())
    if not entries:
        return None
    for entry in entries:
        if entry.name not in (PAGE, RESULTS, TABLES) or entry.is_symlink():
            return entry.name
    tables = folder / TABLES
    if tables.exists():
        if not tables.is_dir():
            return TABLES
        for entry in sorted(tables.iterdir()):
            if entry.name not in _TABLE_FILES or not entry.is_file() or entry.is_symlink():
                return f"{TABLES}/{entry.name}"
    results = folder / RESULTS
    if not results.is_file():
        return entries[0].name
    return None if _has_our_format(results) else RESULTS


def _has_our_format(results: Path) -> bool:
    try:
        if results.stat().st_size > _LARGEST_RESULTS:
            return False
        table = json.loads(results.read_bytes())
    except (OSError, ValueError, RecursionError):
        return False
    return isinstance(table, dict) and table.get("format") in (RESULTS_FORMAT, SEASON_FORMAT, COURSE_FORMAT)


def _swap(work: Path, target: Path) -> None:
    """Move `work` to `target`; an earlier report is moved aside first and removed last."""
    if not target.exists():
        work.rename(target)
        return
    aside = Path(tempfile.mkdtemp(prefix=f".{target.name[:40]}-", suffix=".old", dir=target.parent))
    old = aside / "old"
    target.rename(old)
    try:
        work.rename(target)
    except OSError:
        old.rename(target)
        aside.rmdir()
        raise
    shutil.rmtree(aside, ignore_errors=True)


def _not_writable(target: Path, error: OSError) -> AnalyzerError:
    reason = error.strerror or type(error).__name__
    return AnalyzerError(
        one_line(f"{target}: the report cannot be written there ({reason}); name another folder")
    )
