"""Faults that leave every channel a believable one by itself, and that the car's motion tells.

Pots in any order, one of them the other way round; units and clocks off by a factor of two; a pot that slips
or sticks for half a second: none passes without a word.
"""

from __future__ import annotations

import gzip
from collections.abc import Callable
from itertools import permutations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from engine.other_cars import random_car
from engine.runs import make_run, sheet_of
from ingest.helpers import POTS
from ingest.session_faults import SAMPLE
from numpy.random import default_rng

from analyzer.core.signals import Blocks
from analyzer.ingest.checks import senses
from analyzer.ingest.checks.imu import check_inertial
from analyzer.ingest.checks.inputs import Signals
from analyzer.ingest.checks.pots import check_pots
from analyzer.ingest.checks.senses import Fault
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import HealthRow, Recording, Verdict
from analyzer.ingest.timebase import TimeBase
from analyzer.sheets.car import CarSheet, Logger
from analyzer.sheets.read import read_car

AS_THEY_ARE = (*POTS, "")
WIRINGS = [
    wiring
    for order in permutations(POTS)
    for inverted in ("", *POTS)
    if (wiring := (*order, inverted)) != AS_THEY_ARE
]
"""Which pot stands in each corner's column, and which counts the other way: 119 besides the sound one."""
BEDS = (
    "sample car, banked",
    "engine car 1, flat",
    "engine car 1, banked",
    "engine car 2, flat",
    "engine car 2, banked",
)


@pytest.fixture(scope="module")
def bed(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, CarSheet]:
    """A sound log and the sheet of its car."""
    path = tmp_path_factory.mktemp("bed") / "r.csv"
    if request.param == BEDS[0]:
        path.write_bytes(gzip.decompress((SAMPLE / "r02.csv.gz").read_bytes()))
        return path, read_car(SAMPLE / "car.toml")
    number = int(request.param.split()[2].strip(","))
    car = random_car(default_rng(number))
    make_run(path, name="course", seed=number, bank=12.0 if "banked" in request.param else 0.0, car=car)
    return path, sheet_of(car)


def wired(car: CarSheet, wiring: tuple[str, ...]) -> CarSheet:
    """Return the sheet of a car whose pots are connected so; a zero of one corner is none of another's."""
    channels = dict(car.logger.channels)
    own = {c: channels[f"damper_{c}"].model_copy(update={"static": None}) for c in POTS}
    for corner, pot in zip(POTS, wiring[:4], strict=True):
        sign = -own[pot].sign if pot == wiring[4] else own[pot].sign
        channels[f"damper_{corner}"] = own[pot].model_copy(update={"sign": sign})
    return car.model_copy(update={"logger": car.logger.model_copy(update={"channels": channels})})


def told(path: Path, car: CarSheet, wiring: tuple[str, ...]) -> list[HealthRow]:
    """Return what is said of the wiring."""
    rows = read_recording("r", [path], wired(car, wiring)).health
    return [row for row in rows if row.check in ("inverted", "swapped") and row.verdict is Verdict.BAD]


def words(wiring: tuple[str, ...]) -> str:
    """Return a wiring as the log's checks name it."""
    moved = [f"{c} reads {pot}" for c, pot in zip(POTS, wiring[:4], strict=True) if c != pot]
    turned = [f"{c} inverted" for c, pot in zip(POTS, wiring[:4], strict=True) if pot == wiring[4]]
    return ", ".join((*moved, *turned))


ALIKE = ("FR", "FL", "RR", "RL", ""), ("RL", "RR", "FL", "FR", ""), ("RR", "RL", "FR", "FL", "")
"""Sides, ends or both exchanged as a whole: other channels may be to blame, and all that fits is named."""


def hold(path: Path, car: CarSheet, wirings: list[tuple[str, ...]]) -> None:
    assert not told(path, car, AS_THEY_ARE)
    for wiring in wirings:
        rows = told(path, car, wiring)
        assert rows, wiring
        misplaced = {
            f"damper_{c}" for c, pot in zip(POTS, wiring[:4], strict=True) if pot == wiring[4] or c != pot
        }
        if wiring in ALIKE:
            assert all("exchanged" in row.comment for row in rows)
            continue
        assert {row.channel for row in rows} == misplaced, wiring
        # Beside it stands at most what takes accelerations and turn rates that count the other way.
        for row in rows:
            first, *others = row.comment.partition(" fits: ")[2].split(" (logger")[0].split("; or ")
            assert first == words(wiring), (wiring, rows)
            assert all("acceleration inverted" in other for other in others), (wiring, rows)


@pytest.mark.parametrize("bed", [BEDS[0], BEDS[4]], indirect=True)
def test_some_orders_are_named(bed: tuple[Path, CarSheet]) -> None:
    drawn = np.random.default_rng(4).choice(len(WIRINGS), 8, replace=False)
    hold(*bed, [*ALIKE, *(WIRINGS[k] for k in drawn)])


