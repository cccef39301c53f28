"""A linear car for tests: a rigid body that rolls on two axles with springs, dampers and tyres.

Written for the tests of this room alone; solved in the frequency domain, so a run costs milliseconds and
holds no integration error. All signals are periodic over the run. Small angles, level or gently twisted road.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.ingest.recording import HealthRow, Recording
from analyzer.sheets.car import CarSheet

G = 9.80665
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LinearCar:
    """Masses, rates and geometry [SI]; front first in every pair."""

    sprung: tuple[float, float] = (560.0, 490.0)
    unsprung: tuple[float, float] = (76.0, 88.0)
    sprung_height: float = 0.50
    roll_centre: tuple[float, float] = (0.045, 0.09)
    wheel_radius: tuple[float, float] = (0.31, 0.31)
    camber_gain: tuple[float, float] = (0.35, 0.35)
    track: tuple[float, float] = (1.54, 1.52)
    wheelbase: float = 2.53
    spring: tuple[float, float] = (78453.0, 58840.0)
    ratio: tuple[float, float] = (0.94, 0.90)
    bar: tuple[float, float] = (90000.0, 40000.0)
    bar_ratio: tuple[float, float] = (0.58, 0.55)
    damping: tuple[float, float] = (3800.0, 3000.0)
    tyre: tuple[float, float] = (230e3, 240e3)
    inertia: float = 380.0

    def stiffness(self, axle: int) -> float:
        """Roll stiffness of springs and bar [N m/rad]."""
        rate = self.spring[axle] * self.ratio[axle] ** 2 + self.bar[axle] * self.bar_ratio[axle] ** 2
        return rate * self.track[axle] ** 2 / 2.0

    def tyre_stiffness(self, axle: int) -> float:
        return self.tyre[axle] * self.track[axle] ** 2 / 2.0

    def share(self, axle: int) -> float:
        return 1.0 - self.camber_gain[axle] * self.track[axle] / 2.0

    def moment(self, axle: int) -> float:
        """Moment on the springs per lateral specific force [kg m]."""
        wheels = self.unsprung[axle] * self.wheel_radius[axle] * self.share(axle)
        return self.sprung[axle] * (self.sprung_height - self.roll_centre[axle]) + wheels

    def direct(self, axle: int) -> float:
        wheels = self.unsprung[axle] * self.wheel_radius[axle] * (1.0 - self.share(axle))
        return self.sprung[axle] * self.roll_centre[axle] + wheels

    @property
    def places(self) -> tuple[float, float]:
        """Front and rear axle ahead of the sprung CG [m]."""
        total = sum(self.sprung)
        return self.wheelbase * self.sprung[1] / total, -self.wheelbase * self.sprung[0] / total

    def static_slopes(self) -> tuple[tuple[float, float], tuple[float, float], float]:
        """Suspension roll per body-axes force, per level-road acceleration, and body roll per the latter.

        Unknowns phi_f, phi_r, phi_b for a = 1: moment balance and two axles that share the body.
        """
        kf, kr = self.stiffness(0), self.stiffness(1)
        tf, tr = self.tyre_stiffness(0), self.tyre_stiffness(1)
        moment = self.moment(0) + self.moment(1)
        matrix = np.array([[kf, kr, -moment * G], [1.0 + kf / tf, 0.0, -1.0], [0.0, 1.0 + kr / tr, -1.0]])
        right = np.array([moment, -self.direct(0) / tf, -self.direct(1) / tr])
        front, rear, body = np.linalg.solve(matrix, right)
        force = 1.0 + G * body
        return (front / force, rear / force), (front, rear), body

    def sheet(self, **changes: object) -> CarSheet:
        """The car sheet a builder would write for this car."""
        total = [self.sprung[k] + self.unsprung[k] for k in (0, 1)]
        wheels = sum(self.unsprung[k] * self.wheel_radius[k] for k in (0, 1))
        height = (sum(self.sprung) * self.sprung_height + wheels) / sum(total)
        axles = [self._axle(k) for k in (0, 1)]
        table: dict[str, object] = {
            "name": "Linear car",
            "mass": {
                "corner_loads": {
                    c: f"{total[k] * G / 2.0!r} N"
                    for k, pair in enumerate((("FL", "FR"), ("RL", "RR")))
                    for c in pair
                },
                "unsprung": {"front": f"{self.unsprung[0]} kg", "rear": f"{self.unsprung[1]} kg"},
                "cg_height": f"{height!r} m",
                "wheelbase": f"{self.wheelbase} m",
            },
            "front": axles[0],
            "rear": axles[1],
            **changes,
        }
        return CarSheet.model_validate(table)

    def _axle(self, k: int) -> dict[str, object]:
        return {
            "track_width": f"{self.track[k]} m ± 0.2 %",
            "roll_centre_height": f"{self.roll_centre[k]} m",
            "wheel_radius": f"{self.wheel_radius[k]} m",
            "camber_gain": f"{self.camber_gain[k]} rad/m",
            "tyre_rate": f"{self.tyre[k]} N/m",
            "spring": {"rate": f"{self.spring[k]} N/m", "motion_ratio": f"{self.ratio[k]} ± 0.5 %"},
            "damper": {"bump_stop_gap": "42 mm", "full_bump": "61 mm", "bump_stop_rate": "60 N/mm"},
            "bar": {
                "kind": "bladed",
                "motion_ratio": self.bar_ratio[k],
                "tube": {"outside_diameter": "30 mm", "wall": "2.5 mm", "length": "0.86 m"},
                "mounts": {"spacing": "0.74 m"},
                "blade": {"depth": "36 mm", "thickness": "7 mm", "root": "0 mm ± 0 mm"},
                "holes": ["228 mm"],
            },
        }

    @property
    def bar_rates(self) -> dict[str, float]:
        return {"front": self.bar[0], "rear": self.bar[1]}


@dataclass(frozen=True)
class Noise:
    """Standard deviations of white noise per log sample [SI]."""

    damper: float = 0.0001
    accel: float = 0.05
    gyro: float = 0.002
    road: float = 0.0
    """Road roll under each axle: standard deviation of its part below 20 Hz [rad]."""


@dataclass(frozen=True)
class Drive:
    """A manoeuvre: lateral acceleration over time [m/s2]."""

    seconds: float = 60.0
    rate: float = 200.0
    peak: float = 9.0
    fastest: float = 0.6
    seed: int = 1
    speed: float | None = 15.0
    extra: dict[str, Floats] = field(default_factory=dict)

    def time(self) -> Floats:
        return np.arange(round(self.seconds * self.rate)) / self.rate

    def acceleration(self) -> Floats:
        """A smooth random weave with energy up to `fastest` [Hz]."""
        count = len(self.time())
        rng = np.random.default_rng(1000 + self.seed)
        lines = np.fft.rfftfreq(count, 1.0 / self.rate)
        inside = (lines > 0.0) & (lines <= self.fastest)
        spectrum = np.zeros(len(lines), dtype=complex)
        spectrum[inside] = rng.standard_normal(inside.sum()) + 1j * rng.standard_normal(inside.sum())
        wave = np.fft.irfft(spectrum, count)
        result: Floats = np.tanh(1.5 * wave / wave.std() / 2.0)
        return self.peak * result / np.abs(result).max()


@dataclass(frozen=True)
class Response:
    """What the car does, without sensors."""

    time: Floats
    force: Floats
    body: Floats
    roll: tuple[Floats, Floats]
    rate: Floats


def respond(
    car: LinearCar, time: Floats, acceleration: Floats, road: tuple[Floats, Floats], speed: float = 15.0
) -> Response:
    """Exact periodic response: one 4 x 4 system per frequency.

    The nose follows the path, so yaw acceleration is that of acceleration over speed; an axle feels the
    lateral acceleration at its own place.
    """
    count = len(time)
    step = time[1] - time[0]
    s = 2j * np.pi * np.fft.rfftfreq(count, step)
    moment = car.moment(0) + car.moment(1)
    swing = [1.0 + place * s / speed for place in car.places]
    # Unknowns body roll, front and rear suspension roll; f = a + g body.
    matrix = np.zeros((len(s), 3, 3), dtype=complex)
    right = np.zeros((len(s), 3), dtype=complex)
    a, *rho = (np.fft.rfft(x) for x in (acceleration, *road))
    matrix[:, 0, 0] = car.inertia * s**2 - moment * G
    right[:, 0] = sum(car.moment(k) * swing[k] for k in (0, 1)) * a
    for k in (0, 1):
        carried = car.stiffness(k) + car.damping[k] * s
        matrix[:, 0, 1 + k] = carried
        tyre = car.tyre_stiffness(k)
        matrix[:, 1 + k, 1 + k] = 1.0 + carried / tyre
        # Past the springs goes the road-plane force a, not the body-axes one.
        matrix[:, 1 + k, 0] = -1.0
        right[:, 1 + k] = -rho[k] - car.direct(k) / tyre * swing[k] * a
    solved = np.linalg.solve(matrix, right[:, :, None])[:, :, 0]
    body, front, rear = (np.fft.irfft(solved[:, k], count) for k in range(3))
    rate = np.fft.irfft(s * solved[:, 0], count)
    return Response(time, acceleration + G * body, body, (front, rear), rate)


def road_roll(noise: Noise, drive: Drive, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """White road roll below 20 Hz, the rear wheels follow the front ones by the wheelbase."""
    count = len(drive.time())
    if noise.road == 0.0:
        return np.zeros(count), np.zeros(count)
    lines = np.fft.rfftfreq(count, 1.0 / drive.rate)
    white = np.fft.rfft(rng.standard_normal(count))
    white[lines > 20.0] = 0.0
    front = np.fft.irfft(white, count)
    lag = 2.53 / (drive.speed or 15.0)
    rear = np.fft.irfft(white * np.exp(-2j * np.pi * lines * lag), count)
    scale = noise.road / front.std()
    return front * scale, rear * scale


def drive_car(
    car: LinearCar, drive: Drive | None = None, noise: Noise | None = None, seed: int = 0, name: str = "r01"
) -> tuple[Recording, Response]:
    """Drive the car and log it; returns the recording and the truth."""
    drive, noise = drive or Drive(), noise or Noise()
    rng = np.random.default_rng(seed)
    road = road_roll(noise, drive, rng)
    response = respond(car, drive.time(), drive.acceleration(), road, drive.speed or 15.0)
    return record(log_channels(car, response, drive, noise, rng), drive.rate, name), response


def log_channels(
    car: LinearCar, response: Response, drive: Drive, noise: Noise, rng: np.random.Generator
) -> dict[str, Floats]:
    """Turn the truth into what sensors at the CG and at the dampers read."""
    count = len(response.time)
    channels: dict[str, Floats] = {}
    for k, (left, right) in enumerate((("FL", "FR"), ("RL", "RR"))):
        half = np.tan(response.roll[k]) * car.track[k] / 2.0 * car.ratio[k]
        channels[f"damper_{left}"] = -half
        channels[f"damper_{right}"] = half
    channels["accel_x"] = np.zeros(count)
    channels["accel_y"] = response.force
    level = response.force - G * response.body
    channels["accel_z"] = G * np.cos(response.body) - level * np.sin(response.body)
    channels["gyro_x"] = response.rate
    channels["gyro_y"] = np.zeros(count)
    channels["gyro_z"] = (response.force - G * response.body) / (drive.speed or 15.0)
    channels |= drive.extra
    for channel, values in channels.items():
        std = {"d": noise.damper, "a": noise.accel, "g": noise.gyro}.get(channel[0], 0.0)
        channels[channel] = values + std * rng.standard_normal(count)
    if drive.speed is not None:
        channels["speed"] = np.full(count, drive.speed)
    return channels


def record(
    channels: dict[str, Floats], rate: float, name: str = "r01", health: tuple[HealthRow, ...] = ()
) -> Recording:
    """Wrap channels as a recording."""
    count = len(next(iter(channels.values())))
    index = pd.Index(np.arange(count) / rate, name="time_s")
    data = pd.DataFrame(channels, index=index)
    suspect = pd.DataFrame(False, index=index, columns=data.columns)
    return Recording(name, data, suspect, rate, (), health, ())
