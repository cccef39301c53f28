"""The written sample session: files, determinism, what the logs show against the truth, faults."""

from __future__ import annotations

import ast
import gzip
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import analyzer.demo.sample_session as session_room
import analyzer.demo.virtual_course as course_room
from analyzer.core.errors import AnalyzerError
from analyzer.demo.sample_session import (
    CLIP,
    COLUMNS,
    GAP,
    RATE,
    RUNS,
    SPIKES,
    STUCK_FROM,
    Driven,
    csv_text,
    drive_session,
    refuse_existing,
    slope,
    write_all,
    write_demo,
    write_faults,
)
from analyzer.demo.virtual_car import GRAVITY, SETUPS, TEAL_COUPE
from analyzer.demo.virtual_course import KETTLE_YARD
from analyzer.sheets.read import read_car, read_course, read_session

ROOT = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.slow

SAMPLE = ROOT / "sample_logs"
NAMES = list(COLUMNS)


@pytest.fixture(scope="module")
def driven() -> Driven:
    return drive_session(7)


@pytest.fixture(scope="module")
def folder(driven: Driven, tmp_path_factory: pytest.TempPathFactory) -> Path:
    told: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(session_room, "drive_session", lambda seed, tell: driven)
        sheet = write_demo(tmp_path_factory.mktemp("demo") / "new", progress=told.append)
    assert sheet.name == "session.toml"
    assert told
    return sheet.parent


@pytest.fixture(scope="module")
def truth(folder: Path) -> dict[str, Any]:
    return json.loads((folder / "truth.json").read_text())


def read_log(path: Path) -> np.ndarray:
    with gzip.open(path, "rt") as file:
        assert file.readline().rstrip("\n").split(",") == NAMES
        return np.loadtxt(file, delimiter=",")


def column(table: np.ndarray, name: str) -> np.ndarray:
    return table[:, NAMES.index(name)]


def damper_mm(table: np.ndarray, wheel: str) -> np.ndarray:
    """Volts to millimetres as the car sheet says, zero while standing."""
    falls = -1.0 if wheel == "RR" else 1.0
    travel = falls * (column(table, f"{wheel} pot") - 2.5) * 40.0
    standing = (column(table, "Time") > 0.3) & (column(table, "Time") < 2.3)
    return travel - travel[standing].mean()


def smoothed(signal: np.ndarray, seconds: float = 0.5) -> np.ndarray:
    window = np.hanning(int(2 * seconds * RATE))
    return np.convolve(signal, window / window.sum(), mode="same")


def test_sheets_can_be_read(folder: Path) -> None:
    for place in (folder, folder / "faults"):
        car, sheet = read_car(place / "car.toml"), read_session(place / "session.toml")
        course = read_course(place / "course.toml")
        assert car.name == "Teal coupe"
        assert [section.name for section in course.sections] == [part.name for part in KETTLE_YARD]
        for run in sheet.runs:
            assert all((place / log).exists() for log in run.logs)
    a, b = read_session(folder / "session.toml").setups.values()
    assert a.front_bar != b.front_bar
    assert a.rear_bar == b.rear_bar


def test_sheet_is_near_the_truth_but_not_equal(folder: Path) -> None:
    car = read_car(folder / "car.toml")
    off = []
    for sheet, true in ((car.front, TEAL_COUPE.front), (car.rear, TEAL_COUPE.rear)):
        for written, value in (
            (sheet.track_width, true.track),
            (sheet.roll_centre_height, true.roll_centre),
            (sheet.spring.rate, true.spring_rate),
            (sheet.spring.motion_ratio, true.motion_ratio),
            (sheet.tyre_rate, true.tyre_rate),
            (sheet.camber_gain, true.camber_gain),
            (sheet.bar.motion_ratio, true.bar_motion_ratio),
            (sheet.bar.tube.wall, true.bar.tube_wall),
            (sheet.bar.mounts.rate, true.bar.mount_rate),
        ):
            off.append((written.value - value) / written.std)
    off.append((car.mass.cg_height.value - TEAL_COUPE.cg_height) / car.mass.cg_height.std)
    assert np.max(np.abs(off)) < 2.0
    assert np.count_nonzero(np.abs(off) > 0.05) > 10
    for wheel, load in zip(("FL", "FR", "RL", "RR"), TEAL_COUPE.loads, strict=True):
        assert car.mass.load(wheel).value == pytest.approx(load, abs=10.0)


