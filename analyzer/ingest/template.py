"""Sheets to fill in, written from a log: the channels as guessed, everything else marked to be measured."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Final

from analyzer.core.constants import CORNERS
from analyzer.core.errors import AnalyzerError, one_line
from analyzer.core.files import write_together, write_whole
from analyzer.ingest.channels import ChannelGuess, Guesses, guess_channels, require_any
from analyzer.sheets.car import CHANNEL_DIMENSIONS
from analyzer.sheets.read import TO_MEASURE

MEASURE: Final = TO_MEASURE
GUESSED: Final = "GUESS"
"""Mark of what was read off the log."""

_UNIT_WHEN_UNKNOWN: Final = {
    "length": "mm",
    "acceleration": "g",
    "angular_rate": "deg/s",
    "speed": "km/h",
    "angle": "deg",
}

_CAR: Final = """\
# Car sheet, started from the log {log}.
# Every value marked {measure} is a placeholder: measure it before you believe a result.
# Lines marked {guess} were read off the log; the reason stands behind.
name = "{name}" # {measure}: name your car

[mass]
corner_loads = {{ FL = "330 kgf", FR = "330 kgf", RL = "285 kgf", RR = "285 kgf" }} # {measure}: driver in
unsprung = {{ front = "76 kg", rear = "88 kg" }} # {measure}: both wheels, half the links
cg_height = "0.47 m ± 0.03 m" # {measure}: whole car, above ground
wheelbase = "2.55 m" # {measure}
{axles}
[logger]
{logger}
[logger.channels]
{channels}
[logger.imu]
position = {{ x = "0 m", y = "0 m", z = "0 m" }} # {measure}: from the sprung CG; forward, left, up
"""

_AXLE: Final = """
[{axle}]
track_width = "1.52 m" # {measure}
roll_centre_height = "45 mm" # {measure}: at static ride height
wheel_radius = "0.31 m" # {measure}
spring = {{ rate = "8 kgf/mm", motion_ratio = 0.95 }} # {measure}: damper travel / wheel travel
damper = {{ bump_stop_gap = "40 mm", full_bump = "60 mm", full_droop = "70 mm" }} # {measure}: from static
[{axle}.bar]
kind = "none" # {measure}: "bladed" with its dimensions, analyzer docs sheets
"""

_SESSION: Final = """\
# Session sheet, started from the log {log}.
# Copy {log} beside this sheet. Add a set-up for each state of the car and a run for each log.
name = "{name}" # {measure}: name the session
car = "car.toml"

[setups.A]
notes = "as driven" # {measure}: front_bar = {{ hole = 1, spacers = 0 }} once the car sheet has the bar

[[runs]]
name = "{name}"
logs = ["{log}"]
setup = "A"
# level = ["0 s", "2 s"] # state where the car stands or runs level, for the pots' zero
"""


def starter_sheets(log: Path) -> dict[str, str]:
    """Return the texts of a car sheet and a session sheet for the log at `log`.

    The sheets are valid as they stand. What could not be told from the log is a placeholder marked
    `MEASURE`; what was guessed is marked `GUESSED` with its reason.

    Returns
    -------
    dict
        File name -> text: ``car.toml`` and ``session.toml``.

    Raises
    ------
    LogError
        When no table is found in the log, or none of its columns could be recognised.
    """
    guesses = guess_channels(log)
    require_any(guesses, log)
    name = quoted(log.name.split(".")[0] or "run")
    axles = "".join(_AXLE.format(axle=axle, measure=MEASURE) for axle in ("front", "rear"))
    car = _CAR.format(
        log=comment(log.name),
        name=name,
        measure=MEASURE,
        guess=GUESSED,
        axles=axles,
        logger=_logger_lines(guesses),
        channels=_channel_lines(guesses),
    )
    session = _SESSION.format(log=quoted(log.name), name=name, measure=MEASURE)
    return {"car.toml": car, "session.toml": session}


def quoted(text: str) -> str:
    """Return `text` for use within TOML's double quotes."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return "".join(c if c.isprintable() else f"\\u{min(ord(c), 0xFFFD):04X}" for c in escaped)


