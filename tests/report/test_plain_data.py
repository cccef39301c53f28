"""results.json: the promised shape, plain JSON, nothing that differs between two equal reviews."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from report.synthetic_review import Options, make_review

from analyzer.core.estimate import Estimate
from analyzer.core.files import RESULTS_FORMAT, json_text
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.report.plain_data import SIGNIFICANT_DIGITS, plain, results_dict, taken

ESTIMATE_KEYS = {
    "value",
    "std_error",
    "interval",
    "calibration",
    "level",
    "unit",
    "n",
    "method",
    "notes",
    "provisional",
}


def test_holds_the_promised_keys(review):
    results = results_dict(review)

    assert results["format"] == RESULTS_FORMAT
    run = results["runs"][0]
    assert {
        "name",
        "setup",
        "roll_gradient",
        "roll_stiffness_ratio",
        "left_share",
        "bottoming",
        "health",
    } <= set(run)
    assert set(run["roll_gradient"]) == {"front", "rear", "total"}
    assert set(run["left_share"]) == {"front", "rear"}
    for estimate in (
        *run["roll_gradient"].values(),
        *run["left_share"].values(),
        run["roll_stiffness_ratio"],
    ):
        assert set(estimate) == ESTIMATE_KEYS
    assert set(run["health"][0]) == {"check", "channel", "verdict", "value", "threshold", "unit", "comment"}
    assert {"name", "predicted", "measured"} <= set(results["setups"][0])
    comparison = results["comparisons"][0]
    assert {
        "before",
        "after",
        "stiffness_ratio",
        "predicted_ratio",
        "verdict",
        "smallest_visible",
    } <= set(comparison)
    assert comparison["verdict"] == "softened as predicted"


def test_events_are_in_millimetres_and_degrees(review):
    event = results_dict(review)["runs"][0]["bottoming"][0]
    source = review.runs[0].bottoming[0]

    assert event["peak_mm"] == pytest.approx(1000.0 * source.peak, rel=1e-8)
    assert event["bank_deg"] == pytest.approx(13.6, rel=1e-8)
    assert event["budget_mm"]["heave"] == pytest.approx(22.6)
    assert event["causes_mm"]["road"] == pytest.approx(9.2)
    assert sum(event["causes_mm"].values()) == pytest.approx(event["peak_mm"], abs=5.0)
    assert event["kind"] == "bump stop"
    assert event["peak_error_mm"] == pytest.approx(0.2)
    assert (event["distance_m"], event["speed_m_per_s"], event["seen"]) == (212.0, 16.4, True)
    assert results_dict(review)["runs"][0]["bottoming"][1]["bank_deg"] is None


def test_missing_figures_are_null_with_a_reason(review_with):
    results = results_dict(review_with(Options(unknown=True)))

    gradient = results["runs"][0]["roll_gradient"]["front"]
    assert gradient["value"] is None
    assert gradient["notes"] == ["no lateral force above 0.3 g"]
    share = results["runs"][0]["left_share"]["front"]
    assert share["value"] is None
    assert "front" in share["notes"][0]


def test_a_run_without_stiffness_ratio_says_so(review):
    bare = replace(review, runs=tuple(replace(run, further={}) for run in review.runs))

    ratio = results_dict(bare)["runs"][0]["roll_stiffness_ratio"]

    assert ratio["value"] is None
    assert ratio["notes"]


def test_a_health_figure_without_a_value_is_null(review):
    row = HealthRow("gap", "time", Verdict.BAD, float("inf"), float("nan"), "s", "the clock stands still")
    recording = replace(review.recordings[0], health=(row,))
    text = json_text(results_dict(replace(review, recordings=(recording, *review.recordings[1:]))))

    health = json.loads(text)["runs"][0]["health"][0]

    assert health["value"] is None
    assert health["threshold"] is None
    assert "NaN" not in text
    assert "Infinity" not in text


def test_runs_left_out_are_listed_with_local_file_names(review_with, tmp_path: Path):
    where = tmp_path / "session" / "r07.csv"
    options = Options(failed=(("r07", f"{where}: line 3: not a number; mend it"),))

    failed = results_dict(review_with(options))["failed"]

    assert failed == [{"name": "r07", "reason": "r07.csv: line 3: not a number; mend it"}]


def test_no_path_of_this_machine_is_written(review, tmp_path: Path):
    text = json_text(results_dict(review))

    assert str(tmp_path) not in text
    assert json.loads(text)["runs"][0]["sources"][0] == {
        "file": "r.csv",
        "sha256": "ab" * 32,
        "size": 123456,
    }


def test_sheets_are_listed_with_their_hash(review):
    sheets = {sheet["kind"]: sheet for sheet in results_dict(review)["sheets"]}

    assert sheets["car"]["file"] == "car.toml"
    assert sheets["session"]["sha256"] != sheets["course"]["sha256"]
    assert all(len(sheet["sha256"]) == 64 for sheet in sheets.values())


def test_two_equal_reviews_give_the_same_bytes(tmp_path: Path):
    texts = []
    for name in ("one", "two"):
        folder = tmp_path / name
        folder.mkdir()
        texts.append(json_text(results_dict(make_review(folder))))

    assert texts[0] == texts[1]


def test_last_bits_of_a_float_do_not_show(review):
    run = review.runs[0]
    front = run.roll_gradient["front"]
    nudged = replace(front, value=front.value * (1.0 + 4e-16))
    other = replace(run, roll_gradient={**run.roll_gradient, "front": nudged})

    same = json_text(results_dict(replace(review, runs=(other, *review.runs[1:]))))

    assert same == json_text(results_dict(review))


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (Verdict.BAD, "bad"),
        (np.float64(1.5), 1.5),
        (np.array([[1, 2], [3, 4]]), [[1, 2], [3, 4]]),
        ({"a": (1, None)}, {"a": [1, None]}),
        (Estimate(2.0, "mm", std_error=0.1), Estimate(2.0, "mm", std_error=0.1).to_dict()),
        (1.0 / 3.0, 1.0 / 3.0),
    ],
)
def test_a_result_becomes_plain(value, shown):
    made = plain(value)
    assert made == shown
    assert type(made) is type(shown)


def test_a_result_of_other_rooms_becomes_its_fields_in_their_order():
    row = HealthRow("range", "damper_FL", Verdict.GOOD, 1.0, 2.0, "mm", "fine")
    assert list(plain(row)) == ["check", "channel", "verdict", "value", "threshold", "unit", "comment"]
    assert taken(row, "unit check") == {"unit": "mm", "check": "range"}


def test_what_stands_in_files_is_rounded_and_finite():
    assert plain({"a": 1.0 / 3.0, "b": [math.inf, math.nan, -2.0]}, SIGNIFICANT_DIGITS) == {
        "a": 0.333333333,
        "b": [None, None, -2.0],
    }
