"""Which of pots, accelerations and turn rates count the other way, when all of them are heard together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations, permutations, product
from typing import Final

import numpy as np

from analyzer.core.constants import STANDARD_GRAVITY
from analyzer.ingest.checks import inputs
from analyzer.ingest.checks.inputs import Floats, Signals

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
HEAVE_WORSE: Final = 0.2
"""Correlation lost by a wiring that is ruled out; with one pot the wrong way round the beds lose 0.3."""
HEAVE_STEP: Final = 0.05
HEAVE_OVER: Final = 1.0
"""Means over the first [s], less those over the second: bumps, without lean, zero and banks."""
LEVEL_ROAD: Final = np.radians(1.5)
"""Slope found in cornering (its 90th percentile) up to which the road is level [rad]: a box that leans shows
1.2 degrees on level courses of the rigid-body engine. From a bank of 2 degrees on, which shows as 2 to 3, the
road rolls a car more than its springs, and the other way."""
ROLL_CORNERING: Final = 3.0
"""Lateral force from which the slope is told well [m/s2]."""
LEAST_BLOCKS: Final = 12
LEAST_YAW_BLOCKS: Final = 20
MOST_AT_ONCE: Final = 3
"""Faults of one kind each that are thought of at the same time."""
MOST_NAMED: Final = 5


class Fault(StrEnum):
    """What may count the other way or be exchanged, for the whole car."""

    POTS = "all four pots inverted"
    SIDES = "left and right pots exchanged"
    ENDS = "front and rear pots exchanged"
    LATERAL = "lateral acceleration inverted"
    FORWARD = "forward acceleration inverted"
    YAW = "yaw rate inverted"
    ROLL = "roll rate inverted"


_TURNED_BY: Final[dict[str, frozenset[Fault]]] = {
    "side": frozenset({Fault.POTS, Fault.SIDES, Fault.LATERAL}),
    "pitch": frozenset({Fault.POTS, Fault.ENDS, Fault.FORWARD}),
    "heave": frozenset({Fault.POTS}),
    "speed": frozenset({Fault.FORWARD}),
    "yaw": frozenset({Fault.LATERAL, Fault.YAW}),
    "roll": frozenset({Fault.POTS, Fault.SIDES, Fault.ROLL}),
}
"""By which faults the sense of each observation is turned round; two of them turn it back."""

Explanation = frozenset[Fault]


def explanations(signals: Signals) -> tuple[Explanation, ...]:
    """Return every set of faults that agrees with all that was seen, the one of fewest faults first.

    Only for four pots that move alike: one that differs from the others is a matter of its own.

    Returns
    -------
    tuple of frozenset of Fault
        Sets from which no fault can be left away; those of one fault more than needed stand in it as well.
        Empty when the pots differ or cornering does not tell their sense.
    """
    seen = _observations(signals)
    if "side" not in seen:
        return ()

    def agrees(faults: frozenset[Fault]) -> bool:
        return all(sense == (-1) ** len(faults & _TURNED_BY[name]) for name, sense in seen.items())

    found: list[Explanation] = []
    for size in range(MOST_AT_ONCE + 1):
        for faults in map(frozenset, combinations(Fault, size)):
            if agrees(faults) and not any(known < faults for known in found):
                found.append(faults)
    return tuple(faults for faults in found if len(faults) <= len(found[0]) + 1)


def possible(signals: Signals) -> tuple[Explanation, ...]:
    """Return `explanations`, worked out once for a run."""
    return signals.once("explanations", explanations)


def simplest(fits: tuple[Explanation, ...]) -> tuple[Explanation, ...]:
    """Return the explanations of fewest faults."""
    return tuple(faults for faults in fits if len(faults) == len(fits[0]))


def named(fits: tuple[Explanation, ...]) -> str:
    """Return a sentence with the explanations, those of fewest faults first."""
    words = [" and ".join(fault.value for fault in Fault if fault in faults) for faults in fits[:MOST_NAMED]]
    return f"{'Only this fits' if len(fits) == 1 else 'What fits'}: {'; or '.join(words)}"


@dataclass(frozen=True, slots=True)
class Wiring:
    """Where the pots may really sit.

    Parameters
    ----------
    reads : dict
        Channel -> the pot whose travel it holds; itself where it is wired as the sheet has it.
    inverted : frozenset of str
        Channels that count the other way.
    """

    reads: dict[str, str]
    inverted: frozenset[str]

    @property
    def changes(self) -> int:
        """Pots that sit elsewhere or count the other way."""
        return len({pot for pot, corner in self.reads.items() if pot != corner} | self.inverted)


def wirings(signals: Signals, side: dict[str, float], end: dict[str, float]) -> tuple[Wiring, ...]:
    """Return every order and sign of the four pots that agrees with all that was seen, fewest changes first.

    Parameters
    ----------
    signals : Signals
        The run; heave as each wiring has it is set against vertical force.
    side, end : dict
        From `pot_senses`.

    Returns
    -------
    tuple of Wiring
        Those with as many changes as the one of fewest; what is not clear speaks against none. Empty when
        none agrees.
    """

    def agrees(pot: str, corner: str, sign: int) -> bool:
        expected = (
            (side.get(pot, 0.0), inputs.SIDE_SIGN[pot] * inputs.SIDE_SIGN[corner]),
            (end.get(pot, 0.0), inputs.END_SIGN[pot] * inputs.END_SIGN[corner]),
        )
        return all(seen * sign * sense >= 0.0 for seen, sense in expected)

    fits = [
        Wiring(
            dict(zip(inputs.POTS, order, strict=True)),
            frozenset(pot for pot, sign in zip(inputs.POTS, signs, strict=True) if sign < 0),
        )
        for order in permutations(inputs.POTS)
        for signs in product((1, -1), repeat=len(inputs.POTS))
        if all(map(agrees, inputs.POTS, order, signs))
    ]
    if all(signals.trusted(name) for name in (*inputs.POTS, "accel_z")):
        heaves = [
            _with_vertical_force(signals, {p: -1.0 if p in w.inverted else 1.0 for p in inputs.POTS})
            for w in fits
        ]
        best = max(heaves, default=0.0)
        if best >= HEAVE_CLEAR:
            fits = [w for w, r in zip(fits, heaves, strict=True) if r >= best - HEAVE_WORSE]
    fewest = min((wiring.changes for wiring in fits), default=0)
    return tuple(wiring for wiring in fits if wiring.changes == fewest)


def wirings_named(fits: tuple[Wiring, ...]) -> str:
    """Return a sentence with the wirings, for at most `MOST_NAMED` of them; empty without any."""
    if not fits or len(fits) > MOST_NAMED:
        return ""
    words = []
    for wiring in fits:
        moved = [f"{pot[-2:]} reads {corner[-2:]}" for pot, corner in wiring.reads.items() if pot != corner]
        turned = [f"{pot[-2:]} inverted" for pot in inputs.POTS if pot in wiring.inverted]
        words.append(", ".join((*moved, *turned)))
    return f"{'Only this fits' if len(fits) == 1 else 'What fits'}: {'; or '.join(words)}"


def _observations(signals: Signals) -> dict[str, int]:
    """Return the sense of each relation that shows clearly: 1 as it should be, -1 turned round."""
    pots = [name for name in inputs.POTS if signals.trusted(name)]
    if len(pots) < len(inputs.POTS) or not signals.trusted("accel_y"):
        return {}
    side, end = pot_senses(signals, pots)
    if _part(end):
        return {}
    found = {"side": _common(side, len(pots)), "pitch": _common(end, len(pots) - 1)}
    further: dict[str, Callable[[Signals], float]] = {
        "heave": heave_sense,
        "speed": _forward_sense,
        "yaw": _yaw_sense,
        "roll": _roll_sense,
    }
    found |= {name: int(np.sign(of(signals))) for name, of in further.items()}
    return {name: sense for name, sense in found.items() if sense}


def part_under_braking(signals: Signals) -> bool:
    """Return whether the pots of an axle go opposite ways under braking, so that they are no car's alike."""
    pots = [name for name in inputs.POTS if signals.trusted(name)]
    return _part(pot_senses(signals, pots)[1])


