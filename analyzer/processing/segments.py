"""Parts of a run: sections of the course, stretches named by the motion, and what differs between them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from analyzer.core import regression
from analyzer.core.estimate import Estimate
from analyzer.core.signals import Bools, Floats, derivative, lowpass_taps, smooth, widened
from analyzer.core.units import AXLE_CORNERS, AXLES, STANDARD_GRAVITY, Axle
from analyzer.ingest.recording import Recording
from analyzer.processing.loads import STEADY_BAND, Loads, steady
from analyzer.processing.motion import Moving
from analyzer.processing.results import Difference, Motion, Split
from analyzer.processing.road import BANKED, Track, gate_place, origin_of, track_of
from analyzer.processing.roll.disturbances import CONTACT_SPREAD, FOLLOWS, ArmParts, arm_parts
from analyzer.processing.roll.equation import GROUND, INERTIA_RATIO, SLOW_BAND, RollColumns
from analyzer.processing.roll.fit import ENOUGH_FORCE, MOST_UNSURE, RollFit, fit_roll
from analyzer.processing.roll.gradient import GROUND_OPEN, METHOD, UNIT, body_gradients
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import CourseSheet, Mark, Section
from analyzer.vehicle.roll import Weights

SHORTEST_S: Final = 0.6
"""A stretch shorter than this belongs to its neighbour [s]; between two turns of opposite sides it is a
transition. Engineering judgement."""
CORNERING: Final = 0.2 * STANDARD_GRAVITY
"""Low-passed in-plane force from which the car is called cornering [m/s2]: engineering judgement."""


def section_masks(
    course: CourseSheet, motion: Motion, moving: Moving, recording: Recording | None = None
) -> dict[str, Bools]:
    """Return, per section of the course that can be placed in this run, the working samples inside it.

    Marks in distance need a speed, gates need GPS; times count from the start of the moving part.
    """
    if moving.stop <= moving.start:
        return {}
    time = motion.data.index.to_numpy(dtype=np.float64)
    since = time - time[moving.start]
    driving = np.zeros(len(time), dtype=np.bool_)
    driving[moving.start : moving.stop] = True
    found: dict[str, Bools] = {}
    origin = None if recording is None else origin_of(recording)
    track = None if recording is None or origin is None else track_of(recording, motion, origin)
    for section in course.sections:
        # Gates, distances or times, as the sheet has it; two stretches of one name are one section.
        if section.start.gate is not None:
            inside = _between_gates(section, track, origin, driving)
        elif section.start.distance_m is not None:
            if moving.distance is None:
                continue
            inside = _between(section, moving.distance, "distance_m") & ~moving.distance_suspect
        else:
            inside = _between(section, since, "time_s")
        inside &= driving
        if inside.any():
            found[section.name] = found.get(section.name, np.zeros_like(inside)) | inside
    return found


def _between_gates(
    section: Section, track: Track | None, origin: tuple[float, float] | None, driving: Bools
) -> Bools:
    inside = np.zeros(len(driving), dtype=np.bool_)
    if track is None or origin is None or section.start.gate is None or section.end.gate is None:
        return inside
    first = gate_place(track, section.start.gate, origin, driving)
    if first is None:
        return inside
    after = driving.copy()
    after[: first + 1] = False
    last = gate_place(track, section.end.gate, origin, after)
    if last is not None:
        inside[first:last] = True
    return inside


def _between(section: Section, along: Floats, key: str) -> Bools:
    low, high = (_mark(mark, key) for mark in (section.start, section.end))
    result: Bools = (along >= low) & (along < high)
    return result


def _mark(mark: Mark, key: str) -> float:
    value = getattr(mark, key)
    return math.inf if value is None else float(value)


def describe(motion: Motion, place: int) -> str:
    """Return a plain description of the motion at a working sample: "left, banked", "straight"."""
    # Where the turn is not known the side of the force has to do; a drift may then read as a straight.
    data, suspect = motion.data, motion.suspect
    if "turn" not in data or bool(suspect["turn"].iloc[place]):
        if "specific_force_y" not in data:
            return "unknown place"
        force = float(data["specific_force_y"].iloc[place])
        return "straight" if abs(force) < CORNERING else ("left" if force > 0 else "right")
    rate = motion.rate
    low, high = max(0, place - int(rate)), place + int(rate)
    taps = lowpass_taps(rate, 0.7, 1.4)
    along, across = (
        smooth(data[f"road_force_{axis}"].to_numpy()[low:high], taps)[place - low] for axis in "xy"
    )
    bank = float(data["bank"].iloc[place])
    banked = "" if bool(suspect["bank"].iloc[place]) or bank < BANKED else ", banked"
    if math.hypot(along, across) < CORNERING and not banked:
        return "straight"
    return ("left" if float(data["turn"].iloc[place]) > 0 else "right") + banked


def found_sections(motion: Motion) -> list[tuple[str, int, int]]:
    """Return the stretches of a run by what they are, in working samples: name, first, one after the last.

    Names: ``straight 1``, ``left 1``, ``right 1``, ``banked left 1``, ``transition 1``, each counted in
    order. Empty when the log cannot tell turns.
    """
    data, suspect = motion.data, motion.suspect
    rate = motion.rate
    driving = np.flatnonzero(~motion.parked.to_numpy())
    name = "road_force_y" if "road_force_y" in data else "specific_force_y"
    if not driving.size or name not in data:
        return []
    low, high = int(driving[0]), int(driving[-1]) + 1
    # Without a yaw rate the force itself has to tell the side; with it, force along and across count.
    taps = lowpass_taps(rate, 0.7, 1.4)
    across = smooth(data[name].to_numpy(), taps)[low:high]
    force = np.abs(across)
    side = np.sign(across)
    if "turn" in data:
        along = smooth(data["road_force_x"].to_numpy(), taps)[low:high]
        speed = data["speed"].to_numpy()[low:high] if "speed" in data else None
        # What gains or loses speed does not turn the car.
        push = np.zeros_like(along)
        if speed is not None and len(speed) > 1:  # one sample has no change of speed
            push = smooth(np.gradient(speed) * rate, taps)
        force = np.sqrt(np.maximum(across**2 + along**2 - push**2, 0.0))
        side = data["turn"].to_numpy()[low:high]
    # A banked turn near its neutral speed has no force across, and is a turn all the same.
    banked = np.zeros(high - low, dtype=np.bool_)
    if "bank" in data:
        banked = (data["bank"].to_numpy() > BANKED)[low:high] & ~suspect["bank"].to_numpy()[low:high]
    turning = (force > CORNERING) | banked
    kinds = np.where(turning, side * np.where(banked, 2.0, 1.0), 0.0)
    return _named(_stretches(kinds, rate), low)


def _stretches(kinds: Floats, rate: float) -> list[tuple[float, int, int]]:
    """Return stretches of one kind; short ones become transitions or join their neighbour."""
    # In order of time, each piece against what is already joined: short ones never start a section.
    edges = np.flatnonzero(np.diff(kinds)) + 1
    bounds = [0, *(int(edge) for edge in edges), len(kinds)]
    pieces = [(float(kinds[a]), a, b) for a, b in pairwise(bounds)]
    joined: list[tuple[float, int, int]] = []
    for place, (kind, begin, end) in enumerate(pieces):
        after = pieces[place + 1][0] if place + 1 < len(pieces) else 0.0
        before = joined[-1][0] if joined else 0.0
        if end - begin < SHORTEST_S * rate and joined:
            if kind == 0.0 and before * after < 0.0:
                kind = math.nan
            else:
                joined[-1] = (before, joined[-1][1], end)
                continue
        if joined and joined[-1][0] == kind:
            joined[-1] = (kind, joined[-1][1], end)
        else:
            joined.append((kind, begin, end))
    return joined


def _named(pieces: list[tuple[float, int, int]], shift: int) -> list[tuple[str, int, int]]:
    words = {0.0: "straight", 1.0: "left", -1.0: "right", 2.0: "banked left", -2.0: "banked right"}
    counts: dict[str, int] = {}
    named = []
    for kind, begin, end in pieces:
        word = "transition" if math.isnan(kind) else words[kind]
        counts[word] = counts.get(word, 0) + 1
        named.append((f"{word} {counts[word]}", begin + shift, end + shift))
    return named


# Parts of a run against each other: left and right corners, banked and flat, early and late, sections. One
# car must give one gradient and one share slope in all of them: a difference beyond its error is a finding.

FLAT: Final = math.radians(2.0)
"""Cross slope up to which a road is called flat [rad]: road builders' usual crossfall; common practice, no
source."""
LEAST_SPAN: Final = 0.4 * STANDARD_GRAVITY
"""A gradient within one part needs this range of lateral force, 5 to 95 % of its samples [m/s2]: engineering
judgement; over less, the offset of the pots rules the slope."""
SHARE_RATE: Final = 25.0
"""Samples per second kept of shares low-passed at 5 Hz [Hz]: nothing is lost."""
SAME_CAR: Final = {"roll_gradient_body": 0.003, "share_slope": 0.015}
"""Relative scatter between parts of one run of one unchanged car beside their own errors: measured on a
rigid-body engine, where gradients of halves differ by 0.3 % rms and share slopes, in which yaw acceleration
moves side force between the axles, by 1.7 %."""
TWIST_LEFT_OUT: Final = 0.23
"""Part of the ground's twist that may be left in a gradient [1]: 1 less the cosine of 40 degrees, the most
side-slip that a drift shows."""
LEVEL: Final = 0.95
"""Level at which all differences of a run together hold; each one is held to a share of it (Bonferroni)."""
QUANTITIES: Final = {
    "roll_gradient_body": "roll per lateral force",
    "share_slope": "left share per lateral force over the axle's load",
}
PAIRS: Final = (("left corners", "right corners"), ("banked", "flat"), ("early", "late"))


@dataclass(frozen=True, slots=True)
class Parts:
    """What `run_splits` needs of a run.

    Parameters
    ----------
    motion, car, loads : Motion, CarSheet, Loads
        As worked out for the whole run.
    columns, fit, weights : RollColumns, RollFit, Weights
        The roll equation of the whole run; `fit` is its reason in words when there is none.
    driving : array of bool
        Working samples in which the car moves and touches no stop.
    sections : mapping
        Section of the course sheet -> working samples inside it.
    """

    motion: Motion
    car: CarSheet
    loads: Loads
    columns: RollColumns | None
    fit: RollFit | str
    weights: Weights
    driving: Bools
    sections: Mapping[str, Bools]


@dataclass(frozen=True, slots=True)
class _Slow:
    """Low-passed force and shares, thinned to about `SHARE_RATE`, for all parts alike.

    `over_load` is the lateral force over the axle's load as a part of that at rest [m/s2]; `turning` what
    else moves load across an axle while the car turns in or rolls over: change of yaw rate and roll rate;
    `noise` the variance of the force that no damper knows of, where the accelerometer is doubted [(m/s2)2].
    """

    every: int
    force: Floats
    over_load: dict[Axle, Floats]
    turning: list[Floats]
    share: dict[Axle, Floats]
    good: dict[Axle, Bools]
    noise: float


def run_splits(parts: Parts) -> tuple[tuple[Split, ...], tuple[Difference, ...]]:
    """Return gradient and load share of each part of a run, and what differs between parts.

    A part that the run does not hold is left out; a figure that a part cannot give says why. Differences
    are told for the pairs of `PAIRS`, axle by axle.
    """
    if "specific_force_y" not in parts.motion.data:
        return (), ()
    slow = _slow(parts)
    found, fits, forces = [], {}, {}
    for kind, name, mask in _masks(parts):
        if np.count_nonzero(mask):
            gradients, fits[name] = _gradients(parts, mask)
            shares, forces[name] = _share_figures(slow, mask)
            seconds = float(np.count_nonzero(mask)) / parts.motion.rate
            found.append(Split(kind, name, seconds, gradients, *shares))
    box = np.array(parts.motion.box_std), np.array(parts.motion.place_std)
    return tuple(found), _differences(found, fits, forces, box)


def _slow(parts: Parts) -> _Slow:
    data, rate = parts.motion.data, parts.motion.rate
    doubted = parts.columns is not None and parts.columns.slow_by is not None
    # An accelerometer that is right below `SLOW_BAND` only rules no gradient above it, and no share.
    band = SLOW_BAND if doubted else STEADY_BAND
    every = max(1, int(rate // SHARE_RATE))
    force = steady(data["specific_force_y"].to_numpy(), rate, band)
    shares, good, over = {}, {}, {}
    for axle in AXLES:
        if axle in parts.loads.suspect:
            # Per load of the axle: what a bank, driving or braking presses on it is no difference of shares.
            corners = AXLE_CORNERS[axle]
            rest = sum(parts.car.mass.load(corner).value for corner in corners)
            load = sum(parts.loads.steady(f"load_{corner}", rate, band) for corner in corners)
            over[axle] = (force * rest / np.maximum(load, rest / 4.0))[::every]
            shares[axle] = parts.loads.steady(f"left_share_{axle}", rate, band)[::every]
            # As far as the filter reaches.
            good[axle] = ~widened(parts.loads.unbridged(axle, rate), int(2.0 / band * rate))[::every]
    turning = []
    if "yaw_rate" in data:
        turning.append(derivative(steady(data["yaw_rate"].to_numpy(), rate, band), rate)[::every])
    if "roll_rate" in data:
        turning.append(steady(data["roll_rate"].to_numpy(), rate, band)[::every])
    return _Slow(every, force[::every], over, turning, shares, good, _noise(parts) if doubted else 0.0)


def _noise(parts: Parts) -> float:
    """Return the variance of slow lateral force that the dampers know nothing of [(m/s2)2].

    The line of force over roll, which noise of the accelerometer does not flatten, leaves all of it over,
    and what the road does beside: at most so much is noise (Frisch 1934).
    """
    columns = parts.columns
    assert columns is not None
    every = max(1, round(parts.motion.rate / columns.rate))
    driving = parts.driving[::every][: len(columns.time)]
    used = ~columns.suspect[: len(driving)] & driving
    beside = [*columns.roll.values(), *columns.terms.values()]
    design = np.column_stack([*(column[: len(driving)] for column in beside), np.ones(len(driving))])[used]
    if len(design) <= design.shape[1]:
        return 0.0
    return float(
        np.mean(regression.least_squares(design, columns.force[: len(driving)][used]).residuals ** 2)
    )


def _masks(parts: Parts) -> list[tuple[str, str, Bools]]:
    data, suspect = parts.motion.data, parts.motion.suspect
    rate = parts.motion.rate
    force = smooth(data["specific_force_y"].to_numpy(), lowpass_taps(rate, SLOW_BAND, SLOW_BAND))
    driving = parts.driving
    masks = [
        ("direction", "left corners", driving & (force > 0.0)),
        ("direction", "right corners", driving & (force < 0.0)),
    ]
    if "bank" in data:
        bank = data["bank"].to_numpy()
        known = driving & ~suspect["bank"].to_numpy()
        # Twice its error above the limit, so that a level road is not split by noise.
        error = data["bank_error"].to_numpy() if "bank_error" in data else np.zeros_like(bank)
        banked = known & (bank > BANKED + 2.0 * error)
        if np.count_nonzero(banked) > rate:
            masks.append(("road", "banked", banked))
            masks.append(("road", "flat", known & (np.abs(bank) + error < FLAT + BANKED / 2.0)))
    order = np.cumsum(driving)
    half = order <= order[-1] / 2.0
    masks += [("time", "early", driving & half), ("time", "late", driving & ~half)]
    return masks + [("section", name, driving & inside) for name, inside in parts.sections.items()]


def _gradients(parts: Parts, mask: Bools) -> tuple[dict[str, Estimate], _PartFit | None]:
    """Return the gradients of a part and the fit behind them."""
    columns, fit = parts.columns, parts.fit
    if columns is None or isinstance(fit, str):
        why = fit if isinstance(fit, str) else "no axle has two usable damper pots"
        return {str(axle): Estimate.unknown(UNIT, why, METHOD) for axle in AXLES}, None
    every = max(1, round(parts.motion.rate / columns.rate))
    use = mask[::every][: len(columns.time)]
    force = columns.force[use & ~columns.suspect]
    why = "no usable samples" if len(force) < 2 else _too_gentle(force) or _too_narrow(force)
    # The terms of the whole run, so that parts differ by their driving alone.
    part = why or fit_roll(columns, parts.weights, use, tuple(fit.terms))
    if isinstance(part, str):
        return {str(axle): Estimate.unknown(UNIT, part, METHOD) for axle in fit.axles}, None
    twist = columns.known[GROUND][part.used] if GROUND in columns.known else np.zeros(part.used.sum())
    centred = columns.force[part.used] - columns.force[part.used].mean()
    along = float(centred @ twist / (centred @ centred))
    return body_gradients(part, parts.car), _PartFit(part, arm_parts(part, columns, parts.car), along)


@dataclass(frozen=True, slots=True)
class _PartForce:
    """How far the force over load of a part moves, and how much of that may be noise.

    Parameters
    ----------
    variance : float
        Of the force over load beside what else moves the share [g2].
    room : float
        Variance of noise in it that the line leaves room for (Frisch 1934) [g2].
    """

    variance: float
    room: float


def _share_figures(
    slow: _Slow, mask: Bools
) -> tuple[tuple[dict[Axle, Estimate], dict[Axle, Estimate]], dict[Axle, _PartForce]]:
    """Return each axle's mean share and slope in a part, and the force behind the slopes."""
    thin = mask[:: slow.every]
    shares = {axle: _mean_share(slow, axle, thin) for axle in slow.share}
    slopes = {axle: _share_slope(slow, axle, thin) for axle in slow.share}
    forces = {axle: force for axle, (_, force) in slopes.items() if force is not None}
    return (shares, {axle: slope for axle, (slope, _) in slopes.items()}), forces


