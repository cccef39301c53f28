"""The roll fit of a run together with what spoils it: each looked for, taken out where it can be."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import pandas as pd

from analyzer.core.constants import AXLE_CORNERS, AXLES, STANDARD_GRAVITY, Axle
from analyzer.core.estimate import Estimate
from analyzer.core.regression import FEWEST_BLOCKS, half_width
from analyzer.core.signals import Bools
from analyzer.core.units import RAD_PER_MPS2_TO_DEG_PER_G
from analyzer.ingest.recording import HealthRow
from analyzer.processing.results import AxleFit, Motion
from analyzer.processing.roll.disturbances import (
    ArmParts,
    Bench,
    DamperLag,
    FreePlay,
    bench_of,
    damper_lag,
    dampers_shifted,
    find_free_play,
    friction_loop,
    lag_notes,
    moment_kept,
    play_notes,
    without_free_play,
)
from analyzer.processing.roll.equation import INERTIA_RATIO, RollColumns, roll_columns
from analyzer.processing.roll.fit import RollFit, fit_roll
from analyzer.processing.roll.second_looks import (
    bend_notes,
    disagreement_notes,
    quasi_steady,
    roll_curve,
    second_look,
    speed_change,
    unit_ahead,
)
from analyzer.sheets.car import CarSheet
from analyzer.vehicle.axle import roll_scale_spread
from analyzer.vehicle.roll import (
    AxleRollPath,
    LevelRoad,
    Weights,
    level_road,
    level_road_jacobian,
    tyre_spread,
)


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


# Turn a fit of the roll equation into the gradients of a run, with their errors.


UNIT: Final = "deg/g"
METHOD: Final = "roll equation over the whole run"
NO_ERROR: Final = f"too short a run for an error: under {FEWEST_BLOCKS} independent blocks"
GYRO_LEVEL: Final = np.radians(0.1)
"""Standard uncertainty with which a car at rest tells where the roll gyro points [rad]: the slope of good
paddock ground (common practice, no source)."""
LEFT_OUT: Final = 0.0012
"""Relative standard uncertainty from what the roll equation leaves out. Errors in body axes, root mean
square: 0.13 % on the rigid-body engine of the tests, cars of all dimensions; 0.07 % on published cars."""
LEVEL_LEFT_OUT: Final = 0.0012
"""The same beside it for what a level road would show, since drive forces of a drift stay in: 0.17 % on the
engine."""
BODY_LEFT_OUT: Final = 0.003
"""The same for body roll over the ground: 0.24 % on the engine, 0.4 % on published cars."""
PASSED: Final = (1.6, 0.7)
"""Moment that outer contacts nearer to the body bring to the tyres, over what they take off the springs, and
its standard uncertainty [1]: 1.4 to 2.6 on the rigid-body engine of the tests, cars of all dimensions; it
vanishes at small forces."""
NOISE_SAID: Final = 0.003
"""What noise takes off is told above this part of the slope."""
BANK_SAID: Final = 0.002
"""A correction for banks above this is told."""
MOST_POINTS: Final = 2000
"""Points kept per axle for figures."""


def body_gradients(fit: RollFit, car: CarSheet) -> dict[str, Estimate]:
    """Return suspension roll per lateral specific force in body axes, per fitted axle [deg/g]."""
    found: dict[str, Estimate] = {}
    for axle in fit.axles:
        slope = fit.slope[axle]
        spread, silent = roll_scale_spread(car, car.axle(axle), AXLE_CORNERS[axle])
        errors = Errors(
            scatter=fit.std_error(axle),
            model=math.hypot(slope * LEFT_OUT, fit.per_inertia[axle] * INERTIA_RATIO[1]),
            sheet=math.hypot(slope * spread, fit.per_tilt[axle] * GYRO_LEVEL),
        )
        notes = (range_note(fit.lateral_range), *_silent_note(silent), *_helper_notes(fit), *_noise_note(fit))
        found[axle] = _estimate(slope, errors, fit, notes)
    return found


def level_gradients(
    fit: RollFit, car: CarSheet, paths: Mapping[Axle, AxleRollPath], arms: ArmParts | None = None
) -> dict[str, Estimate]:
    """Return the level-road gradients: suspension roll per fitted axle, and ``total`` body roll [deg/g].

    A run on banks is brought to the arm that the roll moment has on a level road by `arms`, and what moving
    contacts bring to the tyres past the springs is added to their roll.
    """
    factor, unsure = (1.0, 0.0) if arms is None else arms.level
    driven = {axle: slope * factor for axle, slope in fit.slope.items()}
    direct = paths if arms is None else _with_passed(paths, arms.passed, PASSED[0])
    level = level_road(driven, direct)
    if level is None:
        reason = "the roll found would turn the car over on a level road; check motion ratio and CG height"
        return {name: Estimate.unknown(UNIT, reason, METHOD) for name in (*fit.axles, "total")}
    slopes = level_road_jacobian(driven, direct)
    tyres = {a: _relative_tyre(car, a) for a in fit.axles}
    from_tyres = tyre_spread(driven, direct, {a: r for a, r in tyres.items() if r is not None})
    more = level if arms is None else level_road(driven, _with_passed(paths, arms.passed, sum(PASSED)))
    values = np.array([driven[a] for a in fit.axles])
    sheet = values * [roll_scale_spread(car, car.axle(a), AXLE_CORNERS[a])[0] for a in fit.axles]
    tilt = GYRO_LEVEL * np.array([fit.per_tilt[a] for a in fit.axles])
    inertia = INERTIA_RATIO[1] * np.array([fit.per_inertia[a] for a in fit.axles])
    no_tyres = [a for a in fit.axles if paths[a].tyres is None]
    notes = _level_notes(fit, no_tyres, factor)
    found: dict[str, Estimate] = {}
    for name, value in (*level.axle.items(), ("total", level.body)):
        own = BODY_LEFT_OUT if name == "total" else LEVEL_LEFT_OUT
        row = slopes.get(str(name), np.zeros(len(fit.axles)))
        moved = 0.0 if more is None else (more.body if name == "total" else more.axle[name]) - value  # type: ignore[index]
        errors = Errors(
            scatter=None
            if fit.error is None
            else math.sqrt(max(float(row @ fit.error.covariance @ row), 0.0)),
            model=math.hypot(
                *(row * values * LEFT_OUT), row @ inertia, unsure * (row @ values), moved, value * own
            ),
            sheet=math.hypot(*(row * sheet), row @ tilt, from_tyres.get(str(name), 0.0)),
        )
        found[str(name)] = _estimate(value, errors, fit, notes)
    return {**found, "total": found["total"].with_notes(*_tyre_notes(level, no_tyres))}


def _with_passed(
    paths: Mapping[Axle, AxleRollPath], passed: Mapping[Axle, float], part: float
) -> dict[Axle, AxleRollPath]:
    return {a: replace(path, direct=path.direct + part * passed[a]) for a, path in paths.items()}


def _level_notes(fit: RollFit, no_tyres: list[Axle], factor: float) -> tuple[str, ...]:
    notes = [range_note(fit.lateral_range)]
    if no_tyres:
        notes.append(
            f"no tyre rate in the sheet ({', '.join(no_tyres)}): tyre roll left out, suspension roll only"
        )
    if len(fit.axles) < len(AXLES):
        notes.append(f"body roll from the {fit.axles[0]} axle alone")
    if abs(factor - 1.0) > BANK_SAID:
        notes.append(
            f"banks press the car down: raised by {100.0 * (factor - 1.0):.1f} % to what a level road shows"
        )
    return tuple(notes)


def _tyre_notes(level: LevelRoad, no_tyres: list[Axle]) -> tuple[str, ...]:
    """Return how much of the body's roll is tyre roll, which no bar changes."""
    if no_tyres or level.body <= 0.0:
        return ()
    part = 100.0 * (1.0 - sum(level.axle.values()) / len(level.axle) / level.body)
    return (
        f"{part:.0f} % of it is tyre roll by the sheet's tyre rates: a bar does not change that part, so a "
        "change of bar looks smaller in body roll than in the suspension",
    )


