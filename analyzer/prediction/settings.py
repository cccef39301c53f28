"""Every setting of a bar, sorted by rate, with what it and other parts do to bar, axle and car."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final, Literal

import numpy as np
from scipy.optimize import brentq

from analyzer.core.errors import AnalyzerError
from analyzer.core.estimate import Estimate
from analyzer.core.regression import NORMAL
from analyzer.core.units import (
    AXLES,
    MM_PER_M,
    RAD_PER_MPS2_TO_DEG_PER_G,
    STANDARD_GRAVITY,
    Axle,
    Corner,
    Uncertain,
)
from analyzer.prediction import results, setup as setups
from analyzer.prediction.propagation import (
    Propagated,
    Values,
    propagate,
    replace_values,
    sheet_inputs,
    sheet_quantities,
)
from analyzer.prediction.results import (
    BankUse,
    BarLadder,
    BenchComparison,
    LadderRow,
    StressRow,
    TriedSetting,
    TubeChoice,
    WhatIf,
    WheelRange,
)
from analyzer.sheets.bar import BladedBar, FormedBar, NoBar, find_material, weld_problem
from analyzer.sheets.car import AxleSheet, CarSheet
from analyzer.sheets.session import BarSetting, Setup
from analyzer.vehicle.axle import car_roll, static_motion_ratio
from analyzer.vehicle.bar import rate as statics
from analyzer.vehicle.bar.linkage import linkage
from analyzer.vehicle.bar.section import array
from analyzer.vehicle.bar.stress import fatigue_cycles, safety_factor, stress_points, weld_taken
from analyzer.vehicle.completion import complete_bar, complete_car

# What another part would do: one more spacer, the next hole, the next wall; solid against tube.


BarSheet = BladedBar | FormedBar

INCH: Final = 0.0254

WALLS: Final = tuple(
    INCH * w for w in (0.049, 0.058, 0.065, 0.083, 0.095, 0.109, 0.120, 0.134, 0.156, 0.188, 0.250)
)
"""Walls that tube is commonly sold in [m]: Birmingham wire gauge sizes and fractions (common practice)."""

NEXT_DIAMETER: Final = 0.125 * INCH
"""Step of tube diameters [m] (common practice)."""

NEXT_THICKNESS: Final = 0.001
"""Step of blade thickness [m]."""

SMALLEST_GROWTH: Final = 0.2
LARGEST_GROWTH: Final = 4.0
"""Diameters looked at for one of equal rate, as parts of the present one."""


@dataclass(frozen=True, slots=True)
class Variant:
    """A bar that differs from the fitted one in one thing.

    Parameters
    ----------
    change : str
        What is different.
    apply : callable
        Fitted bar of the sheet (numbers or arrays) -> the other bar.
    setting : BarSetting or None
        Its setting.
    """

    change: str
    apply: Callable[[BarSheet], BarSheet]
    setting: BarSetting | None


def variants(bar: BarSheet, setting: BarSetting | None) -> tuple[Variant, ...]:
    """Return the neighbours of a fitted bar: hole, spacer, wall, diameter, blade; nothing impossible."""
    found: list[Variant] = []
    if isinstance(bar, BladedBar) and setting is not None:
        found += _setting_variants(bar, setting)
    wall, diameter = _round(bar)
    if wall is not None:
        for name, new in (("thicker", _next_wall(wall, True)), ("thinner", _next_wall(wall, False))):
            # A wall that leaves no bore makes a solid bar, which is compared on its own below.
            if new is not None and 2.0 * new < diameter:
                change = f"next {name} wall ({new * 1000:.2f} mm)"
                found.append(Variant(change, partial(_with_round, wall=new / wall), setting))
    for sign, word in ((1.0, "larger"), (-1.0, "smaller")):
        new = diameter + sign * NEXT_DIAMETER
        if new > 2.0 * (wall or 0.0):
            change = f"{word} diameter ({new * 1000:.2f} mm)"
            found.append(Variant(change, partial(_with_round, diameter=new / diameter), setting))
    if isinstance(bar, BladedBar):
        for sign, word in ((1.0, "thicker"), (-1.0, "thinner")):
            new = bar.blade.thickness.value + sign * NEXT_THICKNESS
            if new > NEXT_THICKNESS:
                change = f"{word} blade ({new * 1000:.1f} mm)"
                found.append(Variant(change, partial(_with_blade, thicker=sign * NEXT_THICKNESS), setting))
    return tuple(found)


def solid_comparison(bar: BarSheet, setting: BarSetting | None) -> tuple[Variant, ...]:
    """Return a tube beside solid bars of equal diameter, mass and rate; the reverse for a solid bar.

    At equal diameter solid is stiffer, at equal mass the tube is (common claims mix the two up). A tube in
    place of a solid bar gets a wall of a tenth of its diameter.
    """
    wall, diameter = _round(bar)
    if wall is None:
        # Equal metal area: D^2 (1 - 0.8^2) = d^2.
        name, other, same_mass = "tube, wall a tenth", _hollow, 1.0 / math.sqrt(1.0 - 0.8**2)
    else:
        name, other = "solid", _solid
        same_mass = math.sqrt(diameter**2 - (diameter - 2.0 * wall) ** 2) / diameter
    found = [Variant("as it is", lambda b: b, setting)]
    for what, growth in (
        ("diameter", 1.0),
        ("mass", same_mass),
        ("rate", _equal_rate(bar, setting, other)),
    ):
        if growth is not None:
            change = f"{name}, equal {what} ({1e3 * growth * diameter:.2f} mm)"
            found.append(Variant(change, partial(other, growth=growth), setting))
    return tuple(found)


def _equal_rate(
    bar: BarSheet, setting: BarSetting | None, other: Callable[[BarSheet, float], BarSheet]
) -> float | None:
    """Return the diameter, as part of the present one, at which the whole bar keeps its rate."""
    wanted = float(statics.bar_solution(bar, setting).rate)

    def excess(growth: float) -> float:
        return (
            float(statics.bar_solution(statics.with_bench_of(bar, other(bar, growth)), setting).rate) / wanted
            - 1.0
        )

    # Where blades and mounts give way more than the tube, no diameter may do.
    if excess(SMALLEST_GROWTH) > 0.0 or excess(LARGEST_GROWTH) < 0.0:
        return None
    return float(brentq(excess, SMALLEST_GROWTH, LARGEST_GROWTH, xtol=1e-9))


def round_mass(bar: BarSheet) -> float | None:
    """Return the mass of the tube without ends, or of a bent bar [kg]; None for an unknown material."""
    wall, diameter = _round(bar)
    mass = _round_mass(bar, diameter, wall)
    return None if mass is None else float(mass)


def _round_mass(bar: BarSheet, diameter: Any, wall: Any) -> Any:
    """Return the mass for diameters and walls in place of the bar's own [kg]."""
    material = find_material(_round_part(bar).material)
    if material is None:
        return None
    bore = 0.0 if wall is None else diameter - 2.0 * wall
    return material.density * math.pi / 4.0 * (diameter**2 - bore**2) * _length(bar)


