"""A bar's rate from the builder's bench test: loads on one link eye, the other one held."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyzer.estimate import Estimate
from analyzer.sheets.bar import BenchTest

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
    from scipy.special import stdtrit  # costs some tenths of a second and is seldom needed

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
        quantile=float(stdtrit(count - 2, 0.975)),
    )
