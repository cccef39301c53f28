"""The builder's sheet: true size, legible, nothing over anything else, every figure as worked out by hand."""

from __future__ import annotations

import math
import re
from collections import Counter
from functools import cache
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath
from scipy.optimize import brentq
from vehicle.bar_helpers import BOLT, LEVERS, car

from analyzer.cli import main
from analyzer.core.errors import AnalyzerError
from analyzer.core.estimate import Estimate, format_estimate
from analyzer.prediction.build import bar_work
from analyzer.prediction.results import BarLadder
from analyzer.prediction.settings import bar_ladder
from analyzer.prediction.setup import predict_setup
from analyzer.report.builder_sheet import builder_pages, save_builder_sheet, width_of, wrapped
from analyzer.report.figures import style
from analyzer.sheets.bar import BladedBar, find_material
from analyzer.sheets.car import CarSheet
from analyzer.sheets.read import read_car
from analyzer.sheets.session import BarSetting, Setup

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "car.toml"
GRAVITY = 9.80665

BENT = {
    "kind": "formed",
    "motion_ratio": 0.6,
    "outside_diameter": "22 mm",
    "points": [
        {"x": "250 mm", "y": "480 mm", "z": "20 mm"},
        {"x": "30 mm", "y": "440 mm", "z": "0 mm", "bend_radius": "40 mm"},
        {"x": "0 mm", "y": "300 mm", "z": "50 mm", "bend_radius": "60 mm"},
        {"x": "0 mm", "y": "-300 mm", "z": "50 mm", "bend_radius": "60 mm"},
        {"x": "30 mm", "y": "-440 mm", "z": "0 mm"},
        {"x": "250 mm", "y": "-480 mm", "z": "20 mm"},
    ],
    "mounts": {"left": "200 mm", "right": "-180 mm"},
}


@cache
def sample() -> CarSheet:
    return read_car(SAMPLE)


@cache
def sample_ladder(axle: str) -> BarLadder:
    ladder = bar_ladder(sample(), axle)  # type: ignore[arg-type]
    assert ladder is not None
    return ladder


def figures_of(sheet: CarSheet, axle: Any = "front") -> list[Any]:
    return builder_pages(sheet, (axle,))[axle]


@cache
def pages_of(name: str) -> list[Any]:
    return PAGES[name]()


def words_in(page: Any) -> list[str]:
    """Return the lines of text of a page as its SVG holds them."""
    tree = ElementTree.fromstring(style.svg_text(page))
    return ["".join(node.itertext()) for node in tree.iter() if node.tag.endswith("}text")]


# By hand: the formulas of docs/bars.md and of any text on strength, on the figures of the car sheet alone.


