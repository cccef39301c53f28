"""Write the sheet reference of the docs from the models: ``python tests/docs/sheets_page.py``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from analyzer.core.units import Uncertain
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import Holds, Sheet, about, keys_of
from analyzer.sheets.session import CourseSheet, SessionSheet

_INTRODUCTION = """# Sheets

Three sheets, in TOML, written by hand: the car (`car.toml`), the session (`session.toml`) and, if
wanted, the course (`course.toml`). Every quantity is text with its unit: `"65 N/mm"`, `"27.5 mm"`,
`"450 lbf/in"`. Behind ± stands the standard uncertainty, in a unit or in percent: `"0.47 m ± 0.02 m"`,
`"9.1 in ± 1 %"`; `± 0` says that the value is exact. What a sheet leaves open gets the default
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
        parts.append(f"\n## {title}\n\n{about(model)}\n")
        parts.extend(_tables(model))
    return "".join(parts)


def _tables(top: type[Sheet]) -> list[str]:
    """Return one Markdown table per model, each model once, in the order of first mention."""
    waiting, seen, out = [top], {top}, []
    while waiting:
        model = waiting.pop(0)
        rows = []
        for key in keys_of(model):
            inner = [table for table in _models_in(key.holds) if table not in seen]
            seen.update(inner)
            waiting.extend(inner)
            needed = "yes" if key.needed else f"no{_default(key.default)}"
            meaning = key.meaning.replace("|", "\\|")
            rows.append(f"| `{key.name}` | {_words(key.holds)} | {needed} | {meaning} |\n")
        heading = "" if model is top else f"\n### {model.__name__}\n\n{about(model)}\n"
        out.append(heading + "\n| key | what stands there | needed | meaning |\n| --- | --- | --- | --- |\n")
        out.extend(rows)
    return out


def _models_in(holds: tuple[Holds, ...]) -> list[type[Sheet]]:
    own = [held.table for held in holds if held.table is not None]
    return own + [model for held in holds for model in _models_in(held.entries)]


def _words(holds: tuple[Holds, ...]) -> str:
    return " or ".join(dict.fromkeys(map(_word, holds)))


def _word(held: Holds) -> str:
    """Return in words what a key holds."""
    if held.example:
        return f'`"{held.example}"`'
    if held.what == "choice":
        return " or ".join(f'`"{value}"`' for value in held.choices)
    if held.what == "list":
        return f"list of: {_words(held.entries)}"
    if held.what == "names":
        return f"table of name = {_words(held.entries)}"
    if held.table is not None:
        return f"table [{held.table.__name__}](#{held.table.__name__.lower()})"
    return "`true` or `false`" if held.what == "switch" else held.what


def _default(value: Any) -> str:
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
