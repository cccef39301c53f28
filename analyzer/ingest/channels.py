"""Guess which house channel each column of an unknown log holds, from its name, unit and signal."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.errors import LogError
from analyzer.core.units import STANDARD_GRAVITY
from analyzer.ingest.calibration import factor_to_si
from analyzer.ingest.cells import HeaderCell
from analyzer.ingest.logfile import guess_time, open_header, sample_columns, tables_in
from analyzer.ingest.table import bare_name, find_column, looks_like_time, plain_name
from analyzer.ingest.trade_words import breadth_and_length, spaced, trade_words
from analyzer.sheets.car import CHANNEL_DIMENSIONS

_WORD_ENDS: Final = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Za-z])(?=\d)|(?<=\d)(?=[A-Za-z])")
_CAPITALS_END: Final = re.compile(r"(?<=[A-Z])(?=[A-Z][a-z])")
_CORNER_WORDS: Final = {
    "FL": ("fl", "lf", "front left", "left front", "frontleft", "leftfront"),
    "FR": ("fr", "rf", "front right", "right front", "frontright", "rightfront"),
    "RL": ("rl", "lr", "rear left", "left rear", "rearleft", "leftrear"),
    "RR": ("rr", "rear right", "right rear", "rearright", "rightrear"),
}
_POT_WORDS: Final = {
    "pot", "pots", "damper", "dampers", "shock", "shox", "susp", "suspension", "travel", "linpot", "lin",
    "linear", "stroke", "displacement", "disp", "position", "pos", "ride", "spring", "strut", "dmp", "sus",
    "potentiometer",
}  # fmt: skip
_NOT_CAR_SPEED: Final = {
    "wheel", "engine", "fan", "pump", "shaft", "damper", "shock", "wind", "accuracy",
    "fl", "fr", "rl", "rr", "lf", "rf", "lr",
}  # fmt: skip
_NOT_POT_WORDS: Final = {
    "speed",
    "velocity",
    "vel",
    "wheel",
    "tyre",
    "tire",
    "temp",
    "pressure",
    "brake",
    "load",
    "force",
}
_ACCEL_WORDS: Final = {"accel", "acc", "acceleration", "g", "gforce", "gs", "accelerometer", "a"}
_GYRO_WORDS: Final = {"gyro", "rate", "gyr", "omega", "gyroscope", "angular", "w", "rotation"}
_AXIS_WORDS: Final = {
    "x": ("longitudinal", "long", "lon", "inline", "forward", "x", "fore"),
    "y": ("lateral", "lat", "y", "side", "sideways"),
    "z": ("vertical", "vert", "z", "up"),
}
_POSITION_NAMES: Final = {"lat": "latitude", "lon": "longitude", "lng": "longitude", "long": "longitude"}
_TURN_WORDS: Final = {"roll": "gyro_x", "pitch": "gyro_y", "yaw": "gyro_z"}
_FRONT_WHEELS: Final = ("FL", "FR")
_RUN_TOGETHER: Final = 0.98
"""Correlation of every pair of columns above which they are wheel speeds: roll moves the pots of an axle
against each other, and pitch those of a side (engineering judgement)."""
_CORNERING: Final = 3.0
"""Lateral force from which a sample counts as cornering [m/s2]."""
_LEAST_CORNERING: Final = 50
"""Such samples that tell a unit of speed."""
_SPEED_AGREES: Final = 0.06
"""Part by which lateral force over yaw rate may differ from speed and still tell its unit: the runs of the
sample session differ by 1 to 2 %, knots and mph by 15 % (engineering judgement)."""
_SWINGS: Final = 0.8
"""Correlation with lateral force from which an axle's pair of columns holds travel: roll follows it at once,
heat does not (engineering judgement; 0.97 to 1.0 in the sample session)."""
_AGAINST: Final = -0.2
"""Correlation of left and right below which they move against each other (engineering judgement; pots of the
sample session -0.26 to -0.34, speeds of two wheels near 1)."""
_TURNS: Final = 0.45
"""Correlation with lateral force from which a column about the z axis is a rate: the two rise together but
for slip, and a heading is the sum of the rate (engineering judgement; in the sample session 0.50 to 0.57, a
heading 0.23 to 0.27)."""
_LARGEST_TRAVEL: Final = (150.0, 120.0)
"""Middle and spread of travel [mm]; loads of a corner in kg lie above one of them (engineering judgement)."""
_PLACES_APART: Final = 1e-5, 0.2
"""Least and largest spread of a position over a run [deg]: 1 m, and 20 km (engineering judgement)."""
_LEAST_ROWS: Final = 20
"""Rows below which nothing is read off the values of a column."""
_SPEED_UNITS: Final = {"mph", "kph", "kmh", "km/h"}
"""Units that stand above the car's speed as its name."""
_SHORT_NAMES: Final = {"v": "speed", "la": "latitude", "lo": "longitude"}
"""Names that may be short for a channel, and for others as well."""
_COUNTED: Final = "counts of a converter"
_COUNTS: Final = {"counts", "count", "raw", "bit", "bits"}
_VOLTS: Final = {"v", "mv", "volt", "volts"} | _COUNTS


