"""What every figure of the page shares: style, colours, thinning, and the way into the page."""

from __future__ import annotations

import base64
import io
import re
import textwrap
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache, cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, TypeVar, cast

import numpy as np
import numpy.typing as npt

from analyzer.core.errors import AnalyzerError, Fault, fault_of, one_line, plain_text
from analyzer.core.store import NotPackable, Store, content_digest, digest_of, drawing_digest
from analyzer.core.units import CORNERS, Corner
from analyzer.report.figures.placing import text_width

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
