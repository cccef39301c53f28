"""Sheets to fill in, written from a log: the channels as guessed, everything else marked to be measured."""

from __future__ import annotations

import filecmp
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from analyzer.core.constants import CORNERS
from analyzer.core.errors import AnalyzerError, one_line
from analyzer.core.files import write_together, write_whole
from analyzer.ingest.channels import ChannelGuess, Guesses, guess_channels
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

_WANTED: Final = (
    *(f"damper_{corner}" for corner in CORNERS),
    *(f"accel_{axis}" for axis in "xyz"),
    "gyro_x",
    "speed",
)
"""Channels that a line waits for in the sheet where the log was not understood."""

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
spring = {{ rate = "60 N/mm", motion_ratio = 0.95 }} # {measure}: damper travel / wheel travel
damper = {{ bump_stop_gap = "40 mm", full_bump = "60 mm", full_droop = "70 mm" }} # {measure}: from static

# A tube with a blade at each end. For a bar bent from one piece use the lines behind #: instead; for an axle
# without a bar kind = "none" alone. Loads hung on a link eye beat any drawing: analyzer docs bars
[{axle}.bar]
kind = "bladed" # {measure}: "bladed", "formed" or "none"
motion_ratio = 0.50 # {measure}: link travel at the bar / wheel travel
tube.material = "4130" # {measure}
tube.outside_diameter = "27 mm" # {measure}
tube.wall = "2.5 mm" # {measure}: no such line where it is solid
tube.length = "0.88 m" # {measure}: between the middles of the blades
mounts.spacing = "0.76 m" # {measure}: between the middles of the bearings
blade.material = "spring steel" # {measure}
blade.depth = "35 mm" # {measure}: side along the link's force
blade.thickness = "7 mm" # {measure}: side along the tube
blade.root = "18 mm" # {measure}: tube axis to where the blade is free to bend
holes = ["228 mm", "210 mm", "192 mm"] # {measure}: tube axis to each hole, outermost first
spacer = {{ thickness = "6 mm", side = "outboard", most = 0 }} # {measure}: of one; most = room for how many
bolt = {{ diameter = "10 mm", material = "bolt 10.9" }} # {measure}: carries the rod end
#: kind = "formed" # {measure}
#: motion_ratio = 0.50 # {measure}: link travel at the bar / wheel travel
#: material = "spring steel" # {measure}
#: outside_diameter = "25 mm" # {measure}
#: wall = "3 mm" # {measure}: no such line where the bar is solid
#: mounts = {{ left = "0.39 m", right = "-0.39 m" }} # {measure}: place across the car, left positive
#: points = [ # {measure}: corners of the centre line, left link eye to right one; forward, left, up
#:   {{ x = "-0.24 m", y = "0.52 m", z = "0 m" }},
#:   {{ x = "0 m", y = "0.48 m", z = "0 m", bend_radius = "50 mm" }},
#:   {{ x = "0 m", y = "-0.48 m", z = "0 m", bend_radius = "50 mm" }},
#:   {{ x = "-0.24 m", y = "-0.52 m", z = "0 m" }},
#: ]
"""

_SESSION: Final = """\
# Session sheet, started from the log {log}.
# Copy {log} beside this sheet. Add a set-up for each state of the car and a run for each log.
name = "{name}" # {measure}: name the session
car = "car.toml"

[setups.A]
notes = "as driven"
# A hole counts from the outermost one; "off" where the links hang free; no such line for a bent bar or none.
front_bar = {{ hole = 1, spacers = 0 }} # {measure}
rear_bar = {{ hole = 1, spacers = 0 }} # {measure}

[[runs]]
name = "{name}"
logs = ["{log}"]
setup = "A"
# level = ["0 s", "2 s"] # state where the car stands or runs level, for the pots' zero
"""


def starter_bar(kind: str) -> str:
    """Return the keys of a bar as a starter sheet has them; `kind` is ``bladed``, ``formed`` or ``none``."""
    lines = _AXLE.format(axle="", measure=MEASURE).partition(".bar]\n")[2].splitlines(keepends=True)
    if kind == "formed":
        return "".join(line.removeprefix("#: ") for line in lines if line.startswith("#: "))
    bladed = "".join(line for line in lines if not line.startswith("#: "))
    return bladed if kind == "bladed" else 'kind = "none"\n'


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
        When no table is found in the log.
    """
    return _sheets_for(log, guess_channels(log))


def _sheets_for(log: Path, guesses: Guesses) -> dict[str, str]:
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
        lines.append(
            f'# sample_rate = "… Hz" # {MEASURE}: the log has no time column; state the rows a second that '
            "the logger was set to"
        )
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
    missing = [name for name in CHANNEL_DIMENSIONS if name in _WANTED and name not in found]
    lines += [
        f'# {name} = {{ column = "…", unit = "{_UNIT_WHEN_UNKNOWN[CHANNEL_DIMENSIONS[name]]}" }} '
        f"# {MEASURE}: no column could be recognised"
        for name in missing
    ]
    if guesses.unused:
        lines.append("# Columns that nothing was made of; put a name into the line above where it belongs:")
        lines += [f'#   "{quoted(name)}"' for name in guesses.unused]
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


@dataclass(frozen=True, slots=True)
class Started:
    """What was written to begin a session.

    Parameters
    ----------
    written : tuple of Path
        The files, the sheet to begin with first.
    recognised : tuple of str
        House channels for which a column was found, time apart.
    left_over : int
        Columns that nothing was made of; the car sheet lists them.
    """

    written: tuple[Path, ...]
    recognised: tuple[str, ...]
    left_over: int


def start_folder(folder: Path, log: Path) -> Started:
    """Write sheets to fill in to `folder`, channels guessed from `log`, and copy the log beside them.

    Returns
    -------
    Started
        What was written and recognised.

    Raises
    ------
    AnalyzerError
        When a file is there already (nothing is overwritten) or the log cannot be read.

    Notes
    -----
    A folder that was left half made, by a kill say, is completed: files that are there as they would be
    written are no obstacle, as long as one is missing.
    """
    guesses = guess_channels(log)
    sheets = _sheets_for(log, guesses)
    copy = folder / log.name
    beside = copy.exists() and copy.samefile(log)
    contents = {folder / name: text.encode() for name, text in sheets.items()}
    done = [path for path, content in contents.items() if _holds(path, content)]
    copied = beside or (copy.is_file() and filecmp.cmp(log, copy, shallow=False))
    whole = copied and len(done) == len(contents)
    for path in [*contents, *([] if beside else [copy])]:
        if path.exists() and (whole or not (path in done or (path == copy and copied))):
            raise AnalyzerError(f"{path}: is there already; name an empty or new folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not copied:
            # A log may be larger than memory.
            write_whole(copy, lambda part: shutil.copyfile(log, part))
        missing = {path: content for path, content in contents.items() if path not in done}
        write_together(dict(reversed(missing.items())))
    except OSError as error:
        reason = error.strerror or "cannot be written"
        raise AnalyzerError(f"{one_line(str(folder), 200)}: {reason}; name a folder elsewhere") from None
    house = tuple(guess.house for guess in guesses.channels)
    return Started((*contents, *(() if beside else (copy,))), house, len(guesses.unused))


def _holds(path: Path, content: bytes) -> bool:
    """Return whether a file is there with just this content."""
    return path.is_file() and path.stat().st_size == len(content) and path.read_bytes() == content
