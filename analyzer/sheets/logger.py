"""The logger part of a car sheet: where each house channel is in the log and how to calibrate it."""

from __future__ import annotations

import re
from typing import Annotated, Final, Literal

from pydantic import Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from analyzer.constants import CORNERS
from analyzer.sheets.fields import Frequency, Length, Sheet, Time, quantity
from analyzer.uncertain import Uncertain

CHANNEL_DIMENSIONS: Final[dict[str, str]] = {
    **{f"damper_{corner}": "length" for corner in CORNERS},
    "accel_x": "acceleration",
    "accel_y": "acceleration",
    "accel_z": "acceleration",
    "gyro_x": "angular_rate",
    "gyro_y": "angular_rate",
    "gyro_z": "angular_rate",
    "speed": "speed",
    "steer_angle": "angle",
    "latitude": "angle",
    "longitude": "angle",
    "time": "time",
}
"""House channels a log can feed, with the dimension of their SI unit. Glossary: docs/nomenclature.md."""

_Travel = Annotated[Uncertain, quantity("length", -10.0, 10.0)]


class Channel(Sheet):
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
            steps = [b - a for a, b in zip(self.volts, self.volts[1:], strict=False)]
            if not (all(s > 0 for s in steps) or all(s < 0 for s in steps)):
                raise PydanticCustomError("pairs", "volts must rise or fall all the way")
            if self.unit is not None:
                raise PydanticCustomError("pairs", "give either a unit or volts and travel, not both")
        return self


class Position(Sheet):
    """Position of the IMU from the sprung CG, ISO 8855 axes (x forward, y left, z up)."""

    x: Length = Uncertain(0.0, None)
    y: Length = Uncertain(0.0, None)
    z: Length = Uncertain(0.0, None)


class Imu(Sheet):
    """Where the inertial unit sits and how it is turned."""

    position: Position = Position()
    axes: dict[str, str] = Field(default_factory=dict)
    """Optional: which sensor axis points where, for instance { x = "left", y = "backward", z = "up" }."""

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


class Logger(Sheet):
    """Channels and clock of the car's logger."""

    channels: dict[str, Channel] = Field(default_factory=dict)
    imu: Imu = Imu()
    sample_rate: Frequency | None = None
    """Rate of a log without a time column."""
    level: Annotated[list[Time], Field(min_length=2, max_length=2)] | None = None
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
            if name not in CHANNEL_DIMENSIONS and not re.fullmatch(r"other_[A-Za-z0-9_]+", name):
                raise PydanticCustomError(
                    "channel",
                    "{name} is not a house channel; known are {known}",
                    {"name": name, "known": ", ".join(CHANNEL_DIMENSIONS)},
                )
        return value
