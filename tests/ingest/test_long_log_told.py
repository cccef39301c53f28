"""Of a long log is told how far it has been read, plain or packed, by whatever command reads it."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
from ingest.helpers import plain_log, write_log

from analyzer.ingest.template import sort_logs
from analyzer.session.review import check_path

Told = list[tuple[str, int, int]]


@pytest.mark.parametrize("packed", [False, True])
def test_bytes_of_a_long_log_are_told_up_to_its_end(
    packed: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_log(tmp_path / "r.csv", plain_log(200.0))
    if packed:
        (tmp_path / "r.csv.gz").write_bytes(gzip.compress(path.read_bytes(), 1))
        path = tmp_path / "r.csv.gz"
    size = path.stat().st_size
    monkeypatch.setattr("analyzer.ingest.open.LONG", size)
    monkeypatch.setattr("analyzer.ingest.open.MEGABYTE", 1)
    told: Told = []
    check_path(path, lambda *given: told.append(given))
    assert told[0] == (f"reading {path.name}", 0, 0)
    # Its header may be looked at again behind that.
    assert (f"reading {path.name}, {size} of {size} MB", size, size) in told
    assert len({done for _, done, _ in told}) > 2
    told.clear()
    sort_logs([path], lambda *given: told.append(given))
    assert told[0] == (f"reading {path.name}", 0, 1)
    assert len({what for what, _, _ in told}) > 1
    monkeypatch.setattr("analyzer.ingest.open.LONG", size + 1)
    told.clear()
    check_path(path, lambda *given: told.append(given))
    assert told == [(f"reading {path.name}", 0, 0)]
