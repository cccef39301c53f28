"""Logs of quite different make, without a car sheet, give the same channels in SI."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from ingest.helpers import plain_log

from analyzer.ingest.read_run import read_loose_log
from analyzer.ingest.recording import Verdict

LOG = plain_log(seconds=20.0)
NAMES = [head.partition(" [")[0] for head in LOG.columns]
UNITS = [head.partition("[")[2].rstrip("]") for head in LOG.columns]
ROWS = [[f"{value:.6f}" for value in row] for row in zip(*LOG.columns.values(), strict=True)]


def lines(rows: list[list[str]], sep: str = ",", end: str = "\n") -> str:
    return "".join(sep.join(row) + end for row in rows)


def quoted(rows: list[list[str]]) -> list[list[str]]:
    return [[f'"{cell}"' for cell in row] for row in rows]


def stamped(head: str, stamp: Callable[[float], str]) -> str:
    rows = [[stamp(float(row[0])), *row[1:]] for row in ROWS]
    return lines([[head, *list(LOG.columns)[1:]], *rows])


def slow_rates() -> str:
    rows = [
        [c if i % 5 == 0 or j not in (8, 9) else "" for j, c in enumerate(row)] for i, row in enumerate(ROWS)
    ]
    return lines([list(LOG.columns), *rows])


FILES: dict[str, bytes] = {
    "quoted lines above, names, units, blank": (
        '"Session","Evening"\n"Rate","100","Hz"\n\n'
        + lines(quoted([NAMES, UNITS]))
        + "\n"
        + lines(quoted(ROWS))
    ).encode(),
    "name, unit, range and rate in one cell": lines(
        [[f'{name} | "{unit}" | up to 100 | 50 Hz' for name, unit in zip(NAMES, UNITS, strict=True)], *ROWS]
    ).encode(),
    "semicolons, decimal comma, CRLF, one-byte letters": (
        "# Prüfstand\r\n"
        + lines(
            [
                [f"{name} ({unit})" for name, unit in zip(NAMES, UNITS, strict=True)],
                *[[cell.replace(".", ",") for cell in row] for row in ROWS],
            ],
            ";",
            "\r\n",
        )
    ).encode("cp1252"),
    "tabs in UTF-16": lines([list(LOG.columns), *ROWS], "\t").encode("utf-16"),
    "blanks and a units row": lines([[n.replace(" ", "_") for n in NAMES], UNITS, *ROWS], "   ").encode(),
    "date and time, a column of words": stamped(
        "recorded", lambda t: f"2025-06-14T18:20:{t:09.6f}Z"
    ).encode(),
    "epoch milliseconds": stamped("unix_time", lambda t: f"{1750000000000 + round(1000 * t)}").encode(),
    "clock in tenths": stamped("Time", lambda t: f"18:20:{int(10 * t + 1e-6) / 10:04.1f}").encode(),
    "turn rates at a fifth of the rate": slow_rates().encode(),
    "a line of groups above the names": (
        "," + "," * 8 + "GPS\n" + lines([list(LOG.columns), *ROWS])
    ).encode(),
}


@pytest.mark.parametrize("make", FILES)
def test_same_channels_from_any_make(make: str, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(FILES[make])
    recording = read_loose_log(path)
    assert recording.sample_rate == pytest.approx(100.0)
    assert len(recording.data) == len(ROWS)
    for name, truth in LOG.si.items():
        # A channel at a fifth of the rate is interpolated between its noisy samples.
        slow = "fifth" in make and name.startswith("gyro")
        good = ~recording.suspect[name].to_numpy()
        assert good.sum() > len(ROWS) - 6
        off = np.abs(recording.data[name].to_numpy() - truth)[good]
        assert float(off.max()) < (0.3 if slow else 2e-5), name
    worse = {row.check for row in recording.health if row.verdict in (Verdict.SUSPECT, Verdict.BAD)}
    assert worse <= {"coarse clock"}
