"""What a single cell of a log holds: number, clock, date, unit or text; and what a header cell says."""

import csv
import re
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from analyzer.core.filebacked import Gathered
from analyzer.core.units import DIMENSIONS

_NUMBER: Final = {
    ".": re.compile(r"[+-]?(?:\d++(?:\.\d*+)?|\.\d++)(?:[eEdD][+-]?\d+)?"),
    ",": re.compile(r"[+-]?(?:\d++(?:,\d*+)?|,\d++)(?:[eEdD][+-]?\d+)?"),
}
_NO_NUMBER: Final = {"nan", "inf", "-inf", "+inf", "null", "none", "n/a", "na", "#n/a", "-nan", "nil"}
"""Words that stand where a number is missing."""
_CLOCK: Final = re.compile(r"\d{1,3}:\d{2}(?::\d{2})?(?:[.,]\d+)?")
_DATE: Final = re.compile(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}")
_STAMP: Final = re.compile(
    r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}[T ]+\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?\s*(?:Z|UTC|[+-]\d{2}:?\d{2})?"
    r"|\d{1,2}[-/.]\d{1,2}[-/.]\d{4}[T ]+\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?"
)


class Kind(Enum):
    """Kind of a cell's content."""

    BLANK = "blank"
    NUMBER = "number"
    TIME = "time"
    TEXT = "text"


def kind_of(cell: str, decimal: str = ".") -> Kind:
    """Return the kind of a stripped `cell`, numbers written with the given `decimal` sign."""
    if not cell:
        return Kind.BLANK
    if len(cell) > 64:
        return Kind.TEXT
    if _NUMBER[decimal].fullmatch(cell):
        return Kind.NUMBER
    if cell.lower() in _NO_NUMBER:
        return Kind.BLANK
    if _CLOCK.fullmatch(cell) or _STAMP.fullmatch(cell) or _DATE.fullmatch(cell):
        return Kind.TIME
    return Kind.TEXT


@lru_cache(maxsize=16)
def plain_row(delimiter: str, decimal: str) -> re.Pattern[str]:
    """Return what a line of two or more numbers and nothing else looks like: most lines of most logs."""
    point = re.escape(decimal)
    # Possessive throughout: no line can make it try again and again.
    digits = rf"(?:[0-9]{{1,24}}+(?:{point}[0-9]{{0,24}}+)?|{point}[0-9]{{1,24}}+)"
    blank = "[ ]*+" if delimiter == "\t" else r"[ \t]*+"
    number = rf"{blank}[+-]?{digits}(?:[eEdD][+-]?[0-9]{{1,4}}+)?{blank}"
    return re.compile(rf"{number}(?:{re.escape(delimiter)}{number})++")


def split_line(line: str, delimiter: str) -> list[str]:
    """Return the stripped cells of one `line`; a blank as `delimiter` stands for any run of blanks."""
    if delimiter == " ":
        return line.split()
    if '"' in line:
        try:
            rows = list(csv.reader([line], delimiter=delimiter))
        except csv.Error:
            rows = []
        if rows:
            return [cell.strip() for cell in rows[0]]
    return [cell.strip() for cell in line.split(delimiter)]


_OTHER_UNITS: Final = {
    "v", "mv", "volt", "volts", "a", "ma", "bar", "kpa", "mbar", "psi", "pa", "c", "degc", "f", "k", "rpm",
    "1/min", "min-1", "%", "percent", "n", "kn", "nm", "n*m", "hz", "khz", "km", "ft", "l", "kg", "counts",
    "count", "raw", "bit", "bits", "bool", "-", "--", "1", "#", "none", "n/a", "hh:mm:ss", "utc", "ppm",
    "lambda", "l/h", "deg c", "lbf", "kgf", "w", "kw", "ohm", "dbm", "db", "m2", "rad/s2", "m/s3", "enum",
}  # fmt: skip
_SPELLED: Final = str.maketrans({"°": "deg", "º": "deg", "²": "2", "³": "3", "µ": "u", "μ": "u", "·": "*"})
KNOWN_UNITS: Final = frozenset(_OTHER_UNITS).union(
    *(dimension.log_units for dimension in DIMENSIONS.values())
)
_BRACKETS: Final = {"]": "[", ")": "(", "}": "{", ">": "<"}
_RATE: Final = re.compile(r"\d++(?:\.\d++)?\s*+[kK]?[hH][zZ]")
_SUFFIX: Final = re.compile(
    r"(?<![_ ,/])[_ ,/]++(mm|g|ms|deg|dps|rad|mps2|ms2|mps|kmh|kph|mph|volts?|mv|degs|degps|rads|s)$", re.I
)
_PARTS: Final = re.compile(r"[|,;]")
_WORDS: Final = re.compile(r"[|,;\s]++|\.\.++|(?<=\d)(?=[a-zA-Z])")
_SUFFIX_UNITS: Final = {
    "mps2": "m/s2",
    "ms2": "m/s2",
    "mps": "m/s",
    "degs": "deg/s",
    "degps": "deg/s",
    "rads": "rad/s",
}


def plain_unit(unit: str) -> str:
    """Return `unit` in a plain spelling: lower case, signs written out, no blanks at the ends."""
    spelled = unit.translate(_SPELLED).strip().strip("[](){}<>").strip()
    return "mg" if spelled == "mG" else spelled.lower()


def is_unit(text: str) -> bool:
    """Return whether the text of a cell is a unit this program knows by sight."""
    return plain_unit(text) in KNOWN_UNITS


