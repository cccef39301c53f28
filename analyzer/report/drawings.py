"""Figures in every form wanted: drawn once, and taken as they were while nothing in them changes."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any, Final, Literal, TypeVar, cast

from analyzer.cache.folder import Kept
from analyzer.digests import digest_of, drawing_digest
from analyzer.report.plates import Plate, house_style, markup

Kind = Literal["svg", "png", "pdf"]
KINDS: Final[tuple[Kind, ...]] = ("svg", "png", "pdf")
PAPER_DPI: Final = 220
"""Dots per inch of a figure on a sheet of paper."""

_STAMPS: Final[dict[Kind, dict[str, Any]]] = {
    "svg": {"Date": None, "Creator": None},
    "png": {"Software": None},
    "pdf": {"CreationDate": None, "ModDate": None, "Creator": None, "Producer": None},
}
_Form = TypeVar("_Form", str, bytes)


class Drawings:
    """The figures of one page.

    Parameters
    ----------
    kept : Kept, optional
        Where earlier drawings lie; the user's cache folder if not given.
    """

    def __init__(self, kept: Kept | None = None) -> None:
        self._kept = Kept.of_user() if kept is None else kept

    def on_page(self, plate: Plate) -> str:
        """Return the figure as HTML for a page."""
        return self._form(plate, "page", markup)

    def as_file(self, plate: Plate, kind: Kind) -> bytes:
        """Return the figure as a file of its own, its question above it."""
        return self._form(plate, kind, lambda plate: _file(plate, kind))

    def on_paper(self, plate: Plate) -> bytes:
        """Return the figure as a PNG for a sheet of paper."""
        return self._form(plate, f"paper {PAPER_DPI}", _picture)

    def tidy(self) -> None:
        """Keep the cache within its size; after the last figure."""
        self._kept.tidy()

    def _form(self, plate: Plate, form: str, make: Callable[[Plate], _Form]) -> _Form:
        if not self._kept.used or plate.digest is None:
            return make(plate)
        key = digest_of("drawing", drawing_digest(), form, plate.digest)
        found = self._kept.find(key)
        if isinstance(found, (str, bytes)):
            return cast("_Form", found)  # the form is a part of the key
        made = make(plate)
        self._kept.keep(key, made)
        return made


def _file(plate: Plate, kind: Kind) -> bytes:
    drawn = io.BytesIO()
    figure = plate.figure
    with house_style():
        title = figure.text(0.0, 1.02, plate.title, fontsize=10, weight="bold", va="bottom")
        figure.savefig(
            drawn,
            format=kind,
            metadata=_STAMPS[kind],
            bbox_inches="tight",
            pad_inches=0.1,
            facecolor="white",
        )
        title.remove()  # the page and the paper set the question beside the figure
    return drawn.getvalue()


def _picture(plate: Plate) -> bytes:
    drawn = io.BytesIO()
    figure = plate.figure
    with house_style():
        figure.savefig(drawn, format="png", dpi=PAPER_DPI, facecolor="white")
    return drawn.getvalue()
