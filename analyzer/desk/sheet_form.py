"""A sheet as a form: what may be filled in, what stands in the file, and what was typed put back into it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import tomlkit
from tomlkit.items import AoT, Array, InlineTable, Table

from analyzer.core.errors import AnalyzerError
from analyzer.ingest.template import starter_bar
from analyzer.sheets.fields import Holds, Key, Sheet, about, keys_of
from analyzer.sheets.read import TO_MEASURE, dotted

Place = tuple[str | int, ...]

LARGEST: Final = 200_000
"""Bytes of a sheet that is shown as a form; the largest of a car with everything in it has 10,000."""
_MARKED: Final = re.compile(rf"(?<!\s)\s*+;?\s*{TO_MEASURE}(?::\s*)?")
"""The mark with the blanks before it, tried once for each run of blanks: else a long one takes its square."""
_NUMBER: Final = re.compile(r"[+-]?(?:0|[1-9]\d*)(?:\.\d+)?")
"""A number as TOML and people write it alike."""
_LIST_ENDS: Final = {"text": "; ", "quantity": ", ", "number": ", "}
"""What stands between the entries of a list in its one line; a quantity and a number hold no comma."""


# What is shown.


@dataclass(frozen=True, slots=True)
class Field:
    """One line of a form.

    Parameters
    ----------
    key : Key
        The key it is made of.
    place : Place
        Where it stands in the sheet.
    kind : str
        What is typed: ``quantity``, ``text``, ``choice``, ``whole number``, ``number``, ``switch``, ``day``,
        ``list of`` one of these.
    value, error : str
        As typed; of a quantity the part behind ± apart.
    holds : Holds
        Example and choices.
    marked : bool
        Whether the line still carries the mark of a value that nobody has measured.
    mark : Place
        Where that mark stands, or would stand: several values may share a line of the file.
    remark : str
        The comment on the line, without the mark.
    """

    key: Key
    place: Place
    kind: str
    value: str
    error: str
    holds: Holds
    marked: bool
    mark: Place
    remark: str

    @property
    def name(self) -> str:
        """The name of its element of the page, the key as messages write it."""
        return dotted(self.place)


@dataclass(frozen=True, slots=True)
class Group:
    """One table of a form.

    Parameters
    ----------
    key : Key
        The key it is made of.
    place : Place
        Where it stands in the sheet.
    table : type of Sheet or None
        Its model; None for a list of tables or a table of names, whose entries stand in `parts`.
    parts : tuple of Field or Group
        What stands in it, in the order of the model.
    there : bool
        Whether the sheet has it.
    blank : Group or Field or None
        An empty entry that may be added, its number or name left open.
    either : bool
        Whether the first part takes the place of all others.
    kind : Field or None
        Which of several forms the table has, where the sheet says so.
    """

    key: Key
    place: Place
    table: type[Sheet] | None
    parts: tuple[Field | Group, ...]
    there: bool
    blank: Group | Field | None = None
    either: bool = False
    kind: Field | None = None

    @property
    def name(self) -> str:
        """As of a field."""
        return dotted(self.place)

    @property
    def line(self) -> Field | None:
        """A value that stands on the same line of the file as the table, whose mark is that of all there."""
        there = [part for part in fields(self) if part.mark == self.place]
        return next((part for part in there if part.marked), there[0] if there else None)

    @property
    def about(self) -> str:
        """What the table is."""
        return self.key.meaning or ("" if self.table is None else about(self.table))

    @property
    def stated(self) -> tuple[Field | Group, ...]:
        """Parts that are needed or in the file."""
        return tuple(part for part in self.parts if self._shown(part))

    @property
    def open(self) -> tuple[Field | Group, ...]:
        """Parts that the file says nothing of and need not."""
        return tuple(part for part in self.parts if not self._shown(part))

    def group(self, name: str) -> Group:
        """Return a table of the form by its key."""
        return next(part for part in self.parts if isinstance(part, Group) and part.key.name == name)

    def _shown(self, part: Field | Group) -> bool:
        if isinstance(part, Group):
            return part.there or part.key.needed
        return (
            part.value != ""
            or (part.key.needed and not self.either)
            or (self.either and part is self.parts[0])
        )


EITHER: Final = {"quantity": "one value", "choice": "in a word", "text": "one value"}
"""What the plain form of a key is called, for which a table would do as well."""
OPEN: Final = "+"
"""Stands in a place for the number or name of an entry that is not there yet."""


def fields(part: Group | Field) -> Iterator[Field]:
    """Yield every line of a form."""
    if isinstance(part, Field):
        yield part
    else:
        for inner in part.parts:
            yield from fields(inner)


def form_of(model: type[Sheet], document: tomlkit.TOMLDocument) -> Group:
    """Return the form of a sheet as it stands in a file."""
    top = Key("", "", (Holds("table", table=model),), True, None)
    return Group(top, (), model, tuple(_parts(model, document, (), _Line())), True)


@dataclass(frozen=True, slots=True)
class _Line:
    """The line of the file on which a value stands: where, and its comment."""

    place: Place = ()
    comment: str = ""


def _parts(model: type[Sheet], node: Any, place: Place, line: _Line) -> Iterator[Field | Group]:
    for key in keys_of(model):
        if key.name != "kind":  # a table's form is chosen above it
            yield _part(
                key, key.holds, _child(node, key.name), (*place, key.name), _line(node, key.name, place, line)
            )


def _part(key: Key, holds: tuple[Holds, ...], node: Any, place: Place, line: _Line) -> Field | Group:
    tables = [held for held in holds if held.what == "table"]
    plain = [held for held in holds if held.what != "table"]
    if tables and plain:
        # Either one value or a table: the value stands above the table's own keys.
        tabled = isinstance(node, dict)
        table = _group(key, _form_in(tables, node), node, place, line if tabled else _Line())
        value = _field(key, plain[0], None if tabled else node, place, _Line() if tabled else line)
        alone = replace(value, key=replace(key, name=EITHER[plain[0].what], meaning="", needed=False))
        return replace(table, parts=(alone, *table.parts), there=node is not None, either=True)
    if tables:
        return _group(key, _form_in(tables, node), node, place, line)
    held = plain[0]
    if held.columns:
        # The corners of a section: plain lengths, whose errors are those of the sizes beside.
        entry = replace(held.entries[0], what="text")
        row = [
            _field(Key(name, "", held.entries, True, None), entry, _child(node, step), (*place, step), line)
            for step, name in enumerate(held.columns)
        ]
        return Group(key, place, None, tuple(row), node is not None)
    if held.what == "names" or (held.what == "list" and held.entries[0].what in ("table", "list")):
        return _entries(key, held, node, place, line)
    return _field(key, held, node, place, line)


def _form_in(tables: Sequence[Holds], node: Any) -> type[Sheet]:
    """Return which of several tables a sheet has, told by its kind."""
    forms = [held.table for held in tables if held.table is not None]
    kind = node.get("kind") if isinstance(node, dict) else None
    return next((form for form in forms if kind is not None and kind in kinds_of(form)), forms[-1])


def kinds_of(table: type[Sheet]) -> tuple[str, ...]:
    """Return the words that a table's ``kind`` may be; nothing for a table without one."""
    return next((held.choices for key in keys_of(table) if key.name == "kind" for held in key.holds), ())


