"""Runs of the engine's car as a logger would have written them, with the truth behind them.

    run = make_run(tmp_path / "r01.csv", setup="0.8", name="course", seed=1, road_class="A")
    run.path            the log (CSV); run.truth what the engine really did
    session = make_session(tmp_path, [Wanted("full", "course", 1), Wanted("0.8", "course", 2)])
    session.path        session.toml beside car.toml and the logs; session.truths by run name

`estimate(run)` takes a run through `read_recording` and `estimate_run` with bars of the engine's own rates.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
from engine.car import CORNERS, ENGINE_CAR, EngineCar
from engine.plan import STEP, Plan, manoeuvre, slowed
from engine.quasi_static import QuasiStatic, quasi_static
from engine.sheets import COLUMNS, FRONT_BARS, LOGGED_PER_SI, bar_rates, car_sheet, setup_table
from engine.simulation import Driven, drive_plans
from scipy.spatial.transform import Rotation

from analyzer.core.units import RAD_PER_MPS2_TO_DEG_PER_G
from analyzer.ingest.read_run import read_recording
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet

Array = npt.NDArray[np.float64]

NOISE = {"damper": 1e-4, "accel": 0.05, "gyro": 2e-3, "speed": 0.1}
"""White noise per sample at 200 Hz, standard deviation [m, m/s2, rad/s, m/s]: common practice, no source."""
STEPS = {"damper": 150e-3 / 4096, "accel": 4 * 9.80665 / 4096, "gyro": 1e-3, "speed": 0.01}
"""Least step of the logged figures, 12 bits of the usual ranges."""
SMOOTHING_S = 0.5
"""Over this the lateral force is averaged to find where in its range a run went, without road noise [s]."""


@dataclass(frozen=True)
class Contact:
    """A damper past its bump-stop gap: corner, start, end [s] and greatest travel [m]."""

    corner: str
    start: float
    end: float
    peak: float


@dataclass(frozen=True)
class Truth:
    """What the engine really did in a run.

    Parameters
    ----------
    time : array
        Times of the log's samples [s].
    loads : DataFrame
        Contact loads FL, FR, RL, RR at those times, averaged over the sample as the log is [N].
    bank : array
        Slope of the road towards the inside of the turn at those times [rad].
    contacts : tuple of Contact
        In order of time.
    body_gradient : dict
        ``front``, ``rear``: quasi-static roll per lateral force in body axes, over the run's forces [deg/g].
    level_gradient : dict
        ``front``, ``rear``, ``total``: the same per lateral acceleration on a level road [deg/g].
    in_contact : array of bool
        Whether any bump stop is touched.
    driven : Driven
        Everything at the engine's own rate.
    """

    time: Array
    loads: pd.DataFrame
    bank: Array
    contacts: tuple[Contact, ...]
    body_gradient: dict[str, float]
    level_gradient: dict[str, float]
    in_contact: npt.NDArray[np.bool_]
    driven: Driven

    def left_share(self, axle: str) -> Array:
        """Return the true left share of ``front`` or ``rear`` at the log's times."""
        letter = axle[0].upper()
        left, right = self.loads[f"{letter}L"].to_numpy(), self.loads[f"{letter}R"].to_numpy()
        result: Array = left / (left + right)
        return result


@dataclass(frozen=True)
class EngineRun:
    """A log and its truth; `car` has the full front bar, `setup` says what was driven."""

    path: Path
    setup: str
    car: EngineCar
    truth: Truth


