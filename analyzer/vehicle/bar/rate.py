"""Rate of whatever bar an axle has, at whatever setting, computed or by the builder's bench test."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analyzer.core.constants import AXLES, Axle
from analyzer.core.estimate import Estimate
from analyzer.core.regression import student_factor
from analyzer.core.units import DEG_PER_RAD
from analyzer.sheets.bar import BenchTest, BladedBar, FormedBar, NoBar
from analyzer.sheets.car import AxleSheet, CarSheet
from analyzer.sheets.session import BarSetting, Setup, SideSetting
from analyzer.vehicle.bar.beam import BarModel, BarSolution, solve
from analyzer.vehicle.bar.bladed import array, blade_state, blade_states, bladed_model
from analyzer.vehicle.bar.formed import formed_model
from analyzer.vehicle.bar.section import Array

# A bar's rate from the builder's bench test: loads on one link eye, the other one held.


METHOD = "bench test: straight line through deflection over load, Student interval"


@dataclass(frozen=True, slots=True)
class BenchResult:
    """What the readings of a bench test give.

    Parameters
    ----------
    held_rate, held_rate_std : float
        Load per deflection with the other eye held [N/m]; half the bar's rate with both eyes moving.
    readings : int
        Number of readings.
    residual : float
        Scatter of the deflections about the line [m].
    quantile : float
        Student quantile of the 95 % interval.
    """

    held_rate: float
    held_rate_std: float
    readings: int
    residual: float
    quantile: float

    @property
    def rate(self) -> Estimate:
        """Rate with both eyes moving opposite ways [N/m]: twice the held one."""
        value, std = 2.0 * self.held_rate, 2.0 * self.held_rate_std
        interval = (value - self.quantile * std, value + self.quantile * std)
        return Estimate(value, "N/m", std, interval, n=self.readings, method=METHOD)


def bench_result(bench: BenchTest) -> BenchResult:
    """Return the held rate from loads and deflections, by least squares of deflection on load.

    The loads are weighed and count as exact; friction of the stand shows up as scatter. An intercept is
    fitted, so the first reading need not be zero.
    """
    load = np.array([item.value for item in bench.loads])
    deflection = np.array([item.value for item in bench.deflections])
    count = len(load)
    centred = load - load.mean()
    slope = float(centred @ deflection / (centred @ centred))
    rest = deflection - deflection.mean() - slope * centred
    residual = float(np.sqrt(rest @ rest / (count - 2)))
    slope_std = residual / float(np.sqrt(centred @ centred))
    return BenchResult(
        held_rate=1.0 / slope,
        held_rate_std=slope_std / slope**2,
        readings=count,
        residual=residual,
        quantile=student_factor(count - 2),
    )


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

    The correction is one factor, measured / computed at the setting that was tested; what is left over in
    the compliance is listed as ``bench correction``.
    """
    solution = solve(bar_model(bar, setting))
    if bar.bench is None or not bar.bench.use:
        return solution
    factor = bench_factor(bar)
    rate = np.asarray(solution.rate * factor)
    left_over = np.asarray(1.0 / rate - 1.0 / solution.rate)
    return BarSolution(rate, {**solution.compliance, "bench correction": left_over}, solution.loads)


def bar_model(bar: BarSheet, setting: Setting) -> BarModel:
    """Return the statics model of a bar as set; a formed bar has only one setting."""
    if isinstance(bar, FormedBar):
        return formed_model(bar)
    if not isinstance(setting, BarSetting):
        raise ValueError("a bladed bar needs its setting")
    return bladed_model(bar, *blade_states(bar, setting))


def computed_bench_rate(bar: BarSheet) -> Array:
    """Return the computed rate at the bench test's setting, both links moving [N/m]."""
    if bar.bench is None:
        raise ValueError("the bar has no bench test")
    if isinstance(bar, FormedBar):
        return solve(formed_model(bar)).rate
    state = blade_state(bar, bar.bench.hole, bar.bench.spacers)
    return solve(bladed_model(bar, state, state)).rate


def bench_factor(bar: BarSheet) -> Array:
    """Return measured / computed rate of the bench test; measured with one end held is half the rate."""
    if bar.bench is None:
        raise ValueError("the bar has no bench test")
    held = bench_result(bar.bench).held_rate if bar.bench.rate is None else array(bar.bench.rate)
    return np.asarray(2.0 * held / computed_bench_rate(bar))


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
