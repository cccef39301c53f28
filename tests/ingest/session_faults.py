"""Faults of sensor, wiring and logger in one table: where they are put, what must be said, what must stay right.

The table counts in mm, g, deg/s and km/h, and a `Bed` knows how its log writes them: the same fault goes into
logs of several cars, under other names, in other units, at other rates and on other courses.
"""

# ruff: noqa: E501  (a table reads best with one case a line)
from __future__ import annotations

import gzip
import io
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from engine.other_cars import random_car
from engine.runs import make_run, sheet_of
from engine.sheets import COLUMNS as ENGINE_COLUMNS
from ingest.helpers import POTS
from numpy.typing import NDArray

from analyzer.core.units import STANDARD_GRAVITY, unit_factor
from analyzer.sheets.car import CarSheet
from analyzer.sheets.read import read_car

SAMPLE: Final = Path(__file__).parents[2] / "sample_logs"
COLUMN: Final = {
    **{f"damper_{c}": f"{c} pot" for c in POTS},
    "accel_x": "LongG", "accel_y": "LatG", "accel_z": "VertG",
    "gyro_x": "Roll rate", "gyro_y": "Pitch rate", "gyro_z": "Yaw rate",
    "speed": "Speed", "steer_angle": "Steer", "latitude": "Lat", "longitude": "Lon",
}  # fmt: skip
"""House channel -> column of the sample session."""
GYROS: Final = tuple(f"gyro_{axis}" for axis in "xyz")
ACCELS: Final = tuple(f"accel_{axis}" for axis in "xyz")
DAMPERS: Final = tuple(f"damper_{corner}" for corner in POTS)

Values = NDArray[np.float64]
Rng = np.random.Generator


@dataclass(frozen=True)
class Bed:
    """A sound log, the sheet of its car, and how the one writes what the other reads.

    Parameters
    ----------
    name : str
        Car, course and rate.
    table : DataFrame
        As the logger wrote it; the first column is the time.
    car : CarSheet
        States where the car stands, or the zero of the pots.
    columns : mapping
        House channel -> its column.
    scale : mapping
        House channel -> units of the column per mm, g, deg/s, km/h or deg; negative for a pot that is mounted
        the other way up.
    middle : mapping
        House channel -> what the column reads at zero; 0 where it is missing.
    """

    name: str
    table: pd.DataFrame
    car: CarSheet
    columns: Mapping[str, str]
    scale: Mapping[str, float]
    middle: Mapping[str, float] = field(default_factory=dict)

    @property
    def time(self) -> str:
        return str(self.table.columns[0])

    @property
    def rate(self) -> float:
        """Samples per second."""
        factor = unit_factor(self.car.logger.channels["time"].unit or "s", "time")
        return 1.0 / (factor * float(np.median(np.diff(self.table[self.time]))))

    def shown(self, channel: str) -> Values:
        """Return a channel in mm, g, deg/s, km/h or deg."""
        raw = self.table[self.columns[channel]].to_numpy(dtype=np.float64)
        result: Values = (raw - self.middle.get(channel, 0.0)) / self.scale[channel]
        return result

    def written(self, channels: Mapping[str, Values]) -> pd.DataFrame:
        """Return the table with other values of channels [mm, g, deg/s, km/h or deg]."""
        raw = {self.columns[n]: self.middle.get(n, 0.0) + self.scale[n] * v for n, v in channels.items()}
        return self.table.assign(**raw)

    def without_zero(self) -> CarSheet:
        """Return the sheet as it is where nobody told the zero of the pots."""
        logger = self.car.logger
        channels = {n: c.model_copy(update={"static": None}) for n, c in logger.channels.items()}
        return self.car.model_copy(
            update={"logger": logger.model_copy(update={"level": None, "channels": channels})}
        )


def sample_run(name: str = "r02") -> pd.DataFrame:
    """Return a run of the sample session as its logger wrote it."""
    return pd.read_csv(io.BytesIO(gzip.decompress((SAMPLE / f"{name}.csv.gz").read_bytes())))


