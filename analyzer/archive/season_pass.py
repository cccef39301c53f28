"""One pass over a season: plan, estimate what is new, keep it, and see what changed."""

import datetime as dt
import math
import shutil
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from scipy.special import gammaincinv

from analyzer.archive import dataset
from analyzer.archive.results import (
    Archive,
    BottomingRate,
    CarSeason,
    RunRecord,
    SessionPlan,
    SessionPoint,
    Task,
    Trend,
    UnknownFigure,
)
from analyzer.archive.tasks import LogIndex, find_sessions, plan_sessions, processors, run_locally
from analyzer.core.errors import AnalyzerError, refuse_file
from analyzer.core.estimate import Estimate
from analyzer.core.files import json_bytes, read_json, write_whole
from analyzer.core.mixed_effects import LEVEL, Contrast, ScatterPrior, fit_runs, smallest_visible
from analyzer.core.regression import student_factor
from analyzer.core.store import code_digest
from analyzer.core.units import AXLES

Progress = Callable[[str, int, int], None]

BESIDE: Final = "archive"
"""Name of the archive's folder inside the folder of the season, unless another is named."""


def archive_folder(
    folder: Path,
    out: Path | None = None,
    progress: Progress | None = None,
    scheduler: str | None = None,
    workers: int | None = None,
    finish: Callable[[Archive], object] | None = None,
) -> Archive:
    """Bring the archive of all sessions below `folder` up to date.

    Parameters
    ----------
    folder : Path
        Every ``session.toml`` in it or below it counts.
    out : Path, optional
        Where the archive lies; `BESIDE` inside `folder` if not given.
    progress : callable, optional
        Told what is being done, how many steps are done and how many there are.
    scheduler : str, optional
        Address of a dask scheduler; processes on this machine if not given.
    workers : int, optional
        Number of processes on this machine; one per processor if not given.
    finish : callable, optional
        Called with the result while the archive is still held against a second pass; writes the report.

    Returns
    -------
    Archive
        The same, apart from `Archive.estimated`, however the pass was interrupted, and wherever it ran.

    Raises
    ------
    AnalyzerError
        When there is no session, the place of the archive cannot be used, or the scheduler does not answer.
    """
    refuse_file(folder.expanduser(), "the folder that holds the sessions", str(folder))
    root = folder.expanduser().resolve()
    target = (out or root / BESIDE).expanduser().resolve()
    tell = progress or (lambda _what, _done, _all: None)
    if workers is not None and workers < 1:
        raise AnalyzerError("--workers: must be at least 1")
    sheets = find_sessions(root, target)
    # Held for this pass alone: two passes at once would drop each other's partitions as left over.
    with dataset.opened(target) as place:
        index = LogIndex(root, read_json(place / dataset.LOGS) or {})
        plans = list(plan_sessions(root, sheets, index, tell))
        # Hashes of unchanged logs (by size and time) are kept, since hashing a season takes longer than a
        # pass without news.
        write_whole(place / dataset.LOGS, json_bytes(index.seen, indent=None), own=True)
        store = _Store(place)
        estimated = _estimate(store, plans, tell, scheduler, workers)
        # Only after everything new is there: a killed pass leaves the old season readable.
        dataset.drop_others(place, plans)
        store.drop_other_versions()
        tell("comparing the sessions", 1, 1)
        result = _archive(place, plans, estimated)
        if finish is not None:
            finish(result)
    return result


