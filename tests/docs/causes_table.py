"""Write causes, answers and sentences into docs/verdicts.md: ``python tests/docs/causes_table.py``."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from analyzer.comparison.results import Answer, CauseKind, RankedCause, Reasons
from analyzer.core.estimate import Estimate
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


def _cause(kind: CauseKind, size: float) -> RankedCause:
    return RankedCause(kind, None, True, False, 0.9, 100.0, Estimate(size, "1", 0.02), ())


LIFT: Final = _cause(CauseKind.STEERING, 1.03)
POT: Final = RankedCause(
    CauseKind.POT_SCALE, "front", True, False, 0.9, 100.0, Estimate(1.02, "1", 0.002), ()
)
TYRES: Final = _cause(CauseKind.TYRE_RATE, 0.8)
EXAMPLES: Final = {
    Answer.ONE: {"named": (LIFT,)},
    Answer.ALIKE: {"named": (LIFT, TYRES)},
    Answer.RIVALS: {"rivals": (LIFT, TYRES)},
    Answer.EITHER: {"named": (POT, TYRES)},
    Answer.SENSOR: {"rivals": (POT,)},
    Answer.HELD_BACK: {"unmeasured": ("mass.cg_height",)},
}
"""What an answer says besides, in the examples."""


def answers() -> str:
    """Return the table of what the test of all causes comes to."""
    head = ("answer", "sentence", "when")
    lines = "| " + " | ".join(head) + " |\n" + "| --- " * len(head) + "|\n"
    for kind in Answer:
        found = Reasons((LIFT, TYRES), 0.1, kind, **EXAMPLES.get(kind, {}))
        lines += f"| {kind.value} | {reasons.answer(found)} | {reasons.TRIGGERS[kind]} |\n"
    return lines


def main() -> None:
    """Put the tables between their marks."""
    before, rest = PAGE.read_text(encoding="utf-8").split(START)
    after = rest.split(END)[1]
    PAGE.write_text(f"{before}{START}\n{table()}\n{answers()}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