def _mean_share(slow: _Slow, axle: Axle, mask: Bools) -> Estimate:
    """Return the mean left share while cornering [1]."""
    # The mean is of cornering alone: on a straight the share says where the driver sits.
    cornering = mask & slow.good[axle] & (np.abs(slow.force) > CORNERING)
    columns = (slow.force, slow.over_load[axle], *slow.turning)
    beside = np.column_stack([column[cornering] for column in columns])
    return regression.mean_estimate(slow.share[axle][cornering], "1", "mean while cornering", beside)


def _share_slope(slow: _Slow, axle: Axle, mask: Bools) -> tuple[Estimate, _PartForce | None]:
    """Return the slope of the left share on force over load of the axle [1], and the force behind it."""
    good = mask & slow.good[axle]
    unit, method = "1", "slope of left share on lateral force over the axle's load"
    if np.count_nonzero(good) < SHARE_RATE:
        return Estimate.unknown(unit, "under a second of known loads", method), None
    why = _too_narrow(slow.force[good])
    if why:
        return Estimate.unknown(unit, why, method), None
    over = slow.over_load[axle][good] / STANDARD_GRAVITY
    others = [column[good] for column in slow.turning]
    slope, force = _slope(over, others, slow.share[axle][good], unit, method)
    hidden = slow.noise / STANDARD_GRAVITY**2 / force.variance
    if hidden > MOST_UNSURE:
        why = f"noise of the accelerometer may hide {100.0 * min(hidden, 1.0):.0f} % of it here"
        return Estimate.unknown(unit, why, method), None
    return _beside(slope, hidden * abs(slope.value or 0.0)), force


