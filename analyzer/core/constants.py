"""Physical constants and house-wide names."""

from __future__ import annotations

from typing import Final, Literal

STANDARD_GRAVITY: Final = 9.80665
"""Standard acceleration of free fall [m/s2] (CGPM 1901, ISO 80000-3)."""

Axle = Literal["front", "rear"]
Corner = Literal["FL", "FR", "RL", "RR"]

AXLES: Final[tuple[Axle, ...]] = ("front", "rear")
CORNERS: Final[tuple[Corner, ...]] = ("FL", "FR", "RL", "RR")
AXLE_CORNERS: Final[dict[Axle, tuple[Corner, Corner]]] = {"front": ("FL", "FR"), "rear": ("RL", "RR")}
"""Left and right corner of each axle, in this order."""

STOPPED: Final = 130
"""Exit code after an interrupt from the keyboard (128 + 2, the shells' rule for signal SIGINT)."""
STOPPED_LINE: Final = "stopped; nothing was left half written"
