"""Read a sheet from disk: TOML to a validated model, or one line that says what to mend."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Final, TypeVar

from pydantic import ValidationError

from analyzer.core.errors import SheetError, nearest, nearest_file, one_line
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import Sheet
from analyzer.sheets.kind import (
    LARGEST_SHEET,
    SHEET_SUFFIXES,
    Kind,
    is_log,
    kind_of,
    kind_of_file,
    logs_in,
    sheet_in,
)
from analyzer.sheets.session import CourseSheet, SessionSheet

SheetModel = TypeVar("SheetModel", bound=Sheet)
_KINDS: Final[dict[type[Sheet], Kind]] = {
    CarSheet: "car sheet",
    SessionSheet: "session sheet",
    CourseSheet: "course sheet",
}
TO_MEASURE: Final = "TO MEASURE"
"""Mark, in a comment, of a placeholder: nothing that carries it is known of the car."""
KEYS_TOLD: Final = "analyzer docs sheets lists the keys"
"""A command and no path: it does in a checkout and where the package is installed alike."""
PLAIN_FORM = ("function-before[", "literal[")
TABLE_FORM = "function-after["
"""How the checker names the forms of a key for which a plain value and a table would do."""


def read_car(path: Path) -> CarSheet:
    """Read and validate a car sheet.

    Raises
    ------
    SheetError
        One line naming file, key and remedy.
    """
    return read_sheet(path, CarSheet)


def read_session(path: Path) -> SessionSheet:
    """Read and validate a session sheet; raises as `read_car`."""
    return read_sheet(path, SessionSheet)


def read_course(path: Path) -> CourseSheet:
    """Read and validate a course sheet; raises as `read_car`."""
    return read_sheet(path, CourseSheet)


def placeholders(path: Path) -> int:
    """Return how many lines of a sheet still carry the mark of a value that nobody has measured."""
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    return sum(TO_MEASURE in line for line in lines if not line.lstrip().startswith("#"))


def read_sheet(path: Path, model: type[SheetModel]) -> SheetModel:
    """Read the TOML file at `path` as `model`; raises as `read_car`."""
    wanted = _KINDS[model]
    table = _toml(path, wanted)
    found = kind_of(table)
    if found not in (None, wanted) and not table.keys() & model.model_fields.keys() - {
        "name",
        "notes",
        "car",
    }:
        raise _another(path, f"a {found}", wanted, table)
    try:
        return model.model_validate(table)
    except ValidationError as error:
        raise _plain(path, table, model, error) from None


class MissingFileError(SheetError):
    """A sheet names a file that is not there."""


def file_beside(sheet: Path, key: str, name: str) -> Path:
    """Return the file `name` that a sheet mentions, which must lie in the sheet's own folder.

    Raises
    ------
    MissingFileError
        When nothing is there.
    SheetError
        When the path leaves the folder (also through a link).
    """
    folder = sheet.parent.resolve()
    if "\x00" in name:
        raise SheetError(sheet, key, "the file name holds a null character", "write a plain file name")
    target = (sheet.parent / name).resolve()
    if not target.is_relative_to(folder):
        raise SheetError(
            sheet, key, f'"{name}" lies outside the folder of the sheet', "copy the file into that folder"
        )
    if not target.is_file():
        near = nearest_file(sheet.parent / name)
        raise MissingFileError(
            sheet,
            key,
            f'there is no file "{name}"' if not target.is_dir() else f'"{name}" is a folder',
            ("" if near is None else f'did you mean "{near.name}"? ')
            + "check the name or copy the file beside the sheet",
        )
    return sheet.parent / name


def _another(path: Path, found: str, wanted: Kind, table: dict[str, Any] | None = None) -> SheetError:
    """Return the error for a file that is something else, with the sheet that was probably meant."""
    key = wanted.split()[0]
    named = (table or {}).get(key)  # a session sheet names its car and its course
    meant = path.parent / named if isinstance(named, str) and "\x00" not in named else None
    if meant is None or not meant.is_file():
        meant = sheet_in(path if path.is_dir() else path.parent, wanted)
    if found == "a folder":
        if meant is not None:
            return SheetError(path, "", "is a folder", f"name the {wanted} in it, {meant.name}", meant)
        log = next(iter(logs_in(path)), "LOG")
        hint = f"analyzer start FOLDER --from {log} begins the sheets"
        return SheetError(path, "", f"is a folder that holds no {wanted}", hint)
    if meant is not None:
        return SheetError(path, "", f"is {found}, not a {wanted}", f"name {meant.name}", meant)
    if found == "a log":
        hint = f"analyzer check {path} looks into it, analyzer start FOLDER --from {path} begins the sheets"
    elif found == "a car sheet":
        hint = f"name a {wanted}; analyzer bar {path} reads this one"
    elif found == "a session sheet":
        hint = f"name a {wanted}; analyzer review {path} reads this one"
    else:
        hint = f"name a {wanted}"
    return SheetError(path, "", f"is {found}, not a {wanted}", hint)


def _toml(path: Path, wanted: Kind) -> dict[str, Any]:
    try:
        if path.is_dir():
            raise _another(path, "a folder", wanted)
        if path.stat().st_size > LARGEST_SHEET:
            if is_log(path):
                raise _another(path, "a log", wanted)
            raise SheetError(path, "", "is too large for a sheet", "name a .toml file written by hand")
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        raise _not_there(path, wanted) from None
    except OSError as error:
        raise SheetError(
            path, "", f"cannot be read ({error.strerror})", "check the path and its rights"
        ) from None
    except UnicodeDecodeError:
        if is_log(path):
            raise _another(path, "a log", wanted) from None
        raise SheetError(path, "", "is not UTF-8 text", "save the sheet as UTF-8") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        if is_log(path):
            raise _another(path, "a log", wanted) from None
        if path.suffix and path.suffix.lower() not in SHEET_SUFFIXES:
            raise _another(path, f"a {path.suffix} file", wanted) from None
        raise SheetError(path, "", f"is not TOML: {error}", "mend that place; text needs quotes") from None


def _not_there(path: Path, wanted: Kind) -> SheetError:
    near = nearest_file(path)
    if near is not None and kind_of_file(near) == wanted:
        return SheetError(path, "", "there is no such file", f"did you mean {near.name}?", near)
    there = sheet_in(path.parent, wanted)
    remedy = "check the path" if there is None else f"the {wanted} there is {there.name}"
    return SheetError(path, "", "there is no such file", remedy, there)


def _plain(path: Path, table: dict[str, Any], model: type[Sheet], error: ValidationError) -> SheetError:
    """Turn the first finding into a line; the number of the others is added."""
    # An unknown key often causes a "missing" one (a typing slip): name the slip first.
    findings = sorted(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
    findings = [f for f in findings if _meant(f["loc"], table)] or findings
    first = findings[0]
    key = _dotted(first["loc"], table)
    problem, remedy = _wording(first, model, key)
    if len(findings) > 1:
        remedy += f" ({len(findings) - 1} more after this one)"
    return SheetError(path, key, problem, remedy)


def _meant(location: tuple[int | str, ...], table: dict[str, Any]) -> bool:
    """Whether a finding is about the form that was written, where a number or a table would do.

    Of such a key the checker reports what is wrong with either form.
    """
    here: Any = table
    for step in location:
        if isinstance(step, str) and step.startswith(PLAIN_FORM):
            return not isinstance(here, dict)
        if isinstance(here, dict) and step in here:
            here = here[str(step)]
        elif isinstance(here, list) and isinstance(step, int) and step < len(here):
            here = here[step]
        elif not isinstance(here, dict):
            return False  # the name of a table's form, and no table was written
    return True


def _wording(finding: Any, model: type[Sheet], key: str) -> tuple[str, str]:
    kind, message = finding["type"], str(finding["msg"])
    if kind == "missing":
        return "is missing", f"write {key.rsplit('.', 1)[-1]} = … ({KEYS_TOLD})"
    if kind == "extra_forbidden":
        name = key.rsplit(".", 1)[-1]
        near = nearest(name, (known for known in _known_keys(model) if known != name))
        return (
            "is not a key of this sheet",
            f"did you mean {near}?" if near else KEYS_TOLD,
        )
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        return "bar kind is not known", 'write kind = "bladed", "formed" or "none"'
    found = one_line(repr(finding["input"]), 60)
    if kind == "literal_error":
        expected = finding["ctx"]["expected"].replace("'", '"')
        table = f" or a table ({KEYS_TOLD})" if key.endswith("_bar") else ""
        return f"{found} will not do", f"write {expected}{table}"
    if kind.startswith("int_"):
        return f"{found} is not a whole number", "write a whole number without quotes, for instance 1"
    if kind == "model_type":
        return f"{found} is not a table", KEYS_TOLD
    problem, _, remedy = message.replace("Input should", "should").partition("; ")
    shown = "" if remedy or '"' in problem else f" (found {found})"
    return problem + shown, remedy or KEYS_TOLD


def _dotted(location: tuple[int | str, ...], table: dict[str, Any]) -> str:
    """Return the key as it stands in the file; parts that pydantic adds for unions are left out."""
    parts: list[str] = []
    here: Any = table
    for step in location:
        if isinstance(step, int):
            parts[-1:] = [f"{parts[-1] if parts else ''}[{step + 1}]"]
            here = here[step] if isinstance(here, list) and step < len(here) else None
        elif isinstance(here, dict) and step in here:
            parts.append(step)
            here = here[step]
        elif (
            isinstance(here, dict) and step == location[-1] and not step.startswith((*PLAIN_FORM, TABLE_FORM))
        ):
            parts.append(step)  # a key that is missing
    return ".".join(parts)


def _known_keys(model: type[Sheet]) -> list[str]:
    """Return the key names of `model` and of every table below it."""
    keys: set[str] = set()
    waiting: list[Any] = [model]
    seen: set[Any] = set()
    while waiting:
        current = waiting.pop()
        if current in seen:
            continue
        seen.add(current)
        if isinstance(current, type) and issubclass(current, Sheet):
            keys.update(current.model_fields)
            waiting.extend(field.annotation for field in current.model_fields.values())
        else:
            waiting.extend(getattr(current, "__args__", ()))
    return sorted(keys)