@dataclass(frozen=True, slots=True)
class ChannelGuess:
    """What a column is thought to hold.

    Parameters
    ----------
    house : str
        House channel.
    column : str
        Header cell as it stands.
    index : int
        Number of the column, from 0.
    unit : str
        Unit of its cells; empty when it could not be told.
    unit_stated : bool
        Whether the log itself gives the unit.
    in_volts : bool
        Whether it holds sensor volts or counts, so that a calibration is needed.
    reason : str
        Why, for the reader.
    in_counts : bool
        Whether it holds counts of a converter rather than volts.
    """

    house: str
    column: str
    index: int
    unit: str
    unit_stated: bool
    in_volts: bool
    reason: str
    in_counts: bool = False


@dataclass(frozen=True, slots=True)
class Guesses:
    """Guesses for one log.

    Parameters
    ----------
    channels : tuple of ChannelGuess
        At most one per house channel.
    time_column : str or None
        Header cell of the time column; None when none was found.
    unused : tuple of str
        Columns nothing was made of.
    notes : tuple of str
        Doubts for the reader.
    time_unit, time_reason : str
        Unit of the time column as `Channel.unit` wants it (empty for clock times), and why.
    """

    channels: tuple[ChannelGuess, ...]
    time_column: str | None
    unused: tuple[str, ...]
    notes: tuple[str, ...]
    time_unit: str = ""
    time_reason: str = ""


def guess_channels(path: Path) -> Guesses:
    """Guess the channels of the log at `path`.

    Raises
    ------
    LogError
        When no table is found in it.
    """
    with tables_in(path) as tables:
        return joined([_guess_table(table) for table in tables])


def joined(parts: Sequence[Guesses]) -> Guesses:
    """Return the guesses for the tables of one log, or for several logs, as one.

    The first column found for a channel is taken.
    """
    if len(parts) == 1:
        return parts[0]
    found: dict[str, ChannelGuess] = {}
    for part in parts:
        for guess in part.channels:
            found.setdefault(guess.house, guess)
    timed = {part.time_column for part in parts}
    one = len(timed) == 1
    return Guesses(
        tuple(found.values()),
        parts[0].time_column,
        tuple(name for part in parts for name in part.unused if name not in timed or one),
        tuple(note for part in parts for note in part.notes),
        parts[0].time_unit,
        parts[0].time_reason,
    )