def _group(key: Key, table: type[Sheet], node: Any, place: Place, line: _Line) -> Group:
    told = next((inner for inner in keys_of(table) if inner.name == "kind"), None)
    kind = None
    if told is not None:
        where = (*place, "kind")
        kind = _field(told, told.holds[0], _child(node, "kind"), where, _line(node, "kind", place, line))
    parts = tuple(_parts(table, node, place, line))
    return Group(key, place, table, parts, isinstance(node, dict), kind=kind)


def _entries(key: Key, held: Holds, node: Any, place: Place, line: _Line) -> Group:
    numbered = held.what == "list"
    steps: Sequence[str | int] = range(len(node or ())) if numbered else list(node or ())
    parts = []
    for step in steps:
        named = Key(str(step + 1 if isinstance(step, int) else step), "", held.entries, False, None)
        child = _child(node, step)
        parts.append(_part(named, held.entries, child, (*place, step), _line(node, step, place, line)))
    added = Key(OPEN, "", held.entries, False, None)
    blank = _part(added, held.entries, {} if held.entries[0].table else None, (*place, OPEN), _Line())
    return Group(key, place, None, tuple(parts), node is not None, blank)


def _field(key: Key, held: Holds, node: Any, place: Place, line: _Line) -> Field:
    kind: str = held.what
    entry = held
    if held.what == "list":
        entry = held.entries[0]
        kind = f"list of {entry.what}"
    value, error = _typed(node, entry.what), ""
    if kind == "quantity":
        value, _, error = (part.strip() for part in value.partition("±"))
    remark = _MARKED.sub("; ", line.comment.lstrip("# ")).strip("; ")
    marked = TO_MEASURE in line.comment
    return Field(key, place, kind, value, error, entry, marked, line.place or place, remark)


def _typed(node: Any, what: str) -> str:
    """Return a value as it is typed into a form."""
    if node is None:
        return ""
    if isinstance(node, list):
        return _LIST_ENDS.get(what, ", ").join(_typed(entry, what) for entry in node)
    if isinstance(node, bool):
        return "true" if node else "false"
    if isinstance(node, dict):
        return "a table"
    return str(node) if isinstance(node, str) else _as_written(node)


