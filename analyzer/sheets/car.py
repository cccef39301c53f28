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
    CgHeight,
    Damping,
    Force,
    Inertia,
    Length,
    LengthOrZero,
    Mass,
    Ratio,
    RollCentreHeight,
    Sheet,
    Stiffness,
    StopRate,
    StopTravel,
    TorsionalStiffness,
    TrackWidth,
    TyreRate,
    Weight,
    Wheelbase,
    WheelRadius,
)
from analyzer.sheets.logger import Logger
from analyzer.sheets.shelf import Shelf
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
    """What the scales show at each wheel."""
    unsprung: AxleMass
    """Wheels, hubs, brakes and half of the links, both sides of an axle together."""
    cg_height: CgHeight
    """Height of the whole car's centre of gravity above ground at static ride height."""
    wheelbase: Wheelbase
    """Front to rear wheel centres."""
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
    """Of one spring, at the spring."""
    motion_ratio: Ratio | TravelTable
    """Spring (damper) travel / wheel travel."""


class DamperRates(Sheet):
    """A straight-line damper: force per speed at the damper."""

    bump: Damping
    """In compression."""
    rebound: Damping
    """In extension."""


class Damper(Sheet):
    """One damper of the axle; travel counts from static ride height, compression positive."""

    bump_stop_gap: StopTravel | None = None
    """Damper travel from static ride height to first contact with the bump stop."""
    full_bump: StopTravel | None = None
    """Damper travel from static ride height to the end."""
    full_droop: StopTravel | None = None
    """Extension from static ride height to the end of the damper (written positive)."""
    bump_stop_rate: StopRate | LoadCurve | None = None
    """Rate of the bump stop at the damper, or its measured load curve."""
    motion_ratio: Ratio | TravelTable | None = None
    """Only when the damper is not at the spring: damper travel / wheel travel."""
    rates: DamperRates | None = None
    """Force per speed, for wheel loads."""

    @model_validator(mode="after")
    def _gap_before_end(self) -> Damper:
        gap, end = self.bump_stop_gap, self.full_bump
        if gap is not None and end is not None and gap.value >= end.value:
            raise PydanticCustomError("gap", "bump_stop_gap must be smaller than full_bump")
        return self


class AxleSheet(Sheet):
    """Everything that belongs to one axle."""

    suspension: Literal["independent", "solid axle"] = "independent"
    """A solid axle keeps its wheels upright and has its springs at spring_base."""
    track_width: TrackWidth
    """Between the middles of left and right tyre at static ride height."""
    roll_centre_height: RollCentreHeight
    """Above ground at static ride height; negative below ground."""
    wheel_radius: WheelRadius
    """Height of the wheel centre above ground."""
    camber_gain: CamberGain | None = None
    """Camber change per wheel travel relative to the body; positive leans the wheel's top inwards in bump."""
    tyre_rate: TyreRate | None = None
    """Vertical rate of one tyre; without it tyre roll cannot be told, and the report says so."""
    spring: Spring
    spring_base: TrackWidth | None = None
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
    shelf: Shelf = Shelf()
    """Further springs, tubes and blades at hand, among which the next setting may be chosen."""

    def axle(self, axle: Axle) -> AxleSheet:
        """Return the sheet of one `axle`."""
        return self.front if axle == "front" else self.rear
