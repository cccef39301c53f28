"""The course sheet: named sections of the course, by distance from the start or by time."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from analyzer.sheets.fields import Angle, Sheet
from analyzer.uncertain import Uncertain
from analyzer.units import UnitError, parse_quantity


class Mark(Sheet):
    """A place of the course: a distance along it or a time after the start of the moving part."""

    distance_m: float | None = None
    time_s: float | None = None


def _read_mark(value: Any) -> Any:
    if isinstance(value, Mark):
        return value
    for dimension, key in (("length", "distance_m"), ("time", "time_s")):
        try:
            return Mark(**{key: parse_quantity(value, dimension).value})
        except UnitError:
            continue
    raise PydanticCustomError(
        "mark",
        '{value} is neither a distance nor a time; write for instance "180 m" or "12 s"',
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
        if (a.distance_m is None) != (b.distance_m is None):
            raise PydanticCustomError("mark", "start and end must both be distances or both be times")
        begin, stop = (a.distance_m, b.distance_m) if a.distance_m is not None else (a.time_s, b.time_s)
        if begin is None or stop is None or stop <= begin:
            raise PydanticCustomError("mark", "end must lie behind start")
        return self


class CourseSheet(Sheet):
    """A course with its sections in driving order."""

    name: str
    sections: Annotated[list[Section], Field(min_length=1)]
