"""A pot whose counter wraps round at its full scale is joined again; plugs and spikes are no wraps."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from ingest.helpers import POTS
from ingest.rolling_car import rolling_log

from analyzer.ingest.calibration import wraps_of
from analyzer.ingest.read_run import read_loose_log
from analyzer.ingest.recording import Verdict

WORSE = (Verdict.SUSPECT, Verdict.BAD)


@pytest.fixture(scope="module")
def log() -> pd.DataFrame:
    return pd.DataFrame(rolling_log(seconds=40.0, rate=100.0, seed=4).columns)


def counted(travel: np.ndarray, bits: int, part: float, passed: float) -> np.ndarray:
    """Return travel by a counter of `bits` over `part` of its range; `passed` % lies past its end."""
    size = part * np.ptp(travel)
    low = np.percentile(travel, 100.0 - passed) - size
    grain = size / 2**bits
    return np.round(((travel - low) % size) / grain) % 2**bits * grain + low


@pytest.mark.parametrize("bits", [10, 12, 16])
def test_a_counter_that_wraps_is_named_and_joined(log: pd.DataFrame, tmp_path: Path, bits: int) -> None:
    name = "FR pot [mm]"
    travel = log[name].to_numpy()
    bad = log.assign(**{name: counted(travel, bits, 0.8, 4.0)})
    bad.to_csv(tmp_path / "r.csv", index=False)
    log.to_csv(tmp_path / "sound.csv", index=False)
    found, sound = (read_loose_log(tmp_path / f"{n}.csv") for n in ("r", "sound"))
    (row,) = (row for row in found.health if row.check == "wrapped")
    count = int(np.sum(np.abs(np.diff(bad[name])) > 0.5 * np.ptp(travel)))
    assert (row.channel, row.verdict, row.value) == ("damper_FR", Verdict.SUSPECT, count)
    size = float(row.comment.partition(", by ")[2].split()[0])
    assert size == pytest.approx(0.8 * np.ptp(travel), rel=0.02)
    # Nothing else is blamed, and the travel is that of the sound log.
    assert not [r for r in found.health if r.channel == "damper_FR" and r.verdict in WORSE and r != row]
    off = found.data["damper_FR"] - sound.data["damper_FR"]
    assert float(np.ptp(off)) < 0.02 * size / 1000.0
    assert not found.suspect["damper_FR"].any()


def test_wraps_beside_a_plug_that_falls_out_leave_the_pot_out(log: pd.DataFrame, tmp_path: Path) -> None:
    name = "RL pot [mm]"
    values = counted(log[name].to_numpy(), 12, 0.8, 4.0)
    (low, *_) = np.flatnonzero(values[1000:] < np.percentile(values, 5.0)) + 1000
    values[low : low + 50] = values.max()
    log.assign(**{name: values}).to_csv(tmp_path / "r.csv", index=False)
    (row,) = (row for row in read_loose_log(tmp_path / "r.csv").health if row.check == "wrapped")
    assert (row.channel, row.verdict) == ("damper_RL", Verdict.BAD)
    assert "cannot be joined" in row.comment


@pytest.mark.parametrize("seed", range(3))
def test_plugs_and_spikes_are_no_wraps(log: pd.DataFrame, seed: int) -> None:
    """194 sound logs of 4 pots, the same with a plug out and with spikes to either end: none was named."""
    rng = np.random.default_rng(seed)
    for corner in POTS:
        travel = log[f"{corner} pot [mm]"].to_numpy() / 1000.0
        assert wraps_of(travel) is None
        ends = [travel.min(), travel.max(), travel.min() - 0.03, travel.max() + 0.03]
        out = travel.copy()
        first = int(rng.integers(len(out) - 400))
        out[first : first + 200] = rng.choice(ends)
        assert wraps_of(out) is None
        spiked = travel.copy()
        spiked[rng.integers(0, len(out), 5)] = rng.choice(ends, 5)
        assert wraps_of(spiked) is None
