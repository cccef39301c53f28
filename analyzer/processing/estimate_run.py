"""One run from its recording to its estimates, and which of them rest on values nobody has measured."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from typing import Final, Literal

import numpy as np
import pandas as pd

from analyzer.core.estimate import Estimate
from analyzer.core.signals import Bools
from analyzer.core.units import (
    AXLE_CORNERS,
    AXLES,
    CORNERS,
    RAD_PER_MPS2_TO_DEG_PER_G,
    STANDARD_GRAVITY,
    Axle,
)
from analyzer.ingest.recording import Check, HealthRow, Recording, Verdict
from analyzer.ingest.zero import unknown_zeros, when_lifted
from analyzer.prediction.propagation import COUNTS, OFF, counting, swings_of, with_settings
from analyzer.processing import bump_stop_gap
from analyzer.processing.between_pairs import mean_travel_std, pairs_spread
from analyzer.processing.bottoming import EventSource, bottoming_events, contact_mask, event_source
from analyzer.processing.loads import (
    TITLES,
    closure_checks,
    closures,
    load_shares,
    transfer_spread,
    wheel_loads,
    zero_share_error,
)
from analyzer.processing.motion import Working, moving_part, work_out_motion, working_base
from analyzer.processing.results import BottomingEvent, Difference, LoadShare, Motion, RunEstimates, Split
from analyzer.processing.road import track_of, with_road_shape
from analyzer.processing.roll.gradient import roll_of_run, unit_in_doubt
from analyzer.processing.roll.unit_place import unit_place
from analyzer.processing.segments import Parts, difference_notes, run_splits, section_masks
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import stands_over
from analyzer.sheets.session import CourseSheet, Setup
from analyzer.vehicle.axle import Stop, droop_end, mass_properties, roll_base, static_motion_ratio, stop_of
from analyzer.vehicle.bar.rate import bar_rates
from analyzer.vehicle.roll import level_road, roll_paths


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
    bends = pairs_spread(recording, motion, car, free)
    sound = _pots_sound(recording)
    # A unit that sits elsewhere than the sheet says reads yaw acceleration as side force.
    place = unit_place(motion, ~free, paths, car, doubted)
    there = motion
    if any(place.moved):
        there = work_out_motion(working, moving, place.of(car), bar_rates, recording.box.std)
        there = with_road_shape(there, track_of(recording, there), tyres)
    there = replace(there, place_std=place.std)
    roll = roll_of_run(there, ~free, paths, car, sound, doubted, bends)
    if any(place.moved) and roll.study.doubts:
        # A channel that is late or holds its samples looks like a place, too.
        place = place.left()
        there = replace(motion, place_std=place.std)
        roll = roll_of_run(there, ~free, paths, car, sound, doubted, bends)
    motion = there
    # Wheel loads add springs, bars and stops; whether they come to the car's weight is a check of the sheet.
    loads = wheel_loads(motion, car, bar_rates, stops)
    off = mean_travel_std(recording, motion, car, driving)
    zero = zero_share_error(car, {a: p.suspension for a, p in paths.items()}, off)
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
            axle: _of_whole_run(share, recording, axle)
            for axle, share in load_shares(
                loads, motion, car, driving, seed, zero, transfer_spread(car, paths, bends)
            ).items()
            if axle not in zeroless
        },
        loads=loads.known(),
        bottoming=_events(source, stops, "bump stop"),
        motion=motion,
        further=closing | roll.further | place.figures,
        notes=_notes(recording, car, stops, contact, driving, motion)
        + bump_stop_gap.gap_notes(gaps)
        + bump_stop_gap.stated_gap_notes(gap_checks)
        + place.notes
        + roll.notes
        + difference_notes(differences)
        + _unplaced(course, motion, driving)
        + tuple(f"{axle}: left share and loads not given, {NO_ZERO}" for axle in zeroless)
        + (SPEED_IN_DOUBT,) * ("speed" in doubted)
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
        share_unknown=_why_no_share(recording, zeroless),
    )


def _why_no_share(recording: Recording, zeroless: Collection[Axle]) -> dict[Axle, str]:
    """Return why an axle has no left share, where it has a zero or a channel too few."""
    doubted = recording.doubted_units()
    found: dict[Axle, str] = dict.fromkeys(zeroless, NO_ZERO)
    for axle in AXLES:
        needed = [*(f"damper_{corner}" for corner in AXLE_CORNERS[axle]), "accel_y"]
        lost = [name for name in needed if not recording.usable(name)]
        if lost:
            words = " and ".join("lateral acceleration" if name == "accel_y" else name for name in lost)
            found[axle] = f"no usable {words} in the log{unit_in_doubt(lost, doubted)}"
    return found


STUCK_FOR_SHARE: Final = 0.05
"""Part of a run in which a pot may be stuck before the mean left share of the rest is no longer that of the
run: left and right corners are not driven alike in both (engineering judgement)."""


def _of_whole_run(share: LoadShare, recording: Recording, axle: Axle) -> LoadShare:
    """Return the load share without its mean where a pot was stuck for a part of the run."""
    pots = [f"damper_{corner}" for corner in AXLE_CORNERS[axle]]
    for row in recording.health:
        if row.check == Check.STUCK and row.channel in pots and (row.value or 0.0) > STUCK_FOR_SHARE:
            why = f"{row.channel} was stuck for {row.value:.0%} of the run, and the rest is no mean of it"
            return replace(
                share, left_share=Estimate.unknown(share.left_share.unit, why, share.left_share.method)
            )
    return share


_LOADS: Final = (*(f"damper_{corner}" for corner in CORNERS), "accel_y")
"""Channels without which no load is worked out."""
SPEED_IN_DOUBT: Final = (
    "speeds and distances are as logged, their unit is in doubt (logger.channels.speed.unit): sections that "
    "a course sheet places by distance lie elsewhere"
)
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
    start = float(recording.data.index[0])
    notes += [
        f"lifted {when_lifted(lift, start, recording.sample_rate)}: left out" for lift in recording.lifts
    ]
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


# Which figures of a run rest on values of the sheet that nobody has measured.


LONGEST: Final = 4000
"""Samples of a run that tell what its wheel loads rest on; engineering judgement: half a minute."""

LOADS_KNOWN: Final = 0.02
"""Error of what a share of load moves with lateral force, as a part of it; engineering judgement."""

Marks = tuple[str, ...]


def with_provisional(run: RunEstimates, car: CarSheet, setup: Setup) -> RunEstimates:
    """Return a run whose figures say which of the sheets' placeholders they rest on.

    The formulas that a run's figures come from are worked out again with every placeholder moved, as
    `analyzer.prediction.propagation` does for what is predicted. The roll equation holds the travel of both
    axles at once, so the motion ratios, tracks and pots of either are in the gradients of both.
    """
    whole = with_settings(car, setup)
    if not whole.unmeasured:
        return run
    # A mark on a pot's calibration or on the accelerometer has no number that could be moved; it is in all
    # that this channel measures.
    pots = {
        axle: tuple(
            mark
            for mark in car.unmeasured
            for corner in AXLE_CORNERS[axle]
            if stands_over(f"logger.channels.damper_{corner}", mark)
        )
        for axle in AXLES
    }
    force = tuple(mark for mark in car.unmeasured if stands_over("logger.channels.accel_y", mark))
    both = (*pots["front"], *pots["rear"], *force)
    found, swings = _sheet_marks(run, whole, setup)
    roll = (*found.get("scale", ()), *both)

    def rolled(figures: Mapping[str, Estimate]) -> dict[str, Estimate]:
        return {
            name: estimate.resting_on(*roll, *found.get(f"level {name}", ()))
            for name, estimate in figures.items()
        }

    def loaded(axle: str) -> Marks:
        return (*found.get(f"share {axle}", ()), *pots[axle], *force)  # type: ignore[index]

    # Each figure rests on what the one before rests on and on more: roll, the axles' shares, the moment.
    balance = (*roll, *found.get("balance", ()))
    moment = (*balance, *found.get("moment", ()))
    further = {}
    for name, estimate in run.further.items():
        marks = next((kind for pattern, kind in _KINDS if pattern.match(name)), "balance")
        keys = {"roll": roll, "balance": balance, "moment": moment, "none": ()}.get(marks)
        further[name] = estimate.resting_on(*(loaded("front") + loaded("rear") if keys is None else keys))
    return replace(
        run,
        roll_gradient=rolled(run.roll_gradient),
        roll_gradient_body={a: e.resting_on(*roll) for a, e in run.roll_gradient_body.items()},
        load_share={axle: _share(share, loaded(axle)) for axle, share in run.load_share.items()},
        further=further,
        checks=tuple(_check(row, swings) for row in run.checks),
        stops={axle: e.resting_on(*_stop(car, axle), *pots[axle]) for axle, e in run.stops.items()},
        splits=tuple(_split(split, roll, loaded) for split in run.splits),
        differences=tuple(_difference(item, roll, loaded) for item in run.differences),
    )


_KINDS: Final = tuple(
    (re.compile(pattern), kind)
    for pattern, kind in (
        ("quasi_steady_gradient", "roll"),
        ("roll_(frequency|damping_ratio)|damper_lag", "none"),  # what scales roll cancels in a pole and a lag
        ("roll_moment", "moment"),
        ("vertical_closure", "loads"),
        ("roll_stiffness_ratio", "none"),  # says so itself
    )
)
"""Pattern of a further figure's name and what it comes from; all others come from the moment balance."""


