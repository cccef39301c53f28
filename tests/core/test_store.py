"""The cache's folder: whatever lies in it or happens to it, work is done anew at worst."""

import json
import os
import socket
import threading
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyzer.core import store as folder_module
from analyzer.core.estimate import Estimate
from analyzer.core.store import (
    _HEAD,
    _MAGIC,
    NotPackable,
    Packer,
    Store,
    Unpacker,
    _seal,
    cache_folder,
    content_digest,
    digest_of,
    user_key,
)
from analyzer.ingest.recording import Verdict

VALUE = (
    Estimate(1.5, "deg/g", std_error=0.1, interval=(1.3, 1.7), notes=("a", "b"), n=3),
    {"front": np.arange(6.0).reshape(2, 3), ("a", 1): None},
    [Verdict.BAD, True, np.float64(0.1), np.int64(3), float("nan"), float("inf"), Path("r01.csv")],
    pd.DataFrame({"x": [1.0, np.nan], "y": [2.0, 3.0]}, index=pd.Index([0.0, 0.5], name="time_s")),
    pd.Series([True, False], name="parked"),
    np.empty((0, 3)),
    np.arange(12.0).reshape(3, 4)[:, ::2],
)


SECRET = b"k" * 32


@pytest.fixture
def kept(tmp_path):
    return Store(tmp_path / "kept", SECRET)


def sealed(text, arrays=b"", secret=SECRET):
    """Return a stored file as whoever knows the key would write it."""
    seal = _seal(secret, len(text))
    seal.update(text + arrays)
    return b"%s %s %016x\n" % (_MAGIC, seal.hexdigest().encode(), len(text)) + text + arrays


def file_of(kept, key="k"):
    return kept._folder / f"{key}.kept"


@pytest.mark.parametrize("in_memory", [0, folder_module.IN_MEMORY])
def test_values_come_back_as_they_were(kept, in_memory, monkeypatch):
    monkeypatch.setattr(folder_module, "IN_MEMORY", in_memory)
    kept.put("k", VALUE)
    found = kept.get("k")
    estimate, arrays, listed, table, series, empty, strided = found
    assert estimate == VALUE[0]
    assert list(arrays) == ["front", ("a", 1)]
    np.testing.assert_array_equal(arrays["front"], VALUE[1]["front"])
    assert [type(item) for item in listed] == [type(item) for item in VALUE[2]]
    assert listed[:4] == VALUE[2][:4]
    assert np.isnan(listed[4])
    assert listed[5:] == VALUE[2][5:]
    pd.testing.assert_frame_equal(table, VALUE[3], check_exact=True)
    pd.testing.assert_series_equal(series, VALUE[4])
    assert empty.shape == (0, 3)
    np.testing.assert_array_equal(strided, VALUE[6])
    strided[0, 0] = 7.0  # as free to be worked on as a fresh one, without reaching the file
    assert kept.get("k")[6][0, 0] == 0.0


@dataclass(frozen=True)
class Strange:
    number: float


@pytest.mark.parametrize(
    "value",
    [
        object(),
        Strange(1.0),
        lambda: None,
        {1, 2},
        np.array(["a"], dtype=object),
        pd.date_range("2031-05-04", periods=2),
        pd.DataFrame({"x": ["a", "b"]}),
        type("Long", (tuple,), {})((1,)),
    ],
)
def test_what_could_not_come_back_as_it_was_is_not_kept(kept, value):
    with pytest.raises(NotPackable):
        Packer().pack(value)
    kept.put("k", value)
    assert kept.get("k") is None


@pytest.mark.parametrize("in_memory", [0, folder_module.IN_MEMORY])
def test_damaged_files_are_ignored(kept, in_memory, monkeypatch):
    monkeypatch.setattr(folder_module, "IN_MEMORY", in_memory)
    kept.put("k", VALUE)
    path = file_of(kept)
    whole = path.read_bytes()
    rng = np.random.default_rng(5)
    for length in [0, 1, _HEAD - 1, _HEAD, _HEAD + 1, *rng.integers(0, len(whole), 40)]:
        path.write_bytes(whole[:length])
        assert kept.get("k") is None
    for place in rng.integers(0, len(whole), 150):
        broken = bytearray(whole)
        broken[place] ^= 1 << int(rng.integers(8))
        path.write_bytes(broken)
        # The case of the letters of the length is all that may differ.
        assert kept.get("k") is None or broken[:_HEAD].lower() == whole[:_HEAD]
    path.write_bytes(b"not ours at all" * 100)
    assert kept.get("k") is None
    path.unlink()
    path.mkdir()
    assert kept.get("k") is None
    kept.put("k", VALUE)
    assert kept.get("k") is None


def test_a_file_under_another_key_is_ignored(kept):
    kept.put("k", VALUE)
    file_of(kept).rename(file_of(kept, "other"))
    assert kept.get("other") is None


