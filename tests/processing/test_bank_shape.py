"""Bank, crest and dip: closed forms, and the engine's road."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from engine.car import ENGINE_CAR
from engine.runs import EngineRun, estimate, make_run, sheet_of

from analyzer.core.units import STANDARD_GRAVITY
from analyzer.processing.motion import bank_angle
from analyzer.processing.results import Motion
from analyzer.processing.road import bank_and_crest, road_stretches, with_road_shape
from analyzer.sheets.car import CarSheet

RATE = 100.0
TIME = np.arange(0.0, 30.0, 1.0 / RATE)


def _forces(bank: float, turning: np.ndarray, speed: float, rise: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return road-plane forces of a point mass on a path (statics)."""
    lateral, weight = speed * turning, STANDARD_GRAVITY + rise
    across = lateral * np.cos(bank) - weight * np.sin(bank)
    up = weight * np.cos(bank) + lateral * np.sin(bank)
    return np.zeros_like(across), across, up


# Statics of a banked turn at 1 g towards the centre: lateral and normal force in g, from the force triangle
# of any mechanics textbook (recomputed).
@pytest.mark.parametrize(
    ("degrees", "across", "up"),
    [(5, 0.909, 1.083), (10, 0.811, 1.158), (20, 0.598, 1.282), (31, 0.342, 1.372), (60, -0.366, 1.366)],
)
def test_closed_form_from_the_accelerometer_alone(degrees: float, across: float, up: float) -> None:
    bank = np.radians(degrees)
    forces = _forces(bank, np.full_like(TIME, STANDARD_GRAVITY / 16.0), 16.0, 0.0 * TIME)
    assert forces[1][0] / STANDARD_GRAVITY == pytest.approx(across, abs=6e-4)
    assert forces[2][0] / STANDARD_GRAVITY == pytest.approx(up, abs=6e-4)
    if degrees > 35:
        return  # steeper than any road that is driven slowly enough for the force to point outwards
    found, _ = bank_angle(forces, RATE, None, None)
    assert np.degrees(found[len(found) // 2]) == pytest.approx(degrees, abs=0.01)


@pytest.mark.parametrize("degrees", [20.0, 31.0])
def test_slower_than_the_neutral_speed_the_yaw_tells_the_turn(degrees: float) -> None:
    bank = np.radians(degrees)
    turning = np.full_like(TIME, 0.5 * STANDARD_GRAVITY * np.tan(bank) / 10.0)
    found, turn = bank_angle(_forces(bank, turning, 10.0, 0.0 * TIME), RATE, turning * np.cos(bank), None)
    assert np.degrees(found[1500]) == pytest.approx(degrees, abs=0.01)
    assert turn[1500] == 1.0


@pytest.mark.parametrize(("degrees", "turning"), [(0.0, 0.15), (0.0, 0.5), (15.0, 0.5)])
@pytest.mark.parametrize("rise", [4.0, -3.0])
def test_crests_and_dips_do_not_read_as_banks(degrees: float, turning: float, rise: float) -> None:
    rng = np.random.default_rng(1)
    way = rise * np.exp(-(((TIME - 15.0) / 0.8) ** 2))
    bank, rate = np.radians(degrees), np.full_like(TIME, turning)
    forces = tuple(
        part + spread * rng.standard_normal(len(TIME))
        for part, spread in zip(_forces(bank, rate, 16.0, way), (0.3, 0.3, 0.5), strict=True)
    )
    yaw = rate * np.cos(bank) + 0.01 * rng.standard_normal(len(TIME))
    found, error, crest = bank_and_crest(forces, RATE, yaw, np.full_like(TIME, 16.0))
    inside = slice(300, -300)
    off = np.degrees(np.abs(found - bank)[inside])
    alone = np.degrees(np.abs(bank_angle(forces, RATE, yaw, None)[0] - bank)[inside])
    assert off.max() < 5.5
    assert off.max() < alone.max() / 3.0
    assert crest[1500] == pytest.approx(rise, rel=0.25)
    assert np.mean(np.abs(found - bank)[inside] < 2.0 * error[inside]) > 0.95


@pytest.mark.parametrize(("name", "bank"), [("bowl", 15.0), ("course", 0.0)])
def test_bank_of_the_engines_road(tmp_path: Path, name: str, bank: float) -> None:
    run = make_run(tmp_path / "r.csv", "full", name, 100, "B", bank, car=ENGINE_CAR)
    motion = estimate(run, sheet_of(ENGINE_CAR, level_box=True)).motion
    time, true = run.truth.time, np.degrees(run.truth.bank)
    moving = (time > 9.0) & (time < time[-1] - 2.0)
    index = motion.data.index.to_numpy()
    told = np.interp(time, index, motion.suspect["bank"].to_numpy().astype(float))[moving] == 0.0
    assert told.sum() > 0.5 * moving.sum()
    for column, level, steady_level in (("bank_by_force", 0.5, 0.24), ("bank", 1.4, 0.25)):
        found = np.degrees(np.interp(time, index, motion.data[column].to_numpy()))
        error = (found - true)[moving]
        told = np.interp(time, index, motion.suspect[column].to_numpy().astype(float))[moving] == 0.0
        assert np.sqrt((error**2).mean()) < level
        assert np.sqrt((error[told] ** 2).mean()) < 0.4
        assert np.abs(error[told]).max() < 2.0
        steady = (np.abs(np.gradient(true, time)) < 0.2)[moving] & (true[moving] > 3.0)
        if bank:
            assert steady.sum() > 1000
            assert np.abs(error[steady]).max() < 0.6
            assert np.sqrt((error[steady] ** 2).mean()) < steady_level
    spread = np.degrees(np.interp(time, index, motion.data["bank_error"].to_numpy()))
    assert np.mean(np.abs(error) < 2.0 * spread[moving]) > 0.95
    banked = [s for s in road_stretches(motion) if s.kind == "banked"]
    assert bool(banked) == bool(bank)
    for stretch in banked:
        quarter = (stretch.end - stretch.start) // 4
        ends = index[[stretch.start + quarter, stretch.end - quarter]]
        middle = (time >= ends[0]) & (time < ends[1])
        assert np.degrees(stretch.value) == pytest.approx(true[middle].mean(), abs=1.0)


def _without(run: EngineRun, column: str, level_box: bool = False) -> CarSheet:
    """Take a column out of a log and return the sheet that does not know it."""
    pd.read_csv(run.path).drop(columns=column).to_csv(run.path, index=False)
    sheet = sheet_of(run.car, level_box)
    channels = {name: channel for name, channel in sheet.logger.channels.items() if channel.column != column}
    return sheet.model_copy(update={"logger": sheet.logger.model_copy(update={"channels": channels})})


def _by_forces(motion: Motion) -> Motion:
    """Return the motion with the bank worked out as if up could not be carried."""
    kept = motion.data.drop(
        columns=["bank", "bank_error", "bank_by_force", "vertical_acceleration", "pitch_rate"]
    )
    masks = motion.suspect[kept.columns]
    bank, bad = motion.data["bank_by_force"], motion.suspect["bank_error"]
    return with_road_shape(replace(motion, data=kept.assign(bank=bank), suspect=masks.assign(bank=bad)))


def _banks(run: EngineRun, without: str = "") -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return error and stated error of the bank [deg], and where it is told, while the car moves."""
    motion = estimate(run, _without(run, without) if without else sheet_of(run.car)).motion
    index = motion.data.index.to_numpy()
    # Told is the slope towards the inside of the turn; a straight has no inside.
    plan = run.truth.driven.plan
    true = np.interp(index, plan.time, plan.bank) * motion.data["turn"].to_numpy()
    moving = (index > 9.0) & (index < index[-1] - 2.0)
    off, error = motion.data["bank"].to_numpy() - true, motion.data["bank_error"].to_numpy()
    return (
        np.degrees(off)[moving],
        np.degrees(error)[moving],
        ~motion.suspect["bank"].to_numpy()[moving],
    )


# Root mean square of the error [deg] that up carried by the turn rates is held to.
@pytest.mark.parametrize(
    ("name", "bank", "road", "seed", "level"),
    [
        ("drift", 0.0, "A", 1, 0.1),
        ("drift", 0.0, "B", 2, 0.15),
        ("drift", 10.0, "A", 4, 0.4),
        ("oval", 8.0, "A", 6, 0.3),
        ("oval", 6.0, "B", 301, 0.3),
        ("course", 15.0, "B", 6, 0.7),
        ("bowl", 12.0, "A", 7, 0.3),
    ],
)
def test_side_slip_does_not_move_the_bank(
    tmp_path: Path, name: str, bank: float, road: str, seed: int, level: float
) -> None:
    run = make_run(
        tmp_path / "r.csv",
        "full",
        name,
        seed,
        road,
        bank,
        lean=(0.8, -1.0, 0.5),
        gyro_offset=(0.2, -0.1, 0.1),
    )
    off, error, told = _banks(run)
    assert told.mean() > 0.99
    assert np.sqrt((off[told] ** 2).mean()) < level
    assert np.mean(np.abs(off) < 2.0 * error) > 0.95
    assert np.median(error) < 0.6


@pytest.mark.parametrize(("name", "bank", "seed"), [("drift", 0.0, 2), ("drift", 10.0, 4), ("oval", 14.0, 7)])
def test_without_a_pitch_gyro_the_error_of_the_bank_holds_the_side_slip(
    tmp_path: Path, name: str, bank: float, seed: int
) -> None:
    """By forces, speed and yaw rate alone: what side-slip bends it by stands in its error."""
    run = make_run(tmp_path / "r.csv", "full", name, seed, "A", bank, lean=(1.2, 0.4, 0.0))
    off, error, told = _banks(run, without="GyroY")
    assert told.mean() < 0.99
    assert told.sum() > 500
    assert np.mean(np.abs(off[told]) < 2.0 * error[told]) > 0.95
    assert np.sqrt((off[told] ** 2).mean()) < np.sqrt((error[told] ** 2).mean())
    assert np.median(error[told]) > 1.0


@pytest.mark.slow
def test_stated_error_of_the_bank_is_true_over_many_drives(tmp_path: Path) -> None:
    scaled, inside = [], []
    for seed in range(20):
        rng = np.random.default_rng([seed, 15])
        name = ("drift", "oval", "course", "bowl", "sweep")[seed % 5]
        run = make_run(
            tmp_path / "r.csv",
            "full",
            name,
            300 + seed,
            ("A", "B")[seed % 2],
            float(rng.choice([0.0, 6.0, 12.0, 16.0])),
            lean=tuple(rng.uniform(-1.5, 1.5, 3)),
            gyro_offset=tuple(rng.normal(0.0, 0.2, 3)),
        )
        off, error, told = _banks(run)
        scaled.append(float(np.sqrt(np.mean((off[told] / error[told]) ** 2))))
        inside.append(float(np.mean(np.abs(off[told]) < 2.0 * error[told])))
    assert np.mean(inside) > 0.95
    assert min(inside) > 0.85
    assert np.median(scaled) > 0.3


def test_by_forces_no_bank_is_told_in_quick_changes_of_side(tmp_path: Path) -> None:
    """Where the sloped road changes side within a second, no figure is better than a false one."""
    run = make_run(tmp_path / "r.csv", "full", "course", 6, "B", 15.0, car=ENGINE_CAR)
    estimates = estimate(run, sheet_of(ENGINE_CAR, level_box=True))
    motion, time = _by_forces(estimates.motion), run.truth.time
    index = motion.data.index.to_numpy()
    off = np.degrees(motion.data["bank"].to_numpy() - np.interp(index, time, run.truth.bank))
    moving = (index > 9.0) & (index < time[-1] - 2.0)
    known = moving & ~motion.suspect["bank"].to_numpy()
    assert np.abs(off[moving & ~known]).max() > 10.0
    assert np.abs(off[known]).max() < 2.7
    assert np.sqrt((off[known] ** 2).mean()) <= 0.5
    assert known.sum() > 0.5 * moving.sum()
    for event in estimates.bottoming:
        true = np.degrees(np.interp(event.peak_s, time, run.truth.bank))
        assert event.bank is None or np.degrees(event.bank) == pytest.approx(true, abs=4.0)
