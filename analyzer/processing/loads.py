"""Wheel loads: what carries them, how they are shared left to right, and whether they add up to the car.

They follow from springs, bar, dampers, stops, links and the wheels' own inertia, never from a tyre model.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

import numpy as np
import pandas as pd

from analyzer.core.estimate import Estimate
from analyzer.core.filebacked import frame_aside, set_aside
from analyzer.core.regression import block_error, block_length, mean_estimate, with_common, with_error
from analyzer.core.signals import Bools, Floats, derivative, longer, lowpass_taps, smooth, widened
from analyzer.core.units import AXLE_CORNERS, AXLES, CORNERS, STANDARD_GRAVITY, Axle, Corner
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.processing.results import LightTime, LoadShare, Motion
from analyzer.sheets.car import AxleSheet, CarSheet
from analyzer.vehicle import axle as axles
from analyzer.vehicle.axle import Stop, stop_force
from analyzer.vehicle.roll import AxleRollPath

BAND: Final = 20.0
"""Band of wheel speed and acceleration in the loads [Hz]; wheel hop (10-15 Hz) passes."""
DAMPER: Final = "damper force (no damper rates in the sheet)"
UNSPRUNG: Final = "unsprung inertia (no vertical acceleration in the log)"
"""What wheel loads may lack."""
STEADY_BAND: Final = 5.0
"""Low-pass of lowest loads and closure [Hz]."""
BRIDGED_S: Final = 0.25
"""Suspect stretch over which a low-passed load is still good [s]: one lost row makes up to 0.2 s of loads
suspect, since filters bring its neighbours in, and is bridged itself within a hundredth."""


@dataclass(frozen=True, slots=True)
class Loads:
    """Wheel loads over time.

    Parameters
    ----------
    data : DataFrame
        ``load_FL`` ... [N], ``left_share_front``, ``left_share_rear`` [1]; finite everywhere, also where
        suspect.
    suspect : dict
        Per axle, True where the loads rest on a gap or a suspect sample, bridged.
    left_out : dict
        Per axle, what the loads do not hold since the sheet or the log is silent.
    """

    data: pd.DataFrame
    suspect: dict[Axle, Bools]
    left_out: dict[Axle, tuple[str, ...]]

    def known(self) -> pd.DataFrame:
        """Return the loads, NaN where they cannot be known."""
        columns = {}
        for axle, suspect in self.suspect.items():
            for name in (*(f"load_{corner}" for corner in AXLE_CORNERS[axle]), f"left_share_{axle}"):
                columns[name] = set_aside(np.where(suspect, np.nan, self.data[name].to_numpy()))
        return frame_aside(columns, self.data.index)

    def steady(self, column: str, rate: float, band: float = STEADY_BAND) -> Floats:
        """Return a column low-passed; `unbridged` says where that is no good."""
        return steady(self.data[column].to_numpy(), rate, band)

    def unbridged(self, axle: Axle, rate: float) -> Bools:
        """Return where an axle's loads are suspect for longer than a low-passed load may be bridged."""
        return longer(self.suspect[axle], int(BRIDGED_S * rate))


