"""A pass killed at any moment: the next one completes, and the archive is that of an undisturbed pass."""

import os
import random
import shutil
import signal
import subprocess
import sys
import time

import pytest
from archive.work_helpers import contents

CALL = [sys.executable, "-m", "analyzer", "archive"]


def start(season):
    call = [*CALL, str(season), "--workers", "2"]
    return subprocess.Popen(call, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def children_of(pid):
    """Processes whose parent is `pid`, from the kernel's own list."""
    found = []
    for entry in os.listdir("/proc"):
        if entry.isdigit():
            try:
                with open(f"/proc/{entry}/stat") as file:
                    parent = int(file.read().rsplit(")", 1)[1].split()[1])
            except OSError:
                continue
            if parent == pid:
                found.append(int(entry))
    return found


def gone(pid, patience=20.0):
    end = time.monotonic() + patience
    while time.monotonic() < end:
        try:
            with open(f"/proc/{pid}/stat") as file:
                if file.read().rsplit(")", 1)[1].split()[0] == "Z":
                    return True
        except OSError:
            return True
        time.sleep(0.05)
    return False


def killed(season, delay):
    """Start a pass and kill it after `delay` seconds; returns whether it was still at work."""
    process = start(season)
    try:
        process.wait(delay)
    except subprocess.TimeoutExpired:
        workers = children_of(process.pid)
        process.send_signal(signal.SIGKILL)
        process.wait()
        # Processes that outlive their parent would pile up over a season of power cuts.
        assert all(gone(pid) for pid in workers)
        return True
    assert process.returncode == 0
    return False


@pytest.fixture(scope="module")
def undisturbed(season_master, tmp_path_factory):
    folder = shutil.copytree(season_master, tmp_path_factory.mktemp("whole") / "season")
    began = time.monotonic()
    assert start(folder).wait() == 0
    return contents(folder / "archive"), time.monotonic() - began


def survive(season, undisturbed, kills, rng, latest=1.1):
    expected, took = undisturbed
    at_work = sum(killed(season, rng.uniform(0.0, latest * took)) for _ in range(kills))
    assert start(season).wait() == 0
    assert contents(season / "archive") == expected
    return at_work


@pytest.mark.slow
def test_killed_pass_is_completed(season, undisturbed):
    # The undisturbed pass may have been slowed by whatever else was at work on the machine then.
    at_work = survive(season, undisturbed, 2, random.Random(5), latest=0.5)
    assert at_work > 0


@pytest.mark.slow
def test_kills_at_random_moments(season_master, tmp_path, undisturbed):
    rng = random.Random(6)
    at_work = seasons = 0
    # What each file operation of the writing leaves is seen in test_killed_commands.py; here the processes.
    # Some passes end before their time, since those before have done most of the work: they do not count.
    while at_work < 20:
        season = shutil.copytree(season_master, tmp_path / str(seasons) / "season")
        at_work += survive(season, undisturbed, 4, rng)
        seasons += 1
    assert seasons < 16
