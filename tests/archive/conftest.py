"""A small season, and a way to estimate in this process where the pool is not what is tested."""

import shutil

import pytest
from archive.season_maker import Plan, write_season


@pytest.fixture(scope="session")
def season_master(tmp_path_factory):
    folder = tmp_path_factory.mktemp("season") / "season"
    write_season(folder, Plan(sessions=4, runs=2, cars=("Teal coupe", "Ochre saloon"), gap="15 mm"))
    return folder


@pytest.fixture
def season(season_master, tmp_path):
    """A copy of the season that a test may change."""
    return shutil.copytree(season_master, tmp_path / "season")


@pytest.fixture
def inline(monkeypatch):
    """Work in this process; returns the list of runs that were estimated."""
    from analyzer.archive import season_pass as run
    from analyzer.archive.tasks import estimate_task

    done = []

    def work(tasks, workers):
        for task in tasks:
            done.append(f"{task.session.rsplit('/', 2)[1]}/{task.run}")
            yield estimate_task(task)

    monkeypatch.setattr(run, "run_locally", work)
    return done
