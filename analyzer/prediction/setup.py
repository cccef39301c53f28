"""What a set-up, and a change from one to another, should do to the car; what nobody can build is refused."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from analyzer.core.errors import AnalyzerError, SheetError
from analyzer.core.estimate import Estimate
from analyzer.core.units import (
    AXLE_CORNERS,
    AXLES,
    MM_PER_M,
    RAD_PER_MPS2_TO_DEG_PER_G,
    STANDARD_GRAVITY,
    Axle,
    Corner,
)
from analyzer.prediction.propagation import Propagated, Values, propagate, with_settings
from analyzer.prediction.results import (
    BarPrediction,
    ChangePrediction,
    LoadTransfer,
    Preload,
    SetupPrediction,
    TravelUse,
    WheelRange,
)
from analyzer.sheets.bar import Blade, BladedBar, FormedBar, NoBar
from analyzer.sheets.car import AxleSheet, CarSheet
from analyzer.sheets.fields import stands_over
from analyzer.sheets.session import BarSetting, Setup, SideSetting
from analyzer.vehicle import axle as axles
from analyzer.vehicle.bar.beam import BarModel, BarSolution
from analyzer.vehicle.bar.linkage import BarMotion, Linkage, bar_motion, linkage
from analyzer.vehicle.bar.pieces import ShapeError, blade_outline, formed_model
from analyzer.vehicle.bar.rate import bar_model, bar_rates, bar_solution, setting_in_words
from analyzer.vehicle.bar.section import Array, array
from analyzer.vehicle.bar.stress import safety_factor, stress_points
from analyzer.vehicle.completion import complete_bar

# Bars that a sheet can describe but nobody can build: said once, before anything is computed.


SHORTEST_LEVER: Final = 0.005
"""Least lever of a bent bar's link eye [m]."""

SKEW: Final = 0.01
"""Product of inertia over the mean second moment above which an outline counts as lopsided."""


def check_bars(car: CarSheet, path: Path | None = None) -> None:
    """Refuse a bent bar whose centre line or mounts cannot be, and a blade's outline that cannot be.

    What the sheet's own reader can see (walls, holes, mounts outside the tube) it has refused already; these
    show only when they are laid out.

    Raises
    ------
    SheetError
        One line naming the key, when `path` (the car sheet) is given.
    AnalyzerError
        The same without the file.
    """
    for axle in AXLES:
        bar = car.axle(axle).bar
        try:
            if isinstance(bar, FormedBar):
                _check_arms(formed_model(bar))
            elif isinstance(bar, BladedBar) and bar.blade.outline is not None:
                _check_outline(bar.blade)
        except ShapeError as error:
            key = f"{axle}.bar.{error.key}"
            if path is not None:
                raise SheetError(path, key, error.problem, error.remedy) from None
            raise AnalyzerError(f"{key}: {error.problem}; {error.remedy}") from None


def _check_outline(blade: Blade) -> None:
    try:
        found = blade_outline(blade)
    except ValueError as error:
        raise ShapeError("blade.outline", str(error), "list its corners in order, once round") from None
    if abs(found.product) > SKEW * (found.strong * found.weak) ** 0.5:
        raise ShapeError(
            "blade.outline",
            "is lopsided, so its depth is no axis of bending",
            "make it symmetrical about its depth or its thickness",
        )


def _check_arms(model: BarModel) -> None:
    """Refuse a bent bar whose links find no lever, or levers that point opposite ways."""
    axis = model.left_mount.minus(model.right_mount).unit()
    # By their levers about the line of the mounts, about which alone the bar can turn.
    torques = [
        float(eye.minus(model.right_mount).cross(pull).dot(axis))
        for eye, pull in ((model.left_eye, model.left_pull), (model.right_eye, model.right_pull))
    ]
    if min(abs(torque) for torque in torques) < SHORTEST_LEVER:
        raise ShapeError(
            "points", "a link eye has no lever about the line of the mounts", "move it off that line"
        )
    if torques[0] * torques[1] < 0.0:
        raise ShapeError("points", "the arms point opposite ways", "let both link eyes lie on one side")