_MOVED: Final = {TITLES["roll_moment_closure"]: "moment", TITLES["vertical_closure"]: "loads"}
"""Check of the wheel loads and the figure that moves as its closure does, relative."""
NAMED_FIRST: Final = 3
"""Placeholders that such a check names."""


def _check(row: HealthRow, swings: Mapping[str, Mapping[str, float]]) -> HealthRow:
    """Return a check of the wheel loads; no finding where placeholders alone may be what does not add up."""
    moves = swings.get(_MOVED.get(row.check, ""), {})
    if row.verdict not in (Verdict.SUSPECT, Verdict.BAD) or row.value is None or row.threshold is None:
        return row
    if not moves or sum(moves.values()) < abs(row.value) - row.threshold:
        return row
    first = ", ".join(sorted(moves, key=lambda mark: -moves[mark])[:NAMED_FIRST])
    text = (
        f"provisional: {100.0 * row.value:+.1f} % with values that nobody has measured, which alone may be "
        f"what is off; measure {first} first (TO MEASURE in the sheet)"
    )
    return replace(row, verdict=Verdict.NOT_TESTED, comment=text)


def _sheet_marks(
    run: RunEstimates, car: CarSheet, setup: Setup
) -> tuple[dict[str, Marks], dict[str, dict[str, float]]]:
    """Return the marks of travel, of level-road figures, of moment balance, of load shares and of loads.

    And how far each mark may move these figures, see `swings_of`.
    """
    slopes = {
        axle: estimate.value
        for axle, estimate in run.roll_gradient_body.items()
        if axle in AXLES and estimate.value is not None and estimate.value > 0.0
    }
    errors = {
        f"level {name}": (estimate.total_error or 0.0)
        for name, estimate in run.roll_gradient.items()
        if estimate.value is not None
    }
    # What a gradient is known to at best is what a placeholder has to reach to be told beside it.
    relative = [e.total_error / e.value for e in run.roll_gradient_body.values() if e.value and e.total_error]
    scatter = min(relative, default=0.0)
    motion = _middle(run.motion)
    force = motion.data["specific_force_y"].to_numpy() if "specific_force_y" in motion.data else None

    def figures(sheet: CarSheet) -> dict[str, float]:
        rates = {axle: float(rate) for axle, rate in bar_rates(sheet, setup).items()}
        # A moved placeholder reads the same pots as another roll: measured slopes go along by this.
        scale = {a: _scale(sheet, a) / _scale(car, a) for a in AXLES}
        paths = roll_paths(sheet, rates)
        stiff = {a: paths[a].suspension * scale[a] for a in AXLES}
        values = {
            # As a sum, so that neither axle's cancels that of the other.
            "scale": math.log(scale["front"]) + math.log(scale["rear"]),
            "balance": math.log(stiff["front"]) - math.log(stiff["rear"]),
            "moment": math.log(sum(stiff.values()) / float(mass_properties(sheet).elastic_moment)),
        }
        driven = {a: value / RAD_PER_MPS2_TO_DEG_PER_G * scale[a] for a, value in slopes.items()}
        level = level_road(driven, paths) if driven else None
        if level is not None:
            values |= {f"level {a}": v * RAD_PER_MPS2_TO_DEG_PER_G for a, v in level.axle.items()}
            values["level total"] = level.body * RAD_PER_MPS2_TO_DEG_PER_G
        if force is not None:
            # A load share over the force has an offset that nobody reads; its slope is what a sheet bends.
            loads = wheel_loads(_read_by(motion, sheet, car), sheet, rates, {})
            for axle in AXLES:
                name = f"left_share_{axle}"
                if name in loads.data:
                    good = ~loads.suspect[axle] & np.isfinite(force)
                    share = loads.data[name].to_numpy()[good]
                    if len(share) > 2 and np.ptp(force[good]) > 0.0:
                        values[f"share {axle}"] = float(np.polyfit(force[good], share, 1)[0])
            corners = [f"load_{corner}" for corner in CORNERS]
            if set(corners) <= set(loads.data):
                weight = float(mass_properties(sheet).total) * STANDARD_GRAVITY
                good = ~(loads.suspect["front"] | loads.suspect["rear"])
                if good.any():
                    values["loads"] = float(loads.data[corners].to_numpy()[good].sum(axis=1).mean()) / weight
        return values

    # Loads state no error of their own: a part of them that is worth telling stands for it.
    start = figures(car)
    errors = {
        name: errors.get(name, LOADS_KNOWN * abs(value) if name.startswith("share") else scatter)
        for name, value in start.items()
    }
    swings = swings_of(car, figures)
    return counting(swings, errors), swings


