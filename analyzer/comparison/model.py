"""One model over all runs of a session: every bar setting, and which settings really differ."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Final

from analyzer.comparison.calibration import Calibration, propagate_calibrated
from analyzer.comparison.ledger import sheet_roll
from analyzer.comparison.pooling import GroupFit, fit_groups
from analyzer.comparison.results import SettingEffect, SettingPair, SetupResult
from analyzer.comparison.setups import scatter_prior, stiffness_values
from analyzer.estimate import Estimate
from analyzer.prediction.propagation import Values
from analyzer.prediction.results import SetupPrediction
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup

SIGNIFICANT: Final = 0.05
"""Corrected probability under which two settings are called different."""


def joined_sessions(
    sessions: Mapping[str, tuple[Mapping[str, Setup], Sequence[RunEstimates]]],
) -> tuple[dict[str, Setup], tuple[RunEstimates, ...]]:
    """Put the set-ups and runs of several sessions of one car together, for `calibrate`.

    Parameters
    ----------
    sessions : mapping
        Name of a session -> its set-ups and its runs, earliest first.

    Returns
    -------
    setups, runs
        Under names that carry the session, so that a set-up of the same name on another day stays its own.
    """
    setups: dict[str, Setup] = {}
    runs: list[RunEstimates] = []
    for name, (own_setups, own_runs) in sessions.items():
        setups |= {f"{name}: {setup}": hardware for setup, hardware in own_setups.items()}
        runs += [replace(r, name=f"{name}: {r.name}", setup=f"{name}: {r.setup}") for r in own_runs]
    return setups, tuple(runs)


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


def setting_pairs(results: Sequence[SetupResult], fit: GroupFit | None) -> tuple[SettingPair, ...]:
    """Return every pair of set-ups with its ratio; the probabilities are corrected after Holm (1979)."""
    if fit is None:
        return ()
    known = {r.name: r for r in results if r.name in fit.groups}
    changes = {pair: fit.change(*pair) for pair in combinations(known, 2)}
    order = sorted(changes, key=lambda pair: changes[pair].p_value)
    corrected: dict[tuple[str, str], float] = {}
    highest = 0.0
    for rank, pair in enumerate(order):
        highest = max(highest, min(1.0, changes[pair].p_value * (len(order) - rank)))
        corrected[pair] = highest
    pairs = []
    for (before, after), change in changes.items():
        ratio = math.exp(change.value)
        low, high = change.interval
        pairs.append(
            SettingPair(
                before=before,
                after=after,
                ratio=Estimate(
                    value=ratio,
                    unit="1",
                    std_error=ratio * change.std_error,
                    interval=(math.exp(low), math.exp(high)),
                    n=fit.count(before) + fit.count(after),
                    method="car's roll stiffness, one scatter for the session",
                ),
                predicted=_predicted_ratio(known[before], known[after]),
                p_value=corrected[before, after],
                different=corrected[before, after] < SIGNIFICANT,
            )
        )
    return tuple(pairs)


def _predicted_ratio(before: SetupResult, after: SetupResult) -> Estimate:
    old, new = (r.predicted.roll_stiffness["total"].value for r in (before, after))
    if not old or new is None:
        return Estimate.unknown("1", "not predicted")
    return Estimate(
        value=new / old, unit="1", method="from the sheet", notes=("see the comparison for its error",)
    )
