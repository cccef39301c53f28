"""What the runs of a session tell together of box and pots: on drives of the rigid-body engine."""

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from engine.car import ENGINE_CAR
from engine.plan import plan_of
from engine.runs import make_run, sheet_of
from engine.sheets import bar_rates, car_sheet

from analyzer.core.store import Store
from analyzer.ingest.attitude import with_lean
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import BoxLean, Verdict
from analyzer.prediction.setup import predict_setup
from analyzer.processing.estimate_run import estimate_run
from analyzer.session.run_store import RunSheets, RunStore, Witness, mountings, witness_of
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Run, Setup

DEGREE = np.radians(1.0)
SHEET = sheet_of(ENGINE_CAR)


def runs(count: int, moved: tuple[int, ...] = ()) -> list[Run]:
    return [Run(name=f"r{k}", logs=["r.csv"], setup="A", box_moved=k in moved) for k in range(count)]


def told(lean: tuple[float, float, float], own: float = 0.04, common: float = 0.06) -> BoxLean:
    """A lean as a run tells it [deg], with errors in all three axes."""
    std = np.radians(np.hypot(own, common))
    alike = np.radians(common)
    return BoxLean(tuple(np.radians(lean)), (std,) * 3, "found", common=(alike,) * 3)


def witness(name: str, box: BoxLean, zero: dict | None = None, untold: dict | None = None) -> Witness:
    return Witness((name,), box, zero or {}, untold or {})


def test_one_box_leans_alike_in_all_runs_and_its_error_keeps_what_all_share() -> None:
    rng = np.random.default_rng(2)
    boxes = [told(tuple(np.array([0.9, -1.2, 0.4]) + 0.04 * rng.normal(size=3))) for _ in range(5)]
    found = mountings(runs(6), {f"r{k}": witness(f"log {k}", box) for k, box in enumerate(boxes)})
    assert set(found) == {f"r{k}" for k in range(5)}
    angles = np.degrees([mounting.box.angles for mounting in found.values()])
    assert angles == pytest.approx(np.tile([0.9, -1.2, 0.4], (5, 1)), abs=0.05)
    assert np.std(angles, axis=0) == pytest.approx(np.zeros(3), abs=0.015)
    for std in found["r0"].box.std:
        assert np.degrees(std) == pytest.approx(np.hypot(0.06, 0.04 / np.sqrt(5)), rel=0.1)
    assert found["r0"].box.source == "session"


def test_a_box_that_was_moved_keeps_its_own_lean_in_each_run() -> None:
    leans = [(0.0, 1.0, 0.0), (0.0, 1.0, 0.0), (0.0, -1.2, 0.0), (0.0, -1.2, 0.0)]
    boxes = {f"r{k}": witness(f"log {k}", told(lean)) for k, lean in enumerate(leans)}
    silent = mountings(runs(4), boxes)
    said = mountings(runs(4, moved=(2,)), boxes)
    for name, lean in zip(silent, leans, strict=True):
        assert np.degrees(silent[name].box.angles[1]) == pytest.approx(lean[1], abs=0.01)
        assert np.degrees(said[name].box.angles[1]) == pytest.approx(lean[1], abs=0.01)
        assert np.degrees(silent[name].box.apart[1]) > 0.5
        assert said[name].box.apart == (0.0, 0.0, 0.0)
        assert said[name].box.std[1] < silent[name].box.std[1]


def test_a_run_that_cannot_tell_takes_the_lean_of_the_others() -> None:
    mute = BoxLean.unknown(1.5 * DEGREE, "it needs gyro_y")
    boxes = {"r0": witness("a", told((0.5, 1.0, 0.2))), "r1": witness("b", mute)}
    found = mountings(runs(2), boxes)
    assert found["r0"].box == boxes["r0"].box
    assert found["r1"].box.source == "session"
    assert np.degrees(found["r1"].box.angles) == pytest.approx([0.5, 1.0, 0.2], rel=0.01)
    # Bolted anew in between, it is not the same lean.
    assert mountings(runs(2, moved=(1,)), boxes)["r1"].box == mute


def test_the_same_log_twice_is_one_witness() -> None:
    first, second = told((0.5, 1.0, 0.2)), told((0.5, 0.9, 0.2))
    twice = {"r0": witness("a", first), "r1": witness("a", first), "r2": witness("b", second)}
    once = {"r0": witness("a", first), "r2": witness("b", second)}
    found = mountings(runs(3), twice)
    assert found["r2"] == mountings(runs(3), once)["r2"]
    assert found["r1"] == found["r0"]


def test_a_stated_lean_is_not_pooled() -> None:
    stated = BoxLean((0.0, 2.0 * DEGREE, 0.0), (0.2 * DEGREE,) * 3, "stated")
    boxes = {f"r{k}": witness(f"log {k}", stated) for k in range(3)}
    assert all(mounting.box == stated for mounting in mountings(runs(3), boxes).values())