def make_run(
    path: Path,
    setup: str = "full",
    name: str = "course",
    seed: int = 0,
    road_class: str = "A",
    bank: float = 0.0,
    rate: float = 200.0,
    noise: float = 1.0,
    car: EngineCar = ENGINE_CAR,
    plan: Plan | None = None,
    lean: tuple[float, float, float] = (0.0, 0.0, 0.0),
    gyro_offset: tuple[float, float, float] = (0.0, 0.0, 0.0),
    ruled: bool = False,
) -> EngineRun:
    """Drive a manoeuvre and write its log.

    Parameters
    ----------
    path : Path
        CSV to write.
    setup : str
        A key of `engine.sheets.FRONT_BARS`: factor on the front bar's rate.
    name, seed, bank : str, int, float
        As for `engine.plan.manoeuvre`; bank in degrees. The seed also draws road and noise.
    road_class : str
        ``smooth``, ``A`` or ``B``.
    rate : float
        Samples per second; a divisor of 1000.
    noise : float
        Factor on `NOISE`; 0 also leaves the figures unrounded.
    car : EngineCar
        With its full front bar.
    plan : Plan, optional
        Instead of the named manoeuvre.
    lean : tuple of float
        How far the box of the inertial unit is turned from the car's axes about x, then y, then z [deg].
    gyro_offset : tuple of float
        What its gyros read at rest [deg/s].
    ruled : bool
        Whether banks twist the ground, as for `engine.simulation.drive_plans`.
    """
    driven_car = car.with_front_bar(FRONT_BARS[setup])
    driven = drive_plans(driven_car, [plan or manoeuvre(name, seed, bank)], road_class, seed, ruled)[0]
    every = round(1.0 / (rate * STEP))
    _write_log(path, _in_box(driven, lean, gyro_offset), every, noise, seed)
    return EngineRun(path, setup, car, truth_of(driven_car, driven, every))


def truth_of(car: EngineCar, driven: Driven, every: int) -> Truth:
    """Return the truth of a drive by `car` as it was driven."""
    force = _smooth(driven.cg_force[:, 1])
    settled: QuasiStatic = quasi_static(_undisturbed(car))
    loads = pd.DataFrame({c: _averaged(driven.load[c], every) for c in CORNERS})
    touching = np.logical_or.reduce([driven.damper[c] > car.axle(c).stop_gap for c in CORNERS])
    plan = driven.plan
    return Truth(
        time=_averaged(driven.time, every),
        loads=loads,
        bank=_averaged(plan.bank * np.sign(plan.turning), every),
        contacts=_contacts(car, driven),
        body_gradient=settled.body_gradient(force),
        level_gradient=settled.level_gradient(force),
        in_contact=_averaged(touching.astype(float), every) > 0.0,
        driven=driven,
    )


def slow_gradient(run: EngineRun, factor: float = 3.0) -> dict[str, float]:
    """Return the gradients in body axes [deg/g] of the run's own forces brought on slowly.

    On level ground this is `Truth.body_gradient` to 0.2 %. On a bank the car is pressed down and answers
    differently, and this is the truth to hold an estimate to.
    """
    car = _undisturbed(run.car.with_front_bar(FRONT_BARS[run.setup]))
    slow = drive_plans(car, [slowed(run.truth.driven.plan, factor)])[0]
    force = slow.cg_force[:, 1]
    return {a: float(np.polyfit(force, slow.roll[a], 1)[0]) * RAD_PER_MPS2_TO_DEG_PER_G for a in slow.roll}


def _undisturbed(car: EngineCar) -> EngineCar:
    """Return the car without friction, free play and bump stops: springs, bars and tyres are left."""
    return car.with_both(friction=0.0, free_play=0.0, stop_gap=1.0)


def _smooth(values: Array) -> Array:
    width = round(SMOOTHING_S / STEP)
    window = np.hanning(width + 2)[1:-1]
    result: Array = np.convolve(values, window / window.sum(), mode="valid")
    return result


def _contacts(car: EngineCar, driven: Driven) -> tuple[Contact, ...]:
    found = []
    for corner in CORNERS:
        travel = driven.damper[corner]
        touching = travel > car.axle(corner).stop_gap
        edges = np.flatnonzero(np.diff(np.concatenate([[False], touching, [False]]).astype(int)))
        for start, end in zip(edges[::2], edges[1::2], strict=True):
            peak = float(travel[start:end].max())
            found.append(Contact(corner, float(driven.time[start]), float(driven.time[end - 1]), peak))
    return tuple(sorted(found, key=lambda c: c.start))


