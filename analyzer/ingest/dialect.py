"""Encoding and delimiter of a text log from its first kilobytes; libraries are loaded only when needed."""

from __future__ import annotations

import codecs
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from analyzer.errors import LogError
from analyzer.ingest.files import SAMPLE_BYTES

_MARKS: Final = (
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
LINES_FOR_SNIFFER: Final = 60
"""Lines handed to the delimiter sniffer, whose time grows faster than its input."""


@dataclass(slots=True)
class Text:
    """First lines of a log, decoded.

    Parameters
    ----------
    encoding : str
        Python name; "utf-8" when it is plain.
    lines : list of str
        Without line ends.
    offsets : list of int
        Byte at which each line starts in the ASCII-compatible stream that the table is read from.
    whole : bool
        Whether the lines are the whole file.
    steps : tuple of str
        What was guessed.
    wrapped : bool
        Whether each line stands in quotes as a whole.
    """

    encoding: str
    lines: list[str]
    offsets: list[int]
    whole: bool
    steps: tuple[str, ...]
    wrapped: bool = False


def is_wide(encoding: str) -> bool:
    """Return whether ASCII characters take more than one byte, so that the stream must be recoded."""
    return codecs.lookup(encoding).name.replace("_", "-").startswith(("utf-16", "utf-32"))


def find_encoding(head: bytes, wished: str | None, path: Path) -> tuple[str, tuple[str, ...]]:
    """Return the encoding of a text from its first bytes, with a line where it was guessed.

    Raises
    ------
    LogError
        When the bytes are no text, or the stated encoding does not exist.
    """
    if wished:
        try:
            return codecs.lookup(wished).name, ()
        except (LookupError, ValueError):
            raise LogError(
                path, "", f'encoding "{wished}" is not known', 'write logger.encoding = "utf-8"'
            ) from None
    for mark, name in _MARKS:
        if head.startswith(mark):
            return name, ()
    if _is_utf8(head):
        # UTF-16 without a mark is valid UTF-8 when its text is ASCII: every other byte is then null.
        wide = _wide_without_mark(head)
        if wide:
            return wide, (f"encoding {wide} guessed (logger.encoding)",)
        if b"\x00" not in head:
            return "utf-8", ()
    wide = _wide_without_mark(head)
    if wide:
        return wide, (f"encoding {wide} guessed (logger.encoding)",)
    if head[:4096].count(0) > 0 and head[:4096].count(0) >= 0.01 * len(head[:4096]):
        raise LogError(path, "", "is not a text file", "export the log as CSV or Parquet")
    return _library_guess(head), (f"encoding {_library_guess(head)} guessed (logger.encoding)",)


def _is_utf8(head: bytes) -> bool:
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head, final=len(head) < SAMPLE_BYTES)
    except UnicodeDecodeError:
        return False
    return True


def _wide_without_mark(head: bytes) -> str | None:
    part = head[:4096]
    odd, even = part[1::2].count(0), part[0::2].count(0)
    if len(part) >= 8 and odd > 0.4 * len(part) / 2 and even < 0.02 * len(part):
        return "utf-16-le"
    if len(part) >= 8 and even > 0.4 * len(part) / 2 and odd < 0.02 * len(part):
        return "utf-16-be"
    return None


def _library_guess(head: bytes) -> str:
    from charset_normalizer import from_bytes

    # Only the first lines carry letters; digits fit every encoding.
    best = from_bytes(head[:16384]).best()
    name = "latin-1" if best is None else best.encoding
    # The file may break off or be soiled further down: any byte must have a meaning.
    return "cp1252" if name in ("ascii", "utf_8") else name


def split_text(head: bytes, encoding: str, whole: bool, steps: tuple[str, ...]) -> Text:
    """Return the lines of a sample; `head` is ASCII-compatible or already recoded to UTF-8."""
    skip = len(codecs.BOM_UTF8) if head.startswith(codecs.BOM_UTF8) else 0
    raw = head[skip:].splitlines(keepends=True)
    if not whole and len(raw) > 1:
        raw.pop()  # cut within
    narrow = "utf-8" if is_wide(encoding) or encoding == "utf-8-sig" else encoding
    offsets, here = [], skip
    for line in raw:
        offsets.append(here)
        here += len(line)
    lines = [line.decode(narrow, errors="replace").rstrip("\r\n") for line in raw]
    return Text(encoding, lines, offsets, whole, steps)


def likely_delimiter(text: Text, candidates: tuple[str, ...]) -> str | None:
    """Return the delimiter a general sniffing library finds; None when it finds none of the candidates."""
    import clevercsv

    sample = "\n".join(line[:2000] for line in text.lines[-LINES_FOR_SNIFFER:])
    try:
        found = clevercsv.Sniffer().sniff(sample, delimiters=list(candidates))
    except Exception:  # the library raises its own and plain exceptions for odd text; any means "not found"
        return None
    delimiter = getattr(found, "delimiter", None)
    return delimiter if delimiter in candidates else None
