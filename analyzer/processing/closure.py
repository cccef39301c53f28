"""Whether the wheel loads add up to the car: a wrong motion ratio, CG height or sensor shows here first."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from analyzer.constants import AXLE_CORNERS, AXLES, CORNERS, STANDARD_GRAVITY, Axle, Corner
from analyzer.estimate import Estimate
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.ingest.shelf import set_aside
from analyzer.processing.filters import Bools, Floats, widened
from analyzer.processing.intervals import block_error, mean_estimate, with_error
from analyzer.processing.loads import STEADY_BAND, Loads, steady
from analyzer.processing.results import Motion
from analyzer.processing.stiffness import axle_roll_stiffness, relative_spread
from analyzer.sheets.car import CarSheet
from analyzer.sheets.masses import camber_gain, mass_properties

CLOSES: Final = 0.02
"""Loads that add up this well are good [1]: the goal held on a rigid-body engine, see docs/accuracy.md."""
OPEN: Final = 0.05
"""From here on something is wrong rather than inexact [1]: engineering judgement; 5 % is an error of a motion
ratio of 2.5 %, or of 20 mm in CG height."""
TITLES: Final = {
    "vertical_closure": "wheel loads against weight",
    "roll_moment_closure": "roll moment of the wheel loads",
}
REMEDIES: Final = {
    "vertical_closure": "look at corner loads, spring rates, motion ratios, pot scales and accel_z",
    "roll_moment_closure": "look at CG height, roll centres, bar and spring rates, motion ratios and accel_y",
}


def closures(loads: Loads, motion: Motion, car: CarSheet, use: Bools) -> dict[str, Estimate]:
    """Return how well forces and moments of the wheel loads add up over the samples in `use`.

    ``vertical_closure`` and ``vertical_closure_scatter``: mean and root mean square over time of
    (sum of the four loads - m f_z) / weight. ``roll_moment_closure``: moment of the loads over the moment of
    all masses about a line on the road along the car, as a least-squares slope, less 1;
    ``roll_moment_closure_scatter``: root mean square of their difference, with the fitted roll inertia taken
    out, over weight times half the track. Derivation: docs/estimates.md.
    """
    if set(loads.suspect) != set(AXLES):
        missing = " and ".join(axle for axle in AXLES if axle not in loads.suspect)
        return _unknown(f"wheel loads of the {missing} axle could not be worked out")
    if "road_force_z" not in motion.data:
        return _unknown("no vertical acceleration in the log")
    rate = motion.rate
    bad = loads.suspect["front"] | loads.suspect["rear"] | motion.suspect["road_force_z"].to_numpy()
    good = use & ~widened(bad, int(0.4 * rate))
    if np.count_nonzero(good) <= rate:
        return _unknown("under a second of driving in which all loads are known")
    slow = {
        corner: steady(np.nan_to_num(loads.data[f"load_{corner}"].to_numpy()), rate) for corner in CORNERS
    }
    found = _vertical(slow, motion, car, good)
    return found | _moment(slow, motion, car, good)


def _unknown(reason: str) -> dict[str, Estimate]:
    return {name: Estimate.unknown("1", reason) for name in TITLES}


def _vertical(
    slow: Mapping[Corner, Floats], motion: Motion, car: CarSheet, good: Bools
) -> dict[str, Estimate]:
    masses = mass_properties(car)
    weight = masses.total * STANDARD_GRAVITY
    total = sum(slow.values(), np.zeros(len(good)))
    carried = masses.total * steady(motion.data["road_force_z"].to_numpy(), motion.rate)
    residual = ((total - carried) / weight)[good]
    method = f"sum of wheel loads against mass times vertical force, low-passed at {STEADY_BAND:g} Hz"
    parts = []
    for axle in AXLES:
        added = sum(float(slow[c][good].mean()) - car.mass.load(c).value for c in AXLE_CORNERS[axle])
        parts.append(_rate_spread(car, axle) * abs(added) / weight)
    mean = mean_estimate(residual, "1", method)
    return {
        "vertical_closure": _calibrated(mean, math.hypot(*parts), "spring rates and motion ratios"),
        "vertical_closure_scatter": _scatter(residual, method),
    }


def _moment(slow: Mapping[Corner, Floats], motion: Motion, car: CarSheet, good: Bools) -> dict[str, Estimate]:
    """Compare the moment of the loads with that of the masses.

    About the middle of the contact patches, roll positive, all in the road's axes and per sample:

        sum over axles (N_R - N_L) t / 2 = sum over masses (m f_y z - m f_z y) - I_x p'

    with y and z where the roll has brought each mass: the sprung one turns with the suspension about the roll
    axis and with the tyres about the road, and stands lower by the mean travel of springs and tyres. I_x is
    not in the sheet: it is fitted beside the slope where the log has the roll rate, else left out.
    """
    rate = motion.rate
    masses = mass_properties(car)
    across, up = (steady(motion.data[f"road_force_{axis}"].to_numpy(), rate) for axis in "yz")
    body = steady(motion.data["body_roll"].to_numpy(), rate)
    shown, wanted = np.zeros(len(good)), np.zeros(len(good))
    for axle in AXLES:
        sheet, parts = car.axle(axle), masses.axle(axle)
        left, right = (slow[corner] for corner in AXLE_CORNERS[axle])
        shown = shown + (right - left) * sheet.track_width.value / 2.0
        travel = [steady(motion.data[f"wheel_{corner}"].to_numpy(), rate) for corner in AXLE_CORNERS[axle]]
        roll = steady(motion.data[f"roll_{axle}"].to_numpy(), rate)
        sunk = (left + right - sum(car.mass.load(c).value for c in AXLE_CORNERS[axle])) / 2.0
        tyre = 0.0 * sunk if sheet.tyre_rate is None else sunk / sheet.tyre_rate.value
        height = masses.sprung_cg_height - (travel[0] + travel[1]) / 2.0 - tyre
        aside = masses.sprung_cg_height * body - sheet.roll_centre_height.value * roll
        wanted = wanted + parts.sprung * (across * height + up * aside)
        leaning = body - (1.0 - parts.unsprung_share) * roll
        wanted = wanted + parts.unsprung * sheet.wheel_radius.value * (across + up * leaning)
    method = f"moment of the wheel loads against that of all masses, low-passed at {STEADY_BAND:g} Hz"
    shown, wanted = set_aside(shown[good]), set_aside(wanted[good])
    columns = [wanted, np.ones(len(wanted))]
    if "roll_acceleration" in motion.data:
        columns.append(steady(motion.data["roll_acceleration"].to_numpy(), rate)[good])
    return _slope(shown, np.column_stack(columns), car, method)


def _slope(shown: Floats, design: Floats, car: CarSheet, method: str) -> dict[str, Estimate]:
    masses = mass_properties(car)
    half = sum(car.axle(a).track_width.value for a in AXLES) / 4.0
    scale = masses.total * STANDARD_GRAVITY * half
    size = np.linalg.norm(design, axis=0)
    size[size == 0.0] = 1.0
    # By the normal equations of scaled columns: singular values would take five times the memory.
    back = np.linalg.pinv((design.T @ design) / np.outer(size, size), hermitian=True) / np.outer(size, size)
    fitted = back @ (design.T @ shown)
    fitted = fitted + back @ (design.T @ (shown - design @ fitted))
    slope, rest = float(fitted[0]), shown - design @ fitted
    weight = design @ back[0]
    error = block_error((weight * rest)[:, None], weight)
    if error is None:
        found = Estimate(slope - 1.0, "1", method=method, notes=("too short a run for an error",))
    else:
        found = with_error(slope - 1.0, "1", error, 0, method)
    stiffness = {a: axle_roll_stiffness(car.axle(a), 0.0) for a in AXLES}
    whole = sum(stiffness.values())
    springs = math.hypot(*(_rate_spread(car, a) * stiffness[a] / whole for a in AXLES))
    spread = math.hypot(springs, moment_spread(car) / masses.elastic_moment)
    return {
        "roll_moment_closure": _calibrated(
            found, spread, "CG height, roll centres, camber gain, spring rates, motion ratios"
        ),
        "roll_moment_closure_scatter": _scatter((rest + (slope - 1.0) * design[:, 0]) / scale, method),
    }


def _calibrated(estimate: Estimate, spread: float, holds: str) -> Estimate:
    if spread <= 0.0:
        return estimate.with_notes("the sheet states no tolerances that would add to this")
    return replace(estimate, calibration=spread).with_notes(
        f"calibration holds the sheet's tolerance of {holds}"
    )


def _scatter(residual: Floats, method: str) -> Estimate:
    value = float(np.sqrt(np.mean(residual**2)))
    return Estimate(value, "1", method=method, notes=("root mean square over time",))


def _rate_spread(car: CarSheet, axle: Axle) -> float:
    """Return the relative standard uncertainty of what a spring adds at the wheel, from the sheet."""
    sheet = car.axle(axle)
    rate = sheet.spring.rate
    ratio = relative_spread(sheet.spring.motion_ratio) or 0.0
    return math.hypot((rate.std or 0.0) / rate.value, ratio)


def closure_checks(found: Mapping[str, Estimate]) -> tuple[HealthRow, ...]:
    """Return a health row per closure: good, suspect or bad beyond what the sheet's tolerances allow."""
    return tuple(_check(name, found[name]) for name in TITLES if name in found)


