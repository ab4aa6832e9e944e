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
from monitor.ingest.recording.parquet import Parquet, open_parquet
from monitor.ingest.recording.source import MAX_LINE, Source
from monitor.ingest.recording.tables import Context, LongTable, WideTable
from monitor.model import SkidSettings

HEAD = 64 * 1024        # bytes of a file that tell what it is
ACCEPTED = "accepted: CSV (comma, semicolon or tab; .gz too), Parquet, or captured messages as JSON Lines"
FOREIGN = {
    b"ARROW1": "an Arrow file",
    b"PK\x03\x04": "a zip archive or spreadsheet",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet",
    b"\x28\xb5\x2f\xfd": "packed by zstd",
    b"BZh": "packed by bzip2",
    b"\xfd7zXZ": "packed by xz",
    b"SQLite format 3": "an SQLite database",
    b"\xff\xfe": "UTF-16 text (save it as UTF-8)",
    b"\xfe\xff": "UTF-16 text (save it as UTF-8)",
}
SEPARATORS = (",", ";", "\t")
_COMMA_NUMBER = re.compile(r'[+-]?[0-9]+,[0-9]+').fullmatch
_CONTROL = re.compile(rb"[\0-\x08\x0b\x0c\x0e-\x1f]").search
LONG = ("signal", "value")

Reader = Delimited | Parquet | Captured


@dataclass(frozen=True, slots=True)
class Names:
    """How a file's own names are tied to the configured ones."""

    skid: SkidSettings
    mapping: dict[str, str]

    def __post_init__(self) -> None:
        known = {signal.id for signal in self.skid.signals}
        for column, target in self.mapping.items():
            if target not in known and target.casefold() not in ("time", *LONG, "quality"):
                ids = ", ".join(sorted(known))
                raise InputError(f"--map {column}={target}: no such signal; accepted: time, or one of {ids}")

    def resolve(self, name: str) -> str:
        """The configured id, or time, signal, value or quality, that a column's name stands for."""
        bare = self.mapping.get(name.strip(), name.strip())
        if self.skid.index(bare) is None and bare.casefold() in ("time", *LONG, "quality"):
            return bare.casefold()
        return bare

    def signals(self) -> dict[str, int]:
        """What a signal column may say -> index of the signal."""
        own = {signal.id: i for i, signal in enumerate(self.skid.signals)}
        return own | {name: own[target] for name, target in self.mapping.items() if target in own}

    def topics(self) -> dict[str, list[int]]:
        """Topic -> the signals that it carries."""
        topics: dict[str, list[int]] = {}
        for i, signal in enumerate(self.skid.signals):
            topics.setdefault(signal.topic, []).append(i)
        own = self.signals()
        return topics | {name: [own[name]] for name, target in self.mapping.items() if target in own}


class Columns(NamedTuple):
    """Positions of the columns that are read, the time first; signals: their indices, None for a long table."""

    used: list[int]
    signals: list[int] | None
    unknown: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Layout:
    """A file that can be read: what it is, and what makes a reader of it from its start."""

    path: Path
    label: str
    kind: str               # "wide", "long" or "captured"
    unknown: tuple[str, ...]
    names: Names
    zone: ZoneInfo | None
    columns: Columns | None = None
    header: tuple[str, ...] = ()
    delimiter: str = ""     # empty for Parquet
    header_line: int = 0
    decimal_comma: bool = False

    def reader(self, context: Context) -> tuple[Reader, Clock]:
        clock = Clock(self.zone, decimal_comma=self.delimiter == ";")
        if self.columns is None:
            return Captured(self.path, context, self.label, self.names.topics(), clock), clock
        table = self._table(context, clock, self.columns)
        used = self.columns.used
        if not self.delimiter:
            return Parquet(self.path, table, [self.header[i] for i in used]), clock
        text = Delimited(
            self.path, table, delimiter=self.delimiter, header=self.header_line, width=len(self.header), used=used,
            numeric=used[1:] if self.columns.signals is not None else used[2:3], decimal_comma=self.decimal_comma,
        )  # fmt: skip
        return text, clock

    def _table(self, context: Context, clock: Clock, columns: Columns) -> WideTable | LongTable:
        how = Reading(decimal_comma=self.delimiter == ";")
        if columns.signals is None:
            return LongTable(context, self.label, self.names.signals(), clock, how)
        return WideTable(context, self.label, columns.signals, clock, how)


def recognise(path: Path, label: str, names: Names, zone: ZoneInfo | None) -> Layout:
    """What a file is. Raises InputError with what was found and what is accepted."""
    if path.is_dir():
        raise InputError(f"{path}: a folder; accepted: a recording, or several, as {path / '*.csv'}")
    packed, head = _head(path)
    if not head:
        raise InputError(f"{path}: an empty file; {ACCEPTED}")
    if head.startswith(b"PAR1"):
        if packed:
            raise InputError(f"{path}: Parquet inside gzip; unpack it first")
        return _parquet(path, label, names, zone)
    foreign = next((what for magic, what in FOREIGN.items() if head.startswith(magic)), None)
    if foreign is None and _CONTROL(head.lstrip(b"\r\n").split(b"\n", 1)[0]):
        foreign = "binary"
    if foreign is not None:
        raise InputError(f"{path}: {foreign}; {ACCEPTED}")
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if text.startswith(b"{"):
        return Layout(path, label, "captured", (), names, zone)
    if text.startswith(b"["):
        raise InputError(f"{path}: a JSON array; accepted: JSON Lines, one object a line")
    return _delimited(path, label, names, zone, head.removeprefix(b"\xef\xbb\xbf"))


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


