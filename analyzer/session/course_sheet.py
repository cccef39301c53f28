"""The driver's course sheet: where on the course the dampers ran out of travel, and what would cure it."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analyzer.comparison.cures import MARGIN, Cure, Moment, cures_of, moment_of
from analyzer.core.errors import AnalyzerError, Fault, contained
from analyzer.core.estimate import Estimate
from analyzer.core.signals import Floats
from analyzer.core.units import AXLES, CORNERS, Axle, Corner
from analyzer.prediction.results import TravelUse
from analyzer.prediction.setup import banked_travel
from analyzer.processing.bottoming import axle_of
from analyzer.processing.bump_stop_gap import FROM_SHEET, known_gap, stated_gap_notes
from analyzer.processing.course import CourseLine, DamperUse, Place, course_line, damper_use, places_of
from analyzer.processing.results import RunEstimates
from analyzer.session.review import ByName, Review, run_fault, uncalibrated_channels
from analyzer.vehicle.axle import Stop, stop_of
from analyzer.vehicle.bar.rate import bar_rates

CURE_NOTE: Final = (
    "on a simulated car, what a spring or bar changes in the travel was predicted to within 8 %"
)
"""Measured in docs/course-sheet.md; a reader who buys a spring by the figure must know."""
TRACE_S: Final = 0.4
"""Time shown on both sides of the deepest point of an event [s]."""


@dataclass(frozen=True, slots=True)
class Trace:
    """Damper travel around one event: time from its deepest point [s] and travel [m]."""

    run: str
    time: Floats
    travel: Floats


@dataclass(frozen=True, slots=True)
class PlaceSheet:
    """A place with what belongs to it on the sheet.

    Parameters
    ----------
    place : Place
        Where, which corner, how often.
    traces : tuple of Trace
        The deepest event of every run here.
    cures : tuple of Cure
        For the worst hit, each alone; empty when they cannot be worked out.
    moment : Moment or None
        The worst hit as the cures see it.
    why_no_cures : str
        What is missing when there are none.
    gap : float or None
        Damper travel to the stop [m].
    """

    place: Place
    traces: tuple[Trace, ...]
    cures: tuple[Cure, ...]
    moment: Moment | None
    why_no_cures: str
    gap: float | None


@dataclass(frozen=True, slots=True)
class BankUse:
    """What the sheet predicts for a banked section driven as it was.

    Parameters
    ----------
    section : str
        Banked section of the course.
    bank, centripetal : float
        Mean cross slope [rad] and horizontal acceleration towards the inside [m/s2] as measured there.
    left : bool
        Whether it turns left.
    travel : dict
        Predicted use per corner.
    """

    section: str
    bank: float
    centripetal: float
    left: bool
    travel: dict[Corner, TravelUse]


@dataclass(frozen=True, slots=True)
class CourseSheetResult:
    """Everything the course sheet shows.

    Parameters
    ----------
    session, car : str
        Names.
    course : str or None
        Name of the course, None without a course sheet.
    line : CourseLine
        The way along the course.
    places : tuple of PlaceSheet
        Hardest first.
    use : tuple of DamperUse
        Travel and speed of every damper, for the whole course and per section.
    banks : tuple of BankUse
        Predicted travel on banked sections.
    gaps : dict
        Per axle, damper travel to the bump stop [mm].
    stops : dict
        Per axle, stop and end of the damper; None where not known.
    margin : float
        Margin the cures aim at [m].
    runs : tuple of str
        Runs that are on the sheet.
    notes : tuple of str
        What the reader must know.
    faults : tuple of Fault
        Runs left out because of a fault of this program.
    uncalibrated : frozenset of str
        Channels whose calibration nobody has measured yet.
    """

    session: str
    car: str
    course: str | None
    line: CourseLine
    places: tuple[PlaceSheet, ...]
    use: tuple[DamperUse, ...]
    banks: tuple[BankUse, ...]
    gaps: dict[Axle, Estimate]
    stops: dict[Axle, Stop | None]
    margin: float
    runs: tuple[str, ...]
    notes: tuple[str, ...]
    faults: tuple[Fault, ...] = ()
    uncalibrated: frozenset[str] = frozenset()


class NotDrivenError(AnalyzerError):
    """No run of the session moves, so that nothing can be laid on a course."""


def driven_course(review: Review) -> CourseSheetResult | None:
    """Return the course sheet of a session whose course is known; None without one, or when no run moves."""
    if review.session.course is None:
        return None
    try:
        return course_sheet(review)
    except NotDrivenError:
        return None


def course_sheet(review: Review, margin: float = MARGIN) -> CourseSheetResult:
    """Return the course sheet of a session.

    Parameters
    ----------
    review : Review
        The reviewed session.
    margin : float
        Travel that a cure shall leave before the stop [m].

    Raises
    ------
    AnalyzerError
        When no run moves.
    """

    def laid(names: Collection[str]) -> CourseSheetResult:
        runs = ByName(run for run in review.runs if run.name in names)
        recordings = ByName(recording for recording in review.recordings if recording.run in names)
        return _course_sheet(replace(review, runs=runs, recordings=recordings), margin)

    result, late = contained(
        [run.name for run in review.runs],
        laid,
        lambda name, error: run_fault(review.session, name, "laying over the others", error),
    )
    return replace(result, faults=(*review.faults, *late))


def _course_sheet(review: Review, margin: float) -> CourseSheetResult:
    session = review.session
    line = course_line(review.runs, review.recordings, session.course)
    if line is None:
        raise NotDrivenError(
            f"{session.path}: the car does not move in any log; a course sheet needs a driven run"
        )
    # One gap for all runs: the stop does not move between them.
    gaps = {axle: _pooled([run.stops[axle] for run in review.runs if axle in run.stops]) for axle in AXLES}
    metres = {axle: known_gap(gap) for axle, gap in gaps.items()}
    places = tuple(_place_sheet(review, place, metres, margin) for place in places_of(line, review.runs))
    return CourseSheetResult(
        session=session.sheet.name,
        car=session.car.name,
        course=None if session.course is None else session.course.name,
        line=line,
        places=places,
        use=damper_use(line, review.runs, review.recordings, metres),
        banks=_bank_uses(review, line),
        gaps=gaps,
        stops={axle: stop_of(session.car, axle, metres[axle]) for axle in AXLES},
        margin=margin,
        runs=tuple(line.alignments),
        notes=_notes(review, line, gaps) + _cure_notes(places),
        uncalibrated=uncalibrated_channels(session.car),
    )


def _cure_notes(places: tuple[PlaceSheet, ...]) -> tuple[str, ...]:
    """Return how true the cures are and what was assumed for them; nothing without cures."""
    moments = [place.moment for place in places if place.moment is not None]
    if not moments:
        return ()
    taken = ", ".join(moments[0].masses.assumed)
    return (f"{CURE_NOTE}; a usual value is taken where the sheet states none: {taken}",)


def _pooled(gaps: list[Estimate]) -> Estimate:
    """Return one gap from those of all runs: the sheet's, else the mean of what the logs show."""
    known = [gap for gap in gaps if gap.value is not None]
    if not known:
        return gaps[0] if gaps else Estimate.unknown("mm", "no run")
    if known[0].method == FROM_SHEET or len(known) == 1:
        return known[0]
    # Runs weigh by their errors, but the error told is no smaller than they scatter (Birge 1932).
    values = np.array([gap.value for gap in known], dtype=np.float64)
    errors = np.array([gap.std_error or 0.5 for gap in known])
    weights = 1.0 / errors**2
    mean = float((weights * values).sum() / weights.sum())
    scatter = float(np.sqrt((weights * (values - mean) ** 2).sum() / weights.sum() / (len(values) - 1)))
    return Estimate(
        mean,
        "mm",
        std_error=max(scatter, float(weights.sum() ** -0.5)),
        n=len(values),
        method=known[0].method,
        notes=(f"mean of {len(values)} runs",),
    )


