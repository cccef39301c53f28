"""Logs that write several kinds of rows into one file, told apart by a word at the start of each row."""

from __future__ import annotations

import re
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final

from analyzer.ingest.cells import Kind, kind_of, split_line
from analyzer.ingest.dialect import Text
from analyzer.ingest.streams import open_bytes

_KEY: Final = re.compile(r"[$#@]?[A-Za-z][\w .-]{0,23}")
LEAST_ROWS: Final = 3
MOST_TYPES: Final = 64
COVERED: Final = 0.9
"""Share of the rows with numbers that must begin with a known word (engineering judgement)."""
_DELIMITERS: Final = (",", ";", "\t", "|")


@dataclass(frozen=True, slots=True)
class RecordTypes:
    """Kinds of rows in one file.

    Parameters
    ----------
    delimiter : str
        Between cells.
    names : dict
        Word at the start of the rows -> names of the cells behind it; empty where the log names them in rows
        of the same kind, which then stand above the numbers.
    """

    delimiter: str
    names: dict[str, tuple[str, ...]]


@dataclass(slots=True)
class _Seen:
    widths: dict[str, Counter[int]]
    named: dict[str, tuple[str, ...]]
    rows: int = 0


def record_types(text: Text, delimiter: str | None) -> RecordTypes | None:
    """Return the kinds of rows of a log; None for the usual log with one table.

    Rows are of several kinds when most begin with one of a few words, and either the kinds differ in width or
    each has names of its own. Otherwise the word is a column of the table.
    """
    for sign in (delimiter,) if delimiter else _DELIMITERS:
        if sign == " " or not _begins_with_words(text.lines, sign):
            continue
        seen = _survey(text.lines, sign)
        kinds = [key for key, widths in seen.widths.items() if widths.total() >= LEAST_ROWS]
        covered = sum(seen.widths[key].total() for key in kinds)
        if not 2 <= len(kinds) <= MOST_TYPES or covered < COVERED * seen.rows:
            continue
        width = {key: seen.widths[key].most_common(1)[0][0] for key in kinds}
        if len(set(width.values())) == 1 and not all(key in seen.named for key in kinds):
            continue
        return RecordTypes(sign, {key: _names(key, width[key], seen) for key in kinds})
    return None


def _begins_with_words(lines: list[str], sign: str) -> bool:
    written = [line for line in lines[-20:] if line.strip()]
    if not any(sign in line for line in written):  # the usual log, three times out of four
        return False
    words = sum(kind_of(line.partition(sign)[0].strip(' "')) is Kind.TEXT for line in written)
    return words >= 0.8 * len(written)


def _survey(lines: list[str], sign: str) -> _Seen:
    seen = _Seen(defaultdict(Counter), {})
    named_elsewhere: dict[str, tuple[str, ...]] = {}
    for line in lines:
        cells = split_line(line, sign)
        kinds = [kind_of(cell) for cell in cells]
        numbers = sum(kind in (Kind.NUMBER, Kind.TIME) for kind in kinds[1:])
        key = cells[0].strip('"')
        if numbers:
            seen.rows += 1
        if len(cells) < 3 or not _KEY.fullmatch(key):
            continue
        if numbers:
            seen.widths[key][len(cells)] += 1
        elif kinds.count(Kind.TEXT) >= 0.5 * len(cells):
            seen.named.setdefault(key, ())
            # "FORMAT, POT, Time, FL pot": the names of another kind of rows.
            named_elsewhere.setdefault(cells[1].strip('"'), tuple(cells[2:]))
    for key, names in named_elsewhere.items():
        if key in seen.widths and key not in seen.named:
            seen.named[key] = names
    return seen


def _names(key: str, width: int, seen: _Seen) -> tuple[str, ...]:
    if key not in seen.named:
        return tuple(f"{key} {i}" for i in range(1, width))
    names = seen.named[key]
    return names if len(names) == width - 1 else ()


@contextmanager
def split_by_type(path: Path, text: Text, types: RecordTypes) -> Iterator[dict[str, Path]]:
    """Yield, per kind of rows, a file of its own without the leading word; they are gone afterwards.

    Rows of no known kind are left out.
    """
    sign = types.delimiter.encode()
    with tempfile.TemporaryDirectory(prefix="log-rows-") as folder, ExitStack() as stack:
        files: dict[bytes, IO[bytes]] = {}
        places: dict[str, Path] = {}
        for number, (key, names) in enumerate(types.names.items(), start=1):
            places[key] = Path(folder) / f"{number}.csv"
            files[key.encode()] = stack.enter_context(places[key].open("wb"))
            if names:
                files[key.encode()].write(sign.join(name.encode() for name in names) + b"\n")
        with open_bytes(path, text.encoding, text.wrapped) as stream:
            for line in stream:
                first, _, rest = line.partition(sign)
                target = files.get(first.strip(b' "\xef\xbb\xbf'))
                if target is not None and rest:
                    target.write(rest if rest.endswith(b"\n") else rest + b"\n")
        for file in files.values():
            file.flush()
        yield places
