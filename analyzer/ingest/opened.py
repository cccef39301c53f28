"""A log whose header is known and whose cells are not yet read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path

from analyzer.ingest.cells import HeaderCell
from analyzer.ingest.dialect import Text
from analyzer.ingest.files import is_parquet
from analyzer.ingest.layout import Layout, Wishes, find_layout
from analyzer.ingest.parquet import parquet_header, read_parquet
from analyzer.ingest.streams import read_text
from analyzer.ingest.table import RawTable, read_columns
from analyzer.sheets.logger import Logger


@dataclass(slots=True)
class Opened:
    """A file whose header is known and whose cells are not yet read."""

    path: Path
    header: tuple[HeaderCell, ...]
    text: Text | None
    layout: Layout | None
    steps: list[str]


def open_table(path: Path, logger: Logger, text: Text | None = None) -> Opened:
    """Find the table of a log; `text` is its first lines when they were read already.

    Raises
    ------
    LogError
        When the file cannot be opened or holds no table.
    """
    if text is None and is_parquet(path):
        return Opened(path, parquet_header(path), None, None, [])
    text = read_text(path, logger.encoding) if text is None else text
    wishes = Wishes(logger.delimiter, logger.decimal, logger.encoding, logger.header_line)
    layout = find_layout(text, path, wishes)
    return Opened(path, layout.header, text, layout, [*text.steps, *layout.steps])


def read_raw(opened: Opened, wanted: Sequence[int], texts: Sequence[int]) -> RawTable:
    """Return the columns `wanted` as numbers and `texts` as text; raises as `read_columns`."""
    if opened.text is None or opened.layout is None:
        return read_parquet(opened.path, wanted, texts)
    return read_columns(opened.path, opened.text, opened.layout, wanted, texts)


def is_file(path: Path, wanted: str) -> bool:
    """Return whether a file bears the name that a sheet gives, in part or as a pattern."""
    pattern = wanted if "*" in wanted or "?" in wanted else f"*{wanted}*"
    return fnmatch(path.name.lower(), pattern.lower())
