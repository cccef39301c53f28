"""Runs of a review, their hits and their channels as data frames that say the unit of every column."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

import pandas as pd

from analyzer.core.errors import AnalyzerError, one_line, plain_text
from analyzer.core.estimate import Estimate
from analyzer.core.files import write_whole
from analyzer.core.units import AXLES, DIMENSIONS
from analyzer.sheets.car import CHANNEL_DIMENSIONS

if TYPE_CHECKING:
    from analyzer.ingest.recording import Recording
    from analyzer.processing.results import BottomingEvent, RunEstimates
    from analyzer.sheets.session import Run


def save_excel(frames: dict[str, pd.DataFrame], path: Path) -> None:
    """Write data frames to one Excel file, a sheet each, and a last sheet with the units of their columns.

    Raises
    ------
    AnalyzerError
        When openpyxl is not installed, the name does not end in .xlsx, or the file cannot be written.
    """
    if path.suffix.lower() != ".xlsx":
        raise AnalyzerError(one_line(f"{path}: does not end in .xlsx; name another file"))
    try:
        import openpyxl  # noqa: F401  (pandas asks for it in several lines)
    except ImportError:
        raise AnalyzerError(
            'an Excel file needs openpyxl, which is not installed; pip install "drift-bar-analyzer[excel]"'
        ) from None
    units = pd.DataFrame(
        [
            (name, column, unit)
            for name, frame in frames.items()
            for column, unit in frame.attrs[UNITS].items()
        ],
        columns=["sheet", "column", "unit"],
    ).set_index("sheet")

    def fill(whole: Path) -> None:
        with whole.open("wb") as file, pd.ExcelWriter(file, engine="openpyxl") as writer:
            for name, frame in {**frames, UNITS: units}.items():
                # Names are those of logs and sheets: control signs in them would break the file.
                clean = frame.map(lambda cell: plain_text(cell) if isinstance(cell, str) else cell)
                clean.to_excel(writer, sheet_name=name, index=frame.index.name is not None)
            # What begins with "=" is somebody's words here, never a formula.
            for sheet in writer.book.worksheets:
                for cell in (cell for row in sheet.iter_rows() for cell in row if cell.data_type == "f"):
                    cell.data_type = "s"

    try:
        write_whole(path, fill)
    except OSError as error:
        raise AnalyzerError(
            one_line(f"{path}: {error.strerror or 'cannot be written'}; name a file elsewhere")
        ) from None


UNITS: Final = "units"
"""Key of ``DataFrame.attrs`` under which the unit of every column with one stands."""

_EVENT_UNITS: Final = {
    **dict.fromkeys(("start_s", "peak_s", "end_s"), "s"),
    **dict.fromkeys(("peak", "peak_error", "stop_compression", "distance"), "m"),
    **dict.fromkeys(("approach_speed", "speed"), "m/s"),
    "bank": "rad",
    "lateral_kept": "1",
    **dict.fromkeys(("jolt", "vertical_acceleration"), "m/s2"),
    **dict.fromkeys(("heave", "roll", "pitch", "warp"), "m"),
    **dict.fromkeys(("cause_vertical_load", "cause_roll", "cause_pitch", "cause_warp", "cause_road"), "m"),
}
_EVENT_WORDS: Final = ("run", "setup", "corner", "section", "kind")
_EVENT_COLUMNS: Final = (*_EVENT_WORDS, "hard", "seen", *_EVENT_UNITS)
_NUMBER_AND_UNIT: Final = re.compile(r"([-+]?\d++(?:[.,]\d++)?)([^\d]*+)")
_HIT: Final = "bump stop"

_DISPLAY: Final = {
    "length": "mm",
    "acceleration": "g",
    "angular_rate": "deg/s",
    "speed": "km/h",
    "angle": "deg",
}
"""Units in which a channel is shown; all else stays SI."""


def channel_frame(
    recording: Recording, units: Literal["display", "si"] = "si", suspect_as_missing: bool = False
) -> pd.DataFrame:
    """Return the channels of one run on its time base.

    Parameters
    ----------
    recording : Recording
        The run.
    units : str
        ``si``, or ``display`` for mm, g, deg/s, km/h and deg.
    suspect_as_missing : bool
        Suspect samples (mask True) become missing values; else they stand as they were logged.

    Returns
    -------
    DataFrame
        A copy, shape (samples, channels), index ``time_s`` [s]. ``attrs["units"]`` maps columns whose
        unit is known to units.

    Raises
    ------
    AnalyzerError
        When `units` is neither.
    """
    if units not in ("display", "si"):
        raise AnalyzerError(f'units are "display" or "si", not "{units}"')
    # The unit of a channel that the house does not know is not known either.
    kinds = {name: CHANNEL_DIMENSIONS[name] for name in recording.data.columns if name in CHANNEL_DIMENSIONS}
    told = {name: DIMENSIONS[kind].si for name, kind in kinds.items()}
    frame = recording.data.copy()
    if suspect_as_missing:
        frame = frame.mask(recording.suspect)
    if units == "display":
        for name, kind in kinds.items():
            if kind in _DISPLAY:
                told[name] = _DISPLAY[kind]
                frame[name] /= DIMENSIONS[kind].log_units[told[name]]
    frame.attrs[UNITS] = told
    return frame


def event_frame(runs: Sequence[RunEstimates]) -> pd.DataFrame:
    """Return one row per contact of a damper with its bump stop or with full droop, run after run.

    Parameters
    ----------
    runs : sequence of RunEstimates
        In the order of the session.

    Returns
    -------
    DataFrame
        Fields of `BottomingEvent`, its budget and causes, in SI; what is unknown is missing.
        ``attrs["units"]`` maps columns to units.
    """
    rows = [
        {"run": run.name, "setup": run.setup, **_event(event)}
        for run in runs
        for event in (*run.bottoming, *run.topping)
    ]
    frame = pd.DataFrame(rows, columns=list(_EVENT_COLUMNS))
    # A column of which nothing is known has a type all the same.
    kinds = {**dict.fromkeys(_EVENT_WORDS, "str"), "hard": "bool", "seen": "boolean"}
    frame = frame.astype({**kinds, **dict.fromkeys(_EVENT_UNITS, "float64")})
    frame.attrs[UNITS] = dict(_EVENT_UNITS)
    return frame


def _event(event: BottomingEvent) -> dict[str, Any]:
    row: dict[str, Any] = {name: getattr(event, name, None) for name in _EVENT_COLUMNS[2:]}
    if event.budget is not None:
        row |= {mode: getattr(event.budget, mode) for mode in ("heave", "roll", "pitch", "warp")}
        row |= {f"cause_{cause.replace(' ', '_')}": travel for cause, travel in event.budget.causes.items()}
    return row


def run_frame(runs: Sequence[RunEstimates], sheet: Sequence[Run]) -> pd.DataFrame:
    """Return one row per run: its figures with their errors, its hits, and its conditions.

    Parameters
    ----------
    runs : sequence of RunEstimates
        Those that could be used.
    sheet : sequence of Run
        Entries of the session sheet, for the conditions.

    Returns
    -------
    DataFrame
        Index ``run``. Behind each figure stands its standard error, repeatability and calibration together,
        as ``…_error``; what is unknown is missing. A condition is a number where all runs state it as a
        number of one unit, else the sheet's words. ``attrs["units"]`` maps columns to units.
    """
    units: dict[str, str] = {}
    rows = []
    for run in runs:
        row: dict[str, Any] = {"setup": run.setup}
        for name, estimate in _figures(run).items():
            row |= {name: estimate.value, f"{name}_error": estimate.total_error}
            units |= {name: estimate.unit, f"{name}_error": estimate.unit}
        hits = [event for event in run.bottoming if event.kind == _HIT]
        rows.append({**row, "hits": len(hits), "hard_hits": sum(event.hard for event in hits)})
    index = pd.Index([run.name for run in runs], name="run", dtype="str")
    # Not every run has every figure; counts and conditions come behind all of them.
    frame = pd.DataFrame(rows, index=index, columns=["setup", *units, "hits", "hard_hits"])
    frame = frame.astype(dict.fromkeys(units, "float64"))
    told = {run.name: run.conditions for run in sheet}
    for key in dict.fromkeys(key for name in index for key in told.get(name, {})):
        words = [told.get(name, {}).get(key) for name in index]
        numbers = _numbers(words)
        frame[f"condition_{key}"] = words if numbers is None else numbers[0]
        if numbers is not None:
            units[f"condition_{key}"] = numbers[1]
    frame.attrs[UNITS] = units
    return frame


def _numbers(words: Sequence[str | None]) -> tuple[list[float], str] | None:
    """Return what was written as numbers and their one unit; None when some are words or units differ."""
    found = [None if word is None else _NUMBER_AND_UNIT.fullmatch(word.strip()) for word in words]
    if any(word is not None and hit is None for word, hit in zip(words, found, strict=True)):
        return None
    units = {hit[2].strip() for hit in found if hit is not None}
    if len(units) != 1:
        return None
    return [math.nan if hit is None else float(hit[1].replace(",", ".")) for hit in found], units.pop()


def _figures(run: RunEstimates) -> dict[str, Estimate]:
    named = {
        f"{start}_{key}": estimate
        for start in ("roll_gradient", "roll_gradient_body")
        for key, estimate in getattr(run, start).items()
    }
    for axle in AXLES:
        if axle in run.load_share:
            share = run.load_share[axle]
            parts = ("left_share", "lowest_load", "evenness", "light_time")
            named |= {f"{part}_{axle}": getattr(share, part) for part in parts}
    return named | run.further
