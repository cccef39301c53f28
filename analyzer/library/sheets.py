"""Public functions that need sheets alone: read them, and predict from them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analyzer.constants import Axle
    from analyzer.prediction.ladder_results import BarLadder
    from analyzer.prediction.results import SetupPrediction
    from analyzer.session import Session
    from analyzer.sheets.car import CarSheet


def load_session(path: str | Path) -> Session:
    """Read a session sheet and everything it names, without opening a log.

    Parameters
    ----------
    path : str or Path
        Session sheet, or the folder that holds ``session.toml``.

    Returns
    -------
    Session
        Sheets with all values in SI.

    Raises
    ------
    SheetError
        One line naming file, key and remedy.
    """
    from analyzer.session import load_session

    return load_session(Path(path))


def load_car(path: str | Path) -> CarSheet:
    """Read a car sheet.

    Parameters
    ----------
    path : str or Path
        The sheet.

    Returns
    -------
    CarSheet
        Its contents, SI, with tolerances.

    Raises
    ------
    SheetError
        One line naming file, key and remedy.
    """
    from analyzer.prediction.check import check_bars
    from analyzer.sheets.reading import read_car

    sheet = read_car(Path(path))
    check_bars(sheet, Path(path))
    return sheet


def predict(session: str | Path | Session) -> dict[str, SetupPrediction]:
    """Predict every set-up of a session from its sheets alone; no log is opened.

    Parameters
    ----------
    session : str, Path or Session
        Session sheet, its folder, or what `load_session` returned.

    Returns
    -------
    dict
        Set-up -> `SetupPrediction`: bar rates [N/m], roll stiffness [N m/deg], roll gradients [deg/g], load
        transfer [N/g], each with its error.

    Raises
    ------
    SheetError
        When a sheet cannot be used.
    """
    from analyzer.session import predict_session

    return predict_session(load_session(session) if isinstance(session, (str, Path)) else session)


def bars(car: str | Path | CarSheet) -> dict[Axle, BarLadder]:
    """Predict every setting of a car's bars: rate, compliance, stress, motion.

    Parameters
    ----------
    car : str, Path or CarSheet
        Car sheet, or what `load_car` returned.

    Returns
    -------
    dict
        Axle -> `BarLadder`, softest setting first; no entry for an axle without a bar.

    Raises
    ------
    AnalyzerError
        When the sheet cannot be used.
    """
    from analyzer.constants import AXLES
    from analyzer.prediction.ladder_rows import bar_ladder

    sheet = load_car(car) if isinstance(car, (str, Path)) else car
    ladders = {axle: bar_ladder(sheet, axle) for axle in AXLES}
    return {axle: ladder for axle, ladder in ladders.items() if ladder is not None}