# Further figures of a set-up: inside load, lift-off, the spring that would replace a bar.


LINEAR_NOTE = "straight-line prediction; bump stops, jacking and tyre limits are not in it"


def extra_values(car: CarSheet, roll: axles.CarRoll, transfer: Mapping[str, float]) -> dict[str, Array]:
    """Return inside loads, lift-off and replacement springs by name, SI.

    Parameters
    ----------
    car : CarSheet
        The sheet, numbers or arrays.
    roll : CarRoll
        Its steady roll.
    transfer : mapping
        ``transfer front``, ``transfer rear``: change of one wheel's load per level-road lateral
        acceleration [N per m/s2].

    Returns
    -------
    dict
        ``inside load`` [N] at 1 g, of the axle's lighter wheel; ``lift off`` [m/s2], the lateral
        acceleration at which it leaves the ground; ``replacement spring`` [N/m], the rate at the spring
        that gives the same roll stiffness without the bar.
    """
    values: dict[str, Array] = {}
    for axle in AXLES:
        # The lighter wheel decides: it leaves the ground first where it is on the inside.
        left, right = (array(car.mass.load(corner)) for corner in AXLE_CORNERS[axle])
        lighter = np.minimum(left, right)
        values[f"inside load {axle}"] = lighter - transfer[f"transfer {axle}"] * STANDARD_GRAVITY
        values[f"lift off {axle}"] = np.asarray(lighter / transfer[f"transfer {axle}"])
        sheet = car.axle(axle)
        more = axles.spring_rate_for(sheet, roll.axles[axle].bar)
        values[f"replacement spring {axle}"] = np.asarray(array(sheet.spring.rate) + more)
    return values


def extra_estimates(found: Propagated) -> dict[str, Estimate]:
    """Return the figures of `extra_values` as estimates: N, g and N/mm."""
    estimates: dict[str, Estimate] = {}
    for axle in AXLES:
        inside = found.estimate(f"inside load {axle}", "N").with_notes("at 1 g", LINEAR_NOTE)
        estimates[f"inside_load_{axle}"] = inside
        lift = found.estimate(f"lift off {axle}", "g", 1.0 / STANDARD_GRAVITY).with_notes(LINEAR_NOTE)
        estimates[f"lift_off_{axle}"] = lift
        spring = found.estimate(f"replacement spring {axle}", "N/mm", 1e-3)
        estimates[f"replacement_spring_{axle}"] = spring
    return estimates


# What a set-up, and a change from one to another, should do to the car.


NM_PER_DEG: Final = math.pi / 180.0
"""Factor from N m/rad to N m/deg."""

TOLD: Final = tuple(f"{what} {a}" for what in ("stiffness", "gradient") for a in AXLES)
"""Figures for whose sake assumed tolerances are listed."""

FALLING_OVER: Final = 10.0
"""Factor of the gravity term above which a car is taken to fall over; road cars have 1.05 to 1.2."""

CHANGE_METHOD: Final = "both set-ups from one sheet; errors common to both cancel"


@dataclass(frozen=True, slots=True)
class SetupProblem:
    """A set-up that this car cannot have.

    Parameters
    ----------
    key : str
        Key below the set-up's table: ``front_bar.hole``.
    problem, remedy : str
        As for `analyzer.core.errors.SheetError`.
    """

    key: str
    problem: str
    remedy: str


def check_setup(car: CarSheet, name: str, setup: Setup) -> SetupProblem | None:
    """Return what is wrong with a set-up on this car, None when nothing is.

    A session reader puts ``setups.<name>.`` in front of the key.
    """
    for axle in AXLES:
        found = _check_axle(car.axle(axle).bar, axle, setup.bar(axle), name)
        if found is not None:
            return found
    return None


def require_setup(car: CarSheet, name: str, setup: Setup, path: Path | None = None) -> None:
    """Refuse a set-up that this car cannot have.

    Raises
    ------
    SheetError
        One line naming the key, when `path` (the session sheet) is given.
    AnalyzerError
        The same without the file.
    """
    found = check_setup(car, name, setup)
    if found is None:
        return
    key = f"setups.{name}.{found.key}"
    if path is not None:
        raise SheetError(path, key, found.problem, found.remedy)
    raise AnalyzerError(f"{key}: {found.problem}; {found.remedy}")


