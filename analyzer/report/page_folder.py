"""What every page shares: the templates, its figures as HTML, and the folder with results and tables."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from analyzer import __version__
from analyzer.core.files import PAGE, RESULTS, TABLES, json_bytes, replaced_folder
from analyzer.report.figures.style import Drawings, Plate
from analyzer.report.sentences import CAUTIONS

_FOLDER: Final = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class DrawnPlate:
    """A figure ready for a template."""

    key: str
    title: str
    note: str
    html: Markup


def drawn(plates: Iterable[Plate | None], drawings: Drawings) -> tuple[DrawnPlate, ...]:
    """Return the figures there are, drawn or taken as they were."""
    return tuple(
        DrawnPlate(plate.key, plate.title, plate.note, Markup(drawings.on_page(plate)))
        for plate in plates
        if plate is not None
    )


def render(template: str, **shown: Any) -> str:
    """Return a page as HTML, one file without outside loads, with what stands on every page."""
    environment = Environment(
        loader=FileSystemLoader(_FOLDER),
        # Names come from logs and sheets: whatever they hold is text, never markup. A name the template
        # misspells is an error, not an empty place.
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # Within the page, since one file is passed around without its neighbours.
    style = Markup((_FOLDER / "style.css").read_text(encoding="utf-8"))
    return environment.get_template(template).render(
        cautions=CAUTIONS, version=__version__, style=style, **shown
    )


def write_page(folder: Path, page: str, results: dict[str, Any], tables: Mapping[str, str]) -> Path:
    """Write page, ``results.json`` and ``tables/*.csv`` into `folder`, all of it or nothing.

    Returns the page. What cannot be encoded (half a surrogate pair in a name) is written as its number.

    Raises
    ------
    AnalyzerError
        When `folder` holds something else than a report, or cannot be written to.
    """
    # Bytes, not text: a text file would get other line ends on another system, and must compare equal.
    with replaced_folder(folder) as work:
        (work / PAGE).write_bytes(page.encode("utf-8", "xmlcharrefreplace"))
        (work / RESULTS).write_bytes(json_bytes(results))
        if tables:
            (work / TABLES).mkdir()
        for file, text in tables.items():
            (work / TABLES / file).write_bytes(text.encode("utf-8", "backslashreplace"))
    return folder / PAGE
