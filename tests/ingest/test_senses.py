"""Pots, accelerations and turn rates that count the other way together: all that fits is named."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from ingest.rolling_car import rolling_log
from ingest.session_faults import SAMPLE, sample_run

from analyzer.core.signals import Blocks
from analyzer.core.units import STANDARD_GRAVITY
from analyzer.ingest.checks.inputs import Signals
from analyzer.ingest.checks.pots import check_pots
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.ingest.timebase import TimeBase
from analyzer.sheets.car import CarSheet, Logger
from analyzer.sheets.read import read_car

POTS = [f"damper_{corner}" for corner in ("FL", "FR", "RL", "RR")]


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return sample_run()


def without(car: CarSheet, *channels: str) -> CarSheet:
    """Return the sheet without some channels, and without stated zeros, which a turned sign would move."""
    kept = {
        name: channel.model_copy(update={"static": None})
        for name, channel in car.logger.channels.items()
        if name not in channels
    }
    return car.model_copy(update={"logger": car.logger.model_copy(update={"channels": kept})})


def turned(car: CarSheet, *channels: str) -> CarSheet:
    """Return the sheet with the signs of some channels the other way round."""
    logger = car.logger
    other = {n: c.model_copy(update={"sign": -c.sign}) for n, c in logger.channels.items() if n in channels}
    return car.model_copy(
        update={"logger": logger.model_copy(update={"channels": {**logger.channels, **other}})}
    )


def exchanged(car: CarSheet, *pairs: tuple[str, str]) -> CarSheet:
    """Return the sheet with channels under each other's name, their columns and calibrations with them."""
    channels = dict(car.logger.channels)
    for a, b in pairs:
        channels[a], channels[b] = channels[b], channels[a]
    return car.model_copy(update={"logger": car.logger.model_copy(update={"channels": channels})})


def worse(table: pd.DataFrame, car: CarSheet, folder: Path) -> list[HealthRow]:
    table.to_csv(folder / "r.csv", index=False)
    rows = read_recording("r", [folder / "r.csv"], car).health
    found = [r for r in rows if r.verdict in (Verdict.SUSPECT, Verdict.BAD) and r.check != "missing"]
    # Where no zero is stated the rest position is read off the log and said; that is no matter of senses.
    return [r for r in found if r.check not in ("zero", "damper stroke", "calibration range")]


CAR = read_car(SAMPLE / "car.toml")
BLIND = ("gyro_x", "gyro_y", "gyro_z", "accel_z", "speed")
ENDS = "front and rear pots exchanged"
BOTH = "all four pots inverted and lateral acceleration inverted"


@pytest.mark.parametrize("gone", [(), ("gyro_x", "gyro_y"), ("gyro_x", "speed")], ids=str)
def test_pots_and_lateral_force_the_other_way_are_told_from_exchanged_ends(
    gone: tuple[str, ...], table: pd.DataFrame, tmp_path: Path
) -> None:
    """Heave against vertical force and yaw rate against lateral force decide."""
    rows = worse(table, turned(without(CAR, *gone), *POTS, "accel_y"), tmp_path)
    blamed = {(r.check, r.channel) for r in rows}
    assert {("inverted", pot) for pot in POTS} <= blamed
    assert not any(check == "swapped" for check, _ in blamed)
    assert {channel for _, channel in blamed} <= {*POTS, "accel_y"}
    for row in rows:
        assert BOTH in row.comment
        assert ENDS not in row.comment


def test_every_explanation_is_named_where_nothing_decides(table: pd.DataFrame, tmp_path: Path) -> None:
    for car in (turned(CAR, *POTS, "accel_y"), turned(CAR, "accel_x")):
        rows = worse(table, without(car, *BLIND), tmp_path)
        assert {r.channel for r in rows} == set(POTS)
        for row in rows:
            for words in (ENDS, BOTH, "forward acceleration inverted"):
                assert words in row.comment


def test_exchanged_ends_are_told_alone_where_heave_and_speed_leave_nothing_else(
    table: pd.DataFrame, tmp_path: Path
) -> None:
    ends = exchanged(CAR, ("damper_FL", "damper_RL"), ("damper_FR", "damper_RR"))
    rows = worse(table, without(ends), tmp_path)
    assert {(r.check, r.channel) for r in rows} == {("swapped", pot) for pot in POTS}
    assert all(f"Only this fits: {ENDS}" in row.comment for row in rows)


def test_braking_tells_inverted_pots_from_inverted_lateral_force(table: pd.DataFrame, tmp_path: Path) -> None:
    rows = worse(table, turned(without(CAR, *BLIND), *POTS), tmp_path)
    assert {(r.check, r.channel) for r in rows} == {("inverted", pot) for pot in POTS}
    rows = worse(table, turned(without(CAR, *BLIND), "accel_y"), tmp_path)
    assert {(r.check, r.channel) for r in rows} == {("sign", "accel_y")}
    assert "left and right pots exchanged" in rows[0].comment


