"""Inertial channels that hold their samples, come late and shake, each its own way, on any drive.

    faults = inertial_faults(seed)                       what is wrong with each of the six channels
    rows = faults.spoil(channel, values, rate, every)    the channel as its logger would have written it
    spoil_log(run, faults)                               the log of an engine's run, written anew

Held: one sample stands over several rows. Late: a delay, half of the time behind a smoothing that makes it.
Shaken: a tone or a band of noise at frequencies of engines and floors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from engine.plan import STEP
from engine.runs import NOISE, EngineRun
from engine.sheets import COLUMNS, LOGGED_PER_SI

Array = npt.NDArray[np.float64]
CHANNELS = tuple(f"{kind}_{axis}" for kind in ("accel", "gyro") for axis in "xyz")
SHAKE_PER_G = {"accel": 9.80665, "gyro": 0.1}
"""What a vibration of 1 g does to a channel, root mean square [m/s2, rad/s]: a box on rubber turns as well;
engineering judgement."""


@dataclass(frozen=True)
class ChannelFault:
    """What is wrong with one channel.

    Parameters
    ----------
    hold : int
        Rows over which a sample is held; 1 for none.
    late : float
        Delay [s].
    smoothed : bool
        Whether the delay is that of a mean over twice as long.
    shake : float
        Vibration, root mean square [g].
    tone : float
        Its frequency [Hz].
    pure : bool
        Whether it is a single tone; else a band of noise an octave wide.
    """

    hold: int = 1
    late: float = 0.0
    smoothed: bool = False
    shake: float = 0.0
    tone: float = 20.0
    pure: bool = True

    def spoilt(self, values: Array, rate: float, unit: float, rng: np.random.Generator) -> Array:
        """Return a channel at `rate` [Hz], fine enough for the tone, shaken and late; not held yet."""
        if self.shake:
            values = values + self.shake * unit * self._vibration(values.size, rate, rng)
        if self.late:
            if self.smoothed:
                width = max(1, round(2.0 * self.late * rate))
                padded = np.concatenate([np.full(width - 1, values[0]), values])
                return np.convolve(padded, np.ones(width) / width, mode="valid")
            steps = round(self.late * rate)
            values = np.concatenate([np.full(steps, values[0]), values[: values.size - steps]])
        return values

    def _vibration(self, count: int, rate: float, rng: np.random.Generator) -> Array:
        if self.pure:
            phase = rng.uniform(0.0, 2.0 * np.pi)
            tone: Array = np.sqrt(2.0) * np.sin(2.0 * np.pi * self.tone * np.arange(count) / rate + phase)
            return tone
        spectrum = np.fft.rfft(rng.standard_normal(count))
        lines = np.fft.rfftfreq(count, 1.0 / rate)
        spectrum[(lines < self.tone / np.sqrt(2.0)) | (lines > self.tone * np.sqrt(2.0))] = 0.0
        band: Array = np.fft.irfft(spectrum, count)
        return band / band.std()

    def held(self, rows: Array) -> Array:
        """Return the rows of a log with each sample held."""
        return rows[(np.arange(rows.size) // self.hold) * self.hold]


@dataclass(frozen=True)
class InertialFaults:
    """What is wrong with each inertial channel; `kinds` of ``held``, ``late`` and ``shaking``."""

    seed: int
    kinds: tuple[str, ...]
    of: dict[str, ChannelFault]

    def spoil(self, channel: str, values: Array, rate: float, every: int) -> Array:
        """Return a channel at `rate` [Hz] as logged in every `every`-th of its steps, averaged in between."""
        rng = np.random.default_rng([self.seed, CHANNELS.index(channel), 71])
        fault = self.of[channel]
        felt = fault.spoilt(values, rate, SHAKE_PER_G[channel.split("_")[0]], rng)
        count = felt.size // every
        return fault.held(felt[: count * every].reshape(count, every).mean(axis=1))


KINDS = (
    *(("held",), ("late",), ("shaking",)),
    *(("held", "late"), ("held", "shaking"), ("late", "shaking"), ("held", "late", "shaking")),
)


def inertial_faults(seed: int, kinds: tuple[str, ...] | None = None) -> InertialFaults:
    """Draw faults of all six channels; by `seed` the kinds go round where they are not given.

    Half of the draws spoil all channels alike, as one box would; in the others every channel has its own.
    """
    kinds = kinds or KINDS[seed % len(KINDS)]
    rng = np.random.default_rng([seed, 70])
    alike = bool(rng.uniform() < 0.5)
    faults: dict[str, ChannelFault] = {}
    for channel in CHANNELS:
        drawn = ChannelFault(
            hold=int(rng.integers(1, 17)) if "held" in kinds else 1,
            late=float(rng.uniform(0.0, 0.2)) if "late" in kinds else 0.0,
            smoothed=bool(rng.uniform() < 0.5),
            shake=float(rng.uniform(0.0, 1.0)) if "shaking" in kinds else 0.0,
            tone=float(rng.uniform(10.0, 40.0)),
            pure=bool(rng.uniform() < 0.5),
        )
        faults[channel] = faults[CHANNELS[0]] if alike and faults else drawn
    return InertialFaults(seed, kinds, faults)


def spoil_log(run: EngineRun, faults: InertialFaults) -> None:
    """Write the inertial channels of a run's log anew, as they come with `faults`."""
    table, driven = pd.read_csv(run.path), run.truth.driven
    every = round(float(run.truth.time[1] - run.truth.time[0]) / STEP)
    rng = np.random.default_rng([faults.seed, 72])
    for channel in CHANNELS:
        kind, axis = channel.split("_")
        exact = (driven.force if kind == "accel" else driven.rate)[:, "xyz".index(axis)]
        rows = faults.spoil(channel, exact, 1.0 / STEP, every)
        noise = NOISE[kind] * np.sqrt(1.0 / (every * STEP) / 200.0) * rng.standard_normal(rows.size)
        column, unit = COLUMNS[channel]
        table[column] = (rows + faults.of[channel].held(noise)) * LOGGED_PER_SI[unit]
    table.to_csv(run.path, index=False, float_format="%.6f")
