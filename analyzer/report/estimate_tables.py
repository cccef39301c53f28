"""Tables of the folded details: every figure of a run or set-up, with interval and method."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from analyzer.constants import AXLES
from analyzer.estimate import Estimate
from analyzer.report.cells import Cell, PageTable, number
from analyzer.report.wording import UNKNOWN, interval, label, percent, readable, sentence

if TYPE_CHECKING:
    from analyzer.comparison.results import SetupResult
    from analyzer.constants import Axle
    from analyzer.prediction.results import SetupPrediction
    from analyzer.processing.results import RunEstimates, Split


_FURTHER: Final = {
    f"{key}_{axle}": f"{words} {axle}"
    for axle in AXLES
    for key, words in {
        "inside_load": "lighter wheel at 1 g,",
        "lift_off": "lateral acceleration at which a wheel lifts,",
        "replacement_spring": "spring that rolls alike without the bar,",
    }.items()
}
"""Words of `SetupPrediction.further`."""


def prediction_table(prediction: SetupPrediction) -> PageTable:
    """Return what the sheet predicts for one set-up."""
    rows: list[tuple[str, Estimate]] = [
        (f"{axle} bar rate per side, {label(bar.setting)}", bar.rate) for axle, bar in prediction.bars.items()
    ]
    for group, words in (
        (prediction.roll_stiffness, "roll stiffness"),
        (prediction.roll_gradient, "roll gradient"),
        (prediction.roll_gradient_body, "roll per force in body axes"),
    ):
        rows += [(f"{words} {key}", estimate) for key, estimate in group.items()]
    for axle, transfer in prediction.load_transfer.items():
        rows += [
            (f"load transfer {axle}, {part}", getattr(transfer, part))
            for part in ("elastic", "geometric", "unsprung", "total")
        ]
    rows.append(("front share of load transfer", percent(prediction.front_share)))
    rows += [(_FURTHER.get(key, key.replace("_", " ")), e) for key, e in prediction.further.items()]
    return estimates_table(f"Predicted for {label(prediction.name)}", rows, "; ".join(prediction.assumed))


def measured_table(setup: SetupResult) -> PageTable:
    """Return what all runs of one set-up showed together."""
    rows = [(key.replace("_", " "), estimate) for key, estimate in setup.measured.items()]
    return estimates_table(f"Measured on {label(setup.name)}", rows)


def further_table(run: RunEstimates) -> PageTable:
    """Return the further figures of one run."""
    rows: list[tuple[str, Estimate]] = [
        (f"roll per force in body axes, {key}", estimate) for key, estimate in run.roll_gradient_body.items()
    ]
    for axle, share in run.load_share.items():
        rows += [
            (f"lowest wheel load, {axle}", share.lowest_load),
            (f"how evenly both tyres are loaded, {axle}", percent(share.evenness)),
        ]
        rows += [
            (f"time with a wheel under {100.0 * light.below:g} % of its static load, {axle}", light.seconds)
            for light in share.light
        ]
    rows += [(f"damper travel to the bump stop, {axle}", stop) for axle, stop in run.stops.items()]
    rows += [(key.replace("_", " "), estimate) for key, estimate in run.further.items()]
    return estimates_table(f"More figures of {label(run.name)}", rows)


def splits_table(run: RunEstimates) -> PageTable | None:
    """Return gradient and load share of the parts of one run, and whether they differ beyond their errors."""
    if not run.splits:
        return None
    beyond = {(d.quantity, d.axle, d.first) for d in run.differences if d.beyond_error}
    beyond |= {(d.quantity, d.axle, d.second) for d in run.differences if d.beyond_error}

    def cells(split: Split, quantity: str, axle: Axle) -> Cell:
        estimate = getattr(split, quantity).get(axle)
        look = "suspect" if (quantity, axle, split.name) in beyond else ""
        return replace(number(estimate), look=look)

    rows = tuple(
        (
            Cell(label(split.name)),
            Cell(f"{split.seconds:.0f} s", number=True),
            *(cells(split, "roll_gradient_body", axle) for axle in AXLES),
            *(cells(split, "share_slope", axle) for axle in AXLES),
            *(number(percent(share)) for share in split.left_share.values()),
        )
        for split in run.splits
    )
    heads = [f"{words} {axle}" for words in ("Roll per force, deg/g,", "Left share slope,") for axle in AXLES]
    heads += [f"Left share {axle}, %" for axle in run.splits[0].left_share]
    return PageTable(
        f"Parts of {label(run.name)}",
        ("Part", "Long", *heads),
        rows,
        "Marked: left against right, banked against flat or early against late differ by more than their "
        "errors explain. Left share slope: change of left share per lateral over vertical force.",
    )


def compliance_table(setup: SetupResult) -> PageTable | None:
    """Return the compliance budget of the bars of one set-up."""
    rows = [
        (
            Cell(f"{axle}, {label(bar.setting)}"),
            Cell(label(part)),
            Cell(f"{compliance * 1e6:.3g} mm/kN", number=True),
            Cell(f"{100.0 * compliance * bar.rate.value:.0f} %" if bar.rate.value else UNKNOWN, number=True),
        )
        for axle, bar in setup.predicted.bars.items()
        for part, compliance in bar.compliance.items()
    ]
    if not rows:
        return None
    return PageTable(
        f"What gives in the bar, {label(setup.name)}",
        ("Bar", "Part", "Compliance", "Share"),
        tuple(rows),
        "Deflection of each link per force there, part by part; the parts add up.",
    )


def estimates_table(caption: str, rows: Sequence[tuple[str, Estimate]], assumed: str = "") -> PageTable:
    """Return named estimates with interval and method."""
    return PageTable(
        caption,
        ("Quantity", "Value", "95 % interval", "How"),
        tuple(
            (
                Cell(label(words, 60)),
                number(estimate, True),
                Cell(interval(readable(estimate)) or UNKNOWN, number=True),
                Cell(label(estimate.method, 90) if estimate.method else UNKNOWN),
            )
            for words, estimate in rows
        ),
        f"Assumed, since the sheet is silent: {sentence(assumed)}" if assumed else "",
    )
