"""Sessions drawn at random with many faults at once: drives of the engine made once, logged by many loggers.

    drive = drives(16)[3]                     a car, what it did, and its own quasi-static gradients
    logged = logged_run(folder, drive, faults_of(seed), 0)
    logged.found                              `RunEstimates`, or why the log was refused in one line

Truth is the engine's answer to the forces of the drive brought on slowly. Sheets are off by the tolerances
that they state; everything else that is wrong with a log is drawn in `faults_of`.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from engine.car import CORNERS, ENGINE_CAR, EngineCar
from engine.other_cars import LIFTED, random_car
from engine.plan import STEP, manoeuvre, slowed
from engine.sheets import COLUMNS, LOGGED_PER_SI, bar_rates, car_sheet, setup_table, sheet_off
from engine.simulation import Driven, drive_plans
from scipy.spatial.transform import Rotation

from analyzer.core.errors import AnalyzerError
from analyzer.core.units import RAD_PER_MPS2_TO_DEG_PER_G
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Recording
from analyzer.prediction.setup import predict_setup
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.results import RunEstimates
from analyzer.session.run_store import with_unit_doubts
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup

Array = npt.NDArray[np.float64]
AXLES = ("front", "rear")
KINDS = (
    *(("course", 0.0), ("drift", 0.0), ("bowl", 10.0), ("drift", 8.0)),
    *(("slalom", 0.0), ("bowl", 14.0), ("oval", 6.0), ("course", 6.0)),
)
"""Manoeuvre and bank [deg], taken in turn."""
RATE = 100.0
"""Rows per second of every log [Hz]."""
PARKED = 1.0
"""A car that is slower stands [m/s]: its rows are in no fit."""


@dataclass(frozen=True)
class Drive:
    """What a car did; `true` are its gradients in body axes [deg/g] by axle."""

    car: EngineCar
    name: str
    bank: float
    driven: Driven
    true: dict[str, float]


@cache
def drive(number: int, ruled: bool = False) -> Drive | None:
    """Drive number `number`; None when a wheel was off the ground for long, which no gradient describes.

    On a `ruled` road banks twist the ground between the axles; else the whole plane turns with the car.
    """
    rng = np.random.default_rng([number, 60])
    car = ENGINE_CAR if number % 2 else random_car(rng)
    name, bank = KINDS[number % len(KINDS)]
    road = ("A", "B")[number % 2]
    driven = drive_plans(car, [manoeuvre(name, 900 + number, bank)], road, number, ruled)[0]
    if float(np.mean(np.min(list(driven.load.values()), axis=0) < 1.0)) > LIFTED:
        return None
    free = car.with_both(stop_gap=1.0)
    slow = drive_plans(free, [slowed(driven.plan, 2.0)])[0]
    force, speed = slow.cg_force[:, 1], slow.plan.speed
    true = {a: moving_line(force, slow.roll[a], speed) * RAD_PER_MPS2_TO_DEG_PER_G for a in AXLES}
    return Drive(car, name, bank, driven, true)


def moving_line(force: Array, roll: Array, speed: Array) -> float:
    """Return the slope of the line through the rows of a car that moves [rad / (m/s2)].

    The roll of a car bends, and in one direction rows at rest turn the line: by 0.05 to 0.3 % on ovals.
    """
    moving = speed > PARKED
    return float(np.polyfit(force[moving], roll[moving], 1)[0])


@dataclass(frozen=True)
class Faults:
    """What is wrong with the logs of a session; all of it may be at once.

    Parameters
    ----------
    seed : int
        Draws noise, sheet and places.
    lean : array
        Of the box about x, y, z [deg], shape (runs, 3): alike in all runs or not.
    hold : int
        Rows over which the accelerometer holds a sample; 1 for none.
    late : float
        Its delay behind a smoothing of the same length [s].
    shake : float
        Vibration that it feels, root mean square [m/s2].
    pots_rate : float
        Samples per second of the pots, empty cells between [Hz].
    zeroless, gapless, camber_unknown : bool
        Pots without a zero; no gap, no camber gain in the sheet.
    inches : str
        Axle whose pots are in inches under a heading of mm; empty for none.
    clock : float
        Factor on the time column.
    lost, doubled : float
        Part of the rows that is lost, that is written twice.
    off_place : tuple of float
        How far the sheet has the box ahead, to the left and up of where it is [m].
    exact : bool
        Whether the sheet's other figures are exact.
    """

    seed: int
    lean: Array
    hold: int
    late: float
    shake: float
    pots_rate: float
    zeroless: bool
    gapless: bool
    camber_unknown: bool
    inches: str
    clock: float
    lost: float
    doubled: float
    off_place: tuple[float, float, float] = (0.0, 0.0, 0.0)
    exact: bool = False

    @property
    def gross(self) -> bool:
        """Whether a unit or the clock lies: no interval holds that, it has to be told."""
        return bool(self.inches) or self.clock != 1.0


def faults_of(seed: int, runs: int = 2) -> Faults:
    """Draw the faults of a session."""
    rng = np.random.default_rng([seed, 61])

    def sometimes(part: float) -> bool:
        return bool(rng.uniform() < part)

    lean = rng.uniform(-1.5, 1.5, (runs if sometimes(0.5) else 1, 3))
    return Faults(
        seed=seed,
        lean=np.broadcast_to(lean, (runs, 3)),
        hold=int(rng.integers(4, 9)) if sometimes(0.2) else 1,
        late=0.1 if sometimes(0.15) else 0.0,
        shake=float(rng.uniform(0.2, 1.0)) * 9.80665 if sometimes(0.25) else 0.0,
        pots_rate=float(rng.choice([10.0, 20.0, 25.0])) if sometimes(0.2) else RATE,
        zeroless=sometimes(0.2),
        gapless=sometimes(0.3),
        camber_unknown=sometimes(0.3),
        inches=str(rng.choice(AXLES)) if sometimes(0.07) else "",
        clock=float(rng.choice([0.5, 2.0, 3.0])) if sometimes(0.07) else 1.0,
        lost=float(rng.uniform(0.002, 0.02)) if sometimes(0.25) else 0.0,
        doubled=float(rng.uniform(0.002, 0.02)) if sometimes(0.2) else 0.0,
    )


def elsewhere(seed: int, runs: int = 1) -> Faults:
    """Draw a session whose box is up to 0.3 m from its place in the sheet in each axis, and leans."""
    rng = np.random.default_rng([seed, 65])
    x, y, z = rng.uniform(-0.3, 0.3, 3)
    return Faults(
        seed=seed,
        lean=rng.uniform(-1.5, 1.5, (runs, 3)),
        hold=1,
        late=0.0,
        shake=0.0,
        pots_rate=RATE,
        zeroless=False,
        gapless=False,
        camber_unknown=False,
        inches="",
        clock=1.0,
        lost=0.0,
        doubled=0.0,
        off_place=(x, y, z),
        exact=True,
    )


@dataclass(frozen=True)
class Logged:
    """A log, and what the program says of it; `refused` is its one line where it reads nothing."""

    drive: Drive
    faults: Faults
    recording: Recording | None
    found: RunEstimates | None
    refused: str


def logged_run(folder: Path, driven: Drive, faults: Faults, number: int) -> Logged:
    """Log a drive as run `number` of a session with `faults`, and take it through the program."""
    rng = np.random.default_rng([faults.seed, number, 62])
    path = folder / f"s{faults.seed}_{number}.csv"
    _log(driven.driven, faults, number, rng).to_csv(path, index=False, float_format="%.6f")
    sheet = _sheet(driven.car, faults)
    setup = Setup.model_validate(tomllib.loads(setup_table("full"))["setups"]["full"])
    try:
        recording = read_recording(path.stem, (path,), sheet)
        recording = with_unit_doubts(recording, sheet, predict_setup(sheet, "full", setup))
        found = estimate_run(recording, sheet, "full", bar_rates(driven.car, "full"))  # type: ignore[arg-type]
    except AnalyzerError as error:
        return Logged(driven, faults, None, None, str(error))
    finally:
        path.unlink()
    return Logged(driven, faults, recording, found, "")


def _sheet(car: EngineCar, faults: Faults) -> CarSheet:
    table: dict[str, Any] = tomllib.loads(car_sheet(car))
    if not faults.exact:
        table = sheet_off(table, np.random.default_rng([faults.seed, 63]))
    for axle in AXLES:
        if faults.gapless:
            del table[axle]["damper"]["bump_stop_gap"]
        if faults.camber_unknown:
            del table[axle]["camber_gain"]
    imu = table["logger"]["imu"]
    imu["position"] = {
        axis: f"{true + off:.4f} m" for axis, true, off in zip("xyz", car.imu, faults.off_place, strict=True)
    }
    if faults.zeroless:
        for corner in CORNERS:
            del table["logger"]["channels"][f"damper_{corner}"]["static"]
    return CarSheet.model_validate(table)


def _log(driven: Driven, faults: Faults, number: int, rng: np.random.Generator) -> pd.DataFrame:
    every = round(1.0 / (RATE * STEP))
    box = Rotation.from_euler("xyz", faults.lean[number], degrees=True).as_matrix()
    force, rate = driven.force @ box, driven.rate @ box + np.radians(rng.normal(0.0, 0.2, 3))
    if faults.shake:
        # Engine and wheels shake a box at frequencies far above what a car does.
        white = rng.standard_normal(force.shape)
        rough = np.apply_along_axis(np.convolve, 0, white, np.ones(8) / np.sqrt(8.0), mode="same")
        force = force + faults.shake * (rough - np.apply_along_axis(_box, 0, rough, 60))
    if faults.late:
        width = round(faults.late / STEP)
        force = np.apply_along_axis(lambda part: np.roll(_box(part, width), width), 0, force)

    def rows(values: Array) -> Array:
        count = values.size // every
        result: Array = values[: count * every].reshape(count, every).mean(axis=1)
        return result

    # Travel from wherever the pot's zero is, the same in all runs of a session.
    zero = np.random.default_rng([faults.seed, 64]).uniform(0.02, 0.06, 4) if faults.zeroless else np.zeros(4)
    inches = {c: 1.0 / 25.4 if faults.inches and c[0] == faults.inches[0].upper() else 1.0 for c in CORNERS}
    sensed: dict[str, Array] = {
        f"damper_{c}": (driven.damper[c] + zero[k]) * inches[c] for k, c in enumerate(CORNERS)
    }
    sensed |= {f"accel_{axis}": force[:, k] for k, axis in enumerate("xyz")}
    sensed |= {f"gyro_{axis}": rate[:, k] for k, axis in enumerate("xyz")}
    sensed["speed"] = driven.plan.speed
    noise = {"damper": 1e-4, "accel": 0.05, "gyro": 2e-3, "speed": 0.1}
    table = {"Time": rows(driven.time) * faults.clock}
    for channel, (column, unit) in COLUMNS.items():
        kind = channel.split("_")[0]
        values = rows(sensed[channel])
        values = (values + noise[kind] * rng.standard_normal(values.size)) * LOGGED_PER_SI[unit]
        if kind == "accel" and faults.hold > 1:
            values = values[(np.arange(values.size) // faults.hold) * faults.hold]
        if kind == "damper" and faults.pots_rate < RATE:
            values[np.arange(values.size) % round(RATE / faults.pots_rate) != 0] = np.nan
        table[column] = values
    return _rows_lost_and_doubled(pd.DataFrame(table), faults, rng)


def _box(values: Array, width: int) -> Array:
    result: Array = np.convolve(values, np.ones(width) / width, mode="same")
    return result


def _rows_lost_and_doubled(table: pd.DataFrame, faults: Faults, rng: np.random.Generator) -> pd.DataFrame:
    count = len(table)
    kept = np.ones(count, dtype=bool)
    while faults.lost and np.mean(~kept) < faults.lost:
        first = int(rng.integers(count))
        kept[first : first + int(rng.integers(1, 11))] = False
    order = np.flatnonzero(kept)
    if faults.doubled:
        order = np.sort(
            np.concatenate([order, rng.choice(order, round(faults.doubled * count), replace=False)])
        )
    return table.iloc[order]