def _part(end: dict[str, float]) -> bool:
    # An axle may rise under braking by its geometry, but on both sides.
    return any(end.get(left, 0.0) * end.get(right, 0.0) < 0.0 for left, right in inputs.PAIRS)


def _common(figures: dict[str, float], least: int) -> int:
    """Return the sense that so many pots at least show, and none against it; 0 without one."""
    senses = [int(np.sign(r)) for r in figures.values() if r != 0.0]
    return senses[0] if len(senses) >= least and len(set(senses)) == 1 else 0


def pot_senses(signals: Signals, pots: list[str]) -> tuple[dict[str, float], dict[str, float]]:
    """Return per pot the partial correlations with lateral and forward force, counted in the expected sense.

    A figure that is not clear (below 0.4), or had no force to be told by, is 0 or missing.
    """
    side: dict[str, float] = {}
    end: dict[str, float] = {}
    if not signals.trusted("accel_y"):
        return side, end
    with_x = signals.trusted("accel_x")
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
    return _only_clear(side), _only_clear(end)


def _only_clear(table: dict[str, float]) -> dict[str, float]:
    return {pot: r if abs(r) >= CLEAR else 0.0 for pot, r in table.items()}


def _clear(r: float, least: float) -> float:
    return r if abs(r) >= least else 0.0