def _place_sheet(
    review: Review, place: Place, gaps: Mapping[Axle, float | None], margin: float
) -> PlaceSheet:
    worst, axle = place.worst, axle_of(place.corner)
    cures: tuple[Cure, ...] = ()
    moment: Moment | str = "cures are worked out for bump stops only"
    if place.kind == "bump stop":
        # With the gap and the bar of the run that hit hardest, not those pooled over the session.
        run = next(run for run in review.runs if run.name == worst.run)
        rates = bar_rates(review.session.car, review.session.sheet.setups[run.setup])
        own = known_gap(run.stops[axle])
        moment = "the bump-stop gap is not known"
        if own is not None:
            moment = moment_of(run.motion, review.session.car, rates, worst.event, own)
        if isinstance(moment, Moment):
            cures = cures_of(review.session.car, rates, moment, margin)
    return PlaceSheet(
        place=place,
        traces=_traces(review, place),
        cures=cures,
        moment=moment if isinstance(moment, Moment) else None,
        why_no_cures=moment if isinstance(moment, str) else "",
        gap=gaps[axle],
    )


def _traces(review: Review, place: Place) -> tuple[Trace, ...]:
    logs = {recording.run: recording for recording in review.recordings}
    found = []
    for name in place.runs:
        # One trace a run, of its deepest hit: all of them over each other would hide each other.
        hits = [hit for hit in place.hits if hit.run == name]
        deepest = max(hits, key=lambda hit: hit.event.stop_compression).event
        log = logs[name]
        time = log.data.index.to_numpy(dtype=np.float64)
        low, high = np.searchsorted(time, [deepest.peak_s - TRACE_S, deepest.peak_s + TRACE_S])
        channel = f"damper_{place.corner}"
        travel = log.data[channel].where(~log.suspect[channel]).to_numpy(dtype=np.float64)[low:high]
        found.append(Trace(name, time[low:high] - deepest.peak_s, travel))
    return tuple(found)


