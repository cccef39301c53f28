"""Causes that the runs show by themselves: a dead zone of roll, and dry friction out of the common."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from analyzer.constants import Axle
from analyzer.processing.results import RunEstimates

SPOKEN_FOR: Final = 3.0
"""Prior weight of a cause that something in the session speaks for, against one of which nothing is known."""

LEAST_PLAY: Final = 1.0
"""Dead zone, left wheel against right, from which it is called play [mm]: rod ends in order have less;
engineering judgement."""

PLAY_SCATTER: Final = 0.3
"""Standard error of a run's dead zone beside its own [mm]: on a rigid-body car without play it came out up to
0.33 mm."""

MOST_FACTOR: Final = math.log(1e6)
"""Most that a direct sight counts for or against, as the logarithm of a Bayes factor: sensors err, too."""

COMMON_FRICTION: Final = 100.0
"""Dry friction of one corner at the wheel from which something is said to rub [N]: dampers and joints in
order have 20 to 60 (engineering judgement)."""


def seen_play(axle: Axle, runs: Sequence[RunEstimates]) -> tuple[float, tuple[str, ...]]:
    """Return what the dead zones of the runs count for free play in the bar of an axle, and in words.

    Returns
    -------
    float
        Logarithm of a Bayes factor: chance of the widths seen with play of that size over that without any;
        below nought where runs that could show play show none.
    tuple of str
        Evidence; empty when nothing speaks for it.
    """
    widths, errors = [], []
    for run in runs:
        found = run.further.get(f"free_play_{axle}")
        if found is not None and found.value is not None and found.std_error is not None:
            widths.append(found.value)
            errors.append(math.hypot(found.std_error, PLAY_SCATTER))
    if not widths:
        return 0.0, ()
    width = float(np.median(widths))
    # The median of n runs scatters 1.25 times as much as their mean (any text on robust statistics).
    error = float(np.median(errors)) * min(1.25 / math.sqrt(len(errors)), 1.0)
    if width - 2.0 * error > LEAST_PLAY:
        factor = min(0.5 * ((width - LEAST_PLAY) / error) ** 2, MOST_FACTOR)
        words = f"a dead zone of {width:.1f} mm, left wheel against right, in {len(widths)} runs"
        return factor, (f"{words}; the roll gradients are those of the bar past it",)
    if width + 2.0 * error < LEAST_PLAY:
        return -min(0.5 * ((LEAST_PLAY - width) / error) ** 2, MOST_FACTOR), ()
    return 0.0, ()


def rubbing(axle: Axle, runs: Sequence[RunEstimates]) -> tuple[float, tuple[str, ...]]:
    """Return the prior weight of binding at an axle by its dry friction, and the evidence."""
    found = [run.further.get(f"friction_{axle}") for run in runs]
    values = [e.value for e in found if e is not None and e.value is not None]
    if not values or float(np.median(values)) < COMMON_FRICTION:
        return 1.0, ()
    return SPOKEN_FOR, (f"dry friction of {float(np.median(values)):.0f} N at each {axle} wheel",)
