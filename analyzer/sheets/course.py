"""The course sheet: named sections of the course, by distance from the start, by time or by GPS gates."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from analyzer.sheets.fields import Angle, Sheet, quantity
from analyzer.uncertain import Uncertain
from analyzer.units import UnitError, parse_quantity

Latitude = Annotated[
    Uncertain, quantity("angle", -math.pi / 2.0, math.pi / 2.0, low_allowed=True, example="47.1234 deg")
]
Longitude = Annotated[Uncertain, quantity("angle", -math.pi, math.pi, low_allowed=True, example="8.4321 deg")]
GateWidth = Annotated[Uncertain, quantity("length", 0.0, 500.0, example="30 m")]


class Gate(Sheet):
    """A line across the course, as a point on it: passed where the car comes closest."""

    latitude: Latitude
    longitude: Longitude
    width: GateWidth = Uncertain(30.0, None)
    """The car must come within half of this to pass the gate."""


class Mark(Sheet):
    """A place of the course: a distance along it, a time after the start of the moving part, or a gate."""

    distance_m: float | None = None
    time_s: float | None = None
    gate: Gate | None = None

    @property
    def kind(self) -> Literal["distance", "time", "gate"]:
        """Return what the mark is given by."""
        if self.gate is not None:
            return "gate"
        return "distance" if self.distance_m is not None else "time"


def _read_mark(value: Any) -> Any:
    if isinstance(value, Mark):
        return value
    if isinstance(value, dict):
        return Mark(gate=Gate.model_validate(value))
    for dimension, key in (("length", "distance_m"), ("time", "time_s")):
        try:
            return Mark(**{key: parse_quantity(value, dimension).value})
        except UnitError:
            continue
    raise PydanticCustomError(
        "mark",
        '{value} is neither a distance nor a time; write for instance "180 m", "12 s" or '
        '{{ latitude = "47.1 deg", longitude = "8.2 deg" }}',
        {"value": f'"{value}"'},
    )


PlaceMark = Annotated[Mark, BeforeValidator(_read_mark)]


class Section(Sheet):
    """One named stretch of the course."""

    name: str
    start: PlaceMark
    end: PlaceMark
    bank: Angle = Uncertain(0.0, None)
    """Cross slope towards the inside of the turn, for the travel prediction."""

    @model_validator(mode="after")
    def _forward(self) -> Section:
        a, b = self.start, self.end
        if a.kind != b.kind:
            raise PydanticCustomError(
                "mark", "start and end must both be distances, both be times or both be gates"
            )
        if a.gate is not None:
            return self
        begin, stop = (a.distance_m, b.distance_m) if a.distance_m is not None else (a.time_s, b.time_s)
        if begin is None or stop is None or stop <= begin:
            raise PydanticCustomError("mark", "end must lie behind start")
        return self


class CourseSheet(Sheet):
    """A course with its sections in driving order."""

    name: str
    sections: Annotated[list[Section], Field(min_length=1)]
