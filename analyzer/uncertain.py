"""A number from a sheet with its standard uncertainty."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Uncertain:
    """A quantity the user wrote, in SI units.

    Parameters
    ----------
    value : float
        Value [SI unit of its dimension].
    std : float or None
        Standard uncertainty (the figure after ±) in the same unit; None when the sheet states none.
    """

    value: float
    std: float | None = None

    def __float__(self) -> float:
        return self.value

    def scaled(self, factor: float) -> Uncertain:
        """Return this quantity times an exact `factor`."""
        return Uncertain(self.value * factor, None if self.std is None else abs(factor) * self.std)
