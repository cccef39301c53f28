"""Contacts on travels made by hand: hysteresis, spikes, near misses, full droop, dead pots."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from engine.car import ENGINE_CAR
from engine.runs import EngineRun, make_run, sheet_of

from analyzer.core.signals import white_noise
from analyzer.core.units import Uncertain
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Recording
from analyzer.processing.bottoming import find_contacts
from analyzer.processing.estimate_run import estimate_run
from analyzer.sheets.car import CarSheet

RATE, GAP = 200.0, 0.040
TIME = np.arange(400) / RATE
GOOD = np.zeros(400, dtype=bool)


def _hop(height: float, at: float, width: float = 0.03) -> np.ndarray:
    return height * np.exp(-(((TIME - at) / width) ** 2))


def test_peak_and_start_lie_between_samples() -> None:
    at = 1.0023
    (contact,) = find_contacts(_hop(0.045, at), GOOD, GAP, RATE)
    crossing = at - 0.03 * np.sqrt(np.log(0.045 / GAP))
    assert contact.peak / RATE == pytest.approx(at, abs=2e-4)
    assert contact.height == pytest.approx(0.045, abs=1e-4)
    assert contact.start / RATE == pytest.approx(crossing, abs=5e-4)


def test_approach_speed_is_the_slope_before_contact() -> None:
    at = 1.0
    (contact,) = find_contacts(_hop(0.045, at, 0.08), GOOD, GAP, RATE)
    before = at - 0.08 * np.sqrt(np.log(0.045 / GAP)) - 0.006
    slope = -2.0 * (before - at) / 0.08**2 * 0.045 * np.exp(-(((before - at) / 0.08) ** 2))
    assert contact.approach == pytest.approx(slope, rel=0.1)


def test_noise_does_not_split_a_hit() -> None:
    rng = np.random.default_rng(2)
    travel = np.where((TIME > 0.5) & (TIME < 1.5), GAP + 0.0006, 0.0) + 2e-4 * rng.standard_normal(400)
    assert len(find_contacts(travel, GOOD, GAP, RATE)) == 1


def test_two_hops_are_two_hits_and_a_shiver_is_one() -> None:
    apart = _hop(0.045, 0.6) + _hop(0.045, 0.9)
    assert len(find_contacts(apart, GOOD, GAP, RATE)) == 2
    shiver = _hop(0.045, 0.60, 0.02) + _hop(0.045, 0.64, 0.02)
    assert len(find_contacts(shiver, GOOD, GAP, RATE)) == 1


def test_near_miss_spike_and_bad_samples_are_no_contact() -> None:
    assert find_contacts(_hop(GAP - 0.0002, 1.0), GOOD, GAP, RATE) == []
    spike = np.zeros(400)
    spike[200] = 0.060
    assert find_contacts(spike, GOOD, GAP, RATE) == []
    assert find_contacts(_hop(0.045, 1.0), np.abs(TIME - 1.0) < 0.1, GAP, RATE) == []


def test_noise_is_measured() -> None:
    rng = np.random.default_rng(3)
    assert white_noise(_hop(0.045, 1.0, 0.1) + 1e-4 * rng.standard_normal(400)) == pytest.approx(
        1e-4, rel=0.2
    )


@pytest.fixture(scope="module")
def driven(tmp_path_factory: pytest.TempPathFactory) -> tuple[EngineRun, Recording, CarSheet]:
    car = ENGINE_CAR.with_both(stop_gap=0.022)
    run = make_run(tmp_path_factory.mktemp("droop") / "r.csv", "full", "course", 5, "C", car=car)
    sheet = sheet_of(car)
    return run, read_recording("r", (run.path,), sheet, None, None), sheet


def _with_damper(sheet: CarSheet, **changes: object) -> CarSheet:
    axles = {
        name: axle.model_copy(update={"damper": axle.damper.model_copy(update=changes)})
        for name, axle in (("front", sheet.front), ("rear", sheet.rear))
    }
    return sheet.model_copy(update=axles)


def test_full_droop_is_told_apart(driven: tuple[EngineRun, Recording, CarSheet]) -> None:
    run, recording, sheet = driven
    end = -max(recording.data["damper_FL"].min(), -1.0) - 0.004
    estimates = estimate_run(
        recording, _with_damper(sheet, full_droop=Uncertain(end)), "full", {"front": 51e3, "rear": 20e3}
    )
    assert estimates.topping
    assert all(e.kind == "full droop" and e.hard for e in estimates.topping)
    assert all(e.kind == "bump stop" for e in estimates.bottoming)
    deepest = max(e.peak for e in estimates.topping if e.corner == "FL")
    assert deepest == pytest.approx(-run.truth.driven.damper["FL"].min(), abs=5e-4)


def test_dead_spot_of_a_pot_is_not_felt(driven: tuple[EngineRun, Recording, CarSheet]) -> None:
    _, recording, sheet = driven
    data = recording.data.copy()
    time = data.index.to_numpy()
    # A dip of the signal as wide as a hit, 30 mm past the gap, of which the body knows nothing.
    data["damper_RL"] += 0.055 * np.exp(-(((time - 25.0) / 0.04) ** 2))
    changed = replace(recording, data=data)
    stiff = _with_damper(sheet, bump_stop_rate=Uncertain(400e3))
    events = estimate_run(changed, stiff, "full", {"front": 51e3, "rear": 20e3}).bottoming
    false = [e for e in events if e.corner == "RL" and abs(e.peak_s - 25.0) < 0.1]
    assert len(false) == 1
    assert false[0].seen is False


def test_grip_lost_in_a_hit_is_told(driven: tuple[EngineRun, Recording, CarSheet]) -> None:
    _, recording, sheet = driven
    plain = estimate_run(recording, sheet, "full", {"front": 51e3, "rear": 20e3})
    cornering = [e for e in plain.bottoming if e.lateral_kept is not None and e.lateral_kept > 0.9]
    event = cornering[0]
    data = recording.data.copy()
    time = data.index.to_numpy()
    lost = 1.0 - 0.5 * np.exp(-(((time - event.peak_s) / 0.15) ** 2))
    for name in ("accel_x", "accel_y"):
        data[name] *= lost
    after = estimate_run(replace(recording, data=data), sheet, "full", {"front": 51e3, "rear": 20e3})
    same = min(after.bottoming, key=lambda e: (e.corner != event.corner, abs(e.peak_s - event.peak_s)))
    assert same.lateral_kept is not None
    assert same.lateral_kept < 0.75
