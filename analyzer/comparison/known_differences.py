"""What differs between the runs of two set-ups beside the set-up, and what that does to roll by the sheet.

Conditions of the session sheet that are read as quantities (fuel, driver, passenger, ballast, tyre pressures)
are predicted with the same physics as a set-up: the load is put where it sits, the tyre's rate follows its
pressure, and the roll gradients before and after tell the effect on each axle. Each run's roll is brought to
the conditions of the set-up before the change; the error of that (place of the load, answer of the tyre,
reading of gauge and scales) is an error of the change. Runs themselves stay as measured.

What differs and cannot be predicted is named with the reason, and left in.
"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from analyzer.comparison.ledger import sheet_roll
from analyzer.comparison.results import KnownDifference, OpenDifference, Unpredicted
from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import LEVEL, Floats
from analyzer.core.regression import NORMAL
from analyzer.core.units import AXLES, Axle, Uncertain, UnitError, parse_quantity
from analyzer.prediction.propagation import COUNTS, Values, propagate
from analyzer.prediction.results import SetupPrediction
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.vehicle.axle import FOLLOWS, FUEL_DENSITY, with_load, with_places, with_pressure

Conditions = Mapping[str, Mapping[str, str]]
"""Run -> what the session sheet says of it."""

Group = Sequence[Mapping[str, str]]
"""What it says of each run of one set-up."""

OTHER_VALUE: Final = 0.03
"""Relative difference of the means from which a condition written as a number counts as different."""

OTHER_TEMPERATURE: Final = 5.0
"""Difference from which a temperature counts as different [K]; engineering judgement."""

LOAD_READ: Final = 1.0
"""Standard uncertainty of a load where the sheet states none [kg]; engineering judgement."""

PRESSURE_READ: Final = 2e3
"""The same of a tyre pressure [Pa]; engineering judgement."""

_PLACES: Final = {
    "fuel": "fuel",
    "fuel_mass": "fuel",
    "driver_mass": "driver",
    "passenger": "passenger",
    "passenger_mass": "passenger",
    "ballast": "ballast",
    "ballast_mass": "ballast",
}
"""Condition -> place of the car sheet at which that load sits."""

_TYRES: Final[dict[str, dict[Axle, float]]] = {
    "tyre_pressure": {"front": 1.0, "rear": 1.0},
    "tyre_pressure_front": {"front": 1.0},
    "tyre_pressure_rear": {"rear": 1.0},
    # Roll of an axle goes by the mean of both rates.
    "tyre_pressure_fl": {"front": 0.5},
    "tyre_pressure_fr": {"front": 0.5},
    "tyre_pressure_rl": {"rear": 0.5},
    "tyre_pressure_rr": {"rear": 0.5},
}
"""Condition -> part of each axle's tyres that it holds for."""

_NOT_THERE: Final = ("none", "no", "empty", "-")
"""Words for a load that is not in the car."""

_COUNTED: Final = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*(\S.{0,20})?")
_TEMPERATURE: Final = re.compile(r"(°|deg)? ?[CFK]")


