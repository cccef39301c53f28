"""Types of sheet entries: quantities with units as text become `Uncertain` numbers in SI."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict
from pydantic_core import PydanticCustomError

from analyzer.core.units import DIMENSIONS, Uncertain, UnitError, parse_quantity


class Sheet(BaseModel):
    """Base of every table of a sheet: unknown keys are refused, nothing changes after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


@dataclass(frozen=True)
class QuantityReader(BeforeValidator):
    """A validator that knows an example of what it reads, for the sheet reference."""

    example: str = ""


def quantity(
    dimension: str,
    low: float | None = None,
    high: float | None = None,
    low_allowed: bool = False,
    example: str | None = None,
) -> QuantityReader:
    """Return the reader for text of a `dimension`, within `low` and `high` [SI].

    Parameters
    ----------
    dimension : str
        A key of `analyzer.core.units.DIMENSIONS`.
    low, high : float or None
        Limits of what is possible [SI]; None for no limit.
    low_allowed : bool
        Whether `low` itself will do.
    example : str, optional
        A value that would do, for messages; the usual one of the dimension if not given.
    """
    would_do = example or DIMENSIONS[dimension].example

    def read(value: Any) -> Uncertain:
        if isinstance(value, Uncertain):
            return value
        try:
            found = parse_quantity(value, dimension, would_do)
        except UnitError as error:
            raise PydanticCustomError("quantity", "{reason}", {"reason": str(error)}) from error
        too_low = low is not None and (found.value < low or (found.value == low and not low_allowed))
        if too_low or (high is not None and found.value > high):
            raise PydanticCustomError(
                "range",
                "{value} is outside what is possible; write for instance {example}",
                {"value": f'"{value}"', "example": f'"{would_do}"'},
            )
        # A size that must be above zero is not known at all when its error is larger than itself.
        above_zero = low is not None and low >= 0.0 and not low_allowed
        if above_zero and found.std is not None and found.std > found.value:
            raise PydanticCustomError(
                "tolerance",
                "{value} has a tolerance larger than itself; write for instance {example}",
                {"value": f'"{value}"', "example": f'"{would_do}"'},
            )
        return found

    return QuantityReader(read, example=would_do)


# The limits are wide on purpose: they catch a wrong unit (inches as mm, N/m as N/mm), not an unusual car.
Length = Annotated[Uncertain, quantity("length", -100.0, 100.0)]
LengthOrZero = Annotated[Uncertain, quantity("length", 0.0, 10.0, low_allowed=True)]
TrackWidth = Annotated[Uncertain, quantity("length", 0.3, 4.0, example="1.54 m")]
Wheelbase = Annotated[Uncertain, quantity("length", 0.5, 10.0, example="2.53 m")]
CgHeight = Annotated[Uncertain, quantity("length", 0.05, 3.0, example="0.47 m ± 0.02 m")]
RollCentreHeight = Annotated[Uncertain, quantity("length", -2.0, 2.0, example="45 mm ± 10 mm")]
WheelRadius = Annotated[Uncertain, quantity("length", 0.05, 1.0, example="0.31 m")]
StopTravel = Annotated[Uncertain, quantity("length", 0.0, 1.0, low_allowed=True, example="42 mm")]
TyreRate = Annotated[Uncertain, quantity("stiffness", 0.0, example="230 N/mm ± 10 %")]
StopRate = Annotated[Uncertain, quantity("stiffness", 0.0, example="60 N/mm")]
Mass = Annotated[Uncertain, quantity("mass", 0.0, 5000.0, low_allowed=True)]
Weight = Annotated[Uncertain, quantity("weight", 0.0, 50000.0)]
Stiffness = Annotated[Uncertain, quantity("stiffness", 0.0)]
Force = Annotated[Uncertain, quantity("force")]
Damping = Annotated[Uncertain, quantity("damping", 0.0, low_allowed=True)]
Angle = Annotated[Uncertain, quantity("angle", -7.0, 7.0)]
BladeTurn = Annotated[Uncertain, quantity("angle", -math.pi, math.pi, low_allowed=True, example="45 deg")]
CamberGain = Annotated[Uncertain, quantity("camber_gain", -20.0, 20.0)]
Ratio = Annotated[Uncertain, quantity("number", 0.0, 10.0)]
Number = Annotated[Uncertain, quantity("number")]
Time = Annotated[Uncertain, quantity("time")]
Frequency = Annotated[Uncertain, quantity("frequency", 0.0, 1e6)]
Inertia = Annotated[Uncertain, quantity("inertia", 0.0)]
TorsionalStiffness = Annotated[Uncertain, quantity("torsional_stiffness", 0.0)]
