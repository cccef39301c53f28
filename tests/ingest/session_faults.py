"""Every fault of sensor, wiring and logger put into a run of the sample session, at every channel it can hit."""

# ruff: noqa: E501  (a table reads best with one case a line)
from __future__ import annotations

import gzip
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from ingest.helpers import POTS
from numpy.typing import NDArray

SAMPLE: Final = Path(__file__).parents[2] / "sample_logs"
COLUMN: Final = {
    **{f"damper_{c}": f"{c} pot" for c in POTS},
    "accel_x": "LongG", "accel_y": "LatG", "accel_z": "VertG",
    "gyro_x": "Roll rate", "gyro_y": "Pitch rate", "gyro_z": "Yaw rate",
    "speed": "Speed", "steer_angle": "Steer", "latitude": "Lat", "longitude": "Lon",
}  # fmt: skip
"""House channel -> column of the sample session."""
MM: Final = {"FL": 0.025, "FR": 0.025, "RL": 0.025, "RR": -0.025}
"""Volts per millimetre of the pots."""

Values = NDArray[np.float64]
Rng = np.random.Generator


@dataclass(frozen=True)
class Case:
    """One fault in the sample run.

    Parameters
    ----------
    fault : str
        In plain words.
    channels : frozenset of str
        Whom it hits: these must be named, and no others.
    checks : frozenset of str
        Checks of which at least one must name each of them.
    inject : callable
        Changes the table.
    level : bool
        Whether the sheet states where the car stands.
    """

    fault: str
    channels: frozenset[str]
    checks: frozenset[str]
    inject: Callable[[pd.DataFrame, Rng], pd.DataFrame]
    level: bool = True

    @property
    def name(self) -> str:
        """The fault and whom it hits."""
        return f"{self.fault}: {', '.join(sorted(self.channels))}"


def sample_run(name: str = "r02") -> pd.DataFrame:
    """Return a run of the sample session as its logger wrote it."""
    return pd.read_csv(io.BytesIO(gzip.decompress((SAMPLE / f"{name}.csv.gz").read_bytes())))


def _on(column: str, change: Callable[[Values, Rng], Values]) -> Callable[[pd.DataFrame, Rng], pd.DataFrame]:
    def inject(table: pd.DataFrame, rng: Rng) -> pd.DataFrame:
        done = table.copy()
        done[column] = change(table[column].to_numpy(dtype=np.float64).copy(), rng)
        return done

    return inject


def _exchanged(*pairs: tuple[str, str]) -> Callable[[pd.DataFrame, Rng], pd.DataFrame]:
    def inject(table: pd.DataFrame, _: Rng) -> pd.DataFrame:
        done = table.copy()
        for a, b in pairs:
            done[a], done[b] = table[b], table[a]
        return done

    return inject


def _part(values: Values, first: float, end: float) -> slice:
    return slice(int(first * len(values)), int(end * len(values)))


def _stuck(v: Values, _: Rng) -> Values:
    part = _part(v, 0.45, 0.57)
    v[part] = v[part.start]
    return v


def _pieces(level: float) -> Callable[[Values, Rng], Values]:
    def change(v: Values, rng: Rng) -> Values:
        for first in rng.integers(900, len(v) - 300, 6):
            v[first : first + int(rng.integers(4, 90))] = level
        return v

    return change


def _lone(level: float) -> Callable[[Values, Rng], Values]:
    def change(v: Values, rng: Rng) -> Values:
        v[rng.choice(np.arange(900, len(v) - 900, 25), 7, replace=False)] = level
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


def _leaning(degrees: float, axis: str) -> Callable[[pd.DataFrame, Rng], pd.DataFrame]:
    def inject(table: pd.DataFrame, _: Rng) -> pd.DataFrame:
        done = table.copy()
        cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        flat = COLUMN[f"accel_{axis}"]
        done[flat] = cos * table[flat] + sin * table["VertG"]
        done["VertG"] = cos * table["VertG"] - sin * table[flat]
        return done

    return inject


def _straight_only(table: pd.DataFrame, rng: Rng) -> pd.DataFrame:
    """Return the run at a tenth of its cornering: a car driven gently."""
    done = table.copy()
    for column in ("LatG", "Yaw rate", "Roll rate", *(f"{c} pot" for c in POTS)):
        rest = float(table[column].iloc[60:460].mean())
        done[column] = rest + 0.1 * (table[column] - rest)
    return done


