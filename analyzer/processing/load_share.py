"""Figures drawn from the wheel loads: left share, lowest load, light wheels, and whether the loads add up."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from analyzer.constants import AXLE_CORNERS, AXLES, Axle
from analyzer.estimate import Estimate
from analyzer.processing.filters import Bools, Floats, widened
from analyzer.processing.intervals import block_length, mean_estimate
from analyzer.processing.loads import STEADY_BAND, Loads, steady
from analyzer.processing.results import LightTime, LoadShare, Motion
from analyzer.processing.stiffness import ratio_at_static
from analyzer.sheets.car import CarSheet

LIGHT: Final = 0.2
"""A wheel is light below this part of its static load; the figure's definition."""
LIGHT_BELOW: Final = (0.02, 0.1, LIGHT, 0.5)
"""Thresholds of light time; at the lowest the wheel is off the road within the error of the loads."""
DRAWS: Final = 200
"""Bootstrap draws for figures that are not means."""


def load_shares(
    loads: Loads,
    motion: Motion,
    car: CarSheet,
    moving: Bools,
    seed: int,
    zero: Mapping[Axle, float] | None = None,
) -> dict[Axle, LoadShare]:
    """Return `LoadShare` per axle whose loads are known, over the `moving` working samples.

    `zero` is what the zero of the pots may be off, as a share of the axle's load (`zero_share_error`).
    """
    found: dict[Axle, LoadShare] = {}
    notes = tuple(f"without {part}" for part in loads.left_out)
    rate = motion.rate
    for axle in AXLES:
        if axle not in loads.suspect:
            continue
        use = moving & ~widened(loads.suspect[axle], int(0.4 * rate))
        if np.count_nonzero(use) < rate:
            continue
        left, right = (_steady_load(loads, corner, rate)[use] for corner in AXLE_CORNERS[axle])
        share = loads.data[f"left_share_{axle}"].to_numpy()[use]
        method = f"loads low-passed at {STEADY_BAND:g} Hz"
        static = [car.mass.load(corner).value for corner in AXLE_CORNERS[axle]]
        part: Floats = np.minimum(left / static[0], right / static[1])
        light = tuple(_light(part, below, rate, method) for below in LIGHT_BELOW)
        even = 2.0 * np.minimum(left, right) / np.maximum(left + right, 1.0)
        place = int(np.argmin(np.minimum(left, right)))
        found[axle] = LoadShare(
            left_share=_left_share(share, car, axle, (zero or {}).get(axle, 0.0)).with_notes(*notes),
            lowest_load=_lowest(np.minimum(left, right), method, seed).with_notes(*notes),
            light_time=next(one.share for one in light if one.below == LIGHT).with_notes(*notes),
            evenness=mean_estimate(even, "1", method).with_notes(*notes),
            light=light,
            lowest_corner=AXLE_CORNERS[axle][0 if left[place] <= right[place] else 1],
            lowest_at=float(loads.data.index[use][place]),
        )
    return found


def zero_share_error(
    car: CarSheet, stiffness: Mapping[Axle, float], zero_std: Mapping[str, float]
) -> dict[Axle, float]:
    """Return what the found zeros of the pots may move the left share of each axle by [1].

    Parameters
    ----------
    car : CarSheet
        The car.
    stiffness : mapping
        Axle -> suspension roll stiffness [N m/rad].
    zero_std : mapping
        Channel -> standard uncertainty of its zero [m]; channels whose zero is not in doubt are not in it.

    Notes
    -----
    A zero off by d at one damper is a wheel travel d / motion ratio, hence 2 K / t^2 of it as load, half on
    either side of the axle's mean; the share moves by that over the axle's load (derived here).
    """
    found: dict[Axle, float] = {}
    for axle in AXLES:
        sheet = car.axle(axle)
        doubt = math.hypot(*(zero_std.get(f"damper_{corner}", 0.0) for corner in AXLE_CORNERS[axle]))
        if doubt > 0.0 and axle in stiffness:
            rate = 2.0 * stiffness[axle] / sheet.track_width.value**2
            load = sum(car.mass.load(corner).value for corner in AXLE_CORNERS[axle])
            found[axle] = rate * doubt / ratio_at_static(sheet.damper_motion_ratio) / (2.0 * load)
    return found


def _left_share(share: Floats, car: CarSheet, axle: Axle, zero: float) -> Estimate:
    """Return the mean left share; what scales and zeros may be off repeats from run to run."""
    found = mean_estimate(share, "1", "mean over the moving part")
    scales = [car.mass.load(corner) for corner in AXLE_CORNERS[axle]]
    if any(load.std is None for load in scales):
        return replace(found, calibration=zero) if zero else found
    total = sum(load.value for load in scales)
    parts = [scales[1 - k].value / total**2 * (scales[k].std or 0.0) for k in (0, 1)]
    return replace(found, calibration=math.hypot(*parts, zero))


def _light(part: Floats, below: float, rate: float, method: str) -> LightTime:
    """Return how long the lighter wheel, as a part of its static load, was under `below`."""
    moving = len(part) / rate
    light = (part < below).astype(np.float64)
    if light.min() == light.max():
        # All samples alike have no scatter, which is not the same as no error.
        words = "throughout" if light[0] else "never"
        note = f"{words} seen in this run, so its scatter is unknown"
        alike = Estimate(float(light[0]), "1", method=method, notes=(note,))
        return LightTime(below, alike, replace(alike, value=light[0] * moving, unit="s"))
    share = mean_estimate(light, "1", method)
    if share.interval is not None:
        share = replace(share, interval=(max(share.interval[0], 0.0), min(share.interval[1], 1.0)))
    return LightTime(below, share, _times(share, moving, "s"))


def _times(estimate: Estimate, factor: float, unit: str) -> Estimate:
    value, error, interval = estimate.value, estimate.std_error, estimate.interval
    return replace(
        estimate,
        unit=unit,
        value=None if value is None else value * factor,
        std_error=None if error is None else error * factor,
        interval=None if interval is None else (interval[0] * factor, interval[1] * factor),
    )


def _steady_load(loads: Loads, corner: str, rate: float) -> Floats:
    values = loads.data[f"load_{corner}"].to_numpy()
    bad = ~np.isfinite(values)
    return steady(np.where(bad, 0.0, values) if bad.any() else values, rate)


def _lowest(values: Floats, method: str, seed: int) -> Estimate:
    """Return the smallest value; its error from drawing blocks of the run anew."""
    lowest = float(values.min())
    length = block_length(values)
    blocks = len(values) // length
    if blocks < 5:
        return Estimate(lowest, "N", method=method, notes=("too short a run for an error",))
    starts = (np.arange(blocks) * len(values)) // blocks
    minima = np.minimum.reduceat(values, starts)
    picks = np.random.default_rng(seed).integers(0, blocks, size=(DRAWS, blocks))
    drawn = minima[picks].min(axis=1)
    return Estimate(
        lowest,
        "N",
        std_error=float(np.sqrt(np.mean((drawn - lowest) ** 2))),
        n=blocks,
        method=method,
        notes=("error from redrawn blocks: how much the lowest value hangs on single moments",),
    )
