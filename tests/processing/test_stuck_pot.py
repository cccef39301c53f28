"""A pot that is constant for a part of a run: the rest of the run is used where it holds enough driving."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from engine.car import EngineCar
from engine.other_cars import random_car
from engine.runs import make_run, sheet_of
from engine.sheets import bar_rates
from ingest.lifted_logs import drive_with_stops

from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Recording, Verdict
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.results import RunEstimates

Read = tuple[Recording, RunEstimates]


def taken(table: pd.DataFrame, car: EngineCar, folder: Path) -> Read:
    table.to_csv(folder / "r.csv", index=False, float_format="%.6f")
    sheet = sheet_of(car)
    recording = read_recording("r", [folder / "r.csv"], sheet)
    return recording, estimate_run(recording, sheet, "full", bar_rates(car, "full"))  # type: ignore[arg-type]


def stuck(table: pd.DataFrame, column: str, first: float, part: float, value: float | None) -> pd.DataFrame:
    """Return a log in which a pot holds a value, its own one for None, for a part of the rows."""
    changed = table.copy()
    begin, count = int(first * len(table)), int(part * len(table))
    held = table[column].iloc[begin] if value is None else value
    changed.loc[begin : begin + count, column] = held
    return changed


def worse(recording: Recording) -> set[tuple[str, str]]:
    return {(r.check, r.channel) for r in recording.health if r.verdict in (Verdict.SUSPECT, Verdict.BAD)}


def hold(sound: Read, found: Read, pot: str) -> None:
    """Hold the gradients of a log with a stuck pot to those of the sound one."""
    axle = "front" if pot[-2] == "F" else "rear"
    assert worse(found[0]) - worse(sound[0]) == {("stuck", pot)}
    for name in ("front", "rear"):
        was, now = (run.roll_gradient_body[name] for _, run in (sound, found))
        assert was.value is not None
        assert now.value is not None
        assert now.total_error is not None
        assert abs(now.value - was.value) < now.total_error
    # The mean share of half a run is that of other corners.
    share = found[1].load_share[axle].left_share
    assert share.value is None
    assert f"{pot} was stuck" in share.notes[0]


@pytest.mark.parametrize("value", [None, -31.0])
def test_the_rest_of_a_run_tells_the_gradient(value: float | None, tmp_path: Path) -> None:
    """Stuck where it is, or jumped to a value below all others, for two fifths of the run."""
    run = make_run(tmp_path / "d.csv", seed=3, rate=100.0, car=random_car(np.random.default_rng(3)))
    table = pd.read_csv(run.path)
    sound = taken(table, run.car, tmp_path)
    hold(sound, taken(stuck(table, "RL pot", 0.5, 0.4, value), run.car, tmp_path), "damper_RL")


def test_too_little_of_a_run_tells_nothing(tmp_path: Path) -> None:
    run = make_run(tmp_path / "d.csv", seed=3, rate=100.0, car=random_car(np.random.default_rng(3)))
    table = stuck(pd.read_csv(run.path), "FR pot", 0.1, 0.75, None)
    recording, found = taken(table, run.car, tmp_path)
    assert not recording.usable("damper_FR")
    assert found.roll_gradient_body["front"].value is None


@pytest.mark.slow
@pytest.mark.parametrize("number", range(12))
def test_pots_stuck_for_drawn_parts_of_long_drives(number: int, tmp_path: Path) -> None:
    rng = np.random.default_rng([number, 57])
    drive = drive_with_stops(number, tmp_path)
    sound = taken(drive.table, drive.car, tmp_path)
    if any(sound[1].roll_gradient_body[a].value is None for a in ("front", "rear")):
        pytest.skip("this drive tells no gradient at all")
    for value in (None, -31.0):
        corner, part = str(rng.choice(["FL", "FR", "RL", "RR"])), rng.uniform(0.2, 0.6)
        table = stuck(drive.table, f"{corner} pot", rng.uniform(0.0, 1.0 - part), part, value)
        hold(sound, taken(table, drive.car, tmp_path), f"damper_{corner}")
