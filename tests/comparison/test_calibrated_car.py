"""The calibrated car: what the runs show updates the sheet, and later predictions are the better for it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from comparison.comparison_helpers import SOFT, STIFF, car, hole, session_runs, setup

from analyzer.comparison.calibrated_car import (
    Calibration,
    calibrate,
    calibrated_car,
    propagate_calibrated,
    read_calibration,
    seen_roll,
    write_calibration,
)
from analyzer.comparison.confirm import PastSession, joined_sessions
from analyzer.core.errors import AnalyzerError
from analyzer.prediction.propagation import propagate, replace_values, sheet_inputs
from analyzer.prediction.setup import predict_setup, setup_values
from analyzer.sheets.car import CarSheet
from analyzer.vehicle.completion import complete_car

CAR = car()
SETUPS = {"A": STIFF, "B": SOFT}
ORDER = [("A", STIFF), ("B", SOFT)] * 3


def made(sheet: CarSheet = CAR, seed: int = 0) -> Calibration:
    found = calibrate(CAR, SETUPS, session_runs(sheet, ORDER, 0.003, seed))
    assert found is not None
    return found


def drawn_car(draw: np.random.Generator) -> CarSheet:
    """Return a car whose quantities differ from the sheet as its tolerances say."""
    complete, _ = complete_car(CAR)
    values = {i.key: i.value + i.std * draw.standard_normal() for i in sheet_inputs(complete)}
    return replace_values(complete, values)


def test_a_car_as_its_sheet_says_is_left_as_it_is() -> None:
    found = made()
    assert np.max(np.abs(found.shift)) < 0.2
    assert found.misfit < 1.0
    for estimate in found.shown.values():
        assert estimate.value == pytest.approx(1.0, abs=0.02)


def test_errors_only_shrink() -> None:
    found = made()
    before = propagate(CAR, lambda sheet: setup_values(sheet, SOFT))
    after = propagate_calibrated(CAR, found, lambda sheet: setup_values(sheet, SOFT))
    for name in ("body gradient front", "body gradient rear", "stiffness total"):
        assert after.std(name) <= before.std(name) * (1.0 + 1e-6)
    assert after.std("body gradient front") < 0.75 * before.std("body gradient front")
    assert "6 runs" in after.assumed[0]


def test_a_heavy_car_shows_as_roll_moment() -> None:
    heavy = car({"mass": {"cg_height": "0.53 m"}})
    shown = made(heavy).shown
    assert shown["roll moment"].value is not None
    assert shown["roll moment"].value > 1.03
    # The other axle's springs and the bar take a little of it; none of them as much as the moment.
    for name, estimate in shown.items():
        if name != "roll moment":
            assert estimate.value is not None
            assert abs(estimate.value - 1.0) < shown["roll moment"].value - 1.0


def test_a_soft_bar_shows_in_the_bar_when_settings_differ() -> None:
    weak = car({"front": {"bar": {"motion_ratio": 0.52}}})
    shown = made(weak).shown
    assert shown["front bar in roll"].value is not None
    assert shown["front bar in roll"].value < 0.95


def test_update_agrees_with_the_textbook_formula_when_everything_is_linear() -> None:
    # Posterior of a linear Gaussian problem in the other form: (J'R^-1 J + I)^-1.
    runs = session_runs(CAR, ORDER, 0.003)
    found, seen = made(), seen_roll(CAR, runs)
    assert seen is not None
    complete, _ = complete_car(CAR)
    from analyzer.comparison.calibrated_car import expected_roll

    prior = propagate(complete, lambda sheet: expected_roll(sheet, complete, SETUPS))
    names = [f"{s} {a}" for s, a in zip(seen.setups, seen.axles, strict=True)]
    slopes = prior.contribution[[prior.names.index(n) for n in names]]
    other = np.linalg.inv(slopes.T @ np.linalg.solve(seen.covariance, slopes) + np.eye(slopes.shape[1]))
    assert np.allclose(found.covariance, other, atol=1e-8)


def test_predictions_of_a_setting_not_driven_are_better_after_the_update() -> None:
    """Cars drawn from the tolerances: interval of the updated prediction holds, and its error is smaller."""
    draw = np.random.default_rng(7)
    new = setup(hole(2))
    sheet_alone = predict_setup(CAR, "C", new).roll_stiffness["total"].value
    held, old_errors, new_errors = [], [], []
    for seed in range(24):
        true = drawn_car(draw)
        found = calibrate(CAR, SETUPS, session_runs(true, ORDER, 0.003, seed))
        assert found is not None
        predicted = propagate_calibrated(CAR, found, lambda sheet: setup_values(sheet, new))
        name = "body gradient front"
        truth = propagate(true, lambda sheet: setup_values(sheet, new)).values[name]
        plain = propagate(CAR, lambda sheet: setup_values(sheet, new)).values[name]
        held.append(abs(predicted.values[name] - truth) <= 1.96 * predicted.std(name))
        old_errors.append(abs(plain / truth - 1.0))
        new_errors.append(abs(predicted.values[name] / truth - 1.0))
    assert sheet_alone is not None
    assert np.mean(held) >= 0.87
    assert np.mean(new_errors) < 0.6 * np.mean(old_errors)


def test_calibrated_car_changes_values_and_not_tolerances() -> None:
    found = made(car({"mass": {"cg_height": "0.53 m"}}))
    updated = calibrated_car(CAR, found)
    assert updated.mass.cg_height.value > CAR.mass.cg_height.value
    assert updated.mass.cg_height.std == CAR.mass.cg_height.std
    assert CAR.mass.cg_height.value == 0.47


def test_earlier_sessions_of_the_same_car_add_to_what_is_known() -> None:
    days = [session_runs(CAR, ORDER, 0.02, seed) for seed in range(2)]
    joined = joined_sessions(SETUPS, days[1], [PastSession("spring", SETUPS, days[0])])
    both = calibrate(CAR, joined.setups, joined.runs)
    one = calibrate(CAR, SETUPS, days[0])
    assert both is not None
    assert one is not None
    assert len(both.runs) == 12
    assert both.runs[0] == "spring: r01"
    assert np.trace(both.covariance) < np.trace(one.covariance)


def test_nothing_is_made_without_roll() -> None:
    assert calibrate(CAR, SETUPS, []) is None


@pytest.fixture
def sheet_file(tmp_path: Path) -> Path:
    path = tmp_path / "car.toml"
    path.write_text('name = "stands for the sheet"\n', encoding="utf-8")
    return path


def test_file_comes_back_as_it_was_written(tmp_path: Path, sheet_file: Path) -> None:
    target = tmp_path / "calibrated_car.json"
    found = made()
    write_calibration(target, found, sheet_file)
    write_calibration(target, found, sheet_file)  # an earlier one is replaced
    again = read_calibration(target, CAR, sheet_file)
    assert again.keys == found.keys
    assert np.allclose(again.shift, found.shift, rtol=1e-6, atol=1e-9)
    assert np.allclose(again.covariance, found.covariance, atol=1e-7)
    assert again.runs == found.runs
    assert sorted(p.name for p in tmp_path.iterdir()) == ["calibrated_car.json", "car.toml"]


def test_a_changed_sheet_is_noticed(tmp_path: Path, sheet_file: Path) -> None:
    target = tmp_path / "calibrated_car.json"
    write_calibration(target, made(), sheet_file)
    sheet_file.write_text('name = "changed"\n', encoding="utf-8")
    with pytest.raises(AnalyzerError, match="changed since"):
        read_calibration(target, CAR, sheet_file)


def test_another_file_is_never_overwritten(tmp_path: Path, sheet_file: Path) -> None:
    with pytest.raises(AnalyzerError, match="not a calibrated car"):
        write_calibration(sheet_file, made(), sheet_file)
    assert "stands for" in sheet_file.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"format": "something else"}', "\x00", "[" * 100_000, '{"format": 3}']
)
def test_a_file_that_is_no_calibration_is_one_line(tmp_path: Path, sheet_file: Path, text: str) -> None:
    target = tmp_path / "calibrated_car.json"
    target.write_text(text, encoding="utf-8")
    with pytest.raises(AnalyzerError) as caught:
        read_calibration(target, CAR, sheet_file)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("key", "value"),
    [("covariance", [[1.0]]), ("quantities", 3), ("shown", []), ("runs", None), ("misfit", "much")],
)
def test_a_damaged_file_is_one_line(tmp_path: Path, sheet_file: Path, key: str, value: object) -> None:
    target = tmp_path / "calibrated_car.json"
    write_calibration(target, made(), sheet_file)
    table = json.loads(target.read_text(encoding="utf-8"))
    table[key] = value
    target.write_text(json.dumps(table), encoding="utf-8")
    with pytest.raises(AnalyzerError, match="damaged"):
        read_calibration(target, CAR, sheet_file)


def test_missing_file_and_other_car_are_one_line(tmp_path: Path, sheet_file: Path) -> None:
    with pytest.raises(AnalyzerError, match="no such file"):
        read_calibration(tmp_path / "none.json", CAR, sheet_file)
    target = tmp_path / "calibrated_car.json"
    write_calibration(target, made(), sheet_file)
    other = car(
        {
            "front": {
                "bar": {
                    "kind": "none",
                    "motion_ratio": None,
                    "tube": None,
                    "mounts": None,
                    "blade": None,
                    "holes": None,
                    "spacer": None,
                    "bolt": None,
                }
            }
        }
    )
    with pytest.raises(AnalyzerError, match="does not fit"):
        read_calibration(target, other, sheet_file)
