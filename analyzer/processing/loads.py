"""Wheel loads from what carries them: springs, bar, dampers, stops, links and the wheels' own inertia."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from analyzer.constants import AXLE_CORNERS, AXLES, STANDARD_GRAVITY, Axle, Corner
from analyzer.ingest.shelf import frame_aside, set_aside
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

    A load is square to the road. It follows from the balance of one wheel along the way its suspension lets
    it go (principle of virtual work, any mechanics text; see docs/estimates.md): spring, bar, damper and bump
    stop through their motion ratios, the wheel's own inertia, and the tyre's forces in the plane of the road,
    of which the leaning way and the rolled body carry a part past the springs.
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
        for name in (*(f"load_{corner}" for corner in AXLE_CORNERS[axle]), f"left_share_{axle}"):
            columns[name][bad] = np.nan
            columns[name] = set_aside(columns[name])
    data = frame_aside(columns, motion.data.index)
    return Loads(data, suspect, tuple(dict.fromkeys(left_out)))


def _axle_loads(
    motion: Motion, car: CarSheet, axle: Axle, bar_rate: float, stop: Stop | None, left_out: list[str]
) -> tuple[Floats, Floats]:
    """Return both loads of an axle [N].

    With the way a wheel goes in bump leaning outwards by tan(lean) = 2 h_rc / t, the body rolled by phi
    against the road, and divided by cos(phi):

        N_i (1 +- tan(lean) tan(phi)) = Q_i / cos(phi) + F_i (tan(phi) -+ tan(lean))

    (upper sign left), Q_i being all that acts along the way. On a solid axle the links hold the axle, not
    the wheel, so both wheels take half of the axle's side force there.
    """
    sheet = car.axle(axle)
    carried = [set_aside(load) for load in _carried(motion, car, axle, bar_rate, stop, left_out)]
    lean = 2.0 * sheet.roll_centre_height.value / sheet.track_width.value
    rolled = motion.data.get("body_roll")
    slope = np.zeros_like(carried[0]) if rolled is None else np.tan(rolled.to_numpy())
    pitched = (
        motion.data["pitch"].to_numpy() if "pitch" in motion.data and rolled is not None else 0.0 * slope
    )
    upright = np.hypot(1.0, slope) / np.cos(pitched)
    side, along = (set_aside(force) for force in _axle_forces(motion, car, axle))
    rate = motion.rate
    slow = [steady(load, rate) for load in carried]
    # A tyre's side force follows its load with a delay, so it is shared by the slow loads.
    left_part = np.clip(slow[0] / np.maximum(slow[0] + slow[1], 1.0), 0.0, 1.0)
    found = []
    for sign, load, part in ((1.0, carried[0], left_part), (-1.0, carried[1], 1.0 - left_part)):
        lateral = side / 2.0 if sheet.suspension == "solid axle" else side * part
        held = load * upright + lateral * (slope - sign * lean) - along * part * np.tan(pitched)
        found.append(set_aside(held / (1.0 + sign * lean * slope)))
    return found[0], found[1]


def _carried(
    motion: Motion, car: CarSheet, axle: Axle, bar_rate: float, stop: Stop | None, left_out: list[str]
) -> list[Floats]:
    """Return what acts on each wheel of an axle along its way in bump, tyre apart [N per vertical travel]."""
    sheet = car.axle(axle)
    masses = mass_properties(car).axle(axle)
    rate = motion.rate
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
    unsprung = [_unsprung(motion, car, axle, corner, wheel[k], rate) for k, corner in enumerate(corners)]
    if "specific_force_z" not in motion.data:
        left_out.append("unsprung inertia (no vertical acceleration in the log)")
    return [static[0] + mean - difference + unsprung[0], static[1] + mean + difference + unsprung[1]]


def _axle_forces(motion: Motion, car: CarSheet, axle: Axle) -> tuple[Floats, Floats]:
    """Return the tyres' force on an axle across and along the car, in the plane of the road [N].

    Across: mass of the axle times the lateral force at its place, f_y + yaw acceleration x distance from the
    CG. That is exact for a yaw inertia of mass x both distances; cars lie within some 10 % of it (from
    memory). Along: shared like the mass, since the log does not say which axle drives or brakes.
    """
    masses = mass_properties(car)
    parts = masses.axle(axle)
    mass = parts.sprung + parts.unsprung
    in_road = "road_force_y" in motion.data
    across = motion.data["road_force_y" if in_road else "specific_force_y"].to_numpy()
    if "yaw_rate" in motion.data:
        rate = motion.rate
        ahead = masses.front_axle_distance if axle == "front" else -masses.rear_axle_distance
        across = across + ahead * derivative(steady(motion.data["yaw_rate"].to_numpy(), rate), rate)
    along = motion.data["road_force_x"].to_numpy() if in_road else np.zeros_like(across)
    return mass * across, mass * along


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
    """Return the change from static by one wheel's own mass, half the axle's unsprung mass [N].

    Along the body's vertical, and across it as far as the wheel's centre moves across in bump: outwards by
    tan(lean) less what its camber gain tips it inwards over the wheel's radius.
    """
    masses = mass_properties(car)
    sheet = car.axle(axle)
    sign = 1.0 if corner in ("FL", "RL") else -1.0
    half = sheet.track_width.value / 2.0
    outwards = (sheet.roll_centre_height.value - sheet.wheel_radius.value * _camber_share(car, axle)) / half
    across = sign * outwards * motion.data["specific_force_y"].to_numpy()
    mass = masses.axle(axle).unsprung / 2.0
    if "specific_force_z" not in motion.data:
        return mass * across
    along = masses.front_axle_distance if axle == "front" else -masses.rear_axle_distance
    taps = lowpass_taps(rate, BAND, BAND)
    body = smooth(motion.data["specific_force_z"].to_numpy(), taps)
    if "roll_acceleration" in motion.data:
        body = body + sign * half * smooth(motion.data["roll_acceleration"].to_numpy(), taps)
    if "pitch_rate" in motion.data:
        body = body - along * derivative(smooth(motion.data["pitch_rate"].to_numpy(), taps), rate)
    relative = derivative(derivative(smooth(wheel, taps), rate), rate)
    return mass * (body + relative - STANDARD_GRAVITY + across)


def _camber_share(car: CarSheet, axle: Axle) -> float:
    """Return camber gain times half the track [1]: 1 when the wheels keep upright by themselves."""
    return 1.0 - mass_properties(car).axle(axle).unsprung_share


def steady(values: Floats, rate: float) -> Floats:
    """Return `values` low-passed at `STEADY_BAND`."""
    return set_aside(smooth(values, lowpass_taps(rate, STEADY_BAND, STEADY_BAND)))
