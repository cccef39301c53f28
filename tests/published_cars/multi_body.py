"""The published multi-body car: its equations, rest, steady turns, driven runs and modes.

Source: package commonroad-vehicle-models 3.0.2, vehicles 1 to 3 (M. Althoff and G. Wuersching, CommonRoad:
Vehicle Models, 2020, table 6; parameters of the vehicle dynamics model DOT HS 807 956). The package gives the
right-hand side and the parameters; everything here only solves it. Its axes are x forward, y right, z down,
roll positive when the right side goes down; nothing of the analyzer is used.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
from vehiclemodels.init_mb import init_mb
from vehiclemodels.parameters_vehicle1 import parameters_vehicle1
from vehiclemodels.parameters_vehicle2 import parameters_vehicle2
from vehiclemodels.parameters_vehicle3 import parameters_vehicle3
from vehiclemodels.vehicle_dynamics_mb import vehicle_dynamics_mb

Array = npt.NDArray[np.float64]

PACKAGE_GRAVITY = 9.81
"""Gravity the package's equations are written with [m/s2]."""

STEER, SPEED, YAW_RATE, ROLL, ROLL_RATE, PITCH, PITCH_RATE = 2, 3, 5, 6, 7, 8, 9
SIDE_SPEED, DROP, DROP_RATE, FRONT_ROLL, REAR_ROLL = 10, 11, 12, 13, 18
FRONT_DROP, REAR_DROP = 16, 21
"""Places in the state vector of 29 (see the comments of the package's right-hand side)."""

_PARAMETERS = {1: parameters_vehicle1, 2: parameters_vehicle2, 3: parameters_vehicle3}
_TURNING = [STEER, *range(YAW_RATE, 29)]
_STRAIGHT = [
    PITCH,
    PITCH_RATE,
    DROP,
    DROP_RATE,
    FRONT_DROP,
    FRONT_DROP + 1,
    REAR_DROP,
    REAR_DROP + 1,
    *range(23, 27),
]
# States that take a value so that a steady turn, or driving straight, is in balance. The published tyre force
# jumps where camber changes sign, so driving straight is solved with the symmetric states alone.


@dataclass(frozen=True)
class PublishedCar:
    """One published car with its front bar scaled.

    Parameters
    ----------
    number : int
        Vehicle number in the package, 1 to 3.
    front_bar : float
        Factor on the front auxiliary roll stiffness.
    parameters : object
        The package's parameters, the front auxiliary roll stiffness scaled.
    """

    number: int
    front_bar: float
    parameters: Any

    def rates(self, state: Array, steer_rate: float, acceleration: float) -> Array:
        """Return the time derivative of the state."""
        return np.array(vehicle_dynamics_mb(list(state), [steer_rate, acceleration], self.parameters))


def published_car(number: int, front_bar: float = 1.0) -> PublishedCar:
    """Return vehicle `number` with its front auxiliary roll stiffness times `front_bar`."""
    published = _PARAMETERS[number]()
    return PublishedCar(number, front_bar, replace(published, K_tsf=published.K_tsf * front_bar))


def steady_turn(number: int, front_bar: float, lateral: float, speed: float = 15.0) -> Array:
    """Return the state of a steady turn with lateral acceleration `lateral` [m/s2, right turn positive].

    Every rate is brought below 1e-7, so it is the model's own quasi-static answer.
    """
    return np.array(_steady_turn(number, front_bar, lateral, speed))


@cache
def _steady_turn(number: int, front_bar: float, lateral: float, speed: float) -> tuple[float, ...]:
    car = published_car(number, front_bar)
    state = np.array(init_mb([0.0, 0.0, 0.0, speed, 0.0, 0.0, 0.0], car.parameters))
    state = _balance(car, state, 0.0, _STRAIGHT)
    if abs(lateral) < 1e-9:
        return tuple(state)
    steps = 1 + int(abs(lateral) / 0.5)
    first = lateral / steps
    state[[YAW_RATE, ROLL, FRONT_ROLL, REAR_ROLL]] = np.array([1 / speed, -0.015, -0.002, -0.002]) * first
    for step in range(1, steps + 1):
        state = _balance(car, state, first * step, _TURNING)
    return tuple(state)


