"""The sample session: sheets, sensors and logger, runs, logs with faults, and the truth beside them."""

from __future__ import annotations

import gzip
import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from analyzer.core.errors import AnalyzerError
from analyzer.core.files import json_bytes, write_together
from analyzer.demo import sample_session, virtual_car, virtual_course
from analyzer.demo.engine import Motion, simulate
from analyzer.demo.virtual_car import GRAVITY, WHEELS, CarTruth, Floats, Setting, Suspension
from analyzer.demo.virtual_course import DT, KETTLE_YARD, Manner, Plan, drive, plan_from

# What the logger writes: sensors with offset, noise, lag, tilt and steps, in volts and g.

RATE: Final = 200
"""Logged samples per second [Hz]."""

VOLT_STEP: Final = 5.0 / 4096.0
"""A 12-bit converter over five volts [V]."""

POT_RANGE: Final = 0.080
"""Damper travel at either end of the calibration, 0.5 V and 4.5 V [m]."""

POT_FALLS: Final = np.array([1.0, 1.0, 1.0, -1.0])
"""The rear right sensor is mounted the other way up: its voltage falls in bump; the sheet says so."""

COLUMNS: Final = {
    "Time": "%.3f",
    **{f"{wheel} pot": "%.4f" for wheel in WHEELS},
    "LongG": "%.3f",
    "LatG": "%.3f",
    "VertG": "%.3f",
    "Roll rate": "%.2f",
    "Pitch rate": "%.2f",
    "Yaw rate": "%.2f",
    "Speed": "%.1f",
    "Steer": "%.1f",
    "Lat": "%.6f",
    "Lon": "%.6f",
}
"""Column names of the log and how each is printed."""

UNITS: Final = (
    "s",
    "V",
    "V",
    "V",
    "V",
    "g",
    "g",
    "g",
    "deg/s",
    "deg/s",
    "deg/s",
    "km/h",
    "deg",
    "deg",
    "deg",
)

SPOT: Final = (-37.25, -127.5)
"""Latitude and longitude of the start: open ocean [deg]."""

SETTLING: Final = 0.6
"""The logger starts when the car has settled on the uneven ground it was set down on [s]."""

STEERING_RATIO: Final = 12.5
"""Angle of the steering wheel, which is what the logger has, per angle of the road wheels."""

METRES_PER_DEGREE: Final = 111_200.0


@dataclass(frozen=True)
class Logger:
    """Errors of one car's sensors; the same in every run of a session.

    Parameters
    ----------
    pot_scale, pot_offset : ndarray
        For FL, FR, RL, RR: true scale over the sheet's; reading at static ride height [m].
    tilt : ndarray
        Small rotation of the inertial unit against the body [rad].
    accel_offset, gyro_offset : ndarray
        [m/s2], [rad/s].
    """

    pot_scale: Floats
    pot_offset: Floats
    tilt: Floats
    accel_offset: Floats
    gyro_offset: Floats

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> Logger:
        """Return sensors of usual quality."""
        return cls(
            pot_scale=1.0 + 0.002 * rng.standard_normal(4),
            pot_offset=0.004 * rng.standard_normal(4),
            tilt=np.radians(0.25) * rng.standard_normal(3),
            accel_offset=0.008 * GRAVITY * rng.standard_normal(3),
            gyro_offset=np.radians(0.15) * rng.standard_normal(3),
        )


