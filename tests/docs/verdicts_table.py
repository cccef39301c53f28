"""Write all verdicts and their triggers into docs/verdicts.md: ``python tests/docs/verdicts_table.py``."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final

from analyzer.comparison.results import ChangeVerdict, VerdictReason
from analyzer.comparison.verdict import Evidence, decide, held_back, with_axles
from analyzer.core.mixed_effects import Contrast
from analyzer.report import reasons, words
from analyzer.report.sentences import VERDICTS

PAGE: Final = Path(__file__).parents[2] / "docs" / "verdicts.md"
START: Final = "<!-- verdicts: python tests/docs/verdicts_table.py -->\n"
END: Final = "<!-- end of verdicts -->"

RUNS: Final = (3, 3)
ERROR: Final = 0.5
"""Standard error of the measured change in the examples [%]; that of the prediction adds as much again."""


def evidence(measured: float, predicted: float, error: float = ERROR, sheet: float = ERROR) -> Evidence:
    """Return what a verdict is decided on, from changes in percent and their standard errors."""
    seen, told = (math.log1p(change / 100.0) for change in (measured, predicted))
    own = Contrast(seen, error / 100.0, 4.0)
    gap = Contrast(seen - told, error / 100.0, 4.0).with_known(sheet / 100.0)
    return Evidence(own, told, gap, own, RUNS, error / 100.0 * math.sqrt(1.5))


EXAMPLES: Final = {
    ChangeVerdict.AS_PREDICTED: (-10.0, -10.5),
    ChangeVerdict.LESS: (-5.0, -10.5),
    ChangeVerdict.MORE: (-15.0, -10.5),
    ChangeVerdict.SOFTENED_AGAINST: (-5.0, 10.5),
    ChangeVerdict.SOFTENED_WITHIN: (-1.43, 0.05),
    ChangeVerdict.SOFTENED_OPEN: (-3.0, -3.5),
    ChangeVerdict.NO_CHANGE: (0.2, -10.5),
    ChangeVerdict.UNCHANGED: (0.1, 0.0),
    ChangeVerdict.STIFFENED: (10.0, 10.5),
    ChangeVerdict.STIFFENED_LESS: (5.0, 10.5),
    ChangeVerdict.STIFFENED_MORE: (15.0, 10.5),
    ChangeVerdict.STIFFENED_AGAINST: (5.0, -10.5),
    ChangeVerdict.STIFFENED_WITHIN: (1.43, -0.05),
    ChangeVerdict.STIFFENED_OPEN: (3.0, 3.5),
    ChangeVerdict.AXLES: (0.1, 0.0),
    ChangeVerdict.CANNOT_TELL: (-1.0, -1.5),
    ChangeVerdict.HELD_BACK: (-10.0, -10.5),
}
"""Verdict -> measured and predicted change of the stiffness [%] that give it."""

SMALL: Final = 0.2
"""Standard error where "unchanged" can be said [%]."""
MOVED: Final = [math.log(1.05), math.log(0.92)]
"""Roll of both axles over what it should be, in the example of axles that moved."""
MARKS: Final = ("mass.cg_height",)


def decided(verdict: ChangeVerdict) -> tuple[VerdictReason, Evidence]:
    """Return what the program makes of the example of a verdict, and of what."""
    small = verdict in (ChangeVerdict.UNCHANGED, ChangeVerdict.AXLES)
    given = evidence(*EXAMPLES[verdict], error=SMALL if small else ERROR)
    reason = decide(given)
    if verdict is ChangeVerdict.AXLES:
        reason = with_axles(reason, MOVED, bars_changed=False)
    if verdict is ChangeVerdict.HELD_BACK:
        reason = held_back(reason, MARKS)
    return reason, given


def row(verdict: ChangeVerdict) -> str:
    """Return one line of the table."""
    told = VERDICTS[verdict]
    reason, given = decided(verdict)
    assert reason.verdict is verdict, (reason, verdict)
    low, high = (100.0 * math.expm1(end) for end in given.measured.interval)
    measured, predicted = EXAMPLES[verdict]
    example = f"{measured:+.1f} % ({low:+.1f} to {high:+.1f}), predicted {predicted:+.1f} %"
    opening = told.opening.format(before="A", after="B", keys=words.until_measured(MARKS))
    cells = (verdict.value, opening, told.trigger, f"{example}: {reasons.verdict(reason)}", told.advice)
    return "| " + " | ".join(cells) + " |\n"


def table() -> str:
    """Return the whole table."""
    head = ("words", "sentence", "when", "example: measured change, 95 % interval: reason given", "next")
    lines = "| " + " | ".join(head) + " |\n" + "| --- " * len(head) + "|\n"
    return lines + "".join(map(row, ChangeVerdict))


def main() -> None:
    """Put the table between its marks."""
    before, rest = PAGE.read_text(encoding="utf-8").split(START)
    after = rest.split(END)[1]
    PAGE.write_text(f"{before}{START}\n{table()}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
