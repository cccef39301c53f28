"""Read a sheet from disk: what the file is, then TOML to a validated model, or one line of advice."""

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal, TypeVar, get_args

from pydantic import ValidationError
from pydantic_core.core_schema import ErrorType

from analyzer.core.errors import SheetError, nearest, nearest_file, one_line
from analyzer.core.files import open_plain
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import Sheet
from analyzer.sheets.session import CourseSheet, SessionSheet

# What a file is that was given in place of another: one of the sheets, a log or a folder.


Kind = Literal["car sheet", "session sheet", "course sheet"]

LARGEST_SHEET: Final = 2_000_000
"""Bytes; a sheet is written by hand, so a larger file is something else."""

_OWN_KEYS: Final[dict[Kind, frozenset[str]]] = {
    "car sheet": frozenset({"mass", "front", "rear", "logger"}),
    "session sheet": frozenset({"car", "setups", "runs"}),
    "course sheet": frozenset({"sections"}),
}
"""Keys that only this sheet has; any sheet has a name."""
_USUAL_NAME: Final[dict[Kind, str]] = {
    "car sheet": "car.toml",
    "session sheet": "session.toml",
    "course sheet": "course.toml",
}
SHEET_SUFFIXES: Final = {".toml", ".txt"}
"""Some editors put ``.txt`` behind the name of a sheet."""
LOG_SUFFIXES: Final = {
    ".csv",
    ".tsv",
    ".txt",
    ".log",
    ".dat",
    ".asc",
    ".gz",
    ".bz2",
    ".xz",
    ".zip",
    ".parquet",
}
_LOG_SIGNATURES: Final = (b"\x1f\x8b", b"PK\x03\x04", b"BZh", b"\xfd7zXZ\x00", b"PAR1")
"""First bytes of gzip (RFC 1952), zip, bzip2, xz and Parquet; all but the first from memory."""
_HEAD: Final = 4096
_KEY_OR_TABLE: Final = re.compile(rb"^[ \t]*+(\[++[ \t]*+[A-Za-z]|[A-Za-z_.]++[ \t]*+=)", re.MULTILINE)
_PART: Final = rb"""(?:[A-Za-z0-9_-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+"""
_MOST_PARTS: Final = 20
"""Parts of a dotted key; the deepest of a sheet of ours has five."""
_DEEP_KEY: Final = re.compile(rb"(?<![A-Za-z0-9_-])(?:" + _PART + rb"\.[ \t]*+){%d}" % _MOST_PARTS)
_MOST_LOOKED_AT: Final = 50
"""Files of a folder that are opened to find the sheet that was meant; engineering judgement."""


def toml_table(data: bytes) -> dict[str, Any]:
    """Return the keys and values of a sheet.

    Raises
    ------
    UnicodeDecodeError
        When it is not UTF-8.
    TOMLDecodeError, RecursionError
        When it is not TOML, or is built in a way that no sheet is.
    """
    # The parser's time grows with the square of the parts of a key: of 2 MB of dots, hours.
    deep = _DEEP_KEY.search(data)
    if deep is not None:
        line = data.count(b"\n", 0, deep.start()) + 1
        raise tomllib.TOMLDecodeError(f"A key of more than {_MOST_PARTS} parts (at line {line})")
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        raise
    except ValueError:
        # The language refuses whole numbers of more than 4,300 digits, without a place.
        raise tomllib.TOMLDecodeError("A whole number has thousands of digits") from None


def kind_of(table: dict[str, Any]) -> Kind | None:
    """Return which sheet has the keys of `table`; None when none of its keys belongs to one sheet alone."""
    count = {kind: len(keys & table.keys()) for kind, keys in _OWN_KEYS.items()}
    likely = max(count, key=lambda kind: count[kind])
    return likely if count[likely] else None