def _guess_table(path: Path) -> Guesses:
    header = open_header(path)
    time = guess_time(path)
    # Every column that could be a clock is kept out: a second clock would pass for a channel that rises.
    times = [i for i, cell in enumerate(header) if looks_like_time(cell)]
    times += [] if time is None else [time.index]
    found: dict[str, ChannelGuess] = {}
    notes: list[str] = []
    letters = {plain_name(cell.name) for cell in header}
    for index, cell in enumerate(header):
        if index in times:
            continue
        guess = _as_second_letter(cell, index, letters) or guess_name(cell, index)
        if guess is None:
            continue
        guess = replace(guess, column=_told_apart(header, index))
        if guess.house in found:
            notes.append(
                f'"{cell.full}" could be {guess.house}, too; "{found[guess.house].column}" was taken'
            )
            continue
        found[guess.house] = guess
    _add_wheel_speed(found, notes, header, times)
    _add_position(found, header)
    bare_speed = _add_poorly_named(found, path, header, times)
    by_suffix = _doubt_suffix(found, header)
    # Only columns without a unit are read: a log may be larger than memory.
    missing_units = [
        g for g in found.values() if not g.unit and not g.in_volts and g.house in CHANNEL_DIMENSIONS
    ]
    if missing_units:
        values = sample_columns(path, [g.index for g in missing_units])
        for guess in missing_units:
            found[guess.house] = with_unit_from_signal(guess, values[guess.index])
        _share_units(found)
        found.update({house: guess for house, guess in by_suffix.items() if not found[house].unit})
        _add_speed_unit(found, path)
        if bare_speed and not found["speed"].unit:
            # Nothing but the agreement says that it is one.
            missing_units.remove(found.pop("speed"))
        for guess in missing_units:
            if not found[guess.house].unit and not found[guess.house].in_volts:
                notes.append(f'the unit of "{guess.column}" ({guess.house}) could not be told')
    # After the units were looked for: none is read off the size of these.
    _add_corners(found, notes, path, header, times)
    # What is left over is listed for the reader, who may know it.
    used = {g.index for g in found.values()} | {-1 if time is None else time.index}
    unused = tuple(cell.full for i, cell in enumerate(header) if i not in used)
    if time is None:
        return Guesses(tuple(found.values()), None, unused, tuple(notes))
    return Guesses(
        tuple(found.values()), _told_apart(header, time.index), unused, tuple(notes), time.unit, time.reason
    )


def _as_second_letter(cell: HeaderCell, index: int, letters: set[str]) -> ChannelGuess | None:
    """Take ``Gx`` for a turn rate where the log has an ``Ax``, too; alone it may be an acceleration."""
    name = plain_name(cell.name)
    fits = not cell.unit or factor_to_si(cell.unit, "angular_rate") is not None
    if len(name) != 2 or name[0] != "g" or name[1] not in "xyz" or f"a{name[1]}" not in letters or not fits:
        return None
    reason = f'beside "a{name[1]}" the turn rate on axis {name[1]}'
    return ChannelGuess(f"gyro_{name[1]}", cell.full, index, cell.unit, bool(cell.unit), False, reason)


def _add_position(found: dict[str, ChannelGuess], header: Sequence[HeaderCell]) -> None:
    """Take two columns ``Lat`` and ``Lon`` for a position, or breadth and length in another language.

    Either alone may be an acceleration or the length of something.
    """
    hits: dict[str, int] = {}
    for index, cell in enumerate(header):
        name = cell.name.lower()
        house = _POSITION_NAMES.get(name) or breadth_and_length(name)
        if house is not None and cell.unit in ("", "deg", "rad"):
            hits.setdefault(house, index)
    missing = [house for house in ("latitude", "longitude") if house not in found]
    if any(house not in hits for house in missing):
        return
    for house in missing:
        cell = header[hits[house]]
        reason = "two columns for a position"
        found[house] = ChannelGuess(
            house, _told_apart(header, hits[house]), hits[house], cell.unit, bool(cell.unit), False, reason
        )