def range_note(lateral_range: tuple[float, float]) -> str:
    """Return the sentence that says over which lateral force a gradient holds."""
    low, high = (end / STANDARD_GRAVITY for end in lateral_range)
    return f"holds for {low:+.2f} to {high:+.2f} g in body axes"


def _relative_tyre(car: CarSheet, axle: Axle) -> float | None:
    rate = car.axle(axle).tyre_rate
    return None if rate is None or rate.std is None else rate.std / rate.value


def _silent_note(silent: list[str]) -> tuple[str, ...]:
    return (f"no tolerance in the sheet for {', '.join(silent)}",) if silent else ()


def _noise_note(fit: RollFit) -> tuple[str, ...]:
    if fit.attenuation < NOISE_SAID:
        return ()
    return (f"noise of the accelerometer takes {100.0 * fit.attenuation:.1f} % off the slope; put back",)


def _helper_notes(fit: RollFit) -> tuple[str, ...]:
    return tuple(
        f"{name} goes along with the lateral force in this run and could not be separated"
        for name in fit.left_out
        if name in ("steer angle", "longitudinal force", "vertical force")
    )


@dataclass(frozen=True, slots=True)
class Errors:
    """Standard uncertainties of a slope [rad / (m/s2)], each from other sources than the others.

    Parameters
    ----------
    scatter : float or None
        Repeatability within the run; None when the run is too short to tell.
    model : float
        What the equations leave out.
    sheet : float
        Tolerances of the sheet and of the sensors.
    """

    scatter: float | None
    model: float
    sheet: float


