"""Parquet by day (UTC): `TABLE/day=YYYY-MM-DD/NAME.parquet`, as pandas, DuckDB and others read partitions.

Tables and columns are those of `notify.tables`, but that a time is one column here, which holds every ns: `time` for
`time_ns`. A column's unit is in its metadata, the units of a skid's signals in that of the file. A day's file is
written whole beside its place and then takes it, so nobody reads half of one; written again, it is the same.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from monitor.errors import RunError
from monitor.model import NS, Minute, Rows
from monitor.notify.tables import (
    ALARM,
    CHANGEOUT,
    EVENT,
    FORECAST,
    MINUTE,
    NUMBER,
    READING,
    SMALL,
    TEXT,
    TRUTH,
    WHOLE,
    Table,
    alarm_values,
    changeout_values,
    event_values,
    minute_values,
)
from monitor.store import Reader

ALL = 1 << 40           # more than any day holds
TOGETHER = "all"        # the file of a table that is not divided by skid
_UNITS = {"_bar": "bar", "_m3_h": "m^3/h", "_degc": "degC", "_m3": "m^3", "_h": "h", "_ratio": "1"}


class Written(NamedTuple):
    """A file that took its place."""

    path: Path
    rows: int


def export(store: Reader, skids: Sequence[str], out: Path, days: Sequence[date], *, again: bool) -> Iterator[Written]:
    """Writes the days, those that are there already only if `again`. Raises RunError where files cannot be written."""
    for day in days:
        start = midnight(day)
        end = midnight(day + timedelta(days=1))
        for skid in skids:
            place = _place(out, READING, day, skid)
            if again or not place.exists():
                yield from _write(place, READING, *_readings(store, skid, start, end))
            place = _place(out, MINUTE, day, skid)
            if again or not place.exists():
                yield from _write(place, MINUTE, _minutes(store, skid, start, end))
        for table, rows in _small(store, skids, start, end):
            place = _place(out, table, day, TOGETHER)
            if again or not place.exists():
                yield from _write(place, table, _transposed(table, rows))


def midnight(day: date) -> int:
    """ns since 1970 UTC at which a day begins."""
    return round(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * NS


def day_of(time: int) -> date:
    return datetime.fromtimestamp(time // NS, UTC).date()


def _place(out: Path, table: Table, day: date, name: str) -> Path:
    safe = "".join(c if c.isalnum() or c in "-_." else f"%{ord(c):02X}" for c in name)
    return out / table.name / f"day={day.isoformat()}" / f"{safe}.parquet"


def _readings(store: Reader, skid: str, start: int, end: int) -> tuple[list[Any], dict[str, str]]:
    names = store.signals(skid, former=True)
    meaning = {name: store.versions(skid, name)[-1] for name in names}
    rows = store.rows(skid, start, end, names)
    fed = _among(rows, store.rows(skid, start, end, names, fed_only=True))
    where = rows.signal.astype(np.intp)
    ids, units = np.array(names, object), np.array([meaning[n].unit for n in names], object)
    value = np.ma.masked_invalid(rows.value)
    columns = [np.full(rows.size, skid, object), ids[where], rows.time, value, units[where], rows.quality, fed]
    return columns, {n: meaning[n].unit for n in names}


def _among(rows: Rows, chosen: Rows) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Which of the rows are among the chosen; both in order of (time, signal)."""
    found = np.zeros(rows.size, np.bool_)
    for signal in np.unique(chosen.signal):
        mine = np.flatnonzero(rows.signal == signal)
        found[mine] = np.isin(rows.time[mine], chosen.time[chosen.signal == signal])
    return found


def _minutes(store: Reader, skid: str, start: int, end: int) -> list[Any]:
    found = store.minutes(skid, start, end)
    columns = [found[name].tolist() for name in Minute._fields]
    return _transposed(MINUTE, [minute_values(skid, Minute(*row)) for row in zip(*columns, strict=True)])


def _small(store: Reader, skids: Sequence[str], start: int, end: int) -> Iterator[tuple[Table, list[list[Any]]]]:
    events = sorted(store.events(start=start, end=end, limit=ALL), key=lambda e: (e.time, e.id))
    yield EVENT, [event_values(e) for e in events]
    yield CHANGEOUT, [changeout_values(e) for e in events if e.kind == "changeout-done"]
    entries = sorted(store.journal(start=start, end=end, limit=ALL), key=lambda e: (e.time, e.id))
    yield ALARM, [alarm_values(e) for e in entries]
    foreseen = [(skid, store.forecasts(skid, start, end)) for skid in skids]
    yield FORECAST, [[skid, *row] for skid, found in foreseen
                     for row in zip(*(found[c].tolist() for c in ("time", "p10", "p50", "p90")), strict=True)]


def _transposed(table: Table, rows: Sequence[Sequence[Any]]) -> list[Any]:
    return [list(column) for column in zip(*rows, strict=True)] if rows else [[] for _ in table.columns]


def _write(place: Path, table: Table, columns: Sequence[Any], signals: dict[str, str] | None = None
           ) -> Iterator[Written]:
    """Nothing where there is no row: an empty file says no more than none."""
    if not len(columns[0]):
        return
    import pyarrow as pa
    import pyarrow.parquet as pq

    fields, arrays = [], []
    kinds = {TEXT: pa.string(), NUMBER: pa.float64(), WHOLE: pa.int64(), SMALL: pa.uint8(), TRUTH: pa.bool_()}
    for (name, kind, meaning), column in zip(table.columns, columns, strict=True):
        is_time = name.endswith("_ns")
        unit = next((u for end, u in _UNITS.items() if name.endswith(end)), "")
        notes = {k: v for k, v in (("unit", unit), ("meaning", meaning)) if v}
        if is_time:
            notes = {}
        wanted = pa.timestamp("ns", tz="UTC") if is_time else kinds[kind]
        fields.append(pa.field(name.removesuffix("_ns"), wanted, metadata=notes))
        mask = np.ma.getmaskarray(column) if isinstance(column, np.ma.MaskedArray) else None
        arrays.append(pa.array(np.asarray(column) if mask is not None else column, wanted, mask=mask))
    notes = {"layout": "bagwright 1"} | ({"units": json.dumps(signals)} if signals else {})
    content = pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=notes))
    part = place.with_name(f".{place.name}.part")
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        pq.write_table(content, part, compression="zstd")
        part.replace(place)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise RunError(f"{place}: cannot be written ({(error.strerror or str(error)).lower()})") from None
    yield Written(place, content.num_rows)
