"""Hand-made runs for the tests of comparison: a linear car whose roll is known exactly."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from vehicle.bar_helpers import BAR, car

from analyzer.comparison.changes import compare_setups
from analyzer.comparison.results import Comparison, SetupResult
from analyzer.comparison.setups import setup_results
from analyzer.core.estimate import Estimate
from analyzer.core.units import AXLES
from analyzer.prediction.setup import predict_change, predict_setup
from analyzer.processing.results import Motion, RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup


def setup(front: Any = None, rear: Any = None) -> Setup:
    table = {"front_bar": {"hole": 1, "spacers": 0} if front is None else front}
    if rear is not None:
        table["rear_bar"] = rear
    return Setup.model_validate(table)


def hole(number: int, spacers: int = 0) -> dict[str, int]:
    return {"hole": number, "spacers": spacers}


SOFT = setup(hole(1))
STIFF = setup(hole(3))


def gradient(
    value: float, relative_error: float | None = 0.002, calibration: float | None = None
) -> Estimate:
    error = None if relative_error is None else relative_error * value
    notes = ("made by hand",) if error is None else ()
    return Estimate(value=value, unit="deg/g", std_error=error, calibration=calibration, n=20, notes=notes)


def run(
    name: str,
    setup_name: str,
    body: dict[str, float],
    relative_error: float | None = 0.002,
    calibration: float | None = None,
    **further: Any,
) -> RunEstimates:
    """Return a run that shows `body` roll gradients [deg/g]; the level-road ones are a tenth larger."""
    return RunEstimates(
        name=name,
        setup=setup_name,
        roll_gradient={k: gradient(1.1 * v, relative_error) for k, v in body.items()},
        roll_gradient_body={k: gradient(v, relative_error, calibration) for k, v in body.items()},
        fits={},
        load_share=further.pop("load_share", {}),
        loads=pd.DataFrame(),
        bottoming=further.pop("bottoming", ()),
        motion=Motion(pd.DataFrame(), pd.DataFrame(), pd.Series(dtype=bool)),
        **further,
    )


def true_roll(sheet: CarSheet, hardware: Setup) -> dict[str, float]:
    """Return the body-axes gradients of a car that is exactly as its sheet says."""
    predicted = predict_setup(sheet, "x", hardware).roll_gradient_body
    return {axle: float(predicted[axle].value or 0.0) for axle in AXLES}


def session_runs(
    sheet: CarSheet,
    order: list[tuple[str, Setup]],
    scatter: float = 0.0,
    seed: int = 0,
    within: float | None = 0.002,
    drift: float = 0.0,
    common: float = 1.0,
) -> list[RunEstimates]:
    """Return runs in an order of set-ups; roll of both axles scatters together by `common`, else apart."""
    draw = np.random.default_rng(seed)
    found = []
    exact = {name: true_roll(sheet, hardware) for name, hardware in dict(order).items()}
    for index, (name, _) in enumerate(order):
        both = draw.standard_normal()
        body = {}
        for axle, value in exact[name].items():
            z = common * both + np.sqrt(1.0 - common**2) * draw.standard_normal()
            error = 0.0 if within is None else within * draw.standard_normal()
            body[axle] = value * float(np.exp(scatter * z + error + drift * index))
        found.append(run(f"r{index + 1:02d}", name, body, within))
    return found


def results_of(sheet: CarSheet, setups: dict[str, Setup], runs: list[RunEstimates]) -> dict[str, SetupResult]:
    predictions = {name: predict_setup(sheet, name, hardware) for name, hardware in setups.items()}
    return {result.name: result for result in setup_results(sheet, setups, runs, predictions)}


def compare(sheet: CarSheet, before: Setup, after: Setup, runs: list[RunEstimates]) -> Comparison:
    """Set set-up A (`before`) against B (`after`)."""
    results = results_of(sheet, {"A": before, "B": after}, runs)
    change = predict_change(sheet, "A", before, "B", after)
    return compare_setups(sheet, results["A"], results["B"], change, runs)


__all__ = [
    "BAR",
    "SOFT",
    "STIFF",
    "car",
    "compare",
    "gradient",
    "hole",
    "results_of",
    "run",
    "session_runs",
    "setup",
    "true_roll",
]
