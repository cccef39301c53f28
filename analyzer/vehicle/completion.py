"""What a car sheet leaves open, filled in from tables and defaults, with the tolerances taken."""

import math
import re
from dataclasses import dataclass
from typing import Any, Final

from analyzer.core.units import AXLES, DEG_PER_RAD, MM_PER_M, Axle, Uncertain
from analyzer.sheets.bar import BladedBar, FormedBar, MadeOf, NoBar, find_material
from analyzer.sheets.car import AxleSheet, CarSheet
from analyzer.vehicle.axle import camber_gain
from analyzer.vehicle.bar.pieces import blade_root, with_doubt
from analyzer.vehicle.bar.rate import READ_TO, bench_factor, complete_bench

# Fill in what a car sheet leaves to tables and defaults, so that it can carry a tolerance like the rest.


def complete_car(car: CarSheet) -> tuple[CarSheet, tuple[str, ...]]:
    """Return the sheet with all that tables and defaults give filled in, and what was assumed for that."""
    assumed: list[str] = []
    axles: dict[str, Any] = {}
    for name in AXLES:
        axle = car.axle(name)
        update: dict[str, Any] = {"bar": complete_bar(axle.bar)}
        if axle.suspension == "independent" and axle.camber_gain is None:
            gain = camber_gain(axle)
            update["camber_gain"] = gain
            assumed.append(
                f"{name}.camber_gain: not stated, {gain.value * DEG_PER_RAD:.0f} ± "
                f"{(gain.std or 0.0) * DEG_PER_RAD:.0f} deg/m taken (engineering judgement)"
            )
        assumed.extend(_root_taken(name, axle))
        assumed.extend(bench_taken(name, axle.bar))
        assumed.extend(_rigid_parts(name, axle))
        axles[name] = axle.model_copy(update=update)
    return car.model_copy(update=axles), tuple(assumed)


def complete_bar(bar: BladedBar | FormedBar | NoBar) -> BladedBar | FormedBar | NoBar:
    """Return a bar that states moduli, the blades' root, what its bench test gives and its model's error."""
    if isinstance(bar, NoBar):
        return bar
    update: dict[str, Any] = {}
    if isinstance(bar, FormedBar):
        update = _moduli(bar)
    else:
        for key in ("tube", "blade", "bolt"):
            part = getattr(bar, key)
            if part is not None:
                update[key] = part.model_copy(update=_moduli(part))
        if bar.blade.root is None:
            root = blade_root(bar)
            # In plain numbers, whatever the sheet of the caller holds.
            stated = Uncertain(float(root.value), None if root.std is None else float(root.std))
            update["blade"] = update["blade"].model_copy(update={"root": stated})
    if bar.bench is not None:
        update["bench"] = complete_bench(bar.bench)
    return with_doubt(bar.model_copy(update=update))


def _moduli(part: MadeOf) -> dict[str, Uncertain]:
    material = find_material(part.material)
    if material is None:  # then the sheet states both, or it would have been refused
        return {}
    table = {"elastic_modulus": material.elastic_modulus, "shear_modulus": material.shear_modulus}
    return {key: Uncertain(value) for key, value in table.items() if getattr(part, key) is None}


def _root_taken(name: str, axle: AxleSheet) -> list[str]:
    """Return where the blades are taken to begin because the sheet does not say."""
    if not isinstance(axle.bar, BladedBar) or axle.bar.blade.root is not None:
        return []
    root, seat = blade_root(axle.bar), axle.bar.blade.seat
    size, error = float(root.value) * MM_PER_M, float(root.std or 0.0) * MM_PER_M
    held = "whichever way the blade sits, as seat is not stated" if seat is None else f'for seat "{seat}"'
    return [
        f"{name}.bar.blade.root: not stated, {size:.0f} ± {error:.0f} mm taken {held} "
        "(solid finite elements of joints, our own)"
    ]


def bench_taken(name: Axle, bar: BladedBar | FormedBar | NoBar) -> list[str]:
    """Return what is taken for granted of an axle's bench test, in plain lines."""
    if isinstance(bar, NoBar) or bar.bench is None:
        return []
    # Told even where the sheet has no gap to fill: a test that is used changes every rate that is printed.
    bench, lines = bar.bench, []
    if bench.loads and bench.resolution is None:
        lines.append(
            f"{name}.bar.bench.resolution: not stated, deflections taken as read to "
            f"{READ_TO * MM_PER_M:g} mm ({JUDGEMENT})"
        )
    if bench.use:
        where = f" at hole {bench.hole}, {bench.spacers} spacers" if isinstance(bar, BladedBar) else ""
        lines.append(
            f"{name}.bar.bench: measured / computed, {float(bench_factor(bar)):.3f}{where}, carried over to "
            "every setting and other tube, wall or blade; its error grows with the difference from the bar "
            f"tested ({JUDGEMENT})"
        )
    return lines