def _length(bar: BarSheet) -> float:
    """Length of tube, or of a bent bar's centre line measured along its corners [m]."""
    if isinstance(bar, BladedBar):
        return bar.tube.length.value
    corners = np.array([[p.x.value, p.y.value, p.z.value] for p in bar.points])
    return float(np.linalg.norm(np.diff(corners, axis=0), axis=1).sum())


def _round_part(bar: BarSheet) -> Any:
    """Return what is round of a bar: the tube between the blades, or a bent bar itself."""
    return bar.tube if isinstance(bar, BladedBar) else bar


def _round(bar: BarSheet) -> tuple[float | None, float]:
    part = _round_part(bar)
    return None if part.wall is None else part.wall.value, part.outside_diameter.value


def _setting_variants(bar: BladedBar, setting: BarSetting) -> list[Variant]:
    if setting.right is not None:
        return []
    most = 0 if bar.spacer is None else bar.spacer.most
    found = []
    for words, hole, spacers in (
        ("next hole outwards", setting.hole - 1, setting.spacers),
        ("next hole inwards", setting.hole + 1, setting.spacers),
        ("one spacer more", setting.hole, setting.spacers + 1),
        ("one spacer less", setting.hole, setting.spacers - 1),
    ):
        if 1 <= hole <= len(bar.holes) and 0 <= spacers <= most:
            other = setting.model_copy(update={"hole": hole, "spacers": spacers})
            found.append(Variant(words, lambda b: b, other))
    return found


