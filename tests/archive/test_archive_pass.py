"""One pass after another: what is new is estimated once, what is bad is named, what is there is kept."""

import json
import os
import shutil
import time

import duckdb
import pandas as pd
import polars as pl
import pytest
from archive.work_helpers import contents, die_on_bad, die_once

from analyzer.archive.results import Task
from analyzer.archive.season_pass import archive_folder
from analyzer.archive.tasks import run_locally
from analyzer.core.errors import AnalyzerError
from analyzer.report.season_page import season_dict, write_season


def run(season, **options):
    return archive_folder(season, finish=write_season, **options)


def estimates(season):
    return pd.read_parquet(season / "archive" / "data" / "estimates")


def rows(season, table="runs"):
    return pd.read_parquet(season / "archive" / "data" / table)


def test_second_pass_does_nothing_and_changes_nothing(season, inline):
    first = run(season)
    assert (first.sessions, first.runs, first.estimated, first.left_out) == (4, 8, 8, ())
    before = contents(season / "archive")
    stamps = {p: p.stat().st_mtime_ns for p in (season / "archive" / "data").rglob("*.parquet")}
    second = run(season)
    assert second.estimated == 0
    assert len(inline) == 8
    assert contents(season / "archive") == before
    assert {p: p.stat().st_mtime_ns for p in stamps} == stamps
    assert season_dict(second) == season_dict(first)


def test_only_what_changed_is_estimated_again(season, inline):
    run(season)
    inline.clear()
    sheet = season / "teal" / "s000" / "car.toml"
    sheet.write_text("# a remark\n" + sheet.read_text())
    assert run(season).estimated == 0
    log = season / "teal" / "s002" / "r02.csv"
    log.write_text("\n".join(log.read_text().splitlines()[:-50]) + "\n")
    run(season)
    # The runs of a session tell the mounting of its sensors together.
    assert inline == ["s002/r01", "s002/r02"]
    sheet.write_text(sheet.read_text().replace('"2.53 m"', '"2.60 m"'))
    run(season)
    assert inline[2:] == ["s000/r01", "s000/r02"]


def test_same_size_and_later_time_is_read_again(season, inline):
    run(season)
    inline.clear()
    log = season / "teal" / "s000" / "r01.csv"
    data = bytearray(log.read_bytes())
    place = len(data) - 3
    data[place] = ord("1") if data[place] != ord("1") else ord("2")
    log.write_bytes(bytes(data))
    run(season)
    assert inline == ["s000/r01", "s000/r02"]


def test_conditions_and_dates_need_no_new_estimate(season, inline):
    run(season)
    inline.clear()
    sheet = season / "teal" / "s000" / "session.toml"
    sheet.write_text(sheet.read_text().replace("20 l", "31 l").replace("2031-03-01", "2031-02-01"))
    run(season)
    assert inline == []
    table = rows(season).query("folder == 'teal/s000'")
    assert set(table["conditions"]) == {'{"fuel": "31 l"}'}
    assert set(table["date"].astype(str)) == {"2031-02-01"}


def test_moved_session_keeps_its_results_and_a_removed_one_leaves(season, inline):
    run(season)
    inline.clear()
    (season / "teal" / "s000").rename(season / "teal" / "moved")
    shutil.rmtree(season / "ochre" / "s001")
    result = run(season)
    assert inline == []
    assert result.sessions == 3
    assert sorted(set(rows(season)["folder"])) == ["ochre/s003", "teal/moved", "teal/s002"]
    assert len(list((season / "archive" / "data" / "runs").glob("car=*/session=*"))) == 3