def _add_poorly_named(
    found: dict[str, ChannelGuess], path: Path, header: Sequence[HeaderCell], times: Sequence[int]
) -> bool:
    """Take columns ``turn x``, ``v``, ``la`` and ``lo`` where their values say what their names leave open.

    Returns
    -------
    bool
        Whether a speed without a unit was taken, which has to be withdrawn where it agrees with nothing.
    """
    named = {
        house: index
        for index, cell in enumerate(header)
        if index not in times and not cell.unit
        for house in _poorly_named(cell.name)
        if house not in found
    }
    force = found.get("accel_y")
    if not named or force is None:
        return False
    values = sample_columns(path, [force.index, *named.values()])

    def take(house: str, reason: str) -> None:
        index = named[house]
        found[house] = ChannelGuess(house, _told_apart(header, index), index, "", False, False, reason)

    # A heading is the sum of a rate, so that about the z axis alone an angle is told from a rate.
    if "gyro_z" in named and abs(_together(values[named["gyro_z"]], values[force.index])) > _TURNS:
        for house in ("gyro_x", "gyro_y", "gyro_z"):
            if house in named:
                take(house, "a turn; the one about z rises with lateral force, as a rate does")
    ends = {"latitude": 90.0, "longitude": 180.0}
    if all(house in named and _is_place(values[named[house]], end) for house, end in ends.items()):
        for house in ends:
            take(house, "two columns that hardly move, as a position does")
    if "speed" in named and _starts_at_rest(values[named["speed"]]):
        take("speed", "named v, at rest and under way")
        return True
    return False


def _poorly_named(name: str) -> list[str]:
    """Return the house channel that a name may be short for, none or one."""
    words = words_of(name)
    if len(words) == 2 and words[0] in ("turn", "rotation") and words[1] in ("x", "y", "z"):
        return [f"gyro_{words[1]}"]
    return [house for short, house in _SHORT_NAMES.items() if name.strip().lower() == short]