def wheel_loads(
    motion: Motion, car: CarSheet, bar_rates: Mapping[Axle, float], stops: Mapping[Axle, Stop | None]
) -> Loads:
    """Return the four wheel loads as far as the axles have both pots and there is a lateral force.

    A load is square to the road. It follows from the balance of one wheel along the way its suspension lets
    it go (principle of virtual work, any mechanics text; see docs/estimates.md): spring, bar, damper and bump
    stop through their motion ratios, the wheel's own inertia, and the tyre's forces in the plane of the road,
    of which the leaning way and the rolled body carry a part past the springs.
    """
    left_out: dict[Axle, tuple[str, ...]] = {}
    columns: dict[str, Floats] = {}
    suspect: dict[Axle, Bools] = {}
    if "specific_force_y" not in motion.data:
        return Loads(pd.DataFrame(index=motion.data.index), {}, {})
    for axle in AXLES:
        if f"roll_{axle}" not in motion.data:
            continue
        # A wheel pulls on nothing: where the balance goes below zero, it is off the road.
        left, right = _axle_loads(motion, car, axle, bar_rates.get(axle, 0.0), stops.get(axle))
        lacking = {
            DAMPER: car.axle(axle).damper.rates is None,
            UNSPRUNG: "specific_force_z" not in motion.data,
        }
        left_out[axle] = tuple(part for part, lacks in lacking.items() if lacks)
        left, right = np.maximum(left, 0.0), np.maximum(right, 0.0)
        found = dict(zip((f"load_{corner}" for corner in AXLE_CORNERS[axle]), (left, right), strict=True))
        found[f"left_share_{axle}"] = left / np.maximum(left + right, 1.0)
        bad = motion.suspect[f"roll_{axle}"].to_numpy() | motion.suspect["specific_force_y"].to_numpy()
        if "specific_force_z" in motion.data:
            bad = bad | motion.suspect["specific_force_z"].to_numpy()
        suspect[axle] = bad
        columns |= {name: set_aside(values) for name, values in found.items()}
    data = frame_aside(columns, motion.data.index)
    return Loads(data, suspect, left_out)


def _axle_loads(
    motion: Motion, car: CarSheet, axle: Axle, bar_rate: float, stop: Stop | None
) -> tuple[Floats, Floats]:
    """Return both loads of an axle [N].

    With the way a wheel goes in bump leaning outwards by tan(lean) = 2 h_rc / t, the body rolled by phi
    against the road, and divided by cos(phi):

        N_i (1 +- tan(lean) tan(phi)) = Q_i / cos(phi) + F_i (tan(phi) -+ tan(lean))

    (upper sign left), Q_i being all that acts along the way. On a solid axle the links hold the axle, not
    the wheel, so both wheels take half of the axle's side force there.
    """
    sheet = car.axle(axle)
    carried = [set_aside(load) for load in _carried(motion, car, axle, bar_rate, stop)]
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


def _carried(motion: Motion, car: CarSheet, axle: Axle, bar_rate: float, stop: Stop | None) -> list[Floats]:
    """Return what acts on each wheel of an axle along its way in bump, tyre apart [N per vertical travel]."""
    sheet = car.axle(axle)
    masses = axles.mass_properties(car).axle(axle)
    rate = motion.rate
    corners = AXLE_CORNERS[axle]
    wheel = [motion.data[f"wheel_{corner}"].to_numpy() for corner in corners]
    static = [car.mass.load(corner).value for corner in corners]
    sprung = masses.sprung * STANDARD_GRAVITY
    change = [
        _side_force(sheet, wheel[k], static[k] * sprung / (static[0] + static[1]), stop, rate) for k in (0, 1)
    ]
    # Springs of a solid axle stand inside the track: of their difference the wheels see b / t.
    arm = axles.roll_base(sheet) / sheet.track_width.value
    mean, difference = (change[0] + change[1]) / 2.0, (change[1] - change[0]) / 2.0 * arm
    ratio = axles.bar_ratio(sheet)
    if ratio is not None:
        difference = difference + bar_rate * ratio**2 * (wheel[1] - wheel[0]) / 2.0
    unsprung = [_unsprung(motion, car, axle, corner, wheel[k], rate) for k, corner in enumerate(corners)]
    return [static[0] + mean - difference + unsprung[0], static[1] + mean + difference + unsprung[1]]


