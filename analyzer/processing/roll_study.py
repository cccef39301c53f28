"""The roll fit of a run together with what spoils it: each looked for, taken out where it can be."""

from __future__ import annotations

from dataclasses import dataclass, field

from analyzer.constants import AXLES, Axle
from analyzer.processing.damper_lag import DamperLag, damper_lag, dampers_shifted
from analyzer.processing.filters import Bools
from analyzer.processing.free_play import FreePlay, find_free_play, without_free_play
from analyzer.processing.level_road import Weights
from analyzer.processing.probes import Bench, bench_of
from analyzer.processing.results import Motion
from analyzer.processing.roll_columns import RollColumns, roll_columns
from analyzer.processing.roll_gradient import RollFit, fit_roll
from analyzer.sheets.car import CarSheet


@dataclass(frozen=True, slots=True)
class RollStudy:
    """What was fitted to what.

    Parameters
    ----------
    fit : RollFit or str
        The fit; the reason in words when there is none.
    columns : RollColumns or None
        Fitted columns, spoilers taken out.
    lag : DamperLag or None
        Of the dampers behind the inertial unit.
    plays : dict
        `FreePlay` per axle that has a bar.
    bench : Bench or None
        The moment mean and its terms as fitted; None with one axle alone.
    """

    fit: RollFit | str
    columns: RollColumns | None
    lag: DamperLag | None = None
    plays: dict[Axle, FreePlay] = field(default_factory=dict)
    bench: Bench | None = None


def fitted_both(study: RollStudy) -> bool:
    """Return whether both axles were fitted."""
    return not isinstance(study.fit, str) and len(study.fit.axles) == len(AXLES)


def study_roll(motion: Motion, exclude: Bools, weights: Weights, car: CarSheet) -> RollStudy:
    """Fit the roll equation to a run and look for what spoils it.

    Parameters
    ----------
    motion : Motion
        Of the run.
    exclude : array of bool
        Working samples to leave out: parked, bump stop or droop end in contact.
    weights : Weights
        From the sheet.
    car : CarSheet
        For the bars' geometry.
    """
    columns = roll_columns(motion, exclude, weights)
    if columns is None:
        why = "no axle has two usable damper pots"
        if "specific_force_y" not in motion.data:
            why = "no usable lateral acceleration in the log"
        return RollStudy(why, None)
    fit = fit_roll(columns, weights)
    if isinstance(fit, str) or len(fit.axles) < len(AXLES):
        return RollStudy(fit, columns)
    lag = damper_lag(columns)
    if lag is not None and lag.found:
        moved = roll_columns(dampers_shifted(motion, lag.seconds), exclude, weights)
        again = fit if moved is None else fit_roll(moved, weights)
        if moved is not None and not isinstance(again, str):
            columns, fit = moved, again
    plays = find_free_play(bench_of(columns, weights, fit), weights, car)
    if any(play.found for play in plays.values()):
        columns = without_free_play(columns, plays)
        firm = fit_roll(columns, weights)
        fit = fit if isinstance(firm, str) else firm
    bench = None if isinstance(fit, str) else bench_of(columns, weights, fit, bent=False)
    return RollStudy(fit, columns, lag, plays, bench)