def sample_bed() -> Bed:
    """Return the sample session's second run: volts, 200 Hz, banks, a pot the other way up, positions."""
    car = read_car(SAMPLE / "car.toml")
    pots = {f"damper_{c}": 0.025 for c in POTS} | {"damper_RR": -0.025}
    scale = dict.fromkeys(COLUMN, 1.0) | pots
    return Bed("sample", sample_run(), car, COLUMN, scale, dict.fromkeys(pots, 2.5))


def _engine_bed(
    name: str, folder: Path, number: int, bank: float, rate: float, written: Mapping[str, tuple[str, str]]
) -> Bed:
    """Return a drive of a car of the rigid-body engine, its columns named and counted as `written` says."""
    car = random_car(np.random.default_rng(number))
    run = make_run(folder / "drive.csv", "full", "course", number, "A", bank, rate, car=car)
    log, sheet = pd.read_csv(run.path), sheet_of(car)
    table = {written["time"][0]: log["Time"] / unit_factor(written["time"][1], "time")}
    channels, scale, middle = {}, {}, {}
    kinds = {"damper": "length", "accel": "acceleration", "gyro": "angular_rate", "speed": "speed"}
    shown = {"damper": 1e-3, "accel": STANDARD_GRAVITY, "gyro": np.pi / 180.0, "speed": 1 / 3.6}
    for channel, (column, unit) in ENGINE_COLUMNS.items():
        kind = channel.partition("_")[0]
        si = log[column].to_numpy() * unit_factor(unit, kinds[kind])
        name_there, unit_there = written[channel]
        if unit_there == "V":
            # 150 mm of wire over 0.5 to 4.5 V, drawn out by droop at the rear.
            turn = -1.0 if channel.startswith("damper_R") else 1.0
            travel = [f"{-75 * turn} mm", f"{75 * turn} mm"]
            scale[channel], middle[channel] = turn * 4.0 / 150.0, 2.5
            how = {"volts": [0.5, 4.5], "travel": travel, "static": "0 mm"}
        else:
            scale[channel] = shown[kind] / unit_factor(unit_there, kinds[kind])
            how = {"unit": unit_there} | ({"static": "0 mm"} if kind == "damper" else {})
        table[name_there] = middle.get(channel, 0.0) + scale[channel] * si / shown[kind]
        channels[channel] = {"column": name_there, **how}
    channels["time"] = {"column": written["time"][0], "unit": written["time"][1]}
    logger = type(sheet.logger).model_validate(
        {
            "channels": channels,
            "imu": {"position": {a: f"{v} m" for a, v in zip("xyz", car.imu, strict=True)}},
        }
    )
    sheet = sheet.model_copy(update={"logger": logger})
    columns = {channel: written[channel][0] for channel in ENGINE_COLUMNS}
    return Bed(name, pd.DataFrame(table), sheet, columns, scale, middle)


def flat_bed(folder: Path) -> Bed:
    """Return a light car on a level course: inches, m/s2, rad/s, mph and milliseconds at 100 Hz."""
    written = {
        "time": ("clock", "ms"),
        **{f"damper_{c}": (f"shock {place}", "in") for c, place in zip(POTS, ("lf", "rf", "lr", "rr"), strict=True)},
        **{f"accel_{axis}": (f"a{axis}", "m/s2") for axis in "xyz"},
        "gyro_x": ("p", "rad/s"), "gyro_y": ("q", "rad/s"), "gyro_z": ("r", "rad/s"),
        "speed": ("ground speed", "mph"),
    }  # fmt: skip
    return _engine_bed("level course", folder, 1, 0.0, 100.0, written)


