"""Terminals and files that cannot hold every sign: plain stand-ins instead of a broken-off output."""

from __future__ import annotations

import codecs
import io
import sys
import unicodedata
from typing import Final

HANDLER: Final = "analyzer-plain"

STAND_INS: Final = {
    "±": "+/-",
    "−": "-",
    "–": "-",
    "—": "-",
    "°": "deg",
    "º": "deg",
    "²": "^2",
    "³": "^3",
    "·": ".",
    "×": "x",
    "≤": "<=",
    "≥": ">=",
    "≈": "~",
    "→": "->",
    "←": "<-",
    "…": "...",
    "“": '"',
    "”": '"',
    "„": '"',
    "‘": "'",
    "’": "'",
    "µ": "u",
    "μ": "u",
    "Ω": "ohm",
    "•": "*",
    "\u00a0": " ",
    "\u2009": " ",
    "\u202f": " ",
    "\u2068": "",
    "\u2069": "",
}
"""Signs that texts of the program hold, and what is written where they cannot be. All of it is ASCII."""


def write_plainly() -> None:
    """Let standard output and error write stand-ins for what their encoding lacks.

    Nothing changes for what the encoding holds; in UTF-8 that is all but names with undecodable bytes.
    """
    codecs.register_error(HANDLER, _stand_ins)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=HANDLER)


def holds(text: str) -> bool:
    """Return whether standard output can write `text` as it is."""
    try:
        text.encode(sys.stdout.encoding or "utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _stand_ins(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(map(stand_in, error.object[error.start : error.end])), error.end


def stand_in(sign: str) -> str:
    """Return ASCII for one sign; a letter loses its accent, what has no likeness is written as its number."""
    if sign in STAND_INS:
        return STAND_INS[sign]
    # Not dropped or "?": two names in another script must not become the same.
    bare = unicodedata.normalize("NFKD", sign).encode("ascii", "ignore").decode()
    return bare or sign.encode("ascii", "backslashreplace").decode()
