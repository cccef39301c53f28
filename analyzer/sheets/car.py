"""The car sheet: masses, geometry, springs, dampers, bars, logger and parts at hand of one car."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Annotated, Final, Literal

from pydantic import Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from analyzer.core.units import AXLE_CORNERS, AXLES, CORNERS, STANDARD_GRAVITY, Axle, Corner, Uncertain
from analyzer.sheets import fields
from analyzer.sheets.bar import Bar, Blade, BladedBar, NoBar, Tube, weld_problem
from analyzer.sheets.fields import Sheet


class AxleShelf(Sheet):
    """Parts at hand for one axle, beside those that are fitted."""

    springs: list[fields.Stiffness] = Field(max_length=20, default_factory=list)
    """Rates of further springs, of one spring each."""
    tubes: list[Tube] = Field(max_length=20, default_factory=list)
    """Further tubes for the bladed bar."""
    blades: list[Blade] = Field(max_length=20, default_factory=list)
    """Further blades for the bladed bar, with the same holes."""


class Shelf(fields.Sheet):
    """Parts at hand."""

    front: AxleShelf = AxleShelf()
    """For the front axle."""
    rear: AxleShelf = AxleShelf()
    """For the rear axle."""


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
    """Name of its column in the log."""
    file: str | None = None
    """Which file is meant where several of a run have a column of that name: part of the file's name, or a
    pattern."""
    unit: str | None = None
    """Unit of the column, where it holds a physical quantity; taken from the log when not given."""
    volts: Annotated[list[float], Field(min_length=2)] | None = None
    """In place of a unit: readings of the sensor (volts or counts) at the travels below."""
    travel: Annotated[list[_Travel], Field(min_length=2)] | None = None
    """Damper travel at each of the readings in `volts`."""
    sign: Annotated[int, Field(ge=-1, le=1)] = 1
    """-1 for a sensor that is wired or mounted the other way round."""
    static: str | None = None
    """Reading at static ride height, as calibrated travel; this becomes zero."""

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
    """In front of the centre of gravity; negative behind it."""
    y: fields.Length = Uncertain(0.0, None)
    """To the left of it; negative to the right."""
    z: fields.Length = Uncertain(0.0, None)
    """Above it; negative below."""


class Lean(fields.Sheet):
    """How the inertial unit is tilted against the car; axes ISO 8855, x forward, y left, z up."""

    roll: fields.Angle = Uncertain(0.0, None)
    """About x: positive tilts it to the right."""
    pitch: fields.Angle = Uncertain(0.0, None)
    """About y: positive tilts it nose down."""
    yaw: fields.Angle = Uncertain(0.0, None)
    """About z: positive turns it to the left."""


class Imu(fields.Sheet):
    """Where the inertial unit sits and how it is turned."""

    position: Position = Position()
    """Where it is mounted, good to 50 mm without ±; within 0.3 m of the centre of gravity when not given."""
    axes: dict[str, str] = Field(default_factory=dict)
    """Which sensor axis points where: "forward", "backward", "left", "right", "up" or "down"; as the channels
    are named when not given."""
    lean: Lean | None = None
    """Tilt of the unit as measured on the car; found from each log when not given."""

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
    """Channels by their names in this program: damper_FL, damper_FR, damper_RL, damper_RR, accel_x, accel_y,
    accel_z, gyro_x, gyro_y, gyro_z, speed, steer_angle, latitude, longitude, time; others as other_NAME."""
    imu: Imu = Imu()
    """The inertial unit: accelerometers and gyros."""
    sample_rate: fields.Frequency | None = None
    """Rate of a log without a time column."""
    level: Annotated[list[fields.Time], Field(min_length=2, max_length=2)] | None = None
    """Start and end, in log time, of a stretch in which every run is at rest or drives straight on level
    ground: the pots are zeroed there."""
    delimiter: str | None = None
    """Character between the cells; recognised when not given."""
    decimal: str | None = None
    """Decimal mark, "." or ","; recognised when not given."""
    encoding: str | None = None
    """Text encoding; recognised when not given."""
    header_line: Annotated[int, Field(ge=1)] | None = None
    """Line of the column names, counted from 1; recognised when not given."""
    zero: Literal["found", "standing", "calibration"] = "found"
    """What may replace the pots' calibrated zero: "found", the car at rest or driving straight in a log;
    "standing", the car at rest alone; "calibration", nothing."""

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
    """Front left."""
    FR: fields.Weight
    """Front right."""
    RL: fields.Weight
    """Rear left."""
    RR: fields.Weight
    """Rear right."""


class AxleMass(fields.Sheet):
    """Unsprung mass of each axle, both wheels together."""

    front: fields.Mass
    """Of the front axle."""
    rear: fields.Mass
    """Of the rear axle; of a solid axle all of it."""


class Place(fields.Sheet):
    """Where a load sits in the car."""

    behind_front_axle: fields.Length
    """Along the car, from the front wheel centres to the load's centre of gravity; negative before them."""
    height: fields.LengthOrZero
    """Of the load's centre of gravity above ground at static ride height."""


