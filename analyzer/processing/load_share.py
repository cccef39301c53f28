"""Figures drawn from the wheel loads: left share, lowest load, light wheels, and whether the loads add up."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from analyzer.constants import AXLE_CORNERS, AXLES, CORNERS, STANDARD_GRAVITY, Axle
from analyzer.estimate import Estimate
from analyzer.processing.filters import Bools, Floats, widened
from analyzer.processing.intervals import block_length, mean_estimate
from analyzer.processing.loads import STEADY_BAND, Loads, steady
from analyzer.processing.results import LoadShare, Motion
from analyzer.sheets.car import CarSheet
from analyzer.sheets.masses import mass_properties

LIGHT: Final = 0.2
"""A wheel is light below this part of its static load; the figure's definition."""
DRAWS: Final = 200
"""Bootstrap draws for figures that are not means."""


def load_shares(
    loads: Loads, motion: Motion, car: CarSheet, moving: Bools, seed: int
) -> dict[Axle, LoadShare]:
    """Return `LoadShare` per axle whose loads are known, over the `moving` working samples."""
    found: dict[Axle, LoadShare] = {}
    notes = tuple(f"without {part}" for part in loads.left_out)
    rate = _rate(motion)
    for axle in AXLES:
        if axle not in loads.suspect:
            continue
        use = moving & ~widened(loads.suspect[axle], int(0.4 * rate))
        if np.count_nonzero(use) < rate:
            continue
        left, right = (_steady_load(loads, corner, rate)[use] for corner in AXLE_CORNERS[axle])
        share = loads.data[f"left_share_{axle}"].to_numpy()[use]
        lower = np.minimum(left, right)
        limits = [LIGHT * car.mass.load(corner).value for corner in AXLE_CORNERS[axle]]
        light = ((left < limits[0]) | (right < limits[1])).astype(np.float64)
        method = f"loads low-passed at {STEADY_BAND:g} Hz"
        found[axle] = LoadShare(
            left_share=mean_estimate(share, "1", "mean over the moving part").with_notes(*notes),
            lowest_load=_lowest(lower, method, seed).with_notes(*notes),
            light_time=mean_estimate(light, "1", method).with_notes(*notes),
        )
    return found


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


def closures(
    loads: Loads,
    motion: Motion,
    car: CarSheet,
    use: Bools,
    slopes: Mapping[Axle, float],
    stiffness: Mapping[Axle, float],
) -> dict[str, Estimate]:
    """Return how well loads and moments add up; a wrong motion ratio, CG height or sensor shows here first.

    ``vertical_closure`` and ``vertical_closure_scatter``: mean and root mean square of
    (sum of the four loads - m f_z) / weight; ``roll_moment_closure``: (K_f s_f + K_r s_r) / M - 1,
    the moment in springs and bars against the moment of all masses in the lateral force.
    """
    found: dict[str, Estimate] = {}
    masses = mass_properties(car)
    if set(loads.suspect) == set(AXLES) and "road_force_z" in motion.data:
        rate = _rate(motion)
        bad = loads.suspect["front"] | loads.suspect["rear"] | motion.suspect["road_force_z"].to_numpy()
        good = use & ~widened(bad, int(0.4 * rate))
        if np.count_nonzero(good) > rate:
            total = sum((_steady_load(loads, corner, rate) for corner in CORNERS), np.zeros(len(good)))
            weight = masses.total * STANDARD_GRAVITY
            carried = masses.total * steady(motion.data["road_force_z"].to_numpy(), rate)
            residual = ((total - carried) / weight)[good]
            method = f"sum of wheel loads against mass times vertical force, low-passed at {STEADY_BAND:g} Hz"
            found["vertical_closure"] = mean_estimate(residual, "1", method)
            found["vertical_closure_scatter"] = Estimate(
                float(np.sqrt(np.mean(residual**2))),
                "1",
                method=method,
                notes=("root mean square over time",),
            )
    if set(slopes) == set(AXLES):
        moment = sum(stiffness[a] * slopes[a] for a in AXLES)
        spread = moment_spread(car) / masses.elastic_moment
        found["roll_moment_closure"] = Estimate(
            moment / masses.elastic_moment - 1.0,
            "1",
            calibration=spread or None,
            method="moment in springs and bars against the moment of the masses",
            notes=("calibration holds the sheet's tolerance of CG height and camber gain only",),
        )
    return found


def moment_spread(car: CarSheet) -> float:
    """Return the standard uncertainty of M from CG height, camber gain and roll centres [kg m]."""
    from analyzer.sheets.masses import camber_gain

    masses = mass_properties(car)
    parts = [masses.total * (car.mass.cg_height.std or 0.0)]
    for axle in AXLES:
        sheet = car.axle(axle)
        gain = camber_gain(sheet)
        lever = masses.axle(axle).unsprung * sheet.wheel_radius.value * sheet.track_width.value / 2.0
        parts.append(lever * (gain.std or 0.0))
        parts.append(masses.axle(axle).sprung * (sheet.roll_centre_height.std or 0.0))
    return float(np.hypot.reduce(parts))


def _rate(motion: Motion) -> float:
    index = motion.data.index
    return float((len(index) - 1) / (index[-1] - index[0]))
