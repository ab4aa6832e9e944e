"""Skids of signals for tests of reading, and short ways to read a file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from monitor.ingest.recording import Recordings, open_recordings
from monitor.model import Rejection, Role, Rows
from monitor.skid import Element, Payload, Reference, Signal, SkidSettings


def signal(name: str, role: Role = Role.INLET_PRESSURE, *, unit: str = "bar", low: float = 0.0, high: float = 10.0,
           topic: str | None = None, payload: Payload | None = None) -> Signal:  # fmt: skip
    """A signal of the invented hatchery; scale and offset do not matter for reading."""
    where = topic or f"hatchery/intake/{name}"
    return Signal(name, role, where, unit, low, high, 1.0, 0.0, payload=payload or Payload())


def skid(*signals: Signal) -> SkidSettings:
    """A skid of these signals; without any, the usual four and a leak sensor."""
    usual = (
        signal("PT-101"),
        signal("PT-102", Role.OUTLET_PRESSURE),
        signal("FT-101", Role.FLOW, unit="m^3/h", high=60.0),
        signal("TT-101", Role.TEMPERATURE, unit="degC", high=40.0),
        signal("LS-1", Role.LEAK_SENSOR, unit="1", high=1.0),
    )
    element, reference = Element(changeout_dp=1e5, max_dp=2.4e5), Reference(0.01, 288.15)
    return SkidSettings("intake-1", "River intake", ("east",), 1, element, reference, signals or usual, {}, {})


class Read(NamedTuple):
    """A whole history in one piece."""

    rows: Rows
    rejections: list[Rejection]
    recordings: Recordings

    @property
    def readings(self) -> list[tuple[int, int, float | None, int]]:
        """(time, signal, value or None for NaN, quality) of each row."""
        columns = zip(*(column.tolist() for column in self.rows), strict=True)
        return [(t, s, None if v != v else v, q) for t, s, v, q in columns]

    @property
    def refused(self) -> list[tuple[str, str, str | None]]:
        """(where, reason, signal) of each rejection."""
        return [(r.where, str(r.reason), r.signal) for r in self.rejections]


def read(
    paths: Path | Iterable[Path], settings: SkidSettings | None = None, *, timezone: str | None = None,
    mapping: Mapping[str, str] | None = None, dates: str | None = None, chunk_rows: int = 500_000,
) -> Read:  # fmt: skip
    """Everything that some files hold."""
    files = [paths] if isinstance(paths, Path) else list(paths)
    recordings = open_recordings(files, settings or skid(), timezone=timezone, mapping=mapping, dates=dates,
                                 chunk_rows=chunk_rows)
    chunks = list(recordings)
    rejections = [rejection for chunk in chunks for rejection in chunk.rejections]
    return Read(Rows.concat([chunk.rows for chunk in chunks]), rejections, recordings)


def same_rows(one: Rows, other: Rows) -> bool:
    """Whether two stretches hold the same readings, NaN for NaN."""
    exact = (one.time, other.time), (one.signal, other.signal), (one.quality, other.quality)
    return all(np.array_equal(a, b) for a, b in exact) and np.array_equal(one.value, other.value, equal_nan=True)


def write(path: Path, text: str | bytes) -> Path:
    """Write a small recording."""
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def table(path: Path, columns: dict[str, Any]) -> Path:
    """Write a Parquet table."""
    import pyarrow as pa
    from pyarrow import parquet

    parquet.write_table(pa.table(columns), path)
    return path
