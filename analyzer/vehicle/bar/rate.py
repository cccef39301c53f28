"""Rate of whatever bar an axle has, at whatever setting, computed or by the builder's bench test."""

from __future__ import annotations

from typing import Literal

import numpy as np

from analyzer.core.constants import AXLES, Axle
from analyzer.core.units import DEG_PER_RAD
from analyzer.sheets.bar import BladedBar, FormedBar, NoBar
from analyzer.sheets.car import AxleSheet, CarSheet
from analyzer.sheets.session import BarSetting, Setup, SideSetting
from analyzer.vehicle.bar.beam import BarModel, BarSolution, solve
from analyzer.vehicle.bar.bench import carried_factor
from analyzer.vehicle.bar.bladed import blade_states, bladed_model
from analyzer.vehicle.bar.formed import formed_model

# Rate of whatever bar an axle has, at whatever setting.


BarSheet = BladedBar | FormedBar
Setting = BarSetting | Literal["off"] | None


def bar_rates(car: CarSheet, setup: Setup) -> dict[Axle, float]:
    """Return the rate at one link of each bar, the other link moving as far the other way [N/m].

    0.0 where there is no bar or its links are unhooked. With arrays in the sheet (`propagate`) the
    values are arrays of the same shape.
    """
    return {axle: axle_bar_rate(car.axle(axle), setup.bar(axle)) for axle in AXLES}


def axle_bar_rate(axle: AxleSheet, setting: Setting) -> float:
    """Return the rate at one link [N/m] of an axle's bar as set; 0.0 when none or off."""
    if isinstance(axle.bar, NoBar) or setting == "off":
        return 0.0
    rate = bar_solution(axle.bar, setting).rate
    return rate if rate.ndim else float(rate)  # type: ignore[return-value]


def bar_solution(bar: BarSheet, setting: Setting) -> BarSolution:
    """Return rate and compliance of a bar as set, corrected to its bench test where the sheet says so.

    The correction is that of `analyzer.vehicle.bar.bench.carried_factor`; what is left over in the compliance
    is listed as ``bench correction``.
    """
    solution = solve(bar_model(bar, setting))
    if bar.bench is None or not bar.bench.use:
        return solution
    rate = np.asarray(solution.rate * carried_factor(bar, solution))
    left_over = np.asarray(1.0 / rate - 1.0 / solution.rate)
    return BarSolution(rate, {**solution.compliance, "bench correction": left_over}, solution.loads)


def bar_model(bar: BarSheet, setting: Setting) -> BarModel:
    """Return the statics model of a bar as set; a formed bar has only one setting."""
    if isinstance(bar, FormedBar):
        return formed_model(bar)
    if not isinstance(setting, BarSetting):
        raise ValueError("a bladed bar needs its setting")
    return bladed_model(bar, *blade_states(bar, setting))


def setting_in_words(setting: Setting, bar: BladedBar | FormedBar | NoBar) -> str:
    """Return "hole 2, 1 spacer", "left hole 1, 0 spacers; right ...", "as built", "off" or "none"."""
    if isinstance(bar, NoBar):
        return "none"
    if setting == "off":
        return "off"
    if isinstance(bar, FormedBar) or setting is None:
        return "as built"
    left = _side_in_words(setting)
    return left if setting.right is None else f"left {left}; right {_side_in_words(setting.right)}"


def _side_in_words(side: BarSetting | SideSetting) -> str:
    words = f"hole {side.hole}, {side.spacers} spacer{'' if side.spacers == 1 else 's'}"
    return words if side.turn is None else f"{words}, turned {side.turn.value * DEG_PER_RAD:.0f} deg"