class _Store:
    """Records of runs on disk, one file each, under their keys."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self._folder = place / dataset.RESULTS / code_digest()[:16]

    def path(self, key: str) -> Path:
        return self._folder / key[:2] / f"{key}.json"

    def has(self, key: str) -> bool:
        return self.read(key) is not None

    def read(self, key: str) -> RunRecord | None:
        """Return the record of a key; None when it is missing or damaged."""
        try:
            record = RunRecord.from_dict(read_json(self.path(key)))
        except (AttributeError, KeyError, TypeError, ValueError):
            return None
        return record if record.key == key else None

    def write(self, record: RunRecord) -> None:
        write_whole(self.path(record.key), json_bytes(record.to_dict(), indent=None), own=True)

    def drop_other_versions(self) -> None:
        """Remove records that another version of the program made; they can never be asked for again."""
        for folder in (self.place / dataset.RESULTS).glob("*"):
            if folder != self._folder:
                shutil.rmtree(folder, ignore_errors=True)


class _Session:
    """A session on its way into the data set."""

    def __init__(self, plan: SessionPlan, state: str) -> None:
        self.plan = plan
        self.state = state
        self.waiting: set[str] = set()
        self.passing: dict[str, RunRecord] = {}  # failures that may pass are kept for this pass alone


def _estimate(
    store: _Store, plans: list[SessionPlan], tell: Progress, scheduler: str | None, workers: int | None
) -> int:
    """Estimate what is not there yet, write each session as soon as it is complete; returns the number."""
    tasks, sessions = _missing(store, plans)
    if tasks:
        tell("estimating", 0, len(tasks))
    # Records come in the order in which they are finished, whichever session they belong to.
    for done, record in enumerate(_records(tasks, scheduler, workers), start=1):
        tell("estimating", done, len(tasks))
        # A failure that may pass (memory, a file that changed meanwhile) is tried again by the next pass.
        if record.lasting:
            store.write(record)
        for session in sessions[record.key]:
            if not record.lasting:
                session.passing[record.key] = record
            session.waiting.discard(record.key)
            if not session.waiting:
                _write(store, session)
    return len(tasks)


def _missing(store: _Store, plans: list[SessionPlan]) -> tuple[list[Task], dict[str, list[_Session]]]:
    """Return the tasks without a record, and key -> sessions that wait for it.

    Sessions that wait for nothing but are not in the data set as they should be are written at once.
    """
    sessions: dict[str, list[_Session]] = {}
    tasks: list[Task] = []
    for plan in plans:
        # A session in the data set is made from a state: while sheets, logs and program give the same one, it
        # stands.
        state = dataset.session_state(plan)
        if plan.failed is not None or dataset.is_current(store.place, plan, state):
            continue
        session = _Session(plan, state)
        for task in (run.task for run in plan.runs):
            if task is None or store.has(task.key):
                continue
            # The same run may stand in two sessions (a copied folder); it is estimated once.
            if task.key not in sessions:
                tasks.append(task)
            sessions.setdefault(task.key, []).append(session)
            session.waiting.add(task.key)
        if not session.waiting:
            _write(store, session)
    return tasks, sessions


def _records(tasks: list[Task], scheduler: str | None, workers: int | None) -> Iterator[RunRecord]:
    if not tasks:
        return iter(())
    if scheduler is not None:
        from analyzer.archive.tasks import run_on_cluster

        return run_on_cluster(tasks, scheduler)
    return run_locally(tasks, min(workers or processors(), len(tasks)))


def _write(store: _Store, session: _Session) -> None:
    records: dict[str, RunRecord] = {}
    for run in session.plan.runs:
        if run.task is None:
            continue
        record = session.passing.get(run.task.key) or store.read(run.task.key)
        if record is None:
            reason = (
                f"{run.name}: its result was removed while the archive was written; run the command again"
            )
            record = session.passing[run.task.key] = RunRecord.left_out(run.task.key, reason, lasting=False)
        records[run.name] = record
    dataset.write_session(store.place, session.plan, records, "" if session.passing else session.state)


def _archive(place: Path, plans: list[SessionPlan], estimated: int) -> Archive:
    # A session that cannot be read is told with its runs, never left away.
    left_out: list[tuple[str, str, str]] = [(p.folder, "", p.failed) for p in plans if p.failed is not None]
    rows: list[Any] = dataset.read_rows(
        place, "runs", ["car_name", "folder", "place", "run", "left_out", "fault"]
    )
    left_out += [(r["folder"], r["run"], r["left_out"]) for r in rows if r["left_out"] is not None]
    return Archive(
        folder=place,
        cars=season(place),
        sessions=len(plans),
        runs=len(rows),
        estimated=estimated,
        left_out=tuple(sorted(left_out)),
        faulty=any(row["fault"] for row in rows),
    )


# What changed over the season: every car's sessions in order, and the trend of each figure that wears.


PER_SETTING: Final = (
    "roll_stiffness_total",
    "roll_gradient_front_over_rear",
    "roll_stiffness_front",
    "roll_stiffness_rear",
)
"""Followed for each hardware setting of its own. The stiffness of one axle takes the other one as the sheet
has it, so a part that gives way at one end moves both; which end it was shows in front over rear."""
PER_CAR: Final = ("roll_stiffness_ratio",)
"""Followed over all settings; further ones are those that hold one of `WEARING` in their name."""
WEARING: Final = ("friction", "free_play")

EXPLAINED: Final = tuple(f"{what}_{axle}" for what in ("roll_gradient", "left_share") for axle in AXLES)
"""Figures that every run can show: where one lacks, the page says why. What is followed rests on them."""

SESSION_SCATTER: Final = ScatterPrior(scatter=0.03, dof=2.0)
"""Prior of the relative scatter of a session's mean from session to session (tyres, temperature, load);
engineering judgement."""
FEWEST: Final = 3
"""Sessions below which a difference is no trend."""

_METHOD: Final = "straight line over the means of the sessions, sessions as random effects"
_RUN_COLUMNS: Final = [
    "car_name", "folder", "date", "course", "place", "run", "setting", "left_out", "bottomed",
]  # fmt: skip
_ESTIMATE_COLUMNS: Final = [
    "car_name", "folder", "place", "run", "setting", "quantity", "value", "std_error", "unit", "notes",
    "provisional",
]  # fmt: skip


def season(folder: Path) -> tuple[CarSeason, ...]:
    """Return every car's season from the data set of the archive at `folder`."""
    runs = _by(dataset.read_rows(folder, "runs", _RUN_COLUMNS), "car_name")
    estimates = _by(dataset.read_rows(folder, "estimates", _ESTIMATE_COLUMNS), "car_name")
    events = _by(dataset.read_rows(folder, "bottoming", ["car_name", "folder", "place", "hard"]), "car_name")
    return tuple(_car(car, runs[car], estimates.get(car, []), events.get(car, [])) for car in sorted(runs))


