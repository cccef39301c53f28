"""docs/verdicts.md names every key that confirm and choose print as JSON."""

from __future__ import annotations

import re
from itertools import product
from pathlib import Path

import pytest
from scipy import stats

from analyzer.comparison.choosing.choose import choose
from analyzer.comparison.choosing.wishes import parse_wish
from analyzer.comparison.results import Answer, ChangeVerdict, VerdictReason
from analyzer.comparison.verdict import Evidence, decide, held_back
from analyzer.report.plain_data import choice_json, confirmation_json
from analyzer.report.reasons import TRIGGERS
from analyzer.report.sentences import VERDICTS
from analyzer.session.decisions import confirm_change
from docs import causes_table, power_table, verdicts_table

PAGE = (Path(__file__).parents[2] / "docs" / "verdicts.md").read_text(encoding="utf-8")
NAMED = set(re.findall(r"`([A-Za-z_]+)(?:\[\])?`", PAGE))


def test_every_key_of_confirm_is_named(sample_review):
    table = confirmation_json(confirm_change(sample_review, "A", "B"))
    inner = {key for part in ("ledger", "without_one_run") for key in table[part][0]}
    inner |= {*table["reasons"], *table["reasons"]["ranked"][0], *table["settings"]}
    inner |= set(table["settings"]["effects"][0])
    assert sorted({*table, *inner} - NAMED) == []


def test_every_key_of_choose_is_named(sample_review):
    session = sample_review.session
    setups = session.sheet.setups
    table = choice_json(choose(session.car, parse_wish("rear 5 % softer"), setups["B"]))
    option = table["options"][0]
    assert sorted({*table, *option, *option["plan"]} - NAMED) == []


def power_rows() -> dict[int, list[list[int]]]:
    """Return the cells of the table of power by number of runs: without and with drift [%]."""
    text = PAGE.split(power_table.START)[1].split(power_table.END)[0]
    lines = [line.strip("| ").split(" | ") for line in text.splitlines() if re.match(r"\| \d", line)]
    return {int(line[0]): [[int(share) for share in cell.split("/")] for cell in line[2:]] for line in lines}


@pytest.mark.parametrize("total", [4, pytest.param(6, marks=pytest.mark.slow)])
def test_power_of_each_order_is_what_the_program_does(total):
    assert power_table.row(total) in PAGE


@pytest.mark.slow
def test_the_whole_table_of_power_is_what_the_program_does():
    assert power_table.table() in PAGE


def test_the_recommended_order_sees_most():
    """The table has A, then B; in turns; recommended for each repeatability, in this order."""
    rows = power_rows()
    assert sorted(rows) == list(power_table.RUNS)
    for cells in rows.values():
        for first in (0, 3):
            blocks, turns, recommended = cells[first : first + 3]
            assert recommended[0] >= blocks[0]
            assert recommended[0] >= turns[0] - 2


def test_the_table_of_causes_is_that_of_the_code() -> None:
    assert causes_table.table() in PAGE, "python tests/docs/causes_table.py"


def test_the_table_of_answers_is_that_of_the_code() -> None:
    assert set(TRIGGERS) == set(Answer)
    assert causes_table.answers() in PAGE, "python tests/docs/causes_table.py"


def test_the_table_of_verdicts_is_that_of_the_code() -> None:
    assert verdicts_table.table() in PAGE, "python tests/docs/verdicts_table.py"


def test_every_verdict_has_its_words_and_its_example() -> None:
    assert set(VERDICTS) == set(verdicts_table.EXAMPLES) == set(ChangeVerdict)
    openings = [told.opening for told in VERDICTS.values()]
    assert len(set(openings)) == len(openings)
    for verdict in ChangeVerdict:
        assert verdicts_table.decided(verdict)[0].verdict is verdict


def triggered(given: Evidence) -> ChangeVerdict:
    """Return the verdict by the conditions as the table states them, in the order of its rows."""
    low, high = given.measured.interval
    agree = given.gap.interval[0] <= 0.0 <= given.gap.interval[1]
    room = float(stats.t.ppf(0.95, given.gap.dof)) * given.gap.std_error
    like = abs(given.gap.value) + room <= 0.25 * abs(given.predicted)
    softer, stiffer = given.predicted < -1e-9, given.predicted > 1e-9
    smaller = abs(given.measured.value) < abs(given.predicted)
    if high < 0.0:
        if not softer:
            return ChangeVerdict.SOFTENED_WITHIN if agree else ChangeVerdict.SOFTENED_AGAINST
        if agree:
            return ChangeVerdict.AS_PREDICTED if like else ChangeVerdict.SOFTENED_OPEN
        return ChangeVerdict.LESS if smaller else ChangeVerdict.MORE
    if low > 0.0:
        if not stiffer:
            return ChangeVerdict.STIFFENED_WITHIN if agree else ChangeVerdict.STIFFENED_AGAINST
        if agree:
            return ChangeVerdict.STIFFENED if like else ChangeVerdict.STIFFENED_OPEN
        return ChangeVerdict.STIFFENED_LESS if smaller else ChangeVerdict.STIFFENED_MORE
    if (softer or stiffer) and given.smallest <= abs(given.predicted) and not agree:
        return ChangeVerdict.NO_CHANGE
    if not softer and not stiffer and -low <= 0.01 and high <= 0.01:
        return ChangeVerdict.UNCHANGED
    return ChangeVerdict.CANNOT_TELL


def test_the_figures_trigger_what_the_table_says() -> None:
    sizes = (-20.0, -8.0, -3.0, -1.5, -0.4, 0.0, 0.4, 1.5, 3.0, 8.0, 20.0)
    seen = set()
    for measured, predicted, error, sheet in product(sizes, sizes, (0.1, 0.5, 3.0), (0.1, 2.0)):
        given = verdicts_table.evidence(measured, predicted, error, sheet)
        found = decide(given).verdict
        assert found is triggered(given), (measured, predicted, error, sheet)
        seen.add(found)
    # The others are made of these: by axles that moved, and by what nobody has measured.
    assert seen == set(ChangeVerdict) - {ChangeVerdict.AXLES, ChangeVerdict.HELD_BACK}
    for verdict in seen - {ChangeVerdict.CANNOT_TELL}:
        reason = VerdictReason(verdict, verdict)
        assert held_back(reason, ("key",)).verdict is ChangeVerdict.HELD_BACK
        assert held_back(reason, ()) == reason


def test_the_page_of_results_lists_every_verdict() -> None:
    named = (Path(__file__).parents[2] / "docs" / "results.md").read_text(encoding="utf-8")
    for verdict in ChangeVerdict:
        start, _, rest = verdict.value.partition(", ")
        assert f"`{verdict.value}`" in named or (start in named and f"`, {rest}`" in named), verdict
