"""Write the sheet reference of the docs from the models: ``python tests/docs/sheets_page.py``."""

from __future__ import annotations

import ast
import datetime as dt
import inspect
import types
import typing
from itertools import pairwise
from pathlib import Path
from typing import Any

from pydantic.fields import FieldInfo

from analyzer.core.units import Uncertain
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import Sheet
from analyzer.sheets.session import CourseSheet, SessionSheet

_INTRODUCTION = """# Sheets

Three sheets, in TOML, written by hand: the car (`car.toml`), the session (`session.toml`) and, if
wanted, the course (`course.toml`). Every quantity is text with its unit: `"8 kgf/mm"`, `"31.75 mm"`,
`"450 lbf/in"`. Behind ± stands the standard uncertainty, in a unit or in percent: `"0.47 m ± 0.02 m"`,
`"1.25 in ± 1 %"`; `± 0` says that the value is exact. What a sheet leaves open gets the default
tolerance listed in [bars.md](bars.md), and the report says so. A spring rate in `kg/mm` is read as
kgf/mm, as the trade writes it; a plain `g` is standard gravity.

A key that is not known, a number without a unit, a wrong kind of unit or an impossible value is refused
in one line that names the file, the key and a value that would do. A sheet may name only files inside
its own folder. This page is generated from the program (`python tests/docs/sheets_page.py
docs/sheets.md`), and a test holds it to it.
"""


def reference() -> str:
    """Return the page as Markdown."""
    parts = [_INTRODUCTION]
    for title, model in (
        ("Car sheet", CarSheet),
        ("Session sheet", SessionSheet),
        ("Course sheet", CourseSheet),
    ):
        parts.append(f"\n## {title}\n\n{_first_line(model)}\n")
        parts.extend(_tables(model))
    return "".join(parts)


def _tables(top: type[Sheet]) -> list[str]:
    """Return one Markdown table per model, each model once, in the order of first mention."""
    waiting, seen, out = [top], {top}, []
    while waiting:
        model = waiting.pop(0)
        comments = _attribute_comments(model)
        rows = []
        for name, field in model.model_fields.items():
            inner = [m for m in _models_in(field.annotation) if m not in seen]
            seen.update(inner)
            waiting.extend(inner)
            kind = _kind(field.annotation, field.metadata)
            needed = "yes" if field.is_required() else f"no{_default(field)}"
            rows.append(f"| `{name}` | {kind} | {needed} | {comments.get(name, '')} |\n")
        heading = "" if model is top else f"\n### {model.__name__}\n\n{_first_line(model)}\n"
        out.append(heading + "\n| key | what stands there | needed | meaning |\n| --- | --- | --- | --- |\n")
        out.extend(rows)
    return out


def _first_line(model: type[Sheet]) -> str:
    return (inspect.getdoc(model) or "").split("\n\n")[0].replace("\n", " ")


def _attribute_comments(model: type[Sheet]) -> dict[str, str]:
    """Return the docstring below each attribute; Python itself throws these away."""
    tree = ast.parse(inspect.getsource(model)).body[0]
    comments: dict[str, str] = {}
    body = typing.cast(ast.ClassDef, tree).body
    for here, following in pairwise(body):
        is_text = isinstance(following, ast.Expr) and isinstance(following.value, ast.Constant)
        if isinstance(here, ast.AnnAssign) and isinstance(here.target, ast.Name) and is_text:
            text = str(typing.cast(ast.Constant, typing.cast(ast.Expr, following).value).value)
            comments[here.target.id] = " ".join(text.split()).replace("|", "\\|")
    return comments


def _models_in(annotation: Any) -> list[type[Sheet]]:
    if isinstance(annotation, type) and issubclass(annotation, Sheet):
        return [annotation]
    return [model for part in typing.get_args(annotation) for model in _models_in(part)]


def _kind(annotation: Any, metadata: list[Any]) -> str:
    """Return in words what a key holds."""
    example = next((m for m in map(_example, metadata) if m), None)
    if example:
        return example
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Annotated:
        return _kind(arguments[0], list(arguments[1:]))
    if origin in (typing.Union, types.UnionType):
        kinds = (_kind(part, []) for part in arguments if part is not type(None))
        return " or ".join(dict.fromkeys(kinds))
    if origin is typing.Literal:
        return " or ".join(f'`"{value}"`' for value in arguments)
    if origin is list:
        return f"list of: {_kind(arguments[0], [])}"
    if origin is dict:
        return f"table of name = {_kind(arguments[1], [])}"
    if isinstance(annotation, type) and issubclass(annotation, Sheet):
        return f"table [{annotation.__name__}](#{annotation.__name__.lower()})"
    words = {str: "text", int: "whole number", float: "number", bool: "`true` or `false`", dt.date: "day"}
    return words.get(annotation, "text")


def _example(metadata: Any) -> str | None:
    text = getattr(metadata, "example", None)
    return None if text is None else f'`"{text}"`'


def _default(field: FieldInfo) -> str:
    value = field.get_default(call_default_factory=True, validated_data={})
    if isinstance(value, Uncertain):
        return f" ({value.value:g})"
    if value in (None, "", {}, []) or isinstance(value, Sheet):
        return ""
    return f" (`{value}`)"


if __name__ == "__main__":
    import sys

    target = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    if target is None:
        sys.stdout.write(reference())
    else:
        target.write_text(reference(), encoding="utf-8")