def _next_wall(wall: float, thicker: bool) -> float | None:
    # A wall as measured is rarely the sold size to the last digit: within 2 % it is the same one, no next
    # one.
    if thicker:
        return next((w for w in WALLS if w > wall * 1.02), None)
    return next((w for w in reversed(WALLS) if w < wall * 0.98), None)


def _scaled(quantity: Uncertain, factor: float) -> Uncertain:
    return Uncertain(array(quantity) * factor, quantity.std)  # type: ignore[arg-type]


# How a bar becomes another one; made whole by `partial`, since the bar comes with its tolerances in it.


def _with_round(bar: BarSheet, diameter: float = 1.0, wall: float = 1.0) -> BarSheet:
    part = _round_part(bar)
    other = None if part.wall is None else _scaled(part.wall, wall)
    return _replaced(bar, {"outside_diameter": _scaled(part.outside_diameter, diameter), "wall": other})


def _solid(bar: BarSheet, growth: float) -> BarSheet:
    diameter = _scaled(_round_part(bar).outside_diameter, growth)
    return _replaced(bar, {"outside_diameter": diameter, "wall": None})


def _hollow(bar: BarSheet, growth: float) -> BarSheet:
    diameter = _scaled(_round_part(bar).outside_diameter, growth)
    return _replaced(bar, {"outside_diameter": diameter, "wall": _scaled(diameter, 0.1)})


def _replaced(bar: BarSheet, update: dict[str, Any]) -> BarSheet:
    if isinstance(bar, FormedBar):
        return bar.model_copy(update=update)
    return bar.model_copy(update={"tube": bar.tube.model_copy(update=update)})


def _with_blade(bar: BarSheet, thicker: float) -> BarSheet:
    if isinstance(bar, FormedBar):
        return bar
    thick = bar.blade.thickness
    new = Uncertain(array(thick) + thicker, thick.std)  # type: ignore[arg-type]
    return bar.model_copy(update={"blade": bar.blade.model_copy(update={"thickness": new})})


# Which tube: rate against stress over diameter and wall.


DIAMETERS_EACH_WAY: Final = 2
"""Steps of `NEXT_DIAMETER` looked at on either side of the present diameter."""

MOST_UNLIKE: Final = 2.0
"""Sizes are looked at up to this factor on the present rate, either way."""


def tube_choices(car: CarSheet, axle: Axle, ladder: BarLadder) -> tuple[TubeChoice, ...]:
    """Return the present tube (or bent bar), those on the car's shelf, and sizes that are sold.

    All at the fitted setting, with one wheel in full bump and the other in full droop. Sizes are steps of
    `NEXT_DIAMETER` about the present diameter with every one of `WALLS` and solid; what cannot be built, or
    is of quite another rate, is left out.
    """
    bar = complete_bar(car.axle(axle).bar)
    if isinstance(bar, NoBar):
        return ()
    setting, now = fitted_setting(bar), ladder.fitted.rate.value or 0.0
    found = _sized("present", bar, bar, setting, ladder)
    if isinstance(bar, BladedBar):
        for tube in getattr(car.shelf, axle).tubes:
            if weld_problem(tube, bar.blade) is None:
                other = complete_bar(bar.model_copy(update={"tube": tube}))
                found += _sized("shelf", bar, other, setting, ladder)
    # All sizes in two sweeps of arrays, tubes and solid bars: one of these has no wall to hold a number.
    wall, diameter = _round(bar)
    steps = range(-DIAMETERS_EACH_WAY, DIAMETERS_EACH_WAY + 1)
    outer = [d for k in steps if 0.0 < (d := diameter + k * NEXT_DIAMETER) < _room(bar)]
    pairs = [(d, w) for d in outer for w in WALLS if 2.0 * w < d and (d, w) != (diameter, wall)]
    solid = [d for d in outer if (d, None) != (diameter, wall)]
    for diameters, walls in (([d for d, _ in pairs], [w for _, w in pairs]), (solid, None)):
        if diameters:
            update = {"outside_diameter": _many(diameters), "wall": None if walls is None else _many(walls)}
            sold = _sized("sold", bar, _replaced(bar, update), setting, ladder)
            found += [item for item in sold if now / MOST_UNLIKE < item.rate < now * MOST_UNLIKE]
    return tuple(found)


