"""Which of pots, accelerations and turn rates count the other way, when all of them are heard together."""

from collections.abc import Iterator
from enum import StrEnum
from functools import cache
from itertools import permutations, product
from typing import Final, NamedTuple

import numpy as np

from analyzer.core.units import STANDARD_GRAVITY
from analyzer.ingest.checks import inputs
from analyzer.ingest.checks.inputs import Bools, Floats, Signals

CORNERING_SPREAD: Final = 1.0
"""Spread of lateral acceleration that lets the sign of a pot be told [m/s2]."""
BRAKING_SPREAD: Final = 0.5
CLEAR: Final = 0.4
"""Partial correlation from which a sign counts."""
SPEEDING: Final = 1.0
"""Change of speed that is told from noise [m/s2]."""
STRAIGHT: Final = 2.0
"""Lateral force up to which a car goes where it points [m/s2]."""
FORWARD_CLEAR: Final = 0.8
YAW_CLEAR: Final = 0.55
ROLL_CLEAR: Final = 0.5
HEAVE_CLEAR: Final = 0.35
"""Correlation of heave and vertical force from which its sign counts: sound cars of the beds show 0.6."""
WORSE: Final = 0.2
"""Correlation lost by a wiring that is ruled out; with one pot the wrong way round the beds lose 0.3 of that
of heave and vertical force."""
HEAVE_STEP: Final = 0.05
HEAVE_OVER: Final = 1.0
"""Means over the first [s], less those over the second: bumps, without lean, zero and banks."""
LEVEL_ROAD: Final = np.radians(1.5)
"""Slope found in cornering (its 90th percentile) up to which the road is level [rad]: a box that leans shows
1.2 degrees on level courses of the rigid-body engine. From a bank of 2 degrees on, which shows as 2 to 3, the
road rolls a car more than its springs, and the other way."""
ROLL_CORNERING: Final = 3.0
"""Lateral force from which the slope is told well [m/s2]."""
TRACK_SPEED: Final = 2.0
"""Speed below which positions scatter more than they move [m/s]."""
LEAST_BLOCKS: Final = 12
LEAST_YAW_BLOCKS: Final = 20
MORE: Final = (2, 4)
"""Faults more than needed up to which another explanation is thought of: of the whole car, of single pots."""
MOST_NAMED: Final = 5
MIRRORED: Final = (
    "the same with left and right exchanged in every channel, lateral acceleration inverted with them"
)


class Fault(StrEnum):
    """What may count the other way or be exchanged, for the whole car."""

    POTS = "all four pots inverted"
    SIDES = "left and right pots exchanged"
    ENDS = "front and rear pots exchanged"
    LATERAL = "lateral acceleration inverted"
    FORWARD = "forward acceleration inverted"
    YAW = "yaw rate inverted"
    ROLL = "roll rate inverted"
    TRACK = "latitude or longitude inverted"


class Moved(NamedTuple):
    """A pot by itself: its channel, the one whose travel it holds, and whether it counts the other way."""

    pot: str
    reads: str
    inverted: bool


Explanation = frozenset[Fault | Moved]
_INERTIAL: Final = (Fault.LATERAL, Fault.FORWARD, Fault.YAW, Fault.ROLL, Fault.TRACK)
_SIDE: Final = np.array([inputs.SIDE_SIGN[pot] for pot in inputs.POTS])
_END: Final = np.array([inputs.END_SIGN[pot] for pot in inputs.POTS])


