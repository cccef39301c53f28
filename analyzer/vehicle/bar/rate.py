"""Rate of whatever bar an axle has, at whatever setting, computed or by the builder's bench test."""

import math
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np
from pydantic import PrivateAttr

from analyzer.core.estimate import Estimate
from analyzer.core.regression import half_width
from analyzer.core.units import AXLES, DEG_PER_RAD, Axle, Uncertain
from analyzer.sheets.bar import BenchTest, BladedBar, FormedBar, NoBar
from analyzer.sheets.car import AxleSheet, CarSheet
from analyzer.sheets.session import BarSetting, Setup, SideSetting
from analyzer.vehicle.bar.beam import BarModel, BarSolution, solve
from analyzer.vehicle.bar.pieces import blade_state, blade_states, bladed_model, formed_model
from analyzer.vehicle.bar.section import Array, array

BarSheet = BladedBar | FormedBar
Setting = BarSetting | Literal["off"] | None


def bar_rates(car: CarSheet, setup: Setup) -> dict[Axle, float]:
    """Return the rate at one link of each bar, the other link moving as far the other way [N/m].

    0.0 where there is no bar or its links are unhooked. With arrays in the sheet (`propagate`) the
    values are arrays of the same shape.
    """
    return {axle: axle_bar_rate(car.axle(axle), setup.bar(axle)) for axle in AXLES}


def axle_bar_rate(axle: AxleSheet, setting: Setting) -> float:
    """Return the rate at one link [N/m] of an axle's bar as set; 0.0 when none or off."""
    if isinstance(axle.bar, NoBar) or setting == "off":
        return 0.0
    rate = bar_solution(axle.bar, setting).rate
    return rate if rate.ndim else float(rate)  # type: ignore[return-value]


def bar_solution(bar: BarSheet, setting: Setting) -> BarSolution:
    """Return rate and compliance of a bar as set, corrected to its bench test where the sheet says so.

    The correction is that of `carried_factor`; what is left over in the compliance
    is listed as ``bench correction``.
    """
    solution = solve(bar_model(bar, setting))
    if bar.bench is None or not bar.bench.use:
        return solution
    rate = np.asarray(solution.rate * carried_factor(bar, solution))
    left_over = np.asarray(1.0 / rate - 1.0 / solution.rate)
    return BarSolution(rate, {**solution.compliance, "bench correction": left_over}, solution.loads)


def bar_model(bar: BarSheet, setting: Setting) -> BarModel:
    """Return the statics model of a bar as set; a formed bar has only one setting."""
    if isinstance(bar, FormedBar):
        return formed_model(bar)
    if not isinstance(setting, BarSetting):
        raise ValueError("a bladed bar needs its setting")
    return bladed_model(bar, *blade_states(bar, setting))


def setting_in_words(setting: Setting, bar: BladedBar | FormedBar | NoBar) -> str:
    """Return "hole 2, 1 spacer", "left hole 1, 0 spacers; right ...", "as built", "off" or "none"."""
    if isinstance(bar, NoBar):
        return "none"
    if setting == "off":
        return "off"
    if isinstance(bar, FormedBar) or setting is None:
        return "as built"
    left = _side_in_words(setting)
    return left if setting.right is None else f"left {left}; right {_side_in_words(setting.right)}"


def _side_in_words(side: BarSetting | SideSetting) -> str:
    words = f"hole {side.hole}, {side.spacers} spacer{'' if side.spacers == 1 else 's'}"
    return words if side.turn is None else f"{words}, turned {side.turn.value * DEG_PER_RAD:.0f} deg"


# What a bench test shows of the bar that was tested, and how far it goes for variants of that bar.
#
# The readings: loads on one link eye, the other one held.


METHOD: Final = "bench test: straight line through deflection over load, Student interval"

READ_TO: Final = 1e-4
"""Step to which deflections are taken as read where the sheet states none [m]: rule or caliper (engineering
judgement)."""

NORMAL: Final = 1.96
"""Quantile of the 95 % interval of readings stated as exact."""

EVEN: Final = 1.0 / math.sqrt(12.0)
"""Standard uncertainty of a reading as part of its step: even spread (JCGM 100:2008, F.2.2.1)."""


