"""Write the sheet reference of the docs from the models: ``python tests/docs/sheets_page.py``."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any, Final

from analyzer.core.units import Uncertain
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import Holds, Sheet, about, keys_of
from analyzer.sheets.session import CourseSheet, SessionSheet

EXAMPLES: Final = Path(__file__).parents[2] / "docs" / "examples"
WHOLE: Final[dict[type[Sheet], dict[str, str]]] = {
    CarSheet: {
        "car-blades.toml": "independent suspension, bars with blades",
        "car-bent-bar.toml": "a bent bar in front, a solid rear axle without a bar",
    },
    SessionSheet: {"session.toml": "two set-ups and an unhooked bar"},
    CourseSheet: {"course.toml": "sections by distance and by position"},
}
"""Whole sheets to copy; the example of every key is taken from them."""
_LONGEST: Final = 90
"""Characters of an example that stand in a cell; a longer table is shown in its own section alone."""
_INTRODUCTION: Final = """# Sheets

Three text files in TOML describe a car and a session: the car sheet (`car.toml`), the session sheet
(`session.toml`) and, if wanted, the course sheet (`course.toml`). `analyzer start FOLDER --from LOG...`
writes the first two for you to fill in; whole sheets to copy are at the end of each section below.

Every quantity is text with its unit: `"65 N/mm"`, `"27.5 mm"`, `"450 lbf/in"`. After ± comes the standard
uncertainty, in a unit or in percent: `"0.47 m ± 0.02 m"`, `"9.1 in ± 1 %"`; `± 0` means that the value is
exact. What a sheet does not state gets the default tolerance listed in [bars.md](bars.md), and the report
says so. A spring rate in `kg/mm` is read as kgf/mm, as is usual in the trade; a plain `g` is standard
gravity.