@pytest.mark.parametrize(
    "value",
    [
        {"class": "os:system", "fields": {"command": "true"}},
        {"class": "subprocess:Popen", "fields": {"args": "true"}},
        {"class": "analyzer.cli:run", "fields": {}},
        {"class": "analyzer.cli:Path", "fields": {}},
        {"class": "analyzer.core.estimate:Estimate.unknown", "fields": {"unit": "1", "reason": "x"}},
        {"class": "analyzer.nowhere:Thing", "fields": {}},
        {"class": "analyzer.core.store:Store", "fields": {"folder": None}},
        {"class": "analyzer.core.estimate:Estimate", "fields": {"value": 1.0, "unit": "1", "gone": 2}},
        {"class": "analyzer.core.estimate:Estimate", "fields": {"value": float("nan"), "unit": "1"}},
        {"enum": "os:system", "value": "true"},
        {"enum": "analyzer.ingest.recording:Verdict", "value": "no such word"},
        {"array": 5},
        {"array": "x"},
        {"table": [0], "index": {"words": [1], "dtype": "O", "name": None}, "columns": None},
        {"nothing": 1},
        {},
        {"class": None},
        {"path": None},
    ],
)
def test_a_hostile_file_with_a_right_seal_runs_nothing(kept, value):
    kept.put("k", None)
    text = json.dumps({"tree": {"dict": [["key", "k"], ["value", value]]}, "arrays": []}).encode() + b"\n"
    file_of(kept).write_bytes(sealed(text))
    assert kept.get("k") is None


@pytest.mark.parametrize("arrays", [[["|O", [1], 0]], [["<f8", [99], 0]], [["x", [1], 0]], 3])
def test_hostile_arrays_are_ignored(kept, arrays):
    kept.put("k", None)
    tree = {"dict": [["key", "k"], ["value", {"array": 0}]]}
    text = json.dumps({"tree": tree, "arrays": arrays}).encode() + b"\n"
    file_of(kept).write_bytes(sealed(text, b"\0" * 8))
    assert kept.get("k") is None


def test_a_tree_without_end_is_ignored(kept):
    kept.put("k", None)
    text = b'{"tree": ' + b"[" * 200_000 + b"]" * 200_000 + b', "arrays": []}\n'
    file_of(kept).write_bytes(sealed(text))
    assert kept.get("k") is None


def test_only_what_was_sealed_with_the_users_key_is_believed(kept):
    tree = {"dict": [["key", "k"], ["value", 7.0]]}
    text = json.dumps({"tree": tree, "arrays": []}).encode() + b"\n"
    kept.put("k", 1.0)
    file_of(kept).write_bytes(sealed(text))
    assert kept.get("k") == 7.0  # so the forgery below fails for its seal alone
    file_of(kept).write_bytes(sealed(text, secret=b"another key, of 32 bytes as well"))
    assert kept.get("k") is None
    kept.put("k", 1.0)
    assert Store(kept._folder, b"another").get("k") is None
    assert kept.get("k") == 1.0


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="rights of this system are kept elsewhere")
class TestOthers:
    def test_a_file_others_may_write_to_is_not_believed(self, kept):
        kept.put("k", 1.0)
        assert file_of(kept).stat().st_mode & 0o077 == 0
        file_of(kept).chmod(0o620)
        assert kept.get("k") is None
        kept.put("k", 2.0)
        assert kept.get("k") == 2.0

    def test_a_folder_others_may_write_to_is_closed_to_them(self, kept):
        kept.put("k", 1.0)
        kept._folder.chmod(0o777)
        assert kept.get("k") == 1.0
        assert kept._folder.stat().st_mode & 0o022 == 0

    def test_nothing_of_another_owner_is_used(self, kept, monkeypatch):
        kept.put("k", 1.0)
        monkeypatch.setattr(folder_module.os, "geteuid", lambda: os.getuid() + 1)
        assert kept.get("k") is None
        kept.put("other", 1.0)
        kept.tidy()
        assert [path.name for path in kept._folder.iterdir()] == ["k.kept"]

    def test_a_pipe_or_socket_in_a_files_place_is_not_waited_for(self, kept, monkeypatch):
        kept.put("k", 1.0)
        file_of(kept).unlink()
        os.mkfifo(file_of(kept))
        assert kept.get("k") is None
        monkeypatch.chdir(kept._folder)  # a name of a socket may be no longer than a hundred signs
        with socket.socket(socket.AF_UNIX) as there:
            there.bind("other.kept")
            assert kept.get("other") is None

    def test_a_link_in_the_folders_place_is_not_followed(self, kept, tmp_path):
        kept.put("k", 1.0)
        link = tmp_path / "link"
        link.symlink_to(kept._folder)
        assert Store(link, SECRET).get("k") is None

    def test_the_key_is_the_users_alone_and_stays(self, tmp_path, monkeypatch):
        monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
        first = user_key()
        assert first is not None
        assert user_key() == first
        place = tmp_path / "config" / "drift-bar-analyzer"
        assert [path.name for path in place.iterdir()] == ["cache.key"]
        key = place / "cache.key"
        assert key.stat().st_mode & 0o777 == 0o600
        key.chmod(0o640)  # others may have read it
        second = user_key()
        assert second not in (None, first)
        key.write_bytes(b"short")
        assert user_key() is None
        key.unlink()
        key.symlink_to(tmp_path / "elsewhere")
        assert user_key() not in (None, second)
        assert not key.is_symlink()

    def test_without_a_place_for_a_key_nothing_is_kept(self, tmp_path, monkeypatch):
        (tmp_path / "config").write_text("")
        monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
        kept = Store(tmp_path / "kept")
        kept.put("k", 1.0)
        assert kept.get("k") is None
        assert not list((tmp_path / "kept").glob("*"))