@dataclass(frozen=True, slots=True)
class BenchResult:
    """What the readings of a bench test give.

    Parameters
    ----------
    held_rate, held_rate_std : float
        Load per deflection with the other eye held [N/m]; half the bar's rate with both eyes moving.
    readings : int
        Number of readings.
    residual : float
        Scatter of the deflections about the line [m], or what their resolution makes when that is more.
    quantile : float
        Quantile of the 95 % interval: Student's, nearer to the normal one the more of the scatter is known
        to be the resolution.
    """

    held_rate: float
    held_rate_std: float
    readings: int
    residual: float
    quantile: float

    @property
    def rate(self) -> Estimate:
        """Rate with both eyes moving opposite ways [N/m]: twice the held one."""
        value, std = 2.0 * self.held_rate, 2.0 * self.held_rate_std
        interval = (value - self.quantile * std, value + self.quantile * std)
        return Estimate(value, "N/m", std, interval, n=self.readings, method=METHOD)


def bench_result(bench: BenchTest) -> BenchResult:
    """Return the held rate from loads and deflections, by least squares of deflection on load.

    The loads are weighed and count as exact; friction of the stand shows up as scatter, which is never taken
    as less than the resolution of the readings leaves open. An intercept is fitted, so the first reading need
    not be zero.
    """
    load = np.array([item.value for item in bench.loads])
    deflection = np.array([item.value for item in bench.deflections])
    # Deflection on load and not the other way round: the weights are exact, the gauge is read with an error.
    slope, residual = _line(load, deflection)
    spread = float(np.sqrt(np.sum((load - load.mean()) ** 2)))
    least = _reading_error(bench)
    # Only what scatters beyond the resolution costs degrees of freedom; the resolution itself is known.
    own = math.sqrt(max(residual**2 - least**2, 0.0))
    residual = max(residual, least)
    return BenchResult(
        held_rate=1.0 / slope,
        held_rate_std=residual / spread / slope**2,
        readings=len(load),
        residual=residual,
        quantile=half_width(own, len(load) - 2, least) / residual if residual > 0.0 else NORMAL,
    )


def read_to(bench: BenchTest) -> float:
    """Return the step to which deflections are read [m], `READ_TO` where the sheet states none."""
    return READ_TO if bench.resolution is None else bench.resolution.value


def _reading_error(bench: BenchTest) -> float:
    """Return the standard uncertainty of one deflection: its own ± where stated, its resolution else [m]."""
    step = EVEN * read_to(bench)
    squares = [(step if item.std is None else item.std) ** 2 for item in bench.deflections]
    return math.sqrt(sum(squares) / len(squares))


def _line(load: Array, deflection: Array) -> tuple[float, float]:
    """Return slope [m/N] and scatter [m] of the straight line through the readings."""
    centred = load - load.mean()
    slope = float(centred @ deflection / (centred @ centred))
    rest = deflection - deflection.mean() - slope * centred
    # Two readings lie on their line; they leave no scatter to see.
    return slope, float(np.sqrt(rest @ rest / max(len(load) - 2, 1)))


# What a test goes for: one factor, measured / computed, for the bar that was tested and its variants.


LEAST_DOUBT: Final = 0.03
"""Relative error that any part of a bar is granted, even where the test agrees with the computed rate
(engineering judgement)."""

OUTSIDE: Final = "outside the model"
"""What gives way and is in no part: clamps, welds, brackets."""

DOUBTED: Final = (
    OUTSIDE,
    "tube torsion",
    "tube bending",
    "blade bending",
    "blade twist",
    "blade seat",
    "bolt bending",
    "bar torsion",
    "bar bending",
    "mounts",
    "links",
    "shear",
    "stretch",
)
"""Where the difference between test and computed rate may sit."""


class CompleteBench(BenchTest):
    """A bench test that is used, with the bar it was made on and the doubt about where its factor sits."""

    doubt: dict[str, Uncertain] = {}  # noqa: RUF012 (pydantic copies it)
    """Part -> 0 ± 1: how far off this part is, in units of what the test showed; moved by `propagate`."""
    _tested: Any = PrivateAttr(default=None)


def complete_bench(bench: BenchTest) -> BenchTest:
    """Return a bench test that states its rate, and where it is used also what is in doubt about it."""
    if bench.rate is None:
        result = bench_result(bench)
        bench = bench.model_copy(update={"rate": Uncertain(result.held_rate, result.held_rate_std)})
    if not bench.use or isinstance(bench, CompleteBench):
        return bench
    doubt = {part: Uncertain(0.0, 1.0) for part in DOUBTED}
    return CompleteBench.model_construct(**dict(bench), doubt=doubt)


