"""Tell by the first rows of a log what a column is, where its name does not say."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.ingest.cells import Kind, kind_of, split_line
from analyzer.ingest.dialect import Text
from analyzer.ingest.layout import Layout

Floats = NDArray[np.float64]

ROWS: Final = 400
"""Rows of the sample that are looked at."""
LEAST_ROWS: Final = 12
EVEN: Final = 0.9
"""Share of steps that must lie near the usual one (engineering judgement: a logger drops few samples)."""
NEAR: Final = 0.25
"""How near, as a part of the usual step: a clock jitters, a distance or a counter of events does more."""


def first_numbers(text: Text, layout: Layout) -> list[Floats]:
    """Return the numbers in the first rows of every column, NaN where a cell holds none."""
    width = len(layout.header)
    rows: list[list[float]] = []
    for line in text.lines[layout.first_line - 1 :]:
        cells = split_line(line, layout.delimiter)
        if len(cells) == width:
            rows.append([_number(cell, layout.decimal) for cell in cells])
        if len(rows) == ROWS:
            break
    table = np.array(rows, dtype=np.float64).reshape(-1, width)
    return list(table.T)


def _number(cell: str, decimal: str) -> float:
    if kind_of(cell, decimal) is not Kind.NUMBER:
        return float("nan")
    return float(cell.replace(decimal, ".").replace("D", "e").replace("d", "e"))


def rises_evenly(values: Floats) -> bool:
    """Return whether a column rises from row to row by nearly the same step, as a clock does."""
    finite = values[np.isfinite(values)]
    if len(finite) < max(LEAST_ROWS, 0.9 * len(values)):
        return False
    moves = np.diff(finite)
    step = float(np.median(moves))
    return step > 0.0 and bool((np.abs(moves - step) <= NEAR * step).mean() >= EVEN)


def counts_rows(values: Floats) -> bool:
    """Return whether a column that rises evenly goes up by exactly one."""
    moves = np.diff(values[np.isfinite(values)])
    return bool((moves == 1.0).mean() >= EVEN)
