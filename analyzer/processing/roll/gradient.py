"""The roll gradient of a run. Start here: the whole way from motion to gradients stands in `roll_of_run`.

What is fitted to what: the suspension roll of both axles, mixed into the car's moment mean and the difference
between the axles (`fit`), by lateral force, roll acceleration, wheel speeds, friction and the ground's twist
(`equation`). What spoils the fit is looked for and taken out (`disturbances`). The slopes of the fit
become gradients with errors here, and the same roll is looked at in other ways (`second_looks`,
`natural_frequency`). Where the inertial channels do not agree with the dampers, what is slow rules
(`slow_look`).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final

import numpy as np
import pandas as pd

from analyzer.core.estimate import Estimate
from analyzer.core.regression import FEWEST_BLOCKS, half_width
from analyzer.core.signals import Bools, Floats
from analyzer.core.units import (
    AXLE_CORNERS,
    AXLES,
    RAD_PER_MPS2_TO_DEG_PER_G,
    STANDARD_GRAVITY,
    Axle,
    Uncertain,
)
from analyzer.ingest.recording import HealthRow
from analyzer.processing.results import AxleFit, Motion
from analyzer.processing.roll import disturbances, second_looks, slow_look
from analyzer.processing.roll.equation import DRIVEN, INERTIA_RATIO, RollColumns, roll_columns
from analyzer.processing.roll.fit import NOISE_DOUBTED, RollFit, fit_roll, front_share, line_slope
from analyzer.processing.roll.natural_frequency import roll_mode
from analyzer.sheets.car import CarSheet
from analyzer.vehicle import roll as vehicle_roll
from analyzer.vehicle.axle import mass_properties, roll_scale_spread
from analyzer.vehicle.completion import with_tolerances
from analyzer.vehicle.roll import AxleRollPath, LevelRoad, Weights, roll_weights

NO_BENDS: Final[Mapping[Axle, float]] = MappingProxyType({})
"""Of pots without a calibration that bends."""


@dataclass(frozen=True, slots=True)
class RollOfRun:
    """All that a run's roll has shown.

    Parameters
    ----------
    study : RollStudy
        What was fitted to what.
    weights : Weights
        How the axles were mixed.
    level, body : dict
        Gradients on a level road (``front``, ``rear``, ``total``) and in body axes [deg/g].
    lines : dict
        Points and line per fitted axle, for figures.
    further : dict
        Name -> estimate.
    checks : tuple of HealthRow
        What was looked for.
    notes : tuple of str
        What the reader must know.
    """

    study: RollStudy
    weights: Weights
    level: dict[str, Estimate]
    body: dict[str, Estimate]
    lines: dict[Axle, AxleFit]
    further: dict[str, Estimate]
    checks: tuple[HealthRow, ...]
    notes: tuple[str, ...]


def roll_of_run(
    motion: Motion,
    exclude: Bools,
    paths: Mapping[Axle, AxleRollPath],
    car: CarSheet,
    pots_sound: bool = True,
    doubted: Collection[str] = (),
    bends: Mapping[Axle, float] = NO_BENDS,
) -> RollOfRun:
    """Return everything that a run's roll shows.

    Parameters
    ----------
    motion : Motion
        Of the run.
    exclude : array of bool
        Working samples to leave out: parked, bump stop or droop end in contact.
    paths : mapping
        What carries roll on each axle, from the sheet.
    car : CarSheet
        For the bars' geometry, masses and tolerances.
    pots_sound : bool
        Whether no pot slipped or read beyond its damper: else what disagrees with the pots is not doubted.
    doubted : collection of str
        Channels whose unit is in doubt: but for the speed they are out of use, and the reason where a
        gradient is unknown.
    bends : mapping
        Axle -> relative standard uncertainty of its roll where calibrations bend between their pairs [1].
    """
    weights = weights_as_measured(roll_weights(paths), motion, exclude)
    study = study_roll(motion, exclude, weights, car, pots_sound, doubted)
    body, level = _gradients(study, motion, paths, car, doubted, bends)
    lines: dict[Axle, AxleFit] = {}
    looks: dict[Axle, HealthRow] = {}
    further: dict[str, Estimate] = {}
    if not isinstance(study.fit, str) and study.columns is not None:
        # The same slope by another way: steady parts alone, no equation of motion.
        steady = second_looks.quasi_steady(study.columns, motion)
        for axle in study.fit.axles:
            lines[axle] = axle_fit(study.fit, study.columns, axle)
            further[f"quasi_steady_gradient_{axle}"] = steady[axle]
            looks[axle] = second_looks.second_look(axle, body[str(axle)], steady[axle])
        # Tables list the figures in the order they come in here.
        if len(study.fit.axles) == len(AXLES):
            further |= second_looks.stiffness_share(study.columns, weights, with_tolerances(car))
        further |= study.figures("moment arm", "friction", "free play")
        if study.bench is not None:
            # A gradient that is a curve, or moves with speed.
            further |= second_looks.roll_curve(study.bench, study.fit, body)
            further |= second_looks.speed_change(study.bench, "speed" in doubted)
        further |= study.figures("damper lag") | ground_open(study.fit)
    if study.doubts:
        said = f"{'; '.join(study.doubts)}: {slow_look.RULES}"
        body = {name: estimate.with_notes(said) for name, estimate in body.items()}
    notes = (
        *((f"roll gradient: {said}",) if study.doubts else ()),
        *(() if isinstance(study.fit, str) else ground_notes(study.fit, np.array(motion.box_std))),
        *(note for finding in study.found.values() for note in finding.notes),
        *second_looks.bend_notes(further),
        *second_looks.disagreement_notes(looks),
    )
    if not study.doubts and (isinstance(study.fit, str) or len(study.fit.axles) < len(AXLES)):
        # Without pots at an axle the inertial unit alone still tells the body's roll, tyres in it.
        alone, more = second_looks.body_roll(motion, exclude, paths)
        further, notes = further | alone, notes + more
    further |= disturbances.frictions(study.fit, car, weights.stiffness) | roll_mode(motion, exclude)
    checks = (*looks.values(), *(row for finding in study.found.values() for row in finding.checks))
    return RollOfRun(study, weights, level, body, lines, further, checks, notes)


# What was fitted to what, disturbances taken out.


@dataclass(frozen=True, slots=True)
class RollStudy:
    """What was fitted to what.

    Parameters
    ----------
    fit : RollFit or str
        The fit; the reason in words when there is none.
    columns : RollColumns or None
        Fitted columns, disturbances taken out.
    found : dict
        Disturbance -> what looking for it gave; empty with one axle alone, whose equation is not the car's.
    bench : Bench or None
        The moment mean and its terms as fitted; None with one axle alone.
    doubts : tuple of str
        How the inertial channels disagree with the dampers, where what is slow was fitted for that.
    """

    fit: RollFit | str
    columns: RollColumns | None
    found: dict[str, disturbances.Finding] = field(default_factory=dict)
    bench: disturbances.Bench | None = None
    doubts: tuple[str, ...] = ()

    def figures(self, *names: str) -> dict[str, Estimate]:
        """Return the figures of disturbances."""
        return {k: v for name in names if name in self.found for k, v in self.found[name].figures.items()}


def study_roll(
    motion: Motion,
    exclude: Bools,
    weights: Weights,
    car: CarSheet,
    pots_sound: bool = True,
    doubted: Collection[str] = (),
) -> RollStudy:
    """Fit the roll equation to a run, look for what spoils it, and fit it again without."""
    if motion.parked.all():
        return RollStudy("the car does not move in this log", None)
    columns = roll_columns(motion, exclude, weights)
    if columns is None:
        why = "no axle has two usable damper pots"
        if "specific_force_y" not in motion.data:
            why = "no usable lateral acceleration in the log" + unit_in_doubt(["accel_y"], doubted)
        return RollStudy(why, None)
    fit = fit_roll(columns, weights)
    # One axle alone has no moment balance to look for disturbances in, nor to hold a channel against.
    if isinstance(fit, str) or len(fit.axles) < len(AXLES):
        return RollStudy(fit, columns)
    first = disturbances.Fitted(motion, exclude, weights, car, columns, fit)
    run, found = disturbances.without_disturbances(first)
    doubts = slow_look.disagreement(run) if pots_sound else ()
    if doubts:
        # A lag of the dampers is taken out before; free play is looked for anew, since it may be their noise.
        lag = found["damper lag"]
        columns = slow_look.slow_columns(lag.without or columns, weights)
        fit = fit_roll(columns, weights)
        if isinstance(fit, RollFit) and fit.unsure <= NOISE_DOUBTED:
            run, found = disturbances.without_disturbances(replace(first, columns=columns, fit=fit))
            found["damper lag"] = lag
        elif slow_look.blind(run.columns):
            # What rolls with the road passes for noise there: the whole stays, its doubt in the interval.
            doubts = ()
        else:
            return RollStudy(f"{slow_look.UNKNOWN}: {'; '.join(doubts)}", columns, doubts=doubts)
    # The bends stay off this bench: a curve over the force is what the second looks try on it.
    bench = disturbances.bench_of(run.columns, weights, run.fit, bent=False)
    return RollStudy(run.fit, run.columns, found, bench, doubts)


def weights_as_measured(weights: Weights, motion: Motion, exclude: Bools, placed: bool = True) -> Weights:
    """Return the weights with the car as soft, and its stiffness shared by the axles, as the samples show.

    `placed` says whether the place of the inertial unit is settled.
    """
    names = ["specific_force_y", *(f"roll_{axle}" for axle in AXLES)]
    if any(name not in motion.data for name in names):
        return weights
    used = ~(exclude | motion.suspect[names].any(axis=1).to_numpy())
    if not used.any():
        return weights
    force, front, rear = motion.data.loc[used, names].to_numpy().T

    def as_soft(of: Weights) -> Weights:
        return of.as_soft_as(line_slope(force, of.front_share * front + (1.0 - of.front_share) * rear))

    weights = as_soft(weights)
    columns = roll_columns(motion, exclude, weights)
    shared = None if columns is None else front_share(columns, weights, placed)
    return weights if shared is None else as_soft(weights.shared_as(shared.beside(weights.front_share)))


def unit_in_doubt(channels: Collection[str], doubted: Collection[str]) -> str:
    """Return what is added to the reason where a channel is out of use for its unit; else nothing."""
    keys = [f"logger.channels.{name}.unit" for name in channels if name in doubted]
    return f": its unit is in doubt ({' and '.join(keys)})" if keys else ""


def _gradients(
    study: RollStudy,
    motion: Motion,
    paths: Mapping[Axle, AxleRollPath],
    car: CarSheet,
    doubted: Collection[str],
    bends: Mapping[Axle, float],
) -> tuple[dict[str, Estimate], dict[str, Estimate]]:
    """Return the gradients in body axes and on a level road; those that cannot be found say why."""
    fit = study.fit
    if isinstance(fit, str):
        unknown = Estimate.unknown(UNIT, fit, METHOD)
        body = {str(axle): unknown for axle in AXLES}
        return body, {**body, "total": unknown}
    arms = study.found["moment arm"].arm if study.found else None
    box, place = np.array(motion.box_std), np.array(motion.place_std)
    # What a sheet leaves without a tolerance is not exact for that.
    car = with_tolerances(car)
    missing = [name for name in UNSEEN if name not in motion.data]
    unseen = math.hypot(*(UNSEEN[name] for name in missing))
    body = body_gradients(fit, car, box, unseen, bends, place)
    level = level_gradients(fit, car, paths, arms, box, unseen, bends, place)
    for axle in AXLES:
        if axle not in fit.axles:
            pots = [f"damper_{c}" for c in AXLE_CORNERS[axle] if f"wheel_{c}" not in motion.data]
            why = f"no usable {' and '.join(pots)} in the log" + unit_in_doubt(pots, doubted)
            unknown = Estimate.unknown(UNIT, why, METHOD)
            body[axle] = level[axle] = unknown
    if missing:
        channels = " and ".join(name.replace("_", " ") for name in missing)
        note = f"no {channels} in the log: {100.0 * unseen:.1f} % of the slope may hide behind that"
        body = {name: estimate.with_notes(note) for name, estimate in body.items()}
        level = {name: estimate.with_notes(note) for name, estimate in level.items()}
    if "roll_acceleration" not in motion.data:
        note = "no roll rate in the log: roll acceleration left out of the equation"
        body = {name: estimate.with_notes(note) for name, estimate in body.items()}
        level = {name: estimate.with_notes(note) for name, estimate in level.items()}
    return body, level


# The slopes of a fit as gradients, with their errors.


UNIT: Final = "deg/g"
METHOD: Final = "roll equation over the whole run"
NO_ERROR: Final = f"too short a run for an error: under {FEWEST_BLOCKS} independent blocks"
LEFT_OUT: Final = 0.0012
"""Relative standard uncertainty from what the roll equation leaves out. Errors in body axes, root mean
square: 0.13 % on the rigid-body engine of the tests, cars of all dimensions; 0.07 % on published cars."""
LEVEL_LEFT_OUT: Final = 0.0012
"""The same beside it for what a level road would show, since drive forces of a drift stay in: 0.17 % on the
engine."""
BODY_LEFT_OUT: Final = 0.003
"""The same for body roll over the ground: 0.24 % on the engine, 0.4 % on published cars."""
UNSEEN: Final = {"pitch_rate": 0.003, "yaw_rate": 0.006}
"""The same for a turn rate that was not logged: what pitching and yawing together ask of the roll on banks,
and what yaw acceleration brings to either axle. 0.3 and 0.6 % on banked drives of the engine, root mean
square; on level ones the lean of the box, then unknown, stands for more."""
PASSED: Final = (1.6, 0.7)
"""Moment that outer contacts nearer to the body bring to the tyres, over what they take off the springs, and
its standard uncertainty [1]: 1.4 to 2.6 on the rigid-body engine of the tests, cars of all dimensions; it
vanishes at small forces."""
NOISE_SAID: Final = 0.003
"""What noise takes off is told above this part of the slope."""
GROUND_OPEN: Final = 0.6
"""Part of what twist of the ground in step with the lateral force may add to a slope that counts as its
standard uncertainty [1]: all of it may be there, or nothing, and 1.96 times this is more than all."""
BANK_OFF: Final = math.radians(1.0)
"""Standard uncertainty of banks from forces, the same all over a run, beside the lean of the box [rad]: an
accelerometer that is off by 0.15 m/s2 (engineering judgement)."""
PLAY_OPEN: Final = 0.6
"""The same for free play of a bar that is not told: it is one axle's or the other's, and 1.96 times this is
more than the way to either."""
PAIRS_SAID: Final = 0.002
"""What a bent calibration leaves open is told above this part of the slope."""
PLAY_SAID: Final = 0.001
"""Told above this part of the slope: half of it is hardly to be seen beside `LEFT_OUT`."""
GROUND_SAID: Final = 0.02
"""Told above this part of the slope: beside it no other error of a run counts for much."""
GROUND_WORDS: Final = {
    "gyro": "the ground seems twisted in step with the lateral force, as on a bank under a car that drifts; "
    "side-slip is not measured and leaves",
    "bank": "no roll rate in the log: how banks twist the ground between the axles is worked out from the "
    "forces on the car, and leaves",
    "tyres": "the axles roll more unlike each other than their tyres explain, as where banks twist the "
    "ground; the log does not tell these (it needs roll rate, or speed, yaw rate and three accelerations), "
    "which leaves",
}
GROUND_COUNTS: Final = 0.001
"""Part of the slope under which it is no figure of a run: far below what else is left out."""
BANK_SAID: Final = 0.002
"""A correction for banks above this is told."""
MOST_POINTS: Final = 2000
"""Points kept per axle for figures."""


LEVEL_BOX: Final = np.zeros(3)
"""Of a box whose lean is known exactly [rad]."""
KNOWN_PLACE: Final = np.zeros(3)
"""Of a unit whose place is known exactly [m]."""


def body_gradients(
    fit: RollFit,
    car: CarSheet,
    box_std: Floats = LEVEL_BOX,
    unseen: float = 0.0,
    bends: Mapping[Axle, float] = NO_BENDS,
    place_std: Floats = KNOWN_PLACE,
) -> dict[str, Estimate]:
    """Return suspension roll per lateral specific force in body axes, per fitted axle [deg/g].

    `box_std`, shape (3,), is the standard uncertainty of the inertial box's lean about x, y and z [rad];
    `unseen` what channels that were not logged leave out, relative (`UNSEEN`); `bends` per axle what
    calibrations do that bend between their pairs; `place_std`, shape (3,), the standard uncertainty of the
    place of the unit [m].
    """
    helpers = tuple(
        f"{name} goes along with the lateral force in this run and could not be separated"
        for name in fit.left_out
        if name in DRIVEN
    )
    # The strongest of the three things said of noise; that some is left in doubt is said beside.
    noise: tuple[str, ...] = ()
    if fit.by_path is not None:
        moved = f"{100.0 * fit.by_path:+.1f} %"
        noise = (f"the accelerometer shakes: speed times yaw rate rules over its noise ({moved})",)
    elif fit.attenuation >= NOISE_SAID:
        noise = (f"noise of the accelerometer takes {100.0 * fit.attenuation:.1f} % off the slope; put back",)
    if fit.unsure >= NOISE_DOUBTED:
        hidden = f"{100.0 * fit.unsure:.1f} %"
        noise += (f"noise, as of an accelerometer that shakes, may hide {hidden} of the slope",)
    ground = ground_notes(fit, box_std)
    found: dict[str, Estimate] = {}
    for axle in fit.axles:
        slope = fit.slope[axle]
        # Of one run scatter and model stand together; the sheet's share is the same in every run of the car.
        spread, silent = roll_scale_spread(car, car.axle(axle), AXLE_CORNERS[axle])
        tolerances = (f"no tolerance in the sheet for {', '.join(silent)}",) if silent else ()
        found[axle] = _estimate(
            slope,
            fit,
            scatter=fit.std_error(axle),
            model=math.hypot(
                slope * math.hypot(LEFT_OUT, fit.unsure, unseen, bends.get(axle, 0.0)),
                fit.per_inertia[axle] * INERTIA_RATIO[1],
                GROUND_OPEN * fit.by_ground[axle],
                _bank_off(fit, axle, box_std),
                PLAY_OPEN * fit.by_play[axle],
                *(fit.per_lean[axle] * box_std),
                *(fit.per_place[axle] * place_std),
            ),
            sheet=slope * spread,
            notes=(
                _range_note(fit),
                *tolerances,
                *_pairs_notes(bends.get(axle, 0.0)),
                *helpers,
                *noise,
                *ground,
                *_play_notes(fit),
            ),
        )
    return found


def level_gradients(
    fit: RollFit,
    car: CarSheet,
    paths: Mapping[Axle, AxleRollPath],
    arms: disturbances.ArmParts | None = None,
    box_std: Floats = LEVEL_BOX,
    unseen: float = 0.0,
    bends: Mapping[Axle, float] = NO_BENDS,
    place_std: Floats = KNOWN_PLACE,
) -> dict[str, Estimate]:
    """Return the level-road gradients: suspension roll per fitted axle, and ``total`` body roll [deg/g].

    A run on banks is brought to the arm that the roll moment has on a level road by `arms`, and what moving
    contacts bring to the tyres past the springs is added to their roll. `box_std`, `unseen`, `bends` and
    `place_std` are as for `body_gradients`.
    """
    # As driven on the run's banks -> as it would be on a level road, in body axes still.
    factor, unsure = (1.0, 0.0) if arms is None else arms.level
    driven = {axle: slope * factor for axle, slope in fit.slope.items()}
    direct = paths if arms is None else _with_arms(paths, arms, PASSED[0])
    level = vehicle_roll.level_road(driven, direct)
    if level is None:
        reason = "the roll found would turn the car over on a level road; check motion ratio and CG height"
        return {name: Estimate.unknown(UNIT, reason, METHOD) for name in (*fit.axles, "total")}
    # Each figure rests on both slopes, so every error of a slope goes through the derivatives.
    slopes = vehicle_roll.level_road_jacobian(driven, direct)
    rates = {a: car.axle(a).tyre_rate for a in fit.axles}
    relative = {a: r.std / r.value for a, r in rates.items() if r is not None and r.std is not None}
    from_tyres = vehicle_roll.tyre_spread(driven, direct, relative)
    from_moment = _moment_spread(driven, direct, car)
    most = paths if arms is None else _with_arms(paths, arms, sum(PASSED))
    passed = _by_name(vehicle_roll.level_road(driven, most) or level)
    values = np.array([driven[a] for a in fit.axles])
    sheet = values * [roll_scale_spread(car, car.axle(a), AXLE_CORNERS[a])[0] for a in fit.axles]
    lean = box_std * np.array([fit.per_lean[a] for a in fit.axles])
    place = place_std * np.array([fit.per_place[a] for a in fit.axles])
    inertia = INERTIA_RATIO[1] * np.array([fit.per_inertia[a] for a in fit.axles])
    ground = GROUND_OPEN * np.array([fit.by_ground[a] for a in fit.axles])
    bank = np.array([_bank_off(fit, a, box_std) for a in fit.axles])
    play = PLAY_OPEN * np.array([fit.by_play[a] for a in fit.axles])
    bent = values * [bends.get(a, 0.0) for a in fit.axles]
    no_tyres = [a for a in fit.axles if paths[a].tyres is None]
    notes = _level_notes(fit, no_tyres, factor)
    found: dict[str, Estimate] = {}
    for name, value in _by_name(level).items():
        # Body roll holds the tyres' roll as well, of which the equations leave out more.
        own = BODY_LEFT_OUT if name == "total" else LEVEL_LEFT_OUT
        row = slopes.get(name, np.zeros(len(fit.axles)))
        variance = None if fit.error is None else max(float(row @ fit.error.covariance @ row), 0.0)
        lacking = (
            *(row @ lean),
            *(row * bent),
            *(row @ place),
            row @ inertia,
            row @ ground,
            row @ bank,
            row @ play,
            math.hypot(unsure, fit.unsure, unseen) * (row @ values),
            passed[name] - value,
            value * own,
        )
        found[name] = _estimate(
            value,
            fit,
            scatter=None if variance is None else math.sqrt(variance),
            model=math.hypot(*(row * values * LEFT_OUT), *lacking),
            sheet=math.hypot(*(row * sheet), from_tyres.get(name, 0.0), from_moment.get(name, 0.0)),
            notes=notes,
        )
    return {**found, "total": found["total"].with_notes(*_tyre_notes(level, no_tyres))}


def _moment_spread(
    slopes: Mapping[Axle, float], paths: Mapping[Axle, AxleRollPath], car: CarSheet
) -> dict[str, float]:
    """Return the standard uncertainty of each level-road figure from the CG height behind the roll moment."""
    height = car.mass.cg_height
    raised = Uncertain(height.value + (height.std or 0.0), height.std)
    higher = car.model_copy(update={"mass": car.mass.model_copy(update={"cg_height": raised})})
    factor = mass_properties(higher).elastic_moment / mass_properties(car).elastic_moment
    moved = {a: replace(path, moment=path.moment * factor) for a, path in paths.items()}
    base, high = vehicle_roll.level_road(slopes, paths), vehicle_roll.level_road(slopes, moved)
    if base is None or high is None:
        return {}
    return {name: abs(value - _by_name(base)[name]) for name, value in _by_name(high).items()}


def _by_name(road: LevelRoad) -> dict[str, float]:
    return {**{str(axle): value for axle, value in road.axle.items()}, "total": road.body}


def _with_arms(
    paths: Mapping[Axle, AxleRollPath], arms: disturbances.ArmParts, part: float
) -> dict[Axle, AxleRollPath]:
    """Return the paths with the moment that moving contacts take off the springs, `part` of it passed on."""
    return {
        a: replace(
            path, moment=path.moment * (1.0 - arms.contacts), direct=path.direct + part * arms.passed[a]
        )
        for a, path in paths.items()
    }


def _level_notes(fit: RollFit, no_tyres: list[Axle], factor: float) -> tuple[str, ...]:
    notes = [_range_note(fit), *_play_notes(fit)]
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


def _ground_parts(fit: RollFit) -> dict[Axle, float]:
    """Return the part of each slope that twist of the ground leaves open, a standard uncertainty [1]."""
    return {a: GROUND_OPEN * fit.by_ground[a] / (fit.slope[a] or math.inf) for a in fit.axles}


def ground_open(fit: RollFit) -> dict[str, Estimate]:
    """Return ``open_to_ground_front``, ``_rear``: part of the gradient that side-slip leaves open [1].

    A standard uncertainty with a sign: twist of the ground in step with the lateral force adds to one axle
    what it takes from the other. Two runs driven alike share it, and it cancels between them. Empty where
    it counts for nothing.
    """
    parts = _ground_parts(fit)
    if max(map(abs, parts.values())) < GROUND_COUNTS:
        return {}
    note = "a standard uncertainty, its sign that of ground twisted as the side-slip has it"
    method = "twist of the ground that side-slip would make, in step with the lateral force"
    return {
        f"open_to_ground_{axle}": Estimate(part, "1", method=method, notes=(note,))
        for axle, part in parts.items()
    }


def ground_notes(fit: RollFit, box_std: Floats) -> tuple[str, ...]:
    """Return what twist of the ground in step with the lateral force leaves open, where it counts."""
    parts = {
        axle: math.hypot(part, _bank_off(fit, axle, box_std) / (fit.slope[axle] or math.inf))
        for axle, part in _ground_parts(fit).items()
    }
    if max(parts.values()) < GROUND_SAID:
        return ()
    shown = " and ".join(f"± {100.0 * part:.0f} % {axle}" for axle, part in parts.items())
    return (f"{GROUND_WORDS[fit.ground_told]} the roll gradient open by {shown}",)


def _bank_off(fit: RollFit, axle: Axle, box_std: Floats) -> float:
    """Return the standard uncertainty of a slope from banks by forces that are off all over the run."""
    return fit.per_bank[axle] * math.hypot(box_std[0], BANK_OFF)


def _pairs_notes(bend: float) -> tuple[str, ...]:
    """Return how far the gradient is open since straight lines join the pairs of a bent calibration."""
    if bend < PAIRS_SAID:
        return ()
    return (f"pots whose calibration bends between its pairs leave {100.0 * bend:.1f} % of it open",)


def _play_notes(fit: RollFit) -> tuple[str, ...]:
    """Return how far the gradients are open since free play is one bar's or the other's."""
    parts = {a: abs(fit.by_play[a] / (fit.slope[a] or math.inf)) for a in fit.axles}
    if max(parts.values()) < PLAY_SAID:
        return ()
    shown = " and ".join(f"± {100.0 * part:.1f} % {axle}" for axle, part in parts.items())
    return (f"a bar has free play, and which one is not told: the roll gradient is open by {shown}",)


def _range_note(fit: RollFit) -> str:
    low, high = (end / STANDARD_GRAVITY for end in fit.lateral_range)
    return f"holds for {low:+.2f} to {high:+.2f} g in body axes"


def _estimate(
    slope: float, fit: RollFit, *, scatter: float | None, model: float, sheet: float, notes: tuple[str, ...]
) -> Estimate:
    """Return a slope as a figure from its standard uncertainties, each from other sources [rad / (m/s2)].

    `scatter` is repeatability within the run, None where it is too short to tell; `model` what the equations
    leave out; `sheet` tolerances of sheet and sensors. The interval holds scatter and model, `calibration`
    model and sheet.
    """
    value, model = slope * RAD_PER_MPS2_TO_DEG_PER_G, model * RAD_PER_MPS2_TO_DEG_PER_G
    calibration = math.hypot(model, sheet * RAD_PER_MPS2_TO_DEG_PER_G)
    if scatter is None or fit.error is None:
        return Estimate(value, UNIT, calibration=calibration, method=METHOD, notes=(*notes, NO_ERROR))
    std = scatter * RAD_PER_MPS2_TO_DEG_PER_G
    half = half_width(std, fit.error.dof, model)
    return Estimate.from_error(
        value, UNIT, std, half, calibration=calibration, n=fit.error.blocks, method=METHOD, notes=notes
    )


def axle_fit(fit: RollFit, columns: RollColumns, axle: Axle) -> AxleFit:
    """Return the points and the line of one axle for figures.

    ``roll`` is as measured (low-passed), ``roll_steady`` has the terms in roll acceleration, wheel speeds and
    so on taken off, so it lies about the line.
    """
    # Thinned for the figures' sake: the fit had every row.
    force = columns.force[fit.used]
    roll = columns.roll[axle][fit.used]
    steady = fit.slope[axle] * force + fit.intercept[axle] + fit.residual[axle]
    every = max(1, -(-len(force) // MOST_POINTS))
    points = pd.DataFrame(
        {"lateral_force": force[::every], "roll": roll[::every], "roll_steady": steady[::every]},
        index=pd.Index(columns.time[fit.used][::every], name="time_s"),
    )
    return AxleFit(points, fit.slope[axle], fit.intercept[axle], fit.lateral_range)