def test_logs_have_the_promised_shape(folder: Path) -> None:
    for name, _ in RUNS:
        table = read_log(folder / f"{name}.csv.gz")
        time, speed = column(table, "Time"), column(table, "Speed")
        assert 40.0 < time[-1] < 60.0
        assert np.diff(time) == pytest.approx(1.0 / RATE, abs=1e-9)
        assert np.max(speed[time < 2.4]) < 0.5
        assert np.max(speed[time > time[-1] - 2.0]) < 0.5
        steps = column(table, "FL pot") / (5.0 / 4096.0)
        assert np.max(np.abs(steps - np.round(steps))) < 0.05  # printed to 0.1 mV
        lateral = smoothed(column(table, "LatG"), 0.3)
        assert 0.6 < np.max(lateral) < 1.1
        assert -1.1 < np.min(lateral) < -0.6
        assert column(table, "VertG")[(time > 0.3) & (time < 2.3)].mean() == pytest.approx(1.0, abs=0.04)
        assert np.max(smoothed(column(table, "VertG"), 0.3)) > 1.18  # the banked bowl


def test_size(folder: Path) -> None:
    assert sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) < 5e6


def test_bottoming_on_the_bank(folder: Path, truth: dict[str, Any]) -> None:
    banked = 0
    for name, _ in RUNS:
        table = read_log(folder / f"{name}.csv.gz")
        time = column(table, "Time")
        for contact in truth["runs"][name]["bottoming"]:
            if contact["end"] - contact["start"] < 0.03:
                continue
            banked += contact["bank_deg"] > 10.0
            during = (time > contact["start"] - 0.02) & (time < contact["end"] + 0.02)
            seen = damper_mm(table, contact["wheel"])[during].max()
            assert seen == pytest.approx(contact["peak_mm"], abs=1.5)
    assert banked >= 6
    hard = 1000.0 * TEAL_COUPE.rear.full_bump
    assert any(c["peak_mm"] > hard for c in truth["runs"]["r03"]["bottoming"] if c["wheel"] == "RR")


def test_truth_is_whole(truth: dict[str, Any]) -> None:
    a, b = truth["setups"]["A"], truth["setups"]["B"]
    assert a["bar_rate"]["rear"] == b["bar_rate"]["rear"]
    assert b["bar_rate"]["front"] < 0.8 * a["bar_rate"]["front"]
    for axle, least, most in (("front", 1.05, 1.10), ("rear", 1.03, 1.08)):
        change = b["roll_gradient_body"][axle] / a["roll_gradient_body"][axle]
        assert least < change < most
    for setup in (a, b):
        assert setup["roll_stiffness"]["total"] == pytest.approx(
            setup["roll_stiffness"]["front"] + setup["roll_stiffness"]["rear"], rel=1e-5
        )
        # Level-road gradient from the body-axes one: 1 / (1 - roll to ground in rad per g).
        body, level = setup["roll_gradient_body"], setup["roll_gradient"]
        for axle in ("front", "rear"):
            wanted = body[axle] / (1.0 - np.radians(body["total"]))
            assert level[axle] == pytest.approx(wanted, rel=3e-3)


@pytest.mark.parametrize("axle", ["front", "rear"])
def test_logs_show_the_true_gradient(folder: Path, truth: dict[str, Any], axle: str) -> None:
    """A plain estimate from flat, steady parts of the logged channels comes to the engine's own slope."""
    left, right, ratio, track = {
        "front": ("FL", "FR", TEAL_COUPE.front.motion_ratio, TEAL_COUPE.front.track),
        "rear": ("RL", "RR", TEAL_COUPE.rear.motion_ratio, TEAL_COUPE.rear.track),
    }[axle]
    found: dict[str, list[float]] = {"A": [], "B": []}
    for name, setup in RUNS:
        table = read_log(folder / f"{name}.csv.gz")
        yaw = np.radians(column(table, "Yaw rate"))
        arm = TEAL_COUPE.imu  # back to the CG: yaw acceleration and centripetal part
        at_cg = (
            column(table, "LatG")
            - (np.gradient(smoothed(yaw, 0.1), 1.0 / RATE) * arm[0] - yaw**2 * arm[1]) / GRAVITY
        )
        force = smoothed(at_cg)
        roll = np.degrees(np.arctan((damper_mm(table, right) - damper_mm(table, left)) / ratio / track / 1e3))
        steady = (np.abs(np.gradient(force, 1.0 / RATE)) < 0.25) & (column(table, "Speed") > 10.0)
        flat = smoothed(column(table, "VertG"), 1.0) < 1.04
        found[setup].append(slope(force[steady & flat], smoothed(roll)[steady & flat]))
        assert found[setup][-1] == pytest.approx(truth["runs"][name]["roll_gradient_body"][axle], rel=0.015)
    change = np.mean(found["B"]) / np.mean(found["A"])
    true = [truth["setups"][name]["roll_gradient_body"][axle] for name in ("A", "B")]
    assert change == pytest.approx(true[1] / true[0], rel=0.004)


