"""What unequal links do to the corner loads of a car that stands still."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analyzer.constants import AXLES, Axle
from analyzer.estimate import Estimate
from analyzer.prediction.axle import car_roll, tyre_roll_compliance
from analyzer.prediction.bladed import array
from analyzer.prediction.propagation import propagate
from analyzer.prediction.rate import bar_rates
from analyzer.prediction.sections import Array
from analyzer.sheets.bar import NoBar
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup

PRELOAD_NOTE = "links that run down from the bar to the suspension; turn the sign for links that run up"


@dataclass(frozen=True, slots=True)
class Preload:
    """Effect of one left link that is longer than the right one.

    Parameters
    ----------
    left_longer : float
        Left link longer by this [m].
    link_force : Estimate
        Push in the left link with the car held in roll [N].
    corner_change : dict
        ``front``, ``rear``: change of the left wheel's load, car free to settle; the right wheel changes as
        much the other way [N].
    """

    left_longer: float
    link_force: Estimate
    corner_change: dict[Axle, Estimate]


def bar_preload(car: CarSheet, setup: Setup, axle: Axle) -> Preload | None:
    """Return the preload of an axle's bar; None when its links are equal or it has no bar.

    A link longer by d twists the bar as if each end had moved d/2: F = k d/2, roll moment F MR t on that
    axle. Body and axles settle until the moments of both axles cancel: springs and bar in series with
    tyres at each axle, shell rigid or as stiff as the sheet says.
    """
    bar = car.axle(axle).bar
    if isinstance(bar, NoBar) or bar.link is None or bar.link.left_longer is None or setup.bar(axle) == "off":
        return None
    found = propagate(car, lambda sheet: _preload_values(sheet, setup, axle))
    return Preload(
        left_longer=bar.link.left_longer.value,
        link_force=found.estimate("force", "N").with_notes(PRELOAD_NOTE),
        corner_change={a: found.estimate(f"corner {a}", "N").with_notes(PRELOAD_NOTE) for a in AXLES},
    )


def _preload_values(car: CarSheet, setup: Setup, axle: Axle) -> Mapping[str, Array]:
    sheet = car.axle(axle)
    if isinstance(sheet.bar, NoBar) or sheet.bar.link is None:
        raise ValueError("no bar to preload")
    rates = bar_rates(car, setup)
    roll = car_roll(car, rates)
    force = np.asarray(rates[axle] * array(sheet.bar.link.left_longer) / 2.0)
    moment = force * array(sheet.bar.motion_ratio) * array(sheet.track_width)
    pair = {
        a: roll.axles[a].stiffness / (1.0 + roll.axles[a].stiffness * tyre_roll_compliance(car.axle(a)))
        for a in AXLES
    }
    other: Axle = "rear" if axle == "front" else "front"
    # Seen from the loaded axle, the other one (through the shell) holds the body level.
    hold = pair[other]
    if car.chassis_stiffness is not None:
        shell = array(car.chassis_stiffness)
        hold = hold * shell / (hold + shell)
    reduced = moment * pair[axle] / roll.axles[axle].stiffness
    carried = np.asarray(reduced * hold / (pair[axle] + hold))
    return {
        "force": force,
        f"corner {axle}": np.asarray(carried / array(sheet.track_width)),
        f"corner {other}": np.asarray(-carried / array(car.axle(other).track_width)),
    }