def _beside(slope: Estimate, known: float) -> Estimate:
    """Return a slope whose error holds a `known` standard uncertainty beside its scatter."""
    if known == 0.0 or not slope.std_error:
        return slope
    assert slope.value is not None
    half = regression.half_width(slope.std_error, max((slope.n or 2) - 1.0, 1.0), known)
    std = math.hypot(slope.std_error, known)
    return Estimate.from_error(slope.value, slope.unit, std, half, n=slope.n, method=slope.method)


def _too_gentle(force: Floats) -> str:
    """Return why a part's gradient is not to be compared with another's; empty when it is."""
    # A whole run may tell a gradient from less; of a few corners the road decides then.
    peak = float(np.quantile(np.abs(force), 0.99))
    if peak >= ENOUGH_FORCE:
        return ""
    return f"not enough cornering: lateral force hardly above {peak / STANDARD_GRAVITY:.2f} g here"


def _too_narrow(force: Floats) -> str:
    """Return why a slope on these forces tells nothing; empty when it does."""
    span = float(np.diff(np.quantile(force, (0.05, 0.95)))[0])
    return "" if span >= LEAST_SPAN else f"lateral force varies by {span / STANDARD_GRAVITY:.2f} g only here"


def _slope(x: Floats, others: list[Floats], y: Floats, unit: str, method: str) -> tuple[Estimate, _PartForce]:
    """Return the slope of y on x beside other columns and a constant, and the spread of x behind it."""
    design = np.column_stack([x, *others, np.ones_like(x)])
    inverse = np.linalg.pinv(design)
    coefficients = inverse @ y
    slope, rest = float(coefficients[0]), y - design @ coefficients
    variance = 1.0 / (len(x) * float(inverse[0] @ inverse[0]))
    # All of the line's scatter as noise of x: no more of it can be there (Frisch 1934).
    room = float(np.mean(rest**2)) / max(slope**2, 1e-300)
    force = _PartForce(variance, min(room, variance))
    error = regression.block_error((inverse[0] * rest)[:, None], inverse[0])
    if error is None:  # of a part: the run itself may be long
        return Estimate(slope, unit, method=method, notes=("too short for an error",)), force
    return regression.with_error(slope, unit, error, 0, method), force


