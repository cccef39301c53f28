"""Tables of the bar settings of a session: each against its prediction, and which are really different."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analyzer.report.cells import Cell, PageTable, number
from analyzer.report.wording import UNKNOWN, label, listed, value_with_interval

if TYPE_CHECKING:
    from analyzer.comparison.results import AxleSettings
    from analyzer.session import Review


def settings_table(review: Review) -> PageTable:
    """Return one row per axle and bar setting; empty without two settings of an axle."""
    models = [model for model in review.bars if len(model.settings) > 1]
    rows = [
        (
            Cell(f"{model.axle}, {label(item.setting, 40)}", f"on {listed(list(item.setups))}"),
            Cell(str(item.runs), number=True),
            number(item.measured),
            number(item.predicted),
            number(item.ratio),
            Cell("softest", number=True) if item.step is None else number(item.step),
            Cell(UNKNOWN, number=True) if item.predicted_step is None else number(item.predicted_step),
        )
        for model in models
        for item in model.settings
    ]
    return PageTable(
        "Bar settings, all runs in one model",
        (
            "Axle and setting",
            "Runs",
            "Roll stiffness, N m/deg",
            "Predicted",
            "Measured / predicted",
            "Above the softest, N m/deg",
            "Predicted",
        ),
        tuple(rows),
        " ".join(map(_remark, models)),
    )


def _remark(model: AxleSettings) -> str:
    friction = model.friction
    rubbing = ""
    if friction.value is not None:
        rubbing = f"; dry friction of one corner {value_with_interval(friction)}"
    return (
        f"The {model.axle} axle without its bar: {value_with_interval(model.springs)}, predicted "
        f"{value_with_interval(model.springs_predicted)}{rubbing}."
    )


def pairs_table(review: Review) -> PageTable:
    """Return which settings of an axle are really different; empty with fewer than three settings."""
    rows = [
        (
            Cell(f"{model.axle}, {label(pair.before, 30)} to {label(pair.after, 30)}"),
            Cell("different" if pair.different else "not shown to differ"),
            Cell(value_with_interval(pair.ratio), number=True),
            number(pair.predicted),
            Cell(f"{pair.p_value:.2g}", number=True),
        )
        for model in review.bars
        if len(model.settings) > 2
        for pair in model.pairs
    ]
    return PageTable(
        "Which settings are really different",
        ("Settings", "Answer", "Stiffness ratio", "Predicted", "Chance"),
        tuple(rows),
        "Intervals and chances hold for all pairs of an axle together: with many settings about one pair in "
        "twenty would differ by scatter alone.",
    )
