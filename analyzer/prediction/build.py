"""What has to be cut, drilled and bent to build a bar, and the bench test that shows it is right."""

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np

from analyzer.core.estimate import Estimate
from analyzer.core.units import STANDARD_GRAVITY, Axle
from analyzer.prediction.results import BarLadder, LadderRow
from analyzer.sheets.bar import Blade, BladedBar, FormedBar, MadeOf, find_material
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import BarSetting
from analyzer.vehicle.bar.beam import Arc, Straight, Vec
from analyzer.vehicle.bar.pieces import blade_root, blade_section, centre_line, formed_model, tube_section
from analyzer.vehicle.bar.rate import bar_model, bar_solution
from analyzer.vehicle.bar.section import array, round_section
from analyzer.vehicle.bar.stress import safety_factor, stress_points
from analyzer.vehicle.completion import complete_bar

Silent = Literal[
    "seat", "socket", "turned", "blade end", "blade back", "bolt", "nut", "rod end", "root", "tube weight",
    "blade weight", "links", "sharp corners", "eyes", "yield",
]  # fmt: skip
"""What a car sheet may leave open for the bench."""

END_DISTANCE: Final = 1.5
"""Bolt diameters from the outermost hole to the blade's end where the sheet states none (common practice, no
source)."""

NUTS: Final = {5: (0.8, 4.7, 1.0), 6: (1.0, 5.2, 1.6), 8: (1.25, 6.8, 1.6), 10: (1.5, 8.4, 2.0),
    12: (1.75, 10.8, 2.5), 14: (2.0, 12.8, 2.5), 16: (2.0, 14.8, 3.0), 20: (2.5, 18.0, 3.0)}  # fmt: skip
"""Thread [mm] -> coarse pitch (ISO 261), height of a plain nut (ISO 4032), thickness of a washer (ISO 7089)
[mm]; from memory."""

THREADS_OUT: Final = 2
"""Turns of thread that stand out of the nut (common practice, no source)."""

LOAD_STEPS: Final = (0.5, 1.0, 2.0, 5.0, 10.0)
"""Masses hung on per step of the bench test [kg]: what gyms and scales have (engineering judgement)."""

LOADS: Final = 5
LEAST_FACTOR: Final = 3.0
"""Yield over stress that the greatest load of the bench test leaves at least (engineering judgement)."""

MOST_DEFLECTION: Final = 0.020
"""The most it may deflect [m]: a dial gauge and small angles (engineering judgement)."""


@dataclass(frozen=True, slots=True)
class TubeWork:
    """The tube of a bladed bar; lengths [m].

    Parameters
    ----------
    cuts : dict
        How the blades sit (``face``, ``through``) -> length to cut. Empty where blade or joint do not tell.
    overhang : float
        Middle of a mount to the blade's centre plane.
    masses : dict
        As `cuts`, with end pieces [kg]; empty for an unknown material.
    """

    cuts: dict[str, float]
    overhang: float
    masses: dict[str, float]


@dataclass(frozen=True, slots=True)
class HoleWork:
    """One hole of the blade; distances between centre and edge, or from centre to centre [m].

    Parameters
    ----------
    lever, edge, end : float
        From the tube's axis; to either side edge; to the blade's end.
    apart : float or None
        To the next hole inwards; None for the last one.
    """

    lever: float
    edge: float
    end: float
    apart: float | None


@dataclass(frozen=True, slots=True)
class BladeWork:
    """The blank of one blade [m].

    Parameters
    ----------
    back, end : float
        What it reaches behind the tube's axis, and from the axis to its end, as drawn and weighed.
    root : float
        Where it begins to bend.
    half_back, half_end : float
        Half its depth there.
    holes : tuple of HoleWork
        Outermost first.
    bolt : float or None
        Diameter.
    mass : float or None
        Of one blade without its holes [kg].
    """

    back: float
    end: float
    root: float
    half_back: float
    half_end: float
    holes: tuple[HoleWork, ...]
    bolt: float | None
    mass: float | None


