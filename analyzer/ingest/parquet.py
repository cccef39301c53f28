"""Read the wanted columns of a log kept as Parquet."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analyzer.errors import LogError
from analyzer.ingest.cells import HeaderCell, read_header_cell
from analyzer.ingest.clock_cells import taken_apart
from analyzer.ingest.shelf import shelved
from analyzer.ingest.table import RawTable

_BROKEN = (pa.ArrowInvalid, pa.ArrowNotImplementedError, pa.ArrowTypeError, OSError)


def parquet_header(path: Path) -> tuple[HeaderCell, ...]:
    """Return the names of the columns, with a unit where the field's metadata or the name gives one.

    Raises
    ------
    LogError
        When the file is broken.
    """
    try:
        schema = pq.read_schema(path)
    except _BROKEN:
        raise LogError(path, "", "is a broken Parquet file", "copy it again from the logger") from None
    cells = []
    for field in schema:
        cell = read_header_cell(field.name)
        meta = (field.metadata or {}).get(b"unit", b"").decode("utf-8", "replace")
        if pa.types.is_timestamp(field.type):
            cell = HeaderCell(cell.full, cell.name, "ns")
        elif meta:
            cell = HeaderCell(cell.full, cell.name, meta)
        elif pa.types.is_string(field.type) or pa.types.is_large_string(field.type):
            cell = HeaderCell(cell.full, cell.name, "timestamp text")
        cells.append(cell)
    return tuple(cells)


def _as_text(column: pa.Array) -> pa.ChunkedArray:
    return pa.chunked_array([pc.cast(column, pa.string())])


def read_parquet(path: Path, wanted: Sequence[int], texts: Sequence[int]) -> RawTable:
    """Read columns by index; raises `LogError` when they hold neither numbers nor times."""
    raw = RawTable()
    try:
        file = pq.ParquetFile(path)
        names = file.schema_arrow.names
        for index in wanted:
            column = file.read(columns=[names[index]]).column(0)
            if pa.types.is_timestamp(column.type):
                column = pc.cast(column, pa.timestamp("ns")).cast(pa.int64())
            numbers = pc.cast(column, pa.float64(), safe=False).to_numpy()
            raw.numbers[index] = shelved(np.asarray(numbers, dtype=np.float64))
        for index in texts:
            batches = file.iter_batches(columns=[names[index]])
            raw.clocks[index] = taken_apart(_as_text(batch.column(0)) for batch in batches)
        raw.rows = file.metadata.num_rows
    except _BROKEN as error:
        raise LogError(
            path, "", f"cannot be read as numbers ({type(error).__name__})", "write the channels as numbers"
        ) from None
    return raw
