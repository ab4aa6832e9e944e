"""Tables as Parquet, batch by batch."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from monitor.errors import InputError
from monitor.ingest.recording.piece import Piece
from monitor.ingest.recording.tables import LongTable, WideTable

BATCH = 262_144
READ = 4 * BATCH    # rows that one reader goes through, or one row group


class Parquet:
    """One Parquet file. used: names of the columns that are read, the time first."""

    cut_short: str | None = None

    def __init__(self, path: Path, table: WideTable | LongTable, used: Sequence[str]) -> None:
        self._path, self._table, self._used = path, table, list(used)
        self.done = 0.0

    def pieces(self, batch: int = BATCH, read: int = 0) -> Iterator[Piece]:
        """The file in pieces of up to `batch` rows."""
        import pyarrow as pa

        with open_parquet(self._path) as file:
            total, row = file.metadata.num_rows, 0
            try:
                for part in _batches(file, batch, self._used):
                    lines = np.arange(row + 1, row + len(part) + 1, dtype=np.int64)
                    row += len(part)
                    self.done = row / total
                    yield self._table.piece([part.column(name) for name in self._used], lines, [])
            except (pa.ArrowException, OSError) as error:
                raise InputError(f"{self._path}: damaged Parquet after row {row}: {_first_line(error)}") from error


def _batches(file: Any, batch: int, columns: list[str]) -> Iterator[Any]:
    """Batches of up to `batch` rows. Some row groups at a time: until a reader is done it keeps what it has read of the
    file, of ten years more than a gigabyte."""
    groups: list[int] = []
    rows = 0
    for group in range(file.num_row_groups):
        groups.append(group)
        rows += file.metadata.row_group(group).num_rows
        if rows >= READ or group == file.num_row_groups - 1:
            yield from file.iter_batches(batch, row_groups=groups, columns=columns)
            groups, rows = [], 0


def open_parquet(path: Path) -> Any:
    """The file, its schema read. Raises InputError where it is none."""
    import pyarrow as pa
    from pyarrow import parquet

    try:
        return parquet.ParquetFile(path, buffer_size=1 << 20)
    except (pa.ArrowException, OSError) as error:
        raise InputError(f"{path}: not a readable Parquet file: {_first_line(error)}") from error


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]
