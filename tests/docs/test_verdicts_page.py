"""docs/verdicts.md names every key that confirm and choose print as JSON."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from analyzer.comparison.choosing.choose import choose
from analyzer.comparison.choosing.wishes import parse_wish
from analyzer.report.plain_data import choice_json, confirmation_json
from analyzer.session.decisions import confirm_change
from docs import causes_table, power_table

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


@pytest.mark.parametrize("total", [4, 6])
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
