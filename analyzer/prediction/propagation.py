"""Carry the tolerances of a car sheet into anything that is computed from it.

Linear propagation (JCGM 100:2008, clause 5): every quantity of the sheet with a tolerance is moved up and
down by a small part of it, all in one call with arrays in place of numbers, and the slopes times the
tolerances are the contributions. Quantities of the sheet count as independent of each other; a quantity
that enters two results moves both, so what two set-ups share cancels in their ratio.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel

from analyzer.core.estimate import Estimate
from analyzer.core.units import Uncertain
from analyzer.sheets.car import CarSheet
from analyzer.vehicle.completion import complete_car, default_tolerance

STEP: Final = 0.1
"""Step of the central difference as part of the standard uncertainty."""

WORTH_TELLING: Final = 0.02
"""Assumed tolerances are told one by one when they make up this part of the variance of a result."""

LEVEL: Final = 0.95
COVERAGE: Final = 1.959963984540054
"""Normal quantile for `LEVEL`."""

SHEET_METHOD: Final = "from the car sheet; linear propagation of its tolerances"

Values = Mapping[str, "float | npt.NDArray[np.float64]"]


@dataclass(frozen=True, slots=True)
class Propagated:
    """Results with the errors of the sheet they come from.

    Parameters
    ----------
    names : tuple of str
        Results, the order of rows and columns below.
    values : dict
        Name -> value at the sheet's own figures.
    covariance : ndarray
        Covariance of the results, shape (results, results).
    inputs : tuple of str
        Sheet keys with a tolerance.
    contribution : ndarray
        Slope times standard uncertainty, shape (results, inputs), in the unit of the result.
    assumed : tuple of str
        Values and tolerances that the sheet does not state and what was taken instead.
    """

    names: tuple[str, ...]
    values: dict[str, float]
    covariance: npt.NDArray[np.float64]
    inputs: tuple[str, ...]
    contribution: npt.NDArray[np.float64]
    assumed: tuple[str, ...]

    def std(self, name: str) -> float:
        """Return the standard uncertainty of one result."""
        row = self.names.index(name)
        return float(np.sqrt(self.covariance[row, row]))

    def estimate(self, name: str, unit: str, factor: float = 1.0, method: str = SHEET_METHOD) -> Estimate:
        """Return one result times `factor` as an `Estimate` in `unit`."""
        value, std = self.values[name] * factor, abs(factor) * self.std(name)
        return Estimate(
            value=value,
            unit=unit,
            std_error=std,
            interval=(value - COVERAGE * std, value + COVERAGE * std),
            level=LEVEL,
            method=method,
        )

    def largest(self, name: str, count: int = 5) -> tuple[tuple[str, float], ...]:
        """Return the sheet keys that make up most of a result's error, with their part of its variance."""
        parts = self.contribution[self.names.index(name)] ** 2
        total = float(parts.sum())
        if total == 0.0:
            return ()
        order = np.argsort(-parts, kind="stable")[:count]
        return tuple((self.inputs[i], float(parts[i]) / total) for i in order if parts[i] > 0.0)


@dataclass(frozen=True, slots=True)
class SheetInput:
    """One quantity of the sheet that can move.

    Parameters
    ----------
    key : str
        Dotted key.
    value, std : float
        Value and standard uncertainty [SI].
    taken : str
        What was assumed for the tolerance; empty when the sheet states it.
    """

    key: str
    value: float
    std: float
    taken: str