@dataclass(frozen=True, slots=True)
class StackWork:
    """A number of spacers on one side.

    Parameters
    ----------
    spacers : int
        How many.
    stack : float
        Their thickness together [m].
    bolt : float or None
        Least length under the head without the rod end's width: blade, spacers, two washers, plain nut,
        two turns of thread [m]; None for a bolt that is not in `NUTS`.
    """

    spacers: int
    stack: float
    bolt: float | None


@dataclass(frozen=True, slots=True)
class BenchStep:
    """One load of the bench test: mass [kg], force [N], deflection expected [m] with its standard error."""

    mass: float
    force: float
    deflection: float
    error: float


@dataclass(frozen=True, slots=True)
class BenchWork:
    """The bench test to do: one eye held, loads on the other.

    Parameters
    ----------
    row : LadderRow
        Setting, both sides alike.
    rate : Estimate
        Load per deflection, half of the bar's rate [N/m].
    steps : tuple of BenchStep
        Empty where even the smallest loads leave too little strength.
    factor : float or None
        Yield over stress at the greatest load; None when no strength is known.
    """

    row: LadderRow
    rate: Estimate
    steps: tuple[BenchStep, ...]
    factor: float | None


@dataclass(frozen=True, slots=True)
class BendWork:
    """One bend of a formed bar.

    Parameters
    ----------
    point : int
        Corner of the sheet, from 1.
    start, arc, radius : float
        Where it begins along the centre line; its length and radius [m].
    angle : float
        It turns by [rad].
    rotation : float or None
        Bar turned about its own axis since the bend before, right-handed towards the right eye [rad]; None
        for the first one.
    """

    point: int
    start: float
    arc: float
    radius: float
    angle: float
    rotation: float | None


@dataclass(frozen=True, slots=True)
class FormedWork:
    """A bar bent from one piece.

    Parameters
    ----------
    cut : float
        Along the centre line from eye to eye [m].
    bends : tuple of BendWork
        From the left eye on.
    mounts : tuple of float
        Places of left and right mount along the centre line [m].
    mass : float or None
        [kg].
    """

    cut: float
    bends: tuple[BendWork, ...]
    mounts: tuple[float, float]
    mass: float | None


@dataclass(frozen=True, slots=True)
class BarWork:
    """All of one bar for the bench.

    Parameters
    ----------
    axle : Axle
        Which.
    bar : BladedBar or FormedBar
        As the sheet states it.
    tube, blade, formed
        Its parts; None where the bar has none.
    settings : tuple of LadderRow
        Hole by hole, outermost first; both sides alike.
    stacks : tuple of StackWork
        By number of spacers.
    bench : BenchWork
        The test to do.
    silent : tuple of Silent
        What the sheet does not know.
    """

    axle: Axle
    bar: BladedBar | FormedBar
    tube: TubeWork | None
    blade: BladeWork | None
    formed: FormedWork | None
    settings: tuple[LadderRow, ...]
    stacks: tuple[StackWork, ...]
    bench: BenchWork
    silent: tuple[Silent, ...]


def bar_work(car: CarSheet, axle: Axle, ladder: BarLadder) -> BarWork:
    """Return what the builder of an axle's bar needs at the bench; `ladder` is that of the same bar."""
    bar = car.axle(axle).bar
    silent: list[Silent] = []
    bench = _bench(bar, ladder)
    if bench.factor is None:
        silent.append("yield")
    if isinstance(bar, FormedBar):
        return BarWork(axle, bar, None, None, _formed(bar, silent), (), (), bench, tuple(silent))
    if not isinstance(bar, BladedBar):
        raise ValueError("no bar")
    tube, blade = _tube(bar, silent), _blade(bar, silent)
    # Of sides set unlike there is nothing to drill that the even settings do not have.
    even = [row for row in ladder.rows if row.right is None]
    settings = tuple(sorted(even, key=lambda row: (row.hole or 0, row.spacers or 0)))
    stacks = _stacks(bar, silent)
    silent.append("rod end")
    if bar.link is None or bar.link.length is None:
        silent.append("links")
    return BarWork(axle, bar, tube, blade, None, settings, stacks, bench, tuple(silent))