def predict_setup(car: CarSheet, name: str, setup: Setup) -> SetupPrediction:
    """Return what a set-up should show, every figure with the error of the car sheet.

    Parameters
    ----------
    car : CarSheet
        The car.
    name : str
        Name of the set-up.
    setup : Setup
        Its bar settings.

    Raises
    ------
    AnalyzerError
        One line when the set-up does not exist on this car.
    """
    check_bars(car)
    require_setup(car, name, setup)
    found = propagate(with_settings(car, setup), lambda sheet: setup_values(sheet, setup), tell=TOLD)
    check_upright(found.values["level"])
    return SetupPrediction(
        name=name,
        bars=_bar_predictions(car, setup, found),
        roll_stiffness={
            k: found.estimate(f"stiffness {k}", "N m/deg", NM_PER_DEG) for k in (*AXLES, "total")
        },
        roll_gradient={k: _gradient(found, f"gradient {k}") for k in (*AXLES, "total")},
        roll_gradient_body={k: _gradient(found, f"body gradient {k}") for k in AXLES},
        load_transfer={a: _load_transfer(found, a) for a in AXLES},
        front_share=found.estimate("front share", "1"),
        assumed=found.assumed,
        further=extra_estimates(found),
    )


def predict_change(
    car: CarSheet, before: str, before_setup: Setup, after: str, after_setup: Setup
) -> ChangePrediction:
    """Return what going from one set-up to another should do; raises as `predict_setup`."""
    check_bars(car)
    require_setup(car, before, before_setup)
    require_setup(car, after, after_setup)

    # One propagation for both: a spring that is off moves old and new alike, and drops out of their ratio.
    def both(sheet: CarSheet) -> Values:
        old, new = setup_values(sheet, before_setup), setup_values(sheet, after_setup)
        values = {}
        for key in (*AXLES, "total"):
            values[f"ratio {key}"] = new[f"stiffness {key}"] / old[f"stiffness {key}"]
            values[f"change {key}"] = new[f"stiffness {key}"] - old[f"stiffness {key}"]
        for axle in AXLES:
            values[f"gradient {axle}"] = new[f"body gradient {axle}"] / old[f"body gradient {axle}"]
        values["front over rear"] = values["ratio front"] / values["ratio rear"]
        return values

    found = propagate(with_settings(car, before_setup, after_setup), both)
    return ChangePrediction(
        before=before,
        after=after,
        changed=tuple(a for a in AXLES if before_setup.bar(a) != after_setup.bar(a)),
        stiffness_ratio={
            k: found.estimate(f"ratio {k}", "1", method=CHANGE_METHOD) for k in (*AXLES, "total")
        },
        stiffness_change={
            k: found.estimate(f"change {k}", "N m/deg", NM_PER_DEG, CHANGE_METHOD) for k in (*AXLES, "total")
        },
        front_over_rear=found.estimate("front over rear", "1", method=CHANGE_METHOD),
        gradient_ratio={k: found.estimate(f"gradient {k}", "1", method=CHANGE_METHOD) for k in AXLES},
    )


def check_upright(level: float) -> None:
    """Refuse a car that its springs and bars cannot hold upright.

    Parameters
    ----------
    level : float
        Body-axes force per level-road acceleration, 1 / (1 - g body roll); negative when the car falls over.
    """
    if level <= 0.0 or level > FALLING_OVER:
        raise AnalyzerError(
            "springs and bars are too soft to hold the car upright in roll; check the units of spring.rate, "
            "motion_ratio and cg_height in the car sheet"
        )


