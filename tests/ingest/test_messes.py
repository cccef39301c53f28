"""Each written mess is read to the right numbers, or refused in one line; nothing wrong passes unsaid."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest
from ingest.helpers import car_with
from ingest.messes import LATERAL, LEFT, MESSES, PLAIN, PLAIN_MAP, ROWS, Mess, zipped

from analyzer.core.errors import LogError
from analyzer.core.units import STANDARD_GRAVITY
from analyzer.ingest import open as files
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Recording

READ = [m for m in MESSES if not m.refused]
REFUSED = [m for m in MESSES if m.refused]
TRUTH = {
    "damper_FL": np.array(LEFT) / 1000.0,
    "damper_FR": -np.array(LEFT) / 1000.0,
    "accel_y": np.array(LATERAL) * STANDARD_GRAVITY,
}


def read(mess: Mess, folder: Path) -> Recording:
    path = folder / mess.file
    path.write_bytes(mess.data)
    return read_recording("r", [path], car_with(mess.channels, zero="calibration", **mess.logger))


@pytest.mark.parametrize("mess", READ, ids=lambda m: m.name)
def test_mess_is_read(mess: Mess, tmp_path: Path) -> None:
    recording = read(mess, tmp_path)
    assert recording.sample_rate == pytest.approx(100.0, rel=3e-3)
    assert recording.data.index[0] == pytest.approx(mess.start, abs=1e-6)
    kept = 0
    for name, truth in TRUTH.items():
        good = ~recording.suspect[name].to_numpy()
        assert int((~good).sum()) <= mess.lost
        # Past a hole the samples go on where they stopped.
        place = (recording.data.index.to_numpy() - mess.start) * 100.0
        place = np.where(place > ROWS, place - 6000.0, place)
        expected = np.interp(place, np.arange(ROWS), truth)
        np.testing.assert_allclose(
            recording.data[name].to_numpy()[good],
            expected[good],
            atol=0.01 if "jitter" in mess.name else 2e-8,
        )
        kept += int(good.sum())
    assert kept >= 3 * (ROWS - min(mess.lost, 3))
    told = " ".join([*recording.steps, *(f"{row.check} {row.comment}" for row in recording.health)])
    assert mess.said in told


@pytest.mark.parametrize("mess", REFUSED, ids=lambda m: m.name)
def test_mess_is_refused_in_one_line(mess: Mess, tmp_path: Path) -> None:
    with pytest.raises(LogError) as caught:
        read(mess, tmp_path)
    line = str(caught.value)
    assert mess.refused in line
    assert "\n" not in line
    assert "; " in line  # what to do


@pytest.mark.parametrize("kind", ["gz", "zip"])
def test_bomb_is_refused(kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "RATIO_FREE", 1 << 20)
    rows = PLAIN.encode() + b"0.12,7.0,-7.0,0.70\n" * 200_000
    path = tmp_path / f"log.csv.{kind}"
    path.write_bytes(gzip.compress(rows) if kind == "gz" else zipped({"log.csv": rows}))
    with pytest.raises(LogError, match="unpacks to more than"):
        read_recording("r", [path], car_with(PLAIN_MAP))


def test_table_is_long_enough() -> None:
    assert len(MESSES) >= 100
    assert len({m.name for m in MESSES}) == len(MESSES)
