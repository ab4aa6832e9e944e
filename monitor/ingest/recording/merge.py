"""Several files as one history, in order of arrival.

A file's arrival time is the running maximum of its readings' times, so files that follow one another are
joined and files that overlap are interleaved. Ties go by the order of the files. What comes out does
not depend on how the files were cut into pieces.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from monitor.ingest.recording.piece import NEVER, Piece
from monitor.model import Rows


class Stream:
    """One file on its way. It is opened when its first arrival is due, so many files need few handles."""

    def __init__(self, order: int, first: int, pieces: Callable[[], Iterator[Piece]]) -> None:
        """first: [ns] no entry of the file arrives before it; NEVER where that is not known."""
        self.order, self._first, self.pieces = order, first, pieces
        self._reading: Iterator[Piece] | None = None
        self.head: Piece | None = None
        self.finished = False

    @property
    def reached(self) -> tuple[int, int]:
        """Nothing that is still to be read comes before this (arrival, order)."""
        return (_last(self.head) if self.head else self._first), self.order

    def advance(self) -> None:
        """Read the next piece that is not empty, or finish."""
        self._reading = self._reading or self.pieces()
        self.head = next((p for p in self._reading if p.rows.size or p.rejections), None)
        self.finished = self.head is None

    def take(self, arrival: int, order: int) -> Piece | None:
        """Take off the head what comes up to (arrival, order)."""
        if self.head is None:
            return None
        side = "right" if self.order <= order else "left"
        rows = int(np.searchsorted(self.head.arrival, arrival, side=side))  # type: ignore[call-overload]
        refused = int(np.searchsorted(self.head.rejected_arrival, arrival, side=side))  # type: ignore[call-overload]
        taken, self.head = _split(self.head, rows, refused)
        return taken


def merge(streams: Sequence[Stream]) -> Iterator[Piece]:
    """All entries of all streams in order of (arrival, stream, place in the file).

    One stream alone is handed on as it is: its arrival times need not be in order, they are not looked at.
    """
    if len(streams) == 1:
        yield from streams[0].pieces()
        return
    active = list(streams)
    while active:
        behind = min(active, key=lambda stream: stream.reached)
        if behind.head is not None:
            reached = behind.reached
            parts = [(stream.order, part) for stream in active if (part := stream.take(*reached))]
            yield parts[0][1] if len(parts) == 1 else _interleave(parts)
        behind.advance()
        active = [stream for stream in active if not stream.finished]


def _last(piece: Piece) -> int:
    rows = int(piece.arrival[-1]) if piece.arrival.size else NEVER
    return max(rows, int(piece.rejected_arrival[-1])) if piece.rejections else rows


def _split(piece: Piece, rows: int, refused: int) -> tuple[Piece | None, Piece | None]:
    if rows == piece.rows.size and refused == len(piece.rejections):
        return piece, None
    if rows == 0 and refused == 0:
        return None, piece
    parts = (slice(0, rows), slice(0, refused), 0), (slice(rows, None), slice(refused, None), rows)
    every, arrival, rejections, at, rejected_arrival = piece
    taken, left = (
        Piece(every.take(r), arrival[r], rejections[f], at[f] - gone, rejected_arrival[f]) for r, f, gone in parts
    )
    return taken, left


def _interleave(parts: list[tuple[int, Piece]]) -> Piece:
    """Sort rows and rejections together by (arrival, stream, place)."""
    rows = Rows.concat([piece.rows for _, piece in parts])
    rejections = [rejection for _, piece in parts for rejection in piece.rejections]
    arrival = np.concatenate([p.arrival for _, p in parts] + [p.rejected_arrival for _, p in parts])
    order = np.concatenate(
        [np.full(p.rows.size, o) for o, p in parts] + [np.full(len(p.rejections), o) for o, p in parts]
    )
    place = np.concatenate([2 * np.arange(p.rows.size) + 1 for _, p in parts] + [2 * p.rejected_at for _, p in parts])
    index = np.lexsort((place, order, arrival))
    is_row = index < rows.size
    refused = index[~is_row] - rows.size
    return Piece(
        rows.take(index[is_row]),
        arrival[index[is_row]],
        [rejections[i] for i in refused],
        np.cumsum(is_row)[~is_row].astype(np.int64),
        arrival[index[~is_row]],
    )
