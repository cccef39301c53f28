"""What speaks against an option or must be watched: stress, motion, balance, several changes at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from analyzer.comparison.choice import Effect
from analyzer.comparison.grid import AxleOption
from analyzer.comparison.wishes import Wish
from analyzer.constants import Axle
from analyzer.prediction.ladder_results import BarLadder, LadderRow
from analyzer.prediction.ladder_rows import bar_ladder
from analyzer.sheets.bar import NoBar
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import BarSetting

SAFE_FACTOR: Final = 1.5
"""Yield over stress at full opposite travel below which a bar is advised against; as in the bar's table."""

SHIFT: Final = 0.02
"""Change of the front part of the load transfer from which it is said what that does to the balance:
engineering judgement; a hole of a bar moves it by about one point."""


class Ladders:
    """Stress and motion of bars by their settings; every bar is worked out once."""

    def __init__(self, car: CarSheet) -> None:
        self._car = car
        self._known: dict[tuple[Axle, int, float | None], BarLadder | None] = {}

    def row(self, axle: Axle, option: AxleOption) -> LadderRow | None:
        """Return the row of an option's setting; None where left and right differ or the bar is off."""
        setting = option.setting
        uneven = isinstance(setting, BarSetting) and setting.right is not None
        if isinstance(option.bar, NoBar) or setting == "off" or uneven:
            return None
        turn = setting.turn if isinstance(setting, BarSetting) else None
        key = (axle, id(option.bar), None if turn is None else turn.value)
        if key not in self._known:
            sheet = self._car.axle(axle).model_copy(update={"bar": option.bar})
            # Any setting of that turn will do: the ladder holds every hole and spacer at it.
            self._known[key] = bar_ladder(self._car.model_copy(update={axle: sheet}), axle, setting)
        ladder = self._known[key]
        wanted = (setting.hole, setting.spacers) if isinstance(setting, BarSetting) else (None, None)
        rows = () if ladder is None else ladder.rows
        return next((row for row in rows if (row.hole, row.spacers) == wanted and row.right is None), None)


def hardware_figures(
    ladders: Ladders, options: Mapping[Axle, AxleOption]
) -> tuple[dict[Axle, float | None], tuple[str, ...]]:
    """Return the stress factor of each bar as set and what its motion warns of."""
    factors: dict[Axle, float | None] = {}
    warnings: list[str] = []
    for axle, option in options.items():
        row = ladders.row(axle, option)
        if row is not None:
            factors[axle] = row.stress_factor
            warnings += [f"{axle} bar: {text}" for text in row.motion.warnings]
    return factors, tuple(warnings)


def option_cautions(
    changes: tuple[str, ...],
    factors: Mapping[Axle, float | None],
    options: Mapping[Axle, AxleOption],
) -> tuple[str, ...]:
    """Return what must be watched with these changes: their number, stress, and what goes with springs."""
    found = []
    if len(changes) > 1:
        found.append(f"{len(changes)} changes at once: make and drive them one after the other")
    for axle, factor in factors.items():
        if factor is None:
            found.append(f"{axle} bar: yield strength not known, stress cannot be judged")
        elif factor < 1.0:
            found.append(
                f"{axle} bar: would yield with one wheel in full bump and the other in full droop "
                f"(factor {factor:.2f}); limit the travel or fit a stronger bar"
            )
        elif factor < SAFE_FACTOR:
            found.append(f"{axle} bar: stress factor {factor:.2f} leaves no room for kerbs and weld faults")
    if any("springs" in text for option in options.values() for text in option.changes):
        found.append("other springs: set ride height, bump-stop gap and alignment again")
    return tuple(found)


def balance_caution(wish: Wish, share: Effect) -> tuple[str, ...]:
    """Return what a shift of the balance nobody asked for does to the car."""
    moved = share.change.value or 0.0
    if abs(moved) < SHIFT or any(goal.quantity == "front share" for goal in wish.goals):
        return ()
    end, other = ("front", "rear") if moved > 0.0 else ("rear", "front")
    return (
        f"the {end} takes {100.0 * abs(moved):.0f} points more of the load transfer: expect it to let go "
        f"earlier and the {other} later (common practice, no source)",
    )
