"""docs/results.md names every key of results.json and every column of the tables, and nothing else."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from analyzer.core.files import RESULTS_FORMAT
from analyzer.report.plain_data import COLUMNS, results_dict

PAGE = (Path(__file__).parents[2] / "docs" / "results.md").read_text(encoding="utf-8")
NAMED = {word for code in re.findall(r"`([^`]+)`", PAGE) for word in re.findall(r"[A-Za-z_0-9]+", code)}

# Keys that are names of the user's own, not of the format.
_FREE = {"further", "measured", "compliance", "conditions"}


def keys(value: Any) -> set[str]:
    if isinstance(value, dict):
        found = set(value)
        for key, item in value.items():
            if key not in _FREE:
                found |= keys(item)
        return found
    if isinstance(value, list):
        return set().union(*map(keys, value)) if value else set()
    return set()


def test_every_key_is_explained(review):
    found = keys(results_dict(review))

    assert len(found) > 60
    assert found - NAMED == set()


def test_every_column_is_explained_at_its_table():
    for file, columns in COLUMNS.items():
        row = next(line for line in PAGE.splitlines() if line.startswith(f"| `{file}`"))
        named = set(re.findall(r"`([A-Za-z_0-9]+)`", row))
        if "estimate" in row:
            named |= {"value", "std_error", "low", "high", "level", "calibration", "n", "unit"} | {
                "reason",
                "provisional",
            }
        assert named == set(columns), file


def test_the_format_is_named():
    assert f"`{RESULTS_FORMAT}`" in PAGE
