"""Free play of a bar in its links and bushes: a dead zone of roll in which the bar carries nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analyzer.constants import Axle
from analyzer.estimate import Estimate
from analyzer.processing.filters import Floats
from analyzer.processing.intervals import block_error, with_error
from analyzer.processing.level_road import Weights
from analyzer.processing.probes import Bench
from analyzer.processing.roll_columns import RollColumns
from analyzer.processing.stiffness import roll_base
from analyzer.sheets.car import CarSheet

WIDEST: Final = 0.008
"""Widest dead zone looked for, half of it, as a difference of wheel travels [m]: engineering judgement. A
best fit at this limit is a bend of another kind."""
STEPS: Final = 13
"""Of the search over width and over the place of the zone."""
SURE: Final = 4.0
"""A dead zone counts when its width is this many standard errors: engineering judgement, since it is the
widest of several that were tried."""
MOST_ROWS: Final = 6000
"""Rows the search is done on: four minutes of driving, beyond which nothing is gained but time."""
LEAST_WIDTH: Final = 0.0008
"""Narrower zones are not told, nor do they matter [m, whole width, difference of wheel travels]: 0.2 % of
usual gradients."""


@dataclass(frozen=True, slots=True)
class FreePlay:
    """The dead zone of one axle's bar.

    Parameters
    ----------
    half, centre : float
        Half its width and its middle, as suspension roll [rad].
    width : Estimate
        Its width as a difference of the wheel travels of both sides [mm].
    found : bool
        Whether it stands out.
    """

    half: float
    centre: float
    width: Estimate
    found: bool


def find_free_play(bench: Bench, weights: Weights, car: CarSheet) -> dict[Axle, FreePlay]:
    """Look for a dead zone of each bar in the moment balance of the car.

    Within the zone the bar carries nothing, past it K_bar (phi - its half width), so that the mean of roll
    gains K_bar / K_total times the roll clipped to the zone. Width and middle are those that leave the least
    of the mean's residuals, a bend with the cube of the force being allowed for; the error of the width is
    that of a linear parameter at the best fit, from blocks. The axle that explains more comes first, and the
    other is then looked at with that known: both roll alike, and a zone at one shows dimly at the other.
    """
    bench = bench.thinned(MOST_ROWS)
    total = sum(weights.stiffness.values())
    parts = {a: bar / total for a, bar in weights.bar.items() if bar > 0.0 and a in bench.columns.roll}
    known = np.zeros_like(bench.mean)
    found: dict[Axle, FreePlay] = {}
    while len(found) < len(parts):
        tried = {a: _best(bench, a, part, car, known) for a, part in parts.items() if a not in found}
        axle = min(tried, key=lambda a: tried[a][2])
        half, centre, _ = tried[axle]
        roll = bench.columns.roll[axle][bench.used]
        lost = parts[axle] * _lost(roll, centre, half)
        past = parts[axle] * np.where(np.abs(roll - centre) > half, np.sign(roll - centre), 0.0)
        row, rest = bench.linear(past, known + lost)
        found[axle] = _judged(row, rest, half, centre, roll_base(car.axle(axle)))
        known = known + (lost if found[axle].found else 0.0)
    return found


def _best(bench: Bench, axle: Axle, part: float, car: CarSheet, known: Floats) -> tuple[float, float, float]:
    """Search half width and middle on a grid, then on finer ones around its best; also what is left."""
    roll = bench.columns.roll[axle][bench.used]
    widest = WIDEST / roll_base(car.axle(axle))
    half, centre = widest / 2.0, bench.centre[axle]
    reach_half, reach_centre = widest / 2.0, widest / 4.0
    least = np.inf
    for _ in range(3):
        halves = np.clip(np.linspace(half - reach_half, half + reach_half, STEPS), 0.0, widest)
        centres = np.linspace(centre - reach_centre, centre + reach_centre, STEPS // 2)
        left = np.array([[bench.left_by(known + part * _lost(roll, c, h)) for c in centres] for h in halves])
        best = np.unravel_index(int(np.argmin(left)), left.shape)
        half, centre, least = float(halves[best[0]]), float(centres[best[1]]), float(left[best])
        reach_half, reach_centre = reach_half / 4.0, reach_centre / 3.0
    return half, centre, least


def _lost(roll: Floats, centre: float, half: float) -> Floats:
    clipped: Floats = np.clip(roll - centre, -half, half)
    return clipped


def _judged(row: Floats, rest: Floats, half: float, centre: float, base: float) -> FreePlay:
    error = block_error((row * rest)[:, None], row)
    to_mm = 2e3 * base
    method = "dead zone that fits the moment balance best"
    note = "left wheel against right, from one end of the zone to the other"
    if error is None:
        width = Estimate(half * to_mm, "mm", method=method, notes=(note, "too short a run for an error"))
        return FreePlay(half, centre, width, found=False)
    sure = half > SURE * error.std_error() and LEAST_WIDTH / 2.0 < half * base < 0.98 * WIDEST
    width = with_error(half * to_mm, "mm", error, 0, method, scale=to_mm, notes=(note,))
    return FreePlay(half, centre, width, sure)


def without_free_play(columns: RollColumns, plays: Mapping[Axle, FreePlay]) -> RollColumns:
    """Return the columns with the dead zones that stand out marked, so that the fit is that of a firm bar."""
    lost = {
        axle: _lost(columns.roll[axle], play.centre, play.half) for axle, play in plays.items() if play.found
    }
    return replace(columns, lost=lost) if lost else columns


def play_notes(plays: Mapping[Axle, FreePlay]) -> tuple[str, ...]:
    """Return what to say about every bar with free play."""
    return tuple(
        f"{axle} bar: free play of {play.width.value:.1f} mm (left wheel against right) in links or bushes; "
        "the gradient is that of the bar past its play"
        for axle, play in plays.items()
        if play.found
    )