def banked_bed(folder: Path) -> Bed:
    """Return a heavy car on a course with banks: volts, milli-g, milliradians, knots at 125 Hz."""
    written = {
        "time": ("T", "s"),
        **{f"damper_{c}": (f"Analog {k}", "V") for k, c in enumerate(POTS, start=1)},
        **{f"accel_{axis}": (f"ACC_{axis.upper()}", "mg") for axis in "xyz"},
        **{f"gyro_{axis}": (f"RATE_{axis.upper()}", "mrad/s") for axis in "xyz"},
        "speed": ("V_GPS", "kn"),
    }
    return _engine_bed("banked course", folder, 2, 12.0, 125.0, written)


Change = Callable[[Bed, Rng], pd.DataFrame]


@dataclass(frozen=True)
class Case:
    """One fault in one log.

    Parameters
    ----------
    fault : str
        In plain words.
    channels : frozenset of str
        Whom it hits: these must be named, and no others.
    checks : frozenset of str
        Checks of which at least one must name each of them.
    inject : callable
        Returns the changed table.
    known : frozenset of str
        Axles whose roll gradient must still be found. Whatever is found must agree with the sound log's.
    scale_off : frozenset of str
        Axles whose gradient is found with a pot that is named for its scale, and so may be anything.
    zero_stated : bool
        Whether the sheet states the zero of the pots.
    """

    fault: str
    channels: frozenset[str]
    checks: frozenset[str]
    inject: Change
    known: frozenset[str] = frozenset({"front", "rear"})
    scale_off: frozenset[str] = frozenset()
    zero_stated: bool = True

    @property
    def name(self) -> str:
        """The fault and whom it hits."""
        return f"{self.fault}: {', '.join(sorted(self.channels))}"


def _set(*words: str) -> frozenset[str]:
    return frozenset(words)


BOTH: Final = _set("front", "rear")
NONE: Final = _set()


def _on(channel: str, change: Callable[[Values, Rng], Values]) -> Change:
    return lambda bed, rng: bed.written({channel: change(bed.shown(channel).copy(), rng)})


def _exchanged(a: str, b: str) -> Change:
    """Exchange two channels, each keeping its own way of being mounted."""
    return lambda bed, _: bed.written({a: bed.shown(b), b: bed.shown(a)})


def _pots_as(order: Mapping[str, str]) -> Change:
    return lambda bed, _: bed.written(
        {f"damper_{c}": bed.shown(f"damper_{read}") for c, read in order.items()}
    )


def _part(values: Values, first: float, end: float) -> slice:
    return slice(int(first * len(values)), int(end * len(values)))


def _stuck(v: Values, _: Rng) -> Values:
    part = _part(v, 0.45, 0.57)
    v[part] = v[part.start]
    return v