def _many(values: list[float]) -> Uncertain:
    return Uncertain(np.array(values), 0.0)  # type: ignore[arg-type]


def _room(bar: BarSheet) -> float:
    """Return the diameter that holes or bends leave no room for [m]."""
    if isinstance(bar, BladedBar):
        return 2.0 * bar.holes[-1].value
    return 2.0 * min((p.bend_radius.value for p in bar.points if p.bend_radius is not None), default=math.inf)


def _sized(
    kind: Literal["present", "shelf", "sold"],
    bar: BarSheet,
    other: Any,
    setting: BarSetting | None,
    ladder: BarLadder,
) -> list[TubeChoice]:
    """Return what one or many other sizes of a bar's round part give."""
    # A bench test was made of the fitted bar: other sizes carry its factor, with a doubt of their own.
    varied = statics.with_bench_of(bar, other)
    model, solution = statics.bar_model(varied, setting), statics.bar_solution(varied, setting)
    # The motion is that of levers and links; the tube has no part in it.
    motion, ratio = ladder.fitted.motion, float(array(varied.motion_ratio))
    per_rate = setups.full_force(1.0, linkage(model), ratio, motion, ladder.travel)
    force = solution.rate * per_rate * 2.0 / (1.0 + solution.loads.ratio)
    factor = safety_factor(stress_points(varied, model, solution), force)
    part = _round_part(varied)
    solid = part.wall is None
    # One size or many: numbers and arrays leave here alike.
    sizes = np.broadcast_arrays(
        array(part.outside_diameter), array(0.0 if solid else part.wall), solution.rate, factor
    )
    masses = _round_mass(varied, sizes[0], None if solid else sizes[1])
    return [
        TubeChoice(
            kind=kind,
            diameter=float(d),
            wall=None if solid else float(w),
            rate=float(k),
            stress_factor=float(f) if math.isfinite(f) else None,
            mass=None if m is None else float(m),
        )
        for d, w, k, f, m in zip(
            *(np.ravel(size) for size in sizes),
            [None] * sizes[0].size if masses is None else np.ravel(masses),
            strict=True,
        )
    ]


# Every setting of a bar, sorted by rate, with what it does to bar, axle and car.


STEERED: Final = (
    "front.bar: that link, spacers and blade clear the wheel at full lock, in droop and in bump, is not "
    "checked (no sheet describes the wheel); look at it on the car"
)


