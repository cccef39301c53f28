"""Figures of the verdict: a change beside its prediction, and measured over predicted."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Final

from analyzer.comparison.results import AxleSettings, BarSettingResult, Comparison
from analyzer.core.estimate import Estimate
from analyzer.report.figures import style
from analyzer.report.sentences import lead_rows
from analyzer.report.words import count, label, listed, value_with_interval
from analyzer.session.review import Review

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


_SETTING_LETTERS: Final = 18
"""Letters of a line of a setting's name, left of its row."""


def change_plate(comparisons: Sequence[Comparison]) -> style.Plate | None:
    """Return every change of set-up on one scale: measured, predicted, and what was too small to see."""
    # A change that was not measured has its reason among the points; an empty row would read as "no change".
    shown = [c for c in comparisons if c.stiffness_ratio.value is not None]
    if not shown:
        return None
    return style.Plate(
        key="change",
        title="Did the change do what was predicted?",
        alt="Roll stiffness after over before. "
        + " ".join(
            f"{_pair(c)}: measured {value_with_interval(c.stiffness_ratio)}, predicted "
            f"{value_with_interval(c.predicted_ratio)}."
            for c in shown
        ),
        draw=partial(_draw_changes, tuple(shown)),
        note="Filled: measured. Hollow: predicted. Bars: 95 % intervals. Grey band: changes too small for "
        "these runs to show.",
    )


def _draw_changes(shown: tuple[Comparison, ...]) -> Figure:
    figure = style.new_figure(0.6 + 1.1 * len(shown))
    axes = style.axes_in(figure, 0.12, 0.5, 0.12, 0.1)
    for row, comparison in enumerate(shown):
        _change_row(axes, row, comparison)
    axes.axvline(1.0, color=style.INK, linewidth=0.8, zorder=1)
    axes.set_ylim(len(shown) - 0.5, -0.5)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    _room(axes, 0.12, 0.14)
    axes.locator_params(axis="x", nbins=6)
    axes.set_xlabel("roll stiffness after / before (1 = no change; left of it softer)")
    return figure


def _change_row(axes: Axes, row: int, comparison: Comparison) -> None:
    # The band first, under everything: what lies within it these runs could not have shown.
    smallest = comparison.smallest_visible.value
    if smallest is not None:
        axes.fill_betweenx(
            (row - 0.2, row + 0.4), 1.0 - smallest, 1.0 + smallest, color=style.PALE, linewidth=0
        )
    # Measured above predicted, each with its figure, since three digits cannot be read off the axis.
    for estimate, offset, colour, filled, word in (
        (comparison.stiffness_ratio, 0.02, style.BLUE, True, "measured"),
        (comparison.predicted_ratio, 0.2, style.GREY, False, "predicted"),
    ):
        _mark(axes, estimate, row + offset, (colour, "o" if filled else "s"), filled)
        if estimate.value is not None:
            look = {
                "ha": "center",
                "va": "bottom" if filled else "top",
                "fontsize": style.TYPE,
                "color": colour,
            }
            at, away = (estimate.value, row + offset), (0, 7 if filled else -7)
            style.note_at(axes, f"{word} {estimate.value:.3f}", at, away, **look)
    # The row's name stands within the axes: left of them it would take a third of the width of a phone.
    axis = comparison.axle or "car"
    axes.annotate(
        f"{_pair(comparison)}, {axis}",
        (0.0, row - 0.4),
        xycoords=("axes fraction", "data"),
        va="center",
        color=style.INK,
    )


@dataclass(frozen=True, slots=True)
class _Agreement:
    """Measured over predicted of one quantity on one set-up [1]."""

    name: str
    look: tuple[str, str]
    ratio: Estimate


def agreement_plate(review: Review) -> style.Plate | None:
    """Return measured / predicted of every ledger row, one line per set-up and quantity."""
    rows = [
        (index, setup.name, row)
        for index, setup in enumerate(review.setups)
        for row in lead_rows(setup)
        if row.ratio.value is not None
    ]
    if not rows:
        return None
    # By quantity, so that the set-ups of one figure lie under each other; as many as stay legible.
    rows = sorted(rows, key=lambda item: item[2].quantity)[:24]
    drawn = tuple(
        _Agreement(f"{label(row.quantity, 24)} {label(setup, 6)}", style.setup_look(index), row.ratio)
        for index, setup, row in rows
    )
    # A reader who cannot see the figure is told which intervals leave the prediction out.
    off = [
        f"{label(row.quantity, 24)} on {label(setup, 12)}" for _, setup, row in rows if row.agrees is False
    ]
    return style.Plate(
        key="agreement",
        title="Does the car do what its sheet says?",
        alt="Measured over predicted with 95 % interval: "
        + "; ".join(f"{row.name} {value_with_interval(row.ratio)}" for row in drawn)
        + ". "
        + (f"The interval leaves 1 out for {listed(off)}." if off else "Every interval holds 1."),
        draw=partial(_draw_agreement, drawn),
        note="Bars: 95 % intervals with the errors of both sides. An interval that holds 1 agrees.",
    )


