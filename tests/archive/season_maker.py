"""Write a season of a linear car to disk: many sessions, dated or not, with a front bar that loses stiffness.

``python tests/archive/season_maker.py FOLDER SESSIONS RUNS`` writes one by hand, outside the repository.
"""

from __future__ import annotations

import datetime as dt
import json
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
from processing.linear_car import Drive, LinearCar, Noise, log_channels, respond, road_roll

UNITS = {"d": "m", "a": "m/s^2", "g": "rad/s", "s": "m/s"}
FIRST_DAY = dt.date(2031, 3, 1)


@dataclass(frozen=True)
class Plan:
    """What a season holds.

    `wear` is what part of the front bar's rate is gone at the last session; `gap` the bump-stop gap.
    """

    sessions: int = 3
    runs: int = 2
    cars: tuple[str, ...] = ("Teal coupe",)
    seconds: float = 30.0
    rate: float = 100.0
    wear: float = 0.0
    gap: str = "42 mm"
    dated: bool = True
    seed: int = 1


def write_season(folder: Path, plan: Plan | None = None) -> None:
    """Write the season; sessions go to the cars in turn, one a week."""
    plan = plan or Plan()
    for number in range(plan.sessions):
        car = plan.cars[number % len(plan.cars)]
        home = folder / car.split()[0].lower() / f"s{number:03d}"
        home.mkdir(parents=True)
        write_sheets(home, plan, car, number)
        bars = (90000.0 * (1.0 - plan.wear * number / max(plan.sessions - 1, 1)), 40000.0)
        for run in range(plan.runs):
            write_log(home / f"r{run + 1:02d}.csv", plan, replace(LinearCar(), bar=bars), 100 * number + run)


def write_log(path: Path, plan: Plan, car: LinearCar, seed: int) -> None:
    """Write one run as CSV."""
    drive = Drive(seconds=plan.seconds, rate=plan.rate, seed=plan.seed + seed)
    noise = Noise(road=0.002)
    rng = np.random.default_rng((plan.seed, seed))
    response = respond(car, drive.time(), drive.acceleration(), road_roll(noise, drive, rng))
    channels = log_channels(car, response, drive, noise, rng)
    columns = {"time": np.round(drive.time(), 4)}
    columns |= {name: np.round(values, 6) for name, values in channels.items()}
    options = pacsv.WriteOptions(quoting_style="none")
    pacsv.write_csv(pa.table(columns), path, write_options=options)


def write_sheets(home: Path, plan: Plan, car: str, number: int) -> None:
    """Write car, course and session sheet of one session."""
    (home / "car.toml").write_text(toml(car_table(car, plan.gap)), encoding="utf-8")
    course = {"name": "Kettle Yard", "sections": [{"name": "all", "start": "0 s", "end": "10 s"}]}
    (home / "course.toml").write_text(toml(course), encoding="utf-8")
    table: dict[str, object] = {"name": f"Session {number}", "car": "car.toml", "course": "course.toml"}
    if plan.dated:
        table["date"] = str(FIRST_DAY + dt.timedelta(weeks=number))
    table["setups"] = {"A": {"front_bar": {"hole": 1, "spacers": 0}, "rear_bar": {"hole": 1}}}
    names = [f"r{run + 1:02d}" for run in range(plan.runs)]
    table["runs"] = [
        {"name": n, "logs": [f"{n}.csv"], "setup": "A", "conditions": {"fuel": "20 l"}} for n in names
    ]
    (home / "session.toml").write_text(toml(table), encoding="utf-8")


def car_table(name: str, gap: str) -> dict[str, object]:
    """Return the car sheet of the linear car with its channel map."""
    car = LinearCar()
    total = [car.sprung[k] + car.unsprung[k] for k in (0, 1)]
    wheels = sum(car.unsprung[k] * car.wheel_radius[k] for k in (0, 1))
    pairs = ((0, "FL"), (0, "FR"), (1, "RL"), (1, "RR"))
    axles = [car._axle(k) for k in (0, 1)]
    for axle in axles:
        axle["damper"] = {"bump_stop_gap": gap, "full_bump": "61 mm", "bump_stop_rate": "60 N/mm"}
    channels = [f"damper_{c}" for _, c in pairs]
    channels += [f"{kind}_{axis}" for kind in ("accel", "gyro") for axis in "xyz"] + ["speed"]
    return {
        "name": name,
        "mass": {
            "corner_loads": {corner: f"{total[k] * 9.80665 / 2.0} N" for k, corner in pairs},
            "unsprung": {"front": f"{car.unsprung[0]} kg", "rear": f"{car.unsprung[1]} kg"},
            "cg_height": f"{(sum(car.sprung) * car.sprung_height + wheels) / sum(total)} m",
            "wheelbase": f"{car.wheelbase} m",
        },
        "front": axles[0],
        "rear": axles[1],
        "logger": {
            "zero": "calibration",
            # The linear car's box is level, and its accelerometers know no attitude to find a lean by.
            "imu": {"lean": dict.fromkeys(("roll", "pitch", "yaw"), "0 deg ± 0.05 deg")},
            "channels": {
                "time": {"column": "time", "unit": "s"},
                **{channel: {"column": channel, "unit": UNITS[channel[0]]} for channel in channels},
            },
        },
    }


def toml(table: dict[str, object]) -> str:
    """Return a table as TOML, one line per key, tables inline."""
    return "".join(f"{key} = {_value(value)}\n" for key, value in table.items())


def _value(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return json.dumps(value, ensure_ascii=False)


if __name__ == "__main__":
    target, sessions, runs = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    names = ("Teal coupe", "Ochre saloon")
    write_season(target, Plan(sessions, runs, names, seconds=60.0, rate=200.0, wear=0.2, gap="20 mm"))
