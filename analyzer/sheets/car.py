"""The car sheet: masses, geometry, springs, dampers, bars, logger and parts at hand of one car."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Annotated, Final, Literal

from pydantic import Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from analyzer.core.constants import AXLE_CORNERS, AXLES, CORNERS, STANDARD_GRAVITY, Axle, Corner
from analyzer.core.units import Uncertain
from analyzer.sheets import fields
from analyzer.sheets.bar import Bar, Blade, BladedBar, NoBar, Tube, weld_problem
from analyzer.sheets.fields import Sheet


class AxleShelf(Sheet):
    """Parts at hand for one axle, beside those that are fitted."""

    springs: list[fields.Stiffness] = Field(max_length=20, default_factory=list)
    """Rates of further springs, at the spring."""
    tubes: list[Tube] = Field(max_length=20, default_factory=list)
    """Further tubes of a bladed bar."""
    blades: list[Blade] = Field(max_length=20, default_factory=list)
    """Further blades of a bladed bar, with the same holes."""


class Shelf(fields.Sheet):
    """Parts at hand."""

    front: AxleShelf = AxleShelf()
    rear: AxleShelf = AxleShelf()


# The logger part of a car sheet: where each house channel is in the log and how to calibrate it.


_OTHER_CHANNEL: Final = re.compile(r"other_[A-Za-z0-9_]+")
CHANNEL_DIMENSIONS: Final[dict[str, str]] = {
    **{f"damper_{corner}": "length" for corner in CORNERS},
    **{f"accel_{axis}": "acceleration" for axis in "xyz"},
    **{f"gyro_{axis}": "angular_rate" for axis in "xyz"},
    "speed": "speed",
    "steer_angle": "angle",
    "latitude": "angle",
    "longitude": "angle",
    "time": "time",
}
"""House channels a log can feed, with the dimension of their SI unit. Glossary: docs/nomenclature.md."""

_Travel = Annotated[Uncertain, fields.quantity("length", -10.0, 10.0)]


LARGEST_READING: Final = 1e10
"""Of a sensor in volts or counts; 32 bits count to 4.3e9."""


class Channel(fields.Sheet):
    """One channel: its column in the log, and the way to SI.

    Either the column already holds a physical quantity in `unit`, or a sensor voltage (or count) that
    the pairs `volts` and `travel` turn into travel along straight lines between the pairs.
    """

    column: str
    file: str | None = None
    """Where several files of a run have a column of that name: part of that file's name, or a pattern."""
    unit: str | None = None
    volts: Annotated[list[float], Field(min_length=2)] | None = None
    travel: Annotated[list[_Travel], Field(min_length=2)] | None = None
    sign: Annotated[int, Field(ge=-1, le=1)] = 1
    """-1 for a sensor that is wired or mounted the other way round."""
    static: str | None = None
    """Reading at static ride height, as calibrated travel ("27 mm"); this becomes zero."""

    @field_validator("sign")
    @classmethod
    def _not_zero(cls, value: int) -> int:
        if value == 0:
            raise PydanticCustomError("sign", "sign must be 1 or -1")
        return value

    @model_validator(mode="after")
    def _one_calibration(self) -> Channel:
        if (self.volts is None) != (self.travel is None):
            raise PydanticCustomError("pairs", "volts and travel go together; write both or a unit")
        if self.volts is not None and self.travel is not None:
            if len(self.volts) != len(self.travel):
                raise PydanticCustomError("pairs", "volts and travel must be lists of the same length")
            # A logger's counts are the greatest such numbers.
            if any(not abs(value) <= LARGEST_READING for value in self.volts):
                raise PydanticCustomError("pairs", "volts must be readings of the logger, as numbers")
            # A pot mounted the other way up falls; one that does both has no reading of its own for a travel.
            steps = [b - a for a, b in pairwise(self.volts)]
            if not (all(s > 0 for s in steps) or all(s < 0 for s in steps)):
                raise PydanticCustomError("pairs", "volts must rise or fall all the way")
            if self.unit is not None:
                raise PydanticCustomError("pairs", "give either a unit or volts and travel, not both")
        return self


class Position(fields.Sheet):
    """Position of the IMU from the sprung CG, ISO 8855 axes (x forward, y left, z up)."""

    x: fields.Length = Uncertain(0.0, None)
    y: fields.Length = Uncertain(0.0, None)
    z: fields.Length = Uncertain(0.0, None)


class Lean(fields.Sheet):
    """How the box of the inertial unit leans against the car; axes ISO 8855, x forward, y left, z up."""

    roll: fields.Angle = Uncertain(0.0, None)
    """About x: positive leans it to the right."""
    pitch: fields.Angle = Uncertain(0.0, None)
    """About y: positive leans it nose down."""
    yaw: fields.Angle = Uncertain(0.0, None)
    """About z: positive turns it to the left."""