def _as_written(node: Any) -> str:
    """Return a number or day with the digits of the file: "0.50" stays "0.50"."""
    return str(node.as_string()) if hasattr(node, "as_string") else str(node)


def _child(node: Any, step: str | int) -> Any:
    if isinstance(node, dict):
        return node.get(step)
    return node[step] if isinstance(node, list) and isinstance(step, int) and step < len(node) else None


def _line(node: Any, step: str | int, place: Place, above: _Line) -> _Line:
    """Return the line of an entry: its own, or that of the list or table in braces which it stands in."""
    if isinstance(node, (InlineTable, Array)):
        return above
    child = _child(node, step)
    trivia = getattr(child, "trivia", None)
    here = (*place, step)
    if child is None or trivia is None:
        return _Line(here)
    if isinstance(child, (Table, AoT)):
        # The comment behind a table's heading is about the table, and its keys have lines of their own.
        return _Line(here)
    return _Line(here, trivia.comment)


# What was typed is put into the file.


@dataclass(frozen=True, slots=True)
class Edit:
    """One change of a sheet.

    Parameters
    ----------
    place : Place
        Where; the number of an entry behind the last one adds it.
    text : str or None
        What was typed; None takes the entry out.
    kind : str
        As of a `Field`; ``bar`` for another kind of bar, ``mark`` for the mark of what is not measured, whose
        text is empty where it shall go.
    """

    place: Place
    text: str | None
    kind: str = "text"


def read_edits(sent: Any) -> tuple[Edit, ...]:
    """Return the edits that a page has sent; raises `AnalyzerError` when it is something else."""
    if not isinstance(sent, list) or len(sent) > 5000:
        raise AnalyzerError("the page sent no list of changes; load it again")
    found = []
    for item in sent:
        told = item if isinstance(item, dict) else {}
        place, text, kind = told.get("place"), told.get("text"), told.get("kind")
        if not isinstance(place, list) or not 0 < len(place) <= 12 or not isinstance(kind, str):
            raise AnalyzerError("the page sent a change without a place; load it again")
        if not all(type(step) in (str, int) for step in place):
            raise AnalyzerError("the page sent a change without a place; load it again")
        if text is not None and not isinstance(text, str):
            raise AnalyzerError("the page sent a change that is no text; load it again")
        found.append(Edit(tuple(place), text, kind))
    # Entries are taken out from the end, so that the numbers of those before them stay what they were.
    numbered = sorted(
        (edit for edit in found if edit.text is None),
        key=lambda edit: [(isinstance(step, int), step) for step in edit.place if isinstance(step, int)],
        reverse=True,
    )
    return (*(edit for edit in found if edit.text is not None), *numbered)


def opened(data: bytes) -> tomlkit.TOMLDocument:
    """Return the sheet in a file with its comments and blanks.

    Raises
    ------
    AnalyzerError
        When it would not come back byte by byte; such a sheet is left to an editor.
    """
    if len(data) > LARGEST:
        raise AnalyzerError(f"the sheet has more than {LARGEST // 1000} kB; change it in an editor")
    text = data.decode("utf-8-sig")
    document = tomlkit.parse(text)
    if document.as_string() != text:
        raise AnalyzerError(
            "the sheet is written in a way that a form would not keep; change it in an editor"
        )
    return document


def edited(data: bytes, edits: Sequence[Edit]) -> bytes:
    """Return a sheet with changes in it; comments, order and everything else stay as they are.

    Raises
    ------
    AnalyzerError
        When a change leads nowhere, or the file cannot be changed without changing something else.
    """
    document = opened(data)
    if not edits:
        return data
    wanted = tomllib.loads(data.decode("utf-8-sig"))
    for edit in edits:
        apply(document, edit)
        apply(wanted, edit)
    return _checked(document, wanted, data)


def _checked(document: tomlkit.TOMLDocument, wanted: dict[str, Any], data: bytes) -> bytes:
    """Return a changed document as the bytes of a file, its byte order mark as in the `data` it was."""
    text = document.as_string()
    # Two ways to the same contents, of which one knows nothing of comments: whatever the writer of the text
    # might get wrong is found before a file is touched.
    if tomllib.loads(text) != wanted:
        raise AnalyzerError(
            "this change cannot be put into the sheet as it is written; change it in an editor"
        )
    mark = b"\xef\xbb\xbf" if data.startswith(b"\xef\xbb\xbf") else b""
    return mark + text.encode("utf-8")


def with_channels(data: bytes, started: bytes) -> bytes:
    """Return a car sheet without channels with those of one started from a log, its guesses beside them."""
    document, other = opened(data), opened(started)
    document["logger"]["channels"] = other["logger"]["channels"]
    wanted = tomllib.loads(data.decode("utf-8-sig"))
    wanted["logger"]["channels"] = other.unwrap()["logger"]["channels"]
    return _checked(document, wanted, data)


