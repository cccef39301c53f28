"""Results that are worked out once: where they lie, how they are packed, and what their keys hang on.

Whoever can write to the folder must not change a figure by it: what is read back bears a seal that needs the
user's own key, and lies in files that nobody else can write to. Nor can it run: classes are looked up by name
among those of this package alone, and arrays hold numbers only.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import mmap
import os
import platform
import secrets
import shutil
import stat
import tempfile
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache, cached_property
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path, PurePath
from typing import IO, Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

import analyzer
from analyzer.core.files import PART, open_plain, write_whole

Array = npt.NDArray[Any]

VARIABLE: Final = "ANALYZER_CACHE"
"""Environment variable that names another folder, or says "off"."""
LARGEST: Final = 2 * 1024**3
"""Bytes all results may take: a day of long logs; engineering judgement."""
LEFT_FREE: Final = 1024**3
"""Bytes of the disk that are left free, whatever would be kept."""

IN_MEMORY: Final = 32 * 1024**2
"""Bytes above which a file is used where it lies; each such file stays open, and there may be many runs."""

_FOLDER: Final = "kept-1"
_MAGIC: Final = b"drift-bar-analyzer kept 2"
_SUFFIX: Final = ".kept"
_SEAL: Final = "sha256"
"""A keyed hash (HMAC, RFC 2104): of a tenth of a second for 150 MB, no more than reading them takes."""
_SEAL_SIGNS: Final = 64
_KEY: Final = "cache.key"
_KEY_BYTES: Final = 32
_STALE: Final = 3600.0
"""Age at which a temporary file is one that a kill has left behind [s]."""
_STEP: Final = 64
"""Arrays begin at multiples of this, so that they can be used where they lie in the file [bytes]."""
_HEAD: Final = len(_MAGIC) + 1 + _SEAL_SIGNS + 1 + 16 + 1


def cache_folder() -> Path | None:
    """Return the folder of the user's store; None when it is switched off or there is no place for it."""
    word = os.environ.get(VARIABLE, "").strip()
    if word.lower() in ("off", "no", "0"):
        return None
    if word:
        place = Path(os.path.expanduser(word))
    else:
        from platformdirs import user_cache_path

        place = user_cache_path("drift-bar-analyzer", appauthor=False)
    # Without a home there is no absolute path; the folder the user works in is no place for a cache.
    return place / _FOLDER if word or place.is_absolute() else None


def user_key() -> bytes | None:
    """Return the key that only the user can read, made where there is none; None without a place for it.

    It lies in the folder of the user's settings and not beside the results, so that a folder of results that
    came from somebody else does not bring its own.
    """
    from platformdirs import user_config_path

    folder = user_config_path("drift-bar-analyzer", appauthor=False)
    path = folder / _KEY
    if not folder.is_absolute():
        return None
    try:
        # One that others could read or have written is no secret: another takes its place.
        if path.is_symlink() or not path.is_file() or not _mine(path.stat(), 0o077):
            path.unlink(missing_ok=True)
            _new_key(path)
        with open_plain(path) as file:
            key = file.read(_KEY_BYTES + 1)
            return key if len(key) == _KEY_BYTES and _mine(os.fstat(file.fileno()), 0o077) else None
    except OSError:
        return None


def _new_key(path: Path) -> None:
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    handle, part = tempfile.mkstemp(prefix=PART, dir=path.parent)
    try:
        os.write(handle, secrets.token_bytes(_KEY_BYTES))
        with suppress(FileExistsError):  # of several processes at once the first one's key stays
            os.link(part, path)
    finally:
        os.close(handle)
        os.unlink(part)


def _mine(status: os.stat_result, forbidden: int) -> bool:
    """Return whether a file is the user's own and grants others none of these rights."""
    if not hasattr(os, "geteuid"):  # a system that keeps rights elsewhere
        return True
    return status.st_uid == os.geteuid() and not status.st_mode & forbidden


