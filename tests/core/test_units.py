"""Units: text as people write it, to SI. Factors from the SI brochure and NIST SP 811 unless noted."""

import math
import subprocess
import sys
from pathlib import Path

import pytest

from analyzer.core.units import DIMENSIONS, UnitError, _by_registry, parse_quantity, unit_factor

SAMPLE = Path(__file__).parents[2] / "sample_logs"
KGF = 9.80665  # N, exact (NIST SP 811, appendix B.8)
LBF = 4.4482216152605  # N, exact (NIST SP 811)
INCH = 0.0254  # m, exact


@pytest.mark.parametrize(
    ("text", "dimension", "value", "std"),
    [
        ("8 kgf/mm", "stiffness", 8 * KGF * 1000, None),
        ("8 kg/mm", "stiffness", 8 * KGF * 1000, None),  # trade habit: kg/mm means kgf/mm (common practice)
        ("450 lbf/in", "stiffness", 450 * LBF / INCH, None),
        ("450 lb/in", "stiffness", 450 * LBF / INCH, None),
        ("60 N/mm", "stiffness", 60e3, None),
        ("20 kN/mm", "stiffness", 20e6, None),
        ("31.75 mm", "length", 0.03175, None),
        ("1.25 in ± 1 %", "length", 0.03175, 0.0003175),
        ("0.47 m ± 0.02 m", "length", 0.47, 0.02),
        ("0.47 m ± 20 mm", "length", 0.47, 0.02),
        ("0.47 m +/- 0.02", "length", 0.47, 0.02),
        ("0.47 m ± 0 m", "length", 0.47, 0.0),
        ("331 kgf", "weight", 331 * KGF, None),
        ("331 kg", "weight", 331 * KGF, None),
        ("3.25 kN", "weight", 3250.0, None),
        ("20 deg/m ± 8 deg/m", "camber_gain", math.radians(20), math.radians(8)),
        ("12°", "angle", math.radians(12), None),
        ("0.94 ± 0.01", "number", 0.94, 0.01),
        ("-3 mm", "length", -0.003, None),
        ("9.81 m/s2", "acceleration", 9.81, None),
        ("1 g", "acceleration", KGF, None),
        ("72 km/h", "speed", 20.0, None),
        ("9000 Nm/deg", "torsional_stiffness", 9000 * 180 / math.pi, None),
    ],
)
def test_text_becomes_si(text, dimension, value, std):
    found = parse_quantity(text, dimension)
    assert found.value == pytest.approx(value, rel=1e-12)
    assert found.std == (None if std is None else pytest.approx(std, rel=1e-9))


@pytest.mark.parametrize(
    ("text", "dimension", "hint"),
    [
        (31.75, "length", "no unit"),
        ("31.75", "length", "no unit"),
        ("31.75 kg", "length", "not a length"),
        ("8 kgf", "stiffness", "not a stiffness"),
        ("8 bananas", "stiffness", "not a stiffness"),
        ("eight mm", "length", "number"),
        ("1 mm ± 1 mm ± 1 mm", "length", "more than one"),
        ("1 mm ± -1 mm", "length", "negative"),
        ("1 mm ± 1 kg", "length", "not a length"),
        (True, "number", "not a quantity"),
        (None, "length", "not a quantity"),
        ("1e999 m", "length", "finite"),
        (float("nan"), "number", "finite"),
        ("1 " + "m" * 500, "length", "too long"),
        ("1 m**(9**9**9)", "length", "unit that cannot be read"),
        ("1 " + "m" * 150 + "!", "length", "unit that cannot be read"),
        ("1 m^9^9^9", "length", "unit that cannot be read"),
        ("1 __import__('os')", "length", "unit that cannot be read"),
    ],
)
def test_refusal_gives_a_value_that_would_do(text, dimension, hint):
    with pytest.raises(UnitError) as caught:
        parse_quantity(text, dimension)
    message = str(caught.value)
    assert hint in message
    assert "\n" not in message
    if hint != "negative":
        assert DIMENSIONS[dimension].example in message


@pytest.mark.parametrize("dimension", sorted(DIMENSIONS))
def test_every_example_would_do(dimension):
    assert math.isfinite(parse_quantity(DIMENSIONS[dimension].example, dimension).value)


@pytest.mark.parametrize(
    ("unit", "dimension", "factor"),
    [
        ("mm", "length", 1e-3),
        ("g", "acceleration", KGF),
        ("G", "acceleration", KGF),
        ("mg", "acceleration", KGF / 1000),
        ("m/s^2", "acceleration", 1.0),
        ("deg/s", "angular_rate", math.pi / 180),
        ("°/s", "angular_rate", math.pi / 180),
        ("km/h", "speed", 1 / 3.6),
        ("kph", "speed", 1 / 3.6),
        ("mph", "speed", 0.44704),
        ("ms", "time", 1e-3),
    ],
)
def test_log_units(unit, dimension, factor):
    assert unit_factor(unit, dimension) == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "dimension", "factor"),
    [
        (unit, name, factor)
        for name, row in DIMENSIONS.items()
        for unit, factor in [*row.log_units.items(), *row.sheet_units.items()]
    ],
)
def test_units_of_the_table_are_those_of_the_registry(unit, dimension, factor):
    other = {"gn": "g", "gee": "g", "deg/sec": "deg/s", "mdps": "mdeg/s", "kn": "knot", "knots": "knot"}
    of_registry = _by_registry(1.0, other.get(unit, unit), dimension, unit, "1")
    assert of_registry == pytest.approx(factor, rel=1e-15)
    assert parse_quantity(f"1 {unit}", dimension).value == factor


UNITS_WITHOUT_REGISTRY = """
import sys
from pathlib import Path
from analyzer.sheets.read import read_car
read_car(Path(sys.argv[1]))
sys.exit("pint" in sys.modules)
"""


def test_the_sample_car_is_read_without_the_registry():
    subprocess.run([sys.executable, "-c", UNITS_WITHOUT_REGISTRY, SAMPLE / "car.toml"], check=True)
