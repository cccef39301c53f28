"""A command killed at any of its file operations: the old outputs or the new, whole, and no more."""

import os
import signal
import sys
from dataclasses import replace

import pytest
from report.synthetic_review import Options, make_review
from report.test_season_page import archive, car

from analyzer.archive import dataset
from analyzer.core import files
from analyzer.report.course_page import write_course
from analyzer.report.look_page import files_beside
from analyzer.report.page import write_report
from analyzer.report.season_page import write_season
from analyzer.session.course_sheet import course_sheet

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="kills copies of the process")

OPERATIONS = ("open", "os.", "shutil.", "tempfile.", "ctypes.call", "ctypes.dlsym", "fcntl.")
EVERY = int(os.environ.get("ANALYZER_KILL_EVERY", "3"))
"""Of how many operations one is the last; with 1 in the environment each of them, 497 kills in 3 minutes."""


def child(work, last=None):
    """Do work in a copy of the process that is killed at operation `last`; return how many it did."""
    read, write = os.pipe()
    pid = os.fork()
    if pid == 0:
        count = 0

        def watch(event, _given):
            nonlocal count
            if event.startswith(OPERATIONS) and event != "os.kill":
                if count == last:
                    os.kill(os.getpid(), signal.SIGKILL)
                count += 1

        code = 1
        try:
            sys.addaudithook(watch)
            work()
            os.write(write, str(count).encode())
            code = 0
        finally:
            os._exit(code)
    os.close(write)
    with open(read, "rb") as pipe:
        told = pipe.read()
    _, status = os.waitpid(pid, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0
    return None if os.WIFSIGNALED(status) else int(told)


def files_in(folder):
    found = {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    # What a season draws of all its cars stands beside the report and is replaced before it.
    return {name: content for name, content in found.items() if name != "season.svg"}


def writers(command, place):
    """Return what writes old and new outputs of a command into a folder, and where its report lies."""
    if command in ("review", "course"):
        found = [make_review(place / name, Options(session=name)) for name in ("old", "new")]
        driven = [course_sheet(review) for review in found]
        if command == "course":
            return [lambda out, d=d: write_course(d, out / "r") for d in driven], "r"
        return [
            lambda out, r=r, d=d: write_report(r, out / "r", beside=files_beside(r, d))
            for r, d in zip(found, driven, strict=True)
        ], "r"

    def season(out, name):
        with dataset.opened(out):
            write_season(replace(archive(out, car(name)), left_out=()))

    return [lambda out, n=name: season(out, n) for name in ("Old coupe", "New coupe")], "report"


@pytest.mark.slow
@pytest.mark.parametrize("in_one_step", [True, False])
@pytest.mark.parametrize("command", ["review", "course", "archive"])
def test_a_killed_command_leaves_the_old_report_or_the_new_one(command, in_one_step, tmp_path, monkeypatch):
    if not in_one_step:  # as on a file system that cannot exchange two folders
        monkeypatch.setattr(files, "_exchanged", lambda _one, _other: False)
    monkeypatch.setenv("ANALYZER_CACHE", str(tmp_path / "cache"))
    for name in ("old", "new", "whole", "newer"):
        (tmp_path / name).mkdir()
    (old, new), report = writers(command, tmp_path)
    old(tmp_path / "whole")
    new(tmp_path / "newer")
    wanted = [files_in(tmp_path / "whole"), files_in(tmp_path / "newer")]
    out = tmp_path / "out"
    out.mkdir()
    old(out)
    operations = child(lambda: new(out))
    assert files_in(out) == wanted[1]
    seen = []
    points = range(0, operations, EVERY)
    for number, last in enumerate(points):
        # What one kill was to replace is the new one of the next.
        before, after = (1, 0) if number % 2 == 0 else (0, 1)
        write = (old, new)[after]
        assert child(lambda write=write: write(out), last) is None
        found = {name: content for name, content in files_in(out).items() if name.startswith(f"{report}/")}
        # At every instant, before anything is mended; in two steps it may lie aside for a moment.
        there = [{n: c for n, c in whole.items() if n.startswith(f"{report}/")} for whole in wanted]
        assert found in there or not (found or in_one_step), (last, sorted(found))
        seen.append(found == there[before])
        # The same command again completes it, and nothing of the killed one is left.
        write(out)
        assert files_in(out) == wanted[after], last
    assert set(seen) == {False, True}