class Store:
    """Results under their keys, one file each, the longest unused out first when they grow too many.

    Every trouble with it (no room, no rights, another user's folder, a damaged file) means that work is done
    anew, and is never an error: a store that fails costs time and nothing else.

    Parameters
    ----------
    folder : Path or None
        Where they lie; None stores nothing and finds nothing.
    secret : bytes, optional
        By which what was stored here is known again; the user's own if not given.
    """

    def __init__(self, folder: Path | None, secret: bytes | None = None) -> None:
        self._folder = folder
        self._given = secret
        self._written = 0

    @cached_property
    def _secret(self) -> bytes | None:
        return self._given or user_key()

    @classmethod
    def of_user(cls) -> Store:
        """Return the user's own, in the folder the environment names."""
        return cls(cache_folder())

    @property
    def used(self) -> bool:
        """Whether anything is stored at all."""
        return self._folder is not None

    def get(self, key: str) -> Any:
        """Return what was stored under `key`; None when there is nothing, or doubt that it was stored so."""
        if self._folder is None or not self._own_folder() or self._secret is None:
            return None
        path = self._folder / f"{key}{_SUFFIX}"
        try:
            with open_plain(path) as file:
                if not _mine(os.fstat(file.fileno()), _WRITTEN_BY_OTHERS):
                    return None
                value = _read(file, key, self._secret)
        except (OSError, *Unpacker.UNFIT):
            return None
        with suppress(OSError):  # a folder that may be read alone
            os.utime(path)  # used now: the longest unused go first
        return value

    def put(self, key: str, value: Any) -> None:
        """Store `value` under `key`, when it can be packed and there is room."""
        if self._folder is None:
            return
        packer = Packer()
        try:
            tree = packer.pack({"key": key, "value": value})
            size = sum(array.nbytes for array in packer.arrays)
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            if not self._own_folder() or (secret := self._secret) is None:
                return
            room = shutil.disk_usage(self._folder).free - LEFT_FREE
            if size > room or self._written + size > LARGEST:
                return
            path = self._folder / f"{key}{_SUFFIX}"
            write_whole(path, lambda part: _write(part, tree, packer.arrays, secret), own=True)
            self._written += path.stat().st_size
        except (OSError, NotPackable, RecursionError):
            return

    def _own_folder(self) -> bool:
        """Return whether the folder is the user's own; what others could write to is closed to them."""
        assert self._folder is not None
        try:
            status = self._folder.lstat()
            if not stat.S_ISDIR(status.st_mode) or not _mine(status, 0):
                return False
            if not _mine(status, _WRITTEN_BY_OTHERS):
                self._folder.chmod(0o700)
        except OSError:
            return False
        return True

    def tidy(self) -> None:
        """Remove what has been unused longest until all is within `LARGEST`; once, after the work."""
        if self._folder is None or not self._written or not self._own_folder():
            return
        self._written = 0
        found = []
        with suppress(OSError):  # without a list of it the folder stays as large as it is
            for entry in os.scandir(self._folder):
                with suppress(OSError):  # gone since the folder was listed
                    found.append((entry.stat().st_mtime, entry.stat().st_size, entry))
        total = sum(size for _, size, entry in found if entry.name.endswith(_SUFFIX))
        for used, size, entry in sorted(found, key=lambda item: item[0]):
            ours = entry.name.endswith(_SUFFIX)
            left_behind = entry.name.startswith(PART) and time.time() - used > _STALE
            if (ours and total > LARGEST) or left_behind:
                total -= size if ours else 0
                with suppress(OSError):  # another process was faster, or still has it open
                    os.unlink(entry.path)


_WRITTEN_BY_OTHERS: Final = 0o022