def _bank_uses(review: Review, line: CourseLine) -> tuple[BankUse, ...]:
    """Return what the sheet predicts for the banked sections, from how the reference run took them."""
    run = next(run for run in review.runs if run.name == line.reference)
    setup = review.session.sheet.setups[run.setup]
    found = []
    for stretch, (low, high) in zip(line.stretches, line.stretch_places, strict=True):
        if stretch.kind != "banked":
            continue
        driven = _driven(run, stretch.start, stretch.end)
        if driven is None:
            continue
        # As the reference run drove it: the same bank taken slower uses less travel.
        centripetal, left = driven
        span = line.section_at((low + high) / 2.0)
        found.append(
            BankUse(
                section="banked stretch" if span is None else span.name,
                bank=stretch.value,
                centripetal=centripetal,
                left=left,
                travel=banked_travel(review.session.car, setup, stretch.value, centripetal),
            )
        )
    return tuple(found)


def _driven(run: RunEstimates, start: int, end: int) -> tuple[float, bool] | None:
    """Return the mean horizontal acceleration [m/s2] of a stretch and whether it turns left."""
    data = run.motion.data.iloc[start:end]
    if not {"road_force_x", "road_force_y", "road_force_z", "bank", "turn"} <= set(data.columns):
        return None
    # In a drift the force points along the car, too: both parts count, towards the inside.
    # A drifting car points out of its path, so the whole in-plane force is taken, with the sign of the turn.
    across = np.hypot(data["road_force_x"], data["road_force_y"]) * np.sign(
        data["road_force_y"] * data["turn"]
    )
    turned = across * np.cos(data["bank"]) + data["road_force_z"] * np.sin(data["bank"])
    return float(turned.mean()), bool(data["turn"].mean() > 0.0)


def _notes(review: Review, line: CourseLine, gaps: Mapping[Axle, Estimate]) -> tuple[str, ...]:
    notes = [f"{name} is not on this sheet: {why}" for name, why in line.left_out.items()]
    notes += list(line.notes)
    if not line.from_sheet:
        notes.append("no course sheet: sections were found from the motion and are named after it")
    for axle, gap in gaps.items():
        if gap.value is None:
            notes.append(f"{axle}: {gap.notes[0]}")
        elif gap.method != FROM_SHEET:
            notes.append(f"{axle}: bump-stop gap {gap} read off the log ({gap.method})")
    for run in review.runs:
        notes += [f"{run.name}: {note}" for note in stated_gap_notes(run.checks)]
    logs = review.recordings
    missing = sorted(c for c in CORNERS if not all(log.usable(f"damper_{c}") for log in logs))
    if missing:
        notes.append(f"no usable damper travel at {', '.join(missing)} in at least one run")
    # Two samples must lie in a hit for it to be one.
    notes += [
        f"{log.run} was logged at {log.sample_rate:.0f} Hz: hits shorter than "
        f"{2000.0 / log.sample_rate:.0f} ms may be missed and depths read low"
        for log in logs
        if log.sample_rate < 100.0
    ]
    return tuple(notes)
