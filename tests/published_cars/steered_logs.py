"""Published cars steered quickly enough to set their roll swinging, as a session of one run."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
from published_cars.driven_logs import LOG_RATE, DrivenRun, car_sheet, rear_hardware, recorded, write_log
from published_cars.multi_body import drive, published_car
from scipy.signal import butter, sosfiltfilt

STEPS = 1000
"""Points of the steering per second."""
NOISE = {
    "damper_FL": 2e-4,
    "damper_FR": 2e-4,
    "damper_RL": 2e-4,
    "damper_RR": 2e-4,
    "accel_y": 0.1,
    "gyro_x": 0.003,
    "gyro_z": 0.003,
    "steer_angle": 6.7e-5,
}
"""White noise of usual sensors at 100 samples per second, standard deviation [SI]."""


def steering(kind: str, duration: float, largest: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return time [s] and road-wheel angle [rad]: a rising tone, a quick slalom or a nervous hand."""
    time = np.arange(0.0, duration, 1.0 / STEPS)
    if kind == "rising":
        angle = np.sin(2.0 * np.pi * np.cumsum(0.2 + 2.8 * time / duration) / STEPS)
    elif kind == "slalom":
        swing = np.sin(2.0 * np.pi * (0.45 * time + 0.05 * np.sin(2.0 * np.pi * 0.07 * time)))
        soft = np.hanning(250)
        hold = 0.9 + 0.3 * np.sin(
            2.0 * np.pi * 0.031 * time
        )  # no two corners alike, or the log looks clipped
        angle = np.convolve(hold * np.clip(3.0 * swing, -1.0, 1.0), soft / soft.sum(), mode="same")
    else:
        raw = np.random.default_rng(seed).standard_normal(len(time))
        angle = sosfiltfilt(butter(2, 1.5, fs=STEPS, output="sos"), raw)
        angle /= 2.0 * angle.std()
    return time, largest * angle * np.minimum(1.0, time / 2.0)


@cache
def steered_run(number: int, front_bar: float, kind: str, speed: float = 15.0) -> DrivenRun:
    """Steer the car for 40 s at one speed, to 0.2 to 0.4 g, and return what its sensors see."""
    car = published_car(number, front_bar)
    largest = 0.023 * (15.0 / speed) ** 1.3
    at, angle = steering(kind, 40.0, largest, number)
    time, states, slopes = drive(car, lambda t: float(np.interp(t, at, angle)), 40.0, LOG_RATE, speed)
    return recorded(car, time, states, slopes)


def noisy(run: DrivenRun, seed: int) -> DrivenRun:
    """Return the run with the noise of usual sensors added."""
    rng = np.random.default_rng(seed)
    channels = run.channels.copy()
    for name, deviation in NOISE.items():
        channels[name] += deviation * rng.standard_normal(len(channels))
    return DrivenRun(channels, run.roll_front, run.roll_rear, run.road_lateral)


def write_steered(folder: Path, number: int, front_bar: float, run: DrivenRun) -> Path:
    """Write log and sheets of one run with the front bar whole or off; return the session sheet."""
    setting = {1.0: "{ hole = 2 }", 0.0: '"off"'}[front_bar]
    rear = "" if rear_hardware(number) is None else "rear_bar = { hole = 1 }\n"
    (folder / "car.toml").write_text(car_sheet(number), encoding="utf-8")
    write_log(run, folder / "r01.csv")
    path = folder / "session.toml"
    path.write_text(
        f'name = "Vehicle {number}"\ncar = "car.toml"\n[setups.driven]\nfront_bar = {setting}\n{rear}'
        '[[runs]]\nname = "r01"\nlogs = ["r01.csv"]\nsetup = "driven"\n',
        encoding="utf-8",
    )
    return path
