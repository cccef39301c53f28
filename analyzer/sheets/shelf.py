"""What else the builder has at hand for an axle: the parts among which a next setting may be chosen."""

from __future__ import annotations

from pydantic import Field

from analyzer.sheets.bar import Blade, Tube
from analyzer.sheets.fields import Sheet, Stiffness


class AxleShelf(Sheet):
    """Parts at hand for one axle, beside those that are fitted."""

    springs: list[Stiffness] = Field(max_length=20, default_factory=list)
    """Rates of further springs, at the spring."""
    tubes: list[Tube] = Field(max_length=20, default_factory=list)
    """Further tubes of a bladed bar."""
    blades: list[Blade] = Field(max_length=20, default_factory=list)
    """Further blades of a bladed bar, with the same holes."""


class Shelf(Sheet):
    """Parts at hand."""

    front: AxleShelf = AxleShelf()
    rear: AxleShelf = AxleShelf()
