"""A body on springs that rolls and heaves over a rough road while it is steered.

Pots and inertial unit agree by its equations of motion, integrated step by step, and by nothing of the
analyzer's.
"""

from __future__ import annotations

import numpy as np
from ingest.helpers import POTS, Log, smooth_noise

from analyzer.core.units import STANDARD_GRAVITY


def rolling_log(seconds: float = 60.0, rate: float = 200.0, seed: int = 1, roughness: float = 1.0) -> Log:
    """Return a log of the car; the integration runs at four times the rate."""
    rng = np.random.default_rng(seed)
    fine = 4 * rate
    n = round(seconds * fine)
    time = np.arange(n) / fine
    moving = np.clip((time - 3.0) / 1.0, 0.0, 1.0)
    lateral = moving * (
        6.0 * np.sin(0.8 * (time - 3.0)) + 1.5 * np.sin(2.9 * time) + smooth_noise(rng, n, fine, 1.5) * 0.5
    )
    road_roll = (
        roughness
        * moving
        * (0.008 * smooth_noise(rng, n, fine, 2.5) + 0.004 * smooth_noise(rng, n, fine, 6.0))
    )
    road_heave = (
        roughness
        * moving
        * (0.010 * smooth_noise(rng, n, fine, 2.5) + 0.003 * smooth_noise(rng, n, fine, 7.0))
    )
    k_roll, c_roll, inertia, arm = 52_000.0, 3_600.0, 420.0, 480.0
    k_heave, c_heave, mass = 120_000.0, 9_000.0, 1_060.0
    state = np.zeros(4)
    turn = np.gradient(road_roll, 1 / fine)
    lift = np.gradient(road_heave, 1 / fine)
    roll, rate_of_roll, rise, up = (np.zeros(n) for _ in range(4))
    for i in range(n):  # semi-implicit Euler steps of 1.25 ms
        phi, p, z, w = state
        p += (arm * lateral[i] - k_roll * (phi - road_roll[i]) - c_roll * (p - turn[i])) / inertia / fine
        w += (-k_heave * (z - road_heave[i]) - c_heave * (w - lift[i])) / mass / fine
        state = np.array([phi + p / fine, p, z + w / fine, w])
        roll[i], rate_of_roll[i], rise[i], up[i] = state
    every = slice(None, None, 4)
    suspension_roll, compression = (roll - road_roll)[every], -(rise - road_heave)[every]
    count = len(suspension_roll)
    white = {name: rng.standard_normal(count) for name in (*POTS, "x", "y", "z", "p", "r")}
    columns = {"Time [s]": time[every]}
    for corner in POTS:
        side = -1.0 if corner[1] == "L" else 1.0
        columns[f"{corner} pot [mm]"] = 1000.0 * (
            compression + side * 0.74 * suspension_roll + 0.00008 * white[corner]
        )
    columns["LonG [g]"] = 0.02 * white["x"]
    columns["LatG [g]"] = lateral[every] / STANDARD_GRAVITY + 0.02 * white["y"]
    columns["VertG [g]"] = 1.0 + np.gradient(up, 1 / fine)[every] / STANDARD_GRAVITY + 0.03 * white["z"]
    columns["Roll rate [deg/s]"] = np.degrees(rate_of_roll[every]) + 0.2 * white["p"]
    columns["Yaw rate [deg/s]"] = np.degrees(lateral[every] / 15.0) + 0.2 * white["r"]
    return Log(columns)


def parted(log: Log, offset: float, drift: float = 0.0, middle: float = 0.0) -> tuple[Log, Log]:
    """Return the pots on their clock, and the inertial unit on one that lacks `offset` and drifts.

    The offset is to be added to the unit's clock; it holds at its time `middle`, growing by `drift` a second.
    """
    time = log.columns["Time [s]"]
    pots = {name: v for name, v in log.columns.items() if "pot" in name or name.startswith("Time")}
    unit = {name: v for name, v in log.columns.items() if "pot" not in name and not name.startswith("Time")}
    other = (time - offset + drift * middle) / (1.0 + drift)
    return Log(pots), Log({"Time [s]": other, **unit})
