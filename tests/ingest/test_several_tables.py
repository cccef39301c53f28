"""Rows of several types in one file, and one file per channel, give the channels they hold."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ingest.helpers import POTS, Log, car_with, plain_log, text_of, write_log

from analyzer.core.errors import LogError
from analyzer.ingest.channels import guess_channels
from analyzer.ingest.read_run import read_loose_log, read_recording

FAST = ("damper_FL", "damper_FR", "damper_RL", "damper_RR")


def typed_log(path: Path, log: Log, epoch: float = 0.0) -> Path:
    """Write pots at 100 Hz and everything else at 50 Hz as rows of two types, the slower ones begun later."""
    pots = [n for n in log.columns if "pot" in n]
    rest = [n for n in log.columns if "pot" not in n and not n.startswith("Time")]
    lines = [",".join(["POT", "Time [s]", *pots]), ",".join(["IMU", "Time [s]", *rest])]
    for i, time in enumerate(log.columns["Time [s]"].tolist()):
        lines.append(",".join(["POT", f"{epoch + time:.3f}", *(f"{log.columns[n][i]:.7f}" for n in pots)]))
        if i % 2 == 0 and i >= 10:
            lines.append(
                ",".join(["IMU", f"{epoch + time:.3f}", *(f"{log.columns[n][i]:.7f}" for n in rest)])
            )
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize("epoch", [0.0, 1749925200.0])
def test_types_of_rows_share_a_clock(epoch: float, tmp_path: Path) -> None:
    log = plain_log(20.0)
    recording = read_recording("r", [typed_log(tmp_path / "r.csv", log, epoch)], car_with())
    assert recording.sample_rate == pytest.approx(100.0)
    for name in FAST:
        np.testing.assert_allclose(recording.data[name], log.si[name], atol=6e-6)
    late = recording.data["accel_y"].to_numpy()
    known = np.isfinite(late)
    assert known[12:1998].all()
    np.testing.assert_allclose(late[10:1998:2], log.si["accel_y"][10:1998:2], atol=1e-5)
    assert not any(row.check == "clock offset" for row in recording.health)


def test_types_of_rows_are_guessed(tmp_path: Path) -> None:
    log = plain_log(20.0)
    path = typed_log(tmp_path / "r.csv", log)
    guesses = guess_channels(path)
    assert {g.house for g in guesses.channels} >= {*FAST, "accel_x", "accel_y", "accel_z", "gyro_z", "speed"}
    assert guesses.time_column == "Time [s]"
    np.testing.assert_allclose(read_loose_log(path).data["damper_RR"], log.si["damper_RR"], atol=6e-6)


def per_channel(folder: Path, log: Log, start: float) -> list[Path]:
    """Write one file per channel, without a header and with FORTRAN exponents."""
    files = []
    for head, values in log.columns.items():
        if head.startswith("Time"):
            continue
        word = head.partition(" [")[0].replace(" ", "_")
        rows = zip((log.columns["Time [s]"] + start).tolist(), values.tolist(), strict=True)
        text = "".join(f"  {t:.6E}   {v:.9E}\n".replace("E", "D") for t, v in rows)
        files.append(folder / f"run3_{word}.dat")
        files[-1].write_text(text)
    return files


def test_one_file_per_channel(tmp_path: Path) -> None:
    log = plain_log(20.0)
    files = per_channel(tmp_path, log, start=61.25)
    units = {n.partition(" [")[0].replace(" ", "_"): n.partition("[")[2].rstrip("]") for n in log.columns}
    houses = dict(zip([f.stem.removeprefix("run3_") for f in files], log.si, strict=True))
    channels: dict[str, Any] = {
        house: {"column": "column 2", "file": f"*_{word}.dat", "unit": units[word]}
        for word, house in houses.items()
    }
    channels["time"] = {"column": "column 1", "unit": "s"}
    recording = read_recording("r", files, car_with(channels))
    for name, values in log.si.items():
        np.testing.assert_allclose(recording.data[name], values, atol=1e-8)
    assert recording.data.index[0] == pytest.approx(61.25)
    told = [row for row in recording.health if row.check == "clock offset"]
    assert len(told) == len(files) - 1
    assert all("row by row" in row.comment for row in told)
    # Clocks that all begin at 0 need not be one clock.
    with pytest.raises(LogError, match="clock_offsets = "):
        read_recording("r", per_channel(tmp_path, log, start=0.0), car_with(channels))


def test_files_on_clocks_of_their_own_say_what_to_state(tmp_path: Path) -> None:
    log = plain_log(20.0)
    first = Log({n: v for n, v in log.columns.items() if n.startswith(("Time", "FL", "FR"))})
    other = Log({n: v for n, v in log.columns.items() if n.startswith(("Time", "RL", "RR"))})
    other.columns["Time [s]"] = other.columns["Time [s]"] + 3.0
    files = [write_log(tmp_path / "a.csv", first), write_log(tmp_path / "b.csv", other)]
    with pytest.raises(LogError, match="clock_offsets = "):
        read_recording("r", files, car_with())
    recording = read_recording("r", files, car_with(), clock_offsets=[0.0, -3.0])
    for corner in POTS:
        np.testing.assert_allclose(recording.data[f"damper_{corner}"], log.si[f"damper_{corner}"], atol=6e-6)


def test_time_may_bear_another_name_in_the_second_file(tmp_path: Path) -> None:
    log = plain_log(20.0)
    halves = [("FL", "FR"), ("RL", "RR")]
    files = []
    for number, pair in enumerate(halves):
        part = Log({n: v for n, v in log.columns.items() if n.startswith(("Time", *pair))})
        if number:
            time = part.columns.pop("Time [s]")
            part.columns = {"uhr [ms]": 1000.0 * time, **part.columns}
        files.append(tmp_path / f"{number}.csv")
        files[-1].write_text(text_of(part))
    channels: dict[str, Any] = {f"damper_{c}": {"column": f"{c} pot"} for c in POTS}
    channels["time"] = {"column": "Time", "unit": "s"}
    recording = read_recording("r", files, car_with(channels), clock_offsets=[0.0, 0.0])
    np.testing.assert_allclose(recording.data["damper_RR"], log.si["damper_RR"], atol=6e-6)
    with pytest.raises(LogError, match=r"logger\.channels\.time\.column"):
        read_recording("r", files[1:], car_with(channels))
