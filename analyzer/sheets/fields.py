"""Types of sheet entries: quantities with units as text become `Uncertain` numbers in SI."""

from __future__ import annotations

import ast
import datetime as dt
import inspect
import math
import types
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Annotated, Any, Final, Literal, Self, Union, get_args, get_origin

from pydantic import BaseModel, BeforeValidator, ConfigDict, PrivateAttr
from pydantic_core import PydanticCustomError

from analyzer.core.units import DIMENSIONS, Uncertain, UnitError, parse_quantity


class Sheet(BaseModel):
    """Base of every table of a sheet: unknown keys are refused, nothing changes after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)
    _unmeasured: tuple[str, ...] = PrivateAttr(default=())

    @property
    def unmeasured(self) -> tuple[str, ...]:
        """Keys below this table that are marked as not measured; one of a list or table stands for all in it.

        Known of a car sheet and of the set-ups of a session sheet that were read from a file; no part of what
        a sheet says, and kept by copies.
        """
        return self._unmeasured

    def marked(self, keys: Sequence[str]) -> Self:
        """Return this table with the keys below it that nobody has measured."""
        copy = self.model_copy()
        copy._unmeasured = tuple(keys)
        return copy


def stands_over(mark: str, key: str) -> bool:
    """Return whether a key of a sheet, such as a marked one, is `key` or a list or table that holds it."""
    return key == mark or key.startswith((f"{mark}.", f"{mark}["))


@dataclass(frozen=True)
class QuantityReader(BeforeValidator):
    """A validator that knows an example of what it reads, for the sheet reference and forms."""

    example: str = ""


@dataclass(frozen=True)
class TextReader(BeforeValidator):
    """A validator that reads text, of which it knows an example, or a table in its place."""

    example: str = ""
    table: type[Sheet] | None = None


@dataclass(frozen=True)
class Columns:
    """What stands at each place of a row, in order."""

    names: tuple[str, ...]


def quantity(
    dimension: str,
    low: float | None = None,
    high: float | None = None,
    low_allowed: bool = False,
    example: str | None = None,
) -> QuantityReader:
    """Return the reader for text of a `dimension`, within `low` and `high` [SI].

    Parameters
    ----------
    dimension : str
        A key of `analyzer.core.units.DIMENSIONS`.
    low, high : float or None
        Limits of what is possible [SI]; None for no limit.
    low_allowed : bool
        Whether `low` itself will do.
    example : str, optional
        A value that would do, for messages; the usual one of the dimension if not given.
    """
    would_do = example or DIMENSIONS[dimension].example

    def read(value: Any) -> Uncertain:
        if isinstance(value, Uncertain):
            return value
        try:
            found = parse_quantity(value, dimension, would_do)
        except UnitError as error:
            raise PydanticCustomError("quantity", "{reason}", {"reason": str(error)}) from error
        too_low = low is not None and (found.value < low or (found.value == low and not low_allowed))
        if too_low or (high is not None and found.value > high):
            raise PydanticCustomError(
                "range",
                "{value} is outside what is possible; write for instance {example}",
                {"value": f'"{value}"', "example": f'"{would_do}"'},
            )
        # A size that must be above zero is not known at all when its error is larger than itself.
        above_zero = low is not None and low >= 0.0 and not low_allowed
        if above_zero and found.std is not None and found.std > found.value:
            raise PydanticCustomError(
                "tolerance",
                "{value} has a tolerance larger than itself; write for instance {example}",
                {"value": f'"{value}"', "example": f'"{would_do}"'},
            )
        return found

    return QuantityReader(read, example=would_do)


# The limits are wide on purpose: they catch a wrong unit (inches as mm, N/m as N/mm), not an unusual car.
Length = Annotated[Uncertain, quantity("length", -100.0, 100.0)]
LengthOrZero = Annotated[Uncertain, quantity("length", 0.0, 10.0, low_allowed=True)]
TrackWidth = Annotated[Uncertain, quantity("length", 0.3, 4.0, example="1.54 m")]
Wheelbase = Annotated[Uncertain, quantity("length", 0.5, 10.0, example="2.53 m")]
CgHeight = Annotated[Uncertain, quantity("length", 0.05, 3.0, example="0.47 m ± 0.02 m")]
RollCentreHeight = Annotated[Uncertain, quantity("length", -2.0, 2.0, example="45 mm ± 10 mm")]
WheelRadius = Annotated[Uncertain, quantity("length", 0.05, 1.0, example="0.31 m")]
StopTravel = Annotated[Uncertain, quantity("length", 0.0, 1.0, low_allowed=True, example="42 mm")]
TyreRate = Annotated[Uncertain, quantity("stiffness", 0.0, example="230 N/mm ± 10 %")]
StopRate = Annotated[Uncertain, quantity("stiffness", 0.0, example="60 N/mm")]
Mass = Annotated[Uncertain, quantity("mass", 0.0, 5000.0, low_allowed=True)]
Weight = Annotated[Uncertain, quantity("weight", 0.0, 50000.0)]
Stiffness = Annotated[Uncertain, quantity("stiffness", 0.0)]
Force = Annotated[Uncertain, quantity("force")]
Damping = Annotated[Uncertain, quantity("damping", 0.0, low_allowed=True)]
Angle = Annotated[Uncertain, quantity("angle", -7.0, 7.0)]
BladeTurn = Annotated[Uncertain, quantity("angle", -math.pi, math.pi, low_allowed=True, example="45 deg")]
CamberGain = Annotated[Uncertain, quantity("camber_gain", -20.0, 20.0)]
Ratio = Annotated[Uncertain, quantity("number", 0.0, 10.0)]
Number = Annotated[Uncertain, quantity("number")]
Time = Annotated[Uncertain, quantity("time")]
Frequency = Annotated[Uncertain, quantity("frequency", 0.0, 1e6)]
Inertia = Annotated[Uncertain, quantity("inertia", 0.0)]
TorsionalStiffness = Annotated[Uncertain, quantity("torsional_stiffness", 0.0)]


# The keys of a sheet as data: forms and the reference of the docs are made of the models themselves.


What = Literal[
    "quantity", "text", "whole number", "number", "switch", "day", "choice", "table", "list", "names"
]


@dataclass(frozen=True, slots=True)
class Holds:
    """One thing that may stand behind a key.

    Parameters
    ----------
    what : What
        Its kind; ``list`` of entries in ``[ ]``, ``names`` a table whose keys the user chooses.
    example : str
        A quantity or text that would do.
    choices : tuple of str
        The words of a choice.
    table : type of Sheet or None
        The model of a table.
    entries : tuple of Holds
        What may stand at each place of a list, or behind each name.
    columns : tuple of str
        What the places of a list are, where it has as many as these.
    """

    what: What
    example: str = ""
    choices: tuple[str, ...] = ()
    table: type[Sheet] | None = None
    entries: tuple[Holds, ...] = ()
    columns: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a table.

    Parameters
    ----------
    name, meaning : str
        As it is written, and what it means.
    holds : tuple of Holds
        What may stand behind it, the plain form first.
    needed : bool
        Whether a sheet without it is refused.
    default : object
        What counts when it is not written.
    """

    name: str
    meaning: str
    holds: tuple[Holds, ...]
    needed: bool
    default: Any