def test_the_longest_unused_goes_first(kept, monkeypatch):
    monkeypatch.setattr(folder_module, "LARGEST", 40_000)
    for number in range(4):
        kept.put(f"k{number}", np.zeros(1000))
        os.utime(file_of(kept, f"k{number}"), (1000.0 + number, 1000.0 + number))
    assert kept.get("k0") is not None  # used now
    left = kept._folder / ".part-left-by-a-kill"
    left.write_bytes(b"half")
    os.utime(left, (1000.0, 1000.0))
    foreign = kept._folder / "notes.txt"
    foreign.write_bytes(b"n" * 100_000)
    later = Store(kept._folder, SECRET)
    later.put("new", np.zeros(1000))
    later.tidy()
    found = {path.name for path in kept._folder.iterdir()}
    assert found == {"k0.kept", "k2.kept", "k3.kept", "new.kept", "notes.txt"}
    later.put("huge", np.zeros(6000))
    assert not file_of(kept, "huge").exists()


def test_a_full_disk_or_a_place_that_cannot_be_used_is_no_error(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    for place in (None, tmp_path / "file", tmp_path / "file" / "below"):
        kept = Store(place, SECRET)
        kept.put("k", 1.0)
        kept.tidy()
        assert kept.get("k") is None
    full = type("usage", (), {"free": folder_module.LEFT_FREE + 10})
    monkeypatch.setattr(folder_module.shutil, "disk_usage", lambda _: full)
    kept = Store(tmp_path / "kept", SECRET)
    kept.put("k", np.zeros(1000))
    assert kept.get("k") is None


def test_a_folder_that_may_be_read_alone_is_read(kept, monkeypatch):
    kept.put("k", 1.0)

    def refused(*_, **__):
        raise PermissionError

    monkeypatch.setattr(folder_module.os, "utime", refused)
    monkeypatch.setattr(folder_module, "write_whole", refused)
    kept.put("other", 2.0)
    assert kept.get("k") == 1.0
    assert kept.get("other") is None


def test_several_at_once_see_whole_values_only(tmp_path):
    stop = threading.Event()
    seen, wrong = [], []

    def write(number):
        kept = Store(tmp_path / "kept", SECRET)
        while not stop.is_set():
            kept.put("k", np.full(3000, float(number)))
            kept.tidy()

    writers = [threading.Thread(target=write, args=(number,)) for number in range(2)]
    for writer in writers:
        writer.start()
    reader = Store(tmp_path / "kept", SECRET)
    while len(seen) < 200:
        found = reader.get("k")
        if found is not None:
            seen.append(found[0])
            wrong += [found] if np.ptp(found) else []
    stop.set()
    for writer in writers:
        writer.join()
    assert not wrong
    assert list((tmp_path / "kept").iterdir()) == [tmp_path / "kept" / "k.kept"]


def test_where_it_lies(tmp_path, monkeypatch):
    monkeypatch.setenv("ANALYZER_CACHE", "off")
    assert cache_folder() is None
    monkeypatch.setenv("ANALYZER_CACHE", str(tmp_path / "mine"))
    assert cache_folder() == tmp_path / "mine" / "kept-1"
    monkeypatch.delenv("ANALYZER_CACHE")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    assert cache_folder() == tmp_path / "xdg" / "drift-bar-analyzer" / "kept-1"


def test_digests_tell_contents_apart():
    one = content_digest([1.0, np.arange(3.0), "a"])
    assert one == content_digest([1.0, np.arange(3.0), "a"])
    for other in ([1.0, np.arange(3), "a"], [1, np.arange(3.0), "a"], [1.0, np.arange(3.0), "b"], [1.0, "a"]):
        assert content_digest(other) != one
    assert content_digest([np.zeros((2, 3))]) != content_digest([np.zeros((3, 2))])


def test_an_unpacker_names_every_error_it_may_raise():
    with pytest.raises(Unpacker.UNFIT):
        Unpacker([]).unpack({"array": 0})


def test_records_that_show_themselves_alike_have_digests_of_their_own():
    """Results name themselves in one line for readers; a key holds every number of them."""

    @dataclass
    class Lean:
        angles: tuple

        def __repr__(self):
            return "Lean(<3>)"

    assert digest_of(Lean((0.0, 0.1, 0.2))) != digest_of(Lean((0.0, 0.1, 0.3)))
    assert digest_of(Lean((0.0, 0.1, 0.2))) == digest_of(Lean((0.0, 0.1, 0.2)))
