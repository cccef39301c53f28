"""Bars that a sheet can describe but nobody can build: said once, before anything is computed."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from analyzer.constants import AXLES
from analyzer.errors import AnalyzerError, SheetError
from analyzer.prediction.bladed import blade_outline
from analyzer.prediction.formed import ShapeError, formed_model
from analyzer.prediction.frame import BarModel
from analyzer.sheets.bar import Blade, BladedBar, FormedBar
from analyzer.sheets.car import CarSheet

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
