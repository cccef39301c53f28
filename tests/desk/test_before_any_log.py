"""An empty folder opens with sheets to fill in; the logs come later and add what they tell."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest

from analyzer import api
from analyzer.core.errors import AnalyzerError
from analyzer.desk.folder import ChangedOnDiskError, Folder, RefusedError
from analyzer.desk.sheet_form import Edit, fields, form_of, opened
from analyzer.desk.work import bar_sheet, tried_bar
from analyzer.ingest.template import starter_sheets
from analyzer.sheets.car import CarSheet
from analyzer.sheets.read import TO_MEASURE

SAMPLE = Path(__file__).parents[2] / "sample_logs"
LOG = SAMPLE / "r01.csv.gz"
NAME = Edit(("name",), "Teal coupe")


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    return Folder(tmp_path / "evening")


def drop(folder: Folder, log: Path = LOG) -> str:
    return folder.take_run(log.name, lambda file: file.write(log.read_bytes()))[1]


def test_car_and_course_are_there_to_fill_in_and_nothing_is_written(folder: Folder):
    car = folder.read("car")
    form = form_of(CarSheet, opened(car.data))
    figures = [part for part in fields(form) if part.value and part.kind == "quantity"]
    assert len(figures) > 30
    # Each value that nobody has measured says so; the rest of the sheet is what the program takes itself.
    assert all(part.marked for part in figures)
    assert folder.refused("car", car.data) == ()
    assert folder.refused("course", folder.read("course").data) == ()
    assert len(tried_bar(folder, "front", ())["figures"]) > 6
    assert "front" in bar_sheet(folder)[1]
    assert list(folder.path.iterdir()) == []
    assert not folder.begun


def test_a_car_that_is_saved_first_gets_its_channels_from_the_first_log(folder: Folder):
    kept = folder.read("car")
    folder.save("car", kept.version, [NAME, Edit(("mass", "wheelbase"), "2.61 m", "quantity")])
    before = folder.path_of("car").read_bytes()
    assert b"Teal coupe" in before

    drop(folder)
    table = folder.read("car").table
    started = tomllib.loads(starter_sheets(LOG)["car.toml"])
    assert table["logger"]["channels"] == started["logger"]["channels"]
    assert table["mass"]["wheelbase"] == "2.61 m"
    # Beside each channel stands why it was taken for that, and all else is as it was saved.
    after = folder.path_of("car").read_bytes()
    assert after.count(b"GUESS: ") == len(started["logger"]["channels"])
    head, _, tail = before.partition(b"[logger.channels]\n")
    assert after.startswith(head)
    assert after.endswith(tail.lstrip())
    assert TO_MEASURE.encode() in tail
    session = api.load_session(folder.path)
    assert [run.name for run in session.sheet.runs] == ["r01"]


def test_a_car_with_channels_keeps_them(folder: Folder):
    shutil.copy(SAMPLE / "car.toml", folder.path)
    drop(folder)
    assert folder.path_of("car").read_bytes() == (SAMPLE / "car.toml").read_bytes()


@pytest.mark.parametrize("course_first", [True, False])
def test_a_course_is_named_in_the_session(folder: Folder, course_first: bool):
    if not course_first:
        drop(folder)
    kept = folder.read("course")
    assert not kept.there
    folder.save("course", kept.version, [Edit(("name",), "Kettle Yard")])
    if course_first:
        drop(folder)
    session = api.load_session(folder.path)
    assert session.sheet.course == "course.toml"
    assert tomllib.loads((folder.path / "course.toml").read_text())["name"] == "Kettle Yard"
    # Once is enough: saved again, the session sheet is left alone.
    before = folder.path_of("session").read_bytes()
    folder.save("course", folder.read("course").version, [Edit(("name",), "Kettle Yard West")])
    assert folder.path_of("session").read_bytes() == before


def test_a_session_is_filled_in_before_any_log_and_each_log_is_a_run_of_it(folder: Folder):
    kept = folder.read("session")
    assert not kept.there
    assert folder.refused("session", kept.data) == ()
    edits = [Edit(("name",), "Evening practice"), Edit(("setups", "soft", "notes"), "links hang free")]
    edits += [Edit(("setups", "soft", f"{axle}_bar"), "off") for axle in ("front", "rear")]
    saved = folder.save("session", kept.version, [*edits, Edit(("setups", "A"), None)])
    assert (saved.table["name"], list(saved.table["setups"])) == ("Evening practice", ["soft"])
    assert not folder.begun
    # A set-up that the bar cannot have is told before there is a run, too.
    with pytest.raises(RefusedError) as told:
        folder.save("session", saved.version, [Edit(("setups", "hard", "notes"), "no bar is said")])
    assert told.value.found[0].place[:2] == ("setups", "hard")

    assert [drop(folder), drop(folder, SAMPLE / "r02.csv.gz")] == ["r01", "r02"]
    session = api.load_session(folder.path)
    assert [(run.name, run.setup) for run in session.sheet.runs] == [("r01", "soft"), ("r02", "soft")]
    started = tomllib.loads(starter_sheets(LOG)["car.toml"])
    assert folder.read("car").table["logger"]["channels"] == started["logger"]["channels"]


def test_a_session_without_a_run_is_a_plain_line_elsewhere(folder: Folder):
    folder.save("session", folder.read("session").version, [Edit(("name",), "Evening")])
    folder.save("car", folder.read("car").version, [NAME])
    with pytest.raises(AnalyzerError, match="runs"):
        api.load_session(folder.path)
    # A course that was there before is named in it.
    folder.save("course", folder.read("course").version, [Edit(("name",), "Kettle Yard")])
    assert folder.read("session").table["course"] == "course.toml"


def test_a_course_of_another_name_is_the_one_that_is_saved(folder: Folder):
    drop(folder)
    folder.save("session", folder.read("session").version, [Edit(("course",), "yard.toml")])
    folder.save("course", folder.read("course").version, [Edit(("name",), "Kettle Yard")])
    assert not (folder.path / "course.toml").exists()
    assert tomllib.loads((folder.path / "yard.toml").read_text())["name"] == "Kettle Yard"


def test_two_windows_on_an_empty_folder_do_not_lose_each_others_sheet(folder: Folder):
    version = folder.read("car").version
    folder.save("car", version, [NAME])
    with pytest.raises(ChangedOnDiskError) as told:
        folder.save("car", version, [Edit(("mass", "wheelbase"), "2.61 m", "quantity")])
    folder.save("car", told.value.now, [Edit(("mass", "wheelbase"), "2.61 m", "quantity")])
    table = folder.read("car").table
    assert (table["name"], table["mass"]["wheelbase"]) == ("Teal coupe", "2.61 m")
