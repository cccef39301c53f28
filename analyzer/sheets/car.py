"""The car sheet: masses, geometry, springs, dampers, bars and logger of one car."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from analyzer.constants import AXLE_CORNERS, STANDARD_GRAVITY, Axle, Corner
from analyzer.sheets.bar import Bar, NoBar
from analyzer.sheets.fields import (
    CamberGain,
    Damping,
    Force,
    Inertia,
    Length,
    LengthOrZero,
    Mass,
    PositiveLength,
    Ratio,
    Sheet,
    Stiffness,
    TorsionalStiffness,
    Weight,
)
from analyzer.sheets.logger import Logger
from analyzer.uncertain import Uncertain


class CornerLoads(Sheet):
    """Scale readings at static ride height, driver in."""

    FL: Weight
    FR: Weight
    RL: Weight
    RR: Weight


class AxleMass(Sheet):
    """Unsprung mass of both wheels of each axle."""

    front: Mass
    rear: Mass


class MassSheet(Sheet):
    """Loads and the centre of gravity."""

    corner_loads: CornerLoads
    unsprung: AxleMass
    cg_height: PositiveLength
    """Height of the whole car's centre of gravity above ground at static ride height."""
    wheelbase: PositiveLength
    roll_inertia: Inertia | None = None
    """Of the sprung mass about its roll axis; not needed for gradients."""

    def load(self, corner: Corner) -> Uncertain:
        """Return the static load of a `corner` [N]."""
        loaded: Uncertain = getattr(self.corner_loads, corner)
        return loaded

    @property
    def total_kg(self) -> float:
        """Mass of the whole car [kg]."""
        return sum(self.load(c).value for pair in AXLE_CORNERS.values() for c in pair) / STANDARD_GRAVITY


class TravelTable(Sheet):
    """A motion ratio as measured: wheel travel against damper (or spring) travel, bump positive."""

    wheel: Annotated[list[Length], Field(min_length=2)]
    damper: Annotated[list[Length], Field(min_length=2)]

    @model_validator(mode="after")
    def _rising(self) -> TravelTable:
        if len(self.wheel) != len(self.damper):
            raise PydanticCustomError("table", "wheel and damper must be lists of the same length")
        for column in (self.wheel, self.damper):
            if any(b.value <= a.value for a, b in pairwise(column)):
                raise PydanticCustomError("table", "wheel and damper must both rise from row to row")
        return self


class LoadCurve(Sheet):
    """A bump stop as measured: compression and load, both from zero upwards."""

    compression: Annotated[list[LengthOrZero], Field(min_length=2)]
    load: Annotated[list[Force], Field(min_length=2)]

    @model_validator(mode="after")
    def _rising(self) -> LoadCurve:
        if len(self.compression) != len(self.load):
            raise PydanticCustomError("curve", "compression and load must be lists of the same length")
        if any(b.value <= a.value for a, b in pairwise(self.compression)):
            raise PydanticCustomError("curve", "compression must rise from row to row")
        return self


class Spring(Sheet):
    """One spring of the axle and its motion ratio."""

    rate: Stiffness
    motion_ratio: Ratio | TravelTable
    """Spring (damper) travel / wheel travel."""


class DamperRates(Sheet):
    """A straight-line damper: force per speed at the damper."""

    bump: Damping
    rebound: Damping


class Damper(Sheet):
    """One damper of the axle; travel counts from static ride height, compression positive."""

    bump_stop_gap: LengthOrZero | None = None
    full_bump: PositiveLength | None = None
    full_droop: PositiveLength | None = None
    """Extension from static ride height to the end of the damper (written positive)."""
    bump_stop_rate: Stiffness | LoadCurve | None = None
    motion_ratio: Ratio | TravelTable | None = None
    """Only when the damper is not at the spring: damper travel / wheel travel."""
    rates: DamperRates | None = None

    @model_validator(mode="after")
    def _gap_before_end(self) -> Damper:
        gap, end = self.bump_stop_gap, self.full_bump
        if gap is not None and end is not None and gap.value >= end.value:
            raise PydanticCustomError("gap", "bump_stop_gap must be smaller than full_bump")
        return self


class AxleSheet(Sheet):
    """Everything that belongs to one axle."""

    suspension: Literal["independent", "solid axle"] = "independent"
    track_width: PositiveLength
    roll_centre_height: Length
    wheel_radius: PositiveLength
    camber_gain: CamberGain | None = None
    """Camber change per wheel travel relative to the body; positive leans the wheel's top inwards in bump."""
    tyre_rate: Stiffness | None = None
    spring: Spring
    spring_base: PositiveLength | None = None
    """Solid axle only: distance between left and right spring; springs act there, not at the track."""
    damper: Damper = Damper()
    bar: Bar = NoBar(kind="none")

    @property
    def damper_motion_ratio(self) -> Uncertain | TravelTable:
        """Damper travel / wheel travel."""
        return self.spring.motion_ratio if self.damper.motion_ratio is None else self.damper.motion_ratio


class CarSheet(Sheet):
    """One car as measured in the workshop."""

    name: str
    notes: str = ""
    mass: MassSheet
    front: AxleSheet
    rear: AxleSheet
    chassis_stiffness: TorsionalStiffness | None = None
    """Torsional stiffness of the shell between the axles; rigid when not given."""
    logger: Logger = Logger()

    def axle(self, axle: Axle) -> AxleSheet:
        """Return the sheet of one `axle`."""
        return self.front if axle == "front" else self.rear