def _draw_agreement(rows: tuple[_Agreement, ...]) -> Figure:
    figure = style.new_figure(0.75 + 0.24 * len(rows))
    names = [row.name for row in rows]
    axes = style.axes_in(figure, style.room_for(names, 1.95, 2.7), 0.5, 0.12, 0.15)
    for place, row in enumerate(rows):
        axes.axhline(place, color=style.PALE, linewidth=0.5, zorder=0)
        _mark(axes, row.ratio, place, row.look, True)
    axes.axvline(1.0, color=style.INK, linewidth=0.8, zorder=1)
    style.list_rows(axes, names)
    axes.locator_params(axis="x", nbins=5)
    _room(axes, 0.08)
    axes.set_xlabel("measured / predicted")
    return figure


def settings_plate(review: Review) -> style.Plate | None:
    """Return every bar setting of an axle, measured beside predicted; None without two settings of one."""
    models = [model for model in review.bars if len(model.settings) > 1]
    if not models:
        return None
    return style.Plate(
        key="settings",
        title="Does every bar setting do what was predicted?",
        alt="Roll stiffness of the axle by bar setting. " + " ".join(map(_settings_words, models)),
        draw=partial(_draw_settings, tuple(models)),
        note="Filled: measured. Hollow: predicted. Bars: 95 % intervals. Left: with all that the sheet "
        "leaves open, for all settings alike. Right: above the softest setting driven, where that cancels.",
    )


def _draw_settings(models: tuple[AxleSettings, ...]) -> Figure:
    # Two columns of one question: with all errors of the sheet, and where those common to all cancel.
    sizes = [len(model.settings) for model in models]
    figure = style.new_figure(0.95 + 0.62 * sum(sizes) + 0.35 * (len(models) - 1))
    grid = figure.subplots(len(models), 2, height_ratios=sizes, squeeze=False)
    height = figure.get_figheight()
    figure.subplots_adjust(
        left=1.6 / style.PLATE_WIDTH,
        right=0.96,
        top=1.0 - 0.3 / height,
        bottom=0.6 / height,
        hspace=0.4,
        wspace=0.12,
    )
    for (whole, steps), model in zip(grid, models, strict=True):
        _setting_rows(whole, steps, model)
    grid[0, 0].set_title("as a whole")
    grid[0, 1].set_title("above the softest")
    figure.supxlabel("roll stiffness of the axle, N m/deg", fontsize=style.TYPE)
    return figure


def _setting_rows(whole: Axes, steps: Axes, model: AxleSettings) -> None:
    for row, item in enumerate(model.settings):
        for axes, measured, predicted in (
            (whole, item.measured, item.predicted),
            (steps, item.step, item.predicted_step),
        ):
            axes.axhline(row, color=style.PALE, linewidth=0.5, zorder=0)
            if measured is not None and predicted is not None:
                _mark(axes, measured, row - 0.13, (style.BLUE, "o"), True)
                _mark(axes, predicted, row + 0.17, (style.GREY, "s"), False)
    steps.axvline(0.0, color=style.INK, linewidth=0.8, zorder=1)
    names = []
    for item in model.settings:
        lines = textwrap.wrap(f"{model.axle}, {label(item.setting, 22)}", _SETTING_LETTERS)
        names.append("\n".join((*lines, count(item.runs, "run"))))
    for axes in (whole, steps):
        style.list_rows(axes, names, 0.5, 0.5)
        axes.locator_params(axis="x", nbins=3)
    # The names stand once, at the left column.
    steps.set_yticks([])


def _settings_words(model: AxleSettings) -> str:
    return " ".join(
        f"{model.axle}, {label(item.setting, 24)}: measured {value_with_interval(item.measured)}, predicted "
        f"{value_with_interval(item.predicted)}{_step_words(item)}."
        for item in model.settings
    )


def _step_words(item: BarSettingResult) -> str:
    if item.step is None or item.predicted_step is None:
        return ", the softest"
    return (
        f"; above the softest {value_with_interval(item.step)}, predicted "
        f"{value_with_interval(item.predicted_step)}"
    )


def _mark(axes: Axes, estimate: Estimate, y: float, look: tuple[str, str], filled: bool) -> None:
    colour, marker = look
    if estimate.value is None:
        return
    if estimate.interval is not None:
        axes.plot(estimate.interval, (y, y), color=colour, linewidth=1.6 if filled else 1.0, zorder=2)
    face = colour if filled else "white"
    axes.plot(estimate.value, y, marker=marker, color=colour, markerfacecolor=face, markersize=5.5, zorder=3)


def _room(axes: Axes, least: float, air: float = 0.04) -> None:
    """Show 1 and leave some air, so that a tiny difference does not fill the figure."""
    # Matplotlib fits the axis to the data: a ratio of 0.999 would look like a large change.
    low, high = axes.get_xlim()
    low, high = min(low, 1.0 - least / 2.0), max(high, 1.0 + least / 2.0)
    axes.set_xlim(low - air * (high - low), high + air * (high - low))


def _pair(comparison: Comparison) -> str:
    return f"{label(comparison.before, 12)} to {label(comparison.after, 12)}"
