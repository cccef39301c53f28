"""Sheets to fill in, written from a log: the channels as guessed, everything else marked to be measured."""

import filecmp
import re
import shutil
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import takewhile
from pathlib import Path
from typing import Final

from analyzer.core.errors import AnalyzerError, one_line
from analyzer.core.files import write_together, write_whole
from analyzer.core.units import AXLES, CORNERS, Axle
from analyzer.ingest.channels import ChannelGuess, Guesses, guess_channels, joined
from analyzer.ingest.open import Progress, reading_of
from analyzer.ingest.table import bare_name
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
# Car sheet, started {origin}.
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
{suspension}track_width = "1.52 m" # {measure}
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
#: points = [
#:   {{ x = "-0.24 m", y = "0.52 m", z = "0 m" }},
#:   {{ x = "0 m", y = "0.48 m", z = "0 m", bend_radius = "50 mm" }},
#:   {{ x = "0 m", y = "-0.48 m", z = "0 m", bend_radius = "50 mm" }},
#:   {{ x = "-0.24 m", y = "-0.52 m", z = "0 m" }},
#: ] # {measure}: corners of the centre line, left link eye to right one; forward, left, up
"""

STARTER_COURSE: Final = f"""\
# Course sheet: its sections in driving order. Distances count from where the car starts to move.
name = "course" # {MEASURE}: name the course

