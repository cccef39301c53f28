"""Tables: every row of the results, and nothing a spreadsheet would run."""

from __future__ import annotations

import csv
import io

import pytest
from report.synthetic_review import Options

from analyzer.report.plain_data import COLUMNS, cell, csv_tables, results_dict


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_one_row_per_run_and_quantity(review):
    rows = rows_of(csv_tables(results_dict(review))["runs.csv"])

    front = [row for row in rows if row["quantity"] == "roll_gradient_front"]
    assert [row["run"] for row in front] == ["r01", "r02", "r03", "r04", "r05", "r06"]
    assert float(front[0]["value"]) == pytest.approx(review.runs[0].roll_gradient["front"].value, rel=1e-8)
    assert front[0]["unit"] == "deg/g"
    assert float(front[0]["low"]) < float(front[0]["value"]) < float(front[0]["high"])


def test_numbers_are_the_same_as_in_the_results(review):
    results = results_dict(review)
    row = rows_of(csv_tables(results)["comparisons.csv"])[0]
    comparison = results["comparisons"][0]

    assert float(row["stiffness_ratio"]) == comparison["stiffness_ratio"]["value"]
    assert float(row["predicted_low"]) == comparison["predicted_ratio"]["interval"][0]
    assert float(row["smallest_visible"]) == comparison["smallest_visible"]["value"]
    assert row["verdict"] == "softened as predicted"


def test_bottoming_carries_its_travel_budget(review):
    rows = rows_of(csv_tables(results_dict(review))["bottoming.csv"])

    assert len(rows) == 12
    assert float(rows[0]["heave_mm"]) == pytest.approx(22.6)
    assert float(rows[0]["cause_road_mm"]) == pytest.approx(9.2)
    assert rows[0]["seen"] == "yes"
    assert rows[1]["lateral_kept"] == ""
    assert rows[1]["heave_mm"] == ""
    assert rows[1]["hard"] == "yes"


def test_every_table_has_its_header_even_when_empty(review_with):
    tables = csv_tables(results_dict(review_with(Options(compared=False, bottomed=False))))

    assert set(tables) == set(COLUMNS)
    for file, text in tables.items():
        assert text.splitlines()[0].split(",") == list(COLUMNS[file])
    assert tables["comparisons.csv"].count("\n") == 1


def test_unknown_figures_are_empty_with_a_reason(review_with):
    rows = rows_of(csv_tables(results_dict(review_with(Options(unknown=True))))["runs.csv"])

    front = next(row for row in rows if row["quantity"] == "roll_gradient_front")
    assert front["value"] == ""
    assert front["reason"] == "no lateral force above 0.3 g"


@pytest.mark.parametrize(
    "text", ["=1+1", "+cmd", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "  =1", "\n=1", "\x00=1", "\u00a0=1"]
)
def test_text_that_would_be_a_formula_gets_an_apostrophe(text):
    assert cell(text).startswith("'")


@pytest.mark.parametrize(
    ("value", "text"),
    [(-1.5, "-1.5"), (3, "3"), (None, ""), (True, "yes"), ("r01", "r01"), ("a-b", "a-b"), ("", "")],
)
def test_numbers_and_plain_text_stay_as_they_are(value, text):
    assert cell(value) == text


def test_a_hostile_run_name_stays_one_harmless_cell(review_with):
    name = '=HYPERLINK("http://x","y"),\n"2"'
    rows = rows_of(csv_tables(results_dict(review_with(Options(runs=(name, "r02")))))["bottoming.csv"])

    # A line break is a control character, and none reaches a table.
    assert rows[0]["run"] == "'" + name.replace("\n", " ")
