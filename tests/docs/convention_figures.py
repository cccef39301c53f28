"""Draw what the keys of a bar mean: ``python tests/docs/convention_figures.py docs/pictures``."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from pathlib import Path

WIDTH, HEIGHT = 640, 300

# Colours follow the reader's light or dark theme; the background is the picture's own, whatever is behind it.
STYLE = """<style>
.paper{fill:#ffffff}.metal{fill:#dfe5ea;stroke:#33414d;stroke-width:2}
.line{fill:none;stroke:#33414d;stroke-width:2}
.thin{fill:none;stroke:#6b7884;stroke-width:1.2;stroke-dasharray:7 4}
.sign{fill:none;stroke:#b3261e;stroke-width:2.4}
.tip{fill:#b3261e}text{fill:#1d262e;font:15px sans-serif}.said{fill:#b3261e;font-weight:bold}
@media (prefers-color-scheme:dark){
.paper{fill:#15191d}.metal{fill:#3a4650;stroke:#cdd7df}.line{stroke:#cdd7df}
.thin{stroke:#94a2ae}.sign{stroke:#ff8a80}.tip{fill:#ff8a80}text{fill:#e8edf1}.said{fill:#ff8a80}}
</style>"""

Point = tuple[float, float]


def line(a: Point, b: Point, kind: str = "line") -> str:
    return f'<line class="{kind}" x1="{a[0]:.1f}" y1="{a[1]:.1f}" x2="{b[0]:.1f}" y2="{b[1]:.1f}"/>'


def disk(at: Point, radius: float, kind: str = "metal") -> str:
    return f'<circle class="{kind}" cx="{at[0]:.1f}" cy="{at[1]:.1f}" r="{radius:.1f}"/>'


def shape(points: list[Point], kind: str = "metal") -> str:
    return f'<polygon class="{kind}" points="{" ".join(f"{x:.1f},{y:.1f}" for x, y in points)}"/>'


def box(x0: float, y0: float, x1: float, y1: float, kind: str = "metal") -> str:
    return shape([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], kind)


def text(at: Point, words: str, kind: str = "", anchor: str = "start") -> str:
    return f'<text class="{kind}" x="{at[0]:.1f}" y="{at[1]:.1f}" text-anchor="{anchor}">{words}</text>'


def turned(at: Point, centre: Point, degrees: float) -> Point:
    """Turn a point about a centre, clockwise on paper."""
    a = math.radians(degrees)
    x, y = at[0] - centre[0], at[1] - centre[1]
    return centre[0] + x * math.cos(a) - y * math.sin(a), centre[1] + x * math.sin(a) + y * math.cos(a)


def sweep(centre: Point, radius: float, start: float, end: float) -> str:
    """An arrow along a circle, angles in degrees clockwise on paper from the right."""
    places = [
        (centre[0] + radius * math.cos(math.radians(a)), centre[1] + radius * math.sin(math.radians(a)))
        for a in (start, end)
    ]
    flag = 1 if end > start else 0
    (x0, y0), (x1, y1) = places
    arc = (
        f'<path class="sign" d="M{x0:.1f},{y0:.1f} A{radius:.1f},{radius:.1f} 0 0 {flag} {x1:.1f},{y1:.1f}"/>'
    )
    way = end + (90.0 if flag else -90.0)
    return arc + _tip(places[1], way)


def _tip(at: Point, way: float) -> str:
    corners = [(at[0] + 9.0, at[1]), (at[0] - 4.0, at[1] - 5.0), (at[0] - 4.0, at[1] + 5.0)]
    return shape([turned(c, at, way) for c in corners], "tip")


def measure(a: Point, b: Point, words: str, below: float = 18.0) -> str:
    """A dimension between two points on one level."""
    middle = ((a[0] + b[0]) / 2.0, a[1] + below)
    sides = (180.0, 0.0) if b[0] > a[0] else (0.0, 180.0)
    tips = "".join(_tip(p, w) for p, w in zip((a, b), sides, strict=True))
    return line(a, b, "sign") + tips + text(middle, words, "said", "middle")


def eye(at: Point) -> str:
    return disk(at, 7.0) + disk(at, 2.0, "line")


def link_angle() -> str:
    """Side view of a bladed and of a formed bar."""
    parts = []
    for axis, drop, words, zero in (
        ((60.0, 110.0), 0.0, "bladed bar", "0: square to the lever"),
        ((360.0, 80.0), 40.0, "formed bar", "0: upright"),
    ):
        top = (axis[0] + 170.0, axis[1] + drop)
        foot = turned((top[0], top[1] + 130.0), top, 18.0)
        parts += [
            line(axis, top),
            disk(axis, 15.0),
            line(top, (top[0], 262.0), "thin"),
            line(top, foot),
            eye(top),
            eye(foot),
            sweep(top, 105.0, 90.0, 107.0),
            text((foot[0] - 16.0, foot[1] - 26.0), "+", "said", "end"),
            text((axis[0] - 20.0, 40.0), words),
            text((top[0] + 14.0, 262.0), zero),
        ]
    return "".join(parts) + text(
        (20.0, 292.0), "side view; positive: the lower end stands nearer to the bar's axis"
    )


def link_lean() -> str:
    """Front view of the left side, seen from behind so that outboard is on the left."""
    top = (250.0, 110.0)
    foot = turned((top[0], top[1] + 130.0), top, 16.0)
    return "".join(
        [
            box(330.0, 95.0, 620.0, 125.0),
            box(318.0, 70.0, 330.0, 150.0),
            line((318.0, 110.0), top),
            line(top, (top[0], 270.0), "thin"),
            line(top, foot),
            eye(top),
            eye(foot),
            sweep(top, 105.0, 90.0, 105.0),
            text((foot[0] - 16.0, foot[1] - 26.0), "+", "said", "end"),
            text((350.0, 85.0), "tube"),
            text((300.0, 60.0), "blade"),
            text((262.0, 268.0), "0: in the blade's plane"),
            text((20.0, 40.0), "outboard &#8592;"),
            text((20.0, 292.0), "left side from behind; positive: the lower end stands further outboard"),
        ]
    )


def blade_turn() -> str:
    """Section of the left blade, seen along its length from its tip."""
    parts = [text((20.0, 40.0), "outboard &#8592;")]
    for x, degrees, words in (
        (130.0, 0.0, "0: edge to the load"),
        (330.0, -30.0, "+30 deg"),
        (530.0, -90.0, "90 deg: flat"),
    ):
        centre = (x, 150.0)
        corners = [(x - 9.0, 90.0), (x + 9.0, 90.0), (x + 9.0, 210.0), (x - 9.0, 210.0)]
        parts += [
            line((x, 70.0), (x, 235.0), "thin"),
            shape([turned(c, centre, degrees) for c in corners]),
            text((x, 260.0), words, "said" if degrees else "", "middle"),
        ]
        if degrees:
            parts.append(sweep(centre, 75.0, -90.0, -90.0 + degrees * 0.85))
    parts.append(
        text(
            (20.0, 292.0),
            "left blade in section from behind, load up and down; +: its upper edge turns outboard",
        )
    )
    return "".join(parts)


def blade_root() -> str:
    """Where the blade begins to bend, by its seat: side views."""
    parts = []
    for x, words, reach in ((70.0, '"face"', 30.0), (280.0, '"through"', 26.0), (480.0, '"socket"', 48.0)):
        axis = (x, 120.0)
        blade = box(x - 36.0, 96.0, x + 140.0, 144.0)
        tube = disk(axis, 30.0, "thin" if words == '"face"' else "metal") + disk(axis, 24.0, "thin")
        block = box(x - 40.0, 84.0, x + 48.0, 156.0) if words == '"socket"' else ""
        parts += [
            blade,
            block or tube,
            disk(axis, 2.0, "tip"),
            text((x - 40.0, 70.0), words),
            line((x, 160.0), (x, 205.0), "thin"),
            line((x + reach, 150.0), (x + reach, 205.0), "thin"),
            measure((x, 195.0), (x + reach, 195.0), "root", 22.0),
        ]
    words = "blade on edge, side view; flat on &quot;face&quot;: its end on the tube's side, whose wall gives"
    return "".join(parts) + text((20.0, 270.0), words)


def base_offset() -> str:
    """Rod end beside the blade: top view of the left side."""
    return "".join(
        [
            text((20.0, 40.0), "outboard &#8592;"),
            box(420.0, 60.0, 436.0, 240.0),
            line((428.0, 50.0), (428.0, 262.0), "thin"),
            box(436.0, 200.0, 600.0, 232.0),
            text((500.0, 221.0), "tube"),
            box(392.0, 84.0, 420.0, 116.0),
            box(364.0, 84.0, 392.0, 116.0),
            text((362.0, 76.0), "spacers"),
            box(300.0, 96.0, 364.0, 104.0),
            disk((330.0, 100.0), 16.0),
            line((330.0, 100.0), (330.0, 262.0), "thin"),
            measure((428.0, 252.0), (330.0, 252.0), "base_offset + spacers x thickness", 22.0),
            text((444.0, 76.0), "blade"),
            text((240.0, 106.0), "rod end"),
            text(
                (20.0, 292.0),
                'left side from above, spacer.side = "outboard"; "inboard" counts the other way',
            ),
        ]
    )


FIGURES: dict[str, tuple[str, Callable[[], str]]] = {
    "bar-link-angle": ("link.angle: angle of the link in side view", link_angle),
    "bar-link-lean": ("link.lean: lean of the link in front view", link_lean),
    "bar-blade-turn": ("blade.turn: how the blade is turned about its length", blade_turn),
    "bar-blade-root": ("blade.seat and blade.root: where the blade begins to bend", blade_root),
    "bar-base-offset": ("base_offset and spacers: the rod end beside the blade", base_offset),
}


def svg(name: str) -> str:
    """Return one figure."""
    title, draw = FIGURES[name]
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" '
        f'height="{HEIGHT}" role="img" aria-label="{title}">\n<title>{title}</title>\n{STYLE}\n'
    )
    body = draw().replace("/><", "/>\n<").replace("</text><", "</text>\n<")
    return f'{head}<rect class="paper" width="{WIDTH}" height="{HEIGHT}"/>\n{body}\n</svg>\n'


if __name__ == "__main__":
    for figure in FIGURES:
        (Path(sys.argv[1]) / f"{figure}.svg").write_text(svg(figure))
