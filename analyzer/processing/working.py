"""The working base: a run's channels at a rate the estimates need, each with its own suspect mask."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.ingest.recording import Recording
from analyzer.ingest.shelf import set_aside, shelved
from analyzer.processing.filters import Bools, Floats, filled, lowpass_taps, smooth, touched

LOWEST_RATE: Final = 100.0
"""Logs are thinned to no less than this [Hz]: wheel hop (10-15 Hz) then keeps a ten-fold rate."""

CHANNELS: Final = (
    "damper_FL",
    "damper_FR",
    "damper_RL",
    "damper_RR",
    "accel_x",
    "accel_y",
    "accel_z",
    "gyro_x",
    "gyro_y",
    "gyro_z",
    "speed",
    "steer_angle",
)
"""House channels the estimates use."""


@dataclass(frozen=True, slots=True)
class Working:
    """Channels of one run on the working base.

    Parameters
    ----------
    time : array
        Log time [s], uniform.
    rate : float
        Samples per second [Hz].
    every : int
        Log samples per working sample.
    values : dict
        House channel -> values [SI]; finite everywhere, also where suspect.
    suspect : dict
        House channel -> True where a value rests on a gap, a suspect sample or the ends of the log.
    steps : tuple of str
        What was done.
    """

    time: Floats
    rate: float
    every: int
    values: dict[str, Floats]
    suspect: dict[str, Bools]
    steps: tuple[str, ...]

    def has(self, *names: str) -> bool:
        """Return whether all channels `names` are there."""
        return all(name in self.values for name in names)


def working_base(recording: Recording) -> Working:
    """Thin the usable channels of `recording` to the working rate.

    The log's rate is divided by a whole number so that at least `LOWEST_RATE` and two samples remain. A
    symmetric filter takes away what a lower rate cannot hold, alike on every channel.
    """
    rate = recording.sample_rate
    # A log of very few rows is thinned less: one sample alone has neither a rate nor a slope.
    every = max(1, min(int(rate // LOWEST_RATE), len(recording.data) - 1))
    new_rate = rate / every
    taps = np.ones(1) if every == 1 else lowpass_taps(rate, 0.4 * new_rate, 0.2 * new_rate)
    values: dict[str, Floats] = {}
    suspect: dict[str, Bools] = {}
    for name in CHANNELS:
        if not recording.usable(name):
            continue
        raw = recording.data[name].to_numpy(dtype=np.float64, copy=False)
        bad = raw_suspect(recording, name)
        if bad.all():
            continue
        values[name] = set_aside(smooth(shelved(filled(raw, bad)), taps, every))
        suspect[name] = set_aside(touched(bad, len(taps) // 2, every))
    time = set_aside(recording.data.index.to_numpy(dtype=np.float64)[::every].copy())
    steps: tuple[str, ...] = ()
    if every > 1:
        steps = (f"thinned from {rate:.4g} Hz to {new_rate:.4g} Hz with a symmetric anti-aliasing filter",)
    return Working(time, new_rate, every, values, suspect, steps)


def raw_suspect(recording: Recording, name: str) -> Bools:
    """Return where the log's own samples of a channel must not be used (suspect, or no number)."""
    bad: Bools = ~np.isfinite(recording.data[name].to_numpy(dtype=np.float64, copy=False))
    if name in recording.suspect.columns:
        bad |= recording.suspect[name].to_numpy(dtype=np.bool_, copy=False)
    return bad