def _pieces(level: float) -> Callable[[Values, Rng], Values]:
    def change(v: Values, rng: Rng) -> Values:
        for first in rng.integers(len(v) // 11, len(v) - len(v) // 33, 6):
            v[first : first + int(rng.integers(4, 90))] = level
        return v

    return change


def _lone(level: float) -> Callable[[Values, Rng], Values]:
    def change(v: Values, rng: Rng) -> Values:
        v[rng.choice(np.arange(len(v) // 11, len(v) - len(v) // 11, 25), 7, replace=False)] = level
        return v

    return change


def _noisy(size: float) -> Callable[[Values, Rng], Values]:
    return lambda v, rng: v + size * rng.standard_normal(len(v))


def _rest(level: float, noise: float) -> Callable[[Values, Rng], Values]:
    def change(v: Values, rng: Rng) -> Values:
        part = _part(v, 0.72, 1.0)
        v[part] = level + noise * rng.standard_normal(part.stop - part.start)
        return v

    return change


def _shifted(by: float) -> Callable[[Values, Rng], Values]:
    def change(v: Values, _: Rng) -> Values:
        v[_part(v, 0.55, 1.0)] += by
        return v

    return change


def _one_sided(part: float) -> Callable[[Values, Rng], Values]:
    """Return the end of a sensor that is reached `part` of the way from its middle to its highest reading."""
    return lambda v, _: np.minimum(v, np.median(v) + part * (v.max() - np.median(v)))


def _both_sided(part: float) -> Callable[[Values, Rng], Values]:
    def change(v: Values, _: Rng) -> Values:
        middle, reach = float(np.median(v)), part * float(np.abs(v - np.median(v)).max())
        return np.clip(v, middle - reach, middle + reach)

    return change


def _beyond_stroke(channel: str) -> Change:
    """Stretch a pot until it reads past what its damper can do."""

    def inject(bed: Bed, _: Rng) -> pd.DataFrame:
        axle = bed.car.front if channel[7] == "F" else bed.car.rear
        v = bed.shown(channel)
        return bed.written({channel: max(4.0, 1.5e3 * axle.damper.full_bump.value / v.max()) * v})

    return inject


def _leaning(degrees: float, axis: str) -> Change:
    def inject(bed: Bed, _: Rng) -> pd.DataFrame:
        cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        flat, up = bed.shown(f"accel_{axis}"), bed.shown("accel_z")
        return bed.written({f"accel_{axis}": cos * flat + sin * up, "accel_z": cos * up - sin * flat})

    return inject


def _gently(bed: Bed, _: Rng) -> pd.DataFrame:
    """Drive the run at a tenth of its cornering."""
    rest = slice(round(0.3 * bed.rate), round(2.3 * bed.rate))
    values = {n: bed.shown(n) for n in ("accel_y", "gyro_x", "gyro_z", *DAMPERS)}
    return bed.written({n: v[rest].mean() + 0.1 * (v - v[rest].mean()) for n, v in values.items()})


def _no_fix(bed: Bed, _: Rng) -> pd.DataFrame:
    places = {name: bed.shown(name).copy() for name in ("latitude", "longitude")}
    for values in places.values():
        values[: int(0.3 * len(values)) + 1] = 0.0
    return bed.written(places)


def _clock_anew(bed: Bed, _: Rng) -> pd.DataFrame:
    half = len(bed.table) // 2
    time = bed.table[bed.time]
    return bed.table.assign(
        **{bed.time: np.where(bed.table.index < half, time, time - time[half] + time[round(0.3 * bed.rate)])}
    )


def _moved_rows(bed: Bed, _: Rng) -> pd.DataFrame:
    a, b, c = (int(part * len(bed.table)) for part in (0.4, 0.5, 0.6))
    return pd.concat([bed.table.iloc[:a], bed.table.iloc[b:c], bed.table.iloc[a:b], bed.table.iloc[c:]])


def _pot_cases(corners: tuple[str, ...], off_zero: frozenset[str], stands_twice: bool) -> Iterator[Case]:
    for corner in corners:
        pot, who = f"damper_{corner}", _set(f"damper_{corner}")
        own = _set("front" if corner[0] == "F" else "rear")
        other = BOTH - own
        one: tuple[tuple[str, str, Callable[[Values, Rng], Values], frozenset[str]], ...] = (
            ("dead", "dead", lambda v, _: np.zeros_like(v), other),
            ("stuck", "stuck", _stuck, BOTH),
            ("end of the sensor", "saturated", _one_sided(0.6), other),
            ("dropouts", "dropouts", _pieces(-96.0), other),
            ("lost for the rest", "dropouts", _rest(-96.0, 0.04), other),
            ("lone full-scale spikes", "spikes", _lone(99.6), BOTH),
            ("lone spikes to zero", "spikes", _lone(-100.0), BOTH),
            ("noise of 1.6 mm", "noise", _noisy(1.6), BOTH),
            ("whole millimetres", "resolution", lambda v, _: np.round(v), BOTH),
            ("inverted", "inverted", lambda v, _: -v, other),
            ("arm slipped by 9 mm", "slipped", _shifted(9.0), other),
            ("arm slipped by -12 mm", "slipped", _shifted(-12.0), other),
        )  # fmt: skip
        for fault, check, change, known in one:
            yield Case(fault, who, _set(check), _on(pot, change), known)
        if stands_twice:  # only so is there something to hold the zero against
            drift = _on(pot, lambda v, _: v + 9.0 * np.linspace(0.0, 1.0, len(v)))
            yield Case("zero drifts by 9 mm", who, _set("zero drift"), drift, other)
        yield Case("beyond the stroke", who, _set("damper stroke"), _beyond_stroke(pot), other, own)
        yield Case(
            "not zeroed by 35 mm", who | off_zero, _set("zero"), _on(pot, lambda v, _: v + 35.0),
            zero_stated=False,
        )  # fmt: skip
    for a, b in (("FL", "FR"), ("RL", "RR"), ("FL", "RL"), ("FR", "RR")):
        pots = _set(f"damper_{a}", f"damper_{b}")
        known = BOTH - {"front" if c[0] == "F" else "rear" for c in (a, b)}
        yield Case(f"{a} and {b} exchanged", pots, _set("swapped", "inverted"), _pots_as({a: b, b: a}), known)
    yield Case(
        "front and rear exchanged",
        _set(*DAMPERS),
        _set("swapped"),
        _pots_as({"FL": "RL", "RL": "FL", "FR": "RR", "RR": "FR"}),
        NONE,
    )
    yield Case(
        "all four round",
        _set(*DAMPERS),
        _set("swapped", "inverted"),
        _pots_as({"FL": "FR", "FR": "RR", "RR": "RL", "RL": "FL"}),
        NONE,
    )


_TIMES_LEFT: Final = _set("stuck", "spikes of 5 g", "steps of 0.1 g")
"""Faults of a lateral acceleration that leave enough of it to find gradients with."""


def _accel_cases() -> Iterator[Case]:
    for name in ACCELS:
        who = _set(name)
        one: tuple[tuple[str, str, Callable[[Values, Rng], Values]], ...] = (
            ("dead", "dead", lambda v, _: np.full_like(v, 0.1)),
            ("stuck", "stuck", _stuck),
            ("clipped", "clipped", _both_sided(0.5)),
            ("spikes of 5 g", "spikes", _lone(5.0)),
            ("noise of 0.6 g", "noise", _noisy(0.6)),
            ("steps of 0.1 g", "resolution", lambda v, _: np.round(v, 1)),
            ("milli-g under g", "unit", lambda v, _: 1000.0 * v),
            ("m/s2 under g", "unit", lambda v, _: STANDARD_GRAVITY * v),
            ("scale changes", "scale", lambda v, _: np.where(np.arange(len(v)) < 0.4 * len(v), 1000.0 * v, v)),
        )  # fmt: skip
        for fault, check, change in one:
            lost = name == "accel_y" and fault not in _TIMES_LEFT
            yield Case(fault, who, _set(check), _on(name, change), NONE if lost else BOTH)
    for axis in "xy":
        who = _set(f"accel_{axis}")
        yield Case("leans by 8 degrees", who, _set("tilt or offset"), _leaning(8.0, axis))
        yield Case("offset of 0.1 g", who, _set("tilt or offset"), _on(f"accel_{axis}", lambda v, _: v + 0.1))
    yield Case("offset of 0.2 g", _set("accel_z"), _set("gravity"), _on("accel_z", lambda v, _: v + 0.2))
    yield Case("wrong sign", _set("accel_y"), _set("sign"), _on("accel_y", lambda v, _: -v), NONE)
    yield Case("wrong sign", _set("accel_x"), _set("sign"), _on("accel_x", lambda v, _: -v))
    yield Case("upside down", _set("accel_z"), _set("axes"), _on("accel_z", lambda v, _: -v))
    yield Case(
        "x and y exchanged", _set("accel_x", "accel_y"), _set("axes"), _exchanged("accel_x", "accel_y"), NONE
    )
    yield Case("x and z exchanged", _set(*ACCELS), _set("axes"), _exchanged("accel_x", "accel_z"), NONE)
    yield Case("y and z exchanged", _set(*ACCELS), _set("axes"), _exchanged("accel_y", "accel_z"), NONE)


def _gyro_cases() -> Iterator[Case]:
    for name in GYROS:
        who = _set(name)
        yield Case("dead", who, _set("dead"), _on(name, lambda v, _: np.zeros_like(v)))
        yield Case("stuck", who, _set("stuck"), _on(name, _stuck))
        yield Case("offset of 2 deg/s", who, _set("offset"), _on(name, lambda v, _: v + 2.0))
        yield Case("noise of 20 deg/s", who, _set("noise"), _on(name, _noisy(20.0)))
        yield Case("spikes", who, _set("spikes"), _on(name, _lone(250.0)))
        yield Case("clipped", who, _set("clipped"), _on(name, _both_sided(0.5)))
    for name, check in (("gyro_x", "roll rate"), ("gyro_z", "yaw rate")):
        yield Case("wrong sign", _set(name), _set(check), _on(name, lambda v, _: -v))
        yield Case("rad/s under deg/s", _set(name), _set(check), _on(name, lambda v, _: np.radians(v)))


def _other_cases(positions: bool) -> Iterator[Case]:
    yield Case("dead", _set("speed"), _set("dead"), _on("speed", lambda v, _: np.zeros_like(v)))
    yield Case("stuck", _set("speed"), _set("stuck"), _on("speed", _stuck))
    yield Case("spikes to 1465", _set("speed"), _set("spikes", "speed range"), _on("speed", _lone(1465.0)))
    yield Case("little cornering", _set("accel_y"), _set("cornering"), _gently, NONE)
    yield Case(
        "25 Hz", _set(*DAMPERS), _set("sample rate"), lambda bed, _: bed.table.iloc[:: round(bed.rate / 25)]
    )
    if positions:
        places = _set("latitude", "longitude")
        yield Case("no satellite fix", places, _set("position fix"), _no_fix)
        yield Case(
            "no position logged", places, _set("missing"),
            lambda bed, _: bed.table.drop(columns=[bed.columns[name] for name in places]),
        )  # fmt: skip
    yield Case(
        "rows lost", _set("time"), _set("gap"),
        lambda bed, _: bed.table.drop(index=range(len(bed.table) // 2, int(0.56 * len(bed.table)))),
    )  # fmt: skip
    yield Case("rows out of order", _set("time"), _set("order of rows"), _moved_rows)
    yield Case("clock starts anew", _set("time"), _set("clock reset"), _clock_anew)


def _cases(
    corners: tuple[str, ...] = POTS,
    off_zero: frozenset[str] = NONE,
    positions: bool = False,
    stands_twice: bool = False,
) -> tuple[Case, ...]:
    """Return every fault at every channel.

    Parameters
    ----------
    corners : tuple of str
        Whose pots are hit by faults of one pot.
    off_zero : frozenset of str
        Pots that read far from zero at rest, which is told where the sheet states no zero.
    positions, stands_twice : bool
        Whether the log holds positions, and whether the car stands at its end as well.
    """
    pots = _pot_cases(corners, off_zero, stands_twice)
    return (*pots, *_accel_cases(), *_gyro_cases(), *_other_cases(positions))


CASES: Final[dict[str, tuple[Case, ...]]] = {
    "sample": _cases(off_zero=_set("damper_RR"), positions=True, stands_twice=True),
    "level course": _cases(("FR", "RL")),
    "banked course": _cases(("FL", "RR")),
}
"""Log -> every fault that is put into it."""


def bed_of(name: str, folder: Path) -> Bed:
    """Return a sound log by its name in `CASES`; `folder` is for what the engine writes."""
    if name == "sample":
        return sample_bed()
    return flat_bed(folder) if name == "level course" else banked_bed(folder)
