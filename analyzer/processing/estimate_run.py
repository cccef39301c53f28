"""One run from its recording to its estimates."""

from collections.abc import Mapping
from typing import Final, Literal

import numpy as np

from analyzer.core.estimate import Estimate
from analyzer.core.signals import Bools
from analyzer.core.units import AXLE_CORNERS, AXLES, CORNERS, Axle
from analyzer.ingest.recording import Check, Recording, Verdict
from analyzer.ingest.zero import unknown_zeros
from analyzer.processing import bump_stop_gap
from analyzer.processing.bottoming import EventSource, bottoming_events, contact_mask, event_source
from analyzer.processing.loads import (
    closure_checks,
    closures,
    load_shares,
    transfer_spread,
    wheel_loads,
    zero_share_error,
)
from analyzer.processing.motion import Working, moving_part, work_out_motion, working_base
from analyzer.processing.results import BottomingEvent, Motion, RunEstimates
from analyzer.processing.road import track_of, with_road_shape
from analyzer.processing.roll.gradient import roll_of_run, unit_in_doubt
from analyzer.processing.segments import Parts, difference_notes, run_splits, section_masks
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import CourseSheet
from analyzer.vehicle.axle import Stop, droop_end, stop_of
from analyzer.vehicle.roll import roll_paths


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
    # From channels at the log's rate to the car's motion at the working rate, suspect samples known.
    working = working_base(recording)
    moving = moving_part(working)
    motion = work_out_motion(working, moving, car, bar_rates, recording.box.std)
    # Bank and crests come from the path, so after the forces and before anything that asks for a bank.
    tyres = all(car.axle(axle).tyre_rate is not None for axle in AXLES)
    motion = with_road_shape(motion, track_of(recording, motion), tyres)
    # A stop or droop end in contact is a spring of its own: known first, since roll and loads leave it out.
    gaps = bump_stop_gap.bump_stop_gaps(recording, motion, working, car)
    gap_checks = bump_stop_gap.stated_gap_checks(recording, motion, working, car, gaps)
    # Without a zero nobody knows how far a damper is from its ends, nor what its spring carries.
    zeroless = _without_zero(recording, car)
    gaps |= {axle: Estimate.unknown("mm", NO_ZERO, "zero of the pots") for axle in zeroless}
    stops = {axle: stop_of(car, axle, bump_stop_gap.known_gap(gaps[axle])) for axle in AXLES}
    contact = _contacts(recording, working, stops)
    driving = ~moving.parked
    free = driving & ~contact
    # The roll gradient, and all else that roll shows.
    paths = roll_paths(car, bar_rates)
    doubted = recording.doubted_units()
    roll = roll_of_run(motion, ~free, paths, car, _pots_sound(recording), doubted)
    # Wheel loads add springs, bars and stops; whether they come to the car's weight is a check of the sheet.
    loads = wheel_loads(motion, car, bar_rates, stops)
    zero = zero_share_error(car, {a: p.suspension for a, p in paths.items()}, recording.zero_std)
    closing = closures(loads, motion, car, free)
    # Parts of the run against each other, by the same equation on some of its rows.
    masks = {} if course is None else section_masks(course, motion, moving, recording)
    columns, fit = roll.study.columns, roll.study.fit
    splits, differences = run_splits(Parts(motion, car, loads, columns, fit, roll.weights, free, masks))
    # Contacts at the log's own rate: a stop is hit within a hundredth of a second.
    source = event_source(recording, motion, moving, car, masks, working.every)
    return RunEstimates(
        name=recording.run,
        setup=setup,
        roll_gradient=roll.level,
        roll_gradient_body=roll.body,
        fits=roll.lines,
        load_share={
            axle: share
            for axle, share in load_shares(
                loads, motion, car, driving, seed, zero, transfer_spread(car, paths)
            ).items()
            if axle not in zeroless
        },
        loads=loads.known(),
        bottoming=_events(source, stops, "bump stop"),
        motion=motion,
        further=closing | roll.further,
        notes=_notes(recording, car, stops, contact, driving, motion)
        + bump_stop_gap.gap_notes(gaps)
        + bump_stop_gap.stated_gap_notes(gap_checks)
        + roll.notes
        + difference_notes(differences)
        + _unplaced(course, motion, driving)
        + tuple(f"{axle}: left share and loads not given, {NO_ZERO}" for axle in zeroless)
        + tuple(
            f"left shares and loads not given{unit_in_doubt([n], doubted)}" for n in doubted if n in _LOADS
        ),
        topping=_events(
            source, {a: None if a in zeroless else droop_end(car, a) for a in AXLES}, "full droop"
        ),
        stops=gaps,
        checks=closure_checks(closing) + gap_checks + roll.checks,
        splits=splits,
        differences=differences,
    )


_LOADS: Final = (*(f"damper_{corner}" for corner in CORNERS), "accel_y")
"""Channels without which no load is worked out."""
NO_ZERO: Final = "the zero of its pots is not known (logger.channels.….static, runs.level)"


def _without_zero(recording: Recording, car: CarSheet) -> tuple[Axle, ...]:
    """Return the axles with a pot that reads far from ride height and of which no zero is known."""
    unknown = unknown_zeros(recording, car)
    return tuple(a for a in AXLES if any(f"damper_{corner}" in unknown for corner in AXLE_CORNERS[a]))


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
    # One damper on its stop bends the roll of its axle and, through the body, that of the other.
    touching = np.zeros(len(working.time), dtype=np.bool_)
    for axle in AXLES:
        stop = stops[axle]
        for corner in AXLE_CORNERS[axle]:
            if stop is not None and working.has(f"damper_{corner}"):
                touching |= contact_mask(recording, corner, stop.gap, working.every)
    return touching


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


def _pots_sound(recording: Recording) -> bool:
    """Return whether no pot moved on its mount or read beyond its damper."""
    return not any(
        row.check in (Check.SLIPPED, Check.STROKE) and row.verdict in (Verdict.SUSPECT, Verdict.BAD)
        for row in recording.health
    )


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
    # What was left out, and how much of the driving: without it a gradient of half a lap looks like a lap's.
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
