"""Every setting of a bar, sorted by rate, with what it does to bar, axle and car."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from analyzer.constants import AXLES, STANDARD_GRAVITY, Axle, Corner
from analyzer.estimate import Estimate
from analyzer.prediction.axle import car_roll
from analyzer.prediction.bench import BenchResult, bench_result
from analyzer.prediction.bladed import array
from analyzer.prediction.check import check_bars
from analyzer.prediction.complete import complete_bar
from analyzer.prediction.ladder_results import (
    EXAMPLE_BANKS,
    STATED_LATERAL,
    BankUse,
    BarLadder,
    BenchComparison,
    LadderRow,
    StressRow,
    WhatIf,
)
from analyzer.prediction.motion import BarMotion, Linkage, bar_motion, linkage
from analyzer.prediction.preload import bar_preload
from analyzer.prediction.propagation import Propagated, Values, propagate
from analyzer.prediction.rate import (
    axle_bar_rate,
    bar_model,
    bar_solution,
    computed_bench_rate,
    setting_in_words,
)
from analyzer.prediction.setup import NM_PER_DEG, check_upright, predict_setup
from analyzer.prediction.stress import fatigue_cycles, stress_points
from analyzer.prediction.travel import WheelRange, banked_travel, wheel_range
from analyzer.prediction.variants import BarSheet, Variant, round_mass, solid_comparison, variants
from analyzer.sheets.bar import BladedBar, FormedBar, NoBar
from analyzer.sheets.car import AxleSheet, CarSheet
from analyzer.sheets.session import BarSetting, Setup
from analyzer.units import RAD_PER_MPS2_TO_DEG_PER_G


def bar_ladder(
    car: CarSheet,
    axle: Axle,
    fitted: BarSetting | None = None,
    lateral: float = STATED_LATERAL,
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
    check_bars(car)
    sheet = car.axle(axle)
    bar = sheet.bar
    if isinstance(bar, NoBar):
        return None
    at = fitted_setting(bar) if fitted is None else fitted
    settings = _all_settings(bar, at)
    neighbours, solids = variants(bar, at), solid_comparison(bar, at)
    number = settings.index(at)
    found = propagate(
        car,
        lambda moved: _ladder_values(moved, axle, at, settings, (*neighbours, *solids)),
        tell=[f"rate {number}", f"stiffness {number}", f"gradient {number}"],
    )
    for index in range(len(settings)):
        check_upright(found.values[f"level {index}"])
    travel = wheel_range(sheet, axle)
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
        preload=bar_preload(car, setup, axle),
        travel=travel,
        use=_travel_uses(car, axle, setup, lateral, EXAMPLE_BANKS if banks is None else banks),
        further={
            key.removesuffix(f"_{axle}"): estimate
            for key, estimate in predict_setup(car, "fitted", setup).further.items()
            if key.endswith(f"_{axle}")
        },
        assumed=(*found.assumed, *travel.assumed, *(f"{axle}.bar.{line}" for line in motion.assumed)),
    )


def _travel_uses(
    car: CarSheet, axle: Axle, setup: Setup, lateral: float, banks: Sequence[float]
) -> tuple[BankUse, ...]:
    """Return what the outer damper's travel is used for at the same acceleration, level and banked."""
    outer: Corner = "FR" if axle == "front" else "RR"
    found = []
    for degrees in banks:
        use = banked_travel(car, setup, math.radians(degrees), lateral * STANDARD_GRAVITY)[outer]
        found.append(BankUse(degrees, lateral, use))
    return tuple(found)