class Imu(fields.Sheet):
    """Where the inertial unit sits and how it is turned."""

    position: Position = Position()
    axes: dict[str, str] = Field(default_factory=dict)
    """Optional: which sensor axis points where, for instance { x = "left", y = "backward", z = "up" }."""
    lean: Lean | None = None
    """Optional: a lean of the box that was measured, for instance { pitch = "1.5 deg ± 0.2 deg" }; without it
    the lean is found in each log."""

    @field_validator("axes")
    @classmethod
    def _right_handed_words(cls, value: dict[str, str]) -> dict[str, str]:
        words = {"forward", "backward", "left", "right", "up", "down"}
        if value and (set(value) != {"x", "y", "z"} or not set(value.values()) <= words):
            raise PydanticCustomError(
                "axes",
                'axes must give x, y and z as words, for instance { x = "forward", y = "left", z = "up" }',
            )
        return value


class Logger(fields.Sheet):
    """Channels and clock of the car's logger."""

    channels: dict[str, Channel] = Field(default_factory=dict)
    imu: Imu = Imu()
    sample_rate: fields.Frequency | None = None
    """Rate of a log without a time column."""
    level: Annotated[list[fields.Time], Field(min_length=2, max_length=2)] | None = None
    """Stretch of log time in which every run stands or runs level: the pots' zero."""
    delimiter: str | None = None
    decimal: str | None = None
    encoding: str | None = None
    header_line: Annotated[int, Field(ge=1)] | None = None
    """Line of the column names, counted from 1."""
    zero: Literal["found", "standing", "calibration"] = "found"
    """What may overrule the pots' calibrated zero: standing or straight running found in a log, standing
    alone, or nothing."""

    @field_validator("channels")
    @classmethod
    def _known_names(cls, value: dict[str, Channel]) -> dict[str, Channel]:
        for name in value:
            if name not in CHANNEL_DIMENSIONS and not _OTHER_CHANNEL.fullmatch(name):
                raise PydanticCustomError(
                    "channel",
                    "{name} is not a house channel; known are {known}",
                    {"name": name, "known": ", ".join(CHANNEL_DIMENSIONS)},
                )
        return value


# The car itself: each table of the sheet, the car as a whole last.


class CornerLoads(fields.Sheet):
    """Scale readings at static ride height, driver in."""

    FL: fields.Weight
    FR: fields.Weight
    RL: fields.Weight
    RR: fields.Weight


class AxleMass(fields.Sheet):
    """Unsprung mass of both wheels of each axle."""

    front: fields.Mass
    rear: fields.Mass


class Place(fields.Sheet):
    """Where a load sits in the car."""

    behind_front_axle: fields.Length
    """Along the car, from the front wheel centres to the load's centre of gravity; negative before them."""
    height: fields.LengthOrZero
    """Of the load's centre of gravity above ground at static ride height."""


class Places(fields.Sheet):
    """Where loads sit that may differ between runs, as the session sheet's conditions state them."""

    fuel: Place | None = None
    """Middle of the fuel; taken about the rear axle, with a wide error, when not given."""
    driver: Place | None = None
    """Taken between the axles at seat height, with a wide error, when not given."""
    passenger: Place | None = None
    """As the driver when not given."""
    ballast: Place | None = None
    """Nothing is taken when not given: what another ballast does is then not predicted."""


class MassSheet(fields.Sheet):
    """Loads and the centre of gravity."""

    corner_loads: CornerLoads
    """What the scales show at each wheel."""
    unsprung: AxleMass
    """Wheels, hubs, brakes and half of the links, both sides of an axle together."""
    cg_height: fields.CgHeight
    """Height of the whole car's centre of gravity above ground at static ride height."""
    wheelbase: fields.Wheelbase
    """Front to rear wheel centres."""
    roll_inertia: fields.Inertia | None = None
    """Of the sprung mass about its roll axis; not needed for gradients."""
    places: Places = Places()
    """Places of loads that may differ between runs."""

    def load(self, corner: Corner) -> Uncertain:
        """Return the static load of a `corner` [N]."""
        loaded: Uncertain = getattr(self.corner_loads, corner)
        return loaded

    @property
    def total_kg(self) -> float:
        """Mass of the whole car [kg]."""
        return sum(self.load(c).value for pair in AXLE_CORNERS.values() for c in pair) / STANDARD_GRAVITY


class TravelTable(fields.Sheet):
    """A motion ratio as measured: wheel travel against damper (or spring) travel, bump positive.

    Measuring and predicting read it alike: a polynomial of degree three at most, by least squares.
    """

    wheel: Annotated[list[fields.Length], Field(min_length=2)]
    damper: Annotated[list[fields.Length], Field(min_length=2)]

    @model_validator(mode="after")
    def _rising(self) -> TravelTable:
        if len(self.wheel) != len(self.damper):
            raise PydanticCustomError("table", "wheel and damper must be lists of the same length")
        for column in (self.wheel, self.damper):
            if any(b.value <= a.value for a, b in pairwise(column)):
                raise PydanticCustomError("table", "wheel and damper must both rise from row to row")
        return self


