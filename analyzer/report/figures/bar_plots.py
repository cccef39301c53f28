"""One figure per bar: rates of all settings, where it gives way, other parts, rate over travel."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from analyzer.report.figures import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ROW: Final = 0.17
"""Height of one row of a list [in]."""

GAP: Final = 0.75
"""Room between panels for axis and title [in]."""

SMALLEST_SHARE: Final = 5e-4
"""Parts of the compliance below this are not drawn."""


def bar_svg(part: dict[str, Any], title: str) -> str:
    """Return the figure of one axle's bar, a `part` of `bar_json` in plain data, as SVG text."""
    fitted = next(row for row in part["settings"] if row["fitted"])
    shares = _shares(fitted["compliance"])
    # Four panels: three lists as high as their rows need, and a curve. Sizes in inches, so that a list of two
    # settings has the same letters as one of twelve.
    lists = [len(part["settings"]), len(shares), len(part["what_if"]) + len(part["solid_or_tube"]) - 1]
    heights = [max(count * ROW, 0.4) for count in lists] + [1.4]
    total = sum(heights) + GAP * (len(heights) + 0.8)
    with style.house_style():
        figure = style.new_figure(total)
        figure.suptitle(title, x=0.02, y=1.0 - 0.12 / total, ha="left", va="top")
        panels = []
        top = total - GAP
        for height in heights:
            panels.append(figure.add_axes((0.41, (top - height) / total, 0.55, height / total)))
            top -= height + GAP
        _draw_ladder(panels[0], part["settings"])
        _draw_shares(panels[1], shares, fitted["setting"])
        # The first of "solid or tube" is the fitted bar itself: no change to draw.
        _draw_changes(panels[2], part["what_if"] + part["solid_or_tube"][1:])
        _draw_travel(panels[3], part["rate_over_travel"])
        return style.svg_text(figure)


def _shares(compliance: dict[str, float]) -> list[tuple[str, float]]:
    total = sum(compliance.values())
    # Places that hardly give way would crowd out the others; they stand in bar.json.
    shares = [(name, 100.0 * value / total) for name, value in compliance.items()]
    return sorted((s for s in shares if abs(s[1]) > 100.0 * SMALLEST_SHARE), key=lambda s: s[1])


def _rows(axes: Axes, names: list[str]) -> None:
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(-0.7, len(names) - 0.3)
    axes.tick_params(axis="y", length=0)
    axes.grid(True, axis="x")


def _draw_ladder(axes: Axes, rows: list[dict[str, Any]]) -> None:
    for place, row in enumerate(rows):
        rate = row["rate"]
        # The fitted setting by colour and marker, so that it shows in black and white.
        look = style.VERMILION if row["fitted"] else style.BLUE
        marker = "D" if row["fitted"] else "o"
        low, high = rate["interval"]
        axes.plot([low / 1000.0, high / 1000.0], [place, place], color=look, linewidth=1.0)
        axes.plot([rate["value"] / 1000.0], [place], marker=marker, color=look, linestyle="none")
    _rows(axes, [row["setting"] + (" (fitted)" if row["fitted"] else "") for row in rows])
    axes.set_title("Rate of every setting, with 95 % interval")
    axes.set_xlabel("rate at one link [N/mm]")


def _draw_shares(axes: Axes, shares: list[tuple[str, float]], setting: str) -> None:
    names = [name for name, _ in shares]
    axes.barh(range(len(shares)), [value for _, value in shares], color=style.BLUE, height=0.6)
    for place, (_, value) in enumerate(shares):
        axes.text(max(value, 0.0) + 1.0, place, f"{value:.1f}", va="center", color=style.GREY, fontsize=7.5)
    _rows(axes, names)
    # Room for the figure behind a bar that takes up all.
    axes.set_xlim(min(0.0, *(value for _, value in shares)), 112.0)
    axes.set_title(f"Where it gives way: {setting}")
    axes.set_xlabel("part of the compliance [%]")


def _draw_changes(axes: Axes, items: list[dict[str, Any]]) -> None:
    changes = [item["ratio_percent"]["value"] for item in items]
    colours = [style.BLUE if change >= 0.0 else style.ORANGE for change in changes]
    axes.barh(range(len(items)), changes, color=colours, height=0.6)
    axes.axvline(0.0, color=style.BLACK, linewidth=0.6)
    _rows(axes, [item["change"] for item in items])
    axes.set_title("What another part would do")
    axes.set_xlabel("change of rate [%]")


def _draw_travel(axes: Axes, curve: dict[str, list[float]]) -> None:
    travel = [1000.0 * value for value in curve["wheel_travel_m"]]
    axes.plot(travel, [value / 1000.0 for value in curve["rate_n_per_m"]], color=style.BLUE)
    axes.grid(True)
    # A rate that hardly changes shall look flat: more air above and below than the usual twentieth.
    axes.margins(y=0.3)
    axes.set_title("Rate over opposite wheel travel")
    axes.set_xlabel("wheel travel, one up and one down [mm]")
    axes.set_ylabel("N/mm")