def fitted_setting(bar: BladedBar | FormedBar | NoBar) -> BarSetting | None:
    """Return what the sheet says is fitted: hole 1 without spacers if nothing; None for other bars."""
    if not isinstance(bar, BladedBar):
        return None
    return BarSetting() if bar.fitted is None else bar.fitted


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
    rest_rate = axle_bar_rate(rest_sheet, fitted_setting(rest_sheet.bar))
    base = axle_bar_rate(sheet, fitted)
    values: dict[str, Any] = {}
    for index, setting in enumerate(settings):
        rate = axle_bar_rate(sheet, setting)
        rates: dict[Axle, Any] = {axle: rate, rest: rest_rate}
        roll = car_roll(car, rates)
        values[f"rate {index}"] = rate
        values[f"level {index}"] = roll.level
        values[f"change {index}"] = rate / base - 1.0
        values[f"stiffness {index}"] = roll.axles[axle].stiffness
        values[f"gradient {index}"] = roll.axles[axle].suspension * roll.level
    for index, variant in enumerate(others):
        if isinstance(sheet.bar, NoBar):
            raise ValueError("no bar to vary")
        other = bar_solution(variant.apply(sheet.bar), variant.setting).rate
        values[f"variant {index}"] = other
        values[f"variant change {index}"] = other / base - 1.0
    if not isinstance(sheet.bar, NoBar) and sheet.bar.bench is not None and sheet.bar.bench.rate is not None:
        computed = computed_bench_rate(sheet.bar)
        values["bench computed"] = computed
        values["bench ratio"] = 2.0 * array(sheet.bar.bench.rate) / computed
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
    solution, model = bar_solution(bar, setting), bar_model(bar, setting)
    rate = float(solution.rate)
    ratio = float(array(bar.motion_ratio))
    static = linkage(model)
    motion = bar_motion(rate, static, bar.link, ratio, travel.bump, travel.droop)
    gradient = found.values[f"gradient {index}"]
    roll_travel = gradient * STANDARD_GRAVITY * lateral * sheet.track_width.value / 2.0
    forces = (_full_force(rate, static, ratio, motion, travel), rate * ratio * roll_travel)
    # The left link of an unequal pair carries less or more than the mean.
    share = 2.0 / (1.0 + float(solution.loads.ratio))
    stress = _stress_rows(stress_points(bar, model, solution), (forces[0] * share, forces[1] * share))
    factors = [row.factor for row in stress if row.factor is not None]
    return LadderRow(
        hole=None if setting is None else setting.hole,
        spacers=None if setting is None else setting.spacers,
        right=None
        if setting is None or setting.right is None
        else (setting.right.hole, setting.right.spacers),
        setting=setting_in_words(setting, bar),
        fitted=fitted,
        rate=found.estimate(f"rate {index}", "N/m"),
        change=found.estimate(f"change {index}", "%", 100.0),
        compliance={part: float(value) for part, value in solution.compliance.items()},
        roll_stiffness=found.estimate(f"stiffness {index}", "N m/deg", NM_PER_DEG),
        roll_gradient=found.estimate(f"gradient {index}", "deg/g", RAD_PER_MPS2_TO_DEG_PER_G),
        stress_factor=min(factors) if factors else None,
        stress=stress,
        motion=motion,
    )


def _full_force(rate: float, static: Linkage, ratio: float, motion: BarMotion, travel: WheelRange) -> float:
    """Return the link force with one wheel in full bump and the other in full droop [N].

    The bar's torque follows from the levers' relative turn; a link that cannot follow that far gives the
    small-angle figure.
    """
    if motion.twist is None:
        return rate * ratio * (travel.bump + travel.droop) / 2.0
    return rate * static.effective_lever * motion.twist / 2.0


def _stress_rows(points: Any, forces: tuple[float, float]) -> tuple[StressRow, ...]:
    rows = []
    for point in points:
        full, stated = (float(point.per_force) * abs(force) for force in forces)
        known = not math.isnan(point.yield_strength) and full > 0.0
        cycles = fatigue_cycles(2.0 * stated, point.welded)
        rows.append(
            StressRow(
                place=point.place,
                full_travel=full,
                stated_lateral=stated,
                factor=point.yield_strength / full if known else None,
                cycles=cycles if cycles < 1e9 else None,
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
        result: BenchResult = bench_result(bar.bench)
        measured = result.rate
    else:
        held = bar.bench.rate
        std = None if held.std is None else 2.0 * held.std
        half = None if std is None else (2.0 * held.value - 1.96 * std, 2.0 * held.value + 1.96 * std)
        notes = () if std is not None else ("the sheet states no ± for bench.rate",)
        method = "bench rate as stated in the sheet"
        measured = Estimate(2.0 * held.value, "N/m", std, half, method=method, notes=notes)
    return BenchComparison(
        measured=measured,
        computed=found.estimate("bench computed", "N/m"),
        ratio=found.estimate("bench ratio", "1"),
        used=bar.bench.use,
    )


def travel_curve(row: LadderRow) -> tuple[list[float], list[float]]:
    """Return opposite wheel travel [m] and rate at the link [N/m] as far as the link follows."""
    good = ~np.isnan(row.motion.rate)
    return [float(v) for v in row.motion.opposite[good]], [float(v) for v in row.motion.rate[good]]