def propagate(
    car: CarSheet, function: Callable[[CarSheet], Values], tell: Sequence[str] | None = None
) -> Propagated:
    """Return what `function` makes of a car sheet, with covariance and the contribution of every quantity.

    Parameters
    ----------
    car : CarSheet
        The sheet.
    function : callable
        Takes a `CarSheet` whose quantities may be arrays of shape (rows,) in place of numbers and returns
        numbers or arrays of that shape by name. It is called once.
    tell : sequence of str or None
        Results for whose sake an assumed tolerance is worth a line of its own; None for all.

    Returns
    -------
    Propagated
        Results by name; an exact sheet gives zero errors.
    """
    complete, filled = complete_car(car)
    inputs = sheet_inputs(complete)
    # One call with all perturbed sheets as rows of arrays: plain value first, then every quantity up and
    # down.
    rows = 1 + 2 * len(inputs)
    moved: dict[str, npt.NDArray[np.float64]] = {}
    for index, item in enumerate(inputs):
        column = np.full(rows, item.value)
        column[1 + 2 * index] += STEP * item.std
        column[2 + 2 * index] -= STEP * item.std
        moved[item.key] = column
    results = function(replace_values(complete, moved))
    names = tuple(results)
    table = np.stack([np.broadcast_to(np.asarray(results[name], dtype=float), (rows,)) for name in names])
    # Central differences over a part of the tolerance (JCGM 100:2008, 5.1.3, note 2): the bend of a function
    # drops out.
    contribution = (table[:, 1::2] - table[:, 2::2]) / (2.0 * STEP)
    return Propagated(
        names=names,
        values={name: float(table[row, 0]) for row, name in enumerate(names)},
        covariance=contribution @ contribution.T,
        inputs=tuple(item.key for item in inputs),
        contribution=contribution,
        assumed=filled + _told(inputs, contribution[[n in (tell or names) for n in names]]),
    )


def sheet_inputs(car: CarSheet) -> tuple[SheetInput, ...]:
    """Return every quantity of a sheet that has a tolerance, its own or a default one."""
    found = []
    for key, quantity in sheet_quantities(car):
        if key.startswith(("logger.", "shelf.")):
            continue
        default = default_tolerance(key) if quantity.std is None else None
        std = quantity.std if default is None else default.std(quantity.value)
        if std is None or std == 0.0:
            continue
        taken = (
            ""
            if default is None
            else f"{key}: tolerance not stated, {default.words} taken ({default.reason})"
        )
        found.append(SheetInput(key, quantity.value, std, taken))
    return tuple(found)


def replace_values(car: CarSheet, values: Mapping[str, Any]) -> CarSheet:
    """Return the sheet with the quantities at some keys replaced, unchecked (arrays are let through)."""
    replaced: CarSheet = _replace(car, "", values)
    return replaced


def sheet_quantities(node: Any, key: str = "") -> Iterator[tuple[str, Uncertain]]:
    """Yield every quantity of a sheet, or of a part of one, with its dotted key."""
    if isinstance(node, Uncertain):
        yield key, node
    else:
        for name, child in _children(node, key):
            yield from sheet_quantities(child, name)


def _children(node: Any, key: str) -> Iterator[tuple[str, Any]]:
    if isinstance(node, BaseModel):
        dot = f"{key}." if key else ""
        yield from ((f"{dot}{name}", getattr(node, name)) for name in type(node).model_fields)
    elif isinstance(node, (list, tuple)):
        yield from ((f"{key}[{index}]", child) for index, child in enumerate(node, start=1))
    elif isinstance(node, dict):
        yield from ((f"{key}.{name}", child) for name, child in node.items())


def _replace(node: Any, key: str, values: Mapping[str, Any]) -> Any:
    if isinstance(node, Uncertain):
        return Uncertain(values[key], node.std) if key in values else node
    new = [_replace(child, name, values) for name, child in _children(node, key)]
    if isinstance(node, BaseModel):
        return node.model_copy(update=dict(zip(type(node).model_fields, new, strict=True)))
    if isinstance(node, (list, tuple)):
        return type(node)(new)
    return dict(zip(node, new, strict=True)) if isinstance(node, dict) else node


def _told(inputs: tuple[SheetInput, ...], contribution: npt.NDArray[np.float64]) -> tuple[str, ...]:
    """Return a line per assumed tolerance that matters, and one for the others together."""
    squares = contribution**2
    totals = squares.sum(axis=1, keepdims=True)
    parts = np.divide(squares, totals, out=np.zeros_like(squares), where=totals > 0.0)
    weight = parts.max(axis=0, initial=0.0)
    assumed = [
        (float(weight[i]), item.taken) for i, item in enumerate(inputs) if item.taken and weight[i] > 0.0
    ]
    told = [line for part, line in sorted(assumed, reverse=True) if part >= WORTH_TELLING]
    others = len(assumed) - len(told)
    if others:
        told.append(
            f"default tolerances for {others} more quantities, each under {WORTH_TELLING:.0%} of any error"
        )
    return tuple(told)