def kind_of_file(path: Path) -> Kind | None:
    """Return which sheet lies at `path`; None when it is none, or cannot be read."""
    try:
        if path.suffix.lower() not in SHEET_SUFFIXES or path.stat().st_size > LARGEST_SHEET:
            return None
        with open_plain(path) as file:
            return kind_of(toml_table(file.read()))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError):
        return None


def is_log(path: Path) -> bool:
    """Return whether a file that does not read as a sheet is meant as a log, by its ending or first bytes."""
    try:
        with open_plain(path) as file:
            head = file.read(_HEAD)
    except OSError:
        return False
    if head.startswith(_LOG_SIGNATURES):
        return True
    suffix = path.suffix.lower()
    # A text file may be either: a sheet with a slip in it still has lines with keys and tables.
    return suffix in LOG_SUFFIXES and (suffix not in SHEET_SUFFIXES or _KEY_OR_TABLE.search(head) is None)


def logs_in(folder: Path) -> list[Path]:
    """Return the files of a folder that are logs by their ending and no sheets, sorted."""
    try:
        files = sorted(p for p in folder.iterdir() if p.suffix.lower() in LOG_SUFFIXES and p.is_file())
    except OSError:
        return []
    return [path for path in files if kind_of_file(path) is None]


def sheet_in(folder: Path, kind: Kind) -> Path | None:
    """Return the sheet of a `kind` in a folder: of the usual name, or the only one; None otherwise."""
    usual = folder / _USUAL_NAME[kind]
    if kind_of_file(usual) == kind:
        return usual
    try:
        files = sorted(folder.glob("*.toml"))[:_MOST_LOOKED_AT]
    except OSError:
        return None
    found = [path for path in files if kind_of_file(path) == kind]
    return found[0] if len(found) == 1 else None


# From the text of a sheet to its model.


SheetModel = TypeVar("SheetModel", bound=Sheet)
_KINDS: Final[dict[type[Sheet], Kind]] = {
    CarSheet: "car sheet",
    SessionSheet: "session sheet",
    CourseSheet: "course sheet",
}
TO_MEASURE: Final = "TO MEASURE"
"""Mark, in a comment, of a placeholder: nothing that carries it is known of the car."""
_HEADING: Final = re.compile(r"""\s*\[\[?((?:[\w.-]|"[^"]{1,200}"|'[^']{1,200}')+)\]""")
_QUOTES: Final = re.compile("[\"']")
_ASSIGNED: Final = re.compile(r"\s*([\w-]+(?: ?\. ?[\w-]+){0,8}) ?=")
"""Headings and keys as people and the starter sheets write them: names of set-ups in quotes, keys without."""
KEYS_TOLD: Final = "analyzer docs sheets lists the keys"
"""A command and no path: it does in a checkout and where the package is installed alike."""
PLAIN_FORM = ("function-before[", "literal[")
"""How the checker names the plain form of a key for which a plain value and a table would do."""


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


def marked_keys(text: str) -> tuple[str, ...]:
    """Return the dotted keys of a sheet whose lines carry the mark of what nobody has measured.

    They stand as in the file; a key of a list or table in braces stands for all that is in it. A line that is
    itself a comment counts for nothing.
    """
    table, key, found = "", "", []
    for line in text.splitlines():
        if line.lstrip().startswith("#"):
            continue
        if heading := _HEADING.match(line):
            table, key = _QUOTES.sub("", heading[1]) + ".", ""
        elif assigned := _ASSIGNED.match(line):
            key = assigned[1].replace(" ", "")
        if TO_MEASURE in line and key:
            found.append(table + key)
    return tuple(dict.fromkeys(found))


def read_sheet(path: Path, model: type[SheetModel]) -> SheetModel:
    """Read the TOML file at `path` as `model`; raises as `read_car`."""
    wanted = _KINDS[model]
    table, text = _toml(path, wanted)
    found = kind_of(table)
    # Keys of another sheet and none of this one: the wrong file was named, and a list of keys it may not have
    # would not say so.
    if found not in (None, wanted) and not table.keys() & model.model_fields.keys() - {
        "name",
        "notes",
        "car",
    }:
        raise _another(path, f"a {found}", wanted, table)
    try:
        return _with_marks(model.model_validate(table), marked_keys(text))
    except ValidationError as error:
        raise _plain(path, table, model, error) from None


