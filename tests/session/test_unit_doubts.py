"""Units that lie are named with the factor that fits, and the axle they are found at is not believed."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pandas as pd
import pytest
from engine.other_cars import random_car
from engine.runs import make_run, sheet_of
from engine.sheets import setup_table
from ingest.helpers import plain_log, write_log
from numpy.random import default_rng

from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.prediction.setup import predict_setup
from analyzer.session.review import check_path, review_session
from analyzer.session.run_store import with_unit_doubts
from analyzer.sheets.session import Setup

SAMPLE = Path(__file__).parents[2] / "sample_logs"
FRONT, REAR = ("damper_FL", "damper_FR"), ("damper_RL", "damper_RR")


def session(folder: Path, sheet: dict[str, str], inches: tuple[str, ...] = ()) -> Path:
    """Write a session of two runs whose car sheet has some texts replaced, some pots logged in inches."""
    folder.mkdir()
    head, *runs = (SAMPLE / "session.toml").read_text(encoding="utf-8").split("[[runs]]")
    (folder / "session.toml").write_text("[[runs]]".join([head, runs[0], runs[3]]), encoding="utf-8")
    shutil.copy(SAMPLE / "course.toml", folder)
    text = (SAMPLE / "car.toml").read_text(encoding="utf-8")
    for old, new in sheet.items():
        assert old in text
        text = text.replace(old, new)
    (folder / "car.toml").write_text(text, encoding="utf-8")
    for name in ("r01", "r04"):
        table = pd.read_csv(SAMPLE / f"{name}.csv.gz")
        for corner in inches:
            turn = -1.0 if corner == "RR" else 1.0
            table[f"{corner} pot"] = turn * (table[f"{corner} pot"] - 2.5) * 40.0 / 25.4
        table.to_csv(folder / f"{name}.csv.gz", index=False)
    return folder


def doubts(rows: tuple[HealthRow, ...]) -> dict[str, HealthRow]:
    return {r.channel: r for r in rows if r.check == "unit" and r.verdict in (Verdict.SUSPECT, Verdict.BAD)}


def checked(folder: Path) -> list[dict[str, HealthRow]]:
    return [doubts(r.health) for r in check_path(folder, lambda _what, _done, _all: None).recordings]


def test_sound_session_is_not_asked_for_units(tmp_path: Path) -> None:
    assert checked(session(tmp_path / "s", {})) == [{}, {}]


def as_mm(*corners: str) -> dict[str, str]:
    """Return the changes of the sheet that take columns of the pots for mm."""
    ends = {c: '["80 mm", "-80 mm"]' if c == "RR" else '["-80 mm", "80 mm"]' for c in corners}
    return {
        f'"{c} pot", volts = [0.5, 4.5], travel = {ends[c]} }}': f'"{c} pot", unit = "mm" }}' for c in corners
    }


def test_inches_under_mm_at_one_axle_are_named_with_their_factor(tmp_path: Path) -> None:
    folder = session(tmp_path / "s", as_mm("FL", "FR"), ("FL", "FR"))
    for found in checked(folder):
        assert set(found) == set(FRONT)
        for row in found.values():
            assert row.verdict is Verdict.BAD
            assert row.value is not None
            assert 20.0 < row.value < 32.0
            assert "inches under a heading of mm (25.4)" in row.comment
            assert "the rear axle rolls" in row.comment
            assert "accel_y" not in row.comment
    # Not believed until it is answered: the axle has no figure, and says why.
    review = review_session(folder)
    assert all(run.roll_gradient["front"].value is None for run in review.runs)
    assert all(run.roll_gradient["rear"].value is not None for run in review.runs)


def test_inches_at_all_pots_are_told_by_a_roll_that_no_car_shows(tmp_path: Path) -> None:
    corners = ("FL", "FR", "RL", "RR")
    for found in checked(session(tmp_path / "s", as_mm(*corners), corners)):
        assert set(found) == {*FRONT, *REAR}
        for row in found.values():
            assert row.verdict is Verdict.BAD
            assert "no car rolls so" in row.comment
            assert "inches under a heading of mm (25.4)" in row.comment


def test_volts_under_mm_fit_no_unit_of_length(tmp_path: Path) -> None:
    for found in checked(session(tmp_path / "s", as_mm("FL", "FR", "RL"))):
        assert set(found) >= set(FRONT)
        for name in FRONT:
            assert found[name].verdict is Verdict.BAD
            assert "sensor volts or counts" in found[name].comment
            assert found[name].value is not None
            assert 30.0 < found[name].value < 50.0


def test_lateral_force_in_g_under_a_heading_of_mps2_is_no_lack_of_cornering(tmp_path: Path) -> None:
    sheet = {'column = "LatG", unit = "g"': 'column = "LatG", unit = "m/s^2"'}
    for found in checked(session(tmp_path / "s", sheet)):
        assert set(found) == {"accel_y"}
        assert "g under a m/s² heading" in found["accel_y"].comment


def test_a_sheet_that_is_far_too_stiff_is_a_question_and_leaves_the_pots_in_use(tmp_path: Path) -> None:
    rates = re.findall(r'rate = "(\d+) N/mm ± 1 %"', (SAMPLE / "car.toml").read_text(encoding="utf-8"))
    assert len(rates) == 2
    stiff = {f'rate = "{rate} N/mm ± 1 %"': f'rate = "{5 * int(rate)} N/mm"' for rate in rates}
    folder = session(tmp_path / "s", stiff)
    for found in checked(folder):
        assert set(found) == {*FRONT, *REAR}
        for row in found.values():
            assert row.verdict is Verdict.SUSPECT
            assert "rates and bar" in row.comment
            assert "accel_y" in row.comment
    for run in review_session(folder).runs:
        assert all(run.roll_gradient_body[axle].value is not None for axle in ("front", "rear"))


def test_log_without_a_sheet_asks_for_the_pots_unit_and_leaves_the_gyro_alone(tmp_path: Path) -> None:
    log = plain_log(60.0)
    log.columns = {n: v / 25.4 if "pot" in n else v for n, v in log.columns.items()}
    (found,) = checked(write_log(tmp_path / "r.csv", log))
    assert set(found) == {*FRONT, *REAR}
    (recording,) = check_path(tmp_path / "r.csv", lambda _what, _done, _all: None).recordings
    assert recording.usable("gyro_x")


DOUBT = "no usable lateral acceleration in the log: its unit is in doubt (logger.channels.accel_y.unit)"


@pytest.mark.slow
@pytest.mark.parametrize("factor", [9.80665, 1.0 / 9.80665], ids=["m/s2 under g", "g under m/s2"])
def test_a_lying_unit_in_one_of_two_set_ups_is_the_reason_wherever_they_are_compared(
    tmp_path: Path, factor: float
) -> None:
    """Headline, table, page, data and archive say why nothing is known of the second set-up."""
    folder = session(tmp_path / "s", {})
    log = folder / "r04.csv.gz"
    table = pd.read_csv(log)
    table.assign(**{name: factor * table[name] for name in ("LongG", "LatG", "VertG")}).to_csv(
        log, index=False
    )

    def said(*words: str) -> str:
        command = [sys.executable, "-m", "analyzer", *words]
        done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
        assert (done.returncode, done.stderr) == (0, "")
        return " ".join(done.stdout.split())

    told = said("review", str(folder))
    headline = f"These runs cannot tell what B did to front roll stiffness: r04: {DOUBT}"
    assert headline in told
    assert "BAD: accel_y unit (r04)" in told
    assert "It is not used until that is answered." in told
    report = folder / "report"
    for place in ("report.html", "results.json", "tables/runs.csv", "tables/comparisons.csv"):
        assert DOUBT in " ".join((report / place).read_text(encoding="utf-8").split()), place
    runs = pd.read_csv(report / "tables" / "runs.csv")
    lying = runs[(runs["run"] == "r04") & runs["quantity"].str.match("roll_gradient|left_share")]
    assert len(lying) >= 5
    assert lying["value"].isna().all()
    assert (lying["reason"] == DOUBT).all()
    shares = "left shares and loads not given: its unit is in doubt (logger.channels.accel_y.unit)"
    assert shares in (report / "results.json").read_text(encoding="utf-8")
    # The sound run is as it is without the other one.
    sound = runs[(runs["run"] == "r01") & runs["quantity"].str.match("roll_gradient_(front|rear)$")]
    assert sound["value"].notna().all()
    said("archive", str(tmp_path))
    parts = (tmp_path / "archive" / "data" / "estimates").rglob("*.parquet")
    kept = pd.concat([pd.read_parquet(part) for part in parts])
    assert kept.astype(str).apply(lambda column: column.str.contains(DOUBT, regex=False)).to_numpy().any()


ONE_G = 9.80665
SENSORS = ("LongG", "LatG", "VertG", "Roll rate", "Pitch rate", "Yaw rate")


def gentle_session(
    folder: Path, lies: dict[str, tuple[tuple[str, ...], float]], without: tuple[str, ...]
) -> Path:
    """Write a session driven at half the force, where accelerations of `lies` are multiplied.

    At half the force m/s2 under a g heading reads 5 g and less.
    """
    folder = session(folder, {})
    for name in ("r01", "r04"):
        table = pd.read_csv(folder / f"{name}.csv.gz")
        for corner in ("FL", "FR", "RL", "RR"):
            table[f"{corner} pot"] = 2.5 + 0.5 * (table[f"{corner} pot"] - 2.5)
        # Speed with them, so that v r = a and dv/dt = a hold as in any drive.
        for column in SENSORS:
            rest = 1.0 if column == "VertG" else 0.0
            table[column] = rest + 0.5 * (table[column] - rest)
        columns, factor = lies.get(name, ((), 1.0))
        for column in columns:
            table[column] *= factor
        table.drop(columns=list(without)).to_csv(folder / f"{name}.csv.gz", index=False)
    return folder


@pytest.mark.parametrize("columns", [("LatG",), ("LongG", "LatG", "VertG")], ids=["lateral", "all"])
@pytest.mark.parametrize("without", [(), ("Yaw rate",)], ids=["yaw rate", "no yaw rate"])
def test_accelerations_in_another_unit_are_not_used_until_answered(
    columns: tuple[str, ...], without: tuple[str, ...], tmp_path: Path
) -> None:
    """Of one run of a session; the other keeps its figures."""
    folder = gentle_session(tmp_path / "s", {"r04": (columns, ONE_G)}, without)
    sound, found = checked(folder)
    assert "accel_y" not in sound
    assert found["accel_y"].verdict is Verdict.BAD
    assert "m/s² under a g heading, a factor of 9.807" in found["accel_y"].comment
    assert 'logger.channels.accel_y.unit = "m/s^2"' in found["accel_y"].comment
    assert not {*FRONT, *REAR} & set(found)
    one, other = review_session(folder).runs
    for axle in ("front", "rear"):
        assert one.roll_gradient[axle].value is not None
        assert other.roll_gradient[axle].value is None
        assert "logger.channels.accel_y.unit" in other.roll_gradient[axle].notes[0]
    assert one.load_share
    assert not other.load_share
    assert other.loads.empty


def test_a_force_far_too_small_is_a_unit_where_sheet_and_force_say_so(tmp_path: Path) -> None:
    """A hard drive in g under a heading of m/s2, no yaw rate: 0.2 g, which rolls the car ten times as far."""
    car = random_car(default_rng([0, 60]))
    path = make_run(tmp_path / "r.csv", name="course", seed=900, rate=100.0, car=car).path
    table = pd.read_csv(path)
    for column in table.columns.drop(["Time", "Speed", "AccX"]):
        rest = 1.0 if column == "AccZ" else 0.0
        table[column] = rest + 1.8 * (table[column] - rest)
    table["AccY"] /= ONE_G
    table.drop(columns=["GyroZ"]).to_csv(path, index=False)
    sheet = sheet_of(car)
    setup = Setup.model_validate(tomllib.loads(setup_table("full"))["setups"]["full"])
    recording = read_recording("r", [path], sheet)
    assert recording.usable("accel_y")
    found = doubts(with_unit_doubts(recording, sheet, predict_setup(sheet, "full", setup)).health)
    assert set(found) == {"accel_y"}
    assert found["accel_y"].verdict is Verdict.BAD
    assert "g under a m/s² heading" in found["accel_y"].comment