def _check(name: str, closure: Estimate) -> HealthRow:
    def row(verdict: Verdict, value: float | None, limit: float | None, comment: str) -> HealthRow:
        return HealthRow(TITLES[name], "wheel loads", verdict, value, limit, "1", comment)

    if closure.value is None:
        return row(Verdict.NOT_TESTED, None, None, closure.notes[0])
    allowed = 2.0 * math.hypot(closure.calibration or 0.0, closure.std_error or 0.0)
    limit, off = CLOSES + allowed, abs(closure.value)
    words = f"{100.0 * closure.value:+.1f} % against the {'weight' if 'vertical' in name else 'masses'}"
    if off <= limit:
        return row(Verdict.GOOD, closure.value, limit, f"the loads add up: {words}")
    verdict = Verdict.BAD if off > OPEN + allowed else Verdict.SUSPECT
    return row(verdict, closure.value, limit, f"the wheel loads do not add up: {words}; {REMEDIES[name]}")


def moment_spread(car: CarSheet) -> float:
    """Return the standard uncertainty of M from CG height, camber gain and roll centres [kg m]."""
    masses = mass_properties(car)
    parts = [masses.total * (car.mass.cg_height.std or 0.0)]
    for axle in AXLES:
        sheet = car.axle(axle)
        gain = camber_gain(sheet)
        lever = masses.axle(axle).unsprung * sheet.wheel_radius.value * sheet.track_width.value / 2.0
        parts.append(lever * (gain.std or 0.0))
        parts.append(masses.axle(axle).sprung * (sheet.roll_centre_height.std or 0.0))
    return float(np.hypot.reduce(parts))
