"""docs/bars.md tells what the program does: its tables, its examples."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from vehicle.bar_helpers import car

from analyzer.report.settings_sheet import bar_json, ladder_text
from docs.bars_page import material_table, tolerance_table

PAGE = (Path(__file__).parents[2] / "docs" / "bars.md").read_text(encoding="utf-8")


def test_tables_are_those_of_the_program() -> None:
    assert tolerance_table() in PAGE
    assert material_table() in PAGE


def test_examples_work() -> None:
    blocks = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    table = tomllib.loads("\n".join([blocks[0], blocks[2], blocks[1]]))
    sheet = car(table, bar=False)
    result = bar_json(sheet)
    assert result["axles"]["front"]["bench"]["used"] is False
    bar = table["front"]["bar"]
    assert len(result["axles"]["front"]["settings"]) == len(bar["holes"]) * (bar["spacer"]["most"] + 1)
    assert result["axles"]["rear"]["kind"] == "formed"
    assert "rear bar" in ladder_text(result)


def test_every_json_key_of_a_setting_is_named() -> None:
    row = bar_json(car())["axles"]["front"]["settings"][0]
    for key in [*row, *row["motion"], *row["stress"][0]]:
        assert f"`{key}`" in PAGE or f"`{key}[]`" in PAGE, key
