"""Logs damaged at random: never a traceback, never a wrong number that nobody speaks of."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings, strategies as st
from ingest.coverage_fuzz import KINDS, seeds, trial
from ingest.helpers import text_of
from ingest.mutations import MUTATIONS, run_case, sound_log

from analyzer.core.errors import AnalyzerError, LogError
from analyzer.ingest.channels import guess_channels
from analyzer.ingest.read_run import read_loose_log

TRUTH = sound_log()
LINES = text_of(TRUTH).encode().split(b"\n")


@pytest.mark.parametrize("which", range(len(MUTATIONS)), ids=[m.__name__ for m in MUTATIONS])
def test_damage_is_told_or_does_no_harm(which: int, tmp_path: Path) -> None:
    for seed in range(which, 8 * len(MUTATIONS), len(MUTATIONS)):
        _, outcome, wrong = run_case(seed, tmp_path, LINES, TRUTH)
        assert not wrong, (seed, outcome)


@pytest.mark.slow
def test_damage_thousands_of_times(tmp_path: Path) -> None:
    wrong = {
        seed: found for seed in range(10_000, 15_000) if (found := run_case(seed, tmp_path, LINES, TRUTH)[2])
    }
    assert not wrong


CELLS = st.sampled_from(
    [
        "", "0", "1", "0.01", "-3,5", "1e3", "1D3", "nan", "x", '"', '""', "12:00:01", "2025-06-14", "#",
        "g", "[mm]", "2025-06-14T18:00:00", "Time", "FL pot [mm]", "LatG [g]", "\x00", "é", "9" * 20,
        "-", ".", "=1+1",
    ]
)  # fmt: skip
ROWS = st.lists(st.lists(CELLS, min_size=0, max_size=6), min_size=0, max_size=14)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=ROWS,
    separator=st.sampled_from([",", ";", "\t", " ", "|"]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
)
@example(rows=[["", "", "", "99999999999999999999"]], separator=",", end="\n")
def test_any_cells_give_a_recording_or_one_line(
    rows: list[list[str]], separator: str, end: str, tmp_path: Path
) -> None:
    head = separator.join(["Time [s]", "FL pot [mm]", "FR pot [mm]", "LatG [g]"])
    path = tmp_path / "any.csv"
    path.write_bytes(end.join([head, *(separator.join(row) for row in rows)]).encode())
    survives(path)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=600))
def test_any_bytes_give_a_recording_or_one_line(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "any.csv"
    path.write_bytes(data)
    survives(path)


def survives(path: Path) -> None:
    for reader in (read_loose_log, guess_channels):
        assert "\n" not in refusal_of(reader, path)


def refusal_of(reader: Callable[[Path], object], path: Path) -> str:
    """Return the refusal of a file, empty when it was read; anything but a `LogError` fails the test."""
    try:
        reader(path)
    except LogError as error:
        return str(error)
    return ""


# Guided search: what reaches code that nothing has reached before is varied further.


GUIDED_SECONDS = os.environ.get("ANALYZER_FUZZ_SECONDS", "60")
"""Time the guided search takes in the slow tests."""


def test_kept_inputs_give_a_result_or_one_line(tmp_path: Path) -> None:
    once, kept = trial(tmp_path), seeds()
    assert {chr(data[0]) for data in kept} == set(KINDS)
    for data in kept:
        once(data)


def test_a_reader_that_fails_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(_path: Path) -> None:
        raise AnalyzerError("two\nlines")

    monkeypatch.setattr("analyzer.ingest.read_run.read_loose_log", failing)
    with pytest.raises(AssertionError):
        trial(tmp_path)(b"lTime\n1\n")


@pytest.mark.slow
def test_guided_search_finds_no_traceback(tmp_path: Path) -> None:
    """Logs, sheets and names; a failure lies in a file whose bytes are then kept in `fuzz_seeds.json`."""
    pytest.importorskip("atheris")
    call = [sys.executable, "-m", "ingest.coverage_fuzz", GUIDED_SECONDS, str(tmp_path / "kept")]
    paths = os.pathsep.join([str(Path(__file__).parents[1]), str(Path(__file__).parents[2])])
    done = subprocess.run(
        call, capture_output=True, text=True, errors="replace", env={**os.environ, "PYTHONPATH": paths}
    )
    failed = [path.read_bytes() for path in (tmp_path / "kept").glob("failed-*")]
    assert done.returncode == 0, (failed, done.stderr[-3000:])
    new = int(re.findall(r"stat::new_units_added: +(\d+)", done.stderr)[-1])
    assert new > 20, done.stderr[-3000:]