class ByHand:
    """A bladed bar of the sheet: uniform rectangular blades, plain tube, edge to the load, upright links."""

    def __init__(self, sheet: CarSheet, axle: Any) -> None:
        bar = sheet.axle(axle).bar
        assert isinstance(bar, BladedBar)
        assert bar.bolt is not None
        assert bar.spacer is not None
        assert bar.tube.wall is not None
        assert bar.mounts.rate is not None
        assert bar.blade.root is not None
        self.sheet, self.axle, self.bar = sheet, axle, bar
        self.levers = [hole.value for hole in bar.holes]
        self.length, self.spacing = bar.tube.length.value, bar.mounts.spacing.value
        self.overhang = (self.length - self.spacing) / 2.0
        self.outer, self.wall = bar.tube.outside_diameter.value, bar.tube.wall.value
        self.bore = self.outer - 2.0 * self.wall
        self.depth, self.thick = bar.blade.depth.value, bar.blade.thickness.value
        self.bolt, self.thin = bar.bolt.diameter.value, bar.spacer.thickness.value
        self.mount = bar.mounts.rate.value

    def compliance(self, hole: int, spacers: int) -> float:
        tube, blade, bolt = (
            find_material(part.material) for part in (self.bar.tube, self.bar.blade, self.bar.bolt)
        )
        assert tube
        assert blade
        assert bolt
        a, e, c, s = self.levers[hole - 1], self.thin * spacers, self.overhang, self.spacing
        second = math.pi / 64.0 * (self.outer**4 - self.bore**4)
        area = math.pi / 4.0 * (self.outer**2 - self.bore**2)
        ratio = self.bore / self.outer
        slim = 10.0 / 9.0 + 8.0 / 9.0 * (2.0 * ratio / (1.0 + ratio**2)) ** 2
        strong = self.thick * self.depth**3 / 12.0
        rod = math.pi / 64.0 * self.bolt**4
        return (
            a**2 * self.length / (2.0 * tube.shear_modulus * 2.0 * second)
            + (((c + e) ** 3 - e**3) / 3.0 + (c + e) ** 2 * s / 6.0) / (tube.elastic_modulus * second)
            + a**3 / (3.0 * blade.elastic_modulus * strong)
            + e**2 * a / (blade.shear_modulus * self.twist())
            + e**3 / (3.0 * bolt.elastic_modulus * rod)
            + (1.0 + 2.0 * (c + e) / s) ** 2 / self.mount
            + slim * (c + (c + e) ** 2 * 2.0 / s) / (tube.shear_modulus * area)
            + 1.2 * a / (blade.shear_modulus * self.depth * self.thick)
            + 10.0 / 9.0 * e / (bolt.shear_modulus * math.pi / 4.0 * self.bolt**2)
        )

    def twist(self) -> float:
        long, short = self.depth, self.thick
        odd = range(1, 30, 2)
        series = sum(math.tanh(n * math.pi * long / short / 2.0) / n**5 for n in odd)
        return long * short**3 / 3.0 * (1.0 - 192.0 / math.pi**5 * short / long * series)

    def shear(self) -> float:
        """Return shear stress per torque of the blade, mid-way along its long side."""
        far = sum(
            1.0 / (n**2 * math.cosh(n * math.pi * self.depth / self.thick / 2.0)) for n in range(1, 30, 2)
        )
        return self.thick * (1.0 - 8.0 / math.pi**2 * far) / self.twist()

    def factor(self, hole: int, spacers: int, force: float) -> float:
        """Return yield over stress of the weakest place at a link force."""
        bar = self.bar
        a, e, c = self.levers[hole - 1], self.thin * spacers, self.overhang
        weld = bar.blade.weld_strength
        assert weld is not None
        assert bar.tube.yield_strength is not None
        assert bar.bolt is not None
        blade, rod = find_material(bar.blade.material), find_material(bar.bolt.material)
        assert blade
        assert rod
        second = math.pi / 64.0 * (self.outer**4 - self.bore**4)

        def round_stress(moment: float) -> float:
            return math.hypot(
                moment * self.outer / 2.0 / second, math.sqrt(3.0) * a * self.outer / 4.0 / second
            )

        def blade_stress(arm: float, hole_width: float) -> float:
            strong = self.thick * (self.depth**3 - hole_width**3) / 12.0
            return math.hypot(arm * self.depth / 2.0 / strong, math.sqrt(3.0) * e * self.shear())

        places = [
            bar.tube.yield_strength.value / round_stress(c + e),
            weld.value / round_stress(e),
            weld.value / blade_stress(a, 0.0),
            *(blade.yield_strength / blade_stress(a - x, self.bolt) for x in self.levers if x < a),
        ]
        if e > 0.0:
            places.append(rod.yield_strength / (e * 32.0 / (math.pi * self.bolt**3)))
        return min(places) / force

    def full_force(self, hole: int, spacers: int, bump: float, droop: float) -> float:
        """Return the link force with one wheel in full bump, the other in full droop; links of 150 mm."""
        a, link, ratio = self.levers[hole - 1], 0.15, self.bar.motion_ratio.value

        def lever_angle(travel: float) -> float:
            def gap(turn: float) -> float:
                return math.hypot(a * math.cos(turn) - a, a * math.sin(turn) - (travel - link)) - link

            return float(brentq(gap, -0.9, 0.9, xtol=1e-12))

        turned = lever_angle(ratio * bump) - lever_angle(-ratio * droop)
        return a * turned / 2.0 / self.compliance(hole, spacers)

    def masses(self, cut: float) -> tuple[float, float]:
        """Return the mass of the tube, and of one blade from the tube's radius behind its axis to its end."""
        tube, blade = find_material(self.bar.tube.material), find_material(self.bar.blade.material)
        assert tube
        assert blade
        reach = self.outer / 2.0 + self.levers[0] + 1.5 * self.bolt
        plate = reach * self.depth - len(self.levers) * math.pi / 4.0 * self.bolt**2
        return (
            tube.density * math.pi * (self.outer - self.wall) * self.wall * cut,
            blade.density * plate * self.thick,
        )