@dataclass(frozen=True, slots=True)
class Known:
    """Known differences between the runs of two set-ups.

    Parameters
    ----------
    differences : tuple of KnownDifference
        For the reader.
    open : tuple of OpenDifference
        What differs and is not predicted.
    shifts : dict
        Run -> axle -> what they do to the logarithm of its roll, against the mean of the set-up before.
    contribution : ndarray
        What each doubt does to the change, shape (axles, doubts), in the order of `AXLES`.
    marks : tuple of str
        Keys of the car sheet that are marked as not measured.
    swing : ndarray
        What each of them being off would do to the change, shape (axles, marks), all positive.
    """

    differences: tuple[KnownDifference, ...] = ()
    open: tuple[OpenDifference, ...] = ()
    shifts: dict[str, dict[Axle, float]] = field(default_factory=dict)
    contribution: Floats = field(default_factory=lambda: np.zeros((len(AXLES), 0)))
    marks: tuple[str, ...] = ()
    swing: Floats = field(default_factory=lambda: np.zeros((len(AXLES), 0)))

    def taken_out(self, runs: Sequence[RunEstimates]) -> tuple[RunEstimates, ...]:
        """Return the runs as they would roll in the conditions of the set-up before the change."""
        return tuple(self._taken_out(run) if run.name in self.shifts else run for run in runs)

    def _taken_out(self, run: RunEstimates) -> RunEstimates:
        body = dict(run.roll_gradient_body)
        for axle, shift in self.shifts[run.name].items():
            if axle in body and body[axle].value is not None:
                body[axle] = body[axle].times(math.exp(-shift))
        return replace(run, roll_gradient_body=body)

    def error(self, weights: Mapping[Axle, float]) -> float:
        """Return the error of a sum of the changes of both axles' logarithms of roll, by axle weighed."""
        row = np.array([weights.get(axle, 0.0) for axle in AXLES])
        return float(np.linalg.norm(row @ self.contribution))

    def swings(self, weights: Mapping[Axle, float]) -> dict[str, float]:
        """Return what each mark being off does to such a sum."""
        off = np.abs([weights.get(axle, 0.0) for axle in AXLES]) @ self.swing
        # Beside what rounding leaves of a slope.
        return {mark: float(size) for mark, size in zip(self.marks, off, strict=True) if size > 1e-9}

    def unmeasured(self, weights: Mapping[Axle, float], error: float | None) -> tuple[str, ...]:
        """Return what nobody has measured of what is taken out of such a sum with this standard error."""
        least = COUNTS * (error or 0.0)
        return tuple(mark for mark, size in self.swings(weights).items() if size > least)


NONE_KNOWN: Final = Known()
"""Of runs whose conditions are not known."""


def known_differences(
    car: CarSheet,
    runs: Sequence[RunEstimates],
    conditions: Conditions,
    predictions: Mapping[str, SetupPrediction],
    before: str,
    after: str,
) -> Known:
    """Return what the conditions of the runs do to a change from set-up `before` to `after`.

    Parameters
    ----------
    runs : sequence of RunEstimates
        Of these and of further set-ups, whose runs are brought to the same conditions where they state them.
    conditions : mapping
        Run -> what the session sheet says of it.
    predictions : mapping
        Set-up -> prediction, whose bar rates count.
    """
    # Per set-up, since what both share makes no difference.
    tables = {
        run.name: {condition_key(key): text.strip() for key, text in conditions.get(run.name, {}).items()}
        for run in runs
    }
    groups: dict[str, list[dict[str, str]]] = {}
    for run in runs:
        groups.setdefault(run.setup, []).append(tables[run.name])
    both = groups.get(before, []), groups.get(after, [])
    sheet, taken = with_places(car)
    parts, left = [], []
    # What cannot be predicted stays a difference that the verdict names, without a number.
    for key in sorted({key for group in both for table in group for key in table} - {"notes"}):
        part = _part(sheet, key, both)
        if isinstance(part, _Part):
            parts.append(part)
        elif part is not None:
            left.append(OpenDifference(key, _told(key, both[0]), _told(key, both[1]), part))
    if not parts:
        return Known(open=tuple(left))
    rates = {name: {a: bar.rate for a, bar in told.bars.items()} for name, told in predictions.items()}
    # Each condition alone, at the bars of `before`: that of a bar on what fuel does is of second order.
    effects = _effects(sheet, parts, rates[before])
    found = tuple(
        _difference(part, effect, taken)
        for part, effect in zip(parts, effects, strict=True)
        if part.after.value != part.before.value
    )
    shifts = {}
    for run in runs:
        # A run that does not state a condition is taken to have been driven in that of its set-up's others.
        own, others = tables[run.name], groups[run.setup]
        values = [_mean(part.key, [own]) or _mean(part.key, others) for part in parts]
        moved = [
            part.effect(sheet, rates[run.setup], value.value)
            for part, value in zip(parts, values, strict=True)
            if value is not None
        ]
        shifts[run.name] = {axle: float(sum(move[axle] for move in moved)) for axle in AXLES}
    # Summed with their signs: two conditions lean on the same sheet values, whose errors then add or cancel.
    contribution = np.sum([effect.contribution for effect in effects], axis=0)
    swing = np.sum([effect.swing for effect in effects], axis=0)
    return Known(found, tuple(left), shifts, contribution, effects[0].marks, swing)


def condition_key(key: str) -> str:
    """Return a condition's key as it is looked for."""
    return key.strip().lower().replace(" ", "_")


