"""Runs taken from the store: the same as fresh ones, and never when anything that matters has changed."""

import dataclasses
import hashlib
import shutil

import numpy as np
import pandas as pd
import pytest

import analyzer
from analyzer.core import store as digests
from analyzer.core.errors import LogError
from analyzer.core.store import Store
from analyzer.ingest import open as opening, read_run
from analyzer.session import run_store
from analyzer.session.review import load_session, predict_session, review_session, run_sheets
from analyzer.session.run_store import RunStore


@pytest.fixture
def folder(sample_session, tmp_path):
    """A session of two runs, one on each set-up."""
    place = shutil.copytree(sample_session, tmp_path / "evening", ignore=shutil.ignore_patterns("r0[2-5]*"))
    sheet = place / "session.toml"
    head, *runs = sheet.read_text().split("[[runs]]")
    sheet.write_text("[[runs]]".join([head, runs[0], runs[-1]]))
    return place


@pytest.fixture
def cache(tmp_path, monkeypatch):
    place = tmp_path / "cache"
    monkeypatch.setenv("ANALYZER_CACHE", str(place))
    return place


@pytest.fixture
def estimated(monkeypatch):
    """Names of the runs whose logs were read."""
    names = []
    read = run_store.read_recording

    def watched(run, *rest):
        names.append(run)
        return read(run, *rest)

    monkeypatch.setattr(run_store, "read_recording", watched)
    return names


def assert_same(one, other, where=""):
    """Hold two results to the same types, numbers to the last bit, indices and names."""
    assert type(one) is type(other), where
    if dataclasses.is_dataclass(one):
        for field in dataclasses.fields(one):
            assert_same(getattr(one, field.name), getattr(other, field.name), f"{where}.{field.name}")
    elif isinstance(one, dict):
        assert list(one) == list(other), where
        for key in one:
            assert_same(one[key], other[key], f"{where}[{key}]")
    elif isinstance(one, (tuple, list)):
        assert len(one) == len(other), where
        for number, pair in enumerate(zip(one, other, strict=True)):
            assert_same(*pair, f"{where}[{number}]")
    elif isinstance(one, pd.DataFrame):
        pd.testing.assert_frame_equal(one, other, check_exact=True, obj=where)
    elif isinstance(one, pd.Series):
        pd.testing.assert_series_equal(one, other, check_exact=True, obj=where)
    elif isinstance(one, np.ndarray):
        np.testing.assert_array_equal(one, other, err_msg=where, strict=True)
    elif isinstance(one, (float, np.floating)):
        assert np.float64(one).tobytes() == np.float64(other).tobytes(), where
    else:
        assert one == other, where