def log_columns(
    car: CarTruth, motion: Motion, run: int, seconds: float, logger: Logger, rng: np.random.Generator
) -> Floats:
    """Return one run as logged, shape (samples, columns of `COLUMNS`)."""
    every = round(1.0 / (RATE * DT))
    first = int(SETTLING / DT)
    count = (min(int(seconds / DT), motion.travel.shape[0]) - first) // every - 1

    def sampled(signal: Floats) -> Floats:
        """Return the mean over one sample period, centred: what the logger's filter lets through."""
        half = every // 2
        column = signal[first - half : first + count * every + half, run]
        weights = np.ones(2 * half + 1)
        weights[[0, -1]] = 0.5
        parts = (
            weight * column[shift::every][:count] for shift, weight in enumerate(weights / weights.sum())
        )
        return np.asarray(sum(parts))

    time = np.arange(count) / RATE
    pots = pot_volts(car, sampled(motion.travel), logger, rng)
    accel, gyro = _inertial(car, sampled, motion, logger, rng)
    velocity = sampled(motion.velocity)
    speed = np.hypot(velocity[:, 0], velocity[:, 1]) * 3.6
    # Standing still, a wheel's sensor gives no pulses, and so no noise.
    speed = np.abs(speed + np.where(speed > 0.5, 0.15, 0.0) * rng.standard_normal(count))
    steer = STEERING_RATIO * np.degrees(sampled(motion.steer)) + 0.4 * rng.standard_normal(count)
    place = sampled(motion.place)[:, :2]
    held = place[(np.arange(count) // 20) * 20]  # the satellite fix comes ten times a second
    latitude = SPOT[0] + held[:, 1] / METRES_PER_DEGREE
    longitude = SPOT[1] + held[:, 0] / (METRES_PER_DEGREE * np.cos(np.radians(SPOT[0])))
    return np.column_stack([time, pots, accel, gyro, speed, steer, latitude, longitude])


def pot_volts(car: CarTruth, travel: Floats, logger: Logger, rng: np.random.Generator) -> Floats:
    """Return the damper sensors' voltages for wheel `travel` (samples, 4), stepped and noisy."""
    damper = travel * car.per_wheel("motion_ratio") * logger.pot_scale + logger.pot_offset
    volts = 2.5 + POT_FALLS * 2.0 * damper / POT_RANGE + 0.0015 * rng.standard_normal(travel.shape)
    return np.asarray(np.clip(np.round(volts / VOLT_STEP) * VOLT_STEP, 0.0, 5.0 - VOLT_STEP))


def _inertial(
    car: CarTruth,
    sampled: Callable[[Floats], Floats],
    motion: Motion,
    logger: Logger,
    rng: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Return accelerometer [g] and gyro [deg/s] readings at the unit's place."""
    force, turning, rate = (sampled(a) for a in (motion.force, motion.turning, motion.turning_rate))
    arm = np.array(car.imu)
    # A box away from the CG also feels the body's turning: faster and faster, and round and round.
    there = force + np.cross(rate, arm) + np.cross(turning, np.cross(turning, arm))
    there = there - np.cross(logger.tilt, there) + logger.accel_offset
    accel = there / GRAVITY + 0.015 * rng.standard_normal(there.shape)
    gyro = np.degrees(turning - np.cross(logger.tilt, turning) + logger.gyro_offset)
    gyro = gyro + 0.12 * rng.standard_normal(gyro.shape)
    return accel, gyro


def csv_text(table: Floats, separator: str = ",", units: bool = False) -> str:
    """Return a log as text: one line of names, one of units where they are asked for, then the numbers."""
    form = separator.join(COLUMNS.values())
    lines = [separator.join(COLUMNS)]
    if units:
        lines.append(separator.join(UNITS))
    lines += [form % tuple(row) for row in table.tolist()]
    return "\n".join(lines) + "\n"


# The sample session: which runs are driven, on which set-up, and what the virtual car did in them.


RUNS: Final = (("r01", "A"), ("r02", "A"), ("r03", "A"), ("r04", "B"), ("r05", "B"), ("r06", "B"))
"""Names and set-ups of the runs, in driving order."""

MANNERS: Final = (
    Manner(pace=0.957, slip=0.94, shift=0.0, waver=0.020, start=3.8, finish=3.0),
    Manner(pace=0.995, slip=1.00, shift=1.5, waver=0.022, start=3.6, finish=3.4),
    Manner(pace=1.035, slip=1.05, shift=-1.5, waver=0.025, start=4.1, finish=3.0),
    Manner(pace=0.960, slip=0.97, shift=-0.5, waver=0.020, start=3.7, finish=3.2),
    Manner(pace=1.005, slip=1.02, shift=1.0, waver=0.022, start=4.0, finish=3.0),
    Manner(pace=1.030, slip=1.03, shift=-1.0, waver=0.025, start=3.6, finish=3.1),
)

ROAD: Final = float(np.sqrt(virtual_course.CLASS_MEAN["A"] * virtual_course.CLASS_MEAN["B"]))
"""Gd(n0) of the course: the border between classes A and B [m3]."""


@dataclass(frozen=True)
class Driven:
    """The session as driven.

    Parameters
    ----------
    motion : Motion
        What the car did, all runs side by side.
    plan : Plan
        What it was meant to do.
    ends : ndarray
        Length of each run's recording [s].
    logs : tuple of ndarray
        The logger's table of each run.
    """

    motion: Motion
    plan: Plan
    ends: Floats
    logs: tuple[Floats, ...]


def drive_session(seed: int, tell: Callable[[str], None] = lambda _text: None) -> Driven:
    """Drive the sample session; the same `seed` gives the same session to the last digit."""
    rng = np.random.default_rng(seed)
    length = virtual_course.course_length(virtual_course.KETTLE_YARD)
    tell("laying out the course")
    tables = np.stack(
        [virtual_course.course_table(virtual_course.KETTLE_YARD, manner, rng) for manner in MANNERS]
    )
    # The same ground in every run, as on a real course; each run takes its own line over it.
    road = virtual_course.rough_surface(length + 100.0, ROAD, rng)
    plan, ends = drive(tables, list(MANNERS), length - 3.0, [road] * len(RUNS))
    bars = np.stack(
        [virtual_car.bar_rates(virtual_car.TEAL_COUPE, virtual_car.SETUPS[setup]) for _, setup in RUNS]
    )
    tell("driving six runs")
    motion = simulate(virtual_car.TEAL_COUPE, bars, plan)
    logger = Logger.drawn(rng)
    tell("logging")
    logs = tuple(
        log_columns(virtual_car.TEAL_COUPE, motion, run, float(ends[run]), logger, rng)
        for run in range(len(RUNS))
    )
    return Driven(motion, plan, ends, logs)


# A small second session whose logs have the usual faults, for learning what the checks say.


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
    return PREAMBLE + csv_text(table, ";", units=True)


def _second(table: Floats) -> str:
    """One pot stuck, one accelerometer saturated."""
    stuck, lateral = _column("RL pot"), _column("LatG")
    begin = int(np.searchsorted(table[:, 0], STUCK_FROM))
    table[begin:, stuck] = table[begin, stuck]
    table[:, lateral] = np.clip(table[:, lateral], -CLIP, CLIP)
    return csv_text(table)


# The virtual car's own answers, found by its engine: what an analysis of its logs should come to.


SWEEP_SPEED: Final = 15.0
"""Speed of the steady corners [m/s]."""

DRIFT_SLIP: Final = 30.0
"""How far the car points into its steady corners [deg], as in the sample runs."""

SLIP_FULL: Final = 0.8
"""Lateral acceleration from which the slip angle is full; below it grows in proportion [g]."""

SWEEP_SECONDS: Final = 6.0
SETTLED_SECONDS: Final = 0.4
LEVELS: Final[Floats] = np.linspace(-1.2, 1.2, 13)
"""Centripetal accelerations of the steady corners [g]."""

AXLES: Final = ("front", "rear")
DEG: Final = 180.0 / np.pi


def true_values(
    car: CarTruth = virtual_car.TEAL_COUPE,
    setups: dict[str, Setting] | None = None,
    levels: Floats = LEVELS,
    slip_deg: float = DRIFT_SLIP,
) -> dict[str, dict[str, Any]]:
    """Return what each set-up of the virtual car truly does, by steady corners on a smooth level road.

    The corners are driven as in the sample runs, pointing into the turn and steered out of it, since steer
    and drive forces change what the springs carry; a second set without slip shows by how much.

    Parameters
    ----------
    car : CarTruth
        The car.
    setups : dict or None
        Name -> setting; the sample session's when None.
    levels : ndarray
        Centripetal accelerations to corner at, both directions [g].
    slip_deg : float
        Slip angle in full corners [deg].

    Returns
    -------
    dict
        Per set-up: ``bar_rate`` [N/m], ``roll_stiffness`` [N m/deg] and ``roll_gradient_body``,
        ``roll_gradient`` [deg/g] per axle as slopes over the whole range of `levels` and, ``_small``, below
        0.35 g; ``corners``: the steady corners themselves, as from `steady_corners`; ``without_slip``: the
        last three for corners without slip.
    """
    chosen = virtual_car.SETUPS if setups is None else setups
    bars = np.stack([virtual_car.bar_rates(car, setting) for setting in chosen.values()])
    # All corners of all set-ups side by side: the engine's loop takes as long for one as for many.
    slips = np.array([slip_deg, 0.0])
    grid = np.meshgrid(np.arange(len(chosen)), slips, levels, indexing="ij")
    which, slip, level = (part.ravel() for part in grid)
    corners = steady_corners(car, bars[which], level, slip)
    found: dict[str, dict[str, Any]] = {}
    for index, (name, setting) in enumerate(chosen.items()):
        drifting, gripping = ((which == index) & (slip == angle) for angle in slips)
        found[name] = {
            "bar_rate": _bar_rate(car, setting),
            "roll_stiffness": roll_stiffness(car, bars[index : index + 1]),
            **_response({key: value[drifting] for key, value in corners.items()}),
            "without_slip": _response({key: value[gripping] for key, value in corners.items()}),
        }
    return found


def _response(corners: dict[str, Floats]) -> dict[str, Any]:
    return {
        "roll_gradient_body": _slopes(corners, "lateral_force"),
        "roll_gradient": _slopes(corners, "lateral_acceleration"),
        "corners": {key: value.tolist() for key, value in corners.items()},
    }


def steady_corners(
    car: CarTruth,
    bars: Floats,
    levels: Floats,
    slip_deg: Floats | float = 0.0,
) -> dict[str, Floats]:
    """Drive one steady corner per row of `bars`, level [g] and slip angle [deg]; read the settled values.

    Returns
    -------
    dict
        ``lateral_force`` (body axes) and ``lateral_acceleration`` [g]; ``roll_front``, ``roll_rear``,
        ``body_roll`` [deg]; ``left_share_front``, ``left_share_rear`` [1]; ``load`` (.., 4) [N].
    """
    # A plan longer than the drive: nobody reads beyond its end while the car goes on.
    points = int((SWEEP_SPEED * SWEEP_SECONDS + 30.0) / virtual_course.STEP)
    ramp = virtual_course.eased(
        (np.arange(points) * virtual_course.STEP > 0.20 * SWEEP_SPEED * SWEEP_SECONDS).astype(float), 25.0
    )
    # The corner is eased in, so that what settles is the corner and not the step into it.
    curvature = levels[:, None] * virtual_car.GRAVITY / SWEEP_SPEED**2 * ramp
    # The nose goes with the force, and not further than at full slip.
    slip = (np.radians(slip_deg) * np.clip(levels / SLIP_FULL, -1.0, 1.0))[:, None] * ramp

    def rate(column: Floats) -> Floats:
        return np.asarray(np.gradient(column, virtual_course.STEP, axis=1))

    columns = {
        "curvature": curvature,
        "curvature_rate": rate(curvature),
        "heading": np.cumsum(curvature, axis=1) * virtual_course.STEP,
        "slip": slip,
        "slip_rate": rate(slip),
        "slip_bend": rate(rate(slip)),
    }
    # What is not driven here, bank and height, stays nought.
    level_ground = np.zeros_like(curvature)
    tables = np.stack([columns.get(name, level_ground) for name in virtual_course.DRIVE_COLUMNS], axis=-1)
    pulls = np.zeros((int(SWEEP_SECONDS / 0.01) + 1, levels.size))
    motion = simulate(car, bars, plan_from(tables, pulls, 0.01, np.full(levels.size, SWEEP_SPEED), None))
    # The mean over the last part: what is left of the easing has died away there.
    last = slice(-int(SETTLED_SECONDS / DT), None)
    travel, load = motion.travel[last].mean(0), motion.load[last].mean(0)
    up, acceleration = motion.up[last].mean(0), motion.acceleration[last].mean(0)
    # Along the car's own lateral axis laid into the horizontal plane (intermediate axes of ISO 8855).
    level = (acceleration[:, 1] * up[:, 2] - acceleration[:, 2] * up[:, 1]) / np.hypot(up[:, 1], up[:, 2])
    return {
        "lateral_force": motion.force[last, :, 1].mean(0) / virtual_car.GRAVITY,
        "lateral_acceleration": level / virtual_car.GRAVITY,
        "roll_front": axle_roll(travel[:, :2], car.front.track) * DEG,
        "roll_rear": axle_roll(travel[:, 2:], car.rear.track) * DEG,
        "body_roll": np.arctan2(up[:, 1], up[:, 2]) * DEG,
        "left_share_front": load[:, 0] / load[:, :2].sum(1),
        "left_share_rear": load[:, 2] / load[:, 2:].sum(1),
        "load": load,
    }


def axle_roll(pair: Floats, track: float) -> Floats:
    """Return the suspension roll [rad] of left and right wheel travel (.., 2) [m]."""
    return np.asarray(np.arctan((pair[..., 1] - pair[..., 0]) / track))


def roll_stiffness(car: CarTruth, bars: Floats, angle: float = np.radians(0.5)) -> dict[str, float]:
    """Return each axle's roll stiffness [N m/deg] by pushing its wheels opposite ways by `angle`."""
    suspension = Suspension.of(car, bars)
    half = 0.5 * car.per_wheel("track") * np.tan(angle) * np.array([-1.0, 1.0, -1.0, 1.0])
    force = suspension.force(half[None], np.zeros((1, 4)))[0] - suspension.static
    moment = 0.5 * car.per_wheel("track") * force * np.array([-1.0, 1.0, -1.0, 1.0])
    front, rear = (float(moment[part].sum() / (angle * DEG)) for part in (slice(0, 2), slice(2, 4)))
    return {"front": front, "rear": rear, "total": front + rear}


def slope(x: Floats, y: Floats) -> float:
    """Return the least-squares slope of y on x with an intercept."""
    return float(np.polyfit(x, y, 1)[0])


def _bar_rate(car: CarTruth, setting: Setting) -> dict[str, float]:
    return {
        axle: 0.0 if chosen is None else side.bar_rate(*chosen)
        for axle, side, chosen in (("front", car.front, setting.front), ("rear", car.rear, setting.rear))
    }


def _slopes(corners: dict[str, Floats], by: str) -> dict[str, float]:
    x = corners[by]
    small = np.abs(x) < 0.35
    columns = {"front": "roll_front", "rear": "roll_rear", "total": "body_roll"}
    full = {axle: slope(x, corners[column]) for axle, column in columns.items()}
    return full | {f"{axle}_small": slope(x[small], corners[c][small]) for axle, c in columns.items()}


def run_truth(driven: Driven, setups: dict[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """Return what each run of a session truly did: gradient over its own range, loads, bump-stop contacts.

    Parameters
    ----------
    driven : Driven
        The session.
    setups : dict
        From `true_values`.

    Returns
    -------
    dict
        Per run: ``roll_gradient_body`` per axle: slope of the steady response at the lateral forces of this
        run [deg/g], ``left_share_front``, ``left_share_rear`` (mean while moving), ``lowest_load`` [N] per
        wheel, ``lateral_force`` (5th, 25th, 75th, 95th percentile while moving) [g], ``bottoming``: per
        contact the wheel, start, end [s of the log], greatest damper travel [mm] and bank [deg].
    """
    found: dict[str, dict[str, Any]] = {}
    car = virtual_car.TEAL_COUPE
    for run, (name, setup) in enumerate(RUNS):
        steps = int(driven.ends[run] / DT)
        # Loads of a car that stands in the paddock are none of its driving.
        moving = driven.plan.speed[:steps, run] > 3.0
        load = driven.motion.load[:steps, run][moving]
        lateral = driven.motion.force[:steps, run, 1][moving] / virtual_car.GRAVITY
        found[name] = {
            "setup": setup,
            "roll_gradient_body": _over_run(lateral, setups[setup]["corners"]),
            "left_share_front": float(np.mean(load[:, 0] / np.maximum(load[:, :2].sum(1), 1.0))),
            "left_share_rear": float(np.mean(load[:, 2] / np.maximum(load[:, 2:].sum(1), 1.0))),
            "lowest_load": dict(zip(virtual_car.WHEELS, load.min(0).tolist(), strict=True)),
            "lateral_force": np.percentile(lateral, [5.0, 25.0, 75.0, 95.0]).tolist(),
            "bottoming": contacts(car, driven, run, steps),
        }
    return found


def _over_run(lateral: Floats, corners: dict[str, Any]) -> dict[str, float]:
    """Return the slope of the steady response, each lateral force counted as often as the run had it."""
    slow = virtual_course.eased(lateral, virtual_course.STEP / DT)  # one second
    curve = {axle: np.interp(slow, corners["lateral_force"], corners[f"roll_{axle}"]) for axle in AXLES}
    return {axle: slope(slow, roll) for axle, roll in curve.items()}


def contacts(car: CarTruth, driven: Driven, run: int, steps: int) -> list[dict[str, Any]]:
    """Return every contact of a damper with its bump stop in one run, in order of time."""
    damper = driven.motion.travel[:steps, run] * car.per_wheel("motion_ratio")
    bank = driven.plan.course(driven.plan.distance[:steps])["bank"][:, run] * DEG
    rows = []
    for wheel, name in enumerate(virtual_car.WHEELS):
        touching = np.concatenate([[False], damper[:, wheel] > car.per_wheel("stop_gap")[wheel], [False]])
        edges = np.flatnonzero(touching[1:] != touching[:-1])
        for start, end in zip(edges[::2], edges[1::2], strict=True):
            peak = start + int(np.argmax(damper[start:end, wheel]))
            rows.append(
                {
                    "wheel": name,
                    "start": float(start * DT) - SETTLING,
                    "end": float(end * DT) - SETTLING,
                    "peak_mm": float(damper[peak, wheel]) * 1000.0,
                    "bank_deg": float(bank[peak]),
                }
            )
    return sorted(rows, key=lambda row: row["start"])


# The sheets of the sample session as a workshop would write them: near the truth, not equal to it.


CAR_SHEET: Final = """\
# Car sheet. Everything with a unit; the figure after ± is a standard uncertainty.
name = "Teal coupe"
notes = "invented car, for practice with this program"

[mass]
# Scales, driver in.
corner_loads.FL = "331 kgf ± 0.5 kgf"
corner_loads.FR = "329 kgf ± 0.5 kgf"
corner_loads.RL = "283 kgf ± 0.5 kgf"
corner_loads.RR = "287 kgf ± 0.5 kgf"
unsprung = { front = "76 kg ± 2 kg", rear = "88 kg ± 2 kg" } # both wheels of an axle
cg_height = "0.470 m ± 0.008 m" # whole car, tilt test
wheelbase = "2.53 m"

[front]
track_width = "1.540 m ± 2 mm"
roll_centre_height = "45 mm ± 4 mm"
wheel_radius = "0.31 m"
camber_gain = "21 deg/m ± 3 deg/m"
tyre_rate = "230 N/mm ± 4 %"
spring = { rate = "65 N/mm ± 1 %", motion_ratio = "0.932 ± 0.005" }

[front.damper]
bump_stop_gap = "36 mm"
full_bump = "57 mm"
full_droop = "50 mm"
bump_stop_rate.compression = ["0 mm", "5 mm", "10 mm", "15 mm", "20 mm"]
bump_stop_rate.load = ["0 N", "310 N", "750 N", "1310 N", "2000 N"]
rates = { bump = "3200 N s/m ± 5 %", rebound = "5200 N s/m ± 5 %" }

[front.bar]
kind = "bladed"
motion_ratio = "0.495 ± 0.003"
tube.material = "steel"
tube.yield_strength = "900 MPa" # tube and blades heat treated after welding, test piece
tube.outside_diameter = "28 mm"
tube.wall = "3 mm ± 0.05 mm"
tube.length = "0.87 m"
mounts = { spacing = "0.75 m", rate = "20 kN/mm ± 20 %" }
# Invented blades: they bend from the tube's axis, root 0. Of a real bar, measure to the edge of the weld.
blade.material = "spring steel"
blade.depth = "36 mm"
blade.thickness = "7 mm"
blade.root = "0 mm ± 0 mm"
blade.weld_strength = "900 MPa" # as the tube: heat treated after welding, test piece
holes = ["232 mm", "216 mm", "200 mm", "184 mm"] # hole 1 is the outermost, the softest
spacer = { thickness = "6 mm", side = "outboard", most = 3 }
bolt = { diameter = "10 mm", material = "bolt 10.9" }
fitted = { hole = 3, spacers = 0 }

[rear]
track_width = "1.520 m ± 2 mm"
roll_centre_height = "80 mm ± 5 mm"
wheel_radius = "0.315 m"
camber_gain = "20 deg/m ± 3 deg/m"
tyre_rate = "235 N/mm ± 4 %"
spring = { rate = "51 N/mm ± 1 %", motion_ratio = "0.955 ± 0.005" }

[rear.damper]
bump_stop_gap = "45 mm"
full_bump = "53 mm"
full_droop = "52 mm"
bump_stop_rate.compression = ["0 mm", "2 mm", "4 mm", "6 mm", "8 mm"]
bump_stop_rate.load = ["0 N", "100 N", "216 N", "350 N", "504 N"]
rates = { bump = "2600 N s/m ± 5 %", rebound = "4300 N s/m ± 5 %" }

[rear.bar]
kind = "bladed"
motion_ratio = "0.510 ± 0.003"
tube.material = "steel"
tube.yield_strength = "900 MPa" # tube and blades heat treated after welding, test piece
tube.outside_diameter = "24 mm"
tube.wall = "2 mm ± 0.04 mm"
tube.length = "0.83 m"
mounts = { spacing = "0.71 m", rate = "20 kN/mm ± 20 %" }
# Invented blades: they bend from the tube's axis, root 0. Of a real bar, measure to the edge of the weld.
blade.material = "spring steel"
blade.depth = "32 mm"
blade.thickness = "7 mm"
blade.root = "0 mm ± 0 mm"
blade.weld_strength = "900 MPa" # as the tube: heat treated after welding, test piece
holes = ["226 mm", "207 mm", "188 mm"]
spacer = { thickness = "5 mm", side = "outboard", most = 4 }
bolt = { diameter = "10 mm", material = "bolt 10.9" }
fitted = { hole = 2, spacers = 1 }

[logger]
level = ["0.3 s", "2.3 s"] # every run starts standing on level ground
LOGGER_EXTRA
[logger.channels]
time = { column = "Time", unit = "s" }
damper_FL = { column = "FL pot", volts = [0.5, 4.5], travel = ["-80 mm", "80 mm"] }
damper_FR = { column = "FR pot", volts = [0.5, 4.5], travel = ["-80 mm", "80 mm"] }
damper_RL = { column = "RL pot", volts = [0.5, 4.5], travel = ["-80 mm", "80 mm"] }
damper_RR = { column = "RR pot", volts = [0.5, 4.5], travel = ["80 mm", "-80 mm"] } # mounted the other way up
accel_x = { column = "LongG", unit = "g" }
accel_y = { column = "LatG", unit = "g" }
accel_z = { column = "VertG", unit = "g" }
gyro_x = { column = "Roll rate", unit = "deg/s" }
gyro_y = { column = "Pitch rate", unit = "deg/s" }
gyro_z = { column = "Yaw rate", unit = "deg/s" }
speed = { column = "Speed", unit = "km/h" }
steer_angle = { column = "Steer", unit = "deg" } # of the steering wheel, left positive
latitude = { column = "Lat", unit = "deg" }
longitude = { column = "Lon", unit = "deg" }

[logger.imu]
position = { x = "0.12 m", y = "0.03 m", z = "-0.06 m" } # from the sprung CG: forward, left, up
"""

SESSION_SHEET: Final = """\
# Session sheet: two set-ups that differ in the hole of the front bar, three runs each.
name = "Evening practice at Kettle Yard"
car = "car.toml"
course = "course.toml"

[setups.A]
front_bar = { hole = 3, spacers = 0 }
rear_bar = { hole = 2, spacers = 1 }
notes = "as the car came"

[setups.B]
front_bar = { hole = 1, spacers = 0 }
rear_bar = { hole = 2, spacers = 1 }
notes = "front links moved to the outermost hole"
"""

CONDITIONS: Final = (
    ("24 °C", "first pass, careful"),
    ("23 °C", ""),
    ("23 °C", "fast; heard the rear touch in the bowl"),
    ("22 °C", "after the change"),
    ("21 °C", ""),
    ("20 °C", "fast"),
)
"""Track temperature and notes of each run; tyres and fuel are set to the same before every run."""


def session_sheet(runs: list[tuple[str, str]]) -> str:
    """Return the session sheet for runs given as name and set-up."""
    text = SESSION_SHEET
    for (name, setup), (track, notes) in zip(runs, CONDITIONS, strict=True):
        text += f'''
[[runs]]
name = "{name}"
logs = ["{name}.csv.gz"]
setup = "{setup}"

[runs.conditions]
tyre_pressure_front = "190 kPa"
tyre_pressure_rear = "210 kPa"
fuel = "20 l"
track_temperature = "{track}"
driver = "first driver"
notes = "{notes}"
'''
    return text


def car_sheet(logger_extra: str = "") -> str:
    """Return the car sheet; `logger_extra` are further keys of its logger table."""
    return CAR_SHEET.replace("LOGGER_EXTRA\n", logger_extra)


def course_sheet() -> str:
    """Return the course sheet: the stretches of Kettle Yard by distance."""
    text = '# Course sheet: distances count from where the car starts to move.\nname = "Kettle Yard"\n'
    start = 0.0
    for part in KETTLE_YARD:
        end = start + part.length
        text += f'\n[[sections]]\nname = "{part.name}"\nstart = "{start:g} m"\nend = "{end:g} m"\n'
        if part.bank:
            text += f'bank = "{part.bank:g} deg ± 1 deg"\n'
        start = end
    return text


# Writes the sample session: sheets, logs, the truth, and beside them a small session with faults.


FAULTS: Final = "faults"
"""Folder of the session with faults, inside the sample session's folder."""

SHEETS: Final = ("car.toml", "session.toml", "course.toml")

Tell = Callable[[str], None]
STEPS: Final = 5
"""Times that `write_demo` tells what it does."""


def write_demo(folder: Path, seed: int = 7, progress: Tell | None = None) -> Path:
    """Let the virtual car drive the sample session and write everything to `folder`.

    Parameters
    ----------
    folder : Path
        Made when it does not exist; may hold other files, but none of those to be written.
    seed : int
        The same seed writes the same bytes.
    progress : callable, optional
        Told what is being done.

    Returns
    -------
    Path
        The session sheet, ready for `analyzer review`.

    Raises
    ------
    AnalyzerError
        When the folder holds a file that would be overwritten, or cannot be written to.
    """
    tell = progress or (lambda _text: None)
    logs = [f"{name}.csv.gz" for name, _ in sample_session.RUNS]
    refuse_existing(folder, [*SHEETS, "truth.json", *logs])
    refuse_existing(folder / FAULTS, _fault_names())
    driven = sample_session.drive_session(seed, tell)
    tell("finding the true values")
    setups = sample_session.true_values()
    truth = {"setups": setups, "runs": sample_session.run_truth(driven, setups)}
    files = _sheets(session_sheet(list(sample_session.RUNS)), car_sheet())
    files["truth.json"] = json_bytes(_rounded(truth), indent=1, sort_keys=False)
    tell("packing the logs")
    for name, table in zip(logs, driven.logs, strict=True):
        files[name] = packed(csv_text(table))
    files |= {f"{FAULTS}/{name}": content for name, content in _fault_files(driven).items()}
    write_all(folder, files)
    return folder / "session.toml"


def write_faults(folder: Path, seed: int = 7, progress: Tell | None = None) -> Path:
    """Write only the session with faults to `folder`; otherwise as `write_demo`."""
    refuse_existing(folder, _fault_names())
    write_all(folder, _fault_files(sample_session.drive_session(seed, progress or (lambda _text: None))))
    return folder / "session.toml"


def refuse_existing(folder: Path, names: list[str]) -> None:
    """Raise `AnalyzerError` when one of `names` is already in `folder`."""
    if folder.exists() and not folder.is_dir():
        raise AnalyzerError(f"{folder}: is not a folder; name a folder to write the sample session to")
    taken = [name for name in names if (folder / name).exists()]
    if taken:
        more = f" and {len(taken) - 1} more" if len(taken) > 1 else ""
        raise AnalyzerError(
            f"{folder}: holds {taken[0]}{more} already, nothing was written; name an empty or a new folder"
        )


def write_all(folder: Path, files: dict[str, bytes]) -> None:
    """Write `files` under other names first and move all of them into place at the end."""
    # The session sheets go last: where one stands, all it names stands too.
    last = sorted(files.items(), key=lambda item: Path(item[0]).name == "session.toml")
    try:
        write_together({folder / name: content for name, content in last})
    except OSError as error:
        reason = error.strerror or "it cannot be written"
        raise AnalyzerError(f"{folder}: {reason}; name a folder that can be written to") from error


def packed(text: str) -> bytes:
    """Return `text` gzipped without name and time, so that the same text gives the same bytes."""
    buffer = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=9, fileobj=buffer, mtime=0) as file:
        file.write(text.encode())
    return buffer.getvalue()


def _fault_names() -> list[str]:
    return [*SHEETS, "f01.csv.gz", "f02.csv.gz"]


def _fault_files(driven: Driven) -> dict[str, bytes]:
    files = _sheets(sample_session.FAULT_SESSION, car_sheet())
    return files | {f"{name}.gz": packed(text) for name, text in sample_session.fault_logs(driven).items()}


def _sheets(session: str, car: str) -> dict[str, bytes]:
    texts = {"car.toml": car, "session.toml": session, "course.toml": course_sheet()}
    return {name: text.encode() for name, text in texts.items()}


def _rounded(value: Any) -> Any:
    """Return nested results as plain numbers of six digits."""
    if isinstance(value, dict):
        return {key: _rounded(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(inner) for inner in value]
    return float(f"{value:.6g}") if isinstance(value, float) else value
