"""The pollution kinds of a published benchmark of CSV loaders, put into each line of a log in turn.

Kinds after Vitagliano et al., "Pollock: A Data Loading Benchmark", PVLDB 16(8), 2023 (from memory):
delimiters, quotes, escapes, record ends, header lines, missing and extra fields in any row, several tables,
leading and trailing lines. Of each file the log must give the same numbers, or a health row that names the
line, or a refusal.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from ingest.helpers import car_with
from ingest.messes import LATERAL, LEFT, PLAIN, PLAIN_MAP, ROWS

from analyzer.core.errors import LogError
from analyzer.core.units import STANDARD_GRAVITY
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Verdict

LINES = PLAIN.splitlines()
TRUTH = {
    "damper_FL": np.array(LEFT) / 1000.0,
    "damper_FR": -np.array(LEFT) / 1000.0,
    "accel_y": np.array(LATERAL) * STANDARD_GRAVITY,
}

IN_A_LINE: dict[str, Callable[[str], str]] = {
    "semicolons": lambda line: line.replace(",", ";"),
    "tabs": lambda line: line.replace(",", "\t"),
    "blank after the comma": lambda line: line.replace(",", ", "),
    "blanks as delimiter": lambda line: line.replace(",", " "),
    "one delimiter doubled": lambda line: line.replace(",", ",,", 1),
    "delimiter at the end": lambda line: line + ",",
    "delimiter at the start": lambda line: "," + line,
    "two extra fields": lambda line: line + ",1,2",
    "last field missing": lambda line: line.rpartition(",")[0],
    "first field missing": lambda line: line.partition(",")[2],
    "fields emptied": lambda line: ",".join(line.split(",")[:1] + [""] * (len(line.split(",")) - 1)),
    "all fields missing": lambda line: "",
    "all fields quoted": lambda line: ",".join(f'"{cell}"' for cell in line.split(",")),
    "single quotes": lambda line: ",".join(f"'{cell}'" for cell in line.split(",")),
    "whole line quoted": lambda line: f'"{line}"',
    "quote opened": lambda line: '"' + line,
    "quote opened within": lambda line: line.replace(",", ',"', 1),
    "quote within a cell": lambda line: line[:3] + '"' + line[3:],
    "delimiter escaped": lambda line: line.replace(",", "\\,"),
    "backslash at the end": lambda line: line + "\\",
    "decimal comma": lambda line: line.replace(".", ","),
    "line end CRLF": lambda line: line + "\r",
    "line end doubled": lambda line: line + "\n",
    "written twice": lambda line: line + "\n" + line,
    "line joined to the next": lambda line: line + "\x00",
    "comment before": lambda line: "# note\n" + line,
    "text before": lambda line: "note: the car was refuelled, then driven\n" + line,
    "header again before": lambda line: LINES[0] + "\n" + line,
    "units again before": lambda line: "s,mm,mm,g\n" + line,
    "table of another shape before": lambda line: "a,b\n1,2\n3,4\n" + line,
}

WHOLE_FILES: dict[str, str] = {
    "no rows": LINES[0] + "\n",
    "nothing": "",
    "no header": "\n".join(LINES[1:]) + "\n",
    "header twice": LINES[0] + "\n" + PLAIN,
    "header of two lines": "Time [s],pot,pot,IMU\n" + PLAIN,
    "blank line first": "\n" + PLAIN,
    "blank line under the header": PLAIN.replace("\n", "\n\n", 1),
    "no line end at the end": PLAIN.rstrip("\n"),
    "blank lines at the end": PLAIN + "\n\n\n",
    "blank fields at the end": PLAIN + ",,,\n",
    "second table": PLAIN + "\nTime [s],Speed [km/h]\n0.00,10\n0.01,11\n",
    "second table of the same width": PLAIN + "\nLap,Best,Worst,Mean\n1,2,3,4\n2,3,4,5\n",
    "single quotes": "\n".join(",".join(f"'{c}'" for c in line.split(",")) for line in LINES) + "\n",
    "backslash escapes": PLAIN.replace("FL pot", 'FL \\"pot\\"'),
    "delimiter of two signs": PLAIN.replace(",", ",,"),
}


def judge(data: str, folder: Path, line: int | None) -> str:
    """Return what came of a file; fails when numbers are wrong and no row names the line."""
    path = folder / "log.csv"
    path.write_bytes(data.encode())
    try:
        recording = read_recording("r", [path], car_with(PLAIN_MAP, zero="calibration"))
    except LogError as error:
        return "refused in several lines" if "\n" in str(error) else "refused"
    told = [row for row in recording.health if row.verdict in (Verdict.SUSPECT, Verdict.BAD)]
    told = [row for row in told if row.check not in ("missing", "sample rate")]
    place = recording.data.index.to_numpy() * 100.0
    same = recording.sample_rate == pytest.approx(100.0) and len(recording.data) == ROWS
    absent = {row.channel for row in recording.health if row.check == "missing"} & TRUTH.keys()
    for name, truth in TRUTH.items():
        if name in absent:
            continue
        good = ~recording.suspect[name].to_numpy()
        expected = np.interp(place[good], np.arange(ROWS), truth)
        assert np.allclose(recording.data[name].to_numpy()[good], expected, atol=1e-9), f"{name} is wrong"
        same = same and bool(good.all())
    if absent:
        return "told"
    if same:
        return "same"
    if data.count("\n\n") and len(recording.data) == ROWS - 1:
        return "same"  # a blank line for the first or last sample: the log is one sample shorter
    assert told, "numbers are missing and nothing is said"
    if line is not None:
        named = {
            int(n)
            for row in told
            for n in re.findall(r"\d+", row.comment)
            if row.check.startswith("unreadable")
        }
        gap = any(row.check in ("gap", "rows without time") for row in told)
        assert gap or named & set(range(line, line + 5)), [row.comment for row in told]
    return "told"


@pytest.mark.parametrize("kind", IN_A_LINE)
def test_pollution_in_each_line(kind: str, tmp_path: Path) -> None:
    outcomes = []
    for index in range(len(LINES)):
        lines = [*LINES[:index], IN_A_LINE[kind](LINES[index]), *LINES[index + 1 :]]
        joined = "\n".join(lines).replace("\x00\n", "") + "\n"
        outcomes.append(judge(joined, tmp_path, index + 1))
    # Damage to one data line must not cost the whole log.
    assert "refused in several lines" not in outcomes
    assert "refused" not in outcomes[2:] or kind == "table of another shape before"


@pytest.mark.parametrize("kind", WHOLE_FILES)
def test_pollution_of_the_file(kind: str, tmp_path: Path) -> None:
    outcome = judge(WHOLE_FILES[kind], tmp_path, None)
    assert (outcome == "refused") == (kind in ("no rows", "nothing", "no header", "single quotes"))
