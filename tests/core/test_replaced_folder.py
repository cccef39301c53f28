"""The folder is put in place whole or not at all, and nothing that is not a report is ever removed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from analyzer.core.errors import AnalyzerError
from analyzer.core.files import (
    COURSE_FORMAT,
    LOOK_FORMAT,
    REPORT_TABLES,
    RESULTS_FORMAT,
    SEASON_TABLES,
    replaced_folder,
)


def fill(folder: Path, text: str = "new") -> None:
    (folder / "report.html").write_text(text, encoding="utf-8")
    (folder / "results.json").write_text(f'{{"format": "{RESULTS_FORMAT}"}}', encoding="utf-8")
    (folder / "tables").mkdir()
    (folder / "tables" / "runs.csv").write_text("run\n", encoding="utf-8")


def test_makes_a_new_folder_and_leaves_nothing_beside_it(tmp_path: Path):
    with replaced_folder(tmp_path / "deep" / "report") as work:
        fill(work)

    assert sorted(entry.name for entry in (tmp_path / "deep").iterdir()) == ["report"]
    assert (tmp_path / "deep" / "report" / "report.html").read_text() == "new"


def test_replaces_an_earlier_report(tmp_path: Path):
    target = tmp_path / "report"
    target.mkdir()
    fill(target, "old")

    with replaced_folder(target) as work:
        fill(work)

    assert (target / "report.html").read_text() == "new"
    assert [entry.name for entry in tmp_path.iterdir()] == ["report"]


def test_replaces_an_earlier_report_with_its_drivers_page(tmp_path: Path):
    target = tmp_path / "report"
    target.mkdir()
    fill(target, "old")
    (target / "course.html").write_text("old", encoding="utf-8")
    (target / "course.json").write_text(f'{{"format": "{COURSE_FORMAT}"}}', encoding="utf-8")
    (target / "look.html").write_text(f'<meta name="generator" content="{LOOK_FORMAT}">', encoding="utf-8")

    with replaced_folder(target) as work:
        fill(work)

    assert not (target / "course.html").exists()
    assert not (target / "look.html").exists()
    assert (target / "report.html").read_text() == "new"


def test_an_empty_folder_will_do(tmp_path: Path):
    (tmp_path / "report").mkdir()

    with replaced_folder(tmp_path / "report") as work:
        fill(work)

    assert (tmp_path / "report" / "report.html").exists()


def test_an_error_leaves_the_earlier_report(tmp_path: Path):
    target = tmp_path / "report"
    target.mkdir()
    fill(target, "old")

    def break_off() -> None:
        with replaced_folder(target) as work:
            fill(work)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        break_off()

    assert (target / "report.html").read_text() == "old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["report"]


@pytest.mark.parametrize(
    "strange",
    [
        {"notes.txt": "mine"},
        {"report.html": "x"},
        {"results.json": '{"format": "another program 1"}'},
        {"results.json": "not json"},
        {"results.json": "[" * 100_000},
        {"results.json": f'{{"format": "{RESULTS_FORMAT}"}}', "mine.csv": "1"},
        {"results.json": f'{{"format": "{RESULTS_FORMAT}"}}', "tables/mine.xlsx": "1"},
        {"results.json": f'{{"format": "{RESULTS_FORMAT}"}}', "course.html": "my own notes of the course"},
        {"results.json": f'{{"format": "{RESULTS_FORMAT}"}}', "course.json": '{"corners": 7}'},
        {"results.json": f'{{"format": "{RESULTS_FORMAT}"}}', "look.html": "my own page"},
        {"results.json": f'{{"format": "{RESULTS_FORMAT}"}}', "look.html/mine.txt": "1"},
    ],
)
def test_anything_else_is_left_alone(tmp_path: Path, strange: dict[str, str]):
    target = tmp_path / "report"
    for name, text in strange.items():
        (target / name).parent.mkdir(parents=True, exist_ok=True)
        (target / name).write_text(text, encoding="utf-8")

    with pytest.raises(AnalyzerError, match="left alone; name another folder"), replaced_folder(target):
        pytest.fail("must not get this far")

    assert {p.relative_to(target).as_posix() for p in target.rglob("*") if p.is_file()} == set(strange)


def test_a_link_inside_is_not_followed(tmp_path: Path):
    target, elsewhere = tmp_path / "report", tmp_path / "elsewhere"
    target.mkdir()
    elsewhere.mkdir()
    (elsewhere / "runs.csv").write_text("mine", encoding="utf-8")
    (target / "tables").symlink_to(elsewhere)

    with pytest.raises(AnalyzerError), replaced_folder(target):
        pytest.fail("must not get this far")

    assert (elsewhere / "runs.csv").read_text() == "mine"


def test_a_file_in_the_way_gives_one_plain_line(tmp_path: Path):
    (tmp_path / "report").write_text("x", encoding="utf-8")

    with (
        pytest.raises(AnalyzerError, match="is a file; name a folder") as caught,
        replaced_folder(tmp_path / "report"),
    ):
        pytest.fail("must not get this far")

    assert "\n" not in str(caught.value)


def test_a_place_that_cannot_be_written_gives_one_plain_line(tmp_path: Path):
    (tmp_path / "file").write_text("x", encoding="utf-8")

    with (
        pytest.raises(AnalyzerError, match="cannot be written there"),
        replaced_folder(tmp_path / "file" / "report"),
    ):
        pytest.fail("must not get this far")


@pytest.mark.skipif(os.name != "posix", reason="kills a process")
def test_a_killed_run_leaves_the_earlier_report(tmp_path: Path):
    target = tmp_path / "report"
    target.mkdir()
    fill(target, "old")
    script = textwrap.dedent(
        f"""
        import pathlib, time
        from analyzer.core.files import SEASON_TABLES, replaced_folder
        with replaced_folder(pathlib.Path({str(target)!r})) as work:
            (work / "report.html").write_text("half")
            print("writing", flush=True)
            time.sleep(60)
        """
    )
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"writing\n"
        process.send_signal(signal.SIGKILL)
        process.wait(20)
    time.sleep(0.05)

    assert (target / "report.html").read_text() == "old"
    # The half-written folder of the killed run does not stop the next one.
    with replaced_folder(target) as work:
        fill(work)
    assert (target / "report.html").read_text() == "new"


def test_a_table_that_no_report_holds_is_left_alone(tmp_path: Path):
    target = tmp_path / "report"
    target.mkdir()
    fill(target, "old")
    (target / "tables" / "day_one.csv").write_text("time,ay\n", encoding="utf-8")

    with (
        pytest.raises(AnalyzerError, match=r'it holds "tables/day_one\.csv"'),
        replaced_folder(target) as work,
    ):
        fill(work)

    assert (target / "tables" / "day_one.csv").read_text() == "time,ay\n"


def test_the_tables_of_reports_are_known():
    from analyzer.report import season_page as archive_write
    from analyzer.report.plain_data import COLUMNS

    assert set(REPORT_TABLES) == set(COLUMNS)
    assert set(SEASON_TABLES) == set(archive_write._COLUMNS)