def _told(key: str, group: Group) -> tuple[str, ...]:
    return tuple(dict.fromkeys(table[key] for table in group if key in table))


# Conditions that are read as quantities.


@dataclass(frozen=True, slots=True)
class _Part:
    """A condition that is read as a quantity, with the means of both set-ups [kg] or [Pa]."""

    key: str
    before: Uncertain
    after: Uncertain
    in_litres: bool

    @property
    def load(self) -> bool:
        """Whether it is a load; a tyre pressure otherwise."""
        return self.key in _PLACES

    def effect(
        self, sheet: CarSheet, rates: Mapping[Axle, Estimate], value: float, follows: float = FOLLOWS.value
    ) -> dict[Axle, Floats]:
        """Return what `value` in the place of the mean before does to the logarithm of each axle's roll."""
        if self.load:
            place = getattr(sheet.mass.places, _PLACES[self.key])
            moved = with_load(sheet, value - self.before.value, place, follows)
        else:
            grown = value / self.before.value - 1.0
            moved = with_pressure(sheet, {axle: part * grown for axle, part in _TYRES[self.key].items()})
        plain, changed = sheet_roll(sheet, rates).gradient, sheet_roll(moved, rates).gradient
        return {axle: np.asarray(np.log(changed[axle] / plain[axle])) for axle in AXLES}


def _part(sheet: CarSheet, key: str, both: Sequence[Group]) -> _Part | Unpredicted | None:
    """Return what a condition is read as, why it cannot be predicted, or None where it does not differ."""
    told = [_told(key, group) for group in both]
    if key not in _PLACES and key not in _TYRES:
        return _unread(key, both)
    if all(told) and len({*told[0], *told[1]}) == 1:
        return None
    if not all(told):
        return Unpredicted.NOT_STATED
    # In the order a user can mend them: stated, readable, then what the car sheet lacks.
    if any(_read(key, text) is None for texts in told for text in texts):
        return Unpredicted.NOT_READ
    before, after = (_mean(key, group) for group in both)
    if before is None or after is None:
        return Unpredicted.NOT_STATED
    if key in _PLACES and getattr(sheet.mass.places, _PLACES[key]) is None:
        return Unpredicted.NO_PLACE
    if key in _TYRES and not before.value > 0.0:
        return Unpredicted.NOT_READ
    if any(sheet.axle(axle).tyre_rate is None for axle in _TYRES.get(key, {})):
        return Unpredicted.NO_TYRE_RATE
    in_litres = any(_litres(key, text) is not None for texts in told for text in texts)
    return _Part(key, before, after, in_litres)


def _read(key: str, text: str) -> Uncertain | None:
    """Return a load [kg] or a pressure [Pa]; None where the text is neither."""
    if key in _TYRES:
        return _quantity(text, "pressure")
    if text.lower() in _NOT_THERE:
        return Uncertain(0.0, 0.0)
    litres = _litres(key, text)
    return _quantity(text, "mass") if litres is None else litres.scaled(FUEL_DENSITY.value)


def _litres(key: str, text: str) -> Uncertain | None:
    """Return fuel that is stated as a volume [m3]."""
    return _quantity(text, "volume") if key == "fuel" else None


def _quantity(text: str, dimension: str) -> Uncertain | None:
    try:
        return parse_quantity(text, dimension)
    except UnitError:
        return None


def _mean(key: str, group: Group) -> Uncertain | None:
    """Return the mean of a set-up; its error is one reading's, since one gauge or scale read them all."""
    values = [value for table in group if key in table and (value := _read(key, table[key])) is not None]
    if not values:
        return None
    taken = LOAD_READ if key in _PLACES else PRESSURE_READ
    error = max(taken if value.std is None else value.std for value in values)
    return Uncertain(float(np.mean([value.value for value in values])), error)


@dataclass(frozen=True, slots=True)
class _Effect:
    """What a condition does to the logarithms of roll, shape (axles,), each doubt to that, and each mark."""

    logs: Floats
    contribution: Floats
    marks: tuple[str, ...]
    swing: Floats
    unmeasured: tuple[tuple[str, ...], ...]


