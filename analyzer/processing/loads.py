"""Wheel loads from what carries them: springs, bar, dampers, stops, links and the wheels' own inertia."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from analyzer.constants import AXLE_CORNERS, AXLES, STANDARD_GRAVITY, Axle, Corner
from analyzer.processing.filters import Bools, Floats, derivative, lowpass_taps, smooth
from analyzer.processing.results import Motion
from analyzer.processing.stiffness import bar_ratio, damper_travel, ratio_at, ratio_at_static, roll_base
from analyzer.processing.stops import Stop, stop_force
from analyzer.sheets.car import AxleSheet, CarSheet
from analyzer.sheets.masses import mass_properties

BAND: Final = 20.0
"""Band of wheel speed and acceleration in the loads [Hz]; wheel hop (10-15 Hz) passes."""
STEADY_BAND: Final = 5.0
"""Low-pass of lowest loads and closure [Hz]."""


@dataclass(frozen=True, slots=True)
class Loads:
    """Wheel loads over time.

    Parameters
    ----------
    data : DataFrame
        ``load_FL`` ... [N], ``left_share_front``, ``left_share_rear`` [1]; NaN where they cannot be known.
    suspect : dict
        Per axle, True = do not use.
    left_out : tuple of str
        What the loads do not hold since the sheet or the log is silent.
    """

    data: pd.DataFrame
    suspect: dict[Axle, Bools]
    left_out: tuple[str, ...]


def wheel_loads(
    motion: Motion, car: CarSheet, bar_rates: Mapping[Axle, float], stops: Mapping[Axle, Stop | None]
) -> Loads:
    """Return the four wheel loads as far as the axles have both pots and there is a lateral force.

    Load = static load + spring + bar + damper + bump stop (all through their motion ratios) + the part of the
    lateral force that the links carry past the springs (roll centre; wheels kept upright) over the track +
    unsprung mass times the wheel's vertical acceleration. Milliken and Milliken, Race Car Vehicle Dynamics,
    ch. 18 for the paths; see docs/estimates.md.
    """
    left_out: list[str] = []
    columns: dict[str, Floats] = {}
    suspect: dict[Axle, Bools] = {}
    if "specific_force_y" not in motion.data:
        return Loads(pd.DataFrame(index=motion.data.index), {}, ("lateral force",))
    for axle in AXLES:
        if f"roll_{axle}" not in motion.data:
            continue
        left, right = _axle_loads(motion, car, axle, bar_rates.get(axle, 0.0), stops.get(axle), left_out)
        for corner, load in zip(AXLE_CORNERS[axle], (left, right), strict=True):
            columns[f"load_{corner}"] = np.maximum(load, 0.0)
        total = np.maximum(
            columns[f"load_{AXLE_CORNERS[axle][0]}"] + columns[f"load_{AXLE_CORNERS[axle][1]}"], 1.0
        )
        columns[f"left_share_{axle}"] = columns[f"load_{AXLE_CORNERS[axle][0]}"] / total
        bad = motion.suspect[f"roll_{axle}"].to_numpy() | motion.suspect["specific_force_y"].to_numpy()
        if "specific_force_z" in motion.data:
            bad = bad | motion.suspect["specific_force_z"].to_numpy()
        suspect[axle] = bad
    data = pd.DataFrame(columns, index=motion.data.index)
    for axle, bad in suspect.items():
        names = [f"load_{c}" for c in AXLE_CORNERS[axle]] + [f"left_share_{axle}"]
        data.loc[bad, names] = np.nan
    return Loads(data, suspect, tuple(dict.fromkeys(left_out)))


def _axle_loads(
    motion: Motion, car: CarSheet, axle: Axle, bar_rate: float, stop: Stop | None, left_out: list[str]
) -> tuple[Floats, Floats]:
    sheet = car.axle(axle)
    masses = mass_properties(car).axle(axle)
    rate = _rate(motion)
    corners = AXLE_CORNERS[axle]
    wheel = [motion.data[f"wheel_{corner}"].to_numpy() for corner in corners]
    if sheet.damper.rates is None:
        left_out.append(f"damper force {axle} (no damper rates in the sheet)")
    static = [car.mass.load(corner).value for corner in corners]
    sprung = masses.sprung * STANDARD_GRAVITY
    change = [
        _side_force(sheet, wheel[k], static[k] * sprung / (static[0] + static[1]), stop, rate) for k in (0, 1)
    ]
    # Springs of a solid axle stand inside the track: of their difference the wheels see b / t.
    arm = roll_base(sheet) / sheet.track_width.value
    mean, difference = (change[0] + change[1]) / 2.0, (change[1] - change[0]) / 2.0 * arm
    ratio = bar_ratio(sheet)
    if ratio is not None:
        difference = difference + bar_rate * ratio**2 * (wheel[1] - wheel[0]) / 2.0
    across = motion.data["road_force_y" if "road_force_y" in motion.data else "specific_force_y"].to_numpy()
    kept_off = masses.unsprung * sheet.wheel_radius.value * (1.0 - masses.unsprung_share)
    direct = masses.sprung * sheet.roll_centre_height.value + kept_off
    difference = difference + direct * across / sheet.track_width.value
    unsprung = [_unsprung(motion, car, axle, corner, wheel[k], rate) for k, corner in enumerate(corners)]
    if "specific_force_z" not in motion.data:
        left_out.append("unsprung inertia (no vertical acceleration in the log)")
    return static[0] + mean - difference + unsprung[0], static[1] + mean + difference + unsprung[1]


def _side_force(sheet: AxleSheet, wheel: Floats, sprung: float, stop: Stop | None, rate: float) -> Floats:
    """Return the change from static of spring, damper and stop force at one wheel [N]."""
    spring_ratio = ratio_at(wheel, sheet.spring.motion_ratio)
    spring = damper_travel(wheel, sheet.spring.motion_ratio) * sheet.spring.rate.value
    preload = sprung / ratio_at_static(sheet.spring.motion_ratio)
    force: Floats = (preload + spring) * spring_ratio - sprung
    damper_ratio = ratio_at(wheel, sheet.damper_motion_ratio)
    damper = damper_travel(wheel, sheet.damper_motion_ratio)
    if sheet.damper.rates is not None:
        speed = derivative(smooth(damper, lowpass_taps(rate, BAND, BAND)), rate)
        rates = sheet.damper.rates
        force = force + np.where(speed > 0.0, rates.bump.value, rates.rebound.value) * speed * damper_ratio
    if stop is not None:
        force = force + stop_force(sheet, damper - stop.gap) * damper_ratio
    return force


def _unsprung(
    motion: Motion, car: CarSheet, axle: Axle, corner: Corner, wheel: Floats, rate: float
) -> Floats:
    """Return the change from static by one wheel's own mass, half the axle's unsprung mass [N]."""
    if "specific_force_z" not in motion.data:
        return np.zeros_like(wheel)
    masses = mass_properties(car)
    along = masses.front_axle_distance if axle == "front" else -masses.rear_axle_distance
    aside = car.axle(axle).track_width.value / 2.0 * (1.0 if corner in ("FL", "RL") else -1.0)
    taps = lowpass_taps(rate, BAND, BAND)
    body = smooth(motion.data["specific_force_z"].to_numpy(), taps)
    if "roll_acceleration" in motion.data:
        body = body + aside * smooth(motion.data["roll_acceleration"].to_numpy(), taps)
    if "pitch_rate" in motion.data:
        body = body - along * derivative(smooth(motion.data["pitch_rate"].to_numpy(), taps), rate)
    relative = derivative(derivative(smooth(wheel, taps), rate), rate)
    return masses.axle(axle).unsprung / 2.0 * (body + relative - STANDARD_GRAVITY)


def _rate(motion: Motion) -> float:
    index = motion.data.index
    return float((len(index) - 1) / (index[-1] - index[0]))


def steady(values: Floats, rate: float) -> Floats:
    """Return `values` low-passed at `STEADY_BAND`."""
    return smooth(values, lowpass_taps(rate, STEADY_BAND, STEADY_BAND))