def _by(rows: Sequence[Any], *keys: str) -> dict[Any, list[Any]]:
    groups: dict[Any, list[Any]] = defaultdict(list)
    for row in rows:
        groups[row[keys[0]] if len(keys) == 1 else tuple(row[key] for key in keys)].append(row)
    return dict(groups)


class _Order:
    """The sessions of one car in the order of the season."""

    def __init__(self, runs: Sequence[Any]) -> None:
        dates: dict[str, dt.date | None] = {row["folder"]: row["date"] for row in runs}
        stated = [date for date in dates.values() if date is not None]
        # Where most sessions state their day, one that does not has no place in the season: it is listed last
        # and takes no part in the trends. Otherwise the folder names order them all.
        self.by_date = 2 * len(stated) > len(dates)
        self.undated = {f for f, date in dates.items() if date is None} if self.by_date else set()
        if self.by_date:
            first, last = min(stated), max(stated)
            self.folders = sorted(dates, key=lambda f: (dates[f] is None, dates[f] or last, f))
            self.place = {f: float(((dates[f] or last) - first).days) for f in self.folders}
            self.label = {f: f if dates[f] is None else str(dates[f]) for f in self.folders}
        else:
            self.folders = sorted(dates)
            self.place = {f: float(i) for i, f in enumerate(self.folders)}
            self.label = {f: f for f in self.folders}


def _car(car: str, runs: list[Any], estimates: list[Any], events: list[Any]) -> CarSeason:
    left_out = sum(row["left_out"] is not None for row in runs)
    # A session of which nothing could be used is none of the car's season; its runs count as left out.
    order = _Order([row for row in runs if row["left_out"] is None])
    names = sorted({row["quantity"] for row in estimates})
    # What wears belongs to the car whatever bar is fitted; stiffness belongs to a setting.
    wearing = [n for n in names if n in PER_CAR or any(word in n for word in WEARING)]
    per_setting = _by([r for r in estimates if r["quantity"] in PER_SETTING], "setting", "quantity")
    chosen = sorted(per_setting, key=lambda key: (key[0], PER_SETTING.index(key[1])))
    trends = [_trend(q, s, per_setting[s, q], order) for s, q in chosen]
    per_car = _by([r for r in estimates if r["quantity"] in wearing], "quantity")
    trends += [_trend(q, "", per_car[q], order) for q in sorted(per_car)]
    groups = per_setting | {("", quantity): rows for quantity, rows in per_car.items()}
    # All trends of a car share one error rate: with twenty figures, one would move by chance alone. Interval
    # and smallest change that would have shown are those of that judgement.
    told = sum(t.change.interval is not None for t in trends)
    trends = [_trend(t.quantity, t.setting, groups[t.setting, t.quantity], order, told) for t in trends]
    return CarSeason(
        car=car,
        sessions=tuple((f, order.label[f]) for f in order.folders),
        ordered_by="date" if order.by_date else "folder name",
        runs=len(runs) - left_out,
        left_out=left_out,
        trends=tuple(t for t in trends if t.points),
        bottoming=_bottoming(runs, events, order),
        unknown=_unknown(estimates, order),
    )