def _no_fix(table: pd.DataFrame, _: Rng) -> pd.DataFrame:
    done = table.copy()
    done.loc[: int(0.3 * len(table)), ["Lat", "Lon"]] = 0.0
    return done


def _gap(table: pd.DataFrame, _: Rng) -> pd.DataFrame:
    return table.drop(index=range(5000, 5600))


def _set(*words: str) -> frozenset[str]:
    return frozenset(words)


def _pot_cases() -> Iterator[Case]:
    for corner in POTS:
        column, mm, who = f"{corner} pot", MM[corner], _set(f"damper_{corner}")
        one: tuple[tuple[str, str, Callable[[Values, Rng], Values]], ...] = (
            ("dead", "dead", lambda v, _: np.full_like(v, 2.5)),
            ("stuck", "stuck", _stuck),
            ("end of the sensor", "saturated", _one_sided(0.6)),
            ("dropouts to 0.1 V", "dropouts", _pieces(0.1)),
            ("lost for the rest", "dropouts", _rest(0.1, 0.001)),
            ("lone full-scale spikes", "spikes", _lone(4.99)),
            ("lone spikes to zero", "spikes", _lone(0.0)),
            ("noise of 1.6 mm", "noise", _noisy(0.04)),
            ("whole millimetres", "resolution", lambda v, _: np.round(v / 0.025) * 0.025),
            ("beyond the stroke", "damper stroke", lambda v, _: 2.5 + 4.0 * (v - 2.5)),
            ("inverted", "inverted", lambda v, _: 5.0 - v),
            ("arm slipped by 9 mm", "slipped", _shifted(9.0 * mm)),
            ("arm slipped by -12 mm", "slipped", _shifted(-12.0 * mm)),
            ("zero drifts by 9 mm", "zero drift", lambda v, _, mm=mm: v + 9.0 * mm * np.linspace(0.0, 1.0, len(v))),  # type: ignore[misc]
        )  # fmt: skip
        for fault, check, change in one:
            yield Case(fault, who, _set(check), _on(column, change))
        yield Case(
            "not zeroed by 35 mm",
            who | _set("damper_RR"),  # 6.7 mm off already, and told so where no sheet states the zero
            _set("zero"),
            _on(column, lambda v, _, mm=mm: v + 35.0 * mm),
            level=False,
        )  # type: ignore[misc]
    for a, b in (("FL", "FR"), ("RL", "RR"), ("FL", "RL"), ("FR", "RR")):
        pots = _set(f"damper_{a}", f"damper_{b}")
        yield Case(f"{a} and {b} exchanged", pots, _set("swapped", "inverted"), _plugs((a, b)))
    yield Case(
        "front and rear exchanged",
        _set(*(f"damper_{c}" for c in POTS)),
        _set("swapped"),
        _plugs(("FL", "RL"), ("FR", "RR")),
    )
    yield Case(
        "all four round",
        _set(*(f"damper_{c}" for c in POTS)),
        _set("swapped", "inverted"),
        _plugs(("FL", "FR"), ("FR", "RR"), ("RR", "RL")),
    )


def _plugs(*pairs: tuple[str, str]) -> Callable[[pd.DataFrame, Rng], pd.DataFrame]:
    """Return pots whose plugs were exchanged; each keeps its own way of being mounted."""

    def inject(table: pd.DataFrame, _: Rng) -> pd.DataFrame:
        done = table.copy()
        for a, b in pairs:
            turn = MM[a] * MM[b] > 0.0
            first, second = done[f"{a} pot"].copy(), done[f"{b} pot"].copy()
            done[f"{a} pot"] = second if turn else 5.0 - second
            done[f"{b} pot"] = first if turn else 5.0 - first
        return done

    return inject


