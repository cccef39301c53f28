"""Drives of the linear car with corners that are held, and ways to spoil its log."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from processing.linear_car import Drive, Floats

from analyzer.ingest.recording import Recording

LEVELS = (0.0, 0.4, 0.8, 0.0, -0.4, -0.8, 0.0, 0.6, 0.95, 0.0, -0.6, -0.95, 0.0, 0.7, 0.0, -0.7)
"""Levels of lateral acceleration, one after the other, as parts of the peak."""


@dataclass(frozen=True)
class Held(Drive):
    """Corners of both directions, `times` through `LEVELS`, with changes of 1.2 s between them."""

    seconds: float = 80.0
    times: int = 1

    def acceleration(self) -> Floats:
        levels = np.array(LEVELS * self.times)
        place = (self.time() * len(levels) / self.seconds).astype(int) % len(levels)
        window = np.hanning(round(1.2 * self.rate) | 1)
        half = len(window) // 2
        stepped = self.peak * levels[place]
        around = np.concatenate([stepped[-half:], stepped, stepped[:half]])
        result: Floats = np.convolve(around, window / window.sum(), mode="valid")
        return result


def spoiled(recording: Recording, **channels: Floats) -> Recording:
    """Return the recording with some channels replaced."""
    return replace(recording, data=recording.data.assign(**channels))


def damper_channels(recording: Recording) -> dict[str, Floats]:
    """Return the damper channels of a recording."""
    return {name: recording.data[name].to_numpy() for name in recording.data if name.startswith("damper")}
