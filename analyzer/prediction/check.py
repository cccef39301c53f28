"""Bars that a sheet can describe but nobody can build: said once, before anything is computed."""

from __future__ import annotations

from pathlib import Path

from analyzer.constants import AXLES
from analyzer.errors import AnalyzerError, SheetError
from analyzer.prediction.formed import ShapeError, formed_model
from analyzer.sheets.bar import FormedBar
from analyzer.sheets.car import CarSheet


def check_bars(car: CarSheet, path: Path | None = None) -> None:
    """Refuse a bent bar whose centre line or mounts cannot be.

    What the sheet's own reader can see (walls, holes, mounts outside the tube) it has refused already; the
    course of a bent bar shows only when it is laid out.

    Raises
    ------
    SheetError
        One line naming the key, when `path` (the car sheet) is given.
    AnalyzerError
        The same without the file.
    """
    for axle in AXLES:
        bar = car.axle(axle).bar
        if not isinstance(bar, FormedBar):
            continue
        try:
            formed_model(bar)
        except ShapeError as error:
            key = f"{axle}.bar.{error.key}"
            if path is not None:
                raise SheetError(path, key, error.problem, error.remedy) from None
            raise AnalyzerError(f"{key}: {error.problem}; {error.remedy}") from None