def comment(text: str) -> str:
    """Return `text` for use behind ``#``: one printable line."""
    return one_line(text, 160)


def _logger_lines(guesses: Guesses) -> str:
    lines = [f"# {comment(note)}" for note in guesses.notes]
    if guesses.time_column is None:
        lines.append(f'sample_rate = "100 Hz" # {MEASURE}: the log has no time column; state its rate')
    return "".join(line + "\n" for line in lines)


def _channel_lines(guesses: Guesses) -> str:
    found = {guess.house: guess for guess in guesses.channels}
    lines = []
    if guesses.time_column is not None:
        unit = f', unit = "{guesses.time_unit}"' if guesses.time_unit else ""
        lines.append(
            f'time = {{ column = "{quoted(guesses.time_column)}"{unit} }} # {GUESSED}: '
            f"{comment(guesses.time_reason)}"
        )
    for house in CHANNEL_DIMENSIONS:
        if house in found:
            lines.append(_channel_line(found[house]))
    missing = [f"damper_{corner}" for corner in CORNERS if f"damper_{corner}" not in found]
    missing += [name for name in ("accel_x", "accel_y", "accel_z") if name not in found]
    lines += [f'# {name} = {{ column = "…" }} # {MEASURE}: no column could be recognised' for name in missing]
    if guesses.unused:
        listed = ", ".join(comment(name) for name in guesses.unused[:40])
        lines.append(f"# columns left over: {comment(listed)}")
    return "".join(line + "\n" for line in lines)


def _channel_line(guess: ChannelGuess) -> str:
    column = quoted(guess.column)
    reason = comment(guess.reason)
    if guess.in_volts and guess.house.startswith("damper_"):
        ends = "[410, 3686]" if guess.in_counts else "[0.5, 4.5]"
        pairs = f'volts = {ends}, travel = ["-75 mm", "75 mm"]'
        return (
            f'{guess.house} = {{ column = "{column}", {pairs} }} # {GUESSED}: {reason}; {MEASURE}: '
            "the calibration, two readings and the travel at each"
        )
    if guess.in_volts:
        return f'# {guess.house} = {{ column = "{column}" }} # {GUESSED}: {reason}; {MEASURE}: it is in volts'
    dimension = CHANNEL_DIMENSIONS[guess.house]
    if not guess.unit:
        unit = _UNIT_WHEN_UNKNOWN[dimension]
        return (
            f'{guess.house} = {{ column = "{column}", unit = "{unit}" }} # {GUESSED}: {reason}; '
            f"{MEASURE}: the unit is not told by the log"
        )
    return f'{guess.house} = {{ column = "{column}", unit = "{quoted(guess.unit)}" }} # {GUESSED}: {reason}'


# Begin a session folder from one log: the work behind ``analyzer start``.


def start_folder(folder: Path, log: Path) -> list[Path]:
    """Write sheets to fill in to `folder`, channels guessed from `log`, and copy the log beside them.

    Returns
    -------
    list of Path
        What was written, the sheet to begin with first.

    Raises
    ------
    AnalyzerError
        When a file is there already (nothing is overwritten) or the log cannot be read.
    """
    sheets = starter_sheets(log)
    copy = folder / log.name
    beside = copy.exists() and copy.samefile(log)
    for name in [*sheets, *([] if beside else [log.name])]:
        if (folder / name).exists():
            raise AnalyzerError(f"{folder / name}: is there already; name an empty or new folder")
    contents = {folder / name: text.encode() for name, text in sheets.items()}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not beside:
            # A log may be larger than memory.
            write_whole(copy, lambda part: shutil.copyfile(log, part))
        write_together(dict(reversed(contents.items())))
    except OSError as error:
        reason = error.strerror or "cannot be written"
        raise AnalyzerError(f"{one_line(str(folder), 200)}: {reason}; name a folder elsewhere") from None
    return [*contents, *([] if beside else [copy])]