def mm(length: float, places: int = 1) -> str:
    return f"{1e3 * length:.{places}f}"


def shown(value: float, error: float) -> list[str]:
    return format_estimate(Estimate(value, "", error)).split(" ± ")


@pytest.mark.parametrize("axle", ["front", pytest.param("rear", marks=pytest.mark.slow)])
def test_every_figure_of_the_sample_car_by_hand(axle: Any) -> None:
    """Every number on the page is one worked out here, and every one worked out here stands on the page."""
    hand, ladder = ByHand(sample(), axle), sample_ladder(axle)
    fitted = hand.bar.fitted
    assert fitted is not None
    nuts = {6: (1.0, 5.2, 1.6), 8: (1.25, 6.8, 1.6), 10: (1.5, 8.4, 2.0), 12: (1.75, 10.8, 2.5)}
    pitch, nut, washer = (1e-3 * size for size in nuts[round(1e3 * hand.bolt)])
    most = hand.bar.spacer.most if hand.bar.spacer else 0
    wanted: list[str] = ["50"]
    # Tube.
    wanted += [
        mm(hand.outer, 2),
        mm(hand.wall, 2),
        "1",
        "5",
        mm(hand.length),
        mm(hand.spacing),
        mm(hand.overhang),
    ]
    for cut in (hand.length - hand.thick, hand.length + hand.thick):
        wanted += [mm(cut), f"{hand.masses(cut)[0]:.2f}"]
    # Blade.
    end = hand.levers[0] + 1.5 * hand.bolt
    wanted += [mm(hand.thick, 2), "1", "2", mm(hand.depth), "0", mm(end), mm(hand.bolt), "0.0"]
    wanted += [f"{hand.masses(1.0)[1]:.2f}", "1.5", "1"]
    for number, lever in enumerate(hand.levers, start=1):
        wanted += [str(number), mm(lever), str(number), mm(hand.depth / 2.0), mm(end - lever)]
    wanted += [mm(one - other) for one, other in zip(hand.levers, hand.levers[1:], strict=False)]
    # Settings and stacks.
    base = 1.0 / hand.compliance(fitted.hole, fitted.spacers)
    for number in range(1, len(hand.levers) + 1):
        for spacers in range(most + 1):
            row = next(r for r in ladder.rows if (r.hole, r.spacers) == (number, spacers))
            rate = 1.0 / hand.compliance(number, spacers)
            assert row.rate.value == pytest.approx(rate, rel=1e-4)
            setup = Setup.model_validate({f"{axle}_bar": BarSetting(hole=number, spacers=spacers)})
            other: Any = "rear" if axle == "front" else "front"
            setup = setup.model_copy(update={f"{other}_bar": sample().axle(other).bar.fitted})
            error = predict_setup(sample(), "x", setup).bars[axle].rate.std_error or 0.0
            wanted += [str(number), str(spacers), *shown(1e-3 * rate, 1e-3 * error)]
            change = 100.0 * (rate / base - 1.0)
            if abs(change) > 1e-9:
                assert row.change.value == pytest.approx(change, abs=0.02)
                wanted += shown(abs(row.change.value or 0.0), row.change.std_error or 0.0)
            force = hand.full_force(number, spacers, ladder.travel.bump, ladder.travel.droop)
            factor = hand.factor(number, spacers, force)
            assert row.stress_factor == pytest.approx(factor, rel=2e-3)
            wanted.append(f"{row.stress_factor:.2f}")
    for spacers in range(most + 1):
        stack = spacers * hand.thin
        bolt = hand.thick + stack + 2.0 * washer + nut + 2.0 * pitch
        wanted += [str(spacers), mm(stack), mm(bolt)]
    wanted += [mm(hand.thin, 2), "2", "2", "1.5"]  # and below which factor "low" stands
    # Bench test: one eye held, so twice the way; five loads with a factor of three within 20 mm.
    held = base / 2.0
    error = (ladder.fitted.rate.std_error or 0.0) / base
    safe = [
        step
        for step in (0.5, 1.0, 2.0, 5.0, 10.0)
        if hand.factor(fitted.hole, fitted.spacers, 5.0 * step * GRAVITY) >= 3.0
        and 5.0 * step * GRAVITY / held <= 0.020
    ]
    wanted += [str(fitted.hole), str(fitted.spacers), *shown(1e-3 * held, 1e-3 * held * error)]
    wanted.append(f"{hand.factor(fitted.hole, fitted.spacers, 5.0 * safe[-1] * GRAVITY):.1f}")
    for count in range(1, 6):
        force = count * safe[-1] * GRAVITY
        wanted += [
            f"{count * safe[-1]:g}",
            f"{force:.1f}",
            *shown(1e3 * force / held, 1e3 * force / held * error),
        ]
    assert hand.bar.blade.weld_strength is not None
    wanted.append(f"{hand.bar.blade.weld_strength.value / 1e6:.0f}")
    pages = pages_of(f"sample {axle}")
    assert len(pages) == 1
    text = (
        " ".join(words_in(pages[0])).replace(hand.bar.tube.material, "").replace(hand.bar.blade.material, "")
    )
    found = Counter(re.findall(r"\d+(?:\.\d+)?", text))
    assert found == Counter(wanted)
    one = fitted.spacers == 1
    assert f"with {fitted.spacers} spacer{'' if one else 's'}. Hold" in text