def _differences(
    splits: Sequence[Split],
    fits: Mapping[str, _PartFit | None],
    forces: Mapping[str, Mapping[Axle, _PartForce]],
    box: tuple[Floats, Floats],
) -> tuple[Difference, ...]:
    named = {split.name: split for split in splits if split.kind != "section"}
    # Counted before any is judged: with many tests one would be off by chance, so each asks for more.
    tests = [
        (quantity, axle, first, second)
        for first, second in PAIRS
        if first in named and second in named
        for axle in AXLES
        for quantity in QUANTITIES
        if all(_figure(named[name], quantity, axle).std_error for name in (first, second))
    ]
    found = []
    for quantity, axle, first, second in tests:
        if quantity == "roll_gradient_body":
            one_car = _one_car(fits[first], fits[second], axle, box)
        else:
            one_car = 0.0, _hidden_by_noise(forces[first][axle], forces[second][axle])
        pair = named[first], named[second]
        found.append(
            Difference(quantity, axle, first, second, *_difference(pair, quantity, axle, one_car, len(tests)))
        )
    return tuple(found)


def _hidden_by_noise(one: _PartForce, other: _PartForce) -> float:
    """Return by what part noise of the accelerometer alone may set two slopes apart [1].

    Noise flattens a slope by its variance over that of the force: the same noise flattens the narrower part
    more. An accelerometer that shakes, or holds its samples, folds into the slow band what no filter takes
    out, and how much is not known: at most what the straighter of the two lines leaves room for.
    """
    noise = min(one.room, other.room)
    return noise * abs(1.0 / one.variance - 1.0 / other.variance)


