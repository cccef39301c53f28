"""Write causes, ranges and sentences into docs/verdicts.md: ``python tests/docs/causes_table.py``."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from analyzer.comparison.results import CauseKind
from analyzer.report import reasons

PAGE: Final = Path(__file__).parents[2] / "docs" / "verdicts.md"
START: Final = "<!-- causes: python tests/docs/causes_table.py -->\n"
END: Final = "<!-- end of causes -->"


def row(kind: CauseKind) -> str:
    """Return one line of the table."""
    told = reasons.CAUSES[kind]
    cells = (told.name or "-", told.later or "-", reasons.range_words(kind), told.quantity or "-", told.check)
    return "| " + " | ".join(cells).replace("{axle}", "(ax)") + " |\n"


def table() -> str:
    """Return the whole table."""
    head = ("on both set-ups", "with the later set-up", "range", "of what", "look at")
    lines = "| " + " | ".join(head) + " |\n" + "| --- " * len(head) + "|\n"
    return lines + "".join(row(kind) for kind in CauseKind)


def main() -> None:
    """Put the table between its marks."""
    before, rest = PAGE.read_text(encoding="utf-8").split(START)
    after = rest.split(END)[1]
    PAGE.write_text(f"{before}{START}\n{table()}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
