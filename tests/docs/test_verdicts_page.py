"""docs/verdicts.md names every key that confirm and choose print as JSON."""

from __future__ import annotations

import re
from pathlib import Path

from analyzer.comparison.choosing.choose import choose
from analyzer.comparison.choosing.wishes import parse_wish
from analyzer.report.plain_data import choice_json, confirmation_json
from analyzer.session.decisions import confirm_change

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