@dataclass(frozen=True, slots=True)
class _PartFit:
    """The roll fit of a part, and what goes along with the lateral force in it.

    Parameters
    ----------
    fit : RollFit
        On the rows of the part.
    arms : ArmParts or None
        What its forces leave of the roll arm; None where that cannot be told.
    twist : float
        Twist of the ground per lateral force [rad / (m/s2)].
    """

    fit: RollFit
    arms: ArmParts | None
    twist: float


def _one_car(
    one: _PartFit | None, other: _PartFit | None, axle: Axle, box: tuple[Floats, Floats]
) -> tuple[float, float]:
    """Return by what part the gradients of two parts of one car differ, and its standard uncertainty [1].

    Pressed down by a bank the roll arm is shorter, and so it is in harder turns, where the contacts move
    under the body; a box that leans or sits elsewhere, the ratio of the body's inertias and the twist of the
    ground under a car that drifts, not known exactly, bend one part more than the other. `box` is what its
    lean [rad] and its place [m] are known to.
    """
    if one is None or other is None:
        return 0.0, 0.0
    size = (abs(one.fit.slope[axle]) + abs(other.fit.slope[axle])) / 2.0
    lean = (one.fit.per_lean[axle] - other.fit.per_lean[axle]) * box[0] / size
    place = (one.fit.per_place[axle] - other.fit.per_place[axle]) * box[1] / size
    inertia = (one.fit.per_inertia[axle] - other.fit.per_inertia[axle]) * INERTIA_RATIO[1] / size
    # An axle takes about half of the twist.
    twist = TWIST_LEFT_OUT * (one.twist - other.twist) / (2.0 * size)
    ground = GROUND_OPEN * (one.fit.by_ground[axle] - other.fit.by_ground[axle]) / size
    if one.arms is None or other.arms is None:
        return 0.0, math.hypot(*lean, *place, inertia, twist, ground)
    sunk = one.arms.sinking - other.arms.sinking
    moved = one.arms.contacts - other.arms.contacts
    unsure = math.hypot(*lean, *place, inertia, twist, ground, FOLLOWS[1] * sunk, CONTACT_SPREAD * moved)
    return -(FOLLOWS[0] * sunk + moved), unsure