class LoadCurve(fields.Sheet):
    """A bump stop as measured: compression and load, both from zero upwards."""

    compression: Annotated[list[fields.LengthOrZero], Field(min_length=2)]
    load: Annotated[list[fields.Force], Field(min_length=2)]

    @model_validator(mode="after")
    def _rising(self) -> LoadCurve:
        if len(self.compression) != len(self.load):
            raise PydanticCustomError("curve", "compression and load must be lists of the same length")
        if any(b.value <= a.value for a, b in pairwise(self.compression)):
            raise PydanticCustomError("curve", "compression must rise from row to row")
        return self


class Spring(fields.Sheet):
    """One spring of the axle and its motion ratio."""

    rate: fields.Stiffness
    """Of one spring, at the spring."""
    motion_ratio: fields.Ratio | TravelTable
    """Spring (damper) travel / wheel travel."""


class DamperRates(fields.Sheet):
    """A straight-line damper: force per speed at the damper."""

    bump: fields.Damping
    """In compression."""
    rebound: fields.Damping
    """In extension."""


class Damper(fields.Sheet):
    """One damper of the axle; travel counts from static ride height, compression positive."""

    bump_stop_gap: fields.StopTravel | None = None
    """Damper travel from static ride height to first contact with the bump stop."""
    full_bump: fields.StopTravel | None = None
    """Damper travel from static ride height to the end."""
    full_droop: fields.StopTravel | None = None
    """Extension from static ride height to the end of the damper (written positive)."""
    bump_stop_rate: fields.StopRate | LoadCurve | None = None
    """Rate of the bump stop at the damper, or its measured load curve."""
    motion_ratio: fields.Ratio | TravelTable | None = None
    """Only when the damper is not at the spring: damper travel / wheel travel."""
    rates: DamperRates | None = None
    """Force per speed, for wheel loads."""

    @model_validator(mode="after")
    def _gap_before_end(self) -> Damper:
        gap, end = self.bump_stop_gap, self.full_bump
        if gap is not None and end is not None and gap.value >= end.value:
            raise PydanticCustomError("gap", "bump_stop_gap must be smaller than full_bump")
        return self


class AxleSheet(fields.Sheet):
    """Everything that belongs to one axle."""

    suspension: Literal["independent", "solid axle"] = "independent"
    """A solid axle keeps its wheels upright and has its springs at spring_base."""
    track_width: fields.TrackWidth
    """Between the middles of left and right tyre at static ride height."""
    roll_centre_height: fields.RollCentreHeight
    """Above ground at static ride height; negative below ground."""
    wheel_radius: fields.WheelRadius
    """Height of the wheel centre above ground."""
    camber_gain: fields.CamberGain | None = None
    """Camber change per wheel travel relative to the body; positive leans the wheel's top inwards in bump."""
    tyre_rate: fields.TyreRate | None = None
    """Vertical rate of one tyre; without it tyre roll cannot be told, and the report says so."""
    tyre_rate_with_pressure: fields.Ratio | None = None
    """By what part tyre rate grows when (gauge) pressure grows by one part: 0.7 says that 10 % more pressure
    makes 7 % more rate. 0.7 ± 0.2 taken when not given."""
    spring: Spring
    spring_base: fields.TrackWidth | None = None
    """Solid axle only: distance between left and right spring; springs act there, not at the track."""
    damper: Damper = Damper()
    bar: Bar = NoBar(kind="none")

    @property
    def damper_motion_ratio(self) -> Uncertain | TravelTable:
        """Damper travel / wheel travel."""
        return self.spring.motion_ratio if self.damper.motion_ratio is None else self.damper.motion_ratio


class CarSheet(fields.Sheet):
    """One car as measured in the workshop."""

    name: str
    notes: str = ""
    mass: MassSheet
    front: AxleSheet
    rear: AxleSheet
    chassis_stiffness: fields.TorsionalStiffness | None = None
    """Torsional stiffness of the shell between the axles; rigid when not given."""
    logger: Logger = Logger()
    shelf: Shelf = Shelf()
    """Further springs, tubes and blades at hand, among which the next setting may be chosen."""

    @model_validator(mode="after")
    def _shelf_fits(self) -> CarSheet:
        """Refuse a part on the shelf that can be welded to no other part at hand."""
        for axle in AXLES:
            bar, shelf = self.axle(axle).bar, self.shelf.front if axle == "front" else self.shelf.rear
            if not isinstance(bar, BladedBar):
                continue
            tubes, blades = [bar.tube, *shelf.tubes], [bar.blade, *shelf.blades]
            found = {
                **{f"tubes[{n}]": [weld_problem(t, b) for b in blades] for n, t in enumerate(tubes)},
                **{f"blades[{n}]": [weld_problem(t, b) for t in tubes] for n, b in enumerate(blades)},
            }
            # Number 0 of each is the fitted one, which goes with its partner or the bar was refused.
            for part, problems in found.items():
                if None not in problems:
                    raise PydanticCustomError(
                        "weld",
                        "shelf.{part}: {problem}",
                        {"part": f"{axle}.{part}", "problem": problems[0]},
                    )
        return self

    def axle(self, axle: Axle) -> AxleSheet:
        """Return the sheet of one `axle`."""
        return self.front if axle == "front" else self.rear