def _unknown(estimates: list[Any], order: _Order) -> tuple[UnknownFigure, ...]:
    """Return what the runs of a car lack; the first note of an unknown estimate is its reason."""
    lacking = [row for row in estimates if row["value"] is None and row["quantity"] in EXPLAINED]
    lacking.sort(
        key=lambda row: (order.folders.index(row["folder"]), row["place"], EXPLAINED.index(row["quantity"]))
    )
    return tuple(
        UnknownFigure(
            row["quantity"],
            row["folder"],
            order.label[row["folder"]],
            row["run"],
            row["notes"].split(dataset.MARKS_APART)[0],
        )
        for row in lacking
    )


def _trend(quantity: str, setting: str, rows: list[Any], order: _Order, family: int = 1) -> Trend:
    # Stiffness changes by factors: a tenth softer and a tenth stiffer are as far, and none is below nought.
    logarithmic = quantity in PER_SETTING or quantity in PER_CAR
    usable = [r for r in rows if r["value"] is not None and (r["value"] > 0.0 or not logarithmic)]
    groups = _by(usable, "folder")
    points = tuple(
        _session_point(folder, groups[folder], order, logarithmic)
        for folder in order.folders
        if folder in groups and folder not in order.undated
    )
    change, visible = season_change(points, logarithmic, family)
    # A placeholder may be filled in between two sessions: what rests on it changes with the sheet.
    change = change.resting_on(*(mark for point in points for mark in point.estimate.provisional))
    return Trend(quantity, setting, points, change, visible, verdict(change))


def _session_point(folder: str, rows: list[Any], order: _Order, logarithmic: bool) -> SessionPoint:
    """Return the mean of one session's runs; its error from their scatter and their own errors."""
    unit = rows[0]["unit"]
    values = np.array([row["value"] for row in rows], dtype=float)
    errors = [row["std_error"] for row in rows]
    # Stiffness changes by factors, so its logarithm is pooled; a figure that may be nought keeps its unit.
    scale = 1.0 if logarithmic else float(np.mean(np.abs(values)))
    marks = [mark for row in rows for mark in (row["provisional"] or "").split(dataset.MARKS_APART) if mark]
    label, place = order.label[folder], order.place[folder]
    if scale == 0.0:
        nought = Estimate(0.0, unit, notes=("every run shows nought",)).resting_on(*marks)
        return SessionPoint(folder, label, place, nought)
    # One run without an error of its own makes all count alike.
    known = all(error is not None for error in errors)
    spread = np.array(errors, dtype=float) / (values if logarithmic else scale) if known else None
    variances = None if spread is None else spread**2
    fit = fit_runs(np.log(values) if logarithmic else values / scale, variances, np.ones((len(values), 1)))
    mean = fit.contrast(np.ones(1))
    low, high = mean.interval
    if logarithmic:
        value = math.exp(mean.value)
        error, interval = value * mean.std_error, (math.exp(low), math.exp(high))
    else:
        value, error, interval = scale * mean.value, scale * mean.std_error, (scale * low, scale * high)
    notes = ("too few runs show their own scatter; a usual one was taken",) if fit.prior_used else ()
    estimate = Estimate(
        value, unit, std_error=error, interval=interval, n=len(rows), method="mean over the runs", notes=notes
    )
    return SessionPoint(folder, label, place, estimate.resting_on(*marks))


