"""Memory that reading a long log leaves behind."""

from __future__ import annotations

import ctypes
import sys
from typing import Final

import pyarrow as pa

WORTH_IT: Final = 8 << 20
"""Bytes of a recording from which its leftovers are worth giving back: below, it costs more than it helps."""


def give_back(recording_bytes: int) -> None:
    """Return freed memory to the system after a recording of so many bytes was read.

    The CSV reader and the C library keep what was freed, in pieces that the estimates' arrays do not fit
    into, so that memory would grow by the size of the log once more.
    """
    if recording_bytes < WORTH_IT:
        return
    pa.default_memory_pool().release_unused()
    if not sys.platform.startswith("linux"):
        return
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
