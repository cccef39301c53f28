"""Sheets are saved whole or not at all, whoever else writes them and whenever the program is killed."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import signal
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

import pytest

from analyzer.core.errors import AnalyzerError
from analyzer.desk.folder import ChangedOnDiskError, Folder, RefusedError
from analyzer.desk.sheet_form import Edit

SAMPLE = Path(__file__).parents[2] / "sample_logs"
TRACK = ("front", "track_width")


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    shutil.copytree(SAMPLE, tmp_path / "evening", ignore=shutil.ignore_patterns("report*", "faults", "*.gz"))
    return Folder(tmp_path / "evening")


def width(text: str) -> Edit:
    return Edit(TRACK, text, "quantity")


def test_two_windows_keep_each_others_changes(folder: Folder):
    first = second = folder.read("car").version
    folder.save("car", first, [width("1.6 m")])
    with pytest.raises(ChangedOnDiskError) as told:
        folder.save("car", second, [Edit(("rear", "track_width"), "1.5 m", "quantity")])

    # What the second would do to the file as it is now: its own line and no other.
    assert [line for line in told.value.difference if line[0] in "-+"][1:] == ['+track_width = "1.5 m"']
    folder.save("car", told.value.now, [Edit(("rear", "track_width"), "1.5 m", "quantity")])
    table = folder.read("car").table
    assert (table["front"]["track_width"], table["rear"]["track_width"]) == ("1.6 m", "1.5 m")


def test_an_editor_keeps_its_changes(folder: Folder):
    version = folder.read("car").version
    path = folder.path_of("car")
    path.write_text(path.read_text(encoding="utf-8") + "# a remark\n", encoding="utf-8")
    with pytest.raises(ChangedOnDiskError) as told:
        folder.save("car", version, [width("1.6 m")])
    folder.save("car", told.value.now, [width("1.6 m")])

    assert path.read_text(encoding="utf-8").endswith("# a remark\n")


def test_what_will_not_do_is_told_at_its_place_and_not_written(folder: Folder):
    kept = folder.read("car")
    with pytest.raises(RefusedError) as told:
        folder.save(
            "car", kept.version, [width("1.6"), Edit(("front", "bar", "tube", "wall"), "40 mm", "quantity")]
        )

    assert [item.key for item in told.value.found] == ["front.track_width", "front.bar.tube"]
    assert folder.read("car") == kept


def test_a_setup_that_the_bar_cannot_have_is_told_at_its_place(folder: Folder):
    kept = folder.read("session")
    name = next(iter(kept.table["setups"]))
    with pytest.raises(RefusedError) as told:
        folder.save(
            "session", kept.version, [Edit(("setups", name, "front_bar", "hole"), "9", "whole number")]
        )

    assert told.value.found[0].key.startswith(f"setups.{name}.front_bar")
    assert folder.read("session") == kept


def test_saving_nothing_touches_nothing(folder: Folder):
    path = folder.path_of("car")
    before = path.stat()
    folder.save("car", folder.read("car").version, [])
    assert (path.stat().st_ino, path.stat().st_mtime_ns) == (before.st_ino, before.st_mtime_ns)


def test_rights_of_a_sheet_stay(folder: Folder):
    path = folder.path_of("car")
    path.chmod(0o640)
    folder.save("car", folder.read("car").version, [width("1.6 m")])
    assert path.stat().st_mode & 0o777 == 0o640


def test_a_sheet_that_cannot_be_written_is_a_plain_line(folder: Folder, monkeypatch: pytest.MonkeyPatch):
    from analyzer.desk import folder as module

    def full(*_args: object, **_named: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module, "write_whole", full)
    kept = folder.read("car")
    with pytest.raises(AnalyzerError, match="No space left on device"):
        folder.save("car", kept.version, [width("1.6 m")])
    assert folder.read("car") == kept


def test_a_log_dropped_twice_is_one_run(folder: Folder):
    def fill(file: BinaryIO) -> None:
        file.write((SAMPLE / "r01.csv.gz").read_bytes())

    first, second = (folder.take_in(name, fill) for name in ("r01.csv.gz", "again.csv.gz"))
    assert first == second
    assert folder.add_run(first) == "r01"
    runs = folder.read("session").table["runs"]
    assert [run["name"] for run in runs].count("r01") == 1


def test_two_logs_of_one_name_are_both_kept(folder: Folder):
    first, second = (
        folder.take_in("run.csv", lambda file, text=text: file.write(text))
        for text in (b"a,b\n1,2\n", b"a,b\n3,4\n")
    )
    assert (first.name, second.name) == ("run.csv", "run-2.csv")
    assert first.read_bytes() != second.read_bytes()


def test_a_file_that_is_no_log_begins_nothing_and_is_not_kept(tmp_path: Path):
    folder = Folder(tmp_path / "evening")
    with pytest.raises(AnalyzerError):
        folder.take_run("letter.txt", lambda file: file.write(b"Dear all,\nsee you there.\n"))
    assert list(folder.path.iterdir()) == []


def test_a_known_car_keeps_its_sheet_when_logs_begin_a_session(tmp_path: Path):
    folder = Folder(tmp_path / "evening")
    shutil.copy(SAMPLE / "car.toml", folder.path)
    _, run = folder.take_run("r01.csv.gz", lambda file: file.write((SAMPLE / "r01.csv.gz").read_bytes()))

    assert run == "r01"
    assert folder.path_of("car").read_bytes() == (SAMPLE / "car.toml").read_bytes()
    assert folder.read("session").table["runs"][0]["logs"] == ["r01.csv.gz"]


def killed_at(work: Callable[[], None], seconds: float) -> None:
    """Do `work` over and over in a process of its own and kill it after some time."""
    child = os.fork()
    if child == 0:
        try:
            while True:
                work()
        finally:
            os._exit(1)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


@pytest.mark.slow
def test_a_hundred_kills_while_saving(folder: Folder, monkeypatch: pytest.MonkeyPatch):
    from analyzer.desk import folder as module

    draw = random.Random(3)
    original = folder.path_of("car").read_bytes()
    old = tomllib.loads(original.decode())["front"]["track_width"]
    # Checking a sheet takes far longer than writing it: without it the kills hit the writing.
    monkeypatch.setattr(Folder, "refused", lambda *_: ())

    def save() -> None:
        number = os.urandom(1)[0] % 50
        kept = folder.read("car")
        now = kept.table["front"]["track_width"]
        data = kept.data.replace(f'"{now}"'.encode(), f'"1.{500 + number} m"'.encode(), 1)
        with monkeypatch.context() as patched:
            patched.setattr(module, "edited", lambda *_: data)
            folder.save("car", kept.version, [])

    seen = set()
    for _ in range(100):
        killed_at(save, 0.005 + 0.05 * draw.random())
        data = folder.path_of("car").read_bytes()
        found = tomllib.loads(data.decode())["front"]["track_width"]
        seen.add(found)
        assert data.replace(f'"{found}"'.encode(), f'"{old}"'.encode(), 1) == original
    assert len(seen) > 20
    # The next one to open the folder clears away what was half written.
    Folder(folder.path)
    assert [path.name for path in folder.path.iterdir() if path.name.startswith(".")] == []


@pytest.mark.slow
def test_a_hundred_kills_while_a_log_comes_in(folder: Folder):
    draw = random.Random(4)
    piece = bytes(range(256)) * 400
    before = {path.name: path.read_bytes() for path in folder.path.iterdir()}

    def take() -> None:
        count = os.getpid() % 7 + 5

        def fill(file: BinaryIO) -> None:
            whole = hashlib.sha256()
            for _ in range(count):
                whole.update(piece)
                file.write(piece)
                file.flush()
                time.sleep(0.003)
            file.write(whole.digest())

        folder.take_in(f"log{os.getpid()}.csv", fill)

    for kill in range(100):
        # Every twentieth comes late: on a busy machine no log would ever be whole else.
        killed_at(take, 0.01 + (2.0 if kill % 20 == 19 else 0.3) * draw.random())
        for name in folder.logs():
            data = (folder.path / name).read_bytes()
            assert data.endswith(hashlib.sha256(data[:-32]).digest()), name
        for name, data in before.items():
            assert (folder.path / name).read_bytes() == data
    assert len(folder.logs()) > 3
    Folder(folder.path)
    assert [path.name for path in folder.path.iterdir() if path.name.startswith(".")] == []
