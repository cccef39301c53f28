"""Killed anywhere or raced by others: the old report or the new one is there at every instant."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import pytest

from analyzer.core import files
from analyzer.core.files import (
    RESULTS_FORMAT,
    check_replaceable,
    replaced_folder,
    write_together,
    write_whole,
)
from analyzer.ingest.template import start_folder

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="kills copies of the process")

OLD, NEW = "old", "new"
EVENTS = ("open", "os.", "shutil.", "tempfile.", "ctypes.call", "ctypes.dlsym", "fcntl.")


def fill(folder: Path, text: str) -> None:
    (folder / "report.html").write_text(text, encoding="utf-8")
    (folder / "tables").mkdir()
    (folder / "tables" / "runs.csv").write_text(text, encoding="utf-8")
    (folder / "results.json").write_text(
        json.dumps({"format": RESULTS_FORMAT, "text": text}), encoding="utf-8"
    )


def text_of(folder: Path) -> str:
    """Which report it is; fails when its files are of two."""
    texts = {
        (folder / "report.html").read_text(encoding="utf-8"),
        (folder / "tables" / "runs.csv").read_text(encoding="utf-8"),
        json.loads((folder / "results.json").read_text(encoding="utf-8"))["text"],
    }
    (text,) = texts
    return text


def killed_at(number: int, work) -> bool:
    """Do work in a copy of the process that is killed at its file operation `number`; False when it ended."""
    child = os.fork()
    if child == 0:
        left = number

        def watch(event: str, _given: object) -> None:
            nonlocal left
            if event.startswith(EVENTS) and event != "os.kill":
                left -= 1
                if left < 0:
                    os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(watch)
        try:
            work()
        finally:
            os._exit(0)
    _, status = os.waitpid(child, 0)
    return os.WIFSIGNALED(status)


def replace(target: Path, text: str) -> None:
    with replaced_folder(target) as work:
        fill(work, text)


@pytest.mark.parametrize("in_one_step", [True, False])
@pytest.mark.parametrize("before", [None, OLD])
def test_killed_at_every_file_operation(in_one_step, before, tmp_path, monkeypatch):
    if not in_one_step:
        monkeypatch.setattr(files, "_exchanged", lambda _one, _other: False)
    kills = 0
    while True:
        place = tmp_path / str(kills)
        place.mkdir()
        target = place / "report"
        if before is not None:
            replace(target, before)
        ended = not killed_at(kills, lambda target=target: replace(target, NEW))
        if in_one_step:
            # At every instant, so before anything is mended.
            assert (text_of(target) if target.exists() else None) in ((before, NEW) if not ended else (NEW,))
        # The next one mends and sweeps, even if it comes to nothing itself.
        with pytest.raises(KeyboardInterrupt), replaced_folder(target):
            raise KeyboardInterrupt
        assert (text_of(target) if target.exists() else None) in (before, NEW)
        replace(target, "newer")
        assert text_of(target) == "newer"
        assert [entry.name for entry in place.iterdir()] == ["report"]
        if ended:
            break
        kills += 1
    assert kills > 15


@pytest.mark.parametrize("name", ["one", "several"])
def test_files_killed_at_every_operation_leave_nothing(name, tmp_path):
    def write(folder: Path, text: str) -> None:
        if name == "one":
            write_whole(folder / "page.pdf", b"%PDF" + text.encode())
        else:
            write_together({folder / f"{i}.svg": b"<svg>" + text.encode() for i in range(3)})

    kills = 0
    while True:
        place = tmp_path / str(kills)
        place.mkdir()
        write(place, OLD)
        wanted = sorted(entry.name for entry in place.iterdir())
        ended = not killed_at(kills, lambda place=place: write(place, NEW))
        assert all(path.read_bytes()[-3:] in (b"old", b"new") for path in map(place.joinpath, wanted))
        write(place, NEW)
        assert sorted(entry.name for entry in place.iterdir()) == wanted
        assert all(path.read_bytes().endswith(b"new") for path in place.iterdir())
        if ended:
            break
        kills += 1
    assert kills > 5


def test_start_completes_what_a_kill_left_half_made(tmp_path):
    log = tmp_path / "day.csv"
    rows = "".join(f"{n / 100:.2f},{n % 9}.0,{n % 7}.0,0.{n % 5}\n" for n in range(300))
    log.write_text("Time [s],FL pot [mm],FR pot [mm],LatG [g]\n" + rows, encoding="utf-8")
    start_folder(tmp_path / "whole", log)
    wanted = {path.name: path.read_bytes() for path in (tmp_path / "whole").iterdir()}
    kills, half_made = 0, 0
    while True:
        place = tmp_path / f"kill{kills}"
        if not killed_at(kills, lambda place=place: start_folder(place, log)):
            break
        half_made += place.exists() and any(place.iterdir())
        if not place.exists() or {p.name for p in place.iterdir()} != wanted.keys():
            start_folder(place, log)
        assert {path.name: path.read_bytes() for path in place.iterdir()} == wanted
        kills += 1
    assert half_made > 5


def test_start_still_refuses_what_somebody_wrote(tmp_path):
    log = tmp_path / "day.csv"
    rows = "".join(f"{n / 100:.2f},{n % 9}.0,{n % 7}.0,0.{n % 5}\n" for n in range(300))
    log.write_text("Time [s],FL pot [mm],FR pot [mm],LatG [g]\n" + rows, encoding="utf-8")
    start_folder(tmp_path / "s", log)
    with pytest.raises(files.AnalyzerError, match="is there already"):
        start_folder(tmp_path / "s", log)
    (tmp_path / "s" / "session.toml").unlink()
    (tmp_path / "s" / "car.toml").write_text("# measured today\n", encoding="utf-8")
    with pytest.raises(files.AnalyzerError, match="is there already"):
        start_folder(tmp_path / "s", log)
    assert (tmp_path / "s" / "car.toml").read_text(encoding="utf-8") == "# measured today\n"
    assert not (tmp_path / "s" / "session.toml").exists()


def test_a_reader_never_finds_the_folder_missing(tmp_path):
    target = tmp_path / "report"
    replace(target, "0")
    other = tmp_path / "other"
    other.mkdir()
    if not files._exchanged(target, other):
        pytest.skip("this file system has no exchange")
    files._exchanged(target, other)
    other.rmdir()
    missing, stop = [], threading.Event()

    def watch() -> None:
        while not stop.is_set():
            if not (target / "report.html").exists():
                missing.append(1)

    watcher = threading.Thread(target=watch)
    watcher.start()
    for number in range(200):
        replace(target, str(number))
    stop.set()
    watcher.join()
    assert not missing
    assert text_of(target) == "199"


def test_several_at_once_into_one_folder_all_succeed(tmp_path):
    target = tmp_path / "report"
    script = textwrap.dedent(
        f"""
        import json, pathlib, sys
        from analyzer.core.files import RESULTS_FORMAT, check_replaceable, replaced_folder
        target = pathlib.Path({str(target)!r})
        for number in range(100):
            text = f"{{sys.argv[1]}} {{number}}"
            check_replaceable(target)
            with replaced_folder(target) as work:
                (work / "report.html").write_text(text)
                (work / "tables").mkdir()
                (work / "tables" / "runs.csv").write_text(text)
                (work / "results.json").write_text(json.dumps({{"format": RESULTS_FORMAT, "text": text}}))
        """
    )
    calls = [
        subprocess.Popen([sys.executable, "-c", script, name], stderr=subprocess.PIPE, text=True)
        for name in "abc"
    ]
    for call in calls:
        _, told = call.communicate(timeout=120)
        assert call.returncode == 0, told
    assert text_of(target)[1:] == " 99"
    assert [entry.name for entry in tmp_path.iterdir()] == ["report"]


def test_what_another_is_writing_is_not_swept(tmp_path):
    target = tmp_path / "report"
    with replaced_folder(target) as slow:
        fill(slow, "slow")
        replace(target, "quick")
        assert slow.is_dir()
    assert text_of(target) == "slow"
    assert [entry.name for entry in tmp_path.iterdir()] == ["report"]


def test_only_names_of_our_own_are_swept(tmp_path):
    target = tmp_path / "report"
    kept = [".report-notes.part", ".report-2-abcdefgh.part", ".report-ABCDEFGH.part", "report-abcdefgh.part"]
    for name in kept:
        (tmp_path / name).mkdir()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / ".report-aaaaaaaa.part").symlink_to(tmp_path / "elsewhere")
    (tmp_path / ".report-abcdefgh.part").mkdir()
    replace(target, NEW)
    left = {entry.name for entry in tmp_path.iterdir()}
    assert left == {*kept, "elsewhere", ".report-aaaaaaaa.part", "report"}


def test_old_leftovers_go_where_there_are_no_locks(tmp_path, monkeypatch):
    monkeypatch.setattr(files, "_hold", lambda _path, wait: None)
    for name, age in ((".report-aaaaaaaa.part", 90_000.0), (".report-bbbbbbbb.part", 60.0)):
        (tmp_path / name).mkdir()
        os.utime(tmp_path / name, (time.time() - age,) * 2)
    replace(tmp_path / "report", NEW)
    assert {entry.name for entry in tmp_path.iterdir()} == {".report-bbbbbbbb.part", "report"}


def test_a_report_moved_aside_by_a_killed_process_comes_back(tmp_path):
    aside = tmp_path / ".report-aaaaaaaa.old" / "old"
    aside.mkdir(parents=True)
    fill(aside, OLD)
    with pytest.raises(KeyboardInterrupt), replaced_folder(tmp_path / "report"):
        raise KeyboardInterrupt
    assert text_of(tmp_path / "report") == OLD
    check_replaceable(tmp_path / "report")
    assert [entry.name for entry in tmp_path.iterdir()] == ["report"]
