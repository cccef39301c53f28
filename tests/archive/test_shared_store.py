"""A review and an archive share the results of runs: no log is read twice, and the figures are the same."""

import shutil

import pandas as pd
import pytest
from archive.season_maker import Plan, write_season
from archive.work_helpers import contents

from analyzer.archive.season_pass import archive_folder
from analyzer.session import run_store
from analyzer.session.review import review_session

FIELDS = ("value", "std_error", "calibration", "level", "n", "unit", "method")


@pytest.fixture(scope="module")
def mixed_master(tmp_path_factory):
    """A session whose last run has no front pots, so that it cannot show what part of the moment it kept."""
    folder = tmp_path_factory.mktemp("mixed") / "season"
    write_season(folder, Plan(sessions=1, runs=3, gap="15 mm"))
    log = folder / "teal" / "s000" / "r03.csv"
    pd.read_csv(log).drop(columns=["damper_FL", "damper_FR"]).to_csv(log, index=False)
    return folder


@pytest.fixture
def mixed(mixed_master, tmp_path, monkeypatch):
    monkeypatch.setenv("ANALYZER_CACHE", str(tmp_path / "cache"))
    return shutil.copytree(mixed_master, tmp_path / "season")


@pytest.fixture
def no_reading(monkeypatch):
    """Return a function after whose call no log can be read."""

    def refuse(*_):
        raise AssertionError("a log was read")

    return lambda: monkeypatch.setattr(run_store, "read_recording", refuse)


def figures(run):
    """Return the figures of a run, from which results.json is made, under their names in the archive."""
    named = {f"roll_gradient_{place}": e for place, e in run.roll_gradient.items()}
    return (
        named | {f"roll_gradient_body_{axle}": e for axle, e in run.roll_gradient_body.items()} | run.further
    )


def test_archive_after_a_review_reads_no_log_and_has_its_figures(mixed, inline, no_reading):
    reviewed = review_session(mixed / "teal" / "s000")
    no_reading()
    result = archive_folder(mixed)
    assert (result.runs, result.estimated, result.left_out) == (3, 3, ())
    table = pd.read_parquet(mixed / "archive" / "data" / "estimates").set_index(["run", "quantity"])
    table = table.astype(object).where(table.notna(), None)
    compared = 0
    for run in reviewed.runs:
        for name, expected in figures(run).items():
            row = table.loc[(run.name, name)]
            assert {f: row[f] for f in FIELDS} == {f: getattr(expected, f) for f in FIELDS}, (run.name, name)
            assert (row["low"], row["high"]) == (expected.interval or (None, None))
            assert row["notes"] == " | ".join(expected.notes)
            compared += 1
    assert compared > 50
    assert table.loc[("r03", "roll_moment_kept")]["notes"] == "mean of the other runs"


def test_archive_stands_a_run_with_the_part_of_the_moment_that_the_others_kept(mixed, inline):
    archive_folder(mixed)
    table = pd.read_parquet(mixed / "archive" / "data" / "estimates")
    value = table.set_index(["run", "quantity"])["value"]
    kept = value["r03", "roll_moment_kept"]
    shown = [value[run, "roll_moment_kept"] for run in ("r01", "r02")]
    assert kept == pytest.approx(sum(shown) / 2.0, rel=1e-12)
    assert max(shown) < 0.999
    shutil.rmtree(mixed / "archive")
    sheet = mixed / "teal" / "s000" / "session.toml"
    text = sheet.read_text()
    sheet.write_text(text[: text.index('{ name = "r01"')] + text[text.index('{ name = "r03"') :])
    archive_folder(mixed)
    alone = pd.read_parquet(mixed / "archive" / "data" / "estimates").set_index(["run", "quantity"])["value"]
    assert ("r03", "roll_moment_kept") not in alone
    ratio = value["r03", "roll_stiffness_total"] / alone["r03", "roll_stiffness_total"]
    assert ratio == pytest.approx(kept, rel=1e-12)


def test_review_after_an_archive_reads_no_log(mixed, inline, no_reading):
    archive_folder(mixed)
    no_reading()
    assert [run.name for run in review_session(mixed / "teal" / "s000").runs] == ["r01", "r02", "r03"]


def test_archive_is_the_same_with_a_store_with_an_empty_one_and_without(mixed, tmp_path, inline, monkeypatch):
    archive_folder(mixed)
    first = contents(mixed / "archive")
    for setting in (str(tmp_path / "cache"), str(tmp_path / "empty"), "off"):
        monkeypatch.setenv("ANALYZER_CACHE", setting)
        shutil.rmtree(mixed / "archive")
        archive_folder(mixed)
        assert contents(mixed / "archive") == first
