"""Pots whose zero nobody knows: roll is told, and nothing that hangs on the zero."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from engine.car import ENGINE_CAR
from engine.plan import plan_of
from engine.runs import make_run, slow_gradient
from engine.sheets import bar_rates, car_sheet

from analyzer.ingest.read_run import read_recording
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet

OFFSETS = {"FL pot": 30.0, "FR pot": -28.0, "RL pot": 26.0, "RR pot": 40.0}
"""What the pots read at ride height [mm]."""


def one_way_round(folder: Path, **static: str) -> tuple[RunEstimates, dict[str, float]]:
    """Return a run that only turns left, its start cut off: it neither stands nor runs straight."""
    rng = np.random.default_rng(1)
    knots = [(0.0, 0.0, 0.0, 0.0, 0.0), (4.0, 0.0, 0.0, 0.0, 0.0), (8.0, 0.0, 15.0, 0.0, 0.0)]
    knots += [(9.5 + 1.5 * k, float(rng.uniform(0.4, 0.95)), 15.0, 0.0, 10.0) for k in range(24)]
    run = make_run(folder / "r.csv", "full", "course", 1, "A", plan=plan_of(knots))
    log = pd.read_csv(run.path)
    log = log[log["Time"] > 11.0].assign(**{pot: log[pot] + off for pot, off in OFFSETS.items()})
    log.to_csv(run.path, index=False)
    table = tomllib.loads(car_sheet(ENGINE_CAR))
    for name, channel in table["logger"]["channels"].items():
        if name.startswith("damper"):
            channel.pop("static")
            channel |= {"static": static[name]} if name in static else {}
    sheet = CarSheet.model_validate(table)
    recording = read_recording("r", (run.path,), sheet)
    return estimate_run(recording, sheet, "full", bar_rates(ENGINE_CAR, "full")), slow_gradient(run)


def test_nothing_that_hangs_on_an_unknown_zero_is_told(tmp_path: Path) -> None:
    estimates, truth = one_way_round(tmp_path)
    assert not estimates.bottoming
    assert not estimates.topping
    assert not estimates.load_share
    for axle in ("front", "rear"):
        assert estimates.stops[axle].value is None
        assert any(note.startswith(f"{axle}: left share and loads not given") for note in estimates.notes)
        # Roll needs no zero.
        assert estimates.roll_gradient_body[axle].value == pytest.approx(truth[axle], rel=0.03)


def test_a_stated_zero_gives_all_of_it_back(tmp_path: Path) -> None:
    stated = {f"damper_{pot[:2]}": f"{off} mm" for pot, off in OFFSETS.items()}
    estimates, _ = one_way_round(tmp_path, **stated)
    assert set(estimates.load_share) == {"front", "rear"}
    assert estimates.stops["front"].value == pytest.approx(42.0)