def heave_sense(signals: Signals) -> float:
    """Return the correlation of heave and vertical force over bumps where it is clear, else 0.

    The equation of motion of the sprung body, k w + c w' = m (a_z - g) with w the mean compression, holds
    whether driver or road moves it; damping lies a quarter of a swing aside and leaves the sign alone
    (Gillespie, Fundamentals of Vehicle Dynamics, ch. 5).
    """
    if not all(signals.trusted(name) for name in (*inputs.POTS, "accel_z")):
        return 0.0
    return _clear(_with_vertical_force(signals, dict.fromkeys(inputs.POTS, 1.0)), HEAVE_CLEAR)


def _with_vertical_force(signals: Signals, signs: dict[str, float]) -> float:
    """Return the correlation of vertical force with the pots summed under these signs, over bumps."""
    # A unit that is turned over or lies about its unit is no witness.
    if not 0.5 < float(np.nanmedian(signals.mean("accel_z"))) / STANDARD_GRAVITY < 1.5:
        return 0.0
    products = signals.once("products of pots and vertical force", _fast_products)
    if products is None:
        return 0.0
    # Of a sum of pots every product is one of theirs, whichever way they count.
    weights = np.array([signs[pot] for pot in inputs.POTS])
    heave, force = float(weights @ products[:-1, :-1] @ weights), float(products[-1, -1])
    if not (heave > 0.0 and force > 0.0):
        return 0.0
    return float(weights @ products[:-1, -1]) / float(np.sqrt(heave * force))


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
    if not all(signals.trusted(name) for name in ("accel_x", "speed")) or len(signals.still) < 2:
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


def _roll_sense(signals: Signals) -> float:
    """Return the correlation of the roll gyro with the roll rate of the pots; 0 where the road may bank."""
    if not all(signals.trusted(name) for name in ("gyro_x", "accel_z")) or len(signals.still) < 20:
        return 0.0
    pots = {name: signals.mean(name) for name in inputs.POTS}
    roll = sum((inputs.SIDE_SIGN[name] * mean for name, mean in pots.items()), np.zeros(1))
    step = signals.block / signals.base.rate
    gyro = np.convolve(signals.mean("gyro_x"), [0.25, 0.5, 0.25], mode="same")
    bank = road_bank(signals)
    if bank is None or cornering_slope(signals, bank) > LEVEL_ROAD:
        return 0.0
    return _clear(inputs.moving_correlation(np.gradient(roll, step), gyro, signals.still), ROLL_CLEAR)


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
