"""What a table of the page is made of."""

from __future__ import annotations

from dataclasses import dataclass

from analyzer.estimate import Estimate
from analyzer.report.wording import UNKNOWN, figure, readable, reason


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: text, a smaller remark under it, whether it is a number, and a class for its look."""

    text: str
    remark: str = ""
    number: bool = False
    look: str = ""


@dataclass(frozen=True, slots=True)
class PageTable:
    """One table of the page; the first cell of a row names it."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""


def number(estimate: Estimate | None, with_unit: bool = False) -> Cell:
    """Return the cell of an estimate; an unknown one says why in a remark."""
    if estimate is None:
        return Cell(UNKNOWN, number=True)
    return Cell(figure(readable(estimate), with_unit), reason(estimate), number=True)
