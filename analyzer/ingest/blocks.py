"""Means and spreads of half seconds, which standing, orientation and most checks are told by."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.ingest.shelf import PIECE

Floats = NDArray[np.float64]

BLOCK_SECONDS: Final = 0.5
"""Long against a wheel's hop, short against a turn."""


class Blocks:
    """Block statistics of channels, each computed once and only when asked for.

    Parameters
    ----------
    data : dict
        Channels on one uniform base; the same dict that is changed later on.
    rate : float
        Samples per second [Hz].
    """

    def __init__(self, data: dict[str, Floats], rate: float) -> None:
        self.data = data
        self.rate = rate
        self.size = max(2, round(BLOCK_SECONDS * rate))
        self._known: dict[str, tuple[Floats, Floats]] = {}

    def mean(self, name: str) -> Floats:
        """Return the means of whole blocks; NaN where a sample is missing."""
        return self.statistics(name)[0]

    def spread(self, name: str) -> Floats:
        """Return the standard deviations of the same blocks."""
        return self.statistics(name)[1]

    def statistics(self, name: str) -> tuple[Floats, Floats]:
        """Return means and standard deviations of a channel's blocks."""
        known = self._known.get(name)
        if known is None:
            known = self._known[name] = block_spread(self.data[name], self.size)
        return known

    def forget(self, names: list[str]) -> None:
        """Compute the channels `names` anew when they are asked for: their samples were changed."""
        for name in names:
            self._known.pop(name, None)

    def shift(self, name: str, offset: float) -> None:
        """Note that `offset` was taken off a channel."""
        if name in self._known:
            mean, spread = self._known[name]
            self._known[name] = (mean - offset, spread)


def block_spread(values: Floats, block: int) -> tuple[Floats, Floats]:
    """Return mean and standard deviation of whole blocks of samples; NaN in a block makes both NaN."""
    count = len(values) // block
    cut = values[: count * block].reshape(count, block)
    # Blocks of a channel lie near its first value, so that taking it off leaves the squares their digits.
    start = float(values[np.argmax(np.isfinite(values[: 4 * block]))]) if len(values) else 0.0
    start = start if np.isfinite(start) else 0.0
    mean, power = np.empty(count), np.empty(count)
    step = max(1, PIECE // block)
    for first in range(0, count, step):
        some = slice(first, first + step)
        mean[some] = cut[some].mean(axis=1)
        near = cut[some] - start
        power[some] = np.einsum("ij,ij->i", near, near) / block
    return mean, np.sqrt(np.maximum(power - (mean - start) ** 2, 0.0))
