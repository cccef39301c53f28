"""Every setting of the car's bars as plain data: numbers and text, None where a figure is not known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

from analyzer.constants import AXLES, Axle
from analyzer.prediction.ladder_results import STATED_LATERAL, BarLadder, LadderRow, WhatIf
from analyzer.prediction.ladder_rows import bar_ladder, travel_curve
from analyzer.prediction.motion import BarMotion
from analyzer.prediction.stress import FATIGUE_CAUTION
from analyzer.sheets.car import CarSheet

__all__ = ["BarLadder", "LadderRow", "bar_json", "bar_ladder", "ladder_json"]

CAUTIONS: Final = (
    FATIGUE_CAUTION,
    "a factor under about 1.5 at full opposite travel leaves no room for kerbs and weld faults",
    "series rules and a qualified fabricator have the last word; support the car before working under it",
)


def bar_json(
    car: CarSheet,
    axles: Sequence[Axle] = AXLES,
    lateral: float = STATED_LATERAL,
    banks: Sequence[float] | None = None,
) -> dict[str, Any]:
    """Return every setting of the car's bars as plain data (docs/bars.md explains the keys).

    Parameters
    ----------
    car : CarSheet
        The car.
    axles : sequence of str
        Which bars.
    lateral : float
        Acceleration towards the inside, speed^2 / radius, for stress and travel [g].
    banks : sequence of float or None
        Cross slopes for the use of travel [deg]; None for a few examples.

    Raises
    ------
    AnalyzerError
        One line when a bent bar cannot be.
    """
    tables: dict[str, Any] = {}
    for axle in axles:
        ladder = bar_ladder(car, axle, lateral=lateral, banks=banks)
        tables[axle] = {"kind": "none", "settings": []} if ladder is None else ladder_json(ladder)
    return {
        "car": car.name,
        "stated_lateral_g": lateral,
        "axles": tables,
        "cautions": list(CAUTIONS),
    }


def ladder_json(ladder: BarLadder) -> dict[str, Any]:
    """Return one axle's ladder as plain data."""
    wheel, rate = travel_curve(ladder.fitted)
    table: dict[str, Any] = {
        "kind": ladder.kind,
        "wheel_travel_m": {"bump": ladder.travel.bump, "droop": ladder.travel.droop},
        "settings": [_row(row) for row in ladder.rows],
        "what_if": [_what_if(item) for item in ladder.what_if],
        "solid_or_tube": [_what_if(item) for item in ladder.comparison],
        "rate_over_travel": {"wheel_travel_m": wheel, "rate_n_per_m": rate},
        "travel_use": [
            {
                "bank_deg": item.bank_deg,
                "lateral_g": item.lateral,
                "heave": item.use.heave.to_dict(),
                "roll": item.use.roll.to_dict(),
                "total": item.use.total.to_dict(),
                "gap_mm": item.use.gap,
                "margin": item.use.margin.to_dict(),
            }
            for item in ladder.use
        ],
        "further": {key: estimate.to_dict() for key, estimate in ladder.further.items()},
        "bench": None,
        "preload": None,
        "assumed": list(ladder.assumed),
    }
    if ladder.bench is not None:
        table["bench"] = {
            "measured": ladder.bench.measured.to_dict(),
            "computed": ladder.bench.computed.to_dict(),
            "ratio": ladder.bench.ratio.to_dict(),
            "used": ladder.bench.used,
        }
    if ladder.preload is not None:
        table["preload"] = {
            "left_longer_m": ladder.preload.left_longer,
            "link_force": ladder.preload.link_force.to_dict(),
            "corner_change": {a: e.to_dict() for a, e in ladder.preload.corner_change.items()},
        }
    return table


def _row(row: LadderRow) -> dict[str, Any]:
    return {
        "hole": row.hole,
        "spacers": row.spacers,
        "right": None if row.right is None else {"hole": row.right[0], "spacers": row.right[1]},
        "setting": row.setting,
        "fitted": row.fitted,
        "rate": row.rate.to_dict(),
        "change": row.change.to_dict(),
        "compliance": row.compliance,
        "roll_stiffness": row.roll_stiffness.to_dict(),
        "roll_gradient": row.roll_gradient.to_dict(),
        "stress_factor": row.stress_factor,
        "stress": [
            {
                "place": item.place,
                "full_travel_pa": item.full_travel,
                "stated_lateral_pa": item.stated_lateral,
                "factor": item.factor,
                "cycles": item.cycles,
            }
            for item in row.stress
        ],
        "motion": _motion(row.motion),
    }


def _motion(motion: BarMotion) -> dict[str, Any]:
    low, high = motion.lever_range
    change = motion.rate_change
    return {
        "lever_angle_deg": [math.degrees(low), math.degrees(high)],
        "least_link_angle_deg": math.degrees(motion.least_meeting_angle),
        "rod_end_misalignment_deg": math.degrees(motion.misalignment),
        "rate_change_percent": None if change is None else 100.0 * change,
        "warnings": list(motion.warnings),
    }


def _what_if(item: WhatIf) -> dict[str, Any]:
    return {
        "change": item.change,
        "rate": item.rate.to_dict(),
        "ratio_percent": item.ratio.to_dict(),
        "mass_kg": item.mass,
    }