def test_bad_files_are_named_and_the_others_go_on(season, inline):
    (season / "teal" / "s000" / "r01.csv").write_bytes(b"\x00\x01 not a log")
    (season / "teal" / "s002" / "r02.csv").unlink()
    sheet = season / "ochre" / "s001" / "session.toml"
    sheet.write_text(sheet.read_text().replace("runs = [", "runs = [,", 1))
    car = season / "ochre" / "s003" / "car.toml"
    car.write_text(car.read_text().replace("wheelbase", "wheelbsae"))
    result = run(season)
    reasons = {(folder, name): reason for folder, name, reason in result.left_out}
    assert set(reasons) == {
        ("ochre/s001", ""),
        ("ochre/s003", "r01"),
        ("ochre/s003", "r02"),
        ("teal/s000", "r01"),
        ("teal/s002", "r02"),
    }
    assert all("\n" not in reason and str(season) not in reason for reason in reasons.values())
    assert "session.toml" in reasons["ochre/s001", ""]
    assert "wheelbsae" in reasons["ochre/s003", "r01"]
    assert "r01.csv" in reasons["teal/s000", "r01"]
    assert 'no file "r02.csv"' in reasons["teal/s002", "r02"]
    table = rows(season)
    assert sorted(zip(*(table.query("left_out.isnull()")[c] for c in ("folder", "run")), strict=True)) == [
        ("teal/s000", "r02"),
        ("teal/s002", "r01"),
    ]
    # What is bad stays known: nothing is worked on again, and the reasons stand.
    count = len(inline)
    assert run(season).left_out == result.left_out
    assert len(inline) == count


def test_mended_files_come_in(season, inline):
    log = season / "teal" / "s000" / "r01.csv"
    whole = log.read_bytes()
    log.write_bytes(b"nothing")
    assert len(run(season).left_out) == 1
    log.write_bytes(whole)
    assert run(season).left_out == ()


def test_damage_to_the_archive_is_mended(season, inline):
    run(season)
    before = contents(season / "archive")
    inline.clear()
    archive = season / "archive"
    victim = sorted((archive / "data" / "estimates").rglob("*.parquet"))[0]
    victim.write_bytes(victim.read_bytes()[:200])
    shutil.rmtree(sorted((archive / "data" / "runs").glob("car=*/session=*"))[1])
    record = sorted((archive / "results").rglob("*.json"))[0]
    record.write_text("{")
    shutil.rmtree(archive / "report")
    (archive / "data" / ".part-left").write_text("of a killed pass")
    run(season)
    after = contents(archive)
    # The damaged record is needed again only if its session is written anew.
    changed = {name for name in before if after.get(name) != before[name]}
    assert changed <= {str(record.relative_to(archive))}
    assert set(after) == set(before)


def test_pandas_polars_and_duckdb_read_the_same(season, inline):
    run(season)
    for table in ("runs", "estimates", "bottoming"):
        folder = season / "archive" / "data" / table
        ours = pd.read_parquet(folder)
        theirs = pl.read_parquet(folder / "**" / "*.parquet", hive_partitioning=True)
        files = f"read_parquet('{folder}/**/*.parquet', hive_partitioning = true)"
        by_sql = duckdb.sql(f"select * from {files}").fetchall()
        assert len(ours) == theirs.height == len(by_sql) > 0
        assert {"car", "session"} <= set(ours.columns) & set(theirs.columns)
    query = f"""
        select car_name, quantity, avg(value) as mean, count(value) as n
        from read_parquet('{season}/archive/data/estimates/**/*.parquet', hive_partitioning = true)
        where quantity = 'roll_gradient_total' group by all order by all
    """
    found = duckdb.sql(query).fetchall()
    expected = (
        estimates(season)
        .query("quantity == 'roll_gradient_total'")
        .groupby("car_name")["value"]
        .agg(["mean", "count"])
    )
    assert [row[0] for row in found] == ["Ochre saloon", "Teal coupe"]
    for name, _, mean, n in found:
        assert mean == pytest.approx(expected.loc[name, "mean"], rel=1e-12)
        assert n == expected.loc[name, "count"] > 0


def test_partition_names_survive_strange_names(season, inline):
    for folder, name in (("s000", "a/b=c d%20"), ("s002", "a/b=c d 20"), ("s002", "a/b=c d 20")):
        sheet = season / "teal" / folder / "car.toml"
        sheet.write_text(sheet.read_text().replace('"Teal coupe"', json.dumps(name)))
    run(season)
    table = rows(season)
    assert {"a/b=c d%20", "a/b=c d 20", "Ochre saloon"} == set(table["car_name"])
    assert table.groupby("car", observed=True)["car_name"].nunique().eq(1).all()


