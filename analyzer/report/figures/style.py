"""What every figure of the page shares: style, colours, thinning, words on a map, the way into a page."""

from __future__ import annotations

import base64
import io
import math
import re
import textwrap
import unicodedata
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache, cached_property, partial
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, TypeVar, cast

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from analyzer.core.errors import AnalyzerError, Fault, fault_of, one_line, plain_text
from analyzer.core.store import NotPackable, Store, content_digest, digest_of, drawing_digest
from analyzer.core.units import CORNERS, Corner

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = npt.NDArray[np.float64]

STYLE: Final = Path(__file__).with_name("style.mplstyle")

# Okabe and Ito, "Color Universal Design" (2008): told apart with any kind of colour vision. Each colour also
# has a line style or a marker of its own, for print in black and white.
BLACK: Final = "#000000"
BLUE: Final = "#0072B2"
VERMILION: Final = "#D55E00"
GREEN: Final = "#009E73"
PURPLE: Final = "#CC79A7"
ORANGE: Final = "#E69F00"

INK: Final = "#1c1c1c"
GREY: Final = "#6b6b6b"
PALE: Final = "#d9d9d9"

LineStyle = str | tuple[int, tuple[float, ...]]

CORNER_LOOK: Final[dict[Corner, tuple[str, LineStyle]]] = {
    "FL": (BLUE, "-"),
    "FR": (VERMILION, (0, (5.0, 1.5))),
    "RL": (GREEN, (0, (5.0, 1.5, 1.0, 1.5))),
    "RR": (PURPLE, (0, (1.2, 1.2))),
}

SETUP_LOOK: Final[tuple[tuple[str, str], ...]] = (
    (BLACK, "o"),
    (BLUE, "s"),
    (VERMILION, "^"),
    (GREEN, "D"),
    (PURPLE, "v"),
    (ORANGE, "P"),
)
"""Colour and marker by place of the set-up in the sheet; measured is filled and solid, predicted hollow."""

PLATE_WIDTH: Final = 4.7
"""Width of every figure [in]: legible at the width of a phone, two side by side on a desk or on paper."""

TYPE: Final = 10.5
"""Size of the smallest words [pt], as in the style: 11 px where a figure is 358 px wide, on a phone."""

LARGEST_SVG: Final = 150_000
"""Bytes above which a figure goes into the page as a picture (PNG) instead of as drawing (SVG)."""

_COORDINATE: Final = re.compile(r"(?<![\w#.])(-?\d+\.\d{2})\d+")
_REFERENCE: Final = re.compile(r'(url\(#|href="#)([\w-]+)')
_IDENTIFIER: Final = re.compile(r' id="([^"]*)"')
_TAG: Final = re.compile(r"(<[^<>]*>)")
_SIZES: Final = tuple(re.compile(rf'(<svg\b[^<>]*?) {side}="[^"]*"') for side in ("width", "height"))
_LINE_STARTS: Final = re.compile(r"\n\s*")


@dataclass(frozen=True)
class Plate:
    """One figure with what the page writes around it.

    It is drawn when the figure is first asked for, once, whatever it is then saved to.

    Parameters
    ----------
    key : str
        Unique name, letters, digits and hyphens; also the file name when saved.
    title : str
        The one question the figure answers.
    alt : str
        What is to be seen, for those who cannot see it.
    draw : partial
        A function of this package and all it draws, as plain numbers and results: makes the drawing, without
        its title. Equal functions of equal arguments give equal drawings.
    note : str
        How to read it; empty when it explains itself.
    closer : bool
        Whether the page of the runs shows the same, and closer: beside that page it is left out.
    """

    key: str
    title: str
    alt: str
    draw: partial[Figure]
    note: str = ""
    closer: bool = False

    @cached_property
    def figure(self) -> Figure:
        """The drawing."""
        with house_style():
            return self.draw()

    @cached_property
    def digest(self) -> str | None:
        """Digest of all that is drawn and written around it; None when it cannot be told."""
        name = f"{self.draw.func.__module__}.{self.draw.func.__qualname__}"
        if "<" in name:  # made inside another function, so that it may hold more than it is given
            return None
        try:
            words = (self.key, self.title, self.alt, self.note)
            return content_digest((name, self.draw.args, self.draw.keywords, words))
        except NotPackable:
            return None


