"""A small second session whose logs have the usual faults, for learning what the checks say."""

from __future__ import annotations

from typing import Final

import numpy as np

from analyzer.demo.car import Floats
from analyzer.demo.sensors import COLUMNS, UNITS, VOLT_STEP
from analyzer.demo.session import Driven

EVERY: Final = 2
"""The fault logs keep every second sample: 100 Hz."""

GAP: Final = (16.0, 17.2)
"""Rows missing in the first log [s]."""

SPIKES: Final = ((12.41, "RL pot"), (27.83, "RL pot"))
"""Single samples at full scale in the first log."""

STUCK_FROM: Final = 14.0
"""From here the rear left sensor of the second log repeats one value [s]."""

CLIP: Final = 0.6
"""The second log's lateral accelerometer ends here [g]."""

FAULT_SESSION: Final = """\
# Two logs with the usual faults.
#   f01: lines before the table, a units row, semicolons; FR pot wired backwards; a gap; spikes on the RL pot
#   f02: RL pot stuck from 14 s on; lateral acceleration saturated at 0.6 g
name = "Kettle Yard, logs with faults"
car = "car.toml"
course = "course.toml"

[setups.A]
front_bar = { hole = 3, spacers = 0 }
rear_bar = { hole = 2, spacers = 1 }

[[runs]]
name = "f01"
logs = ["f01.csv.gz"]
setup = "A"
conditions = { notes = "exported with notes on top" }

[[runs]]
name = "f02"
logs = ["f02.csv.gz"]
setup = "A"
"""

PREAMBLE: Final = """\
Session;Evening practice
Place;Kettle Yard
Car;Teal coupe
Logged channels;15
Rate;100 Hz

"""


def fault_logs(driven: Driven) -> dict[str, str]:
    """Return the fault logs as text by file name (without .gz), from the first two runs of a session."""
    return {
        "f01.csv": _first(driven.logs[0][::EVERY].copy()),
        "f02.csv": _second(driven.logs[1][::EVERY].copy()),
    }


def _column(name: str) -> int:
    return list(COLUMNS).index(name)


def _first(table: Floats) -> str:
    """Preamble, units row, semicolons; one pot backwards, a gap, spikes."""
    right = _column("FR pot")
    table[:, right] = 5.0 - VOLT_STEP - table[:, right]
    time = table[:, 0]
    for when, name in SPIKES:
        table[int(np.argmin(np.abs(time - when))), _column(name)] = 5.0 - VOLT_STEP
    table = table[(time < GAP[0]) | (time >= GAP[1])]
    return PREAMBLE + _lines(table, ";", units=True)


def _second(table: Floats) -> str:
    """One pot stuck, one accelerometer saturated."""
    stuck, lateral = _column("RL pot"), _column("LatG")
    begin = int(np.searchsorted(table[:, 0], STUCK_FROM))
    table[begin:, stuck] = table[begin, stuck]
    table[:, lateral] = np.clip(table[:, lateral], -CLIP, CLIP)
    return _lines(table, ",", units=False)


def _lines(table: Floats, separator: str, units: bool) -> str:
    form = separator.join(COLUMNS.values())
    lines = [separator.join(COLUMNS)]
    if units:
        lines.append(separator.join(UNITS))
    lines += [form % tuple(row) for row in table.tolist()]
    return "\n".join(lines) + "\n"
