"""Cramér-Rao bound of the roll gradients of the linear car: how well they can be known at all.

The log is periodic and linear, so each frequency stands alone (Whittle likelihood). What four sensors see
at one is y = H(theta) a + G(theta) rho + n, with a the lateral acceleration (unknown, its own at each
frequency), rho the road roll (random, of known power) and n white noise. Parameters theta: roll stiffness and
damping of both axles and the roll inertia; the moment and the tyres count as known, since they only set the
scale. With S the covariance of G rho + n, and the direction of H taken out of S^-1 because a is unknown,

    I_ij = sum over frequencies of 2 Re(d_i H a)* P (d_j H a) + tr(S^-1 d_i S S^-1 d_j S)

(S. Kay, Fundamentals of statistical signal processing: estimation theory, 1993, ch. 3 and 15, from memory).
The bound of the slopes follows through their derivatives by theta.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from processing.linear_car import Drive, Floats, G, LinearCar, Noise

LAST_HZ = 20.0
"""Power of the road ends here."""


def _car(car: LinearCar, theta: Floats) -> LinearCar:
    """Return the car with wheel rates, damping and inertia times the factors `theta`."""
    kf, kr, cf, cr, inertia = theta
    return replace(
        car,
        spring=(car.spring[0] * kf, car.spring[1] * kr),
        bar=(car.bar[0] * kf, car.bar[1] * kr),
        damping=(car.damping[0] * cf, car.damping[1] * cr),
        inertia=car.inertia * inertia,
    )


def _answers(car: LinearCar, lines: Floats, speed: float) -> tuple[np.ndarray, np.ndarray]:
    """Return what roll front, roll rear, roll rate and lateral force answer to a and to the road (n, 4)."""
    s = 2j * np.pi * lines
    moment = [car.moment(k) for k in (0, 1)]
    swing = [1.0 + place * s / speed for place in car.places]
    matrix = np.zeros((len(s), 3, 3), dtype=complex)
    right = np.zeros((len(s), 3, 2), dtype=complex)
    matrix[:, 0, 0] = car.inertia * s**2 - sum(moment) * G
    right[:, 0, 0] = moment[0] * swing[0] + moment[1] * swing[1]
    lag = np.exp(-s * car.wheelbase / speed)
    for k, road in enumerate((1.0, lag)):
        carried = car.stiffness(k) + car.damping[k] * s
        matrix[:, 0, 1 + k] = carried
        matrix[:, 1 + k, 1 + k] = 1.0 + carried / car.tyre_stiffness(k)
        matrix[:, 1 + k, 0] = -1.0
        right[:, 1 + k, 0] = -car.direct(k) / car.tyre_stiffness(k) * swing[k]
        right[:, 1 + k, 1] = -road
    body, front, rear = np.moveaxis(np.linalg.solve(matrix, right), 1, 0)
    force = G * body + np.array([1.0, 0.0])
    seen = np.stack([front, rear, s[:, None] * body, force], axis=1)
    return seen[:, :, 0], seen[:, :, 1]


def slope_bound(car: LinearCar, drive: Drive, noise: Noise) -> tuple[float, float]:
    """Return the least relative standard error that unbiased estimates of front and rear slope can have."""
    count, speed = len(drive.time()), drive.speed or 15.0
    lines = np.fft.rfftfreq(count, 1.0 / drive.rate)
    kept = (lines > 0.0) & (lines <= LAST_HZ)
    lines = lines[kept]
    # Coefficients scaled so that white noise of variance v has variance v at every line.
    lateral = np.fft.rfft(drive.acceleration())[kept] / np.sqrt(count)
    # `road_roll` fills the lines up to LAST_HZ evenly.
    power = noise.road**2 * count / (2.0 * len(lines))
    per_roll = [noise.damper * np.sqrt(2.0) / (car.ratio[k] * car.track[k]) for k in (0, 1)]
    white = np.diag(np.array([*per_roll, noise.gyro, noise.accel]) ** 2)
    step, start = 1e-4, np.ones(5)

    def model(theta: Floats) -> tuple[np.ndarray, np.ndarray]:
        to_a, to_road = _answers(_car(car, theta), lines, speed)
        return to_a, power * to_road[:, :, None] * to_road[:, None, :].conj() + white

    to_a, spread = model(start)
    inverse = np.linalg.inv(spread)
    seen = np.einsum("nij,nj->ni", inverse, to_a)
    weight = np.einsum("ni,ni->n", to_a.conj(), seen).real
    project = inverse - seen[:, :, None] * seen[:, None, :].conj() / weight[:, None, None]
    moved = [(model(start + step * e), model(start - step * e)) for e in np.eye(5)]
    d_mean = [(up[0] - down[0]) / (2.0 * step) * lateral[:, None] for up, down in moved]
    d_spread = [inverse @ ((up[1] - down[1]) / (2.0 * step)) for up, down in moved]
    information = np.array(
        [
            [
                2.0 * np.einsum("ni,nij,nj->", d_mean[i].conj(), project, d_mean[j]).real
                + np.einsum("nij,nji->", d_spread[i], d_spread[j]).real
                for j in range(5)
            ]
            for i in range(5)
        ]
    )
    slopes = np.array(car.static_slopes()[0])
    rows = np.array(
        [
            (np.array(_car(car, start + step * e).static_slopes()[0]) - slopes) / step / slopes
            for e in np.eye(5)
        ]
    )
    bound = np.sqrt(np.diag(rows.T @ np.linalg.inv(information) @ rows))
    return float(bound[0]), float(bound[1])