@cache
def _house_settings() -> dict[Any, Any]:
    """Return every setting of matplotlib but where it draws to: its own defaults, and the style over them."""
    import matplotlib as mpl

    # Read once: a page opens the style for every figure, to describe it, to draw it and to save it.
    settings = {**mpl.rcParamsDefault, **mpl.rc_params_from_file(STYLE, use_default_template=False)}
    return {name: value for name, value in settings.items() if not name.startswith("backend")}


@contextmanager
def house_style() -> Iterator[None]:
    """Draw in the house style, whatever the user's own matplotlib settings are."""
    # A page whose figures are all kept from before needs no plotting library at all.
    import matplotlib as mpl

    with warnings.catch_warnings(), mpl.rc_context(_house_settings()):  # both as before afterwards
        # Names may hold emoji or letters of any script; the reader's own fonts show them, not ours.
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from")
        # The same of letters that it cannot set as their script asks.
        warnings.filterwarnings("ignore", message=r"Matplotlib currently does not support")
        yield


def new_figure(height: float) -> Figure:
    """Return an empty figure of the page's width and `height` [in]."""
    from matplotlib.figure import Figure

    return Figure(figsize=(PLATE_WIDTH, height))


def markup(plate: Plate) -> str:
    """Return the figure as HTML: inline SVG, or an image with embedded PNG when the SVG would be large.

    Numbers are cut to two decimals (a hundredth of a point), which halves the size. Names inside were
    escaped by the SVG writer.
    """
    svg = svg_text(plate.figure)
    return _png(plate) if len(svg) > LARGEST_SVG else _inline(svg, plate)


def image(plate: Plate) -> str:
    """Return the figure as an HTML image that shares no identifier with what else is on the page."""
    svg = svg_text(plate.figure)
    return _png(plate) if len(svg) > LARGEST_SVG else image_of(svg, plate.alt)


def image_of(svg: str, alt: str) -> str:
    """Return a drawing as an HTML image with everything in it."""
    # As data within the page: nothing is loaded from anywhere.
    data = base64.b64encode(svg.encode("utf-8", "xmlcharrefreplace")).decode("ascii")
    return f'<img alt="{_attribute(alt)}" src="data:image/svg+xml;base64,{data}">'


def _png(plate: Plate) -> str:
    buffer = io.BytesIO()
    with house_style():
        plate.figure.savefig(buffer, format="png", metadata={"Software": None})
    data = base64.b64encode(buffer.getvalue()).decode("ascii")
    return f'<img alt="{_attribute(plate.alt)}" src="data:image/png;base64,{data}">'


def svg_text(figure: Figure) -> str:
    """Return the figure as SVG without time or tool stamps."""
    buffer = io.StringIO()
    stamps = {"Date": None, "Creator": None, "Format": None, "Type": None}
    with house_style():
        figure.savefig(buffer, format="svg", metadata=stamps)
    return plain_text(buffer.getvalue())  # XML holds no control characters, and names may


def _inline(svg: str, plate: Plate) -> str:
    """Return the `svg` element alone, with identifiers that no other figure of the page has."""
    body = _body(svg)
    # Identifiers are unique within one figure only; those in use get the figure's key, the others go.
    used = {found[1] for found in _REFERENCE.findall(body)}
    body = _IDENTIFIER.sub(lambda m: f' id="{plate.key}-{m[1]}"' if m[1] in used else "", body)
    body = _REFERENCE.sub(rf"\g<1>{plate.key}-\g<2>", body)
    # Only within tags: a name such as "run 1.2345" is text and stays as it is.
    body = "".join(
        _COORDINATE.sub(r"\1", piece) if piece.startswith("<") else piece for piece in _TAG.split(body)
    )
    # Without width and height it takes the width of its place and keeps its shape.
    for size in _SIZES:
        body = size.sub(r"\1", body, count=1)
    body = body.replace("xlink:href", "href").replace(' xmlns:xlink="http://www.w3.org/1999/xlink"', "")
    head = f'<svg role="img" aria-label="{_attribute(plate.alt)}"'
    return _LINE_STARTS.sub("\n", body.replace("<svg", head, 1)).strip()


def _body(svg: str) -> str:
    """Return a drawing without metadata, style and comments of its writer: the page has its own style."""
    body = svg[svg.index("<svg") :]
    for opening, closing in (("<metadata>", "</metadata>"), ("<style", "</style>"), ("<!--", "-->")):
        body = _without(body, opening, closing)
    return body