def test_yaw_rate_tells_exchanged_sides_from_inverted_lateral_force(
    table: pd.DataFrame, tmp_path: Path
) -> None:
    sides = exchanged(CAR, ("damper_FL", "damper_FR"), ("damper_RL", "damper_RR"))
    rows = worse(table, without(sides, "gyro_x"), tmp_path)
    assert {(r.check, r.channel) for r in rows} == {("swapped", pot) for pot in POTS}
    rows = worse(table, turned(without(CAR, "gyro_x"), "accel_y"), tmp_path)
    assert {(r.check, r.channel) for r in rows} == {("sign", "accel_y")}


SIDES = (("damper_FL", "damper_FR"), ("damper_RL", "damper_RR"))
MIRROR = "left and right pots exchanged and lateral acceleration inverted and yaw rate inverted"


def test_a_mirrored_car_is_told_by_its_track_alone(table: pd.DataFrame, tmp_path: Path) -> None:
    """No motion tells it: without positions nothing is claimed, with them both that fits is named."""
    mirrored = turned(exchanged(without(CAR, "gyro_x"), *SIDES), "accel_y", "gyro_z")
    assert not worse(table, without(mirrored, "latitude", "longitude"), tmp_path)
    for car in (mirrored, turned(without(CAR, "gyro_x"), "longitude")):
        (row,) = worse(table, car, tmp_path)
        assert (row.check, row.channel, row.verdict) == ("position", "longitude", Verdict.SUSPECT)
        assert "latitude or longitude inverted" in row.comment
        assert MIRROR in row.comment


def test_the_mirror_image_is_named_where_no_track_denies_it(table: pd.DataFrame, tmp_path: Path) -> None:
    image = "; or the same with left and right exchanged in every channel"
    car = turned(without(CAR, "latitude", "longitude"), "damper_FL")
    rows = worse(table, car, tmp_path)
    assert {r.channel for r in rows} == {"damper_FL"}
    assert all("What fits: FL inverted; or the same" in r.comment and image in r.comment for r in rows)
    rows = worse(table, turned(without(CAR), "damper_FL"), tmp_path)
    assert {r.channel for r in rows} == {"damper_FL"}
    assert all("Only this fits: FL inverted" in r.comment for r in rows)


@pytest.mark.parametrize(
    ("turned_too", "true", "other"),
    [
        ("accel_y", "left and right pots exchanged and lateral acceleration inverted", "yaw rate inverted"),
        ("gyro_z", "left and right pots exchanged and yaw rate inverted", "lateral acceleration inverted"),
    ],
)
def test_exchanged_sides_beside_one_sign_are_named_with_their_mirror_image(
    turned_too: str, true: str, other: str, table: pd.DataFrame, tmp_path: Path
) -> None:
    """Lateral force against yaw rate tells that one is wrong; which one only a track of positions does."""
    car = turned(exchanged(without(CAR, "latitude", "longitude"), *SIDES), turned_too)
    rows = worse(table, car, tmp_path)
    assert rows
    for row in rows:
        named = row.comment.partition(" fits: ")[2].split(".")[0].split("; or ")
        assert true in named
        assert other in named
    (row,) = worse(table, turned(exchanged(without(CAR), *SIDES), turned_too), tmp_path)[:1]
    assert true in row.comment


def test_vertical_force_that_is_off_turns_no_roll_rate(table: pd.DataFrame, tmp_path: Path) -> None:
    """The bank of the road is worked out of its size, so it is judged before the senses are heard."""
    bad = table.assign(VertG=table["VertG"] - 0.4)
    sides = without(exchanged(CAR, *SIDES), "latitude", "longitude")
    rows = [row for row in worse(bad, sides, tmp_path) if row.channel != "accel_z"]
    assert {(r.check, r.channel) for r in rows} == {("swapped", pot) for pot in POTS}
    assert not any("roll rate inverted" in row.comment for row in rows)


@pytest.mark.parametrize("size", [0.3, 0.6])
def test_vibration_that_both_accelerations_share_blames_no_pot(size: float, tmp_path: Path) -> None:
    """A held channel folds a tone of the engine down to 0.7 Hz; one force then frees the other of it."""
    columns = rolling_log(seconds=40.0, rate=100.0, seed=3).columns
    tone = size * np.sin(2.0 * np.pi * 0.7 * columns["Time [s]"])
    data = {f"damper_{corner}": columns[f"{corner} pot [mm]"] / 1000.0 for corner in ("FL", "FR", "RL", "RR")}
    data |= {"accel_x": STANDARD_GRAVITY * (columns["LonG [g]"] + tone)}
    data |= {"accel_y": STANDARD_GRAVITY * (columns["LatG [g]"] + tone)}
    base = TimeBase(0.0, 100.0, len(tone))
    rows = check_pots(Signals(Blocks(data, 100.0), base, Logger(), None, {}, set(data))).rows
    told = {(row.check, row.channel): row.verdict for row in rows if row.check in ("inverted", "swapped")}
    for pot in POTS:
        assert told["inverted", pot] is Verdict.GOOD
        assert told["swapped", pot] is Verdict.NOT_TESTED
