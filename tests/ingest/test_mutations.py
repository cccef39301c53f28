"""Logs damaged at random: never a traceback, never a wrong number that nobody speaks of."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, seed as seeded, settings, strategies as st, target
from ingest.helpers import text_of
from ingest.mutations import MUTATIONS, run_case, sound_log

from analyzer.core.errors import AnalyzerError, LogError
from analyzer.ingest.channels import guess_channels
from analyzer.ingest.read_run import read_loose_log
from analyzer.report.words import label
from analyzer.sheets.read import read_car, read_session

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


# Guided search: what leads to more being done or said is varied further.


GUIDED_SECONDS = float(os.environ.get("ANALYZER_FUZZ_SECONDS", "60"))
"""Time the guided search takes in the slow tests."""
EACH_TIME = 150
PIECES = st.sampled_from(
    [
        "Time [s]", "FL pot [mm]", "LatG [g]", "0.01", "1e30", "-", ",", ";", "\t", " ", "\n", "\r\n", '"',
        "\x00", "\ufeff", "é", "12:00:00", "2025-06-14", "nan", "[", "]", "=", "{", "}", "name", "car",
        '"car.toml"', "[mass]", "[[runs]]", '"1 mm ± 2 mm"', "inf", "#", "\x1b[2J", "\u202e", "\\", "9" * 30,
    ]
)  # fmt: skip
TEXTS = st.lists(PIECES, max_size=60).map("".join)
ENCODINGS = st.sampled_from(["utf-8", "utf-16", "latin-1", "utf-8-sig"])


def refused(reader: Callable[[Path], object], path: Path) -> str:
    """Return how a file is refused, without its own name; anything but an `AnalyzerError` fails the test."""
    try:
        reader(path)
    except AnalyzerError as error:
        return str(error).replace(str(path), "")
    return ""


@pytest.mark.slow
def test_guided_search_finds_no_traceback(tmp_path: Path) -> None:
    """Logs, sheets and names; a failure names the text, to be kept as an example above."""
    path, kinds = tmp_path / "any.csv", set[str]()

    @settings(
        max_examples=EACH_TIME,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(text=TEXTS, rows=st.integers(0, 40), encoding=ENCODINGS)
    def search(text: str, rows: int, encoding: str) -> None:
        table = "".join(f"{k / 100},{k % 7},{k % 5 / 10}\n" for k in range(rows))
        path.write_bytes((f"Time [s],FL pot [mm],LatG [g]\n{table}{text}").encode(encoding, "replace"))
        said = [refused(reader, path) for reader in (read_loose_log, guess_channels)]
        path.write_text(text, encoding="utf-8")
        said += [refused(reader, path) for reader in (read_car, read_session)]
        assert "\n" not in "".join(said)
        assert all(sign.isprintable() for sign in label(text))
        kinds.update(word[:40] for word in said)
        target(float(len({*said} - {""})), label="refusals of their own kind")

    begun, round_of = time.monotonic(), 0
    while time.monotonic() - begun < GUIDED_SECONDS:
        seeded(round_of)(search)()
        round_of += 1
    assert round_of > 0
    assert len(kinds) > 5
