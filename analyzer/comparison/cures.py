"""What would make the worst contact of a place clear its stop: each cure alone, and those that cannot.

The motion that was measured is taken over into a car with another bar or spring, driven over the same road
in the same way (second part). The stop itself carries load at the deepest point: without it the damper
would go further, and that free travel is what a cure has to bring down.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.optimize import brentq

from analyzer.core.signals import Floats
from analyzer.core.units import (
    AXLE_CORNERS,
    AXLES,
    CORNERS,
    MM_PER_M,
    STANDARD_GRAVITY,
    Axle,
    Corner,
    Uncertain,
)
from analyzer.processing.bottoming import axle_of
from analyzer.processing.results import BottomingEvent, Motion
from analyzer.sheets.bar import NoBar
from analyzer.sheets.car import CarSheet
from analyzer.vehicle import axle as axles
from analyzer.vehicle.bar.section import Array

BEFORE_S: Final = 4.0
"""Motion taken before the deepest point [s]: a body at 1.5 Hz and 0.3 of critical forgets where it began."""
AROUND_S: Final = 0.12
"""Time to both sides of the deepest point in which the changed car may go deepest [s]: a quarter of a swing
of the body."""
TRUSTED_S: Final = 0.5
"""Time before the deepest point in which all dampers must be sound [s]: most of a swing of the body."""
MARGIN: Final = 0.003
"""Travel that shall be left before the stop [m]: engineering judgement, about the scatter of the deepest
point from run to run."""
MOST_SPRING: Final = 2.0
"""Largest factor on the spring rate that is called a cure: more is another car."""
MOST_BAR: Final = 4.0
"""Largest factor on the bar's roll stiffness that is called a cure: more is another car. Without a bar the
springs' roll stiffness takes the bar's place."""
RIGID: Final = 1000.0
"""Factor at which a bar is as good as rigid."""
_FINEST: Final = 2.0**-24
"""Part of the most that may be added to which an addition is found: far below any error of it."""
MOST_RAISE: Final = 0.040
"""Largest rise of ride height that is called a cure [m]: engineering judgement."""


@dataclass(frozen=True, slots=True)
class Moment:
    """The worst contact as the cures see it.

    Parameters
    ----------
    corner : Corner
        Which damper.
    measured : float
        Damper travel that was measured [m].
    free : float
        Damper travel without any stop on the car [m].
    gap : float
        Damper travel to the stop [m].
    travel, stops : array
        n x 4: wheel travel [m] and force of the stops at the wheels [N], from `BEFORE_S` before to `AROUND_S`
        after the deepest point.
    rate : float
        Of those samples [Hz].
    ratio : float
        Damper travel / wheel travel.
    finer : float
        What the log's own rate shows of the peak beyond these samples [m].
    masses : Masses
        What swings.
    present : Springing
        The car as it was.
    """

    corner: Corner
    measured: float
    free: float
    gap: float
    travel: Floats
    stops: Floats
    rate: float
    ratio: float
    finer: float
    masses: Masses
    present: Springing

    def peak(self, car: Springing) -> float:
        """Return the greatest damper travel around that moment with another car and no stop in reach [m]."""
        # The stop's force is taken off the car and the motion of the changed one worked out from there.
        last = min(2 * round(AROUND_S * self.rate) + 1, len(self.travel))
        added = changed_travel(self.masses, self.present, car, self.travel, self.stops, self.rate, last)
        number = CORNERS.index(self.corner)
        wheel = self.travel[-last:, number] + added[:, number]
        return float(wheel.max()) * self.ratio + self.finer


@dataclass(frozen=True, slots=True)
class Cure:
    """One change of the car that would clear the stop, alone.

    Parameters
    ----------
    kind : str
        ``bar``, ``spring``, ``ride height`` or ``stop``.
    possible : bool
        Whether it can do it alone, within sensible limits.
    now, needed : float or None
        The quantity as it is and as it would have to be, in `unit`; None when it cannot be given.
    unit : str
        Of both.
    factor : float or None
        Needed / now where that means something [1].
    peak : float
        Predicted deepest damper travel with it; where it cannot do it, with the most it can [m].
    front_share : tuple of float or None
        Front part of the lateral load transfer before and after [1]; None when it stays.
    words : str
        One sentence.
    """

    kind: str
    possible: bool
    now: float | None
    needed: float | None
    unit: str
    factor: float | None
    peak: float
    front_share: tuple[float, float] | None
    words: str


def moment_of(
    motion: Motion, car: CarSheet, rates: Mapping[Axle, float], event: BottomingEvent, gap: float
) -> Moment | str:
    """Return the worst contact as the cures need it; a string says what is missing."""
    names = [f"wheel_{corner}" for corner in CORNERS]
    if not all(name in motion.data for name in names):
        return "the travel of all four dampers is needed"
    rate = motion.rate
    index = motion.data.index.to_numpy(dtype=np.float64)
    place = min(int(np.searchsorted(index, event.peak_s)), len(index) - 1)
    around = round(AROUND_S * rate)
    window = slice(max(0, place - round(BEFORE_S * rate)), place + around + 1)
    near = slice(max(0, place - round(TRUSTED_S * rate)), place + around + 1)
    # What swung long before is damped out: only the last swing must be sound.
    if motion.suspect[names].iloc[near].to_numpy().any():
        return "a damper's travel is not to be trusted around that moment"
    travel = motion.data[names].to_numpy()[window]
    axle = axle_of(event.corner)
    number = CORNERS.index(event.corner)
    # The table's slope where the hit was deepest; one number serves, as the cures move it by millimetres.
    deepest = motion.data[names[number]].to_numpy()[place : place + 1]
    ratio = float(axles.ratio_at(deepest, car.axle(axle).damper_motion_ratio)[0])
    shown = float(travel[-2 * around - 1 :, number].max())
    moment = Moment(
        corner=event.corner,
        measured=event.peak,
        free=0.0,
        gap=gap,
        travel=travel,
        stops=_stop_forces(car, travel, {axle: gap}),
        rate=rate,
        ratio=ratio,
        finer=event.peak - shown * ratio,
        masses=swinging_masses(car),
        present=springing(car, rates),
    )
    # The same car without its stops: what a cure has to bring down.
    return replace(moment, free=moment.peak(moment.present))


def _stop_forces(car: CarSheet, travel: Floats, known: Mapping[Axle, float]) -> Floats:
    """Return the force of the bump stops at the wheels [N] for wheel travel FL FR RL RR [m]."""
    forces = np.zeros_like(travel)
    # Stops of the other axle carry load as well, where the sheet knows them.
    for axle in AXLES:
        sheet = car.axle(axle)
        gap = known.get(
            axle, None if sheet.damper.bump_stop_gap is None else sheet.damper.bump_stop_gap.value
        )
        if gap is None:
            continue
        for number in (CORNERS.index(corner) for corner in AXLE_CORNERS[axle]):
            wheel = travel[:, number]
            pressed = axles.damper_travel(wheel, sheet.damper_motion_ratio) - gap
            forces[:, number] = axles.stop_force(sheet, pressed) * axles.ratio_at(
                wheel, sheet.damper_motion_ratio
            )
    return forces


def cures_of(
    car: CarSheet, rates: Mapping[Axle, float], moment: Moment, margin: float = MARGIN
) -> tuple[Cure, ...]:
    """Return every cure for one contact, each alone.

    Parameters
    ----------
    car : CarSheet
        The car as it is.
    rates : mapping
        Bar rate at one link per axle [N/m].
    moment : Moment
        The contact.
    margin : float
        Travel that shall be left before the stop [m].
    """
    target = moment.gap - margin
    return (
        _bar(car, rates, moment, target),
        _spring(car, rates, moment, target),
        _ride_height(moment, target),
        _stop(car, moment, margin),
    )


def _bar(car: CarSheet, rates: Mapping[Axle, float], moment: Moment, target: float) -> Cure:
    axle = axle_of(moment.corner)
    sheet = car.axle(axle)
    now = float(axles.bar_roll_stiffness(sheet, rates[axle]))
    sprung = axles.mass_properties(car).axle(axle).sprung
    scale = now if now > 0.0 else float(axles.spring_roll_stiffness(sheet, sprung))

    def peak(added: float) -> float:
        return moment.peak(springing(car, rates, added_roll={axle: added * scale}))

    most = MOST_BAR - 1.0
    added = _smallest(peak, most, target)
    # A bar takes the roll part alone; how near a rigid one comes says whether another cure is needed.
    per_degree = np.pi / 180.0
    if added is None:
        left, at_best = (MM_PER_M * (peak(a) - target) for a in (most, RIGID))
        rigid = f"even a rigid one {at_best:.0f} mm" if at_best > 0.5 else "only a nearly rigid one would do"
        return Cure(
            "bar", False, now * per_degree, None, "N m/deg", None, peak(most), None,
            f"a stiffer {axle} bar alone cannot do it: one of {MOST_BAR:.0f} times the stiffness leaves "
            f"{left:.0f} mm too much travel, {rigid}, since a bar takes only the roll part",
        )  # fmt: skip
    needed = now + added * scale
    share = _shares(car, rates, axle, added_roll=added * scale)
    bar = "bar" if now > 0.0 else "bar (none is fitted now)"
    factor = needed / now if now > 0.0 else None
    times = "" if factor is None else f", {factor:.2f} times what it has"
    return Cure(
        "bar", True, now * per_degree, needed * per_degree, "N m/deg", factor, peak(added), share,
        f"a {axle} {bar} of {needed * per_degree:.0f} N m/deg in roll{times}{_balance(share)}",
    )  # fmt: skip


def _spring(car: CarSheet, rates: Mapping[Axle, float], moment: Moment, target: float) -> Cure:
    axle = axle_of(moment.corner)
    # At the same ride height: the spring's preload takes up the difference.
    now = car.axle(axle).spring.rate.value / 1000.0

    def peak(added: float) -> float:
        return moment.peak(springing(car, rates, spring_factor={axle: 1.0 + added}))

    added = _smallest(peak, MOST_SPRING - 1.0, target)
    if added is None:
        left = MM_PER_M * (peak(MOST_SPRING - 1.0) - target)
        return Cure(
            "spring", False, now, None, "N/mm", None, peak(MOST_SPRING - 1.0), None,
            f"stiffer {axle} springs alone cannot do it: even twice the rate leaves {left:.0f} mm too much",
        )  # fmt: skip
    factor = 1.0 + added
    share = _shares(car, rates, axle, spring_factor=factor)
    kgf = now * factor / STANDARD_GRAVITY
    return Cure(
        "spring", True, now, now * factor, "N/mm", factor, peak(added), share,
        f"{axle} springs of {now * factor:.0f} N/mm ({kgf:.1f} kgf/mm), {factor:.2f} "
        f"times the present ones, at the same ride height{_balance(share)}",
    )  # fmt: skip


def _ride_height(moment: Moment, target: float) -> Cure:
    axle = axle_of(moment.corner)
    # Raising the car by a spacer moves the whole travel away from the stop, swing and all.
    raised = max(moment.free - target, 0.0)
    at_wheel = raised / moment.ratio
    possible = at_wheel <= MOST_RAISE
    words = (
        f"{MM_PER_M * at_wheel:.0f} mm more ride height at the {axle} ({MM_PER_M * raised:.0f} mm at the "
        "damper), with that much less droop and a higher centre of gravity"
    )
    if not possible:
        words = (
            f"ride height alone would have to rise by {MM_PER_M * at_wheel:.0f} mm at the {axle}: too much"
        )
    return Cure(
        "ride height", possible, 0.0, MM_PER_M * at_wheel, "mm", None, moment.free - raised, None, words
    )


def _stop(car: CarSheet, moment: Moment, margin: float) -> Cure:
    axle = axle_of(moment.corner)
    # A stop that begins later must begin behind where the damper goes without it, yet before its end.
    needed = moment.free + margin
    end = car.axle(axle).damper.full_bump
    now, wanted = MM_PER_M * moment.gap, MM_PER_M * needed
    if end is not None and needed >= end.value:
        return Cure(
            "stop", False, now, wanted, "mm", None, moment.free, None,
            f"a shorter {axle} bump stop alone cannot do it: the damper would need {wanted:.0f} mm and ends "
            f"at {MM_PER_M * end.value:.0f} mm",
        )  # fmt: skip
    check = "" if end is not None else "; full_bump is not in the sheet, so check that the damper has it"
    return Cure(
        "stop", True, now, wanted, "mm", wanted / now if now > 0.0 else None, moment.free, None,
        f"a bump stop that begins at {wanted:.0f} mm instead of {now:.0f} mm{check}",
    )  # fmt: skip


def _smallest(peak: Callable[[float], float], most: float, target: float) -> float | None:
    """Return the smallest addition that brings the peak down to the target; None when `most` does not.

    The peak falls with stiffness all the way, so there is one place where it passes the target.
    """
    if peak(0.0) <= target:
        return 0.0
    if peak(most) > target:
        return None
    step = most * _FINEST
    found = float(brentq(lambda added: peak(added) - target, 0.0, most, xtol=step))
    # The place found may be short of the target by the step it was found to.
    return found if peak(found) <= target else min(found + 2.0 * step, most)


def _shares(
    car: CarSheet,
    rates: Mapping[Axle, float],
    axle: Axle,
    added_roll: float = 0.0,
    spring_factor: float = 1.0,
) -> tuple[float, float]:
    """Return the front part of the lateral load transfer before and after [1].

    Roll stiffness that is added to an axle without a bar is put into its springs here; for the load transfer
    it is all one.
    """
    # Where the roll stiffness sits does not matter for the load transfer: bar if there is one, else springs.
    sheet = car.axle(axle)
    changed = dict(rates)
    factor = spring_factor
    if added_roll and not isinstance(sheet.bar, NoBar):
        per_rate = float(axles.bar_roll_stiffness(sheet, 1.0))
        changed[axle] = rates[axle] + added_roll / per_rate
    elif added_roll:
        factor = 1.0 + float(axles.spring_rate_for(sheet, added_roll)) / sheet.spring.rate.value
    rate = sheet.spring.rate
    spring = sheet.spring.model_copy(update={"rate": Uncertain(rate.value * factor, rate.std)})
    after = car.model_copy(update={axle: sheet.model_copy(update={"spring": spring})})
    return _front_share(car, rates), _front_share(after, changed)


def _front_share(car: CarSheet, rates: Mapping[Axle, float]) -> float:
    roll = axles.car_roll(car, rates)
    parts = {
        a: float(roll.axles[a].elastic + roll.axles[a].geometric + roll.axles[a].unsprung) for a in AXLES
    }
    return parts["front"] / (parts["front"] + parts["rear"])


def _balance(share: tuple[float, float]) -> str:
    before, after = share
    if abs(after - before) < 0.005:
        return ", balance as it is"
    way = "more" if after > before else "less"
    loses = "front" if after > before else "rear"
    return (
        f"; the front then carries {100.0 * after:.0f} % of the load transfer instead of "
        f"{100.0 * before:.0f} %, {way} than now, which takes grip from the {loses}"
    )


# Stiffness of a car at its four wheels: springs, bars and tyres under a rigid body, for small travels.


@dataclass(frozen=True, slots=True)
class Springing:
    """Stiffness of a car at its wheels, FL FR RL RR.

    Parameters
    ----------
    wheels : array
        4 x 4, force at the wheels per wheel travel, springs and bars [N/m].
    tyres : array
        4, compliance of the tyres [m/N]; zero for rigid ones.
    body : array
        4 x 3, how body heave, pitch and roll move the corners [m, m/rad].
    """

    wheels: Array
    tyres: Array
    body: Array


def springing(
    car: CarSheet,
    rates: Mapping[Axle, float],
    spring_factor: Mapping[Axle, float] | None = None,
    added_roll: Mapping[Axle, float] | None = None,
) -> Springing:
    """Return the stiffness of a car.

    Parameters
    ----------
    car : CarSheet
        The car.
    rates : mapping
        Bar rate at one link per axle [N/m].
    spring_factor : mapping, optional
        Factor on the spring rate per axle; 1 where not given.
    added_roll : mapping, optional
        Roll stiffness on top of springs and bar per axle [N m/rad].
    """
    masses = axles.mass_properties(car)
    wheels = np.zeros((4, 4))
    tyres, body = np.zeros(4), np.zeros((4, 3))
    for number, axle in enumerate(AXLES):
        sheet = car.axle(axle)
        track = sheet.track_width.value
        factor = (spring_factor or {}).get(axle, 1.0)
        sprung = masses.axle(axle).sprung
        spring = sheet.spring.model_copy(update={"rate": Uncertain(sheet.spring.rate.value * factor, None)})
        changed = sheet.model_copy(update={"spring": spring})
        heave = float(axles.wheel_rate(changed, sprung))
        roll = float(axles.spring_roll_stiffness(changed, sprung)) + float(
            axles.bar_roll_stiffness(sheet, rates[axle])
        )
        roll += (added_roll or {}).get(axle, 0.0)
        # Of a pair of wheels both moving alike feel the springs, moving apart the roll stiffness: the mean
        # and the half difference of the two are what a wheel feels of its own travel and of the other's.
        twist = 2.0 * roll / track**2
        pair = slice(2 * number, 2 * number + 2)
        same, other = (heave + twist) / 2.0, (heave - twist) / 2.0
        wheels[pair, pair] = [[same, other], [other, same]]
        tyres[pair] = 0.0 if sheet.tyre_rate is None else 1.0 / sheet.tyre_rate.value
        ahead = masses.front_axle_distance if axle == "front" else -masses.rear_axle_distance
        body[pair] = [[1.0, ahead, -track / 2.0], [1.0, ahead, track / 2.0]]
    return Springing(wheels, tyres, body)


# How wheel travel would have gone with another spring or bar, from the travel that was measured.
#
# Body and wheels are linear masses on springs, dampers and tyres, and what drives them, forces on the body
# and the road under the wheels, stays as it was. Then the difference between the measured motion and that of
# the changed car obeys the changed car's own equations of motion, driven by nothing but the change of the
# suspension forces at the measured travel:
#
#     M d'' + C d' + (K + dK) d = -J' (dK w - F)
#
# with w the measured wheel travel, F the force of bump stops that are taken away with the change, and J the
# way body and wheels move the travel (linear mechanics; the difference of the two cars' equations, derived
# here). Neither the driving forces nor the road need be known.


ROLL_RADIUS: Final = 0.36
"""Radius of gyration of a sprung body in roll over the mean track [1]: usual for saloons, from memory. A
change from 0.30 to 0.42 moves the rms error of a spring's effect on the tests' rigid-body car from 3.0 to
2.1 %."""
PITCH_INDEX: Final = 0.9
"""Pitch inertia over sprung mass x distances of both axles from the CG [1]: usual, from memory. 0.75 to 1.1
moves the same figure from 2.7 to 3.7 %."""
TYRE_RATE: Final = 220e3
"""Tyre rate where the sheet states none [N/m]: common practice for a car tyre at 2 bar, no source."""
DAMPING: Final = 0.3
"""Damping of a corner as a part of the critical one where the sheet has no damper rates [1]: common practice,
no source."""


@dataclass(frozen=True, slots=True)
class Masses:
    """What swings, besides springs and bars.

    Parameters
    ----------
    mass : array
        7: body in heave [kg], pitch, roll [kg m2], then the wheels FL FR RL RR [kg].
    damping : array
        4, at the wheels [N s/m].
    tyres : array
        4, tyre rates [N/m].
    assumed : tuple of str
        What the sheet does not say and was taken.
    """

    mass: Array
    damping: Array
    tyres: Array
    assumed: tuple[str, ...]


def swinging_masses(car: CarSheet) -> Masses:
    """Return masses, damping and tyres of a car sheet."""
    masses = axles.mass_properties(car)
    track = sum(car.axle(a).track_width.value for a in AXLES) / 2.0
    pitch = PITCH_INDEX * masses.sprung * masses.front_axle_distance * masses.rear_axle_distance
    mass = [masses.sprung, pitch, masses.sprung * (ROLL_RADIUS * track) ** 2]
    damping, tyres, assumed = [], [], ["inertia of the body in roll and pitch"]
    for axle in AXLES:
        sheet, parts = car.axle(axle), masses.axle(axle)
        mass += [parts.unsprung / 2.0] * 2
        # Without damper rates a usual part of critical damping; it is listed as assumed.
        if sheet.damper.rates is None:
            ratio = float(axles.static_motion_ratio(sheet.spring.motion_ratio))
            rate = sheet.spring.rate.value * ratio**2
            per_wheel = 2.0 * DAMPING * float(np.sqrt(rate * parts.sprung / 2.0))
            assumed.append(f"{axle} damping, {DAMPING:g} of critical")
        else:
            ratio = float(axles.static_motion_ratio(sheet.damper_motion_ratio))
            per_wheel = (sheet.damper.rates.bump.value + sheet.damper.rates.rebound.value) / 2.0 * ratio**2
        damping += [per_wheel] * 2
        if sheet.tyre_rate is None:
            assumed.append(f"{axle} tyre rate, {TYRE_RATE / 1e3:g} N/mm")
        tyres += [TYRE_RATE if sheet.tyre_rate is None else sheet.tyre_rate.value] * 2
    return Masses(np.array(mass), np.array(damping), np.array(tyres), tuple(assumed))


def changed_travel(
    masses: Masses, now: Springing, changed: Springing, travel: Array, stops: Array, rate: float, last: int
) -> Array:
    """Return what wheel travel gains with `changed` instead of `now` and with the stops taken off [m].

    Parameters
    ----------
    masses : Masses
        Of the car.
    now, changed : Springing
        Of the car as measured, and changed.
    travel, stops : array
        n x 4: wheel travel [m] and force of the bump stops at the wheels [N] as they were. Should begin some
        seconds before what is asked for: the change starts from its rest position.
    rate : float
        Samples per second [Hz].
    last : int
        How many samples at the end are asked for.

    Returns
    -------
    array
        last x 4.

    Notes
    -----
    Solved exactly between samples in the modes of the system (its eigenvectors), with the force held at the
    mean of both ends.
    """
    # Suspension travel follows from seven motions: heave, pitch and roll of the body, and the four wheels.
    moves = np.hstack([now.body, np.eye(4)])
    stiff = moves.T @ changed.wheels @ moves + np.diag(np.concatenate([np.zeros(3), masses.tyres]))
    damp = moves.T @ np.diag(masses.damping) @ moves
    size = len(masses.mass)
    inverse = 1.0 / masses.mass[:, None]
    system = np.block([[np.zeros((size, size)), np.eye(size)], [-stiff * inverse, -damp * inverse]])
    inward = np.vstack([np.zeros((size, 4)), -moves.T * inverse])
    forces = travel @ (changed.wheels - now.wheels).T - stops
    # Second order in seven motions as first order in fourteen, which fall apart into modes that each just
    # decay.
    roots, shapes = np.linalg.eig(system)
    step = np.exp(roots / rate)
    gain = ((step - 1.0) / roots)[:, None] * np.linalg.solve(shapes, inward)
    # The changed car begins where it would stand still under the first force.
    rest = np.concatenate([np.linalg.solve(stiff, -moves.T @ forces[0]), np.zeros(size)])
    driven = (forces[:-1] + forces[1:]) / 2.0 @ gain.T
    first = len(forces) - last
    # State at the first sample asked for: every earlier push, decayed by as many steps.
    decay = step[None, :] ** np.arange(first - 1, -1, -1)[:, None]
    state = step**first * np.linalg.solve(shapes, rest) + (decay * driven[:first]).sum(axis=0)
    found = np.empty((last, 4))
    shown = moves @ shapes[:size]
    for row in range(last):
        found[row] = (shown @ state).real
        if row < last - 1:
            state = step * state + driven[first + row]
    return found