def _without(body: str, opening: str, closing: str) -> str:
    """Return a text without what stands between two marks, these included."""
    kept, done = [], 0
    while (start := body.find(opening, done)) >= 0 and (end := body.find(closing, start)) >= 0:
        kept.append(body[done:start])
        done = end + len(closing)
    return "".join((*kept, body[done:]))


def _attribute(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace('"', "&quot;")


def dots(axes: Axes, x: Array, y: Array, colour: str, size: float, alpha: float, most: int = 500) -> None:
    """Draw at most `most` points as one path (a fifth of the size of a marker each)."""
    # Every so many-th sample, not a random choice: the same run gives the same figure.
    step = max(1, -(-len(x) // most))
    x, y = x[::step], y[::step]
    apart = np.full_like(x, np.nan)
    # A stroke without any length is left out by some writers; this one is a thousandth of the dot.
    stroke = 1e-6 * float(np.ptp(x)) if len(x) else 0.0
    xs = np.column_stack((x, x + stroke, apart)).ravel()
    ys = np.column_stack((y, y, apart)).ravel()
    (line,) = axes.plot(xs, ys, color=colour, linewidth=size, alpha=alpha, solid_capstyle="round", zorder=1)
    line.get_path().should_simplify = False


def envelope(x: Array, y: Array, bins: int = 360) -> tuple[Array, Array, Array]:
    """Return a trace thinned to `bins` columns: place, lowest and highest value of each.

    Extremes survive, whatever the thinning. Columns without a value are NaN and leave a gap.
    """
    if len(x) <= bins:
        return x, y, y
    starts = np.linspace(0, len(x), bins, endpoint=False).astype(np.intp)
    # fmin and fmax skip NaN; a column of NaN alone stays NaN.
    return x[starts], np.fmin.reduceat(y, starts), np.fmax.reduceat(y, starts)


def trace(
    axes: Axes, x: Array, y: Array, colour: str, style: LineStyle, width: float = 1.1, bins: int = 360
) -> None:
    """Draw a long trace: the band between its extremes, and its middle as a styled line."""
    # A run has tens of thousands of samples, a figure a few hundred dots across; its extremes count.
    place, low, high = envelope(x, y, bins)
    if len(place) < len(x):
        axes.fill_between(place, low, high, color=colour, alpha=0.4, linewidth=0)
    axes.plot(place, (low + high) / 2.0, color=colour, linestyle=style, linewidth=width)


def setup_look(index: int) -> tuple[str, str]:
    """Return colour and marker of the set-up at this place in the sheet."""
    return SETUP_LOOK[index % len(SETUP_LOOK)]


def axes_in(figure: Figure, left: float, bottom: float, right: float, top: float) -> Axes:
    """Add axes with these margins from the figure's edges [in]."""
    width, height = figure.get_size_inches()
    box = (left / width, bottom / height, (width - left - right) / width, (height - bottom - top) / height)
    return figure.add_axes(box)


def stacked(
    figure: Figure, number: int, height: float, margins: tuple[float, float, float, float], gap: float = 0.0
) -> list[Axes]:
    """Add axes one below the other, each `height` [in] with its `gap` below it; the lowest names the places.

    Margins from the figure's edges are left, bottom, right, top [in].
    """
    left, bottom, right, top = margins
    rows = [
        axes_in(figure, left, bottom + height * (number - 1 - row) + gap, right, top + height * row)
        for row in range(number)
    ]
    for axes in rows[:-1]:
        axes.tick_params(labelbottom=False)
    return rows


def list_rows(axes: Axes, names: Sequence[str], above: float = 0.6, below: float = 0.6, **text: Any) -> None:
    """Make the vertical axis a list: a name per row, the first at the top, no line or ticks beside them."""
    axes.set_ylim(len(names) - 1 + below, -above)
    axes.set_yticks(range(len(names)), names, **text)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)


def room_for(names: Sequence[str], least: float, most: float) -> float:
    """Return how wide the margin left of a list of names has to be [in]."""
    return min(max(least, *((text_width(name, TYPE) + 8.0) / 72.0 for name in names)), most)


def corner_rows(axes: Axes) -> None:
    """Make the vertical axis a list of the four corners."""
    list_rows(axes, CORNERS, fontweight="bold")


def note_at(axes: Axes, text: str, at: tuple[float, float], offset: tuple[float, float], **look: Any) -> None:
    """Write a word beside a place, `offset` away from it [points]."""
    axes.annotate(text, at, xytext=offset, textcoords="offset points", **look)


def legend_above(axes: Axes, ncols: int = 4, **more: Any) -> None:
    """Put a legend above the axes, where no line can run under it."""
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=ncols, columnspacing=1.2, **more)


# Figures in every form wanted: drawn once, and taken as they were while nothing in them changes.


def plates_of(*makers: partial[Plate | None] | partial[list[Plate]] | partial[Plate]) -> tuple[Plate, ...]:
    """Return the figures there are; in place of one that cannot even be described stands its fault."""
    found: list[Plate | None] = []
    for place, make in enumerate(makers):
        try:
            made = make()
        except Exception as error:  # told where the figure would stand, by `Drawings`
            name = make.func.__name__.strip("_").replace("_", "-")
            found.append(Plate(f"{name}-{place}", "One more figure", "", partial(_failing, error)))
        else:
            found += made if isinstance(made, list) else [made]
    return tuple(plate for plate in found if plate is not None)


def _failing(error: Exception) -> Figure:
    raise error


Kind = Literal["svg", "png", "pdf"]
KINDS: Final[tuple[Kind, ...]] = ("svg", "png", "pdf")
PAPER_DPI: Final = 220
"""Dots per inch of a figure on a sheet of paper."""

_STAMPS: Final[dict[Kind, dict[str, Any]]] = {
    "svg": {"Date": None, "Creator": None},
    "png": {"Software": None},
    "pdf": {"CreationDate": None, "ModDate": None, "Creator": None, "Producer": None},
}
_ALT_STAMP: Final[dict[Kind, str]] = {"svg": "Description", "png": "Description", "pdf": "Subject"}
_NOTE_LETTERS: Final = 80
"""Letters of a line of the note under a figure."""
_Form = TypeVar("_Form", str, bytes)
_Piece = TypeVar("_Piece")


def figure_kind(word: str) -> Kind:
    """Return `word`, ``.svg`` for instance, as a kind of figure, or raise `AnalyzerError`."""
    for kind in KINDS:
        if word.lower().lstrip(".") == kind:
            return kind
    raise AnalyzerError(
        one_line(f'"{word}" is not a kind of figure; use one of {", ".join(KINDS)}'), (word, "png")
    )


def figure_kind_of(path: Path) -> Kind:
    """Return the kind of figure that the ending of a file's name asks for, or raise `AnalyzerError`."""
    ending = path.suffix.lower().lstrip(".")
    for kind in KINDS:
        if ending == kind:
            return kind
    found = f'figures are not written as ".{ending}"' if ending else "its name has no ending"
    near = path.with_suffix(".png") if path.name else path / "figure.png"
    raise AnalyzerError(
        one_line(f"{path}: {found}; end the name in {', '.join(f'.{kind}' for kind in KINDS)}"),
        (str(path), str(near)),
    )


class Drawings:
    """The figures and words of one page; what the program fails at is left out, and told of in `faults`.

    Parameters
    ----------
    kept : Store, optional
        Where earlier drawings lie; the user's cache folder if not given.
    """

    def __init__(self, kept: Store | None = None) -> None:
        self._kept = Store.of_user() if kept is None else kept
        self._faults: dict[str, Fault] = {}

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What the program failed at, once per figure or piece of the page."""
        return tuple(self._faults.values())

    def fault(self, plate: Plate) -> Fault | None:
        """Return why a figure is left out."""
        return self._faults.get(plate.key)

    def on_page(self, plate: Plate) -> str | None:
        """Return the figure as HTML for a page; None when it is left out, as below."""
        return self._form(plate, "page", markup)

    def as_file(self, plate: Plate, kind: Kind) -> bytes | None:
        """Return the figure as a file of its own, its question above it and how to read it below."""
        return self._form(plate, kind, lambda plate: _file(plate, kind))

    def on_paper(self, plate: Plate) -> bytes | None:
        """Return the figure as a PNG for a sheet of paper."""
        return self._form(plate, f"paper {PAPER_DPI}", _picture)

    def tidy(self) -> None:
        """Keep the cache within its size; after the last figure."""
        self._kept.tidy()

    def _form(self, plate: Plate, form: str, make: Callable[[Plate], _Form]) -> _Form | None:
        if plate.key in self._faults:
            return None
        try:
            return self._drawn(plate, form, make)
        except Exception as error:
            # The figures of a page are no reason to lose its numbers.
            self.leave_out(plate.key, error)
            return None

    def leave_out(self, key: str, error: Exception) -> None:
        """Leave a figure out because of a fault; raises `error` when it is none, as `fault_of` does."""
        self._faults[key] = fault_of(error, key, "drawing")

    def written(self, piece: str, make: Callable[[], _Piece], instead: Callable[[Fault], _Piece]) -> _Piece:
        """Return words or tables of a page, and `instead` in place of a piece that the program fails at.

        Parameters
        ----------
        piece : str
            What it is, in plain words.
        make, instead : callable
            Give the piece, and what stands in its place.
        """
        try:
            return make()
        except Exception as error:
            # One sentence is no reason to lose the others: numbers are worked out before any is written.
            return instead(self._faults.setdefault(piece, fault_of(error, piece, "writing")))

    def _drawn(self, plate: Plate, form: str, make: Callable[[Plate], _Form]) -> _Form:
        if not self._kept.used or plate.digest is None:
            return make(plate)
        key = digest_of("drawing", drawing_digest(), form, plate.digest)
        found = self._kept.get(key)
        # What does not do where it is put, a page above all, is drawn anew.
        if isinstance(found, (str, bytes)) and is_drawing(found, form, plate.alt):
            return cast("_Form", found)
        made = make(plate)
        self._kept.put(key, made)
        return made


_BEGINS: Final = {"png": b"\x89PNG\r\n\x1a\n", "paper": b"\x89PNG\r\n\x1a\n", "pdf": b"%PDF-"}
_ELEMENTS: Final = frozenset({
    "svg", "defs", "g", "path", "use", "clipPath", "rect", "image", "text", "tspan",
    "pattern", "title",
})  # fmt: skip
"""What a drawing on a page is made of (SVG 1.1): nothing that runs, loads, or holds other markup."""
_INERT: Final = re.compile(r"(?!on)[A-Za-z][\w:.-]*")
_WITHIN_PAGE: Final = re.compile(r"#[\w.-]+|data:image/png;base64,[A-Za-z0-9+/=\s]*")
_LOADED: Final = re.compile(r"url\(\s*(?!#)|import|javascript|expression", re.IGNORECASE)
_IMAGE: Final = re.compile(r'<img alt="([^"<>]*)" src="data:image/png;base64,[A-Za-z0-9+/=]+">')


def is_drawing(made: str | bytes, form: str, alt: str) -> bool:
    """Return whether something is a drawing in this form, and no more than a drawing.

    Parameters
    ----------
    made : str or bytes
        As drawn now or earlier.
    form : str
        "page" for markup within a page, else the kind of file.
    alt : str
        What the markup has to say in words.
    """
    if form == "page":
        if not isinstance(made, str):
            return False
        picture = _IMAGE.fullmatch(made)
        return picture[1] == _attribute(alt) if picture else _is_inert(made, alt)
    kind = form.partition(" ")[0]
    if not isinstance(made, bytes):
        return False
    if kind != "svg":
        return made.startswith(_BEGINS[kind])
    text = made.decode("utf-8", "replace")
    return "<svg" in text and _is_inert(_body(text), None)


def _is_inert(svg: str, alt: str | None) -> bool:
    """Return whether markup is one element of SVG that says `alt` and holds nothing that runs or loads."""
    from xml.etree import ElementTree

    # Declarations and comments are read otherwise in a page than in a file of XML.
    if not svg.startswith("<svg ") or "<!" in svg or "<?" in svg:
        return False
    try:
        root = ElementTree.fromstring(svg)
    except ElementTree.ParseError:
        return False
    return root.get("aria-label") == alt and all(
        element.tag.rpartition("}")[2] in _ELEMENTS
        and all(
            _INERT.fullmatch(name.rpartition("}")[2]) is not None
            and not _LOADED.search(value)
            and (name.rpartition("}")[2] != "href" or _WITHIN_PAGE.fullmatch(value) is not None)
            for name, value in element.attrib.items()
            if name != "aria-label"
        )
        for element in root.iter()
    )


def _file(plate: Plate, kind: Kind) -> bytes:
    drawn = io.BytesIO()
    figure = plate.figure
    with house_style():
        words = [figure.text(0.0, 1.02, plate.title, fontsize=10, weight="bold", va="bottom")]
        if plate.note:
            note = "\n".join(textwrap.wrap(plate.note, _NOTE_LETTERS))
            words.append(figure.text(0.0, -0.02, note, fontsize=7.5, color=GREY, va="top"))
        # What is to be seen goes with the file, for those who cannot see it.
        stamps = {**_STAMPS[kind], "Title": plate.title, _ALT_STAMP[kind]: plate.alt}
        figure.savefig(
            drawn, format=kind, metadata=stamps, bbox_inches="tight", pad_inches=0.1, facecolor="white"
        )
        for text in words:  # the page and the paper set them beside the figure
            text.remove()
    return drawn.getvalue()


def _picture(plate: Plate) -> bytes:
    drawn = io.BytesIO()
    figure = plate.figure
    with house_style():
        figure.savefig(drawn, format="png", dpi=PAPER_DPI, facecolor="white")
    return drawn.getvalue()


# Words on a map: where each stands so that none hides another, and how a line ties it to its place.
#
# All lengths are points of the drawing. Words are set one after the other, the most important first, each at
# the cheapest free spot on rings around its place. Own code, since a library for this moves words by many
# small steps from a random start and promises no free spot; here a spot is free or it is not taken.

Bools = npt.NDArray[np.bool_]
Point = tuple[float, float]

LETTER: Final = 0.58
"""Width of a letter over the size of its type: wider than the mean of the sans-serif types in use, so that a
word is never longer than the room kept for it; letters of East Asian scripts count twice."""
_ANGLES: Final = np.radians(np.arange(0.0, 360.0, 15.0))
_CLEAR: Final = 2.0
"""Least gap between two words, and between a word and a line."""
_ON_ROAD: Final = 40.0
"""What it costs to stand on the road, in points of distance from the place."""
_OVER_ROAD: Final = 15.0
"""What it costs when the line to the place crosses the road."""
_STEPS: Final = np.linspace(0.0, 1.0, 17)


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a word stands.

    Parameters
    ----------
    left, bottom, right, top : float
        The room kept for it.
    foot : tuple
        Where the line from its place ends: at the room, or in the middle of its mark.
    """

    left: float
    bottom: float
    right: float
    top: float
    foot: Point

    @property
    def middle(self) -> Point:
        """The middle of the room."""
        return (self.left + self.right) / 2.0, (self.bottom + self.top) / 2.0


def text_width(text: str, size: float) -> float:
    """Return how wide a word is at most, in type of this size."""
    wide = sum(unicodedata.east_asian_width(letter) in "WF" for letter in text)
    return (len(text) + wide) * LETTER * size


@dataclass
class Sheet:
    """A drawing that is filled with words.

    Parameters
    ----------
    width, height : float
        Its size.
    road : array, shape (n, 2)
        Points every few points of the way along what should stay visible.
    points : list of tuple
        Places that no word may cover.
    """

    width: float
    height: float
    road: Array
    points: list[Point] = field(default_factory=list)
    _taken: list[Spot] = field(default_factory=list)
    _lines: list[tuple[Point, Point]] = field(default_factory=list)

    def put(
        self, at: Point, size: Point, rings: Sequence[float], *, mark: float = 0.0, must: bool = False
    ) -> Spot | None:
        """Return the cheapest free spot for a word of this `size` around a place, and keep it; None if none.

        A word that `must` stand may have a line that crosses another, but never covers a word while there is
        any free spot on its rings.

        Parameters
        ----------
        at : tuple
            The place.
        size : tuple
            Width and height of the word.
        rings : sequence of float
            Distances from the place that are tried.
        mark : float
            Width of the mark at one end of the word, to which the line leads; 0 without one.
        must : bool
            Whether the word has to stand somewhere.
        """
        boxes, feet = _marked(at, size, rings, mark) if mark else _candidates(at, size, rings)
        inside = self._inside(boxes)
        covered = self._covered(boxes)
        # A word that may stay away never stands on the road.
        free = inside & self._unhidden(at, boxes, feet) & (must | (covered == 0))
        if must and not free.any():
            free = inside & self._apart(boxes)
        if must and not free.any():
            free = inside if inside.any() else np.ones(len(boxes), dtype=np.bool_)
        if not free.any():
            return None
        reach = np.hypot(feet[:, 0] - at[0], feet[:, 1] - at[1])
        cost = np.full(len(boxes), math.inf)
        cost[free] = reach[free] + self._road_cost(at, covered[free], feet[free])
        best = int(np.argmin(cost))
        left, bottom, right, top = map(float, boxes[best])
        spot = Spot(left, bottom, right, top, (float(feet[best, 0]), float(feet[best, 1])))
        self._taken.append(spot)
        self._lines.append((at, spot.foot))
        return spot

    @cached_property
    def _road_tree(self) -> cKDTree:
        return cKDTree(self.road)

    def _inside(self, boxes: Array) -> Bools:
        low = (boxes[:, 0] >= 0.0) & (boxes[:, 1] >= 0.0)
        return low & (boxes[:, 2] <= self.width) & (boxes[:, 3] <= self.height)

    def put_marks(
        self, places: Sequence[Point], size: Point, rings: Sequence[float], mark: float
    ) -> list[Spot]:
        """Return a spot for a word with a mark at every place; lines that cross are parted.

        Parameters are those of `put`, with one `size` and one width of the `mark` for all.
        """
        first = len(self._lines)
        spots = []
        for place in places:
            spot = self.put(place, size, rings, mark=mark, must=True)
            assert spot is not None
            spots.append(spot)
        # Two lines that cross are parted by changing ends, and get shorter by it, so that this ends.
        tangled = True
        while tangled:
            tangled = False
            for one, other in combinations(range(len(spots)), 2):
                a, b = spots[one], spots[other]
                if not _cross(places[one], np.array([a.foot]), places[other], b.foot).any():
                    continue
                if _under_word(places[one], b, mark) or _under_word(places[other], a, mark):
                    continue
                spots[one], spots[other] = b, a
                tangled = True
        self._lines[first:] = [(place, spot.foot) for place, spot in zip(places, spots, strict=True)]
        return spots

    def keep_free(self, left: float, bottom: float, right: float, top: float) -> None:
        """Keep words out of a part of the drawing."""
        self._taken.append(Spot(left, bottom, right, top, (left, bottom)))

    def _apart(self, boxes: Array) -> Bools:
        """Return which boxes cover no word."""
        free = np.ones(len(boxes), dtype=np.bool_)
        for spot in self._taken:
            across = (boxes[:, 0] > spot.right + _CLEAR) | (boxes[:, 2] < spot.left - _CLEAR)
            free &= across | (boxes[:, 1] > spot.top + _CLEAR) | (boxes[:, 3] < spot.bottom - _CLEAR)
        return free

    def _unhidden(self, at: Point, boxes: Array, feet: Array) -> Bools:
        """Return which boxes cover no word, point or line, and whose own line runs over no word or line."""
        free = self._apart(boxes)
        lines = np.array(at) + _STEPS[:, None] * (feet[:, None, :] - np.array(at))
        for spot in self._taken:
            free &= ~_within(lines, (spot.left, spot.bottom), (spot.right, spot.top)).any(axis=1)
        for point in self.points:
            free &= ~_holds(boxes, np.array([point]), 2.0 * _CLEAR).any(axis=1)
        for start, end in self._lines:
            along = np.array(start) + _STEPS[:, None] * (np.array(end) - np.array(start))
            free &= ~_holds(boxes, along, _CLEAR).any(axis=1)
            # Two lines from one place share their start, which is no crossing.
            if math.dist(start, at) > 1.0:
                free &= ~_cross(at, feet, start, end)
        return free

    def _covered(self, boxes: Array) -> npt.NDArray[np.intp]:
        """Return how many points of the road each box covers."""
        covered: npt.NDArray[np.intp] = _holds(boxes, self.road, 2.0 * _CLEAR).sum(axis=1)
        return covered

    def _road_cost(self, at: Point, covered: npt.NDArray[np.intp], feet: Array) -> Array:
        if not len(self.road):
            return np.zeros(len(feet))
        # The line leaves the road it starts on; from a little way out, more road under it is another one.
        lines = np.array(at) + _STEPS[:, None] * (feet[:, None, :] - np.array(at))
        away = np.hypot(*(lines - np.array(at)).transpose(2, 0, 1)) > 9.0
        apart = np.asarray(self._road_tree.query(lines.reshape(-1, 2))[0])
        near = apart.reshape(lines.shape[:2]) < 4.0
        over = (near & away).any(axis=1)
        cost: Array = np.where(covered > 0, _ON_ROAD + covered, 0.0) + np.where(over, _OVER_ROAD, 0.0)
        return cost


def _candidates(at: Point, size: Point, rings: Sequence[float]) -> tuple[Array, Array]:
    """Return boxes (left, bottom, right, top) around a place, and where the line to each one ends."""
    angle, ring = (grid.ravel() for grid in np.meshgrid(_ANGLES, np.asarray(rings, dtype=np.float64)))
    x = at[0] + np.cos(angle) * (ring + size[0] / 2.0)
    y = at[1] + np.sin(angle) * (ring + size[1] / 2.0)
    boxes = np.column_stack((x - size[0] / 2.0, y - size[1] / 2.0, x + size[0] / 2.0, y + size[1] / 2.0))
    feet = np.column_stack(
        (np.clip(at[0], boxes[:, 0], boxes[:, 2]), np.clip(at[1], boxes[:, 1], boxes[:, 3]))
    )
    return boxes, feet


def _marked(at: Point, size: Point, rings: Sequence[float], mark: float) -> tuple[Array, Array]:
    """Return the same for words with a mark, first at their left end, then at their right one."""
    angle, ring = (grid.ravel() for grid in np.meshgrid(_ANGLES, np.asarray(rings, dtype=np.float64)))
    feet = np.column_stack((at[0] + np.cos(angle) * ring, at[1] + np.sin(angle) * ring))
    low, high = feet[:, 1] - size[1] / 2.0, feet[:, 1] + size[1] / 2.0
    left, right = feet[:, 0] - mark / 2.0, feet[:, 0] + mark / 2.0
    boxes = np.concatenate(
        (
            np.column_stack((left, low, left + size[0], high)),
            np.column_stack((right - size[0], low, right, high)),
        )
    )
    feet = np.concatenate((feet, feet))
    # Not with the word between the mark and its place: the line would run through it.
    behind = np.where(feet[:, 0] < boxes[:, [0, 2]].mean(axis=1), at[0] > feet[:, 0], at[0] < feet[:, 0])
    level = np.abs(at[1] - feet[:, 1]) < np.abs(at[0] - feet[:, 0])
    clear = ~(behind & level)
    return boxes[clear], feet[clear]


def _under_word(at: Point, spot: Spot, mark: float) -> bool:
    """Return whether the line from a place to the mark of a word runs through the word."""
    line = np.array(at) + _STEPS[:, None] * (np.array(spot.foot) - np.array(at))
    right = spot.foot[0] < spot.middle[0]
    low = spot.left + mark if right else spot.left
    high = spot.right if right else spot.right - mark
    return bool(_within(line[None], (low, spot.bottom), (high, spot.top)).any())


def _holds(boxes: Array, points: Array, gap: float) -> Bools:
    """Return which boxes (rows) hold which points (columns), or come nearer to them than `gap`."""
    x, y = points[:, 0], points[:, 1]
    across = (x > boxes[:, [0]] - gap) & (x < boxes[:, [2]] + gap)
    held: Bools = across & (y > boxes[:, [1]] - gap) & (y < boxes[:, [3]] + gap)
    return held


def _within(lines: Array, low: Point, high: Point) -> Bools:
    x, y = lines[..., 0], lines[..., 1]
    inside: Bools = (x > low[0]) & (x < high[0]) & (y > low[1]) & (y < high[1])
    return inside


def _cross(at: Point, feet: Array, start: Point, end: Point) -> Bools:
    """Return which lines from `at` to `feet` cross the one from `start` to `end`."""
    a, c, d = np.array(at), np.array(start), np.array(end)

    def side(p: Array, q: Array, r: Array) -> Array:
        u, v = q - p, r - p
        turn: Array = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
        return turn

    # Each line has the ends of the other on its two sides.
    one = side(a, feet, c) * side(a, feet, d) < 0.0
    other = side(c, d, a) * side(c, d, feet) < 0.0
    crossing: Bools = one & other
    return crossing
