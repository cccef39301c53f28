"""Carry the tolerances of a car sheet into anything that is computed from it.

Linear propagation (JCGM 100:2008, clause 5): every quantity of the sheet with a tolerance is moved up and
down by a small part of it, all in one call with arrays in place of numbers, and the slopes times the
tolerances are the contributions. Quantities of the sheet count as independent of each other; a quantity
that enters two results moves both, so what two set-ups share cancels in their ratio.

A mount known to 30 % bends its result within its tolerance: straight slopes then give intervals that hold
the truth too seldom, and on both sides alike. So every quantity is moved to the ends of its own 95 %
interval, too, and what that adds below and above is summed as squares, each side for itself. That is exact
for straight functions and where one quantity outweighs the others; the rest is checked against random draws.
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel
from scipy.special import ndtr, ndtri

from analyzer.core.errors import AnalyzerError
from analyzer.core.estimate import Estimate
from analyzer.core.units import AXLES, Uncertain
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import stands_over
from analyzer.sheets.session import Setup
from analyzer.vehicle.completion import complete_car, default_tolerance

STEP: Final = 0.1
"""Step of the central difference as part of the standard uncertainty."""

WORTH_TELLING: Final = 0.02
"""Assumed tolerances are told one by one when they make up this part of the variance of a result."""

LEVEL: Final = 0.95
COVERAGE: Final = 1.959963984540054
"""Normal quantile for `LEVEL`."""

SHEET_METHOD: Final = "from the car sheet; propagation of its tolerances"

NOT_NEGATIVE: Final = re.compile(r"(rate|modulus)$")
"""Quantities of which a tolerance that reaches zero is cut there."""

OFF: Final = 0.2
OFF_ERRORS: Final = 3.0
"""A placeholder is taken to be off by this part of its value, or by so many of the standard errors that it
would have if it were measured, whichever is more; engineering judgement."""

COUNTS: Final = 0.5
"""A placeholder that moves a result by less than this part of its standard error is no part of it."""

WORDS: Final = ("name", "notes")
"""Keys of a sheet that no figure rests on."""

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
    reach : ndarray
        How far the 95 % interval reaches below and above the value, shape (results, 2), both positive.
    assumed : tuple of str
        Values and tolerances that the sheet does not state and what was taken instead.
    marks : tuple of str
        Keys of the sheets that are marked as not measured.
    swing : ndarray
        What each of them being off would do to the results, shape (results, marks), in the result's unit.
    """

    names: tuple[str, ...]
    values: dict[str, float]
    covariance: npt.NDArray[np.float64]
    inputs: tuple[str, ...]
    contribution: npt.NDArray[np.float64]
    reach: npt.NDArray[np.float64]
    assumed: tuple[str, ...]
    marks: tuple[str, ...]
    swing: npt.NDArray[np.float64]

    def std(self, name: str) -> float:
        """Return the standard uncertainty of one result."""
        row = self.names.index(name)
        return float(np.sqrt(self.covariance[row, row]))

    def estimate(self, name: str, unit: str, factor: float = 1.0, method: str = SHEET_METHOD) -> Estimate:
        """Return one result times `factor` as an `Estimate` in `unit`."""
        value, std = self.values[name] * factor, abs(factor) * self.std(name)
        below, above = self.reach[self.names.index(name)][:: 1 if factor > 0.0 else -1] * abs(factor)
        return Estimate(
            value=value,
            unit=unit,
            std_error=std,
            interval=(float(value - below), float(value + above)),
            level=LEVEL,
            method=method,
            provisional=self.unmeasured(name),
        )

    def unmeasured(self, name: str, error: float | None = None) -> tuple[str, ...]:
        """Return what nobody has measured of what a result rests on, the weightiest first.

        Parameters
        ----------
        name : str
            The result.
        error : float or None
            Standard error of the figure that is made of it, in its unit; None for that of the sheet alone.
        """
        row = self.names.index(name)
        # Beside an error of nought what rounding leaves of a slope is none.
        least = max(COUNTS * (self.std(name) if error is None else error), 1e-9 * abs(self.values[name]))
        swing = self.swing[row]
        order = np.argsort(-swing, kind="stable")
        return tuple(self.marks[i] for i in order if swing[i] > least)

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
        numbers or arrays of that shape by name.
    tell : sequence of str or None
        Results for whose sake an assumed tolerance is worth a line of its own; None for all.

    Returns
    -------
    Propagated
        Results by name; an exact sheet gives zero errors.
    """
    complete, filled = complete_car(car)
    inputs = sheet_inputs(complete)
    # A bar at the edge of what can be built may not be one at the ends of its tolerances: then slopes alone.
    try:
        # All rows in one call: the slopes, and with `wide` the ends of every tolerance, for what bends within
        # it.
        names, table = _moved(complete, inputs, function, wide=True)
    except AnalyzerError:
        names, table = _moved(complete, inputs, function, wide=False)
    # Central differences over a part of the tolerance (JCGM 100:2008, 5.1.3, note 2): the bend of a function
    # drops out.
    count = len(inputs)
    over = unmeasured_quantities(complete)
    contribution = (table[:, 1 : 1 + count] - table[:, 1 + count : 1 + 2 * count]) / (2.0 * STEP)
    values = table[:, 0]
    return Propagated(
        names=names,
        values={name: float(value) for name, value in zip(names, values, strict=True)},
        covariance=contribution @ contribution.T,
        inputs=tuple(item.key for item in inputs),
        contribution=contribution,
        reach=_reach(contribution, table[:, 1 + 2 * count :] - values[:, None]),
        assumed=filled + _told(inputs, contribution[[n in (tell or names) for n in names]]),
        marks=tuple(over),
        swing=_swing(complete, inputs, np.abs(contribution), over, function),
    )


def _swing(
    car: CarSheet,
    inputs: Sequence[SheetInput],
    size: npt.NDArray[np.float64],
    over: Mapping[str, frozenset[str]],
    function: Callable[[CarSheet], Values],
) -> npt.NDArray[np.float64]:
    """Return what each mark being off does to the results, shape (results, marks).

    `size` is that of the contributions of the inputs; `over` the quantities that hang on each mark.
    """
    swing = size @ _off(inputs, over)
    # A placeholder is not exact, whatever stands behind it: only its error is none.
    known = {item.key for item in inputs}
    exact = [
        SheetInput(key, quantity.value, _unstated(key, quantity.value), "")
        for key, quantity in sheet_quantities(car)
        if key not in known and any(key in keys for keys in over.values())
    ]
    if exact:
        _, table = _moved(car, exact, function, wide=False)
        slopes = (table[:, 1 : 1 + len(exact)] - table[:, 1 + len(exact) :]) / (2.0 * STEP)
        swing = swing + np.abs(slopes) @ _off(exact, over)
    return swing


def _unstated(key: str, value: float) -> float:
    """Return the standard error that a quantity would have if it were measured and stated none."""
    default = default_tolerance(key)
    return (OFF * abs(value) or OFF) if default is None else default.std(value)


def _off(inputs: Sequence[SheetInput], over: Mapping[str, frozenset[str]]) -> npt.NDArray[np.float64]:
    """Return how far each mark lets the inputs be off, shape (inputs, marks).

    In standard errors of the inputs; nought where a mark does not stand over an input.
    """
    off = np.zeros((len(inputs), len(over)))
    for row, item in enumerate(inputs):
        size = max(OFF * abs(item.value) / item.std, OFF_ERRORS)
        off[row] = [size if item.key in keys else 0.0 for keys in over.values()]
    return off


def unmeasured_quantities(car: CarSheet) -> dict[str, frozenset[str]]:
    """Return the keys of a sheet that are marked as not measured, each with the quantities that hang on it.

    A mark on a word, as on a material or on the kind of a bar, stands over the quantities of its table. The
    setting of a bar (see `with_settings`) counts wherever the bar and the springs beside it do. The marks of
    the logger are none of the car's own, and nothing hangs on a name.
    """
    quantities = [key for key, _ in sheet_quantities(car)] if car.unmeasured else []
    found = {}
    for mark in car.unmeasured:
        first, last = mark.partition(".")[0], mark.rpartition(".")[2]
        if first in ("logger", "shelf") or last in WORDS:
            continue
        # A setting is no quantity: what hangs on it is the bar that it sets, with the springs beside it.
        if first == "setups":
            tables = [axle for axle in AXLES if f"{axle}_bar" in mark or "_bar" not in mark]
            below = [t for axle in tables for t in (f"{axle}.bar", f"{axle}.spring.rate")]
            found[mark] = frozenset(k for k in quantities if any(stands_over(t, k) for t in below))
            continue
        # A mark on a word stands over the nearest table that holds quantities.
        table, hanging = mark, frozenset[str]()
        while table and not hanging:
            hanging = frozenset(key for key in quantities if stands_over(table, key))
            table = table.rpartition(".")[0]
        found[mark] = hanging
    return found


def counting(
    swings: Mapping[str, Mapping[str, float]], errors: Mapping[str, float]
) -> dict[str, tuple[str, ...]]:
    """Return name -> marks of `swings_of` that count beside the standard error of the figure, largest first.

    Marks as `Propagated.unmeasured` gives them.
    """
    return {
        name: tuple(
            sorted((m for m, size in found.items() if size > COUNTS * errors[name]), key=lambda m: -found[m])
        )
        for name, found in swings.items()
    }


def swings_of(
    car: CarSheet, function: Callable[[CarSheet], Mapping[str, float]]
) -> dict[str, dict[str, float]]:
    """Return how far what nobody has measured may move figures, for a function of one sheet at a time.

    Parameters
    ----------
    car : CarSheet
        The sheet.
    function : callable
        Takes a `CarSheet` and returns figures by name.

    Returns
    -------
    dict
        Name -> mark -> how far the figure moves where its placeholders are off (`OFF`, `OFF_ERRORS`), in the
        unit of the figure.
    """
    complete, _ = complete_car(car)
    over = unmeasured_quantities(complete)
    known = {item.key: item.std for item in sheet_inputs(complete)}
    stds = {
        key: (quantity.value, known.get(key) or _unstated(key, quantity.value))
        for key, quantity in sheet_quantities(complete)
    }
    here = function(complete)
    swing: dict[str, dict[str, float]] = {name: {} for name in here}
    for mark, keys in over.items():
        for key in sorted(keys & stds.keys()):
            value, std = stds[key]
            # A small step up, scaled: a car with a placeholder a fifth off may be none that can be built.
            step = STEP * std
            size = max(OFF * abs(value), OFF_ERRORS * std) / step
            moved_to = function(replace_values(complete, {key: value + step}))
            # A figure that can be had of one of both alone, at the edge of what can be, is left out.
            for name, moved in ((name, moved_to[name]) for name in here if name in moved_to):
                swing[name][mark] = swing[name].get(mark, 0.0) + abs(moved - here[name]) * size
    return swing


def with_settings(car: CarSheet, *setups: Setup) -> CarSheet:
    """Return the sheet with the marks of set-ups beside its own: what hangs on a bar hangs on its setting."""
    marks = [mark for setup in setups for mark in setup.unmeasured]
    return car.marked(tuple(dict.fromkeys((*car.unmeasured, *marks)))) if marks else car


def _moved(
    car: CarSheet, inputs: Sequence[SheetInput], function: Callable[[CarSheet], Values], wide: bool
) -> tuple[tuple[str, ...], npt.NDArray[np.float64]]:
    """Return results, shape (results, rows), at the sheet's figures, then with each input moved in turn.

    All up by a part of the tolerance, all down by it; with `wide` all to the upper end of their 95 % interval
    and all to the lower one. One call, with the perturbed sheets as rows of arrays.
    """
    ways = [np.array([STEP * item.std, -STEP * item.std]) for item in inputs]
    if wide:
        ways = [np.append(way, _ends(item)) for way, item in zip(ways, inputs, strict=True)]
    count = len(inputs)
    rows = 1 + count * (4 if wide else 2)
    moved: dict[str, npt.NDArray[np.float64]] = {}
    for index, (item, way) in enumerate(zip(inputs, ways, strict=True)):
        column = np.full(rows, item.value)
        column[1 + index :: count] += way
        moved[item.key] = column
    results = function(replace_values(car, moved))
    columns = [np.broadcast_to(np.asarray(value, dtype=float), (rows,)) for value in results.values()]
    return tuple(results), np.stack(columns)


def _ends(item: SheetInput) -> npt.NDArray[np.float64]:
    """Return how far the ends of an input's 95 % interval lie from its value, upper one first."""
    if not NOT_NEGATIVE.search(item.key) or item.value <= 0.0:
        return np.array([COVERAGE * item.std, -COVERAGE * item.std])
    # A normal distribution without what lies below zero.
    lost = ndtr(-item.value / item.std)
    tail = (1.0 - LEVEL) / 2.0
    return np.asarray(item.std * ndtri([lost + (1.0 - tail) * (1.0 - lost), lost + tail * (1.0 - lost)]))


