"""Figure of load: which side carries it through a run."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from analyzer.constants import AXLES, Axle
from analyzer.report.figures_course import run_axis
from analyzer.report.plates import (
    BLUE,
    PALE,
    VERMILION,
    Array,
    LineStyle,
    Plate,
    axes_in,
    new_figure,
    trace,
)
from analyzer.report.wording import figure as shown
from analyzer.report.wording import label, listed, percent

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from analyzer.processing.results import RunEstimates
    from analyzer.session import Review

_AXLE_LOOK: dict[str, tuple[str, LineStyle]] = {"front": (BLUE, "-"), "rear": (VERMILION, (0, (5.0, 1.5)))}


def share_plate(review: Review, index: int) -> Plate | None:
    """Return the left share of both axles through the run at `index`."""
    run = review.runs[index]
    axles = [axle for axle in AXLES if f"left_share_{axle}" in run.loads.columns]
    if not axles:
        return None
    place, inside, unit = run_axis(run)
    shares = {
        axle: run.loads[f"left_share_{axle}"].reindex(run.motion.data.index).to_numpy()[inside] * 100.0
        for axle in axles
    }
    return Plate(
        key=f"share-{index + 1}",
        title=f"Which side carried the load in {label(run.name, 20)}?",
        alt=f"Left share of front and rear axle through run {label(run.name, 20)}; {_means(run)}",
        draw=partial(_draw, place[inside], unit, shares),
        note="100 %: all load of the axle on the left wheel. Band: extremes, line: middle.",
    )


def _draw(place: Array, unit: str, shares: dict[Axle, Array]) -> Figure:
    figure = new_figure(2.3)
    axes = axes_in(figure, 0.55, 0.45, 0.12, 0.3)
    for axle, share in shares.items():
        colour, style = _AXLE_LOOK[axle]
        trace(axes, place, share, colour, style)
        axes.plot([], [], color=colour, linestyle=style, label=axle)
    axes.axhline(50.0, color=PALE, linewidth=0.8, zorder=0)
    axes.set_ylabel("left share, %")
    axes.set_xlabel(unit)
    axes.set_ylim(-2, 102)
    axes.set_yticks([0, 25, 50, 75, 100])
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2)
    return figure


def _means(run: RunEstimates) -> str:
    parts = [
        f"{axle} mean {shown(percent(share.left_share))}"
        for axle, share in run.load_share.items()
        if share.left_share.value is not None
    ]
    return f"{listed(parts)}." if parts else "mean not known."
