"""The virtual car's own answers, found by its engine: what an analysis of its logs should come to."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from analyzer.demo.car import GRAVITY, SETUPS, TEAL_COUPE, WHEELS, CarTruth, Floats, Setting, bar_rates
from analyzer.demo.course import COLUMNS, eased
from analyzer.demo.engine import simulate
from analyzer.demo.plan import plan_from
from analyzer.demo.road import STEP
from analyzer.demo.sensors import SETTLING
from analyzer.demo.session import RUNS, Driven
from analyzer.demo.suspension import Suspension

SWEEP_SPEED: Final = 15.0
"""Speed of the steady corners [m/s]."""

SWEEP_SECONDS: Final = 6.0
SETTLED_SECONDS: Final = 0.4
LEVELS: Final[Floats] = np.linspace(-1.05, 1.05, 15)
"""Lateral accelerations of the steady corners [g]."""

DEG: Final = 180.0 / np.pi


def true_values(
    car: CarTruth = TEAL_COUPE, setups: dict[str, Setting] | None = None, levels: Floats = LEVELS
) -> dict[str, dict[str, Any]]:
    """Return what each set-up of the virtual car truly does, by steady corners on a smooth level road.

    Parameters
    ----------
    car : CarTruth
        The car.
    setups : dict or None
        Name -> setting; the sample session's when None.
    levels : ndarray
        Lateral accelerations to corner at, both directions [g].

    Returns
    -------
    dict
        Per set-up: ``bar_rate`` [N/m], ``roll_stiffness`` [N m/deg] and ``roll_gradient_body``,
        ``roll_gradient`` [deg/g] per axle as slopes over the whole range of `levels` and, ``small``, over
        0.35 g; ``corners``: the steady corners themselves, with lateral specific force in body axes, level
        lateral acceleration [g], suspension roll [deg], left share [1].
    """
    chosen = SETUPS if setups is None else setups
    bars = np.stack([bar_rates(car, setting) for setting in chosen.values()])
    corners = steady_corners(car, np.repeat(bars, levels.size, axis=0), np.tile(levels, len(chosen)))
    found: dict[str, dict[str, Any]] = {}
    for index, (name, setting) in enumerate(chosen.items()):
        rows = slice(index * levels.size, (index + 1) * levels.size)
        mine = {key: value[rows] for key, value in corners.items()}
        found[name] = {
            "bar_rate": _bar_rate(car, setting),
            "roll_stiffness": roll_stiffness(car, bars[index : index + 1]),
            "roll_gradient_body": _slopes(mine, "lateral_force"),
            "roll_gradient": _slopes(mine, "lateral_acceleration"),
            "corners": {key: value.tolist() for key, value in mine.items()},
        }
    return found


def steady_corners(car: CarTruth, bars: Floats, levels: Floats) -> dict[str, Floats]:
    """Drive one steady corner for each row of `bars` at each of `levels` [g] and read the settled values.

    Returns
    -------
    dict
        ``lateral_force`` (body axes) and ``lateral_acceleration`` [g]; ``roll_front``, ``roll_rear``,
        ``body_roll`` [deg]; ``left_share_front``, ``left_share_rear`` [1]; ``load`` (.., 4) [N].
    """
    points = int((SWEEP_SPEED * SWEEP_SECONDS + 30.0) / STEP)
    ramp = eased((np.arange(points) * STEP > 0.20 * SWEEP_SPEED * SWEEP_SECONDS).astype(float), 25.0)
    curvature = levels[:, None] * GRAVITY / SWEEP_SPEED**2 * ramp
    tables = np.zeros((levels.size, points, len(COLUMNS)))
    tables[..., COLUMNS.index("curvature")] = curvature
    tables[..., COLUMNS.index("curvature_rate")] = np.gradient(curvature, STEP, axis=1)
    tables[..., COLUMNS.index("heading")] = np.cumsum(curvature, axis=1) * STEP
    pulls = np.zeros((int(SWEEP_SECONDS / 0.01) + 1, levels.size))
    motion = simulate(car, bars, plan_from(tables, pulls, 0.01, np.full(levels.size, SWEEP_SPEED), None))
    last = slice(-int(SETTLED_SECONDS / 0.001), None)
    travel, load = motion.travel[last].mean(0), motion.load[last].mean(0)
    # Level lateral acceleration: at right angles to the way, in the horizontal plane.
    way = motion.velocity[last, :, :2]
    way = way / np.linalg.norm(way, axis=-1, keepdims=True)
    # The centre of mass's own change of velocity, by differences in the inertial frame.
    change = np.gradient(motion.velocity[last, :, :2], 0.001, axis=0)
    level = (way[..., 0] * change[..., 1] - way[..., 1] * change[..., 0]).mean(0)
    up = motion.up[last].mean(0)
    return {
        "lateral_force": motion.force[last, :, 1].mean(0) / GRAVITY,
        "lateral_acceleration": level / GRAVITY,
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


def run_truth(driven: Driven) -> dict[str, dict[str, Any]]:
    """Return what each run of a session truly did: loads and contacts with the bump stops.

    Returns
    -------
    dict
        Per run: ``left_share_front``, ``left_share_rear`` (mean while moving), ``lowest_load`` [N] per
        wheel, ``lateral_force`` (5th, 25th, 75th, 95th percentile while moving) [g], ``bottoming``: per
        contact the wheel, start, end [s of the log], greatest damper travel [mm] and bank [deg].
    """
    found: dict[str, dict[str, Any]] = {}
    car = TEAL_COUPE
    for run, (name, setup) in enumerate(RUNS):
        steps = int(driven.ends[run] * 1000.0)
        moving = driven.plan.speed[:steps, run] > 3.0
        load = driven.motion.load[:steps, run][moving]
        lateral = driven.motion.force[:steps, run, 1][moving] / GRAVITY
        found[name] = {
            "setup": setup,
            "left_share_front": float(np.mean(load[:, 0] / np.maximum(load[:, :2].sum(1), 1.0))),
            "left_share_rear": float(np.mean(load[:, 2] / np.maximum(load[:, 2:].sum(1), 1.0))),
            "lowest_load": dict(zip(WHEELS, load.min(0).tolist(), strict=True)),
            "lateral_force": np.percentile(lateral, [5.0, 25.0, 75.0, 95.0]).tolist(),
            "bottoming": contacts(car, driven, run, steps),
        }
    return found


def contacts(car: CarTruth, driven: Driven, run: int, steps: int) -> list[dict[str, Any]]:
    """Return every contact of a damper with its bump stop in one run, in order of time."""
    damper = driven.motion.travel[:steps, run] * car.per_wheel("motion_ratio")
    bank = driven.plan.course(driven.plan.distance[:steps])["bank"][:, run] * DEG
    rows = []
    for wheel, name in enumerate(WHEELS):
        touching = np.concatenate([[False], damper[:, wheel] > car.per_wheel("stop_gap")[wheel], [False]])
        edges = np.flatnonzero(touching[1:] != touching[:-1])
        for start, end in zip(edges[::2], edges[1::2], strict=True):
            peak = start + int(np.argmax(damper[start:end, wheel]))
            rows.append(
                {
                    "wheel": name,
                    "start": start / 1000.0 - SETTLING,
                    "end": end / 1000.0 - SETTLING,
                    "peak_mm": float(damper[peak, wheel]) * 1000.0,
                    "bank_deg": float(bank[peak]),
                }
            )
    return sorted(rows, key=lambda row: row["start"])