@cache
def keys_of(model: type[Sheet]) -> tuple[Key, ...]:
    """Return the keys of a table, in the order of its model."""
    meanings = _meanings(model)
    return tuple(
        Key(
            name,
            meanings.get(name, ""),
            _held(field.annotation, field.metadata),
            field.is_required(),
            None if field.is_required() else field.get_default(call_default_factory=True, validated_data={}),
        )
        for name, field in model.model_fields.items()
    )


def about(model: type[Sheet]) -> str:
    """Return the first sentence that describes a table."""
    return (inspect.getdoc(model) or "").split("\n\n")[0].replace("\n", " ")


def _meanings(model: type[Sheet]) -> dict[str, str]:
    """Return the text below each attribute, of parent tables too; Python itself throws it away."""
    found: dict[str, str] = {}
    # Parents first: what a table says of a key takes the place of what they say.
    for table in reversed(model.__mro__):
        if not issubclass(table, Sheet) or table is Sheet:
            continue
        (tree,) = ast.parse(inspect.getsource(table)).body
        for here, following in pairwise(getattr(tree, "body", [])):
            text = following.value if isinstance(following, ast.Expr) else None
            named = isinstance(here, ast.AnnAssign) and isinstance(here.target, ast.Name)
            if named and isinstance(text, ast.Constant):
                found[here.target.id] = " ".join(str(text.value).split())
    return found


_PLAIN: Final[dict[Any, What]] = {int: "whole number", float: "number", bool: "switch", dt.date: "day"}


def _held(annotation: Any, metadata: list[Any]) -> tuple[Holds, ...]:
    """Return what an annotation allows, nothing for None."""
    example = next((m.example for m in metadata if isinstance(m, QuantityReader)), "")
    if example:
        return (Holds("quantity", example),)
    # A reader knows what it takes; the type is that of what it gives.
    reader = next((m for m in metadata if isinstance(m, TextReader)), None)
    if reader is not None:
        return (Holds("text", reader.example), Holds("table", table=reader.table))
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return _held(arguments[0], list(arguments[1:]))
    if origin in (Union, types.UnionType):
        every = (held for part in arguments if part is not type(None) for held in _held(part, []))
        return tuple(dict.fromkeys(every))
    if origin is Literal:
        return (Holds("choice", choices=tuple(map(str, arguments))),)
    if origin in (list, tuple, dict):
        columns = next((m.names for m in metadata if isinstance(m, Columns)), ())
        entries = _held(arguments[-1], [])
        return (Holds("names" if origin is dict else "list", entries=entries, columns=columns),)
    if isinstance(annotation, type) and issubclass(annotation, Sheet):
        return (Holds("table", table=annotation),)
    return (Holds(_PLAIN.get(annotation, "text")),)