def with_bench_of(tested: BarSheet, other: BarSheet) -> BarSheet:
    """Return a variant of a tested bar (other tube, wall, blade) to which the bench test is carried over.

    The test stays that of the bar `tested`; a variant of it can be varied again. A test that is not used is
    left behind.
    """
    bench = tested.bench
    if bench is None or not bench.use:
        return other.model_copy(update={"bench": None})
    if not isinstance(bench, CompleteBench):
        bench = CompleteBench.model_construct(**dict(bench))
    carried = bench.model_copy()
    carried._tested = _tested_bar(tested)
    return other.model_copy(update={"bench": carried})


def _tested_bar(bar: BarSheet) -> BarSheet:
    """Return the bar that stood on the bench: this one, or the one it is a variant of."""
    tested: BarSheet | None = bar.bench._tested if isinstance(bar.bench, CompleteBench) else None
    return bar if tested is None else tested


def computed_bench_rate(bar: BarSheet) -> Array:
    """Return the computed rate of the tested bar at the test's setting, both links moving [N/m]."""
    return _test_solution(bar).rate


def _test_solution(bar: BarSheet) -> BarSolution:
    tested = _tested_bar(bar)
    if tested.bench is None:
        raise ValueError("the bar has no bench test")
    if isinstance(tested, FormedBar):
        return solve(formed_model(tested))
    state = blade_state(tested, tested.bench.hole, tested.bench.spacers)
    return solve(bladed_model(tested, state, state))


def bench_factor(bar: BarSheet) -> Array:
    """Return measured / computed rate of the bench test; measured with one end held is half the rate."""
    if bar.bench is None:
        raise ValueError("the bar has no bench test")
    held = bench_result(bar.bench).held_rate if bar.bench.rate is None else array(bar.bench.rate)
    return np.asarray(2.0 * held / computed_bench_rate(bar))


def carried_factor(bar: BarSheet, solution: BarSolution) -> Array:
    """Return the factor on the computed rate of a setting or variant of a tested bar.

    The factor is that of the bar and setting tested. Why it differs from one is not known: the cause may sit
    in any part, or outside of all. Where the compliance of a variant is shared among its parts in another
    way, or is another in size, the factor would be another one; each cause counts with `LEAST_DOUBT` and the
    factor's own distance from one together (engineering judgement). So the variant's rate gets an extra
    relative error of

        sqrt((f - 1)^2 + 0.03^2) sqrt((rate / tested rate - 1)^2 + sum of (share - tested share)^2),

    the shares being each part's part of the compliance. It is zero for the bar and setting tested; variants
    share its causes, so that in the change from one to another only what differs counts.

    Parameters
    ----------
    bar : BladedBar or FormedBar
        With its bench test.
    solution : BarSolution
        Computed, without the test.
    """
    factor, test = bench_factor(bar), _test_solution(bar)
    doubt = bar.bench.doubt if isinstance(bar.bench, CompleteBench) else {}
    if not doubt:
        return factor
    # A variant that gives in the same places and as much gets the factor as it is: only what differs is in
    # doubt.
    moved = {OUTSIDE: np.asarray(solution.rate / test.rate - 1.0)}
    for part in {**solution.compliance, **test.compliance}:
        now, then = (found.compliance.get(part, np.asarray(0.0)) * found.rate for found in (solution, test))
        moved[part] = np.asarray(now - then)
    size = np.hypot(factor - 1.0, LEAST_DOUBT)
    causes = sum((array(doubt[part]) * way for part, way in moved.items()), np.asarray(0.0))
    return np.asarray(factor * (1.0 + size * causes))


# What speaks against a test: readings that do not belong together, a ratio that no tolerance explains.


SCATTERED: Final = 0.05
"""Relative standard error of the rate from which readings are said to scatter (engineering judgement)."""

STRANGE: Final = 3.0
"""Standard errors (of sheet and readings together) from which a ratio is not explained by tolerances."""

LEAST_STRANGE: Final = 0.10
"""Distance of the ratio from one that is never called strange."""

NEAR_MISTAKE: Final = 0.2
"""How near, as a logarithm, a strange ratio must come to 2 or 1/2 for that mistake to be named."""

NEAR_SETTING: Final = 0.04
"""The same for the ratio that another hole or spacer would give, at least."""

SLACK_PART: Final = 1.0 / 3.0
"""The first reading counts as slack when the scatter of the others is under this part of that of all."""

RemarkKind = Literal[
    "strange ratio", "twice", "half", "other setting", "slack", "scatter", "repeated", "out of step"
]