@pytest.mark.slow
def test_gradients_of_runs_scatter_no_more_with_a_leaning_box_than_with_a_level_one(tmp_path: Path) -> None:
    """Three drives, one mounting: the lean is one number, so it is no scatter between the runs."""
    found = {}
    for lean in ((0.0, 0.0, 0.0), (1.3, -1.4, 1.1)):
        recordings = {}
        for seed in (31, 32, 33):
            name = f"r{seed - 31}"
            run = make_run(tmp_path / f"{name}.csv", "full", "course", seed, "A", 0.0, lean=lean)
            recordings[name] = read_recording(name, (run.path,), SHEET)
        told = {name: witness_of(recording, SHEET) for name, recording in recordings.items()}
        boxes = {name: mounting.box for name, mounting in mountings(runs(3), told).items()}
        for std, angle, truth in zip(boxes["r0"].std, boxes["r0"].angles, np.radians(lean), strict=True):
            assert abs(angle - truth) < 2.5 * std
        gradients = [
            estimate_run(with_lean(recording, boxes[name]), SHEET, "full", bar_rates(ENGINE_CAR, "full"))
            .roll_gradient["front"]
            .value
            for name, recording in recordings.items()
        ]
        found[lean] = np.array(gradients)
    level, leaning = found.values()
    assert np.std(leaning, ddof=1) / leaning.mean() < np.std(level, ddof=1) / level.mean() + 0.0005
    assert leaning == pytest.approx(level, rel=0.003)


# Zeros of the pots.


def test_a_zero_is_borrowed_from_runs_that_tell_it_and_agree() -> None:
    zero = {"damper_FL": (0.131, 0.001), "damper_FR": (0.128, 0.001)}
    poor = {"damper_FL": 0.135, "damper_FR": 0.120, "damper_RL": 0.140}
    boxes = {
        "r0": witness("a", told((0.0, 0.0, 0.0)), zero=zero),
        "r1": witness("b", told((0.0, 0.0, 0.0)), zero={"damper_FL": (0.132, 0.001)}),
        "r2": witness("c", told((0.0, 0.0, 0.0)), untold=poor),
    }
    found = mountings(runs(3), boxes)
    assert found["r0"].zeros == {}
    borrowed = found["r2"].zeros
    assert borrowed["damper_FL"].value == pytest.approx(0.1315)
    assert 0.001 < borrowed["damper_FL"].std < 0.002
    assert borrowed["damper_FR"].value == pytest.approx(0.128)
    assert "damper_RL" not in borrowed


@pytest.mark.parametrize(
    ("others", "here"),
    [([0.131, 0.150], 0.140), ([0.131, 0.132], 0.200)],
    ids=["the others disagree", "the pot reads far from theirs"],
)
def test_a_zero_is_not_borrowed_where_the_pot_was_turned(others: list[float], here: float) -> None:
    boxes = {
        f"r{k}": witness(f"log {k}", told((0.0, 0.0, 0.0)), zero={"damper_FL": (value, 0.001)})
        for k, value in enumerate(others)
    }
    boxes["r2"] = witness("c", told((0.0, 0.0, 0.0)), untold={"damper_FL": here})
    assert mountings(runs(3), boxes)["r2"].zeros == {}


def test_a_session_lends_its_zero_to_a_run_that_never_stands(tmp_path: Path) -> None:
    """Two drives from a standing start, and one cut to its corners: all hits and loads are told."""
    offset = 30.0
    table = tomllib.loads(car_sheet(ENGINE_CAR))
    for name, channel in table["logger"]["channels"].items():
        if name.startswith("damper"):
            channel.pop("static")
    knots = [(0.0, 0.0, 0.0, 0.0, 0.0), (4.0, 0.0, 0.0, 0.0, 0.0), (8.0, 0.0, 15.0, 0.0, 0.0)]
    rng = np.random.default_rng(1)
    knots += [(9.5 + 1.5 * k, float(rng.uniform(0.4, 0.95)), 15.0, 0.0, 10.0) for k in range(24)]
    for seed, first in (("1", 0.0), ("2", 11.0)):
        run = make_run(tmp_path / f"r{seed}.csv", "full", "course", int(seed), "A", plan=plan_of(knots))
        log = pd.read_csv(run.path)
        pots = [name for name in log if name.endswith("pot")]
        log = log[log["Time"] > first].assign(**{pot: log[pot] + offset for pot in pots})
        log.to_csv(run.path, index=False)
    sheet = CarSheet.model_validate(table)
    paths = {name: [tmp_path / f"{name}.csv"] for name in ("r1", "r2")}
    entries = [Run(name=name, logs=[f"{name}.csv"], setup="A") for name in paths]
    off = Setup(front_bar="off", rear_bar="off")
    prediction = predict_setup(sheet, "A", off)
    sheets = RunSheets(sheet, None, {"A": off}, entries, paths, lambda _: prediction)
    store = RunStore(Store(None), sheets)
    alone = read_recording("r2", paths["r2"], sheet)
    assert estimate_run(alone, sheet, "A", {"front": 0.0, "rear": 0.0}).load_share == {}
    recording = store.recording("r2")
    assert set(recording.zero_std) == {f"damper_{corner}" for corner in ("FL", "FR", "RL", "RR")}
    for pot, zero in recording.zero.items():
        assert zero == pytest.approx(offset / 1000.0, abs=2.5 * recording.zero_std[pot])
        (row,) = (row for row in recording.health if (row.check, row.channel) == ("zero", pot))
        assert "borrowed from other runs" in row.comment
        assert row.verdict is Verdict.GOOD
    assert set(store.result("r2")[1].load_share) == {"front", "rear"}
