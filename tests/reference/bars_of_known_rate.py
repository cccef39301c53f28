"""Bar hardware whose predicted rate is exactly the one wanted.

The car sheet knows bars by their dimensions, so diameter and levers are solved until the predicted rates are
the ones wanted. A test bed with bars of known rate thereby leaves the bar model out of what it checks; that
model is checked against other sources.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from scipy.optimize import brentq

from analyzer.sheets.bar import BladedBar
from analyzer.sheets.session import BarSetting
from analyzer.vehicle.bar.rate import bar_solution

STIFFEST_LEVER = 0.25
"""Lever of the stiffest setting [m]; softer ones are longer."""


@dataclass(frozen=True)
class BarHardware:
    """A straight bar with stiff blades: tube diameter and lever arms [m], outermost and softest first."""

    diameter: float
    levers: tuple[float, ...]


def bar_lines(axle: str, bar: BarHardware, motion_ratio: float = 1.0) -> list[str]:
    """Return the lines of a car sheet for one bar, stiff in all but its tube."""
    holes = ", ".join(f'"{lever:.12g} m"' for lever in bar.levers)
    return [
        f"[{axle}.bar]",
        'kind = "bladed"',
        f"motion_ratio = {motion_ratio:.9g}",
        f'tube = {{ material = "4130", outside_diameter = "{bar.diameter:.12g} m", length = "1 m" }}',
        'mounts = { spacing = "1 m" }',
        'blade = { material = "spring steel", depth = "80 mm", thickness = "20 mm", root = "0 mm ± 0 mm" }',
        f"holes = [{holes}]",
    ]


def bar_rate(hardware: BarHardware, hole: int = 1) -> float:
    """Return the predicted rate of a bar [N/m]."""
    table = tomllib.loads("\n".join(bar_lines("front", hardware)))
    bar = BladedBar.model_validate(table["front"]["bar"])
    return float(bar_solution(bar, BarSetting(hole=hole)).rate)


def bar_of_rates(rates: Sequence[float]) -> BarHardware:
    """Return the bar whose holes give `rates` [N/m], which must rise from hole 1 on."""
    return _bar_of_rates(tuple(rates))


@cache
def _bar_of_rates(rates: tuple[float, ...]) -> BarHardware:
    if list(rates) != sorted(rates):
        raise ValueError("rates must rise from hole 1, the softest, on")
    diameter = brentq(
        lambda d: bar_rate(BarHardware(d, (STIFFEST_LEVER,))) - rates[-1], 5e-3, 60e-3, xtol=1e-10
    )
    levers = [
        brentq(
            lambda lever, rate=rate: bar_rate(BarHardware(diameter, (lever,))) - rate,
            STIFFEST_LEVER,
            4.0 * STIFFEST_LEVER,
            xtol=1e-10,
        )
        for rate in rates[:-1]
    ]
    return BarHardware(diameter, (*levers, STIFFEST_LEVER))
