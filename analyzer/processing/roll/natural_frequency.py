"""The body's roll mode as the driven car shows it: natural frequency and damping ratio.

Roll does not swing alone: the tyres' side force answers to roll rate and to the yaw that comes with it, which
moves the mode by a good part of a hertz. So the mode is that of the car as a whole, at the speed of the run.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.estimate import Estimate
from analyzer.core.regression import block_error, with_error
from analyzer.core.signals import Bools, Floats, lowpass_taps, smooth, touched
from analyzer.core.units import AXLES, STANDARD_GRAVITY
from analyzer.processing.results import Motion
from analyzer.processing.roll.equation import BAND, FIT_RATE

METHOD: Final = "pole of roll, roll rate, yaw rate and lateral force as steering moves them"
FREQUENCY: Final = "roll_frequency"
DAMPING: Final = "roll_damping_ratio"
STATES: Final = ("roll", "roll_rate", "yaw_rate", "specific_force_y")
NEEDED: Final = {
    "steer_angle": "steering angle",
    "roll_rate": "roll rate",
    "yaw_rate": "yaw rate",
    "specific_force_y": "lateral acceleration",
    "speed": "speed",
}
"""Columns without which the mode cannot be told, and their names in words."""
INPUT_TAPS: Final = 4
"""Steering samples about a step that act on it: between samples it is anything within the band."""
INSTRUMENT_S: Final = 1.2
"""How far back steering explains the states [s]: twice the period of a slow roll mode and it has died out."""
SPEED_SPAN: Final = 1.2
"""Highest over lowest speed of the part that is used: the mode moves with speed (engineering judgement)."""
LEAST_S: Final = 15.0
"""Less usable time gives no figure [s]: about thirty swings of roll."""
LOWEST_RATE: Final = 15.0
"""A slower log cannot hold the band [Hz]."""
EXPECTED: Final = (0.7, 4.5)
"""Where the mode of a road or race car lies [Hz]: engineering judgement."""
WORST_ERROR: Final = 0.025
"""Relative standard error of the frequency above which neither is given: with steering so weak an instrument
noise draws the damping ratio down by more than its error (15 % at 3.3 %, published car 2)."""
OF_MODEL: Final = {FREQUENCY: 0.01, DAMPING: 0.03}
"""What a linear car of fourth order leaves out, relative: published cars at 0.2 to 0.3 g and 10 to 25 m/s lie
within 1 % and 3 % as a rule (one frequency 2.4 % low)."""
WEAK: Final = 1e-9
"""Part of the strongest direction's power below which a direction of the instruments is left out."""


@dataclass(frozen=True, slots=True)
class _Rows:
    """One step of the car per row: `before` and `after` (states), `inputs`, `instruments`; scaled to 1.

    `speeds` are the ends of the span [m/s], `force` the largest lateral force of the rows [m/s2].
    """

    before: Floats
    after: Floats
    inputs: Floats
    instruments: Floats
    rate: float
    speeds: tuple[float, float]
    force: float


def roll_mode(motion: Motion, exclude: Bools) -> dict[str, Estimate]:
    """Return ``roll_frequency`` (natural, undamped [Hz]) and ``roll_damping_ratio`` [1] of a run.

    Parameters
    ----------
    motion : Motion
        Of the run, on the working base.
    exclude : array of bool
        Working samples to leave out (parked, bump stop in contact).

    Returns
    -------
    dict
        Both estimates; without a value, and with the reason, where the run does not tell them.

    Notes
    -----
    A car with side slip, yaw and roll is a linear system of fourth order at one speed, and roll, roll rate,
    yaw rate and lateral force are as good a state as any: ``x(t + dt) = A x(t) + B u`` with the steering u
    around the step (and which side the car leans to, for a tyre or a play may give a side force that changes
    sign with it). Every column has the same filter, which leaves that equation as it is. A comes from
    instrumental variables with past steering as the instruments (two-stage least squares; L. Ljung, System
    Identification, ch. 7.6, from memory), so that neither noise of the sensors nor the road biases it. An
    eigenvalue z of A is the pole s = ln z / dt; frequency abs(s) / 2 pi, damping ratio -Re s / abs(s). The
    errors come from blocks of the first-order influence each row has on the pole.
    """
    rows = _rows(motion, exclude)
    if isinstance(rows, str):
        return _unknown(rows)
    try:
        return _estimates(rows)
    except np.linalg.LinAlgError:
        return _unknown("the steering does not move roll enough to tell its mode")


