"""Writing what `open_recordings` reads: wide tables, and captured messages as they come."""

from __future__ import annotations

import base64
import gzip
from pathlib import Path
from typing import IO, Any, Literal

import msgspec
import numpy as np

from monitor.errors import InputError, RunError
from monitor.ingest.recording.piece import Ints
from monitor.model import Quality, Rows
from monitor.skid import SkidSettings
from monitor.times import to_rfc3339

BAD = "Bad"     # what a reading without a value is written as


def write_wide(path: Path, skid: SkidSettings, rows: Rows) -> None:
    """Write readings as a wide table: CSV, gzip CSV or Parquet by the end of `path`'s name.

    Consecutive rows of one time, in order of signals, share a line. A BAD row whose value lies beyond
    the signal's failure limits keeps it; a BAD row without a value becomes the word Bad. Marks beyond
    that (UNCERTAIN, GONE, BAD with a plausible value) are not carried: use long layout. Same rows, same bytes.
    Raises RunError where the file cannot be written.
    """
    import pyarrow as pa

    line = _lines(rows)
    count = int(line[-1]) + 1 if line.size else 0
    first = np.flatnonzero(np.diff(line, prepend=-1))
    columns = {"time": _times(rows.time[first], text=path.suffix != ".parquet")}
    for index, signal in enumerate(skid.signals):
        mine = rows.signal == index
        columns[signal.id] = _column(rows.take(mine), line[mine], count)
    try:
        _write(path, pa.table(columns))
    except OSError as error:
        raise RunError(f"{path}: cannot be written: {error.strerror or error}") from error


def _lines(rows: Rows) -> Ints:
    """Number of the line of each row."""
    if not rows.size:
        return np.empty(0, np.int64)
    new = (np.diff(rows.time) != 0) | (np.diff(rows.signal) <= 0)
    return np.concatenate(([0], np.cumsum(new))).astype(np.int64)


def _times(ns: Ints, *, text: bool) -> Any:
    import pyarrow as pa

    if not text:
        return pa.array(ns, pa.timestamp("ns", "UTC"))
    unit: Literal["ms", "us", "ns"]
    unit = "ms" if not (ns % 1_000_000).any() else "us" if not (ns % 1_000).any() else "ns"
    stamps = ns.astype("datetime64[ns]")
    return pa.array([f"{stamp}Z" for stamp in np.datetime_as_string(stamps, unit=unit)], pa.string())


def _column(rows: Rows, line: Ints, count: int) -> Any:
    import pyarrow as pa

    mask = np.ones(count, bool)
    mask[line] = False
    wordy = (rows.quality >= Quality.BAD) & np.isnan(rows.value)
    if not wordy.any():
        values = np.zeros(count)
        values[line] = rows.value
        return pa.array(values, pa.float64(), mask=mask)
    texts = np.full(count, None, object)
    texts[line] = [BAD if word else repr(float(v)) for word, v in zip(wordy, rows.value, strict=True)]
    return pa.array(texts, pa.string())


def _write(path: Path, table: Any) -> None:
    from pyarrow import csv, parquet

    if path.suffix == ".parquet":
        parquet.write_table(table, path, compression="zstd")
        return
    with path.open("wb") as file:
        options = csv.WriteOptions(quoting_style="needed")
        if path.suffix == ".gz":
            with gzip.GzipFile("", "wb", 6, file, mtime=0) as packed:
                csv.write_csv(table, packed, options)
        else:
            csv.write_csv(table, file, options)


class CaptureWriter:
    """Appends captured messages to a JSON Lines file.

    After `flush` everything written so far can be read even if the process dies; a line that an
    earlier process left unfinished is ended first. Raises InputError where the file cannot be opened
    (or is to be gzip, which a crash would spoil), RunError where it cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        if path.suffix == ".gz":
            raise InputError(f"{path}: messages are captured unpacked, so that a crash costs none; gzip the file after")
        try:
            self._file: IO[bytes] = path.open("ab")
            torn = _ends_torn(path)
        except OSError as error:
            raise InputError(f"{path}: cannot be opened for writing: {error.strerror or error}") from error
        if torn:
            self._put(b"\n")

    def __enter__(self) -> CaptureWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def write(self, arrival: int, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """One message. arrival: [ns] when it came."""
        line: dict[str, object] = {"time": to_rfc3339(arrival), "topic": topic}
        try:
            line["payload"] = payload.decode("utf-8")
        except UnicodeDecodeError:
            line["payload_base64"] = base64.b64encode(payload).decode("ascii")
        if retain:
            line["retain"] = True
        self._put(msgspec.json.encode(line) + b"\n")

    def flush(self) -> None:
        """Hand everything written so far to the operating system."""
        try:
            self._file.flush()
        except OSError as error:
            raise RunError(f"{self._path}: cannot be written: {error.strerror or error}") from error

    def close(self) -> None:
        try:
            self._file.close()
        except OSError as error:
            raise RunError(f"{self._path}: cannot be written: {error.strerror or error}") from error

    def _put(self, data: bytes) -> None:
        try:
            self._file.write(data)
        except OSError as error:
            raise RunError(f"{self._path}: cannot be written: {error.strerror or error}") from error


def _ends_torn(path: Path) -> bool:
    with path.open("rb") as file:
        if file.seek(0, 2) == 0:
            return False
        file.seek(-1, 2)
        return file.read(1) != b"\n"