def _delimited(path: Path, label: str, names: Names, zone: ZoneInfo | None, head: bytes) -> Layout:
    lines = head.split(b"\n")
    number = next((i for i, line in enumerate(lines, 1) if line.strip()), 0)
    if number == 0:
        raise InputError(f"{path}: nothing but blank lines; {ACCEPTED}")
    if len(lines[number - 1]) > MAX_LINE:
        raise InputError(f"{path}:{number}: a header of more than {MAX_LINE} bytes; {ACCEPTED}")
    line = lines[number - 1].rstrip(b"\r")
    delimiter, header = _header(line, names)
    columns = _columns(path, header, names)
    comma = delimiter == ";" and any(
        _COMMA_NUMBER(cell.strip(b'" \r').decode("latin-1")) for row in lines[number:200] for cell in row.split(b";")
    )
    kind = "long" if columns.signals is None else "wide"
    return Layout(path, label, kind, columns.unknown, names, zone, columns, header, delimiter, number, comma)


def _header(line: bytes, names: Names) -> tuple[str, tuple[str, ...]]:
    """Separator and column names: the separator that finds a time and the most columns."""
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError:
        text = line.decode("latin-1")
    splits = {separator: _split(text, separator) for separator in SEPARATORS}
    best = max(SEPARATORS, key=lambda s: ("time" in map(names.resolve, splits[s]), len(splits[s])))
    return best, splits[best]


def _split(text: str, separator: str) -> tuple[str, ...]:
    try:
        return tuple(cell.strip() for cell in next(csv.reader([text], delimiter=separator), []))
    except csv.Error:
        return tuple(text.split(separator))


def _columns(path: Path, header: Sequence[str], names: Names) -> Columns:
    """Tie a header to the configured signals. Raises InputError where that gives no readings."""
    found = [names.resolve(name) for name in header]
    shown = ", ".join(name[:60] or "(no name)" for name in header[:40])
    if "time" not in found:
        raise InputError(
            f"{path}: no column time; found {shown}; accepted: a column of that name, or --map COLUMN=time"
        )
    _refuse_double(path, header, found, names)
    time = found.index("time")
    if all(name in found for name in LONG):
        used = [time, *(found.index(name) for name in (*LONG, "quality") if name in found)]
        return Columns(used, None, tuple(header[i] for i in range(len(found)) if i not in used))
    tied = [(i, index) for i, name in enumerate(found) if (index := names.skid.index(name)) is not None]
    if not tied:
        ids = ", ".join(signal.id for signal in names.skid.signals)
        raise InputError(
            f"{path}: no column is a configured signal; found {shown}; accepted: {ids}, or --map COLUMN=SIGNAL"
        )
    used = [time, *(i for i, _ in tied)]
    unknown = tuple(name for i, name in enumerate(header) if i not in used and name)
    return Columns(used, [index for _, index in tied], unknown)


def _refuse_double(path: Path, header: Sequence[str], found: Sequence[str], names: Names) -> None:
    for name in dict.fromkeys(found):
        wanted = name in ("time", *LONG, "quality") or names.skid.index(name) is not None
        if wanted and found.count(name) > 1:
            double = " and ".join(header[i] for i in range(len(found)) if found[i] == name)
            raise InputError(f"{path}: more than one column is {name}: {double}; keep one")


def _parquet(path: Path, label: str, names: Names, zone: ZoneInfo | None) -> Layout:
    import pyarrow.types as types

    with open_parquet(path) as file:
        schema = file.schema_arrow
    header = tuple(schema.names)
    columns = _columns(path, header, names)
    for i in columns.used:
        kind = schema.types[i]
        value = is_readable(kind) if i != columns.used[0] else _is_time(kind)
        if not value:
            what = "nested" if types.is_nested(kind) else str(kind)
            raise InputError(f"{path}: column {header[i]} is {what}; accepted: plain columns of numbers, text or times")
    time = schema.types[columns.used[0]]
    if zone is None and types.is_timestamp(time) and time.tz is None:
        raise InputError(lacks_zone(path))
    kind_name = "long" if columns.signals is None else "wide"
    return Layout(path, label, kind_name, columns.unknown, names, zone, columns, header)


def _is_time(kind: object) -> bool:
    import pyarrow.types as types

    plain = kind.value_type if types.is_dictionary(kind) else kind  # type: ignore[attr-defined]
    known = (types.is_timestamp, types.is_integer, types.is_floating, types.is_decimal)
    return is_textual(kind) or any(check(plain) for check in known)


def lacks_zone(path: Path) -> str:
    return f"{path}: local times without offset; give --timezone NAME, such as --timezone Europe/Berlin (or UTC)"