def explanations(signals: Signals) -> tuple[Explanation, ...]:
    """Return every set of faults that agrees with all that was seen, the one of fewest faults first.

    Thought of are all 24 orders of the pots with all 16 signs, and accelerations and turn rates that count
    the other way. What is not clear speaks against none.

    Returns
    -------
    tuple of frozenset of Fault and Moved
        Sets from which no fault can be left away; those of `MORE` faults more than needed stand in it as
        well, and the mirror image of each, however many faults it takes: a car with left and right exchanged
        in all that is logged moves as a sound one does, and only a track of positions tells them apart. One
        that is empty where all is as it should be; none where cornering tells the sense of no pot, or nothing
        agrees.
    """
    pots = [name for name in inputs.POTS if signals.trusted(name)]
    if len(pots) < len(inputs.POTS) or not signals.trusted("accel_y"):
        return ()
    side, end = (np.array([found.get(p, 0.0) for p in pots]) for found in pot_senses(signals, pots))
    if not side.any():
        return ()
    wirings = pot_faults()
    corners, signs = (np.array(part) for part in zip(*wirings, strict=True))
    # What each order and sign makes of a turn and of braking, as far as every pot shows it; shape (384, 2).
    turns, brakes = (
        np.stack([(seen * signs * own * own[corners] * way >= 0.0).all(axis=1) for way in (1.0, -1.0)], 1)
        for seen, own in ((side, _SIDE), (end, _END))
    )
    heave = _with_vertical_force(signals, signs)
    roll = _with_roll_gyro(signals, signs * _SIDE[corners])
    speed, yaw, track = _forward_sense(signals), _yaw_sense(signals), _track_sense(signals)
    # Per order and sign, and lateral force, forward force, yaw and roll rate, track as they should be or not.
    fits = np.ones((len(wirings), 2, 2, 2, 2, 2), dtype=np.bool_)
    fits &= turns[:, :, None, None, None, None] & brakes[:, None, :, None, None, None]
    fits &= np.array([speed >= 0.0, speed <= 0.0])[:, None, None, None]
    fits &= _together(yaw)[:, None, :, None, None] & _together(track)[:, None, None, None, :]
    fits = _clearest(fits, heave[:, None, None, None, None, None], HEAVE_CLEAR)
    fits = _clearest(fits, (roll[:, None] * [1.0, -1.0])[:, None, None, None, :, None], ROLL_CLEAR)
    of_pots, places = list(wirings.values()), {wiring: k for k, wiring in enumerate(wirings)}

    def faults_of(place: tuple[int, ...]) -> Explanation:
        wiring, *ways = place
        return of_pots[wiring] | {f for f, turned in zip(_INERTIAL, ways, strict=True) if turned}

    found = {faults_of(place): place for place in map(tuple, np.argwhere(fits).tolist())}
    best = min(found, key=_size, default=frozenset())
    near = sorted((faults for faults in found if _size(faults) <= _most_near(best)), key=_size)
    kept = [faults for k, faults in enumerate(near) if not any(less < faults for less in near[:k])]
    # Nothing is wrong with most cars, so the mirror is no doubt that is raised against a sound one.
    if kept == [frozenset()]:
        return tuple(kept)
    # A way that no motion tells is left as it stands. Where a track tells sides apart, one that would have to
    # be mirrored as well is no explanation; a track that runs the wrong way is, or all the rest is.
    ways = (1, 0, int(yaw != 0.0), int(bool(roll.any())), int(track != 0.0))
    for faults in kept[:]:
        if track and Fault.TRACK not in faults:
            continue
        wiring, *turned = found[faults]
        mirrored = tuple((corners[wiring] ^ 1).tolist()), tuple(signs[wiring].tolist())
        image = (places[mirrored], *(old ^ way for old, way in zip(turned, ways, strict=True)))
        kept.append(faults_of(image))
    return tuple(sorted(dict.fromkeys(kept), key=_size))


def _most_near(best: Explanation) -> int:
    """Return how many faults another explanation may have beside the one of fewest."""
    return _size(best) + MORE[any(isinstance(fault, Moved) for fault in best)]


def _together(sense: float) -> Bools:
    """Return which of two channels may count the other way, by the sign in which they go together."""
    return np.array([[sense >= 0.0, sense <= 0.0], [sense <= 0.0, sense >= 0.0]])


def _clearest(fits: Bools, figure: Floats, clear: float) -> Bools:
    """Return what is left of `fits` where a correlation rules: where its best is clear, what is near it."""
    best = float(np.max(np.broadcast_to(figure, fits.shape)[fits], initial=0.0))
    return fits & (figure >= best - WORSE) if best >= clear else fits


@cache
def pot_faults() -> dict[tuple[tuple[int, ...], tuple[float, ...]], Explanation]:
    """Return the faults that make each order and sign of the pots: of the whole car, else pot by pot."""
    found = {}
    for order, signs in product(permutations(range(4)), product((1.0, -1.0), repeat=4)):
        moved = zip(inputs.POTS, (inputs.POTS[corner] for corner in order), signs, strict=True)
        single = frozenset(
            Moved(pot, reads, sign < 0.0) for pot, reads, sign in moved if reads != pot or sign < 0.0
        )
        found[order, signs] = _WHOLE.get((order, signs), single)
    return found


