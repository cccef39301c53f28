"""Repeated laps of one car, whose accelerometer may hold its samples or come late."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from engine.car import ENGINE_CAR, EngineCar
from engine.inertial_faults import CHANNELS, ChannelFault, InertialFaults, spoil_log
from engine.other_cars import random_car
from engine.plan import lap
from engine.runs import EngineRun, estimate, make_run, sheet_of, slow_gradient

from analyzer.processing.results import RunEstimates

AXLES = ("front", "rear")
RATE = 100.0
FAULTS = {
    "sound": ChannelFault(),
    "held": ChannelFault(hold=6),
    "late": ChannelFault(late=0.1, smoothed=True),
}
"""Of the accelerometer: one sample over six rows; behind a smoothing filter of 0.2 s."""
CELLS = (
    *(("course", 0.0, None, "A"), ("course", 0.0, 11, "B"), ("drift", 6.0, 14, "A")),
    *(("bowl", 8.0, 13, "A"), ("sweep", 0.0, 15, "B")),
)
"""Manoeuvre, bank [deg], what draws the car (None: the engine's own) and class of the road."""


def _car(drawn: int | None) -> EngineCar:
    return ENGINE_CAR if drawn is None else random_car(np.random.default_rng([drawn, 4]))


def _lap(folder: Path, cell: int, number: int) -> EngineRun:
    name, bank, drawn, road = CELLS[cell]
    plan = lap(name, cell, number, bank)
    path = folder / f"c{cell}l{number}.csv"
    return make_run(
        path, "full", seed=1000 * cell + number, road_class=road, rate=RATE, car=_car(drawn), plan=plan
    )


def _told(run: EngineRun, fault: str, seed: int) -> RunEstimates:
    sound = dict.fromkeys(CHANNELS, ChannelFault())
    spoilt = {name: FAULTS[fault] for name in CHANNELS if name.startswith("accel")}
    spoil_log(run, InertialFaults(seed, (fault,), sound | spoilt))
    return estimate(run, sheet_of(run.car, level_box=True))


def test_a_late_accelerometer_on_a_bank_is_no_lag_of_the_dampers(tmp_path: Path) -> None:
    """Dampers were told to be 0.15 s late and shifted by it: the rear gradient was 0.8 % high."""
    run = _lap(tmp_path, 2, 2)
    found = _told(run, "late", 1)
    truth = slow_gradient(run, 2.0)
    for axle in AXLES:
        assert found.roll_gradient_body[axle].value == pytest.approx(truth[axle], rel=0.003)
    assert found.further["damper_lag"].value is None
    assert not [note for note in found.notes if note.startswith("dampers")]