@dataclass(frozen=True, slots=True)
class BenchRemark:
    """Something about a bench test that makes a mistake likely.

    Parameters
    ----------
    kind : RemarkKind
        ``strange ratio``: measured / computed is further from one than tolerances explain. With it what may
        be behind: ``twice`` and ``half``, the factor two of one end held; ``other setting``, links in another
        hole or on other spacers. From the readings: ``slack``, play taken in with the first load;
        ``scatter``; ``repeated``, one load twice running; ``out of step``, deflection rises where the load
        falls.
    value : float or None
        Ratio [1] of ``strange ratio``, ``twice`` and ``half``; relative standard error [1] of ``scatter``;
        play [m] of ``slack``; the load [N] of ``repeated``.
    settings : tuple of (int, int)
        Hole and spacers of settings that would give the measured rate, the nearest first.
    readings : tuple of int
        Which readings, counted from 1.
    """

    kind: RemarkKind
    value: float | None = None
    settings: tuple[tuple[int, int], ...] = field(default=())
    readings: tuple[int, ...] = field(default=())


def bench_remarks(bar: BarSheet, ratio: float, ratio_std: float) -> tuple[BenchRemark, ...]:
    """Return what makes a mistake in a bar's bench test likely, the weightiest first.

    Parameters
    ----------
    bar : BladedBar or FormedBar
        With its bench test as the sheet states it.
    ratio, ratio_std : float
        Measured over computed rate and its standard error from sheet and readings [1].
    """
    if bar.bench is None:
        return ()
    readings = _reading_remarks(bar.bench) if bar.bench.loads else ()
    if abs(ratio - 1.0) <= max(STRANGE * ratio_std, LEAST_STRANGE):
        return readings
    found = [BenchRemark("strange ratio", ratio)]
    # One eye held and both moving differ by two; whoever mixes them up finds a bar twice or half as stiff.
    for kind, mistake in (("twice", 2.0), ("half", 0.5)):
        if abs(math.log(ratio / mistake)) < NEAR_MISTAKE:
            found.append(BenchRemark(kind, ratio))  # type: ignore[arg-type]
    near = max(NEAR_SETTING, 2.0 * ratio_std / ratio)
    settings = _settings_of_ratio(bar, ratio, near)
    if settings:
        found.append(BenchRemark("other setting", settings=settings))
    return (*found, *readings)


def _settings_of_ratio(bar: BarSheet, ratio: float, near: float) -> tuple[tuple[int, int], ...]:
    """Return the settings whose computed rate is `ratio` times that of the test's setting, two at most."""
    if isinstance(bar, FormedBar) or bar.bench is None:
        return ()
    computed = float(computed_bench_rate(bar))
    most = 0 if bar.spacer is None else bar.spacer.most
    found = []
    for hole in range(1, len(bar.holes) + 1):
        for spacers in range(most + 1):
            state = blade_state(bar, hole, spacers)
            rate = float(solve(bladed_model(bar, state, state)).rate)
            miss = abs(math.log(rate / computed / ratio))
            if miss < near and (hole, spacers) != (bar.bench.hole, bar.bench.spacers):
                found.append((miss, (hole, spacers)))
    return tuple(setting for _, setting in sorted(found)[:2])


def _reading_remarks(bench: BenchTest) -> tuple[BenchRemark, ...]:
    load = np.array([item.value for item in bench.loads])
    deflection = np.array([item.value for item in bench.deflections])
    found = []
    slack = _slack(load, deflection, _reading_error(bench))
    if slack is not None:
        found.append(BenchRemark("slack", slack, readings=(int(np.argmin(load)) + 1,)))
    result = bench_result(bench)
    error = result.held_rate_std / result.held_rate
    if error > SCATTERED:
        found.append(BenchRemark("scatter", error))
    for first in range(len(load) - 1):
        up, moved = load[first + 1] - load[first], deflection[first + 1] - deflection[first]
        pair = (first + 1, first + 2)
        if up == 0.0:
            found.append(BenchRemark("repeated", float(load[first]), readings=pair))
        elif up * moved < 0.0 and abs(moved) > read_to(bench):
            found.append(BenchRemark("out of step", readings=pair))
    return tuple(found)


def _slack(load: Array, deflection: Array, error: float) -> float | None:
    """Return the play that the first load takes in [m]; None where the readings show none.

    The others then lie on a line of their own that passes above the reading at the least load.
    """
    others = np.arange(len(load)) != int(np.argmin(load))
    if np.unique(load[others]).size < 3:
        return None
    slope, residual = _line(load[others], deflection[others])
    whole = _line(load, deflection)[1]
    start = float(deflection[others].mean() + slope * (load.min() - load[others].mean()))
    play = start - float(deflection[~others].mean())
    if play < 3.0 * error or slope <= 0.0:
        return None
    return play if max(residual, error) < SLACK_PART * whole else None