def setup_values(car: CarSheet, setup: Setup) -> Values:
    """Return the figures of a set-up in SI by name, arrays where the sheet holds arrays.

    Names: ``rate``, ``stiffness`` [N m/rad], ``gradient`` and ``body gradient`` [rad per m/s2] each with an
    axle (and ``total``), ``elastic``/``geometric``/``unsprung``/``transfer`` with an axle [N per m/s2 of
    level-road lateral acceleration], ``front share``, ``level`` (body-axes force per level-road
    acceleration), and those of `extra_values`.
    """
    rates = bar_rates(car, setup)
    roll = axles.car_roll(car, rates)
    values = {f"rate {a}": rates[a] for a in AXLES}
    values |= roll_values(roll)
    return values | extra_values(car, roll, values)


def roll_values(roll: axles.CarRoll) -> dict[str, float]:
    """Return the named figures of `setup_values` that follow from the car's roll."""
    values: dict[str, float] = {}
    for a in AXLES:
        axle = roll.axles[a]
        values[f"stiffness {a}"] = axle.stiffness  # type: ignore[assignment]
        # What holds per force in the body's axes becomes one per acceleration on a level road by one factor.
        values[f"body gradient {a}"] = axle.suspension  # type: ignore[assignment]
        values[f"gradient {a}"] = axle.suspension * roll.level  # type: ignore[assignment]
        for path in ("elastic", "geometric", "unsprung"):
            values[f"{path} {a}"] = getattr(axle, path) * roll.level
        values[f"transfer {a}"] = values[f"elastic {a}"] + values[f"geometric {a}"] + values[f"unsprung {a}"]
    values["stiffness total"] = values["stiffness front"] + values["stiffness rear"]
    values["level"] = roll.level  # type: ignore[assignment]
    values["gradient total"] = roll.body * roll.level  # type: ignore[assignment]
    values["front share"] = values["transfer front"] / (values["transfer front"] + values["transfer rear"])
    return values


def _check_axle(
    bar: BladedBar | FormedBar | NoBar, axle: Axle, setting: object, name: str
) -> SetupProblem | None:
    key = f"{axle}_bar"
    if setting is None:
        if isinstance(bar, BladedBar):
            remedy = f'write {key} = {{ hole = 1, spacers = 0 }} or {key} = "off" in setups.{name}'
            return SetupProblem(
                key, "the car sheet has a bladed bar here but the set-up does not say how it is set", remedy
            )
        return None
    if not isinstance(setting, BarSetting):
        return None
    if isinstance(bar, NoBar):
        return SetupProblem(
            key, f"the car sheet has no {axle} bar", f"remove {key} or add [{axle}.bar] to the car sheet"
        )
    left = _check_side(bar, axle, setting, key)
    if left is not None or setting.right is None:
        return left
    return _check_side(bar, axle, setting.right, f"{key}.right")


def _check_side(
    bar: BladedBar | FormedBar, axle: Axle, side: BarSetting | SideSetting, key: str
) -> SetupProblem | None:
    blades = isinstance(bar, BladedBar)
    holes = len(bar.holes) if isinstance(bar, BladedBar) else 1
    most = bar.spacer.most if isinstance(bar, BladedBar) and bar.spacer is not None else 0
    if side.hole > holes:
        return SetupProblem(
            f"{key}.hole", f"hole {side.hole} does not exist", f"the {axle} bar has hole 1 to {holes}"
        )
    if side.spacers > most:
        return SetupProblem(
            f"{key}.spacers",
            f"{side.spacers} spacers are more than the bar takes",
            f"use 0 to {most} or raise {axle}.bar.spacer.most in the car sheet",
        )
    if side.turn is not None and not blades:
        return SetupProblem(f"{key}.turn", f"the {axle} bar has no blades to turn", "remove turn")
    return None


def _bar_predictions(car: CarSheet, setup: Setup, found: Propagated) -> dict[Axle, BarPrediction]:
    bars: dict[Axle, BarPrediction] = {}
    for axle in AXLES:
        bar, setting = car.axle(axle).bar, setup.bar(axle)
        if isinstance(bar, NoBar):
            continue
        compliance: dict[str, float] = {}
        if setting != "off":
            compliance = {part: float(value) for part, value in bar_solution(bar, setting).compliance.items()}
        bars[axle] = BarPrediction(
            setting=setting_in_words(setting, bar),
            rate=found.estimate(f"rate {axle}", "N/m"),
            compliance=compliance,
            stress_factor=_stress_factor(car, setup, axle, found.unmeasured(f"rate {axle}")),
        )
    return bars


