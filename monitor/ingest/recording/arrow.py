"""Arrow columns as numpy arrays, read from their buffers.

pyarrow's own `to_numpy` and `fill_null` import pandas at their first call, which takes a quarter of a second: a large
part of replaying a small recording.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from monitor.ingest.recording.piece import Flags

Array = Any     # pyarrow.Array; pyarrow has no type information


def present(column: Array) -> Flags:
    """Where a column of any type has a value."""
    return np.ones(len(column), bool) if column.null_count == 0 else _bits(column.buffers()[0], column)


def flags(column: Array) -> Flags:
    """A column of truth values; where there is none, False."""
    values = _bits(column.buffers()[1], column)
    return values if column.null_count == 0 else values & present(column)


def numbers(column: Array, missing: float) -> npt.NDArray[Any]:
    """A column of int64 or float64; `missing` where there is none. The array may be read-only."""
    kind = np.dtype(str(column.type).replace("double", "float64"))
    if not len(column):
        return np.empty(0, kind)
    values: npt.NDArray[Any] = np.frombuffer(column.buffers()[1], kind)[column.offset : column.offset + len(column)]
    return values if column.null_count == 0 else np.where(present(column), values, kind.type(missing))


def _bits(buffer: Any, column: Array) -> Flags:
    """One bit a row, the lowest first."""
    if not len(column):
        return np.empty(0, bool)
    end = column.offset + len(column)
    octets = np.frombuffer(buffer, np.uint8)
    return np.unpackbits(octets, count=end, bitorder="little")[column.offset :].view(bool)