class Places(fields.Sheet):
    """Where loads are that may differ between runs, as the session sheet's conditions state them."""

    fuel: Place | None = None
    """Centre of the fuel; near the rear axle, with a wide error, when not given."""
    driver: Place | None = None
    """Centre of the driver; between the axles at seat height, with a wide error, when not given."""
    passenger: Place | None = None
    """Centre of a passenger; as the driver when not given."""
    ballast: Place | None = None
    """Centre of the ballast; when not given, the effect of a change of ballast is not predicted."""


class MassSheet(fields.Sheet):
    """Loads and the centre of gravity."""

    corner_loads: CornerLoads
    """Reading of the scale under each wheel."""
    unsprung: AxleMass
    """Wheels, hubs, brakes and half of the links, both sides of an axle together."""
    cg_height: fields.CgHeight
    """Height of the whole car's centre of gravity above ground at static ride height."""
    wheelbase: fields.Wheelbase
    """Between front and rear wheel centres."""
    roll_inertia: fields.Inertia | None = None
    """Moment of inertia of the sprung mass about its roll axis; not needed for gradients."""
    places: Places = Places()
    """Where loads are that may differ between runs: fuel, driver, passenger, ballast."""

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
    """Wheel travel of each row, rising."""
    damper: Annotated[list[fields.Length], Field(min_length=2)]
    """Damper (or spring) travel of each row."""

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
    """Compression of the bump stop in each row, from zero, rising."""
    load: Annotated[list[fields.Force], Field(min_length=2)]
    """Load at each compression."""

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
    """Rate of one spring, at the spring."""
    motion_ratio: fields.Ratio | TravelTable
    """Spring travel / wheel travel, as a number or as a table of measured travels."""


class DamperRates(fields.Sheet):
    """A straight-line damper: force per speed at the damper."""

    bump: fields.Damping
    """In compression (bump)."""
    rebound: fields.Damping
    """In extension (rebound)."""


class Damper(fields.Sheet):
    """One damper of the axle; travel counts from static ride height, compression positive."""

    bump_stop_gap: fields.StopTravel | None = None
    """Damper travel from static ride height to first contact with the bump stop."""
    full_bump: fields.StopTravel | None = None
    """Damper travel from static ride height to the end of compression."""
    full_droop: fields.StopTravel | None = None
    """Damper travel from static ride height to full extension, as a positive figure."""
    bump_stop_rate: fields.StopRate | LoadCurve | None = None
    """Rate of the bump stop at the damper, or its measured load curve."""
    motion_ratio: fields.Ratio | TravelTable | None = None
    """Only when the damper is not at the spring: damper travel / wheel travel."""
    rates: DamperRates | None = None
    """Damping, for wheel loads."""

    @model_validator(mode="after")
    def _gap_before_end(self) -> Damper:
        gap, end = self.bump_stop_gap, self.full_bump
        if gap is not None and end is not None and gap.value >= end.value:
            raise PydanticCustomError("gap", "bump_stop_gap must be smaller than full_bump")
        return self


class AxleSheet(fields.Sheet):
    """Everything that belongs to one axle."""

    suspension: Literal["independent", "solid axle"] = "independent"
    """Kind of suspension. A solid axle keeps its wheels upright and has its springs at `spring_base`."""
    track_width: fields.TrackWidth
    """Between the centres of the left and right tyre at static ride height."""
    roll_centre_height: fields.RollCentreHeight
    """Height of the roll centre above ground at static ride height; negative below ground."""
    wheel_radius: fields.WheelRadius
    """Height of the wheel centre above ground."""
    camber_gain: fields.CamberGain | None = None
    """Camber change per wheel travel relative to the body; positive leans the wheel's top inwards in bump."""
    tyre_rate: fields.TyreRate | None = None
    """Vertical rate of one tyre; without it the roll on the tyres stays unknown, and the report says so."""
    tyre_rate_with_pressure: fields.Ratio | None = None
    """Relative change of tyre rate per relative change of (gauge) pressure: at 0.7, 10 % more pressure makes
    the rate 7 % higher. 0.7 ± 0.2 when not given."""
    spring: Spring
    """The springs, both alike."""
    spring_base: fields.TrackWidth | None = None
    """Solid axle only: distance between left and right spring."""
    damper: Damper = Damper()
    """The dampers with their stops, both alike."""
    bar: Bar = NoBar(kind="none")
    """The anti-roll bar: with blades, formed (bent from one piece), or none."""

    @property
    def damper_motion_ratio(self) -> Uncertain | TravelTable:
        """Damper travel / wheel travel."""
        return self.spring.motion_ratio if self.damper.motion_ratio is None else self.damper.motion_ratio


class CarSheet(fields.Sheet):
    """One car as measured in the workshop."""

    name: str
    """Name of the car, for headings."""
    notes: str = ""
    """Anything worth remembering; not evaluated."""
    mass: MassSheet
    """Loads, masses and the centre of gravity."""
    front: AxleSheet
    """The front axle."""
    rear: AxleSheet
    """The rear axle."""
    chassis_stiffness: fields.TorsionalStiffness | None = None
    """Torsional stiffness of the shell between the axles; rigid when not given."""
    logger: Logger = Logger()
    """Channels and clock of the data logger."""
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