def bar_ladder(
    car: CarSheet,
    axle: Axle,
    fitted: BarSetting | None = None,
    lateral: float = results.STATED_LATERAL,
    banks: Sequence[float] | None = None,
) -> BarLadder | None:
    """Return every setting of an axle's bar; None when the axle has no bar.

    Parameters
    ----------
    car : CarSheet
        The car; the other axle's bar counts as fitted, too.
    axle : Axle
        Which bar.
    fitted : BarSetting or None
        What changes are counted from; None for the sheet's ``fitted``, or hole 1 without spacers.
    lateral : float
        Level-road lateral acceleration of the second stress figure and of the travel [g].
    banks : sequence of float or None
        Cross slopes for the use of travel [deg]; None for `EXAMPLE_BANKS`.

    Raises
    ------
    AnalyzerError
        One line when a bent bar cannot be.
    """
    setups.check_bars(car)
    sheet = car.axle(axle)
    bar = sheet.bar
    if isinstance(bar, NoBar):
        return None
    # Changes are counted from what is on the car; a sheet that does not say gets the softest hole.
    at = fitted_setting(bar) if fitted is None else fitted
    settings = _all_settings(bar, at)
    # All settings and parts go through one propagation, so that errors they share cancel in the changes.
    neighbours, solids = variants(bar, at), solid_comparison(bar, at)
    number = settings.index(at)
    found = propagate(
        car,
        lambda moved: _ladder_values(moved, axle, at, settings, (*neighbours, *solids)),
        tell=[f"rate {number}", f"stiffness {number}", f"gradient {number}"],
    )
    # A setting that lets gravity turn the car over has no gradient; it is refused before a row is made.
    for index in range(len(settings)):
        setups.check_upright(found.values[f"level {index}"])
    travel = setups.wheel_range(sheet, axle)
    rows = [
        _row(sheet, setting, index, found, travel, lateral, setting == at)
        for index, setting in enumerate(settings)
    ]
    first = len(neighbours)
    motion, setup = rows[0].motion, _setup(car, axle, at)
    return BarLadder(
        axle=axle,
        kind=bar.kind,
        rows=tuple(sorted(rows, key=lambda row: row.rate.value or 0.0)),
        what_if=tuple(_what_if(bar, v, i, found) for i, v in enumerate(neighbours)),
        comparison=tuple(_what_if(bar, v, first + i, found) for i, v in enumerate(solids)),
        bench=_bench(bar, found),
        preload=setups.bar_preload(car, setup, axle),
        travel=travel,
        use=_travel_uses(car, axle, setup, lateral, results.EXAMPLE_BANKS if banks is None else banks),
        further={
            key.removesuffix(f"_{axle}"): estimate
            for key, estimate in setups.predict_setup(car, "fitted", setup).further.items()
            if key.endswith(f"_{axle}")
        },
        assumed=(
            *found.assumed,
            *travel.assumed,
            *(f"{axle}.bar.{line}" for line in (*motion.assumed, *weld_taken(bar))),
            *((STEERED,) if axle == "front" else ()),
        ),
    )


def tried_setting(
    saved: CarSheet,
    tried: CarSheet,
    axle: Axle,
    setting: BarSetting | None,
) -> TriedSetting:
    """Return one setting of a bar that is being thought about, its change counted from the fitted one.

    Parameters
    ----------
    saved, tried : CarSheet
        The car as it is, and with another wall, hole or blade in the bar of this axle.
    axle : Axle
        Which bar.
    setting : BarSetting or None
        Hole and spacers; None for a bent bar.

    Returns
    -------
    TriedSetting
        Its row as in a ladder of `tried`; ``change`` is against the fitted setting of `saved` [%], with the
        errors of what both bars share cancelled.

    Raises
    ------
    AnalyzerError
        One line when there is no such bar or setting.
    """
    setups.check_bars(tried)
    sheet, fitted = tried.axle(axle), fitted_setting(saved.axle(axle).bar)
    if isinstance(sheet.bar, NoBar) or isinstance(saved.axle(axle).bar, NoBar):
        raise AnalyzerError(f"{axle}.bar: there is no bar; write its kind and sizes in the car sheet")
    problem = setups.check_setup(tried, "tried", _setup(tried, axle, setting))
    if problem is not None:
        raise AnalyzerError(f"{problem.key}: {problem.problem}; {problem.remedy}")
    # What both bars have in common moves together, so that its error drops out of their ratio.
    before, _ = complete_car(saved)
    place = f"{axle}.bar"
    known = dict(sheet_quantities(before.axle(axle).bar, place))
    now = sheet_quantities(complete_car(tried)[0].axle(axle).bar, place)
    shared = {key for key, value in now if known.get(key) == value}

    def values(moved: CarSheet) -> Values:
        parts = sheet_quantities(moved.axle(axle).bar, place)
        base = replace_values(before, {key: part.value for key, part in parts if key in shared})
        found = dict(_ladder_values(moved, axle, setting, [setting], ()))
        found["change 0"] = found["rate 0"] / statics.axle_bar_rate(base.axle(axle), fitted) - 1.0
        part = moved.axle(axle)
        gap = array(0.0 if part.damper.bump_stop_gap is None else part.damper.bump_stop_gap)
        # The outer damper's way to its stop on a level road, with the error of the same sheet.
        roll = found["gradient 0"] * results.STATED_LATERAL * STANDARD_GRAVITY
        lean = static_motion_ratio(part.damper_motion_ratio) * roll * array(part.track_width) / 2.0
        return found | {"lean": lean, "margin": gap - lean}

    found = propagate(tried, values)
    setups.check_upright(found.values["level 0"])
    range_of_wheels, lateral = setups.wheel_range(sheet, axle), results.STATED_LATERAL
    return TriedSetting(
        row=_row(sheet, setting, 0, found, range_of_wheels, lateral, setting == fitted),
        roll=found.estimate("lean", "mm", MM_PER_M),
        margin=setups.margin_estimate(tried, axle, found, "margin"),
    )


