"""The same archive through a scheduler, with a worker that is killed in the middle."""

import shutil

import pytest
from archive.work_helpers import contents, die_on_bad, estimate_but_die_once

from analyzer.archive import season_pass as run, tasks as cluster
from analyzer.archive.results import Task
from analyzer.archive.season_pass import archive_folder
from analyzer.core.errors import AnalyzerError
from analyzer.report.season_page import write_season

distributed = pytest.importorskip("distributed")
pytestmark = pytest.mark.filterwarnings("ignore")  # the scheduler warns on its own behalf when a worker dies


@pytest.fixture(scope="module")
def local_cluster():
    options = {"n_workers": 2, "threads_per_worker": 1, "processes": True, "dashboard_address": None}
    with distributed.LocalCluster(**options) as started:
        yield started


@pytest.mark.slow
def test_worker_killed_in_the_middle_changes_nothing(
    season, season_master, tmp_path, local_cluster, inline, monkeypatch
):
    for folder in (season, other := shutil.copytree(season_master, tmp_path / "other" / "season")):
        shutil.rmtree(folder / "ochre")
    archive_folder(season, finish=write_season)
    assert len(inline) == 4
    real = cluster.run_on_cluster
    monkeypatch.setattr(
        cluster, "run_on_cluster", lambda tasks, address: real(tasks, address, estimate_but_die_once)
    )
    result = archive_folder(other, scheduler=local_cluster.scheduler_address, finish=write_season)
    assert result.estimated == 4
    assert len(list(other.rglob("died"))) > 0
    assert contents(other / "archive") == contents(season / "archive")
    assert len(inline) == 4


@pytest.mark.slow
def test_run_that_kills_every_worker_is_left_out_alone(tmp_path, local_cluster):
    sheet = str(tmp_path / "session.toml")
    tasks = [Task(f"key-{name}", "", sheet, "", name, ()) for name in ("a", "bad", "b", "c")]
    found = {r.key: r for r in cluster.run_on_cluster(tasks, local_cluster.scheduler_address, die_on_bad)}
    assert {key for key, record in found.items() if record.failed} == {"key-bad"}
    assert "no worker finished it" in found["key-bad"].failed
    assert not found["key-bad"].lasting
    assert len(found) == 4


def test_scheduler_that_does_not_answer_is_one_line(season, monkeypatch):
    monkeypatch.setattr(cluster, "_PATIENCE", 1)
    for address in ("tcp://127.0.0.1:1", "nonsense://x"):
        with pytest.raises(AnalyzerError, match="scheduler") as caught:
            archive_folder(season, scheduler=address)
        assert "\n" not in str(caught.value)
    assert run.processors() >= 1
