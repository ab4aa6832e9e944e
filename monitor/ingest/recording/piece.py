"""What every reader of a file yields: rows in order of the file, and what could not be used between them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.model import Reason, Rejection, Rows

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
NEVER = np.iinfo(np.int64).min      # arrival before any time was read

TEXT_LENGTH = 200


class Piece(NamedTuple):
    """Some consecutive lines of one file.

    arrival: [ns] one per row: when the file says it had come, which never goes back.
    rejections: in order of the file; rejected_at: how many of the rows came before each;
    rejected_arrival: [ns] arrival of each.
    """

    rows: Rows
    arrival: Ints
    rejections: list[Rejection]
    rejected_at: Ints
    rejected_arrival: Ints

    def cut(self, size: int) -> Iterator[tuple[Rows, list[Rejection], Ints]]:
        """In parts of at most `size` rows; a rejection goes with the row that follows it. With each part's rejections,
        how many of the part's rows came before each."""
        total = self.rows.size
        for start in range(0, max(total, 1), size):
            end = min(start + size, total)
            first = int(np.searchsorted(self.rejected_at, start, side="left"))
            last = len(self.rejections) if end == total else int(np.searchsorted(self.rejected_at, end, side="left"))
            part = slice(first, last)
            yield self.rows.take(slice(start, end)), self.rejections[part], self.rejected_at[part] - start


class Fault(NamedTuple):
    """Something unusable, not yet tied to a skid. column: -1 for a whole line.

    time: [ns] where one could be read; came: [ns] when it arrived, where that differs.
    """

    line: int
    column: int
    reason: Reason
    signal: str | None
    text: str
    time: int | None
    note: str
    came: int | None = None


def rejection(fault: Fault, skid: str, file: str) -> Rejection:
    text = fault.text if len(fault.text) <= TEXT_LENGTH else fault.text[: TEXT_LENGTH - 1] + "…"
    return Rejection(fault.reason, skid, fault.signal, f"{file}:{fault.line}", text, fault.time, fault.note)


class Assembler:
    """Turns rows with their place in a file into pieces; keeps the newest time from piece to piece.

    merged: whether anybody needs arrival times; without, they are what came.
    """

    def __init__(self, skid: str, file: str, merged: bool) -> None:
        self._skid, self._file, self._merged = skid, file, merged
        self._newest = NEVER

    def clean(self, rows: Rows, came: Ints) -> Piece:
        """A piece in which everything could be used."""
        empty = np.empty(0, np.int64)
        return Piece(rows, self._arrivals(came), [], empty, empty)

    def piece(self, rows: Rows, line: Ints, column: npt.NDArray[np.int16], came: Ints, faults: list[Fault]) -> Piece:
        """rows in order of (line, column); came: [ns] each row's own arrival, or its time where it has none."""
        if not faults:
            return self.clean(rows, came)
        faults.sort(key=lambda fault: fault[:2])
        at = _places(faults, line, column)
        is_fault = np.zeros(rows.size + at.size, bool)
        is_fault[at + np.arange(at.size)] = True
        times = np.empty(is_fault.size, np.int64)
        times[~is_fault] = came
        times[is_fault] = [_arrival(fault) for fault in faults]
        arrival = self._arrivals(times)
        rejections = [rejection(fault, self._skid, self._file) for fault in faults]
        return Piece(rows, arrival[~is_fault], rejections, at, arrival[is_fault])

    def _arrivals(self, times: Ints) -> Ints:
        """The running maximum of times, going on from the last piece."""
        if not self._merged or not times.size:
            return times
        arrival = np.maximum(np.maximum.accumulate(times), self._newest)
        self._newest = int(arrival[-1])
        return arrival


def _arrival(fault: Fault) -> int:
    return next((time for time in (fault.came, fault.time) if time is not None), NEVER)


def _places(faults: list[Fault], line: Ints, column: npt.NDArray[np.int16]) -> Ints:
    """How many rows lie before each fault in order of (line, column)."""
    width = 1 << 16
    rows = line * width + (column.astype(np.int64) + 1)
    keys = np.fromiter((f.line * width + f.column + 1 for f in faults), np.int64, len(faults))
    return np.searchsorted(rows, keys, side="left").astype(np.int64)