def _rigid_parts(name: str, axle: AxleSheet) -> list[str]:
    """Return what counts as rigid because the sheet gives no rate for it."""
    lines = []
    if axle.tyre_rate is None:
        lines.append(f"{name}.tyre_rate: not stated, tyres count as rigid")
    if axle.suspension == "solid axle" and axle.spring_base is None:
        lines.append(f"{name}.spring_base: not stated, springs taken to act at the track width")
    if not isinstance(axle.bar, NoBar):
        if axle.bar.mounts.rate is None:
            lines.append(f"{name}.bar.mounts.rate: not stated, mounts count as rigid")
        if axle.bar.link is None or axle.bar.link.rate is None:
            lines.append(f"{name}.bar.link.rate: not stated, links count as rigid")
    return lines


# Standard uncertainties taken where a sheet states none. "± 0" in the sheet means exact.
#
# A workshop measures lengths to a millimetre or two and motion ratios to about two percent; the figures
# below say so, each with its reason. Where the reason reads "engineering judgement" there is no source.


JUDGEMENT: Final = "engineering judgement"


@dataclass(frozen=True, slots=True)
class Tolerance:
    """A default standard uncertainty.

    Parameters
    ----------
    quantity : str
        What it holds for, in words.
    pattern : str
        Regular expression that must match the end of a sheet key, ``tube.wall``.
    relative : float
        Part of the value [1].
    absolute : float
        In SI units; both are added as squares.
    words : str
        How it is told to the reader.
    reason : str
        Source, or "engineering judgement".
    """

    quantity: str
    pattern: str
    relative: float
    absolute: float
    words: str
    reason: str

    def std(self, value: float) -> float:
        """Return the standard uncertainty of a `value`."""
        return math.hypot(self.relative * value, self.absolute)


