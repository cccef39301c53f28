"""Files are there whole or not at all, and nothing is left behind."""

from __future__ import annotations

from pathlib import Path

import pytest

from analyzer.core.errors import AnalyzerError
from analyzer.core.files import umask, write_together, write_whole


def test_a_file_is_replaced_with_the_rights_of_any_new_file(tmp_path: Path):
    path = tmp_path / "a.pdf"
    write_whole(path, b"%PDF one")
    write_whole(path, b"%PDF two")
    plain = tmp_path / "plain"
    plain.write_bytes(b"")

    assert path.read_bytes() == b"%PDF two"
    assert path.stat().st_mode == plain.stat().st_mode == 0o100666 & ~umask()
    assert {file.name for file in tmp_path.iterdir()} == {"a.pdf", "plain"}


def test_a_failure_while_writing_leaves_the_old_file_and_nothing_else(tmp_path: Path):
    path = tmp_path / "a.txt"
    write_whole(path, b"one")

    def fail(part: Path) -> None:
        part.write_bytes(b"half")
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        write_whole(path, fail, own=True)

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


OURS = {
    "a.pdf": b"%PDF-1.4 new",
    "a.png": b"\x89PNG\r\n\x1a\n new",
    "a.svg": b'<?xml version="1.0"?>\n<svg>new</svg>',
    "bar.json": b'{"car": "new", "axles": {}}',
    "calibrated.json": b'{"format": "drift-bar-analyzer calibrated car 2", "new": 1}',
    "bar.csv": b"hole,spacers,setting,fitted,mm,new\n1,0,a,yes,2,3\n",
}
EARLIER = {
    "a.pdf": b"%PDF-1.7 old",
    "a.png": b"\x89PNG\r\n\x1a\n old",
    "a.svg": b'<?xml version="1.0"?>\n<!DOCTYPE svg>\n<svg>old</svg>',
    "bar.json": b'{"axles": {"front": 1}, "car": "old"}',
    "calibrated.json": b'{"format": "drift-bar-analyzer calibrated car 1"}',
    "bar.csv": b"hole,spacers,setting,fitted,mm\r\n1,0,a,yes,2\r\n",
}
STRANGE = (
    b'name = "car"\n[mass]\n',
    b"time,pot_fl,pot_fr,ay\n0,1,2,3\n",
    b'<?xml version="1.0"?><log/>',
    b'{"time": [0, 1]}',
    b"[1, 2]",
    b"\x1f\x8b\x08\x00",
)


@pytest.mark.parametrize("name", OURS)
def test_only_a_file_of_the_same_kind_is_replaced(tmp_path: Path, name: str):
    path = tmp_path / name
    for earlier in (EARLIER[name], b""):
        path.write_bytes(earlier)
        write_whole(path, OURS[name])
        assert path.read_bytes() == OURS[name]
    others = [content for other, content in EARLIER.items() if Path(other).suffix != path.suffix]
    for strange in (*STRANGE, *others):
        path.write_bytes(strange)
        with pytest.raises(AnalyzerError, match="is there already and was not written by this program"):
            write_whole(path, OURS[name])
        assert path.read_bytes() == strange


@pytest.mark.parametrize("name", ["car.toml", "log", "run.gz", "run.txt"])
def test_a_kind_that_no_option_writes_is_never_replaced(tmp_path: Path, name: str):
    (tmp_path / name).write_bytes(b"%PDF")
    with pytest.raises(AnalyzerError, match="is there already"):
        write_whole(tmp_path / name, b"%PDF")


def test_a_folder_in_the_way_and_a_link_to_a_log_are_left_alone(tmp_path: Path):
    (tmp_path / "a.pdf").mkdir()
    (tmp_path / "run.csv").write_bytes(b"time,ay\n")
    (tmp_path / "b.pdf").symlink_to(tmp_path / "run.csv")
    for name in ("a.pdf", "b.pdf"):
        with pytest.raises(AnalyzerError, match="is there already"):
            write_whole(tmp_path / name, b"%PDF")
    assert (tmp_path / "b.pdf").is_symlink()


def test_of_several_files_none_is_written_when_one_would_replace_another_kind(tmp_path: Path):
    (tmp_path / "b.svg").write_bytes(b"time,ay\n")
    with pytest.raises(AnalyzerError, match=r"b\.svg: is there already"):
        write_together({tmp_path / "new" / "a.pdf": b"%PDF", tmp_path / "b.svg": b"<svg>"})
    assert [path.name for path in tmp_path.iterdir()] == ["b.svg"]
