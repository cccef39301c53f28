"""Where the pages of the docs lie: with the installed package, or beside it in a checkout."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from analyzer.core.errors import AnalyzerError, choices, nearest, one_line

_PACKAGE: Final = Path(__file__).parents[1]


def docs_folder() -> Path:
    """Return the folder of the pages.

    Raises
    ------
    AnalyzerError
        When the package was installed without them.
    """
    # In a checkout the pages lie beside the package; the build copies them into it.
    for folder in (_PACKAGE / "docs", _PACKAGE.parent / "docs"):
        if (folder / "index.md").is_file():
            return folder
    raise AnalyzerError("the docs were not installed with the program; install it anew with pip")


def docs_titles() -> dict[str, str]:
    """Return name -> title of every page."""
    pages = sorted(docs_folder().glob("*.md"))
    return {page.stem: page.read_text(encoding="utf-8").partition("\n")[0].lstrip("# ") for page in pages}


def docs_page(name: str) -> str:
    """Return the text of a page by its name, ``sheets`` or ``sheets.md``; raises `AnalyzerError`."""
    known = docs_titles()
    stem = name.removeprefix("docs/").removesuffix(".md")
    if stem not in known:
        near = nearest(stem, known)
        raise AnalyzerError(
            one_line(f'there is no page "{name}" in the docs; {choices(stem, known)}'),
            None if near is None else (name, near),
        )
    return (docs_folder() / f"{stem}.md").read_text(encoding="utf-8")
