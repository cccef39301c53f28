"""What changed over the season: every car's sessions in order, and the trend of each figure that wears."""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from scipy.special import gammaincinv

from analyzer.archive.dataset import MARKS_APART, read_rows
from analyzer.archive.results import BottomingRate, CarSeason, SessionPoint, Trend
from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import LEVEL, Contrast, ScatterPrior, fit_runs, smallest_visible
from analyzer.core.regression import student_factor

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
    "car_name", "folder", "place", "setting", "quantity", "value", "std_error", "unit", "provisional",
]  # fmt: skip


def season(folder: Path) -> tuple[CarSeason, ...]:
    """Return every car's season from the data set of the archive at `folder`."""
    runs = _by(read_rows(folder, "runs", _RUN_COLUMNS), "car_name")
    estimates = _by(read_rows(folder, "estimates", _ESTIMATE_COLUMNS), "car_name")
    events = _by(read_rows(folder, "bottoming", ["car_name", "folder", "place", "hard"]), "car_name")
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
    )


def _trend(quantity: str, setting: str, rows: list[Any], order: _Order, family: int = 1) -> Trend:
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
    marks = [mark for row in rows for mark in (row["provisional"] or "").split(MARKS_APART) if mark]
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
