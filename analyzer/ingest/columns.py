"""Find the column a sheet means among the header cells of a log."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from analyzer.errors import LogError
from analyzer.ingest.cells import HeaderCell

_NUMBERED: Final = re.compile(r"^(.*\S)\s+#(\d+)$")
_TIME_NAME: Final = re.compile(
    r"(log|run|elapsed|up|session|epoch|unix|gps|utc|system|sample|device|logger|rel|relative|abs)?[ _.-]*"
    r"(time|timestamp|time ?stamp|t|clock|timer|uptime|elapsed|seconds?|millis|utc|epoch|date[ _]?time)"
    r"[ _.-]*(s|sec|secs|seconds|ms|us|utc|stamp|elapsed|millis|of day|since start|since[ _]start)?"
)
_INDEX_NAME: Final = re.compile(
    r"(sample|index|row|no|n|count|counter|record|frame|#)[ _.-]*(no|number|index|id|count)?\.?"
)


def plain_name(name: str) -> str:
    """Return `name` in lower case with runs of blanks and signs as single blanks."""
    return " ".join(re.sub(r"[\W_]+", " ", name.lower()).split())


_LEVELS: Final[tuple[tuple[Callable[[HeaderCell], str], Callable[[str], str]], ...]] = (
    (lambda h: h.full, str.strip),
    (lambda h: h.name, str.strip),
    (lambda h: h.full.casefold(), lambda w: w.strip().casefold()),
    (lambda h: plain_name(h.name), plain_name),
    (lambda h: plain_name(h.full), plain_name),
)


def find_column(header: Sequence[HeaderCell], wanted: str, path: Path, key: str) -> int | None:
    """Return the index of the column that a sheet calls `wanted`; None when the log has no such column.

    The cell as it stands is tried first, then without its unit, then without regard to case and signs.
    Where several columns bear the name, ``name #2`` means the second of them.

    Raises
    ------
    LogError
        When several columns fit and the sheet does not say which.
    """
    for as_written, as_wanted in _LEVELS:
        target = as_wanted(wanted)
        hits = [i for i, cell in enumerate(header) if target and as_written(cell) == target]
        if len(hits) == 1:
            return hits[0]
        if hits:
            raise LogError(
                path,
                f'column "{wanted}"',
                f"stands {len(hits)} times in the header",
                f'write {key}.column = "{wanted} #1" for the first of them',
            )
    numbered = _NUMBERED.match(wanted)
    if numbered:
        return _nth(header, numbered.group(1), int(numbered.group(2)))
    return None


def _nth(header: Sequence[HeaderCell], wanted: str, number: int) -> int | None:
    for as_written, as_wanted in _LEVELS:
        hits = [i for i, cell in enumerate(header) if as_written(cell) == as_wanted(wanted)]
        if hits:
            return hits[number - 1] if 1 <= number <= len(hits) else None
    return None


def nearest_names(header: Sequence[HeaderCell], wanted: str) -> str:
    """Return a phrase that names the columns most like `wanted`, or the first ones of the log."""
    names = [cell.full for cell in header]
    near = difflib.get_close_matches(wanted, names, n=3, cutoff=0.5) or names[:6]
    return ", ".join(f'"{name[:40]}"' for name in near)


def looks_like_time(cell: HeaderCell) -> bool:
    """Return whether a header cell reads like a time column."""
    return bool(_TIME_NAME.fullmatch(cell.name.lower().strip()))


def looks_like_index(cell: HeaderCell) -> bool:
    """Return whether a header cell reads like a running number of samples."""
    return bool(_INDEX_NAME.fullmatch(cell.name.lower().strip()))