def _with_marks(sheet: SheetModel, marks: tuple[str, ...]) -> SheetModel:
    """Return a sheet that knows which of its keys are not measured; so do the set-ups of a session."""
    if not marks:
        return sheet
    if isinstance(sheet, SessionSheet):
        setups = {
            name: setup.marked([mark for mark in marks if f"{mark}.".startswith(f"setups.{name}.")])
            for name, setup in sheet.setups.items()
        }
        sheet = sheet.model_copy(update={"setups": setups})
    return sheet.marked(marks)


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
    try:
        target = (sheet.parent / name).resolve()
    except (OSError, RuntimeError):  # a name of any length; links that go round
        raise SheetError(
            sheet, key, f'"{name}" cannot be followed to a file', "copy the file beside the sheet"
        ) from None
    if not target.is_relative_to(folder):
        raise SheetError(
            sheet, key, f'"{name}" lies outside the folder of the sheet', "copy the file into that folder"
        )
    if not target.is_file():
        near = nearest_file(sheet.parent / name)
        raise MissingFileError(
            sheet,
            key,
            _what_lies_there(target, name),
            ("" if near is None else f'did you mean "{near.name}"? ')
            + "check the name or copy the file beside the sheet",
        )
    return sheet.parent / name


def _what_lies_there(target: Path, name: str) -> str:
    if target.is_dir():
        return f'"{name}" is a folder'
    return f'"{name}" is a pipe or a device' if target.exists() else f'there is no file "{name}"'


def _another(path: Path, found: str, wanted: Kind, table: dict[str, Any] | None = None) -> SheetError:
    """Return the error for a file that is something else, with the sheet that was probably meant."""
    key = wanted.split()[0]
    # What the sheet itself names goes before what happens to lie beside it.
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


def _toml(path: Path, wanted: Kind) -> tuple[dict[str, Any], str]:
    try:
        # A folder, log or picture in the place of a sheet is the usual slip: it is named as that, since what
        # the TOML reader says of its bytes helps nobody.
        if path.is_dir():
            raise _another(path, "a folder", wanted)
        if path.stat().st_size > LARGEST_SHEET:
            if is_log(path):
                raise _another(path, "a log", wanted)
            raise SheetError(path, "", "is too large for a sheet", "name a .toml file written by hand")
        with open_plain(path) as file:
            data = file.read()
        return toml_table(data), data.decode("utf-8-sig")
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
        raise SheetError(path, "", f"is not TOML: {error}", "correct that place; text needs quotes") from None


def _not_there(path: Path, wanted: Kind) -> SheetError:
    near = nearest_file(path)
    if near is not None and kind_of_file(near) == wanted:
        return SheetError(path, "", "there is no such file", f"did you mean {near.name}?", near)
    there = sheet_in(path.parent, wanted)
    remedy = "check the path" if there is None else f"the {wanted} there is {there.name}"
    return SheetError(path, "", "there is no such file", remedy, there)


@dataclass(frozen=True, slots=True)
class Refusal:
    """One thing in a sheet that will not do.

    Parameters
    ----------
    place : tuple of str or int
        Keys down to it, and numbers of entries from 0; empty where the sheet as a whole is meant.
    problem, remedy : str
        As for `SheetError`.
    """

    place: tuple[str | int, ...]
    problem: str
    remedy: str

    @property
    def key(self) -> str:
        """The dotted key as messages write it, entries counted from 1: ``front.bar.holes[2]``."""
        return dotted(self.place)


def dotted(place: Sequence[str | int]) -> str:
    """Return a place of a sheet as messages write it."""
    return "".join(f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in place).lstrip(".")