def _axle_forces(motion: Motion, car: CarSheet, axle: Axle) -> tuple[Floats, Floats]:
    """Return the tyres' force on an axle across and along the car, in the plane of the road [N].

    Across: mass of the axle times the lateral force at its place, f_y + yaw acceleration x distance from the
    CG. That is exact for a yaw inertia of mass x both distances; cars lie within some 10 % of it (from
    memory). Along: shared like the mass, since the log does not say which axle drives or brakes.
    """
    masses = axles.mass_properties(car)
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
    # Virtual work: each force acts through its own ratio at this travel; the preload carries the static load.
    spring_ratio = axles.ratio_at(wheel, sheet.spring.motion_ratio)
    spring = axles.damper_travel(wheel, sheet.spring.motion_ratio) * sheet.spring.rate.value
    preload = sprung / float(axles.static_motion_ratio(sheet.spring.motion_ratio))
    force: Floats = (preload + spring) * spring_ratio - sprung
    damper_ratio = axles.ratio_at(wheel, sheet.damper_motion_ratio)
    damper = axles.damper_travel(wheel, sheet.damper_motion_ratio)
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
    masses = axles.mass_properties(car)
    sheet = car.axle(axle)
    sign = 1.0 if corner in ("FL", "RL") else -1.0
    half = sheet.track_width.value / 2.0
    # Camber gain times half the track: 1 when the wheels keep upright by themselves.
    camber = 1.0 - masses.axle(axle).unsprung_share
    outwards = (sheet.roll_centre_height.value - sheet.wheel_radius.value * camber) / half
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


def steady(values: Floats, rate: float, band: float = STEADY_BAND) -> Floats:
    """Return `values` low-passed at `band` [Hz]."""
    return set_aside(smooth(values, lowpass_taps(rate, band, band)))


# Figures drawn from the wheel loads: left share, lowest load and how long a wheel was light.

MEANT_S: Final = 1.0
"""Longest gap of which a mean still speaks, by the lateral force to both sides of it [s]: engineering
judgement; in a longer one a car may turn the other way."""
LIGHT: Final = 0.2
"""A wheel is light below this part of its static load; the figure's definition."""
LIGHT_BELOW: Final = (0.02, 0.1, LIGHT, 0.5)
"""Thresholds of light time; at the lowest the wheel is off the road within the error of the loads."""
SHARE_LEFT_OUT: Final = 0.001
"""Standard uncertainty of a run's mean left share from what the balance of a wheel leaves out [1]: 0.0002
root mean square and 0.0005 at most on the rigid-body engine of the tests."""
BAR_SPREAD: Final = 0.03
"""Relative standard uncertainty of a bar's rate that is worked out from its dimensions [1]: engineering
judgement."""
DRAWS: Final = 200
"""Bootstrap draws for figures that are not means."""


