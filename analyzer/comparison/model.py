"""One model over all runs of a session: every bar setting, and which settings really differ."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from analyzer.comparison.calibration import Calibration, propagate_calibrated
from analyzer.comparison.ledger import sheet_roll
from analyzer.comparison.pooling import GroupFit, fit_groups
from analyzer.comparison.results import SettingEffect, SetupResult
from analyzer.comparison.setups import scatter_prior, stiffness_values
from analyzer.comparison.simultaneous import SettingPair, compared
from analyzer.prediction.propagation import Propagated, Values, propagate
from analyzer.prediction.results import SetupPrediction
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup


@dataclass(frozen=True, slots=True)
class PastSession:
    """An earlier session of the same car.

    Parameters
    ----------
    name : str
        As it is called beside the present one; each has its own.
    setups : mapping
        Set-up name -> hardware.
    runs : sequence of RunEstimates
        In the order of driving.
    """

    name: str
    setups: Mapping[str, Setup]
    runs: Sequence[RunEstimates]


@dataclass(frozen=True, slots=True)
class Joined:
    """Set-ups and runs of several sessions of one car.

    Parameters
    ----------
    setups : dict
        Set-up -> hardware; those of earlier sessions carry the session in their name, so that a set-up of the
        same name on another day stays its own.
    runs : tuple of RunEstimates
        Earliest first; named likewise.
    session_of : dict
        Run -> session; the present one has no name.
    """

    setups: dict[str, Setup]
    runs: tuple[RunEstimates, ...]
    session_of: dict[str, str]


def joined_sessions(
    setups: Mapping[str, Setup], runs: Sequence[RunEstimates], earlier: Sequence[PastSession]
) -> Joined:
    """Put earlier sessions (earliest first) and the present one together."""
    hardware: dict[str, Setup] = {}
    drives: list[RunEstimates] = []
    session_of: dict[str, str] = {}
    for past in earlier:
        hardware |= {f"{past.name}: {setup}": own for setup, own in past.setups.items()}
        named = [
            replace(r, name=f"{past.name}: {r.name}", setup=f"{past.name}: {r.setup}") for r in past.runs
        ]
        drives += named
        session_of |= {run.name: past.name for run in named}
    session_of |= {run.name: "" for run in runs}
    return Joined({**hardware, **setups}, (*drives, *runs), session_of)


def session_fit(
    car: CarSheet, runs: Sequence[RunEstimates], predictions: Mapping[str, SetupPrediction]
) -> GroupFit | None:
    """Fit the car's roll stiffness over all runs of the session; None when no run shows it."""
    values, scale, _ = stiffness_values(car, "total", runs, predictions)
    return fit_groups(values, scatter_prior(scale)) if values else None


def setting_effects(
    car: CarSheet, results: Sequence[SetupResult], calibration: Calibration | None
) -> tuple[SettingEffect, ...]:
    """Return every set-up that was driven: measured, predicted, and predicted anew after all runs."""
    driven = [r for r in results if r.runs and r.measured["roll_stiffness_total"].value is not None]
    if not driven:
        return ()
    hardware = {r.name: r.hardware for r in driven if r.hardware is not None}

    def function(sheet: CarSheet) -> Values:
        told = {name: sheet_roll(sheet, setup).stiffness for name, setup in hardware.items()}
        return {name: stiff["front"] + stiff["rear"] for name, stiff in told.items()}

    updated = propagate_calibrated(car, calibration, function)
    return tuple(
        SettingEffect(
            setup=result.name,
            settings={axle: bar.setting for axle, bar in result.predicted.bars.items()},
            measured=result.measured["roll_stiffness_total"],
            predicted=result.predicted.roll_stiffness["total"],
            updated=updated.estimate(result.name, "N m/deg", method="car sheet updated by all runs"),
            runs=len(result.runs),
        )
        for result in driven
        if result.name in hardware
    )


def setting_pairs(
    car: CarSheet, results: Sequence[SetupResult], fit: GroupFit | None
) -> tuple[SettingPair, ...]:
    """Return every pair of set-ups; intervals and probabilities hold for all pairs together."""
    if fit is None:
        return ()
    known = {r.name: r.hardware for r in results if r.name in fit.groups and r.hardware is not None}
    told = _predicted_ratios(car, known)
    method = "car's roll stiffness; the interval holds for all pairs together"
    return tuple(
        compared(
            (before, after),
            fit.change(before, after),
            None,
            len(known),
            fit.count(before) + fit.count(after),
            method,
            told.estimate(f"{before} {after}", "1"),
        )
        for before, after in combinations(known, 2)
    )


def _predicted_ratios(car: CarSheet, hardware: Mapping[str, Setup]) -> Propagated:
    def function(sheet: CarSheet) -> Values:
        whole = {}
        for name, setup in hardware.items():
            stiff = sheet_roll(sheet, setup).stiffness
            whole[name] = stiff["front"] + stiff["rear"]
        # A car with a single set-up has no pair; the constant keeps the table from being empty.
        return {f"{a} {b}": whole[b] / whole[a] for a, b in combinations(whole, 2)} or {"none": 1.0}

    return propagate(car, function)