def test_same_seed_same_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(course_room, "KETTLE_YARD", KETTLE_YARD[:1])
    monkeypatch.setattr(session_room, "RUNS", RUNS[:1])
    short = replace(session_room.MANNERS[0], start=1.0, finish=0.4)
    monkeypatch.setattr(session_room, "MANNERS", (short,))
    once, again, other = (csv_text(drive_session(seed).logs[0]) for seed in (7, 7, 8))
    assert once == again
    assert once != other


def test_sample_logs_are_what_the_demo_writes(folder: Path) -> None:
    written = sorted(path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    for name in written:
        kept = SAMPLE / name
        assert kept.exists(), f"sample_logs/{name} is missing"
        if name.suffix == ".toml":
            assert kept.read_bytes() == (folder / name).read_bytes()
    # Another processor may round differently, so that a last digit turns; never more.
    for name, _ in RUNS:
        new, old = read_log(folder / f"{name}.csv.gz"), read_log(SAMPLE / f"{name}.csv.gz")
        assert new.shape == old.shape
        assert np.mean(np.abs(new - old) > 1e-9) < 0.01
    assert {SETUPS["A"].front, SETUPS["B"].front} == {(3, 0), (1, 0)}


def test_packed_logs_hold_no_time_and_no_name(folder: Path) -> None:
    head = (folder / "r01.csv.gz").read_bytes()[:10]
    assert head[3] == 0  # no flags: no file name
    assert head[4:8] == b"\0\0\0\0"


def test_nothing_is_overwritten(folder: Path, tmp_path: Path) -> None:
    before = {path: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    with pytest.raises(AnalyzerError, match="already, nothing was written"):
        write_demo(folder)
    assert before == {path: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    plain = tmp_path / "plain"
    plain.write_text("x")
    with pytest.raises(AnalyzerError, match="is not a folder"):
        refuse_existing(plain, ["car.toml"])
    with pytest.raises(AnalyzerError, match="can be written to"):
        write_all(plain, {"car.toml": b""})
    assert not list(folder.rglob("*.part"))


def test_faults(folder: Path) -> None:
    with gzip.open(folder / "faults" / "f01.csv.gz", "rt") as file:
        lines = file.read().splitlines()
    head = lines.index(";".join(NAMES))
    assert head > 3
    assert lines[head + 1].startswith("s;V;V")
    first = np.array([[float(cell) for cell in line.split(";")] for line in lines[head + 2 :]])
    good = read_log(folder / "r01.csv.gz")[::2]
    time = column(first, "Time")
    assert np.max(np.diff(time)) == pytest.approx(GAP[1] - GAP[0] + 0.01, abs=0.011)
    same = np.isin(np.round(column(good, "Time"), 3), np.round(time, 3))
    assert np.corrcoef(column(first, "FR pot"), column(good, "FR pot")[same])[0, 1] < -0.999
    for when, name in SPIKES:
        at = int(np.argmin(np.abs(time - when)))
        assert column(first, name)[at] > 4.9
        assert column(first, name)[[at - 1, at + 1]].max() < 4.0
    second = read_log(folder / "faults" / "f02.csv.gz")
    after = column(second, "Time") >= STUCK_FROM
    assert np.ptp(column(second, "RL pot")[after]) == 0.0
    assert np.ptp(column(second, "RL pot")[~after]) > 0.1
    assert np.mean(np.abs(column(second, "LatG")) == CLIP) > 0.05


def test_faults_alone(driven: Driven, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(session_room, "drive_session", lambda seed, tell: driven)
    place = write_faults(tmp_path / "faults").parent
    names = sorted(path.name for path in place.iterdir())
    assert names == sorted(path.name for path in (folder / "faults").iterdir())
    for name in names:
        assert (place / name).read_bytes() == (folder / "faults" / name).read_bytes()
    with pytest.raises(AnalyzerError, match="already"):
        write_faults(place)


def test_demo_shares_no_code_with_the_analysis() -> None:
    allowed = {"analyzer.core.errors", "analyzer.core.files"}
    for path in (ROOT / "analyzer" / "demo").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            for name in names:
                ours = name.split(".")[0] == "analyzer" and not name.startswith("analyzer.demo")
                assert not ours or name in allowed, f"{path.name} imports {name}"