[[sections]]
name = "first section" # {MEASURE}
start = "0 m" # {MEASURE}
end = "50 m" # {MEASURE}
"""
"""Of a course that nobody has walked along yet."""

_SESSION: Final = """\
# Session sheet, started {origin}.
# A [setups.NAME] for each state of the car, a [[runs]] for each run; the logs lie beside this sheet.
name = "{name}" # {measure}: name the session
car = "car.toml"
{setups}{runs}"""

_SETUP: Final = """
[setups.{letter}]
notes = "as driven"
# A hole counts from the outermost one; "off" where the links hang free; no such line for a bent bar or none.
{bars}"""

_RUN: Final = """
[[runs]]
name = "{name}"
logs = [{logs}]{remark}
setup = "{setup}"
# level = ["0 s", "2 s"] # state where the car stands or runs level, for the pots' zero
"""

_SOLID: Final = """\
suspension = "solid axle"
spring_base = "1.00 m" # {measure}: between left and right spring
"""


_HOLES: Final = re.compile(r"(?m)^holes = \[[^\]\n]*\]")
BAR_KINDS: Final = ("bladed", "formed", "none")


@dataclass(frozen=True, slots=True)
class AxleAnswer:
    """What is known of an axle without a tape measure.

    Parameters
    ----------
    suspension : str
        ``independent`` or ``solid axle``.
    bar : str or None
        One of `BAR_KINDS`; None where nobody was asked: a bladed one is filled in, a formed one commented.
    holes, spacers : int
        Of a bladed bar: holes of a blade, and spacers there is room for; spacers count only where `bar` is
        known.
    """

    suspension: str = "independent"
    bar: str | None = None
    holes: int = 3
    spacers: int = 0


@dataclass(frozen=True, slots=True)
class BarAnswer:
    """How a bladed bar was set in a set-up.

    Parameters
    ----------
    setup : str
        Name of the set-up.
    axle : {"front", "rear"}
        The axle.
    hole : int or None
        Counted from the outermost one, which is 1; None where the links hung free.
    spacers : int
        Spacers fitted.
    """

    setup: str
    axle: Axle
    hole: int | None
    spacers: int = 0


@dataclass(frozen=True, slots=True)
class Answers:
    """What a user said of the car and its runs.

    Parameters
    ----------
    front, rear : AxleAnswer
        The axles.
    setups : tuple of str
        Set-up of each run, in the order of the runs; "A" for those that are not named.
    bars : tuple of BarAnswer
        What is known of the bars in the set-ups; the others are marked.
    """

    front: AxleAnswer = AxleAnswer()
    rear: AxleAnswer = AxleAnswer()
    setups: tuple[str, ...] = ()
    bars: tuple[BarAnswer, ...] = ()


def starter_car() -> str:
    """Return a car sheet to fill in before there is any log: it has no channels yet."""
    return _car_text("without a log", "car", "", "", NOT_ASKED)


def starter_session() -> str:
    """Return a session sheet to fill in before there is any log: it has no runs yet."""
    setups = _SETUP.format(letter="A", bars=_setup_bars(NOT_ASKED, "A"))
    return _SESSION.format(origin="without a log", name="session", measure=MEASURE, setups=setups, runs="")


def _car_text(origin: str, name: str, logger: str, channels: str, answers: Answers) -> str:
    return _CAR.format(
        origin=origin,
        name=name,
        measure=MEASURE,
        guess=GUESSED,
        axles="".join(_axle_text(axle, getattr(answers, axle)) for axle in AXLES),
        logger=logger,
        channels=channels,
    )


def starter_bar(kind: str) -> str:
    """Return the keys of a bar as a starter sheet has them; `kind` is ``bladed``, ``formed`` or ``none``."""
    lines = (
        _AXLE.format(axle="", measure=MEASURE, suspension="")
        .partition(".bar]\n")[2]
        .splitlines(keepends=True)
    )
    if kind == "formed":
        return "".join(line.removeprefix("#: ") for line in lines if line.startswith("#: "))
    bladed = "".join(line for line in lines if not line.startswith("#: "))
    return bladed if kind == "bladed" else 'kind = "none"\n'


@dataclass(frozen=True, slots=True)
class Logs:
    """Logs of a day, sorted into runs.

    Parameters
    ----------
    runs : tuple of tuple of Path
        The logs of each run, one of each logger.
    guesses : Guesses
        Of all loggers together.
    by_logger : tuple of Guesses
        Of each logger alone.
    """

    runs: tuple[tuple[Path, ...], ...]
    guesses: Guesses
    by_logger: tuple[Guesses, ...]


SAME_LOGGER: Final = 0.5
"""Part of the columns of the log with fewer of them that two logs of one logger share at least: channels are
switched off and on between runs, a clock and a speed alone are what any two loggers share (engineering
judgement)."""
NOT_ASKED: Final = Answers()
SHEETS: Final = ("car.toml", "session.toml")
"""What is written, the sheet to begin with first."""


def sort_logs(logs: Sequence[Path], progress: Progress | None = None) -> Logs:
    """Return logs sorted into runs: a run for each log of the same columns, one log of each logger in it.

    `progress` is told which log is read and, of a long one, how far.

    Raises
    ------
    AnalyzerError
        When a log cannot be read, two bear the same name, or loggers have unlike numbers of logs, so that
        nothing says which belong together.
    """
    # Two folders may hold logs of one name; in the new folder one would overwrite the other.
    names: dict[str, Path] = {}
    for log in logs:
        if log.name in names:
            raise AnalyzerError(
                one_line(f"{log}: has the name of {names[log.name]}; both go to one folder, rename one")
            )
        names[log.name] = log
    loggers: list[list[tuple[Path, Guesses]]] = []
    tell = progress or (lambda _what, _done, _all: None)
    for done, log in enumerate(logs):
        with reading_of(tell, log.name, done, len(logs)):
            guesses = guess_channels(log)
        # Loggers are told apart by their columns; files of one logger stand in the order they were named,
        # which is how the n-th of each find together.
        own = next((group for group in loggers if _one_logger(group[0][1], guesses)), None)
        if own is None:
            loggers.append([(log, guesses)])
        else:
            own.append((log, guesses))
    if len({len(group) for group in loggers}) > 1:
        told = " and ".join(f"{len(group)} like {group[0][0].name}" for group in loggers)
        raise AnalyzerError(
            one_line(f"--from: {told} differ in columns; name as many logs of each logger, in order")
        )
    by_logger = tuple(_known_columns(group) for group in loggers)
    runs = tuple(zip(*([log for log, _ in group] for group in loggers), strict=True))
    return Logs(runs, joined(by_logger), by_logger)


def _known_columns(group: Sequence[tuple[Path, Guesses]]) -> Guesses:
    """Return the guesses of one logger: what any of its logs holds, and what is left over in all of them."""
    whole = joined([guesses for _, guesses in group])
    used = {guess.column for guess in whole.channels}
    left = dict.fromkeys(name for name in whole.unused if name not in used)
    return replace(whole, unused=tuple(left), notes=tuple(dict.fromkeys(whole.notes)))


def _one_logger(one: Guesses, other: Guesses) -> bool:
    names, others = _columns(one), _columns(other)
    return len(names & others) >= SAME_LOGGER * min(len(names), len(others))


def _columns(guesses: Guesses) -> set[str]:
    """Return the columns of a log but for its clock, which any logger may call so."""
    return {bare_name(guess.column) for guess in guesses.channels} | {
        bare_name(name) for name in guesses.unused
    }


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
    return _sheets_for(sort_logs([log]))


def _sheets_for(logs: Logs, answers: Answers = NOT_ASKED) -> dict[str, str]:
    first = logs.runs[0][0]
    name = quoted(_stem(first))
    origin = f"from the log {comment(first.name)}"
    car = _car_text(origin, name, _logger_lines(logs.guesses), _channel_lines(logs), answers)
    # Runs that nobody answered for are on set-up A: a session of one set-up asks nothing.
    letters = [*answers.setups, *["A"] * len(logs.runs)][: len(logs.runs)]
    session = _SESSION.format(
        origin=origin,
        name=name,
        measure=MEASURE,
        setups="".join(
            _SETUP.format(letter=letter, bars=_setup_bars(answers, letter))
            for letter in dict.fromkeys(letters)
        ),
        runs="".join(
            _RUN.format(
                name=run_name,
                logs=", ".join(f'"{quoted(log.name)}"' for log in run),
                setup=letter,
                remark=f" # {GUESSED}: they belong together in the order they were named" if run[1:] else "",
            )
            for run_name, run, letter in zip(_run_names(logs), logs.runs, letters, strict=True)
        ),
    )
    return dict(zip(SHEETS, (car, session), strict=True))


def _stem(log: Path) -> str:
    return log.name.split(".")[0] or "run"


def _run_names(logs: Logs) -> list[str]:
    stems = [_stem(run[0]) for run in logs.runs]
    alike = len(set(stems)) < len(stems)
    return [quoted(run[0].name if alike else stem) for run, stem in zip(logs.runs, stems, strict=True)]


def _axle_text(axle: Axle, answer: AxleAnswer) -> str:
    solid = _SOLID.format(measure=MEASURE) if answer.suspension == "solid axle" else ""
    text = _AXLE.format(axle=axle, measure=MEASURE, suspension=solid)
    if answer.bar is None:
        return text
    head, opening, _ = text.partition(f"[{axle}.bar]\n")
    body = starter_bar(answer.bar)
    if answer.bar == "bladed":
        # Placeholders, as far apart as those of the starter bar.
        holes = ", ".join(f'"{228 - 18 * place} mm"' for place in range(answer.holes))
        body = _HOLES.sub(f"holes = [{holes}]", body)
        body = body.replace("most = 0", f"most = {answer.spacers}")
    said = head[: head.index("\n# A tube with a blade")] + "\n"
    return f"{said}{opening}{body}"


def _setup_bars(answers: Answers, letter: str) -> str:
    said = {bar.axle: bar for bar in answers.bars if bar.setup == letter}
    lines = []
    for axle in AXLES:
        if getattr(answers, axle).bar not in (None, "bladed"):
            continue
        bar = said.get(axle)
        if bar is None:
            lines.append(f"{axle}_bar = {{ hole = 1, spacers = 0 }} # {MEASURE}\n")
        elif bar.hole is None:
            lines.append(f'{axle}_bar = "off"\n')
        else:
            lines.append(f"{axle}_bar = {{ hole = {bar.hole}, spacers = {bar.spacers} }}\n")
    return "".join(lines)


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


def _channel_lines(logs: Logs) -> str:
    guesses = logs.guesses
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
            lines.append(_of_file(_channel_line(found[house]), found[house], logs))
    missing = _waiting(found)
    lines += [
        f'# {name} = {{ column = "…", unit = "{_UNIT_WHEN_UNKNOWN[CHANNEL_DIMENSIONS[name]]}" }} '
        f"# {MEASURE}: no column could be recognised"
        for name in missing
    ]
    if guesses.unused:
        lines.append("# Columns that nothing was made of; put a name into the line above where it belongs:")
        lines += [f'#   "{quoted(name)}"' for name in guesses.unused]
    return "".join(line + "\n" for line in lines)


def _waiting(found: Collection[str]) -> tuple[str, ...]:
    """Return the channels that are wanted and not among those found."""
    return tuple(name for name in CHANNEL_DIMENSIONS if name in _WANTED and name not in found)


def _of_file(line: str, guess: ChannelGuess, logs: Logs) -> str:
    """Return a channel's line that says which logger's column is meant where several have that name."""
    having = [k for k, guesses in enumerate(logs.by_logger) if bare_name(guess.column) in _columns(guesses)]
    if len(having) < 2:
        return line
    names = [run[having[0]].name for run in logs.runs]
    part = "".join(
        letters[0] for letters in takewhile(lambda found: len(set(found)) == 1, zip(*names, strict=False))
    )
    others = [log.name for run in logs.runs for k, log in enumerate(run) if k != having[0]]
    if not part or any(part in name for name in others):
        return f"{line}; {MEASURE}: file, several loggers have this column"
    return line.replace(" }", f', file = "{quoted(part)}" }}', 1)


def _channel_line(guess: ChannelGuess) -> str:
    column = quoted(guess.column)
    reason = comment(guess.reason)
    if guess.in_volts and guess.house.startswith("damper_"):
        # Tenth and nine tenths of 12 bits or 5 V, so that the line is whole; the mark keeps it from being
        # believed.
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


# Begin a session folder from logs: the work behind ``analyzer start``.


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
    missing : tuple of str
        House channels whose line in the car sheet waits for a column.
    """

    written: tuple[Path, ...]
    recognised: tuple[str, ...]
    left_over: int
    missing: tuple[str, ...]