def _together(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Return the correlation of two columns, 0 where one of them stands still or is short."""
    whole = np.isfinite(one + other)
    one, other = one[whole], other[whole]
    if len(one) < _LEAST_ROWS or not (np.ptp(one) > 0.0 and np.ptp(other) > 0.0):
        return 0.0
    return float(np.corrcoef(one, other)[0, 1])


def _is_place(values: NDArray[np.float64], largest: float) -> bool:
    """Return whether degrees move over a run by what a car moves, far from where they began to count."""
    finite = values[np.isfinite(values)]
    if len(finite) < _LEAST_ROWS:
        return False
    least, most = _PLACES_APART
    low, high = (float(v) for v in np.percentile(finite, [1, 99]))
    size = min(abs(low), abs(high))
    return least < high - low < min(most, size / 50.0) and max(abs(low), abs(high)) <= largest


def _starts_at_rest(values: NDArray[np.float64]) -> bool:
    """Return whether a column is never far below nothing and comes near to it: no supply voltage does."""
    finite = values[np.isfinite(values)]
    if len(finite) < _LEAST_ROWS:
        return False
    low, high = (float(v) for v in np.percentile(finite, [1, 99]))
    return high > 0.0 and abs(low) < 0.1 * high


def _add_corners(
    found: dict[str, ChannelGuess],
    notes: list[str],
    path: Path,
    header: Sequence[HeaderCell],
    times: Sequence[int],
) -> None:
    """Take columns that are named by nothing but their corner, "Front Right", for pots where none is there.

    Left and right of an axle must both be there, and must not run together as wheel speeds do. No unit is
    read off their size: tyres have temperatures and pressures of the size of travel. Columns named "wheel FL"
    are taken where they swing with lateral force, and not else; then heat is none of what they may be.
    """
    if any(house.startswith("damper_") for house in found):
        return
    # A unit other than of travel or voltage says what else the column is: a temperature, a pressure.
    corners: dict[str, int] = {}
    for index, cell in enumerate(header):
        words = [word for word in words_of(cell.name) if word != "wheel"]
        corner = _corner_alone(words)
        if corner is not None and cell.unit in ("", *_VOLTS) and index not in times:
            corners.setdefault(corner, index)
    pairs = [pair for pair in (("FL", "FR"), ("RL", "RR")) if all(corner in corners for corner in pair)]
    named = {corner: corners[corner] for pair in pairs for corner in pair}
    if not named:
        return
    # "wheel FL" may be travel or the speed of a wheel: only the values tell.
    of_wheels = any("wheel" in words_of(header[index].name) for index in named.values())
    force = found.get("accel_y") if of_wheels else None
    values = sample_columns(path, [*named.values(), *([] if force is None else [force.index])])
    if _run_together([values[index] for index in named.values()]):
        listed = ", ".join(f'"{header[index].full}"' for index in named.values())
        notes.append(f"{listed} rise and fall together, as wheel speeds do; not taken for dampers")
        return
    # In a corner left and right of a car's travel part, which nothing else of four wheels does.
    swing = force is not None and _swing(
        [(values[named[left]], values[named[right]]) for left, right in pairs], values[force.index]
    )
    if of_wheels and not swing:
        return
    for corner, index in named.items():
        cell, house = header[index], f"damper_{corner}"
        reason = f"named by its corner {corner} alone"
        if swing:
            reason = f"named by its corner {corner}; left and right swing with lateral force, as travel does"
        guess = ChannelGuess(
            house,
            _told_apart(header, index),
            index,
            cell.unit,
            bool(cell.unit),
            bool(cell.unit),
            reason,
            cell.unit in _COUNTS,
        )
        # A unit read off the size of the values is believed for voltages, and for what swings as travel does.
        read = guess if cell.unit else with_unit_from_signal(guess, values[index])
        found[house] = read if read.in_volts or (swing and _sized_as_travel(values[index])) else guess


def _corner_alone(words: Sequence[str]) -> str | None:
    text = " ".join(words)
    return next((corner for corner, spelled in _CORNER_WORDS.items() if text in spelled), None)


def _swing(
    axles: Sequence[tuple[NDArray[np.float64], NDArray[np.float64]]], force: NDArray[np.float64]
) -> bool:
    """Return whether every axle rolls with lateral force and left and right of one move against each other.

    On another axle they may move alike: a pot that counts the other way is wired or fitted so.
    """
    rolls = [
        max(abs(_together(left - right, force)), abs(_together(left + right, force))) for left, right in axles
    ]
    against = [_together(left, right) < _AGAINST for left, right in axles]
    return min(rolls) > _SWINGS and any(against)


def _sized_as_travel(values: NDArray[np.float64]) -> bool:
    low, middle, high = (float(v) for v in np.percentile(values[np.isfinite(values)], [1, 50, 99]))
    most, spread = _LARGEST_TRAVEL
    return abs(middle) < most and high - low < spread


def _run_together(columns: Sequence[NDArray[np.float64]]) -> bool:
    rows = np.column_stack(columns)
    rows = rows[np.isfinite(rows).all(axis=1)]
    if len(rows) < _LEAST_ROWS or not np.all(np.ptp(rows, axis=0) > 0.0):
        return False
    return bool(np.corrcoef(rows, rowvar=False).min() > _RUN_TOGETHER)


def _add_wheel_speed(
    found: dict[str, ChannelGuess], notes: list[str], header: Sequence[HeaderCell], times: Sequence[int]
) -> None:
    """Take the speed of a front wheel for the car's where the log has no other."""
    wheels: dict[str, int] = {}
    for index, cell in enumerate(header):
        words = words_of(cell.name)
        corner = _corner_of(words)
        fits = not cell.unit or factor_to_si(cell.unit, "speed") is not None
        named = {"speed", "velocity"} & set(words) and not _POT_WORDS & set(words)
        if corner and fits and named and index not in times:
            wheels.setdefault(corner, index)
    if not wheels:
        return
    listed = ", ".join(f'"{header[index].full}" ({corner})' for corner, index in wheels.items())
    # A driven wheel spins in a drift and one with the handbrake on stands still: only a front one will do.
    front = next((wheels[corner] for corner in _FRONT_WHEELS if corner in wheels), None)
    if "speed" in found or front is None:
        notes.append(f"wheel speeds, not used: {listed}")
        return
    cell = header[front]
    reason = "the log has no speed of the car; a front wheel is neither driven nor held by the handbrake"
    found["speed"] = ChannelGuess(
        "speed", _told_apart(header, front), front, cell.unit, bool(cell.unit), False, reason
    )
    notes.append(f"wheel speeds: {listed}; a front one was taken for the car's speed")


def _told_apart(header: Sequence[HeaderCell], index: int) -> str:
    """Return the name of a column as a sheet must write it, so that the next run of the day fits, too.

    What stands beside a name with a rate or a range is left away where the column is found without it. Two
    columns of one name are told apart by their number.
    """
    full, bare = header[index].full, bare_name(header[index].name)
    changing = "|" in full or bare_name(full) != full
    if changing and plain_name(bare) and _finds(header, bare) == index:
        return bare
    alike = [i for i, cell in enumerate(header) if cell.full == full]
    return full if len(alike) == 1 else f"{full} #{alike.index(index) + 1}"


def _finds(header: Sequence[HeaderCell], name: str) -> int | None:
    try:
        return find_column(header, name, Path(), "")
    except LogError:  # several columns bear it
        return None


def words_of(name: str) -> list[str]:
    """Return the words of a column name in lower case and in English; ``LatG``, ``damperFL`` are split."""
    return trade_words(_split(name))


def _split(name: str) -> list[str]:
    split = _WORD_ENDS.sub(" ", spaced(name))
    split = _CAPITALS_END.sub(" ", split)
    return plain_name(split).split()


def guess_name(cell: HeaderCell, index: int) -> ChannelGuess | None:
    """Guess the house channel of one column from its name and unit; None when nothing fits."""
    words = words_of(cell.name)
    for rule in (_as_house_name, _as_pot, _as_turn_rate, _as_accel, _as_other):
        hit = rule(cell, words)
        if hit is None:
            continue
        house, reason = hit
        volts = cell.unit in _VOLTS
        unit = cell.unit
        if house == "speed":
            unit = _named_by_unit(cell) or unit
        # As a word of its own "in" says many things, behind a pot's corner it is its inches.
        if not unit and house.startswith("damper_") and words[-1] == "in":
            unit, reason = "in", f'{reason}; inches by its ending "in"'
        dimension = CHANNEL_DIMENSIONS[house]
        if unit and not volts and factor_to_si(unit, dimension) is None:
            return None  # the unit says it is something else
        return ChannelGuess(house, cell.full, index, unit, bool(unit), volts, reason, unit in _COUNTS)
    return None


def _as_house_name(cell: HeaderCell, _words: Sequence[str]) -> tuple[str, str] | None:
    written = (cell.name.lower(), "_".join(_split(cell.name)))
    for name in CHANNEL_DIMENSIONS:
        if name != "time" and name.lower() in written:
            return name, "bears the house name"
    return None


def _corner_of(words: Sequence[str]) -> str | None:
    text = f" {' '.join(words)} "
    hits = [corner for corner, spelled in _CORNER_WORDS.items() if any(f" {s} " in text for s in spelled)]
    return hits[0] if len(hits) == 1 else None


def _as_pot(cell: HeaderCell, words: Sequence[str]) -> tuple[str, str] | None:
    corner = _corner_of(words)
    if corner is None or _NOT_POT_WORDS & set(words):
        return None
    named = _POT_WORDS & set(words)
    by_unit = bool(cell.unit) and not cell.from_suffix and factor_to_si(cell.unit, "length") is not None
    if named:
        return f"damper_{corner}", f'corner {corner} and the word "{sorted(named)[0]}"'
    if by_unit:
        return f"damper_{corner}", f"corner {corner} and a length as unit ({cell.unit})"
    return None


def _as_turn_rate(cell: HeaderCell, words: Sequence[str]) -> tuple[str, str] | None:
    rate = bool(cell.unit) and factor_to_si(cell.unit, "angular_rate") is not None
    for word, house in _TURN_WORDS.items():
        if word in words and (rate or (_GYRO_WORDS | {"speed", "velocity"}) & set(words)):
            return house, f'the words "{word}" and a rate'
    if rate or {"gyro", "gyr", "omega"} & set(words):
        for axis in "xyz":
            if axis in words or f"gyro{axis}" in words or f"w{axis}" in words:
                return f"gyro_{axis}", f"a turn rate on axis {axis}"
    return None


def _as_accel(cell: HeaderCell, words: Sequence[str]) -> tuple[str, str] | None:
    joined = set(words)
    by_unit = bool(cell.unit) and factor_to_si(cell.unit, "acceleration") is not None
    if not (
        _ACCEL_WORDS & joined
        or by_unit
        or joined & {"ax", "ay", "az", "accx", "accy", "accz", "gx", "gy", "gz"}
    ):
        return None
    if {"combined", "total", "sum", "abs", "roll", "pitch", "yaw"} & joined:
        return None
    for axis, spelled in _AXIS_WORDS.items():
        for word in (*spelled, f"a{axis}", f"acc{axis}", f"g{axis}", f"accel{axis}", f"g{spelled[1][:3]}"):
            if word in joined:
                return f"accel_{axis}", f'an acceleration and the word "{word}"'
    return None


def _named_by_unit(cell: HeaderCell) -> str:
    """Return the unit of speed that is all of a column's name; empty for another name."""
    name = cell.name.strip().lower()
    return name if name in _SPEED_UNITS else ""


def _as_other(cell: HeaderCell, words: Sequence[str]) -> tuple[str, str] | None:
    joined = set(words)
    if "latitude" in joined or ({"gps", "lat"} <= joined and not _ACCEL_WORDS & joined):
        return "latitude", "the word latitude"
    if "longitude" in joined or ({"gps", "lon"} <= joined and not _ACCEL_WORDS & joined):
        return "longitude", "the word longitude"
    if joined & {"steer", "steering"} and not joined & {"torque", "rate", "speed"}:
        return "steer_angle", 'the word "steer"'
    if _named_by_unit(cell):
        return "speed", "named by a unit of speed"
    if joined & {"speed", "velocity"} and not joined & _NOT_CAR_SPEED and _corner_of(words) is None:
        return "speed", 'the word "speed"'
    return None


def with_unit_from_signal(guess: ChannelGuess, values: NDArray[np.float64]) -> ChannelGuess:
    """Return the guess with a unit read off the size of its values, where that leaves no doubt."""
    finite = values[np.isfinite(values)]
    if len(finite) < _LEAST_ROWS:
        return guess
    # Percentiles, not ends: one spike must not choose the unit.
    low, middle, high = (float(v) for v in np.percentile(finite, [1, 50, 99]))
    largest, spread = max(abs(low), abs(high)), high - low
    unit = ""
    if guess.house.startswith("damper_"):
        sensor = _sensor_range(finite)
        if sensor:
            reason = f"{guess.reason}; {sensor} by the size of its values ({low:.4g} to {high:.4g})"
            return replace(guess, in_volts=True, reason=reason, in_counts=sensor == _COUNTED)
        # Dampers of a car that drives move by more than 8 and stand within 400 in mm; metres and inches stay
        # open.
        unit = "mm" if spread > 8.0 and largest < 400.0 else ""
    elif guess.house == "accel_z":
        # Gravity is always there, so the middle tells g, m/s2 and milli-g apart without doubt.
        size = abs(middle)
        unit = (
            "g"
            if 0.9 < size < 1.1
            else "m/s2"
            if abs(size - STANDARD_GRAVITY) < 1.0
            else "mg"
            if 900 < size < 1100
            else ""
        )
    elif guess.house.startswith("accel_"):
        # A car corners with 0.2 to 2.5 g, which is 2 to 25 m/s2: the two overlap between 2.5 and 4, where the
        # unit stays open.
        unit = "g" if 0.2 < largest < 2.5 else "m/s2" if 4.0 < largest < 25.0 else ""
    elif guess.house in ("latitude", "longitude"):
        unit = "deg" if largest > 3.2 else ""
    elif guess.house == "steer_angle":
        unit = "deg" if largest > 20.0 else ""
    elif guess.house.startswith("gyro_"):
        unit = "deg/s" if largest > 8.0 else ""
    if not unit:
        return guess
    return replace(
        guess,
        unit=unit,
        reason=f"{guess.reason}; unit {unit} by the size of its values ({low:.3g} to {high:.3g})",
    )


def _doubt_suffix(found: dict[str, ChannelGuess], header: Sequence[HeaderCell]) -> dict[str, ChannelGuess]:
    """Take the unit off accelerations named ``Lat_G``, which may be in any, and return them as they were."""
    doubted = {
        house: guess
        for house, guess in found.items()
        if header[guess.index].from_suffix and guess.unit == "g"
    }
    found.update({house: replace(guess, unit="", unit_stated=False) for house, guess in doubted.items()})
    return doubted


def _share_units(found: dict[str, ChannelGuess]) -> None:
    """Give axes of one sensor whose unit could not be told the unit of the others."""
    for kind in ("accel", "gyro"):
        axes = [found[f"{kind}_{axis}"] for axis in "xyz" if f"{kind}_{axis}" in found]
        units = {guess.unit for guess in axes if guess.unit}
        if len(units) != 1:
            continue
        (unit,) = units
        for guess in axes:
            if not guess.unit and not guess.in_volts:
                reason = f"{guess.reason}; unit {unit} as on the other axes"
                found[guess.house] = replace(guess, unit=unit, reason=reason)


def _add_speed_unit(found: dict[str, ChannelGuess], path: Path) -> None:
    """Give a speed without a unit the one in which lateral force over yaw rate agrees with it.

    Yaw rate times speed is lateral force but for what the side-slip angle does, which goes both ways and
    leaves the sums over a run (Milliken and Milliken, Race Car Vehicle Dynamics, 1995). Signs play no part.
    """
    force, turn, speed = (found.get(house) for house in ("accel_y", "gyro_z", "speed"))
    if force is None or turn is None or speed is None or speed.unit or not (force.unit and turn.unit):
        return
    to_force, to_turn = factor_to_si(force.unit, "acceleration"), factor_to_si(turn.unit, "angular_rate")
    if to_force is None or to_turn is None:
        return
    values = sample_columns(path, [force.index, turn.index, speed.index])
    a, w, v = values[force.index] * to_force, values[turn.index] * to_turn, values[speed.index]
    whole = np.isfinite(a + w + v)
    cornering = whole & (np.abs(a) > _CORNERING) & (np.abs(v) > 0.0)
    # Summed over the run before they are divided: sample by sample a small yaw rate would rule the mean.
    turned = abs(float(np.sum((w * v * np.sign(a))[whole])))
    if int(cornering.sum()) < _LEAST_CORNERING or turned == 0.0:
        return
    factor = float(np.abs(a[whole]).sum()) / turned
    for unit in ("m/s", "km/h", "mph"):
        size = factor_to_si(unit, "speed")
        if size is not None and abs(factor / size - 1.0) < _SPEED_AGREES:
            reason = f"{speed.reason}; unit {unit}: only so does it agree with lateral force over yaw rate"
            found["speed"] = replace(speed, unit=unit, reason=reason)


def _sensor_range(values: NDArray[np.float64]) -> str:
    """Return what a pot without a unit reads when it is the sensor's own scale, empty when it is travel.

    Travel of 5 mm and the ends of a 5 V supply look alike, but dampers move 30 to 250 mm; a whole number of
    several hundred to 65535 that is never negative is what a converter counts.
    """
    low, high = float(values.min()), float(values.max())
    if low >= -0.05 and 0.3 < high <= 5.5 and high - low > 0.02:
        return "volts"
    if low >= 0.0 and 400.0 < high <= 65535.0 and bool(np.all(values == np.round(values))):
        return _COUNTED
    return ""


def require_any(guesses: Guesses, path: Path) -> None:
    """Raise a `LogError` when nothing could be guessed."""
    if not guesses.channels:
        raise LogError(
            path,
            "header",
            "none of the columns could be recognised: "
            + ", ".join(f'"{n[:30]}"' for n in guesses.unused[:6]),
            "map them in logger.channels of a car sheet",
        )