def _averaged(values: Array, every: int) -> Array:
    count = values.size // every
    result: Array = values[: count * every].reshape(count, every).mean(axis=1)
    return result


def _in_box(
    driven: Driven, lean: tuple[float, float, float], gyro_offset: tuple[float, float, float]
) -> Driven:
    """Return a drive as a box feels it that leans and whose gyros have an offset."""
    box = Rotation.from_euler("xyz", lean, degrees=True).as_matrix()
    return replace(driven, force=driven.force @ box, rate=driven.rate @ box + np.radians(gyro_offset))


def _write_log(path: Path, driven: Driven, every: int, noise: float, seed: int) -> None:
    """Write the sensors as a logger does: averaged over the sample, with noise, in steps."""
    rng = np.random.default_rng([seed, 12])
    sensed = {f"damper_{c}": driven.damper[c] for c in CORNERS}
    sensed |= {f"accel_{axis}": driven.force[:, k] for k, axis in enumerate("xyz")}
    sensed |= {f"gyro_{axis}": driven.rate[:, k] for k, axis in enumerate("xyz")}
    sensed["speed"] = driven.plan.speed
    table = {"Time": _averaged(driven.time, every)}
    for channel, (column, unit) in COLUMNS.items():
        values = _averaged(sensed[channel], every)
        kind = channel.split("_")[0]
        if noise > 0.0:
            # White noise over the logger's band: less per sample the slower it samples.
            spread = noise * NOISE[kind] * np.sqrt(1.0 / (every * STEP) / 200.0)
            values = values + spread * rng.standard_normal(values.size)
            values = np.round(values / STEPS[kind]) * STEPS[kind]
        table[column] = values * LOGGED_PER_SI[unit]
    pd.DataFrame(table).to_csv(path, index=False, float_format="%.6f")


@dataclass(frozen=True)
class Wanted:
    """One run of a session: set-up, manoeuvre, seed; the rest as for `make_run`."""

    setup: str
    name: str = "course"
    seed: int = 0
    road_class: str = "A"
    bank: float = 0.0


@dataclass(frozen=True)
class EngineSession:
    """A session sheet with its logs, and the truth by run name."""

    path: Path
    truths: dict[str, Truth]


def make_session(
    folder: Path, wanted: list[Wanted], car: EngineCar = ENGINE_CAR, rate: float = 200.0
) -> EngineSession:
    """Write logs, car sheet and session sheet; set-ups stand in the order they are first driven."""
    (folder / "car.toml").write_text(car_sheet(car), encoding="utf-8")
    parts = ['name = "Engine session"\ncar = "car.toml"\n']
    parts += [setup_table(setup) for setup in dict.fromkeys(w.setup for w in wanted)]
    truths = {}
    for index, w in enumerate(wanted, start=1):
        run = f"r{index:02d}"
        made = make_run(
            folder / f"{run}.csv", w.setup, w.name, w.seed, w.road_class, w.bank, rate=rate, car=car
        )
        truths[run] = made.truth
        parts.append(f'[[runs]]\nname = "{run}"\nlogs = ["{run}.csv"]\nsetup = "{w.setup}"\n')
    path = folder / "session.toml"
    path.write_text("\n".join(parts), encoding="utf-8")
    return EngineSession(path, truths)


def estimate(run: EngineRun, sheet: CarSheet | None = None, seed: int = 0) -> RunEstimates:
    """Take one run from its log to its estimates, with bars of the engine's own rates."""
    read = sheet or sheet_of(run.car)
    recording = read_recording(run.path.stem, (run.path,), read, None, None)
    rates = bar_rates(run.car, run.setup)
    return estimate_run(recording, read, run.setup, rates, None, seed)  # type: ignore[arg-type]


def sheet_of(car: EngineCar, level_box: bool = False) -> CarSheet:
    """Return the car sheet as the analyzer reads it; `level_box` states that its box does not lean."""
    return CarSheet.model_validate(tomllib.loads(car_sheet(car, level_box)))