@dataclass(frozen=True, slots=True)
class HeaderCell:
    """Name and unit that one header cell gives.

    Parameters
    ----------
    full : str
        The cell as it stands, stripped.
    name : str
        Without a bracketed unit, range or rate, and without ``#`` and ``:`` at the ends.
    unit : str
        Unit in a plain spelling; empty when the cell gives none.
    from_suffix : bool
        Whether the unit was only read off the end of the name (``accel_y_g``): a weak hint.
    """

    full: str
    name: str
    unit: str = ""
    from_suffix: bool = False


def read_header_cell(cell: str) -> HeaderCell:
    """Split a header cell such as ``FL pot [mm]``, ``lateral (g, 100 Hz)``, ``Time,s`` or ``accel_y_g``."""
    full = cell.strip().strip('"').strip()
    name, unit = full, ""
    bracketed = _bracketed(full)
    if "|" in full and bracketed is None:  # a bar parts name, unit and what else there is
        first, _, rest = full.partition("|")
        return HeaderCell(full, first.strip().strip('"').strip(), _unit_among(rest.replace('"', "")))
    if bracketed is not None:
        before, inside = bracketed
        unit = _unit_among(inside)
        name = before or inside
    name = name.strip().strip("#:;|").strip()
    if not unit and bracketed is None:
        suffix = _SUFFIX.search(name)
        if suffix:
            found = suffix.group(1).lower()
            return HeaderCell(full, name, _SUFFIX_UNITS.get(found, found), from_suffix=True)
    return HeaderCell(full, name, unit)


def _bracketed(cell: str) -> tuple[str, str] | None:
    """Return what stands before and inside the bracket at the end of a stripped cell; None without one.

    By hand: a pattern for it tries every place of a long cell as the beginning of the bracket.
    """
    opening = _BRACKETS.get(cell[-1:])
    if opening is None:
        return None
    start = cell.find(opening, cell.rfind(cell[-1], 0, -1) + 1, -1)
    return None if start < 0 else (cell[:start].strip(), cell[start + 1 : -1])


def _unit_among(inside: str) -> str:
    """Return the first unit in a bracket that may also hold a range or a rate."""
    if is_unit(inside):
        return plain_unit(inside)
    for part in _PARTS.split(inside):
        if is_unit(part) and not _RATE.fullmatch(part.strip()):
            return plain_unit(part)
    for word in _WORDS.split(inside):
        if (
            word
            and (len(word) > 1 or word in "gmsV")
            and is_unit(word)
            and plain_unit(word) not in ("hz", "khz")
        ):
            return plain_unit(word)
    words = inside.strip()
    return plain_unit(words) if words and len(words) <= 12 and not words[0].isdigit() else ""


# Cells of a column of clock times, taken apart as they come: the text of a long log is not kept.


_STAMP_PARTS: Final = (
    r"^(?:(?P<date>\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4})[T ]+)?(?:(?P<h>\d{1,3}):)?(?P<m>\d{1,2}):"
    r"(?P<s>\d{1,2}(?:[.,]\d+)?)\s*(?:Z|UTC|[+-]\d{2}:?\d{2})?$"
)


@dataclass(frozen=True, slots=True)
class ClockCells:
    """Clock times of a column.

    Parameters
    ----------
    clock : ndarray
        Per row, seconds since midnight; NaN where the cell is no time [s].
    day : ndarray
        Per row, the number of its date among `dates`.
    dates : tuple of str
        As they stand, in the order in which they come; empty text where there is none.
    """

    clock: NDArray[np.float64]
    day: NDArray[np.int64]
    dates: tuple[str, ...]


def taken_apart(pieces: Iterable[pa.ChunkedArray]) -> ClockCells:
    """Return the times in the cells of a column that comes piece by piece."""
    with closing(ClockReader()) as reader:
        for piece in pieces:
            reader.add(piece)
        return reader.joined()


class ClockReader:
    """Takes the cells of a column apart, piece by piece."""

    def __init__(self) -> None:
        self._clock, self._day = Gathered(), Gathered()
        self._dates: dict[str, int] = {}

    def add(self, cells: pa.ChunkedArray) -> None:
        """Take the next piece."""
        parts = pc.extract_regex(cells, pattern=_STAMP_PARTS)
        hours, minutes, seconds = (_floats(pc.struct_field(parts, field)) for field in ("h", "m", "s"))
        clock = hours * 3600.0 + minutes * 60.0 + seconds
        clock[~np.asarray(pc.is_valid(parts))] = np.nan
        self._clock.add(clock)
        encoded = pc.dictionary_encode(pc.struct_field(parts, "date")).combine_chunks()
        words = encoded.dictionary.to_pylist()
        numbers = [self._dates.setdefault(word or "", len(self._dates)) for word in words]
        codes = np.nan_to_num(np.asarray(encoded.indices.to_numpy(zero_copy_only=False), dtype=np.float64))
        self._day.add(np.asarray(numbers or [0], dtype=np.int64)[codes.astype(np.int64)])

    def joined(self) -> ClockCells:
        """Return the whole column; the pieces are given up."""
        return ClockCells(self._clock.joined(), self._day.joined(), tuple(self._dates))

    def close(self) -> None:
        """Let go of the files; a column that was joined keeps its own hold of them."""
        self._clock.close()
        self._day.close()


def _floats(column: pa.ChunkedArray) -> NDArray[np.float64]:
    plain = pc.replace_substring(column, pattern=",", replacement=".")
    plain = pc.if_else(pc.equal(plain, ""), pa.scalar("0"), plain)
    return np.nan_to_num(np.asarray(pc.cast(plain, pa.float64()).to_numpy(), dtype=np.float64))