def _of_the_whole_car() -> Iterator[tuple[tuple[tuple[int, ...], tuple[float, ...]], Explanation]]:
    # Channels stand as left and right, front and rear: bit 0 and 1 of their place.
    for turned, sides, ends in product((False, True), repeat=3):
        order = tuple(place ^ (sides + 2 * ends) for place in range(4))
        told = zip((Fault.POTS, Fault.SIDES, Fault.ENDS), (turned, sides, ends), strict=True)
        yield (order, (-1.0 if turned else 1.0,) * 4), frozenset(fault for fault, there in told if there)


_WHOLE: Final = dict(_of_the_whole_car())


def possible(signals: Signals) -> tuple[Explanation, ...]:
    """Return `explanations`, worked out once for a run; none where the whole accelerometer is wrong."""
    # A unit that is turned (check axes) says nothing of the pots, whatever fits it as it stands.
    if signals.bad >= {"accel_x", "accel_y", "accel_z"}:
        return ()
    return signals.once("explanations", explanations)


def simplest(fits: tuple[Explanation, ...]) -> tuple[Explanation, ...]:
    """Return the explanations of fewest faults."""
    return tuple(faults for faults in fits if _size(faults) == _size(fits[0]))


def _size(faults: Explanation) -> int:
    """Return how many faults these are; one of the inertial unit counts twice beside single pots.

    Pots are plugged in and calibrated one by one, the unit's channels once for a logger: engineering
    judgement.
    """
    single = any(isinstance(fault, Moved) for fault in faults)
    return len(faults) + (len(faults.intersection(_INERTIAL)) if single else 0)


def named(fits: tuple[Explanation, ...]) -> str:
    """Return a sentence with the explanations, those of fewest faults first, `MOST_NAMED` of them at most."""
    # What takes many more faults is a mirror image; pot by pot it would be read as a different wiring.
    told = any(Fault.TRACK in faults for faults in fits)
    listed = [faults for faults in fits if told or _size(faults) <= _most_near(fits[0])]
    words = [words_of(faults) for faults in listed[:MOST_NAMED]]
    if len(listed) > MOST_NAMED:
        words.append(f"{len(listed) - MOST_NAMED} more")
    if len(listed) < len(fits):
        words.append(MIRRORED)
    return f"{'Only this fits' if len(words) == 1 else 'What fits'}: {'; or '.join(words)}"


def words_of(faults: Explanation) -> str:
    """Return one explanation in words: faults of the whole car, then pots by themselves."""
    whole = " and ".join(fault.value for fault in Fault if fault in faults)
    single = sorted((f for f in faults if isinstance(f, Moved)), key=lambda f: inputs.POTS.index(f.pot))
    moved = [f"{f.pot[-2:]} reads {f.reads[-2:]}" for f in single if f.reads != f.pot]
    turned = [f"{f.pot[-2:]} inverted" for f in single if f.inverted]
    return ", ".join((*([whole] if whole else []), *moved, *turned))


def part_under_braking(signals: Signals) -> bool:
    """Return whether the pots of an axle go opposite ways under braking, so that they are no car's alike."""
    pots = [name for name in inputs.POTS if signals.trusted(name)]
    end = pot_senses(signals, pots)[1]
    # An axle may rise under braking by its geometry, but on both sides.
    return any(end.get(left, 0.0) * end.get(right, 0.0) < 0.0 for left, right in inputs.PAIRS)


def pot_senses(signals: Signals, pots: list[str]) -> tuple[dict[str, float], dict[str, float]]:
    """Return per pot the partial correlations with lateral and forward force, counted in the expected sense.

    A figure that is not clear (below 0.4), or had no force to be told by, is 0 or missing.
    """
    side: dict[str, float] = {}
    end: dict[str, float] = {}
    if not signals.trusted("accel_y"):
        return side, end
    with_x = signals.sensed("accel_x")
    names = ["accel_y", "accel_x"] if with_x else ["accel_y"]
    for pot in pots:
        used = signals.moving_blocks(pot, *names)
        if used.sum() < LEAST_BLOCKS:
            continue
        lateral = signals.mean("accel_y")[used]
        forward = signals.mean("accel_x")[used] if with_x else np.zeros(int(used.sum()))
        travel = signals.mean(pot)[used]
        if float(lateral.std()) > CORNERING_SPREAD:
            side[pot] = inputs.SIDE_SIGN[pot] * inputs.partial_correlation(travel, lateral, forward)
        if with_x and float(forward.std()) > BRAKING_SPREAD:
            end[pot] = inputs.END_SIGN[pot] * inputs.partial_correlation(travel, forward, lateral)
    if _shared(side, end):
        # What both forces hold in common, as vibration that a slow logger folds down, is no braking.
        rolls = len({np.sign(r) for r in side.values()}) == 1
        side, end = (side, dict.fromkeys(end, 0.0)) if rolls else (dict.fromkeys(side, 0.0), end)
    return _only_clear(side), _only_clear(end)