def _gradient(found: Propagated, name: str) -> Estimate:
    return found.estimate(name, "deg/g", RAD_PER_MPS2_TO_DEG_PER_G)


def _load_transfer(found: Propagated, axle: Axle) -> LoadTransfer:
    return LoadTransfer(
        elastic=found.estimate(f"elastic {axle}", "N/g", STANDARD_GRAVITY),
        geometric=found.estimate(f"geometric {axle}", "N/g", STANDARD_GRAVITY),
        unsprung=found.estimate(f"unsprung {axle}", "N/g", STANDARD_GRAVITY),
        total=found.estimate(f"transfer {axle}", "N/g", STANDARD_GRAVITY),
    )


# Wheel and damper travel: how far an axle can move, and what a bank uses of it.


ASSUMED_TRAVEL: Final = 0.05
"""Wheel travel each way from static where the damper states no end [m]: engineering judgement."""

NOT_PRESSED: Final = 1e-9
"""Compression up to which no part of it is told [m]: on a bank at its neutral speed there is none."""


def wheel_range(axle: AxleSheet, name: Axle) -> WheelRange:
    """Return the full wheel travel of an axle from its damper's ends."""
    # By the ratio at static ride height: the ends of travel are for warnings, not for figures.
    ratio = float(axles.static_motion_ratio(axle.damper_motion_ratio))
    damper, assumed = axle.damper, []
    if damper.full_bump is not None:
        bump = damper.full_bump.value / ratio
    elif damper.bump_stop_gap is not None:
        bump = damper.bump_stop_gap.value / ratio
        assumed.append(f"{name}.damper.full_bump: not stated, wheel travel taken to end at the bump stop")
    else:
        bump = ASSUMED_TRAVEL
        assumed.append(f"{name}.damper.full_bump: not stated, {bump * 1000:.0f} mm of wheel travel taken")
    if damper.full_droop is not None:
        droop = damper.full_droop.value / ratio
    else:
        droop = bump
        assumed.append(f"{name}.damper.full_droop: not stated, as much droop as bump taken")
    return WheelRange(bump, droop, tuple(assumed))


def body_forces(bank: float, centripetal: float) -> tuple[float, float]:
    """Return lateral and vertical specific force on a bank [m/s2].

    Parameters
    ----------
    bank : float
        Cross slope towards the inside [rad].
    centripetal : float
        Horizontal acceleration towards the inside, speed^2 / radius [m/s2].

    Notes
    -----
    f_y = a cos(bank) - g sin(bank); f_z = g cos(bank) + a sin(bank) (statics). Roll of the body against
    the road is not in these; `banked_travel` adds it.
    """
    sine, cosine, g = math.sin(bank), math.cos(bank), STANDARD_GRAVITY
    return centripetal * cosine - g * sine, g * cosine + centripetal * sine


def banked_travel(car: CarSheet, setup: Setup, bank: float, centripetal: float) -> dict[Corner, TravelUse]:
    """Return what a steady left turn on a bank uses of each damper's travel (right side outside).

    Heave: the sprung weight above the static one over the wheel rate. Roll: suspension roll times half the
    track. Bump stops are left out: past the gap the figure says how far the springs alone would let it go.

    Parameters
    ----------
    car, setup : CarSheet, Setup
        Car and set-up.
    bank, centripetal : float
        As in `body_forces`; their own errors are not included.
    """
    found = propagate(car, lambda sheet: _travel_values(sheet, setup, bank, centripetal))
    return {corner: _travel_use(car, found, axle, corner) for axle in AXLES for corner in AXLE_CORNERS[axle]}


