"""One run from its recording to its estimates."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np

from analyzer.core.constants import AXLE_CORNERS, AXLES, CORNERS, Axle
from analyzer.core.estimate import Estimate
from analyzer.core.signals import Bools
from analyzer.ingest.recording import Recording
from analyzer.processing.bottoming import EventSource, bottoming_events, contact_mask, event_source
from analyzer.processing.bump_stop_gap import (
    bump_stop_gaps,
    gap_notes,
    known_gap,
    stated_gap_checks,
    stated_gap_notes,
)
from analyzer.processing.loads import closure_checks, closures, load_shares, wheel_loads, zero_share_error
from analyzer.processing.motion import Moving, Working, moving_part, work_out_motion, working_base
from analyzer.processing.results import AxleFit, BottomingEvent, Motion, RunEstimates
from analyzer.processing.road import own_track, with_road_shape
from analyzer.processing.roll.disturbances import ArmParts, arm_parts, frictions
from analyzer.processing.roll.equation import RollColumns
from analyzer.processing.roll.fit import RollFit
from analyzer.processing.roll.gradient import (
    METHOD,
    UNIT,
    RollStudy,
    axle_fit,
    body_gradients,
    fitted_both,
    level_gradients,
    roll_figures,
    study_roll,
)
from analyzer.processing.roll.natural_frequency import roll_mode
from analyzer.processing.roll.second_looks import body_roll
from analyzer.processing.segments import Parts, difference_notes, run_splits, section_masks
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import CourseSheet
from analyzer.vehicle.bump_stop import Stop, droop_end, stop_of
from analyzer.vehicle.roll import AxleRollPath, roll_paths, roll_weights


def estimate_run(
    recording: Recording,
    car: CarSheet,
    setup: str,
    bar_rates: Mapping[Axle, float],
    course: CourseSheet | None = None,
    seed: int = 0,
) -> RunEstimates:
    """Return everything one run has shown.

    Parameters
    ----------
    recording : Recording
        Channels in SI on a uniform time base.
    car : CarSheet
        The car as measured in the workshop.
    setup : str
        Name of the set-up the run was driven on.
    bar_rates : mapping
        Axle -> force at one link of its bar per travel of that link, the other link moving as far the other
        way [N/m]; 0 without a bar or with its links unhooked.
    course : CourseSheet, optional
        For the names of sections.
    seed : int
        Of the random draws behind the error of the lowest load.

    Returns
    -------
    RunEstimates
        Figures that cannot be found are estimates without a value that give the reason.
    """
    working = working_base(recording)
    moving = moving_part(working)
    motion = work_out_motion(working, moving, car, bar_rates)
    motion = with_road_shape(motion, working.rate, own_track(recording, motion))
    gaps = bump_stop_gaps(recording, motion, working, car)
    gap_checks = stated_gap_checks(recording, motion, working, car, gaps)
    stops = {axle: stop_of(car, axle, known_gap(gaps[axle])) for axle in AXLES}
    contact = _contacts(recording, working, stops)
    paths = roll_paths(car, bar_rates)
    study = _study(motion, moving, contact, paths, car)
    fit, columns = study.fit, study.columns
    loads = wheel_loads(motion, car, bar_rates, stops)
    driving = ~moving.parked
    masks = {} if course is None else section_masks(course, motion, moving, recording)
    arms = None if isinstance(fit, str) or columns is None else arm_parts(fit, columns, car)
    body, level = _gradients(fit, car, paths, motion, arms)
    figures = roll_figures(study, motion, body, arms)
    imu, imu_notes = ({}, ()) if fitted_both(study) else body_roll(motion, moving.parked | contact, paths)
    zero = zero_share_error(car, {a: p.suspension for a, p in paths.items()}, recording.zero_std)
    closing = closures(loads, motion, car, driving & ~contact)
    splits, differences = run_splits(
        Parts(motion, car, loads, columns, fit, roll_weights(paths), driving & ~contact, masks)
    )
    source = event_source(recording, motion, moving, car, masks, working.every)
    return RunEstimates(
        name=recording.run,
        setup=setup,
        roll_gradient=level,
        roll_gradient_body=body,
        fits=_axle_fits(fit, columns),
        load_share=load_shares(loads, motion, car, driving, seed, zero),
        loads=loads.data,
        bottoming=_events(source, stops, "bump stop"),
        motion=motion,
        further=closing
        | figures.further
        | imu
        | frictions(fit, car, roll_weights(paths).stiffness)
        | roll_mode(motion, moving.parked | contact),
        notes=_notes(recording, car, stops, contact, driving, motion)
        + gap_notes(gaps)
        + stated_gap_notes(gap_checks)
        + figures.notes
        + imu_notes
        + difference_notes(differences)
        + _unplaced(course, motion, driving),
        topping=_events(source, {axle: droop_end(car, axle) for axle in AXLES}, "full droop"),
        stops=gaps,
        checks=closure_checks(closing) + gap_checks + figures.checks,
        splits=splits,
        differences=differences,
    )


def _unplaced(course: CourseSheet | None, motion: Motion, driving: Bools) -> tuple[str, ...]:
    """Return a note when a hole in the speed keeps sections that stand by distance from being placed."""
    by_distance = course is not None and any(s.start.distance_m is not None for s in course.sections)
    if not by_distance or "distance" not in motion.data or not driving.any():
        return ()
    away = float(np.mean(motion.suspect["distance"].to_numpy()[driving]))
    if away == 0.0:
        return ()
    return (
        f"a hole in the speed leaves the distance unknown in {100 * away:.0f} % of the moving time: sections "
        "of the course sheet are not placed there (analyzer course lays runs over each other in more ways)",
    )


def _contacts(recording: Recording, working: Working, stops: Mapping[Axle, Stop | None]) -> Bools:
    """Return the working samples in which any damper is at its bump stop or at full droop."""
    touching = np.zeros(len(working.time), dtype=np.bool_)
    for axle in AXLES:
        stop = stops[axle]
        for corner in AXLE_CORNERS[axle]:
            if stop is not None and working.has(f"damper_{corner}"):
                touching |= contact_mask(recording, corner, stop.gap, working.every)
    return touching


def _study(
    motion: Motion, moving: Moving, contact: Bools, paths: Mapping[Axle, AxleRollPath], car: CarSheet
) -> RollStudy:
    if moving.stop <= moving.start:
        return RollStudy("the car does not move in this log", None)
    return study_roll(motion, moving.parked | contact, roll_weights(paths), car)


def _gradients(
    fit: RollFit | str,
    car: CarSheet,
    paths: Mapping[Axle, AxleRollPath],
    motion: Motion,
    arms: ArmParts | None,
) -> tuple[dict[str, Estimate], dict[str, Estimate]]:
    if isinstance(fit, str):
        body = {str(axle): Estimate.unknown(UNIT, fit, METHOD) for axle in AXLES}
        return body, {**body, "total": Estimate.unknown(UNIT, fit, METHOD)}
    body = body_gradients(fit, car)
    level = level_gradients(fit, car, paths, arms)
    for axle in AXLES:
        if axle not in fit.axles:
            missing = [f"damper_{c}" for c in AXLE_CORNERS[axle] if f"wheel_{c}" not in motion.data]
            unknown = Estimate.unknown(UNIT, f"no usable {' and '.join(missing)} in the log", METHOD)
            body[axle] = level[axle] = unknown
    if "roll_acceleration" not in motion.data:
        note = "no roll rate in the log: roll acceleration left out of the equation"
        body = {name: estimate.with_notes(note) for name, estimate in body.items()}
        level = {name: estimate.with_notes(note) for name, estimate in level.items()}
    return body, level


def _axle_fits(fit: RollFit | str, columns: RollColumns | None) -> dict[Axle, AxleFit]:
    if isinstance(fit, str) or columns is None:
        return {}
    return {axle: axle_fit(fit, columns, axle) for axle in fit.axles}


def _events(
    source: EventSource, stops: Mapping[Axle, Stop | None], kind: Literal["bump stop", "full droop"]
) -> tuple[BottomingEvent, ...]:
    found: list[BottomingEvent] = []
    for axle in AXLES:
        stop = stops[axle]
        for corner in AXLE_CORNERS[axle]:
            if stop is not None and source.recording.usable(f"damper_{corner}"):
                found += bottoming_events(source, corner, stop, kind)
    return tuple(sorted(found, key=lambda event: (event.start_s, CORNERS.index(event.corner))))


def _notes(
    recording: Recording,
    car: CarSheet,
    stops: Mapping[Axle, Stop | None],
    contact: Bools,
    driving: Bools,
    motion: Motion,
) -> tuple[str, ...]:
    notes = list(motion.steps)
    for axle in AXLES:
        stop = stops[axle]
        if stop is None:
            continue  # why is told by `gap_notes`
        if car.axle(axle).damper.full_bump is None:
            depth = 1e3 * (stop.hard_from - stop.gap)
            notes.append(f"{axle}: no full bump in the sheet, hard means {depth:.0f} mm into the stop")
    share = float(np.mean(contact[driving])) if driving.any() else 0.0
    if share > 0.0:
        notes.append(
            f"{100 * share:.1f} % of the moving time touches a bump stop and is left out of the roll fit"
        )
    if "bank" in motion.data and driving.any():
        hidden = float(np.mean(motion.suspect["bank"].to_numpy()[driving]))
        if hidden > 0.0:
            notes.append(
                f"bank not known in {100 * hidden:.0f} % of the moving time: quick changes of side, "
                "or speed and turning do not tell it"
            )
    missing = [f"damper_{c}" for c in CORNERS if not recording.usable(f"damper_{c}")]
    if missing:
        notes.append(f"not usable: {', '.join(missing)}")
    return tuple(notes)
