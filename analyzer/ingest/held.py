"""Slow channels that a logger copies into every row: the copies are no samples."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

LOOK: Final = 4000
"""Rows from the middle of a log that are looked at first, which spares most channels the rest."""
LEAST_CHANGES: Final = 200
IN_STEP: Final = 0.98
"""Share of changes that must lie in step. A coarse or quiet sensor repeats readings too, but out of step."""
FILLED: Final = 0.5
"""Share of the possible places that must hold a change."""


def held_rows(values: NDArray[np.float64]) -> int:
    """Return how many rows each sample of a channel stands in; 1 where every row is a sample of its own."""
    middle = max(0, (len(values) - LOOK) // 2)
    part = values[middle : middle + LOOK]
    if len(part) < LEAST_CHANGES or (part[1:] == part[:-1]).mean() < 0.4:
        return 1
    changes = np.flatnonzero(values[1:] != values[:-1]) + 1
    if len(changes) < LEAST_CHANGES:
        return 1
    steps = np.diff(changes)
    rows = int(np.bincount(np.minimum(steps, 1000)).argmax())
    if rows < 2 or len(changes) < FILLED * len(values) / rows:
        return 1
    in_step = np.bincount(changes % rows, minlength=rows).max() / len(changes)
    return rows if in_step >= IN_STEP else 1


def without_copies(values: NDArray[np.float64], rows: int) -> NDArray[np.float64]:
    """Return the samples alone, NaN in the rows that repeat them.

    A reading that truly stays the same over a sample is kept once per sample.
    """
    changes = np.flatnonzero(values[1:] != values[:-1]) + 1
    first = int(np.bincount(changes % rows, minlength=rows).argmax())
    kept = np.full(len(values), np.nan)
    kept[first::rows] = values[first::rows]
    return kept