def test_figures_are_those_of_the_review(sample_session, sample_review, tmp_path, inline):
    archive_folder(sample_session, tmp_path / "archive")
    table = pd.read_parquet(tmp_path / "archive" / "data" / "estimates")
    table = table.query("folder == '.'").set_index(["run", "quantity"])
    assert len(sample_review.runs) == 6
    for one in sample_review.runs:
        for axle in ("front", "rear", "total"):
            row = table.loc[one.name, f"roll_gradient_{axle}"]
            estimate = one.roll_gradient[axle]
            assert (row["value"], row["std_error"]) == (estimate.value, estimate.std_error)
            assert (row["low"], row["high"]) == estimate.interval
        assert (
            table.loc[one.name, "roll_stiffness_ratio"]["value"] == one.further["roll_stiffness_ratio"].value
        )
    events = pd.read_parquet(tmp_path / "archive" / "data" / "bottoming").query("folder == '.'")
    assert len(events) == sum(len(one.bottoming) for one in sample_review.runs) > 0


@pytest.mark.slow
def test_two_processes_give_the_same_bytes_as_this_one(season, season_master, tmp_path, inline, monkeypatch):
    run(season)
    monkeypatch.undo()
    other = shutil.copytree(season_master, tmp_path / "other" / "season")
    assert run(other, workers=2).estimated == 8
    assert contents(other / "archive") == contents(season / "archive")


def tasks(folder, names):
    return [Task(f"key-{n}", "", str(folder / "session.toml"), "", n, ()) for n in names]


@pytest.mark.slow
def test_process_that_dies_loses_nothing(tmp_path):
    names = [f"r{i}" for i in range(6)]
    found = sorted(record.facts["run"] for record in run_locally(tasks(tmp_path, names), 2, die_once))
    assert found == names


@pytest.mark.slow
def test_run_that_kills_its_process_is_left_out_alone(tmp_path):
    names = ["a", "b", "bad", "c", "d"]
    records = {r.key: r for r in run_locally(tasks(tmp_path, names), 2, die_on_bad)}
    assert {key for key, record in records.items() if record.failed} == {"key-bad"}
    assert "memory" in records["key-bad"].failed
    assert not records["key-bad"].lasting
    assert len(records) == 5


def test_foreign_folder_and_bad_options_are_refused(season, tmp_path, inline):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("precious")
    (tmp_path / "empty").mkdir()
    for folder, options, word in (
        (season, {"out": tmp_path / "mine"}, "thesis.txt"),
        (season, {"out": season / "teal" / "s000" / "car.toml"}, "is a file"),
        (tmp_path / "empty", {}, "session.toml"),
        (tmp_path / "nowhere", {}, "there is no such folder"),
        (season, {"workers": 0}, "--workers"),
    ):
        with pytest.raises(AnalyzerError, match=word) as caught:
            archive_folder(folder, **options)
        assert "\n" not in str(caught.value)
    assert os.listdir(tmp_path / "mine") == ["thesis.txt"]
    assert inline == []


def test_two_passes_at_once_are_refused(season, inline):
    def second(_result):
        with pytest.raises(AnalyzerError, match="another pass"):
            archive_folder(season)
        second.called = True

    archive_folder(season, finish=second)
    assert second.called


def test_the_logs_are_left_alone(season, inline):
    before = {p: p.read_bytes() for p in season.rglob("*") if p.is_file()}
    run(season)
    after = {p: p.read_bytes() for p in season.rglob("*") if p.is_file() and "archive" not in p.parts}
    assert after == before


def test_a_recent_log_is_not_trusted_by_its_time(season, inline):
    log = season / "teal" / "s000" / "r01.csv"
    log.touch()
    run(season)
    assert "teal/s000/r01.csv" not in json.loads((season / "archive" / "logs.json").read_text())
    old = time.time() - 60.0
    os.utime(log, (old, old))
    run(season)
    assert "teal/s000/r01.csv" in json.loads((season / "archive" / "logs.json").read_text())


def test_a_run_without_a_figure_brings_its_reason_into_the_season(season, inline):
    log = season / "teal" / "s000" / "r01.csv"
    log.write_text(log.read_text().replace("damper_RL", "brake_disc", 1))
    _, teal = run(season).cars
    told = {(one.quantity, one.run, one.reason) for one in teal.unknown if one.session == "teal/s000"}
    why = "no usable damper_RL in the log"
    assert told == {("roll_gradient_rear", "r01", why), ("left_share_rear", "r01", why)}
    table = estimates(season)
    (row,) = table[(table["quantity"] == "left_share_rear") & table["value"].isna()].to_dict("records")
    assert (row["run"], row["notes"]) == ("r01", why)