def _estimate(slope: float, errors: Errors, fit: RollFit, notes: tuple[str, ...]) -> Estimate:
    """Return a slope as a figure: the interval holds scatter and model, `calibration` model and sheet."""
    value, model = slope * RAD_PER_MPS2_TO_DEG_PER_G, errors.model * RAD_PER_MPS2_TO_DEG_PER_G
    calibration = math.hypot(model, errors.sheet * RAD_PER_MPS2_TO_DEG_PER_G)
    if errors.scatter is None or fit.error is None:
        return Estimate(value, UNIT, calibration=calibration, method=METHOD, notes=(*notes, NO_ERROR))
    std = errors.scatter * RAD_PER_MPS2_TO_DEG_PER_G
    half = half_width(std, fit.error.freedom, model)
    return Estimate(
        value=value,
        unit=UNIT,
        std_error=std,
        interval=(value - half, value + half),
        calibration=calibration,
        n=fit.error.blocks,
        method=METHOD,
        notes=notes,
    )


def axle_fit(fit: RollFit, columns: RollColumns, axle: Axle) -> AxleFit:
    """Return the points and the line of one axle for figures.

    ``roll`` is as measured (low-passed), ``roll_steady`` has the terms in roll acceleration, wheel speeds and
    so on taken off, so it lies about the line.
    """
    force = columns.force[fit.used]
    roll = columns.roll[axle][fit.used]
    steady = fit.slope[axle] * force + fit.intercept[axle] + fit.residual[axle]
    every = max(1, -(-len(force) // MOST_POINTS))
    points = pd.DataFrame(
        {"lateral_force": force[::every], "roll": roll[::every], "roll_steady": steady[::every]},
        index=pd.Index(columns.time[fit.used][::every], name="time_s"),
    )
    return AxleFit(points, fit.slope[axle], fit.intercept[axle], fit.lateral_range)


# What a run's roll shows beside the gradients: figures, checks and remarks, one entry per question.


@dataclass(frozen=True, slots=True)
class RollFigures:
    """Named estimates for `RunEstimates.further`, rows for its checks, and notes.

    Parameters
    ----------
    further : dict
        Name -> estimate.
    checks : tuple of HealthRow
        What was looked for.
    notes : tuple of str
        What the reader must know.
    """

    further: dict[str, Estimate] = field(default_factory=dict)
    checks: tuple[HealthRow, ...] = ()
    notes: tuple[str, ...] = ()


def roll_figures(
    study: RollStudy,
    motion: Motion,
    gradients: Mapping[str, Estimate],
    arms: ArmParts | None,
) -> RollFigures:
    """Return the further figures of one run's roll.

    Parameters
    ----------
    study : RollStudy
        The fit of the whole run and what spoils it.
    motion : Motion
        Of the run.
    gradients : mapping
        Gradients in body axes.
    arms : ArmParts or None
        What shortens the roll moment's arm.
    """
    fit, columns = study.fit, study.columns
    if isinstance(fit, str) or columns is None:
        return RollFigures()
    further: dict[str, Estimate] = {}
    steady = quasi_steady(columns, motion)
    looks: dict[Axle, HealthRow] = {}
    for axle in fit.axles:
        further[f"quasi_steady_gradient_{axle}"] = steady[axle]
        looks[axle] = second_look(axle, gradients[axle], steady[axle])
    if arms is not None:
        further["roll_moment_kept"] = moment_kept(arms)
    further |= friction_loop(fit)
    further |= {f"free_play_{axle}": play.width for axle, play in study.plays.items()}
    if study.bench is not None:
        further |= roll_curve(study.bench, fit, gradients) | speed_change(study.bench)
        further |= unit_ahead(study.bench)
    if study.lag is not None:
        further["damper_lag"] = study.lag.estimate
    notes = lag_notes(study.lag) + play_notes(study.plays) + bend_notes(further) + disagreement_notes(looks)
    return RollFigures(further, tuple(looks.values()), notes)
