"""Readings in PostgreSQL: new ones, second deliveries, contradictions; and back again, rows and packed hours as one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, LiteralString, NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.fleet.database import Database
from monitor.fleet.hours import Hours, read_packed
from monitor.model import Quality, Rejection, Rows
from monitor.skid import SkidSettings
from monitor.store.intake import NOT_FED, QUALITY_BITS, conflict
from monitor.store.types import HOUR

if TYPE_CHECKING:
    from psycopg import Connection

_ARRIVED = "unnest(%b::integer[], %b::bigint[], %b::double precision[], %b::smallint[])"
# The first of each key that comes is kept, in the order of arrival.
_INSERT = f"INSERT INTO reading SELECT * FROM {_ARRIVED} ON CONFLICT DO NOTHING"  # noqa: S608 (our own text)
_OTHER = f"""SELECT k.id, s.id, u.time, u.value, u.flags, r.value, r.flags
             FROM {_ARRIVED} WITH ORDINALITY AS u (signal, time, value, flags, n)
             JOIN reading r ON (r.signal, r.time) = (u.signal, u.time)
             JOIN signal s ON s.ref = u.signal JOIN skid k ON k.ref = s.skid
             WHERE r.value IS DISTINCT FROM u.value OR (r.flags & 3) <> (u.flags & 3) ORDER BY u.n"""  # noqa: S608

# Of signal s: time, value, flags. Rows are looked at first: it has none only where it fell silent hours ago.
NEWEST: LiteralString = """(SELECT * FROM (
    (SELECT time, value, flags FROM reading WHERE signal = s.ref ORDER BY time DESC LIMIT 1) UNION ALL
    (SELECT last, last_value, last_flags FROM packed WHERE signal = s.ref ORDER BY hour DESC LIMIT 1)) n
    ORDER BY time DESC LIMIT 1)"""
Columns = tuple[npt.NDArray[Any], ...]      # signal, time, value, flags


class Inserted(NamedTuple):
    """Outcome of a batch's readings."""

    number: int
    repeated: int
    conflicting: list[Rejection]


def configure(connection: Connection[tuple[Any, ...]], shard: int, skid: SkidSettings) -> None:
    """Names, order and meaning of a skid's signals. A signal whose meaning changed goes on as another one, and what
    was read before stays with the former."""
    ref = connection.execute("SELECT ref FROM skid WHERE shard = %s AND id = %s", (shard, skid.id)).fetchall()[0][0]
    connection.execute("UPDATE signal SET place = NULL WHERE skid = %s", (ref,))
    for place, s in enumerate(skid.signals):
        connection.execute(
            """INSERT INTO signal (skid, id, place, role, vessel, unit, scale, zero)
               VALUES (%s, %s, %s, %s, %s, %s, %s, %s) ON CONFLICT (skid, id, role, vessel, unit, scale, zero)
               DO UPDATE SET place = excluded.place""",
            (ref, s.id, place, str(s.role), s.vessel or "", s.unit, s.scale, s.offset))  # fmt: skip


def insert(connection: Connection[tuple[Any, ...]],
           batch: Sequence[tuple[Sequence[int], Rows, npt.NDArray[np.bool_]]], hours: Hours) -> Inserted:
    """batch: refs of a skid's signals, readings in order of arrival, which were fed. hours: what is packed."""
    if not batch:
        return Inserted(0, 0, [])
    columns, repeated, other = _not_packed(connection, _columns(batch), hours)
    arrays = tuple(column.tolist() for column in columns)
    number = connection.execute(_INSERT, arrays).rowcount
    total = len(arrays[0])
    if number < total:
        found = [conflict(skid, signal, time, (came, flags), (kept, kept_flags)) for
                 skid, signal, time, came, flags, kept, kept_flags in connection.execute(_OTHER, arrays).fetchall()]
        repeated, other = repeated + total - number - len(found), other + found
    return Inserted(number, repeated, other)


def _not_packed(connection: Connection[tuple[Any, ...]], columns: Columns, hours: Hours
                ) -> tuple[Columns, int, list[Rejection]]:
    """Without what a packed hour holds already; how many of those were the same, and those that were not."""
    signal, time, value, flags = columns
    repeated, other = 0, []
    fresh = np.ones(time.size, np.bool_)
    for at in np.flatnonzero(hours.behind(signal, time)).tolist():
        known = hours.find(connection, int(signal[at]), int(time[at]))
        if known is None:
            continue
        fresh[at] = False
        came = int(value.view(np.int64)[at]), int(flags[at])
        if known[0] == came[0] and known[1] & QUALITY_BITS == came[1] & QUALITY_BITS:
            repeated += 1
        else:
            skid, name = connection.execute("SELECT k.id, s.id FROM signal s JOIN skid k ON k.ref = s.skid "
                                            "WHERE s.ref = %s", (int(signal[at]),)).fetchall()[0]  # fmt: skip
            kept = float(np.int64(known[0]).view(np.float64)), known[1]
            other.append(conflict(skid, name, int(time[at]), (float(value[at]), came[1]), kept))
    return tuple(column[fresh] for column in columns), repeated, other


