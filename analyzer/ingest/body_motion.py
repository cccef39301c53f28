"""The equation of motion of the sprung body, which joins pots on one clock with an accelerometer on another.

In roll, suspension forces carry the moment of lateral force and of roll acceleration:
K s + C s' = M a_y - I p', with s the roll of the pots. In heave, k w + c w' = m (a_z - g), with w the mean
compression. Both hold whether the driver or the road moves the body (Gillespie, Fundamentals of Vehicle
Dynamics, ch. 5 and 6; derived for any bank in docs/physics.md), so road bumps are signal here. A mere
comparison of turn rates would not do: the gyro sees the body, the pots see body and road, and the two are
tens of milliseconds apart on a rough road.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.ingest.logfile import LogFile
from analyzer.ingest.motions import SEARCH, Motion, cut, limited

Floats = NDArray[np.float64]

ARMS: Final = np.arange(0.0, 2.505, 0.02)
"""Trial values of I / M, roll inertia over roll moment per lateral force [m]; cars lie near 0.5 to 1.2."""
_LONGEST: Final = 400.0
_AXLES: Final = ("F", "R")


def equations_of_motion(pots: LogFile, imu: LogFile, rate: float) -> Iterator[tuple[str, Motion, Motion]]:
    """Yield pairs of motions that must be equal up to the clocks: what pots and what accelerometers say.

    Parameters
    ----------
    pots, imu : LogFile
        The two files.
    rate : float
        Rate at which they are compared [Hz].
    """
    turn = limited(imu, imu.channels["gyro_x"], rate, slope=True) if "gyro_x" in imu.channels else None
    for basis, channel, sign, extra in (
        ("roll of the pots and lateral force with roll acceleration", "accel_y", -1.0, turn),
        ("heave of the pots and vertical force", "accel_z", 1.0, None),
    ):
        if channel not in imu.channels or (channel == "accel_y" and extra is None):
            continue
        force = limited(imu, imu.channels[channel], rate)
        springs = _spring_motions(pots, sign, rate)
        if force is None or not springs:
            continue
        pair = _fitted(springs, force, extra)
        if pair is not None:
            yield basis, *pair


def _spring_motions(pots: LogFile, sign: float, rate: float) -> list[Motion]:
    """Return per axle the right plus (or minus) left travel and its rate."""
    motions = []
    for axle in _AXLES:
        left, right = (pots.channels.get(f"damper_{axle}{side}") for side in "LR")
        if left is None or right is None:
            continue
        for slope in (False, True):
            motion = limited(pots, right + sign * left, rate, slope=slope)
            if motion is not None:
                motions.append(motion)
    return motions if len({len(m.values) for m in motions}) == 1 else []


def _fitted(springs: list[Motion], force: Motion, turn: Motion | None) -> tuple[Motion, Motion] | None:
    """Fit stiffness, damping and inertia where they explain the force best; return both sides."""
    base = springs[0]
    x = np.column_stack([m.values for m in springs])
    scale = x.std(axis=0)
    if not np.all(scale > 0.0) or (turn is not None and len(turn.values) != len(force.values)):
        return None
    middle = 0.5 * (force.start + force.start + len(force.values) / force.rate)
    part = cut(force, middle - 0.5 * _LONGEST, middle + 0.5 * _LONGEST)
    turned = None if turn is None else cut(turn, middle - 0.5 * _LONGEST, middle + 0.5 * _LONGEST)
    sides = [part.values] if turned is None else [part.values, -turned.values]
    crossed = [_crossed(x / scale, side) for side in sides]
    size = crossed[0].shape[1]
    lags = np.arange(size)
    lags = np.where(lags >= len(base.values), lags - size, lags)
    offsets = base.start + lags / base.rate - part.start
    near = np.flatnonzero(np.abs(offsets) <= SEARCH)
    if len(near) < 3:
        return None
    gram = (x / scale).T @ (x / scale)
    arm, weights = _best_fit(gram, [c[:, near] for c in crossed], sides)
    said = Motion(base.start, base.rate, (x / scale) @ weights * base.seen, base.seen)
    if turn is None:
        return said, force
    seen = force.seen * turn.seen
    return said, Motion(force.start, force.rate, (force.values - arm * turn.values) * seen, seen)


def _crossed(x: Floats, y: Floats) -> Floats:
    size = 1 << int(np.ceil(np.log2(len(x) + len(y))))
    spectrum = np.fft.rfft(x, size, axis=0) * np.conj(np.fft.rfft(y, size))[:, None]
    return np.asarray(np.fft.irfft(spectrum, size, axis=0).T, dtype=np.float64)


def _best_fit(gram: Floats, crossed: list[Floats], sides: list[Floats]) -> tuple[float, Floats]:
    """Return I / M and the weights of the spring motions at the offset that explains most.

    The explained part is a quadratic form of the cross-correlations, and these are linear in I / M, so every
    offset and every trial value is reached with two transforms.
    """
    solved = [np.linalg.solve(gram, c) for c in crossed]
    if len(crossed) == 1:
        best = int(np.argmax((crossed[0] * solved[0]).sum(axis=0)))
        return 0.0, np.asarray(solved[0][:, best], dtype=np.float64)
    q00, q01, q11 = ((crossed[a] * solved[b]).sum(axis=0) for a, b in ((0, 0), (0, 1), (1, 1)))
    p00, p01, p11 = (float(sides[a] @ sides[b]) for a, b in ((0, 0), (0, 1), (1, 1)))
    power = p00 + 2.0 * ARMS * p01 + ARMS**2 * p11
    peaks = np.full(len(ARMS), -1.0)
    places = np.zeros(len(ARMS), dtype=np.int64)
    for index, arm in enumerate(ARMS.tolist()):
        explained = (q00 + 2.0 * arm * q01 + arm * arm * q11) / power[index]
        place = int(np.argmax(explained))
        places[index] = place
        peaks[index] = _between(explained, place)
    chosen = int(np.argmax(peaks))
    arm, place = float(ARMS[chosen]), int(places[chosen])
    return arm, np.asarray(solved[0][:, place] + arm * solved[1][:, place], dtype=np.float64)


def _between(values: Floats, place: int) -> float:
    """Return the height of a peak between samples."""
    if place in (0, len(values) - 1):
        return float(values[place])
    left, here, right = (float(v) for v in values[place - 1 : place + 2])
    bend = left - 2.0 * here + right
    return here if bend >= 0.0 else here - 0.125 * (left - right) ** 2 / bend