def _scale(sheet: CarSheet, axle: Axle) -> float:
    """Return roll per damper travel of an axle, to a common factor [1/m]."""
    part = sheet.axle(axle)
    return float(1.0 / (static_motion_ratio(part.damper_motion_ratio) * roll_base(part)))


def _middle(motion: Motion) -> Motion:
    """Return the middle of a run's motion, at most `LONGEST` samples."""
    first = max(0, (len(motion.data) - LONGEST) // 2)
    part = slice(first, first + LONGEST)
    return replace(
        motion,
        data=motion.data.iloc[part],
        suspect=motion.suspect.iloc[part],
        parked=motion.parked.iloc[part],
    )


def _read_by(motion: Motion, sheet: CarSheet, nominal: CarSheet) -> Motion:
    """Return the motion as another sheet turns the travel of the pots into that of the wheels."""
    columns: dict[str, pd.Series[float]] = {}
    for axle in AXLES:
        new, old = (static_motion_ratio(s.axle(axle).damper_motion_ratio) for s in (sheet, nominal))
        factors = {f"wheel_{corner}": float(old / new) for corner in AXLE_CORNERS[axle]}
        factors[f"roll_{axle}"] = _scale(sheet, axle) / _scale(nominal, axle)
        columns |= {k: motion.data[k] * f for k, f in factors.items() if k in motion.data and f != 1.0}
    return replace(motion, data=motion.data.assign(**columns)) if columns else motion


def _share(share: LoadShare, marks: Marks) -> LoadShare:
    lights = tuple(
        replace(one, share=one.share.resting_on(*marks), seconds=one.seconds.resting_on(*marks))
        for one in share.light
    )
    named = {
        name: getattr(share, name).resting_on(*marks)
        for name in ("left_share", "lowest_load", "light_time", "evenness")
    }
    return replace(share, light=lights, **named)


def _stop(car: CarSheet, axle: Axle) -> Marks:
    """Return the marks on where a bump stop begins, of a sheet that states it."""
    if car.axle(axle).damper.bump_stop_gap is None:
        return ()
    key = f"{axle}.damper.bump_stop_gap"
    return tuple(mark for mark in car.unmeasured if stands_over(mark, key))


def _split(split: Split, roll: Marks, loaded: Callable[[str], Marks]) -> Split:
    return replace(
        split,
        roll_gradient_body={a: e.resting_on(*roll) for a, e in split.roll_gradient_body.items()},
        left_share={a: e.resting_on(*loaded(a)) for a, e in split.left_share.items()},
        share_slope={a: e.resting_on(*loaded(a)) for a, e in split.share_slope.items()},
    )


def _difference(item: Difference, roll: Marks, loaded: Callable[[str], Marks]) -> Difference:
    """Return a difference of two parts of a run; what both share cancels but for its own part."""
    found = item.difference
    if found.value is None or abs(found.value) * OFF <= COUNTS * (found.total_error or 0.0):
        return item
    marks = roll if item.quantity == "roll_gradient_body" else loaded(item.axle)
    return replace(item, difference=found.resting_on(*marks))
