"""Where the inertial unit sits against its place in the sheet, as the roll of the car shows it.

An accelerometer x further ahead and y further to the left than it is taken to be reads

    x yaw acceleration - y (roll rate^2 + yaw rate^2)

more along its lateral axis (rigid-body kinematics, any mechanics text; products of two other rates left
out), and the car does not roll by that: the roll less what is read times the slope shows both. In a drift yaw
acceleration goes along with the lateral force, and 0.3 m turn a gradient by up to 3 %. A unit that is higher
reads roll acceleration less, for which the roll equation has a term: it turns no gradient and does not show.

What goes with yaw acceleration may as well be the body's yaw inertia, which is in no sheet: half a metre
stands for a third of it. Taken out as a place it is out of the roll, too.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from analyzer.core.estimate import Estimate
from analyzer.core.regression import NORMAL, BlockError, block_error, least_squares, with_error
from analyzer.core.signals import Bools
from analyzer.core.units import AXLES, Axle, Uncertain
from analyzer.processing.results import Motion
from analyzer.processing.roll.disturbances import Bench, bench_of
from analyzer.processing.roll.equation import ASIDE, YAW, roll_columns
from analyzer.processing.roll.fit import fit_roll
from analyzer.processing.roll.gradient import weights_as_measured
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import stands_over
from analyzer.vehicle.roll import AxleRollPath, roll_weights

AS_READ: Final = 0.05
"""Standard uncertainty of a place that the sheet states without one [m]: a tape to a CG that was weighed;
engineering judgement."""
UNSTATED: Final = 0.3
"""The same where the sheet states none, or a placeholder [m]: boxes sit between the seats; engineering
judgement."""
LEFT_OUT: Final = (0.012, 0.03)
"""What the roll equation leaves out of the place ahead and to the left, standard uncertainty [m]: 0.006 and
0.009 on 64 drives of the tests' rigid-body engine, 0.01 and 0.025 on 44 of a car whose loads are a percent
apart left and right."""
SURE: Final = 2.0
"""Standard errors of both beyond which run and sheet contradict each other."""
NOISY: Final = 0.03
"""Where noise may hide more of the slope than this, roll tells no place [1]: a place that is 0.3 m off looks
like 0.011 of noise itself."""
FARTHEST: Final = 1.5
"""A unit is not further from its place in the sheet than this [m]; what looks so is something else."""
ENOUGH_KEPT: Final = 0.02
"""A column that the others stand in for but for less than this part is not told: engineering judgement."""
SAFE_KEPT: Final = 0.15
"""Below this part the column is nearly that of the body's roll acceleration: what is left out weighs more,
and a late roll gyro looks like a place [1]. 0.06 in slaloms of the tests' engine, from 0.3 on elsewhere."""
UNTOLD: Final = (
    "yaw acceleration goes along with the other terms of the roll equation in this run",
    "squared turn rates go along with the other terms of the roll equation in this run",
)
METHOD: Final = "yaw acceleration and squared turn rates as further terms of the moment balance"
WAYS: Final = (("ahead of", "behind"), ("left of", "right of"))
FIGURES: Final = ("imu_ahead_of_sheet", "imu_left_of_sheet")


@dataclass(frozen=True, slots=True)
class Shown:
    """What a run shows of the place along one axis, 0 or 1, and the sheet's own uncertainty [m].

    `weak` where what shows it is hardly to be told from roll acceleration.
    """

    axis: int
    shown: float
    error: float
    stated: float
    weak: bool

    @property
    def against(self) -> bool:
        """Whether run and sheet contradict each other beyond both errors."""
        return abs(self.shown) > SURE * math.hypot(self.error, self.stated)

    def taken(self) -> tuple[float, float]:
        """Return by how much the place moves and the standard uncertainty of where it then is [m]."""
        if abs(self.shown) > FARTHEST or (self.weak and self.against):
            return 0.0, self.stated
        prior = max(self.stated**2, self.shown**2 - self.error**2)
        part = prior / (prior + self.error**2)
        moved, std = part * self.shown, math.sqrt(part) * self.error
        return (moved, std) if self.against else (0.0, math.hypot(moved, std))

    def notes(self, trusted: bool) -> tuple[str, ...]:
        """Return what to say of it; `trusted` where the inertial channels agree with the dampers."""
        if not self.against:
            return ()
        way = WAYS[self.axis][int(self.shown < 0.0)]
        there = f"{abs(self.shown):.2f} ± {NORMAL * self.error:.2f} m {way} its place in the car sheet"
        done = ": taken where the roll shows it"
        if self.weak or abs(self.shown) > FARTHEST or not trusted:
            done = ", or an inertial channel comes late: left where the sheet has it"
        return (f"accelerometer seems {there} (logger.imu.position){done}",)