def _figure(split: Split, quantity: str, axle: Axle) -> Estimate:
    figures = split.roll_gradient_body if quantity == "roll_gradient_body" else split.share_slope
    return figures.get(axle) or Estimate.unknown("", "no such axle")


def _difference(
    pair: tuple[Split, Split], quantity: str, axle: Axle, one_car: tuple[float, float], count: int
) -> tuple[Estimate, bool]:
    a, b = (_figure(split, quantity, axle) for split in pair)
    size = (abs(a.value or 0.0) + abs(b.value or 0.0)) / 2.0
    # What one car shows in both is no difference: it is taken off, and its uncertainty stands in the error.
    expected, unsure = one_car
    common = size * math.hypot(SAME_CAR[quantity], unsure)
    std = math.hypot(a.std_error or 0.0, b.std_error or 0.0, common)
    # Welch 1947: the parts' own errors have few degrees of freedom, the common scatter is known.
    unsure = sum((e.std_error or 0.0) ** 4 / max((e.n or 2) - 1, 1) for e in (a, b))
    dof = std**4 / unsure if unsure > 0.0 else float(min(a.n or 2, b.n or 2))
    value = (a.value or 0.0) - (b.value or 0.0) - expected * size
    half, count_least = regression.student_factor(dof) * std, min(a.n or 2, b.n or 2)
    method = f"{pair[0].name} less {pair[1].name}"
    estimate = Estimate.from_error(value, a.unit, std, half, n=count_least, method=method)
    # Bonferroni 1936: of all differences of a run, one in twenty runs shows one by chance.
    return estimate, abs(value) > regression.student_factor(dof, 1.0 - (1.0 - LEVEL) / count) * std


def difference_notes(differences: tuple[Difference, ...]) -> tuple[str, ...]:
    """Return a sentence for each difference that its errors do not explain."""
    return tuple(
        f"{d.axle}: {QUANTITIES[d.quantity]} differs between {d.first} and {d.second} beyond its error: "
        f"{d.difference.value:+.3g} ± {d.difference.std_error:.2g} {d.difference.unit}"
        for d in differences
        if d.beyond_error
    )