def test_a_bent_bar_by_hand() -> None:
    """Arc by arc: cut length, bends, turns of the bar between them, mounts and weight."""
    sheet = car({"rear": {"bar": BENT}}, bar=False)
    ladder = bar_ladder(sheet, "rear")
    assert ladder is not None
    work = bar_work(sheet, "rear", ladder).formed
    assert work is not None
    corners = np.array(
        [[250, 480, 20], [30, 440, 0], [0, 300, 50], [0, -300, 50], [30, -440, 0], [250, -480, 20]]
    )
    radii = [0.0, 40.0, 60.0, 60.0, 0.0, 0.0]
    # The bent line as many short pieces: circles struck about centres on the bisectors of the corners.
    line = [corners[0].astype(float)]
    begins = []
    for before, here, after, radius in zip(corners, corners[1:], corners[2:], radii[1:], strict=False):
        one, other = ((p - here) / np.linalg.norm(p - here) for p in (before, after))
        half = math.acos(float(one @ other)) / 2.0
        centre = here + (one + other) / np.linalg.norm(one + other) * radius / math.sin(half)
        first, last = here + one * radius / math.tan(half), here + other * radius / math.tan(half)
        begins.append(len(line))
        for part in np.linspace(0.0, 1.0, 2001):
            chord = first - centre + part * (last - first)
            line.append(centre + (radius * chord / np.linalg.norm(chord) if radius else 0.0))
    line.append(corners[-1].astype(float))
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    assert 1e3 * work.cut == pytest.approx(along[-1], abs=0.01)
    assert [1e3 * bend.start for bend in work.bends] == pytest.approx([along[k] for k in begins], abs=0.01)
    assert [1e3 * bend.radius for bend in work.bends] == radii[1:5]
    ways = np.diff(corners, axis=0) / np.linalg.norm(np.diff(corners, axis=0), axis=1)[:, None]
    turns = [math.degrees(math.acos(float(a @ b))) for a, b in pairwise(ways)]
    assert [math.degrees(bend.angle) for bend in work.bends] == pytest.approx(turns, abs=1e-6)
    for bend, turn in zip(work.bends, turns, strict=True):
        assert bend.arc == pytest.approx(bend.radius * math.radians(turn), rel=1e-9)
    # Turning the next bend's plane back by the angle about the straight between lays it into the one before.
    assert work.bends[0].rotation is None
    normals = [np.cross(a, b) / np.linalg.norm(np.cross(a, b)) for a, b in pairwise(ways)]
    for number in range(1, 4):
        angle, axis = work.bends[number].rotation or 0.0, ways[number]
        old = normals[number - 1]
        turned = old * math.cos(angle) + np.cross(axis, old) * math.sin(angle)
        assert turned == pytest.approx(normals[number], abs=1e-9)
    y = np.array([p[1] for p in line])
    for mount, place in zip(work.mounts, (200.0, -180.0), strict=True):
        assert 1e3 * mount == pytest.approx(float(np.interp(-place, -y, along)), abs=0.05)
    assert work.mass == pytest.approx(7850.0 * math.pi / 4.0 * 0.022**2 * along[-1] / 1e3, rel=1e-4)
    text = " ".join(words_in(pages_of("bent")[0]))
    assert f"{along[-1]:.1f} mm" in text
    assert "radius of the bends shown with 0.0" in text