@dataclass(frozen=True, slots=True)
class UnitPlace:
    """How far ahead and to the left of its place in the sheet the unit is taken to sit.

    Parameters
    ----------
    moved : tuple of float
        Ahead, to the left [m]; 0 where the sheet's place stays.
    std : tuple of float
        Standard uncertainty of the place that is then taken, along x, y and z [m].
    figures : dict
        What the run alone shows of both [m].
    shown : tuple of Shown
        The same, beside what the sheet says.
    stated : tuple of float
        Standard uncertainty of the sheet's place along x, y and z [m].
    trusted : bool
        Whether the inertial channels agree with the dampers once the place is moved.
    """

    moved: tuple[float, float]
    std: tuple[float, float, float]
    figures: dict[str, Estimate] = field(default_factory=dict)
    shown: tuple[Shown, ...] = ()
    stated: tuple[float, float, float] = (0.0, 0.0, 0.0)
    trusted: bool = True

    @property
    def notes(self) -> tuple[str, ...]:
        """What the reader must know."""
        return tuple(note for one in self.shown for note in one.notes(self.trusted))

    def left(self) -> UnitPlace:
        """Return the place that the sheet states, where what the run shows is not to be trusted."""
        return replace(self, moved=(0.0, 0.0), std=self.stated, trusted=False)

    def of(self, car: CarSheet) -> CarSheet:
        """Return the sheet with the unit where it is taken to sit."""
        stated = car.logger.imu.position
        new = {
            axis: Uncertain(getattr(stated, axis).value + moved, std)
            for axis, moved, std in zip("xy", self.moved, self.std, strict=False)
        }
        imu = car.logger.imu.model_copy(update={"position": stated.model_copy(update=new)})
        return car.model_copy(update={"logger": car.logger.model_copy(update={"imu": imu})})


def unit_place(
    motion: Motion,
    exclude: Bools,
    paths: Mapping[Axle, AxleRollPath],
    car: CarSheet,
    doubted: Collection[str] = (),
) -> UnitPlace:
    """Return where the unit of a run is taken to sit, by the sheet and by the roll.

    Parameters
    ----------
    motion : Motion
        With the forces moved to the CG from the sheet's place.
    exclude : array of bool
        Working samples to leave out.
    paths : mapping
        What carries roll on each axle, from the sheet.
    car : CarSheet
        For the stated place and its tolerance.
    doubted : collection of str
        Channels whose unit is in doubt: but for that of the speed roll shows no place then.

    Notes
    -----
    Where run and sheet contradict each other beyond both errors (`SURE`) the place has the uncertainty that
    it shows (the method of moments of DerSimonian and Laird, for one value; from memory), so the run rules.
    Else the sheet's place stays, and what the run shows is in its error.
    """
    stated = _stated_std(car)
    bench = None if set(doubted) - {"speed"} else _bench(motion, exclude, paths)
    if bench is None:
        return UnitPlace((0.0, 0.0), stated)
    slope = float(least_squares(bench.design, bench.mean).coefficients[0])
    known, used = bench.columns.known, bench.used
    columns = (-slope * known[YAW][used], slope * known[ASIDE][used])
    own = [bench.rest(column) for column in columns]
    kept = [float(np.var(own[k])) / max(float(np.var(columns[k])), 1e-300) for k in (0, 1)]
    told = [k for k in (0, 1) if kept[k] > ENOUGH_KEPT]
    figures = {FIGURES[k]: Estimate.unknown("m", UNTOLD[k], METHOD) for k in (0, 1) if k not in told}
    moved, std = [0.0, 0.0], list(stated)
    found: list[Shown] = []
    error: BlockError | None = None
    if told:
        # Further coefficients follow from what the other columns leave of both sides (Frisch and Waugh).
        fit = least_squares(np.column_stack([own[k] for k in told]), bench.rest(bench.mean))
        error = block_error((fit.influence * fit.residuals).T, fit.influence[0])
    if error is not None:
        for number, k in enumerate(told):
            shown = float(fit.coefficients[number])
            left_out = LEFT_OUT[k] * max(1.0, math.sqrt(SAFE_KEPT / kept[k]))
            figures[FIGURES[k]] = with_error(shown, "m", error, number, METHOD, calibration=left_out)
            one = Shown(
                k, shown, math.hypot(error.std_error(number), left_out), stated[k], kept[k] < SAFE_KEPT
            )
            moved[k], std[k] = one.taken()
            found.append(one)
    return UnitPlace((moved[0], moved[1]), (std[0], std[1], std[2]), figures, tuple(found), stated)


def _bench(motion: Motion, exclude: Bools, paths: Mapping[Axle, AxleRollPath]) -> Bench | None:
    """Return the moment balance of a run; None without both axles or yaw rate, or where noise rules."""
    if motion.parked.all():
        return None
    weights = weights_as_measured(roll_weights(paths), motion, exclude, placed=False)
    columns = roll_columns(motion, exclude, weights)
    if columns is None or YAW not in columns.known or len(columns.roll) < len(AXLES):
        return None
    fit = fit_roll(columns, weights)
    if isinstance(fit, str) or fit.unsure > NOISY:
        return None
    return bench_of(columns, weights, fit)


def _stated_std(car: CarSheet) -> tuple[float, float, float]:
    """Return how well the sheet knows the place along x, y and z [m]."""
    imu = car.logger.imu
    found = []
    for axis in "xyz":
        key, stated = f"logger.imu.position.{axis}", getattr(imu.position, axis)
        given = axis in imu.position.model_fields_set
        placeholder = any(stands_over(mark, key) for mark in car.unmeasured)
        found.append(UNSTATED if placeholder or not given else AS_READ if stated.std is None else stated.std)
    return found[0], found[1], found[2]