@pytest.mark.slow
@pytest.mark.parametrize("bed", BEDS, indirect=True)
def test_every_order_is_named(bed: tuple[Path, CarSheet]) -> None:
    hold(*bed, WIRINGS)


def test_without_motion_that_tells_nothing_is_called_sound(tmp_path: Path) -> None:
    """A car that only stands: every pot's place is not tested, in any order."""
    path = tmp_path / "r.csv"
    table = gzip.decompress((SAMPLE / "r02.csv.gz").read_bytes()).split(b"\n")
    path.write_bytes(b"\n".join([table[0], *table[1:401]]))
    car = read_car(SAMPLE / "car.toml")
    rows = read_recording("r", [path], wired(car, ("RR", "FR", "RL", "FL", ""))).health
    found = {(row.check, row.channel): row.verdict for row in rows}
    for corner in POTS:
        for check in ("inverted", "swapped"):
            assert found[check, f"damper_{corner}"] is Verdict.NOT_TESTED


# Further faults of one channel or of the clock, on the same cars.


Change = Callable[[pd.DataFrame, CarSheet], pd.DataFrame]


def column_of(table: pd.DataFrame, car: CarSheet, channel: str) -> str:
    """Return the column of a channel in the table."""
    wanted = car.logger.channels[channel].column
    return next(name for name in table.columns if name == wanted or name.startswith(f"{wanted} "))


def times(channel: str, factor: float) -> Change:
    def change(table: pd.DataFrame, car: CarSheet) -> pd.DataFrame:
        name = table.columns[0] if channel == "time" else column_of(table, car, channel)
        return table.assign(**{name: table[name] * factor})

    return change


def per_metre(car: CarSheet, channel: str) -> float:
    """Return how much the column changes per metre of the pot, by the sheet; without a table it is in mm."""
    pot = car.logger.channels[channel]
    if pot.volts is None or pot.travel is None:
        return 1000.0
    return (pot.volts[-1] - pot.volts[0]) / (pot.travel[-1].value - pot.travel[0].value)