# On the paper.


def printed_boxes(page: Any) -> list[tuple[str, Any]]:
    """Return every line of text with the box it takes up [mm], y up from the foot of the page."""
    canvas = FigureCanvasAgg(page)
    with style.house_style():
        canvas.draw()
        boxes = [
            (t.get_text(), t.get_window_extent(canvas.get_renderer()))
            for t in page.axes[0].texts
            if t.get_text()
        ]
    scale = 25.4 / page.dpi
    return [(text, box.transformed(box_scale(scale))) for text, box in boxes]


def box_scale(scale: float) -> Any:
    from matplotlib.transforms import Affine2D

    return Affine2D().scale(scale)


def stepped_and_tapered() -> CarSheet:
    bar = {
        "tube": {"ends": {"length": "90 mm", "outside_diameter": "25 mm", "wall": "4 mm"}},
        "blade": {"length": "270 mm", "tip_depth": "24 mm", "tip_thickness": "6 mm", "root": None},
        "link": {"rate": "40 kN/mm", "length": "140 mm"},
        "bolt": {"diameter": "9.5 mm"},
    }
    return car({"name": "A car with a rather long name, number 12 345", "front": {"bar": bar}})


def unknown_and_many() -> CarSheet:
    own = {"material": "house alloy", "elastic_modulus": "205 GPa", "shear_modulus": "80 GPa"}
    holes = [f"{lever} mm" for lever in range(260, 110, -15)]
    bar = {"tube": own, "blade": {**own, "turn": "30 deg"}, "holes": holes, "bolt": None}
    return car({"front": {"bar": {**bar, "spacer": {"most": 7}}}})


PAGES = {
    "sample front": lambda: figures_of(sample(), "front"),
    "sample rear": lambda: figures_of(sample(), "rear"),
    "plain": lambda: figures_of(car()),
    "stepped": lambda: figures_of(stepped_and_tapered()),
    "many": lambda: figures_of(unknown_and_many()),
    "bent": lambda: figures_of(car({"rear": {"bar": BENT}}, bar=False), "rear"),
    "short": lambda: figures_of(
        car(
            {
                "front": {
                    "bar": {"tube": {"length": "300 mm"}, "mounts": {"spacing": "270 mm"}, "holes": ["60 mm"]}
                }
            }
        )
    ),
}


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(name, marks=pytest.mark.slow) if name in ("many", "short", "sample rear") else name
        for name in PAGES
    ],
)
def test_pages_are_a4_legible_and_nothing_stands_on_anything_else(name: str) -> None:
    pages = pages_of(name)
    assert len(pages) == (1 if name != "many" else len(pages))
    for page in pages:
        axes = page.axes[0]
        assert tuple(25.4 * page.get_size_inches()) == pytest.approx((210.0, 297.0), abs=1e-9)
        assert (axes.get_xlim(), axes.get_ylim()) == ((0.0, 210.0), (297.0, 0.0))
        assert axes.get_position().bounds == (0.0, 0.0, 1.0, 1.0)
        for text in axes.texts:
            letter = TextPath(
                (0.0, 0.0), "H", size=text.get_fontsize(), prop=FontProperties(family="DejaVu Sans")
            )
            assert letter.get_extents().height * 25.4 / 72.0 >= 2.5
        boxes = printed_boxes(page)
        for words, box in boxes:
            assert box.x0 > 8.0, words
            assert box.x1 < 202.0, words
            assert box.y0 > 8.0, words
            assert box.y1 < 289.0, words
        for (one, first), (other, second) in combinations(boxes, 2):
            wide = min(first.x1, second.x1) - max(first.x0, second.x0)
            high = min(first.y1, second.y1) - max(first.y0, second.y0)
            # The boxes of two lines may touch: they hold the room of letters that reach below the line.
            assert wide <= 0.2 or high <= 1.0, (one, other)