def season_change(
    points: Sequence[SessionPoint], logarithmic: bool, family: int = 1
) -> tuple[Estimate, Estimate]:
    """Return the relative change over the season and the smallest one that could have been seen.

    Parameters
    ----------
    points : sequence of SessionPoint
        In the order of the season.
    logarithmic : bool
        Whether the figure is positive and changes by a factor.
    family : int
        Figures looked at together: each must stand out further, so that a car without any change raises one
        alarm in twenty at most (Bonferroni).

    Returns
    -------
    tuple of Estimate
        Last over first minus one, from a straight line through the points (of their logarithms) with sessions
        as random effects (`fit_runs`, Paule and Mandel 1982; Hartung and Knapp 2001).
    """
    reason = _no_trend(points)
    if reason:
        return Estimate.unknown("1", reason, _METHOD), Estimate.unknown("1", reason)
    values = np.array([point.estimate.value or 0.0 for point in points])
    errors = [point.estimate.std_error for point in points]
    scale = float(np.mean(values))
    known = all(error is not None for error in errors)
    # A relative change of a figure that is nought within its error would be any number.
    doubt = 2.0 * float(np.linalg.norm(np.array(errors, dtype=float))) / len(values) if known else 0.0
    if not logarithmic and scale <= doubt:
        reason = "the figure is nought or below within its error, so a relative change means nothing"
        return Estimate.unknown("1", reason, _METHOD), Estimate.unknown("1", reason)
    relative = np.array(errors, dtype=float) / (values if logarithmic else scale) if known else None
    place = np.array([point.place for point in points])
    # From one half below at the first session to one half above at the last: the slope is the whole change.
    along = (place - place[0]) / (place[-1] - place[0]) - 0.5
    design = np.column_stack((np.ones_like(along), along))
    fit = fit_runs(
        np.log(values) if logarithmic else values / scale,
        None if relative is None else relative**2,
        design,
        SESSION_SCATTER,
    )
    slope = fit.contrast(np.array([0.0, 1.0]))
    notes = ("too few sessions show their own scatter; a usual one was taken",) if fit.prior_used else ()
    return _change(slope, len(points), logarithmic, notes, 1.0 - (1.0 - LEVEL) / max(family, 1))


def _change(
    slope: Contrast, count: int, logarithmic: bool, notes: tuple[str, ...], level: float
) -> tuple[Estimate, Estimate]:
    def shown(number: float) -> float:
        # Beyond 709 the exponential has no number; a change like that means nothing anyway.
        return math.expm1(min(number, 700.0)) if logarithmic else number

    factor = math.exp(min(slope.value, 700.0)) if logarithmic else 1.0
    half = student_factor(slope.dof, level) * slope.std_error
    low, high = slope.value - half, slope.value + half
    change = Estimate(
        value=shown(slope.value),
        unit="1",
        std_error=factor * slope.std_error,
        interval=(shown(low), shown(high)),
        level=level,
        n=count,
        method=_METHOD,
        notes=notes,
    )
    visible = shown(smallest_visible(slope.std_error, slope.dof, level))
    return change, Estimate(
        visible, "1", level=level, method="80 % power; all figures at the 95 % level together"
    )


def _no_trend(points: Sequence[SessionPoint]) -> str:
    if len(points) < FEWEST:
        return f"{len(points)} session{'s' if len(points) != 1 else ''}: a trend needs {FEWEST}"
    if len({point.place for point in points}) < FEWEST:
        return f"all on fewer than {FEWEST} days: a trend needs {FEWEST}"
    return ""


def verdict(change: Estimate) -> str:
    """Return what the interval of a change says."""
    if change.interval is None:
        return "cannot tell"
    low, high = change.interval
    if low > 0.0:
        return "rising"
    return "falling" if high < 0.0 else "no change seen"


def _bottoming(runs: list[Any], events: list[Any], order: _Order) -> tuple[BottomingRate, ...]:
    """Return events per run of every course and session."""
    found = []
    hard = _by([event for event in events if event["hard"]], "folder")
    # By runs, not by events: a session without a hit lowers the rate.
    by_session = _by([run for run in runs if run["left_out"] is None], "course", "folder")
    for course, folder in sorted(by_session, key=lambda key: (key[0], order.folders.index(key[1]))):
        group = by_session[course, folder]
        total = sum(run["bottomed"] for run in group)
        found.append(
            BottomingRate(
                course=course,
                session=folder,
                label=order.label[folder],
                place=order.place[folder],
                runs=len(group),
                events=total,
                hard=len(hard.get(folder, [])),
                rate=poisson_rate(total, len(group)),
            )
        )
    return tuple(found)


def poisson_rate(events: int, runs: int) -> Estimate:
    """Return events per run with the exact interval of a Poisson count.

    Source: Garwood, Biometrika 28, 1936. It holds when events come one by one; where one bump sets off
    several contacts they scatter more, and the note says so.
    """
    # The tail of a Poisson count is that of a gamma distribution: the bounds need no search.
    tail = (1.0 - LEVEL) / 2.0
    low = float(gammaincinv(events, tail)) if events else 0.0
    high = float(gammaincinv(events + 1, 1.0 - tail))
    return Estimate(
        value=events / runs,
        unit="per run",
        std_error=math.sqrt(events) / runs if events else None,
        interval=(low / runs, high / runs),
        n=events,
        method="events over runs, Poisson",
        notes=("the interval takes events as independent of one another",)
        if events
        else ("no event, so its error is the interval's upper end",),
    )
