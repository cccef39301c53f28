"""A number from a sheet with its standard uncertainty."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

from analyzer.core.constants import STANDARD_GRAVITY

if TYPE_CHECKING:
    import pint


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


# Units as people write them, to SI, once.
#
# Sheets hold text such as ``"8 kgf/mm"``, ``"0.47 m ± 0.02 m"`` or ``"1.25 in ± 1 %"``. Everything
# behind this module is SI; reports convert back with the constants here.


DEG_PER_RAD: Final = 180.0 / math.pi
MM_PER_M: Final = 1000.0
KM_PER_H: Final = 3.6

RAD_PER_MPS2_TO_DEG_PER_G: Final = DEG_PER_RAD * STANDARD_GRAVITY
"""Factor from rad/(m/s2) to deg/g."""

EXAMPLES: Final[dict[str, str]] = {
    "length": "31.75 mm",
    "mass": "76 kg",
    "force": "331 kgf",
    "weight": "331 kgf",
    "stiffness": "8 kgf/mm",
    "damping": "3000 N s/m",
    "angle": "12 deg",
    "camber_gain": "20 deg/m ± 8 deg/m",
    "curvature": "20 deg/m",
    "time": "2 s",
    "frequency": "100 Hz",
    "speed": "18 m/s",
    "pressure": "190 kPa",
    "stress": "650 MPa",
    "acceleration": "9.81 m/s^2",
    "angular_rate": "30 deg/s",
    "voltage": "4.5 V",
    "volume": "18 l",
    "inertia": "450 kg m^2",
    "torsional_stiffness": "9000 N m/deg",
    "number": "0.94 ± 0.01",
    "temperature_difference": "5 K",
}
"""A value that would do, for error messages, by dimension."""

_SI: Final[dict[str, str]] = {
    "length": "m",
    "mass": "kg",
    "force": "N",
    "weight": "N",
    "stiffness": "N/m",
    "damping": "N s/m",
    "angle": "rad",
    "camber_gain": "rad/m",
    "curvature": "rad/m",
    "time": "s",
    "frequency": "Hz",
    "speed": "m/s",
    "pressure": "Pa",
    "stress": "Pa",
    "acceleration": "m/s^2",
    "angular_rate": "rad/s",
    "voltage": "V",
    "volume": "m^3",
    "inertia": "kg m^2",
    "torsional_stiffness": "N m/rad",
    "number": "",
    "temperature_difference": "K",
}

_NUMBER: Final = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_VALUE: Final = re.compile(rf"^\s*({_NUMBER})\s*(.*?)\s*$", re.DOTALL)
# Words, products, quotients and one-digit powers: the parser would work out any arithmetic it is given,
# towers of powers included, and sheets come from other people too.
_UNIT: Final = re.compile(r"(?:[A-Za-zµΩ%°_]++(?:\^-?\d)?|[ */()·²³]|1(?=/))*")
_PLUS_MINUS: Final = re.compile(r"\s*(?:±|\+/-|\+-)\s*")


class UnitError(ValueError):
    """Text that is not a quantity of the wanted dimension; the message says what was expected."""


@cache
def registry() -> pint.UnitRegistry[float]:
    """Return the one unit registry, built on first use (it costs some tenths of a second)."""
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
        A key of `EXAMPLES`. ``weight`` accepts a force or a mass (weighed by standard gravity, as
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
    example = example or EXAMPLES[dimension]
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        raise UnitError(f'is not a quantity; write for instance "{example}"')
    if isinstance(text, (int, float)):
        if dimension != "number":
            raise UnitError(f'has no unit; write for instance "{example}"')
        return Uncertain(_finite(float(text), example))
    if len(text) > 200:
        raise UnitError(f'is too long for a quantity; write for instance "{example}"')
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
    return _to_si(1.0, unit, dimension, unit, EXAMPLES[dimension])


def _split(part: str, text: str, example: str) -> tuple[float, str]:
    match = _VALUE.match(part)
    if match is None:
        raise UnitError(f'"{text}" does not start with a number; write for instance "{example}"')
    return _finite(float(match.group(1)), example), match.group(2)


def _finite(number: float, example: str) -> float:
    if not math.isfinite(number):
        raise UnitError(f'is not a finite number; write for instance "{example}"')
    return number


def _tolerance(part: str, value: float, value_unit: str, dimension: str, text: str, example: str) -> float:
    number, unit = _split(part, text, example)
    if number < 0.0:
        raise UnitError(f'"{text}" has a negative tolerance; write it positive')
    if unit == "%":
        return abs(value) * number / 100.0
    return abs(_to_si(number, unit or value_unit, dimension, text, example))


def _to_si(number: float, unit: str, dimension: str, text: str, example: str) -> float:
    import pint

    units = registry()
    if not unit and dimension != "number":
        raise UnitError(f'"{text}" has no unit; write for instance "{example}"')
    spelled = _spell(unit)
    if not _UNIT.fullmatch(spelled):
        raise UnitError(f'"{text}" has a unit that cannot be read; write for instance "{example}"')
    try:
        quantity = units.Quantity(number, units.parse_units(spelled))
        if dimension == "weight" and quantity.check("[mass]"):
            quantity = quantity * units.Quantity(STANDARD_GRAVITY, "m/s^2")
        if dimension == "stiffness" and quantity.check("[mass]/[length]"):
            quantity = quantity * units.Quantity(STANDARD_GRAVITY, "m/s^2")
        si = float(quantity.to(_SI[dimension] or "dimensionless").magnitude)
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
    cleaned = re.sub(r"(?<=[A-Za-z])(?=\d)", "^", cleaned)  # m/s2 is written as often as m/s^2
    if cleaned in ("g", "G", "gn", "g_n"):
        # On a log or a sheet of this trade a plain g is the acceleration, never the gram.
        return "standard_g"
    return {"mg": "milli_g", "kph": "km/h", "kmh": "km/h", "dps": "deg/s", "%": "percent"}.get(
        cleaned, cleaned
    )