def _balance(car: PublishedCar, near: Array, lateral: float, free: list[int]) -> Array:
    """Return the steady state at the speed of `near`, by Newton's method on the `free` states."""
    rates_zero = [SPEED, *(i for i in free if i != STEER)]

    def assemble(unknown: Array) -> Array:
        state = near.copy()
        state[free] = unknown[: len(free)]
        return state

    def unbalanced(unknown: Array) -> Array:
        state = assemble(unknown)
        left = car.rates(state, 0.0, unknown[-1])[rates_zero]
        return left if STEER not in free else np.append(left, state[YAW_RATE] * state[SPEED] - lateral)

    unknown = np.append(near[free], 0.02)
    for _ in range(60):
        left = unbalanced(unknown)
        if np.abs(left).max() < 1e-7:
            return assemble(unknown)
        steps = 1e-7 * np.eye(unknown.size)
        slopes = [(unbalanced(unknown + step) - unbalanced(unknown - step)) / 2e-7 for step in steps]
        unknown = unknown - np.linalg.solve(np.column_stack(slopes), left)
    raise RuntimeError(f"vehicle {car.number}: no steady state at {lateral} m/s2, rest {np.abs(left).max()}")


def suspension_roll(states: Array) -> tuple[Array, Array]:
    """Return front and rear suspension roll [rad] of states (one, or one per row)."""
    rolled = np.atleast_2d(states)
    return rolled[:, ROLL] - rolled[:, FRONT_ROLL], rolled[:, ROLL] - rolled[:, REAR_ROLL]


def tyre_loads(car: PublishedCar, states: Array) -> Array:
    """Return the four tyre loads [N], columns FL, FR, RL, RR."""
    p, rolled = car.parameters, np.atleast_2d(states)
    columns = []
    for drop, roll, track in ((FRONT_DROP, FRONT_ROLL, p.T_f), (REAR_DROP, REAR_ROLL, p.T_r)):
        middle = rolled[:, drop] + p.R_w * (np.cos(rolled[:, roll]) - 1.0)
        half = 0.5 * track * np.sin(rolled[:, roll])
        columns += [(middle - half) * p.K_zt, (middle + half) * p.K_zt]
    return np.column_stack(columns)


def roll_modes(number: int, front_bar: float, speed: float = 15.0) -> list[tuple[float, float]]:
    """Return frequency [Hz] and damping ratio of every oscillating mode of the sprung body and axles."""
    car = published_car(number, front_bar)
    base = steady_turn(number, front_bar, 0.5, speed)  # just off straight, where the tyre force jumps
    keep = [*range(5, 23), 27, 28]  # wheel spin is left out: it has no restoring force
    matrix = np.empty((len(keep), len(keep)))
    for column, index in enumerate(keep):
        step = 1e-6 * max(1.0, abs(base[index]))
        up, down = base.copy(), base.copy()
        up[index] += step
        down[index] -= step
        matrix[:, column] = (car.rates(up, 0.0, 0.0) - car.rates(down, 0.0, 0.0))[keep] / (2.0 * step)
    values = np.linalg.eigvals(matrix)
    values = values[values.imag > 1.0]
    return sorted((float(abs(v) / (2 * np.pi)), float(-v.real / abs(v))) for v in values)


def drive(
    car: PublishedCar,
    steer: Callable[[float], float],
    duration: float,
    rate: float,
    speed: float = 15.0,
    steps_per_sample: int = 2,
) -> tuple[Array, Array, Array]:
    """Drive with a steering angle over time, speed held by the drive.

    Returns
    -------
    time, states, derivatives : ndarray
        At `rate` samples per second; one row per sample.
    """
    start = steady_turn(car.number, car.front_bar, 0.0, speed)

    def inputs(t: float, state: Array) -> tuple[float, float]:
        wanted = (steer(t + 1e-4) - steer(t - 1e-4)) / 2e-4 + 20.0 * (steer(t) - state[STEER])
        return wanted, 2.0 * (speed - state[SPEED])

    def slope(t: float, state: Array) -> Array:
        return car.rates(state, *inputs(t, state))

    time = np.arange(round(duration * rate)) / rate
    step = 1.0 / (rate * steps_per_sample)
    states, slopes, state = [], [], start
    for t in time:
        states.append(state)
        first = slope(t, state)
        slopes.append(first)
        state = _runge_kutta(slope, t, state, step, first)
        for part in range(1, steps_per_sample):
            begin = t + part * step
            state = _runge_kutta(slope, begin, state, step, slope(begin, state))
    return time, np.array(states), np.array(slopes)


def _runge_kutta(
    slope: Callable[[float, Array], Array], t: float, state: Array, step: float, first: Array
) -> Array:
    second = slope(t + step / 2, state + step / 2 * first)
    third = slope(t + step / 2, state + step / 2 * second)
    fourth = slope(t + step, state + step * third)
    return state + step / 6 * (first + 2 * second + 2 * third + fourth)