def refusals(table: dict[str, Any], model: type[Sheet]) -> tuple[Refusal, ...]:
    """Return everything in the contents of a sheet that its model refuses, the likely cause first."""
    try:
        model.model_validate(table)
    except ValidationError as error:
        return _refused(table, model, error)
    return ()


def _refused(table: dict[str, Any], model: type[Sheet], error: ValidationError) -> tuple[Refusal, ...]:
    # An unknown key often causes a "missing" one (a typing slip): name the slip first.
    findings = sorted(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
    findings = [f for f in findings if _meant(f["loc"], table)] or findings
    places = [_place(finding, table) for finding in findings]
    return tuple(
        Refusal(place, *_wording(finding, model, dotted(place)))
        for place, finding in zip(places, findings, strict=True)
    )


def _plain(path: Path, table: dict[str, Any], model: type[Sheet], error: ValidationError) -> SheetError:
    """Turn the first finding into a line; the number of the others is added."""
    first, *others = _refused(table, model, error)
    more = f" ({len(others)} more after this one)" if others else ""
    return SheetError(path, first.key, first.problem, first.remedy + more)


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
        return _unknown_key(finding["loc"], model)
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        return "bar kind is not known", 'write kind = "bladed", "formed" or "none"'
    found = _shown(finding["input"])
    if kind == "literal_error":
        expected = finding["ctx"]["expected"].replace("'", '"')
        table = f" or a table ({KEYS_TOLD})" if key.endswith("_bar") else ""
        return f"{found} will not do", f"write {expected}{table}"
    if kind.startswith("int_"):
        return f"{found} is not a whole number", "write a whole number without quotes, for instance 1"
    if kind in _LIBRARY_WORDS:
        problem, remedy = _LIBRARY_WORDS[kind]
        values = {"found": found, **{name: str(value) for name, value in finding.get("ctx", {}).items()}}
        return problem.format_map(values), remedy.format_map(values)
    # Whatever else the checker finds: its own words are about its models, not about a sheet.
    if kind in _LIBRARY_KINDS:
        return f"{found} will not do", KEYS_TOLD
    problem, _, remedy = message.partition("; ")
    # A table is not shown: what is wrong with it stands in the problem.
    plain = isinstance(finding["input"], (str, int, float))
    shown = f" (found {found})" if plain and not remedy and '"' not in problem else ""
    return problem + shown, remedy or KEYS_TOLD


_LIBRARY_KINDS: Final = frozenset(get_args(ErrorType))
"""Findings of the checker itself; the rules of the sheets have kinds of their own."""

_NO_TABLE: Final = ("{found} is not a table", KEYS_TOLD)
_NO_LIST: Final = ("{found} is not a list", "write its entries in square brackets, [ ... ]")
_NO_NUMBER: Final = ("{found} is not a number", "write a number without quotes, for instance 0.94")
_NO_SWITCH: Final = ("{found} is neither true nor false", "write true or false, without quotes")
_NO_DATE: Final = ("{found} is not a date", "write for instance 2026-05-30")

_LIBRARY_WORDS: Final[dict[str, tuple[str, str]]] = {
    "model_type": _NO_TABLE,
    "model_attributes_type": _NO_TABLE,
    "dict_type": _NO_TABLE,
    "list_type": _NO_LIST,
    "tuple_type": _NO_LIST,
    "too_short": ("has {actual_length} entries and needs {min_length} or more", "add what is missing"),
    "too_long": ("has more than {max_length} entries", "leave the others out"),
    "string_type": ("{found} is not text", "put it in quotes"),
    "bool_type": _NO_SWITCH,
    "bool_parsing": _NO_SWITCH,
    "float_type": _NO_NUMBER,
    "float_parsing": _NO_NUMBER,
    "finite_number": _NO_NUMBER,
    "greater_than": ("{found} is too small", "write more than {gt}"),
    "greater_than_equal": ("{found} is too small", "write {ge} or more"),
    "less_than": ("{found} is too large", "write less than {lt}"),
    "less_than_equal": ("{found} is too large", "write {le} or less"),
    "date_type": _NO_DATE,
    "date_parsing": _NO_DATE,
    "date_from_datetime_parsing": _NO_DATE,
}
"""Problem and remedy of what the checker finds by itself, in words of a sheet."""


def _unknown_key(location: tuple[int | str, ...], model: type[Sheet]) -> tuple[str, str]:
    """Return problem and remedy of a key that does not stand in its table."""
    name, here = str(location[-1]), _tables_at(location[:-1], model)
    # A slip in the table itself, a key of another table, a slip of one of those: the nearest counts.
    meant = nearest(name, {key for table in here for key in table.model_fields})
    if meant is not None:
        return "is not a key of this table", f"did you mean {meant}?"
    tables = [table.__name__ for table in _tables(model) if name in table.model_fields]
    if tables:
        where = " or ".join(tables[:3])
        return "is not a key of this table", f"it is one of {where} ({KEYS_TOLD}); move or remove it"
    near = nearest(name, _known_keys(model))
    return "is not a key of this sheet", f"did you mean {near}?" if near else KEYS_TOLD


def _tables_at(location: tuple[int | str, ...], model: type[Sheet]) -> list[type[Sheet]]:
    """Return the tables that may stand at a place of a sheet, as the checker names the place."""
    here: list[type[Sheet]] = [model]
    for step in location:
        fields = [table.model_fields[step] for table in here if step in table.model_fields]
        if fields:
            here = [table for field in fields for table in _direct_tables(field.annotation)]
            continue
        # Of a key for which several tables would do the checker names the one by its kind; the names of
        # set-ups and the numbers of a list lead nowhere else.
        told = [table for table in here if "kind" in table.model_fields and _is_kind(table, step)]
        here = told or here
    return here


def _is_kind(table: type[Sheet], step: int | str) -> bool:
    return step in get_args(table.model_fields["kind"].annotation)


def _direct_tables(annotation: Any) -> list[type[Sheet]]:
    """Return the tables a key's annotation names, not those within them."""
    if isinstance(annotation, type) and issubclass(annotation, Sheet):
        return [annotation]
    return [table for part in get_args(annotation) for table in _direct_tables(part)]


def _shown(value: object) -> str:
    """Return a value as the sheet has it, on one line; tables and lists by name only."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    return one_line(f'"{value}"' if isinstance(value, str) else str(value), 60)


def _place(finding: Any, table: dict[str, Any]) -> tuple[str | int, ...]:
    """Return where a finding stands in the file; parts that the checker adds for unions are left out."""
    parts: list[str | int] = []
    here: Any = table
    location = finding["loc"]
    for place, step in enumerate(location, start=1):
        if isinstance(step, int):
            parts.append(step)
            here = here[step] if isinstance(here, list) and step < len(here) else None
        elif isinstance(here, dict) and step in here:
            parts.append(step)
            here = here[step]
        elif finding["type"] == "missing" and place == len(location):
            parts.append(step)
    return tuple(parts)


def _known_keys(model: type[Sheet]) -> list[str]:
    """Return the key names of `model` and of every table below it."""
    return sorted({name for table in _tables(model) for name in table.model_fields})


def _tables(model: type[Sheet]) -> list[type[Sheet]]:
    """Return `model` and every table below it."""
    tables: list[type[Sheet]] = []
    waiting: list[Any] = [model]
    seen: set[Any] = set()
    while waiting:
        current = waiting.pop()
        if current in seen:
            continue
        seen.add(current)
        if isinstance(current, type) and issubclass(current, Sheet):
            tables.append(current)
            waiting.extend(field.annotation for field in current.model_fields.values())
        else:
            waiting.extend(getattr(current, "__args__", ()))
    return tables