def _travel_uses(
    car: CarSheet, axle: Axle, setup: Setup, lateral: float, banks: Sequence[float]
) -> tuple[BankUse, ...]:
    """Return what the outer damper's travel is used for at the same acceleration, level and banked."""
    outer: Corner = "FR" if axle == "front" else "RR"
    found = []
    for degrees in banks:
        use = setups.banked_travel(car, setup, math.radians(degrees), lateral * STANDARD_GRAVITY)[outer]
        found.append(BankUse(degrees, lateral, use))
    return tuple(found)


def fitted_setting(bar: BladedBar | FormedBar | NoBar) -> BarSetting | None:
    """Return what the sheet says is fitted: hole 1 without spacers if nothing; None for other bars."""
    if not isinstance(bar, BladedBar):
        return None
    return BarSetting() if bar.fitted is None else bar.fitted


@dataclass(frozen=True, slots=True)
class SheetWeight:
    """How much one value of a car sheet counts in what is predicted of the car.

    Parameters
    ----------
    std : float
        Standard uncertainty that was taken, stated or by default [SI]; the largest of a list's entries.
    share : float
        Part of the variance of an axle's roll gradient, of the axle that it matters more for.
    gradient : float
        What one such error makes of that roll gradient, as part of it.
    change : float or None
        What it makes of the change in its axle's roll gradient that moving a bar from its fitted hole to the
        farthest one is predicted to bring, as part of that change, of the axle that it matters more for; None
        without such a bar.
    """

    std: float
    share: float
    gradient: float
    change: float | None


def sheet_weights(car: CarSheet) -> dict[str, SheetWeight]:
    """Return how much each value of a car sheet counts, by dotted key without the number of an entry.

    Entries of a list count as independent of each other: their parts are summed as squares.
    """
    # The farthest hole, since the change it makes is the largest that the bar can be tried with.
    others = {axle: other for axle in AXLES if (other := _farthest(car.axle(axle).bar)) is not None}

    def figures(moved: CarSheet) -> Values:
        here = setups.setup_values(moved, _setup(car, "front", fitted_setting(car.front.bar)))
        values = {f"body gradient {axle}": here[f"body gradient {axle}"] for axle in AXLES}
        for axle, other in others.items():
            there = setups.setup_values(moved, _setup(car, axle, other))
            values[f"change {axle}"] = there[f"body gradient {axle}"] / here[f"body gradient {axle}"]
        return values

    found = propagate(car, figures, tell=())
    # Errors are told as parts of a figure: of the gradient itself, and of the change, which is a ratio less
    # one.
    sizes = {f"body gradient {axle}": found.values[f"body gradient {axle}"] for axle in AXLES}
    sizes |= {f"change {axle}": found.values[f"change {axle}"] - 1.0 for axle in others}
    stds = {item.key: item.std for item in sheet_inputs(complete_car(car)[0])}
    # Readings of one table stand in the sheet as one key, and are measured in one go.
    columns: dict[str, list[int]] = {}
    for index, key in enumerate(found.inputs):
        columns.setdefault(key.partition("[")[0], []).append(index)
    weights = {}
    for key, places in columns.items():
        squares = dict(zip(found.names, (found.contribution[:, places] ** 2).sum(axis=1), strict=True))
        part = {name: math.sqrt(squares[name]) / abs(size) for name, size in sizes.items() if size != 0.0}
        weights[key] = SheetWeight(
            std=max(stds[found.inputs[index]] for index in places),
            share=max(
                float(squares[name] / found.std(name) ** 2) if found.std(name) else 0.0
                for name in found.names
                if name.startswith("body")
            ),
            gradient=max(value for name, value in part.items() if name.startswith("body")),
            change=max((value for name, value in part.items() if name.startswith("change")), default=None),
        )
    return weights