def load_shares(
    loads: Loads,
    motion: Motion,
    car: CarSheet,
    moving: Bools,
    seed: int,
    zero: Mapping[Axle, float] | None = None,
    spread: Mapping[Axle, float] | None = None,
) -> dict[Axle, LoadShare]:
    """Return `LoadShare` per axle whose loads are known, over the `moving` working samples.

    `zero` is what the zero of the pots may be off, as a share of the axle's load (`zero_share_error`);
    `spread` the relative standard uncertainty of what moves across the axle (`transfer_spread`).
    """
    found: dict[Axle, LoadShare] = {}
    rate = motion.rate
    for axle in AXLES:
        if axle not in loads.suspect:
            continue
        notes = tuple(f"without {part}" for part in loads.left_out.get(axle, ()))
        use, known, meant = _usable(loads, axle, moving, rate)
        if np.count_nonzero(known) < rate:
            continue
        left, right = (loads.steady(f"load_{corner}", rate)[use] for corner in AXLE_CORNERS[axle])
        method = f"loads low-passed at {STEADY_BAND:g} Hz"
        static = [car.mass.load(corner).value for corner in AXLE_CORNERS[axle]]
        # The axle's lighter wheel at each moment, as a part of what it carries at rest.
        part: Floats = np.minimum(left / static[0], right / static[1])
        light = tuple(_light(part, below, rate, method) for below in LIGHT_BELOW)
        even = 2.0 * np.minimum(left, right) / np.maximum(left + right, 1.0)
        place = int(np.argmin(np.minimum(left, right)))
        found[axle] = LoadShare(
            left_share=_left_share(
                _mean_left(loads, motion, axle, known, meant), car, axle, zero or {}, spread or {}
            ).with_notes(*notes),
            lowest_load=_lowest(np.minimum(left, right), method, seed).with_notes(*notes),
            light_time=next(one.share for one in light if one.below == LIGHT).with_notes(*notes),
            evenness=mean_estimate(even, "1", method).with_notes(*notes),
            light=light,
            lowest_corner=AXLE_CORNERS[axle][0 if left[place] <= right[place] else 1],
            lowest_at=float(loads.data.index[use][place]),
            damped=DAMPER not in loads.left_out.get(axle, ()),
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
            ratio = float(axles.static_motion_ratio(sheet.damper_motion_ratio))
            found[axle] = rate * doubt / ratio / (2.0 * load)
    return found


def transfer_spread(
    car: CarSheet, paths: Mapping[Axle, AxleRollPath], bends: Mapping[Axle, float] = MappingProxyType({})
) -> dict[Axle, float]:
    """Return the relative standard uncertainty of the load that moves across each axle, from the sheet [1].

    `bends` is that of roll where calibrations bend between their pairs.

    Springs, bar and scales of the pots for what goes by the springs, roll centre for what goes by the links,
    and the track width, as parts of the whole; a bar's rate by its dimensions counts with `BAR_SPREAD`.
    """
    moment, stiffness = (sum(p.moment for p in paths.values()), sum(p.suspension for p in paths.values()))
    masses = axles.mass_properties(car)
    found = {}
    for axle, path in paths.items():
        sheet, bar = car.axle(axle), path.bar / max(path.suspension, 1.0)
        elastic = moment * path.suspension / max(stiffness, 1.0)
        whole = max(elastic + path.direct, 1.0)
        by_springs = math.hypot(
            (1.0 - bar) * _rate_spread(car, axle),
            bar * BAR_SPREAD,
            axles.roll_scale_spread(car, sheet, AXLE_CORNERS[axle])[0],
            bends.get(axle, 0.0),
        )
        by_links = masses.axle(axle).sprung * (sheet.roll_centre_height.std or 0.0)
        track = (sheet.track_width.std or 0.0) / sheet.track_width.value
        found[axle] = math.hypot(elastic / whole * by_springs, by_links / whole, track)
    return found


def _usable(loads: Loads, axle: Axle, moving: Bools, rate: float) -> tuple[Bools, Bools, Bools]:
    """Return which samples low-passed loads may use, which loads as they are, and which a mean is for.

    A log that loses a row now and then would lose most of a run if all that the low-pass touches went with
    it, and what is left turns left and right in other parts than were driven.
    """
    suspect = loads.suspect[axle]
    # A low-passed load rests on 0.4 s to both sides.
    use = moving & ~widened(loads.unbridged(axle, rate), int(0.4 * rate))
    return use, use & ~suspect, moving & ~longer(suspect, int(MEANT_S * rate))


def _mean_left(loads: Loads, motion: Motion, axle: Axle, known: Bools, meant: Bools) -> Estimate:
    """Return the mean left share over `meant`, of the samples `known` and what it goes along with.

    That is the lateral force, over the vertical one too, and roll rate; over a short gap they are bridged.
    """
    share = loads.data[f"left_share_{axle}"].to_numpy()[known]
    force = steady(motion.data["specific_force_y"].to_numpy(), motion.rate)
    columns = [force, force**3]
    if "specific_force_z" in motion.data:
        up = steady(motion.data["specific_force_z"].to_numpy(), motion.rate)
        columns.append(force / np.maximum(up, STANDARD_GRAVITY / 2.0))
    if "roll_rate" in motion.data:
        columns.append(motion.data["roll_rate"].to_numpy())
    everywhere = None
    if np.any(meant & ~known):
        everywhere = np.array([column[meant].mean() for column in columns])
    beside = np.column_stack([column[known] for column in columns])
    return mean_estimate(share, "1", "mean over the moving part", beside, everywhere)


def _left_share(
    found: Estimate, car: CarSheet, axle: Axle, zero: Mapping[Axle, float], spread: Mapping[Axle, float]
) -> Estimate:
    """Return the mean left share with what scales, zeros and sheet may be off from run to run alike.

    Left and right corners are how the run was driven, and no scatter of its mean. The interval holds
    calibration too, since the sheet's tolerances are the larger part.
    """
    scales = [car.mass.load(corner) for corner in AXLE_CORNERS[axle]]
    total = sum(load.value for load in scales)
    parts = [scales[1 - k].value / total**2 * (scales[k].std or 0.0) for k in (0, 1)]
    moved = abs(found.value - scales[0].value / total) if found.value is not None else 0.0
    common = math.hypot(*parts, zero.get(axle, 0.0), moved * spread.get(axle, 0.0), SHARE_LEFT_OUT)
    return with_common(found, common)


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


def _lowest(values: Floats, method: str, seed: int) -> Estimate:
    """Return the smallest value; its error from drawing blocks of the run anew."""
    lowest = float(values.min())
    # The smallest of blocks drawn anew: a minimum has no mean whose error could be taken.
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


# Whether the wheel loads add up to the car: a wrong motion ratio, CG height or sensor shows here first.

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
    good = use & ~widened(longer(bad, int(BRIDGED_S * rate)), int(0.4 * rate))
    if np.count_nonzero(good) <= rate:
        return _unknown("under a second of driving in which all loads are known")
    slow = {corner: loads.steady(f"load_{corner}", rate) for corner in CORNERS}
    return _vertical(slow, motion, car, good) | _moment(slow, motion, car, good)


def _unknown(reason: str) -> dict[str, Estimate]:
    return {name: Estimate.unknown("1", reason) for name in TITLES}


def _vertical(
    slow: Mapping[Corner, Floats], motion: Motion, car: CarSheet, good: Bools
) -> dict[str, Estimate]:
    masses = axles.mass_properties(car)
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
    masses = axles.mass_properties(car)
    across, up = (steady(motion.data[f"road_force_{axis}"].to_numpy(), rate) for axis in "yz")
    body = steady(motion.data["body_roll"].to_numpy(), rate)
    shown, wanted = np.zeros(len(good)), np.zeros(len(good))
    for axle in AXLES:
        # What the tyres show: half the track times the difference of the loads.
        sheet, parts = car.axle(axle), masses.axle(axle)
        left, right = (slow[corner] for corner in AXLE_CORNERS[axle])
        shown = shown + (right - left) * sheet.track_width.value / 2.0
        travel = [steady(motion.data[f"wheel_{corner}"].to_numpy(), rate) for corner in AXLE_CORNERS[axle]]
        roll = steady(motion.data[f"roll_{axle}"].to_numpy(), rate)
        # What the masses want: the sprung one lower by springs and tyres, aside by both rolls.
        sunk = (left + right - sum(car.mass.load(c).value for c in AXLE_CORNERS[axle])) / 2.0
        tyre = 0.0 * sunk if sheet.tyre_rate is None else sunk / sheet.tyre_rate.value
        height = masses.sprung_cg_height - (travel[0] + travel[1]) / 2.0 - tyre
        aside = masses.sprung_cg_height * body - sheet.roll_centre_height.value * roll
        wanted = wanted + parts.sprung * (across * height + up * aside)
        # The wheels stand on the tyres alone, and lean with the body less what the suspension takes back.
        leaning = body - (1.0 - parts.unsprung_share) * roll
        wanted = wanted + parts.unsprung * sheet.wheel_radius.value * (across + up * leaning)
    method = f"moment of the wheel loads against that of all masses, low-passed at {STEADY_BAND:g} Hz"
    shown, wanted = set_aside(shown[good]), set_aside(wanted[good])
    columns = [wanted, np.ones(len(wanted))]
    if "roll_acceleration" in motion.data:
        columns.append(steady(motion.data["roll_acceleration"].to_numpy(), rate)[good])
    return _slope(shown, np.column_stack(columns), car, method)


def _slope(shown: Floats, design: Floats, car: CarSheet, method: str) -> dict[str, Estimate]:
    masses = axles.mass_properties(car)
    half = sum(car.axle(a).track_width.value for a in AXLES) / 4.0
    scale = masses.total * STANDARD_GRAVITY * half
    size = np.linalg.norm(design, axis=0)
    size[size == 0.0] = 1.0
    # `wanted` is slope 1 when all adds up; offset and roll inertia are fitted beside it.
    # By the normal equations of scaled columns: singular values would take five times the memory.
    back = np.linalg.pinv((design.T @ design) / np.outer(size, size), hermitian=True) / np.outer(size, size)
    fitted = back @ (design.T @ shown)
    fitted = fitted + back @ (design.T @ (shown - design @ fitted))
    slope, rest = float(fitted[0]), shown - design @ fitted
    weight = design @ back[0]
    error = block_error((weight * rest)[:, None], weight)
    found = with_error(slope - 1.0, "1", error, 0, method)
    # What the sheet's tolerances allow: springs by their part of the stiffness, levers by their moment.
    stiffness = {a: axles.axle_roll_stiffness(car.axle(a), 0.0, masses.axle(a).sprung) for a in AXLES}
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
    ratio = axles.relative_spread(sheet.spring.motion_ratio) or 0.0
    return math.hypot((rate.std or 0.0) / rate.value, ratio)


def closure_checks(found: Mapping[str, Estimate]) -> tuple[HealthRow, ...]:
    """Return a health row per closure: good, suspect or bad beyond what the sheet's tolerances allow."""
    return tuple(_check(name, found[name]) for name in TITLES if name in found)


def _check(name: str, closure: Estimate) -> HealthRow:
    def row(verdict: Verdict, value: float | None, limit: float | None, comment: str) -> HealthRow:
        return HealthRow(TITLES[name], "wheel loads", verdict, value, limit, "1", comment)

    if closure.value is None:
        return row(Verdict.NOT_TESTED, None, None, closure.notes[0])
    # What the sheet's tolerances and the run's scatter explain is nobody's fault.
    allowed = 2.0 * math.hypot(closure.calibration or 0.0, closure.std_error or 0.0)
    limit, off = CLOSES + allowed, abs(closure.value)
    words = f"{100.0 * closure.value:+.1f} % against the {'weight' if 'vertical' in name else 'masses'}"
    if off <= limit:
        return row(Verdict.GOOD, closure.value, limit, f"the loads add up: {words}")
    verdict = Verdict.BAD if off > OPEN + allowed else Verdict.SUSPECT
    return row(verdict, closure.value, limit, f"the wheel loads do not add up: {words}; {REMEDIES[name]}")


def moment_spread(car: CarSheet) -> float:
    """Return the standard uncertainty of M from CG height, camber gain and roll centres [kg m]."""
    masses = axles.mass_properties(car)
    parts = [masses.total * (car.mass.cg_height.std or 0.0)]
    for axle in AXLES:
        sheet = car.axle(axle)
        gain = axles.camber_gain(sheet)
        lever = masses.axle(axle).unsprung * sheet.wheel_radius.value * sheet.track_width.value / 2.0
        parts.append(lever * (gain.std or 0.0))
        parts.append(masses.axle(axle).sprung * (sheet.roll_centre_height.std or 0.0))
    return float(np.hypot.reduce(parts))
