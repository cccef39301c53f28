"""Bar hardware that has exactly the auxiliary roll stiffness of a published car.

The car sheet knows bars by their dimensions, so diameter and levers are solved until the predicted rate is
the one wanted. That leaves the bar model out of what this bed checks: it is checked elsewhere.
"""

from __future__ import annotations

import tomllib
from functools import cache

from published_cars.driven_logs import BarHardware, bar_lines
from published_cars.multi_body import published_car
from scipy.optimize import brentq

from analyzer.prediction.rate import bar_solution
from analyzer.sheets.bar import BladedBar
from analyzer.sheets.session import BarSetting

FULL_LEVER = 0.25
"""Lever of the stiff setting [m]; the soft one is longer."""


def bar_rate(hardware: BarHardware, hole: int = 1) -> float:
    """Return the predicted rate of a bar [N/m]."""
    table = tomllib.loads("\n".join(bar_lines("front", hardware)))
    bar = BladedBar.model_validate(table["front"]["bar"])
    return float(bar_solution(bar, BarSetting(hole=hole)).rate)


@cache
def front_hardware(number: int) -> BarHardware:
    """Return the front bar: hole 2 gives the published stiffness, hole 1 half of it."""
    p = published_car(number).parameters
    wanted = 2.0 * abs(p.K_tsf) / p.T_f**2
    bar = BarHardware(_diameter(wanted), (FULL_LEVER,))
    soft = brentq(
        lambda lever: bar_rate(BarHardware(bar.diameter, (lever,))) - wanted / 2.0,
        FULL_LEVER,
        2.0 * FULL_LEVER,
        xtol=1e-10,
    )
    return BarHardware(bar.diameter, (soft, FULL_LEVER))


@cache
def rear_hardware(number: int) -> BarHardware | None:
    """Return the rear bar, None for the car that has none."""
    p = published_car(number).parameters
    if p.K_tsr == 0.0:
        return None
    return BarHardware(_diameter(2.0 * abs(p.K_tsr) / p.T_r**2), (FULL_LEVER,))


def _diameter(wanted: float) -> float:
    return float(brentq(lambda d: bar_rate(BarHardware(d, (FULL_LEVER,))) - wanted, 5e-3, 60e-3, xtol=1e-10))