def slipped(channel: str, part: float) -> Change:
    """Shift a pot by 12 mm within 20 s of driving."""

    def change(table: pd.DataFrame, car: CarSheet) -> pd.DataFrame:
        rate = 1.0 / float(np.median(np.diff(table.iloc[:, 0])))
        cut = table.iloc[len(table) // 3 :][: round(20.0 * rate)].reset_index(drop=True)
        name = column_of(cut, car, channel)
        cut.loc[int(part * len(cut)) :, name] += 0.012 * per_metre(car, channel)
        return cut

    return change


def held(channel: str, part: float) -> Change:
    """Hold a pot for half a second."""

    def change(table: pd.DataFrame, car: CarSheet) -> pd.DataFrame:
        rate = 1.0 / float(np.median(np.diff(table.iloc[:, 0])))
        first = int(part * len(table))
        done, name = table.copy(), column_of(table, car, channel)
        done.loc[first : first + round(0.5 * rate), name] = done[name].iloc[first]
        return done

    return change


def nowhere(rows: slice) -> Change:
    def change(table: pd.DataFrame, car: CarSheet) -> pd.DataFrame:
        done, name = table.copy(), column_of(table, car, "latitude")
        done.loc[rows, name] = -37_250_000.0
        return done

    return change


FAULTS: dict[str, tuple[Change, set[tuple[str, str]]]] = {
    **{
        f"{channel} times {factor:g}": (times(channel, factor), {("unit", channel), ("clock rate", "time")})
        for channel in ("speed", "accel_x")
        for factor in (2.0, 0.5)
    },
    **{f"clock times {f:g}": (times("time", f), {("clock rate", "time")}) for f in (2.0, 0.5)},
    **{
        f"{channel} slips at {part:g}": (slipped(channel, part), {("slipped", channel)})
        for channel in ("damper_FL", "damper_RR")
        for part in (0.3, 0.5, 0.8)
    },
    **{
        f"{channel} held at {part:g}": (held(channel, part), {("stuck", channel), ("dropouts", channel)})
        for channel in ("damper_FL", "damper_RR")
        for part in (0.35, 0.55, 0.7)
    },
    "latitude nowhere": (nowhere(slice(None)), {("dead", "latitude"), ("position", "latitude")}),
    "latitude nowhere once": (nowhere(slice(500, 500)), {("position", "latitude")}),
}
"""Fault -> how it is put into the log, and the rows of which at least one must say so."""
SAMPLED = [
    ("speed times 2", 0), ("accel_x times 0.5", 2), ("clock times 2", 0), ("clock times 0.5", 1),
    ("damper_RR slips at 0.5", 4), ("damper_FL held at 0.55", 0), ("latitude nowhere once", 0),
]  # fmt: skip


def hold_fault(path: Path, car: CarSheet, fault: str, folder: Path) -> None:
    change, named = FAULTS[fault]
    if fault.startswith("latitude") and "latitude" not in car.logger.channels:
        pytest.skip("this car logs no positions")
    changed = folder / "changed.csv"
    change(pd.read_csv(path), car).to_csv(changed, index=False, float_format="%.7g")
    rows = read_recording("r", [changed], car).health
    worse = {(row.check, row.channel) for row in rows if row.verdict in (Verdict.SUSPECT, Verdict.BAD)}
    assert worse & named, (fault, worse)


@pytest.mark.parametrize(
    ("fault", "bed"), [(fault, BEDS[number]) for fault, number in SAMPLED], indirect=["bed"]
)
def test_some_faults_are_named(bed: tuple[Path, CarSheet], fault: str, tmp_path: Path) -> None:
    hold_fault(*bed, fault, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("bed", BEDS, indirect=True)
@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_is_named(bed: tuple[Path, CarSheet], fault: str, tmp_path: Path) -> None:
    hold_fault(*bed, fault, tmp_path)


TURNED = (
    ("accel_y",),
    ("gyro_z",),
    ("gyro_x",),
    ("accel_y", "gyro_z"),
    ("accel_y", "gyro_x"),
    ("gyro_x", "gyro_z"),
    ("accel_y", "gyro_x", "gyro_z"),
)
"""Channels of the inertial unit that count the other way beside the pots."""
AS_FAULTS = {"accel_y": Fault.LATERAL, "gyro_x": Fault.ROLL, "gyro_z": Fault.YAW}
SOUND = (0, 1, 2, 3), (1.0, 1.0, 1.0, 1.0)
MIRROR = {Fault.SIDES, Fault.LATERAL, Fault.YAW}


Wiring = tuple[tuple[int, ...], tuple[float, ...], tuple[str, ...]]


def explained(
    recording: Recording, wiring: Wiring
) -> tuple[tuple[senses.Explanation, ...], set[str], list[str]]:
    """Return what is thought of a run that was logged so, the channels that are blamed, and in what words."""
    order, signs, turned = wiring
    data = {str(name): values.to_numpy() for name, values in recording.data.items()}
    pots = zip(POTS, order, signs, strict=True)
    wrong = {f"damper_{c}": sign * data[f"damper_{POTS[k]}"] for c, k, sign in pots}
    wrong |= {name: -data[name] for name in turned}
    base = TimeBase(0.0, recording.sample_rate, len(recording.data))
    signals = Signals(Blocks(data | wrong, recording.sample_rate), base, Logger(), None, {}, set(data))
    bad: list[HealthRow] = []
    for check in (check_inertial, check_pots):
        found = check(signals)
        signals.heed(found)
        bad += [row for row in found.rows if row.verdict is Verdict.BAD]
    return senses.possible(signals), {row.channel for row in bad}, [row.comment for row in bad]


@pytest.mark.slow
@pytest.mark.parametrize("bank", [0.0, 8.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_order_and_sign_of_the_pots_is_told(tmp_path: Path, seed: int, bank: float) -> None:
    """24 orders with 16 signs; a third with the unit's channels the other way."""
    car = random_car(default_rng([seed, 31]))
    run = make_run(tmp_path / "r.csv", name="course", seed=seed, bank=bank, rate=100.0, car=car)
    recording = read_recording("r", [run.path], sheet_of(car, level_box=True))
    assert explained(recording, (*SOUND, ())) == ((frozenset(),), set(), [])
    rng = default_rng([seed, 9])
    wirings = [wiring for wiring in senses.pot_faults() if wiring != SOUND]
    # A bank hides which way the roll gyro counts.
    hidden = frozenset({Fault.ROLL}) if bank else frozenset()
    for number, wiring in enumerate(wirings):
        for turned in ((), TURNED[rng.integers(len(TURNED))])[: 1 + (number % 3 == 0)]:
            fits, blamed, told = explained(recording, (*wiring, turned))
            truth = senses.pot_faults()[wiring] | {AS_FAULTS[name] for name in turned}
            # Sides exchanged in all that is logged: a car in the mirror is a sound one.
            if truth - {Fault.ROLL} == MIRROR and (hidden or Fault.ROLL in truth):
                continue
            assert blamed, truth
            # No other channel is blamed for what the pots alone do.
            assert turned or blamed <= {f"damper_{c}" for c in POTS}, (truth, blamed)
            # The wiring as it is stands among what fits, also where its mirror image takes fewer faults.
            assert any(truth - hidden <= faults <= truth for faults in fits), (truth, fits)
            # And what is said names it, or leaves room for it: its mirror image, or more than are listed.
            true = senses.words_of(truth - hidden)
            assert any(true in text or senses.MIRRORED in text or " more" in text for text in told), (
                truth,
                told,
            )