def _unknown(reason: str) -> dict[str, Estimate]:
    return {FREQUENCY: Estimate.unknown("Hz", reason, METHOD), DAMPING: Estimate.unknown("1", reason, METHOD)}


def _rows(motion: Motion, exclude: Bools) -> _Rows | str:
    """Return the steps of the car at nearly one speed, or why there are none."""
    # The mode needs all four states, the steering that moves them, and a speed it can be told for.
    missing = [words for name, words in NEEDED.items() if name not in motion.data]
    rolls = [f"roll_{axle}" for axle in AXLES if f"roll_{axle}" in motion.data]
    if not rolls:
        missing.append("axle with two damper pots")
    if missing:
        return f"no {' and no '.join(missing)} in the log"
    index = motion.data.index.to_numpy(dtype=np.float64)
    lasting = float(index[-1] - index[0]) if len(index) else 0.0
    rate = motion.rate
    if lasting < LEAST_S or rate < LOWEST_RATE:
        return f"the log is under {LEAST_S:.0f} s long or has under {LOWEST_RATE:.0f} samples per second"
    every = max(1, int(rate // FIT_RATE))
    taps = lowpass_taps(rate, BAND, BAND)

    def column(values: Floats) -> Floats:
        return smooth(values, taps, every)

    # Steering that is not known spoils the instruments of a second, not just its own row: it is kept apart.
    source = {name: motion.data[name].to_numpy(dtype=np.float64) for name in NEEDED}
    source["roll"] = np.mean([motion.data[name].to_numpy(dtype=np.float64) for name in rolls], axis=0)
    bad = exclude | np.logical_or.reduce([motion.suspect[name].to_numpy() for name in (*rolls, *STATES[1:])])
    bad |= motion.suspect["speed"].to_numpy() | ~np.logical_and.reduce(
        [np.isfinite(values) for values in source.values()]
    )
    lost = motion.suspect["steer_angle"].to_numpy() | ~np.isfinite(source["steer_angle"])
    source = {name: np.nan_to_num(values) for name, values in source.items()}
    # Which side the car leans to stands for a side force that only changes its sign.
    states = [column(source[name]) for name in STATES]
    steer, speed = column(source["steer_angle"]), column(source["speed"])
    side = column(np.sign(smooth(source["roll"], taps)))
    # Rows whose step and whose second of steering before are both undisturbed.
    lags = int(INSTRUMENT_S * rate / every)
    count = len(speed)
    here = np.arange(lags, count - 2)
    half = len(taps) // 2
    state_bad, steer_bad = touched(bad, half, every), touched(lost, half, every)
    running = np.concatenate([[0], np.cumsum(steer_bad)])
    fine = ~(state_bad[here] | state_bad[here + 1]) & (running[here + 3] == running[here - lags + 3])
    here = here[fine]
    # The mode moves with speed, so only the span of speed that holds most rows is used.
    here, speeds = _one_speed(here, speed)
    if len(here) * every / rate < LEAST_S:
        return f"under {LEAST_S:.0f} s of undisturbed driving at nearly one speed"
    # Scaled to 1, for the least squares compare radians with metres per second squared.
    parts = [np.column_stack(states), steer[:, None], side[:, None]]
    scales = [part[here].std(axis=0) for part in parts]
    if not (scales[0] > 0.0).all() or not scales[1] > 0.0:
        return "steering, roll, yaw or lateral acceleration never changes"
    state, steer = parts[0] / scales[0], steer / scales[1]
    held = [side[here + 2 - k] for k in range(INPUT_TAPS)] if scales[2] > 0.0 else []
    held.append(np.ones(len(here)))
    return _Rows(
        before=state[here],
        after=state[here + 1],
        inputs=np.column_stack([*(steer[here + 2 - k] for k in range(INPUT_TAPS)), *held]),
        instruments=np.column_stack([*(steer[here + 2 - k] for k in range(lags)), *held]),
        rate=rate / every,
        speeds=speeds,
        force=float(np.abs(parts[0][here, STATES.index("specific_force_y")]).max()),
    )


def _one_speed(here: NDArray[np.intp], speed: Floats) -> tuple[NDArray[np.intp], tuple[float, float]]:
    """Return the samples of the span of speed that holds most of them, and the span's ends [m/s]."""
    among = speed[here]
    here, among = here[among > 0.0], among[among > 0.0]
    if not len(here):
        return here, (0.0, 0.0)
    ordered = np.sort(among)
    held = np.searchsorted(ordered, SPEED_SPAN * ordered, side="right") - np.arange(len(ordered))
    low = float(ordered[int(np.argmax(held))])
    here = here[(among >= low) & (among <= SPEED_SPAN * low)]
    return here, (low, float(speed[here].max()))


def _estimates(rows: _Rows) -> dict[str, Estimate]:
    # Two-stage least squares by hand: instruments outnumber columns, and nearly dependent ones are left out.
    design = np.column_stack([rows.before, rows.inputs])
    power = rows.instruments.T @ rows.instruments
    strength, directions = np.linalg.eigh(power)
    strong = strength > WEAK * strength[-1]
    guide = rows.instruments @ directions[:, strong] / np.sqrt(strength[strong])
    explained = guide @ (guide.T @ design)
    inverse = np.linalg.pinv(explained.T @ explained) @ explained.T
    coefficients = inverse @ rows.after
    residuals = rows.after - design @ coefficients
    size = rows.before.shape[1]
    found = _roll_pole(coefficients[:size].T, rows.rate)
    if found is None:
        return _unknown("no swing of roll between 0.7 and 4.5 Hz stands out in the answer to steering")
    # First-order change of an eigenvalue by what each row adds to the matrix, so what it adds to the pole.
    z, right, left = found
    pole = rows.rate * np.log(z)
    moved = rows.rate / z * (residuals @ left) * (right @ inverse[:size]) / (left @ right)
    magnitude = abs(pole)
    stretched = (np.conj(pole) * moved).real / magnitude
    ratio = -pole.real / magnitude
    influence = np.column_stack(
        [stretched / (2.0 * math.pi), -moved.real / magnitude - ratio * stretched / magnitude]
    )
    # Under so weak a steering that noise would draw the damping down, neither figure is given.
    frequency = magnitude / (2.0 * math.pi)
    error = block_error(influence)
    if error is None or not error.std_error(0) < WORST_ERROR * frequency:
        return _unknown(
            "steering too little or too slow to tell the roll mode: "
            f"the error of its frequency is above {100.0 * WORST_ERROR:.1f} %"
        )
    note = (
        f"at {rows.speeds[0]:.1f} to {rows.speeds[1]:.1f} m/s, up to {rows.force / STANDARD_GRAVITY:.2f} g; "
        "of the car as a whole, the tyres' side force taking part"
    )
    figures = ((FREQUENCY, frequency, "Hz"), (DAMPING, ratio, "1"))
    return {
        name: with_error(
            float(value), unit, error, which, METHOD, calibration=float(OF_MODEL[name] * value), notes=(note,)
        )
        for which, (name, value, unit) in enumerate(figures)
    }


def _roll_pole(
    matrix: Floats, rate: float
) -> tuple[complex, NDArray[np.complex128], NDArray[np.complex128]] | None:
    """Return eigenvalue, right and left vector of the least damped swing in the expected band, if any."""
    if not np.isfinite(matrix).all():
        return None
    values, vectors = np.linalg.eig(matrix.astype(np.complex128))
    lefts = np.linalg.inv(vectors)
    best: tuple[float, int] | None = None
    for place, value in enumerate(values):
        if value.imag <= 1e-9 or abs(value) >= 1.0:
            continue
        pole = rate * np.log(value)
        if EXPECTED[0] <= abs(pole) / (2.0 * math.pi) <= EXPECTED[1]:
            damping = -pole.real / abs(pole)
            if damping < 0.9 and (best is None or damping < best[0]):
                best = (float(damping), place)
    if best is None:
        return None
    place = best[1]
    return complex(values[place]), vectors[:, place], lefts[place]