def _farthest(bar: BladedBar | FormedBar | NoBar) -> BarSetting | None:
    """Return the setting at the hole farthest from the fitted one; None for a bar without a second hole."""
    fitted = fitted_setting(bar)
    if not isinstance(bar, BladedBar) or fitted is None or len(bar.holes) < 2:
        return None
    hole = max((1, len(bar.holes)), key=lambda hole: abs(hole - fitted.hole))
    return fitted.model_copy(update={"hole": hole, "right": None})


def _all_settings(bar: BarSheet, fitted: BarSetting | None) -> list[BarSetting | None]:
    if isinstance(bar, FormedBar) or fitted is None:
        return [None]
    most = 0 if bar.spacer is None else bar.spacer.most
    every: list[BarSetting | None] = [
        fitted.model_copy(update={"hole": hole, "spacers": spacers, "right": None})
        for hole in range(1, len(bar.holes) + 1)
        for spacers in range(most + 1)
    ]
    return every if fitted in every else [*every, fitted]


def _setup(car: CarSheet, axle: Axle, setting: BarSetting | None) -> Setup:
    bars = {f"{a}_bar": fitted_setting(car.axle(a).bar) for a in AXLES}
    return Setup.model_validate({**bars, f"{axle}_bar": setting})


def _ladder_values(
    car: CarSheet,
    axle: Axle,
    fitted: BarSetting | None,
    settings: list[BarSetting | None],
    others: tuple[Variant, ...],
) -> Values:
    sheet = car.axle(axle)
    rest: Axle = "rear" if axle == "front" else "front"
    rest_sheet = car.axle(rest)
    # The other axle stays as it is fitted: gradients of one axle depend on both.
    rest_rate = statics.axle_bar_rate(rest_sheet, fitted_setting(rest_sheet.bar))
    base = statics.axle_bar_rate(sheet, fitted)
    values: dict[str, Any] = {}
    for index, setting in enumerate(settings):
        rate = base if setting == fitted else statics.axle_bar_rate(sheet, setting)
        rates: dict[Axle, Any] = {axle: rate, rest: rest_rate}
        roll = car_roll(car, rates)
        values[f"rate {index}"] = rate
        values[f"level {index}"] = roll.level
        values[f"change {index}"] = rate / base - 1.0
        values[f"stiffness {index}"] = roll.axles[axle].stiffness
        values[f"gradient {index}"] = roll.axles[axle].suspension * roll.level
    # Other parts change the bar only; what they do to the car follows from the rate.
    for index, variant in enumerate(others):
        if isinstance(sheet.bar, NoBar):
            raise ValueError("no bar to vary")
        # A bench test is one of the fitted bar; the variant only carries its factor.
        varied = statics.with_bench_of(sheet.bar, variant.apply(sheet.bar))
        other = statics.bar_solution(varied, variant.setting).rate
        values[f"variant {index}"] = other
        values[f"variant change {index}"] = other / base - 1.0
    if not isinstance(sheet.bar, NoBar) and sheet.bar.bench is not None and sheet.bar.bench.rate is not None:
        values["bench computed"] = statics.computed_bench_rate(sheet.bar)
        values["bench ratio"] = statics.bench_factor(sheet.bar)
    return values


