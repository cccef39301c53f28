"""The anti-roll bar part of a car sheet: what is fitted to an axle, as the builder measures it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from analyzer.sheets.fields import LengthOrZero, PositiveLength, Ratio, Sheet, Stiffness


class Tube(Sheet):
    """The torsion member across the car; solid when no wall is given."""

    material: str = "4130"
    outside_diameter: PositiveLength
    wall: PositiveLength | None = None
    length: PositiveLength
    """Between the centre lines of the two blades."""

    @model_validator(mode="after")
    def _wall_fits(self) -> Tube:
        if self.wall is not None and 2.0 * self.wall.value > self.outside_diameter.value:
            raise PydanticCustomError(
                "wall", "wall is more than half of outside_diameter; leave wall out for a solid bar"
            )
        return self


class Mounts(Sheet):
    """The two bearings that carry the tube."""

    spacing: PositiveLength
    rate: Stiffness | None = None
    """Radial rate of one mount; rigid when not given."""


class Blade(Sheet):
    """The lever at each end of the tube, of rectangular section."""

    material: str = "spring steel"
    depth: PositiveLength
    """Side of the section in the direction of the link force."""
    thickness: PositiveLength
    """Side of the section along the tube."""


class Spacer(Sheet):
    """Spacers between blade and rod end; each moves the link sideways by its thickness."""

    thickness: PositiveLength
    side: Literal["outboard", "inboard"] = "outboard"
    most: Annotated[int, Field(ge=0, le=20)] = 0


class Bolt(Sheet):
    """The bolt that carries the rod end on the blade."""

    diameter: PositiveLength
    material: str = "steel"


class Link(Sheet):
    """The link between blade and suspension."""

    rate: Stiffness | None = None
    """Axial rate of one link with its two rod ends; rigid when not given."""


class BladedBar(Sheet):
    """A tube with a blade at each end."""

    kind: Literal["bladed"]
    motion_ratio: Ratio
    """Link travel at the bar / wheel travel."""
    tube: Tube
    mounts: Mounts
    blade: Blade
    holes: Annotated[list[PositiveLength], Field(min_length=1, max_length=20)]
    """Lever arms; hole 1 is the outermost, the softest."""
    spacer: Spacer | None = None
    bolt: Bolt | None = None
    link: Link | None = None
    base_offset: LengthOrZero | None = None
    """Offset of the rod end from the blade's centre plane without any spacer."""

    @model_validator(mode="after")
    def _possible(self) -> BladedBar:
        levers = [hole.value for hole in self.holes]
        if levers != sorted(levers, reverse=True):
            raise PydanticCustomError("holes", "holes must run from the outermost (longest lever) inwards")
        if self.mounts.spacing.value > self.tube.length.value:
            raise PydanticCustomError("mounts", "mounts.spacing is longer than tube.length")
        return self


class NoBar(Sheet):
    """No bar on this axle."""

    kind: Literal["none"]


Bar = Annotated[BladedBar | NoBar, Field(discriminator="kind")]