def _shared(side: dict[str, float], end: dict[str, float]) -> bool:
    """Return whether all four pots go with both forces in one pattern, which no wiring makes.

    Of a sound car the product of both senses has one sign at two corners across from each other, and the
    other at the two between; exchanged or inverted pots keep that.
    """
    if not len(side) == len(end) == len(inputs.POTS):
        return False
    told = all(min(abs(side[pot]), abs(end[pot])) >= CLEAR / 2.0 for pot in inputs.POTS)
    ways = {np.sign(side[p] * inputs.SIDE_SIGN[p] * end[p] * inputs.END_SIGN[p]) for p in inputs.POTS}
    return told and len(ways) == 1


def _only_clear(table: dict[str, float]) -> dict[str, float]:
    return {pot: r if abs(r) >= CLEAR else 0.0 for pot, r in table.items()}


def _clear(r: float, least: float) -> float:
    return r if abs(r) >= least else 0.0


def _with_vertical_force(signals: Signals, signs: Floats) -> Floats:
    """Return the correlation of vertical force with the pots summed under each row of signs, over bumps.

    The equation of motion of the sprung body, k w + c w' = m (a_z - g) with w the mean compression, holds
    whether driver or road moves it; damping lies a quarter of a swing aside and leaves the sign alone
    (Gillespie, Fundamentals of Vehicle Dynamics, ch. 5).
    """
    if not all(signals.sensed(name) for name in (*inputs.POTS, "accel_z")):
        return np.zeros(len(signs))
    # A unit that is turned over or lies about its unit is no witness.
    if not 0.5 < float(np.nanmedian(signals.mean("accel_z"))) / STANDARD_GRAVITY < 1.5:
        return np.zeros(len(signs))
    return _of_sums(signals.once("products of pots and vertical force", _fast_products), signs)


def _of_sums(products: Floats | None, weights: Floats) -> Floats:
    """Return the correlation of the last channel with the others summed under each row of weights."""
    if products is None:
        return np.zeros(len(weights))
    # Of a sum of pots every product is one of theirs, whichever way they count.
    size = np.einsum("ij,jk,ik->i", weights, products[:-1, :-1], weights) * products[-1, -1]
    return np.asarray(weights @ products[:-1, -1] / np.sqrt(np.maximum(size, 1e-300)), dtype=np.float64)


def _fast_products(signals: Signals) -> Floats | None:
    """Return the sums of products of all pots and vertical force over bumps; None where too few are known."""
    fast = np.array([_fast(signals, name) for name in (*inputs.POTS, "accel_z")])
    used = np.isfinite(fast).all(axis=0)
    if used.sum() < 4 * HEAVE_OVER / HEAVE_STEP:
        return None
    free = fast[:, used] - fast[:, used].mean(axis=1, keepdims=True)
    return np.asarray(free @ free.T, dtype=np.float64)


def _fast(signals: Signals, name: str) -> Floats:
    """Return a channel in steps of `HEAVE_STEP`, less its mean over `HEAVE_OVER`."""
    size = max(1, round(HEAVE_STEP * signals.base.rate))
    count = signals.base.count // size
    over = round(HEAVE_OVER * signals.base.rate / size)
    if count < 4 * over or over < 4:
        return np.empty(0)
    total = signals.data[name][: count * size].reshape(count, size).mean(axis=1)
    # Only where a whole second is there; what is missing spreads as NaN.
    sums = np.convolve(total, np.ones(over) / over, mode="valid")
    first = over // 2
    return np.asarray(total[first : first + len(sums)] - sums, dtype=np.float64)


def _forward_sense(signals: Signals) -> float:
    """Return the correlation of forward acceleration with the change of speed, on straights."""
    if not all(signals.sensed(name) for name in ("accel_x", "speed")) or len(signals.still) < 2:
        return 0.0
    rate = np.gradient(signals.mean("speed"), signals.block / signals.base.rate)
    means = signals.mean("accel_x")
    used = (np.abs(rate) > SPEEDING) & (np.abs(signals.mean("accel_y")) < STRAIGHT) & ~signals.still
    used &= np.isfinite(means) & np.isfinite(rate)
    if used.sum() < LEAST_BLOCKS or float(rate[used].std()) < SPEEDING or not means[used].std() > 0.0:
        return 0.0
    return _clear(float(np.corrcoef(means[used], rate[used])[0, 1]), FORWARD_CLEAR)