def test_parts_are_drawn_to_the_scale_that_is_stated() -> None:
    hand = ByHand(sample(), "front")
    (page,) = pages_of("sample front")
    words = words_in(page)
    tube, blade = (int(re.findall(r"drawn 1 : (\d+)", text)[0]) for text in words if "drawn 1 :" in text)
    lines = [np.column_stack(line.get_data()) for line in page.axes[0].lines]
    sizes = [tuple(np.ptp(line, axis=0)) for line in lines]

    def drawn(width: float, height: float) -> int:
        return sum(np.allclose(size, (width, height), atol=1e-6) for size in sizes)

    assert drawn(50.0, 0.0) >= 1
    assert drawn(1e3 * hand.length / tube, 1e3 * hand.outer / tube) == 1
    assert drawn(1e3 * hand.thick / tube, 1e3 * hand.depth / tube) == 2
    assert drawn(1e3 * hand.bolt / blade, 1e3 * hand.bolt / blade) == len(hand.levers)
    centres = sorted(
        {
            round(float(line[:, 0].mean()), 6)
            for line, size in zip(lines, sizes, strict=True)
            if np.allclose(size, 1e3 * hand.bolt / blade)
        }
    )
    assert np.diff(centres) == pytest.approx(np.diff(sorted(hand.levers)) * 1e3 / blade, abs=0.01)
    svg = style.svg_text(page)
    root = ElementTree.fromstring(svg)
    assert float(root.attrib["width"].removesuffix("pt")) * 25.4 / 72.0 == pytest.approx(210.0, abs=1e-3)
    assert float(root.attrib["height"].removesuffix("pt")) * 25.4 / 72.0 == pytest.approx(297.0, abs=1e-3)


def test_what_the_sheet_does_not_know_is_marked() -> None:
    text = " ".join(words_in(pages_of("plain")[0]))
    for words in (
        "? Not in the car sheet",
        "how the blades sit on the tube (blade.seat)",
        f"{1e3 * (LEVERS[0] + 1.5 * BOLT):.1f} ?",
        "link.length",
    ):
        assert words in text
    many = " ".join(" ".join(words_in(page)) for page in pages_of("many"))
    for words in (
        "Cut length: ? mm",
        "? kg each",
        "Bolts of ? mm",
        "density",
        "yield strength: stress is not judged",
    ):
        assert words in many
    known = car({"front": {"bar": {"blade": {"length": "270 mm"}, "link": {"length": "140 mm"}}}})
    text = " ".join(words_in(figures_of(known)[0]))
    assert "blade.length" not in text
    assert "link.length" not in text
    assert "270.0" in text
    assert "270.0 ?" not in text


def test_cautions_stand_beside_the_weld() -> None:
    text = " ".join(words_in(pages_of("plain")[0]))
    for words in ("qualified welder, licensed", "spring steel: cracks easily", "as annealed", "local codes"):
        assert words in text
    machined = " ".join(words_in(figures_of(car({"front": {"bar": {"blade": {"joint": "machined"}}}}))[0]))
    assert "welder" not in machined
    assert "local codes" in machined


def test_a_weak_bar_gets_small_loads_or_none() -> None:
    for size, least in (("16 mm", 1), ("8 mm", 0)):
        thin = car({"front": {"bar": {"tube": {"outside_diameter": size, "wall": "1 mm"}}}})
        ladder = bar_ladder(thin, "front")
        assert ladder is not None
        weak = bar_work(thin, "front", ladder).bench
        assert len(weak.steps) == 5 * least
        assert all(step.deflection <= 0.020 for step in weak.steps)
        assert not weak.steps or (weak.factor or 0.0) >= 3.0
    assert "do not load this bar" in " ".join(words_in(figures_of(thin)[0]))