def _write(part: Path, tree: Any, arrays: list[Array], secret: bytes) -> None:
    places, end = [], 0
    for array in arrays:
        places.append([array.dtype.str, list(array.shape), end])
        end += -(-array.nbytes // _STEP) * _STEP
    text = json.dumps({"tree": tree, "arrays": places}, separators=(",", ":")).encode()
    text += b" " * (-(_HEAD + len(text) + 1) % _STEP) + b"\n"
    seal = _seal(secret, len(text))
    seal.update(text)
    part.chmod(0o600)
    with part.open("wb") as file:
        file.write(b" " * _HEAD + text)
        for array in arrays:
            piece = np.ascontiguousarray(array).data.cast("B") if array.size else b""
            filler = b"\0" * (-array.nbytes % _STEP)
            file.write(piece)
            file.write(filler)
            seal.update(piece)
            seal.update(filler)
        # The head comes last: it tells whether what follows is whole.
        file.seek(0)
        file.write(b"%s %s %016x\n" % (_MAGIC, seal.hexdigest().encode(), len(text)))


def _seal(secret: bytes, length: int) -> hmac.HMAC:
    return hmac.new(secret, b"%s %016x" % (_MAGIC, length), _SEAL)


def _read(file: IO[bytes], key: str, secret: bytes) -> Any:
    """Return the value in a file; raises what an `Unpacker` may raise when it is not as it was written."""
    size = os.fstat(file.fileno()).st_size
    if size <= _HEAD:
        raise ValueError("too short")
    # Of a mapped file, pages that are written to become this process's own; the others need no memory.
    mapped = None if size <= IN_MEMORY else mmap.mmap(file.fileno(), size, access=mmap.ACCESS_COPY)
    held = memoryview(mapped or bytearray(file.read()))
    magic, stated, length = bytes(held[: _HEAD - 1]).rsplit(b" ", 2)
    seal = _seal(secret, int(length, 16))
    seal.update(held[_HEAD:])
    if magic != _MAGIC or not hmac.compare_digest(seal.hexdigest().encode(), stated):
        raise ValueError("damaged, or not written by this user")
    start = _HEAD + int(length, 16)
    head = json.loads(bytes(held[_HEAD:start]))
    # A file may be anybody's: an array of objects would hold code, so numbers alone are taken.
    arrays = []
    for kind, shape, place in head["arrays"]:
        count = int(np.prod(shape, dtype=np.int64))
        numbers = np.dtype(kind)
        if numbers.kind not in _NUMBERS:
            raise ValueError(f"{kind} is no kind of number")
        flat = np.frombuffer(held, numbers, count, start + place) if count else np.empty(0, numbers)
        arrays.append(flat.reshape(shape))
    found = Unpacker(arrays).unpack(head["tree"])
    if found["key"] != key:
        raise ValueError("stored under another key")
    return found["value"]


# Values as plain JSON and arrays, and back.
#
# Frozen dataclasses are taken apart field by field, whatever fields they have, so that a new field of a
# result needs no change here. By hand and not by a library of typed structures (cattrs, msgspec): what the
# key of a drawing is made of has no declared types, so the packing of untyped values would stay; and half of
# these 200 lines, for arrays, tables and the indices they share, would stay as hooks. It takes 11 ms for a
# run that takes 140 ms to estimate.


_PLAIN: Final = (str, int, float, bool, type(None))
_NUMBERS: Final = "fiub"
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
        # By the very type: a number of a library or a member of an enum is a float or str, too, and a named
        # tuple would come back as a plain one.
        kind = type(value)
        if kind in _PLAIN:
            return value
        if kind is list:
            return [self.pack(item) for item in value]
        if kind is tuple:
            return {"tuple": [self.pack(item) for item in value]}
        if kind is dict:
            return {"dict": [[self.pack(key), self.pack(item)] for key, item in value.items()]}
        if kind is bytes:
            return {"bytes": self._array(np.frombuffer(value, np.uint8))}
        if isinstance(value, Enum):
            return {"enum": _name(kind), "value": self.pack(value.value)}
        if is_dataclass(kind):
            packed = {field.name: self.pack(getattr(value, field.name)) for field in fields(kind)}
            return {"class": _name(kind), "fields": packed}
        if isinstance(value, PurePath):
            return {"path": str(value)}
        return self._pack_numbers(value)

    def _pack_numbers(self, value: Any) -> Any:
        if isinstance(value, np.generic):
            return {"number": self._array(np.asarray(value))}
        if isinstance(value, np.ndarray):
            return {"array": self._array(value)}
        if isinstance(value, pd.Index):
            return {"index": self._index(value)}
        if isinstance(value, pd.Series):
            numbers, index = self._array(value.to_numpy()), self._index(value.index)
            return {"series": numbers, "index": index, "name": self.pack(value.name)}
        if isinstance(value, pd.DataFrame):
            columns = [self._array(column.to_numpy()) for _, column in value.items()]
            return {
                "table": columns,
                "index": self._index(value.index),
                "columns": self._index(value.columns),
            }
        raise NotPackable(f"{type(value).__module__}.{type(value).__qualname__}")

    def _array(self, array: Array) -> int:
        if array.dtype.kind not in _NUMBERS:
            raise NotPackable(f"array of {array.dtype}")
        number = int(self._once(array, lambda: len(self.arrays)))
        if number == len(self.arrays):
            self.arrays.append(array)
        return number

    def _index(self, index: pd.Index[Any]) -> Any:
        return self._once(index, lambda: self._new_index(index))

    def _new_index(self, index: pd.Index[Any]) -> Any:
        if isinstance(index, pd.RangeIndex):
            return {"range": [index.start, index.stop, index.step], "name": self.pack(index.name)}
        values = index.to_numpy()
        if values.dtype.kind in _NUMBERS and type(index) is pd.Index:
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
        ArithmeticError, AttributeError, ImportError, LookupError, RecursionError, TypeError, ValueError,
    )  # fmt: skip

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
            # Names may stand twice in a table, so columns are put in by number and named at the end.
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