def _density(part: MadeOf) -> float | None:
    material = find_material(part.material)
    return None if material is None else material.density


def _tube(bar: BladedBar, silent: list[Silent]) -> TubeWork:
    length, thick = bar.tube.length.value, bar.blade.thickness.value
    seat = bar.blade.seat
    # The length of the sheet runs between the blades' centre planes: half a thickness goes off or on at each
    # end.
    every = {"face": length - thick, "through": length + thick}
    cuts: dict[str, float] = {}
    if bar.blade.turn is not None and bar.blade.turn.value != 0.0:
        # A blade turned about its length is not its thickness wide along the tube.
        silent.append("turned")
    elif seat == "socket":
        silent.append("socket")
    elif seat is None:
        silent.append("seat")
        cuts = every
    else:
        cuts = {seat: every[seat]}
    density = _density(bar.tube)
    if density is None:
        silent.append("tube weight")
    ends = 0.0 if bar.tube.ends is None else 2.0 * bar.tube.ends.length.value
    masses = {}
    if density is not None:
        areas = [float(tube_section(bar.tube, end).area[0]) for end in (False, True)]
        masses = {
            name: density * (areas[0] * (length - ends) + areas[1] * (ends + cut - length))
            for name, cut in (cuts or {"": length}).items()
        }
    return TubeWork(cuts, (length - bar.mounts.spacing.value) / 2.0, masses)


def _blade(bar: BladedBar, silent: list[Silent]) -> BladeWork:
    blade, levers = bar.blade, [hole.value for hole in bar.holes]
    bolt = None if bar.bolt is None else bar.bolt.diameter.value
    if bolt is None:
        silent.append("bolt")
    if blade.root is None:
        silent.append("root")
    if blade.length is None:
        silent.append("blade end")
        end = levers[0] + (blade.depth.value / 2.0 if bolt is None else END_DISTANCE * bolt)
    else:
        end = blade.length.value
    silent.append("blade back")
    back = (bar.tube if bar.tube.ends is None else bar.tube.ends).outside_diameter.value / 2.0

    def half(place: float) -> float:
        # Behind the axis a taper is drawn with the depth it has at the axis.
        return float(blade_section(blade, np.array([max(place, 0.0)])).depth[0]) / 2.0

    holes = tuple(
        HoleWork(lever, half(lever), end - lever, lever - levers[i + 1] if i + 1 < len(levers) else None)
        for i, lever in enumerate(levers)
    )
    density = _density(blade)
    if density is None:
        silent.append("blade weight")
    mass = None if density is None else density * _blade_volume(blade, back, end, levers, bolt or 0.0)
    return BladeWork(back, end, float(array(blade_root(bar))), half(0.0), half(end), holes, bolt, mass)


def _blade_volume(blade: Blade, back: float, end: float, levers: list[float], bolt: float) -> float:
    """Return the volume of a blade without its holes [m3]; depth and thickness run straight to its tip."""
    # Three points integrate a product of two straight lines exactly (Simpson).
    areas = np.broadcast_to(blade_section(blade, np.array([0.0, end / 2.0, end])).area, 3)
    whole = float(areas @ np.array([1.0, 4.0, 1.0])) * end / 6.0 + float(areas[0]) * back
    widths = np.broadcast_to(blade_section(blade, np.array(levers)).width, len(levers))
    return whole - math.pi / 4.0 * bolt**2 * float(widths.sum())


def _stacks(bar: BladedBar, silent: list[Silent]) -> tuple[StackWork, ...]:
    thin, most = (0.0, 0) if bar.spacer is None else (bar.spacer.thickness.value, bar.spacer.most)
    rest = None
    if bar.bolt is not None:
        size = 1e3 * bar.bolt.diameter.value
        nut = NUTS.get(round(size)) if abs(size - round(size)) < 0.05 else None
        if nut is None:
            silent.append("nut")
        else:
            pitch, height, washer = (1e-3 * part for part in nut)
            # At the innermost hole, where a blade that tapers is thickest.
            thick = blade_section(bar.blade, np.array([bar.holes[-1].value])).width
            rest = float(np.ravel(thick)[0]) + 2.0 * washer + height + THREADS_OUT * pitch
    return tuple(
        StackWork(count, thin * count, None if rest is None else rest + thin * count)
        for count in range(most + 1)
    )


