"""The session sheet, with set-ups and runs, and the course sheet it names."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from analyzer.core.units import Axle, Uncertain, UnitError, parse_quantity
from analyzer.sheets.fields import Angle, BladeTurn, Sheet, TextReader, Time, quantity

# The session sheet: set-ups, and the runs that were driven on each.


class SideSetting(Sheet):
    """Hole and spacers of one side, where left and right differ."""

    hole: Annotated[int, Field(ge=1)]
    """Hole of the right link, counted from the outermost."""
    spacers: Annotated[int, Field(ge=0)] = 0
    """Number of spacers on the right side."""
    turn: BladeTurn | None = None
    """Right blade turned to this angle; as in the car sheet when not given."""


class BarSetting(Sheet):
    """How a bladed bar is set: hole (1 is the outermost) and number of spacers per side."""

    hole: Annotated[int, Field(ge=1)] = 1
    """Hole in which the links are fitted, counted from the outermost."""
    spacers: Annotated[int, Field(ge=0)] = 0
    """Number of spacers per side."""
    turn: BladeTurn | None = None
    """Blade turned to this angle, 0 edge and 90 deg flat to the load; as in the car sheet when not given."""
    right: SideSetting | None = None
    """Right side, when it differs from the left one."""


class Setup(Sheet):
    """A named state of the car's hardware. "off": the bar is fitted, but its links are disconnected."""

    front_bar: BarSetting | Literal["off"] | None = None
    """Setting of the front bar; needed where the car has a bladed bar there."""
    rear_bar: BarSetting | Literal["off"] | None = None
    """Setting of the rear bar; needed where the car has a bladed bar there."""
    notes: str = ""
    """Anything worth remembering; not evaluated."""

    def bar(self, axle: Axle) -> BarSetting | Literal["off"] | None:
        """Return the bar setting of one `axle`; None when the sheet says nothing."""
        return self.front_bar if axle == "front" else self.rear_bar


class Run(Sheet):
    """One recorded run."""

    name: str
    """Name of the run on the page and in all tables; each run its own."""
    logs: Annotated[list[str], Field(min_length=1)]
    """Log files of this run, beside the sheet: one, or one of each logger."""
    setup: str
    """Which of the set-ups was on the car."""
    level: Annotated[list[Time], Field(min_length=2, max_length=2)] | None = None
    """Start and end, in log time, of a stretch in which this run is at rest or drives straight on level
    ground: the pots are zeroed there."""
    clock_offsets: list[Time] | None = None
    """One per log: what to add to its clock; the first is usually "0 s"."""
    box_moved: bool = False
    """Whether the inertial unit was removed or turned before this run; its lean is then estimated again."""
    conditions: dict[str, str] = Field(default_factory=dict)
    """What may differ between runs, in your own keys. Read as quantities and taken out of a change of set-up:
    fuel ("20 l", "15 kg"), driver_mass, passenger and ballast ("75 kg", "none"), tyre_pressure ("190 kPa")
    and the same with _front, _rear, _FL, _FR, _RL or _RR. Others that differ are named, notes excepted."""