# What a stored result hangs on, in one short text: digests of contents, program and libraries.


_ESTIMATING: Final = (
    "archive", "comparison", "core", "ingest", "prediction", "processing", "session", "sheets", "vehicle",
)  # fmt: skip
"""Rooms whose code a result depends on; drawing it anew needs no new estimate."""
_LIBRARIES: Final = (
    "charset-normalizer", "clevercsv", "numpy", "pandas", "pint", "pyarrow", "pydantic", "scipy",
)  # fmt: skip
"""Libraries that figures pass through; another version of one may move a last digit."""
_PLOTTING: Final = ("matplotlib", "numpy")


def digest_of(*values: Any) -> str:
    """Return a digest of plain values and records of such; the order of keys in a table does not matter."""
    text = json.dumps(values, sort_keys=True, ensure_ascii=True, default=_told_apart)
    return hashlib.sha256(text.encode()).hexdigest()


def _told_apart(value: Any) -> Any:
    # A record field by field: how it shows itself is made for readers and leaves out what lies deeper.
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: getattr(value, field.name) for field in fields(value)}
    return str(value)


def run_key(
    form: str,
    car: Mapping[str, Any],
    course: Mapping[str, Any] | None,
    setup: Mapping[str, Any],
    run: Mapping[str, Any],
    logs: Sequence[str],
) -> str:
    """Return the name of one run's result: whatever could change the result changes the name.

    Parameters
    ----------
    form : str
        Shape in which the result is stored, and for whom.
    car, course : dict
        Contents of the sheets, plain.
    setup : dict
        Hardware of the run's set-up; its notes do not matter.
    run : dict
        The run's entry in the session sheet; its conditions do not matter.
    logs : sequence of str
        SHA-256 of each log file, in the order of the entry.
    """
    hardware = {key: value for key, value in setup.items() if key != "notes"}
    matters = {key: value for key, value in run.items() if key != "conditions"}
    return digest_of(form, code_digest(), car, course, hardware, matters, list(logs))


@cache
def code_digest() -> str:
    """Return the digest of the part of the program that estimates, and of the libraries it works with."""
    root = Path(__file__).parents[1]
    rooms = [path for room in _ESTIMATING for path in (root / room).rglob("*.py")]
    return digest_of(_digest_files(root, [*root.glob("*.py"), *rooms]), _versions(_LIBRARIES))


@cache
def program_digest() -> str:
    """Return the digest of the whole program, with its templates and styles."""
    root = Path(__file__).parents[1]
    wanted = (".py", ".j2", ".css", ".mplstyle")
    return _digest_files(root, [path for path in root.rglob("*") if path.suffix in wanted])


@cache
def drawing_digest() -> str:
    """Return the digest of the whole program and of the libraries that draw."""
    return digest_of(program_digest(), _versions(_PLOTTING))


def _versions(libraries: Iterable[str]) -> dict[str, str]:
    """Return library -> version, with that of Python and the kind of processor."""
    found = {"python": platform.python_version(), "processor": platform.machine()}
    for name in libraries:
        try:
            found[name] = version(name)
        except PackageNotFoundError:  # laid out by hand, without the notes of an installer
            found[name] = "not known"
    return found


def _digest_files(root: Path, files: list[Path]) -> str:
    digest = hashlib.sha256(analyzer.__version__.encode())
    for path in sorted(files):
        digest.update(path.relative_to(root).as_posix().encode())
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()
