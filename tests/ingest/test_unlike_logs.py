"""Logs of unlike make: what `start` makes of them, counted against what they truly hold."""

from __future__ import annotations

import tomllib
from collections import Counter
from pathlib import Path

import pytest
from ingest.unlike_logs import Unlike, unlike_logs

from analyzer.ingest.calibration import factor_to_si
from analyzer.ingest.table import plain_name
from analyzer.ingest.template import MEASURE, starter_sheets
from analyzer.sheets.car import CHANNEL_DIMENSIONS


def judged(text: str, log: Unlike) -> dict[str, str]:
    """Return for each channel, clock among them, what a started car sheet makes of it.

    ``right``; ``unit asked`` where the column is right and its unit or calibration marked; ``asked`` where
    the column is listed among those left over; else what is wrong. Other columns that were taken are named.
    """
    channels = tomllib.loads(text)["logger"]["channels"]
    line_of = {line.partition(" = ")[0]: line for line in text.splitlines() if "column" in line}
    taken = {house: _name(entry["column"]) for house, entry in channels.items()}
    left = {_name(line.strip('# "')) for line in text.splitlines() if line.startswith('#   "')}
    result = {}
    for house, true in log.truth.items():
        column = _name(true.column)
        if house not in taken:
            result[house] = "asked" if column in left else "lost"
        elif taken[house] != column:
            result[house] = f"wrong column {taken[house]}"
        elif "volts" in channels[house]:
            # Its line asks for two readings and the travel at each: of inches, too.
            result[house] = "right" if true.unit in ("V", "counts") else "unit asked"
        elif MEASURE in line_of[house]:
            result[house] = "unit asked"
        else:
            dimension = CHANNEL_DIMENSIONS[house]
            same = true.unit not in ("V", "counts") and (
                factor_to_si(channels[house]["unit"], dimension) == factor_to_si(true.unit, dimension)
            )
            result[house] = "right" if same else f"wrong unit {channels[house]['unit']}"
    for house, column in taken.items():
        if house != "time" and house not in log.truth:
            result[house] = f"wrong column {column}"
    if log.clock is None:
        if "sample_rate" not in text or "time" in taken:
            result["time"] = "wrong clock"
    else:
        result["time"] = "right" if taken.get("time") == _name(log.clock) else "wrong clock"
    return result


def _name(column: str) -> str:
    """Return a column's name without unit and number, as both sides may write it."""
    return plain_name(column.partition(" [")[0].partition(" (")[0].partition(" #")[0])


@pytest.mark.parametrize(
    "seed", [3, pytest.param(range(40, 44), marks=pytest.mark.slow)], ids=["one", "four"]
)
def test_start_is_right_on_strangers_channels_and_asks_for_the_rest(
    seed: int | range, tmp_path: Path
) -> None:
    """At least 95 % of the columns of five logs of unlike make are found; none is taken for another."""
    seeds = [seed] if isinstance(seed, int) else seed
    found: Counter[str] = Counter()
    for log in (log for one in seeds for log in unlike_logs(one)):
        path = tmp_path / "outing.csv"
        path.write_bytes(log.write())
        verdicts = judged(starter_sheets(path)["car.toml"], log)
        assert set(verdicts.values()) <= {"right", "unit asked", "asked"}, (log.language, verdicts)
        found.update(verdicts.values())
    assert found["right"] + found["unit asked"] >= 0.95 * found.total(), found
    assert found["right"] >= 0.85 * found.total(), found