def _travel_values(car: CarSheet, setup: Setup, bank: float, centripetal: float) -> Mapping[str, Array]:
    # Steady state on the bank: springs carry the extra weight, springs and bar the roll.
    masses = axles.mass_properties(car)
    roll = axles.car_roll(car, bar_rates(car, setup))
    lateral, vertical = body_forces(bank, centripetal)
    # The body leans against the road, so its own axes see more of the weight (small angles).
    lateral_body = lateral / (1.0 - vertical * roll.body)
    values: dict[str, Array] = {}
    for axle in AXLES:
        sheet = car.axle(axle)
        ratio = axles.static_motion_ratio(sheet.damper_motion_ratio)
        sprung = masses.axle(axle).sprung
        extra = sprung * (vertical - STANDARD_GRAVITY) / 2.0
        heave = np.asarray(ratio * extra / axles.wheel_rate(sheet, sprung))
        lean = np.asarray(ratio * roll.axles[axle].suspension * lateral_body * array(sheet.track_width) / 2.0)
        gap = array(0.0 if sheet.damper.bump_stop_gap is None else sheet.damper.bump_stop_gap)
        for corner, side in zip(AXLE_CORNERS[axle], (-1.0, 1.0), strict=True):
            values |= {
                f"heave {corner}": heave,
                f"roll {corner}": np.asarray(side * lean),
                f"total {corner}": np.asarray(heave + side * lean),
                f"margin {corner}": np.asarray(gap - heave - side * lean),
            }
    return values


def _travel_use(car: CarSheet, found: Propagated, axle: Axle, corner: Corner) -> TravelUse:
    gap = car.axle(axle).damper.bump_stop_gap
    heave, roll, total = (
        found.estimate(f"{part} {corner}", "mm", 1000.0) for part in ("heave", "roll", "total")
    )
    margin = margin_estimate(car, axle, found, f"margin {corner}")
    compression = found.values[f"total {corner}"]
    part = None if compression <= NOT_PRESSED else found.values[f"roll {corner}"] / compression
    return TravelUse(heave, roll, total, None if gap is None else gap.value * 1000.0, margin, part)


def margin_estimate(car: CarSheet, axle: Axle, found: Propagated, name: str) -> Estimate:
    """Return the travel left before an axle's bump stop [mm]; unknown without a gap in the sheet."""
    if car.axle(axle).damper.bump_stop_gap is None:
        return Estimate.unknown("mm", f"{axle}.damper.bump_stop_gap is not in the car sheet")
    return found.estimate(name, "mm", MM_PER_M)


# What full travel asks of a bar: the force in its links, and how far its metal is from yielding.


STRESS_METHOD: Final = "yield strength over stress, one wheel in full bump and the other in full droop"
STRESS_NOTE: Final = "no error: sound welds and the sizes of the sheet are taken for granted"


@dataclass(frozen=True, slots=True)
class LoadedBar:
    """A bar at one setting, with one wheel in full bump and the other in full droop.

    Parameters
    ----------
    model, solution : BarModel, BarSolution
        Its statics.
    motion : BarMotion
        Of levers and links over the whole travel.
    force : float
        In the left link [N].
    share : float
        Of a force, the left link's over the mean of both [1].
    """

    model: BarModel
    solution: BarSolution
    motion: BarMotion
    force: float
    share: float


def loaded_bar(bar: BladedBar | FormedBar, setting: BarSetting | None, travel: WheelRange) -> LoadedBar:
    """Return a completed bar at a setting under full opposite travel of its wheels."""
    solution, model = bar_solution(bar, setting), bar_model(bar, setting)
    rate, ratio = float(solution.rate), float(array(bar.motion_ratio))
    static = linkage(model, solution.loads)
    # Motion with large angles, over the whole travel of the wheels: that is where a link runs past the bar.
    motion = bar_motion(rate, static, bar.link, ratio, travel.bump, travel.droop)
    # The left link of an unequal pair carries less or more than the mean.
    share = 2.0 / (1.0 + float(solution.loads.ratio))
    return LoadedBar(model, solution, motion, share * full_force(rate, static, ratio, motion, travel), share)


def full_force(rate: float, static: Linkage, ratio: float, motion: BarMotion, travel: WheelRange) -> float:
    """Return the mean link force with one wheel in full bump and the other in full droop [N].

    The bar's torque follows from the levers' relative turn; a link that cannot follow that far gives the
    small-angle figure.
    """
    if motion.twist is None:
        return rate * ratio * (travel.bump + travel.droop) / 2.0
    return rate * static.effective_lever * motion.twist / 2.0


