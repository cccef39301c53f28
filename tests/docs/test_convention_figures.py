"""The figures of what a bar's keys mean: as the script draws them, legible, and as the program counts."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest
from vehicle.bar_helpers import bladed, formed

from analyzer.sheets.session import BarSetting
from analyzer.vehicle.bar.linkage import linkage
from analyzer.vehicle.bar.pieces import blade_state, bladed_model, formed_model, link_pull
from analyzer.vehicle.bar.rate import bar_solution
from docs import convention_figures

DOCS = Path(__file__).parents[2] / "docs"


@pytest.mark.parametrize("name", convention_figures.FIGURES)
def test_a_figure_is_as_drawn_stands_in_the_docs_and_follows_the_theme(name: str) -> None:
    drawn = (DOCS / "pictures" / f"{name}.svg").read_text()
    assert drawn == convention_figures.svg(name)
    title = convention_figures.FIGURES[name][0]
    assert f"![{title}](pictures/{name}.svg)" in (DOCS / "bars.md").read_text()
    assert "prefers-color-scheme:dark" in drawn
    # Words stay on the picture: 6.95 units per letter are those of the widest line as drawn.
    for words in ElementTree.fromstring(drawn).iter("{http://www.w3.org/2000/svg}text"):
        length, x = 6.95 * len(words.text or ""), float(words.get("x", "0"))
        left = {"start": x, "middle": x - length / 2.0, "end": x - length}[words.get("text-anchor", "start")]
        assert left >= 0.0
        assert left + length < convention_figures.WIDTH
        assert float(words.get("y", "0")) < convention_figures.HEIGHT


def test_link_angles_count_as_drawn() -> None:
    """The link's lower end lies against its pull: nearer to the axis, and further outboard."""
    link = bladed(link={"angle": "18 deg", "lean": "16 deg"}).link
    for outwards in (1.0, -1.0):
        pull = link_pull(link, outwards)
        assert float(pull.x) == pytest.approx(math.sin(math.radians(18.0)) * math.cos(math.radians(16.0)))
        assert float(-pull.y) * outwards == pytest.approx(math.sin(math.radians(16.0)))
    state = blade_state(bladed(link={"angle": "18 deg", "lean": "16 deg"}), 1, 0)
    found = linkage(bladed_model(bladed(link={"angle": "18 deg", "lean": "16 deg"}), state, state))
    assert math.degrees(found.lean) == pytest.approx(16.0)
    assert math.degrees(found.angle) == pytest.approx(18.0)


def test_a_blade_turns_as_drawn() -> None:
    """A positive turn takes the upper edge outboard, on both sides."""
    bar = bladed(blade={"turn": "30 deg"})
    state = blade_state(bar, 1, 0)
    model = bladed_model(bar, state, state)
    for piece, outwards in ((model.pieces[0], 1.0), (model.pieces[-1], -1.0)):
        blade = piece if piece.part == "blade" else next(p for p in model.pieces[::-1] if p.part == "blade")
        assert float(blade.curve.depth.y) * outwards == pytest.approx(0.5)  # type: ignore[attr-defined]


def test_signs_of_turn_and_lean_are_worth_a_third_of_the_rate() -> None:
    def rate(lean: float, turn: float) -> float:
        bar = bladed(link={"lean": f"{lean} deg"}, blade={"turn": f"{turn} deg"})
        return float(bar_solution(bar, BarSetting(hole=1, spacers=4)).rate)

    none = rate(0.0, 45.0)
    assert rate(8.0, 45.0) / none == pytest.approx(0.88, abs=0.01)
    assert rate(-8.0, 45.0) / none == pytest.approx(1.17, abs=0.01)
    assert rate(-8.0, -45.0) == pytest.approx(rate(8.0, 45.0), rel=1e-9)


def _bent(forward: float, angle: float) -> tuple[float, float]:
    """Rate and the link's angle to its lever, of arms that drop by 11 degrees."""
    drop = -0.2 * math.tan(math.radians(11.0))
    corners = [(0.2, 0.45, drop), (0.0, 0.45, 0.0), (0.0, -0.45, 0.0), (0.2, -0.45, drop)]
    bar = formed(
        outside_diameter="22 mm",
        points=[{"x": f"{forward * x} m", "y": f"{y} m", "z": f"{z} m"} for x, y, z in corners],
        mounts={"left": "0.4 m", "right": "-0.4 m"},
        link={"angle": f"{angle} deg"},
    )
    return float(bar_solution(bar, None).rate), math.degrees(linkage(formed_model(bar)).angle)


def test_a_bent_bars_link_counts_from_upright_whichever_way_its_arms_point() -> None:
    """A bar turned end for end is the same bar; before, the sign of a link's angle turned with it."""
    for angle in (-10.0, 0.0, 11.0):
        ahead, behind = _bent(1.0, angle), _bent(-1.0, angle)
        assert behind == pytest.approx(ahead, rel=1e-9)
        assert ahead[1] == pytest.approx(angle - 11.0, abs=1e-6)
    assert _bent(1.0, 11.0)[0] / _bent(1.0, 0.0)[0] == pytest.approx(0.964, abs=0.002)