def _row(
    sheet: AxleSheet,
    setting: BarSetting | None,
    index: int,
    found: Propagated,
    travel: WheelRange,
    lateral: float,
    fitted: bool,
) -> LadderRow:
    bar = complete_bar(sheet.bar)
    if isinstance(bar, NoBar):
        raise ValueError("no bar")
    loaded = setups.loaded_bar(bar, setting, travel)
    solution = loaded.solution
    gradient = found.values[f"gradient {index}"]
    roll_travel = gradient * STANDARD_GRAVITY * lateral * sheet.track_width.value / 2.0
    # Two loads: one wheel in full bump and the other in full droop, which is the most the car can ask, and
    # the stated cornering.
    rolled = float(solution.rate) * float(array(bar.motion_ratio)) * roll_travel
    stress = _stress_rows(stress_points(bar, loaded.model, solution), (loaded.force, loaded.share * rolled))
    factors = [row.factor for row in stress if row.factor is not None]
    return LadderRow(
        hole=None if setting is None else setting.hole,
        spacers=None if setting is None else setting.spacers,
        right=None
        if setting is None or setting.right is None
        else (setting.right.hole, setting.right.spacers),
        setting=statics.setting_in_words(setting, bar),
        fitted=fitted,
        rate=found.estimate(f"rate {index}", "N/m"),
        change=found.estimate(f"change {index}", "%", 100.0),
        compliance={part: float(value) for part, value in solution.compliance.items()},
        roll_stiffness=found.estimate(f"stiffness {index}", "N m/deg", setups.NM_PER_DEG),
        roll_gradient=found.estimate(f"gradient {index}", "deg/g", RAD_PER_MPS2_TO_DEG_PER_G),
        stress_factor=min(factors) if factors else None,
        stress=stress,
        motion=loaded.motion,
    )


MOST_CYCLES: Final = 1e9
"""Cycles above which a design curve says nothing."""


def _stress_rows(points: Any, forces: tuple[float, float]) -> tuple[StressRow, ...]:
    rows = []
    for point in points:
        full, stated = (float(point.per_force) * abs(force) for force in forces)
        strength = None if math.isnan(point.yield_strength) else point.yield_strength
        # What yields gets another shape and other stresses; no curve of cycles holds for it.
        holds = strength is not None and stated < strength and point.metal is not None
        cycles = math.inf
        if holds and point.metal is not None:
            cycles = fatigue_cycles(2.0 * stated, point.welded, point.metal)
        rows.append(
            StressRow(
                place=point.place,
                full_travel=full,
                stated_lateral=stated,
                yield_strength=strength,
                factor=strength / full if strength is not None and full > 0.0 else None,
                stated_factor=strength / stated if strength is not None and stated > 0.0 else None,
                cycles=cycles if cycles < MOST_CYCLES else None,
            )
        )
    return tuple(rows)


def _what_if(bar: BarSheet, variant: Variant, index: int, found: Propagated) -> WhatIf:
    return WhatIf(
        change=variant.change,
        rate=found.estimate(f"variant {index}", "N/m"),
        ratio=found.estimate(f"variant change {index}", "%", 100.0),
        mass=round_mass(variant.apply(bar)),
    )


def _bench(bar: BarSheet, found: Propagated) -> BenchComparison | None:
    if bar.bench is None:
        return None
    if bar.bench.rate is None:
        # Readings give the rate with its scatter; a rate that the sheet states has but the error written
        # there.
        measured = statics.bench_result(bar.bench).rate
    else:
        # Measured with one eye held: with both moving against each other the bar is twice as stiff at a link.
        held = bar.bench.rate
        std = None if held.std is None else 2.0 * held.std
        half = None if std is None else (2.0 * held.value - NORMAL * std, 2.0 * held.value + NORMAL * std)
        notes = () if std is not None else ("the sheet states no ± for bench.rate",)
        method = "bench rate as stated in the sheet"
        measured = Estimate(2.0 * held.value, "N/m", std, half, method=method, notes=notes)
    blades = isinstance(bar, BladedBar)
    return BenchComparison(
        hole=bar.bench.hole if blades else None,
        spacers=bar.bench.spacers if blades else None,
        measured=measured,
        computed=found.estimate("bench computed", "N/m"),
        ratio=found.estimate("bench ratio", "1"),
        used=bar.bench.use,
        remarks=statics.bench_remarks(bar, found.values["bench ratio"], found.std("bench ratio")),
    )


def travel_curve(row: LadderRow) -> tuple[list[float], list[float]]:
    """Return opposite wheel travel [m] and rate at the link [N/m] as far as the link follows."""
    good = ~np.isnan(row.motion.rate)
    return [float(v) for v in row.motion.opposite[good]], [float(v) for v in row.motion.rate[good]]
