"""What the virtual car's logger writes: sensors with offset, noise, lag, tilt and steps, in volts and g."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.demo.engine import Motion
from analyzer.demo.virtual_car import GRAVITY, WHEELS, CarTruth, Floats
from analyzer.demo.virtual_course import DT

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
    car: CarTruth, sampled: object, motion: Motion, logger: Logger, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Return accelerometer [g] and gyro [deg/s] readings at the unit's place."""
    assert callable(sampled)
    force, turning, rate = (sampled(a) for a in (motion.force, motion.turning, motion.turning_rate))
    arm = np.array(car.imu)
    there = force + np.cross(rate, arm) + np.cross(turning, np.cross(turning, arm))
    there = there - np.cross(logger.tilt, there) + logger.accel_offset
    accel = there / GRAVITY + 0.015 * rng.standard_normal(there.shape)
    gyro = np.degrees(turning - np.cross(logger.tilt, turning) + logger.gyro_offset)
    gyro = gyro + 0.12 * rng.standard_normal(gyro.shape)
    return accel, gyro


def csv_text(table: Floats) -> str:
    """Return a log as text: one line of names, then the numbers."""
    form = ",".join(COLUMNS.values())
    lines = [",".join(COLUMNS)]
    lines += [form % tuple(row) for row in table.tolist()]
    return "\n".join(lines) + "\n"