class SessionSheet(Sheet):
    """One session: a car, its set-ups and runs."""

    name: str
    """Name of the session, for headings."""
    car: str
    """File name of the car sheet, in the same folder."""
    course: str | None = None
    """File name of the course sheet; sections are found from the logs when not given."""
    date: dt.date | None = None
    """Day of the session, "2031-05-04"; orders the sessions of a season."""
    setups: Annotated[dict[str, Setup], Field(min_length=1)]
    """Set-ups by a name of your choice."""
    runs: Annotated[list[Run], Field(min_length=1)]
    """Runs in the order in which they were driven."""

    @property
    def conditions(self) -> dict[str, dict[str, str]]:
        """Run -> what the sheet says of it."""
        return {run.name: run.conditions for run in self.runs}

    @field_validator("date", mode="before")
    @classmethod
    def _plain_day(cls, value: Any) -> Any:
        # TOML has dates of its own, with or without a time of day; text is taken in the same form.
        if isinstance(value, dt.datetime):
            return value.date()
        if isinstance(value, str):
            try:
                return dt.date.fromisoformat(value.strip())
            except ValueError:
                value = f'"{value}"'
        elif value is None or isinstance(value, dt.date):
            return value
        raise PydanticCustomError(
            "date", '{value} is not a day; write for instance date = "2031-05-04"', {"value": str(value)}
        )

    @field_validator("runs")
    @classmethod
    def _unique_names(cls, value: list[Run]) -> list[Run]:
        names = [run.name for run in value]
        for name in names:
            if names.count(name) > 1:
                raise PydanticCustomError(
                    "name", "two runs are named {name}; give each its own name", {"name": f'"{name}"'}
                )
        return value

    @model_validator(mode="after")
    def _known_setups(self) -> SessionSheet:
        for index, run in enumerate(self.runs):
            if run.setup not in self.setups:
                raise PydanticCustomError(
                    "setup",
                    "runs[{index}].setup {setup} is not among the set-ups; use one of {known}",
                    {"index": index + 1, "setup": f'"{run.setup}"', "known": ", ".join(self.setups)},
                )
        return self


# The course sheet: named sections of the course, by distance from the start, by time or by GPS gates.


Latitude = Annotated[
    Uncertain, quantity("angle", -math.pi / 2.0, math.pi / 2.0, low_allowed=True, example="47.1234 deg")
]
Longitude = Annotated[Uncertain, quantity("angle", -math.pi, math.pi, low_allowed=True, example="8.4321 deg")]
GateWidth = Annotated[Uncertain, quantity("length", 0.0, 500.0, example="30 m")]


class Gate(Sheet):
    """A line across the course, as a point on it: passed where the car comes closest."""

    latitude: Latitude
    """Of the middle of the gate, north positive."""
    longitude: Longitude
    """Of the middle of the gate, east positive."""
    width: GateWidth = Uncertain(30.0, None)
    """The car passes the gate when it comes within half of this."""


@dataclass(frozen=True, slots=True)
class Mark:
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
    # Which of both is meant, its unit tells.
    for dimension in ("length", "time"):
        try:
            found = parse_quantity(value, dimension).value
        except UnitError:
            continue
        return Mark(distance_m=found) if dimension == "length" else Mark(time_s=found)
    raise PydanticCustomError(
        "mark",
        '{value} is neither a distance nor a time; write for instance "180 m", "12 s" or {gate}',
        {"value": f'"{value}"', "gate": '{ latitude = "47.1 deg", longitude = "8.2 deg" }'},
    )


PlaceMark = Annotated[Mark, TextReader(_read_mark, example="180 m", table=Gate)]


class Section(Sheet):
    """One named stretch of the course."""

    name: str
    """Name as the driver says it."""
    start: PlaceMark
    """A distance along the course, a time after the start of the moving part ("12 s"), or a gate."""
    end: PlaceMark
    """End of the section, given in the same way as its start."""
    bank: Angle = Uncertain(0.0, None)
    """Cross slope towards the inside of the turn, for the travel prediction."""

    @model_validator(mode="after")
    def _forward(self) -> Section:
        a, b = self.start, self.end
        if a.kind != b.kind:
            raise PydanticCustomError(
                "mark", "start and end must both be distances, both be times or both be gates"
            )
        # In which order gates are passed only a drive can show.
        if a.gate is not None:
            return self
        begin, stop = (a.distance_m, b.distance_m) if a.distance_m is not None else (a.time_s, b.time_s)
        if begin is None or stop is None or stop <= begin:
            raise PydanticCustomError("mark", "end must lie behind start")
        return self


class CourseSheet(Sheet):
    """A course with its sections in driving order."""

    name: str
    """Name of the course, for headings."""
    sections: Annotated[list[Section], Field(min_length=1)]
    """Sections in driving order; they need not meet."""