def require_free(folder: Path, logs: Logs) -> None:
    """Raise an `AnalyzerError` when a folder holds a sheet, or another file under the name of a log."""
    taken = [folder / name for name in SHEETS if (folder / name).exists()]
    taken += [copy for copy, log in _copies(folder, logs).items() if copy.exists() and not _same(copy, log)]
    if taken:
        raise _occupied(taken[0])


def _occupied(path: Path) -> AnalyzerError:
    further = (
        "; to add a run there, copy its log beside and give it a [[runs]]" if path.name in SHEETS else ""
    )
    return AnalyzerError(one_line(f"{path}: is there already; name an empty or new folder{further}"))


def _copies(folder: Path, logs: Logs) -> dict[Path, Path]:
    """Return the place of each log in the folder; those that lie there already are left away."""
    copies = {folder / log.name: log for run in logs.runs for log in run}
    return {copy: log for copy, log in copies.items() if not (copy.exists() and copy.samefile(log))}


def _same(copy: Path, log: Path) -> bool:
    return copy.is_file() and filecmp.cmp(log, copy, shallow=False)


def start_folder(folder: Path, logs: Path | Sequence[Path] | Logs, answers: Answers = NOT_ASKED) -> Started:
    """Write sheets to fill in to `folder`, channels guessed from logs, and copy the logs beside them.

    Parameters
    ----------
    folder : Path
        Empty or new.
    logs : Path, sequence of Path or Logs
        One log, several, or several that are sorted already.
    answers : Answers
        What is known of the car and the runs.

    Returns
    -------
    Started
        What was written and recognised.

    Raises
    ------
    AnalyzerError
        When a file is there already (nothing is overwritten), a log cannot be read, or see `sort_logs`.

    Notes
    -----
    A folder that was left half made, by a kill say, is completed: files that are there as they would be
    written are no obstacle, as long as one is missing.
    """
    if not isinstance(logs, Logs):
        logs = sort_logs([logs] if isinstance(logs, Path) else logs)
    sheets = _sheets_for(logs, answers)
    copies = _copies(folder, logs)
    contents = {folder / name: text.encode() for name, text in sheets.items()}
    done = [path for path, content in contents.items() if _holds(path, content)]
    done += [copy for copy, log in copies.items() if _same(copy, log)]
    whole = len(done) == len(contents) + len(copies)
    for path in [*contents, *copies]:
        if path.exists() and (whole or path not in done):
            raise _occupied(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for copy, log in copies.items():
            if copy not in done:
                # A log may be larger than memory.
                write_whole(copy, partial(shutil.copyfile, log))
        missing = {path: content for path, content in contents.items() if path not in done}
        write_together(dict(reversed(missing.items())))
    except OSError as error:
        reason = error.strerror or "cannot be written"
        raise AnalyzerError(f"{one_line(str(folder), 200)}: {reason}; name a folder elsewhere") from None
    known = {guess.house for guess in logs.guesses.channels}
    house = tuple(name for name in CHANNEL_DIMENSIONS if name in known)
    return Started((*contents, *copies), house, len(logs.guesses.unused), _waiting(known))


def _holds(path: Path, content: bytes) -> bool:
    """Return whether a file is there with just this content."""
    return path.is_file() and path.stat().st_size == len(content) and path.read_bytes() == content
