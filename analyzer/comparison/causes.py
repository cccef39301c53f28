"""What could set measurement and prediction apart, how large it can be, and what it does to the figures seen.

A cause acts on both set-ups or on the later one only; one that came with the later set-up may also stand in
the place of the change of bar that the session sheet states. What it does to the roll of both axles comes
from the car sheet with the quantity moved; what it does to the bend of the roll line is stated here.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

from analyzer.comparison.results import CauseKind
from analyzer.core.units import AXLES, Axle, Uncertain
from analyzer.prediction.propagation import replace_values
from analyzer.sheets.bar import NoBar
from analyzer.sheets.car import CarSheet, Place, TravelTable
from analyzer.vehicle.axle import FOLLOWS, mass_properties, with_load

Where = Literal["both", "after"]

STEP: Final = 0.02
"""Step of the logarithm with which what a cause does is found."""

Move = Callable[[CarSheet, float], CarSheet]
"""Completed sheet and factor -> the sheet with the quantity times the factor."""


@dataclass(frozen=True, slots=True)
class Range:
    """How far a cause can go on a car; its usual size is half of that, as a standard deviation.

    Parameters
    ----------
    low, high : float
        Ends, in `unit`.
    unit : str
        "1" for a part of the quantity, "kg" or "mm" for a difference.
    """

    low: float
    high: float
    unit: str = "1"


RANGES: Final[dict[CauseKind, Range]] = {
    CauseKind.CG_HEIGHT: Range(-60.0, 60.0, "mm"),
    CauseKind.LOAD: Range(-150.0, 150.0, "kg"),
    CauseKind.TYRE_RATE: Range(-0.30, 0.30),
    # Turned by 18 degrees a box shows 5 % less of what is lateral; beyond that it is seen on the car.
    CauseKind.LATERAL_SCALE: Range(-0.05, 0.05),
    # Dry friction holds more of a small roll than of a large one, and tyres and links are not straight lines.
    CauseKind.DRIVEN: Range(-0.03, 0.03),
    CauseKind.DAMPERS: Range(-0.02, 0.02),
    CauseKind.STEERING: Range(-0.10, 0.10),
    CauseKind.SPRING_RATE: Range(-0.25, 0.25),
    CauseKind.MOTION_RATIO: Range(-0.05, 0.05),
    CauseKind.POT_SCALE: Range(-0.10, 0.10),
    CauseKind.BUMP_STOPS: Range(0.0, 0.40),
    CauseKind.ALSO_CHANGED: Range(-0.30, 0.30),
    # Rate goes with the square of a motion ratio and with the cube of an arm: 20 % there is 40 to 70 %.
    CauseKind.BAR_RATE: Range(-0.60, 0.60),
    CauseKind.FREE_PLAY: Range(-0.60, 0.0),
    CauseKind.BINDING: Range(0.0, 0.60),
    CauseKind.BAR_SETTING: Range(-0.60, 0.60),
}
"""Physical range of every cause that has a size: engineering judgement from what is found on cars; the
program puts no cause beyond it."""

SEAT: Final = {"along": Uncertain(0.5, 0.2), "height": Uncertain(0.48, 0.10)}
"""Where a load sits of which nothing is known: part of the wheelbase behind the front axle, height [1, m]. As
a passenger does, with errors so wide that a tank and most ballast are within; engineering judgement."""

RARE: Final = 0.3
"""Prior weight of what seldom happens, or would have been noticed, against what is common on a car."""


@dataclass(frozen=True, slots=True)
class Cause:
    """Something that could be the reason.

    Parameters
    ----------
    kind : CauseKind
        What it is.
    where : {"both", "after"}
        On which set-ups it acts.
    move : callable or None
        What it does to the sheet; None when it only scales what the sensors show.
    reach : tuple of float
        Range of the logarithm of its quantity; (0, 0) for one without a size.
    weight : float
        Prior weight; engineering judgement.
    axle : Axle or None
        The axle it sits at; None for the whole car.
    scales : tuple of Axle
        Axles whose measured roll it scales by itself.
    bends : dict
        Axle -> bend of the roll line per unit of its logarithm.
    instead : bool
        Whether the bar was left as it was, and this happened in place of the change.
    nominal : float
        The quantity in the sheet, in the unit of its range [kg, mm]; 1 for a part.
    doubts : tuple of callable
        As `move`, each with one thing that is taken for granted of it off by its standard error.
    """

    kind: CauseKind
    where: Where
    move: Move | None
    reach: tuple[float, float]
    weight: float = 1.0
    axle: Axle | None = None
    scales: tuple[Axle, ...] = ()
    bends: dict[Axle, float] = field(default_factory=dict)
    instead: bool = False
    nominal: float = 1.0
    doubts: tuple[Move, ...] = ()


def possible_causes(car: CarSheet, changed: tuple[Axle, ...]) -> tuple[Cause, ...]:
    """Return the causes that make sense on this car, whose bar was changed on the axles `changed`."""
    found = _car_causes(car)
    for axle in AXLES:
        found += _axle_causes(axle)
        if not isinstance(car.axle(axle).bar, NoBar):
            found += _bar_causes(axle, axle in changed)
        if axle not in changed and changed:
            found.append(_cause(CauseKind.ALSO_CHANGED, "after", _times(f"{axle}.spring.rate"), axle))
    if changed:
        # The sheet may state a change that was never made: by itself, or with something else in its place.
        left = Cause(CauseKind.NOT_CHANGED, "after", None, (0.0, 0.0), RARE, instead=True)
        found += [left, *(replace(c, instead=True, weight=RARE * c.weight) for c in found if _in_place(c))]
    return tuple(found)


def _in_place(cause: Cause) -> bool:
    """Return whether a cause may stand in the place of a change of bar: it comes with the later set-up."""
    return cause.where == "after" and cause.kind is not CauseKind.BAR_SETTING


def _cause(kind: CauseKind, where: Where, move: Move | None, axle: Axle | None = None, **more: Any) -> Cause:
    reach, nominal = RANGES[kind], more.get("nominal", 1.0)
    ends = math.log1p(reach.low / nominal), math.log1p(reach.high / nominal)
    return Cause(kind, where, move, ends, axle=axle, **more)


def _car_causes(car: CarSheet) -> list[Cause]:
    # What moves the whole car acts on both axles alike; what tells such causes apart is whether they act on
    # both set-ups or came with the change, and what else the session says.
    tyres = tuple(f"{axle}.tyre_rate" for axle in AXLES)
    height = 1000.0 * car.mass.cg_height.value
    load: dict[str, Any] = {
        "nominal": float(mass_properties(car).total),
        "doubts": (_load(along=1.0), _load(height=1.0), _load(follows=1.0)),
    }
    found = [
        # Height is the least well measured figure of a car; scales and accelerometers are better known.
        _cause(CauseKind.CG_HEIGHT, "both", _times("mass.cg_height"), nominal=height, weight=2.0),
        _cause(CauseKind.LOAD, "both", _load(), weight=0.7, **load),
        _cause(CauseKind.LATERAL_SCALE, "both", None, scales=AXLES, weight=RARE),
        _cause(CauseKind.LOAD, "after", _load(), **load),
        _cause(CauseKind.TYRE_RATE, "after", _times(*tyres)),
        _cause(CauseKind.LATERAL_SCALE, "after", None, scales=AXLES, weight=RARE),
        _cause(CauseKind.DRIVEN, "after", None, scales=AXLES, weight=RARE),
        _cause(CauseKind.DAMPERS, "after", None, scales=AXLES, weight=RARE),
    ]
    return found + [_cause(CauseKind.STEERING, where, None) for where in ("both", "after")]


def _axle_causes(axle: Axle) -> list[Cause]:
    spring = _times(f"{axle}.spring.rate")
    # A wrong spring or sensor shows on both set-ups and in a straight line; a stop that is touched stiffens
    # one direction of roll only, which bends it.
    return [
        _cause(CauseKind.SPRING_RATE, "both", spring, axle),
        _cause(CauseKind.MOTION_RATIO, "both", _motion_ratio(axle), axle),
        _cause(CauseKind.POT_SCALE, "both", None, axle, scales=(axle,)),
        # A bracket fitted anew, a pot swapped, or its supply: another bar moves both axles, this one.
        _cause(CauseKind.POT_SCALE, "after", None, axle, scales=(axle,), weight=RARE),
        _cause(CauseKind.BUMP_STOPS, "both", spring, axle, bends={axle: 1.0}),
        _cause(CauseKind.BUMP_STOPS, "after", spring, axle, bends={axle: 1.0}),
    ]


def _bar_causes(axle: Axle, changed: bool) -> list[Cause]:
    # The bar's rate at the wheel goes with the square of its motion ratio: a half power there is the rate
    # itself, whatever makes it up.
    ratio = _times(f"{axle}.bar.motion_ratio", power=0.5)
    # Free play takes stiffness away near zero roll and binding adds it there: the bends have opposite signs.
    causes = [
        _cause(CauseKind.BAR_RATE, "both", ratio, axle),
        _cause(CauseKind.FREE_PLAY, "both", ratio, axle, bends={axle: -0.5}),
        _cause(CauseKind.BINDING, "both", ratio, axle, bends={axle: 0.5}),
    ]
    return [*causes, _cause(CauseKind.BAR_SETTING, "after", ratio, axle)] if changed else causes


def _times(*keys: str, power: float = 1.0) -> Move:
    """Return a move that multiplies the quantities at `keys` by the factor to `power`."""

    def move(car: CarSheet, factor: float) -> CarSheet:
        values = {}
        for key in keys:
            node: Any = car
            for part in key.split("."):
                node = getattr(node, part, None)
            if node is not None:
                values[key] = node.value * factor**power
        return replace_values(car, values)

    return move


def _load(along: float = 0.0, height: float = 0.0, follows: float = 0.0) -> Move:
    """Return a move that takes a load aboard which makes the car's mass so much more, or less.

    Its place, and how far the roll centres follow the body down, are off by so many of their standard errors.
    """

    def move(car: CarSheet, factor: float) -> CarSheet:
        part, up = (
            item.value + off * (item.std or 0.0)
            for item, off in zip(SEAT.values(), (along, height), strict=True)
        )
        behind = Uncertain(part * car.mass.wheelbase.value, 0.0)
        place = Place(behind_front_axle=behind, height=Uncertain(up, 0.0))
        mass = float(mass_properties(car).total) * (factor - 1.0)
        return with_load(car, mass, place, FOLLOWS.value + follows * (FOLLOWS.std or 0.0))

    return move


def _motion_ratio(axle: Axle) -> Move:
    def move(car: CarSheet, factor: float) -> CarSheet:
        ratio = car.axle(axle).spring.motion_ratio
        if isinstance(ratio, TravelTable):
            values = {
                f"{axle}.spring.motion_ratio.damper[{index}]": row.value * factor
                for index, row in enumerate(ratio.damper, start=1)
            }
        else:
            values = {f"{axle}.spring.motion_ratio": ratio.value * factor}
        return replace_values(car, values)

    return move