def contents(folder):
    return {p.relative_to(folder): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_second_review_reads_no_log_and_gives_the_same_to_the_last_bit(folder, cache, estimated, monkeypatch):
    before = contents(folder)
    monkeypatch.setenv("ANALYZER_CACHE", "off")
    without = review_session(folder)
    monkeypatch.setenv("ANALYZER_CACHE", str(cache))
    first = review_session(folder)
    assert estimated == ["r01", "r06"] * 2
    second = review_session(folder)
    assert estimated == ["r01", "r06"] * 2
    for one, other in ((first, second), (without, second)):
        assert_same(one.recordings, other.recordings, "recordings")
        assert_same(one.runs, other.runs, "runs")
        assert_same(one.comparisons, other.comparisons, "comparisons")
    assert contents(folder) == before
    assert cache.joinpath("kept-1").stat().st_mode & 0o077 == 0


def add_run(folder, sample_session):
    shutil.copy(sample_session / "r02.csv.gz", folder)
    with (folder / "session.toml").open("a") as sheet:
        sheet.write('\n[[runs]]\nname = "r02"\nsetup = "A"\nlogs = ["r02.csv.gz"]\n')
        sheet.write('level = ["0.3 s", "2.3 s"]\n')


def test_a_run_added_helps_to_tell_how_the_box_leans_in_the_others(folder, cache, estimated, sample_session):
    before = review_session(folder)
    estimated.clear()
    add_run(folder, sample_session)
    after = review_session(folder)
    assert estimated == ["r02", "r01", "r06"]
    assert [run.name for run in after.runs] == ["r01", "r06", "r02"]
    one, other = before.recordings["r01"].box, after.recordings["r01"].box
    assert one.angles != other.angles
    assert max(other.std) < max(one.std)
    assert len({recording.box.angles for recording in after.recordings}) == 1


def test_a_run_added_is_the_only_one_estimated_where_the_lean_is_stated(
    folder, cache, estimated, sample_session
):
    changed(folder / "car.toml", "[logger.imu]", '[logger.imu]\nlean = { pitch = "0.1 deg" }')
    review_session(folder)
    estimated.clear()
    add_run(folder, sample_session)
    assert [run.name for run in review_session(folder).runs] == ["r01", "r06", "r02"]
    assert estimated == ["r02"]


def test_a_moved_session_is_known_and_its_logs_are_named_where_they_lie_now(folder, cache, estimated):
    review_session(folder)
    estimated.clear()
    moved = folder.rename(folder.parent / "moved")
    reviewed = review_session(moved)
    assert not estimated
    assert [r.sources[0].path for r in reviewed.recordings] == [moved / "r01.csv.gz", moved / "r06.csv.gz"]


def test_a_log_that_cannot_be_used_is_tried_again_each_time(folder, cache, estimated):
    folder.joinpath("r06.csv.gz").write_bytes(b"time,speed\n")
    for _ in range(2):
        estimated.clear()
        reviewed = review_session(folder)
        assert "r06" in reviewed.failed
        assert "r06" in estimated
    folder.joinpath("r06.csv.gz").unlink()
    # Nor is the earlier result taken for a log that is gone.
    missing = review_session(folder)
    assert "r06" not in {run.name for run in missing.runs}
    assert 'no file "r06.csv.gz"' in str(missing.failed["r06"])


class Asked(RunStore):
    """A store of runs that notes when one has to be worked out, and takes `made` for it."""

    def _read(self, name, zeros=None):
        return self.made[0]

    def estimated(self, recording):
        self.asked.append(recording.run)
        return self.made


def ask(loaded, store, made, seed=0):
    """Return whether the first run of a session, driven alone, had to be worked out."""
    run = loaded.sheet.runs[0]
    logs = {run.name: loaded.logs[run.name]}
    sheets = run_sheets(dataclasses.replace(loaded, logs=logs), {})
    runs = Asked(store, dataclasses.replace(sheets, predict=lambda name: None), seed)
    runs.made, runs.asked = made, []
    found = runs.result(run.name)
    assert found[0].run == made[0].run
    return bool(runs.asked)


@pytest.fixture
def known(folder, tmp_path, sample_review):
    """A session whose first run is stored, and what is stored of it."""
    store = Store(tmp_path / "kept")
    made = sample_review.recordings[0], sample_review.runs[0]
    assert ask(load_session(folder), store, made)
    assert not ask(load_session(folder), store, made)
    return folder, store, made


def changed(path, old, new):
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


@pytest.mark.parametrize(
    ("sheet", "old", "new"),
    [
        ("car.toml", 'cg_height = "0.470 m ± 0.008 m"', 'cg_height = "0.470 m ± 0.0081 m"'),
        ("course.toml", 'end = "75 m"', 'end = "74 m"'),
        ("session.toml", "hole = 3", "hole = 2"),
        ("session.toml", 'name = "r01"', 'name = "r01b"'),
        ("session.toml", 'name = "r01"', 'name = "r01"\nlevel = ["0.3 s", "2.3 s"]'),
        ("session.toml", 'name = "r01"', 'name = "r01"\nclock_offsets = ["0 s"]'),
    ],
)
def test_a_change_that_matters_is_worked_out_anew(known, sheet, old, new):
    folder, store, made = known
    changed(folder / sheet, old, new)
    assert ask(load_session(folder), store, made)


def test_another_byte_in_a_log_matters_even_where_no_number_changes(known):
    folder, store, made = known
    content = bytearray((folder / "r01.csv.gz").read_bytes())
    content[4] ^= 1  # the time stamp in the head of the packed file
    (folder / "r01.csv.gz").write_bytes(content)
    assert ask(load_session(folder), store, made)


def test_seed_program_and_libraries_matter(known, monkeypatch):
    folder, store, made = known
    loaded = load_session(folder)
    assert ask(loaded, store, made, seed=1)
    for change in ("program", "library"):
        with monkeypatch.context() as patch:
            if change == "program":
                patch.setattr(analyzer, "__version__", "99")
            else:
                patch.setattr(digests, "version", lambda name: f"another {name}")
            digests.code_digest.cache_clear()
            assert ask(loaded, store, made)
        digests.code_digest.cache_clear()
    assert not ask(loaded, store, made)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('name = "Evening', '# written at night\nname = "Evening'),
        ('tyre_pressure_front = "190 kPa"', 'tyre_pressure_front = "180 kPa"'),
        ('notes = "as the car came"', 'notes = "as bought"'),
        ('name = "r06"', 'name = "last"'),
        ("hole = 1", "hole = 2"),
    ],
)
def test_a_change_that_does_not_matter_to_the_run_is_not(known, old, new):
    folder, store, made = known
    changed(folder / "session.toml", old, new)
    (folder / "r01.csv.gz").touch()
    assert not ask(load_session(folder), store, made)