def _effects(sheet: CarSheet, parts: Sequence[_Part], rates: Mapping[Axle, Estimate]) -> tuple[_Effect, ...]:
    """Return the effect of each condition; doubts stand in the same order in all."""

    def function(perturbed: CarSheet) -> Values:
        return {
            f"{part.key} {axle}": log
            for part in parts
            for axle, log in part.effect(perturbed, rates, part.after.value).items()
        }

    def logs(part: _Part, value: float, follows: float = FOLLOWS.value) -> Floats:
        return np.array([part.effect(sheet, rates, value, follows)[axle] for axle in AXLES])

    found = propagate(sheet, function)
    effects = []
    for index, part in enumerate(parts):
        own = [found.names.index(f"{part.key} {axle}") for axle in AXLES]
        value = part.after.value
        effect = logs(part, value)
        # Beside the sheet: how far the roll centres follow (common to all loads), what the gauge or scale
        # reads wrong, and the density of fuel that was stated as a volume.
        beside = np.zeros((len(AXLES), 1 + 2 * len(parts)))
        if part.load:
            beside[:, 0] = (FOLLOWS.std or 0.0) * (logs(part, value, FOLLOWS.value + 1.0) - effect)
        read = math.hypot(part.before.std or 0.0, part.after.std or 0.0)
        beside[:, 1 + 2 * index] = logs(part, value + read) - effect
        if part.in_litres:
            density = (FUEL_DENSITY.std or 0.0) / FUEL_DENSITY.value * (value - part.before.value)
            beside[:, 2 + 2 * index] = logs(part, value + density) - effect
        rests = tuple(found.unmeasured(f"{part.key} {axle}") for axle in AXLES)
        whole = np.hstack([found.contribution[own], beside])
        effects.append(_Effect(effect, whole, found.marks, found.swing[own], rests))
    return tuple(effects)


def _difference(part: _Part, effect: _Effect, taken: Sequence[str]) -> KnownDifference:
    # Independent parts of the error add in squares. All is of the logarithm, so that no ratio goes below
    # zero.
    errors = np.linalg.norm(effect.contribution, axis=1)
    ratios = {
        axle: Estimate(
            value=math.exp(log),
            unit="1",
            std_error=math.exp(log) * error,
            interval=(math.exp(log - NORMAL * error), math.exp(log + NORMAL * error)),
            level=LEVEL,
            method="from the car sheet with the condition of each set-up",
            provisional=rests,
        )
        for axle, log, error, rests in zip(
            AXLES, map(float, effect.logs), map(float, errors), effect.unmeasured, strict=True
        )
    }
    if part.load:
        keys = [f"mass.places.{_PLACES[part.key]}"]
    else:
        keys = [f"{axle}.tyre_rate_with_pressure" for axle in _TYRES[part.key]]
    unit, scale = ("kg", 1.0) if part.load else ("kPa", 1e-3)
    before, after = (
        Estimate(scale * value.value, unit, std_error=scale * (value.std or 0.0))
        for value in (part.before, part.after)
    )
    return KnownDifference(part.key, before, after, ratios, tuple(key for key in keys if key in taken))


def _unread(key: str, both: Sequence[Group]) -> Unpredicted | None:
    """Return why a condition that is not read as a quantity is open; None where it does not differ."""
    told = [_told(key, group) for group in both]
    if not all(told) or not differ(told[0], told[1]):
        return None
    if key == "driver":
        # Who drove matters by the mass, which stands beside the name where it is known.
        weighed = all("driver_mass" in table for group in both for table in group)
        return None if weighed else Unpredicted.NO_MASS
    return Unpredicted.NO_MODEL


def differ(before: Sequence[str], after: Sequence[str]) -> bool:
    """Return whether what two set-ups state differs clearly: no value of the one lies among the other's."""
    if set(before) & set(after):
        return False
    read = [[_COUNTED.fullmatch(text) for text in group] for group in (before, after)]
    matches = [match for group in read for match in group]
    units = {(match.group(2) or "").strip() for match in matches if match}
    if not before or not after or not all(matches) or len(units) != 1:
        return True
    old, new = ([float(match.group(1)) for match in group if match] for group in read)
    if max(old) >= min(new) and max(new) >= min(old):
        return False
    apart = abs(float(np.mean(new)) - float(np.mean(old)))
    if _TEMPERATURE.fullmatch(units.pop()):
        return apart >= OTHER_TEMPERATURE
    return apart > OTHER_VALUE * max(map(abs, (*old, *new)))