def _columns(batch: Sequence[tuple[Sequence[int], Rows, npt.NDArray[np.bool_]]]) -> Columns:
    signal = np.concatenate([np.asarray(refs)[rows.signal] for refs, rows, _ in batch])
    time, value, quality = (np.concatenate(column) for column in
                            zip(*((r.time, r.value, r.quality) for _, r, _ in batch), strict=True))  # fmt: skip
    fed = np.concatenate([np.asarray(fed, np.bool_) for _, _, fed in batch])
    return signal, time, value.astype(np.float64, copy=False), quality.astype(np.int64) + NOT_FED * ~fed


def read(database: Database, skid: int, signals: Sequence[str] | None, start: int, end: int, *, fed_only: bool,
         as_taken: bool) -> Rows:
    """Readings of start <= time < end. Those taken in another unit are converted, those taken while the id had
    another role are left out; as_taken: every one as it came. Places are those of `signals`, or of the configured."""
    known = database.query("""SELECT f.ref, n.id, n.place, f.scale, f.zero, n.scale, n.zero,
        (f.role, f.vessel) = (n.role, n.vessel) FROM signal n JOIN signal f ON f.skid = n.skid AND f.id = n.id
        WHERE n.skid = %s AND n.place IS NOT NULL""", (skid,))
    place = {row[0]: (row[2] if signals is None else signals.index(row[1]))
             for row in known if (signals is None or row[1] in signals) and (row[7] or as_taken)}  # fmt: skip
    ref, time, value, flags = _found(database, list(place), start, end)
    if fed_only:
        ref, time, value, flags = (column[flags & NOT_FED == 0] for column in (ref, time, value, flags))
    if not ref.size:
        return Rows.empty()
    for row in known:
        if row[3:5] != row[5:7] and not as_taken:
            mine = ref == row[0]
            value[mine] = (value[mine] * row[3] + (row[4] - row[6])) / row[5]
    where = np.array([place[r] for r in ref.tolist()], np.int16)
    order = np.lexsort((where, time))
    order = order[_first_of_key(where[order], time[order])]
    return Rows(time[order], where[order], value[order], (flags[order] & QUALITY_BITS).astype(np.uint8))


def _found(database: Database, signals: list[int], start: int, end: int) -> Columns:
    """Rows before hours: what is packed in between is met twice, not missed."""
    rows = database.query("SELECT signal, time, value, flags FROM reading WHERE signal = ANY(%s) AND time >= %s "
                          "AND time < %s", (signals, start, end), binary=True)  # fmt: skip
    types = (np.int64, np.int64, np.float64, np.int64)
    parts = [tuple(np.array(c, t) for c, t in zip(zip(*rows, strict=True), types, strict=True))] if rows else []
    parts += [(np.full(hour.time.size, signal, np.int64), hour.time, hour.value, hour.flags)
              for signal, hour in read_packed(database, signals, start, end)]
    if not parts:
        return tuple(np.empty(0, t) for t in types)
    return tuple(np.concatenate(column) for column in zip(*parts, strict=True))


def _first_of_key(where: npt.NDArray[Any], time: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    first = np.ones(time.size, np.bool_)
    first[1:] = (np.diff(time) != 0) | (np.diff(where) != 0)
    return first


def first_from(database: Database, skid: int, time: int) -> int | None:
    """A time at or after `time`, and not after the first reading of a skid from then on. None: there is none."""
    found = database.query("""SELECT least(
        min((SELECT r.time FROM reading r WHERE r.signal = s.ref AND r.time >= %s ORDER BY r.time LIMIT 1)),
        min((SELECT greatest(p.hour * %s::bigint, %s) FROM packed p WHERE p.signal = s.ref AND p.hour >= %s
             AND p.last >= %s ORDER BY p.hour LIMIT 1))) FROM signal s WHERE s.skid = %s""",
                           (time, HOUR, time, time // HOUR, time, skid))  # fmt: skip
    return None if found[0][0] is None else int(found[0][0])


def latest(database: Database, skid: int) -> dict[str, tuple[int, float, Quality]]:
    """Configured signal id -> (time, value, quality) of its newest reading under its present meaning."""
    found = database.query(f"""SELECT s.id, r.time, r.value, r.flags FROM signal s CROSS JOIN LATERAL {NEWEST} r
        WHERE s.skid = %s AND s.place IS NOT NULL ORDER BY s.place""", (skid,))  # noqa: S608 (our own text)
    return {name: (time, value, Quality(flags & QUALITY_BITS)) for name, time, value, flags in found}
