"""What a set-up, and a change from one to another, should do to the car."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from analyzer.constants import AXLES, STANDARD_GRAVITY, Axle
from analyzer.errors import AnalyzerError, SheetError
from analyzer.estimate import Estimate
from analyzer.prediction.axle import CarRoll, car_roll
from analyzer.prediction.check import check_bars
from analyzer.prediction.extras import extra_estimates, extra_values
from analyzer.prediction.propagation import Propagated, Values, propagate
from analyzer.prediction.rate import bar_rates, bar_solution, setting_in_words
from analyzer.prediction.results import BarPrediction, ChangePrediction, LoadTransfer, SetupPrediction
from analyzer.sheets.bar import BladedBar, FormedBar, NoBar
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import BarSetting, Setup, SideSetting
from analyzer.units import RAD_PER_MPS2_TO_DEG_PER_G

NM_PER_DEG: Final = math.pi / 180.0
"""Factor from N m/rad to N m/deg."""

TOLD: Final = tuple(f"{what} {a}" for what in ("stiffness", "gradient") for a in AXLES)
"""Figures for whose sake assumed tolerances are listed."""

FALLING_OVER: Final = 10.0
"""Factor of the gravity term above which a car is taken to fall over; road cars have 1.05 to 1.2."""

CHANGE_METHOD: Final = "both set-ups from one sheet; errors common to both cancel"

__all__ = ["SetupProblem", "bar_rates", "check_setup", "predict_change", "predict_setup", "setup_values"]


@dataclass(frozen=True, slots=True)
class SetupProblem:
    """A set-up that this car cannot have.

    Parameters
    ----------
    key : str
        Key below the set-up's table: ``front_bar.hole``.
    problem, remedy : str
        As for `analyzer.errors.SheetError`.
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


def predict_setup(car: CarSheet, name: str, setup: Setup, sheet_path: Path | None = None) -> SetupPrediction:
    """Return what a set-up should show, every figure with the error of the car sheet.

    Parameters
    ----------
    car : CarSheet
        The car.
    name : str
        Name of the set-up.
    setup : Setup
        Its bar settings.
    sheet_path : Path or None
        The session sheet, named when the set-up cannot be.

    Raises
    ------
    SheetError, AnalyzerError
        One line when the set-up does not exist on this car.
    """
    _refuse(car, name, setup, sheet_path)
    found = propagate(car, lambda sheet: setup_values(sheet, setup), tell=TOLD)
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
    _refuse(car, before, before_setup, None)
    _refuse(car, after, after_setup, None)

    def both(sheet: CarSheet) -> Values:
        old, new = setup_values(sheet, before_setup), setup_values(sheet, after_setup)
        values = {}
        for key in (*AXLES, "total"):
            values[f"ratio {key}"] = new[f"stiffness {key}"] / old[f"stiffness {key}"]
            values[f"change {key}"] = new[f"stiffness {key}"] - old[f"stiffness {key}"]
        for axle in AXLES:
            values[f"gradient {axle}"] = new[f"body gradient {axle}"] / old[f"body gradient {axle}"]
        return values

    found = propagate(car, both)
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
    roll = car_roll(car, rates)
    values = {f"rate {a}": rates[a] for a in AXLES}
    values |= roll_values(roll)
    return values | extra_values(car, roll, values)


def roll_values(roll: CarRoll) -> dict[str, float]:
    """Return the named figures of `setup_values` that follow from the car's roll."""
    values: dict[str, float] = {}
    for a in AXLES:
        axle = roll.axles[a]
        values[f"stiffness {a}"] = axle.stiffness  # type: ignore[assignment]
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


def _refuse(car: CarSheet, name: str, setup: Setup, sheet_path: Path | None) -> None:
    check_bars(car)
    found = check_setup(car, name, setup)
    if found is None:
        return
    key = f"setups.{name}.{found.key}"
    if sheet_path is not None:
        raise SheetError(sheet_path, key, found.problem, found.remedy)
    raise AnalyzerError(f"{key}: {found.problem}; {found.remedy}")


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
