"""What could set measurement and prediction apart, and what each cause would do to the figures seen.

A cause acts on both set-ups or on the later one only. What it does to the roll of both axles comes from the
car sheet with the quantity moved; what it does to the bend of the roll line is stated here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

from analyzer.core.constants import AXLE_CORNERS, AXLES, Axle
from analyzer.prediction.propagation import replace_values
from analyzer.sheets.bar import NoBar
from analyzer.sheets.car import CarSheet, TravelTable

Where = Literal["both", "after"]

STEP: Final = 0.02
"""Step of the logarithm with which what a cause does is found."""

Move = Callable[[CarSheet, float], CarSheet]
"""Completed sheet and factor -> the sheet with the quantity times the factor."""


@dataclass(frozen=True, slots=True)
class Cause:
    """Something that could be the reason.

    Parameters
    ----------
    name : str
        In plain words, as printed.
    quantity : str
        What its size counts in ("front spring rate").
    where : {"both", "after"}
        On which set-ups it acts.
    move : callable or None
        What it does to the sheet; None when it only scales what the sensors show.
    spread : float
        Size that is usual for it, as a standard deviation of the logarithm; engineering judgement.
    scales : tuple of Axle
        Axles whose measured roll it scales by itself (a sensor).
    bends : dict
        Axle -> bend of the roll line per unit of its logarithm.
    sign : int
        1 or -1 when only an increase or decrease of the quantity makes sense, else 0.
    needs : str
        Circumstance that speaks for it: "events", "pressure", "load", "health", "play",
        "friction", or empty.
    check : str
        What to look at on the car.
    axle : Axle or None
        The axle it sits at; None for the whole car.
    """

    name: str
    quantity: str
    where: Where
    move: Move | None
    spread: float
    check: str
    scales: tuple[Axle, ...] = ()
    bends: dict[Axle, float] = field(default_factory=dict)
    sign: int = 0
    needs: str = ""
    axle: Axle | None = None


def possible_causes(car: CarSheet, changed: tuple[Axle, ...]) -> tuple[Cause, ...]:
    """Return the causes that make sense on this car, whose bar was changed on the axles `changed`."""
    found = [*_car_causes()]
    for axle in AXLES:
        own = _axle_causes(axle)
        if not isinstance(car.axle(axle).bar, NoBar):
            own += _bar_causes(axle, axle in changed)
        found += [replace(cause, axle=axle) for cause in own]
        if axle not in changed and changed:
            found.append(
                Cause(
                    f"the {axle} axle was changed too",
                    f"{axle} roll stiffness",
                    "after",
                    _times(f"{axle}.spring.rate"),
                    0.15,
                    f"compare {axle} springs, bar hole and spacers with the session sheet",
                    axle=axle,
                )
            )
    return tuple(found)


def _car_causes() -> list[Cause]:
    # A cause that moves the whole car acts on both axles alike; what tells it from the others is whether it
    # acts on both set-ups or came with the change.
    loads = tuple(f"mass.corner_loads.{c}" for axle in AXLES for c in AXLE_CORNERS[axle])
    tyres = tuple(f"{axle}.tyre_rate" for axle in AXLES)
    return [
        Cause("CG height off", "CG height", "both", _times("mass.cg_height"), 0.10, "repeat the tilt test"),
        Cause(
            "another load in the car than on the scales",
            "load",
            "both",
            _times(*loads),
            0.08,
            "weigh the car as it was driven",
            needs="load",
        ),
        Cause(
            "more or less load in the car after the change",
            "load",
            "after",
            _times(*loads),
            0.08,
            "compare fuel, passenger and ballast of the runs",
            needs="load",
        ),
        Cause(
            "tyre pressure changed",
            "tyre rate",
            "after",
            _times(*tyres),
            0.20,
            "compare the tyre pressures of the runs, hot",
            needs="pressure",
        ),
        Cause(
            "scale of the lateral accelerometer",
            "measured roll per force of both axles",
            "both",
            None,
            0.04,
            "tilt the accelerometer by a known angle and compare",
            scales=AXLES,
            needs="health",
        ),
    ]


def _axle_causes(axle: Axle) -> list[Cause]:
    return [
        Cause(
            # Off by a factor on both set-ups and in a straight line; a stop that is touched stiffens one
            # direction of roll only, which bends it.
            f"{axle} spring rate off",
            f"{axle} spring rate",
            "both",
            _times(f"{axle}.spring.rate"),
            0.12,
            f"measure the {axle} springs on a press",
        ),
        Cause(
            f"{axle} damper motion ratio wrong",
            f"{axle} damper motion ratio",
            "both",
            _motion_ratio(axle),
            0.05,
            f"jack the {axle} wheel and measure wheel and damper travel",
        ),
        Cause(
            f"scale of a {axle} damper pot",
            f"measured {axle} roll",
            "both",
            None,
            0.04,
            f"move the {axle} dampers by a known length and compare the log",
            scales=(axle,),
            needs="health",
        ),
        Cause(
            f"{axle} bump stops in contact",
            f"{axle} roll stiffness",
            "both",
            _times(f"{axle}.spring.rate"),
            0.10,
            f"read the bottoming events and look at the {axle} bump stops for marks",
            bends={axle: 1.0},
            sign=1,
            needs="events",
        ),
        Cause(
            f"{axle} bump stops in contact after the change",
            f"{axle} roll stiffness",
            "after",
            _times(f"{axle}.spring.rate"),
            0.10,
            f"read the bottoming events and look at the {axle} bump stops for marks",
            bends={axle: 1.0},
            sign=1,
            needs="events",
        ),
    ]


def _bar_causes(axle: Axle, changed: bool) -> list[Cause]:
    # The bar's rate at the wheel goes with the square of its motion ratio: a half power there is the rate
    # itself, whatever makes it up.
    ratio = _times(f"{axle}.bar.motion_ratio", power=0.5)
    # Free play takes stiffness away near zero roll and binding adds it there: the bends have opposite signs.
    causes = [
        Cause(
            f"{axle} bar rate or its motion ratio off",
            f"{axle} bar rate at the wheel",
            "both",
            ratio,
            0.25,
            f"measure link and wheel travel, and hang loads on the {axle} bar on the bench",
        ),
        Cause(
            f"free play in the {axle} bar's links",
            f"{axle} bar rate at the wheel",
            "both",
            ratio,
            0.25,
            f"unload the {axle} links and feel for play at every rod end",
            bends={axle: -0.5},
            sign=-1,
            needs="play",
        ),
        Cause(
            f"{axle} bar or link binds",
            f"{axle} bar rate at the wheel",
            "both",
            ratio,
            0.25,
            f"unhook one {axle} link and swing the bar by hand through its whole travel",
            bends={axle: 0.5},
            sign=1,
            needs="friction",
        ),
    ]
    if changed:
        causes.append(
            Cause(
                f"{axle} bar not set as the session sheet says",
                f"{axle} bar rate at the wheel",
                "after",
                ratio,
                0.25,
                f"compare hole and spacers of both {axle} blades with the session sheet",
            )
        )
    return causes


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