DEFAULT_TOLERANCES: Final = (
    Tolerance(
        "moduli E and G",
        r"(elastic|shear)_modulus",
        0.02,
        0.0,
        "2 %",
        "spread of published E (193-210) and G (75.8-80 GPa) of steels",
    ),
    Tolerance(
        "tube wall",
        r"(tube|tubes\[\d+\]|bar|ends)\.wall",
        0.04,
        0.0,
        "4 %",
        "walls within 7.5 %, even spread: engineering judgement; EN 10305-1 lets 10 %",
    ),
    Tolerance(
        "tube diameter",
        r"outside_diameter",
        0.0,
        0.00005,
        "0.05 mm",
        "diameters within 0.1 mm, even spread: engineering judgement",
    ),
    Tolerance(
        "tube length; points of a bent bar",
        r"(tube|tubes\[\d+\])\.length|points\[\d+\]\.[xyz]",
        0.0,
        0.001,
        "1 mm",
        JUDGEMENT,
    ),
    Tolerance(
        "mounts' places, end pieces, bend radii",
        r"ends\.length|bend_radius|mounts\.(spacing|left|right)",
        0.0,
        0.002,
        "2 mm",
        JUDGEMENT,
    ),
    Tolerance("rates of mounts and links", r"(mounts|link)\.rate", 0.3, 0.0, "30 %", JUDGEMENT),
    Tolerance("bench rate", r"bench\.rate", 0.03, 0.0, "3 %", JUDGEMENT),
    Tolerance(
        "blade section", r"(blade|blades\[\d+\])\.(tip_)?(depth|thickness)", 0.0, 0.0001, "0.1 mm", JUDGEMENT
    ),
    Tolerance(
        "blade length and root, bare offset of the rod end",
        r"(blade|blades\[\d+\])\.(length|root)|base_offset",
        0.0,
        0.001,
        "1 mm",
        JUDGEMENT,
    ),
    Tolerance(
        "lever arms (holes)",
        r"holes\[\d+\]",
        0.0,
        0.0005,
        "0.5 mm",
        "as marked out, or read with a caliper, " + JUDGEMENT,
    ),
    Tolerance(
        "spacer thickness, bolt diameter",
        r"spacer\.thickness|bolt\.diameter",
        0.0,
        0.00005,
        "0.05 mm",
        JUDGEMENT,
    ),
    Tolerance("difference of link lengths", r"link\.left_longer", 0.0, 0.0005, "0.5 mm", JUDGEMENT),
    Tolerance(
        "angles of blade and link",
        r"((blade|blades\[\d+\])\.turn|link\.(angle|lean))",
        0.0,
        math.radians(2.0),
        "2 deg",
        JUDGEMENT,
    ),
    Tolerance(
        "corner loads",
        r"corner_loads\.(FL|FR|RL|RR)",
        0.01,
        0.0,
        "1 %",
        "repeatability of wheel scales, " + JUDGEMENT,
    ),
    Tolerance("unsprung masses", r"unsprung\.(front|rear)", 0.1, 0.0, "10 %", JUDGEMENT),
    Tolerance(
        "CG height", r"mass\.cg_height", 0.0, 0.02, "20 mm", "tilt tests on workshop gear, " + JUDGEMENT
    ),
    Tolerance(
        "wheelbase, track width, wheel radius, spring base",
        r"wheelbase|track_width|wheel_radius|spring_base",
        0.0,
        0.005,
        "5 mm",
        JUDGEMENT,
    ),
    Tolerance("roll-centre height", r"roll_centre_height", 0.0, 0.015, "15 mm", JUDGEMENT),
    Tolerance("places of loads", r"places\.\w+\.(behind_front_axle|height)", 0.0, 0.05, "50 mm", JUDGEMENT),
    Tolerance("tyre rate with pressure", r"tyre_rate_with_pressure", 0.0, 0.2, "0.2", JUDGEMENT),
    Tolerance("camber gain (where stated)", r"camber_gain", 0.0, math.radians(5.0), "5 deg/m", JUDGEMENT),
    Tolerance(
        "tyre rate", r"tyre_rate", 0.1, 0.0, "10 %", "changes with pressure, load and speed, " + JUDGEMENT
    ),
    Tolerance("spring rate", r"spring\.rate|springs\[\d+\]", 0.03, 0.0, "3 %", JUDGEMENT),
    Tolerance("motion ratios", r"motion_ratio", 0.02, 0.0, "2 %", JUDGEMENT),
    Tolerance(
        "rows of a motion-ratio table",
        r"motion_ratio\.(wheel|damper)\[\d+\]",
        0.0,
        0.0005,
        "0.5 mm",
        JUDGEMENT,
    ),
    Tolerance(
        "damper ends and bump-stop gap", r"bump_stop_gap|full_bump|full_droop", 0.0, 0.001, "1 mm", JUDGEMENT
    ),
    Tolerance("bump-stop rate", r"bump_stop_rate", 0.15, 0.0, "15 %", JUDGEMENT),
    Tolerance("stiffness of the shell", r"chassis_stiffness", 0.15, 0.0, "15 %", JUDGEMENT),
)

_COMPILED: Final = tuple((re.compile(rf"(^|\.)({t.pattern})$"), t) for t in DEFAULT_TOLERANCES)


def default_tolerance(key: str) -> Tolerance | None:
    """Return what to take for a sheet `key` that states none; None when the quantity counts as exact."""
    return next((t for pattern, t in _COMPILED if pattern.search(key)), None)


def with_tolerances(car: CarSheet) -> CarSheet:
    """Return the sheet with default standard uncertainties on what measured roll gradients rest on.

    Motion ratios, track width, spring base, tyre rate and CG height; what the sheet states stays.
    """
    axles: dict[str, Any] = {}
    for name in AXLES:
        axle = car.axle(name)
        update: dict[str, Any] = {
            key: _uncertain(f"{name}.{key}", getattr(axle, key))
            for key in ("track_width", "spring_base", "tyre_rate")
        }
        for part in ("spring", "damper"):
            sheet = getattr(axle, part)
            ratio = _uncertain(f"{name}.{part}.motion_ratio", sheet.motion_ratio)
            update[part] = sheet.model_copy(update={"motion_ratio": ratio})
        axles[name] = axle.model_copy(update=update)
    height = _uncertain("mass.cg_height", car.mass.cg_height)
    return car.model_copy(update={**axles, "mass": car.mass.model_copy(update={"cg_height": height})})


def _uncertain(key: str, value: Any) -> Any:
    """Return a number of the sheet with its own or the default tolerance; anything else as it is."""
    tolerance = default_tolerance(key)
    if not isinstance(value, Uncertain) or value.std is not None or tolerance is None:
        return value
    return Uncertain(value.value, tolerance.std(value.value))
