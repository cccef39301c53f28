"""Tell what a file is that was given in place of another: one of the sheets, a log or a folder."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, Final, Literal

from analyzer.core.files import open_plain

Kind = Literal["car sheet", "session sheet", "course sheet"]

LARGEST_SHEET: Final = 2_000_000
"""Bytes; a sheet is written by hand, so a larger file is something else."""

_OWN_KEYS: Final[dict[Kind, frozenset[str]]] = {
    "car sheet": frozenset({"mass", "front", "rear", "logger"}),
    "session sheet": frozenset({"car", "setups", "runs"}),
    "course sheet": frozenset({"sections"}),
}
"""Keys that only this sheet has; any sheet has a name."""
_USUAL_NAME: Final[dict[Kind, str]] = {
    "car sheet": "car.toml",
    "session sheet": "session.toml",
    "course sheet": "course.toml",
}
SHEET_SUFFIXES: Final = {".toml", ".txt"}
"""Some editors put ``.txt`` behind the name of a sheet."""
LOG_SUFFIXES: Final = {
    ".csv",
    ".tsv",
    ".txt",
    ".log",
    ".dat",
    ".asc",
    ".gz",
    ".bz2",
    ".xz",
    ".zip",
    ".parquet",
}
_LOG_SIGNATURES: Final = (b"\x1f\x8b", b"PK\x03\x04", b"BZh", b"\xfd7zXZ\x00", b"PAR1")
"""First bytes of gzip (RFC 1952), zip, bzip2, xz and Parquet; all but the first from memory."""
_HEAD: Final = 4096
_KEY_OR_TABLE: Final = re.compile(rb"^[ \t]*+(\[++[ \t]*+[A-Za-z]|[A-Za-z_.]++[ \t]*+=)", re.MULTILINE)
_PART: Final = rb"""(?:[A-Za-z0-9_-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+"""
_MOST_PARTS: Final = 20
"""Parts of a dotted key; the deepest of a sheet of ours has five."""
_DEEP_KEY: Final = re.compile(rb"(?<![A-Za-z0-9_-])(?:" + _PART + rb"\.[ \t]*+){%d}" % _MOST_PARTS)
_MOST_LOOKED_AT: Final = 50
"""Files of a folder that are opened to find the sheet that was meant; engineering judgement."""


def toml_table(data: bytes) -> dict[str, Any]:
    """Return the keys and values of a sheet.

    Raises
    ------
    UnicodeDecodeError
        When it is not UTF-8.
    TOMLDecodeError, RecursionError
        When it is not TOML, or is built in a way that no sheet is.
    """
    # The parser's time grows with the square of the parts of a key: of 2 MB of dots, hours.
    deep = _DEEP_KEY.search(data)
    if deep is not None:
        line = data.count(b"\n", 0, deep.start()) + 1
        raise tomllib.TOMLDecodeError(f"A key of more than {_MOST_PARTS} parts (at line {line})")
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        raise
    except ValueError:
        # The language refuses whole numbers of more than 4,300 digits, without a place.
        raise tomllib.TOMLDecodeError("A whole number has thousands of digits") from None


def kind_of(table: dict[str, Any]) -> Kind | None:
    """Return which sheet has the keys of `table`; None when none of its keys belongs to one sheet alone."""
    count = {kind: len(keys & table.keys()) for kind, keys in _OWN_KEYS.items()}
    likely = max(count, key=lambda kind: count[kind])
    return likely if count[likely] else None


def kind_of_file(path: Path) -> Kind | None:
    """Return which sheet lies at `path`; None when it is none, or cannot be read."""
    try:
        if path.suffix.lower() not in SHEET_SUFFIXES or path.stat().st_size > LARGEST_SHEET:
            return None
        with open_plain(path) as file:
            return kind_of(toml_table(file.read()))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError):
        return None


def is_log(path: Path) -> bool:
    """Return whether a file that does not read as a sheet is meant as a log, by its ending or first bytes."""
    try:
        with open_plain(path) as file:
            head = file.read(_HEAD)
    except OSError:
        return False
    if head.startswith(_LOG_SIGNATURES):
        return True
    suffix = path.suffix.lower()
    # A text file may be either: a sheet with a slip in it still has lines with keys and tables.
    return suffix in LOG_SUFFIXES and (suffix not in SHEET_SUFFIXES or _KEY_OR_TABLE.search(head) is None)


def logs_in(folder: Path) -> list[Path]:
    """Return the files of a folder that are logs by their ending and no sheets, sorted."""
    try:
        files = sorted(p for p in folder.iterdir() if p.suffix.lower() in LOG_SUFFIXES and p.is_file())
    except OSError:
        return []
    return [path for path in files if kind_of_file(path) is None]


def sheet_in(folder: Path, kind: Kind) -> Path | None:
    """Return the sheet of a `kind` in a folder: of the usual name, or the only one; None otherwise."""
    usual = folder / _USUAL_NAME[kind]
    if kind_of_file(usual) == kind:
        return usual
    try:
        files = sorted(folder.glob("*.toml"))[:_MOST_LOOKED_AT]
    except OSError:
        return None
    found = [path for path in files if kind_of_file(path) == kind]
    return found[0] if len(found) == 1 else None