def _yaw_sense(signals: Signals) -> float:
    """Return the correlation of lateral force with speed times yaw rate."""
    if not all(signals.trusted(name) for name in ("gyro_z", "speed")):
        return 0.0
    if len(signals.still) < LEAST_YAW_BLOCKS:
        return 0.0
    window = np.ones(7) / 7.0
    product = np.convolve(signals.mean("gyro_z") * signals.mean("speed"), window, mode="same")
    lateral = np.convolve(signals.mean("accel_y"), window, mode="same")
    return _clear(inputs.moving_correlation(product, lateral, signals.still), YAW_CLEAR)


def _track_sense(signals: Signals) -> float:
    """Return the correlation of lateral force with that of the track of positions, left turns positive.

    The centripetal acceleration of a path (x to the east, y to the north) is (x' y'' - y' x'') / v; it knows
    nothing of the sides of the car.
    """
    names = ("latitude", "longitude")
    if not all(signals.trusted(name) for name in names) or len(signals.still) < LEAST_YAW_BLOCKS:
        return 0.0
    east, north = inputs.ground_velocity(signals)
    step = signals.block / signals.base.rate
    turning = east * np.gradient(north, step) - north * np.gradient(east, step)
    window = np.ones(7) / 7.0
    path = np.convolve(turning / np.maximum(np.hypot(east, north), TRACK_SPEED), window, mode="same")
    lateral = np.convolve(signals.mean("accel_y"), window, mode="same")
    return _clear(inputs.moving_correlation(path, lateral, signals.still), YAW_CLEAR)


def _with_roll_gyro(signals: Signals, weights: Floats) -> Floats:
    """Return the correlation of the roll gyro with the rate of the pots under each row of weights.

    0 where the road may bank: it rolls the car against its springs.
    """
    nothing = np.zeros(len(weights))
    if not all(signals.trusted(name) for name in ("gyro_x", "accel_z")) or len(signals.still) < 20:
        return nothing
    bank = road_bank(signals)
    if bank is None or cornering_slope(signals, bank) > LEVEL_ROAD:
        return nothing
    step = signals.block / signals.base.rate
    gyro = np.convolve(signals.mean("gyro_x"), [0.25, 0.5, 0.25], mode="same")
    rates = np.array([*(np.gradient(signals.mean(name), step) for name in inputs.POTS), gyro])
    used = np.isfinite(rates).all(axis=0) & ~signals.still
    if used.sum() < LEAST_BLOCKS:
        return nothing
    free = rates[:, used] - rates[:, used].mean(axis=1, keepdims=True)
    return _of_sums(free @ free.T, weights)


def cornering_slope(signals: Signals, bank: Floats) -> float:
    """Return the 90th percentile of the slope towards the inside of the turn [rad]; 0 without cornering."""
    side = signals.mean("accel_y")
    turning = np.isfinite(bank) & (np.abs(side) > ROLL_CORNERING) & ~signals.still
    return float(np.percentile((bank * np.sign(side))[turning], 90.0)) if turning.sum() >= 10 else 0.0


def road_bank(signals: Signals) -> Floats | None:
    """Return the slope of the road per block, left side lower positive [rad]; None without the accelerations.

    Quasi-steady, from the accelerometer alone: with f_in the force in the road plane and f_z square to it,
    the centripetal acceleration is a = sqrt(f_in^2 + f_z^2 - g^2) and the bank
    atan(a / g) - atan(f_in / f_z), towards the inside of the turn (statics of a body on a slope).
    """
    if not (signals.trusted("accel_y") and signals.trusted("accel_z")):
        return None
    side, up = signals.mean("accel_y"), signals.mean("accel_z")
    along = signals.mean("accel_x") if signals.trusted("accel_x") else np.zeros(len(side))
    plane = np.hypot(along, side)
    inward = np.sqrt(np.maximum(plane**2 + up**2 - STANDARD_GRAVITY**2, 0.0))
    slope = np.arctan2(inward, STANDARD_GRAVITY) - np.arctan2(plane, up)
    # Which side is the inside cannot be told of a car that feels next to no force sideways.
    return np.asarray(slope * np.clip(side / 2.0, -1.0, 1.0), dtype=np.float64)