def _bench(bar: object, ladder: BarLadder) -> BenchWork:
    """Return the bench test of the fitted setting; of its left side on both where the sides differ."""
    row = ladder.fitted
    if row.right is not None:
        row = next(
            r for r in ladder.rows if r.right is None and (r.hole, r.spacers) == (row.hole, row.spacers)
        )
    complete = complete_bar(bar)  # type: ignore[arg-type]
    if not isinstance(complete, (BladedBar, FormedBar)):
        raise ValueError("no bar")
    setting = None if row.hole is None else BarSetting(hole=row.hole, spacers=row.spacers or 0)
    points = stress_points(complete, bar_model(complete, setting), bar_solution(complete, setting))
    rate, std = row.rate.value or 0.0, row.rate.std_error or 0.0
    held = Estimate(rate / 2.0, "N/m", std / 2.0, method="half of the bar's rate: one eye is held")

    def factor(mass: float) -> float:
        return float(safety_factor(points, mass * STANDARD_GRAVITY))

    # Where no strength is known only the deflection can bound the load; a quarter of it is then allowed.
    unknown = math.isnan(factor(1.0))
    most = MOST_DEFLECTION / (4.0 if unknown else 1.0)
    fit = [
        step
        for step in LOAD_STEPS
        if LOADS * step * STANDARD_GRAVITY / (rate / 2.0) <= most
        and (unknown or factor(LOADS * step) >= LEAST_FACTOR)
    ]
    masses = [fit[-1] * count for count in range(1, LOADS + 1)] if fit else []
    steps = []
    for mass in masses:
        force = mass * STANDARD_GRAVITY
        # With the other eye held it goes twice the way that it goes with both eyes moving.
        deflection = 2.0 * force / rate
        steps.append(BenchStep(mass, force, deflection, deflection * std / rate))
    return BenchWork(row, held, tuple(steps), None if unknown else factor(masses[-1] if masses else 1.0))


def _formed(bar: FormedBar, silent: list[Silent]) -> FormedWork:
    curves = centre_line(bar)
    straights = [curve for curve in curves if isinstance(curve, Straight)]
    bends: list[BendWork] = []
    normal: Vec | None = None
    along, corner = 0.0, 0
    for curve, following in pairwise(curves):
        along += float(curve.length)
        if isinstance(curve, Arc):
            continue
        # A corner lies between two straights; where it is sharp no arc stands between them.
        corner += 1
        before, after = curve.tangent, straights[corner].tangent
        across = before.cross(after)
        angle = math.atan2(float(across.norm()), float(before.dot(after)))
        if angle < 1e-6:
            continue
        radius = float(following.radius) if isinstance(following, Arc) else 0.0
        if radius == 0.0 and "sharp corners" not in silent:
            silent.append("sharp corners")
        # A bender turns the bar about its own axis between two bends: the angle between their planes.
        plane = across.unit()
        rotation = None
        if normal is not None:
            rotation = math.atan2(float(normal.cross(plane).dot(before)), float(normal.dot(plane)))
        normal = plane
        bends.append(BendWork(corner + 1, along, radius * angle, radius, angle, rotation))
    cut_length = along + float(curves[-1].length)
    silent.append("eyes")
    # Mounts are where the statics has them, measured along the line that is cut.
    pieces = formed_model(bar).pieces
    sides = {side: sum(float(p.curve.length) for p in pieces if p.side == side) for side in ("left", "right")}
    density = _density(bar)
    mass = None
    if density is None:
        silent.append("tube weight")
    else:
        wall = None if bar.wall is None else array(bar.wall)
        mass = density * float(round_section(array(bar.outside_diameter), wall).area) * cut_length
    return FormedWork(cut_length, tuple(bends), (sides["left"], cut_length - sides["right"]), mass)
