"""What a file is: told by its content, with its columns tied to the configured signals.

Every fault of a file that no row of it can mend is found here, before anything is read.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

from monitor.errors import InputError
from monitor.ingest.recording.captured import Captured
from monitor.ingest.recording.cells import Reading, is_readable, is_textual
from monitor.ingest.recording.clock import Clock
from monitor.ingest.recording.delimited import Delimited
from monitor.ingest.recording.names import LONG, WORDS, Name, Names, Scale, is_unit, scale_to, units_in
from monitor.ingest.recording.parquet import Parquet, open_parquet
from monitor.ingest.recording.source import MAX_LINE, Source
from monitor.ingest.recording.tables import Context, LongTable, WideTable

HEAD = 64 * 1024        # bytes of a file that tell what it is
ACCEPTED = "accepted: CSV (comma, semicolon or tab; .gz too), Parquet, or captured messages as JSON Lines"
FOREIGN = {
    b"ARROW1": "an Arrow file",
    b"PK\x03\x04": "a zip archive or spreadsheet (save its sheet as CSV, UTF-8)",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet (save its sheet as CSV, UTF-8)",
    b"\x28\xb5\x2f\xfd": "packed by zstd",
    b"BZh": "packed by bzip2",
    b"\xfd7zXZ": "packed by xz",
    b"SQLite format 3": "an SQLite database",
}
SEPARATORS = (",", ";", "\t")
_COMMA_NUMBER = re.compile(r'[+-]?[0-9]+,[0-9]+').fullmatch
_CONTROL = re.compile(rb"[\0-\x08\x0b\x0c\x0e-\x1f]").search
SEARCHED = 40           # lines in which a header is looked for
_CLOCK_ONLY = re.compile(rb'[\s"]*[0-9]{1,2}:[0-9]{2}').match

Reader = Delimited | Parquet | Captured


class When(NamedTuple):
    """What is told of local times: their zone, and the order of day and month."""

    zone: ZoneInfo | None = None
    order: str | None = None


class Columns(NamedTuple):
    """Positions of the columns that are read, the time first; signals: their indices, None for a long table; scales:
    how each gets the configured unit; dated: the time comes in two, a day and a time of day."""

    used: list[int]
    signals: list[int] | None
    unknown: tuple[str, ...]
    scales: tuple[Scale | None, ...] = ()
    dated: bool = False
    has_units: bool = False     # the line below the header names units


@dataclass(frozen=True, slots=True)
class Layout:
    """A file that can be read: what it is, and what makes a reader of it from its start."""

    path: Path
    label: str
    kind: str               # "wide", "long" or "captured"
    unknown: tuple[str, ...]
    names: Names
    when: When
    columns: Columns | None = None
    header: tuple[str, ...] = ()
    delimiter: str = ""     # empty for Parquet
    header_line: int = 0    # the last line before the rows
    skipped: int = 0        # lines before the header
    decimal_comma: bool = False

    def reader(self, context: Context) -> tuple[Reader, Clock]:
        clock = Clock(self.when.zone, decimal_comma=self.delimiter == ";", order=self.when.order)
        if self.columns is None:
            return Captured(self.path, context, self.label, self.names.topics(), clock), clock
        table = self._table(context, clock, self.columns)
        used, dated = self.columns.used, self.columns.dated
        if not self.delimiter:
            return Parquet(self.path, table, [self.header[i] for i in used]), clock
        text = Delimited(
            self.path, table, delimiter=self.delimiter, header=self.header_line, width=len(self.header), used=used,
            numeric=used[1 + dated :] if self.columns.signals is not None else used[2 + dated : 3 + dated],
            decimal_comma=self.decimal_comma, dated=dated,
        )  # fmt: skip
        return text, clock

    def _table(self, context: Context, clock: Clock, columns: Columns) -> WideTable | LongTable:
        how = Reading(decimal_comma=self.delimiter == ";")
        if columns.signals is None:
            return LongTable(context, self.label, self.names.signals(), clock, how)
        return WideTable(context, self.label, columns.signals, columns.scales, clock, how)


def recognise(path: Path, label: str, names: Names, when: When) -> Layout:
    """What a file is. Raises InputError with what was found and what is accepted."""
    if path.is_dir():
        raise InputError(f"{path}: a folder; accepted: a recording, or several, as {path / '*.csv'}")
    packed, head = _head(path)
    if not head:
        raise InputError(f"{path}: an empty file; {ACCEPTED}")
    if head.startswith(b"PAR1"):
        if packed:
            raise InputError(f"{path}: Parquet inside gzip; unpack it first")
        return _parquet(path, label, names, when)
    foreign = next((what for magic, what in FOREIGN.items() if head.startswith(magic)), None)
    if foreign is None and _CONTROL(head.lstrip(b"\r\n").split(b"\n", 1)[0]):
        foreign = "binary"
    if foreign is not None:
        raise InputError(f"{path}: {foreign}; {ACCEPTED}")
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if text.startswith(b"{"):
        return Layout(path, label, "captured", (), names, when)
    if text.startswith(b"["):
        raise InputError(f"{path}: a JSON array; accepted: JSON Lines, one object a line")
    return _delimited(path, label, names, when, head.removeprefix(b"\xef\xbb\xbf"))


def _head(path: Path) -> tuple[bool, bytes]:
    """Whether a file is gzip, and its first unpacked bytes: at least one line where there is one."""
    with Source(path, HEAD) as source:
        head = b""
        while len(head) < HEAD or (b"\n" not in head and len(head) <= MAX_LINE):
            more = source.read()
            if not more:
                break
            head += more
        if b"\n" not in head and source.cut_short:
            raise InputError(f"{path}: {source.cut_short} before its first line")
        return source.is_packed, head


def _delimited(path: Path, label: str, names: Names, when: When, head: bytes) -> Layout:
    lines = head.split(b"\n")
    filled = [i for i, line in enumerate(lines) if line.strip()][:SEARCHED]
    if not filled:
        raise InputError(f"{path}: nothing but blank lines; {ACCEPTED}")
    if len(lines[filled[0]]) > MAX_LINE:
        raise InputError(f"{path}:{filled[0] + 1}: a header of more than {MAX_LINE} bytes; {ACCEPTED}")
    at, delimiter, header = _header(lines, filled, names)
    below = [line for line in lines[at + 1 :] if line.strip()][:1]
    columns = _columns(path, header, names, _split(_text(below[0]), delimiter) if below else ())
    if columns.dated and not (below and _clock_only(below[0], delimiter, columns.used[1])):
        columns = columns._replace(used=columns.used[1:], dated=False)
    number = at + 1
    if columns.has_units and below:
        number = lines.index(below[0], at + 1) + 1
    comma = delimiter == ";" and any(
        _COMMA_NUMBER(cell.strip(b'" \r').decode("latin-1")) for row in lines[number:200] for cell in row.split(b";")
    )
    kind = "long" if columns.signals is None else "wide"
    skipped = sum(1 for i in filled if i < at)
    return Layout(path, label, kind, columns.unknown, names, when, columns, header, delimiter, number, skipped, comma)


def _clock_only(line: bytes, delimiter: str, place: int) -> bool:
    cells = _split(_text(line), delimiter)
    return place < len(cells) and _CLOCK_ONLY(cells[place].encode()) is not None


class _Header(NamedTuple):
    """A line as a header: which, its separator and column names."""

    at: int
    delimiter: str
    cells: tuple[str, ...]


def _header(lines: Sequence[bytes], filled: Sequence[int], names: Names) -> _Header:
    """The first line with a time and something known beside it, else with a time, else with the most columns; the
    separator that finds that and the most columns."""
    found = [_Header(i, mark, _split(_text(lines[i]), mark)) for i in filled for mark in SEPARATORS]

    def worth(header: _Header) -> tuple[bool, bool, int, int, int]:
        told = {names.resolve(cell).target for cell in header.cells}
        timed = "time" in told
        known = any(names.skid.index(name) is not None for name in told) or told.issuperset(LONG)
        return timed and known, timed, -header.at if timed else 0, len(header.cells), -header.at

    return max(found, key=worth)


def _text(line: bytes) -> str:
    line = line.rstrip(b"\r")
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("latin-1")


def _split(text: str, separator: str) -> tuple[str, ...]:
    try:
        return tuple(cell.strip() for cell in next(csv.reader([text], delimiter=separator), []))
    except csv.Error:
        return tuple(text.split(separator))


def _columns(path: Path, header: Sequence[str], names: Names, below: Sequence[str] = ()) -> Columns:
    """Tie a header to the configured signals. below: the line after it, which may name units. Raises InputError where
    that gives no readings."""
    told = [names.resolve(name) for name in header]
    found = [name.target for name in told]
    shown = ", ".join(name[:60] or "(no name)" for name in header[:40])
    if "time" not in found:
        raise InputError(
            f"{path}: no column time; found {shown}; accepted: a column of that name, or --map COLUMN=time"
        )
    time = found.index("time")
    day = [found.index("date")] if "date" in found else []
    if all(name in found for name in LONG):
        _refuse_double(path, header, found, names)
        used = [*day, time, *(found.index(name) for name in (*LONG, "quality") if name in found)]
        return Columns(used, None, tuple(header[i] for i in range(len(found)) if i not in used), dated=bool(day))
    tied = _tied(told, names)
    _refuse_double(path, header, [found[i] if i in tied or found[i] in WORDS else "" for i in range(len(found))], names)
    if not tied:
        ids = ", ".join(signal.id for signal in names.skid.signals)
        raise InputError(
            f"{path}: no column is a configured signal; found {shown}; accepted: {ids}, or --map COLUMN=SIGNAL"
        )
    units = units_in(below, list(tied), time)
    signals = names.skid.signals
    scales = tuple(scale_to(signals[index], told[i].unit or units.get(i), f"{path}: column {header[i]}")
                   for i, index in tied.items())  # fmt: skip
    used = [*day, time, *tied]
    unknown = tuple(name for i, name in enumerate(header) if i not in used and name)
    return Columns(used, list(tied.values()), unknown, scales, bool(day), bool(units))


def _tied(told: Sequence[Name], names: Names) -> dict[int, int]:
    """Position of each column that is a configured signal -> the signal's index. Beside a column of a signal's own name
    one with something else in brackets than a unit, as a quality, is none."""
    tied = {i: index for i, name in enumerate(told) if (index := names.skid.index(name.target)) is not None}
    plain = {told[i].target for i in tied if told[i].unit is None}
    return {i: index for i, index in tied.items()
            if told[i].target not in plain or (unit := told[i].unit) is None or is_unit(unit)}  # fmt: skip


def _refuse_double(path: Path, header: Sequence[str], found: Sequence[str], names: Names) -> None:
    for name in dict.fromkeys(found):
        wanted = name in WORDS or names.skid.index(name) is not None
        if wanted and found.count(name) > 1:
            double = " and ".join(header[i] for i in range(len(found)) if found[i] == name)
            raise InputError(f"{path}: more than one column is {name}: {double}; keep one")


def _parquet(path: Path, label: str, names: Names, when: When) -> Layout:
    import pyarrow.types as types

    with open_parquet(path) as file:
        schema = file.schema_arrow
    header = tuple(schema.names)
    columns = _columns(path, header, names)
    if columns.dated:
        columns = columns._replace(used=columns.used[1:], dated=False)
    for i in columns.used:
        kind = schema.types[i]
        value = is_readable(kind) if i != columns.used[0] else _is_time(kind)
        if not value:
            what = "nested" if types.is_nested(kind) else str(kind)
            raise InputError(f"{path}: column {header[i]} is {what}; accepted: plain columns of numbers, text or times")
    time = schema.types[columns.used[0]]
    if when.zone is None and types.is_timestamp(time) and time.tz is None:
        raise InputError(lacks_zone(path))
    kind_name = "long" if columns.signals is None else "wide"
    return Layout(path, label, kind_name, columns.unknown, names, when, columns, header)


def _is_time(kind: object) -> bool:
    import pyarrow.types as types

    plain = kind.value_type if types.is_dictionary(kind) else kind  # type: ignore[attr-defined]
    known = (types.is_timestamp, types.is_integer, types.is_floating, types.is_decimal)
    return is_textual(kind) or any(check(plain) for check in known)


def lacks_order(path: Path) -> str:
    return (f"{path}: dates whose order of day and month is not told; give --dates day-first (25/10/2026) or "
            "--dates month-first (10/25/2026)")


def lacks_zone(path: Path) -> str:
    return f"{path}: local times without offset; give --timezone NAME, such as --timezone Europe/Berlin (or UTC)"