def test_uneven_sides_are_tested_with_both_as_the_left_one() -> None:
    uneven = car({"front": {"bar": {"fitted": {"hole": 2, "right": {"hole": 3}}}}})
    ladder = bar_ladder(uneven, "front")
    assert ladder is not None
    bench = bar_work(uneven, "front", ladder).bench
    assert (bench.row.hole, bench.row.spacers, bench.row.right) == (2, 0, None)


# Files.


def drawn_before(monkeypatch: Any) -> None:
    """Let files be made of pages that other tests have drawn."""

    def pages(sheet: CarSheet, axles: tuple[Any, ...] = ("front", "rear")) -> dict[Any, list[Any]]:
        return {axle: pages_of(f"sample {axle}") for axle in axles}

    monkeypatch.setattr("analyzer.report.builder_sheet.builder_pages", pages)


def test_a_pdf_holds_all_bars_and_an_svg_one_each(tmp_path: Path, monkeypatch: Any) -> None:
    drawn_before(monkeypatch)
    both = sample()
    assert save_builder_sheet(both, tmp_path / "bars.pdf") == (tmp_path / "bars.pdf",)
    pdf = (tmp_path / "bars.pdf").read_bytes()
    assert len(re.findall(rb"/Type /Page\b(?!s)", pdf)) == 2
    assert b"/MediaBox [ 0 0 595.27" in pdf
    names = [path.name for path in save_builder_sheet(both, tmp_path / "bars.svg")]
    assert names == ["bars_front.svg", "bars_rear.svg"]
    assert save_builder_sheet(both, tmp_path / "one.svg", ("rear",)) == (tmp_path / "one.svg",)
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    save_builder_sheet(both, tmp_path / "bars.pdf")
    save_builder_sheet(both, tmp_path / "bars.svg")
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_car_without_bars_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(AnalyzerError, match="no bar at the front or rear"):
        save_builder_sheet(car(bar=False), tmp_path / "b.pdf")
    assert list(tmp_path.iterdir()) == []


def test_what_is_not_ours_is_left_alone(tmp_path: Path, monkeypatch: Any) -> None:
    drawn_before(monkeypatch)
    (tmp_path / "log.pdf").write_text("time,damper\n", encoding="utf-8")
    (tmp_path / "a_rear.svg").write_text("notes", encoding="utf-8")
    with pytest.raises(AnalyzerError, match="not written by this program"):
        save_builder_sheet(sample(), tmp_path / "log.pdf")
    with pytest.raises(AnalyzerError, match="not written by this program"):
        save_builder_sheet(sample(), tmp_path / "a.svg")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a_rear.svg", "log.pdf"]
    with pytest.raises(AnalyzerError, match="another place"):
        save_builder_sheet(sample(), tmp_path / "no" / "such" / "b.pdf")


def test_command(tmp_path: Path, monkeypatch: Any, capsys: Any) -> None:
    out = tmp_path / "bars.pdf"
    monkeypatch.setattr("sys.argv", ["analyzer", "bar", str(SAMPLE), "--sheet", str(tmp_path / "bars.doc")])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    text = capsys.readouterr()
    assert "does not end in .pdf or .svg" in text.err
    assert text.out == ""
    monkeypatch.setattr("sys.argv", ["analyzer", "bar", str(SAMPLE), "--sheet", str(out), "--axle", "rear"])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code in (0, None)
    assert f"builder's sheet: {out}" in capsys.readouterr().err
    assert out.read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize("words", ["🏎 steel", "W" * 300, "\u2068סדאן\u2069 4130", "a b"])
def test_every_word_has_a_width_and_a_line_never_more_than_its_room(words: str):
    lines = wrapped(words, 60.0)

    assert "".join(lines).replace(" ", "") == words.replace(" ", "")
    assert all(0.0 < width_of(line) <= 60.0 for line in lines)


@pytest.mark.parametrize("room", [10.0, 20.0, 29.0, 60.0])
def test_wrapping_loses_no_letter(room: float) -> None:
    words = "roll-centre height of the suspension's " + 40 * "w" + " illimitable"

    lines = wrapped(words, room)

    assert "".join(lines).replace(" ", "") == words.replace(" ", "")
    assert all(width_of(line) <= room for line in lines)
