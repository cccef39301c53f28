"""What a stored result hangs on, in one short text: digests of contents, program and libraries."""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Final

import analyzer

_ESTIMATING: Final = ("archive", "cache", "comparison", "ingest", "prediction", "processing", "sheets")
"""Rooms whose code a result depends on; drawing it anew needs no new estimate."""
_LIBRARIES: Final = (
    "charset-normalizer",
    "clevercsv",
    "numpy",
    "pandas",
    "pint",
    "pyarrow",
    "pydantic",
    "scipy",
)
"""Libraries that figures pass through; another version of one may move a last digit."""
_PLOTTING: Final = ("matplotlib", "numpy")


def digest_of(*values: Any) -> str:
    """Return a digest of plain values; the order of keys in a table does not matter."""
    text = json.dumps(values, sort_keys=True, ensure_ascii=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


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
    root = Path(analyzer.__file__).parent
    rooms = [path for room in _ESTIMATING for path in (root / room).rglob("*.py")]
    return digest_of(_digest_files(root, [*root.glob("*.py"), *rooms]), _versions(_LIBRARIES))


@cache
def program_digest() -> str:
    """Return the digest of the whole program, with its templates and styles."""
    root = Path(analyzer.__file__).parent
    wanted = (".py", ".j2", ".css", ".mplstyle")
    return _digest_files(root, [path for path in root.rglob("*") if path.suffix in wanted])


@cache
def drawing_digest() -> str:
    """Return the digest of the whole program and of the libraries that draw."""
    return digest_of(program_digest(), _versions(_PLOTTING))


def _versions(libraries: tuple[str, ...]) -> dict[str, str]:
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