def _imu_cases() -> Iterator[Case]:
    for axis in "xyz":
        column, who = COLUMN[f"accel_{axis}"], _set(f"accel_{axis}")
        yield Case("dead", who, _set("dead"), _on(column, lambda v, _: np.full_like(v, 0.1)))
        yield Case("stuck", who, _set("stuck"), _on(column, _stuck))
        yield Case("clipped", who, _set("clipped"), _on(column, _both_sided(0.5)))
        yield Case("spikes of 5 g", who, _set("spikes"), _on(column, _lone(5.0)))
        yield Case("noise of 0.6 g", who, _set("noise"), _on(column, _noisy(0.6)))
        yield Case("steps of 0.1 g", who, _set("resolution"), _on(column, lambda v, _: np.round(v, 1)))
        yield Case("milli-g under g", who, _set("unit"), _on(column, lambda v, _: 1000.0 * v))
        yield Case("m/s2 under g", who, _set("unit"), _on(column, lambda v, _: 9.80665 * v))
        yield Case(
            "scale changes",
            who,
            _set("scale"),
            _on(column, lambda v, _: np.where(np.arange(len(v)) < 0.4 * len(v), 1000.0 * v, v)),
        )
    for axis in "xy":
        who = _set(f"accel_{axis}")
        yield Case("leans by 8 degrees", who, _set("tilt or offset"), _leaning(8.0, axis))
        yield Case(
            "offset of 0.1 g", who, _set("tilt or offset"), _on(COLUMN[f"accel_{axis}"], lambda v, _: v + 0.1)
        )
    yield Case("offset of 0.2 g", _set("accel_z"), _set("gravity"), _on("VertG", lambda v, _: v + 0.2))
    yield Case("wrong sign", _set("accel_y"), _set("sign"), _on("LatG", lambda v, _: -v))
    yield Case("wrong sign", _set("accel_x"), _set("sign"), _on("LongG", lambda v, _: -v))
    yield Case("upside down", _set("accel_z"), _set("axes"), _on("VertG", lambda v, _: -v))
    yield Case("x and y exchanged", _set("accel_x", "accel_y"), _set("axes"), _exchanged(("LongG", "LatG")))
    yield Case(
        "x and z exchanged",
        _set("accel_x", "accel_y", "accel_z"),
        _set("axes"),
        _exchanged(("LongG", "VertG")),
    )
    yield Case(
        "y and z exchanged",
        _set("accel_x", "accel_y", "accel_z"),
        _set("axes"),
        _exchanged(("LatG", "VertG")),
    )
    for axis in "xyz":
        column, who = COLUMN[f"gyro_{axis}"], _set(f"gyro_{axis}")
        yield Case("dead", who, _set("dead"), _on(column, lambda v, _: np.zeros_like(v)))
        yield Case("stuck", who, _set("stuck"), _on(column, _stuck))
        yield Case("offset of 2 deg/s", who, _set("offset"), _on(column, lambda v, _: v + 2.0))
        yield Case("noise of 20 deg/s", who, _set("noise"), _on(column, _noisy(20.0)))
        yield Case("spikes", who, _set("spikes"), _on(column, _lone(250.0)))
        yield Case("clipped", who, _set("clipped"), _on(column, _both_sided(0.5)))
    for axis, check in (("x", "roll rate"), ("z", "yaw rate")):
        column, who = COLUMN[f"gyro_{axis}"], _set(f"gyro_{axis}")
        yield Case("wrong sign", who, _set(check), _on(column, lambda v, _: -v))
        yield Case("rad/s under deg/s", who, _set(check), _on(column, lambda v, _: np.radians(v)))


def _other_cases() -> Iterator[Case]:
    yield Case("dead", _set("speed"), _set("dead"), _on("Speed", lambda v, _: np.zeros_like(v)))
    yield Case("stuck", _set("speed"), _set("stuck"), _on("Speed", _stuck))
    yield Case("spikes to 1465", _set("speed"), _set("spikes", "speed range"), _on("Speed", _lone(1465.0)))
    yield Case("little cornering", _set("accel_y"), _set("cornering"), _straight_only)
    yield Case(
        "25 Hz", _set(*(f"damper_{c}" for c in POTS)), _set("sample rate"), lambda table, _: table.iloc[::8]
    )
    yield Case("no satellite fix", _set("latitude", "longitude"), _set("position fix"), _no_fix)
    yield Case(
        "no position logged",
        _set("latitude", "longitude"),
        _set("missing"),
        lambda table, _: table.drop(columns=["Lat", "Lon"]),
    )
    yield Case("rows lost", _set("time"), _set("gap"), _gap)
    yield Case(
        "rows out of order",
        _set("time"),
        _set("order of rows"),
        lambda table, _: pd.concat([table.iloc[:4000], table.iloc[6000:], table.iloc[4000:6000]]),
    )
    yield Case(
        "clock starts anew",
        _set("time"),
        _set("clock reset"),
        lambda table, _: table.assign(
            Time=np.where(np.arange(len(table)) < 5000, table["Time"], table["Time"] - 24.7)
        ),
    )


CASES: Final = (*_pot_cases(), *_imu_cases(), *_other_cases())
