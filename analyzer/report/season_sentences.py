"""What a season showed, in sentences: per car what moved, what to look at, and what was left out."""

from typing import Final

from analyzer.archive.results import Archive, CarSeason, Trend
from analyzer.core.estimate import Estimate
from analyzer.core.units import AXLES
from analyzer.report import words

_TOTAL: Final = "roll_stiffness_total"
_SPLIT: Final = "roll_gradient_front_over_rear"
_RATIO: Final = "roll_stiffness_ratio"
_BY_SHEET: Final = ("roll_stiffness_front", "roll_stiffness_rear")
"""These take the other axle as the sheet has it, so they are shown but name no culprit."""

_QUANTITIES: Final = {
    _TOTAL: "roll stiffness of the car",
    _SPLIT: "front roll over rear roll",
    _RATIO: "roll stiffness, measured over predicted",
    "roll_stiffness_front": "front roll stiffness, if the rear is as in the sheet",
    "roll_stiffness_rear": "rear roll stiffness, if the front is as in the sheet",
    **{f"roll_gradient_{axle}": f"{axle} roll gradient" for axle in AXLES},
    **{f"left_share_{axle}": f"{axle} left share" for axle in AXLES},
}
_SOFTER: Final = "look for cracks at the blade welds, loose mounts, worn rod ends, tired springs"
_STIFFER: Final = "look for a binding link or bush, and for a spring or setting the sheet does not know"
_WEAR: Final = (
    ("free_play", "look for worn rod ends, link bolts and bushes"),
    ("friction", "look for a tight or worn rod end, a bent damper rod or a dry bush"),
)
_MOST_NAMED: Final = 4


def car_answer(car: CarSeason) -> str:
    """Return the answer for one car in one or two sentences."""
    span = f"{words.count(car.runs, 'run')} in {words.count(len(car.sessions), 'session')}"
    if not car.runs:
        return f"None of the runs of {words.name(car.car)} could be used."
    # What moved is the answer; where nothing did, how small a change would have shown is.
    found = moved(car.trends)
    if found:
        phrase = [trend_words(trend) for trend in found[:_MOST_NAMED]]
        more = len(found) - len(phrase)
        tail = f" {words.count(more, 'more figure')} moved, too." if more else ""
        return f"{words.name(car.car)}, {span}: " + "; ".join(phrase) + "." + tail
    if not car.trends and car.unknown:
        # More sessions would show no more: what lacks is what the figures are worked out from.
        return (
            f"{words.name(car.car)}, {span}: no figure that is followed could be worked out in any run: "
            f"{words.clause(car.unknown[0].reason)}."
        )
    seen = [t for t in car.trends if t.smallest_visible.value is not None]
    if not seen:
        return f"{words.name(car.car)}, {span}: too few sessions to tell a trend."
    # Without a change the smallest one that would have shown tells how much the season can say at all.
    best = min(seen, key=lambda t: t.smallest_visible.value or 0.0)
    visible = 100.0 * (best.smallest_visible.value or 0.0)
    return (
        f"{words.name(car.car)}, {span}: nothing moved beyond its error; "
        f"a change of {visible:.2g} % would have shown in {quantity_words(best.quantity)}."
    )


def advice(car: CarSeason) -> list[str]:
    """Return what to look at, each line once."""
    lines: list[str] = []
    # Several settings may say the same of the car; the advice is given once.
    for trend in moved(car.trends):
        if trend.quantity in (_TOTAL, _RATIO):
            softer = trend.verdict == "falling"
            where = _end(car, trend.setting, softer) if trend.quantity == _TOTAL else ""
            what = _SOFTER if softer else _STIFFER
            line = f"Roll stiffness is {trend.verdict}{where}: {what}."
        else:
            found = [what for part, what in _WEAR if part in trend.quantity and trend.verdict == "rising"]
            if not found:
                continue
            line = f"{words.capital(quantity_words(trend.quantity))} is rising: {found[0]}."
        if line not in lines:
            lines.append(line)
    return lines


def _end(car: CarSeason, setting: str, softer: bool) -> str:
    """Return at which end of the car it gave way: the end that softens rolls more against the other one."""
    for trend in car.trends:
        if trend.quantity == _SPLIT and trend.setting == setting:
            if trend.verdict not in ("rising", "falling"):
                return ", which end cannot be told"
            return ", at the front" if (trend.verdict == "rising") == softer else ", at the rear"
    return ""


def trend_words(trend: Trend) -> str:
    """Return one trend as a clause."""
    where = f" at {words.name(trend.setting, 60)}" if trend.setting else ""
    word = "rose" if trend.verdict == "rising" else "fell"
    return f"{quantity_words(trend.quantity)}{where} {word} by {change_words(trend.change)}"


def change_words(change: Estimate) -> str:
    """Return ``4.1 % (2.0 to 6.2)`` without a sign, the smaller end first."""
    known = change.value is not None and change.interval is not None
    return words.value_with_interval(words.percent(words.without_sign(change))) if known else words.UNKNOWN


