"""Units as people write them, to SI: of a sheet's quantities, of a log's columns, and of what is shown.

Sheets hold text such as ``"65 N/mm"``, ``"0.47 m ± 0.02 m"`` or ``"9.1 in ± 1 %"``. Everything behind this
module is SI; reports convert back with the constants here. The names all rooms give the places of a car
stand first.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

if TYPE_CHECKING:
    import pint

STANDARD_GRAVITY: Final = 9.80665
"""Standard acceleration of free fall [m/s2] (CGPM 1901, ISO 80000-3)."""
EARTH_RADIUS: Final = 6371008.8
"""Mean radius of the Earth [m] (IUGG). In a plane of a few km its flattening changes lengths by 0.3 %."""

Axle = Literal["front", "rear"]
Corner = Literal["FL", "FR", "RL", "RR"]

AXLES: Final[tuple[Axle, ...]] = ("front", "rear")
CORNERS: Final[tuple[Corner, ...]] = ("FL", "FR", "RL", "RR")
AXLE_CORNERS: Final[dict[Axle, tuple[Corner, Corner]]] = {"front": ("FL", "FR"), "rear": ("RL", "RR")}
"""Left and right corner of each axle, in this order."""

DEG_PER_RAD: Final = 180.0 / math.pi
MM_PER_M: Final = 1000.0
KM_PER_H: Final = 3.6
LARGEST_PERCENT: Final = 100.0
"""A tolerance beyond this part of its value says nothing of the value."""
RAD_PER_MPS2_TO_DEG_PER_G: Final = DEG_PER_RAD * STANDARD_GRAVITY
"""Factor from rad/(m/s2) to deg/g."""

_DEG: Final = math.pi / 180.0
_G: Final = STANDARD_GRAVITY


class Dimension(NamedTuple):
    """A kind of quantity: its SI unit, a value that would do, and the usual units with their factor to SI."""

    si: str
    example: str
    log_units: Mapping[str, float] = MappingProxyType({})
    """What columns of logs are in."""
    sheet_units: Mapping[str, float] = MappingProxyType({})
    """What sheets state beside these."""


DIMENSIONS: Final[dict[str, Dimension]] = {
    "length": Dimension(
        "m", "27.5 mm", {"m": 1.0, "mm": 1e-3, "cm": 1e-2, "in": 0.0254, "inch": 0.0254, "um": 1e-6}
    ),
    "acceleration": Dimension(
        "m/s^2", "9.81 m/s^2", {
            "m/s2": 1.0, "m/s^2": 1.0, "m/s/s": 1.0, "g": _G, "gn": _G, "gee": _G, "mg": _G / 1000.0,
            "ft/s2": 0.3048, "ft/s^2": 0.3048,
        },
    ),
    "angular_rate": Dimension(
        "rad/s", "30 deg/s", {
            "rad/s": 1.0, "deg/s": _DEG, "dps": _DEG, "deg/sec": _DEG, "mdps": _DEG / 1000.0, "mrad/s": 1e-3,
        },
    ),
    "speed": Dimension(
        "m/s", "18 m/s", {
            "m/s": 1.0, "km/h": 1 / 3.6, "kph": 1 / 3.6, "kmh": 1 / 3.6, "mph": 0.44704,
            "kn": 1852 / 3600, "knots": 1852 / 3600,
        },
    ),
    "angle": Dimension("rad", "12 deg", {"rad": 1.0, "deg": _DEG, "degrees": _DEG, "mrad": 1e-3}),
    "time": Dimension(
        "s", "2 s", {
            "s": 1.0, "sec": 1.0, "seconds": 1.0, "ms": 1e-3, "msec": 1e-3, "us": 1e-6, "ns": 1e-9,
            "min": 60.0, "h": 3600.0,
        },
    ),
    "mass": Dimension("kg", "76 kg", sheet_units={"kg": 1.0}),
    "force": Dimension("N", "331 kgf", sheet_units={"N": 1.0, "kgf": _G}),
    "weight": Dimension("N", "331 kgf", sheet_units={"kg": _G, "N": 1.0, "kgf": _G}),
    "stiffness": Dimension("N/m", "65 N/mm", sheet_units={"N/mm": 1e3, "kN/mm": 1e6, "N/m": 1.0}),
    "damping": Dimension("N s/m", "3000 N s/m", sheet_units={"N s/m": 1.0, "N s/mm": 1e3}),
    "camber_gain": Dimension("rad/m", "20 deg/m ± 8 deg/m", sheet_units={"deg/m": _DEG}),
    "frequency": Dimension("Hz", "100 Hz", sheet_units={"Hz": 1.0}),
    "stress": Dimension("Pa", "650 MPa", sheet_units={"MPa": 1e6, "GPa": 1e9}),
    "pressure": Dimension("Pa", "190 kPa", sheet_units={"kPa": 1e3, "bar": 1e5}),
    "volume": Dimension("m^3", "20 l", sheet_units={"l": 1e-3}),
    "inertia": Dimension("kg m^2", "450 kg m^2", sheet_units={"kg m^2": 1.0}),
    "torsional_stiffness": Dimension("N m/rad", "9000 N m/deg", sheet_units={"N m/deg": DEG_PER_RAD}),
    "number": Dimension("", "0.94 ± 0.01", sheet_units={"": 1.0}),
}  # fmt: skip
"""The one table of units. The unit registry knows far more and costs 0.4 s to start, so it is asked only for
what does not stand here."""


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


_NUMBER: Final = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_VALUE: Final = re.compile(rf"({_NUMBER})\s*(.*)", re.DOTALL)
# Words, products, quotients and one-digit powers: the parser would work out any arithmetic it is given,
# towers of powers included, and sheets come from other people too.
_UNIT: Final = re.compile(r"(?:[A-Za-zµΩ%°_]++(?:\^-?\d)?|[ */()·²³]|1(?=/))*")
_COMMA: Final = re.compile(r"\d,\d")
_WITH_COMMAS: Final = re.compile(r"\d[\d,.]*")
_PLUS_MINUS: Final = re.compile(r"±|\+/-|\+-")
_POWER: Final = re.compile(r"(?<=[A-Za-z])(?=\d)")


class UnitError(ValueError):
    """Text that is not a quantity of the wanted dimension; the message says what was expected."""


@cache
def _registry() -> pint.UnitRegistry[float]:
    """Return the one unit registry, built on first use."""
    import pint

    units: pint.UnitRegistry[float] = pint.UnitRegistry(cache_folder=None)
    # Words of the trade that the registry does not know by itself.
    units.define("kgf_per_mm = kilogram_force / millimeter")
    units.define("standard_g = 9.80665 * meter / second ** 2")
    units.define("milli_g = 0.001 * standard_g")
    return units


def parse_quantity(text: object, dimension: str, example: str | None = None) -> Uncertain:
    """Read ``"value unit"``, optionally ``± tolerance``, as SI.

    Parameters
    ----------
    text : object
        What stands in the sheet; a bare number is accepted for the dimension ``number`` only.
    dimension : str
        A key of `DIMENSIONS`. ``weight`` accepts a force or a mass (weighed by standard gravity, as
        scales do); ``stiffness`` reads the trade's kg/mm as kgf/mm.
    example : str, optional
        A value that would do, for the message; the usual one of the dimension if not given.

    Returns
    -------
    Uncertain
        Value and standard uncertainty [SI]; the tolerance after ± is a standard uncertainty, in the
        value's own unit, in another unit of the same kind, or in percent of the value.

    Raises
    ------
    UnitError
        One line that says what is wrong and gives a value that would do.
    """
    example = example or DIMENSIONS[dimension].example
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        raise UnitError(f'is not a quantity; write for instance "{example}"')
    if isinstance(text, (int, float)):
        if dimension != "number":
            raise UnitError(f'has no unit; write for instance "{example}"')
        return Uncertain(_finite(text, example))
    if len(text) > 200:
        raise UnitError(f'is too long for a quantity; write for instance "{example}"')
    return _read(text, dimension, example)


# A page that works out a bar while it is typed reads the same sheet again and again.
@lru_cache(maxsize=2048)
def _read(text: str, dimension: str, example: str) -> Uncertain:
    if _COMMA.search(text):
        raise UnitError(f'"{text}" has a comma; write {_without_commas(text)}')
    parts = _PLUS_MINUS.split(text)
    if len(parts) > 2:
        raise UnitError(f'has more than one ±; write for instance "{example}"')
    number, unit = _split(parts[0], text, example)
    value = _to_si(number, unit, dimension, text, example)
    if len(parts) == 1:
        return Uncertain(value)
    return Uncertain(value, _tolerance(parts[1], value, unit, dimension, text, example))


def unit_factor(unit: str, dimension: str) -> float:
    """Return the factor from a log's `unit` ("mm", "g", "km/h", "deg/s") to SI.

    Raises
    ------
    UnitError
        When the unit is unknown or of another dimension.
    """
    return _to_si(1.0, unit, dimension, unit, DIMENSIONS[dimension].example)


def _without_commas(text: str) -> str:
    """Return how numbers with a comma are to be written: one comma marks the decimals, more the thousands."""

    def mended(match: re.Match[str]) -> str:
        number = match.group()
        thousands = "." in number or number.count(",") > 1
        return number.replace(",", "" if thousands else ".")

    return _WITH_COMMAS.sub(mended, text.strip())


def _split(part: str, text: str, example: str) -> tuple[float, str]:
    match = _VALUE.fullmatch(part.strip())
    if match is None:
        raise UnitError(f'"{text}" does not start with a number; write for instance "{example}"')
    return _finite(float(match.group(1)), example), match.group(2)


LARGEST: Final = 1e20
"""Nothing of a car is larger in SI, or in a unit of the trade; beside it squares and sums stay finite."""


def _finite(number: float, example: str) -> float:
    # A whole number of a sheet may have thousands of digits, so it is compared before it is converted.
    if isinstance(number, float) and not math.isfinite(number):
        raise UnitError(f'is not a finite number; write for instance "{example}"')
    if abs(number) > LARGEST:
        raise UnitError(f'is not a number that anything measures; write for instance "{example}"')
    return float(number)


def _tolerance(part: str, value: float, value_unit: str, dimension: str, text: str, example: str) -> float:
    number, unit = _split(part, text, example)
    if number < 0.0:
        raise UnitError(f'"{text}" has a negative tolerance; write it positive')
    if unit == "%":
        if number > LARGEST_PERCENT:
            raise UnitError(f'"{text}" has a tolerance above {LARGEST_PERCENT:g} %; write a smaller one')
        return abs(value) * number / 100.0
    return abs(_to_si(number, unit or value_unit, dimension, text, example))


def _to_si(number: float, unit: str, dimension: str, text: str, example: str) -> float:
    if not unit and dimension != "number":
        raise UnitError(f'"{text}" has no unit; write for instance "{example}"')
    usual = DIMENSIONS[dimension]
    factor = usual.sheet_units.get(unit, usual.log_units.get(unit))
    if factor is not None:
        return _finite(number * factor, example)
    return _by_registry(number, unit, dimension, text, example)


def _by_registry(number: float, unit: str, dimension: str, text: str, example: str) -> float:
    import pint

    units = _registry()
    spelled = _spell(unit)
    if not _UNIT.fullmatch(spelled):
        raise UnitError(f'"{text}" has a unit that cannot be read; write for instance "{example}"')
    try:
        quantity = units.Quantity(number, units.parse_units(spelled))
        if dimension == "weight" and quantity.check("[mass]"):
            quantity = quantity * units.Quantity(STANDARD_GRAVITY, "m/s^2")
        if dimension == "stiffness" and quantity.check("[mass]/[length]"):
            quantity = quantity * units.Quantity(STANDARD_GRAVITY, "m/s^2")
        si = float(quantity.to(DIMENSIONS[dimension].si or "dimensionless").magnitude)
    except (pint.errors.PintError, AttributeError, TypeError, ValueError, KeyError, AssertionError) as error:
        kind = dimension.replace("_", " ")
        raise UnitError(
            f'"{text}" is not a {kind} this program can read; write for instance "{example}"'
        ) from error
    except Exception as error:  # the unit parser runs on the tokenizer, which raises its own kinds
        raise UnitError(f'"{text}" has a unit that cannot be read; write for instance "{example}"') from error
    return _finite(si, example)


def _spell(unit: str) -> str:
    """Return `unit` in the registry's spelling (G-force, degree and litre signs, powers)."""
    cleaned = unit.strip().replace("°", "deg").replace("²", "^2").replace("³", "^3").replace("·", "*")
    cleaned = cleaned.replace("µ", "u").replace("Nm", "N m")
    cleaned = _POWER.sub("^", cleaned)  # m/s2 is written as often as m/s^2
    if cleaned in ("g", "G", "gn", "g_n"):
        # On a log or a sheet of this trade a plain g is the acceleration, never the gram.
        return "standard_g"
    return {"mg": "milli_g", "kph": "km/h", "kmh": "km/h", "dps": "deg/s", "%": "percent"}.get(
        cleaned, cleaned
    )
