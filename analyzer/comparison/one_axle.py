"""What an axle's own stiffness is worth: did the other end stay as it was, and was the axle's roll seen.

K_f = (M - K_r s_r) / s_f takes the other axle's stiffness from the sheet. Between set-ups that leave the
other end alone an error of the sheet there is nearly the same in both, and cancels; where the other bar was
changed too it does not. And where an axle has no pots its roll follows from the other axle's by the sheet's
ratio, which holds the bar the sheet expects: the figure then leans towards the prediction.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

import numpy as np

from analyzer.comparison.ledger import sheet_roll
from analyzer.comparison.stiffness import measured_gradients, other_axle, stiffness
from analyzer.constants import Axle
from analyzer.estimate import Estimate
from analyzer.prediction.rate import bar_rates
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup

SOFTER: Final = 0.8
"""Factor on a bar's rate by which the part that is seen is worked out [1]."""
ONE_AXLE: Final = 0.35
"""Part of a run's own error that does not average away over runs of one course when one axle has no pots.

What such a run cannot part (twisted ground, drive force) comes back at every pass, and a change of the bar
shifts it. Measured: the ratio of two set-ups was off by up to 0.27 % on a rigid-body car whose runs state
0.3 %, and by 0.45 % on the virtual car of the sample session, whose runs state 1.3 %.
"""


def other_end_notes(
    axle: Axle, name: str, setups: Mapping[str, Setup], driven: Iterable[str]
) -> tuple[str, ...]:
    """Return the remark that the other end's bar differs from other set-ups that were driven, if it does."""
    other = other_axle(axle)
    own = setups[name].bar(other)
    unlike = [one for one in dict.fromkeys(driven) if one != name and setups[one].bar(other) != own]
    if not unlike:
        return ()
    return (
        f"the {other} bar stood otherwise on {', '.join(unlike)}: a change of {axle} stiffness against those "
        f"rests on the sheet for both {other} settings and is not to be trusted by itself",
    )


def seen_part(car: CarSheet, setup: Setup, axle: Axle) -> float | None:
    """Return the part of an axle's change of stiffness that the other axle's roll alone shows [1].

    The bar is made softer by a fifth, the roll of the other axle worked out with it, and the stiffness taken
    from that roll by the sheet as it stands. None when the axle has no bar that could change.
    """
    rates = {a: float(rate) for a, rate in bar_rates(car, setup).items()}
    if not rates[axle] > 0.0:
        return None
    expected = sheet_roll(car, {a: Estimate(rate, "N/m") for a, rate in rates.items()})
    changed = {**rates, axle: rates[axle] * SOFTER}
    true = sheet_roll(car, {a: Estimate(rate, "N/m") for a, rate in changed.items()})
    other = other_axle(axle)
    before = float(stiffness(axle, {other: expected.gradient[other]}, expected))
    after = float(stiffness(axle, {other: true.gradient[other]}, expected))
    real = math.log(float(true.stiffness[axle]) / float(expected.stiffness[axle]))
    return math.log(after / before) / real if after > 0.0 and before > 0.0 else None


def unseen_note(car: CarSheet, setup: Setup | None, axle: Axle) -> str:
    """Return the remark that the roll of an `axle` was not measured, and how much of its bar is then seen."""
    note = f"roll of the {axle} axle not measured: taken from the other one by the sheet's ratio"
    part = None if setup is None else seen_part(car, setup, axle)
    if part is None:
        return note
    return (
        f"{note}; a bar there that is not what the sheet says shows with {100.0 * part:.0f} % of its effect"
    )


def one_axle_errors(runs: Sequence[RunEstimates]) -> dict[Axle, float]:
    """Return the relative error of the only axle's roll ratio that more runs do not take away.

    Empty when the runs show both axles, or none.
    """
    shown = {axle for run in runs for axle in measured_gradients(run)}
    if len(shown) != 1:
        return {}
    axle = shown.pop()
    errors = []
    for run in runs:
        value, error = measured_gradients(run).get(axle), run.roll_gradient_body[axle].std_error
        if value is not None and error is not None:
            errors.append(error / value)
    return {axle: ONE_AXLE * math.sqrt(float(np.mean(np.square(errors))))} if errors else {}
