"""Results as plain values and arrays, and back: what a cache may hold without holding any code.

Frozen dataclasses of this package are taken apart field by field, whatever fields they have, so that a new
field of a result needs no change here. Nothing that is read back can run: classes are looked up by name among
those of this package alone, and arrays hold numbers only.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable
from dataclasses import fields, is_dataclass
from enum import Enum
from importlib import import_module
from pathlib import Path, PurePath
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

Array = npt.NDArray[Any]

_PLAIN: Final = (str, int, float, bool, type(None))
NUMBERS: Final = "fiub"
"""Kinds of numpy numbers an array may hold: floats, whole numbers, masks."""
_OURS: Final = "analyzer."


class NotPackable(TypeError):
    """A value of a kind that is not kept; the caller does without."""


class Packer:
    """Takes values apart; arrays are collected in `arrays` and stand in the tree by their number.

    An array or index met twice is kept once.
    """

    def __init__(self) -> None:
        self.arrays: list[Array] = []
        self._seen: dict[int, tuple[object, Any]] = {}

    def pack(self, value: Any) -> Any:
        """Return `value` as what JSON can hold.

        Raises
        ------
        NotPackable
            When there is something in it that cannot be given back as it was.
        """
        # By the very type: a number of a library or a member of an enum is a float or str, too.
        if type(value) in _PLAIN:
            return value
        if isinstance(value, Enum):
            return {"enum": _name(type(value)), "value": self.pack(value.value)}
        if isinstance(value, tuple):
            _plain_type(value, tuple)
            return {"tuple": [self.pack(item) for item in value]}
        if isinstance(value, list):
            _plain_type(value, list)
            return [self.pack(item) for item in value]
        if isinstance(value, dict):
            _plain_type(value, dict)
            return {"dict": [[self.pack(key), self.pack(item)] for key, item in value.items()]}
        if is_dataclass(value) and not isinstance(value, type):
            packed = {field.name: self.pack(getattr(value, field.name)) for field in fields(value)}
            return {"class": _name(type(value)), "fields": packed}
        if isinstance(value, PurePath):
            return {"path": str(value)}
        if type(value) is bytes:
            return {"bytes": self._array(np.frombuffer(value, np.uint8))}
        return self._pack_numbers(value)

    def _pack_numbers(self, value: Any) -> Any:
        if isinstance(value, np.generic):
            return {"number": self._array(np.asarray(value))}
        if isinstance(value, np.ndarray):
            return {"array": self._array(value)}
        if isinstance(value, pd.Index):
            return {"index": self._index(value)}
        if isinstance(value, pd.Series):
            return {
                "series": self._array(value.to_numpy()),
                "index": self._index(value.index),
                "name": self.pack(value.name),
            }
        if isinstance(value, pd.DataFrame):
            columns = [self._array(column.to_numpy()) for _, column in value.items()]
            return {
                "table": columns,
                "index": self._index(value.index),
                "columns": self._index(value.columns),
            }
        raise NotPackable(f"{type(value).__module__}.{type(value).__qualname__}")

    def _array(self, array: Array) -> int:
        if array.dtype.kind not in NUMBERS:
            raise NotPackable(f"array of {array.dtype}")
        return int(self._once(array, lambda: self._add(array)))

    def _add(self, array: Array) -> int:
        self.arrays.append(array)
        return len(self.arrays) - 1

    def _index(self, index: pd.Index[Any]) -> Any:
        return self._once(index, lambda: self._new_index(index))

    def _new_index(self, index: pd.Index[Any]) -> Any:
        if isinstance(index, pd.RangeIndex):
            return {"range": [index.start, index.stop, index.step], "name": self.pack(index.name)}
        values = index.to_numpy()
        if values.dtype.kind in NUMBERS and type(index) is pd.Index:
            return {"numbers": self._array(values), "name": self.pack(index.name)}
        words = list(index)
        if type(index) is not pd.Index or not all(type(word) is str for word in words):
            raise NotPackable(f"index of {index.dtype}")
        return {"words": words, "dtype": str(index.dtype), "name": self.pack(index.name)}

    def _once(self, value: object, make: Callable[[], Any]) -> Any:
        if id(value) not in self._seen:
            self._seen[id(value)] = (value, make())  # kept alive, so that its id stays its own
        return self._seen[id(value)][1]


class Unpacker:
    """Puts values together again from a tree and its arrays.

    What does not fit raises one of `UNFIT`; the caller then does without.
    """

    UNFIT: Final = (
        ArithmeticError,
        AttributeError,
        ImportError,
        LookupError,
        RecursionError,
        TypeError,
        ValueError,
    )

    def __init__(self, arrays: list[Array]) -> None:
        self._arrays = arrays
        self._indices: dict[str, pd.Index[Any]] = {}

    def unpack(self, packed: Any) -> Any:
        """Return the value that `packed` was made from."""
        if isinstance(packed, list):
            return [self.unpack(item) for item in packed]
        if not isinstance(packed, dict):
            return packed
        kind = next(iter(packed), "")
        inside: Any = packed.get(kind)
        if kind == "class":
            return _class(inside)(**{name: self.unpack(item) for name, item in packed["fields"].items()})
        if kind == "enum":
            return _class(inside)(self.unpack(packed["value"]))
        if kind == "tuple":
            return tuple(self.unpack(item) for item in inside)
        if kind == "dict":
            return {self.unpack(key): self.unpack(item) for key, item in inside}
        if kind == "path":
            return Path(inside)
        return self._unpack_numbers(kind, inside, packed)

    def _unpack_numbers(self, kind: str, inside: Any, packed: dict[str, Any]) -> Any:
        if kind == "number":
            return self._arrays[inside][()]
        if kind == "array":
            return self._arrays[inside]
        if kind == "bytes":
            return self._arrays[inside].tobytes()
        if kind == "index":
            return self._index(inside)
        if kind == "series":
            index, name = self._index(packed["index"]), self.unpack(packed["name"])
            return pd.Series(self._arrays[inside], index=index, name=name, copy=False)
        if kind == "table":
            index, columns = self._index(packed["index"]), self._index(packed["columns"])
            if len(columns) != len(inside):
                raise ValueError("columns without names")
            numbered = {place: self._arrays[number] for place, number in enumerate(inside)}
            table = pd.DataFrame(numbered, index=index, copy=False)
            table.columns = columns
            return table
        raise ValueError(f'"{kind}" is no kind of value')

    def _index(self, packed: dict[str, Any]) -> pd.Index[Any]:
        # Tables that shared an index share it again: pandas then sees at once that they fit.
        known = json.dumps(packed)
        if known not in self._indices:
            name = self.unpack(packed["name"])
            if "range" in packed:
                start, stop, step = packed["range"]
                self._indices[known] = pd.RangeIndex(start, stop, step, name=name)
            elif "numbers" in packed:
                self._indices[known] = pd.Index(self._arrays[packed["numbers"]], name=name, copy=False)
            else:
                self._indices[known] = pd.Index(packed["words"], dtype=packed["dtype"], name=name)
        return self._indices[known]


def content_digest(values: Iterable[Any]) -> str:
    """Return a digest of any values that can be packed; equal values have equal digests.

    Raises
    ------
    NotPackable
        When they cannot.
    """
    packer = Packer()
    tree = [packer.pack(value) for value in values]
    digest = hashlib.sha256(json.dumps(tree).encode())
    for array in packer.arrays:
        digest.update(f"{array.dtype.str}{array.shape}".encode())
        digest.update(np.ascontiguousarray(array).tobytes())
    return digest.hexdigest()


def _plain_type(value: object, kind: type) -> None:
    if type(value) is not kind:
        raise NotPackable(f"{type(value).__module__}.{type(value).__qualname__}")


def _name(kind: type) -> str:
    name = f"{kind.__module__}:{kind.__qualname__}"
    if not name.startswith(_OURS):
        raise NotPackable(name)
    return name


def _class(name: str) -> Any:
    """Return a dataclass or enum of this package by its name; nothing else is ever called."""
    module, _, kind = name.partition(":")
    if not module.startswith(_OURS):
        raise ValueError(f"{name} is not of this package")
    found = getattr(import_module(module), kind)
    if not (isinstance(found, type) and found.__module__ == module):
        raise ValueError(f"{name} is no class")
    if not (is_dataclass(found) or issubclass(found, Enum)):
        raise ValueError(f"{name} holds no values")
    return found
