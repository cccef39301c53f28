"""Files are there whole or not at all, and nothing is left behind."""

from __future__ import annotations

from pathlib import Path

import pytest

from analyzer.files import umask, write_together, write_whole, write_whole_with


def test_a_file_is_replaced_with_the_rights_of_any_new_file(tmp_path: Path):
    path = tmp_path / "a.txt"
    write_whole(path, b"one")
    write_whole(path, b"two")
    plain = tmp_path / "plain"
    plain.write_bytes(b"")

    assert path.read_bytes() == b"two"
    assert path.stat().st_mode == plain.stat().st_mode == 0o100666 & ~umask()
    assert {file.name for file in tmp_path.iterdir()} == {"a.txt", "plain"}


def test_a_failure_while_writing_leaves_the_old_file_and_nothing_else(tmp_path: Path):
    path = tmp_path / "a.txt"
    write_whole(path, b"one")

    def fail(part: Path) -> None:
        part.write_bytes(b"half")
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        write_whole_with(path, fail)

    assert path.read_bytes() == b"one"
    assert list(tmp_path.iterdir()) == [path]


def test_of_several_files_none_is_moved_when_one_cannot_be_written(tmp_path: Path):
    (tmp_path / "file").write_bytes(b"")
    files = {tmp_path / "a": b"a", tmp_path / "deep" / "b": b"b"}

    with pytest.raises(OSError, match="file"):
        write_together({**files, tmp_path / "file" / "c": b"c"})
    assert [path.name for path in tmp_path.rglob("*") if path.is_file()] == ["file"]

    write_together(files)
    assert {path: path.read_bytes() for path in files} == files