def test_a_log_that_changes_while_it_is_read_is_not_kept(known, tmp_path):
    folder, _, made = known
    store = Store(tmp_path / "another")
    recording = dataclasses.replace(
        made[0], sources=tuple(dataclasses.replace(s, sha256="another") for s in made[0].sources)
    )
    assert ask(load_session(folder), store, (recording, made[1]))
    assert ask(load_session(folder), store, made)


def test_a_log_that_cannot_be_used_is_told_with_and_without_a_store(known):
    folder, store, _ = known
    loaded = load_session(folder)
    (folder / "r01.csv.gz").write_bytes(b"time,speed\n")
    run = loaded.sheet.runs[0]
    for place in (Store(None), store):
        runs = RunStore(place, run_sheets(loaded, predict_session(loaded)))
        with pytest.raises(LogError, match="r01"):
            runs.result(run.name)


@pytest.mark.parametrize("held", [True, False])
def test_a_log_written_over_and_back_again_while_it_is_read_is_never_kept_as_another(
    folder, cache, monkeypatch, sample_session, held
):
    """Before, the log is the one its hash names; when it is parsed, it is another; afterwards it is back."""
    path = folder / "r01.csv.gz"
    own, other = path.read_bytes(), (sample_session / "r02.csv.gz").read_bytes()
    if not held:
        monkeypatch.setattr(opening, "HELD_AT_MOST", 0)
    hashes, read_text = run_store._hashes, read_run.load_files
    with monkeypatch.context() as patch:
        patch.setenv("ANALYZER_CACHE", "off")
        without = review_session(folder)

    def hashed_before(logs):
        found = hashes(logs)
        if path in logs:
            path.write_bytes(other)
        return found

    def put_back_after(log, *rest, **more):
        found = read_text(log, *rest, **more)
        if log == path:
            path.write_bytes(own)
        return found

    with monkeypatch.context() as patch:
        patch.setattr(run_store, "_hashes", hashed_before)
        patch.setattr(read_run, "load_files", put_back_after)
        first = review_session(folder)
    later = review_session(folder)
    assert_same(later.recordings[0].data, without.recordings[0].data, "recording")
    assert_same(later.runs[0].fits, without.runs[0].fits, "fits")
    assert later.recordings[0].sources[0].sha256 == hashlib.sha256(own).hexdigest()
    if held:
        assert first.recordings[0].sources[0].sha256 == hashlib.sha256(other).hexdigest()
        assert first.runs[0].roll_gradient["front"] != later.runs[0].roll_gradient["front"]
    else:
        assert "r01.csv.gz: changed while it was read; run the command again" in str(first.failed["r01"])


def test_a_log_that_changes_after_it_was_looked_at_is_not_kept(folder, tmp_path, sample_session):
    """What the runs tell is stored already; the log is another one when it is read for its estimates."""
    loaded = load_session(folder)
    sheets = run_sheets(loaded, predict_session(loaded))
    store = Store(tmp_path / "kept")
    RunStore(store, sheets).look("r01")
    runs = RunStore(store, sheets)
    runs.look("r01")
    runs.look("r06")
    own = (folder / "r01.csv.gz").read_bytes()
    (folder / "r01.csv.gz").write_bytes((sample_session / "r02.csv.gz").read_bytes())
    changed_one = runs.result("r01")
    assert runs.changed
    (folder / "r01.csv.gz").write_bytes(own)
    recording, _ = RunStore(store, sheets).result("r01")
    assert recording.sources[0].sha256 == hashlib.sha256(own).hexdigest() != changed_one[0].sources[0].sha256