def quantity_words(quantity: str) -> str:
    """Return a quantity of the data set in words."""
    return _QUANTITIES.get(quantity) or words.label(quantity.replace("_", " "))


def quantity_with_unit(trend: Trend) -> str:
    """Return a followed figure in words, with its unit."""
    unit = trend.points[0].estimate.unit
    return quantity_words(trend.quantity) + ("" if unit in ("", "1") else f", {unit}")


def setting_of(trend: Trend) -> str:
    """Return on what a trend was measured."""
    return words.label(trend.setting, 60) if trend.setting else "all settings"


def moved(trends: tuple[Trend, ...]) -> list[Trend]:
    """Return the trends that go one way and mean something by themselves, the surest first."""

    # The surest first: change over its own error, so that a large but loose figure does not lead.
    def surety(trend: Trend) -> float:
        error, value = trend.change.std_error, trend.change.value or 0.0
        return abs(value) / error if error else float("inf")

    going = [
        t for t in trends if t.verdict in ("rising", "falling") and t.quantity not in (*_BY_SHEET, _SPLIT)
    ]
    # Over all settings the ratio says again what a setting of its own has said already.
    told = {trend.verdict for trend in going if trend.quantity == _TOTAL}
    kept = [t for t in going if not (t.quantity == _RATIO and t.verdict in told)]
    return sorted(kept, key=surety, reverse=True)


def notes(car: CarSeason) -> list[str]:
    """Return what the reader must know about how the trends were found."""
    by_folder = "their folder names, since half of the session sheets or more state no date."
    order = "their dates." if car.ordered_by == "date" else by_folder
    lines = [f"Sessions are in the order of {order}"]
    undated = sum(folder == day for folder, day in car.sessions) if car.ordered_by == "date" else 0
    if undated:
        lines.append(
            f"{words.count(undated, 'session')} without a date: listed last, and left out of the trends."
        )
    marks = tuple(dict.fromkeys(mark for trend in car.trends for mark in trend.change.provisional))
    if marks:
        lines.append(
            f"Provisional until {words.until_measured(marks)} (* in the table): what is filled "
            "in between two sessions moves what rests on it."
        )
    told = sum(trend.verdict != "cannot tell" for trend in car.trends)
    if told > 1:
        lines.append(
            f"{told} figures were looked at together: intervals, verdicts and smallest changes hold for all "
            "of them at 95 %, so that a car that never changes raises an alarm in one season of twenty."
        )
    lines.append(
        "Conditions (tyres, pressures, temperature, load) differ between sessions and are not taken out."
    )
    return lines


def unknown_figures(car: CarSeason) -> list[tuple[str, str, str]]:
    """Return figures, runs that lack them, and why; those that lack the same for the same reason together."""
    # A pot that is missing takes gradient and share of its axle alike, and in every run of a day.
    per_run = words.together(((one.session, one.label, one.run, one.reason), one) for one in car.unknown)
    told = words.together(
        ((tuple(quantity_words(one.quantity) for one in lacking), reason), (label, run))
        for (_, label, run, reason), lacking in per_run.items()
    )
    return [
        (words.capital(words.listed(list(figures))), _runs(places), words.sentence(reason))
        for (figures, reason), places in told.items()
    ]


_MOST_DAYS: Final = 6


def _runs(places: list[tuple[str, str]]) -> str:
    """Return ``r01 and r02 of 2031-05-04``, session after session."""
    days = words.together((label, words.label(run, 24)) for label, run in places)
    return words.listed(
        [f"{words.listed(runs)} of {words.label(day)}" for day, runs in days.items()], _MOST_DAYS
    )


def left_out_words(archive: Archive, most: int = 6) -> list[str]:
    """Return the reasons, runs with the same reason together."""
    # One broken logger fails every run of a day in the same words.
    groups = words.together(
        (reason, words.label(folder, 60) + (f", {words.label(run, 24)}" if run else ""))
        for folder, run, reason in archive.left_out
    )
    lines = [f"{words.listed(places, 3)}: {words.sentence(reason)}" for reason, places in groups.items()]
    return lines[:most] + (
        [f"{len(lines) - most} more reasons in results.json."] if len(lines) > most else []
    )


def size_words(archive: Archive) -> str:
    """Return how large the archive is."""
    used = sum(car.runs for car in archive.cars)
    cars, sessions = (
        words.count(len(archive.cars), "car"),
        words.count(sum(len(car.sessions) for car in archive.cars), "session"),
    )
    return f"{words.count(used, 'run')} of {cars} in {sessions}"


def summary(archive: Archive) -> str:
    """Return how large the archive is and what this pass did."""
    left = archive.runs - sum(car.runs for car in archive.cars)
    broken = sum(not run for _, run, _ in archive.left_out)
    phrase = [f"{size_words(archive)}; {archive.estimated} estimated now"]
    phrase += [f"{words.count(left, 'run')} left out"] if left else []
    phrase += [f"{words.count(broken, 'session')} left out"] if broken else []
    return ", ".join(phrase)