A table can be written under a heading, `[front.damper]` and its keys below, or on one line, `damper = {
full_bump = "57 mm" }`: both mean the same. An unknown key, a number without a unit, a wrong kind of unit or
an impossible value is refused in one line that names the file, the key and a value that would do. A sheet
may name only files inside its own folder.
"""

Shown = dict[tuple[type[Sheet], str], Any]
"""Value of each key of each table, as the first of the whole sheets has it."""


def reference() -> str:
    """Return the page as Markdown."""
    parts, seen = [_INTRODUCTION], set[type[Sheet]]()
    for title, model in (
        ("Car sheet", CarSheet),
        ("Session sheet", SessionSheet),
        ("Course sheet", CourseSheet),
    ):
        parts.append(f"\n## {title}\n\n{about(model)}\n")
        parts.extend(_tables(model, seen))
        for name, what in WHOLE[model].items():
            text = (EXAMPLES / name).read_text(encoding="utf-8")
            # The title says what its first line says.
            sheet = text.partition("\n")[2]
            parts.append(
                f"\n### A whole {title.lower()}: {what}\n\nAs a file: [{name}](examples/{name}). "
                f"Every figure is invented.\n\n```toml\n{sheet}```\n"
            )
    return "".join(parts)


def examples() -> Shown:
    """Return an example of every key that one of the whole sheets has."""
    found: Shown = {}
    for model, files in WHOLE.items():
        for name in files:
            _gather(model, tomllib.loads((EXAMPLES / name).read_text(encoding="utf-8")), found)
    return found


def _gather(model: type[Sheet], table: dict[str, Any], found: Shown) -> None:
    for key in keys_of(model):
        if key.name in table:
            found.setdefault((model, key.name), table[key.name])
            _gather_held(key.holds, table[key.name], found)


def _gather_held(holds: tuple[Holds, ...], value: Any, found: Shown) -> None:
    """Go on into the tables of a value: the one of its kind, those of a list, those behind names."""
    for held in holds:
        if held.what == "list" and isinstance(value, list):
            for entry in value:
                _gather_held(held.entries, entry, found)
        elif held.what == "names" and isinstance(value, dict):
            for entry in value.values():
                _gather_held(held.entries, entry, found)
        elif held.table is not None and isinstance(value, dict):
            kinds = next((k.holds[0].choices for k in keys_of(held.table) if k.name == "kind"), None)
            if kinds is None or value.get("kind") in kinds:
                _gather(held.table, value, found)


def _tables(top: type[Sheet], seen: set[type[Sheet]]) -> list[str]:
    """Return one Markdown table per model, each model once, in the order of first mention."""
    shown, places = examples(), _places(top)
    waiting, out = [top], []
    while waiting:
        model = waiting.pop(0)
        if model in seen:
            continue
        seen.add(model)
        rows = []
        for key in keys_of(model):
            waiting.extend(tables_in(key.holds))
            needed = "yes" if key.needed else f"no{_default(key.default)}"
            meaning = " ".join(filter(None, (key.meaning, _choices(key.holds)))).replace("|", "\\|")
            cell = ", ".join(
                filter(None, (_example(key.name, shown.get((model, key.name))), _links(key.holds)))
            )
            rows.append(f"| `{key.name}` | {cell} | {needed} | {meaning} |\n")
        if model is not top:
            both = {p: re.sub(r"\bfront\b", "rear", p) for p in places[model]}
            where = ", ".join(
                f"`{p}`" + ("" if r == p or r in both else f" (`{r}`)") for p, r in both.items()
            )
            out.append(f"\n### {title_of(model)}\n\n{about(model)} Written at {where}.\n")
        out.append("\n| key | example | needed | meaning |\n| --- | --- | --- | --- |\n")
        out.extend(rows)
    return out


def title_of(model: type[Sheet]) -> str:
    """Return the heading of a table: the words of its name."""
    name = model.__name__.removesuffix("Sheet")
    return "IMU" if name == "Imu" else re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name).capitalize()


def _places(top: type[Sheet]) -> dict[type[Sheet], list[str]]:
    """Return where each table is written in a sheet, the front axle standing for both."""
    places: dict[type[Sheet], list[str]] = {}

    def walk(model: type[Sheet], path: str) -> None:
        for key in keys_of(model):
            here = f"{path}.{key.name}" if path else key.name
            for inner in tables_in(key.holds):
                named = f"{here}.NAME" if any(held.what == "names" for held in key.holds) else here
                if not re.match(r"rear\b|shelf\.rear\b", named) or named in ("rear", "shelf.rear"):
                    places.setdefault(inner, []).append(named)
                    walk(inner, named)

    walk(top, "")
    return places


def tables_in(holds: tuple[Holds, ...]) -> list[type[Sheet]]:
    own = [held.table for held in holds if held.table is not None]
    return own + [model for held in holds for model in tables_in(held.entries)]


def _example(name: str, value: Any) -> str:
    """Return a key as it is written; nothing for a table that is too long for a cell."""
    written = f"{name} = {_toml(value)}"
    return f"`{written}`" if value is not None and len(written) <= _LONGEST else ""


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


def _links(holds: tuple[Holds, ...]) -> str:
    """Return where the tables that may be written at a key are explained."""
    models = dict.fromkeys(tables_in(holds))
    links = [f"[{title_of(m)}](#{title_of(m).lower().replace(' ', '-')})" for m in models]
    return "see " + ", ".join(links) if links else ""


def _choices(holds: tuple[Holds, ...]) -> str:
    """Return the words that will do, of a key that holds one of a few."""
    words = [word for held in holds for word in held.choices]
    return f"One of {', '.join(f'`{json.dumps(word)}`' for word in words)}." if len(words) > 1 else ""


def _default(value: Any) -> str:
    if isinstance(value, Uncertain):
        return f" ({value.value:g})"
    if value in (None, "", {}, []) or isinstance(value, Sheet):
        return ""
    return f" (`{json.dumps(value)}`)"


if __name__ == "__main__":
    import sys

    target = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    if target is None:
        sys.stdout.write(reference())
    else:
        target.write_text(reference(), encoding="utf-8")
