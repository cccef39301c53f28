"""Rows of checks are looked for by a name that is data, and each such name is one that a check gives."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from analyzer.ingest.recording import Check

PACKAGE = Path(__file__).parents[2] / "analyzer"
MODULES = {path: path.read_text(encoding="utf-8") for path in sorted(PACKAGE.rglob("*.py"))}


def words_asked_for(text: str) -> list[int]:
    """Return the lines that compare the check of a row with words."""
    return [
        node.lineno
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Compare)
        and any(isinstance(part, ast.Attribute) and part.attr == "check" for part in ast.walk(node))
        and any(isinstance(part, ast.Constant) and isinstance(part.value, str) for part in ast.walk(node))
    ]


def test_no_row_is_found_by_words() -> None:
    assert words_asked_for('if row.check == "gap": pass')
    assert words_asked_for('if row.check in ("gap", "dead"): pass')
    found = [f"{path.name}:{line}" for path, text in MODULES.items() for line in words_asked_for(text)]
    assert not found


def test_each_name_is_given_by_a_check() -> None:
    given = r"(?:\.add|untested|HealthRow)\(\s*Check\.{0}\b|check = .*Check\.{0}\b"
    for name in Check.__members__:
        assert any(re.search(given.format(name), text) for text in MODULES.values()), name
