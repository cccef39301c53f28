"""The same rows under several run names count once, and it is said which run repeats which."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyzer.core.errors import LogError
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Recording, Verdict
from analyzer.ingest.repeats import Repeat, find_repeats
from analyzer.report.plain_data import results_dict
from analyzer.session.review import Review, check_path, review_session
from analyzer.sheets.read import read_car

SAMPLE = Path(__file__).parents[2] / "sample_logs"
SHARED = 1000
ROWS = {name: len(pd.read_csv(SAMPLE / f"{name}.csv.gz")) for name in ("r01", "r03")}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a session of which r02 and r04 are r01 anew, and r03 begins with a thousand rows of it."""
    place = tmp_path_factory.mktemp("twice") / "s"
    shutil.copytree(SAMPLE, place)
    for copy in ("r02", "r04"):
        shutil.copy(place / "r01.csv.gz", place / f"{copy}.csv.gz")
    first, third = (pd.read_csv(place / f"{name}.csv.gz") for name in ("r01", "r03"))
    mixed = pd.concat([first.iloc[2000 : 2000 + SHARED], third.iloc[3000:]])
    mixed["Time"] = third["Time"].iloc[: len(mixed)].to_numpy()
    mixed.to_csv(place / "r03.csv.gz", index=False)
    return place


@pytest.fixture(scope="module")
def review(folder: Path) -> Review:
    return review_session(folder)


def test_runs_that_repeat_another_are_counted_once(review: Review) -> None:
    assert [(r.run, r.of, r.whole, r.other_setup) for r in review.repeats] == [
        ("r02", "r01", True, False),
        ("r03", "r01", False, False),
        ("r04", "r01", True, True),
    ]
    assert [run.name for run in review.runs] == ["r01", "r03", "r05", "r06"]
    assert [setup.runs for setup in review.setups] == [("r01", "r03"), ("r05", "r06")]
    assert set(review.failed) == {"r02", "r04"}
    assert isinstance(review.failed["r02"], LogError)
    assert f"{ROWS['r01']} of its rows (100%" in str(review.failed["r02"])
    same = str(review.failed["r04"])
    assert "under r01, though the session sheet gives both runs different set-ups" in same
    data = results_dict(review)["repeats"]
    assert data[1] == {
        "run": "r03", "of": "r01", "rows": SHARED, "share": pytest.approx(SHARED / 7801),
        "at_s": 0.0, "whole": False, "other_setup": False,
    }  # fmt: skip


def test_shared_rows_of_a_run_are_left_out_of_it_alone(review: Review) -> None:
    kept = {recording.run: recording for recording in review.recordings}
    assert kept["r03"].suspect.iloc[:SHARED].all(axis=None)
    # But for the seam itself, behind which rows are missing.
    assert not kept["r03"].suspect.iloc[SHARED + 1 :].all(axis=1).any()
    assert kept["r01"].suspect.mean(axis=None) < 0.01
    (row,) = (row for row in kept["r03"].health if row.check == "same data")
    assert (row.verdict, row.value) == (Verdict.SUSPECT, SHARED)


def test_check_says_which_run_repeats_which(folder: Path) -> None:
    outcome = check_path(folder, lambda _what, _done, _all: None)
    found = {
        recording.run: (row.verdict, row.value)
        for recording in outcome.recordings
        for row in recording.health
        if row.check == "same data"
    }
    assert found == {
        "r02": (Verdict.BAD, float(ROWS["r01"])),
        "r03": (Verdict.SUSPECT, float(SHARED)),
        "r04": (Verdict.BAD, float(ROWS["r01"])),
    }


def repeats(*tables: pd.DataFrame, folder: Path) -> tuple[Repeat, ...]:
    car = read_car(SAMPLE / "car.toml")
    recordings: list[Recording] = []
    for index, table in enumerate(tables):
        table.to_csv(folder / f"{index}.csv", index=False)
        recordings.append(read_recording(f"run {index}", [folder / f"{index}.csv"], car))
    return find_repeats(recordings, {})[0]


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return pd.read_csv(SAMPLE / "r01.csv.gz")


def test_laps_that_overlap_are_found_on_a_base_of_their_own(table: pd.DataFrame, tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    # Stamps off any base, so that the values of both laps are interpolated at other places.
    late = table.assign(Time=table["Time"] + rng.uniform(0.0, 0.002, len(table)))
    (found,) = repeats(late.iloc[1000:5000], late.iloc[4000:9000], folder=tmp_path)
    assert (found.run, found.of, found.rows, found.whole) == ("run 1", "run 0", 1000, False)


def test_a_stretch_that_stands_twice_in_one_log_is_found(table: pd.DataFrame, tmp_path: Path) -> None:
    twice = pd.concat([table.iloc[:6000], table.iloc[2000:5000]])
    twice["Time"] = table["Time"].iloc[: len(twice)].to_numpy()
    (found,) = repeats(twice, folder=tmp_path)
    assert (found.run, found.of, found.rows, found.at_s) == ("run 0", "run 0", 3000, 30.0)


def test_runs_of_one_course_are_no_repeats(table: pd.DataFrame, tmp_path: Path) -> None:
    second = pd.read_csv(SAMPLE / "r02.csv.gz")
    pots = [name for name in table.columns if name.endswith("pot")]
    coarse = [t.assign(**{name: t[name].round(1) for name in pots}) for t in (table, second)]
    assert repeats(table, second, folder=tmp_path) == ()
    # Pots of ten steps, and held over ten rows: readings are equal by the thousand, their course is not.
    for held in (1, 10):
        kept = [
            t.assign(**{n: np.repeat(t[n].to_numpy()[::held], held)[: len(t)] for n in pots}) for t in coarse
        ]
        assert repeats(*kept, folder=tmp_path) == ()


def test_held_rows_do_not_hide_a_repeat(table: pd.DataFrame, tmp_path: Path) -> None:
    pots = [name for name in table.columns if name.endswith("pot")]
    held = table.assign(**{n: np.repeat(table[n].to_numpy()[::10], 10)[: len(table)] for n in pots})
    (found,) = repeats(held.iloc[:6000], held.iloc[4000:10000], folder=tmp_path)
    # Rows that hold a reading are taken out when the log is read: one row per reading is left.
    assert (found.rows, found.share) == (200, pytest.approx(1 / 3))
