"""Recordings as one history: opened, checked, merged, and handed out in chunks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path

from monitor.errors import InputError
from monitor.ingest.recording.dates import ORDERS
from monitor.ingest.recording.layout import HEAD, Layout, Reader, When, lacks_order, lacks_zone, recognise
from monitor.ingest.recording.merge import Stream, merge
from monitor.ingest.recording.names import Names
from monitor.ingest.recording.piece import NEVER, Ints, Piece
from monitor.ingest.recording.tables import Context
from monitor.model import Reason, Rejection, Rows
from monitor.skid import SkidSettings
from monitor.times import zone_named

LISTED = 12     # names that a warning lists


@dataclass(frozen=True, slots=True)
class Chunk:
    """A stretch of the history: readings in order of arrival, and what could not be used among them.

    rejected_at: how many of the rows came before each rejection.
    """

    rows: Rows
    rejections: list[Rejection]
    rejected_at: Ints
    rejected: Counter[tuple[str | None, Reason]]
    done: float             # share of the files' bytes read so far, 0 to 1


class Recordings:
    """A history that can be read again and again, each time from its start.

    files, layouts: what was opened, in order of names. warnings: sentences for a person; those that
    only reading can find are added on the way. unknown_columns: path -> columns that are no configured
    signal. unknown_signals: name or topic -> how often it came, of the reading that was last begun.
    """

    def __init__(self, layouts: list[Layout], firsts: list[int], skid: SkidSettings, chunk_rows: int) -> None:
        self._layouts, self._firsts, self._skid = layouts, firsts, skid
        self._chunk_rows = max(1, chunk_rows)
        self.files = tuple(str(layout.path) for layout in layouts)
        self.layouts = tuple(layout.kind for layout in layouts)
        self.unknown_columns = {str(layout.path): layout.unknown for layout in layouts if layout.unknown}
        self.unknown_signals: Counter[str] = Counter()
        self._found_at_opening = [
            f"{path}: not used, since no configured signal has that name: {_listed(names)}"
            for path, names in self.unknown_columns.items()
        ] + [f"--map {name}: no recording has a column of that name" for name in _unmet(layouts)] + [
            f"{layout.path}: {layout.skipped} line{'s' * (layout.skipped > 1)} before the header not read"
            for layout in layouts if layout.skipped
        ]  # fmt: skip
        self.warnings = list(self._found_at_opening)

    def __iter__(self) -> Iterator[Chunk]:
        context = Context(self._skid, merged=len(self._layouts) > 1)
        self.unknown_signals = context.unknown
        self.warnings = list(self._found_at_opening)
        progress = _Progress(self._layouts)
        streams = [
            Stream(i, first, lambda i=i, layout=layout: self._pieces(i, layout, context, progress))  # type: ignore[misc]
            for i, (layout, first) in enumerate(zip(self._layouts, self._firsts, strict=True))
        ]
        before = 0.0
        for piece in merge(streams):
            after, given = progress.done, 0
            for rows, rejections, rejected_at in piece.cut(self._chunk_rows):
                rejected = Counter((r.signal, r.reason) for r in rejections)
                given += rows.size
                done = before + (after - before) * given / piece.rows.size if piece.rows.size else after
                yield Chunk(rows, rejections, rejected_at, rejected, done)
            before = after
        if context.unknown:
            names = _listed([name or "(no name)" for name in sorted(context.unknown)])
            self.warnings.append(f"readings not used, since no configured signal has that name: {names}")

    def _pieces(self, order: int, layout: Layout, context: Context, progress: _Progress) -> Iterator[Piece]:
        reader, _ = layout.reader(context)
        progress.readers[order] = reader
        readings = 0
        for piece in reader.pieces():
            readings += piece.rows.size
            yield piece
        if reader.cut_short:
            self.warnings.append(f"{layout.path}: {reader.cut_short}; the {readings:,} readings before that are used")


class _Progress:
    """How much of all files has been read."""

    def __init__(self, layouts: list[Layout]) -> None:
        self._sizes = [max(1, layout.path.stat().st_size) for layout in layouts]
        self.readers: dict[int, Reader] = {}

    @property
    def done(self) -> float:
        read = sum(self._sizes[i] * reader.done for i, reader in self.readers.items())
        return min(1.0, read / sum(self._sizes))


def open_recordings(
    paths: Iterable[str | PathLike[str]],
    skid: SkidSettings,
    *,
    timezone: str | None = None,
    mapping: Mapping[str, str] | None = None,
    dates: str | None = None,
    chunk_rows: int = 500_000,
) -> Recordings:
    """Open recordings of one skid as one history in order of time, whatever the order of `paths`.

    timezone: IANA name for local times without offset. mapping: a file's own name -> signal id (or
    `time`; in a long table also `signal`, `value`, `quality`; of captured messages the topic), a signal with the unit
    of its values where it is not the configured one. dates: which of `dates.ORDERS` holds where a date does not tell.
    chunk_rows: most rows of a chunk; changes nothing else. Raises InputError for what no reading can mend.
    """
    if dates not in (None, *ORDERS):
        raise InputError(f"--dates {dates}: accepted: {' or '.join(ORDERS)}")
    when = When(None if timezone is None else zone_named(timezone), dates)
    names = Names(skid, {k.strip(): v.strip() for k, v in (mapping or {}).items()})
    files = sorted({Path(path) for path in paths}, key=lambda path: (path.name, str(path)))
    if not files:
        raise InputError("no recording given")
    alone = Counter(path.name for path in files)
    layouts = [recognise(path, path.name if alone[path.name] == 1 else str(path), names, when) for path in files]
    firsts = [_first_arrival(layout, skid) for layout in layouts]
    return Recordings(layouts, firsts, skid, chunk_rows)


def _first_arrival(layout: Layout, skid: SkidSettings) -> int:
    """Before which nothing of a file arrives. Raises InputError where its times cannot be told without a zone."""
    reader, clock = layout.reader(Context(skid))
    pieces = reader.pieces(HEAD, HEAD)
    first = next((p for p in pieces if p.rows.size or p.rejections), None)
    pieces.close()  # type: ignore[attr-defined]
    if clock.lacks_order:
        raise InputError(lacks_order(layout.path))
    if clock.lacks_zone:
        raise InputError(lacks_zone(layout.path))
    if first is None or not first.rows.size or (first.rejections and first.rejected_at[0] == 0):
        return NEVER
    return int(first.arrival[0])


def _unmet(layouts: list[Layout]) -> list[str]:
    """Names given with --map that no header has; only where every file has its names in a header."""
    if any(layout.kind != "wide" for layout in layouts):
        return []
    met = {name.strip() for layout in layouts for name in layout.header}
    return [name for name in layouts[0].names.mapping if name not in met]


def _listed(names: Iterable[str]) -> str:
    every = list(names)
    more = f" and {len(every) - LISTED} more" if len(every) > LISTED else ""
    return ", ".join(every[:LISTED]) + more
