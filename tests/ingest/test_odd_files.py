"""Packed, broken and strange files in place of a log: whole numbers, or one line at once."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import os
import random
import shutil
import signal
import socket
import struct
import zipfile
import zlib
from contextlib import suppress
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from ingest.helpers import MAP, car_with, plain_log, text_of

from analyzer.cli import main
from analyzer.core.errors import LogError
from analyzer.ingest.read_run import read_loose_log, read_recording
from analyzer.ingest.recording import Verdict

LOG = plain_log(12.0)
TEXT = text_of(LOG).encode()
NAMES = list(LOG.columns)


def zipped(data: bytes, method: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        archive.writestr("log.csv", data)
    return out.getvalue()


PACKERS = {"gz": gzip.compress, "bz2": bz2.compress, "xz": lzma.compress, "zip": zipped}


def read(path: Path):
    return read_recording("r", [path], car_with(MAP))


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    path = tmp_path_factory.mktemp("plain") / "log.csv"
    path.write_bytes(TEXT)
    return read(path)


def refused(path: Path) -> str:
    with pytest.raises(LogError) as caught:
        read(path)
    line = str(caught.value)
    assert "\n" not in line
    assert path.name in line
    assert "; " in line  # what to do
    return line


# Packed logs.


@pytest.mark.parametrize("kind", PACKERS)
def test_packed_log_is_the_plain_one(kind, plain, tmp_path):
    path = tmp_path / f"log.{kind}"
    path.write_bytes(PACKERS[kind](TEXT))
    found = read(path)
    assert found.data.equals(plain.data)
    assert found.health == plain.health


@pytest.mark.parametrize("kind", ["gz", "bz2", "xz"])
def test_streams_behind_each_other_are_one_log(kind, plain, tmp_path):
    middle = TEXT.index(b"\n", len(TEXT) // 2) + 1
    path = tmp_path / f"log.{kind}"
    path.write_bytes(PACKERS[kind](TEXT[:middle]) + PACKERS[kind](TEXT[middle:]))
    assert read(path).data.equals(plain.data)


def with_wrong_checksum(kind: str) -> bytes:
    packed = bytearray(PACKERS[kind](TEXT))
    if kind == "gz":  # RFC 1952: the last eight bytes are checksum and size
        packed[-8] ^= 1
    elif kind == "zip":  # in the header of the member and in the directory
        checksum = struct.pack("<I", zlib.crc32(TEXT))
        packed = bytearray(bytes(packed).replace(checksum, struct.pack("<I", zlib.crc32(TEXT) ^ 1)))
    else:
        packed[len(packed) // 2] ^= 0x10
    return bytes(packed)


@pytest.mark.parametrize("kind", PACKERS)
def test_packed_log_with_a_wrong_checksum_is_refused(kind, tmp_path):
    path = tmp_path / f"log.{kind}"
    path.write_bytes(with_wrong_checksum(kind))
    line = refused(path)
    assert "checksum" in line or "cannot be unpacked" in line
    if kind in ("gz", "zip"):
        assert "checksum" in line


@pytest.mark.parametrize("kind", PACKERS)
def test_no_changed_byte_gives_other_numbers_without_a_word(kind, plain, tmp_path):
    packed = PACKERS[kind](TEXT)
    dice = random.Random(4)
    path = tmp_path / f"log.{kind}"
    said = 0
    for _ in range(40):
        damaged = bytearray(packed)
        damaged[dice.randrange(len(packed))] ^= 1 << dice.randrange(8)
        path.write_bytes(damaged)
        try:
            found = read(path)
        except LogError:
            said += 1
            continue
        # A header holds times and names of files that change nothing.
        if not found.data.equals(plain.data):
            assert any(row.check == "cut short" for row in found.health)
    assert said > 20


@pytest.mark.parametrize("missing", [1, 5, 9, 500, 5000])
@pytest.mark.parametrize("kind", ["gz", "bz2", "xz"])
def test_packed_log_without_its_tail_is_used_and_said(kind, missing, plain, tmp_path):
    # Blocks of bzip2 are long: a short log is one, of which nothing can be had without its end.
    text = TEXT if kind != "bz2" else text_of(plain_log(120.0)).encode()
    path = tmp_path / f"log.{kind}"
    path.write_bytes(text)
    whole = plain if kind != "bz2" else read(path)
    path.write_bytes(PACKERS[kind](text)[:-missing])
    found = read(path)
    row = next(row for row in found.health if row.check == "cut short")
    assert row.verdict is Verdict.SUSPECT
    assert any("ends before its own end" in step for step in found.steps)
    # What is there is the same row by row; no part of a number stands for a number.
    raw, full = found.data["accel_y"], whole.data["accel_y"]
    assert len(raw) > 0.3 * len(full)
    assert np.array_equal(raw.to_numpy(), full.to_numpy()[: len(raw)], equal_nan=True)


def test_log_of_several_tables_that_is_cut_short_is_said(tmp_path):
    rows = [b"travel,seconds,FL pot [mm],FR pot [mm]", b"body,seconds,LatG [g],LonG [g],VertG [g]"]
    for number in range(3000):
        stamp = b"%.3f" % (number / 100)
        rows += [b"travel,%s,%d.5,1.5" % (stamp, number % 7), b"body,%s,0.%d,0.1,1.0" % (stamp, number % 9)]
    path = tmp_path / "log.gz"
    path.write_bytes(gzip.compress(b"\n".join(rows) + b"\n")[:-900])
    found = read(path)
    assert any(row.check == "cut short" for row in found.health)


def test_zip_without_its_tail_is_refused(tmp_path):
    path = tmp_path / "log.zip"
    path.write_bytes(zipped(TEXT)[:-30])
    assert "cannot be unpacked" in refused(path)


@pytest.mark.parametrize("method", [9, 12, 14, 93, 95, 97, 98])
def test_zip_of_another_method_is_refused(method, tmp_path):
    packed = bytearray(zipped(TEXT))
    packed[8:10] = struct.pack("<H", method)  # local header, then the directory (APPNOTE 4.3.7 and 4.3.12)
    directory = packed.rindex(b"PK\x01\x02")
    packed[directory + 10 : directory + 12] = struct.pack("<H", method)
    path = tmp_path / "log.zip"
    path.write_bytes(packed)
    line = refused(path)
    assert "method this program does not know" in line or "cannot be unpacked" in line or "checksum" in line


def test_zip_with_broken_lzma_is_refused(tmp_path):
    packed = bytearray(zipped(TEXT, zipfile.ZIP_LZMA))
    for place in range(60, 600):
        packed[place] = 0xFF
    path = tmp_path / "log.zip"
    path.write_bytes(packed)
    refused(path)


def test_xz_that_asks_for_gigabytes_of_memory_is_refused(tmp_path):
    packed = bytearray(lzma.compress(TEXT))
    assert packed[14:16] == b"\x21\x01"
    packed[16] = 39  # a window of 3 GB (the .xz file format, 5.3.1)
    size = (packed[12] + 1) * 4
    packed[12 + size - 4 : 12 + size] = struct.pack("<I", zlib.crc32(packed[12 : 12 + size - 4]))
    path = tmp_path / "log.xz"
    path.write_bytes(packed)
    assert "cannot be unpacked" in refused(path)


# What is no file.


def strange(kind: str, folder: Path) -> Path:
    path = folder / "r01.csv.gz"
    path.unlink(missing_ok=True)
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "link loop":
        path.symlink_to(path.name)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    elif kind == "folder":
        path.mkdir()
    elif kind == "socket":
        with socket.socket(socket.AF_UNIX) as made:
            made.bind(os.path.relpath(path))
    return path


@pytest.mark.parametrize("kind", ["pipe", "link loop", "device", "folder", "socket"])
@pytest.mark.parametrize(
    "command", ["check LOG", "check .", "review .", "start new --from LOG", "check LOG.toml"]
)
def test_what_is_no_file_is_told_at_once(kind, command, sample_session, tmp_path, monkeypatch, capsys):
    folder = tmp_path / "s"
    folder.mkdir()
    for name in ("car.toml", "course.toml", "r01.csv.gz"):
        shutil.copy(sample_session / name, folder)
    head, run, *_ = (sample_session / "session.toml").read_text(encoding="utf-8").split("[[runs]]")
    (folder / "session.toml").write_text(f"{head}[[runs]]{run}", encoding="utf-8")
    path = strange(kind, folder)
    if command.endswith(".toml"):
        path = path.rename(folder / "r01.csv.gz.toml") if kind != "link loop" else path
    words = [word.replace("LOG", "r01.csv.gz") for word in command.split()]
    monkeypatch.chdir(folder)
    monkeypatch.setattr("sys.argv", ["analyzer", *words])
    # Whoever waits for a writer of the pipe, or reads a device to its end, waits for ever.
    usual = signal.signal(signal.SIGALRM, lambda *_: pytest.fail("hangs"))
    signal.alarm(30)
    try:
        with pytest.raises(SystemExit) as ended:
            main()
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, usual)
    told = capsys.readouterr().err
    assert ended.value.code == 2, told
    assert told.startswith("analyzer: ")
    assert told.count("\n") == 1, told
    assert "r01.csv.gz" in told


# Parquet.


def parquet(path: Path, columns: dict[str, pa.Array], **how) -> Path:
    pq.write_table(pa.table(columns), path, **how)
    return path


def test_small_parquet_that_unpacks_to_gigabytes_is_refused(tmp_path):
    # 40 million rows of one value a column: the writer needs no more than one group of them.
    path = tmp_path / "log.parquet"
    group = pa.table({name: pa.array(np.zeros(4_000_000)) for name in NAMES[:6]})
    with pq.ParquetWriter(path, group.schema) as writer:
        for _ in range(10):
            writer.write_table(group)
    assert path.stat().st_size < 2_000_000
    line = refused(path)
    assert "unpacks to" in line
    assert " MB" in line


def test_parquet_with_texts_of_any_length_as_time_is_refused(tmp_path):
    words = pa.DictionaryArray.from_arrays(pa.array([0] * 3000, pa.int32()), pa.array(["12:00:00" * 40_000]))
    columns = {"time": words, **{name: pa.array(LOG.columns[name].repeat(3)[:3000]) for name in NAMES[1:]}}
    # Without the writer's own schema the column is text, as other writers leave it.
    path = parquet(tmp_path / "log.parquet", columns, store_schema=False)
    assert path.stat().st_size < 1_000_000
    assert "characters" in refused(path)


def test_parquet_with_cells_beyond_measure_leaves_them_out(plain, tmp_path):
    columns = {name: values.copy() for name, values in LOG.columns.items()}
    columns["FL pot [mm]"][700] = 1e30
    columns["Time [s]"][500] = 1e29
    found = read(parquet(tmp_path / "log.parquet", {name: pa.array(v) for name, v in columns.items()}))
    assert len(found.data) == len(plain.data)
    assert np.isfinite(found.data["damper_FL"]).mean() > 0.99
    assert any(row.check == "unreadable cells" and row.channel == "damper_FL" for row in found.health)


def test_damaged_parquet_never_ends_in_a_traceback(tmp_path):
    path = parquet(tmp_path / "log.parquet", {name: pa.array(v) for name, v in LOG.columns.items()})
    whole = path.read_bytes()
    dice = random.Random(11)
    for case in range(120):
        damaged = bytearray(whole)
        if case % 3 == 0:
            damaged = damaged[: dice.randrange(len(damaged))]
        else:
            # The footer steers the reader; the pages are the bulk.
            low = len(damaged) - 3000 if case % 3 == 1 else 0
            for _ in range(dice.choice((1, 3, 20))):
                damaged[dice.randrange(low, len(damaged))] = dice.randrange(256)
        path.write_bytes(damaged)
        with suppress(LogError):
            read(path)


# Cells that nothing measures, and stamps that no clock shows.


def changed(column: str, row: int, cell: str) -> bytes:
    lines = TEXT.decode().splitlines()
    cells = lines[row].split(",")
    cells[NAMES.index(column)] = cell
    lines[row] = ",".join(cells)
    return ("\n".join(lines) + "\n").encode()


@pytest.mark.parametrize("value", ["1e20", "1e30", "-1e30", "3e38", "1e300", "1e999"])
@pytest.mark.parametrize("column", ["FL pot [mm]", "LatG [g]", "Yaw rate [deg/s]", "Speed [km/h]"])
def test_one_cell_beyond_measure_costs_that_cell(column, value, plain, tmp_path):
    path = tmp_path / "log.csv"
    path.write_bytes(changed(column, 800, value))
    found = read(path)
    house = next(name for name, channel in MAP.items() if column.startswith(channel["column"]))
    assert found.data.index.equals(plain.data.index)
    other = [name for name in found.data.columns if name != house]
    assert found.data[other].equals(plain.data[other])
    near = (found.data[house] - plain.data[house]).abs()
    assert near.max() < 1e-3
    assert near.isna().sum() <= 3
    if value != "1e999":  # infinity is how some loggers write "no reading"
        assert any(row.channel == house and row.verdict is Verdict.SUSPECT for row in found.health)


@pytest.mark.parametrize(
    "stamp", ["5.5", "300", "5000", "-40", "1e12", "1e19", "1e29", "-1e29", "1e30", "1e300"]
)
@pytest.mark.parametrize("row", [1, 2, 7, 600, 1195, 1200])
def test_one_stray_stamp_costs_that_row(row, stamp, plain, tmp_path):
    path = tmp_path / "log.csv"
    path.write_bytes(changed("Time [s]", row, stamp))
    found = read(path)
    lost = 1 if row in (1, 1200) else 0
    assert len(found.data) == len(plain.data) - lost
    assert any(
        found_row.channel == "time" and found_row.verdict is Verdict.SUSPECT for found_row in found.health
    )
    # Every other sample is where it was: those of the stray row are a gap or a bridge over it.
    ours, true = found.data["accel_y"].to_numpy(), plain.data["accel_y"].to_numpy()[lost if row == 1 else 0 :]
    same = np.isclose(ours, true[: len(ours)], rtol=0, atol=1e-9)
    assert (~same).sum() <= 2


def test_loose_log_with_a_stray_stamp_is_read(tmp_path):
    path = tmp_path / "log.csv"
    path.write_bytes(changed("Time [s]", 1, "1e29"))
    assert len(read_loose_log(path).data) == 1199