def _stress_factor(car: CarSheet, setup: Setup, axle: Axle, marks: tuple[str, ...]) -> Estimate:
    """Return yield over stress of a bar as set; `marks` are what nobody has measured of its rate."""
    sheet, setting = car.axle(axle), setup.bar(axle)
    bar = complete_bar(sheet.bar)
    if isinstance(bar, NoBar) or setting == "off":
        return Estimate.unknown("1", "the bar is off", STRESS_METHOD)
    loaded = loaded_bar(bar, setting, wheel_range(sheet, axle))
    factor = float(safety_factor(stress_points(bar, loaded.model, loaded.solution), loaded.force))
    if not math.isfinite(factor):
        why = "no yield strength is known of this bar" if math.isnan(factor) else "the wheels have no travel"
        return Estimate.unknown("1", why, STRESS_METHOD)
    # Strengths and ends of travel do not move the rate: whatever is marked of them counts here.
    below = ["bar", "damper.full_droop", "spring" if sheet.damper.motion_ratio is None else "damper"]
    below[2] += ".motion_ratio"
    below.append("damper.bump_stop_gap" if sheet.damper.full_bump is None else "damper.full_bump")
    keys = [f"{axle}.{key}" for key in below]
    marks += tuple(m for m in car.unmeasured if any(stands_over(k, m) or stands_over(m, k) for k in keys))
    return Estimate(
        factor, "1", method=STRESS_METHOD, notes=(STRESS_NOTE,), provisional=tuple(dict.fromkeys(marks))
    )


# What unequal links do to the corner loads of a car that stands still.


PRELOAD_NOTE = "links that run down from the bar to the suspension; turn the sign for links that run up"


def bar_preload(car: CarSheet, setup: Setup, axle: Axle) -> Preload | None:
    """Return the preload of an axle's bar; None when its links are equal or it has no bar.

    A link longer by d twists the bar as if each end had moved d/2: F = k d/2, roll moment F MR t on that
    axle. Body and axles settle until the moments of both axles cancel: springs and bar in series with
    tyres at each axle, shell rigid or as stiff as the sheet says.
    """
    bar = car.axle(axle).bar
    if isinstance(bar, NoBar) or bar.link is None or bar.link.left_longer is None or setup.bar(axle) == "off":
        return None
    found = propagate(car, lambda sheet: _preload_values(sheet, setup, axle))
    return Preload(
        left_longer=bar.link.left_longer.value,
        link_force=found.estimate("force", "N").with_notes(PRELOAD_NOTE),
        corner_change={a: found.estimate(f"corner {a}", "N").with_notes(PRELOAD_NOTE) for a in AXLES},
    )


def _preload_values(car: CarSheet, setup: Setup, axle: Axle) -> Mapping[str, Array]:
    sheet = car.axle(axle)
    if isinstance(sheet.bar, NoBar) or sheet.bar.link is None:
        raise ValueError("no bar to preload")
    rates = bar_rates(car, setup)
    roll = axles.car_roll(car, rates)
    force = np.asarray(rates[axle] * array(sheet.bar.link.left_longer) / 2.0)
    moment = force * array(sheet.bar.motion_ratio) * array(sheet.track_width)
    pair = {
        a: roll.axles[a].stiffness / (1.0 + roll.axles[a].stiffness * axles.tyre_roll_compliance(car.axle(a)))
        for a in AXLES
    }
    other: Axle = "rear" if axle == "front" else "front"
    # Seen from the loaded axle, the other one (through the shell) holds the body level.
    hold = pair[other]
    if car.chassis_stiffness is not None:
        shell = array(car.chassis_stiffness)
        hold = hold * shell / (hold + shell)
    reduced = moment * pair[axle] / roll.axles[axle].stiffness
    carried = np.asarray(reduced * hold / (pair[axle] + hold))
    return {
        "force": force,
        f"corner {axle}": np.asarray(carried / array(sheet.track_width)),
        f"corner {other}": np.asarray(-carried / array(car.axle(other).track_width)),
    }