def _reach(contribution: npt.NDArray[np.float64], moves: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return how far results reach below and above, shape (results, 2).

    Parameters
    ----------
    contribution : ndarray
        Slopes times standard uncertainties, shape (results, inputs).
    moves : ndarray
        Change of the results with each input at the upper end, then at the lower end of its interval, shape
        (results, 2 inputs); empty when unknown.
    """
    straight = COVERAGE * contribution
    ends = np.stack([straight, -straight])
    if moves.size:
        found = np.stack(np.split(moves, 2, axis=1))
        ends = np.where(np.isfinite(found), found, ends)
    below, above = np.minimum(ends.min(axis=0), 0.0), np.maximum(ends.max(axis=0), 0.0)
    return np.stack([np.sqrt((below**2).sum(axis=1)), np.sqrt((above**2).sum(axis=1))], axis=-1)


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
    above = {"", *values}
    for key in values:
        above.update(key[: sign.start()] for sign in _STEP.finditer(key))
    replaced: CarSheet = _replace(car, "", values, above)
    return replaced


_STEP: Final = re.compile(r"[.\[]")
"""What comes before the next step of a dotted key."""


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


def _replace(node: Any, key: str, values: Mapping[str, Any], above: set[str]) -> Any:
    if key not in above:
        return node
    if isinstance(node, Uncertain):
        return Uncertain(values[key], node.std) if key in values else node
    new = [_replace(child, name, values, above) for name, child in _children(node, key)]
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
            f"default tolerances for {others} more quantities, each under {100.0 * WORTH_TELLING:.0f} % "
            "of any error"
        )
    return tuple(told)