def apply(root: Any, edit: Edit) -> None:
    """Make one change, in a document with comments or in plain tables alike."""
    # What is written below a table that is not there yet makes it on the way; nothing is taken out of it.
    *above, last = edit.place
    node = root
    for depth, step in enumerate(above):
        child = _child(node, step)
        if not isinstance(child, (dict, list)):
            if edit.text is None or edit.kind == "mark":
                return
            child = _added(node, step, [] if isinstance(edit.place[depth + 1], int) else {})
        node = child
    if edit.kind == "mark":
        _mark(_child(node, last), bool(edit.text))
    elif edit.kind == "bar":
        _put(node, last, _another_bar(edit.text or "none", plain=type(root) is dict))
    elif edit.text is None or not (edit.text.strip() or edit.kind == "text"):
        _take_out(node, last)
    else:
        _type_in(node, last, edit)


def _added(node: Any, step: str | int, new: Any) -> Any:
    """Add an empty table or list, in the manner of what stands around it."""
    if type(node) not in (dict, list):
        # As people write it: under a heading at the top and where neighbours have one, else in braces.
        rooted = isinstance(node, tomlkit.TOMLDocument)
        if isinstance(new, list):
            new = tomlkit.aot() if rooted else tomlkit.array()
        elif isinstance(node, AoT) or rooted or _has_headings(node):
            new = tomlkit.table()
        else:
            new = tomlkit.inline_table()
    if isinstance(new, Table):
        # An empty line before the heading, as people write them.
        new.trivia.indent = "\n"
    if isinstance(node, list):
        if step != len(node):
            raise AnalyzerError("the page sent a change to an entry that is not there; load it again")
        node.append(new)
        return node[-1]
    node[step] = new
    return node[step]


def _has_headings(node: Any) -> bool:
    """Return whether the tables in a table stand under headings of their own, as set-ups do."""
    inner = [child for child in node.values() if isinstance(child, dict)]
    return bool(inner) and all(isinstance(child, Table) and not child.is_super_table() for child in inner)


def _put(node: Any, step: str | int, value: Any) -> None:
    if isinstance(node, list) and step == len(node):
        node.append(value)
    elif _child(node, step) is None and isinstance(node, list):
        raise AnalyzerError("the page sent a change to an entry that is not there; load it again")
    else:
        node[step] = value


def _take_out(node: Any, step: str | int) -> None:
    if _child(node, step) is not None:
        del node[step]


def _type_in(node: Any, step: str | int, edit: Edit) -> None:
    text, old = (edit.text or "").strip(), _child(node, step)
    if not edit.kind.startswith("list of "):
        _put(node, step, _value(text, edit.kind, old))
        return
    kind = edit.kind.removeprefix("list of ")
    entries = [
        entry.strip()
        for entry in (text if kind == "text" else text.replace(",", ";")).split(";")
        if entry.strip()
    ]
    # Entry by entry where their number stays: each keeps its comment and the way it is written.
    if isinstance(old, list) and len(old) == len(entries):
        for place, entry in enumerate(entries):
            new = _value(entry, kind, old[place])
            if new != old[place]:
                old[place] = new
        return
    _put(node, step, [_value(entry, kind, None) for entry in entries])


def _value(text: str, kind: str, old: Any) -> Any:
    """Return what was typed as a value; text where it is none of its kind, which is refused then."""
    if kind == "switch" and text in ("true", "false"):
        return text == "true"
    numeric = kind in ("number", "whole number") or (
        kind == "quantity" and isinstance(old, (int, float)) and not isinstance(old, bool)
    )
    if numeric and _NUMBER.fullmatch(text):
        # With the digits as typed, in a document; the plain number otherwise.
        return tomlkit.value(text) if hasattr(old, "trivia") else tomllib.loads(f"v = {text}")["v"]
    return text


def _mark(item: Any, wanted: bool) -> None:
    """Set or take off the mark of what is not measured, in the comment of a line; what it says else stays."""
    trivia = getattr(item, "trivia", None)
    if trivia is None:
        return
    rest = _MARKED.sub("; ", trivia.comment.lstrip("# ")).strip("; ")
    # "GUESS: its name; TO MEASURE: the unit" loses its second half with the mark.
    if not wanted and ";" in trivia.comment.partition(TO_MEASURE)[0]:
        rest = trivia.comment.partition(";")[0].lstrip("#").strip()
    said = ": ".join(filter(None, (TO_MEASURE if wanted else "", rest)))
    trivia.comment = f"# {said}" if said else ""
    trivia.comment_ws = " " if said else ""


def _another_bar(kind: str, plain: bool) -> Any:
    text = starter_bar(kind)
    return tomllib.loads(text) if plain else tomlkit.parse("[bar]\n" + text)["bar"]
